"""The suite draws the same examples on every run, so that no run turns red on its own; --fuzz draws fresh ones."""

from hypothesis import given
from hypothesis import strategies as st


def test_examples_are_the_same_on_every_run(request):
    drawn: list[int] = []

    @given(st.integers())
    def draw(number):
        drawn.append(number)

    draw()
    first = drawn.copy()
    drawn.clear()
    draw()
    assert len(first) > 10
    assert (drawn == first) is not request.config.getoption("--fuzz")

"""The search itself, on made-up standings: best of all, within its budget, never worse than what is set now."""

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sillcast.advice.solver import PATIENCE, Variable, ladder, search
from sillcast.advice.standing import best_possible

BEST = best_possible()


def variable(now, least=0.0, most=10.0, step=1.0, pointer="/a", array=""):
    values, place = ladder(least, most, step, now)
    return Variable(pointer, values, place, step, array)


def standing(unseen):
    return (0, 1, 0, 0, int(unseen), 0, 0)


def bowl(variables, centre):
    """Unseen area that grows with the distance from a centre."""

    def judge(candidate):
        at = [v.values[p] for v, p in zip(variables, candidate, strict=True)]
        return standing(sum((a - c) ** 2 for a, c in zip(at, centre, strict=True)))

    return judge


def best_values(found):
    best = found.ranked()[0]
    return tuple(v.values[p] for v, p in zip(found.variables, best, strict=True))


def test_ladder_hangs_on_the_current_value_and_stays_in_its_range():
    values, now = ladder(-5.0, 5.0, 2.0, 0.5)
    assert values == (-3.5, -1.5, 0.5, 2.5, 4.5)
    assert values[now] == 0.5


def test_a_current_value_outside_the_range_is_the_only_one_outside():
    values, now = ladder(0.0, 4.0, 1.0, 6.0)
    assert values == (0.0, 1.0, 2.0, 3.0, 4.0, 6.0)
    assert values[now] == 6.0


@pytest.mark.parametrize(("low", "high"), [((0.0, 3.0), (-2.0, 8.0)), ((1.0, 1.4), (0.0, 2.0))])
def test_a_wider_range_at_the_same_step_holds_every_value_of_a_narrower(low, high):
    narrow, _ = ladder(*low, 0.1, 1.0)
    wide, _ = ladder(*high, 0.1, 1.0)
    assert set(narrow) < set(wide)


@given(st.lists(st.integers(0, 40), min_size=16, max_size=16), st.integers(0, 3), st.integers(0, 3))
def test_few_candidates_are_all_tried_and_the_best_wins_whatever_the_landscape(areas, i, j):
    table = dict(zip(product(range(4), range(4)), areas, strict=True))
    variables = [variable(float(n), 0.0, 3.0) for n in (i, j)]
    found = search(variables, lambda c: standing(table[c]), budget=16)
    assert (found.stopped, found.optimal, len(found.standings)) == ("all_tried", True, 16)
    best = found.ranked()[0]
    assert table[best] == min(areas)
    # Among equals: fewest changes, then the smallest.
    equal = [c for c in table if table[c] == min(areas)]
    cost = {c: (sum(a != b for a, b in zip(c, (i, j), strict=True)), abs(c[0] - i) + abs(c[1] - j)) for c in equal}
    assert cost[best] == min(cost.values())


@given(st.lists(st.integers(0, 40), min_size=21, max_size=21), st.integers(0, 10), st.integers(0, 10))
def test_a_wider_range_is_never_worse_when_all_is_tried(areas, down, up):
    def judge_of(v):
        return lambda c: standing(areas[int(v.values[c[0]])])

    narrow, wide = variable(10.0, 10.0 - down, 10.0 + up), variable(10.0, 0.0, 20.0)
    results = [search([v], judge_of(v), budget=100) for v in (narrow, wide)]
    first, second = (r.standings[r.ranked()[0]] for r in results)
    assert second <= first <= standing(areas[10])


@given(st.tuples(*[st.integers(0, 60)] * 3), st.tuples(*[st.integers(0, 60)] * 3))
@settings(max_examples=30, deadline=None)
def test_coarse_to_fine_finds_the_bottom_of_a_bowl(start, centre):
    variables = [variable(float(s), 0.0, 60.0) for s in start]
    found = search(variables, bowl(variables, centre), budget=3000)
    assert found.candidates == 61.0**3
    assert best_values(found) == tuple(float(c) for c in centre)
    assert found.stopped == "no_single_change_helps"
    assert not found.optimal


@pytest.mark.parametrize("budget", [1, 2, 17, 60])
def test_the_budget_is_kept_and_the_current_candidate_is_among_the_tried(budget):
    variables = [variable(30.0, 0.0, 60.0) for _ in range(4)]
    seen = []

    def judge(candidate):
        seen.append(candidate)
        return bowl(variables, (1.0, 2.0, 3.0, 4.0))(candidate)

    found = search(variables, judge, budget=budget)
    assert len(seen) == len(set(seen)) == len(found.standings) == budget
    assert found.now in found.standings
    assert found.stopped == "budget"
    assert found.standings[found.ranked()[0]] <= found.standings[found.now]


def test_an_array_is_drawn_apart_as_a_whole():
    """A fan 0, 10, 20 has to become 0, 20, 40: no single step helps, since unequal spacing is worse."""
    variables = [variable(v, 0.0, 60.0, pointer=f"/a/{i}", array="/a") for i, v in enumerate((0.0, 10.0, 20.0))]

    def judge(candidate):
        a, b, c = (v.values[p] for v, p in zip(variables, candidate, strict=True))
        return standing(abs(c - 40.0) + 100.0 * abs((b - a) - (c - b)))

    found = search(variables, judge, budget=2000)
    best = best_values(found)
    assert best[2] == 40.0
    assert best[1] - best[0] == best[2] - best[1]


def test_what_cannot_be_bettered_is_left_alone():
    found = search([variable(3.0)], lambda _: BEST, budget=100)
    assert (found.stopped, found.optimal, len(found.standings)) == ("nothing_to_gain", True, 1)


def test_without_settings_nothing_is_searched():
    found = search([], lambda _: standing(5), budget=100)
    assert (found.stopped, len(found.standings)) == ("nothing_tunable", 1)


def test_among_equal_results_settings_early_in_the_request_are_changed():
    variables = [variable(5.0, pointer="/a"), variable(5.0, pointer="/b")]
    found = search(variables, lambda c: standing(0 if 6 in c else 9), budget=1000)
    assert best_values(found) == (6.0, 5.0)


def test_the_search_ends_once_nothing_can_better_what_a_change_found():
    """One zone stays unmet whatever is set; what is set now is known to be worse than the grid says."""
    variables = [variable(30.0, 0.0, 60.0) for _ in range(3)]

    def judge(candidate):
        return standing(0 if sum(candidate) > 95 else 5)

    found = search(variables, judge, budget=3000, best=standing(0))
    assert (found.stopped, found.optimal) == ("nothing_to_gain", True)
    assert found.standings[found.ranked()[0]] == standing(0)
    patient = search(variables, judge, budget=3000, best=standing(0), is_enough=lambda _: False)
    assert patient.stopped == "no_single_change_helps"
    assert len(patient.standings) > len(found.standings)


def test_what_is_known_to_be_worse_than_the_grid_says_is_searched_all_the_same():
    found = search([variable(3.0)], lambda _: standing(0), budget=100, best=standing(0))
    assert (found.stopped, len(found.standings)) == ("all_tried", 11)


def test_the_search_ends_where_many_candidates_in_a_row_bring_nothing():
    variables = [variable(30.0, 0.0, 60.0, pointer=f"/{i}") for i in range(9)]
    found = search(variables, lambda _: standing(5), budget=3000)
    assert (found.stopped, found.optimal) == ("no_gain", False)
    assert PATIENCE < len(found.standings) <= PATIENCE + 4

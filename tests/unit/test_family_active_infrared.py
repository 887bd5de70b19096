"""Active infrared: where a background is learnt, by the range that weather, dirt and the bare floor leave."""

import pytest

from reference.scene import BODY, seen
from sillcast.family import SensorView
from sillcast_families.active_infrared import ActiveInfraredFamily

ONE = {"rows": 1, "columns": 1, "first_row_deg": 0.0, "rows_spread_deg": 0.0, "columns_spread_deg": 0.0}


def background(conditions, *, stop, length_m, height_m=2.0):
    """Values of the remark for one spot straight down, or None."""
    one = seen(ActiveInfraredFamily(), device=ONE, at=(0.0, -0.3, height_m), conditions=conditions)
    view = SensorView((length_m,), (stop,), (), 1.0, None, BODY)
    remarks = {f.code: f.values for f in one.family.review(one.params, one.scene, view)}
    return remarks.get("active_infrared.background_far")


# Range 5 m for a grey card of 0.18: a floor of half of that gives an echo from 5 sqrt(1/2) m.
def test_the_floor_counts_not_the_body_on_it():
    assert background({"floor_reflectance": 0.09}, stop="floor", length_m=3.6, height_m=3.6)[
        "range_m"
    ] == pytest.approx(5.0 * 0.5**0.5)
    assert background({"floor_reflectance": 0.09}, stop="floor", length_m=3.5, height_m=3.5) is None


def test_a_dark_body_leaves_the_background_of_a_bright_floor():
    """A body of 0.02 is lost from 5 sqrt(1/9) = 1.67 m on, where the ray ends; the floor at 2 m gives its echo."""
    assert background({"body_reflectance": 0.02}, stop="range", length_m=5.0 / 3.0) is None
    assert background({"body_reflectance": 0.02}, stop="range", length_m=5.0 / 3.0, height_m=5.1)["spots"] == 1


def test_the_range_told_is_that_in_the_declared_weather():
    """Half of the light lost at the window on each way: sqrt(1/4) of the range."""
    assert background({"window_dirt": 0.5}, stop="range", length_m=2.5, height_m=3.0)["range_m"] == pytest.approx(2.5)
    assert background({"window_dirt": 0.5}, stop="floor", length_m=2.4, height_m=2.4) is None


def test_a_spot_that_never_meets_the_floor_has_no_background_but_one_on_a_rack_has():
    assert background({}, stop="range", length_m=5.0, height_m=5.5)["of"] == 1
    assert background({}, stop="rack", length_m=1.0, height_m=5.5) is None

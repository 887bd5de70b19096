"""Laser scanner: remarks on the aim of the sweep, on planes and on the mount; each with a case that does not raise it."""

import pytest

from reference.scene import BODY, seen
from sillcast.family import SensorView
from sillcast_families.laser_scan import LaserScanFamily

LEFT, RIGHT = (-2.1, -0.3, 4.2), (2.1, -0.3, 4.2)
INWARDS = {"sweep_start_deg": -90.0, "sweep_end_deg": 5.0}
OUTWARDS = {"sweep_start_deg": -5.0, "sweep_end_deg": 90.0}
AIM = {"sweep_outside", "beside_opening", "floor_missed"}


def scan(device=None, at=LEFT, **how):
    return seen(LaserScanFamily(), device=device, at=at, **how)


def aims(one, *, inside_m2=1.0, wanted=None):
    """Remarks on the aim by key."""
    view = SensorView((), (), (), inside_m2, wanted, BODY)
    found = one.family.review(one.params, one.scene, view)
    return {key: f for f in found if (key := f.code.partition(".")[2]) in AIM}


@pytest.mark.parametrize(("at", "wrong", "right"), [(LEFT, OUTWARDS, INWARDS), (RIGHT, INWARDS, OUTWARDS)])
def test_sweep_or_corner_swapped_left_for_right_is_named(at, wrong, right):
    """5 deg of overlap see a little of the opening, which does not make the sweep right."""
    (remark,) = aims(scan(wrong, at)).values()
    assert remark.code == "laser_scan.sweep_outside"
    assert remark.values["rays"] > 0
    assert [remark.values["mirror_start_deg"], remark.values["mirror_end_deg"]] == list(right.values())
    assert remark.values["mirror_x_m"] == -at[0]
    assert aims(scan(right, at)) == {}
    assert aims(scan(wrong, (-at[0], *at[1:]))) == {}


def test_a_head_that_looks_both_ways_and_one_off_the_middle_are_right():
    both = {"sweep_start_deg": -60.0, "sweep_end_deg": 60.0}
    assert aims(scan(both)) == {}
    assert aims(scan({"sweep_start_deg": -70.0, "sweep_end_deg": 10.0}, (-0.8, -0.3, 4.2))) == {}


@pytest.mark.parametrize(
    ("at", "tilt_deg", "key", "says"),
    [
        ((-21.0, -0.3, 4.2), 0.0, "beside_opening", "19.00 m beside the opening, beyond its range of 9.00 m"),
        (LEFT, 90.0, "floor_missed", "92.0 to 130.0 deg from straight down"),
    ],
)
def test_place_and_tilt_are_not_taken_for_the_sweep(at, tilt_deg, key, says):
    remarks = aims(scan(INWARDS, at, tilt_deg=tilt_deg), inside_m2=0.0)
    assert set(remarks) == {key}
    assert says in remarks[key].message


def test_a_range_that_ends_over_the_floor_is_left_to_its_own_remark():
    short = scan({**INWARDS, "range_m": 0.5})
    assert aims(short, inside_m2=0.0) == {}
    assert "range_short" in short.remarks(wanted=(-2.0, 2.0, 0.0, 1.0))


def test_a_head_stated_on_the_other_side_is_left_to_the_remark_on_its_side():
    assert aims(scan(INWARDS, (-2.1, 0.3, 4.2)), inside_m2=0.0) == {}


def test_a_level_plane_over_the_floor_sees_without_meeting_it():
    level = scan({"plane_tilts_deg": [90.0], "sweep_start_deg": -90.0, "sweep_end_deg": 90.0}, (0.0, -0.3, 0.3))
    assert aims(level, inside_m2=2.0) == {}
    assert set(aims(level, inside_m2=0.0)) == {"floor_missed"}


def test_no_plane_is_advised_that_cannot_be_set():
    tilts = {"plane_tilts_deg": [0.0, 20.0, 40.0, 46.0], **INWARDS}
    gap = scan(tilts).remarks()["plane_gap"].values
    assert -30.0 <= gap["wanted_deg"] <= 90.0
    flat = scan(tilts, tilt_deg=60.0).remarks()
    assert flat["plane_gap"].values["high_deg"] == pytest.approx(20.0)  # those at 100 and 106 deg leave no strips
    assert "plane_gap" not in scan(tilts, tilt_deg=90.0).remarks()


def test_strips_behind_the_wanted_area_do_not_count():
    tilts = {"plane_tilts_deg": [-28.0, -20.0, -5.0, -4.0], **INWARDS}
    assert "plane_gap" in scan(tilts).remarks()
    assert "plane_gap" not in scan(tilts).remarks(wanted=(-2.0, 2.0, 0.0, 3.0))


def test_a_mount_is_advised_only_where_there_can_be_one():
    """Opening of 4 m: 1.2 x 5.5 m out at most; farther out another sensor must see it."""
    near = scan(INWARDS).remarks(wanted=(-2.0, 2.0, 0.0, 6.5))["beyond_usual"]
    assert near.remedy.startswith(f"Mount the head at {(6.5 - 0.3) / 1.2:.2f} m or higher, or add a sensor farther out")
    far = scan(INWARDS).remarks(wanted=(-2.0, 2.0, 0.0, 9.0))["beyond_usual"]
    assert far.remedy.startswith("No mount over this opening is high enough: add a sensor farther out from the door")
    wide = scan({**INWARDS, "range_m": 30.0}).remarks(wanted=(-2.0, 9.0, 0.0, 1.0))["beyond_usual"]
    assert "a second head over the other corner" in wide.remedy

"""Induction loop: area, height, coil, findings; each finding with a case that does not raise it."""

import numpy as np
import pytest

from reference.scene import LIFT, seen
from sillcast_families.induction_loop import InductionLoopFamily

SWING = {"kind": "swing", "opening": LIFT["opening"], "closing": LIFT["closing"], "opens_towards": "near"}


def loop(device=None, at=(0.0, -2.5, 0.0), **how):
    return seen(InductionLoopFamily(), device=device, at=at, **how)


def test_area_is_the_rectangle_for_metal_alone():
    area = loop({"width_m": 2.0, "depth_m": 1.0, "below_floor_m": 0.05}).emitted()
    assert area.metal
    assert (area.ring[:, 0].min(), area.ring[:, 0].max()) == (pytest.approx(-1.0), pytest.approx(1.0))
    assert (area.ring[:, 1].min(), area.ring[:, 1].max()) == (pytest.approx(-3.0), pytest.approx(-2.0))
    assert area.height_m == pytest.approx(0.5 * 1.0 - 0.05)


def test_polygon_is_taken_as_it_is_and_its_least_width_counts():
    ring = [[0, -4], [3, -4], [3, -2.8], [0, -2.8], [0, -4]]
    area = loop({"ring_m": ring, "height_share": 0.5, "below_floor_m": 0.0}).emitted()
    np.testing.assert_allclose(area.ring, ring[:4])
    assert area.height_m == pytest.approx(0.6)
    triangle = loop({"ring_m": [[0, -4], [2, -4], [0, -2]], "below_floor_m": 0.0}).emitted()
    assert triangle.height_m == pytest.approx(0.5 * np.sqrt(2.0))  # height over the hypotenuse


def test_field_that_stays_in_the_floor_gives_nothing():
    deep = loop({"depth_m": 0.4, "below_floor_m": 0.3})
    assert deep.family.emit(deep.params, deep.scene) == ()
    assert "steel_too_high" in deep.remarks()


@pytest.mark.parametrize(
    ("key", "raising", "silent"),
    [
        ("steel_too_high", {"vehicle": "lorry"}, {"vehicle": "car"}),
        ("off_tune", {"turns": 1}, {"turns": 4}),
        ("lead_in_long", {"lead_in_m": 100.0, "turns": 2}, {"lead_in_m": 10.0, "turns": 4}),
        ("steel_near", {"steel_below_m": 0.03}, {"steel_below_m": 0.06}),
    ],
)
def test_findings(key, raising, silent):
    assert key in loop(raising).remarks()
    assert key not in loop(silent).remarks()


def test_remedies_settle_their_findings():
    high = loop({"vehicle": "lorry", "below_floor_m": 0.04}).remarks()["steel_too_high"].values["needed_m"]
    assert "steel_too_high" not in loop({"vehicle": "lorry", "depth_m": high + 1e-6, "width_m": high + 1e-6}).remarks()
    long = loop({"lead_in_m": 100.0, "turns": 2}).remarks()["lead_in_long"].values["needed_m"]
    assert "lead_in_long" not in loop({"lead_in_m": long - 0.01, "turns": 2}).remarks()
    assert "lead_in_long" in loop({"lead_in_m": long + 0.01, "turns": 2}).remarks()


def test_people_are_not_seen_and_it_says_so():
    assert "not_people" in loop().remarks()
    assert InductionLoopFamily().senses == {"metal"}
    assert "protection" in InductionLoopFamily().never_alone


def test_distance_to_the_metal_leaf():
    near = loop(at=(0.0, -1.4, 0.0)).remarks()["leaf_near"]
    assert near.values["distance_m"] == pytest.approx(1.4 - 0.5 - 0.02)  # half depth, half thickness of 0.04
    assert "leaf_near" not in loop(at=(0.0, -1.6, 0.0)).remarks()
    assert "leaf_near" not in loop({"metal_leaf": False}, at=(0.0, -1.4, 0.0)).remarks()


def test_distance_to_the_nearest_telescopic_panel():
    """The rear panel's face is 0.06 + 0.02 m before the leaf plane."""
    telescopic = {"kind": "sliding", "panels": 2, "opening": LIFT["opening"], "closing": LIFT["closing"]}
    for pitch, off in ((-0.06, 0.08), (0.06, 0.02)):
        near = loop(at=(0.0, -1.4, 0.0), door={"motion": {**telescopic, "panel_pitch_m": pitch}}).remarks()["leaf_near"]
        assert near.values["distance_m"] == pytest.approx(1.4 - 0.5 - off)


def test_swing_leaf_comes_out_by_its_width():
    assert "leaf_near" in loop(at=(0.0, -5.0, 0.0), door={"motion": SWING}).remarks()
    assert "leaf_near" not in loop(at=(0.0, -5.6, 0.0), door={"motion": SWING}).remarks()
    double = {"motion": {**SWING, "leaves": 2}}
    assert "leaf_near" not in loop(at=(0.0, -3.6, 0.0), door=double).remarks()
    # A leaf of 4 m that opens by 30 deg comes out by 2 m; half the loop's depth and half the thickness of 0.04 m.
    ajar = loop(at=(0.0, -3.0, 0.0), door={"motion": {**SWING, "angle_deg": 30.0}}).remarks()["leaf_near"]
    assert ajar.values["distance_m"] == pytest.approx(3.0 - 0.5 - 2.0 - 0.02)


def test_loop_lies_in_the_floor():
    assert "off_floor" in loop(at=(0.0, -2.5, 1.0)).remarks()
    assert "off_floor" not in loop().remarks()

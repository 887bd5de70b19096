"""Things that ride on the leaf: they keep their place on the panel."""

import msgspec
import numpy as np
import pytest

from sillcast.contract import Door, Leaf, Wall
from sillcast.motion import leaf_panels, leaf_prisms
from sillcast.motion.carriage import carriage, off_leaf_m


def door(**motion):
    phases = {"opening": {"time_s": 3.0}, "closing": {"time_s": 4.0}}
    return msgspec.convert({"opening": {"width_m": 2.0, "height_m": 2.4}, "motion": {**phases, **motion}}, Door)


def test_on_a_lift_it_goes_up():
    moved = carriage(door(kind="vertical_lift"), 0.25, 0.3).moved(np.array([[0.3, -0.05, 0.0]]))
    np.testing.assert_allclose(moved, [[0.3, -0.05, 0.6]])


@pytest.mark.parametrize(
    ("opens", "x", "expected"), [("left", 0.5, -0.5), ("right", -0.5, 0.5), ("both", -0.5, -1.0), ("both", 0.5, 1.0)]
)
def test_on_a_sliding_leaf_it_goes_along(opens, x, expected):
    leaves = 2 if opens == "both" else 1
    moved = carriage(door(kind="sliding", opens_to=opens, leaves=leaves), 0.5, x).moved(np.array([[x, 0.0, 1.0]]))
    np.testing.assert_allclose(moved, [[expected, 0.0, 1.0]], atol=1e-12)  # rounding of one product


@pytest.mark.parametrize("opens", ["left", "right", "both"])
def test_two_sliding_leaves_part_whatever_opens_to_says(opens):
    it = door(kind="sliding", opens_to=opens, leaves=2)
    assert [carriage(it, 1.0, x).to[0] for x in (-0.5, 0.5)] == [-1.0, 1.0]


@pytest.mark.parametrize("leaves", [1, 2])
@pytest.mark.parametrize("opens", ["left", "right"])
@pytest.mark.parametrize("state", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("pitch", [0.0, 0.06, -0.06])
def test_on_a_telescopic_leaf_it_keeps_its_place_on_its_panel(leaves, opens, state, pitch):
    it = door(kind="sliding", opens_to=opens, leaves=leaves, panels=3, panel_pitch_m=pitch)
    closed, now = (sorted(leaf_prisms(it, s), key=lambda p: p.name) for s in (0.0, state))
    for before, after in zip(closed, now, strict=True):
        x = before.ring[:, 0].mean()
        face = before.ring[:, 1].min()
        moved = carriage(it, state, x).moved(np.array([[x, face, 1.0]]))
        np.testing.assert_allclose(moved, [[after.ring[:, 0].mean(), after.ring[:, 1].min(), 1.0]], atol=1e-12)


@pytest.mark.parametrize("pitch", [0.06, -0.06])
def test_how_far_off_the_leaf_it_is_goes_by_the_panel_that_it_is_at(pitch):
    """Rear panel of 0.04 m from x = 1/3 on, its middle 0.12 m off the leaf plane."""
    it = door(kind="sliding", panels=3, panel_pitch_m=pitch)
    assert off_leaf_m(it, (-0.9, -0.1, 1.0)) == pytest.approx(0.08)
    assert off_leaf_m(it, (0.7, 4.0 * pitch, 1.0)) == pytest.approx(0.1)
    assert off_leaf_m(it, (0.7, 0.0, 1.0)) == pytest.approx(0.1)


def test_the_lap_of_the_leading_edge_is_part_of_the_way():
    it = msgspec.structs.replace(
        door(kind="sliding"), leaf=Leaf(overlap_m=0.1), wall=Wall(near_face_y_m=0.03, far_face_y_m=0.3)
    )
    assert [carriage(it, state, x).to[0] for state, x in ((1.0, -1.05), (0.5, 0.9))] == pytest.approx([2.1, 1.05])


@pytest.mark.parametrize("motion", [
    {"kind": "swing", "hinge": "left", "opens_towards": "near"},
    {"kind": "swing", "hinge": "right", "opens_towards": "far"},
    {"kind": "folding", "panels": 2, "folds_to": "left", "opens_towards": "near"},
])  # fmt: skip
@pytest.mark.parametrize("state", [0.3, 1.0])
def test_on_a_turning_panel_both_ends_go_where_the_panel_has_them(motion, state):
    it = door(**motion)
    for closed, now in zip(leaf_panels(it, 0.0), leaf_panels(it, state), strict=True):
        middle = (closed.hinge[0] + closed.edge[0]) / 2
        ends = np.array([[*closed.hinge, 1.0], [*closed.edge, 1.0]])
        expected = np.array([[*now.hinge, 1.0], [*now.edge, 1.0]])
        np.testing.assert_allclose(carriage(it, state, middle).moved(ends), expected, atol=1e-12)


def test_directions_turn_with_the_panel():
    it = door(kind="swing", hinge="left", opens_towards="far", angle_deg=90.0)
    out = carriage(it, 1.0, 0.0).turned(np.array([[0.0, -1.0, 0.0]]))
    np.testing.assert_allclose(out, [[1.0, 0.0, 0.0]], atol=1e-12)  # a quarter turn, to the last place

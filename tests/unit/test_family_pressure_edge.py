"""Pressure edge: strips, overtravel, forces; each finding with a case that does not raise it."""

import numpy as np
import pytest

from reference.scene import LIFT, seen
from sillcast.kernel import Region
from sillcast_families.pressure_edge import PressureEdgeFamily


def edge(device=None, **how):
    return seen(PressureEdgeFamily(), device=device, at=(0.0, -0.1, 4.0), **how)


def motion(kind, **more):
    return {"motion": {**LIFT, "kind": kind, **more}}


def test_strip_under_a_lifting_leaf():
    area = edge({"depth_m": 0.08, "dead_end_m": 0.05, "dead_travel_m": 0.04}).emitted()
    np.testing.assert_allclose(area.ring, [[-1.95, -0.04], [1.95, -0.04], [1.95, 0.04], [-1.95, 0.04]])
    assert (area.from_height_m, area.height_m) == (0.04, 4.0)


def test_sliding_leaf_sweeps_the_whole_width():
    area = edge({"dead_end_m": 0.05}, door=motion("sliding")).emitted()
    assert (area.ring[:, 0].min(), area.ring[:, 0].max()) == (-2.0, 2.0)
    assert area.from_height_m == 0.05


def test_swing_leaf_touches_along_its_arc():
    door = motion("swing", hinge="left", opens_towards="near")
    area = edge({"depth_m": 0.06, "dead_travel_m": 0.0}, door=door).emitted()
    r = np.hypot(area.ring[:, 0] + 2.0, area.ring[:, 1])
    assert (r.min(), r.max()) == (pytest.approx(3.94), pytest.approx(4.0))
    assert area.ring[:, 1].max() <= 1e-9  # it swings to the near side
    # quarter ring of 3.94 to 4 m
    assert Region.ring(area.ring).area == pytest.approx(np.pi / 4 * (4.0**2 - 3.94**2), rel=2e-3)


def test_two_swing_leaves_have_two_strips_that_meet_in_the_middle():
    one = edge(door=motion("swing", leaves=2, opens_towards="far"))
    left, right = one.family.emit(one.params, one.scene)
    np.testing.assert_allclose(left.ring * [-1.0, 1.0], right.ring, atol=1e-12)


@pytest.mark.parametrize(
    ("key", "raising", "silent"),
    [
        ("stiff", {"actuation_force_n": 67.0}, {"actuation_force_n": 66.0}),
        ("dead_travel_long", {"dead_travel_m": 0.06}, {"dead_travel_m": 0.05}),
        ("overtravel_short", {"overtravel_m": 0.1}, {"overtravel_m": 0.2}),
        ("overtravel_enough", {"overtravel_m": 0.2}, {"overtravel_m": 0.1}),
    ],
)
def test_findings_of_the_profile(key, raising, silent):
    assert key in edge(raising).remarks()
    assert key not in edge(silent).remarks()


@pytest.mark.parametrize(
    ("key", "raising", "silent"),
    [
        ("peak_force", {"peak_force_n": 401.0}, {"peak_force_n": 400.0}),
        ("residual_force", {"residual_force_n": 26.0}, {"residual_force_n": 25.0}),
        ("force_unknown", {}, {"peak_force_n": 300.0}),
    ],
)
def test_findings_of_the_forces(key, raising, silent):
    assert key in edge(door={"control": raising}).remarks()
    assert key not in edge(door={"control": silent}).remarks()


def test_mean_force_of_a_heavy_leaf():
    heavy = {"leaf": {"mass_kg": 400.0}}
    remark = edge({"overtravel_m": 0.08, "actuation_way_m": 0.01}, door=heavy).remarks()["mean_force"]
    assert remark.values["force_n"] == pytest.approx(400.0 * 0.5**2 / 2 / 0.09)
    assert "mean_force" not in edge(door={"leaf": {"mass_kg": 200.0}}).remarks()
    assert "mean_force" not in edge(door=heavy | {"control": {"peak_force_n": 350.0}}).remarks()
    swing = edge(door=heavy | motion("swing"))  # a plate about one edge has a third of the energy
    assert "mean_force" not in swing.remarks()


def test_speed_of_the_remedy_settles_the_overtravel():
    most = edge({"overtravel_m": 0.1}).remarks()["overtravel_short"].values["most_m_per_s"]
    slower = {"motion": {**LIFT, "closing": {"speed_m_per_s": most - 1e-6}}}
    assert "overtravel_enough" in edge({"overtravel_m": 0.1}, door=slower).remarks()


def test_contact_is_the_last_line():
    family = PressureEdgeFamily()
    assert family.senses == {"contact"}
    assert family.purposes == {"protection"}
    assert "contact_only" in edge().remarks()

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


@pytest.mark.parametrize(
    ("door", "spans"),
    [
        (motion("sliding", opens_to="right"), [(-1.96, 2.0)]),  # closes to the left
        (motion("sliding", opens_to="left"), [(-2.0, 1.96)]),
        (motion("sliding", leaves=2), [(-2.0, -0.04), (0.04, 2.0)]),
        (motion("folding", folds_to="left"), [(-2.0, 1.96)]),
        (motion("folding", panels=4), [(-2.0, -0.04), (0.04, 2.0)]),
    ],
)
def test_a_leaf_that_runs_sideways_sweeps_the_width_but_for_its_last_part(door, spans):
    one = edge({"dead_end_m": 0.05, "dead_travel_m": 0.04}, door=door)
    areas = one.family.emit(one.params, one.scene)
    found = [(round(a.ring[:, 0].min(), 9), round(a.ring[:, 0].max(), 9)) for a in areas]
    assert found == [pytest.approx(span) for span in spans]
    assert {a.from_height_m for a in areas} == {0.05}


def test_swing_leaf_touches_along_its_arc():
    door = motion("swing", hinge="left", opens_towards="near")
    area = edge({"depth_m": 0.06, "dead_travel_m": 0.0}, door=door).emitted()
    r = np.hypot(area.ring[:, 0] + 2.0, area.ring[:, 1])
    # 26 sides: those of the inner arc touch it in their middles, 90 / 52 deg from their ends
    assert (r.min(), r.max()) == (pytest.approx(3.94 / np.cos(np.radians(90 / 52))), pytest.approx(4.0))
    assert area.ring[:, 1].max() <= 1e-9  # it swings to the near side
    # inscribed in a quarter ring of 3.94 to 4 m, with sides that come in by 1/32 of its width at most on either side
    assert 15 / 16 < Region.ring(area.ring).area / (np.pi / 4 * (4.0**2 - 3.94**2)) < 1.0


def test_swing_leaf_ignores_the_end_of_its_way():
    # 0.3 m along an arc of 4 m radius.
    door = motion("swing", hinge="left", opens_towards="near")
    area = edge({"dead_travel_m": 0.3}, door=door).emitted()
    angles = np.arctan2(-area.ring[:, 1], area.ring[:, 0] + 2.0)
    assert (angles.min(), angles.max()) == (pytest.approx(0.3 / 4.0), pytest.approx(np.pi / 2))


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


@pytest.mark.parametrize("panels", [1, 2, 4])
def test_leading_edge_of_a_telescopic_leaf_is_as_fast_as_that_of_a_plain_one(panels):
    # 4 m in 5 s with ramps of 1 m/s2: T = D/v + v/2a + v/2b gives 1 m/s.
    door = motion("sliding", panels=panels, closing={"time_s": 5.0})
    assert edge({"overtravel_m": 0.0}, door=door).remarks()["overtravel_short"].values["speed_m_per_s"] == 1.0


def test_time_that_a_leaf_creeps_makes_it_faster_before():
    # 3.6 m of 4 m in what 0.4 m at 0.1 m/s leave of 9 s: more than 3.6 m / 5 s.
    closing = {"time_s": 9.0, "acceleration_m_per_s2": 5.0, "deceleration_m_per_s2": 5.0}
    plain, creeping = (
        edge(door=motion("vertical_lift", closing={**closing, "creep_distance_m": d})).scene.closing_speed_m_per_s
        for d in (0.0, 0.4)
    )
    assert plain < 3.6 / 5.0 < creeping


@pytest.mark.parametrize(("width", "depth"), [(4.0, 0.06), (12.0, 0.005)])
def test_strip_of_a_swing_leaf_is_no_wider_than_the_profile(width, depth):
    door = {"opening": {"width_m": width, "height_m": 4.0}, **motion("swing", opens_towards="far", angle_deg=180.0)}
    area = edge({"depth_m": depth, "dead_travel_m": 0.0}, door=door).emitted()
    ring = np.vstack([area.ring, area.ring[:1]])
    along = np.linspace(ring[:-1], ring[1:], 21).reshape(-1, 2)
    r = np.hypot(along[:, 0] + width / 2.0, along[:, 1])
    assert width - depth - 1e-9 <= r.min()
    assert r.max() <= width + 1e-9


def test_contact_is_the_last_line():
    family = PressureEdgeFamily()
    assert family.senses == {"contact"}
    assert family.purposes == {"protection"}
    assert "contact_only" in edge().remarks()

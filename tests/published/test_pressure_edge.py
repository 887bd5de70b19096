"""Pressure edges against regulation figures, door forces and kinematics."""

import pytest

from reference.scene import LIFT, seen
from sillcast_families.pressure_edge import PressureEdgeFamily, mean_force_n


def edge(device=None, **how):
    return seen(PressureEdgeFamily(), device=device, **how)


def test_fifteen_pounds():
    """16 CFR 1211.12(a): 15 lbf or less, printed as 66.7 N."""
    assert pytest.approx(66.7, abs=0.05) == 15 * 4.4482
    assert "stiff" not in edge({"actuation_force_n": 66.7}).remarks()
    assert "stiff" in edge({"actuation_force_n": 66.8}).remarks()


def test_last_two_inches():
    """16 CFR 1211.12(a): the edge need not work in the last 2 in (50.8 mm; the regulation prints 50.4)."""
    assert "dead_travel_long" not in edge({"dead_travel_m": 0.0508}).remarks()
    assert "dead_travel_long" in edge({"dead_travel_m": 0.0509}).remarks()


def test_force_limits():
    """EN 12453: 400 N at the peak, below 25 N by 5 s (second-hand, UK door-trade magazine 2016)."""
    assert "peak_force" not in edge(door={"control": {"peak_force_n": 400.0}}).remarks()
    values = edge(door={"control": {"residual_force_n": 26.0}}).remarks()["residual_force"].values
    assert (values["most_n"], values["after_s"]) == (25.0, 5.0)


def test_reaction_way_of_the_leaf():
    """Way at constant speed, kinematics: 0.5 m/s for 0.3 s to a stop and 0.02 s of the edge: 0.160 m."""
    values = edge({"overtravel_m": 0.0, "response_s": 0.02}).remarks()["overtravel_short"].values
    assert values["way_m"] == pytest.approx(0.160)


@pytest.mark.parametrize(
    ("way", "speed", "up", "down", "seconds"),
    [(4.0, 2.0, 2.0, 1.0, 3.5), (3.0, 1.0, 1.0, 1.0, 4.0), (0.9, 0.5, 1.0, 1.0, 2.3), (1.0, 1.0, 1.0, 1.0, 2.0)],
)
def test_speed_from_a_stopwatch(way, speed, up, down, seconds):
    """Trapezoid T = D/v + v/2a + v/2b, worked in kinematics texts; the last one is the triangle with peak 1 m/s."""
    closing = {"time_s": seconds, "acceleration_m_per_s2": up, "deceleration_m_per_s2": down}
    sliding = {"opening": {"width_m": way, "height_m": 3.0}, "motion": {**LIFT, "kind": "sliding", "closing": closing}}
    assert edge(door=sliding).scene.closing_speed_m_per_s == pytest.approx(speed, rel=1e-9)


def test_work_of_the_force():
    """m v^2 / 2 = F s: 100 kg, 0.5 m/s, 0.05 m give 12.5 J and 250 N."""
    assert mean_force_n(mass_kg=100.0, speed_m_per_s=0.5, way_m=0.05) == pytest.approx(250.0)

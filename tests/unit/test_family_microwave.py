"""Microwave: emission, filters, findings; each finding with a case that does not raise it."""

import numpy as np
import pytest

from reference.scene import seen
from sillcast.kernel import Floors, Surroundings, TestBody
from sillcast.kernel.lobe import lobe_region
from sillcast_families.microwave import MicrowaveFamily

OPEN = Surroundings(Floors(), ())
ADULT = TestBody("adult", 0.424, 0.353, 1.5)


def microwave(device=None, **how):
    return seen(MicrowaveFamily(), device=device, **how)


def test_emits_one_lobe_along_the_mount():
    lobe = microwave({"width_deg": 60.0, "depth_deg": 90.0}, tilt_deg=40.0).emitted()
    t = np.deg2rad(40.0)
    np.testing.assert_allclose(lobe.matrix[:, 2], [0.0, -np.sin(t), -np.cos(t)], atol=1e-12)
    np.testing.assert_allclose(lobe.matrix[:, 0], [-1.0, 0.0, 0.0], atol=1e-12)  # its own right hand looking out
    assert (lobe.width_deg, lobe.depth_deg, lobe.edge_width_deg, lobe.edge_depth_deg) == (60.0, 90.0, 120.0, 160.0)
    assert not lobe.presence


def test_spin_turns_the_lobe_about_its_axis():
    plain, spun = (microwave({"spin_deg": s}, tilt_deg=40.0).emitted() for s in (0.0, 90.0))
    np.testing.assert_allclose(spun.matrix[:, 0], plain.matrix[:, 1], atol=1e-12)
    np.testing.assert_allclose(spun.matrix[:, 2], plain.matrix[:, 2], atol=1e-12)
    np.testing.assert_allclose(spun.matrix.T @ spun.matrix, np.eye(3), atol=1e-12)


@pytest.mark.parametrize(
    ("direction", "sense"), [("any", "both"), ("across", "both"), ("towards", "towards"), ("away", "away")]
)
def test_direction_is_that_along_the_line_of_sight(direction, sense):
    assert microwave({"filters": {"direction": direction}}).emitted().sense == sense


def test_walker_towards_the_door_is_seen_one_away_from_it_is_not():
    lobe = microwave({"filters": {"direction": "towards"}}, tilt_deg=40.0).emitted()
    towards = lobe_region(lobe, OPEN, ADULT, velocity_m_per_s=(0.0, 1.0))
    away = lobe_region(lobe, OPEN, ADULT, velocity_m_per_s=(0.0, -1.0))
    assert towards.holds(0.0, -2.5)
    assert not away.holds(0.0, -2.5)
    assert lobe_region(lobe, OPEN, ADULT).is_empty  # standing


def test_greater_of_both_least_speeds_counts():
    filters = {"filters": {"least_speed_m_per_s": 0.4}}
    assert microwave(filters).emitted().least_radial_speed_m_per_s == 0.4
    assert microwave({"least_speed_m_per_s": 0.5, **filters}).emitted().least_radial_speed_m_per_s == 0.5


def test_course_costs_time():
    any_way = microwave({"filters": {}})
    towards = microwave({"filters": {"direction": "towards"}})
    plain = any_way.family.response_s(any_way.params)
    assert plain == pytest.approx(0.15)
    # 4 half waves of 12.43 mm at 0.152 m/s
    assert towards.family.response_s(towards.params) - plain == pytest.approx(4 * 0.01243 / 2 / 0.152, rel=1e-3)
    assert "course_way" in towards.remarks()
    assert "course_way" not in any_way.remarks()


def test_range_effects_follow_each_other():
    one = microwave({"sensitivity_db": -6.0}, conditions={"rain_mm_per_h": 50.0})
    first, second = one.family.range_effects(one.params, one.scene)
    assert (first.name, second.name) == ("sensitivity", "rain")
    assert first.after_m == second.before_m
    assert 0.99 * second.before_m < second.after_m < second.before_m  # rain takes little over door distances
    assert one.emitted().range_m == second.after_m
    assert microwave().family.range_effects(microwave().params, microwave().scene) == ()


@pytest.mark.parametrize(
    ("key", "raising", "silent"),
    [
        ("never_slow", {"least_speed_m_per_s": 0.16}, {"least_speed_m_per_s": 0.15}),
        ("slow_below", {"least_speed_m_per_s": 0.15}, {"least_speed_m_per_s": 0.16}),
        ("filter_unsupported", {"filters": {"direction": "across"}}, {"filters": {"direction": "away"}}),
        ("filter_unsupported", {"filters": {"least_size_m": 0.1}}, {"filters": {"least_speed_m_per_s": 0.1}}),
        ("power", {"eirp_dbm": 33.0}, {"eirp_dbm": 32.0}),
        ("band", {"frequency_ghz": 24.2}, {"frequency_ghz": 24.1}),
        ("band", {"frequency_ghz": 10.4}, {"frequency_ghz": 10.525}),
    ],
)
def test_findings(key, raising, silent):
    assert key in microwave(raising).remarks()
    assert key not in microwave(silent).remarks()


def test_range_against_the_wanted_area():
    wanted = (-2.0, 2.0, 0.0, 5.0)
    remark = microwave({"range_m": 5.0}).remarks(wanted=wanted)["range_short"]
    assert remark.values["distance_m"] == pytest.approx(np.sqrt(2.0**2 + 4.7**2 + 3.0**2))
    assert "range_short" not in microwave({"range_m": 7.0}).remarks(wanted=wanted)


# 3 m up the body's middle is 2.65 m below: v d / sqrt(d^2 + h^2) with d = 1 m, half of the way, is 0.353 v.
@pytest.mark.parametrize(("speed", "lost"), [(1.0, True), (1.43, False)])
def test_traveller_who_stays_too_slow_along_the_line_of_sight_is_named(speed, lost):
    one = microwave({"least_speed_m_per_s": 0.5})
    remarks = one.remarks(wanted=(-1.0, 1.0, 0.0, 2.3), slowest=("walker", speed))
    assert ("traveller_lost" in remarks) is lost
    if lost:
        told = remarks["traveller_lost"]
        assert told.message.startswith("walker at 1.00 m/s is lost within 1.53 m of the point below the sensor")
        assert told.values["needed_m_per_s"] == pytest.approx(1.0 / np.hypot(1.0, 2.65))
        slower = microwave({"least_speed_m_per_s": told.values["needed_m_per_s"] - 1e-6})
        assert "traveller_lost" not in slower.remarks(wanted=(-1.0, 1.0, 0.0, 2.3), slowest=("walker", speed))


def test_traveller_below_the_least_speed_is_lost_everywhere():
    remark = microwave({"least_speed_m_per_s": 0.5}).remarks(wanted=(-1.0, 1.0, 0.0, 2.3), slowest=("walker", 0.4))
    assert "is lost everywhere" in remark["traveller_lost"].message
    assert remark["traveller_lost"].values["near_m"] == pytest.approx(2.0)


def test_rain_is_named_as_clutter():
    remark = microwave(conditions={"rain_mm_per_h": 25.0}).remarks()["rain"]
    assert "common practice" in remark.source
    assert "rain" not in microwave().remarks()


def test_no_presence_is_promised():
    family = MicrowaveFamily()
    assert family.senses == {"motion"}
    assert "protection" not in family.purposes

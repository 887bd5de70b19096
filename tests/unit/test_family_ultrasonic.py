"""Ultrasonic: gates, air, findings; each finding with a case that does not raise it."""

import numpy as np
import pytest

from reference.scene import BODY, seen
from sillcast.kernel import Floors, Surroundings, TestBody
from sillcast.kernel.lobe import lobe_region
from sillcast_families.ultrasonic import UltrasonicFamily

OPEN = Surroundings(Floors(), ())
LOW = (0.0, -0.3, 1.6)
BLIND = {"temperature_compensated": False}
HOT = {"air_temperature_deg_c": 40.0}


def ultrasonic(device=None, **how):
    return seen(UltrasonicFamily(), device=device, **how)


def test_gates_lie_between_dead_zone_and_floor():
    lobe = ultrasonic({"dead_zone_m": 0.4, "floor_margin_m": 0.2}).emitted()
    assert (lobe.nearest_m, lobe.farthest_m) == (0.4, pytest.approx(2.8))
    assert lobe.presence


def test_lobe_that_does_not_hold_the_plumb_line_has_no_floor_echo():
    tilted = ultrasonic({"width_deg": 20.0, "depth_deg": 20.0}, tilt_deg=30.0)
    assert tilted.emitted().farthest_m == np.inf
    assert "low_unseen" not in tilted.remarks()
    assert ultrasonic({"width_deg": 20.0, "depth_deg": 20.0}, tilt_deg=15.0).emitted().farthest_m < 3.0


def test_standing_body_is_seen_below_and_a_flat_one_is_not():
    lobe = ultrasonic({"range_m": 6.0}).emitted()
    assert lobe_region(lobe, OPEN, BODY).holds(0.0, -0.3)
    assert lobe_region(lobe, OPEN, TestBody("plate", 0.3, 0.2, 0.1)).is_empty  # lower than the floor margin


def test_soft_clothing_costs_range():
    hard, soft = (lobe_region(ultrasonic({"body_share": s}).emitted(), OPEN, BODY).area for s in (1.0, 0.1))
    assert soft < 0.8 * hard


def test_head_too_low_emits_nothing():
    one = ultrasonic(at=(0.0, -0.3, 0.4))
    assert one.family.emit(one.params, one.scene) == ()


def test_range_never_grows_with_the_air():
    dry_cold = ultrasonic({"range_m": 5.0}, conditions={"air_temperature_deg_c": -20.0, "humidity_percent": 20.0})
    (effect,) = dry_cold.family.range_effects(dry_cold.params, dry_cold.scene)
    assert effect.after_m == effect.before_m == 5.0
    hot = ultrasonic({"range_m": 5.0}, conditions={"air_temperature_deg_c": 40.0, "humidity_percent": 20.0})
    (effect,) = hot.family.range_effects(hot.params, hot.scene)
    assert effect.after_m < 5.0
    assert [i.name for i in effect.inputs] == ["air_temperature_deg_c", "humidity_percent"]


@pytest.mark.parametrize(
    ("key", "raising", "silent"),
    [
        ("dead_zone", {"device": {"dead_zone_m": 1.0}, "at": LOW}, {"device": {"dead_zone_m": 0.8}, "at": LOW}),
        ("faster_than_sound", {"device": {"response_s": 0.01}}, {"device": {"response_s": 0.05}}),
        ("air_moves", {"conditions": {"snow_mm_per_h": 1.0}}, {"conditions": {"air_temperature_deg_c": 5.0}}),
        ("air_moves", {"conditions": {"air_temperature_deg_c": -25.0}}, {}),
        (
            "floor_echo",
            {"device": {**BLIND, "floor_margin_m": 0.05}, "conditions": HOT},
            {"device": {"floor_margin_m": 0.05}, "conditions": HOT},
        ),
        ("low_unseen", {}, {"device": {"width_deg": 10.0, "depth_deg": 10.0}, "tilt_deg": 30.0}),
    ],
)
def test_findings(key, raising, silent):
    assert key in ultrasonic(**raising).remarks()
    assert key not in ultrasonic(**silent).remarks()


def test_margin_of_the_remedy_settles_the_floor_echo():
    remark = ultrasonic({**BLIND, "floor_margin_m": 0.05}, conditions=HOT).remarks()["floor_echo"]
    enough = {**BLIND, "floor_margin_m": remark.values["needed_m"] + 1e-6}
    assert "floor_echo" not in ultrasonic(enough, conditions=HOT).remarks()


def test_cold_air_without_compensation_shortens_the_gate():
    cold = ultrasonic({"temperature_compensated": False}, conditions={"air_temperature_deg_c": -20.0})
    assert cold.emitted().farthest_m == pytest.approx(2.85 * 318.93 / 343.20, rel=1e-4)


def test_range_against_the_wanted_area():
    wanted = (-2.0, 2.0, 0.0, 2.0)
    assert "range_short" in ultrasonic({"range_m": 3.0}).remarks(wanted=wanted)
    assert "range_short" not in ultrasonic({"range_m": 6.0}).remarks(wanted=wanted)

"""Ultrasonic sensors against the speed of sound and ISO 9613-1."""

import numpy as np
import pytest
from scipy.optimize import brentq

from reference.scene import seen
from sillcast_families.ultrasonic import UltrasonicFamily


def ultrasonic(device=None, **how):
    return seen(UltrasonicFamily(), device=device, **how)


def test_echo_of_three_metres():
    """Speed of sound 343.2 m/s at 20 deg C (ISO 9613-1 reference): 17.48 ms there and back over 3 m."""
    remark = ultrasonic({"range_m": 3.0, "response_s": 0.001}).remarks()["faster_than_sound"]
    assert remark.values["echo_s"] == pytest.approx(0.01748, abs=0.000005)


@pytest.mark.parametrize(("celsius", "speed"), [(-20, 318.93), (0, 331.29), (40, 354.71)])
def test_uncompensated_gate_follows_the_speed_of_sound(celsius, speed):
    """c = 343.2 sqrt(T / 293.15): a distance set at 20 deg C is c / 343.2 times as long (printed to two decimals)."""
    one = ultrasonic(
        {"temperature_compensated": False, "floor_margin_m": 0.5}, conditions={"air_temperature_deg_c": celsius}
    )
    assert one.emitted().farthest_m == pytest.approx(2.5 * speed / 343.20, rel=5e-5)


def test_three_metres_read_at_forty_degrees():
    """A sensor set at 20 deg C reads 3 m as 2.903 m at 40 deg C: so 2.903 m set are 3 m."""
    one = ultrasonic(
        {"temperature_compensated": False, "floor_margin_m": 0.097}, conditions={"air_temperature_deg_c": 40.0}
    )
    assert one.emitted().farthest_m == pytest.approx(3.0, abs=0.001)


# dB/m by the formula of ISO 9613-1 beyond its table, coded apart by somebody else, three decimals.
@pytest.mark.parametrize(
    ("celsius", "humidity", "absorption"), [(20, 50, 1.318), (0, 50, 0.450), (30, 80, 1.021), (40, 20, 1.727)]
)
def test_absorption_of_the_lobe_at_40_khz(celsius, humidity, absorption):
    one = ultrasonic(conditions={"air_temperature_deg_c": celsius, "humidity_percent": humidity})
    assert one.emitted().absorption_db_per_m == pytest.approx(absorption, abs=0.001)


def test_worst_humidity_is_taken_where_none_is_declared():
    """At 40 kHz and 20 deg C the absorption peaks near 55 % humidity with 1.326 dB/m (same formula)."""
    one = ultrasonic(conditions={"air_temperature_deg_c": 20.0})
    assert one.emitted().absorption_db_per_m == pytest.approx(1.326, abs=0.001)


def test_loss_over_five_metres():
    """1.318 dB/m, there and back over 5 m: 13.2 dB beside the spreading of 40 lg R."""
    lobe = ultrasonic({"range_m": 6.0}, at=(0.0, 0.0, 8.0)).emitted()
    near, far = lobe.excess_db(np.array([[0.0, 0.0, 7.0], [0.0, 0.0, 2.0]]))
    assert near - far - 40 * np.log10(6.0) == pytest.approx(13.2, abs=0.05)


def test_range_in_hot_dry_air_solves_the_sonar_equation():
    """R^4 10^(2 a R / 10) = R0^4 10^(2 a0 R0 / 10) by scipy; a0 1.318, a 1.727 dB/m, three decimals: 0.1 %."""
    one = ultrasonic({"range_m": 6.0}, conditions={"air_temperature_deg_c": 40.0, "humidity_percent": 20.0})
    want = brentq(lambda r: 40 * np.log10(r / 6.0) + 2 * (1.727 * r - 1.318 * 6.0), 0.1, 6.0)
    assert one.emitted().range_m == pytest.approx(want, rel=1e-3)

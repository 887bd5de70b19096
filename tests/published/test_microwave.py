"""Microwave sensors against worked examples and closed forms from outside."""

import numpy as np
import pytest

from reference.scene import seen
from sillcast.family import physics
from sillcast.kernel import Floors, Surroundings, TestBody
from sillcast.kernel.lobe import lobe_region
from sillcast_families.microwave import LIMIT_DBM, MicrowaveFamily

OPEN = Surroundings(Floors(), ())


def microwave(device=None, **how):
    return seen(MicrowaveFamily(), device=device, **how)


def test_usgs_fork_as_a_least_speed():
    """USGS notes on radar-gun checks, equation 3: 1055 Hz at 24.150 GHz are 21.5 ft/s (c rounded there: 0.2 %)."""
    assert physics.doppler_hz(21.5 * 0.3048, frequency_hz=24.150e9) == pytest.approx(1055.0, rel=2e-3)


def test_shift_of_the_least_speed():
    """2 v f / c, exact c: 160.94 Hz per m/s at 24.125 GHz, two decimals."""
    remark = microwave({"least_speed_m_per_s": 0.1, "frequency_ghz": 24.125}).remarks()["slow_below"]
    assert remark.values["shift_hz"] == pytest.approx(16.094, abs=0.0005)


def test_walker_below_the_sensor_is_lost_where_his_radial_speed_falls_under_the_least():
    """Obliquity: v_r = v d / sqrt(d^2 + h^2). Sensor 3 m up, walker 1 m/s, 2 m away: cos = 2 / sqrt(13), 0.5547 m/s.

    The remark takes 0.152 m/s (6 in/s, ANSI/BHMA A156.10-2005 8.1.2, second-hand) and the middle of the body.
    """
    remark = microwave({"least_speed_m_per_s": 0.152 * 2 / 13**0.5}, at=(0.0, -0.3, 3.35)).remarks()["slow_below"]
    assert remark.values["near_m"] == pytest.approx(2.0, rel=1e-9)


def test_region_ends_where_the_radial_speed_does():
    """The same closed form for the detected region of a thin low body: h = 3 m less half of its height.

    Slabs of a body of 0.06 m lie within 0.02 m of its middle: 0.7 % of h, and so of the distance.
    """
    device = {"least_speed_m_per_s": 0.5, "range_m": 30.0, "depth_deg": 120.0, "width_deg": 120.0, "filters": {}}
    lobe = microwave(device, at=(0.0, 0.0, 3.0), tilt_deg=0.0).emitted()
    body = TestBody("tile", 0.3, 0.3, 0.06)
    region = lobe_region(lobe, OPEN, body, velocity_m_per_s=(0.0, 1.0), echo_m2=0.5)
    want = 2.97 * 0.5 / np.sqrt(1.0 - 0.25)
    assert not region.holds(0.0, -(want - 0.02))
    assert region.holds(0.0, -(want + 0.02))
    assert region.holds(0.0, want + 0.02)


def test_range_law_is_that_of_the_radar_equation():
    """P_t 1 mW, 12 dBi, 1 m2, 5 m, 24.125 GHz: -75.05 dBm (radar equation); the range for it is where the power is."""
    link = {"sent_w": 1e-3, "gain_db": 12.0, "frequency_hz": 24.125e9}
    floor_dbm = physics.dbm(physics.radar_power_w(echo_m2=1.0, distance_m=5.0, **link))
    assert floor_dbm == pytest.approx(-75.05, abs=0.005)
    lobe = microwave({"range_m": 5.0, "reference_echo_m2": 1.0}).emitted()
    for echo in (0.1, 0.5, 2.0):
        reach = float(lobe.range_towards(lobe.matrix[:, 2], echo))
        power = physics.dbm(physics.radar_power_w(echo_m2=echo, distance_m=reach, **link))
        assert power == pytest.approx(floor_dbm, abs=1e-6)


def test_twelve_decibels_halve_the_range():
    """P ~ 1 / R^4: doubling the range costs 12.04 dB."""
    assert microwave({"range_m": 8.0, "sensitivity_db": -12.04}).emitted().range_m == pytest.approx(4.0, abs=0.002)


def test_fall_along_the_axis_is_twice_the_free_space_loss():
    """Free-space loss at 24.125 GHz, 1 m 60.10 dB and 10 m 80.10 dB (Friis): there and back 40.00 dB."""
    lobe = microwave({"range_m": 10.0}, at=(0.0, 0.0, 12.0)).emitted()
    near, far = lobe.excess_db(np.array([[0.0, 0.0, 11.0], [0.0, 0.0, 2.0]]))
    assert near - far == pytest.approx(2 * (80.10 - 60.10), abs=0.02)  # two decimals each


def test_rain_over_ten_metres():
    """ITU-R P.838-3 at 24.125 GHz, 100 mm/h: 15.02 (horizontal) and 11.55 dB/km (vertical), so 0.23 to 0.30 dB."""
    remark = microwave({"range_m": 10.0}, conditions={"rain_mm_per_h": 100.0}).remarks()["rain"]
    assert 0.231 * 0.999 <= remark.values["loss_db"] <= 0.3004


def test_power_limit_of_the_united_states():
    """47 CFR 15.245(b): 2500 mV/m at 3 m (distance from memory); (E d)^2 / 30 = 1.875 W = 32.7 dBm."""
    assert pytest.approx(32.73, abs=0.005) == LIMIT_DBM


@pytest.mark.parametrize("ghz", [10.525, 24.125])
def test_bands_of_the_united_states(ghz):
    """47 CFR 15.245(b): 10.500-10.550 and 24.075-24.175 GHz, field-disturbance sensors that open building doors."""
    assert "band" not in microwave({"frequency_ghz": ghz}).remarks()
    assert "band" in microwave({"frequency_ghz": ghz + 0.06}).remarks()


def test_reference_echo_lies_among_measured_people():
    """Schultz, Burgener, King, Proc. IRE 46 (1958), abstract: 0.495 to 1.22 m2 at 9.375 GHz."""
    assert 0.495 <= microwave().params.reference_echo_m2 <= 1.22

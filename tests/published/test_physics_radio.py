"""Radio: Doppler, free space, echoes, rain."""

from math import atan2, degrees, hypot, log10, pi

import pytest

from sillcast.physics import (
    dbm,
    doppler_hz,
    doppler_speed_m_per_s,
    eirp_w,
    flat_plate_echo_m2,
    free_space_loss_db,
    radar_power_w,
    rain_coefficients,
    rain_db_per_km,
)


def test_usgs_radar_gun():
    # USGS notes on radar-gun checks, equation 3: 1055 Hz fork at 24.150 GHz is 21.5 ft/s, with c rounded; 0.2 %.
    assert doppler_speed_m_per_s(1055, frequency_hz=24.150e9) / 0.3048 == pytest.approx(21.5, rel=2e-3)


@pytest.mark.parametrize(("ghz", "hz"), [(24.125, 160.94), (24.150, 161.11), (10.525, 70.22), (24.000, 160.11)])
def test_doppler_per_metre_and_second(ghz, hz):
    assert doppler_hz(1.0, frequency_hz=ghz * 1e9) == pytest.approx(hz, abs=0.005)  # 2 f / c, two decimals


@pytest.mark.parametrize(("ghz", "hz"), [(24.150, 72.02), (10.525, 31.39)])
def test_doppler_per_mile_and_hour(ghz, hz):
    # Figures of traffic radars per mph, exact c: 0.44704 m/s.
    assert doppler_hz(0.44704, frequency_hz=ghz * 1e9) == pytest.approx(hz, abs=0.006)


def test_doppler_of_a_walker_below_the_sensor():
    # 1 m/s, sensor 3 m up and 2 m away: cos = 2 / sqrt(13), 89.3 Hz, one decimal.
    angle = degrees(atan2(3, 2))
    assert doppler_hz(1.0, frequency_hz=24.125e9, angle_deg=angle) == pytest.approx(89.3, abs=0.05)
    assert 2 / hypot(2, 3) == pytest.approx(0.5547, abs=5e-5)


def test_ten_gigahertz_and_1500_hz_is_22_5_and_not_45():
    assert doppler_speed_m_per_s(1500, frequency_hz=10e9) == pytest.approx(22.5, rel=1e-3)  # c taken as 3e8 in print


@pytest.mark.parametrize(
    ("ghz", "m", "db"),
    [
        (24.125, 1, 60.10), (24.125, 3, 69.64), (24.125, 5, 74.08), (24.125, 10, 80.10),
        (10.525, 1, 52.89), (10.525, 5, 66.87),
    ],
)  # fmt: skip
def test_free_space_loss(ghz, m, db):
    assert free_space_loss_db(m, frequency_hz=ghz * 1e9) == pytest.approx(db, abs=0.006)  # Friis, two decimals


def test_free_space_loss_of_a_published_exercise():
    # Engineering course page: 600 MHz, 40 km, 120.056 dB (exact 120.052): it rounds the wavelength.
    assert free_space_loss_db(40e3, frequency_hz=600e6) == pytest.approx(120.056, abs=0.01)


def test_two_horns_of_a_published_exercise():
    # Two horns at 10 GHz, 0.45 m apart, 8.9 dB between them: 18.3 dB gain each, one decimal.
    assert (free_space_loss_db(0.45, frequency_hz=10e9) - 8.9) / 2 == pytest.approx(18.3, abs=0.05)


def test_radar_equation():
    at = {"sent_w": 1e-3, "gain_db": 12, "echo_m2": 1, "frequency_hz": 24.125e9}
    assert dbm(radar_power_w(distance_m=5, **at)) == pytest.approx(-75.05, abs=0.005)  # worked by hand
    assert dbm(radar_power_w(distance_m=5, **at)) - dbm(radar_power_w(distance_m=10, **at)) == pytest.approx(
        12.04, abs=0.005
    )


def test_radar_equation_from_two_ways_of_free_space():
    # Independent: one way to the body, its cross-section as an aperture and isotropic sender, one way back.
    wavelength = 299_792_458 / 24.125e9
    way = free_space_loss_db(4.0, frequency_hz=24.125e9)
    mirror = 10 * log10(0.7 * 4 * pi / wavelength**2)
    expected = 0.0 + 2 * 10 - 2 * way + mirror
    power = radar_power_w(sent_w=1e-3, gain_db=10, echo_m2=0.7, distance_m=4, frequency_hz=24.125e9)
    assert dbm(power) == pytest.approx(expected, abs=1e-9)


def test_flat_disc_of_120_mm():
    # 4 pi A^2 / lambda^2 at 24 GHz: 10.30 m2, two decimals (the disc plotted in EUR 25762 EN).
    assert flat_plate_echo_m2(pi / 4 * 0.12**2, frequency_hz=24e9) == pytest.approx(10.30, abs=0.01)


def test_limits_of_47_cfr_15_245():
    # 2500 mV/m at 3 m is 1.875 W, 32.7 dBm; 25 mV/m is 187.5 uW.
    assert eirp_w(field_v_per_m=2.5, distance_m=3) == 1.875
    assert dbm(1.875) == pytest.approx(32.7, abs=0.05)
    assert eirp_w(field_v_per_m=0.025, distance_m=3) == pytest.approx(187.5e-6, rel=1e-12)


# Rows of the ITU's own validation file for P.838-3, as quoted in the tests of three open libraries.
ITU_ROWS = [
    (14.25, 31.076991235657, 26.48052, 0, 0.0397548797329313, 1.12418042813791, 1.58130839366869),
    (29.0, 31.076991235657, 26.48052, 0, 0.22106803684893, 0.953200051046016, 5.02180188909084),
    (14.25, 48.2411705405115, 63.62668149, 90, 0.0422647354773402, 1.07871664199312, 3.72901263518665),
    (14.25, 40.2320359963616, 33.936232, 0, 0.0400762407546957, 1.11804137747879, 2.06173213126362),
    (29.0, 46.3596926118634, 27.13586832, 0, 0.219780969654757, 0.948485097658449, 5.03135479362085),
]


@pytest.mark.parametrize(("ghz", "elevation", "rate", "tilt", "k", "alpha", "gamma"), ITU_ROWS)
def test_rain_by_the_itu_validation_rows(ghz, elevation, rate, tilt, k, alpha, gamma):
    found = rain_coefficients(ghz * 1e9, elevation_deg=elevation, polarisation_deg=tilt)
    assert found == pytest.approx((k, alpha), rel=1e-10)  # thirteen digits are printed
    loss = rain_db_per_km(rate, frequency_hz=ghz * 1e9, elevation_deg=elevation, polarisation_deg=tilt)
    assert loss == pytest.approx(gamma, rel=1e-10)


@pytest.mark.parametrize(
    ("ghz", "tilt", "k", "alpha", "rates"),
    [
        (24.125, 0, 0.14428, 1.00872, (0.732, 3.710, 7.464, 15.02)),
        (24.125, 90, 0.14200, 0.95522, (0.661, 3.074, 5.959, 11.55)),
        (25.0, 0, 0.15709, 0.99913, (0.784, 3.916, 7.828, 15.65)),
        (25.0, 90, 0.15327, 0.94913, (0.706, 3.253, 6.281, 12.13)),
    ],
)
def test_rain_in_the_door_band(ghz, tilt, k, alpha, rates):
    # P.838-3 at level paths, coded apart by somebody else; printed digits.
    assert rain_coefficients(ghz * 1e9, polarisation_deg=tilt) == pytest.approx((k, alpha), abs=6e-6)
    for rate, expected in zip((5, 25, 50, 100), rates, strict=True):
        assert rain_db_per_km(rate, frequency_hz=ghz * 1e9, polarisation_deg=tilt) == pytest.approx(expected, rel=1e-3)


def test_rain_of_a_cloudburst_costs_0_3_db_over_ten_metres_and_back():
    assert 2 * 0.01 * rain_db_per_km(100, frequency_hz=24.125e9, polarisation_deg=0) == pytest.approx(0.3, abs=0.005)


def test_rain_outside_the_recommendation_is_refused():
    with pytest.raises(ValueError, match="1 to 1000 GHz"):
        rain_coefficients(0.5e9)

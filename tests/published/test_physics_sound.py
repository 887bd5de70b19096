"""Sound in air."""

import numpy as np
import pytest

from sillcast.physics import echo_time_s, sound_absorption_db_per_m, speed_of_sound_m_per_s

# ISO 9613-1:1993, table 1 (dB/km at 101.325 kPa), rows as quoted in the tests of two open libraries:
# temperature [deg C], humidity [%], nominal frequency [Hz] by its third-octave number, coefficient [dB/km].
TABLE_1 = [
    (-20, 10, 0, 1.65), (-20, 10, 9, 10.9), (-20, 10, 10, 16.4), (-20, 100, 9, 41.1), (-20, 70, 0, 11.5),
    (-15, 10, 6, 4.92), (-10, 70, 9, 86.2), (-5, 70, 6, 65.0), (0, 15, 0, 18.3), (0, 10, 9, 26.4),
    (10, 10, 6, 57.3), (10, 70, 0, 3.66), (20, 10, 6, 109.0), (20, 100, 0, 5.42), (20, 70, -9, 0.339),
    (25, 80, -3, 2.95), (25, 80, 0, 6.35), (25, 80, 9, 59.8), (25, 80, 10, 89.6), (30, 100, 6, 24.0),
    (50, 10, 9, 155.0), (50, 100, 0, 6.05),
]  # fmt: skip


@pytest.mark.parametrize(("celsius", "humidity", "band", "expected"), TABLE_1)
def test_absorption_by_the_table_of_iso_9613_1(celsius, humidity, band, expected):
    # The table prints three digits for exact midband frequencies 1000 * 10^(n/10).
    found = 1000 * sound_absorption_db_per_m(
        1000 * 10 ** (band / 10), air_temperature_deg_c=celsius, humidity_percent=humidity
    )
    assert found == pytest.approx(expected, rel=6e-3)


@pytest.mark.parametrize(
    ("khz", "celsius", "humidity", "expected"),
    [
        (30, 20, 50, 0.937), (40, 20, 50, 1.318), (200, 20, 50, 8.23), (40, 20, 20, 0.783), (40, 20, 100, 1.114),
        (40, 0, 50, 0.450), (40, 30, 80, 1.021), (40, 40, 20, 1.727),
    ],
)  # fmt: skip
def test_absorption_at_ultrasonic_frequencies(khz, celsius, humidity, expected):
    # The standard's formula beyond its table, coded apart by somebody else; three decimals. Real air: about 10 %.
    found = sound_absorption_db_per_m(1e3 * khz, air_temperature_deg_c=celsius, humidity_percent=humidity)
    assert found == pytest.approx(expected, rel=1e-3)


def test_worst_humidity_at_40_khz_is_near_55_percent():
    humidity = np.arange(5.0, 101.0)
    loss = [sound_absorption_db_per_m(40e3, air_temperature_deg_c=20, humidity_percent=h) for h in humidity]
    assert humidity[int(np.argmax(loss))] == pytest.approx(55, abs=3)
    assert max(loss) == pytest.approx(1.326, abs=0.001)


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [(-20, 318.93), (-15, 322.06), (0, 331.29), (10, 337.30), (20, 343.20), (25, 346.11), (40, 354.71), (50, 360.33)],
)
def test_speed_of_sound(celsius, expected):
    # 343.2 m/s at 293.15 K (ISO 9613-1), square-root law, two decimals.
    assert speed_of_sound_m_per_s(celsius) == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(("celsius", "expected"), [(20, 343.4), (-15, 322.2)])
def test_speed_of_sound_by_the_linear_rule(celsius, expected):
    # Formula page, worked examples of 331.3 + 0.606 t; the sources differ by up to 0.2 %.
    assert speed_of_sound_m_per_s(celsius) == pytest.approx(expected, rel=2e-3)


def test_speed_of_sound_by_kinetic_theory():
    # CCRMA Stanford: 1085.1 ft/s at 0 and 1124.1 ft/s at 20 degrees, 0.17 % low.
    assert speed_of_sound_m_per_s(0) == pytest.approx(1085.1 * 0.3048, rel=2e-3)
    assert speed_of_sound_m_per_s(20) == pytest.approx(1124.1 * 0.3048, rel=2e-3)


def test_echo_from_three_metres():
    assert 1000 * echo_time_s(3.0, air_temperature_deg_c=20) == pytest.approx(17.48, abs=0.005)
    # Set at 20 and used at 40 degrees a sensor reads 2.903 m for 3 m.
    read = 3.0 * speed_of_sound_m_per_s(20) / speed_of_sound_m_per_s(40)
    assert read == pytest.approx(2.903, abs=0.0005)


def test_out_of_bounds_is_refused():
    with pytest.raises(ValueError, match="humidity"):
        sound_absorption_db_per_m(40e3, air_temperature_deg_c=20, humidity_percent=120)
    with pytest.raises(ValueError, match="frequency"):
        sound_absorption_db_per_m(0.0, air_temperature_deg_c=20, humidity_percent=20)

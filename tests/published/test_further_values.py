"""Figures from outside that belong to no other file: other drop shapes, other frequencies, places of a regulation."""

from math import log, log10

import pytest

from sillcast import needs
from sillcast.contract import Door, Opening, Phase, Rules, Site, Sliding, VerticalLift
from sillcast.physics import db_per_km, fog_extinction_per_m, optical_rain_db_per_km, sound_absorption_db_per_m

FOOT, INCH = 0.3048, 0.0254


# ITU-R P.1814-1 (09/2025), read in an open library's source: k R^alpha dB/km by the shape of the drops' distribution.
@pytest.mark.parametrize(
    ("shape", "k", "alpha"),
    [(-2, 2.2838, 0.4050), (-1, 1.5921, 0.5506), (0, 1.2924, 0.6436), (1, 1.1394, 0.7057), (2, 1.0505, 0.7497)],
)
def test_optical_rain_by_the_shape_of_the_drops(shape, k, alpha):
    one, ten = (optical_rain_db_per_km(rate, drop_shape=shape) for rate in (1.0, 10.0))
    assert one == pytest.approx(k, abs=5e-5)  # four decimals
    assert log10(ten / one) == pytest.approx(alpha, abs=5e-5)


# Kim's exponent q of visibility, textbook program 3.5: 1.3 up to 50 km, 1.6 beyond; the only jump of the model.
@pytest.mark.parametrize(("km", "q"), [(49.9, 1.3), (50.1, 1.6)])
def test_exponent_of_clear_air_jumps_at_50_km(km, q):
    at_550, at_1550 = (
        db_per_km(fog_extinction_per_m(1000 * km, contrast=0.02, wavelength_nm=nm, model="kim"))
        for nm in (550.0, 1550.0)
    )
    assert log(at_550 / at_1550) / log(1550 / 550) == pytest.approx(q, abs=1e-9)


# ISO 9613-1 formula at frequencies beyond its table, worked apart, dB/m to three digits; 20/50, 20/20, 20/100, 0/50,
# 30/80, 40/20 deg C and %. The same code reproduces the standard's printed rows.
@pytest.mark.parametrize(
    ("khz", "expected"),
    [
        (30, (0.937, 0.646, 0.675, 0.339, 0.599, 1.159)),
        (40, (1.318, 0.783, 1.114, 0.450, 1.021, 1.727)),
        (200, (8.23, 6.96, 10.09, 6.38, 12.12, 9.90)),
    ],
)
def test_absorption_of_sound_over_air(khz, expected):
    airs = ((20, 50), (20, 20), (20, 100), (0, 50), (30, 80), (40, 20))
    found = [sound_absorption_db_per_m(1e3 * khz, air_temperature_deg_c=t, humidity_percent=h) for t, h in airs]
    assert found == pytest.approx(expected, rel=1e-3, abs=6e-4)


# ISO 9613-1:1993 table 1, -20 deg C, 10 %: rows as an open library's test data print them, dB/km to three digits.
@pytest.mark.parametrize(("band", "expected"), [(-3, 1.52), (0, 1.65), (9, 10.9), (10, 16.4)])
def test_absorption_in_cold_dry_air(band, expected):
    found = 1e3 * sound_absorption_db_per_m(1e3 * 10 ** (band / 10), air_temperature_deg_c=-20, humidity_percent=10)
    assert found == pytest.approx(expected, rel=4e-3)


PHASE = Phase(speed_m_per_s=0.5)
LIFT, SIDEWAYS = VerticalLift(opening=PHASE, closing=PHASE), Sliding(opening=PHASE, closing=PHASE)


# 16 CFR 1211.11(a), verified: a downward door at three places, 1 ft from each side and the middle; (b): a horizontally
# moving one at five, 1 in and 1 ft from each end and the middle. Opening 9 ft wide.
@pytest.mark.parametrize(
    ("motion", "places_m"),
    [
        (LIFT, (-3.5 * FOOT, 0.0, 3.5 * FOOT)),
        (SIDEWAYS, (-4.5 * FOOT + INCH, -3.5 * FOOT, 0.0, 3.5 * FOOT, 4.5 * FOOT - INCH)),
    ],
)
def test_places_at_which_the_obstruction_is_put(motion, places_m):
    door = Door(opening=Opening(width_m=9 * FOOT, height_m=7 * FOOT), motion=motion)
    zones = needs.required(door, Site(), (), Rules(set="residential_lift_us"), needs.catalogue(), {}).zones
    middles = [((x0 + x1) / 2, (y0 + y1) / 2) for x0, y0, x1, y1 in (zone.region.bounds for zone in zones)]
    assert sorted(x for x, _ in middles) == pytest.approx(places_m, abs=5e-4)  # printed to the millimetre
    assert [y for _, y in middles] == pytest.approx([0.0] * len(middles), abs=1e-9)
    assert {zone.body.name for zone in zones} == {"floor_plate"}

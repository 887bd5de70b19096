"""Fog, rain and snow on optical paths."""

import pytest

from sillcast.physics import (
    db_per_km,
    fog_extinction_per_m,
    optical_rain_db_per_km,
    optical_snow_db_per_km,
    per_m,
    visibility_2_m,
)


def fog_db(km, nm, model="kim", contrast=0.02):
    return db_per_km(fog_extinction_per_m(1000 * km, contrast=contrast, wavelength_nm=nm, model=model))


# Kim's formula (Ghassemlooy, Popoola, Rajbhandari, program 3.5; ITU-R P.1814-1), worked out apart with 3.912: the
# last printed digit, rounded, justifies 0.1 %.
@pytest.mark.parametrize(
    ("km", "nm", "expected"),
    [
        (0.1, 850, 169.9), (0.2, 850, 84.9), (0.5, 850, 33.98), (1, 850, 13.67), (2, 850, 6.37), (10, 850, 0.965),
        (1, 905, 13.25), (2, 905, 6.12), (10, 905, 0.889),
    ],
)  # fmt: skip
def test_kim_fog(km, nm, expected):
    assert fog_db(km, nm) == pytest.approx(expected, rel=1e-3)


# Kruse's exponent 0.585 V^(1/3), from memory; three digits.
@pytest.mark.parametrize(
    ("km", "expected"), [(0.1, 151.0), (0.2, 73.2), (0.5, 27.8), (1, 13.2), (2, 6.16), (10, 0.965)]
)
def test_kruse_fog_from_memory(km, expected):
    assert fog_db(km, 850, "kruse") == pytest.approx(expected, rel=3e-3)


def test_kim_table_of_2001_from_memory():
    # Kim, McArthur, Korevaar (2001), 785 nm: about 340, 85, 34, 14, 7 dB/km from 50 m to 2 km; whole numbers.
    rows = {0.05: 340, 0.2: 85, 0.5: 34, 1.0: 14, 2.0: 7}
    assert {km: round(fog_db(km, 785)) for km in (0.05, 0.2, 0.5, 1.0, 2.0)} == rows


def test_koschmieder_both_conventions():
    # 16.99 / V and 13.01 / V dB/km, arithmetic.
    assert fog_db(1, 850, "koschmieder") == pytest.approx(16.99, abs=0.005)
    assert fog_db(1, 850, "koschmieder", contrast=0.05) == pytest.approx(13.01, abs=0.005)


def test_conventions_differ_by_1_306():
    # ln 0.02 / ln 0.05 = 1.306, three decimals.
    assert visibility_2_m(1000.0, contrast=0.05) / 1000 == pytest.approx(1.306, abs=0.0005)


def test_fog_of_half_a_kilometre_is_divided_not_multiplied_by_visibility():
    # 17 / V = 34 dB/km at 0.5 km; an open library multiplies and gives 8.5.
    assert fog_db(0.5, 905) == pytest.approx(34.0, rel=1e-2)  # 17 is a rounded 16.99


@pytest.mark.parametrize("km", [0.5, 1.0, 6.0])
def test_kims_branches_meet(km):
    assert fog_db(km * (1 - 1e-9), 850) == pytest.approx(fog_db(km * (1 + 1e-9), 850), rel=1e-6)


def test_dense_fog_costs_little_over_door_distances():
    # Two ways over 5 m: -0.85 dB at 200 m, -3.40 dB at 50 m of visibility (2 %), arithmetic, two decimals.
    for visibility, expected in ((200.0, 0.85), (50.0, 3.40)):
        loss = db_per_km(fog_extinction_per_m(visibility, contrast=0.02)) * 2 * 0.005
        assert loss == pytest.approx(expected, abs=0.005)


# ITU-R P.1814-1 (09/2025), shape 0, coefficients 1.2924 and 0.6436; two decimals.
@pytest.mark.parametrize(("rate", "expected"), [(5, 3.64), (25, 10.26), (50, 16.03), (100, 25.04)])
def test_optical_rain(rate, expected):
    assert optical_rain_db_per_km(rate) == pytest.approx(expected, abs=0.006)


def test_optical_rain_is_near_the_edition_of_2007():
    # 1.076 R^0.67 (P.1814-0, from memory): 3.16, 9.30, 14.80, 23.54; the editions differ by less than a sixth.
    for rate, old in ((5, 3.16), (25, 9.30), (50, 14.80), (100, 23.54)):
        assert optical_rain_db_per_km(rate) == pytest.approx(old, rel=1 / 6)


def test_optical_snow_from_memory():
    # P.1814-0 at 1 mm/h gives its factor a: 1.023e-4 * 850 + 3.785547 and 5.42e-5 * 850 + 5.495878, worked by hand.
    assert optical_snow_db_per_km(1.0, wavelength_nm=850, wet=True) == pytest.approx(3.8725, abs=5e-5)
    assert optical_snow_db_per_km(1.0, wavelength_nm=850, wet=False) == pytest.approx(5.5419, abs=5e-5)
    # At 10 mm/h times 10^0.72 = 5.2481 and 10^1.38 = 23.988.
    assert optical_snow_db_per_km(10.0, wavelength_nm=850, wet=True) == pytest.approx(20.323, abs=5e-3)
    assert optical_snow_db_per_km(10.0, wavelength_nm=850, wet=False) == pytest.approx(132.94, abs=5e-2)


def test_out_of_bounds_is_refused():
    with pytest.raises(ValueError, match="400 to 1550"):
        fog_extinction_per_m(100.0, contrast=0.05, wavelength_nm=2000.0)
    with pytest.raises(ValueError, match="contrast"):
        visibility_2_m(100.0, contrast=1.0)
    with pytest.raises(ValueError, match="shape"):
        optical_rain_db_per_km(1.0, drop_shape=5)
    assert per_m(0.0) == 0.0

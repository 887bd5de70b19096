"""Light: link equation, spots, angles, sunlight, heat."""

from math import pi, radians

import numpy as np
import pytest
from scipy.integrate import dblquad

from sillcast.physics import (
    beam_power_w,
    cone_floor_ellipse,
    cone_solid_angle_sr,
    distance_noise_m,
    geometric_loss_db,
    mirror_offset_m,
    pyramid_solid_angle_sr,
    received_power_w,
    round_trip_s,
    spot_diameter_m,
    sunlight_in_band_w_per_m2,
    wien_peak_m,
)


@pytest.mark.parametrize(("reflectance", "microwatts"), [(0.10, 10.0), (0.018, 1.80), (0.90, 90.0)])
def test_link_equation(reflectance, microwatts):
    # P rho A / (pi R^2), 25 W, aperture 20 mm, 5 m: worked by hand, three digits.
    power = received_power_w(sent_w=25, reflectance=reflectance, aperture_m2=pi / 4 * 0.02**2, distance_m=5)
    assert 1e6 * power == pytest.approx(microwatts, rel=5e-3)


def test_lambertian_surface_sends_everything_into_the_half_space():
    # Sum over a hemisphere of small apertures facing the surface: integral of cos / pi over 2 pi sr is 1.
    theta = np.linspace(0, pi / 2, 20001)
    shares = np.trapezoid(np.cos(theta) / pi * 2 * pi * np.sin(theta), theta)
    ahead = received_power_w(sent_w=1, reflectance=1, aperture_m2=1e-6, distance_m=1)
    assert ahead / 1e-6 * pi * shares == pytest.approx(1.0, rel=1e-6)


def test_geometric_loss():
    # ITU-R P.1814-1: 20 lg(d theta / D), 50 mm, 0.5 km, 2 mrad: 26.02 dB; zero while the aperture takes all.
    assert geometric_loss_db(distance_m=500, divergence_mrad=2, aperture_m=0.05) == pytest.approx(26.02, abs=0.005)
    assert geometric_loss_db(distance_m=10, divergence_mrad=2, aperture_m=0.05) == 0.0


def test_beam_power_loses_what_the_geometry_says():
    sent = {"sent_w": 1.0, "start_width_m": 0.0, "aperture_m2": pi / 4 * 0.05**2, "distance_m": 500.0}
    loss = -10 * np.log10(beam_power_w(divergence_deg=np.degrees(2e-3), **sent))
    assert loss == pytest.approx(26.02, abs=0.005)  # tan of a milliradian differs in the seventh digit


def test_spot_of_one_milliradian_at_a_kilometre():
    # 1 mrad at 1 km is 1 m (public page on laser divergence); 3 mrad, 5 mm, 10 m: 35.0 mm.
    assert spot_diameter_m(0.0, divergence_deg=0.0572958, distance_m=1000) == pytest.approx(1.0, rel=1e-5)
    assert spot_diameter_m(0.005, divergence_deg=np.degrees(3e-3), distance_m=10) == pytest.approx(0.035, rel=1e-5)


@pytest.mark.parametrize(("w", "h", "sr"), [(90, 90, 2 * pi / 3), (60, 60, 1.0107), (60, 45, 0.7701)])
def test_pyramid_solid_angle(w, h, sr):
    # One face of a cube is a sixth of the sphere, exactly; the others to four decimals.
    assert pyramid_solid_angle_sr(width_deg=w, height_deg=h) == pytest.approx(sr, abs=5e-5)


def test_pyramid_solid_angle_by_integration():
    # Independent: integral of 1 / (1 + x^2 + y^2)^1.5 over the picture plane.
    a, b = np.tan(radians(35)), np.tan(radians(27.5))
    area, _ = dblquad(lambda y, x: (1 + x * x + y * y) ** -1.5, -a, a, -b, b)
    assert pyramid_solid_angle_sr(width_deg=70, height_deg=55) == pytest.approx(area, rel=1e-9)


def test_cone_solid_angle():
    assert cone_solid_angle_sr(30) == pytest.approx(0.8418, abs=5e-5)  # 2 pi (1 - cos 30 deg), four decimals
    assert cone_solid_angle_sr(180) == pytest.approx(4 * pi, rel=1e-12)


@pytest.mark.parametrize(
    ("tilt", "half", "near", "far", "b", "area"),
    [
        (30, 15, 0.8038, 3.0, 0.9395, 3.2410),
        (0, 15, -0.8038, 0.8038, 0.8038, 2.030),
        (30, 10, 1.0919, 2.5173, 0.6140, 1.3748),
    ],
)  # fmt: skip
def test_cone_on_the_floor(tilt, half, near, far, b, area):
    # Conic section, height 3 m, worked apart and confirmed with 20 000 rays (3.24105 m2); four digits.
    found = cone_floor_ellipse(height_m=3, tilt_deg=tilt, half_angle_deg=half)
    assert found == pytest.approx((near, far, b), abs=5e-5)
    assert pi / 4 * (found[1] - found[0]) * 2 * found[2] == pytest.approx(area, rel=3e-4)


def test_cone_that_looks_over_the_horizon_is_refused():
    with pytest.raises(ValueError, match="horizon"):
        cone_floor_ellipse(height_m=3, tilt_deg=80, half_angle_deg=15)


@pytest.mark.parametrize(
    ("distance", "type_4", "type_2"),
    [(3, 0.131, 0.2625), (5, 0.2183, 0.4374), (8, 0.3493, 0.6999), (10, 0.4366, 0.8749), (15, 0.6549, 1.3123)],
)
def test_mirror_offset_from_memory(distance, type_4, type_2):
    # IEC 61496-2, from memory: a = D tan 2.5 deg and D tan 5 deg, 131 and 262 mm up to 3 m; tenths of millimetres.
    assert mirror_offset_m(distance_m=distance, half_angle_deg=2.5) == pytest.approx(type_4, abs=6e-5)
    assert mirror_offset_m(distance_m=distance, half_angle_deg=5.0) == pytest.approx(type_2, abs=6e-5)
    assert mirror_offset_m(distance_m=1.0, half_angle_deg=2.5) == pytest.approx(0.131, abs=6e-5)


@pytest.mark.parametrize(("nm", "expected"), [(850, 0.8937), (905, 0.8171), (940, 0.4718), (950, 0.1473)])
def test_sunlight_at_single_wavelengths(nm, expected):
    # ASTM G173-03, global tilted, as printed: a band of no width holds the value times the width.
    narrow = sunlight_in_band_w_per_m2(centre_nm=nm, width_nm=1e-6) / 1e-6
    assert narrow == pytest.approx(expected, abs=6e-5)


def test_sunlight_in_a_filter():
    # Trapezoids over the same table, worked apart: 13.81 and 19.52 W/m2 in 905 and 850 nm, 20 nm wide.
    assert sunlight_in_band_w_per_m2(centre_nm=905, width_nm=20) == pytest.approx(13.81, abs=0.005)
    assert sunlight_in_band_w_per_m2(centre_nm=850, width_nm=20) == pytest.approx(19.52, abs=0.005)
    half = sunlight_in_band_w_per_m2(centre_nm=905, width_nm=20, sun_w_per_m2=500.2)
    assert half == pytest.approx(13.81 / 2, abs=0.005)


def test_sunlight_outside_the_table_is_refused():
    with pytest.raises(ValueError, match="825 to 960"):
        sunlight_in_band_w_per_m2(centre_nm=1000, width_nm=20)


@pytest.mark.parametrize(("kelvin", "micrometres"), [(310, 9.35), (305, 9.50), (5772, 0.5020)])
def test_wien_peak(kelvin, micrometres):
    # Wien's constant 2897.77 um K (CODATA 2018); the sun at its IAU effective temperature peaks at 0.502 um.
    assert 1e6 * wien_peak_m(kelvin) == pytest.approx(micrometres, abs=0.005)


def test_wien_peak_is_that_of_plancks_law():
    # Independent: maximum of Planck's spectrum by wavelength, with SI constants.
    h, c, k = 6.62607015e-34, 299792458.0, 1.380649e-23
    at = np.linspace(8e-6, 11e-6, 300001)
    spectrum = at**-5 / np.expm1(h * c / (at * k * 305))
    assert wien_peak_m(305) == pytest.approx(at[spectrum.argmax()], abs=2e-11)  # two steps of the sampling


def test_a_nanosecond_is_149_9_mm():
    assert round_trip_s(0.1499) == pytest.approx(1e-9, rel=5e-4)  # four digits


def test_distance_noise_by_counting_photons():
    # Independent: Poisson photons, relative noise of the difference of a lit and an unlit count.
    rng = np.random.default_rng(7)
    signal, background, distance = 4000.0, 9000.0, 2.0

    def relative(s, b):
        lit, dark = rng.poisson(s + b / 2, 200_000), rng.poisson(b / 2, 200_000)
        return (lit - dark).std() / s

    base = relative(signal, 0.0)
    far = relative(signal / distance**2, background)
    ratio = distance_noise_m(distance, rated_noise_m=1.0, rated_distance_m=1.0, background_ratio=background / signal)
    assert far / base == pytest.approx(ratio, rel=0.01)  # standard deviation of 200 000 samples is good to 0.3 %

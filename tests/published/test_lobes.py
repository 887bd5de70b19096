"""Lobes against closed forms of geometry and of the radar equation."""

import numpy as np
import pytest

from sillcast.kernel import Floors, Pose, Prism, Surroundings
from sillcast.kernel.lobe import Lobe, lobe_section

OPEN = Surroundings(Floors(), ())


def cone(tilt, half, *, height=3.0, range_m=100.0, depth_half=None):
    """Even lobe with an edge cone, 3 m over the floor, looking out on the far side from y = 0."""
    pose = Pose.of(side="far", x_m=0.0, y_m=0.0, z_m=height, tilt_deg=tilt)
    return Lobe.looking(
        pose, range_m=range_m, edge_width_deg=2 * half, edge_depth_deg=2 * (half if depth_half is None else depth_half)
    )


# Cone on the floor: near = H tan(t - a), far = H tan(t + a), semi-minor = H sin a / sqrt(cos(t + a) cos(t - a)).
# Conic section of a circular cone, any text on analytic geometry; figures cross-checked with a 20,000-ray polygon.
@pytest.mark.parametrize(
    ("tilt", "half", "near", "far", "minor", "area"),
    [
        (30.0, 15.0, 0.8038, 3.0000, 0.9395, 3.2410),
        (0.0, 15.0, -0.8038, 0.8038, 0.8038, 2.030),
        (30.0, 10.0, 1.0919, 2.5173, 0.6140, 1.3748),
    ],
)
def test_cone_on_the_floor_is_the_ellipse(tilt, half, near, far, minor, area):
    section = lobe_section(cone(tilt, half), 0.0, OPEN)
    x0, y0, x1, y1 = section.bounds
    # printed to 4 digits; an inscribed polygon of 96 corners lacks up to 0.1 % of an axis and 0.07 % of the area
    assert (y0, y1) == pytest.approx((near, far), abs=0.003)
    assert (-x0, x1) == pytest.approx((minor, minor), abs=0.002)
    assert section.area == pytest.approx(area, rel=0.002)
    assert section.area <= area * 1.0002  # inscribed, up to the printed digits


def test_ellipse_centre_is_not_where_the_axis_hits():
    """Tilt 30 deg, half angle 15 deg at 3 m: centre at 1.9019 m, axis at 1.7321 m (3 tan 30)."""
    _, y0, _, y1 = lobe_section(cone(30.0, 15.0), 0.0, OPEN).bounds
    assert (y0 + y1) / 2 == pytest.approx(1.9019, abs=0.002)


def test_cone_whose_axis_lies_shallower_than_its_half_angle_is_cut_by_the_range():
    """Hyperbola (depression 10 < 15 deg): it has no far end but the range circle sqrt(R^2 - H^2)."""
    section = lobe_section(cone(80.0, 15.0, range_m=12.0), 0.0, OPEN)
    assert section.bounds[1] == pytest.approx(3.0 * np.tan(np.deg2rad(65.0)), abs=0.01)
    assert section.bounds[3] == pytest.approx(np.sqrt(12.0**2 - 3.0**2), abs=0.01)


def test_elliptic_cone_straight_down():
    """Half angles 30 and 15 deg, straight down from 3 m: ellipse with half axes 3 tan 30 and 3 tan 15."""
    x0, y0, x1, y1 = lobe_section(cone(0.0, 30.0, depth_half=15.0), 0.0, OPEN).bounds
    assert (x1 - x0) / 2 == pytest.approx(3.0 * np.tan(np.pi / 6), abs=0.003)
    assert (y1 - y0) / 2 == pytest.approx(3.0 * np.tan(np.pi / 12), abs=0.003)


def test_even_lobe_with_a_range_is_the_disc_on_the_floor():
    """Sphere of 5 m around a head 3 m up meets the floor in a circle of 4 m (3-4-5 triangle)."""
    section = lobe_section(cone(0.0, 60.0, range_m=5.0), 0.0, OPEN)
    assert section.area == pytest.approx(np.pi * 16.0, rel=0.002)


def test_cosine_squared_gain_gives_the_sphere():
    """One-way gain cos^2 and R^4 ~ g^2 give R = R0 cos: a sphere through the head with diameter R0 (inversion).

    Half power of cos^2 is at 45 deg. Straight down from its own diameter's height the sphere touches the floor, and at
    half of it the section is the great circle.
    """
    pose = Pose.of(side="far", x_m=0.0, y_m=0.0, z_m=4.0)
    ball = Lobe.looking(pose, range_m=4.0, width_deg=90.0, depth_deg=90.0, edge_width_deg=178.0, edge_depth_deg=178.0)
    section = lobe_section(ball, 2.0, OPEN)
    assert section.area == pytest.approx(np.pi * 4.0, rel=0.003)
    assert lobe_section(ball, 1.0, OPEN).area == pytest.approx(np.pi * 3.0, rel=0.003)  # 4 - 1 from Pythagoras


def test_shadow_of_a_post_is_as_long_as_similar_triangles_say():
    """Head 4 m up, post 1 m high from 2.0 to 2.2 m out: hidden floor from 2.0 to 2.2 * 4 / 3 = 2.933 m.

    The clipping library has corners on a grid of 1e-8 m.
    """
    around = Surroundings(Floors(), (Prism.box("post", -0.1, 0.1, 2.0, 2.2, 0.0, 1.0),))
    free = lobe_section(cone(30.0, 30.0, height=4.0), 0.0, OPEN)
    lost = free - lobe_section(cone(30.0, 30.0, height=4.0), 0.0, around)
    _, y0, x1, y1 = lost.bounds
    assert (y0, y1) == pytest.approx((2.0, 2.2 * 4.0 / 3.0), abs=1e-8)
    assert x1 == pytest.approx(0.1 * 4.0 / 3.0, abs=1e-8)


def test_doubling_the_range_costs_12_db():
    """Radar equation, P ~ 1 / R^4: 40 log10 2 = 12.04 dB."""
    one = cone(0.0, 60.0, range_m=3.0)
    near, far = one.excess_db(np.array([[0.0, 0.0, 1.5], [0.0, 0.0, 0.0]]))
    assert near - far == pytest.approx(12.04, abs=0.005)
    assert far == pytest.approx(0.0, abs=1e-9)

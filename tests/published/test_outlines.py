"""Outlines of dense fans: closed forms, and rays twenty times denser than a scanner's."""

import numpy as np
import pytest
import shapely

from reference import scenes
from sillcast.kernel.clip import free_lengths
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import Floors, Pose
from sillcast.kernel.region import detection_region
from sillcast.kernel.section import section
from sillcast.kernel.solids import Surroundings, TestBody
from sillcast.kernel.sweep import Fan, fan_outline, fan_trace, fans_of

UPRIGHT = TestBody("upright", 0.30, 0.20, 0.70)
FLAT = TestBody("flat", 0.02, 0.02, 0.001)
BARE = Surroundings(Floors(), ())


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("angle_deg", [0.0, 35.0])
def test_nothing_that_dense_rays_hit_lies_outside(seed, angle_deg):
    """Rays 1/60 deg apart against the sweep: two ways that share no idea but the Minkowski sum of a box."""
    rng = np.random.default_rng(seed)
    around = scenes.surroundings(rng)
    rays = scenes.scanner(rng, planes=2, rays=120 * 60 + 1)
    dense = detection_region(rays, free_lengths(rays, around), UPRIGHT, angle_deg=angle_deg)
    outline = fan_outline(fans_of(rays), around, UPRIGHT, angle_deg=angle_deg)
    # the sweep's chords of the range arc lie up to 0.5 mm inside; dense rays end up to a spacing inside, 2.5 mm at 8 m
    assert outline.shape.buffer(0.0006).covers(dense.shape.buffer(-1e-6))
    assert (outline - dense).area <= 0.0025 * outline.shape.length
    assert outline.area > 1.0


@pytest.mark.parametrize("seed", range(3))
def test_traces_of_rays_lie_on_traces_of_the_sweep(seed):
    rng = np.random.default_rng(40 + seed)
    around = scenes.surroundings(rng)
    rays = scenes.scanner(rng, planes=3, rays=2401)
    clipped = free_lengths(rays, around)
    for height_m in (0.0, 0.7):
        exact = shapely.MultiLineString(fan_trace(fans_of(rays), around, height_m))
        real = shapely.MultiLineString(section(rays, clipped, height_m, Floors()).lines)
        assert exact.length > 1.0
        # a gap narrower than the rays' spacing (0.05 deg: 7 mm at 8 m, more at a slant) may be bridged by two rays
        assert real.difference(exact.buffer(1e-6)).length <= 0.02 * exact.length
        assert exact.difference(real.buffer(1e-6)).length <= 0.02 * exact.length


# Half width and distance on the floor of a fan tilted by t, half angle f, height h: h tan f / cos t, h tan t, from the
# direction (sin f, cos f sin t, -cos f cos t); for h = 3 m the distances 0.8038, 1.7321, 3.0000 m at 15, 30, 45 deg are
# those of the tangent table (Abramowitz and Stegun, Handbook of Mathematical Functions, table 4.10).
@pytest.mark.parametrize(("tilt_deg", "distance_m"), [(15.0, 0.8038), (30.0, 1.7321), (45.0, 3.0)])
def test_fan_on_the_floor(tilt_deg, distance_m):
    at = Pose.of(side="far", x_m=0.0, y_m=0.0, z_m=3.0)
    rays = Rays.scan_planes(at=at, plane_tilts_deg=[tilt_deg], start_deg=-30, end_deg=30, step_deg=0.2, range_m=20.0)
    (line,) = fan_trace(fans_of(rays), BARE, 0.0)
    half = 3.0 * np.tan(np.deg2rad(30.0)) / np.cos(np.deg2rad(tilt_deg))
    assert [p[1] for p in line] == pytest.approx([distance_m] * 2, abs=5e-5)  # four decimals printed
    assert sorted(p[0] for p in line) == pytest.approx([-half, half], abs=1e-9)


# Cone of half angle a about an axis tilted by t, on the floor h below: an ellipse from h tan(t - a) to h tan(t + a),
# semi-minor axis h sin a / sqrt(cos(t + a) cos(t - a)) (section of a circular cone; e.g. Bronshtein and Semendyayev,
# Handbook of Mathematics, section 3.5.3); h 3 m, t 30, a 15 deg: area pi A B = 3.2410 m2.
def test_cone_of_fans_covers_the_ellipse():
    tilt, half = np.deg2rad(30.0), np.deg2rad(15.0)
    axis = np.array([0.0, np.sin(tilt), -np.cos(tilt)])
    right = np.array([1.0, 0.0, 0.0])
    up = np.cross(right, axis)
    fans = []
    for turn in np.linspace(0.0, np.pi, 361)[:-1]:
        aside = np.cos(turn) * right + np.sin(turn) * up
        start = np.cos(half) * axis - np.sin(half) * aside
        side = np.cos(half) * aside + np.sin(half) * axis
        fans.append(Fan(np.array([0.0, 0.0, 3.0]), start, side, 2.0 * half, 20.0))
    points = np.array([p for line in fan_trace(fans, BARE, 0.0) for p in line])
    hull = shapely.MultiPoint(points).convex_hull
    near, far = 3.0 * np.tan(tilt - half), 3.0 * np.tan(tilt + half)
    semi_minor = 3.0 * np.sin(half) / np.sqrt(np.cos(tilt + half) * np.cos(tilt - half))
    assert (hull.bounds[1], hull.bounds[3]) == pytest.approx((near, far), abs=1e-4)
    assert hull.bounds[2] == pytest.approx(semi_minor, abs=1e-3)
    # 720 corners on an ellipse: area short by 1 - sin(x) / x with x about 2 pi / 720, below 1e-4
    assert hull.area == pytest.approx(3.2410, abs=5e-4)


def test_outline_of_a_flat_body_is_the_trace_widened():
    """In the limit of no height the outline is the trace summed with the footprint."""
    at = Pose.of(side="near", x_m=0.0, y_m=-0.2, z_m=3.0)
    rays = Rays.scan_planes(at=at, plane_tilts_deg=[30.0], start_deg=-30, end_deg=30, step_deg=0.5, range_m=20.0)
    outline = fan_outline(fans_of(rays), BARE, FLAT)
    (line,) = fan_trace(fans_of(rays), BARE, 0.0)
    length = abs(line[1][0] - line[0][0])
    # the part up to 1 mm above the floor is 1 mm tan 30 deg deep
    assert outline.area == pytest.approx((length + 0.02) * (0.02 + 0.001 * np.tan(np.pi / 6)), abs=2e-5)

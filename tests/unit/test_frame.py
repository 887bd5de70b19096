"""Mount rotation and floor against independent rotations and worked positions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from sillcast.kernel import FloorPlane, Floors, Pose, Rays, rotation

ANGLES = st.floats(-180, 180)


@given(st.sampled_from(["near", "far"]), ANGLES, ANGLES, ANGLES)
def test_rotation_is_scipys_intrinsic_zxy(side, tilt, yaw, roll):
    base = 180 if side == "near" else 0
    expected = Rotation.from_euler("ZXY", [base + yaw, tilt, roll], degrees=True).as_matrix()
    # 1e-12: a few units in the last place of products of sines
    np.testing.assert_allclose(rotation(side=side, tilt_deg=tilt, yaw_deg=yaw, roll_deg=roll), expected, atol=1e-12)


@given(st.sampled_from(["near", "far"]), st.floats(-90, 90), ANGLES, ANGLES)
def test_a_pose_knows_its_tilt_whatever_its_yaw_and_roll(side, tilt, yaw, roll):
    matrix = Rotation.from_euler("ZXY", [(180 if side == "near" else 0) + yaw, tilt, roll], degrees=True).as_matrix()
    # 1e-5: near 90 degrees the sine says little of the angle, a rounding of 1e-16 in it moves that by 1e-8 radians
    assert Pose(np.zeros(3), matrix, side).tilt_deg == pytest.approx(tilt, abs=1e-5)


# Where the straight-down ray of a sensor 4 m up and 0.20 m out meets the floor; by hand: 4 tan(30 deg) = 2.309 and so on.
FLOOR_POINTS = [
    ("near", 30, 0, 0, (0.0, -2.509)),
    ("far", 30, 0, 0, (0.0, 2.509)),
    ("near", -5, 0, 0, (0.0, 0.150)),
    ("near", 30, 10, 0, (0.401, -2.474)),
    ("far", 30, 10, 0, (-0.401, 2.474)),
    ("near", 0, 0, 5, (0.350, -0.20)),
    ("far", 0, 0, 5, (-0.350, 0.20)),
    ("near", 30, 10, 5, (0.799, -2.404)),
]


@pytest.mark.parametrize(("side", "tilt", "yaw", "roll", "expected"), FLOOR_POINTS)
def test_straight_down_ray_meets_the_floor_where_it_should(side, tilt, yaw, roll, expected):
    y = -0.20 if side == "near" else 0.20
    pose = Pose.of(side=side, x_m=0, y_m=y, z_m=4, tilt_deg=tilt, yaw_deg=yaw, roll_deg=roll)
    down = pose.matrix @ np.array([0.0, 0.0, -1.0])
    at = pose.origin + down * (-pose.origin[2] / down[2])
    # 0.5 mm: the expected places are rounded to a millimetre
    np.testing.assert_allclose(at[:2], expected, atol=5e-4)


@pytest.mark.parametrize(("side", "x", "y"), [("near", -1.681, -2.509), ("far", 1.681, 2.509)])
def test_scan_ray_goes_to_the_sensors_own_right(side, x, y):
    pose = Pose.of(side=side, x_m=0, y_m=-0.2 if side == "near" else 0.2, z_m=4)
    rays = Rays.scan_planes(at=pose, plane_tilts_deg=[30], start_deg=20, end_deg=20, step_deg=1, range_m=9)
    at = rays.origins[0] + rays.directions[0] * (-4 / rays.directions[0, 2])
    np.testing.assert_allclose(at[:2], (x, y), atol=5e-4)  # rounded to a millimetre


@pytest.mark.parametrize(
    ("start", "end", "step", "count"), [(-90, 6, 0.4, 241), (0, 0.3, 0.1, 4), (0, 1, 0.3, 4), (5, 5, 1, 1)]
)
def test_last_angle_is_included_when_it_lies_on_the_step(start, end, step, count):
    pose = Pose.of(side="near", x_m=0, y_m=-0.2, z_m=4)
    rays = Rays.scan_planes(at=pose, plane_tilts_deg=[0, 10], start_deg=start, end_deg=end, step_deg=step, range_m=9)
    assert len(rays.range_m) == 2 * count
    assert rays.group.tolist() == [0] * count + [1] * count


def test_floor_rises_away_from_the_door_and_drops_at_the_threshold():
    floors = Floors(FloorPlane(-1.2, 0.1), FloorPlane(0.0, 0.05))
    np.testing.assert_allclose(floors.height(np.array([-2.0, 0.0, 4.0])), [-1.0, 0.0, 0.2])
    assert not floors.is_level
    assert Floors().is_level

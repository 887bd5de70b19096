"""Door frame, mount rotation, floor.

Frame: origin on the finished floor, middle of the clear opening, in the leaf plane; x to the right of somebody on the
near side who faces the door, y ahead through the door, z up. Near side y < 0.
"""

from dataclasses import dataclass
from math import asin, degrees
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["FloatArray", "FloorPlane", "Floors", "Pose", "rotation"]

FloatArray = npt.NDArray[np.float64]
Side = Literal["near", "far"]


def rotation(*, side: Side, tilt_deg: float, yaw_deg: float, roll_deg: float) -> FloatArray:
    """Matrix from sensor frame to door frame: Rz(base + yaw) Rx(tilt) Ry(roll), base 180 deg near, 0 far [1]_.

    Parameters
    ----------
    side : {"near", "far"}
        Side of the door on which the sensor looks outwards.
    tilt_deg : float
        Outwards from straight down. [deg]
    yaw_deg : float
        About the vertical, positive counter-clockwise from above. [deg]
    roll_deg : float
        About the sensor's own forward axis. [deg]

    Returns
    -------
    matrix : (3, 3) array
        Columns are the sensor's axes in the door frame. [1]

    References
    ----------
    .. [1] Intrinsic rotations z, x', y''; equal to scipy's ``Rotation.from_euler("ZXY", ...)``, which the tests use.

    Examples
    --------
    >>> bool(np.allclose(rotation(side="far", tilt_deg=0, yaw_deg=0, roll_deg=0), np.eye(3)))
    True
    """
    z = np.deg2rad(yaw_deg + (180.0 if side == "near" else 0.0))
    x, y = np.deg2rad(tilt_deg), np.deg2rad(roll_deg)
    cz, sz, cx, sx, cy, sy = np.cos(z), np.sin(z), np.cos(x), np.sin(x), np.cos(y), np.sin(y)
    about_z = np.array([[cz, -sz, 0.0], [sz, cz, 0.0], [0.0, 0.0, 1.0]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cx, -sx], [0.0, sx, cx]])
    about_y = np.array([[cy, 0.0, sy], [0.0, 1.0, 0.0], [-sy, 0.0, cy]])
    return np.ascontiguousarray(about_z @ about_x @ about_y)


@dataclass(frozen=True, eq=False)
class Pose:
    """Place and attitude of a sensor in the door frame: origin (3,) in metres, matrix (3, 3)."""

    origin: FloatArray
    matrix: FloatArray
    side: Side

    @classmethod
    def of(
        cls,
        *,
        side: Side,
        x_m: float,
        y_m: float,
        z_m: float,
        tilt_deg: float = 0.0,
        yaw_deg: float = 0.0,
        roll_deg: float = 0.0,
    ) -> "Pose":
        """Pose from a mount's numbers, in metres and degrees."""
        matrix = rotation(side=side, tilt_deg=tilt_deg, yaw_deg=yaw_deg, roll_deg=roll_deg)
        return cls(np.array([x_m, y_m, z_m], dtype=np.float64), matrix, side)

    @property
    def tilt_deg(self) -> float:
        """Angle of the sensor's second axis above the horizontal: the mount's tilt, within a quarter turn. [deg]"""
        return degrees(asin(min(max(float(self.matrix[2, 1]), -1.0), 1.0)))


@dataclass(frozen=True)
class FloorPlane:
    """Floor of one side: z = level_m + rise * |y|, rise the tangent of its slope, positive away from the door."""

    level_m: float = 0.0
    rise: float = 0.0


@dataclass(frozen=True)
class Floors:
    """Floor of both sides; the far one begins at y = 0."""

    near: FloorPlane = FloorPlane()
    far: FloorPlane = FloorPlane()

    @property
    def is_level(self) -> bool:
        """True if both sides are at z = 0 and level."""
        return self.near == self.far == FloorPlane()

    def height(self, y: FloatArray | float) -> FloatArray:
        """Height of the floor at y, any shape. [m]"""
        y = np.asarray(y, dtype=np.float64)
        near = self.near.level_m - self.near.rise * y
        far = self.far.level_m + self.far.rise * y
        return np.where(y < 0, near, far)

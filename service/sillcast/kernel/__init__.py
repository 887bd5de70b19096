"""Geometry and detection: the only part that uses shapely, numba and manifold3d."""

from sillcast.kernel.emission import Emission, FloorArea, Lobe, Rays
from sillcast.kernel.frame import FloorPlane, Floors, Pose, rotation
from sillcast.kernel.plane import Region, Rings, ring_fault
from sillcast.kernel.solids import Prism, Surroundings, TestBody

__all__ = [
    "Emission",
    "FloorArea",
    "FloorPlane",
    "Floors",
    "Lobe",
    "Pose",
    "Prism",
    "Rays",
    "Region",
    "Rings",
    "Surroundings",
    "TestBody",
    "ring_fault",
    "rotation",
]

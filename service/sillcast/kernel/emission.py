"""What a sensor sends or receives: rays, a lobe, or an area of the floor, in door coordinates.

A family describes its emission with the constructors of this module; the kernel alone computes with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from sillcast.errors import GeometryError
from sillcast.kernel.frame import FloatArray, Pose
from sillcast.kernel.lobe import Lobe
from sillcast.kernel.plane import ring_fault

__all__ = ["Emission", "FloorArea", "Lobe", "Rays"]

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Rays:
    """Straight rays; neighbours in one group follow each other in array order (a scan plane, a pixel row, a beam).

    Attributes
    ----------
    origins, directions : (n, 3) array
        Start points [m] and unit vectors, C order, float64.
    range_m : (n,) array
        Sensor limit along each ray. [m]
    group : (n,) array
        Plane, row or beam of each ray, ascending.
    least_hits : int
        Rays that must hit a body for it to be detected.
    hits_within : {"plane", "head"}
        Whether the hits are counted in one group or over all of the sensor.
    floor_margin_m : float
        Hits closer than this to the local floor do not count. [m]
    beam_width_m, divergence_deg : float
        Spot diameter at the origin [m] and full divergence [deg]: diameter = width + 2 R tan(divergence / 2).
    blocks : bool
        True for beams to a counterpart: a ray counts when the body blocks it; useless if something blocks it for good.
    """

    origins: FloatArray
    directions: FloatArray
    range_m: FloatArray
    group: IntArray
    least_hits: int = 1
    hits_within: Literal["plane", "head"] = "head"
    floor_margin_m: float = 0.0
    beam_width_m: float = 0.0
    divergence_deg: float = 0.0
    blocks: bool = False

    def __post_init__(self) -> None:
        n = len(self.range_m)
        if self.origins.shape != (n, 3) or self.directions.shape != (n, 3) or self.group.shape != (n,):
            raise GeometryError("rays: origins and directions are (n, 3), range and group (n,)")
        finite = all(np.isfinite(a).all() for a in (self.origins, self.directions, self.range_m))
        if not finite or not np.allclose(np.einsum("ij,ij->i", self.directions, self.directions), 1.0, atol=1e-9):
            raise GeometryError("rays: all numbers finite and directions of unit length")

    @classmethod
    def scan_planes(  # noqa: PLR0913  # a scanner has that many numbers; all by keyword
        cls,
        *,
        at: Pose,
        plane_tilts_deg: Sequence[float],
        start_deg: float,
        end_deg: float,
        step_deg: float,
        range_m: float,
        least_hits: int = 1,
        hits_within: Literal["plane", "head"] = "head",
        floor_margin_m: float = 0.0,
        beam_width_m: float = 0.0,
        divergence_deg: float = 0.0,
    ) -> "Rays":
        """Rays of scan planes from one head: own direction (sin f, cos f sin t, -cos f cos t).

        The in-plane angle f = start + k step counts from straight down, positive towards the sensor's own +x; t is the
        plane's tilt, outwards. The last angle is included when it lies on the step within 1e-9 deg.
        """
        count = int(np.floor((end_deg - start_deg) / step_deg + 1e-9)) + 1
        if count < 1:
            raise GeometryError("scan planes: the sweep must end at or after its start")
        f = np.deg2rad(start_deg + step_deg * np.arange(count))
        t = np.deg2rad(np.asarray(plane_tilts_deg, dtype=np.float64))[:, None]
        own = np.stack(np.broadcast_arrays(np.sin(f), np.cos(f) * np.sin(t), -np.cos(f) * np.cos(t)), axis=-1)
        directions = np.ascontiguousarray(own.reshape(-1, 3) @ at.matrix.T)
        n = len(directions)
        return cls(
            origins=np.ascontiguousarray(np.broadcast_to(at.origin, (n, 3))),
            directions=directions,
            range_m=np.full(n, float(range_m)),
            group=np.repeat(np.arange(len(t)), count),
            least_hits=least_hits,
            hits_within=hits_within,
            floor_margin_m=floor_margin_m,
            beam_width_m=beam_width_m,
            divergence_deg=divergence_deg,
        )

    @classmethod
    def beams(
        cls,
        *,
        starts: Sequence[Sequence[float]],
        ends: Sequence[Sequence[float]],
        beam_width_m: float = 0.0,
        least_hits: int = 1,
    ) -> "Rays":
        """Beams from starts to ends, in metres; each counts as hit when a body blocks it."""
        origins = np.ascontiguousarray(np.asarray(starts, dtype=np.float64).reshape(-1, 3))
        to_end = np.asarray(ends, dtype=np.float64).reshape(-1, 3) - origins
        length = np.linalg.norm(to_end, axis=1)
        if not (length > 1e-6).all():
            raise GeometryError("beams: start and end must be apart")
        return cls(
            origins=origins,
            directions=np.ascontiguousarray(to_end / length[:, None]),
            range_m=length,
            group=np.arange(len(length)),
            least_hits=least_hits,
            beam_width_m=beam_width_m,
            blocks=True,
        )

    @classmethod
    def from_head(
        cls,
        *,
        at: Pose,
        own: FloatArray,
        group: Sequence[int],
        range_m: float,
        least_hits: int = 1,
        hits_within: Literal["plane", "head"] = "head",
        floor_margin_m: float = 0.0,
        spot: tuple[float, float] = (0.0, 0.0),
    ) -> "Rays":
        """Rays of one head in given directions: pixels, spots, edges of lens segments.

        `own` (n, 3) are directions in the sensor's frame, of any length above 0; `group` (n,) is ascending; `spot` is
        the beam's width at the head [m] and its full divergence [deg].
        """
        own = np.asarray(own, dtype=np.float64).reshape(-1, 3)
        length = np.linalg.norm(own, axis=1)
        if not (length > 1e-12).all():
            raise GeometryError("rays from a head: a direction needs a length")
        return cls(
            origins=np.ascontiguousarray(np.broadcast_to(at.origin, own.shape)),
            directions=np.ascontiguousarray((own / length[:, None]) @ at.matrix.T),
            range_m=np.full(len(own), float(range_m)),
            group=np.asarray(group, dtype=np.int64),
            least_hits=least_hits,
            hits_within=hits_within,
            floor_margin_m=floor_margin_m,
            beam_width_m=spot[0],
            divergence_deg=spot[1],
        )


@dataclass(frozen=True, eq=False)
class FloorArea:
    """Area of the floor that acts up to a height: ring (n, 2) in metres, counter-clockwise, open.

    A body is detected when its footprint overlaps the area by at least `least_overlap_m` in every direction: its
    centre lies in the ring summed with the footprint, which is shrunk by that much. It acts from `from_height_m` on:
    lower bodies are not met. With `metal` only bodies of metal count.
    """

    ring: FloatArray
    height_m: float = 0.0
    least_overlap_m: float = 0.0
    from_height_m: float = 0.0
    metal: bool = False

    def __post_init__(self) -> None:
        if self.ring.ndim != 2 or self.ring.shape[1] != 2 or not np.isfinite(self.ring).all():
            raise GeometryError("floor area: the ring is (n, 2) and finite")
        if fault := ring_fault(self.ring.tolist()):
            raise GeometryError(f"floor area: the ring {fault}")

    @classmethod
    def rectangle(
        cls, width_m: float, depth_m: float, *, at: Pose, height_m: float = 0.0, least_overlap_m: float = 0.0
    ) -> "FloorArea":
        """Rectangle around the mount's position, width along the sensor's own x, depth along its own y. [m]"""
        a, b = width_m / 2.0, depth_m / 2.0
        own = np.array([[-a, -b, 0.0], [a, -b, 0.0], [a, b, 0.0], [-a, b, 0.0]])
        ring = own @ at.matrix.T + at.origin
        return cls(np.ascontiguousarray(ring[:, :2]), height_m, least_overlap_m)


Emission = Rays | FloorArea | Lobe

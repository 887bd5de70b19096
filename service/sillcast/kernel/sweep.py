"""Scan planes with rays as dense as can be: what of each plane is visible, its trace at a height, exact outlines.

The plane is swept once [1]_: between two neighbouring events (ends and crossings of what it cuts, limits of the plane)
one and the same line is nearest. Each such wedge is a triangle; the part of it between two heights is convex.

.. [1] M. de Berg and others, Computational Geometry, 3rd edition, chapter 15.2: rotational sweep.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, groupby, pairwise
from math import cos, radians, sin
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from sillcast.errors import GeometryError
from sillcast.kernel._sweep_numpy import Frame, Walls
from sillcast.kernel.clip import TOUCH_M, engine_for, pack
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray
from sillcast.kernel.pieces import CORNERS, footprints
from sillcast.kernel.plane import Region, united_region
from sillcast.kernel.solids import Surroundings, TestBody

__all__ = [
    "Fan",
    "Seen",
    "Visible",
    "dense_outline",
    "fan_outline",
    "fan_trace",
    "fans_of",
    "outline",
    "trace",
    "triangles",
    "visible",
]


IntArray = npt.NDArray[np.int64]


engine = engine_for("sweep")


@dataclass(frozen=True, eq=False)
class Fan:
    """Sector of a plane: points origin + s start + w side with atan2(w, s) from 0 to `sweep_rad`, up to `range_m`.

    `start` and `side` are unit vectors (3,), square to each other; origin in metres.
    """

    origin: FloatArray
    start: FloatArray
    side: FloatArray
    sweep_rad: float
    range_m: float

    def places(self, points: FloatArray) -> FloatArray:
        """Points (..., 2) of the plane in the door frame (..., 3). [m]"""
        return np.asarray(self.origin + points[..., :1] * self.start + points[..., 1:] * self.side)


@dataclass(frozen=True, eq=False)
class Visible:
    """Visible part of a fan: triangles (origin, first, last), corners (m, 2) in its own axes, by rising angle. [m]"""

    first: FloatArray
    last: FloatArray

    @property
    def area(self) -> float:
        """Area in the plane. [m2]"""
        return 0.5 * float(np.abs(self.first[:, 0] * self.last[:, 1] - self.first[:, 1] * self.last[:, 0]).sum())


def fans_of(rays: Rays) -> list[Fan]:
    """One fan for each group of rays: from its first to its last direction, up to the first ray's range.

    Raises
    ------
    GeometryError
        If the rays of a group do not share an origin and a plane, or there are fewer than two.
    """
    starts = np.flatnonzero(np.concatenate([[True], np.diff(rays.group) != 0]))
    sizes = np.diff([*starts.tolist(), len(rays.group)])
    if (sizes < 2).any():
        raise GeometryError("fan: two rays or more that part at the start")
    start, second, origin = rays.directions[starts], rays.directions[starts + 1], rays.origins[starts]
    across = second - (second * start).sum(axis=1)[:, None] * start
    length = np.sqrt((across * across).sum(axis=1))
    if (length < 1e-9).any():
        raise GeometryError("fan: two rays or more that part at the start")
    side = across / length[:, None]
    normal = np.cross(start, side)
    u, v, n, o = (np.repeat(vectors, sizes, axis=0) for vectors in (start, side, normal, origin))
    if np.abs(_dot(rays.directions, n)).max() > 1e-9 or np.abs(rays.origins - o).max() > 1e-9:
        raise GeometryError("fan: the rays of a group share an origin and a plane")
    angle = np.arctan2(_dot(rays.directions, v), _dot(rays.directions, u))
    step = np.diff(angle, prepend=0.0)
    step -= 2.0 * np.pi * np.round(step / (2.0 * np.pi))
    step[starts] = 0.0
    sweeps, ranges = np.add.reduceat(step, starts).tolist(), rays.range_m[starts].tolist()
    return [Fan(*of_fan) for of_fan in zip(origin, start, side, sweeps, ranges, strict=True)]


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,ij->i", a, b))


def visible(fan: Fan, around: Surroundings) -> Visible:
    """Visible part of a fan, exact but for the arc of the range, whose chords lie 0.5 mm inside at most.

    Parameters
    ----------
    fan : Fan
        Scan plane.
    around : Surroundings
        Floor and prisms. A prism that the origin touches does not stop what leaves it; into it nothing is visible.

    Returns
    -------
    visible : Visible
        Triangles by rising angle.
    """
    first, last = engine.wedges(_frame(fan), _walls(around, fan.origin))
    return Visible(first, last)


class Seen(NamedTuple):
    """Visible parts of fans: corners (m, 3, 3), origin, first and last of each triangle in the door frame, by rising
    angle [m]; fan (m,), the fan of each.
    """

    corners: FloatArray
    fan: IntArray


def triangles(fans: Sequence[Fan], around: Surroundings) -> Seen:
    """Visible parts of fans, by fan and rising angle; they serve any number of outlines and traces."""
    found, first = [Seen(np.empty((0, 3, 3)), np.empty(0, dtype=np.int64))], 0
    for _, group in groupby(fans, lambda fan: tuple(fan.origin.tolist())):
        some = list(group)
        axes = np.array([(fan.origin, fan.start, fan.side) for fan in some])
        limits = np.array([(fan.sweep_rad, fan.range_m) for fan in some])
        corners, fan = engine.seen(axes, limits, _walls(around, some[0].origin))
        found.append(Seen(corners, fan + first))
        first += len(some)
    return found[1] if len(found) == 2 else Seen(*(np.concatenate(parts) for parts in zip(*found, strict=True)))


def _frame(fan: Fan) -> Frame:
    return Frame(fan.origin, fan.start, fan.side, fan.sweep_rad, fan.range_m)


def _walls(around: Surroundings, origin: FloatArray) -> Walls:
    packed, hosts = pack(around), _touched_faces(around, origin)
    heights = packed.box[np.searchsorted(packed.owner, np.arange(len(around.prisms))), 4:]  # of the first pieces
    faces = np.ascontiguousarray(np.concatenate([np.empty((0, 3)), *hosts]))
    starts = np.array([0, *accumulate(len(host) for host in hosts)], dtype=np.int64)
    return Walls(packed.ring, packed.ring_first, heights, packed.floor, faces, starts)


def _touched_faces(around: Surroundings, point: FloatArray) -> list[FloatArray]:
    """For each prism with the point on its surface the outward normals (m, 3) of the faces it lies on.

    A direction goes into the prism if it runs against all of them.
    """
    found = []
    packed = pack(around)
    x0, y0, x1, y1, z0, z1 = packed.box.T
    x, y, z = point.tolist()
    near = (np.abs(2.0 * x - x0 - x1) <= x1 - x0 + 2.0 * TOUCH_M) & (
        np.abs(2.0 * y - y0 - y1) <= y1 - y0 + 2.0 * TOUCH_M
    )
    near &= (z0 - TOUCH_M <= z) & (z <= z1 + TOUCH_M)
    for prism in (around.prisms[i] for i in dict.fromkeys(packed.owner[near].tolist())):
        ring = prism.ring
        edge = np.roll(ring, -1, axis=0) - ring
        normal = np.stack([edge[:, 1], -edge[:, 0]], axis=1) / np.hypot(edge[:, 0], edge[:, 1])[:, None]
        out = ((point[:2] - prism.ring) * normal).sum(axis=1)
        levels = np.array([prism.base_m - point[2], point[2] - prism.top_m])
        place = shapely.Point(point[0], point[1])
        if (levels > TOUCH_M).any() or shapely.Polygon(prism.ring).distance(place) > TOUCH_M:
            continue
        walls = shapely.linestrings(np.stack([prism.ring, prism.ring + edge], axis=1))
        on = (np.abs(out) <= TOUCH_M) & (shapely.distance(walls, place) <= TOUCH_M)
        upright = np.concatenate([normal[on], np.zeros((int(on.sum()), 1))], axis=1)
        found.append(
            np.concatenate([upright, np.array([[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]])[np.abs(levels) <= TOUCH_M]])
        )
    return [faces for faces in found if len(faces)]


# --- outlines and traces --------------------------------------------------------------------------------------------


def fan_outline(
    fans: Sequence[Fan],
    around: Surroundings,
    body: TestBody,
    *,
    angle_deg: float = 0.0,
    least_above_m: float = 0.0,
) -> Region:
    """Places where a body is met by one of the fans, for rays as dense as can be [1]_.

    Parameters
    ----------
    fans : sequence of Fan
        Scan planes.
    around : Surroundings
        Prisms, and a floor that is level and the same on both sides.
    body : TestBody
        Box or upright cylinder.
    angle_deg : float
        Turn of the body about the vertical, counter-clockwise. [deg]
    least_above_m : float
        Hits closer than this to the floor do not count. [m]

    Returns
    -------
    region : Region
        Exact but for the arc of the range (0.5 mm) and round footprints (0.9 % of the radius), both inscribed.

    Raises
    ------
    GeometryError
        For a sphere, and for a floor that slopes or has a step.

    References
    ----------
    .. [1] The visible part between two heights is a union of convex pieces; a body with upright sides meets it just in
       the union of their Minkowski sums with its footprint. Own derivation; tests/published/test_outlines.py.
    """
    return outline(triangles(fans, around), _level(around), body, angle_deg=angle_deg, least_above_m=least_above_m)


def dense_outline(
    rays: Sequence[Rays], around: Surroundings, body: TestBody, *, angle_deg: float = 0.0
) -> Region | None:
    """`fan_outline` of all the rays that lie in planes, each above its own floor margin.

    Returns None for a sphere, for a floor that is not level everywhere, and where no rays lie in planes: an ideal
    outline of them has no meaning.
    """
    if body.shape == "sphere" or not _is_level(around):
        return None
    planes = [(fans, own.floor_margin_m) for own in rays if (fans := _fans_or_none(own))]
    if not planes:
        return None
    return Region.union(
        fan_outline(fans, around, body, angle_deg=angle_deg, least_above_m=margin) for fans, margin in planes
    )


def _fans_or_none(rays: Rays) -> list[Fan] | None:
    """Fans of rays that are dense in planes in principle: no beams that block, one range in each group."""
    same = rays.group[1:] == rays.group[:-1]
    if rays.blocks or (same & (np.abs(np.diff(rays.range_m)) > 1e-9)).any():
        return None
    try:
        return fans_of(rays)
    except GeometryError:
        return None


def outline(
    seen: Seen, level_m: float, body: TestBody, *, angle_deg: float = 0.0, least_above_m: float = 0.0
) -> Region:
    """`fan_outline` from `triangles`, on a floor at a level. [m]"""
    if body.shape == "sphere":
        raise GeometryError("outline: boxes and upright cylinders only")
    points, counts = engine.slab_sums(
        *seen, level_m + least_above_m, level_m + body.height_m, _footprint(body, angle_deg)
    )
    ends = [0, *accumulate(counts.tolist())]
    return united_region([points[first:past] for first, past in pairwise(ends)])


def fan_trace(fans: Sequence[Fan], around: Surroundings, height_m: float) -> list[list[tuple[float, float]]]:
    """Lines in which the visible parts of fans pass a height above the floor, in the door's plan. [m]

    Parameters
    ----------
    fans : sequence of Fan
        Scan planes.
    around : Surroundings
        Prisms, and a floor that is level and the same on both sides.
    height_m : float
        Height above the floor. [m]

    Returns
    -------
    lines : list of list of (x, y)
        Two points each; exact. A plane along the height leaves none.

    Raises
    ------
    GeometryError
        For a floor that slopes or has a step.
    """
    return trace(triangles(fans, around), _level(around) + height_m)


def trace(seen: Seen, z_m: float) -> list[list[tuple[float, float]]]:
    """`fan_trace` from `triangles`, at a height in the door frame. [m]"""
    first, last = engine.passes(seen.corners, z_m)
    return [[(a, b), (c, d)] for a, b, c, d in np.concatenate([first, last], axis=1).tolist()]


def _is_level(around: Surroundings) -> bool:
    near, far = around.floors.near, around.floors.far
    return near == far and near.rise == 0.0


def _level(around: Surroundings) -> float:
    if not _is_level(around):
        raise GeometryError("outline: the floor is level and the same on both sides")
    return around.floors.near.level_m


def _footprint(body: TestBody, angle_deg: float) -> FloatArray:
    """Corners (v, 2) of a turned footprint about its centre, counter-clockwise; a circle inscribed. [m]"""
    a, b, c, s = body.width_m / 2.0, body.depth_m / 2.0, cos(radians(angle_deg)), sin(radians(angle_deg))
    turn = np.array([[c, s], [-s, c]])
    if body.shape == "cylinder":
        circle = footprints(np.zeros((1, 2)), np.array([[a, a]]), CORNERS)[0]
        return np.asarray(circle[np.abs(circle - np.roll(circle, 1, axis=0)).max(axis=1) > 1e-9] @ turn)
    return np.asarray(np.array([[-a, -b], [a, -b], [a, b], [-a, b]]) @ turn)

"""What a head does not see: shadows of convex solids on planes over the floor, and lines of sight."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from shapely.geometry import Polygon

from sillcast.kernel.frame import FloatArray, Floors
from sillcast.kernel.plane import MIN_AREA_M2, Region
from sillcast.kernel.solids import Prism, Surroundings

__all__ = ["Level", "grounds", "in_sight", "shadow"]

_FAR = 1e4  # a shadow ends this many times as far from the head as what casts it
_TOUCH_M = 1e-6  # a prism this near to the head carries it
_GROUND_M = 100.0  # extent of the floor where it may stand in the way


@dataclass(frozen=True)
class Level:
    """Plane z = height_m - fall y, and the part of the plan for which it stands for a height above the floor."""

    height_m: float
    fall: float
    from_y_m: float
    to_y_m: float

    @property
    def is_everywhere(self) -> bool:
        """True if it stands for both sides of the door."""
        return self.from_y_m < 0.0 < self.to_y_m

    def lifted(self, by_m: float) -> Level:
        """The plane that much higher."""
        return replace(self, height_m=self.height_m + by_m)


def grounds(floors: Floors) -> Iterator[Level]:
    """Floor of each side, or one floor where both are one level plane."""
    near, far = floors.near, floors.far
    if near == far and near.rise == 0.0:
        yield Level(near.level_m, 0.0, -1e9, 1e9)
        return
    yield Level(near.level_m, near.rise, -1e9, 0.0)
    yield Level(far.level_m, -far.rise, 0.0, 1e9)


def in_sight(start: FloatArray, end: FloatArray, around: Surroundings) -> bool:
    """True if no prism stands between two points (3,) [m]; one that only touches an end does not."""
    for prism in around.prisms:
        for corners in _convex(prism):
            if _cuts(corners, prism.base_m, prism.top_m, start, end):
                return False
    return True


def _cuts(corners: FloatArray, base_m: float, top_m: float, start: FloatArray, end: FloatArray) -> bool:
    """True if more than TOUCH_M of the line from start to end lies inside a convex prism."""
    along = np.roll(corners, -1, axis=0) - corners
    normal = np.stack([along[:, 1], -along[:, 0], np.zeros(len(along))], axis=1)
    normal = np.vstack([normal / np.linalg.norm(normal, axis=1)[:, None], [[0, 0, 1], [0, 0, -1]]])
    offset = np.append(np.einsum("ij,ij->i", normal[:-2, :2], corners), [top_m, -base_m])
    at, per = normal @ start - offset, normal @ (end - start)
    if (at[per == 0.0] >= 0.0).any():
        return False
    enter = np.max(-at[per < 0.0] / per[per < 0.0], initial=0.0)
    leave = np.min(-at[per > 0.0] / per[per > 0.0], initial=1.0)
    return bool((leave - enter) * np.linalg.norm(end - start) > _TOUCH_M)


def shadow(head: FloatArray, around: Surroundings, level: Level, *, reach_m: float) -> Region:
    """Places of a plane that a head (3,) does not see, behind what stands within its reach [m] [1]_.

    What a convex solid hides is the hull of itself and its image blown up from the head; a plane cuts that hull in the
    hull of the points in which it cuts the lines between corners on either side of it.

    References
    ----------
    .. [1] Own derivation; checked against sight lines in tests/unit/test_lobe.py.
    """
    found = []
    for corners in _solids(around):
        low, high = corners.min(axis=0), corners.max(axis=0)
        apart = np.maximum(np.maximum(low - head, head - high), 0.0)
        if np.linalg.norm(apart) < reach_m and len(crossings := _cast(corners, head, level)):
            found.append(crossings)
    if not found:
        return Region()
    owner = np.repeat(np.arange(len(found)), [len(crossings) for crossings in found])
    hulls = shapely.convex_hull(shapely.multipoints(np.vstack(found), indices=owner))
    return Region.union(Region(hull) for hull in hulls if hull.geom_type == "Polygon" and hull.area > MIN_AREA_M2)


_kept: WeakKeyDictionary[Surroundings, tuple[FloatArray, ...]] = WeakKeyDictionary()


def _solids(around: Surroundings) -> tuple[FloatArray, ...]:
    """Convex solids of the surroundings, made once for each object and kept as long as it lives."""
    if around not in _kept:
        _kept[around] = tuple(_made(around))
    return _kept[around]


def _made(around: Surroundings) -> Iterator[FloatArray]:
    """Corners (n, 3) of the convex pieces of all prisms, and of the floors where they are not one level plane."""
    for prism in around.prisms:
        for ring in _convex(prism):
            yield np.vstack([np.column_stack([ring, np.full(len(ring), z)]) for z in (prism.base_m, prism.top_m)])
    if not around.floors.is_level:
        x, y = _GROUND_M, _GROUND_M
        for sign, floor in ((-1.0, around.floors.near), (1.0, around.floors.far)):
            level = floor.level_m - _TOUCH_M  # so that it does not hide itself
            top = [(a * x, b * y * sign, level + floor.rise * b * y) for a in (-1.0, 1.0) for b in (0.0, 1.0)]
            yield np.array([*top, *((a, b, -_GROUND_M) for a, b, _ in top)])


def _convex(prism: Prism) -> Iterator[FloatArray]:
    """Convex pieces (n, 2) of a prism's ring."""
    if prism.is_convex:
        yield np.asarray(prism.ring)
        return
    for triangle in shapely.get_parts(shapely.constrained_delaunay_triangles(Polygon(prism.ring))):
        yield shapely.get_coordinates(shapely.orient_polygons(triangle))[:3]


def _cast(corners: FloatArray, head: FloatArray, level: Level) -> FloatArray:
    """Points (n, 2) whose hull is the section of the shadow of one convex solid by a plane."""
    head = _off(corners, head)
    both = np.vstack([corners, head + _FAR * (corners - head)])
    above = both[:, 2] - level.height_m + level.fall * both[:, 1]
    up = above >= 0.0
    high, low = both[up, :2], both[~up, :2]
    top, bottom = above[up][:, None], above[~up]
    share = (top / (top - bottom))[..., None]
    return np.asarray((high[:, None] + share * (low - high[:, None])).reshape(-1, 2))


def _off(corners: FloatArray, head: FloatArray) -> FloatArray:
    """The head, moved off a face that it touches, so that only what lies behind the face is hidden."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    gap = np.maximum(low - head, head - high)
    if gap.max() > _TOUCH_M or gap.max() < -_TOUCH_M:
        return head
    axis = int(np.argmax(gap))
    way = -1.0 if low[axis] - head[axis] >= head[axis] - high[axis] else 1.0
    return np.asarray(head + 2.0 * _TOUCH_M * way * np.eye(3)[axis])

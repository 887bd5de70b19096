"""What a head does not see: shadows of convex solids on planes over the floor, and lines of sight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import Polygon

from sillcast.kernel.frame import FloatArray, Floors
from sillcast.kernel.plane import Region
from sillcast.kernel.solids import Prism, Surroundings

__all__ = ["Level", "Shadows", "grounds", "in_sight", "seen_from", "shadow"]

BoolArray = npt.NDArray[np.bool_]
Faces = tuple[FloatArray, FloatArray]
Shadows = dict[Any, list[Region]]  # of what (a prism, floors), on which level, within which reach

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
    return bool(seen_from(start, end[None], around)[0])


def seen_from(start: FloatArray, ends: FloatArray, around: Surroundings) -> BoolArray:
    """Which of the points (n, 3) no prism hides from one point (3,) [m]; one that only touches an end does not."""
    ways = ends - start
    lengths = np.linalg.norm(ways, axis=1)
    seen = np.ones(len(ends), dtype=bool)
    for prism in around.prisms:
        for normal, offset in _faces(prism):
            seen &= _share_inside(normal @ start - offset, ways @ normal.T) * lengths <= _TOUCH_M
    return seen


def _share_inside(at: FloatArray, per: FloatArray) -> FloatArray:
    """Share (n,) of lines inside half-spaces that they begin `at` (k,) above the faces of and climb by `per` (n, k)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        cut = -at / per
    enter = np.max(cut, axis=1, initial=0.0, where=per < 0.0)
    leave = np.min(cut, axis=1, initial=1.0, where=per > 0.0)
    beside = ((per == 0.0) & (at >= 0.0)).any(axis=1)
    return np.asarray(np.where(beside, 0.0, leave - enter))


def shadow(
    head: FloatArray, around: Surroundings, level: Level, *, reach_m: float, known: Shadows | None = None
) -> Region:
    """Places of a plane that a head (3,) does not see, behind what stands within its reach [m] [1]_.

    What a convex solid hides is the hull of itself and its image blown up from the head; a plane cuts that hull in the
    hull of the points in which it cuts the lines between corners on either side of it. A head that asks again hands
    over what is `known`.

    References
    ----------
    .. [1] Own derivation; checked against sight lines in tests/unit/test_lobe.py.
    """
    known = {} if known is None else known
    found: list[Region] = []
    things: list[Prism | Floors] = [*around.prisms, around.floors]
    for thing in things:
        key = (thing, level, reach_m)
        if key not in known:
            known[key] = list(_shadows(head, _solids(thing), level, reach_m))
        found += known[key]
    return Region.union(found)


def _shadows(head: FloatArray, solids: Iterable[FloatArray], level: Level, reach_m: float) -> Iterator[Region]:
    for corners in solids:
        low, high = corners.min(axis=0), corners.max(axis=0)
        apart = np.maximum(np.maximum(low - head, head - high), 0.0)
        if np.linalg.norm(apart) < reach_m and len(crossings := _cast(corners, head, level)) > 2:
            yield Region.hull(crossings)


_kept: WeakKeyDictionary[Prism, tuple[FloatArray, ...]] = WeakKeyDictionary()
_kept_faces: WeakKeyDictionary[Prism, tuple[Faces, ...]] = WeakKeyDictionary()


def _solids(thing: Prism | Floors) -> tuple[FloatArray, ...]:
    """Corners (n, 3) of the convex pieces of a prism, kept as long as it lives, or of floors that are not level."""
    if isinstance(thing, Floors):
        return () if thing.is_level else tuple(_floor_solids(thing))
    if thing not in _kept:
        _kept[thing] = tuple(
            np.vstack([np.column_stack([ring, np.full(len(ring), z)]) for z in (thing.base_m, thing.top_m)])
            for ring in _convex(thing)
        )
    return _kept[thing]


def _floor_solids(floors: Floors) -> Iterator[FloatArray]:
    x, y = _GROUND_M, _GROUND_M
    for sign, floor in ((-1.0, floors.near), (1.0, floors.far)):
        level = floor.level_m - _TOUCH_M  # so that it does not hide itself
        top = [(a * x, b * y * sign, level + floor.rise * b * y) for a in (-1.0, 1.0) for b in (0.0, 1.0)]
        yield np.array([*top, *((a, b, -_GROUND_M) for a, b, _ in top)])


def _faces(prism: Prism) -> tuple[Faces, ...]:
    """Outward normals (k, 3) and distances (k,) of the faces of a prism's convex pieces, kept as long as it lives."""
    if prism not in _kept_faces:
        _kept_faces[prism] = tuple(_half_spaces(ring, prism) for ring in _convex(prism))
    return _kept_faces[prism]


def _half_spaces(corners: FloatArray, prism: Prism) -> Faces:
    along = np.roll(corners, -1, axis=0) - corners
    normal = np.stack([along[:, 1], -along[:, 0], np.zeros(len(along))], axis=1)
    normal = np.vstack([normal / np.linalg.norm(normal, axis=1)[:, None], [[0, 0, 1], [0, 0, -1]]])
    offset = np.append(np.einsum("ij,ij->i", normal[:-2, :2], corners), [prism.top_m, -prism.base_m])
    return normal, offset


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

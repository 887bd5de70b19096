"""Which part of each ray may hit a body: between foot and top, inside the fields; as segments seen from above."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray, FloorPlane, Floors
from sillcast.kernel.pieces import CORNERS, Segments, Upright, footprints
from sillcast.kernel.solids import TestBody

__all__ = [
    "FAR_M",
    "Ground",
    "Parts",
    "Window",
    "active_parts",
    "footprint",
    "grounds",
    "reach_y",
    "turned",
    "uprights",
]

BoolArray = npt.NDArray[np.bool_]
Window = tuple[float, float, float, float]

FAR_M = 1e4  # beyond any door
_CYLINDERS = 8  # upright cylinders inscribed in a sphere


@dataclass(frozen=True)
class Ground:
    """Floor of one side, continued beyond y = 0, and the positions and hit points for which it is the ground."""

    level_m: float
    fall: float  # height above the ground is z - level_m + fall * y
    from_y_m: float = -FAR_M
    to_y_m: float = FAR_M
    hits_from_y_m: float = -FAR_M
    hits_to_y_m: float = FAR_M

    @property
    def is_everywhere(self) -> bool:
        """True if it is the ground of both sides."""
        return self.to_y_m - self.from_y_m > FAR_M

    @property
    def hits_everywhere(self) -> bool:
        """True if hit points count on both sides."""
        return self.hits_to_y_m - self.hits_from_y_m > FAR_M


def turned(points: FloatArray, angle_deg: float) -> FloatArray:
    """Points (..., 2) turned about the origin, counter-clockwise. [m]"""
    if angle_deg == 0.0:
        return points
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    turn = np.array([[c, s], [-s, c]])
    return np.asarray(points @ turn, dtype=np.float64)


# --- bodies and floors ----------------------------------------------------------------------------------------------


def uprights(body: TestBody) -> tuple[Upright, ...]:
    """Upright prisms inscribed in the body: itself, or for a sphere of radius r cylinders of half height r sin q.

    They have radius r cos q about the middle; q in eight steps from 5 to 80 deg. What is lost at the outline is little
    for steep rays; for a level ray above or below the middle up to 0.19 r.
    """
    half = np.array([body.width_m, body.depth_m]) / 2.0
    if body.shape == "box":
        return (Upright(half, False, 0.0, body.height_m),)
    if body.shape == "cylinder":
        return (Upright(half, True, 0.0, body.height_m),)
    r = body.width_m / 2.0
    q = np.deg2rad(np.linspace(5.0, 80.0, _CYLINDERS))
    return tuple(Upright(half * np.cos(x), True, r - r * np.sin(x), r + r * np.sin(x)) for x in q)


def reach_y(body: TestBody, angle_deg: float) -> float:
    """Half extent of the turned footprint along y. [m]"""
    a, b = body.width_m / 2.0, body.depth_m / 2.0
    if body.shape != "box":
        return max(a, b)
    return float(abs(a * np.sin(np.deg2rad(angle_deg))) + abs(b * np.cos(np.deg2rad(angle_deg))))


def grounds(floors: Floors, reach_m: float) -> Iterator[Ground]:
    """One ground if both floors are the same plane, else one per side.

    A body beside y = 0 may reach over the other floor. Where that is higher, its hit points there are left out.
    """
    near, far = floors.near, floors.far
    if near == far and near.rise == 0.0:
        yield Ground(near.level_m, 0.0)
        return
    inf = FAR_M
    yield Ground(near.level_m, near.rise, -inf, 0.0, -inf, 0.0 if _rises(near, far, reach_m) else inf)
    yield Ground(far.level_m, -far.rise, 0.0, inf, 0.0 if _rises(far, near, reach_m) else -inf, inf)


def _rises(own: FloorPlane, other: FloorPlane, reach_m: float) -> bool:
    """True if the other floor is anywhere above one's own, continued, as far as the body reaches over it."""
    at_edge = other.level_m - own.level_m
    return at_edge > 0.0 or at_edge + (other.rise + own.rise) * reach_m > 0.0


# --- parts of rays that may hit -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Parts:
    """Layers of parts that count, and the parts before them in which the body must not be met, if there are any."""

    layers: tuple[Segments, ...]
    before: Segments | None


def _limited(
    at: FloatArray,
    per_m: FloatArray,
    low: FloatArray | float,
    high: FloatArray | float,
    first: FloatArray,
    last: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Interval [first, last] cut to where low <= at + t per_m <= high."""
    moving = per_m != 0.0
    rate = np.where(moving, per_m, 1.0)
    one, two = (low - at) / rate, (high - at) / rate
    held = (at >= low) & (at <= high)
    enter = np.where(moving, np.minimum(one, two), np.where(held, -np.inf, np.inf))
    enter = np.where(np.less(high, low), np.inf, enter)
    leave = np.where(moving, np.maximum(one, two), np.where(held, np.inf, -np.inf))
    return np.maximum(first, enter), np.minimum(last, leave)


def active_parts(
    rays: Rays,
    lengths: FloatArray,
    upright: Upright,
    ground: Ground,
    rule: tuple[float, float, shapely.Geometry | None, Window | None],
) -> Parts:
    """Parts of the rays at which a hit counts.

    rule: angle of the body [deg], least height of a hit [m], fields, window outside which places do not matter [m].
    """
    angle_deg, least_above_m, area, window = rule
    slope = abs(ground.fall) * _turned_reach_y(upright, angle_deg) if ground.fall else 0.0
    above = rays.origins[:, 2] - ground.level_m + ground.fall * rays.origins[:, 1]
    climb = rays.directions[:, 2] + ground.fall * rays.directions[:, 1]
    start, top = _limited(above, climb, upright.low_m, upright.high_m, np.zeros_like(lengths), lengths)
    spot = _spot(rays, np.where(start <= top, np.maximum(top, 0.0), 0.0))
    least_m = max(rays.floor_margin_m, least_above_m)
    made = partial(_segments, rays, spot, (angle_deg, upright.half, window))
    if slope == 0.0 and least_m <= upright.low_m and ground.hits_everywhere and area is None and not spot.any():
        return Parts((made(start, top),), None)
    high = upright.high_m - slope - spot
    enter = _limited(above, climb, upright.low_m, high, np.zeros_like(lengths), lengths)[0]
    low = np.maximum(max(upright.low_m + slope, least_m), upright.low_m + spot)
    first, last = _limited(above, climb, low, high, np.zeros_like(lengths), lengths)
    first, last = _limited(
        rays.origins[:, 1], rays.directions[:, 1], ground.hits_from_y_m, ground.hits_to_y_m, first, last
    )
    layers = _inside(rays, first, last, area) if area is not None else [(first, last)]
    # from the same top: a sinking ray that first meets the rim above it, with part of its spot, is not too early
    return Parts(tuple(made(*layer) for layer in layers), _before(made, enter, layers))


def footprint(upright: Upright) -> FloatArray:
    """Corners (v, 2) of the footprint, counter-clockwise, a disc inscribed. [m]"""
    return np.asarray(footprints(np.zeros((1, 2)), upright.half[None], CORNERS if upright.is_round else 0)[0])


def _turned_reach_y(upright: Upright, angle_deg: float) -> float:
    return float(np.abs(turned(footprint(upright), angle_deg)[:, 1]).max())


def _spot(rays: Rays, distance_m: FloatArray) -> FloatArray:
    """Radius of the spot: half of width + 2 R tan(divergence / 2), for each ray the greatest of its group. [m]

    One radius keeps the ends of neighbouring rays on straight lines, so that their pieces merge; it is never too small.
    """
    if rays.beam_width_m == 0.0 and rays.divergence_deg == 0.0:
        return np.zeros_like(distance_m)
    radius = 0.5 * rays.beam_width_m + distance_m * np.tan(np.deg2rad(rays.divergence_deg) / 2.0)
    starts = np.flatnonzero(np.r_[True, np.diff(rays.group) != 0])
    greatest = np.maximum.reduceat(radius, starts) if len(radius) else radius
    return np.asarray(np.repeat(greatest, np.diff(np.r_[starts, len(radius)])) if len(radius) else radius)


def _segments(
    rays: Rays,
    spot: FloatArray,
    rule: tuple[float, FloatArray, Window | None],
    first: FloatArray,
    last: FloatArray,
) -> Segments:
    """Parts seen from above; rule: angle [deg], half sides and window of the body's places [m]."""
    angle_deg, half, window = rule
    valid = first <= last
    start, end = np.where(valid, first, 0.0)[:, None], np.where(valid, last, 0.0)[:, None]
    origins, directions = rays.origins[:, :2], rays.directions[:, :2]
    near, far = origins + start * directions, origins + end * directions
    if window is not None:
        reach = float(np.hypot(*(half + spot.max(initial=0.0))))
        least, most = np.array(window[::2]) - reach, np.array(window[1::2]) + reach
        valid &= ((np.maximum(near, far) >= least) & (np.minimum(near, far) <= most)).all(axis=1)
    return Segments(turned(near, -angle_deg), turned(far, -angle_deg), valid, spot, rays.group)


def _before(
    made: Callable[[FloatArray, FloatArray], Segments],
    enter: FloatArray,
    layers: list[tuple[FloatArray, FloatArray]],
) -> Segments | None:
    """Parts of rays inside the body's heights before the first part that counts: there the hit would be too early.

    A ray that only begins to count at the body's own top or foot has none.
    """
    counts = np.min([np.where(first <= last, first, np.inf) for first, last in layers], axis=0, initial=np.inf)
    early = np.isfinite(counts) & (counts > enter + 1e-9)
    if not early.any():
        return None
    return made(np.where(early, enter, 1.0), np.where(early, counts, 0.0))


def _inside(
    rays: Rays, first: FloatArray, last: FloatArray, area: shapely.Geometry
) -> list[tuple[FloatArray, FloatArray]]:
    """Intervals of each ray inside an area: the j-th interval of each ray makes the j-th layer."""
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.get_parts(area))]
    starts = np.concatenate([ring[:-1] for ring in rings])
    edges = np.concatenate([np.diff(ring, axis=0) for ring in rings])
    o, d = rays.origins[:, None, :2], rays.directions[:, None, :2]
    det = d[..., 0] * edges[:, 1] - d[..., 1] * edges[:, 0]
    to = starts - o
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (to[..., 0] * edges[:, 1] - to[..., 1] * edges[:, 0]) / det
        s = (to[..., 0] * d[..., 1] - to[..., 1] * d[..., 0]) / det
    crossing = np.where((det != 0.0) & (s >= 0.0) & (s <= 1.0), t, last[:, None])
    valid = (first <= last)[:, None]
    marks = np.sort(np.clip(np.where(valid, crossing, 0.0), *(np.where(valid, x[:, None], 0.0) for x in (first, last))))
    marks = np.concatenate([np.where(valid, first[:, None], 0.0), marks, np.where(valid, last[:, None], 0.0)], axis=1)
    middle = (marks[:, 1:] + marks[:, :-1]) / 2.0
    x, y = (rays.origins[:, i, None] + middle * rays.directions[:, i, None] for i in (0, 1))
    keep = valid & shapely.intersects_xy(area, x.ravel(), y.ravel()).reshape(x.shape)
    return _layers(marks, keep)


def _layers(marks: FloatArray, keep: BoolArray) -> list[tuple[FloatArray, FloatArray]]:
    """Kept intervals between marks (n, m + 1), (n, m), adjacent ones joined; layer j has the j-th of each row."""
    for part in range(1, keep.shape[1]):  # an interval of no length must not part two others
        keep[:, part] = np.where(np.diff(marks[:, part : part + 2])[:, 0] > 0.0, keep[:, part], keep[:, part - 1])
    edge = np.diff(keep.astype(np.int8), axis=1, prepend=0, append=0)
    ray, begin = np.nonzero(edge == 1)
    past = np.nonzero(edge == -1)[1]
    number = np.cumsum(edge == 1, axis=1)[ray, begin] - 1
    layers = []
    for j in range(int(number.max(initial=-1)) + 1):
        first, last = np.full(len(marks), np.inf), np.full(len(marks), -np.inf)
        mine = number == j
        first[ray[mine]], last[ray[mine]] = marks[ray[mine], begin[mine]], marks[ray[mine], past[mine]]
        layers.append((first, last))
    return layers

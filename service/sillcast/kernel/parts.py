"""Which part of each ray may hit a body: between foot and top, inside the fields; as segments seen from above."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import cos, inf, radians, sin, tan

import numpy as np
import numpy.typing as npt

from sillcast.kernel._spans_numpy import enters
from sillcast.kernel.clip import Clipped, engine_for
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray, FloorPlane, Floors
from sillcast.kernel.pieces import CORNERS, Segments, Upright, footprints
from sillcast.kernel.plane import following
from sillcast.kernel.solids import TestBody

__all__ = [
    "FAR_M",
    "Ground",
    "Parts",
    "Window",
    "active_parts",
    "around",
    "counting_parts",
    "footprint",
    "grounds",
    "rays_near",
    "reach_y",
    "turned",
    "uprights",
]

IntArray = npt.NDArray[np.int64]
Intervals = list[tuple[FloatArray, FloatArray]]
Window = tuple[float, float, float, float]


engine = engine_for("spans")

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
    end = FAR_M
    yield Ground(near.level_m, near.rise, -end, 0.0, -end, 0.0 if _rises(near, far, reach_m) else end)
    yield Ground(far.level_m, -far.rise, 0.0, end, 0.0 if _rises(far, near, reach_m) else -end, end)


def _rises(own: FloorPlane, other: FloorPlane, reach_m: float) -> bool:
    """True if the other floor is anywhere above one's own, continued, as far as the body reaches over it."""
    at_edge = other.level_m - own.level_m
    return at_edge > 0.0 or at_edge + (other.rise + own.rise) * reach_m > 0.0


# --- parts of rays that may hit -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Parts:
    """Layers of parts that count, and the parts before them in which the body must not be met, if there are any.

    `whole` is the upright body around the whole one, by which it is met too early.
    """

    layers: tuple[Segments, ...]
    before: Segments | None
    whole: Upright


def active_parts(
    rays: Rays,
    lengths: FloatArray,
    upright: Upright,
    whole: Upright,
    ground: Ground,
    rule: tuple[float, float, tuple[FloatArray, ...], Window | None],
) -> Parts:
    """Parts of the rays at which a hit on an upright body inside the whole one counts.

    rule: angle of the body [deg], least height of a hit [m], fields, window outside which places do not matter [m].
    """
    angle_deg, least_above_m, fields, window = rule
    slope = abs(ground.fall) * _turned_reach_y(upright, angle_deg) if ground.fall else 0.0
    first, last, enter, spot = engine.spans(
        rays.origins, rays.directions, lengths, rays.group,
        (ground.level_m, ground.fall, ground.hits_from_y_m, ground.hits_to_y_m),
        (upright.low_m, upright.high_m, slope, max(rays.floor_margin_m, least_above_m)),
        (rays.beam_width_m, tan(radians(rays.divergence_deg) / 2.0)),
    )  # fmt: skip
    bounds = _bounds(window, float(np.hypot(*(upright.half + spot.max(initial=0.0)))))
    made = partial(_segments, rays, spot, (angle_deg, bounds))
    # from the same top: a sinking ray that first meets the rim above it, with part of its spot, is not too early
    layers, end = [(first, last)], np.where((first <= last) & (first > enter + 1e-9), first, -inf)
    if not (fields or (end > 0.0).any()):
        return Parts((made(first, last),), None, whole)
    rise = abs(ground.fall) * _turned_reach_y(whole, angle_deg) if ground.fall else 0.0
    begin = enters(
        rays.origins, rays.directions, lengths, (ground.level_m, ground.fall),
        (whole.low_m - rise - spot, whole.high_m + rise + spot),
    )  # fmt: skip
    if fields:
        _, _, near = engine.from_above(rays.origins, rays.directions, begin, last, (1.0, 0.0), bounds)
        layers = _inside(rays, np.where(near, first, inf), last, fields)
        held = _least(_inside(rays, np.where(near, begin, inf), last, fields))
        counts = _least(layers)
        end = np.where(np.isfinite(counts), np.where(end > 0.0, counts, held), -inf)
    early = end > begin + 1e-9
    before = made(np.where(early, begin, 1.0), np.where(early, end, 0.0)) if early.any() else None
    return Parts(tuple(made(*layer) for layer in layers), before, whole)


def _least(layers: Intervals) -> FloatArray:
    """Where the first of the parts of each ray begins; infinite for a ray without one."""
    return np.asarray(np.min([np.where(one <= other, one, inf) for one, other in layers], axis=0, initial=inf))


def around(body: TestBody) -> Upright:
    """Upright prism around the body; its disc is drawn around where that matters."""
    return Upright(np.array([body.width_m, body.depth_m]) / 2.0, body.shape != "box", 0.0, body.height_m)


def footprint(upright: Upright) -> FloatArray:
    """Corners (v, 2) of the footprint, counter-clockwise, a disc inscribed. [m]"""
    return np.asarray(footprints(np.zeros((1, 2)), upright.half[None], CORNERS if upright.is_round else 0)[0])


def _turned_reach_y(upright: Upright, angle_deg: float) -> float:
    return float(np.abs(turned(footprint(upright), angle_deg)[:, 1]).max())


def _bounds(window: Window | None, reach_m: float) -> Window:
    """What a part of a ray must reach to matter to places in a window. [m]"""
    if window is None:
        return -inf, inf, -inf, inf
    return window[0] - reach_m, window[1] + reach_m, window[2] - reach_m, window[3] + reach_m


def _segments(
    rays: Rays,
    spot: FloatArray,
    rule: tuple[float, Window],
    first: FloatArray,
    last: FloatArray,
) -> Segments:
    """Parts seen from above; rule: angle [deg], and what a part must reach [m]."""
    angle_deg, bounds = rule
    turn = radians(-angle_deg)
    near, far, valid = engine.from_above(rays.origins, rays.directions, first, last, (cos(turn), sin(turn)), bounds)
    return Segments(near, far, valid, spot, rays.group)


def rays_near(rays: Rays, clipped: Clipped, window: Window, reach_m: float) -> tuple[Rays, Clipped]:
    """Those of the rays that come within reach of a part of the plan, as far as their bounds tell. [m]"""
    start, end = np.zeros_like(clipped.lengths), np.maximum(clipped.lengths, 0.0)
    bounds = _bounds(window, reach_m)
    _, _, near = engine.from_above(rays.origins, rays.directions, start, end, (1.0, 0.0), bounds)
    if near.all():
        return rays, clipped
    some = replace(
        rays,
        origins=rays.origins[near], directions=rays.directions[near],
        range_m=rays.range_m[near], group=rays.group[near],
    )  # fmt: skip
    return some, Clipped(clipped.lengths[near], clipped.stops[near])


def _inside(rays: Rays, first: FloatArray, last: FloatArray, fields: tuple[FloatArray, ...]) -> Intervals:
    """Intervals [first, last] of each ray, cut to the fields; layer j has the j-th part of each ray."""
    start, end = np.where(first <= last, first, 0.0), np.where(first <= last, last, 0.0)
    ray, begin, past = counting_parts(rays, start, end, fields)
    number = np.arange(len(ray)) - np.searchsorted(ray, ray)
    layers = []
    for j in range(int(number.max(initial=-1)) + 1):
        one, other, mine = np.full_like(start, np.inf), np.full_like(start, -np.inf), number == j
        one[ray[mine]], other[ray[mine]] = begin[mine], past[mine]
        layers.append((one, other))
    return layers


def counting_parts(
    rays: Rays,
    start: FloatArray,
    end: FloatArray,
    fields: Sequence[FloatArray],
    *,
    floors: Floors | None = None,
    margin_m: float = 0.0,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Parts of pieces of rays inside the union of fields and at least a margin above the floors.

    Parameters
    ----------
    rays : Rays
        Rays of one sensor.
    start, end : (n,) array
        Piece of each ray; none if it is shorter than 1e-9 m. [m]
    fields : sequence of (v, 2) arrays
        Rings, open, either way round, borders included; none given: no limit. [m]
    floors : Floors, optional
        Floor of both sides; without it heights do not matter.
    margin_m : float
        Least height above it. [m]

    Returns
    -------
    ray : (q,) array
        Index of the ray of each part, ascending. [1]
    begin, past : (q,) array
        Ends of the parts along their rays. [m]
    """
    rings = [np.hstack([ring, following(ring)]) for ring in fields]
    edges = np.concatenate([np.empty((0, 4)), *rings])
    first = np.cumsum([0, *(len(ring) for ring in rings)], dtype=np.int64)
    planes = np.empty(0)
    if floors is not None:
        near, far = floors.near, floors.far
        planes = np.array([margin_m, near.level_m, -near.rise, far.level_m, far.rise])
    found: tuple[IntArray, FloatArray, FloatArray] = engine.cut(
        rays.origins, rays.directions, start, end, planes, edges, first
    )
    return found

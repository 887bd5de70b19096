"""Sweep of fans on plain numpy; `sweep` explains it. Twin of `_sweep_numba`, but that it sums convex pieces."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sillcast.kernel._numpy import TOUCH_M
from sillcast.kernel._pieces_numpy import dilated
from sillcast.kernel.frame import FloatArray

IndexArray = npt.NDArray[np.intp]
IntArray = npt.NDArray[np.int64]

ARC_M = 5e-4  # sagitta given away along the arc of the range
ANGLE_RAD = 1e-12  # wedges below this are rounding
SAME_M = 1e-9  # corners nearer than this are one
TIE = 1e-9  # share of a length within which a point counts as on its end


class Frame(NamedTuple):
    """A fan's origin [m] and unit vectors (3,), its sweep [rad] and range [m]."""

    origin: FloatArray
    start: FloatArray
    side: FloatArray
    sweep_rad: float
    range_m: float


class Walls(NamedTuple):
    """What a plane can cut: `ring`, `first` and `floor` as in `Packed`, base and top (p, 2) of each prism [m];
    outward normals (k, 3) of the faces which the fan's origin touches, `host` (h + 1,): where each prism's begin.
    """

    ring: FloatArray
    first: IntArray
    heights: FloatArray
    floor: tuple[float, float, float, float]
    faces: FloatArray
    host: IntArray


def wedges(fan: Frame, scene: Walls) -> tuple[FloatArray, FloatArray]:
    """Far corners (m, 2) of the visible triangles in the fan's own axes, by rising angle. [m]"""
    cuts = _within_range(_cuts(fan, scene), fan.range_m)
    events = _events(fan, cuts, scene.faces)
    middle = (events[1:] + events[:-1]) / 2.0
    ray = np.stack([np.cos(middle), np.sin(middle)], axis=1)
    nearest = _nearest(ray, cuts)
    directions = ray[:, :1] * fan.start + ray[:, 1:] * fan.side
    free = np.ones(len(ray), dtype=bool)
    for begin, past in zip(scene.host[:-1].tolist(), scene.host[1:].tolist(), strict=True):
        free &= ~(directions @ scene.faces[begin:past].T < 0.0).all(axis=1)
    first = _on(fan, cuts, nearest, events[:-1])
    last = _on(fan, cuts, nearest, events[1:])
    joint = np.flatnonzero((nearest[1:] == nearest[:-1]) & (nearest[1:] >= 0) & free[1:] & free[:-1]) + 1
    begins, ends = free.copy(), free.copy()
    begins[joint], ends[joint - 1] = False, False
    return first[begins], last[ends]


def seen(axes: FloatArray, limits: FloatArray, scene: Walls) -> tuple[FloatArray, IntArray]:
    """Visible triangles (m, 3, 3) of fans in the door frame, by fan and rising angle [m], and the fan of each (m,).

    axes (n, 3, 3): origin [m] and unit vectors of each fan; limits (n, 2): sweep [rad] and range [m].
    """
    found = [wedges(Frame(*own, *ends), scene) for own, ends in zip(axes, limits.tolist(), strict=True)]
    fan = np.repeat(np.arange(len(axes), dtype=np.int64), [len(first) for first, _ in found])
    corners = np.repeat(axes[fan, :1], 3, axis=1)
    for i in (0, 1):
        ends = np.concatenate([np.empty((0, 2)), *(pair[i] for pair in found)])
        corners[:, 1 + i] += ends[:, :1] * axes[fan, 1] + ends[:, 1:] * axes[fan, 2]
    return corners, fan


def slab_sums(
    corners: FloatArray, fan: IntArray, low_m: float, high_m: float, shape: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Sums of a footprint and the parts of triangles between two heights, seen from above: counter-clockwise contours.

    corners (m, 3, 3): origin, first and last of each triangle; fan (m,): which belong together; shape (v, 2): the
    footprint. Points of all the contours one after the other (p, 2) [m], points in each (r,). What they wind around is
    the same for both back ends, here by convex pieces.
    """
    origin, first, last = _split(corners, (low_m, high_m))
    quads, keep = [], np.ones(len(first), dtype=bool)
    for end in (first, last):
        drop = end[:, 2] - origin[:, 2]
        moving = np.abs(drop) > 1e-12
        rate = np.where(moving, drop, 1.0)
        one, two = (low_m - origin[:, 2]) / rate, (high_m - origin[:, 2]) / rate
        held = (low_m <= origin[:, 2]) & (origin[:, 2] <= high_m)
        enter = np.where(moving, np.maximum(np.minimum(one, two), 0.0), np.where(held, 0.0, np.inf))
        leave = np.where(moving, np.minimum(np.maximum(one, two), 1.0), np.where(held, 1.0, -np.inf))
        keep &= enter <= leave + TIE
        along = end[:, :2] - origin[:, :2]
        shares = [np.where(keep, share, 0.0)[:, None] for share in (np.minimum(enter, leave), leave)]
        quads.append([origin[:, :2] + share * along for share in shares])
    four = np.stack([quads[0][0], quads[1][0], quads[1][1], quads[0][1]], axis=1)[keep]
    rings = dilated(four, np.broadcast_to(shape, (len(four), *shape.shape)))
    return rings.reshape(-1, 2), np.full(len(rings), rings.shape[1], dtype=np.int64)


def passes(corners: FloatArray, height_m: float) -> tuple[FloatArray, FloatArray]:
    """Ends (q, 2) of the lines in which triangles pass a height, seen from above, pieces of a line put together. [m]"""
    origin, first, last = _split(corners, (height_m,))
    here = origin[:, 2] - height_m
    drops = [origin[:, 2] - end[:, 2] for end in (first, last)]
    shares = [np.where(np.abs(drop) > 1e-12, here / np.where(drop == 0.0, 1.0, drop), np.inf) for drop in drops]
    keep = np.logical_and.reduce([(share >= 0.0) & (share <= 1.0 + TIE) for share in shares])
    ends = [
        (origin + np.where(keep, np.minimum(share, 1.0), 0.0)[:, None] * (end - origin))[keep, :2]
        for share, end in zip(shares, (first, last), strict=True)
    ]
    return _joined(ends[0], ends[1])


def _joined(first: FloatArray, last: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pieces of one straight line, end to end, put together."""
    along = last - first
    gap = np.abs(first[1:] - last[:-1]).max(axis=1, initial=0.0) > SAME_M
    bend = np.abs(_cross(along[1:], along[:-1])) > SAME_M  # where the next fan begins
    apart = np.flatnonzero(gap | bend) + 1
    starts = np.concatenate([[0], apart]).astype(np.intp)[: len(first)]
    ends = np.concatenate([apart, [len(first)]]).astype(np.intp)[: len(first)] - 1
    return first[starts], last[ends]


def _split(corners: FloatArray, heights_m: tuple[float, ...]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Triangles cut where their far side passes a height: corners (q, 3) of each, by rising angle. [m]"""
    z_first, rise = corners[:, 1, 2], corners[:, 2, 2] - corners[:, 1, 2]
    shares = [np.zeros_like(rise), np.ones_like(rise)]
    for height in heights_m:
        share = (height - z_first) / np.where(rise == 0.0, 1.0, rise)
        shares.append(np.where(rise == 0.0, 0.0, np.clip(share, 0.0, 1.0)))
    share = np.sort(np.stack(shares, axis=1), axis=1)
    keep = np.diff(share, axis=1) > ANGLE_RAD
    points = corners[:, None, 1] + share[..., None] * (corners[:, None, 2] - corners[:, None, 1])
    return corners[np.nonzero(keep)[0], 0], points[:, :-1][keep], points[:, 1:][keep]


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


# --- what the plane cuts --------------------------------------------------------------------------------------------


def _cuts(fan: Frame, scene: Walls) -> FloatArray:
    """Lines (m, 2, 2) in which the plane cuts walls, caps and floors, in its own axes. [m]"""
    normal = np.cross(fan.start, fan.side)
    parts = [_floor_cuts(fan, scene.floor)]
    for first, past, heights in zip(scene.first[:-1].tolist(), scene.first[1:].tolist(), scene.heights, strict=True):
        ring = scene.ring[first:past, :2]
        parts += [_wall_cuts(fan, normal, ring, heights), _cap_cuts(fan, normal, ring, heights)]
    points = np.concatenate([np.empty((0, 2, 3)), *parts]) - fan.origin
    return np.stack([points @ fan.start, points @ fan.side], axis=-1)


def _wall_cuts(fan: Frame, normal: FloatArray, a: FloatArray, heights: FloatArray) -> FloatArray:
    """Cuts (m, 2, 3) with the walls: on each the plane's equation is linear in the share along the edge and in z."""
    edge = np.roll(a, -1, axis=0) - a
    rest = (a - fan.origin[:2]) @ normal[:2]
    slope = edge @ normal[:2]
    if abs(normal[2]) > 1e-12:
        at_base, at_top = (-(rest + normal[2] * (z - fan.origin[2])) for z in heights)
        share = np.stack([at_base, at_top], axis=1)
        flat = np.abs(slope) <= 1e-12
        share = share / np.where(flat, 1.0, slope)[:, None]
        low, high = share.min(axis=1), share.max(axis=1)
        low, high = np.where(flat, 0.0, np.clip(low, 0.0, 1.0)), np.where(flat, 1.0, np.clip(high, 0.0, 1.0))
        share = np.stack([low, high], axis=1)
        z = fan.origin[2] - (rest[:, None] + share * slope[:, None]) / normal[2]
        keep = (share[:, 1] > share[:, 0]) & (z.max(1) >= heights[0]) & (z.min(1) <= heights[1])
    else:
        steep = np.abs(slope) > 1e-12
        cut = -rest / np.where(steep, slope, 1.0)
        share, z = np.stack([cut, cut], axis=1), np.broadcast_to(heights, (len(a), 2))
        keep = steep & (cut >= 0.0) & (cut <= 1.0)
    xy = a[:, None, :] + share[..., None] * edge[:, None, :]
    return np.asarray(np.concatenate([xy, z[..., None]], axis=-1)[keep])


def _cap_cuts(fan: Frame, normal: FloatArray, a: FloatArray, heights: FloatArray) -> FloatArray:
    """Cuts (m, 2, 3) with base and top: between each two crossings of the ring, in order along the line."""
    flat = np.hypot(normal[0], normal[1])
    if flat <= 1e-12:
        return np.empty((0, 2, 3))
    along = np.array([-normal[1], normal[0]]) / flat
    b = np.roll(a, -1, axis=0)
    found = []
    for z in heights.tolist():
        shift = normal[2] * (z - fan.origin[2])
        side_a, side_b = (a - fan.origin[:2]) @ normal[:2] + shift, (b - fan.origin[:2]) @ normal[:2] + shift
        crosses = (side_a > 0.0) != (side_b > 0.0)
        share = side_a[crosses] / (side_a[crosses] - side_b[crosses])
        points = a[crosses] + share[:, None] * (b[crosses] - a[crosses])
        points = points[np.argsort(points @ along)]
        found.append(np.concatenate([points, np.full((len(points), 1), z)], axis=1).reshape(-1, 2, 3))
    return np.concatenate(found)


def _floor_cuts(fan: Frame, floor: tuple[float, float, float, float]) -> FloatArray:
    """Cuts (m, 2, 3) with the floor of each side and with the step between them at y = 0."""
    found = []
    near_level, near_rise, far_level, far_rise = floor
    for level, rise, sign in ((near_level, near_rise, -1.0), (far_level, far_rise, 1.0)):
        up = np.array([0.0, -sign * rise, 1.0])  # z - sign rise y = level
        line = _plane_line(fan, up, level)
        if line is not None:
            found.append(_where_y(line, sign))
    step = _plane_line(fan, np.array([0.0, 1.0, 0.0]), 0.0)
    low, high = sorted((near_level, far_level))
    if step is not None and high > low and abs(step[1, 2] - step[0, 2]) > 1e-12:
        share = np.sort(np.clip((np.array([low, high]) - step[0, 2]) / (step[1, 2] - step[0, 2]), 0.0, 1.0))
        found.append(step[0] + share[:, None] * (step[1] - step[0]))
    return np.stack(found) if found else np.empty((0, 2, 3))


def _plane_line(fan: Frame, normal: FloatArray, offset: float) -> FloatArray | None:
    """Chord (2, 3) of the range circle on the plane normal . p = offset; None if it does not reach it."""
    s, w, rest = fan.start @ normal, fan.side @ normal, offset - fan.origin @ normal
    size = float(np.hypot(s, w))
    if size <= 1e-12 or abs(rest) >= size * fan.range_m:
        return None
    foot = np.array([s, w]) * rest / size**2
    half = np.sqrt(fan.range_m**2 - foot @ foot) * np.array([-w, s]) / size
    ends = np.stack([foot - half, foot + half])
    return np.asarray(fan.origin + ends[:, :1] * fan.start + ends[:, 1:] * fan.side)


def _where_y(line: FloatArray, sign: float) -> FloatArray:
    """Part of a line (2, 3) with sign y >= 0; of no length if there is none."""
    y = sign * line[:, 1]
    if y[0] >= 0.0 and y[1] >= 0.0:
        return line
    if y[0] < 0.0 and y[1] < 0.0:
        return np.repeat(line[:1], 2, axis=0)
    at = line[0] + y[0] / (y[0] - y[1]) * (line[1] - line[0])
    return np.stack([at, line[int(y[1] >= 0.0)]])


def _within_range(cuts: FloatArray, range_m: float) -> FloatArray:
    """Parts of the lines inside the range circle; lines through the origin or seen on edge are left out."""
    a, along = cuts[:, 0], cuts[:, 1] - cuts[:, 0]
    size = np.hypot(along[:, 0], along[:, 1])
    keep = size > 1e-12
    a, along, size = a[keep], along[keep], size[keep]
    middle = -(a * along).sum(axis=1) / size**2
    aside = np.abs(_cross(a, along)) / size
    half = np.sqrt(np.maximum(range_m**2 - aside**2, 0.0)) / size
    low, high = np.maximum(middle - half, 0.0), np.minimum(middle + half, 1.0)
    keep = (high > low) & (aside > TOUCH_M)
    a, along = a[keep], along[keep]
    return np.stack([a + low[keep, None] * along, a + high[keep, None] * along], axis=1)


# --- the sweep ------------------------------------------------------------------------------------------------------


def _events(fan: Frame, cuts: FloatArray, faces: FloatArray) -> FloatArray:
    """Sorted angles of ends and crossings of lines, of the arc's chords, along faces at the origin, of limits. [rad]"""
    along = np.stack([-faces @ fan.side, faces @ fan.start], axis=1)
    points = np.concatenate([cuts.reshape(-1, 2), _crossings(cuts), along, -along])
    angle = np.mod(np.arctan2(points[:, 1], points[:, 0]), 2.0 * np.pi)
    chords = max(1, int(np.ceil(fan.sweep_rad / np.sqrt(8.0 * ARC_M / fan.range_m))))
    arc = np.linspace(0.0, fan.sweep_rad, chords + 1)
    every = np.unique(np.concatenate([arc, angle[(angle > 0.0) & (angle < fan.sweep_rad)]]))
    return np.asarray(every[np.concatenate([[True], np.diff(every) > ANGLE_RAD])])


def _crossings(cuts: FloatArray) -> FloatArray:
    """Points (m, 2) where two lines cross between their ends."""
    i, j = np.triu_indices(len(cuts), 1)
    a, c = cuts[i, 0], cuts[j, 0]
    ab, cd = cuts[i, 1] - a, cuts[j, 1] - c
    det = _cross(ab, cd)
    safe = np.where(det == 0.0, 1.0, det)
    t, u = _cross(c - a, cd) / safe, _cross(c - a, ab) / safe
    keep = (det != 0.0) & (t > 0.0) & (t < 1.0) & (u > 0.0) & (u < 1.0)
    return np.asarray(a[keep] + t[keep, None] * ab[keep])


def _nearest(ray: FloatArray, cuts: FloatArray) -> IndexArray:
    """Index of the line that each direction meets first, -1 for none."""
    if not len(cuts):
        return np.full(len(ray), -1)
    a, along = cuts[:, 0], cuts[:, 1] - cuts[:, 0]
    det = ray[:, :1] * along[:, 1] - ray[:, 1:] * along[:, 0]
    safe = np.where(det == 0.0, 1.0, det)
    t = _cross(a, along) / safe
    u = (a[:, 0] * ray[:, 1:] - a[:, 1] * ray[:, :1]) / safe
    hit = (det != 0.0) & (t > 0.0) & (u >= 0.0) & (u <= 1.0)
    t = np.where(hit, t, np.inf)
    index = t.argmin(axis=1)
    return np.where(np.isfinite(t[np.arange(len(ray)), index]), index, -1)


def _on(fan: Frame, cuts: FloatArray, nearest: IndexArray, angle: FloatArray) -> FloatArray:
    """Points (m, 2) at given angles on the lines seen there, or on the arc of the range."""
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    reach = np.full(len(angle), fan.range_m)
    seen = np.flatnonzero(nearest >= 0)
    a, along = cuts[nearest[seen], 0], cuts[nearest[seen], 1] - cuts[nearest[seen], 0]
    det = _cross(ray[seen], along)
    reach[seen] = np.minimum(np.abs(_cross(a, along)) / np.maximum(np.abs(det), 1e-300), fan.range_m)
    return np.asarray(reach[:, None] * ray)

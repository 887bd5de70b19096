"""Compiled back end of many poses; see `sillcast.kernel.poses`, and `_numba_clip` for what holds for compiled code."""

from collections.abc import Iterable

import numpy as np

from sillcast.kernel._numba import _count
from sillcast.kernel._numba_clip import clip_rays, compiled, floor_entry
from sillcast.kernel._numpy import BoolArray, CountArray, IntArray, MarkArray, Packed, Scan
from sillcast.kernel.frame import FloatArray

__all__ = ["judge"]

LEVEL = 1e-12  # a ray that rises less than this share of its length is taken to rise by as much
SLACK_M = 1e-6  # a ray this near to the places looked at is kept: far more than rounding, far less than a cell


def judge(
    model: tuple[FloatArray, FloatArray, FloatArray, IntArray],
    poses: tuple[FloatArray, FloatArray],
    packed: Packed,
    scans: list[tuple[int, Scan, int]],
    rule: tuple[float, int, BoolArray],
    marks: MarkArray,
    left: MarkArray,
) -> IntArray:
    """Marks 1 and 2 left for each pose (P, 2); see `sillcast.kernel._poses_numpy.judge`."""
    table = np.array([[*scan, first, layer] for layer, scan, first in scans], dtype=np.float64)
    found = np.zeros((len(poses[0]), 2), dtype=np.int64)
    own = np.vstack([model[0].T, model[1].T, model[2]])
    _judge((own, model[3]), poses, packed, (table, _boxes(scan for _, scan, _ in scans)), rule, marks, left, found)
    return found


def _boxes(scans: Iterable[Scan]) -> FloatArray:
    """For each floor plane its level and slope, and the box above it in which a ray may count (floors, 8).

    The box is the least height, x and y, then the greatest.
    """
    boxes: dict[tuple[float, float], FloatArray] = {}
    for scan in scans:
        c, s, floor = abs(scan.cos), abs(scan.sin), (scan.level, scan.slope)
        x, y = scan.a * c + scan.b * s, scan.a * s + scan.b * c
        x1, y1 = scan.x_m + (scan.columns - 1) * scan.cell_m, scan.y_m + (scan.rows - 1) * scan.cell_m
        low, high = np.array([scan.low, scan.x_m - x, scan.y_m - y]), np.array([scan.high, x1 + x, y1 + y])
        box = np.concatenate([low - SLACK_M, -high - SLACK_M])
        boxes[floor] = np.minimum(boxes.get(floor, box), box)
    return np.array([[*floor, *box[:3], *-box[3:]] for floor, box in boxes.items()]).reshape(-1, 8)


@compiled
def _judge(
    model: tuple[FloatArray, IntArray],
    poses: tuple[FloatArray, FloatArray],
    packed: Packed,
    tables: tuple[FloatArray, FloatArray],
    rule: tuple[float, int, BoolArray],
    marks: MarkArray,
    left: MarkArray,
    found: IntArray,
) -> None:
    """Pose by pose; a row of the first table is a scan, one of the second the box in which rays may count."""
    (origins, matrices), (table, boxes), (lift_m, least_hits, voids) = poses, tables, rule
    own, own_bounds = model
    rays = own.shape[1]
    at, near = np.empty((6, rays)), np.empty(rays, dtype=np.bool_)
    o, d, range_m, bounds = np.empty((rays, 3)), np.empty((rays, 3)), np.empty(rays), np.empty_like(own_bounds)
    start, length, stop = np.zeros(rays), np.empty(rays), np.empty(rays, dtype=np.int64)
    rows, columns = marks.shape
    counts = np.empty((rows, columns), dtype=np.int32)
    across, along = np.zeros((rows, columns + 1), dtype=np.int32), np.zeros((rows + 1, columns), dtype=np.int32)
    for pose in range(len(origins)):
        _place_rays(own, origins[pose], matrices[pose], boxes, at, near)
        _gather(at, near, own[6], own_bounds, o, d, range_m, bounds)
        n = bounds[-1]
        clip_rays(o[:n], d[:n], range_m[:n], packed, length[:n], stop[:n])
        _void(stop[:n], voids, length[:n])
        if lift_m > 0.0:
            _end_above(o[:n], d[:n], packed.floor, lift_m, length[:n])
        mine = left[pose % len(left)]
        mine[:] = marks
        for row in table:
            scan, first, layer = _scan_of(row), int(row[-2]), min(int(row[-1]), len(mine) - 1)
            some = counts[: scan.rows]
            some[:] = 0
            _count((o[:n], d[:n], start[:n], length[:n]), bounds, scan, across, along, some)
            _strike(some, least_hits, mine[layer, first : first + scan.rows])
        _tally(mine[0], found[pose])


@compiled
def _place_rays(
    own: FloatArray, origin: FloatArray, matrix: FloatArray, boxes: FloatArray, at: FloatArray, near: BoolArray
) -> None:
    """Rays of the sensor frame, columns of `own` (7, n), in the door frame, and which of them may count.

    Loop by loop, so that each goes through vector registers.
    """
    for axis in range(3):
        m0, m1, m2, o = matrix[axis, 0], matrix[axis, 1], matrix[axis, 2], origin[axis]
        for i in range(len(near)):
            at[axis, i] = o + (m0 * own[0, i] + m1 * own[1, i] + m2 * own[2, i])
        for i in range(len(near)):
            at[3 + axis, i] = m0 * own[3, i] + m1 * own[4, i] + m2 * own[5, i]
    near[:] = False
    for b in range(len(boxes)):
        _meet_box(at, own[6], boxes[b], near)


@compiled
def _meet_box(at: FloatArray, range_m: FloatArray, box: FloatArray, near: BoolArray) -> None:
    """Mark the rays whose piece between two heights above a floor has a bounding box that meets the places'."""
    level, slope, z0, x0, y0, z1, x1, y1 = box
    o_x, o_y, o_z, d_x, d_y, d_z = at
    for i in range(len(near)):
        o_h, d_h = o_z[i] - level - slope * o_y[i], d_z[i] - slope * d_y[i]
        d_h = d_h if abs(d_h) > LEVEL else LEVEL
        a, b = (z0 - o_h) / d_h, (z1 - o_h) / d_h
        t0, t1 = max(0.0, min(a, b)), min(range_m[i], max(a, b))
        a_x, b_x, a_y, b_y = o_x[i] + t0 * d_x[i], o_x[i] + t1 * d_x[i], o_y[i] + t0 * d_y[i], o_y[i] + t1 * d_y[i]
        along = (max(a_x, b_x) >= x0) & (min(a_x, b_x) <= x1) & (max(a_y, b_y) >= y0) & (min(a_y, b_y) <= y1)
        near[i] = near[i] | ((t0 <= t1) & along)


@compiled
def _gather(
    at: FloatArray, near: BoolArray, own_range: FloatArray, own_bounds: IntArray,
    o: FloatArray, d: FloatArray, range_m: FloatArray, bounds: IntArray,
) -> None:  # fmt: skip
    """Put the marked rays next to each other, group by group."""
    n = bounds[0] = 0
    for group in range(len(own_bounds) - 1):
        for i in range(own_bounds[group], own_bounds[group + 1]):
            if near[i]:
                o[n, 0], o[n, 1], o[n, 2] = at[0, i], at[1, i], at[2, i]
                d[n, 0], d[n, 1], d[n, 2] = at[3, i], at[4, i], at[5, i]
                range_m[n] = own_range[i]
                n += 1
        bounds[group + 1] = n


@compiled
def _void(stop: IntArray, voids: BoolArray, length: FloatArray) -> None:
    """Take away the rays that a prism stops which voids them."""
    for i in range(len(stop)):
        if stop[i] >= 0 and voids[stop[i]]:
            length[i] = 0.0


@compiled
def _end_above(
    o: FloatArray, d: FloatArray, floors: tuple[float, float, float, float], lift_m: float, length: FloatArray
) -> None:
    """End rays where they come within a margin of the floor."""
    for i in range(len(length)):
        near = floor_entry(o[i], d[i], -1.0, floors[0] + lift_m, floors[1])
        length[i] = min(length[i], near, floor_entry(o[i], d[i], 1.0, floors[2] + lift_m, floors[3]))


@compiled
def _scan_of(row: FloatArray) -> Scan:
    """Scan from its numbers."""
    return Scan(
        int(row[0]),
        row[1],
        row[2],
        row[3],
        row[4],
        row[5],
        row[6],
        row[7],
        row[8],
        row[9],
        row[10],
        row[11],
        row[12],
        row[13],
        row[14],
        row[15],
        row[16],
        row[17],
        row[18],
        int(row[19]),
        int(row[20]),
    )


@compiled
def _strike(counts: CountArray, least_hits: int, left: MarkArray) -> None:
    """Clear the marks of places with too few hits."""
    rows, columns = counts.shape
    for j in range(rows):
        for i in range(columns):
            left[j, i] = left[j, i] if counts[j, i] >= least_hits else np.uint8(0)


@compiled
def _tally(left: MarkArray, found: IntArray) -> None:
    """Count the places marked 1 and those marked 2."""
    for mark in left.reshape(-1):
        found[0] += mark & 1
        found[1] += mark >> 1

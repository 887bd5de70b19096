"""Compiled back end of the ray core: `_numpy` says what it computes, `_numba_clip` what holds for compiled code."""

from math import ceil, floor, sqrt

import numpy as np
import numpy.typing as npt

from sillcast.kernel._numba_clip import clip, clip_rays, compiled, floor_entry, inlined, narrowed, plain
from sillcast.kernel._numpy import BOX, FAR, FLAT, ROUND, TURNED, BoolArray, CountArray, IntArray, Packed, Scan
from sillcast.kernel.frame import FloatArray

__all__ = ["clip", "collect", "fill", "score"]

Span = tuple[float, float, float, float, float, float]  # both ends of a piece of a ray, u, v, w, in cells
Shape = tuple[Span, float, float]  # a piece with the half sides of the shape to sum with, in cells
IndexArray = npt.NDArray[np.int32]
MarkArray = npt.NDArray[np.uint8]


def fill(
    o: FloatArray, d: FloatArray, start: FloatArray, end: FloatArray, scan: Scan, across: CountArray, along: CountArray
) -> None:
    """Add the rays' pieces to two difference arrays (rows, columns + 1) and (rows + 1, columns)."""
    _fill(plain(o), plain(d), plain(start), plain(end), scan, across.reshape(-1), along.reshape(-1))


def collect(across: CountArray, along: CountArray, most: CountArray) -> None:
    """Raise `most` (rows, columns) to the counts of the two difference arrays, and clear these."""
    _collect(across, along, most)


@inlined
def _slab(o_h: float, d_h: float, low: float, high: float, end: float) -> tuple[float, float]:
    """Interval of [0, end] in which the height o_h + t d_h is in [low, high]; empty where reversed."""
    t_in, t_out = narrowed(0.0, end, o_h - high, d_h)
    return narrowed(t_in, t_out, low - o_h, -d_h)


@inlined
def _reach(scan: Scan, a: float, b: float, crossed: bool) -> float:
    """How far the shape reaches across the lines on each side, in cells."""
    if scan.kind == TURNED:
        return a * scan.cos + b * scan.sin if crossed else a * scan.sin + b * scan.cos
    return a if crossed else b


@inlined
def _lines_met(v0: float, v1: float, reach: float, count: int) -> tuple[int, int]:
    """First line and number of lines, of `count`, that a piece reaches with its shape."""
    first = ceil(min(max(min(v0, v1) - reach, 0.0), float(count)))
    last = floor(min(max(max(v0, v1) + reach, -1.0), count - 1.0))
    return first, max(last - first + 1, 0)


@inlined
def _piece(o: FloatArray, d: FloatArray, end: float, scan: Scan, bar: bool) -> tuple[bool, Span, float, float]:
    """Piece of a ray up to `end` as high as the shape (or the bar): whether there is one, its ends, half sides."""
    o_h = o[2] - scan.level - scan.slope * o[1]
    d_h = d[2] - scan.slope * d[1]
    if bar:
        radius = -(scan.spot + end * scan.spread)
        a, b, low, high = scan.bar_a, scan.bar_b, scan.bar_low, scan.bar_high
    else:
        a, b, low, high = scan.a, scan.b, scan.low, scan.high
        radius = scan.spot
        if scan.spread > 0.0:
            radius += _slab(o_h, d_h, low, high, end)[1] * scan.spread
    t0, t1 = _slab(o_h, d_h, low, high - radius, end)
    on = end > 0.0 and (t0 < t1 if bar else (t0 <= t1 and a >= radius and b >= radius))
    inverse = 1.0 / scan.cell_m
    piece = (
        (o[0] + t0 * d[0] - scan.x_m) * inverse,
        (o[1] + t0 * d[1] - scan.y_m) * inverse,
        (o_h + t0 * d_h - scan.centre) * inverse,
        (o[0] + t1 * d[0] - scan.x_m) * inverse,
        (o[1] + t1 * d[1] - scan.y_m) * inverse,
        (o_h + t1 * d_h - scan.centre) * inverse,
    )
    return on, piece, (a - radius) * inverse, (b - radius) * inverse


@inlined
def _crossed(p: Span) -> Span:
    """The same piece with rows and columns exchanged."""
    return p[1], p[0], p[2], p[4], p[3], p[5]


@inlined
def _leaning(p: Span) -> tuple[bool, float, float]:
    """Whether a piece crosses lines, its slope k, and where it crosses line 0."""
    du, dv = p[3] - p[0], p[4] - p[1]
    lean = abs(dv) > FLAT
    k = du / dv if lean else 0.0
    return lean, k, p[0] - k * p[1]


@inlined
def _place(line: int, lo: float, hi: float, count: int, cells: IndexArray) -> None:
    """Write the first cell, and the one past the last, of a line's interval; equal where there is none."""
    cells[0, line] = np.int32(np.ceil(min(max(lo, 0.0), float(count))))
    past = np.int32(np.floor(min(max(hi, -1.0), count - 1.0))) + np.int32(1)
    cells[1, line] = max(past, cells[0, line])


@inlined
def _place_box(first: int, lines: int, shape: Shape, count: int, cells: IndexArray) -> None:
    """Intervals of lines of segment (+) box; see `_numpy._box_row`. Whole fours of lines go to vector registers."""
    p, a, b = shape
    lean, k, middle = _leaning(p)
    width = a + b * abs(k) if lean else FAR
    left, right, low, high = middle - width, middle + width, min(p[0], p[3]) - a, max(p[0], p[3]) + a
    begins, pasts, top = cells[0], cells[1], float(count)
    for line in range((lines + 3) // 4 * 4):
        shift = k * float(np.int32(first + line))
        begin = np.int32(np.ceil(min(max(low, left + shift, 0.0), top)))
        past = np.int32(np.floor(min(max(min(high, right + shift), -1.0), top - 1.0))) + np.int32(1)
        begins[line] = begin
        pasts[line] = max(past, begin)


@inlined
def _place_turned(
    first: int, lines: int, shape: Shape, turn: tuple[float, float], count: int, cells: IndexArray
) -> None:
    """Intervals of lines of segment (+) turned box, `turn` the cosine and sine; see `_numpy._box_row`."""
    p, a, b = shape
    c, s = turn
    j, i = s / c, c / s
    lean, k, middle = _leaning(p)
    width = a * abs(c - k * s) + b * abs(s + k * c) if lean else FAR
    m0, m1, n0, n1 = p[0] + j * p[1], p[3] + j * p[4], p[0] - i * p[1], p[3] - i * p[4]
    for line in range(lines):
        v = float(first + line)
        lo = max(min(m0, m1) - a / c - j * v, min(n0, n1) - b / s + i * v)
        hi = min(max(m0, m1) + a / c - j * v, max(n0, n1) + b / s + i * v)
        _place(line, max(lo, (middle - width) + k * v), min(hi, (middle + width) + k * v), count, cells)


@inlined
def _round_row(p: Span, a: float, v: float) -> tuple[float, float]:
    """Interval of the line v in segment (+) ball, or disc if all heights are 0; see `_numpy._round_row`."""
    du, dv, w0, dw = p[3] - p[0], p[4] - p[1], p[2], p[5] - p[2]
    g = dv * dv + dw * dw
    across = v - p[1]
    if g > FLAT * FLAT:
        off = across * dw + w0 * dv
        middle = (across * dv - w0 * dw) / g
        h2 = a * a - off * off / g
        shift = du / sqrt(g * (g + du * du))
    else:
        g, middle, h2 = 0.0, 0.0, a * a - (across * across + w0 * w0)
        shift = np.sign(du) * FAR
    lean_by = sqrt(max(h2, 0.0)) * shift
    s_hi, s_lo = min(max(middle + lean_by, 0.0), 1.0), min(max(middle - lean_by, 0.0), 1.0)
    r2_hi = h2 - g * (s_hi - middle) * (s_hi - middle)
    r2_lo = h2 - g * (s_lo - middle) * (s_lo - middle)
    if h2 < 0.0 or r2_hi < 0.0 or r2_lo < 0.0:
        return FAR, -FAR
    return p[0] + s_lo * du - sqrt(r2_lo), p[0] + s_hi * du + sqrt(r2_hi)


@compiled
def _place_shape(first: int, lines: int, shape: Shape, scan: Scan, crossed: bool, cells: IndexArray) -> None:
    """Intervals of lines of a shape that need not be fast."""
    count = scan.rows if crossed else scan.columns
    p, a, b = shape
    if scan.kind == TURNED:
        _place_turned(first, lines, shape, (scan.sin, scan.cos) if crossed else (scan.cos, scan.sin), count, cells)
    elif scan.kind == BOX:
        _place_box(first, lines, (p, b, a) if crossed else shape, count, cells)
    else:
        if scan.kind == ROUND:
            p = (p[0], p[1], 0.0, p[3], p[4], 0.0)
        for line in range(lines):
            lo, hi = _round_row(p, a, float(first + line))
            _place(line, lo, hi, count, cells)


@inlined
def _scatter(target: CountArray, first: int, lines: int, cells: IndexArray, strides: tuple[int, int]) -> None:
    """Add 1 to the cells of each line as differences; strides between lines and between cells of the flat target."""
    at, step, stride = np.uint64(first * strides[0]), np.uint64(strides[0]), np.uint64(strides[1])
    begins, pasts = cells[0], cells[1]
    for line in range(lines):
        target[at + np.uint64(begins[line]) * stride] += 1
        target[at + np.uint64(pasts[line]) * stride] -= 1
        at += step


@compiled
def _bar(first: int, lines: int, met: tuple[int, int], cells: IndexArray, barred: IndexArray) -> None:
    """Turn the bar's intervals into its common part with the shape's, reversed: added, they take that part away."""
    for line in range(lines):
        begin, past = max(cells[0, line], barred[0, line]), min(cells[1, line], barred[1, line])
        if first + line < met[0] or first + line >= met[0] + met[1]:
            past = begin
        barred[0, line], barred[1, line] = max(past, begin), begin


@compiled
def _fill(
    o: FloatArray, d: FloatArray, start: FloatArray, end: FloatArray, scan: Scan, across: CountArray, along: CountArray
) -> None:
    """Add each ray's piece along the rows or along the columns, whichever are fewer; targets are flat."""
    cells = np.empty((2, max(scan.rows, scan.columns) + 3), dtype=np.int32)
    barred = np.empty_like(cells)
    for i in range(len(end)):
        on, p, a, b = _piece(o[i], d[i], end[i], scan, False)
        if not on:
            continue
        row, rows = _lines_met(p[1], p[4], _reach(scan, a, b, False), scan.rows)
        column, columns = _lines_met(p[0], p[3], _reach(scan, a, b, True), scan.columns)
        if rows == 0 or columns == 0:
            continue
        crossed = rows > columns
        target, first, lines = (along, column, columns) if crossed else (across, row, rows)
        strides = (1, scan.columns) if crossed else (scan.columns + 1, 1)
        if scan.kind != BOX:
            _place_shape(first, lines, (_crossed(p) if crossed else p, a, b), scan, crossed, cells)
        elif crossed:
            _place_box(first, lines, (_crossed(p), b, a), scan.rows, cells)
        else:
            _place_box(first, lines, (p, a, b), scan.columns, cells)
        _scatter(target, first, lines, cells, strides)
        if start[i] > 0.0:
            on, p, a, b = _piece(o[i], d[i], start[i], scan, True)
            if on:
                p = _crossed(p) if crossed else p
                met = _lines_met(p[1], p[4], _reach(scan, a, b, crossed), scan.columns if crossed else scan.rows)
                _place_shape(first, lines, (p, a, b), scan, crossed, barred)
                _bar(first, lines, met, cells, barred)
                _scatter(target, first, lines, barred, strides)


# --- many poses -----------------------------------------------------------------------------------------------------


def score(
    model: tuple[FloatArray, FloatArray, FloatArray, IntArray],
    origins: FloatArray,
    matrices: FloatArray,
    packed: Packed,
    scans: list[tuple[Scan, int]],
    rule: tuple[float, int, BoolArray],
    marks: MarkArray,
) -> IntArray:
    """Marked places at which a body is detected, for each pose; see `sillcast.kernel.poses.score_poses`.

    `rule` is the height above the floor at which a ray ends, the least hits, and which prisms void the rays they stop.
    """
    table = np.array([[*scan, first] for scan, first in scans], dtype=np.float64)
    found = np.zeros((len(origins), 2), dtype=np.int64)
    own = (plain(model[0]), plain(model[1]), plain(model[2]), model[3])
    _score(own, (origins, matrices), packed, table, rule, marks, found)
    return found


@compiled
def _score(
    model: tuple[FloatArray, FloatArray, FloatArray, IntArray],
    poses: tuple[FloatArray, FloatArray],
    packed: Packed,
    table: FloatArray,
    rule: tuple[float, int, BoolArray],
    marks: MarkArray,
    found: IntArray,
) -> None:
    """Count, pose by pose, the marked places with enough hits in all scans; a scan is a row of `table`."""
    (origins, matrices), (lift_m, least_hits, voids) = poses, rule
    own_o, own_d, range_m, bounds = model
    o, d, start = np.empty_like(own_o), np.empty_like(own_d), np.zeros_like(range_m)
    length, stop = np.empty_like(range_m), np.empty(len(range_m), dtype=np.int64)
    rows, columns = marks.shape
    left, counts = np.empty_like(marks), np.empty((rows, columns), dtype=np.int32)
    across, along = np.zeros((rows, columns + 1), dtype=np.int32), np.zeros((rows + 1, columns), dtype=np.int32)
    for pose in range(len(origins)):
        _place_rays(own_o, own_d, origins[pose], matrices[pose], o, d)
        clip_rays(o, d, range_m, packed, length, stop)
        _void(stop, voids, length)
        if lift_m > 0.0:
            _end_above(o, d, packed.floor, lift_m, length)
        left[:] = marks
        for row in table:
            scan, first = _scan_of(row), int(row[-1])
            some = counts[: scan.rows]
            some[:] = 0
            for group in range(len(bounds) - 1):
                part = slice(bounds[group], bounds[group + 1])
                _fill(o[part], d[part], start[part], length[part], scan, across.reshape(-1), along.reshape(-1))
                _collect(across, along, some)
            _strike(some, least_hits, left[first : first + scan.rows])
        _tally(left, found[pose])


@compiled
def _void(stop: IntArray, voids: BoolArray, length: FloatArray) -> None:
    """Take away the rays that a prism stops which voids them."""
    for i in range(len(stop)):
        if stop[i] >= 0 and voids[stop[i]]:
            length[i] = 0.0


@compiled
def _place_rays(
    own_o: FloatArray, own_d: FloatArray, origin: FloatArray, matrix: FloatArray, o: FloatArray, d: FloatArray
) -> None:
    """Rays of the sensor frame in the door frame."""
    for i in range(len(own_d)):
        for axis in range(3):
            m0, m1, m2 = matrix[axis, 0], matrix[axis, 1], matrix[axis, 2]
            o[i, axis] = origin[axis] + (m0 * own_o[i, 0] + m1 * own_o[i, 1] + m2 * own_o[i, 2])
            d[i, axis] = m0 * own_d[i, 0] + m1 * own_d[i, 1] + m2 * own_d[i, 2]


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
def _collect(across: CountArray, along: CountArray, most: CountArray) -> None:
    """Running sums, row by row, each part of the work in a loop of its own, for vector registers."""
    rows, columns = most.shape
    for j in range(rows):
        for i in range(columns):
            along[j + 1, i] += along[j, i]
        total = np.int32(0)
        for i in range(columns):
            total += across[j, i]
            along[j, i] += total
        for i in range(columns):
            most[j, i] = max(most[j, i], along[j, i])
        across[j, :] = 0
        along[j, :] = 0
    along[rows, :] = 0


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

"""Compiled back end of the ray core: `_numpy` says what it computes, `_numba_clip` what holds for compiled code."""

from math import ceil, floor, inf, sqrt

import numpy as np
import numpy.typing as npt

from sillcast.kernel._numba_clip import clip, compiled, inlined, narrowed, plain
from sillcast.kernel._numpy import BOX, FAR, FLAT, ROUND, TURNED, CountArray, IntArray, Scan
from sillcast.kernel._spans_numpy import BORDER_M, SPAN_M
from sillcast.kernel.frame import FloatArray

__all__ = ["clip", "convex_parts", "count", "inside"]

Span = tuple[float, float, float, float, float, float]  # both ends of a piece of a ray, u, v, w, in cells
Shape = tuple[Span, float, float]  # a piece with the half sides of the shape to sum with, in cells
Box = tuple[int, int, int, int]  # first row, row past the last, first column, column past the last
IndexArray = npt.NDArray[np.int32]


def count(
    rays: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    bounds: IntArray,
    scan: Scan,
    across: CountArray,
    along: CountArray,
    most: CountArray,
) -> None:
    """Raise `most` (rows, columns) to the counts of each group of rays; see `_numpy.count`."""
    o, d, start, end = rays
    _count((plain(o), plain(d), plain(start), plain(end)), bounds, scan, across, along, most)


def convex_parts(
    o: FloatArray, d: FloatArray, end: FloatArray, plane: tuple[float, float], edges: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Part of each ray inside a convex ring and above a plane; see `_numpy.convex_parts`."""
    ray, begin, past = np.empty(len(end), dtype=np.int64), np.empty(len(end)), np.empty(len(end))
    count = _convex_parts((plain(o), plain(d), plain(end)), plane, edges, (ray, begin, past))
    return ray[:count], begin[:count], past[:count]


def inside(edges: FloatArray, rows: int, columns: int) -> npt.NDArray[np.bool_]:
    """Cells (rows, columns) inside closed borders by parity; see `_numpy.inside`."""
    cells = np.zeros((rows, columns), dtype=np.bool_)
    _toggle(plain(edges), cells)
    return cells


@compiled
def _toggle(edges: FloatArray, cells: npt.NDArray[np.bool_]) -> None:
    rows, columns = cells.shape
    for k in range(len(edges)):
        ax, ay, bx, by = edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3]
        for row in range(max(ceil(min(ay, by)), 0), min(ceil(max(ay, by)), rows)):
            column = max(ceil(ax + (row - ay) * ((bx - ax) / (by - ay))), 0)
            if column < columns:
                cells[row, column] = not cells[row, column]
    for row in range(rows):
        odd = False
        for column in range(columns):
            odd = odd != cells[row, column]
            cells[row, column] = odd


@compiled
def _convex_parts(
    rays: tuple[FloatArray, FloatArray, FloatArray],
    plane: tuple[float, float],
    edges: FloatArray,
    out: tuple[IntArray, FloatArray, FloatArray],
) -> int:
    o, d, end = rays
    ray, begin, past = out
    level, rise = plane
    count = 0
    for i in range(len(end)):
        x, y = o[i, 0], o[i, 1]
        t0, t1 = _limited(o[i, 2] - (level + rise * y), rise * d[i, 1] - d[i, 2], 0.0, 0.0, end[i])
        for k in range(len(edges)):
            e_x, e_y, way = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1], edges[k, 4]
            at, per = (edges[k, 0] - x) * e_y - (edges[k, 1] - y) * e_x, d[i, 0] * e_y - d[i, 1] * e_x
            t0, t1 = _limited(way * at, way * per, BORDER_M * sqrt(e_x * e_x + e_y * e_y), t0, t1)
        if t1 - t0 >= SPAN_M:
            ray[count], begin[count], past[count] = i, t0, t1
            count += 1
    return count


@inlined
def _limited(at: float, per: float, border: float, t0: float, t1: float) -> tuple[float, float]:
    """Interval [t0, t1] cut by the half-space at - t per >= 0; beside it for good, give or take the border, empty."""
    if per == 0.0:
        return t0, (t1 if at + border >= 0.0 else -inf)
    mark = at / per
    return (max(t0, mark), t1) if per < 0.0 else (t0, min(t1, mark))


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
            radius += max(_slab(o_h, d_h, low, high, end)[1], 0.0) * scan.spread
        low = max(low, radius)
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
) -> Box:
    """Add each ray's piece along the rows or along the columns, whichever are fewer; targets are flat.

    Returns the box of cells that were met, a cell wider on each side, so that rounding never leaves one out.
    """
    cells = np.empty((2, max(scan.rows, scan.columns) + 3), dtype=np.int32)
    barred = np.empty_like(cells)
    top, bottom, left, right = scan.rows, 0, scan.columns, 0
    for i in range(len(end)):
        on, p, a, b = _piece(o[i], d[i], end[i], scan, False)
        if not on:
            continue
        row, rows = _lines_met(p[1], p[4], _reach(scan, a, b, False), scan.rows)
        column, columns = _lines_met(p[0], p[3], _reach(scan, a, b, True), scan.columns)
        if rows == 0 or columns == 0:
            continue
        top, bottom = min(top, row), max(bottom, row + rows)
        left, right = min(left, column), max(right, column + columns)
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
    return max(top - 1, 0), min(bottom + 1, scan.rows), max(left - 1, 0), min(right + 1, scan.columns)


@compiled
def _count(
    rays: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    bounds: IntArray,
    scan: Scan,
    across: CountArray,
    along: CountArray,
    most: CountArray,
) -> None:
    """Group by group, so that only the cells that a group meets are summed up."""
    o, d, start, end = rays
    for group in range(len(bounds) - 1):
        part = slice(bounds[group], bounds[group + 1])
        met = _fill(o[part], d[part], start[part], end[part], scan, across.reshape(-1), along.reshape(-1))
        _collect_box(across, along, most, met)


@compiled
def _collect_box(across: CountArray, along: CountArray, most: CountArray, box: Box) -> None:
    """Running sums, row by row, each part of the work in a loop of its own, for vector registers."""
    top, bottom, left, right = box
    for j in range(top, bottom):
        for i in range(left, right):
            along[j + 1, i] += along[j, i]
        total = np.int32(0)
        for i in range(left, right):
            total += across[j, i]
            along[j, i] += total
        for i in range(left, right):
            most[j, i] = max(most[j, i], along[j, i])
        across[j, left : right + 1] = 0
        along[j, left:right] = 0
    if top < bottom:
        along[bottom, left:right] = 0

"""Plain numpy back end of the ray core; `_numba` holds its compiled twin, which returns equal numbers.

Both do the same floating-point operations in the same order, so that lengths are equal to the last bit and counts
are equal integers, ties included. The formulas are explained here, once; the twin only adds what saves time.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sillcast.kernel._spans_numpy import BORDER_M, SPAN_M
from sillcast.kernel.frame import FloatArray

__all__ = [
    "BOX",
    "CLOSED_M",
    "FAR",
    "FLAT",
    "FLOOR",
    "RANGE",
    "ROUND",
    "SPHERE",
    "TOUCH_M",
    "TURNED",
    "Packed",
    "Scan",
    "clip",
    "collect",
    "convex_entry",
    "convex_parts",
    "count",
    "fill",
    "floor_cuts",
    "inside",
    "touching",
]

IntArray = npt.NDArray[np.int64]
CountArray = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]
MarkArray = npt.NDArray[np.uint8]

TOUCH_M = (
    1e-6  # a prism this near to a ray's origin touches it: well above float64, well below what anybody can measure
)
CLOSED_M = 1e-9  # a ray this near to a solid meets it: no ray slips through where two solids meet
RANGE, FLOOR = -1, -2
FLAT = 1e-9  # a segment that rises less than this many cells lies in its row
FAR = 1e30  # a line this far away never limits a row
BOX, TURNED, ROUND, SPHERE = 0, 1, 2, 3
_PAIRS = 1 << 17  # pairs of segment and row in work at a time: bounds the memory of `fill`


class Packed(NamedTuple):
    """Surroundings as arrays: each prism is one convex piece, or several that share seams.

    `half` (E, 6) has outward unit normal, offset [m], 1 for a face or 0 for a seam, and the corner [m] where the edge
    begins; `first` (M + 1,) tells where each piece's half-planes begin; `owner` (M,) its prism; `box` (M, 6) its least
    x, y, greatest x, y, base and top [m]; `ring` (V, 4) the real edges as x, y, x, y [m]; `ring_first` (P + 1,) where
    each prism's edges begin; `floor` is near level [m], near rise, far level [m], far rise.
    """

    half: FloatArray
    first: IntArray
    owner: IntArray
    box: FloatArray
    ring: FloatArray
    ring_first: IntArray
    floor: tuple[float, float, float, float]


class Scan(NamedTuple):
    """What to rasterise, and where: one body on one floor plane, one grid. Lengths in metres.

    A ray's height above the floor plane is z - level - slope * y. A ray counts where the shape, standing on the plane
    from `low` to `high`, meets the ray's piece up to its end, and the `bar` shape, from `bar_low` to `bar_high`, does
    not meet the piece before its start. `a`, `b` are the half sides (radius twice for round shapes), `cos`, `sin` the
    turn, in [0, 90) degrees; a sphere's middle is `centre` above the plane; `spot` + t * `spread` is the beam's radius
    at the length t.
    """

    kind: int
    a: float
    b: float
    low: float
    high: float
    bar_a: float
    bar_b: float
    bar_low: float
    bar_high: float
    cos: float
    sin: float
    centre: float
    spot: float
    spread: float
    level: float
    slope: float
    x_m: float
    y_m: float
    cell_m: float
    columns: int
    rows: int


# --- clipping -------------------------------------------------------------------------------------------------------


def _entry(t_in: FloatArray, num: FloatArray, den: FloatArray) -> FloatArray:
    """Length at which rays are inside the half-space num + t den <= 0 too, if they ever are."""
    front = (num > CLOSED_M) & (den < 0.0)
    return np.maximum(t_in, np.divide(-num, den, out=np.zeros_like(t_in), where=front))


def convex_entry(cuts: list[tuple[FloatArray, FloatArray]], range_m: FloatArray) -> FloatArray:
    """Length at which rays enter the common part of half-spaces (num, den), FAR where they do not within their range.

    The entry is the last one into a half-space; the ray hits if that point is inside all of them, give or take 1e-9 m,
    which keeps rays from slipping through where two solids meet.
    """
    t = np.zeros_like(range_m)
    for num, den in cuts:
        t = _entry(t, num, den)
    met = t <= range_m
    for num, den in cuts:
        met &= num + t * den <= CLOSED_M
    return np.where(met, t, FAR)


def floor_cuts(
    o: FloatArray, d: FloatArray, side: float, level: float, rise: float
) -> list[tuple[FloatArray, FloatArray]]:
    """Half-spaces of the floor of one side (-1 near, 1 far): side * y >= 0 and z <= level + rise * side * y."""
    slope = side * rise
    return [(-side * o[:, 1], -side * d[:, 1]), (o[:, 2] - level - slope * o[:, 1], d[:, 2] - slope * d[:, 1])]


def _prism_cuts(
    o: FloatArray, d: FloatArray, half: FloatArray, z0: float, z1: float, shrink: float
) -> list[tuple[FloatArray, FloatArray]]:
    """Half-spaces of a convex piece, faces moved inwards by `shrink`."""
    cuts = [(o[:, 2] - z1 + shrink, d[:, 2]), (z0 - o[:, 2] + shrink, -d[:, 2])]
    for n_x, n_y, offset, face in half[:, :4]:
        cuts.append((o[:, 0] * n_x + o[:, 1] * n_y - offset + shrink * face, d[:, 0] * n_x + d[:, 1] * n_y))
    return cuts


def _goes_inward(cuts: list[tuple[FloatArray, FloatArray]], range_m: FloatArray) -> BoolArray:
    """Whether rays are in the common part for more than TOUCH_M."""
    t_in, t_out = np.zeros_like(range_m), range_m
    for num, den in cuts:
        t_in, t_out = _cut(t_in, t_out, num, den)
    return t_out - t_in > TOUCH_M


def _cut(t_in: FloatArray, t_out: FloatArray, num: FloatArray, den: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Interval [t_in, t_out] cut by the half-space num + t den <= 0; empty where t_in > t_out."""
    t = np.divide(-num, den, out=np.zeros_like(num), where=den != 0.0)
    t_in = np.where((den < 0.0) & (t > t_in), t, t_in)
    t_out = np.where((den > 0.0) & (t < t_out), t, t_out)
    return t_in, np.where((den == 0.0) & (num > 0.0), -1.0, t_out)


def touching(points: FloatArray, packed: Packed) -> tuple[BoolArray, BoolArray]:
    """Which prisms (n, P) have the points (n, 3) within 1e-6 m of their surface, and which strictly inside that."""
    n, prisms = len(points), len(packed.ring_first) - 1
    within = np.zeros((n, prisms), dtype=np.bool_)
    for piece, owner in enumerate(packed.owner):
        half = packed.half[packed.first[piece] : packed.first[piece + 1]]
        num = points[:, None, 0] * half[:, 0] + points[:, None, 1] * half[:, 1] - half[:, 2]
        within[:, owner] |= (num <= 0.0).all(axis=1)
    touches, inside = np.zeros_like(within), np.zeros_like(within)
    for prism in range(prisms):
        edges = packed.ring[packed.ring_first[prism] : packed.ring_first[prism + 1]]
        near = (_distance_squared(points, edges) <= TOUCH_M * TOUCH_M).any(axis=1)
        z0, z1 = packed.box[np.searchsorted(packed.owner, prism), 4:6]
        z = points[:, 2]
        level = (z >= z0 - TOUCH_M) & (z <= z1 + TOUCH_M)
        on_cap = (np.abs(z - z0) <= TOUCH_M) | (np.abs(z - z1) <= TOUCH_M)
        touches[:, prism] = (near & level) | ((near | within[:, prism]) & on_cap)
        inside[:, prism] = within[:, prism] & level & ~touches[:, prism]
    return touches, inside


def _distance_squared(points: FloatArray, edges: FloatArray) -> FloatArray:
    """Squared distance (n, E) from points to edges x, y, x, y in plan. [m2]"""
    w_x, w_y = points[:, None, 0] - edges[:, 0], points[:, None, 1] - edges[:, 1]
    e_x, e_y = edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]
    s = (w_x * e_x + w_y * e_y) / (e_x * e_x + e_y * e_y)
    s = np.minimum(np.maximum(s, 0.0), 1.0)
    g_x, g_y = w_x - s * e_x, w_y - s * e_y
    return np.asarray(g_x * g_x + g_y * g_y)


def clip(o: FloatArray, d: FloatArray, range_m: FloatArray, packed: Packed) -> tuple[FloatArray, IntArray]:
    """Free lengths and stops of rays; see `sillcast.kernel.clip.free_lengths`."""
    length, stop = range_m.copy(), np.full(len(range_m), RANGE, dtype=np.int64)
    for side, level, rise in ((-1.0, *packed.floor[:2]), (1.0, *packed.floor[2:])):
        t = convex_entry(floor_cuts(o, d, side, level, rise), range_m)
        stop[t < length] = FLOOR
        length = np.minimum(t, length)
    begins = np.append(True, (o[1:] != o[:-1]).any(axis=1))[: len(o)]
    touches = touching(o[begins], packed)[0][np.cumsum(begins) - 1]
    for piece, owner in enumerate(packed.owner):
        half = packed.half[packed.first[piece] : packed.first[piece + 1]]
        z0, z1 = packed.box[piece, 4:]
        t = convex_entry(_prism_cuts(o, d, half, z0, z1, 0.0), range_m)
        held = touches[:, owner]
        if held.any():
            inward = _goes_inward(_prism_cuts(o, d, half, z0, z1, TOUCH_M), range_m)
            t = np.where(held, np.where(inward, np.where(t <= 2.0 * TOUCH_M, 0.0, t), FAR), t)
        stop[t < length] = owner
        length = np.minimum(t, length)
    stop[length > range_m - TOUCH_M] = RANGE
    return length, stop


# --- counting -------------------------------------------------------------------------------------------------------


def convex_parts(
    o: FloatArray, d: FloatArray, end: FloatArray, plane: tuple[float, float], edges: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Part of each ray inside a convex ring and above a plane, one at most: its ray, begin and end (q,). [m]

    What `sillcast.kernel.parts.counting_parts` finds for any fields; `plane` is level [m] and rise along y, edges
    (k, 5) are x, y, x, y and the way round of the ring.
    """
    (x, y, z), (d_x, d_y, d_z) = o.T, d.T
    level, rise = plane
    limits = [((z - (level + rise * y)), rise * d_y - d_z)]
    for x0, y0, x1, y1, way in edges:
        e_x, e_y = x1 - x0, y1 - y0
        at, per = (x0 - x) * e_y - (y0 - y) * e_x, d_x * e_y - d_y * e_x
        border = BORDER_M * np.sqrt(e_x * e_x + e_y * e_y)
        limits.append((way * at + np.where(per == 0.0, border, 0.0), way * per))
    begin, past = np.zeros_like(end), end
    for at, per in limits:  # inside while at - t * per >= 0
        mark = np.divide(at, per, out=np.where(at >= 0.0, np.inf, -np.inf), where=per != 0.0)
        begin = np.where(per < 0.0, np.maximum(begin, mark), begin)
        past = np.where(per < 0.0, past, np.minimum(past, mark))
    ray = np.flatnonzero(past - begin >= SPAN_M)
    return ray, begin[ray], past[ray]


def count(
    rays: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    bounds: IntArray,
    scan: Scan,
    across: CountArray,
    along: CountArray,
    most: CountArray,
) -> None:
    """Raise `most` (rows, columns) to the counts of each group of rays.

    `rays` are origins, directions, start and end of the pieces that count; group g is from `bounds[g]` to before
    `bounds[g + 1]`. The difference arrays (rows, columns + 1) and (rows + 1, columns) come and go as zeros.
    """
    o, d, start, end = rays
    for first, past in pairwise(bounds.tolist()):
        part = slice(first, past)
        fill(o[part], d[part], start[part], end[part], scan, across, along)
        collect(across, along, most)


def _slab(
    o_h: FloatArray, d_h: FloatArray, low: FloatArray | float, high: FloatArray | float, end: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Interval of [0, end] in which the height o_h + t d_h is in [low, high]; empty where reversed."""
    t_in, t_out = _cut(np.zeros_like(end), end, o_h - high, d_h)
    return _cut(t_in, t_out, low - o_h, -d_h)


class _Pieces(NamedTuple):
    """Pieces of rays with the shape to sum with, in cells: ends (u, v, w) and half sides along the
    shape's own axes; `on` where there is one.
    """

    u0: FloatArray
    v0: FloatArray
    w0: FloatArray
    u1: FloatArray
    v1: FloatArray
    w1: FloatArray
    a: FloatArray
    b: FloatArray
    on: BoolArray

    def crossed(self) -> "_Pieces":
        """The same with rows and columns exchanged."""
        return _Pieces(self.v0, self.u0, self.w0, self.v1, self.u1, self.w1, self.a, self.b, self.on)

    def taken(self, which: IntArray) -> "_Pieces":
        """Only some of them."""
        return _Pieces._make(part[which] for part in self)


def _pieces(o: FloatArray, d: FloatArray, end: FloatArray, scan: Scan, bar: bool) -> _Pieces:
    """Pieces up to `end` that are as high as the shape (or the bar shape), projected, in cells.

    The shape shrinks by the beam's radius at the far end of the piece, so that only whole spots count, and none that
    falls on the floor in part; the bar shape grows by it, because part of a spot before the start is enough for doubt.
    """
    o_h = o[:, 2] - scan.level - scan.slope * o[:, 1]
    d_h = d[:, 2] - scan.slope * d[:, 1]
    if bar:
        radius = -(scan.spot + end * scan.spread)
        a, b, low, high = scan.bar_a, scan.bar_b, scan.bar_low, scan.bar_high
    else:
        a, b, low, high = scan.a, scan.b, scan.low, scan.high
        radius = scan.spot + np.maximum(_slab(o_h, d_h, low, high, end)[1], 0.0) * scan.spread
    t0, t1 = _slab(o_h, d_h, low if bar else np.maximum(low, radius), high - radius, end)
    on = (end > 0.0) & ((t0 < t1) if bar else (t0 <= t1) & (a >= radius) & (b >= radius))
    inverse = 1.0 / scan.cell_m
    places = [
        (
            (o[:, 0] + t * d[:, 0] - scan.x_m) * inverse,
            (o[:, 1] + t * d[:, 1] - scan.y_m) * inverse,
            (o_h + t * d_h - scan.centre) * inverse,
        )
        for t in (t0, t1)
    ]
    return _Pieces(*places[0], *places[1], (a - radius) * inverse, (b - radius) * inverse, on)


def _rows_met(p: _Pieces, scan: Scan, crossed: bool, count: int) -> tuple[IntArray, IntArray]:
    """First row and number of rows, of `count`, that the pieces reach with their shape."""
    if scan.kind == TURNED:
        reach = p.a * scan.cos + p.b * scan.sin if crossed else p.a * scan.sin + p.b * scan.cos
    else:
        reach = p.a if crossed else p.b
    first = np.ceil(np.minimum(np.maximum(np.minimum(p.v0, p.v1) - reach, 0.0), count))
    last = np.floor(np.minimum(np.maximum(np.maximum(p.v0, p.v1) + reach, -1.0), count - 1.0))
    return first.astype(np.int64), np.maximum(last - first + 1.0, 0.0).astype(np.int64)


def _box_row(p: _Pieces, v: FloatArray, scan: Scan, crossed: bool) -> tuple[FloatArray, FloatArray]:
    """Interval of the row v in segment (+) box: between up to three pairs of parallel lines u = c + k v.

    The pairs are parallel to the box's sides and to the segment [1]_; an unturned box's own pair is upright.

    References
    ----------
    .. [1] M. de Berg et al., Computational Geometry, 3rd ed., Springer 2008, section 13.3: the edges of a Minkowski
       sum of convex sets are parallel to edges of the sets.
    """
    du, dv = p.u1 - p.u0, p.v1 - p.v0
    lean = np.abs(dv) > FLAT
    k = np.divide(du, dv, out=np.zeros_like(du), where=lean)
    if scan.kind == BOX:
        a, b = (p.b, p.a) if crossed else (p.a, p.b)
        lo, hi = np.minimum(p.u0, p.u1) - a, np.maximum(p.u0, p.u1) + a
        width = a + b * np.abs(k)
    else:
        c, s = (scan.sin, scan.cos) if crossed else (scan.cos, scan.sin)
        j, i = s / c, c / s
        m0, m1, n0, n1 = p.u0 + j * p.v0, p.u1 + j * p.v1, p.u0 - i * p.v0, p.u1 - i * p.v1
        lo = np.maximum(np.minimum(m0, m1) - p.a / c - j * v, np.minimum(n0, n1) - p.b / s + i * v)
        hi = np.minimum(np.maximum(m0, m1) + p.a / c - j * v, np.maximum(n0, n1) + p.b / s + i * v)
        width = p.a * np.abs(c - k * s) + p.b * np.abs(s + k * c)
    middle = p.u0 - k * p.v0
    width = np.where(lean, width, FAR)
    return np.maximum(lo, (middle - width) + k * v), np.minimum(hi, (middle + width) + k * v)


def _round_row(p: _Pieces, v: FloatArray, scan: Scan) -> tuple[FloatArray, FloatArray]:
    """Interval of the row v in segment (+) disc, or in the level cut of segment (+) ball; reversed where empty.

    Along the segment, s in [0, 1], u(s) + sqrt(r2 - distance(s)2) is concave, so it is greatest at the clamped place of
    its free maximum; u(s) - sqrt(...) is least alike. The distance is that of the segment from (v, 0) in the (v, w)
    plane; for a disc w is 0. Own derivation, proven by tests/published/test_ray_casting.py.
    """
    flat = scan.kind == ROUND
    du, dv, w0 = p.u1 - p.u0, p.v1 - p.v0, 0.0 * p.w0 if flat else p.w0
    dw = 0.0 * p.w1 if flat else p.w1 - p.w0
    g = dv * dv + dw * dw
    lean = g > FLAT * FLAT
    across = v - p.v0
    off = across * dw + w0 * dv
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = np.where(lean, (across * dv - w0 * dw) / g, 0.0)
        h2 = p.a * p.a - np.where(lean, off * off / g, across * across + w0 * w0)
        shift = np.where(lean, du / np.sqrt(g * (g + du * du)), np.sign(du) * FAR)
    g = np.where(lean, g, 0.0)
    lean_by = np.sqrt(np.maximum(h2, 0.0)) * shift
    s_hi = np.minimum(np.maximum(middle + lean_by, 0.0), 1.0)
    s_lo = np.minimum(np.maximum(middle - lean_by, 0.0), 1.0)
    r2_hi = h2 - g * (s_hi - middle) * (s_hi - middle)
    r2_lo = h2 - g * (s_lo - middle) * (s_lo - middle)
    met = (h2 >= 0.0) & (r2_hi >= 0.0) & (r2_lo >= 0.0)
    hi = p.u0 + s_hi * du + np.sqrt(np.maximum(r2_hi, 0.0))
    lo = p.u0 + s_lo * du - np.sqrt(np.maximum(r2_lo, 0.0))
    return np.where(met, lo, FAR), np.where(met, hi, -FAR)


def _cells(p: _Pieces, v: FloatArray, scan: Scan, crossed: bool, count: int) -> tuple[IntArray, IntArray]:
    """First cell, and the one past the last, of each row interval; equal where there is none."""
    lo, hi = _box_row(p, v, scan, crossed) if scan.kind in (BOX, TURNED) else _round_row(p, v, scan)
    first = np.ceil(np.minimum(np.maximum(lo, 0.0), count)).astype(np.int64)
    past = np.floor(np.minimum(np.maximum(hi, -1.0), count - 1.0)).astype(np.int64) + 1
    return first, np.maximum(past, first)


def fill(
    o: FloatArray, d: FloatArray, start: FloatArray, end: FloatArray, scan: Scan, across: CountArray, along: CountArray
) -> None:
    """Add the rays' pieces to two difference arrays (rows, columns + 1) and (rows + 1, columns).

    Each piece is scanned along the rows or along the columns, whichever are fewer.
    """
    p, bar = _pieces(o, d, end, scan, False), _pieces(o, d, start, scan, True)
    rows, columns = _rows_met(p, scan, False, scan.rows), _rows_met(p.crossed(), scan, True, scan.columns)
    on = p.on & (rows[1] > 0) & (columns[1] > 0)
    by_rows = rows[1] <= columns[1]
    for crossed, span, target in ((False, rows, across), (True, columns, along)):
        which = np.flatnonzero(on & (by_rows ^ crossed))
        for part in np.split(which, np.flatnonzero(np.diff(np.cumsum(span[1][which]) // _PAIRS)) + 1):
            _fill_lines(p, bar, part, span, scan, target, crossed)


def _fill_lines(
    p: _Pieces,
    bar: _Pieces,
    which: IntArray,
    span: tuple[IntArray, IntArray],
    scan: Scan,
    target: CountArray,
    crossed: bool,
) -> None:
    """Add the pieces `which` line by line."""
    first, lines = span[0][which], span[1][which]
    each = np.repeat(which, lines)
    line = np.arange(len(each)) - np.repeat(np.cumsum(lines) - lines - first, lines)
    v, count, target_lines = line.astype(np.float64), scan.columns, scan.rows
    if crossed:
        count, target_lines = target_lines, count

    def cells(pieces: _Pieces) -> tuple[IntArray, IntArray]:
        return _cells((pieces.crossed() if crossed else pieces).taken(each), v, scan, crossed, count)

    begin, past = cells(p)
    _add(target, begin, past, line, 1, crossed)
    if bar.on[which].any():
        bar_first, bar_lines = _rows_met(bar.crossed() if crossed else bar, scan, crossed, target_lines)
        bar_begin, bar_past = cells(bar)
        bar_begin, bar_past = np.maximum(begin, bar_begin), np.minimum(past, bar_past)
        met = (line >= bar_first[each]) & (line < bar_first[each] + bar_lines[each])
        barred = bar.on[each] & met & (bar_begin < bar_past)
        _add(target, bar_begin[barred], bar_past[barred], line[barred], -1, crossed)


def _add(target: CountArray, begin: IntArray, past: IntArray, line: IntArray, amount: int, crossed: bool) -> None:
    """Add an amount over intervals of lines, as differences."""
    width = target.shape[1]
    at = (begin * width + line, past * width + line) if crossed else (line * width + begin, line * width + past)
    change = np.bincount(at[0], minlength=target.size) - np.bincount(at[1], minlength=target.size)
    target += (amount * change).reshape(target.shape).astype(np.int32)


def inside(edges: FloatArray, rows: int, columns: int) -> BoolArray:
    """Cells (rows, columns) inside closed borders by parity: an edge (x, y, x, y) toggles all that are right of it.

    Edges (n, 4) in cells, whose centres are whole numbers. Along a row an edge is met if one end lies above the centre.
    """
    ax, ay, bx, by = edges.T
    first = np.clip(np.ceil(np.minimum(ay, by)), 0, rows).astype(np.intp)
    count = np.clip(np.ceil(np.maximum(ay, by)), 0, rows).astype(np.intp) - first
    edge = np.repeat(np.arange(len(first)), count)
    row = first[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    x = ax[edge] + (row - ay[edge]) * ((bx - ax)[edge] / (by - ay)[edge])
    column = np.clip(np.ceil(x), 0, columns).astype(np.intp)
    wide = columns + 1
    toggles = np.bincount(row * wide + column, minlength=rows * wide).reshape(rows, wide)
    return np.asarray((np.cumsum(toggles, axis=1)[:, :-1] & 1).astype(np.bool_))


def collect(across: CountArray, along: CountArray, most: CountArray) -> None:
    """Raise `most` (rows, columns) to the counts of the two difference arrays, and clear these."""
    np.cumsum(along, axis=0, out=along)
    along[:-1] += np.cumsum(across, axis=1, out=across)[:, :-1]
    np.maximum(most, along[:-1], out=most)
    across[:], along[:] = 0, 0

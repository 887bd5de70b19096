"""Which part of each ray may hit an upright body, on plain numpy; `parts` explains it. Twin of `_spans_numba`."""

import numpy as np
import numpy.typing as npt

from sillcast.kernel.frame import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Four = tuple[float, float, float, float]

SPAN_M = 1e-9  # a part of a ray shorter than this is none
BORDER_M = 1e-9  # a hit this near to the border of a field is on it


def spans(
    origins: FloatArray, directions: FloatArray, lengths: FloatArray, group: IntArray,
    ground: Four, heights: Four, beam: tuple[float, float],
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:  # fmt: skip
    """First and last length (n,) at which a hit counts, length at which the body's heights begin, spot radius. [m]

    ground: level, fall, least and greatest y of a hit; heights: the body's lowest and highest, how far the floor
    rises under it, and the least height of a hit; beam: width at the origin [m], and half the growth per metre [1].
    """
    level, fall, y_from, y_to = ground
    low, high, slope, least = heights
    above = origins[:, 2] - level + fall * origins[:, 1]
    climb = directions[:, 2] + fall * directions[:, 1]
    none = np.zeros_like(lengths)
    start, end = _limited(above, climb, low, high, none, lengths)
    spot = _spot(group, np.where(start <= end, np.maximum(end, 0.0), 0.0), beam)
    top = high - slope - spot
    enter = _limited(above, climb, low, top, none, lengths)[0]
    first, last = _limited(above, climb, np.maximum(max(low + slope, least), low + spot), top, none, lengths)
    first, last = _limited(origins[:, 1], directions[:, 1], y_from, y_to, first, last)
    return first, last, enter, spot


def enters(
    origins: FloatArray, directions: FloatArray, lengths: FloatArray,
    floor: tuple[float, float], heights: tuple[FloatArray, FloatArray],
) -> FloatArray:  # fmt: skip
    """Length (n,) at which rays enter a layer between two heights (n,) above a floor of a level and a fall. [m]"""
    level, fall = floor
    above = origins[:, 2] - level + fall * origins[:, 1]
    climb = directions[:, 2] + fall * directions[:, 1]
    return _limited(above, climb, *heights, np.zeros_like(lengths), lengths)[0]


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


def _spot(group: IntArray, distance: FloatArray, beam: tuple[float, float]) -> FloatArray:
    """Radius of the spot: half of width + 2 R tan(divergence / 2), for each ray the greatest of its group. [m]

    One radius keeps the ends of neighbouring rays on straight lines, so that their pieces merge; it is never too small.
    """
    if not len(group) or beam == (0.0, 0.0):
        return np.zeros_like(distance)
    radius = 0.5 * beam[0] + distance * beam[1]
    starts = np.flatnonzero(np.r_[True, np.diff(group) != 0])
    return np.asarray(np.repeat(np.maximum.reduceat(radius, starts), np.diff(np.r_[starts, len(radius)])))


def from_above(
    origins: FloatArray, directions: FloatArray, first: FloatArray, last: FloatArray,
    turn: tuple[float, float], bounds: Four,
) -> tuple[FloatArray, FloatArray, BoolArray]:  # fmt: skip
    """Both ends (n, 2) of parts of rays, turned about the origin, and whether there is one inside the bounds.

    turn: cosine and sine; bounds: least x, greatest x, least y, greatest y that a part must reach, before the turn.
    """
    valid = first <= last
    start, end = np.where(valid, first, 0.0), np.where(valid, last, 0.0)
    (x0, y0), (x1, y1) = (
        (origins[:, 0] + t * directions[:, 0], origins[:, 1] + t * directions[:, 1]) for t in (start, end)
    )
    valid &= (np.maximum(x0, x1) >= bounds[0]) & (np.minimum(x0, x1) <= bounds[1])
    valid &= (np.maximum(y0, y1) >= bounds[2]) & (np.minimum(y0, y1) <= bounds[3])
    c, s = turn
    near, far = (np.stack([c * x - s * y, s * x + c * y], axis=1) for x, y in ((x0, y0), (x1, y1)))
    return near, far, valid


def cut(
    origins: FloatArray, directions: FloatArray, start: FloatArray, end: FloatArray,
    floors: FloatArray, edges: FloatArray, first: IntArray,
) -> tuple[IntArray, FloatArray, FloatArray]:  # fmt: skip
    """Parts of pieces of rays inside the union of rings, if any, and above the floors: ray, begin and end (q,). [m]

    A piece is cut wherever it crosses a border line, then the middle of each part decides; borders belong to the rings.
    floors: none, or least height above them, near level [m] and rise along y [1], far level and rise; edges: (e, 4) as
    x, y, x, y; first: where the edges of each ring begin, and their number.
    """
    step = max(1, (1 << 17) // (len(edges) + 3))
    parts = [(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))]
    for i in range(0, len(end), step):
        o, d = origins[i : i + step], directions[i : i + step]
        marks = _marks(o, d, start[i : i + step], end[i : i + step], floors, edges)
        x, y, z = (o[:, c, None] + (marks[:, 1:] + marks[:, :-1]) / 2.0 * d[:, c, None] for c in range(3))
        keep = _in_any(x, y, edges, first)
        if len(floors):
            margin, near, rise_near, far, rise_far = floors.tolist()
            keep &= z >= np.where(y < 0.0, near + rise_near * y, far + rise_far * y) + margin
        ray, begin, past = _runs(marks, keep)
        parts.append((ray + i, begin, past))
    rays, begins, pasts = zip(*parts, strict=True)
    return np.concatenate(rays), np.concatenate(begins), np.concatenate(pasts)


def _marks(
    o: FloatArray, d: FloatArray, start: FloatArray, end: FloatArray, floors: FloatArray, edges: FloatArray
) -> FloatArray:
    """Ascending lengths (q, borders + 2) at which pieces cross the lines of the edges and the least heights."""
    columns = [start, end]
    with np.errstate(divide="ignore", invalid="ignore"):
        if len(floors):
            margin, *planes = floors.tolist()
            columns.append(-o[:, 1] / d[:, 1])
            for level, rise in (planes[:2], planes[2:]):
                columns.append((level + margin + rise * o[:, 1] - o[:, 2]) / (d[:, 2] - rise * d[:, 1]))
        for px, py, qx, qy in edges.tolist():
            ex, ey = qx - px, qy - py
            off = (px - o[:, 0]) * ey - (py - o[:, 1]) * ex
            columns.append(off / (d[:, 0] * ey - d[:, 1] * ex))
    cuts = np.nan_to_num(np.column_stack(columns), nan=0.0)
    return np.sort(np.clip(cuts, start[:, None], end[:, None]), axis=1)


def _in_any(x: FloatArray, y: FloatArray, edges: FloatArray, first: IntArray) -> BoolArray:
    """Which points lie in a ring or on its border, by the parity of edges crossed on the way along x; all if none."""
    found = np.full(x.shape, len(edges) == 0)
    for a, b in zip(first[:-1].tolist(), first[1:].tolist(), strict=True):
        odd = np.zeros(x.shape, dtype=np.bool_)
        for px, py, qx, qy in edges[a:b].tolist():
            if py != qy:
                odd ^= ((py > y) != (qy > y)) & (x < px + (y - py) * ((qx - px) / (qy - py)))
            ex, ey = qx - px, qy - py
            along = np.minimum(np.maximum(((x - px) * ex + (y - py) * ey) / (ex * ex + ey * ey), 0.0), 1.0)
            off_x, off_y = x - px - along * ex, y - py - along * ey
            found |= off_x * off_x + off_y * off_y <= BORDER_M * BORDER_M
        found |= odd
    return found


def _runs(marks: FloatArray, keep: BoolArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """One piece for each run of kept parts; a part of no length goes with the one before."""
    for part in range(1, keep.shape[1]):
        keep[:, part] = np.where(marks[:, part + 1] - marks[:, part] < SPAN_M, keep[:, part - 1], keep[:, part])
    keep[:, 0] &= marks[:, 1] - marks[:, 0] >= SPAN_M
    edge = np.diff(keep.astype(np.int8), axis=1, prepend=0, append=0)
    ray, begin = np.nonzero(edge == 1)
    past = np.nonzero(edge == -1)[1]
    return ray.astype(np.int64), marks[ray, begin], marks[ray, past]

"""Which part of each ray may hit an upright body, compiled; arguments and results of `_spans_numpy`."""

from math import inf, isnan

import numba
import numpy as np

from sillcast.kernel._spans_numpy import BORDER_M, SPAN_M

_compiled = numba.njit(cache=True, nogil=True, error_model="numpy")


@_compiled
def spans(origins, directions, lengths, group, ground, heights, beam):  # type: ignore[no-untyped-def]
    """First and last length at which a hit counts, where the body's heights begin, spot radius (n,). [m]"""
    n = len(lengths)
    first, last, enter, spot = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    level, fall, y_from, y_to = ground
    low, high, slope, least = heights
    begin = 0
    while begin < n:
        end = begin + 1
        while end < n and group[end] == group[begin]:
            end += 1
        widest = _widest(origins, directions, lengths, (begin, end), (level, fall, low, high), beam)
        top, floor = high - slope - widest, max(low + slope, least, low + widest)
        for i in range(begin, end):
            above = origins[i, 2] - level + fall * origins[i, 1]
            climb = directions[i, 2] + fall * directions[i, 1]
            enter[i], _ = _limited(above, climb, low, top, 0.0, lengths[i])
            one, two = _limited(above, climb, floor, top, 0.0, lengths[i])
            first[i], last[i] = _limited(origins[i, 1], directions[i, 1], y_from, y_to, one, two)
            spot[i] = widest
        begin = end
    return first, last, enter, spot


@_compiled
def _widest(origins, directions, lengths, rays, heights, beam):  # type: ignore[no-untyped-def]
    """Greatest spot radius of one group."""
    level, fall, low, high = heights
    width, spread = beam
    widest = 0.0
    if width == 0.0 and spread == 0.0:
        return widest
    for i in range(rays[0], rays[1]):
        above = origins[i, 2] - level + fall * origins[i, 1]
        climb = directions[i, 2] + fall * directions[i, 1]
        start, end = _limited(above, climb, low, high, 0.0, lengths[i])
        distance = max(end, 0.0) if start <= end else 0.0
        widest = max(widest, 0.5 * width + distance * spread)
    return widest


@_compiled
def _limited(at, per_m, low, high, first, last):  # type: ignore[no-untyped-def]
    if per_m == 0.0:
        if low <= at <= high:
            return first, last
        return inf, -inf
    one, two = (low - at) / per_m, (high - at) / per_m
    enter = inf if high < low else min(one, two)
    return max(first, enter), min(last, max(one, two))


@_compiled
def from_above(origins, directions, first, last, turn, bounds):  # type: ignore[no-untyped-def]
    """Both ends (n, 2) of parts of rays, turned about the origin [m], and whether there is one inside the bounds."""
    n = len(first)
    near, far, valid = np.empty((n, 2)), np.empty((n, 2)), np.empty(n, dtype=np.bool_)
    c, s = turn
    for i in range(n):
        some = first[i] <= last[i]
        start, end = (first[i], last[i]) if some else (0.0, 0.0)
        x0, y0 = origins[i, 0] + start * directions[i, 0], origins[i, 1] + start * directions[i, 1]
        x1, y1 = origins[i, 0] + end * directions[i, 0], origins[i, 1] + end * directions[i, 1]
        across = max(x0, x1) >= bounds[0] and min(x0, x1) <= bounds[1]
        valid[i] = some and across and max(y0, y1) >= bounds[2] and min(y0, y1) <= bounds[3]
        near[i, 0], near[i, 1] = c * x0 - s * y0, s * x0 + c * y0
        far[i, 0], far[i, 1] = c * x1 - s * y1, s * x1 + c * y1
    return near, far, valid


@_compiled
def cut(origins, directions, start, end, floors, edges, first):  # type: ignore[no-untyped-def]
    """Parts of pieces inside the union of rings and above the floors: ray [1], begin and end (q,) [m]."""
    n = len(start)
    ray, begin, past = np.empty(2 * n + 8, dtype=np.int64), np.empty(2 * n + 8), np.empty(2 * n + 8)
    marks, count = np.empty(len(edges) + 5), 0
    most = len(edges) + 5
    box = _box(edges)
    for i in range(n):
        if end[i] - start[i] < SPAN_M or _is_beside(origins, directions, i, (start[i], end[i]), box):
            continue
        if count + most > len(ray):
            ray, begin, past = _longer(ray, most), _longer(begin, most), _longer(past, most)
        size = _marks(origins, directions, i, start[i], end[i], floors, edges, marks)
        kept, open_ = False, False
        for part in range(size - 1):
            if marks[part + 1] - marks[part] >= SPAN_M:
                middle = (marks[part + 1] + marks[part]) / 2.0
                kept = _counts_at(origins, directions, i, middle, floors, edges, first)
            if kept and not open_:
                ray[count], begin[count] = i, marks[part]
            if open_ and not kept:
                past[count] = marks[part]
                count += 1
            open_ = kept
        if open_:
            past[count] = marks[size - 1]
            count += 1
    return ray[:count], begin[:count], past[:count]


@_compiled
def _box(edges):  # type: ignore[no-untyped-def]
    """Least and greatest x and y of the rings and their borders; everything if there are none."""
    if not len(edges):
        return -inf, inf, -inf, inf
    x0, x1, y0, y1 = inf, -inf, inf, -inf
    for k in range(len(edges)):
        x0, x1 = min(x0, edges[k, 0]), max(x1, edges[k, 0])
        y0, y1 = min(y0, edges[k, 1]), max(y1, edges[k, 1])
    return x0 - 2.0 * BORDER_M, x1 + 2.0 * BORDER_M, y0 - 2.0 * BORDER_M, y1 + 2.0 * BORDER_M


@_compiled
def _is_beside(origins, directions, i, piece, box):  # type: ignore[no-untyped-def]
    """True if a piece of a ray lies on one side of a box."""
    x0, x1 = origins[i, 0] + piece[0] * directions[i, 0], origins[i, 0] + piece[1] * directions[i, 0]
    y0, y1 = origins[i, 1] + piece[0] * directions[i, 1], origins[i, 1] + piece[1] * directions[i, 1]
    return max(x0, x1) < box[0] or min(x0, x1) > box[1] or max(y0, y1) < box[2] or min(y0, y1) > box[3]


@_compiled
def _longer(array, by):  # type: ignore[no-untyped-def]
    out = np.empty(2 * len(array) + by, dtype=array.dtype)
    out[: len(array)] = array
    return out


@_compiled
def _marks(origins, directions, i, start, end, floors, edges, out):  # type: ignore[no-untyped-def]
    """Ascending lengths at which one piece crosses a border line; their number."""
    ox, oy, oz = origins[i, 0], origins[i, 1], origins[i, 2]
    dx, dy, dz = directions[i, 0], directions[i, 1], directions[i, 2]
    out[0], out[1], size = start, end, 2
    if len(floors):
        out[2] = -oy / dy
        for k in range(2):
            level, rise = floors[1 + 2 * k], floors[2 + 2 * k]
            out[3 + k] = (level + floors[0] + rise * oy - oz) / (dz - rise * dy)
        size = 5
    for k in range(len(edges)):
        ex, ey = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1]
        out[size] = ((edges[k, 0] - ox) * ey - (edges[k, 1] - oy) * ex) / (dx * ey - dy * ex)
        size += 1
    for k in range(size):
        mark = 0.0 if isnan(out[k]) else out[k]
        mark, j = min(max(mark, start), end), k
        while j > 0 and out[j - 1] > mark:
            out[j] = out[j - 1]
            j -= 1
        out[j] = mark
    return size


@_compiled
def _counts_at(origins, directions, i, t, floors, edges, first):  # type: ignore[no-untyped-def]
    """Whether a hit at a length along a ray counts."""
    x, y = origins[i, 0] + t * directions[i, 0], origins[i, 1] + t * directions[i, 1]
    if len(floors):
        level, rise = (floors[1], floors[2]) if y < 0.0 else (floors[3], floors[4])
        if not origins[i, 2] + t * directions[i, 2] >= level + rise * y + floors[0]:
            return False
    if not len(edges):
        return True
    for ring in range(len(first) - 1):
        odd = False
        for k in range(first[ring], first[ring + 1]):
            px, py, qx, qy = edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3]
            if py != qy and (py > y) != (qy > y) and x < px + (y - py) * ((qx - px) / (qy - py)):
                odd = not odd
            ex, ey = qx - px, qy - py
            along = min(max(((x - px) * ex + (y - py) * ey) / (ex * ex + ey * ey), 0.0), 1.0)
            off_x, off_y = x - px - along * ex, y - py - along * ey
            if off_x * off_x + off_y * off_y <= BORDER_M * BORDER_M:
                return True
        if odd:
            return True
    return False

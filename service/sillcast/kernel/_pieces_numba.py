"""Convex pieces of a detection region, compiled; arguments and results of `_pieces_numpy.pieces`."""

from math import acos, asin, cos, floor, hypot, inf, isfinite, log, pi, sin, sqrt

import numba
import numpy as np
import numpy.typing as npt

from sillcast.kernel._pieces_numpy import ARC_M, COARSE_M, FLAT_M2, LEAST_LOSS_M, RATIO, STRAIGHT_M
from sillcast.kernel.frame import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

_compiled = numba.njit(cache=True, nogil=True, error_model="numpy")


def pieces(
    near: FloatArray, far: FloatArray, valid: BoolArray, spot: FloatArray, group: IntArray,
    half: FloatArray, corners: int, hits: int,
) -> tuple[FloatArray, IntArray, IntArray]:  # fmt: skip
    """All rings one after the other: points (p, 2) in metres, points in each ring (m,), a ray of each ring (m,)."""
    lost, room, good = _room(near, far, valid, spot, group, half, corners, hits)
    fine = _fine(lost, room, good, corners)
    first, last, runs = _runs(near, far, lost, room, fine, corners)
    starts, windows = _needed_windows(valid, group, fine, hits)
    points = np.empty(((runs + windows) * (4 * (corners // 4 + 1) + 4 * hits + 8), 2))
    counts, rays = np.empty(runs + windows, dtype=np.int64), np.empty(runs + windows, dtype=np.int64)
    used, made = _rows(near, far, (lost, room), corners, (first, last, runs), (points, counts, rays))
    used, made = _windows(
        near, far, (spot, half, corners), (starts, windows, hits), (used, made), (points, counts, rays)
    )
    return points[:used], counts[:made], rays[:made]


@_compiled
def _put(out, i, x, y):  # type: ignore[no-untyped-def]
    out[i, 0], out[i, 1] = x, y  # stores of single numbers compile many times faster than those of rows


@_compiled
def _fine(lost, room, good, corners):  # type: ignore[no-untyped-def]
    """Where the quadrilateral stands for the exact pieces of the sets of rays."""
    fine = good.copy()
    for m in range(len(good)):
        fine[m] = good[m] and _lost_depth(lost, room, m, corners) <= COARSE_M
    return fine


@_compiled
def _rows(near, far, losses, corners, runs, out):  # type: ignore[no-untyped-def]
    """Dilated rows of quadrilaterals; points used and rings made."""
    first, last, count = runs
    points, counts, rays = out
    used, made = 0, 0
    for i in range(count):
        quad, shape = _row(near, far, losses, corners, first[i], last[i])
        size = _dilated(quad, shape, points, used)
        if size >= 3:
            counts[made], rays[made] = size, first[i]
            used, made = used + size, made + 1
    return used, made


@_compiled
def _windows(near, far, shape, windows, before, out):  # type: ignore[no-untyped-def]
    """Exact pieces of sets of rays, after what is there already; points used and rings made."""
    spot, half, corners = shape
    circle = _unit_circle(corners)
    starts, count, hits = windows
    points, counts, rays = out
    used, made = before
    for i in range(count):
        ray = starts[i]
        if hits == 1:
            size = _single(near, far, spot, half, corners, ray, points, used)
        else:
            size = _window(near, far, (spot, half, circle), ray, hits, points, used)
        if size >= 3:
            counts[made], rays[made] = size, ray
            used, made = used + size, made + 1
    return used, made


@_compiled
def _room(near, far, valid, spot, group, half, corners, hits):  # type: ignore[no-untyped-def]
    n = len(group)
    step = np.empty((n - 1, 2))
    for m in range(n - 1):
        for c in range(2):
            step[m, c] = max(abs(near[m + 1, c] - near[m, c]), abs(far[m + 1, c] - far[m, c]))
            if not (valid[m] and valid[m + 1] and group[m] == group[m + 1]):
                step[m, c] = inf
    lost, room = np.full((n - 1, 2), inf), np.full((n - 1, 2), -inf)
    good = np.zeros(n - 1, dtype=np.bool_)
    more = (hits - 1) // 2
    for m in range(more, n - 1 - more):
        x, y, widest = 0.0, 0.0, spot[m - more]
        for j in range(m - more, m + more + 1):
            x, y, widest = max(x, step[j, 0]), max(y, step[j, 1]), max(widest, spot[j + 1])
        lost[m, 0], lost[m, 1] = 0.5 * hits * x, 0.5 * hits * y
        room[m, 0], room[m, 1] = half[0] - widest, half[1] - widest
        if corners:
            fits = room[m, 0] >= 0.0 and lost[m, 0] ** 2 + lost[m, 1] ** 2 <= room[m, 0] ** 2
        else:
            fits = lost[m, 0] <= room[m, 0] and lost[m, 1] <= room[m, 1]
        good[m] = fits and _is_convex(near, far, m)
    return lost, room, good


@_compiled
def _turn(a, i, b, j, c, k):  # type: ignore[no-untyped-def]
    return (b[j, 0] - a[i, 0]) * (c[k, 1] - b[j, 1]) - (b[j, 1] - a[i, 1]) * (c[k, 0] - b[j, 0])


@_compiled
def _is_convex(near, far, m):  # type: ignore[no-untyped-def]
    p, q = _turn(near, m, near, m + 1, far, m + 1), _turn(near, m + 1, far, m + 1, far, m)
    r, s = _turn(far, m + 1, far, m, near, m), _turn(far, m, near, m, near, m + 1)
    return min(p, q, r, s) >= -FLAT_M2 or max(p, q, r, s) <= FLAT_M2


@_compiled
def _lost_depth(lost, room, m, corners):  # type: ignore[no-untyped-def]
    e, f = lost[m, 0], lost[m, 1]
    if corners:
        return e * e / max(2.0 * room[m, 0], 1e-9) + f
    return 2.0 * e * f / max(hypot(e, f), 1e-300)


@_compiled
def _loss_class(depth):  # type: ignore[no-untyped-def]
    return floor(log(min(max(depth, LEAST_LOSS_M), 1e3)) / log(RATIO))


@_compiled
def _departure(chain, m):  # type: ignore[no-untyped-def]
    """Signed departure of end m from the line through its neighbours; infinite where the way turns back."""
    x0, y0 = chain[m, 0] - chain[m - 1, 0], chain[m, 1] - chain[m - 1, 1]
    x1, y1 = chain[m + 1, 0] - chain[m, 0], chain[m + 1, 1] - chain[m, 1]
    if x0 * x1 + y0 * y1 < 0.0:
        return inf
    return (x0 * y1 - y0 * x1) / max(hypot(x0 + x1, y0 + y1), 1e-300)


@_compiled
def _runs(near, far, lost, room, good, corners):  # type: ignore[no-untyped-def]
    first, last = np.empty(len(good), dtype=np.int64), np.empty(len(good), dtype=np.int64)
    count, kind, bulge, before = 0, np.int64(0), 0.0, 0.0
    was_adjacent, was_straight = False, False
    for m in range(len(good)):
        if not good[m]:
            continue
        mine = _loss_class(_lost_depth(lost, room, m, corners))
        together = False
        adjacent = m > 0 and good[m - 1]
        if adjacent:
            near_turn, far_turn = _departure(near, m), _departure(far, m)
            x0, y0 = far[m, 0] - near[m - 1, 0], far[m, 1] - near[m - 1, 1]
            x1, y1 = near[m, 0] - far[m - 1, 0], near[m, 1] - far[m - 1, 1]
            way = x0 * y1 - y0 * x1
            straight = abs(far_turn) <= STRAIGHT_M
            outward = isfinite(far_turn) and ((far_turn > 0.0 and way > 0.0) or (far_turn < 0.0 and way < 0.0))
            together = abs(near_turn) <= STRAIGHT_M and mine == kind and (straight or outward)
            together = together and (straight == was_straight or not was_adjacent)
            was_straight = straight
            if together and not straight:
                bulge += 0.5 * sqrt(abs(far_turn))
            together = together and floor(bulge / sqrt(ARC_M)) == before
        was_adjacent = adjacent
        before = floor(bulge / sqrt(ARC_M))
        if not together:
            first[count] = m
            count += 1
        last[count - 1] = m
        kind = mine
    return first, last, count


@_compiled
def _needed_windows(valid, group, good, hits):  # type: ignore[no-untyped-def]
    n = len(group)
    starts = np.empty(n, dtype=np.int64)
    count, streak = 0, 0
    more = (hits - 1) // 2
    for end in range(n):
        if not valid[end]:
            streak = 0
        elif streak > 0 and group[end] == group[end - 1]:
            streak += 1
        else:
            streak = 1
        if streak < hits:
            continue
        start = end - hits + 1
        middle = start + more
        covered = middle > 0 and good[middle - 1] and middle < n - 1 and good[middle]
        if hits % 2 == 0:
            covered = covered and middle + 1 < n - 1 and good[middle + 1]
        if not covered:
            starts[count] = start
            count += 1
    return starts, count


@_compiled
def _row(near, far, losses, corners, first, last):  # type: ignore[no-untyped-def]
    """Quadrilaterals first .. last as one, and what the worst of them leaves of the footprint."""
    lost, room = losses
    e, f, a, b = 0.0, 0.0, inf, inf
    for m in range(first, last + 1):
        e, f, a, b = max(e, lost[m, 0]), max(f, lost[m, 1]), min(a, room[m, 0]), min(b, room[m, 1])
    quad = np.empty((4, 2))
    _put(quad, 0, near[first, 0], near[first, 1])
    _put(quad, 1, near[last + 1, 0], near[last + 1, 1])
    _put(quad, 2, far[last + 1, 0], far[last + 1, 1])
    _put(quad, 3, far[first, 0], far[first, 1])
    return quad, _footprint(e, f, a, b, corners)


@_compiled
def _single(near, far, spot, half, corners, ray, points, used):  # type: ignore[no-untyped-def]
    a, b = half[0] - spot[ray], half[1] - spot[ray]
    if a < 0.0 or b < 0.0:
        return 0
    quad = np.empty((4, 2))
    for i in range(4):
        end = far if 0 < i < 3 else near
        _put(quad, i, end[ray, 0], end[ray, 1])
    return _dilated(quad, _footprint(0.0, 0.0, a, b, corners), points, used)


@_compiled
def _footprint(e, f, a, b, corners):  # type: ignore[no-untyped-def]
    if not corners:
        x, y = max(a - e, 0.0), max(b - f, 0.0)
        out = np.empty((4, 2))
        _put(out, 0, -x, -y)
        _put(out, 1, x, -y)
        _put(out, 2, x, y)
        _put(out, 3, -x, y)
        return out
    steps = corners // 4
    out = np.zeros((4 * steps + 4, 2))
    start, end = asin(min(f / max(a, 1e-300), 1.0)), acos(min(e / max(a, 1e-300), 1.0))
    if end < start:
        return out
    for i in range(steps + 1):
        angle = start + (end - start) * i / steps
        x, y = max(a * cos(angle) - e, 0.0), max(a * sin(angle) - f, 0.0)
        _put(out, i, x, y)
        _put(out, 2 * steps + 1 - i, -x, y)
        _put(out, 2 * steps + 2 + i, -x, -y)
        _put(out, 4 * steps + 3 - i, x, -y)
    return out


@_compiled
def _dilated(quad, shape, points, used):  # type: ignore[no-untyped-def]
    """Minkowski sum of a quadrilateral, either way round or flat, and a counter-clockwise convex polygon; its size."""
    p, v = _oriented(quad), len(shape)
    i0, j0 = _topmost(quad, p), _topmost(shape, v)
    x, y = quad[i0, 0] + shape[j0, 0], quad[i0, 1] + shape[j0, 1]
    size, i, j = 0, 0, 0
    while i < p or j < v:
        ax, ay = _edge(quad, p, i0 + i)
        bx, by = _edge(shape, v, j0 + j)
        if i < p and ax == 0.0 and ay == 0.0:
            i += 1
        elif j < v and bx == 0.0 and by == 0.0:
            j += 1
        else:
            if j >= v or (i < p and _is_before(ax, ay, bx, by)):
                x, y, i = x + ax, y + ay, i + 1
            else:
                x, y, j = x + bx, y + by, j + 1
            _put(points, used + size, x, y)
            size += 1
    return size


@_compiled
def _is_before(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    """True if the first direction is at most the second, both from above -180 to 180 deg."""
    a_up, b_up = ay > 0.0 or (ay == 0.0 and ax > 0.0), by > 0.0 or (by == 0.0 and bx > 0.0)
    a_end, b_end = ay == 0.0 and ax < 0.0, by == 0.0 and bx < 0.0
    if a_end or b_end:
        return b_end
    if a_up != b_up:
        return b_up
    return ax * by - ay * bx >= 0.0


@_compiled
def _edge(ring, size, i):  # type: ignore[no-untyped-def]
    a, b = i % size, (i + 1) % size
    return ring[b, 0] - ring[a, 0] + 0.0, ring[b, 1] - ring[a, 1] + 0.0


@_compiled
def _topmost(ring, size):  # type: ignore[no-untyped-def]
    best = 0
    for i in range(1, size):
        if ring[i, 1] > ring[best, 1] or (ring[i, 1] == ring[best, 1] and ring[i, 0] < ring[best, 0]):
            best = i
    return best


@_compiled
def _oriented(quad):  # type: ignore[no-untyped-def]
    """Brings a quadrilateral in place into counter-clockwise order, a flat one to its two ends; the corners left."""
    x0, y0, x1, y1 = quad[2, 0] - quad[0, 0], quad[2, 1] - quad[0, 1], quad[3, 0] - quad[1, 0], quad[3, 1] - quad[1, 1]
    doubled = x0 * y1 - y0 * x1
    if abs(doubled) >= FLAT_M2:
        if doubled < 0.0:
            x, y = quad[1, 0], quad[1, 1]
            _put(quad, 1, quad[3, 0], quad[3, 1])
            _put(quad, 3, x, y)
        return 4
    a, b, widest = 0, 0, -1.0
    for i in range(4):
        for j in range(i + 1, 4):
            span = hypot(quad[i, 0] - quad[j, 0], quad[i, 1] - quad[j, 1])
            if span > widest:
                a, b, widest = i, j, span
    x0, y0, x1, y1 = quad[a, 0], quad[a, 1], quad[b, 0], quad[b, 1]
    _put(quad, 0, x0, y0)
    _put(quad, 1, x1, y1)
    return 2


@_compiled
def _window(near, far, shape, start, hits, points, used):  # type: ignore[no-untyped-def]
    """Intersection of the sums of `hits` rays with the footprint: a rectangle cut by half-planes; its size."""
    spot, half, corners = shape
    x0, y0, x1, y1 = -inf, -inf, inf, inf
    for ray in range(start, start + hits):
        a, b = half[0] - spot[ray], half[1] - spot[ray]
        if a < 0.0 or b < 0.0:
            return 0
        x0, x1 = max(x0, min(near[ray, 0], far[ray, 0]) - a), min(x1, max(near[ray, 0], far[ray, 0]) + a)
        y0, y1 = max(y0, min(near[ray, 1], far[ray, 1]) - b), min(y1, max(near[ray, 1], far[ray, 1]) + b)
    if x0 >= x1 or y0 >= y1:
        return 0
    planes = len(corners) // 2 + 2 * hits
    ring, spare = np.empty((4 + planes, 2)), np.empty((4 + planes, 2))
    _put(ring, 0, x0, y0)
    _put(ring, 1, x1, y0)
    _put(ring, 2, x1, y1)
    _put(ring, 3, x0, y1)
    size = 4
    for i in range(planes):
        nx, ny, reach = _half_plane(near, far, spot, half, corners, start, hits, i)
        size = _cut(ring, size, nx, ny, reach, spare)
        ring, spare = spare, ring
    for i in range(size):
        _put(points, used + i, ring[i, 0], ring[i, 1])
    return size


@_compiled
def _half_plane(near, far, spot, half, corners, start, hits, i):  # type: ignore[no-untyped-def]
    """Half-plane nx x + ny y <= reach of a window: the faces of a disc, then both sides of each ray."""
    faces = len(corners) // 2
    if i < faces:
        nx, ny, reach = corners[2 * i + 1, 0], corners[2 * i + 1, 1], inf
        for ray in range(start, start + hits):
            at = max(nx * near[ray, 0] + ny * near[ray, 1], nx * far[ray, 0] + ny * far[ray, 1])
            reach = min(reach, at + cos(pi / faces) * (half[0] - spot[ray]))
        return nx, ny, reach
    ray = start + (i - faces) // 2
    sign = 1.0 if (i - faces) % 2 else -1.0
    dx, dy = far[ray, 0] - near[ray, 0], far[ray, 1] - near[ray, 1]
    length = hypot(dx, dy)
    if length < 1e-12:
        return 0.0, 0.0, 1.0
    nx, ny = -sign * dy / length, sign * dx / length
    return nx, ny, nx * near[ray, 0] + ny * near[ray, 1] + _support(nx, ny, half, spot[ray], corners)


@_compiled
def _support(nx, ny, half, spot, corners):  # type: ignore[no-untyped-def]
    if not len(corners):
        return abs(nx) * (half[0] - spot) + abs(ny) * (half[1] - spot)
    best = 0.0
    for i in range(0, len(corners), 2):
        best = max(best, nx * corners[i, 0] + ny * corners[i, 1])
    return best * (half[0] - spot)


@_compiled
def _unit_circle(corners):  # type: ignore[no-untyped-def]
    """Corners of the polygon that stands for a unit disc and, after each, the normal of the face that follows."""
    out = np.empty((2 * corners, 2))
    for i in range(2 * corners):
        angle = pi * i / corners
        _put(out, i, cos(angle), sin(angle))
    return out


@_compiled
def _cut(ring, size, nx, ny, reach, out):  # type: ignore[no-untyped-def]
    """Part of a convex ring with nx x + ny y <= reach; the number of corners left, which grows by one at most."""
    made = 0
    for i in range(size):
        j = i + 1 if i + 1 < size else 0
        a, b = nx * ring[i, 0] + ny * ring[i, 1] - reach, nx * ring[j, 0] + ny * ring[j, 1] - reach
        if a <= 0.0:
            _put(out, made, ring[i, 0], ring[i, 1])
            made += 1
        if (a < 0.0 and b > 0.0) or (b < 0.0 and a > 0.0):
            t = a / (a - b)
            x, y = ring[i, 0] + t * (ring[j, 0] - ring[i, 0]), ring[i, 1] + t * (ring[j, 1] - ring[i, 1])
            _put(out, made, x, y)
            made += 1
    return made

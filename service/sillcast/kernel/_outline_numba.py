"""Outlines of dense fans, compiled: one contour for each connected part of a fan between two heights.

Such a part is a simple polygon. Its convolution with a convex footprint, the footprint's corner that lies farthest to
the right of each edge carried along the border, winds around a place once for each piece that the polygon and the
footprint there have in common [1]_: around the Minkowski sum at least once, elsewhere never. One contour stands for
all the convex pieces of `_sweep_numpy.slab_sums`, with an eighth of their points. Where the border all but turns back
on itself rounding could decide which way it turns: there the pieces are summed one by one.

.. [1] L. Guibas, L. Ramshaw, J. Stolfi, A kinetic framework for computational geometry, 24th Symposium on Foundations
   of Computer Science (1983) 100-111. A simple polygon and a convex one have only simply connected pieces in common.
"""

from math import hypot

import numba
import numpy as np
import numpy.typing as npt

from sillcast.kernel._pieces_numba import _dilated, _put
from sillcast.kernel._sweep_numpy import ANGLE_RAD, SAME_M, TIE
from sillcast.kernel.frame import FloatArray

__all__ = ["slab_sums"]

IntArray = npt.NDArray[np.int64]

BACK = 1e-9  # sine of a turn about that begins to be one by 180 degrees

_compiled = numba.njit(cache=True, nogil=True, error_model="numpy")


def slab_sums(
    corners: FloatArray, fan: IntArray, low_m: float, high_m: float, shape: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Sums of a footprint and the parts of triangles between two heights, seen from above, as contours.

    Arguments as for `_sweep_numpy.slab_sums`. Points of all the contours (p, 2) [m], points in each (r,).
    """
    points = np.empty((12 * len(corners) * (len(shape) + 1), 2))
    counts = np.empty(3 * len(corners), dtype=np.int64)
    used, made = _slab_sums(corners, fan, (low_m, high_m), np.ascontiguousarray(shape), points, counts)
    return points[:used], counts[:made]


@_compiled
def _slab_sums(corners, fan, heights, shape, points, counts):  # type: ignore[no-untyped-def]
    """Contours of runs of quadrilaterals; points used and contours made."""
    low, high = heights
    used, made, size = 0, 0, 0
    quads, border = np.empty((3 * len(corners) + 1, 4, 2)), np.empty((6 * len(corners) + 2, 2))
    for m in range(len(corners)):
        shares = _shares(corners, m, low, high)
        joined = m > 0 and fan[m] == fan[m - 1] and _meet(corners, m)
        for i in range(3):
            if shares[i + 1] - shares[i] <= ANGLE_RAD:
                continue
            some = _quad(corners[m], shares[i], shares[i + 1], low, high, quads[size])
            if size > 0 and not (some and joined):
                used, made = _sum(quads[:size], border, shape, points, counts, used, made)
                _copy(quads[size], quads[0])
                size = 0
            size, joined = size + some, True
    if size > 0:
        used, made = _sum(quads[:size], border, shape, points, counts, used, made)
    return used, made


@_compiled
def _copy(quad, to):  # type: ignore[no-untyped-def]
    for i in range(4):
        _put(to, i, quad[i, 0], quad[i, 1])


@_compiled
def _meet(corners, m):  # type: ignore[no-untyped-def]
    """True if a triangle of a fan begins at the ray at which the one before ends."""
    ax, ay = corners[m - 1, 2, 0] - corners[m, 0, 0], corners[m - 1, 2, 1] - corners[m, 0, 1]
    az = corners[m - 1, 2, 2] - corners[m, 0, 2]
    bx, by = corners[m, 1, 0] - corners[m, 0, 0], corners[m, 1, 1] - corners[m, 0, 1]
    bz = corners[m, 1, 2] - corners[m, 0, 2]
    x, y, z = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    along = ax * bx + ay * by + az * bz
    return along > 0.0 and x * x + y * y + z * z <= (SAME_M * along) ** 2


@_compiled
def _shares(corners, m, low, high):  # type: ignore[no-untyped-def]
    """Shares of the far side at which its parts begin and end, four, rising."""
    z, rise = corners[m, 1, 2], corners[m, 2, 2] - corners[m, 1, 2]
    if rise == 0.0:
        return 0.0, 0.0, 0.0, 1.0
    one, two = min(max((low - z) / rise, 0.0), 1.0), min(max((high - z) / rise, 0.0), 1.0)
    return 0.0, min(one, two), max(one, two), 1.0


@_compiled
def _inside(z, end, low, high):  # type: ignore[no-untyped-def]
    """First and last share of the way from a height to another that is between two; first > last: never."""
    drop = end - z
    if abs(drop) <= 1e-12:
        return (0.0, 1.0) if low <= z <= high else (1.0, 0.0)
    one, two = (low - z) / drop, (high - z) / drop
    return max(min(one, two), 0.0), min(max(one, two), 1.0)


@_compiled
def _quad(triangle, begin, end, low, high, quad):  # type: ignore[no-untyped-def]
    """Part of a triangle between two shares of its far side and two heights: near begin, near end, far end, far begin.

    False if there is none.
    """
    some, x, y = True, triangle[0, 0], triangle[0, 1]
    for k in range(2):
        at = end if k else begin
        dx = triangle[1, 0] + at * (triangle[2, 0] - triangle[1, 0]) - x
        dy = triangle[1, 1] + at * (triangle[2, 1] - triangle[1, 1]) - y
        z = triangle[1, 2] + at * (triangle[2, 2] - triangle[1, 2])
        enter, leave = _inside(triangle[0, 2], z, low, high)
        some = some and enter <= leave + TIE
        enter = min(enter, leave)
        _put(quad, k, x + enter * dx, y + enter * dy)
        _put(quad, 3 - k, x + leave * dx, y + leave * dy)
    return some


# --- convolution ----------------------------------------------------------------------------------------------------


@_compiled
def _sum(quads, border, shape, points, counts, used, made):  # type: ignore[no-untyped-def]
    """Contour of a run of quadrilaterals, or those one by one; points used and contours made."""
    size = _border(quads, border) if len(quads) > 1 else 0
    length = _convolved(border, size, shape, points, used) if size >= 3 else 0
    if length > 0:
        counts[made] = length
        return used + length, made + 1
    for i in range(len(quads)):
        counts[made] = _dilated(quads[i], shape, points, used)
        used, made = used + counts[made], made + 1
    return used, made


@_compiled
def _border(quads, border):  # type: ignore[no-untyped-def]
    """Border of a run, counter-clockwise: its near side is straight, its far side goes from corner to corner; size."""
    size, n = 0, len(quads)
    for i in range(-1, 2 * n + 1):
        quad, corner = quads[min(max(i, 0) // 2, n - 1)], (3 if i % 2 == 0 else 2)
        if i == -1:
            corner = 0
        elif i == 2 * n:
            corner = 1
        x, y = quad[corner, 0], quad[corner, 1]
        if size == 0 or hypot(x - border[size - 1, 0], y - border[size - 1, 1]) > SAME_M:
            _put(border, size, x, y)
            size += 1
    while size > 1 and hypot(border[0, 0] - border[size - 1, 0], border[0, 1] - border[size - 1, 1]) <= SAME_M:
        size -= 1
    doubled = 0.0
    for i in range(1, size - 1):
        ax, ay = border[i, 0] - border[0, 0], border[i, 1] - border[0, 1]
        doubled += ax * (border[i + 1, 1] - border[0, 1]) - ay * (border[i + 1, 0] - border[0, 0])
    if doubled < 0.0:
        for i in range(size // 2):
            j = size - 1 - i
            x, y = border[i, 0], border[i, 1]
            _put(border, i, border[j, 0], border[j, 1])
            _put(border, j, x, y)
    return size


@_compiled
def _convolved(border, size, shape, points, used):  # type: ignore[no-untyped-def]
    """Convolution of a counter-clockwise simple ring and a convex one; its size, 0 where a turn is too near to 180."""
    v, made, net = len(shape), 0, 0
    ex, ey = border[0, 0] - border[size - 1, 0], border[0, 1] - border[size - 1, 1]
    first = _support(shape, ex, ey)
    j = first
    for i in range(size):
        k = i + 1 if i + 1 < size else 0
        fx, fy = border[k, 0] - border[i, 0], border[k, 1] - border[i, 1]
        turn, onward = ex * fy - ey * fx, ex * fx + ey * fy
        if onward < 0.0 and abs(turn) <= BACK * -onward:
            return 0
        steps = _steps(shape, j, fx, fy, turn)
        for step in range(abs(steps) + 1):
            at = (j + (step if steps > 0 else -step)) % v
            _put(points, used + made, border[i, 0] + shape[at, 0], border[i, 1] + shape[at, 1])
            made += 1
        j, net = (j + steps) % v, net + steps
        ex, ey = fx, fy
    return made if net == v and j == first else 0


@_compiled
def _steps(shape, j, x, y, turn):  # type: ignore[no-untyped-def]
    """Sides to go from corner j, backward if negative, to that which lies farthest to the right of a direction."""
    v, steps = len(shape), 0
    while turn > 0.0 and steps < v:
        sx, sy = _side(shape, (j + steps) % v)
        if sx * y - sy * x < 0.0:
            break
        steps += 1
    while turn < 0.0 and steps > -v:
        sx, sy = _side(shape, (j + steps - 1) % v)
        if x * sy - y * sx <= 0.0:
            break
        steps -= 1
    return steps


@_compiled
def _side(shape, j):  # type: ignore[no-untyped-def]
    k = j + 1 if j + 1 < len(shape) else 0
    return shape[k, 0] - shape[j, 0], shape[k, 1] - shape[j, 1]


@_compiled
def _support(shape, x, y):  # type: ignore[no-untyped-def]
    """Corner of a convex counter-clockwise ring between whose sides a direction lies, the side before included."""
    for j in range(len(shape)):
        ax, ay = _side(shape, (j - 1) % len(shape))
        bx, by = _side(shape, j)
        if ax * y - ay * x >= 0.0 and x * by - y * bx > 0.0:
            return j
    return 0

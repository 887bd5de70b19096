"""Compiled clip of the ray core: the formulas of `_numpy` in its order of operations, so that all numbers are equal.

What differs is the shape of the loops: rays of one origin go through each piece together, in vector registers, after a
test that rules out most of them without a division. `fastmath` stays off (it would change last bits), all functions
release the GIL. The machine code is kept in numba's cache folder, which does not notice a change of another module:
clear it after an edit. NUMBA_BOUNDSCHECK=1 with a cache folder of its own checks every index.
"""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np

from sillcast.kernel._numpy import CLOSED_M, FAR, FLOOR, RANGE, TOUCH_M, BoolArray, IntArray, Packed
from sillcast.kernel.frame import FloatArray

__all__ = ["clip", "clip_rays", "compiled", "floor_entry", "inlined", "narrowed", "plain"]

F = TypeVar("F", bound=Callable[..., Any])
Piece = tuple[FloatArray, FloatArray, FloatArray]  # half-planes, their value at the origin, box


def compiled(function: F) -> F:
    """Compile at the first call, or load from the cache."""
    return cast("F", numba.njit(nogil=True, cache=True, error_model="numpy")(function))


def inlined(function: F) -> F:
    """Compile into each caller."""
    return cast("F", numba.njit(nogil=True, cache=True, error_model="numpy", forceinline=True)(function))


def plain(array: FloatArray) -> FloatArray:
    """The array in the one layout that is compiled for; numba would compile anew for a read-only one."""
    flags = array.flags
    is_plain = flags.c_contiguous and flags.writeable and array.dtype == np.float64
    return array if is_plain else np.require(array, np.float64, ["C", "W"])


def clip(o: FloatArray, d: FloatArray, range_m: FloatArray, packed: Packed) -> tuple[FloatArray, IntArray]:
    """Free lengths and stops of rays; see `sillcast.kernel.clip.free_lengths`."""
    length, stop = np.empty(len(range_m)), np.empty(len(range_m), dtype=np.int64)
    clip_rays(plain(o), plain(d), plain(range_m), packed, length, stop)
    return length, stop


@inlined
def narrowed(t_in: float, t_out: float, num: float, den: float) -> tuple[float, float]:
    """Interval [t_in, t_out] cut by the half-space num + t den <= 0."""
    if den < 0.0:
        return max(t_in, -num / den), t_out
    if den > 0.0:
        return t_in, min(t_out, -num / den)
    return t_in, (-1.0 if num > 0.0 else t_out)


@inlined
def floor_entry(o: FloatArray, d: FloatArray, side: float, level: float, rise: float) -> float:
    """Length at which a ray enters the floor of one side, FAR if it does not."""
    slope = side * rise
    y, y_den, z, z_den = -side * o[1], -side * d[1], o[2] - level - slope * o[1], d[2] - slope * d[1]
    t = 0.0
    if y > CLOSED_M:
        if y_den >= 0.0:
            return FAR
        t = -y / y_den
    if z > CLOSED_M:
        if z_den >= 0.0:
            return FAR
        t = max(t, -z / z_den)
    return t if y + t * y_den <= CLOSED_M and z + t * z_den <= CLOSED_M else FAR


@compiled
def _near_edge(x: float, y: float, edges: FloatArray) -> bool:
    """True if a place is within TOUCH_M of an edge in plan."""
    for e in range(len(edges)):
        w_x, w_y = x - edges[e, 0], y - edges[e, 1]
        e_x, e_y = edges[e, 2] - edges[e, 0], edges[e, 3] - edges[e, 1]
        s = min(max((w_x * e_x + w_y * e_y) / (e_x * e_x + e_y * e_y), 0.0), 1.0)
        g_x, g_y = w_x - s * e_x, w_y - s * e_y
        if g_x * g_x + g_y * g_y <= TOUCH_M * TOUCH_M:
            return True
    return False


@compiled
def _touching(o: FloatArray, packed: Packed, num: FloatArray, touches: BoolArray) -> None:
    """Mark the pieces whose prism has the point within TOUCH_M of its surface."""
    m = 0
    while m < len(packed.owner):
        prism, z0, z1, past, within = packed.owner[m], packed.box[m, 4], packed.box[m, 5], m, False
        while past < len(packed.owner) and packed.owner[past] == prism:
            inside = True
            for e in range(packed.first[past], packed.first[past + 1]):
                inside &= num[e] <= 0.0
            within |= inside
            past += 1
        touches[m:past] = False
        if z0 - TOUCH_M <= o[2] <= z1 + TOUCH_M:
            near = _near_edge(o[0], o[1], packed.ring[packed.ring_first[prism] : packed.ring_first[prism + 1]])
            touches[m:past] = near or (within and (abs(o[2] - z0) <= TOUCH_M or abs(o[2] - z1) <= TOUCH_M))
        m = past


@compiled
def _sector(o: FloatArray, half: FloatArray, num: FloatArray) -> tuple[float, float, float, float]:
    """Right and left tangent from a place to a piece in plan; zeros if the place is in the piece or on it."""
    if num.max() <= CLOSED_M:
        return 0.0, 0.0, 0.0, 0.0
    r_x, r_y = half[0, 4] - o[0], half[0, 5] - o[1]
    l_x, l_y = r_x, r_y
    for e in range(1, len(half)):
        x, y = half[e, 4] - o[0], half[e, 5] - o[1]
        if r_x * y - r_y * x < 0.0:
            r_x, r_y = x, y
        if l_x * y - l_y * x > 0.0:
            l_x, l_y = x, y
    return r_x, r_y, l_x, l_y


@compiled
def _candidates(
    z: float,
    box: FloatArray,
    sector: tuple[float, float, float, float],
    d: FloatArray,
    length: FloatArray,
    near: BoolArray,
) -> None:
    """Mark the rays, columns of d, that may meet a piece: in its sector, and at its height before their end.

    Tangents are as long as the place is far, so the margin keeps rays that miss by less than 1e-8 m.
    """
    r_x, r_y, l_x, l_y = sector
    z0, z1 = box[4] - CLOSED_M, box[5] + CLOSED_M
    d_x, d_y, d_z = d[0], d[1], d[2]
    for i in range(len(length)):
        end = z + length[i] * d_z[i]
        near[i] = (
            (r_x * d_y[i] - r_y * d_x[i] >= -1e-8)
            & (d_x[i] * l_y - d_y[i] * l_x >= -1e-8)
            & (min(z, end) <= z1)
            & (max(z, end) >= z0)
        )


@compiled
def _enter(num: float, den: FloatArray, t: FloatArray) -> None:
    """Raise t to the length at which rays enter the half-space num + t den <= 0, FAR if they never do."""
    if num > CLOSED_M:
        for i in range(len(t)):
            t[i] = max(t[i], -num / den[i] if den[i] < 0.0 else FAR)


@compiled
def _keep(num: float, den: FloatArray, t: FloatArray) -> None:
    """Set t to FAR where it is outside the half-space num + t den <= 0."""
    for i in range(len(t)):
        t[i] = FAR if num + t[i] * den[i] > CLOSED_M else t[i]


@compiled
def _meet(z: float, d: FloatArray, piece: Piece, den: FloatArray, t: FloatArray) -> None:
    """Lengths t (n,) at which rays, columns of d, enter a convex piece, FAR if they do not; `den` (3, n) is scratch.

    Loop by loop over all rays, so that each goes through vector registers without a branch.
    """
    half, num, box = piece
    den, up, down = den[0], d[2], den[1]
    for i in range(len(t)):
        t[i] = 0.0
        down[i] = -up[i]
    _enter(z - box[5], up, t)
    _enter(box[4] - z, down, t)
    for turn in range(2):
        for e in range(len(half)):
            if turn == 1 or num[e] > CLOSED_M:
                for i in range(len(t)):
                    den[i] = d[0, i] * half[e, 0] + d[1, i] * half[e, 1]
                if turn == 0:
                    _enter(num[e], den, t)
                else:
                    _keep(num[e], den, t)
    _keep(z - box[5], up, t)
    _keep(box[4] - z, down, t)


@compiled
def _goes_inward(o: FloatArray, d: FloatArray, reach: float, half: FloatArray, z0: float, z1: float) -> bool:
    """True if a ray is in a piece, its faces moved inwards by TOUCH_M, for more than TOUCH_M."""
    t_in, t_out = narrowed(0.0, reach, o[2] - z1 + TOUCH_M, d[2])
    t_in, t_out = narrowed(t_in, t_out, z0 - o[2] + TOUCH_M, -d[2])
    for e in range(len(half)):
        num = o[0] * half[e, 0] + o[1] * half[e, 1] - half[e, 2] + TOUCH_M * half[e, 3]
        t_in, t_out = narrowed(t_in, t_out, num, d[0] * half[e, 0] + d[1] * half[e, 1])
    return t_out - t_in > TOUCH_M


@compiled
def clip_rays(
    o: FloatArray, d: FloatArray, range_m: FloatArray, packed: Packed, length: FloatArray, stop: IntArray
) -> None:
    """Clip runs of rays with the same origin."""
    columns, some = np.empty((3, len(range_m))), np.empty((6, len(range_m)))
    for i in range(len(range_m)):
        columns[0, i], columns[1, i], columns[2, i] = d[i, 0], d[i, 1], d[i, 2]
    near, which = np.zeros((len(range_m) + 7) // 8 * 8, dtype=np.bool_), np.empty(len(range_m), dtype=np.int64)
    num = np.empty(len(packed.half))
    first = 0
    while first < len(range_m):
        past = first + 1
        while (
            past < len(range_m)
            and o[past, 0] == o[first, 0]
            and o[past, 1] == o[first, 1]
            and o[past, 2] == o[first, 2]
        ):
            past += 1
        run = slice(first, past)
        eights = near[: (past - first + 7) // 8 * 8]
        eights[past - first :] = False
        _clip_run(o[first], columns[:, run], range_m[run], packed, (num, eights, which, some), length[run], stop[run])
        first = past


@compiled
def _clip_run(
    o: FloatArray,
    d: FloatArray,
    range_m: FloatArray,
    packed: Packed,
    scratch: tuple[FloatArray, BoolArray, IntArray, FloatArray],
    length: FloatArray,
    stop: IntArray,
) -> None:
    """Clip rays of one origin; their directions are the columns of d (3, n)."""
    num, near, which, some = scratch
    for e in range(len(num)):
        num[e] = o[0] * packed.half[e, 0] + o[1] * packed.half[e, 1] - packed.half[e, 2]
    touches = np.empty(len(packed.owner), dtype=np.bool_)
    _touching(o, packed, num, touches)
    _clip_floors(o, d, range_m, packed.floor, length, stop)
    for m in range(len(packed.owner)):
        part = slice(packed.first[m], packed.first[m + 1])
        piece = (packed.half[part], num[part], packed.box[m])
        _candidates(o[2], packed.box[m], _sector(o, piece[0], piece[1]), d, length, near)
        count = _gather(near, d, which, some)
        t = some[5, :count]
        _meet(o[2], some[:3, :count], piece, some[3:5, :count], t)
        if touches[m]:
            _open(o, some[:3, :count], range_m, piece, which, t)
        for n in range(count):
            i = which[n]
            if t[n] < length[i]:
                length[i] = t[n]
                stop[i] = packed.owner[m]
    for i in range(len(range_m)):
        if length[i] > range_m[i] - TOUCH_M:
            stop[i] = RANGE


@compiled
def _clip_floors(
    o: FloatArray,
    d: FloatArray,
    range_m: FloatArray,
    floors: tuple[float, float, float, float],
    length: FloatArray,
    stop: IntArray,
) -> None:
    for i in range(len(range_m)):
        near = floor_entry(o, d[:, i], -1.0, floors[0], floors[1])
        t = min(near, floor_entry(o, d[:, i], 1.0, floors[2], floors[3]))
        stop[i] = FLOOR if t < range_m[i] else RANGE
        length[i] = min(t, range_m[i])


@compiled
def _gather(near: BoolArray, d: FloatArray, which: IntArray, some: FloatArray) -> int:
    """Put the marked rays next to each other; how many there are."""
    eights = near.view(np.uint64)  # eight marks are looked at together: most are all clear
    count = 0
    for eight in range(len(eights)):
        if eights[eight] != 0:
            for i in range(8 * eight, 8 * eight + 8):
                if near[i]:
                    which[count] = i
                    some[0, count], some[1, count], some[2, count] = d[0, i], d[1, i], d[2, i]
                    count += 1
    return count


@compiled
def _open(o: FloatArray, d: FloatArray, range_m: FloatArray, piece: Piece, which: IntArray, t: FloatArray) -> None:
    """Treat a piece that touches the rays' origin as an open set: only going inward stops a ray."""
    for n in range(len(t)):
        inward = _goes_inward(o, d[:, n], range_m[which[n]], piece[0], piece[2][4], piece[2][5])
        t[n] = (0.0 if t[n] <= 2.0 * TOUCH_M else t[n]) if inward else FAR

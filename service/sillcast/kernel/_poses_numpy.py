"""Plain back end of many poses: says what `_poses_numba` computes, where numba is missing does it."""

from itertools import pairwise

import numpy as np

from sillcast.kernel import _numpy
from sillcast.kernel._numpy import FAR, BoolArray, CountArray, IntArray, MarkArray, Packed, Scan
from sillcast.kernel.frame import FloatArray

__all__ = ["judge"]


def judge(
    model: tuple[FloatArray, FloatArray, FloatArray, IntArray],
    poses: tuple[FloatArray, FloatArray],
    packed: Packed,
    scans: list[tuple[int, Scan, int]],
    rule: tuple[float, int, BoolArray],
    marks: MarkArray,
    left: MarkArray,
) -> IntArray:
    """Clear the marks of places with too few hits, for each pose, and count those that are left.

    Parameters
    ----------
    model : tuple of arrays
        Origins and directions (n, 3) in the sensor's own frame [m, 1], ranges (n,) [m], where each group of rays begins
        and the last one ends (g + 1,).
    poses : tuple of arrays
        Origins (P, 3) [m] and matrices (P, 3, 3) of the mounts.
    packed : Packed
        What stops rays.
    scans : list of (layer, Scan, first row)
        What to count; the layer of the marks in which it strikes, the last one at most. [1]
    rule : tuple
        Height above the floor at which a ray ends for good [m], least hits [1], and which prisms void the rays that
        they stop (prisms,).
    marks : (rows, columns) uint8 array
        Marks of every layer to begin with: 1, 2, both or none. [1]
    left : (1 or P, layers, rows, columns) uint8 array
        Written: the marks left, of each pose or of the last one. [1]

    Returns
    -------
    found : (P, 2) int64 array
        How many marks 1 and 2 are left in the first layer. [1]
    """
    (own_o, own_d, range_m, bounds), (lift_m, least_hits, voids) = model, rule
    found = np.zeros((len(poses[0]), 2), dtype=np.int64)
    for pose, (origin, matrix) in enumerate(zip(*poses, strict=True)):
        o, d = origin + _turned(own_o, matrix), _turned(own_d, matrix)
        length, stop = _numpy.clip(o, d, range_m, packed)
        length[(stop >= 0) & voids[np.maximum(stop, 0)]] = 0.0
        if lift_m > 0.0:
            length = _ended_above(o, d, packed, lift_m, length)
        mine = left[pose % len(left)]
        mine[:] = marks
        for layer, scan, first in scans:
            counts = _counts(o, d, length, scan, bounds)
            mine[min(layer, len(mine) - 1), first : first + scan.rows][counts < least_hits] = 0
        found[pose] = (mine[0] & 1).sum(), (mine[0] >> 1).sum()
    return found


def _turned(own: FloatArray, m: FloatArray) -> FloatArray:
    """Vectors of the sensor frame in the door frame, by the operations of the compiled back end in their order."""
    return np.column_stack([m[i, 0] * own[:, 0] + m[i, 1] * own[:, 1] + m[i, 2] * own[:, 2] for i in range(3)])


def _ended_above(o: FloatArray, d: FloatArray, packed: Packed, lift_m: float, length: FloatArray) -> FloatArray:
    """Lengths of rays that end where they come within a margin of the floor."""
    near_m, near_rise, far_m, far_rise = packed.floor
    everywhere = np.full_like(length, FAR)
    floors = ((-1.0, near_m + lift_m, near_rise), (1.0, far_m + lift_m, far_rise))
    ends = [_numpy.convex_entry(_numpy.floor_cuts(o, d, *floor), everywhere) for floor in floors]
    return np.minimum(length, np.minimum(*ends))


def _counts(o: FloatArray, d: FloatArray, length: FloatArray, scan: Scan, bounds: IntArray) -> CountArray:
    """Greatest count of a group of rays at each place."""
    most = np.zeros((scan.rows, scan.columns), dtype=np.int32)
    across = np.zeros((scan.rows, scan.columns + 1), dtype=np.int32)
    along = np.zeros((scan.rows + 1, scan.columns), dtype=np.int32)
    for first, past in pairwise(bounds.tolist()):
        part = slice(first, past)
        _numpy.fill(o[part], d[part], np.zeros(past - first), length[part], scan, across, along)
        _numpy.collect(across, along, most)
    return most

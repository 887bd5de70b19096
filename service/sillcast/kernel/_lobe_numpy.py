"""Plain back end of lobes on a grid; `lobe_cells` explains it. `_lobe_numba` computes the same."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sillcast.kernel.frame import FloatArray

__all__ = ["Beam", "shares_needed"]

ShareArray = npt.NDArray[np.int8]


class Beam(NamedTuple):
    """A lobe as numbers: place [m], columns of its frame, pattern, edges, and what an echo may lose.

    `exponent` and `stretch` are those of the gain pattern; `edge` the inverse tangents of the edges' half angles; an
    echo of j shares is strong enough while the losses stay within `may_lose[j - 1]` [dB].
    """

    origin: FloatArray
    matrix: FloatArray
    exponent: float
    stretch: FloatArray
    edge: FloatArray
    absorption_db_per_m: float
    farthest_m: float
    least_radial_speed_m_per_s: float
    may_lose: FloatArray


def shares_needed(beam: Beam, levels: FloatArray, courses: FloatArray, x: FloatArray, y: FloatArray) -> ShareArray:
    """Least number of shares of a body's echo that are enough (courses, levels, rows, columns), one more if none is.

    Levels (k, 2) are height [m] and fall [1] of planes; courses (v, 2) velocities away from the head, 0 for any. [m/s]
    """
    most = len(beam.may_lose)
    found = np.empty((len(courses), len(levels), len(y), len(x)), dtype=np.int8)
    w_x, w_y = np.broadcast_arrays(x - beam.origin[0], (y - beam.origin[1])[:, None])
    for k, (height, fall) in enumerate(levels):
        w_z = height - fall * (w_y + beam.origin[1]) - beam.origin[2]
        own = [w_x * beam.matrix[0, i] + w_y * beam.matrix[1, i] + w_z * beam.matrix[2, i] for i in range(3)]
        r = np.sqrt(np.maximum(w_x * w_x + w_y * w_y + w_z * w_z, 1e-24))
        bent2 = np.maximum(sum((s * a) * (s * a) for s, a in zip(beam.stretch, own, strict=True)), 1e-24)
        across2 = (beam.edge[0] * own[0]) ** 2 + (beam.edge[1] * own[1]) ** 2
        inside = (own[2] >= 0.0) & (across2 <= own[2] * own[2]) & (r <= beam.farthest_m)
        lost = 20.0 * (beam.exponent + 1.0) * np.log10(bent2) + 2.0 * beam.absorption_db_per_m * r
        lost = lost - 40.0 * beam.exponent * np.log10(np.maximum(own[2], 1e-12))
        shares = 1 + (lost[..., None] > beam.may_lose).sum(axis=2)
        for v, (v_x, v_y) in enumerate(courses):
            closes = w_x * v_x + w_y * v_y >= beam.least_radial_speed_m_per_s * r
            found[v, k] = np.where(inside & closes, shares, most + 1)
    return found

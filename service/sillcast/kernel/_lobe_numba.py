"""Compiled back end of lobes on a grid: the formulas of `_lobe_numpy`, but not at every place.

In a plane the loss has one valley alone, and what never counts lies around it. So between two places of a row that
need equally many shares all need as many, but beside the least loss of the places looked at.
"""

from math import inf, log10, sqrt

import numpy as np

from sillcast.kernel._lobe_numpy import Beam, ShareArray
from sillcast.kernel._numba_clip import compiled, inlined, plain
from sillcast.kernel.frame import FloatArray

__all__ = ["shares_needed"]

Three = tuple[float, float, float]
Frame = tuple[tuple[Three, Three, Three], Three, tuple[float, float]]  # axes of the lobe, its stretch, its edges
Loss = tuple[float, float, float, float]  # exponent, absorption, farthest, least radial speed

_STEP = 8  # places of a row from one that is looked at first to the next


def shares_needed(beam: Beam, levels: FloatArray, courses: FloatArray, x: FloatArray, y: FloatArray) -> ShareArray:
    """Least number of shares of a body's echo that are enough; see `_lobe_numpy.shares_needed`."""
    found = np.empty((len(courses), len(levels), len(y), len(x)), dtype=np.int8)
    beam = Beam._make(plain(part) if isinstance(part, np.ndarray) else part for part in beam)
    _shares_needed(beam, plain(levels), plain(courses), plain(x), plain(y), found)
    return found


@compiled
def _shares_needed(
    beam: Beam, levels: FloatArray, courses: FloatArray, x: FloatArray, y: FloatArray, found: ShareArray
) -> None:
    m, s = beam.matrix, beam.stretch
    axes = ((m[0, 0], m[1, 0], m[2, 0]), (m[0, 1], m[1, 1], m[2, 1]), (m[0, 2], m[1, 2], m[2, 2]))
    frame = (axes, (s[0], s[1], s[2]), (beam.edge[0], beam.edge[1]))
    loss = (beam.exponent, beam.absorption_db_per_m, beam.farthest_m, beam.least_radial_speed_m_per_s)
    away = x - beam.origin[0]
    for v in range(len(courses)):
        course = (courses[v, 0], courses[v, 1])
        for k in range(len(levels)):
            for j in range(len(y)):
                place = (y[j] - beam.origin[1], levels[k, 0] - levels[k, 1] * y[j] - beam.origin[2])
                _row(away, place, frame, loss, course, beam.may_lose, found[v, k, j])


@compiled
def _row(
    away: FloatArray,
    place: tuple[float, float],
    frame: Frame,
    loss: Loss,
    course: tuple[float, float],
    may_lose: FloatArray,
    row: ShareArray,
) -> None:
    last, best, least = len(away) - 1, 0, inf
    for i in range(0, last + _STEP, _STEP):
        at = min(i, last)
        lost = _lost((away[at], place[0], place[1]), frame, loss, course)
        row[at] = _shares(lost, may_lose)
        if lost < least:
            best, least = at, lost
    for first in range(0, last, _STEP):
        end = min(first + _STEP, last)
        if row[first] == row[end] and best not in (first, end) and least < inf:
            row[first + 1 : end] = row[first]
        else:
            for i in range(first + 1, end):
                row[i] = _shares(_lost((away[i], place[0], place[1]), frame, loss, course), may_lose)


@inlined
def _lost(w: Three, frame: Frame, loss: Loss, course: tuple[float, float]) -> float:
    """What the echo from a place loses on its way, [dB]; infinite where it never counts."""
    (axes, s, edge), (exponent, absorption, farthest, speed) = frame, loss
    r = sqrt(max(_dot(w, w), 1e-24))
    a, b, z = _dot(w, axes[0]), _dot(w, axes[1]), _dot(w, axes[2])
    inside = z >= 0.0 and (edge[0] * a) ** 2 + (edge[1] * b) ** 2 <= z * z and r <= farthest
    if not inside or w[0] * course[0] + w[1] * course[1] < speed * r:
        return inf
    bent = (s[0] * a, s[1] * b, s[2] * z)
    lost = 20.0 * (exponent + 1.0) * log10(max(_dot(bent, bent), 1e-24)) + 2.0 * absorption * r
    return lost - 40.0 * exponent * log10(max(z, 1e-12))


@inlined
def _shares(lost: float, may_lose: FloatArray) -> int:
    shares = 1
    for most in may_lose:
        shares += lost > most
    return shares


@inlined
def _dot(one: Three, other: Three) -> float:
    return one[0] * other[0] + one[1] * other[1] + one[2] * other[2]

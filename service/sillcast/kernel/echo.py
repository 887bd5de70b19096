"""Which places of a solid give a lobe an echo of their own: what a head hears of a leaf, or of a thing that moves."""

from __future__ import annotations

from math import ceil

import numpy as np
import numpy.typing as npt

from sillcast.kernel.frame import FloatArray
from sillcast.kernel.lobe import Lobe
from sillcast.kernel.sight import seen_from
from sillcast.kernel.solids import Prism, Surroundings

__all__ = ["PLATE_ECHO_M2", "echoing", "faces", "hears"]

PLATE_ECHO_M2 = 10.3  # flat metal disc of 120 mm square on at 24 GHz, 4 pi A^2 / wavelength^2: a leaf shows as much
_APART_M = 0.25  # between places that are tried, at most
_ALONG_LEAST = 5  # places along each edge of a face


def echoing(lobe: Lobe, prism: Prism, around: Surroundings) -> FloatArray:
    """Places on a grid over a prism's upright faces of which a lobe gets echo enough, in sight past all others [1]_.

    Parameters
    ----------
    lobe : Lobe
        The lobe.
    prism : Prism
        What may echo, as strongly as a flat metal plate square on.
    around : Surroundings
        What may hide it; the prism itself is not among it.

    Returns
    -------
    points : (n, 3) array
        Empty where the lobe hears nothing of the prism. [m]

    References
    ----------
    .. [1] Geometry; checked against the edges of a lobe by tests/unit/test_lobe_echo.py.
    """
    points = faces(prism)
    near = points[hears(lobe, points)]
    return near[seen_from(lobe.origin, near, around)]


def hears(lobe: Lobe, points: FloatArray) -> npt.NDArray[np.bool_]:
    """Of which places (n, 3) [m] a lobe gets echo enough if a plate stands there and nothing hides it."""
    return np.asarray(lobe.excess_db(points, max(lobe.echo_m2, PLATE_ECHO_M2)) >= 0.0)


def faces(prism: Prism) -> FloatArray:
    """Points (n, 3) on the upright faces of a prism, 0.25 m apart at most, edges and corners included. [m]"""
    ring, after = prism.ring, np.roll(prism.ring, -1, axis=0)
    plan = np.vstack(
        [
            a + np.linspace(0.0, 1.0, _places(float(np.hypot(*(b - a)))))[:, None] * (b - a)
            for a, b in zip(ring, after, strict=True)
        ]
    )
    heights = np.linspace(prism.base_m, prism.top_m, _places(prism.top_m - prism.base_m))
    return np.column_stack([np.tile(plan, (len(heights), 1)), np.repeat(heights, len(plan))])


def _places(length_m: float) -> int:
    return max(_ALONG_LEAST, ceil(length_m / _APART_M) + 1)

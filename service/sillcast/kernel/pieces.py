"""Convex pieces of a detection region: what neighbouring rays of one group guarantee together.

Each ray m shows, seen from above, the straight part S_m of it that can hit a body; in the body's own axes a body with
footprint K at p is hit by it exactly if p lies in S_m (+) (-K). All footprints here are point-symmetric: -K = K.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sillcast.kernel import _pieces_numpy
from sillcast.kernel._pieces_numpy import dilated, footprints
from sillcast.kernel.clip import engine_for
from sillcast.kernel.frame import FloatArray

__all__ = ["CORNERS", "Segments", "Upright", "covering_pieces", "dilated", "footprints", "sure_pieces"]

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

CORNERS = 24  # of the polygon that stands for a disc


engine = engine_for("pieces")


@dataclass(frozen=True, eq=False)
class Segments:
    """Parts of rays that may hit, seen from above in the body's own axes.

    Attributes
    ----------
    near, far : (n, 2) array
        Ends of each part, the one towards the origin first. [m]
    valid : (n,) array
        False where the ray has no such part.
    spot_m : (n,) array
        Radius of the light spot at the far end. [m]
    group : (n,) array
        Group of each ray, ascending.
    """

    near: FloatArray
    far: FloatArray
    valid: BoolArray
    spot_m: FloatArray
    group: IntArray


@dataclass(frozen=True, eq=False)
class Upright:
    """Upright prism in a body: rectangle of half sides `half` (2,), or disc of radius half[0]; heights. [m]"""

    half: FloatArray
    is_round: bool
    low_m: float
    high_m: float


def sure_pieces(segments: Segments, upright: Upright, hits: int) -> tuple[list[FloatArray], IntArray]:
    """Convex pieces in which the body is hit by at least `hits` consecutive rays of one group [1]_.

    Parameters
    ----------
    segments : Segments
        Parts of the rays, in the body's axes.
    upright : Upright
        Footprint of the body.
    hits : int
        Consecutive rays that must hit. [1]

    Returns
    -------
    pieces : list of (m, 2) array
        Rings, counter-clockwise. [m]
    rays : (p,) array
        For each piece the index of a ray of the group it belongs to. [1]

    Notes
    -----
    Two sorts. Between rays m, m + 1: let v be the greatest step from one ray's part to the next, over (hits - 1) // 2
    more rays on both sides. A point of the ruled quadrilateral of the two parts has the `hits` nearest rays within
    hits v / 2 of it, because going sideways at the same fraction of the parts each step is at most v. So if the
    footprint shrunk by hits v / 2 meets the quadrilateral, the whole footprint meets these rays. Nothing is assumed of
    what lies between rays: behind the edge of an obstacle v is large and the piece vanishes. Steps are taken by
    components, for a disc along and across the row of each group. Quadrilaterals in a row with straight ends are put
    together. At the ends of such rows, where they vanish, and where they would cost more than 30 mm of depth, stand the
    exact intersections of the sums of `hits` consecutive rays, which hold all that a quadrilateral there would.

    References
    ----------
    .. [1] Own derivation; tests/properties/test_region.py compares with ray-by-ray counts.
    """
    if len(segments.group) < hits:
        return [], np.empty(0, dtype=np.int64)
    axes = _row_axes(segments) if upright.is_round else None
    if axes is not None:
        segments = replace(segments, near=_in_axes(segments.near, axes), far=_in_axes(segments.far, axes))
    points, counts, rays = engine.pieces(
        segments.near, segments.far, segments.valid, segments.spot_m, segments.group,
        upright.half, CORNERS if upright.is_round else 0, hits,
    )  # fmt: skip
    if axes is not None:
        back = np.repeat(axes[rays], counts, axis=0) * [1.0, -1.0]
        points = _in_axes(points, back)
    order = np.argsort(rays, kind="stable")
    ends = np.cumsum(counts)
    spans = zip((ends - counts)[order].tolist(), ends[order].tolist(), strict=True)
    return [points[a:b] for a, b in spans], rays[order]


def covering_pieces(segments: Segments, upright: Upright) -> tuple[list[FloatArray], IntArray]:
    """Rings that hold every place where the body may touch one of the parts, with a ray of the group of each.

    Single rays and rows of quadrilaterals with straight ends, dilated by the whole footprint (a disc by the polygon
    around it) and the greatest spot.
    """
    half = upright.half + segments.spot_m.max(initial=0.0)
    if upright.is_round:
        half = half / np.cos(np.pi / CORNERS)
    quads, rays = _pieces_numpy.covering_quads(segments.near, segments.far, segments.valid, segments.group)
    shape = footprints(np.zeros((1, 2)), half[None], CORNERS if upright.is_round else 0)
    return list(dilated(quads, np.broadcast_to(shape, (len(quads), *shape.shape[1:])))), rays


def _row_axes(segments: Segments) -> FloatArray:
    """Unit vector (n, 2) along the row of each ray's group: principal direction of the steps between near ends."""
    step = np.diff(segments.near, axis=0)
    step[~(segments.valid[:-1] & segments.valid[1:] & (segments.group[:-1] == segments.group[1:]))] = 0.0
    doubled = np.zeros((len(segments.group), 2))
    doubled[1:, 0] = step[:, 0] ** 2 - step[:, 1] ** 2
    doubled[1:, 1] = 2.0 * step[:, 0] * step[:, 1]
    starts = np.flatnonzero(np.concatenate([[True], np.diff(segments.group) != 0]))
    total = np.add.reduceat(doubled, starts, axis=0)
    angle = np.arctan2(total[:, 1], total[:, 0]) / 2.0
    sizes = np.diff([*starts.tolist(), len(segments.group)])
    return np.repeat(np.stack([np.cos(angle), np.sin(angle)], axis=1), sizes, axis=0)


def _in_axes(points: FloatArray, axes: FloatArray) -> FloatArray:
    """Points (n, 2) in axes whose first unit vector is given for each."""
    c, s = axes[:, 0], axes[:, 1]
    return np.stack([c * points[:, 0] + s * points[:, 1], c * points[:, 1] - s * points[:, 0]], axis=1)

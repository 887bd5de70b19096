"""Convex pieces of a detection region on plain numpy; `pieces` explains them. Twin of `_pieces_numba`."""

import numpy as np
import numpy.typing as npt

from sillcast.kernel.frame import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
IndexArray = npt.NDArray[np.intp]

STRAIGHT_M = 1e-10  # departure from a straight line that is rounding, not shape
ARC_M = 5e-4  # sagitta given away where the ends of the rays follow the arc of the range
RATIO = 1.25  # depths lost between rays that are this close are treated as the greatest of them
LEAST_LOSS_M = 0.004  # lost depths below this need no telling apart
FLAT_M2 = 1e-12  # doubled area below which a quadrilateral is a segment
COARSE_M = 0.03  # where more depth is lost, the exact pieces of each set of rays hold all that a quadrilateral would
_CHUNK = 2_000_000  # numbers held at once while borders are cut with each other


def pieces(
    near: FloatArray, far: FloatArray, valid: BoolArray, spot: FloatArray, group: IntArray,
    half: FloatArray, corners: int, hits: int,
) -> tuple[FloatArray, IntArray, IntArray]:  # fmt: skip
    """All rings one after the other: points (p, 2) in metres, points in each ring (m,), a ray of each ring (m,)."""
    step = _steps(near, far, valid, group)
    lost, room, good = _room(near, far, step, spot, half, corners, hits)
    depth = _lost_depth(lost, room, corners)
    good &= depth <= COARSE_M
    starts = _needed_windows(valid, group, good, hits)
    first, last = _runs(near, far, good, _loss_class(depth))
    at = np.concatenate([[0], np.cumsum(last - first + 1)[:-1]]).astype(np.intp) if len(first) else first
    lost_most = np.maximum.reduceat(lost[good], at, axis=0) if len(first) else lost[:0]
    room_least = np.minimum.reduceat(room[good], at, axis=0) if len(first) else room[:0]
    rings = list(dilated(_run_quads(near, far, first, last), footprints(lost_most, room_least, corners)))
    exact, kept = _common(near, far, room_of(half, spot), starts, corners, hits)
    rings += exact
    counts = np.array([len(ring) for ring in rings], dtype=np.int64)
    points = np.concatenate([np.empty((0, 2)), *rings])
    return points, counts, np.concatenate([first, kept]).astype(np.int64)


def room_of(half: FloatArray, spot: FloatArray) -> FloatArray:
    """Half sides of the footprint that are left when the whole spot has to fall on it (n, 2). [m]"""
    return half - spot[:, None]


def footprints(lost: FloatArray, half: FloatArray, corners: int) -> FloatArray:
    """Footprints without what is lost along both axes (m, v, 2): rectangles, for corners > 0 discs.

    What is left of a disc of radius r, all of whose translates by up to (e, f) lie in the disc, is the lens
    (|x| + e)^2 + (|y| + f)^2 <= r^2; its corners lie on the border. If nothing is left, the centre.
    """
    if not corners:
        x, y = np.maximum(half - lost, 0.0).T
        return np.stack(
            [np.stack([-x, -y], 1), np.stack([x, -y], 1), np.stack([x, y], 1), np.stack([-x, y], 1)], axis=1
        )
    radius = half[:, :1]
    safe = np.maximum(radius, 1e-300)
    start, end = np.arcsin(np.minimum(lost[:, 1:] / safe, 1.0)), np.arccos(np.minimum(lost[:, :1] / safe, 1.0))
    angle = start + (end - start) * np.linspace(0.0, 1.0, corners // 4 + 1)
    some = end >= start
    x = np.where(some, np.maximum(radius * np.cos(angle) - lost[:, :1], 0.0), 0.0)
    y = np.where(some, np.maximum(radius * np.sin(angle) - lost[:, 1:], 0.0), 0.0)
    quadrants = [(x, y), (-x[:, ::-1], y[:, ::-1]), (-x, -y), (x[:, ::-1], -y[:, ::-1])]
    return np.concatenate([np.stack(quadrant, axis=-1) for quadrant in quadrants], axis=1)


def dilated(quads: FloatArray, shapes: FloatArray) -> FloatArray:
    """Minkowski sums of convex quadrilaterals with point-symmetric convex polygons.

    Parameters
    ----------
    quads : (m, 4, 2) array
        Corners in order, either way round; may be flat. [m]
    shapes : (m, v, 2) array
        Polygon added to each, counter-clockwise. [m]

    Returns
    -------
    rings : (m, v + 4, 2) array
        Counter-clockwise, convex. The edges of a sum are the edges of both, sorted by direction [1]_. [m]

    References
    ----------
    .. [1] M. de Berg and others, Computational Geometry, 3rd edition, theorem 13.10.
    """
    quads = _oriented(quads)
    edges = np.concatenate([np.roll(quads, -1, axis=1) - quads, np.roll(shapes, -1, axis=1) - shapes], axis=1) + 0.0
    order = np.argsort(np.arctan2(edges[..., 1], edges[..., 0]), axis=1, kind="stable")
    edges = np.take_along_axis(edges, order[..., None], axis=1)
    # directions run from above -180 to 180 deg: the first corner is the topmost, of equals the leftmost (no -0.0 above)
    return np.asarray((_topmost(quads) + _topmost(shapes))[:, None, :] + np.cumsum(edges, axis=1))


def covering_quads(near: FloatArray, far: FloatArray, valid: BoolArray, group: IntArray) -> tuple[FloatArray, IntArray]:
    """Quadrilaterals (m, 4, 2) that hold all parts, and a ray of each: rows with straight ends, and single rays. [m]"""
    joined = np.asarray(np.isfinite(_steps(near, far, valid, group)).all(axis=1))
    rows, first = straight_rows(near, far, joined)
    alone = valid.copy()
    alone[:-1] &= ~joined
    alone[1:] &= ~joined
    rays = np.flatnonzero(alone)
    quads = np.concatenate([rows, _segment_quads(near, far, rays)])
    return quads, np.concatenate([first, rays]).astype(np.int64)


def straight_rows(near: FloatArray, far: FloatArray, joined: BoolArray) -> tuple[FloatArray, IndexArray]:
    """Quadrilaterals (m, 4, 2) of neighbouring parts (n, 2), straight rows in one, and the first ray of each.

    `joined` (n - 1,) tells which neighbours make one.
    """
    first, last = _runs(near, far, joined, None)
    return _run_quads(near, far, first, last), first


def _topmost(rings: FloatArray) -> FloatArray:
    """Highest corner of each ring, the leftmost of equals."""
    order = np.lexsort((-rings[..., 0], rings[..., 1]), axis=1)[:, -1]
    return np.asarray(rings[np.arange(len(rings)), order])


def _oriented(quads: FloatArray) -> FloatArray:
    """Counter-clockwise; flat ones as the segment between their ends."""
    doubled = _cross(quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1])
    quads = np.where((doubled < 0.0)[:, None, None], quads[:, ::-1], quads)
    flat = np.flatnonzero(np.abs(doubled) < FLAT_M2)
    if len(flat):
        points = quads[flat]
        spans = np.linalg.norm(points[:, :, None] - points[:, None, :], axis=-1).reshape(len(flat), 16)
        i, j = np.divmod(spans.argmax(axis=1), 4)
        rows = np.arange(len(flat))
        a, b = points[rows, i], points[rows, j]
        quads[flat] = np.stack([a, b, b, a], axis=1)
    return quads


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _steps(near: FloatArray, far: FloatArray, valid: BoolArray, group: IntArray) -> FloatArray:
    """Greatest step between neighbours, by component (n - 1, 2); infinite where they are no neighbours."""
    step = np.maximum(np.abs(np.diff(near, axis=0)), np.abs(np.diff(far, axis=0)))
    step[~(valid[:-1] & valid[1:] & (group[:-1] == group[1:]))] = np.inf
    return step


def _room(
    near: FloatArray, far: FloatArray, step: FloatArray, spot: FloatArray, half: FloatArray, corners: int, hits: int
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Lost half sides and half sides under the spot between each two rays (n - 1, 2), and where that makes a piece."""
    more = (hits - 1) // 2
    lost = 0.5 * hits * _sliding_greatest(step, more)
    room = half - _sliding_greatest(np.maximum(spot[:-1], spot[1:])[:, None], more)
    in_disc = (room[:, 0] >= 0.0) & ((lost**2).sum(axis=1) <= room[:, 0] ** 2)
    fits = in_disc if corners else (lost <= room).all(axis=1)
    return lost, room, np.asarray(fits & _convex(near, far))


def _sliding_greatest(values: FloatArray, more: int) -> FloatArray:
    """Greatest of each row and `more` rows before and after; infinite where there are not as many."""
    out = values.copy()
    for shift in range(1, more + 1):
        np.maximum(out[shift:], values[:-shift], out=out[shift:])
        np.maximum(out[:-shift], values[shift:], out=out[:-shift])
    if more:
        out[:more] = out[-more:] = np.inf
    return out


def _convex(near: FloatArray, far: FloatArray) -> BoolArray:
    """Where the quadrilateral of two neighbours turns one way only, so that it equals its ruled surface."""
    corners = np.stack([near[:-1], near[1:], far[1:], far[:-1]], axis=1)
    edges = np.roll(corners, -1, axis=1) - corners
    turns = _cross(edges, np.roll(edges, -1, axis=1))
    return np.asarray((turns >= -FLAT_M2).all(axis=1) | (turns <= FLAT_M2).all(axis=1))


def _lost_depth(lost: FloatArray, room: FloatArray, corners: int) -> FloatArray:
    """Depth that spacing costs across the row (n - 1,). [m]

    Across a row along (u, v) a rectangle without (e, f) = l (u, v) is less deep by 2 l u v, a disc (in the row's axes)
    by about e^2 / 2 r + f.
    """
    finite = np.where(np.isfinite(lost).all(axis=1, keepdims=True), lost, 1.0)
    e, f = finite.T
    if corners:
        return np.asarray(e * e / np.maximum(2.0 * room[:, 0], 1e-9) + f)
    return np.asarray(2.0 * e * f / np.maximum(np.hypot(e, f), 1e-300))


def _loss_class(depth: FloatArray) -> IntArray:
    """Class of ratio 1.25 of a lost depth; rows of one class are put together."""
    return np.asarray(np.floor(np.log(np.clip(depth, LEAST_LOSS_M, 1e3)) / np.log(RATIO)), dtype=np.int64)


def _runs(
    near: FloatArray, far: FloatArray, good: BoolArray, loss_class: IntArray | None
) -> tuple[IndexArray, IndexArray]:
    """First and last quadrilateral of each row that may be put together to one.

    With classes (pieces that must lie inside) the far ends may follow an arc bulging outwards; without, both
    chains of ends are straight, so that the result holds each single part.
    """
    index = np.flatnonzero(good)
    if len(index) < 2:
        return index, index
    adjacent = index[1:] == index[:-1] + 1
    near_turn, far_turn, sign = _chain_turns(near, far, index[:-1], adjacent)
    straight = np.abs(far_turn) <= STRAIGHT_M
    together = np.abs(near_turn) <= STRAIGHT_M
    if loss_class is None:
        together &= straight
    else:
        together &= straight | (np.where(np.isfinite(far_turn), far_turn, 0.0) * sign > 0.0)
        together[1:] &= (straight[1:] == straight[:-1]) | ~adjacent[:-1]  # a corner is no arc
        together &= loss_class[index[1:]] == loss_class[index[:-1]]
        together[1:] &= np.diff(_arc_number(np.where(together & ~straight, np.abs(far_turn), 0.0))) == 0.0
    starts = np.flatnonzero(np.concatenate([[True], ~together]))
    ends = np.concatenate([starts[1:], [len(index)]]) - 1
    return index[starts], index[ends]


def _arc_number(turn: FloatArray) -> FloatArray:
    """Number of the chord along a bulging chain, such that no chord is farther than the tolerance from its arc.

    The sagitta of j steps is j^2 / 4 times the departure of the middle of two steps: roots add up.
    """
    return np.asarray(np.floor(np.cumsum(0.5 * np.sqrt(turn)) / np.sqrt(ARC_M)))


def _chain_turns(
    near: FloatArray, far: FloatArray, m: IndexArray, adjacent: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Departure of the middle of three ends from the line of the others, near and far [m], and the way round."""
    turns = []
    for chain in (near, far):
        first, second = chain[m + 1] - chain[m], chain[m + 2] - chain[m + 1]
        chord = np.hypot(*(first + second).T)
        turn = _cross(first, second) / np.maximum(chord, 1e-300)
        turn[((first * second).sum(axis=1) < 0.0) | ~adjacent] = np.inf
        turns.append(turn)
    # order near_m near_m+1 far_m+1 far_m: where it is clockwise, the far chain runs counter-clockwise
    sign = np.sign(_cross(far[m + 1] - near[m], near[m + 1] - far[m]))
    return turns[0], turns[1], sign


def _run_quads(near: FloatArray, far: FloatArray, first: IndexArray, last: IndexArray) -> FloatArray:
    return np.stack([near[first], near[last + 1], far[last + 1], far[first]], axis=1)


def _segment_quads(near: FloatArray, far: FloatArray, rays: IndexArray) -> FloatArray:
    return np.stack([near[rays], far[rays], far[rays], near[rays]], axis=1)


def _needed_windows(valid: BoolArray, group: IntArray, good: BoolArray, hits: int) -> IndexArray:
    """First rays of the sets of consecutive rays that the quadrilaterals do not stand for."""
    count = len(group) - hits + 1
    usable = group[:count] == group[hits - 1 :]
    for j in range(hits):
        usable &= valid[j : j + count]
    padded = np.concatenate([[False], good, [False]])  # quadrilateral m at m + 1
    middle = np.arange(count) + (hits - 1) // 2
    covered = padded[middle] & padded[middle + 1]
    if hits % 2 == 0:
        covered &= padded[middle + 2]
    return np.flatnonzero(usable & ~covered)


def _common(
    near: FloatArray, far: FloatArray, room: FloatArray, starts: IndexArray, corners: int, hits: int
) -> tuple[list[FloatArray], IndexArray]:
    """Intersections of the sums of `hits` consecutive rays with the footprint, those that are not empty."""
    if hits == 1:
        starts = starts[(room[starts] >= 0.0).all(axis=1)]
        shapes = footprints(np.zeros((len(starts), 2)), room[starts], corners)
        return list(dilated(_segment_quads(near, far, starts), shapes)), starts
    normals, offsets, starts = _half_planes(near, far, room, starts, corners, hits)
    lines = normals.shape[1]
    rows = max(1, _CHUNK // lines**3)
    found: list[FloatArray | None] = []
    for at in range(0, len(starts), rows):
        found += _cut(normals[at : at + rows], offsets[at : at + rows])
    kept = [start for start, ring in zip(starts.tolist(), found, strict=True) if ring is not None]
    return [ring for ring in found if ring is not None], np.asarray(kept, dtype=np.intp)


def _half_planes(
    near: FloatArray, far: FloatArray, room: FloatArray, starts: IndexArray, corners: int, hits: int
) -> tuple[FloatArray, FloatArray, IndexArray]:
    """Half-planes n . p <= c whose intersection the windows are: normals (w, h, 2), offsets (w, h), windows left."""
    rays = starts[:, None] + np.arange(hits)
    low, high = np.minimum(near, far) - room, np.maximum(near, far) + room
    alive = (room[rays] >= 0.0).all(axis=(1, 2)) & (low[rays].max(axis=1) < high[rays].min(axis=1)).all(axis=1)
    starts, rays = starts[alive], rays[alive]
    a, b, half = near[rays], far[rays], room[rays]
    unit = footprints(np.zeros((1, 2)), np.ones((1, 2)), corners)[0]
    edges = np.roll(unit, -1, axis=0) - unit
    edges = edges[np.hypot(*edges.T) > 1e-9]
    faces = np.stack([edges[:, 1], -edges[:, 0]], axis=1) / np.hypot(*edges.T)[:, None]
    reach = np.maximum(a @ faces.T, b @ faces.T) + np.einsum("whc,vc,fc->whfv", half, unit, faces).max(axis=-1)
    along = b - a
    length = np.hypot(along[..., 0], along[..., 1])
    point = length < 1e-12
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1) / np.where(point, 1.0, length)[..., None]
    across[point] = 0.0
    width = np.einsum("whc,vc,whc->whv", half, unit, across).max(axis=-1) + point
    middle = (across * a).sum(axis=-1)
    normals = np.concatenate([np.broadcast_to(faces, (len(starts), *faces.shape)), across, -across], axis=1)
    return normals, np.concatenate([reach.min(axis=1), width + middle, width - middle], axis=1), starts


def _cut(normals: FloatArray, offsets: FloatArray) -> list[FloatArray | None]:
    """Corners of the intersections of half-planes (w, h, 2), (w, h): a ring each, None where it is empty."""
    i, j = np.triu_indices(normals.shape[1], 1)
    det = _cross(normals[:, i], normals[:, j])
    apart = np.abs(det) > 1e-12
    det = np.where(apart, det, 1.0)
    x = (offsets[:, i] * normals[:, j, 1] - offsets[:, j] * normals[:, i, 1]) / det
    y = (offsets[:, j] * normals[:, i, 0] - offsets[:, i] * normals[:, j, 0]) / det
    reach = normals[:, None, :, 0] * x[..., None] + normals[:, None, :, 1] * y[..., None]
    inside = apart & (reach <= offsets[:, None, :] + STRAIGHT_M).all(axis=-1)
    return [_convex_ring(x[w, inside[w]], y[w, inside[w]]) for w in range(len(normals))]


def _convex_ring(x: FloatArray, y: FloatArray) -> FloatArray | None:
    """Corners of a convex polygon in any order, brought in order."""
    if len(x) < 3:
        return None
    order = np.argsort(np.arctan2(y - y.mean(), x - x.mean()))
    return np.stack([x[order], y[order]], axis=1)

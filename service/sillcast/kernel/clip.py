"""Where each ray ends: at its range, on the floor, or at the first prism in its way.

Exact in float64: a ray is cut by the half-spaces of each convex piece. All sets are closed, so a ray that grazes a face
ends there; only a prism that touches the ray's own origin (a head mounted on a wall face) is open for that ray. Memory:
`Packed` takes 64 bytes per corner and 64 per piece; the clip itself takes 24 bytes per ray and up to 150 without numba.
"""

import importlib
import os
from dataclasses import dataclass
from math import sqrt
from types import ModuleType
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import Polygon

from sillcast.errors import GeometryError
from sillcast.kernel import _numpy
from sillcast.kernel._numpy import FLOOR, RANGE, TOUCH_M, Packed
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray
from sillcast.kernel.solids import Prism, Surroundings

__all__ = [
    "FLOOR",
    "RANGE",
    "TOUCH_M",
    "Clipped",
    "Packed",
    "back_end",
    "engine",
    "engine_for",
    "free_lengths",
    "pack",
    "prism_holding",
]

Ring = list[list[float]]
Edge = tuple[float, ...]  # of a ring: x, y of both ends


def _chosen_engine() -> ModuleType:
    """The compiled back end, or plain numpy where numba is missing or SILLCAST_BACK_END=numpy asks for it."""
    if os.environ.get("SILLCAST_BACK_END", "") == "numpy":
        return _numpy
    try:
        return importlib.import_module("sillcast.kernel._numba")
    except ImportError:
        return _numpy


engine = _chosen_engine()


def back_end() -> str:
    """Back end in use: `numba` or `numpy`; both return equal numbers."""
    return "numpy" if engine is _numpy else "numba"


def engine_for(stem: str) -> ModuleType:
    """Module of this name of the back end in use: of `spans`, for one, `_spans_numba` or `_spans_numpy`."""
    return importlib.import_module(f"sillcast.kernel._{stem}_{back_end()}")


@dataclass(frozen=True, eq=False)
class Clipped:
    """Free lengths (n,) of rays [m]; stops (n,): -1 the range, -2 the floor, i >= 0 the prism of that index."""

    lengths: FloatArray
    stops: npt.NDArray[np.int64]


class _Piece(NamedTuple):
    """Convex piece of a prism: rows of `Packed.half`, and its box."""

    half: list[Edge]
    box: Edge


class _Solid(NamedTuple):
    """A prism: its convex pieces, and its edges as rows of `Packed.ring`."""

    pieces: list[_Piece]
    edges: list[Edge]


_packs: WeakKeyDictionary[Surroundings, Packed] = WeakKeyDictionary()
_solids: WeakKeyDictionary[Prism, _Solid] = WeakKeyDictionary()


def pack(around: Surroundings) -> Packed:
    """Surroundings as arrays, made once for each object (and each prism) and kept as long as it lives.

    Raises
    ------
    GeometryError
        If a ring is not a simple counter-clockwise polygon, or a prism is not higher than its base.
    """
    packed = _packs.get(around)
    if packed is None:
        packed = _packs[around] = _packed(around)
    return packed


def _packed(around: Surroundings) -> Packed:
    solids = [_solid(prism) for prism in around.prisms]
    pieces = [(index, piece) for index, solid in enumerate(solids) for piece in solid.pieces]
    rings = [solid.edges for solid in solids]
    near, far = around.floors.near, around.floors.far
    return Packed(
        half=_rows([row for _, piece in pieces for row in piece.half], 6),
        first=_offsets([piece.half for _, piece in pieces]),
        owner=np.array([index for index, _ in pieces], dtype=np.int64),
        box=_rows([piece.box for _, piece in pieces], 6),
        ring=_rows([edge for ring in rings for edge in ring], 4),
        ring_first=_offsets(rings),
        floor=(float(near.level_m), float(near.rise), float(far.level_m), float(far.rise)),
    )


def _rows(rows: list[Edge], width: int) -> FloatArray:
    return np.array(rows, dtype=np.float64).reshape(-1, width)


def _offsets(parts: list[list[Edge]]) -> npt.NDArray[np.int64]:
    return np.cumsum([0, *(len(part) for part in parts)], dtype=np.int64)


def _solid(prism: Prism) -> _Solid:
    solid = _solids.get(prism)
    if solid is None:
        ring = prism.ring.tolist()
        edges = _edges(ring)
        if not prism.top_m > prism.base_m or not sum(x0 * y1 - y0 * x1 for x0, y0, x1, y1 in edges) > 0.0:
            raise GeometryError(
                f"prism {prism.name}: the ring must run counter-clockwise and the top be above the base"
            )
        rings = [ring] if prism.is_convex else _convex_rings(prism)
        solid = _solids[prism] = _Solid([_piece(_edges(part), set(edges), prism) for part in rings], edges)
    return solid


def _edges(ring: Ring) -> list[Edge]:
    return [(*start, *end) for start, end in zip(ring, [*ring[1:], ring[0]], strict=True)]


def _convex_rings(prism: Prism) -> list[Ring]:
    """Convex pieces of a ring: its triangles, merged wherever two make a convex one [1]_.

    References
    ----------
    .. [1] S. Hertel, K. Mehlhorn, Fast triangulation of simple polygons, Lecture Notes in Computer Science 158 (1983)
       207-218: at most four times the least number of pieces.
    """
    polygon = Polygon(prism.ring)
    if not polygon.is_valid:
        raise GeometryError(f"prism {prism.name}: the ring crosses or touches itself")
    triangles = shapely.orient_polygons(shapely.get_parts(shapely.constrained_delaunay_triangles(polygon)))
    todo = [shapely.get_coordinates(triangle)[:3].tolist() for triangle in triangles]
    done: list[Ring] = []
    while todo:
        ring = todo.pop()
        for other in todo:
            merged = _merged(ring, other)
            if merged is not None:
                todo.remove(other)
                todo.append(merged)
                break
        else:
            done.append(ring)
    return done


def _merged(one: Ring, other: Ring) -> Ring | None:
    """Union of two rings that share an edge, if it is convex."""
    for i, end in enumerate(one):
        start = one[i - 1]
        if start in other and other[other.index(start) - 1] == end:
            j = other.index(start)
            ring = [*one[i:], *one[:i], *(other[j + 1 :] + other[:j])[:-1]]
            return ring if Prism("", np.array(ring), 0.0, 1.0).is_convex else None
    return None


def _piece(ring: list[Edge], faces: set[Edge], prism: Prism) -> _Piece:
    half: list[Edge] = []
    for edge in ring:
        x0, y0, x1, y1 = edge
        dx, dy = x1 - x0, y1 - y0
        length = sqrt(dx * dx + dy * dy)
        if length > 1e-12:
            nx, ny = dy / length, -dx / length
            half.append((nx, ny, nx * x0 + ny * y0, 1.0 if edge in faces else 0.0, x0, y0))
    x, y = [edge[0] for edge in ring], [edge[1] for edge in ring]
    return _Piece(half, (min(x), min(y), max(x), max(y), prism.base_m, prism.top_m))


def free_lengths(rays: Rays, around: Surroundings) -> Clipped:
    """Length of each ray up to its range, the floor or the first prism, whichever is nearest.

    A ray is cut by the half-spaces of each convex piece [1]_; the floor is one wedge on each side of y = 0. An origin
    under the floor or inside a prism gives length 0. A prism that has the origin within 1e-6 m of its surface is open
    for that ray: leaving it or running along its face is free, going inward stops at 0. An end within 1e-6 m of the
    range counts as the range, so that a receiver on a wall face is reached. Error: that of float64, below 1e-9 m at
    door scale.

    Parameters
    ----------
    rays : Rays
        Any rays; those that share their origin with the one before are fastest.
    around : Surroundings
        Floor and prisms.

    Returns
    -------
    Clipped
        Lengths [m] and stops.

    Raises
    ------
    GeometryError
        If a prism's ring is not simple and counter-clockwise.

    References
    ----------
    .. [1] M. Cyrus, J. Beck, Generalized two- and three-dimensional clipping, Computers & Graphics 3 (1978) 23-28.
    """
    lengths, stops = engine.clip(rays.origins, rays.directions, rays.range_m, pack(around))
    return Clipped(lengths, stops)


def prism_holding(around: Surroundings, point: npt.ArrayLike) -> int | None:
    """Index of the first prism that has the point (3,) more than 1e-6 m inside, or None. [1]

    Raises
    ------
    GeometryError
        If a prism's ring is not simple and counter-clockwise.
    """
    at, packed = np.asarray(point, dtype=np.float64).reshape(1, 3), pack(around)
    low, high = packed.box[:, [0, 1, 4]], packed.box[:, [2, 3, 5]]
    if not ((low < at) & (at < high)).all(axis=1).any():
        return None
    inside = _numpy.touching(at, packed)[1][0]
    return int(np.argmax(inside)) if inside.any() else None

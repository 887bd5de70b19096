"""How many rays hit a body, for each place of a grid, exactly at the cell centres and without casting a ray per place.

A body that stands plumb is hit by a ray where its reference point lies in the ray's piece between the body's foot and
top, projected to the floor and summed with the mirrored footprint. That set is convex, so on each row of the grid it is
one interval: +1 where it begins, -1 past its end, and one running sum gives all counts. The cost is one interval for
each ray and row that it meets; cells hardly matter.

Peak memory in bytes for n rays and a grid of c cells and m rows and columns: 12 c + 4 m + 8 n + 2**16, and 4 c more on
two floor planes; of this a thread keeps 8 c + 4 m for the next map, 2**24 at most. Fields add 150 q for the q pieces of
rays that they leave, and 7 * 2**20 while cutting; without numba 550 n + 24 c + 200 * 2**17 more.
"""

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from sillcast.errors import GeometryError
from sillcast.kernel import _numpy
from sillcast.kernel._numpy import Scan
from sillcast.kernel.clip import RANGE, Clipped, engine
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray, Floors
from sillcast.kernel.parts import counting_parts
from sillcast.kernel.plane import Region, following
from sillcast.kernel.solids import TestBody

__all__ = ["Countable", "Grid", "hit_counts", "inside", "is_one_plane", "scans", "smallest_detected"]

CountArray = npt.NDArray[np.int32]
LEVEL = Floors()
_KEPT_CELLS = 1 << 22  # up to 16 MiB for each thread
_kept = threading.local()


@dataclass(frozen=True)
class Grid:
    """Square cells: centre of cell 0 and cell size in metres; arrays over it are (rows, columns), y ascending."""

    x_m: float
    y_m: float
    cell_m: float
    columns: int
    rows: int

    def __post_init__(self) -> None:
        if not (self.cell_m > 0.0 and self.columns >= 0 and self.rows >= 0):
            raise GeometryError("grid: the cell must be above 0 m, columns and rows at least 0")

    @classmethod
    def over(cls, x0: float, x1: float, y0: float, y1: float, cell_m: float) -> "Grid":
        """Fewest whole cells from (x0, y0) that cover the rectangle up to (x1, y1). [m]"""
        if not (x1 >= x0 and y1 >= y0 and cell_m > 0.0):
            raise GeometryError("grid: x1 >= x0, y1 >= y0 and a cell above 0 m")
        columns, rows = (int(np.ceil(length / cell_m - 1e-9)) for length in (x1 - x0, y1 - y0))
        return cls(x0 + cell_m / 2.0, y0 + cell_m / 2.0, cell_m, columns, rows)

    @property
    def centres_x(self) -> FloatArray:
        """Centres of the columns (columns,). [m]"""
        return np.asarray(self.x_m + self.cell_m * np.arange(self.columns))

    @property
    def centres_y(self) -> FloatArray:
        """Centres of the rows (rows,). [m]"""
        return np.asarray(self.y_m + self.cell_m * np.arange(self.rows))

    def some_rows(self, first: int, past: int) -> "Grid":
        """The rows from `first` to before `past`. [1]"""
        return replace(self, y_m=self.y_m + first * self.cell_m, rows=past - first)


@dataclass(frozen=True, eq=False)
class Countable:
    """Pieces of rays on which a first hit counts, found once for bodies of any size, turn and grid.

    Attributes
    ----------
    rays : tuple of arrays
        Origins and directions (q, 3), start and end along the ray (q,), in the order of the rays. [m]
    bounds : (g + 1,) array
        Where each group begins, and the end: one group where all of the head's hits count together. [1]
    emission : Rays
        What they are pieces of.
    floors : Floors
        Floor of both sides.
    low_m : float
        Height above the floor under which a hit of these pieces does not count yet. [m]
    """

    rays: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    bounds: npt.NDArray[np.int64]
    emission: Rays
    floors: Floors
    low_m: float

    @classmethod
    def of(
        cls,
        rays: Rays,
        clipped: Clipped,
        *,
        floors: Floors = LEVEL,
        fields: Sequence[FloatArray] = (),
        least_above_m: float = 0.0,
    ) -> "Countable":
        """Pieces inside fields and above a least height; arguments of `hit_counts`."""
        end = np.where(clipped.stops == RANGE, clipped.lengths, 0.0) if rays.blocks else clipped.lengths
        margin = max(rays.floor_margin_m, least_above_m, 0.0)
        if not fields and (margin == 0.0 or _sinks(rays, floors, margin)):
            whole = (rays.origins, rays.directions, np.zeros_like(end), end)
            return cls(whole, _bounds(rays, rays.group), rays, floors, margin)
        rings = [np.asarray(ring, dtype=np.float64)[:, :2] for ring in fields]
        if len(rings) <= 1 and (margin == 0.0 or is_one_plane(floors)) and all(_is_convex(ring) for ring in rings):
            plane = (floors.far.level_m + margin, floors.far.rise) if margin > 0.0 else (-np.inf, 0.0)
            ray, begin, past = engine.convex_parts(rays.origins, rays.directions, end, plane, _edges(rings))
        else:
            low = floors if margin > 0.0 else None
            ray, begin, past = counting_parts(rays, np.zeros_like(end), end, rings, floors=low, margin_m=margin)
        some = (rays.origins[ray], rays.directions[ray], begin, past)
        return cls(some, _bounds(rays, rays.group[ray]), rays, floors, 0.0)

    def counts(self, body: TestBody, grid: Grid, *, angle_deg: float = 0.0, certain: bool = False) -> CountArray:
        """Number of rays that hit a body at each cell's centre; see `hit_counts`."""
        parts = scans(
            self.emission,
            body,
            grid,
            angle_deg=angle_deg,
            floors=self.floors,
            least_above_m=self.low_m,
            certain=certain,
        )
        some = [self._counts(scan) for scan, _ in parts]
        if len(some) == 1:
            return some[0]
        total, done = np.empty((grid.rows, grid.columns), dtype=np.int32), 0
        for counts, (scan, first) in zip(some, parts, strict=True):
            np.minimum(total[first:done], counts[: done - first], out=total[first:done])  # a cell on both floors
            total[done : first + scan.rows] = counts[done - first :]
            done = first + scan.rows
        return total

    def _counts(self, scan: Scan) -> CountArray:
        most = np.zeros((scan.rows, scan.columns), dtype=np.int32)
        with _counters(scan.rows, scan.columns) as (across, along):
            engine.count(self.rays, self.bounds, scan, across, along, most)
        return most


def _bounds(rays: Rays, group: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    turns = (np.flatnonzero(np.diff(group)) + 1).tolist() if rays.hits_within == "plane" else []
    return np.array([0, *turns, len(group)], dtype=np.int64)


def hit_counts(  # noqa: PLR0913 - four things to count, and five rules each with a usual value
    rays: Rays,
    clipped: Clipped,
    body: TestBody,
    grid: Grid,
    *,
    angle_deg: float = 0.0,
    floors: Floors = LEVEL,
    fields: Sequence[FloatArray] = (),
    least_above_m: float = 0.0,
    certain: bool = False,
) -> CountArray:
    """Number of rays that hit a body standing at each cell's centre [1]_.

    Equal to ray-by-ray float64 geometry, except where a ray passes within 2e-5 m of an edge or face of the body. Never
    too many: a spot counts only if whole; on a slope the body's foot and top are drawn in by rise * half its extent
    along y (a sphere's radius by the share rise / (1 + rise)); only a first hit inside `fields` counts, and at least
    max(floor_margin_m, least_above_m) above the floor under it.

    Parameters
    ----------
    rays, clipped : Rays, Clipped
        Rays and their free lengths (`free_lengths`); a beam that something stops for good counts nowhere.
    body : TestBody
        Box, upright cylinder or sphere on the floor.
    grid : Grid
        Places of the body's reference point, the centre of its footprint.
    angle_deg : float
        Turn of the body about the vertical, counter-clockwise from above. [deg]
    floors : Floors
        Floor of both sides; a body stands on that of its reference point, on the far one at y = 0.
    fields : sequence of (n, 2) arrays
        Rings in the door's plan, open, either way round; hits in their union count. None of them: all hits. [m]
    least_above_m : float
        Least height of a hit above the floor that counts. [m]
    certain : bool
        Count a ray only if it hits wherever in the cell the body stands.

    Returns
    -------
    counts : (rows, columns) int32 array
        Greatest count of one group where `rays.hits_within` is "plane", else the count of all. [1]

    Raises
    ------
    GeometryError
        If a size of the body is not above 0, or a round body's sizes differ.

    References
    ----------
    .. [1] The set is a Minkowski sum: M. de Berg et al., Computational Geometry, 3rd ed., Springer 2008, section 13.3.
       Checked against an independent ray caster by tests/published/test_ray_casting.py.
    """
    countable = Countable.of(rays, clipped, floors=floors, fields=fields, least_above_m=least_above_m)
    return countable.counts(body, grid, angle_deg=angle_deg, certain=certain)


def scans(
    rays: Rays,
    body: TestBody,
    grid: Grid,
    *,
    angle_deg: float,
    floors: Floors,
    least_above_m: float = 0.0,
    certain: bool = False,
) -> list[tuple[Scan, int]]:
    """What to rasterise for one body: one scan for each floor plane, with the first row of the grid that it covers.

    With `certain`, a row on both sides of y = 0 is covered by both.
    """
    _check(body)
    near, far = floors.near, floors.far
    if is_one_plane(floors):
        parts = [(grid, (far.level_m, far.rise), 0)]
    else:
        half = grid.cell_m / 2.0 if certain else 0.0
        near_rows = int(np.count_nonzero(grid.centres_y - half < 0.0))
        far_row = int(np.count_nonzero(grid.centres_y + half < 0.0))
        parts = [
            (grid.some_rows(0, near_rows), (near.level_m, -near.rise), 0),
            (grid.some_rows(far_row, grid.rows), (far.level_m, far.rise), far_row),
        ]
    made = [(_scan(rays, body, part, np.deg2rad(angle_deg), plane, certain), first) for part, plane, first in parts]
    return [(scan._replace(low=float(max(least_above_m, scan.low))), first) for scan, first in made]


def smallest_detected(
    rays: Rays,
    clipped: Clipped,
    bodies: Sequence[TestBody],
    grid: Grid,
    *,
    angle_deg: float = 0.0,
    floors: Floors = LEVEL,
    fields: Sequence[FloatArray] = (),
    least_above_m: float = 0.0,
) -> npt.NDArray[np.int16]:
    """Index of the first of nested bodies, smallest first, with at least `rays.least_hits` hits at each cell's centre.

    Parameters
    ----------
    rays, clipped
        As for `hit_counts`.
    bodies : sequence of TestBody
        Each contains the one before: boxes, cylinders or spheres that grow. [m]
    grid, angle_deg, floors, fields, least_above_m
        As for `hit_counts`.

    Returns
    -------
    smallest : (rows, columns) int16 array
        Index into `bodies`; len(bodies) where none is detected. [1]

    Raises
    ------
    GeometryError
        If the bodies are not of one shape or one does not contain the one before.
    """
    for small, large in pairwise(bodies):
        grows = (small.width_m <= large.width_m, small.depth_m <= large.depth_m, small.height_m <= large.height_m)
        if small.shape != large.shape or not all(grows):
            raise GeometryError(f"bodies must be of one shape and grow: {small.name}, {large.name}")
    smallest = np.full((grid.rows, grid.columns), len(bodies), dtype=np.int16)
    countable = Countable.of(rays, clipped, floors=floors, fields=fields, least_above_m=least_above_m)
    for index in reversed(range(len(bodies))):
        counts = countable.counts(bodies[index], grid, angle_deg=angle_deg)
        smallest[counts >= rays.least_hits] = index
    return smallest


def _check(body: TestBody) -> None:
    sizes = (body.width_m, body.depth_m, body.height_m)
    if not all(np.isfinite(sizes)) or min(sizes) <= 0.0:
        raise GeometryError(f"body {body.name}: width, depth and height must be above 0 m")
    round_sizes = {"box": sizes[:1], "cylinder": sizes[:2], "sphere": sizes}[body.shape]
    if len(set(round_sizes)) > 1:
        raise GeometryError(f"body {body.name}: a {body.shape} has its diameter as width and depth")


def is_one_plane(floors: Floors) -> bool:
    """True if both sides lie in one plane."""
    return floors.near.level_m == floors.far.level_m and floors.near.rise == -floors.far.rise


@contextmanager
def _counters(rows: int, columns: int) -> Iterator[tuple[CountArray, CountArray]]:
    """Difference arrays (rows, columns + 1) and (rows + 1, columns) of zeros, to be handed back as zeros.

    A thread keeps them: fresh pages of memory for a million cells take longer than the counting.
    """
    split, size = rows * (columns + 1), 2 * rows * columns + rows + columns
    cells: CountArray | None = getattr(_kept, "cells", None)
    _kept.cells = None  # in use, and not clear if this fails
    if cells is None or len(cells) < size:
        cells = np.zeros(size, dtype=np.int32)
    yield cells[:split].reshape(rows, columns + 1), cells[split:size].reshape(rows + 1, columns)
    _kept.cells = cells if len(cells) <= _KEPT_CELLS else None


def _scan(rays: Rays, body: TestBody, grid: Grid, angle_rad: float, plane: tuple[float, float], certain: bool) -> Scan:
    """What the back end has to know: the shape drawn in for slope and cell, its counterpart drawn out by as much.

    On a floor that rises by m along y, a point k off a body's reference has the body's foot m k_y higher: the box
    between the highest foot and the lowest top lies in every body. For a sphere |true distance - distance in sheared
    coordinates| <= m |k_y|. A hit is certain in a cell if the shape less the cell (erosion) is hit.
    """
    half, rise = (grid.cell_m / 2.0 if certain else 0.0), abs(plane[1])
    a, b, c, s = body.width_m / 2.0, body.depth_m / 2.0, float(np.cos(angle_rad)), float(np.sin(angle_rad))
    low, high, centre = 0.0, body.height_m, 0.0
    if body.shape == "box":
        kind, a, b, c, s = _turned(a, b, c, s)
        draw, lift = half * (c + s), rise * (a * s + b * c)
        sides, bar_sides = (a - draw, b - draw), (a + draw, b + draw)
    else:
        kind, draw = (_numpy.ROUND if body.shape == "cylinder" else _numpy.SPHERE), half * np.sqrt(2.0)
        lift = rise * a
        sides, bar_sides = (a - draw, a - draw), (a + draw, a + draw)
    if kind == _numpy.SPHERE:
        centre = a
        sides, bar_sides = (a / (1.0 + rise) - draw,) * 2, (a * (1.0 + rise) + draw,) * 2
    spot, spread = rays.beam_width_m / 2.0, float(np.tan(np.deg2rad(rays.divergence_deg) / 2.0))
    lengths = (
        *sides,
        low + lift,
        high - lift,
        *bar_sides,
        low - lift,
        high + lift,
        c,
        s,
        centre,
        spot,
        spread,
        *plane,
        grid.x_m,
        grid.y_m,
        grid.cell_m,
    )
    return Scan._make((kind, *(float(length) for length in lengths), grid.columns, grid.rows))


def _turned(a: float, b: float, c: float, s: float) -> tuple[int, float, float, float, float]:
    """Kind, half sides and turn of a box, the turn brought into [0, 90) degrees."""
    if abs(s) < 1e-12:
        return _numpy.BOX, a, b, 1.0, 0.0
    if abs(c) < 1e-12:
        return _numpy.BOX, b, a, 1.0, 0.0
    if c * s > 0.0:
        return _numpy.TURNED, a, b, abs(c), abs(s)
    return _numpy.TURNED, b, a, abs(s), abs(c)


def _sinks(rays: Rays, floors: Floors, margin: float) -> bool:
    """True if no ray rises above the margin after its start, so that a least height of the body says all."""
    if not is_one_plane(floors):
        return False
    height = rays.origins[:, 2] - floors.far.level_m - floors.far.rise * rays.origins[:, 1]
    rising = rays.directions[:, 2] - floors.far.rise * rays.directions[:, 1] > 0.0
    return not bool((rising & (height < margin)).any())


def _is_convex(ring: FloatArray) -> bool:
    """True if a ring that does not cross itself turns one way at all corners."""
    edge = following(ring) - ring
    turn = _cross(edge, following(edge))
    return bool((turn > 0.0).all() or (turn < 0.0).all())


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


def _edges(rings: Sequence[FloatArray]) -> FloatArray:
    """Edges (k, 5) of convex rings: x, y of both ends [m], and 1 where the ring runs counter-clockwise, else -1."""
    found = [np.empty((0, 5))]
    for ring in rings:
        ahead = following(ring)
        turn = 1.0 if _cross(ring, ahead).sum() > 0.0 else -1.0
        found.append(np.column_stack([ring, ahead, np.full(len(ring), turn)]))
    return np.concatenate(found)


def inside(region: Region, grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells (rows, columns) whose centre lies in a region, by the parity of edges crossed along the row.

    Corners count to a millionth of a cell, not to the millimetre of rings for the wire. A centre on a left or lower
    border lies inside, one on a right or upper border does not: regions that meet share no centre and leave none out.
    """
    edges = np.round((region.edges - [grid.x_m, grid.y_m, grid.x_m, grid.y_m]) / grid.cell_m, 6)
    return np.asarray(engine.inside(edges, grid.rows, grid.columns))

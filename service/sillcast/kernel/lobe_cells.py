"""Where a lobe detects a body, on a grid: the rule of `lobe.lobe_region` place by place, for a search.

A cell is certain where the rule holds at its four corners: what a lobe sees of a plane is convex before anything stands
in the way, so it then holds anywhere in the cell. Shadows and the dead zone reach half a cell's diagonal farther.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from sillcast.kernel._lobe_numpy import Beam
from sillcast.kernel.clip import engine_for
from sillcast.kernel.counts import Grid
from sillcast.kernel.frame import FloatArray, Floors
from sillcast.kernel.lobe import SLABS, Lobe, body_echo_m2, courses
from sillcast.kernel.sight import Level, grounds
from sillcast.kernel.solids import TestBody

__all__ = ["CORNER", "lobe_cells"]

BoolArray = npt.NDArray[np.bool_]

engine = engine_for("lobe")

CORNER = 0.71  # of a cell from its centre to a corner, rounded up
EDGE_M = 1e-9  # a cell that reaches this little over a floor's edge does not stand on it


def lobe_cells(
    lobe: Lobe,
    floors: Floors,
    body: TestBody,
    grid: Grid,
    *,
    velocities: Sequence[tuple[float, float] | None] = (None,),
    certain: bool = False,
    hidden: Callable[[Level], BoolArray],
) -> BoolArray:
    """Cells (rows, columns) at whose centres a lobe detects a body, moving in one of the ways.

    The same rule as `lobe_region`, which cuts corners: its sections are polygons inside the true ones.

    Parameters
    ----------
    lobe : Lobe
        The lobe.
    floors : Floors
        Floor of both sides.
    body : TestBody
        Body to be detected.
    grid : Grid
        Places of the body's reference point.
    velocities : sequence of tuple of float or None
        Ways in which it may move; None for a body that stands. [m/s]
    certain : bool
        Only cells in which the body is detected wherever it stands.
    hidden : callable
        Cells of a plane that the lobe's head does not see; with `certain` those of which any part is hidden.

    Returns
    -------
    seen : (rows, columns) bool array
        Where it is detected. [1]

    References
    ----------
    .. [1] Checked against `lobe_region` by tests/unit/test_lobe_cells.py.
    """
    seen, stands = np.ones((grid.rows, grid.columns), dtype=np.bool_), np.zeros(grid.rows, dtype=np.bool_)
    ways = [course or (0.0, 0.0) for velocity in velocities for course in courses(lobe, velocity)]
    if not ways:
        return np.zeros_like(seen)
    off, half = (CORNER * grid.cell_m, grid.cell_m / 2.0 - EDGE_M) if certain else (0.0, 0.0)
    heights = [(i + 0.5) * body.height_m / SLABS for i in range(SLABS)]
    for ground in grounds(floors):
        own = (grid.centres_y + half >= ground.from_y_m) & (grid.centres_y - half < ground.to_y_m)
        levels = [ground.lifted(height) for height in heights]
        needed = _needed(lobe, body, levels, np.array(ways, dtype=np.float64), grid, certain)
        for k, level in enumerate(levels):
            np.putmask(needed[:, k], np.broadcast_to(hidden(level), needed[:, k].shape), SLABS + 1)
        reached = _any_run(needed)
        blind = _blind(lobe, [*levels, ground.lifted(body.height_m)], body, grid, off)
        seen[own] &= (reached & ~blind)[own]  # a cell on both floors must be seen on both
        stands |= own
    return seen & stands[:, None]


def _needed(
    lobe: Lobe, body: TestBody, levels: Sequence[Level], ways: FloatArray, grid: Grid, certain: bool
) -> npt.NDArray[np.int8]:
    """Shares of the echo needed at centres, or at the worst corner of each cell."""
    planes = np.array([[level.height_m, level.fall] for level in levels])
    beam = _beam(lobe, body_echo_m2(body, lobe.echo_rule))
    if not certain:
        found: npt.NDArray[np.int8] = engine.shares_needed(beam, planes, ways, grid.centres_x, grid.centres_y)
        return found
    x = grid.x_m + grid.cell_m * (np.arange(grid.columns + 1) - 0.5)
    y = grid.y_m + grid.cell_m * (np.arange(grid.rows + 1) - 0.5)
    corners = engine.shares_needed(beam, planes, ways, x, y)
    columns = np.maximum(corners[..., :-1], corners[..., 1:])
    return np.asarray(np.maximum(columns[..., :-1, :], columns[..., 1:, :]))


def _beam(lobe: Lobe, echo_m2: float) -> Beam:
    """The lobe with what an echo of each number of shares may lose; the losses of `Lobe.excess_db` as one sum."""
    exponent, stretch = lobe.pattern
    shares = np.arange(1, SLABS + 1) / SLABS
    at_range = 40.0 * np.log10(lobe.range_m) + 2.0 * lobe.absorption_db_per_m * lobe.range_m
    return Beam(
        origin=lobe.origin,
        matrix=lobe.matrix,
        exponent=exponent,
        stretch=stretch,
        edge=1.0 / np.tan(np.deg2rad([lobe.edge_width_deg, lobe.edge_depth_deg]) / 2.0),
        absorption_db_per_m=lobe.absorption_db_per_m,
        farthest_m=float(lobe.farthest_m),
        least_radial_speed_m_per_s=0.0 if lobe.presence else lobe.least_radial_speed_m_per_s,
        may_lose=at_range + 10.0 * np.log10(echo_m2 * shares / lobe.echo_m2),
    )


def _any_run(needed: npt.NDArray[np.int8]) -> BoolArray:
    """Where each slab of some run of j neighbours needs at most j shares, on some course."""
    found = np.zeros(needed.shape[2:], dtype=np.bool_)
    for course, share in product(needed, range(1, SLABS + 1)):
        enough = course <= share
        for first in range(SLABS - share + 1):
            found |= enough[first : first + share].all(axis=0)
    return found


def _blind(lobe: Lobe, levels: Sequence[Level], body: TestBody, grid: Grid, off_m: float) -> BoolArray:
    """Cells in which the body reaches into the dead zone; its sections are taken for discs, as by `lobe_region`."""
    blind = np.zeros((grid.rows, grid.columns), dtype=np.bool_)
    reach = float(np.hypot(body.width_m, body.depth_m)) / 2.0 + off_m
    for level in levels:
        drop = (lobe.origin[2] - level.height_m + level.fall * lobe.origin[1]) / np.hypot(1.0, level.fall)
        if abs(drop) < lobe.nearest_m:
            foot_y = lobe.origin[1] - drop * np.sin(np.arctan(level.fall))
            away = np.hypot(grid.centres_x - lobe.origin[0], (grid.centres_y - foot_y)[:, None])
            blind |= away <= np.sqrt(lobe.nearest_m**2 - drop**2) + reach
    return blind

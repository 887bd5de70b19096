"""Many mounts of one sensor, each judged by the places at which a body is detected: what a mount search needs.

The same clip and counts as for one mount, fused so that nothing returns to Python between poses. Memory in bytes for
n rays, c cells, p poses and t threads: (240 n + 20 c) t + 100 p, above the packed surroundings.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sillcast.errors import GeometryError
from sillcast.kernel._numpy import BoolArray, IntArray
from sillcast.kernel.clip import engine, free_lengths, pack
from sillcast.kernel.counts import Grid, hit_counts, is_one_plane, scans
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray, FloorPlane, Floors, Pose
from sillcast.kernel.solids import Prism, Surroundings, TestBody

__all__ = ["Places", "score_poses", "warm_up"]

_CHUNK = 64  # poses for one thread at a time: enough to hide the hand-over, few enough to share out evenly


@dataclass(frozen=True, eq=False)
class Places:
    """Cells (rows, columns) of a grid at which detection is wanted, or unwanted; others do not matter."""

    grid: Grid
    wanted: BoolArray
    unwanted: BoolArray

    def __post_init__(self) -> None:
        shape = (self.grid.rows, self.grid.columns)
        if self.wanted.shape != shape or self.unwanted.shape != shape:
            raise GeometryError("places: wanted and unwanted are (rows, columns) of the grid")

    def cropped(self) -> "Places":
        """Only the rows and columns that matter."""
        some = self.wanted | self.unwanted
        j, i = np.flatnonzero(some.any(axis=1)), np.flatnonzero(some.any(axis=0))
        rows, columns = (slice(int(k[0]), int(k[-1]) + 1) if len(k) else slice(0, 0) for k in (j, i))
        grid = Grid(
            self.grid.x_m + columns.start * self.grid.cell_m,
            self.grid.y_m + rows.start * self.grid.cell_m,
            self.grid.cell_m,
            columns.stop - columns.start,
            rows.stop - rows.start,
        )
        return Places(grid, self.wanted[rows, columns], self.unwanted[rows, columns])


def score_poses(
    model: Rays,
    poses: Sequence[Pose],
    around: Surroundings,
    body: TestBody,
    places: Places,
    *,
    angles_deg: Sequence[float] = (0.0,),
    threads: int = 1,
) -> IntArray:
    """Number of wanted and of unwanted places at which a body is detected, for each pose.

    Same predicate as `hit_counts` >= `model.least_hits` at the cell centres, at every angle asked for. On two floor
    planes with a margin, a ray ends for good where it first comes within the margin: never more than `hit_counts`.

    Parameters
    ----------
    model : Rays
        Rays in the sensor's own frame, origins as offsets from the mount's position. [m]
    poses : sequence of Pose
        Mounts to try.
    around, body : Surroundings, TestBody
        What stops rays, and what is to be detected.
    places : Places
        Where that is wanted and unwanted.
    angles_deg : sequence of float
        Turns of the body at all of which it must be detected. [deg]
    threads : int
        Threads to share the poses; the result does not depend on it. [1]

    Returns
    -------
    found : (P, 2) int64 array
        Wanted places detected, unwanted places detected. [1]

    Raises
    ------
    GeometryError
        If a prism or the body is malformed.
    """
    places = places.cropped()
    if not hasattr(engine, "score") or model.blocks:
        found = [_score_one(_at(model, pose), around, body, places, angles_deg) for pose in poses]
        return np.array(found, dtype=np.int64).reshape(-1, 2)
    one_plane, margin = is_one_plane(around.floors), max(model.floor_margin_m, 0.0)
    parts = [
        part
        for angle_deg in angles_deg
        for part in scans(
            model,
            body,
            places.grid,
            angle_deg=angle_deg,
            floors=around.floors,
            least_above_m=margin if one_plane else 0.0,
        )
    ]
    marks = places.wanted.astype(np.uint8) + np.uint8(2) * places.unwanted.astype(np.uint8)
    bounds: list[int] = (np.flatnonzero(np.diff(model.group)) + 1).tolist() if model.hits_within == "plane" else []
    rays = (model.origins, model.directions, model.range_m, np.array([0, *bounds, len(model.group)], dtype=np.int64))
    packed = pack(around)

    def score(some: Sequence[Pose]) -> IntArray:
        origins, matrices = np.array([pose.origin for pose in some]), np.array([pose.matrix for pose in some])
        found: IntArray = engine.score(
            rays, origins, matrices, packed, parts, 0.0 if one_plane else margin, model.least_hits, marks
        )
        return found

    chunks = [poses[first : first + _CHUNK] for first in range(0, len(poses), _CHUNK)]
    with ThreadPoolExecutor(max(1, threads)) as pool:
        return np.concatenate([np.empty((0, 2), dtype=np.int64), *pool.map(score, chunks)])


def _at(model: Rays, pose: Pose) -> Rays:
    """The rays of a mount, by the operations of the compiled back end in their order."""

    def turned(own: FloatArray) -> FloatArray:
        m = pose.matrix
        return np.column_stack([m[i, 0] * own[:, 0] + m[i, 1] * own[:, 1] + m[i, 2] * own[:, 2] for i in range(3)])

    return replace(model, origins=pose.origin + turned(model.origins), directions=turned(model.directions))


def _score_one(
    rays: Rays, around: Surroundings, body: TestBody, places: Places, angles_deg: Sequence[float]
) -> tuple[int, int]:
    """Places detected from one mount, by `hit_counts`."""
    clipped, detected = free_lengths(rays, around), np.ones(places.wanted.shape, dtype=np.bool_)
    for angle_deg in angles_deg:
        counts = hit_counts(rays, clipped, body, places.grid, angle_deg=angle_deg, floors=around.floors)
        detected &= counts >= rays.least_hits
    return int((detected & places.wanted).sum()), int((detected & places.unwanted).sum())


def warm_up() -> None:
    """Compile (or load from the cache) all that the ray core may call, on a scene of one post."""
    floors = Floors(FloorPlane(0.0, 0.01), FloorPlane())
    around = Surroundings(floors, (Prism.box("post", -0.1, 0.1, -1.1, -0.9, 0.0, 1.0),))
    at = Pose.of(side="near", x_m=0.0, y_m=-0.2, z_m=2.0)
    model = Rays.scan_planes(at=at, plane_tilts_deg=[20.0], start_deg=-20.0, end_deg=20.0, step_deg=10.0, range_m=4.0)
    grid = Grid.over(-1.0, 1.0, -2.0, 0.0, 0.2)
    field = np.array([[-1.0, -1.5], [1.0, -1.5], [1.0, -0.5], [-1.0, -0.5]])
    clipped, everywhere = free_lengths(model, around), np.ones((grid.rows, grid.columns), dtype=np.bool_)
    shapes: tuple[Literal["box", "cylinder", "sphere"], ...] = ("box", "cylinder", "sphere")
    for shape in shapes:
        body = TestBody(shape, 0.3, 0.3, 0.3, shape)
        hit_counts(model, clipped, body, grid, angle_deg=30.0, floors=floors, fields=(field,))
    score_poses(model, [at], around, body, Places(grid, everywhere, everywhere))

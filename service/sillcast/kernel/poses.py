"""Many mounts of one sensor, each judged by the places at which a body is detected: what a mount search needs.

The same clip and counts as for one mount, fused so that nothing returns to Python between poses. Memory in bytes for
n rays, c cells, p poses and t threads: (240 n + 20 c) t + 100 p, above the packed surroundings.
"""

from collections.abc import Callable, Sequence
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

__all__ = ["THIN", "Judged", "Look", "Places", "best_poses", "score_poses", "thinned", "warm_up"]

_CHUNK = 64  # poses for one thread at a time: enough to hide the hand-over, few enough to share out evenly
_BATCH = 512  # poses between two ticks
THIN = 4  # of rays of which several must hit, every so manieth is looked at first
_SPARSE = 2  # of rows and columns too, where there are enough
_SPARSE_LEAST = 8  # rows and columns below which all are looked at
_RESERVE = 2.0  # times the greatest underestimate seen so far


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

    def sparse(self) -> "Places":
        """Every second row and column of those that matter; all of them where there are few."""
        all_ = self.cropped()
        if min(all_.grid.rows, all_.grid.columns) < _SPARSE_LEAST:
            return all_
        c, some = all_.grid.cell_m, slice(_SPARSE // 2, None, _SPARSE)
        wanted, unwanted = all_.wanted[some, some], all_.unwanted[some, some]
        x_m, y_m = all_.grid.x_m + some.start * c, all_.grid.y_m + some.start * c
        return Places(Grid(x_m, y_m, c * _SPARSE, wanted.shape[1], wanted.shape[0]), wanted, unwanted)


def score_poses(
    model: Rays,
    poses: Sequence[Pose],
    around: Surroundings,
    body: TestBody,
    places: Places,
    *,
    angles_deg: Sequence[float] = (0.0,),
    voided_by: BoolArray | None = None,
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
    voided_by : (number of prisms,) bool array, optional
        Prisms of `around` that void every ray they stop: it counts nowhere, not even before it meets them. So does a
        leaf that comes down: a ray that will meet it is no protection. [1]
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
    voids = np.zeros(max(1, len(around.prisms)), dtype=np.bool_)
    if voided_by is not None:
        voids[: len(around.prisms)] = voided_by
    if not hasattr(engine, "score") or model.blocks:
        found = [_score_one(_at(model, pose), around, body, places, angles_deg, voids) for pose in poses]
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
            rays, origins, matrices, packed, parts, (0.0 if one_plane else margin, model.least_hits, voids), marks
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
    rays: Rays, around: Surroundings, body: TestBody, places: Places, angles_deg: Sequence[float], voids: BoolArray
) -> tuple[int, int]:
    """Places detected from one mount, by `hit_counts`."""
    clipped, detected = free_lengths(rays, around), np.ones(places.wanted.shape, dtype=np.bool_)
    if not rays.blocks:
        void = (clipped.stops >= 0) & voids[np.maximum(clipped.stops, 0)]
        clipped = replace(clipped, lengths=np.where(void, 0.0, clipped.lengths))
    for angle_deg in angles_deg:
        counts = hit_counts(rays, clipped, body, places.grid, angle_deg=angle_deg, floors=around.floors)
        detected &= counts >= rays.least_hits
    return int((detected & places.wanted).sum()), int((detected & places.unwanted).sum())


@dataclass(frozen=True, eq=False)
class Look:
    """One question to mounts: arguments as of `score_poses`, and what the places are worth.

    `worth` is that of all wanted places detected, and of all unwanted ones: usually above and below 0. [1]
    """

    model: Rays
    around: Surroundings
    body: TestBody
    places: Places
    angles_deg: tuple[float, ...] = (0.0,)
    voided_by: BoolArray | None = None
    worth: tuple[float, float] = (1.0, 0.0)

    def sparse(self) -> "Look":
        """The same question with a part of the rays and places."""
        return replace(self, model=thinned(self.model, THIN), places=self.places.sparse())

    def value(self, poses: Sequence[Pose], threads: int) -> FloatArray:
        """Worth of each pose (P,). [1]"""
        found = score_poses(
            self.model,
            poses,
            self.around,
            self.body,
            self.places,
            angles_deg=self.angles_deg,
            voided_by=self.voided_by,
            threads=threads,
        )
        of = [max(1, int(marks.sum())) for marks in (self.places.wanted, self.places.unwanted)]
        return np.asarray(found[:, 0] * (self.worth[0] / of[0]) + found[:, 1] * (self.worth[1] / of[1]))


@dataclass(frozen=True, eq=False)
class Judged:
    """Worth of each pose (P,) [1], and whether it was judged in full (P,) or is an estimate."""

    value: FloatArray
    full: BoolArray

    @property
    def order(self) -> IntArray:
        """Index of each pose judged in full, best first; of equal ones the first of the request. [1]"""
        return np.array(sorted(np.flatnonzero(self.full), key=lambda i: (-self.value[i], i)), dtype=np.int64)


def best_poses(
    looks: Sequence[Look],
    poses: Sequence[Pose],
    *,
    keep: int = 1,
    threads: int = 1,
    tick: Callable[[int, int], None] = lambda *_: None,
) -> Judged:
    """The best mounts by the sum of their worth, without judging all of them in full.

    All are judged by every fourth ray of those of which several must hit, at every second row and column; then in full,
    best first, until the next one could not be among the best even if it were underestimated by twice as much as the
    worst seen so far. That bound is an experience, not a proof; tests/properties/test_poses.py compares the result with
    judging all in full.

    Parameters
    ----------
    looks : sequence of Look
        Questions, the worth of which adds up.
    poses : sequence of Pose
        Mounts to try.
    keep : int
        How many of the best are wanted. [1]
    threads : int
        Threads to share the poses; the result does not depend on it. [1]
    tick : callable
        Told after each batch how many poses of how many are done; what it raises ends the search.

    Returns
    -------
    Judged

    Raises
    ------
    GeometryError
        If a prism or a body is malformed.
    """

    def value(some: Sequence[Pose], of: Sequence[Look]) -> FloatArray:
        return np.asarray(sum((look.value(some, threads) for look in of), np.zeros(len(some))))

    found, full = np.zeros(len(poses)), np.zeros(len(poses), dtype=np.bool_)
    sparse = [look.sparse() for look in looks]
    for first in range(0, len(poses), _BATCH):
        tick(first, len(poses))
        found[first : first + _BATCH] = value(poses[first : first + _BATCH], sparse)
    order, short, done = np.argsort(-found, kind="stable"), 0.0, 0
    while done < len(poses):
        best = np.sort(found[full])[-keep:]
        if len(best) == keep and found[order[done]] + _RESERVE * short < best[0]:
            break
        tick(done, len(poses))
        some = order[done : done + 2 * _CHUNK]
        judged = value([poses[i] for i in some], looks)
        short = max(short, float((judged - found[some]).max()))
        found[some], full[some] = judged, True
        done += len(some)
    return Judged(found, full)


def thinned(rays: Rays, thin: int) -> Rays:
    """Every so manieth [1] ray of each group, the wanted hits scaled and rounded up; all if one hit is enough."""
    step = min(thin, rays.least_hits)
    if step <= 1:
        return rays
    starts = np.flatnonzero(np.diff(rays.group, prepend=rays.group[:1] - 1))
    place = np.arange(len(rays.group)) - np.repeat(starts, np.diff([*starts, len(rays.group)]))
    keep = place % step == step // 2
    return replace(
        rays,
        origins=np.ascontiguousarray(rays.origins[keep]),
        directions=np.ascontiguousarray(rays.directions[keep]),
        range_m=rays.range_m[keep],
        group=rays.group[keep],
        least_hits=-(-rays.least_hits // step),
    )


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

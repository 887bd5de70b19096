"""Many mounts of one sensor, each judged by the places at which a body is detected: what a mount search needs.

The same clip and counts as for one mount, fused so that nothing returns to Python between poses. Memory in bytes for
n rays, c cells, p poses and t threads: (280 n + 20 c) t + 100 p, above the packed surroundings.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from sillcast.errors import GeometryError
from sillcast.kernel._numpy import BoolArray, IntArray, MarkArray
from sillcast.kernel.clip import engine_for, free_lengths, pack
from sillcast.kernel.counts import Grid, hit_counts, is_one_plane, scans
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloatArray, FloorPlane, Floors, Pose
from sillcast.kernel.parts import counting_parts
from sillcast.kernel.solids import Prism, Surroundings, TestBody

__all__ = ["Look", "Places", "looked_at_first", "score_poses", "seen_from", "spaced", "thinned", "warm_up"]

engine = engine_for("poses")

_CHUNK = 64  # poses for one thread at a time: enough to hide the hand-over, few enough to share out evenly
THIN = 4  # of rays of which several must hit, every so manieth is looked at first
APART_DEG = 2.5  # of planes or rows that lie nearer to each other, those so far apart are looked at first
_SPARSE_LEAST = 8  # rows and columns below which all are looked at


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
        """One place in the middle of every four cells of which one matters; all cells where there are few.

        The fours are those of the whole grid, so that a grid in mirror image has its places in mirror image.
        """
        some = self.wanted | self.unwanted
        if min(int(some.any(axis=1).sum()), int(some.any(axis=0).sum())) < _SPARSE_LEAST:
            return self.cropped()
        grid, wanted = self.grid, _in_fours(self.wanted)
        at = (grid.x_m + grid.cell_m / 2.0, grid.y_m + grid.cell_m / 2.0)
        fours = Grid(*at, 2.0 * grid.cell_m, wanted.shape[1], wanted.shape[0])
        return Places(fours, wanted, _in_fours(self.unwanted)).cropped()


def _in_fours(cells: BoolArray) -> BoolArray:
    """Whether one of every two by two cells is set; what is missing at the end of an odd number is not."""
    even = np.pad(cells, [(0, n % 2) for n in cells.shape])
    return np.asarray(even[::2, ::2] | even[1::2, ::2] | even[::2, 1::2] | even[1::2, 1::2])


def score_poses(  # noqa: PLR0913 - as `hit_counts`, for many mounts
    model: Rays,
    poses: Sequence[Pose],
    around: Surroundings,
    body: TestBody,
    places: Places,
    *,
    angles_deg: Sequence[float] = (0.0,),
    voided_by: BoolArray | None = None,
    certain: bool = False,
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
    certain : bool
        Count a ray only if it hits wherever in the cell the body stands.
    threads : int
        Threads to share the poses; the result does not depend on it. [1]

    Returns
    -------
    found : (P, 2) int64 array
        Wanted places detected, unwanted places detected. [1]

    Raises
    ------
    GeometryError
        If a prism or the body is malformed, or the rays are beams that a body blocks.
    """
    places = places.cropped()
    marks = places.wanted.astype(np.uint8) + np.uint8(2) * places.unwanted.astype(np.uint8)
    judge = _judge(model, around, body, places.grid, angles_deg, voided_by, certain)

    def score(some: Sequence[Pose]) -> IntArray:
        return judge(some, marks, np.empty((1, 1, *marks.shape), dtype=np.uint8))

    chunks = [poses[first : first + _CHUNK] for first in range(0, len(poses), _CHUNK)]
    with ThreadPoolExecutor(max(1, threads)) as pool:
        return np.concatenate([np.empty((0, 2), dtype=np.int64), *pool.map(score, chunks)])


def seen_from(
    model: Rays,
    poses: Sequence[Pose],
    around: Surroundings,
    body: TestBody,
    grid: Grid,
    *,
    angles_deg: Sequence[float] = (0.0,),
    voided_by: BoolArray | None = None,
    certain: bool = False,
) -> BoolArray:
    """Whether a body is detected at each cell's centre, from each pose, at each angle: what `score_poses` counts.

    Parameters
    ----------
    model, poses, around, body
        As for `score_poses`.
    grid : Grid
        Places of the body's reference point.
    angles_deg, voided_by, certain
        As for `score_poses`.

    Returns
    -------
    seen : (P, angles, rows, columns) bool array
        True where it is. [1]

    Raises
    ------
    GeometryError
        As for `score_poses`.
    """
    seen = np.empty((len(poses), len(angles_deg), grid.rows, grid.columns), dtype=np.uint8)
    everywhere = np.ones((grid.rows, grid.columns), dtype=np.uint8)
    if seen.size:
        _judge(model, around, body, grid, angles_deg, voided_by, certain)(poses, everywhere, seen)
    return seen.view(np.bool_)


def _judge(
    model: Rays,
    around: Surroundings,
    body: TestBody,
    grid: Grid,
    angles_deg: Sequence[float],
    voided_by: BoolArray | None,
    certain: bool,
) -> Callable[[Sequence[Pose], MarkArray, MarkArray], IntArray]:
    """The back end's `judge` with all that is the same for every pose."""
    if model.blocks:
        raise GeometryError("poses: beams that a body blocks have a counterpart, so they are not moved alone")
    voids = np.zeros(max(1, len(around.prisms)), dtype=np.bool_)
    if voided_by is not None:
        voids[: len(around.prisms)] = voided_by
    one_plane, margin = is_one_plane(around.floors), max(model.floor_margin_m, 0.0)
    how: dict[str, Any] = {"floors": around.floors, "least_above_m": margin if one_plane else 0.0, "certain": certain}
    parts = [
        (layer, scan, first)
        for layer, angle_deg in enumerate(angles_deg)
        for scan, first in scans(model, body, grid, angle_deg=angle_deg, **how)
    ]
    # Where one hit is enough, it does not matter in which group it lies.
    apart = model.hits_within == "plane" and model.least_hits > 1
    bounds: list[int] = (np.flatnonzero(np.diff(model.group)) + 1).tolist() if apart else []
    rays = (model.origins, model.directions, model.range_m, np.array([0, *bounds, len(model.group)], dtype=np.int64))
    packed, rule = pack(around), (0.0 if one_plane else margin, model.least_hits, voids)

    def judge(some: Sequence[Pose], marks: MarkArray, left: MarkArray) -> IntArray:
        mounts = np.array([pose.origin for pose in some]), np.array([pose.matrix for pose in some])
        found: IntArray = engine.judge(rays, mounts, packed, parts, rule, marks, left)
        return found

    return judge


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
    certain: bool = False

    def sparse(self) -> "Look":
        """The same question with a part of the rays and places."""
        return replace(self, model=looked_at_first([self.model])[0], places=self.places.sparse())

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
            certain=self.certain,
            threads=threads,
        )
        of = [max(1, int(marks.sum())) for marks in (self.places.wanted, self.places.unwanted)]
        return np.asarray(found[:, 0] * (self.worth[0] / of[0]) + found[:, 1] * (self.worth[1] / of[1]))

    def seen(self, poses: Sequence[Pose]) -> BoolArray:
        """Cells of the whole grid at which each pose detects the body (P, angles, rows, columns)."""
        how: dict[str, Any] = {"angles_deg": self.angles_deg, "voided_by": self.voided_by, "certain": self.certain}
        return seen_from(self.model, poses, self.around, self.body, self.places.grid, **how)


def thinned(rays: Rays, thin: int) -> Rays:
    """Every so manieth [1] ray of each group, the wanted hits scaled and rounded up; all if one hit is enough."""
    step = min(thin, rays.least_hits)
    if step <= 1:
        return rays
    starts = np.flatnonzero(np.diff(rays.group, prepend=rays.group[:1] - 1))
    place = np.arange(len(rays.group)) - np.repeat(starts, np.diff([*starts, len(rays.group)]))
    keep = place % step == step // 2
    return replace(_kept(rays, keep), least_hits=-(-rays.least_hits // step))


def _kept(rays: Rays, keep: BoolArray) -> Rays:
    """Some of the rays."""
    return replace(
        rays,
        origins=np.ascontiguousarray(rays.origins[keep]),
        directions=np.ascontiguousarray(rays.directions[keep]),
        range_m=rays.range_m[keep],
        group=rays.group[keep],
    )


def spaced(rays: Rays, apart_deg: float) -> Rays:
    """Every so manieth group of rays, where their middle rays look nearer to each other than an angle; never more hits.

    All groups where hits of several are added up.
    """
    starts = np.flatnonzero(np.diff(rays.group, prepend=rays.group[:1] - 1))
    sizes = np.diff([*starts, len(rays.group)])
    middle = rays.directions[starts + sizes // 2]
    if len(starts) < 2 or (rays.hits_within == "head" and rays.least_hits > 1):
        return rays
    # The farthest that neighbours lie apart decides.
    cosines = np.einsum("ij,ij->i", middle[1:], middle[:-1])
    step = int(apart_deg / max(float(np.rad2deg(np.arccos(np.clip(cosines.min(), -1.0, 1.0)))), 1e-3))
    if step <= 1:
        return rays
    keep = np.repeat(np.arange(len(starts)) % step == min(step, len(starts)) // 2, sizes)
    return _kept(rays, keep)


def looked_at_first(parts: Sequence[Rays]) -> list[Rays]:
    """The part of a head's rays that is looked at first.

    Parts of which one hit is enough, with the same spots, are put together, at the widest of their floor margins.
    """
    alike: dict[tuple[float, ...], list[Rays]] = {}
    for index, rays in enumerate(spaced(thinned(part, THIN), APART_DEG) for part in parts):
        is_alone = rays.least_hits > 1 or rays.blocks
        alike.setdefault((rays.beam_width_m, rays.divergence_deg, float(index if is_alone else -1)), []).append(rays)
    return [_together(some) for some in alike.values()]


def _together(parts: Sequence[Rays]) -> Rays:
    """Rays of one head as one group."""
    if len(parts) == 1:
        return parts[0]
    range_m = np.concatenate([part.range_m for part in parts])
    return replace(
        parts[0],
        origins=np.concatenate([part.origins for part in parts]),
        directions=np.concatenate([part.directions for part in parts]),
        range_m=range_m,
        group=np.zeros(len(range_m), dtype=np.int64),
        floor_margin_m=max(part.floor_margin_m for part in parts),
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
    counting_parts(model, np.zeros_like(clipped.lengths), clipped.lengths, (field,), floors=floors)
    score_poses(model, [at], around, body, Places(grid, everywhere, everywhere))

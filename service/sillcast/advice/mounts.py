"""Where to mount: every candidate looked at, the promising ones judged on a grid, the best assessed exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import combinations, product
from typing import Annotated, Any, get_args

import msgspec
import numpy as np
from msgspec import Meta

from sillcast.advice.candidates import Candidate, Mounts, Position, mounts, sensor_of
from sillcast.advice.places import OnGrid, Site, ZoneScore, thinned
from sillcast.advice.relax import mirrored_device
from sillcast.advice.standing import Standing, of_scores
from sillcast.contract import MountDeviceBase, MountSearchBase
from sillcast.family import Rays
from sillcast.kernel import Pose
from sillcast.kernel.clip import prism_holding
from sillcast.kernel.poses import Places, score_poses
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = ["Bench", "Looked", "Plan", "Searched", "base_request", "mount_search_type", "searched", "slowest"]

JUDGED_MOST = 160  # single mounts judged on the grid after the first look
REFINED = 12  # best mounts whose neighbours are judged as well
PAIRED = 8  # best mounts that are paired with the others
PARTNERS = 60
SIDE_PLANS = 12  # best plans of each side that are joined with those of the other
BATCH = 512  # mounts looked at between two ticks
LOOK = {"fineness": 2, "thin": 4}  # cells of half the body's narrow side, 0.1 m for the reference body
_EQUAL_M = 1e-9


@lru_cache(maxsize=8)
def mount_search_type(request_type: type[Any]) -> type[Any]:
    """Struct of a mount search: parts of an assessment request, the devices, and `MountSearchBase`."""
    device = sensor_type(request_type).__annotations__["device"]
    base = dict(request_type.__annotations__)
    one = msgspec.defstruct(
        "MountDevice",
        [("device", device)],
        bases=(MountDeviceBase,),
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        namespace={"__doc__": "A sensor to consider."},
    )
    defaults = {f.name: f.default for f in msgspec.structs.fields(request_type)}
    parts: list[Any] = [("door", base["door"])]
    parts += [(name, base[name], defaults[name]) for name in ("site", "traffic", "rules", "bodies")]
    parts.append(("devices", Annotated[tuple[one, ...], Meta(min_length=1, max_length=8)]))  # type: ignore[valid-type]
    return msgspec.defstruct(
        "MountSearchRequest",
        parts,
        bases=(MountSearchBase,),
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        namespace={"__doc__": "A door, the sensors to consider, and where they may be mounted."},
    )


def base_request(asked: Any, request_type: type[Any]) -> Any:
    """Assessment request without sensors, of the parts that a search shares with it."""
    return request_type(**{name: getattr(asked, name) for name in ("door", "site", "traffic", "rules", "bodies")})


def slowest(
    devices: Iterable[tuple[float, Iterable[str]]], sides: Iterable[str]
) -> dict[tuple[str, str], tuple[float, str]]:
    """Response of the slowest device of each purpose, on every side on which it may sit. [s]"""
    found: dict[str, float] = {}
    for response, purposes in devices:
        for purpose in purposes:
            found[purpose] = max(found.get(purpose, 0.0), response)
    return {(purpose, side): (response, "/devices") for purpose, response in found.items() for side in sides}


def sensor_type(request_type: type[Any]) -> type[Any]:
    """Struct of one sensor of an assessment request."""
    listed = get_args(request_type.__annotations__["sensors"])[0]
    found: type[Any] = get_args(listed)[0]
    return found


def _no_tick(done: int, of: int) -> None:
    """Nobody listens."""


@dataclass(frozen=True, eq=False)
class Bench:
    """What the planner hands over to a mount search.

    Attributes
    ----------
    request : struct
        Assessment request without sensors.
    asked : struct
        The search.
    site : Site
        What stands around.
    zones : sequence of ZoneNeed
        What the door needs, with the response of the slowest device.
    place : callable
        A sensor struct and its place in the request to a placed sensor.
    evaluate : callable
        Comparisons of a request, from exact regions.
    tick : callable
        Told after each batch how many mounts were looked at, and of how many; what it raises ends the search.
    """

    request: Any
    asked: Any
    site: Site
    zones: Sequence[ZoneNeed]
    place: Callable[[Any, int], Placed]
    evaluate: Callable[[Any], Sequence[Any]]
    tick: Callable[[int, int], None] = _no_tick

    def sensor(self, candidate: Candidate, name: str, mirrored: bool) -> Any:
        """Sensor struct of a candidate."""
        device = self.asked.devices[candidate.key[0]]
        params = mirrored_device(device.device) if mirrored else device.device
        return sensor_of(candidate, name, device.purposes, params, sensor_type(type(self.request)))


@dataclass(frozen=True, eq=False)
class Looked:
    """A single mount after the look on the grid."""

    candidate: Candidate
    mirrored: bool
    placed: Placed
    seen: list[list[Any]]
    standing: Standing


@dataclass(frozen=True, eq=False)
class Plan:
    """One or more mounts together."""

    members: tuple[Looked, ...]
    scores: tuple[ZoneScore, ...]
    standing: Standing

    @property
    def order(self) -> tuple[Any, ...]:
        """What plans are sorted by: standing, number, height, request order."""
        return self.standing, len(self.members), self.height_m, tuple(m.candidate.key for m in self.members)

    @property
    def height_m(self) -> float:
        """Height of the highest mount above the floor. [m]"""
        return max(m.placed.scene.above_floor_m for m in self.members)

    @property
    def covered(self) -> float:
        """Share of the required area that is seen. [1]"""
        wanted = [(s.zone.region.area, s.gap_m2) for s in self.scores if s.zone.kind != "exclusion"]
        area = sum(a for a, _ in wanted)
        return 1.0 if area <= 0 else max(0.0, 1.0 - sum(min(a, g) for a, g in wanted) / area)

    @property
    def spill_m2(self) -> float:
        """Weighted overspill. [m2]"""
        return sum(s.zone.weight * s.spill_m2 for s in self.scores)


@dataclass
class Searched:
    """What a search found: plans, best first, and what was done for it."""

    plans: list[Plan]
    pareto: list[Plan]
    candidates: int
    looked_at: int
    judged: int
    skipped: dict[str, int]
    grid: OnGrid


@dataclass
class _Search:
    bench: Bench
    grid: OnGrid
    groups: list[Mounts]
    judged: dict[tuple[int, ...], Looked] = field(default_factory=dict)
    mirrored: dict[tuple[int, int, int], bool] = field(default_factory=dict)
    skipped: dict[str, int] = field(default_factory=dict)
    reasons: dict[Position, str] = field(default_factory=dict)

    def why_not(self, candidate: Candidate) -> str:
        """Why nothing can be mounted at a candidate's position; empty if something can."""
        at = candidate.position_m
        if at not in self.reasons:
            self.reasons[at] = _why_not(self.bench.site, at)
        return self.reasons[at]

    def judge(self, candidate: Candidate) -> Looked:
        """A single mount on the grid, judged once."""
        if candidate.key not in self.judged:
            self.bench.tick(len(self.judged), max(JUDGED_MOST, len(self.judged) + 1))
            turned = self.mirrored[candidate.group]
            placed = self.bench.place(self.bench.sensor(candidate, "candidate", turned), 0)
            seen = self.grid.seen(placed)
            standing = of_scores(self.grid.scores_of_seen([seen]))
            self.judged[candidate.key] = Looked(candidate, turned, placed, seen, standing)
        return self.judged[candidate.key]

    def plan(self, members: tuple[Looked, ...]) -> Plan:
        """Several mounts together on the grid."""
        scores = tuple(self.grid.scores_of_seen([m.seen for m in members]))
        return Plan(members, scores, of_scores(scores))


def searched(bench: Bench) -> Searched:
    """Best plans of mounts: a look at all, the promising judged, neighbours refined, then pairs and sides.

    Raises
    ------
    UncomputableError
        Ranges that run backwards or are missing.
    BudgetError
        More candidates or work than one request may ask.
    FamilyError
        If a family raises.
    """
    grid = OnGrid(bench.site, bench.zones, certain=False, **LOOK)
    first = [_nominal(bench, d) for d in range(len(bench.asked.devices))]
    rays = [sum(len(thinned(e, LOOK["thin"]).range_m) for e in p.emissions if isinstance(e, Rays)) for p in first]
    groups = mounts(bench.asked, [max(r, 1) for r in rays])
    search = _Search(bench, grid, groups)
    kept: list[list[Candidate]] = [_first_look(search, group) for group in groups]
    for candidate in _shared_out(kept, JUDGED_MOST):
        search.judge(candidate)
    _refine(search)
    plans = _plans(search)
    best = sorted(plans, key=lambda p: p.order)
    total = sum(g.count for g in groups)
    looked = total - sum(search.skipped.values())
    return Searched(best, _pareto(best), total, looked, len(search.judged), search.skipped, grid)


def _nominal(bench: Bench, device: int) -> Placed:
    """A device placed over the middle of the opening."""
    face = bench.request.door.wall.near_face_y_m
    at = (0.0, face - 0.1, bench.request.door.opening.height_m + 0.1)
    return bench.place(bench.sensor(Candidate((device,), "near", "", at, (0.0, 0.0, 0.0)), "candidate", False), 0)


def _first_look(search: _Search, group: Mounts) -> list[Candidate]:
    """Candidates of one group that can be mounted, those that see most of what is wanted first."""
    free = []
    for candidate in group.all():
        why = search.why_not(candidate)
        if why:
            search.skipped[why] = search.skipped.get(why, 0) + 1
        else:
            free.append(candidate)
    search.mirrored[group.device, group.side_index, group.place_index] = False
    if not free:
        return []
    search.mirrored[free[0].group] = _is_better_mirrored(search, free)
    seen = _promise(search, free)
    return [free[i] for i in sorted(range(len(free)), key=lambda i: (-seen[i], free[i].key))]


def _why_not(site: Site, at: Position) -> str:
    if at[2] < float(site.fixed.floors.height(at[1])):
        return "below the floor"
    held = prism_holding(site.fixed, np.array(at))
    return "" if held is None else f"inside {site.fixed.prisms[held].name}"


def _is_better_mirrored(search: _Search, free: Sequence[Candidate]) -> bool:
    """Whether a device that differs from its mirror image sees more when mirrored, from the middle candidate."""
    middle = free[len(free) // 2]
    device = search.bench.asked.devices[middle.key[0]].device
    if mirrored_device(device) == device:
        return False
    seen = []
    for turned in (False, True):
        placed = search.bench.place(search.bench.sensor(middle, "candidate", turned), 0)
        seen.append(sum(float(cells.sum()) for view in search.grid.seen(placed) for cells in view))
    return seen[1] > seen[0]


def _promise(search: _Search, candidates: Sequence[Candidate]) -> list[float]:
    """Share of the wanted cells that each candidate may see, less that of the unwanted; all rays taken to count.

    Rays that meet the leaf count here, so that it is an upper bound for protection; judging on the grid mends that.
    """
    placed = search.bench.place(
        search.bench.sensor(candidates[0], "candidate", search.mirrored[candidates[0].group]), 0
    )
    if any(not isinstance(e, Rays) or e.blocks for e in placed.emissions) or not placed.emissions:
        return [0.0] * len(candidates)
    turns: dict[tuple[float, float, float], Pose] = {}
    poses = [_pose(c, turns) for c in candidates]
    total = np.zeros(len(candidates))
    for emission in placed.emissions:
        assert isinstance(emission, Rays)
        model = _own(thinned(emission, search.grid.thin), placed.scene.mount)
        for view in search.grid.views:
            if view.purpose not in placed.purposes:
                continue
            wanted, unwanted = view.marks()
            around = search.grid.around(view)
            places = Places(view.grid, wanted, unwanted)
            batches = []
            for first in range(0, len(poses), BATCH):
                search.bench.tick(first, len(poses))
                some = poses[first : first + BATCH]
                batches.append(score_poses(model, some, around, view.body, places, angles_deg=view.angles_deg))
            found = np.concatenate(batches)
            total += found[:, 0] / max(int(wanted.sum()), 1) - 0.1 * found[:, 1] / max(int(unwanted.sum()), 1)
    return [float(round(t, 9)) for t in total]


def _pose(candidate: Candidate, turns: dict[tuple[float, float, float], Pose]) -> Pose:
    """Pose of a candidate; attitudes that come again are worked out once."""
    tilt, yaw, roll = candidate.angles_deg
    if candidate.angles_deg not in turns:
        side: Any = candidate.side
        turns[candidate.angles_deg] = Pose.of(
            side=side, x_m=0.0, y_m=0.0, z_m=0.0, tilt_deg=tilt, yaw_deg=yaw, roll_deg=roll
        )
    return replace(turns[candidate.angles_deg], origin=np.array(candidate.position_m, dtype=np.float64))


def _own(rays: Rays, mount: Pose) -> Rays:
    """Rays in the sensor's own frame."""
    return replace(
        rays,
        origins=np.ascontiguousarray((rays.origins - mount.origin) @ mount.matrix),
        directions=np.ascontiguousarray(rays.directions @ mount.matrix),
    )


def _shared_out(kept: Sequence[Sequence[Candidate]], most: int) -> list[Candidate]:
    """The first of each group and tilt in turn, so that no attitude is left out for a bound that flatters another."""
    queues: dict[tuple[Any, ...], list[Candidate]] = {}
    for group in kept:
        for candidate in group:
            queues.setdefault((*candidate.group, candidate.angles_deg[0]), []).append(candidate)
    found: list[Candidate] = []
    rank = 0
    while len(found) < most and any(rank < len(q) for q in queues.values()):
        found += [q[rank] for q in queues.values() if rank < len(q)]
        rank += 1
    return found[:most]


def _refine(search: _Search) -> None:
    """Judge the neighbours of the best, as long as that finds better ones, at most three times."""
    by_place = {(g.device, g.side_index, g.place_index): g for g in search.groups}
    for _ in range(3):
        best = _ranked(search.judged.values())[:REFINED]
        before = len(search.judged)
        for looked in best:
            for candidate in by_place[looked.candidate.group].beside(looked.candidate):
                if candidate.key not in search.judged and not search.why_not(candidate):
                    search.judge(candidate)
        if len(search.judged) == before or _ranked(search.judged.values())[:1] == best[:1]:
            break


def _ranked(looked: Iterable[Looked]) -> list[Looked]:
    return sorted(looked, key=lambda m: (m.standing, m.placed.scene.above_floor_m, m.candidate.key))


def _plans(search: _Search) -> list[Plan]:
    """Single mounts, pairs on one side, and plans of both sides."""
    by_side = {}
    for side in search.bench.asked.sides:
        singles = _ranked(m for m in search.judged.values() if m.candidate.side == side)
        plans = [search.plan((m,)) for m in singles]
        if search.bench.asked.sensors_per_side > 1:
            plans += [search.plan(pair) for pair in _pairs(singles)]
        by_side[side] = sorted(plans, key=lambda p: p.order)
    found = [p for plans in by_side.values() for p in plans]
    if len(by_side) == 2:
        one, other = (plans[:SIDE_PLANS] for plans in by_side.values())
        found += [search.plan((*a.members, *b.members)) for a, b in product(one, other)]
    return found


def _pairs(singles: Sequence[Looked]) -> list[tuple[Looked, Looked]]:
    """The best with each other and with the next ones, of which they may need the complement."""
    chosen = singles[: PAIRED + PARTNERS]
    return [
        (a, b)
        for (i, a), (_, b) in combinations(enumerate(chosen), 2)
        if i < PAIRED and a.candidate.position_m != b.candidate.position_m
    ]


def _pareto(plans: Sequence[Plan]) -> list[Plan]:
    """Plans of which no other is as good in coverage, overspill, number and height and better in one."""
    found: list[Plan] = []
    for plan in plans:
        mine = _aims(plan)
        if not any(all(a <= b for a, b in zip(_aims(o), mine, strict=True)) for o in found):
            found = [o for o in found if not all(a <= b for a, b in zip(mine, _aims(o), strict=True))]
            found.append(plan)
    return found


def _aims(plan: Plan) -> tuple[float, ...]:
    return (-round(plan.covered, 3), round(plan.spill_m2, 2), float(len(plan.members)), round(plan.height_m, 2))

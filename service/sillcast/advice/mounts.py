"""Where to mount: every candidate looked at, the promising ones judged on a grid, then planned with each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from itertools import count, groupby
from typing import Annotated, Any, get_args

import msgspec
import numpy as np
from msgspec import Meta

from sillcast.advice.candidates import FREE_PLACES, Candidate, Mounts, Position, mounts, sensor_of
from sillcast.advice.places import OnGrid, Site, frame_of
from sillcast.advice.plans import Looked, Planned, planned, ranked, unseeable_m2
from sillcast.contract import MountDeviceBase, MountSearchBase
from sillcast.family import Emission, Rays
from sillcast.kernel import Pose
from sillcast.kernel.clip import prism_holding
from sillcast.kernel.poses import Look, looked_at_first
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = ["Bench", "Searched", "base_request", "mount_search_type", "searched", "slowest"]

JUDGED_MOST = 320  # single mounts judged on the grid after the first look
JUDGED_RAYS_MOST = 3_000_000  # of all these mounts together: fewer mounts of a camera are judged than of a scanner
JUDGED_SLOW_MOST = 32  # the same where a device is judged by exact regions: lobes, areas of the floor
LEAST_TILT_DEG, MOST_TILT_DEG = -90.0, 120.0  # bounds of a mount in an assessment request, as its schema has them
FRAME_M, LOWEST_M, HIGHEST_M = 60.0, -3.0, 30.0
LOOKED_TOGETHER = 512  # mounts looked at between two looks at whether somebody still waits
JUDGED_TOGETHER = 32  # mounts judged by rays at a time: between two looks at whether somebody still waits
REFINED = 12  # best mounts whose neighbours are judged as well
TURNS_MOST = 3  # rounds of refining
FINENESS = 4  # cells along the body's narrow side, 0.05 m for the reference body
MARGINS_APART_M = 0.02  # floor margins of mounts judged together, at the widest: less than a cell's half


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
    bounds = Meta(min_length=1, max_length=8, description="Sensors to consider.")
    parts.append(("devices", Annotated[tuple[one, ...], bounds]))  # type: ignore[valid-type]
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


def _no_tick(done: int, of: int, stage: str) -> None:
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
        Told after each batch how much of how much (at most) is done, and of which stage: `looking` at all mounts,
        `judging` some of them on a grid, `assessing` the best exactly. What it raises ends the search.
    """

    request: Any
    asked: Any
    site: Site
    zones: Sequence[ZoneNeed]
    place: Callable[[Any, int], Placed]
    evaluate: Callable[[Any], Sequence[Any]]
    tick: Callable[[int, int, str], None] = _no_tick

    def is_opening(self, at: Position) -> bool:
        """Whether a place lies within the clear opening as seen from the front. [m]"""
        opening = self.request.door.opening
        above = at[2] - float(self.site.fixed.floors.height(0.0))
        return bool(abs(at[0]) < opening.width_m / 2 - 1e-9 and above < opening.height_m - 1e-9)

    def sensor(self, candidate: Candidate, name: str, params: Any) -> Any:
        """Sensor struct of a candidate with these parameters of its device."""
        purposes = self.asked.devices[candidate.key[0]].purposes
        return sensor_of(candidate, name, purposes, params, sensor_type(type(self.request)))


@dataclass(frozen=True, eq=False)
class Searched:
    """What a search found: plans, best first, and what was done for it.

    `devices` are those of the request over the middle of the opening, `spread` the names of those without a first look,
    `most` the number of mounts that are judged first, of devices that look by rays (False) and of others.
    """

    found: Planned
    devices: list[Placed]
    candidates: int
    looked_at: int
    judged: list[Looked]
    skipped: dict[str, int]
    grid: OnGrid
    spread: tuple[str, ...]
    most: dict[bool, int]

    @property
    def unseeable_m2(self) -> float:
        """Area that none of the judged mounts sees, however they are combined, on the grid. [m2]"""
        return unseeable_m2(self.judged, self.grid)


@dataclass
class _Search:
    bench: Bench
    grid: OnGrid
    groups: list[Mounts]
    first: list[Placed]  # each device over the middle of the opening
    judged: dict[tuple[int, ...], Looked] = field(default_factory=dict)
    mirrored: dict[tuple[int, ...], bool] = field(default_factory=dict)  # by device, side, place and step along
    skipped: dict[str, int] = field(default_factory=dict)
    reasons: dict[tuple[bool, Position], str] = field(default_factory=dict)
    is_slow: tuple[bool, ...] = ()  # for each device, whether it is judged by exact regions
    looked: int = 0
    wanted: int = 0  # mounts that are to be judged, as far as that is known

    def __post_init__(self) -> None:
        self.is_slow = tuple(self.grid.looks(placed) is None for placed in self.first)

    @property
    def count(self) -> int:
        """All mounts of the request. [1]"""
        return sum(group.count for group in self.groups)

    @property
    def most(self) -> dict[bool, int]:
        """Most mounts to judge first, of devices that look by rays (False) and of those that do not."""
        rays = [sum(len(e.range_m) for e in p.emissions if isinstance(e, Rays)) for p in self.first]
        most = JUDGED_RAYS_MOST // max(1, *rays)
        return {False: min(JUDGED_MOST, max(most, JUDGED_SLOW_MOST)), True: JUDGED_SLOW_MOST}

    def allowed(self, candidates: Iterable[Candidate]) -> list[Candidate]:
        """The first of these, up to twice the first mounts of their kind in all."""
        left = {slow: 2 * most - sum(self.is_slow[key[0]] is slow for key in self.judged)
                for slow, most in self.most.items()}  # fmt: skip
        found = []
        for candidate in candidates:
            slow = self.is_slow[candidate.key[0]]
            left[slow] -= 1
            if left[slow] >= 0:
                found.append(candidate)
        return found

    def why_not(self, candidate: Candidate) -> str:
        """Why nothing can be mounted at a candidate's position; empty if something can."""
        at, on_wall = candidate.position_m, candidate.place not in FREE_PLACES
        if not LEAST_TILT_DEG <= candidate.angles_deg[0] <= MOST_TILT_DEG:
            return "tilted beyond what a mount may be"
        if (on_wall, at) not in self.reasons:
            is_in_opening = on_wall and self.bench.is_opening(at)
            held = "in the clear opening, where no wall is" if is_in_opening else _why_not(self.bench.site, at)
            self.reasons[on_wall, at] = held
        return self.reasons[on_wall, at]

    def placed(self, candidate: Candidate, mirrored: bool) -> Placed:
        """The sensor of a candidate, its device as given or in mirror image."""
        device = candidate.key[0]
        params = self.bench.asked.devices[device].device
        params = self.first[device].family.mirrored(params) if mirrored else params
        return self.bench.place(self.bench.sensor(candidate, "candidate", params), 0)

    def judge(self, candidates: Iterable[Candidate]) -> None:
        """Single mounts on the grid, each judged once."""
        fresh = {c.key: c for c in candidates if c.key not in self.judged}
        self.wanted += len(fresh)
        alike = sorted(fresh.values(), key=lambda c: (self._kind(c), c.position_m[2], c.angles_deg))
        for (device, _, hand), group in groupby(alike, key=self._kind):
            some = list(group)
            size = 1 if self.is_slow[device] else JUDGED_TOGETHER
            for first in range(0, len(some), size):
                self.bench.tick(len(self.judged), self.wanted, "judging")
                self._judge(some[first : first + size], hand)

    def _kind(self, candidate: Candidate) -> tuple[int, str, bool]:
        """Device, side, and whether it is mirrored: what makes rays the same in the sensor's own frame."""
        return candidate.key[0], candidate.side, self.mirrored[candidate.key[:4]]

    def _judge(self, some: Sequence[Candidate], hand: bool) -> None:
        """Some mounts of one device, by height and attitude; together where the first and the last send out the same.

        In their own frames, that is, but for floor margins that differ little: of those the widest counts.
        """
        makes = [partial(self.placed, candidate, hand) for candidate in some]
        first, last = makes[0](), makes[-1]()
        margins = [[_margin_m(e) for e in sensor.emissions] for sensor in (first, last)]
        seen = None
        if frame_of(first) == frame_of(last):
            if np.ptp(margins, axis=0).max(initial=0.0) <= MARGINS_APART_M:
                seen = self.grid.seen_from(_with_margins(first, np.max(margins, axis=0)), _poses(some))
            elif len(some) > 1:
                for half in (some[: len(some) // 2], some[len(some) // 2 :]):
                    self._judge(half, hand)
                return
        if seen is None:
            placed = [first, *(make() for make in makes[1:])]
            self.grid.look_at(placed)
            seen, makes = [self.grid.seen(p) for p in placed], [partial(_same, p) for p in placed]
        for candidate, make, cells in zip(some, makes, seen, strict=True):
            _, y, z = candidate.position_m
            height = z - float(self.bench.site.fixed.floors.height(y))
            scores = tuple(self.grid.scores_of_seen([cells]))
            self.judged[candidate.key] = Looked(candidate, height, make, cells, self.grid.unseen(cells), scores)


def _margin_m(emission: Emission) -> float:
    """Floor margin of rays, 0 of what has none. [m]"""
    return emission.floor_margin_m if isinstance(emission, Rays) else 0.0


def _with_margins(sensor: Placed, margins_m: Iterable[float]) -> Placed:
    """The sensor with other floor margins of its rays."""
    pairs = zip(sensor.emissions, margins_m, strict=True)
    changed = (replace(e, floor_margin_m=float(m)) if isinstance(e, Rays) else e for e, m in pairs)
    return replace(sensor, emissions=tuple(changed))


def _same(placed: Placed) -> Placed:
    """The sensor that is there already."""
    return placed


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
    grid = OnGrid(bench.site, bench.zones, fineness=FINENESS, certain=False)
    first = [_nominal(bench, d) for d in range(len(bench.asked.devices))]
    rays = [_first_rays(placed) for placed in first]
    search = _Search(bench, grid, mounts(bench.asked, [max(r, 1) for r in rays]), first)
    for is_slow, most in search.most.items():
        groups = [group for group in search.groups if search.is_slow[group.device] is is_slow]
        search.judge(_shared_out([_first_look(search, group) for group in groups], most))
    _refine(search)
    total, judged = search.count, list(search.judged.values())
    asked = bench.asked
    plans = planned(judged, grid, sides=asked.sides, per_side=asked.sensors_per_side, apart_m=asked.apart_m)
    spread = tuple(d.name for d, slow in zip(asked.devices, search.is_slow, strict=True) if slow)
    looked = total - sum(search.skipped.values())
    judged_first = {slow: most for slow, most in search.most.items() if slow in search.is_slow}
    return Searched(plans, first, total, looked, judged, search.skipped, grid, spread, judged_first)


def _first_rays(placed: Placed) -> int:
    """Rays by which a mount of a device is looked at. [1]"""
    return sum(len(e.range_m) for e in looked_at_first([e for e in placed.emissions if isinstance(e, Rays)]))


def _nominal(bench: Bench, device: int) -> Placed:
    """A device placed over the middle of the opening."""
    face = bench.request.door.wall.near_face_y_m
    at = (0.0, face - 0.1, bench.request.door.opening.height_m + 0.1)
    candidate = Candidate((device,), "near", "", at, (0.0, 0.0, 0.0))
    return bench.place(bench.sensor(candidate, "candidate", bench.asked.devices[device].device), 0)


def _first_look(search: _Search, group: Mounts) -> list[Candidate]:
    """Candidates of one group that can be mounted, those that see most of what is wanted first.

    Fields are left out here, so that it is an upper bound where there are some; judging on the grid mends that. A
    device that does not look by rays is judged at places spread over the ranges.
    """
    free = []
    for candidate in group.all():
        why = search.why_not(candidate)
        if why:
            search.skipped[why] = search.skipped.get(why, 0) + 1
        else:
            free.append(candidate)
    for place, here in groupby(free, key=lambda c: c.key[:4]):
        search.mirrored[place] = _is_better_mirrored(search, list(here))
    promise: dict[tuple[int, ...], float] = {}
    for hand in (False, True):
        some = [c for c in free if search.mirrored[c.key[:4]] is hand]
        looks = search.grid.first_looks(search.placed(some[0], hand)) if some else []
        if looks is None:
            return _spread(free)
        promise |= {c.key: v for c, v in zip(some, _looked_at(search, looks, some), strict=True)}
    return sorted(free, key=lambda c: (-promise[c.key], c.order))


def _looked_at(search: _Search, looks: Sequence[Look], some: Sequence[Candidate]) -> list[float]:
    """How much of what is wanted each mount sees by a part of its rays at a part of the places: what to judge first."""
    poses = _poses(some)
    values = np.zeros(len(poses))
    for first in range(0, len(poses), LOOKED_TOGETHER):
        search.bench.tick(search.looked + first, search.count, "looking")
        part = slice(first, first + LOOKED_TOGETHER)
        values[part] = np.sum([look.value(poses[part], 1) for look in looks], axis=0)
    search.looked += len(poses)
    found: list[float] = values.round(9).tolist()
    return found


def _why_not(site: Site, at: Position) -> str:
    if max(abs(at[0]), abs(at[1])) > FRAME_M or not LOWEST_M <= at[2] <= HIGHEST_M:
        return "outside of the door frame's bounds"
    if at[2] < float(site.fixed.floors.height(at[1])):
        return "below the floor"
    held = prism_holding(site.fixed, np.array(at))
    return "" if held is None else f"inside {site.fixed.prisms[held].name}"


def _is_better_mirrored(search: _Search, here: Sequence[Candidate]) -> bool:
    """Whether a device that differs from its mirror image sees more when mirrored, from one place along the door.

    Asked of the mounts in the middle of the heights and stand-offs, at all attitudes: a set that is mirrored with the
    scene.
    """
    device = search.bench.asked.devices[here[0].key[0]].device
    if search.first[here[0].key[0]].family.mirrored(device) == device:
        return False
    steps = [sorted({c.key[axis] for c in here}) for axis in (4, 5)]
    middle = tuple(some[len(some) // 2] for some in steps)
    asked = [c for c in here if c.key[4:6] == middle] or list(here)
    return _seen(search, asked, True) > _seen(search, asked, False)


def _seen(search: _Search, some: Sequence[Candidate], mirrored: bool) -> float:
    """How much of what is wanted some mounts of a device see; of a device without rays the least turned one."""
    placed = search.placed(min(some, key=lambda c: c.order), mirrored)
    looks = search.grid.first_looks(placed)
    if looks is None:
        return float(sum(cells.sum() for view in search.grid.seen(placed) for cells in view))
    return float(round(sum(look.value(_poses(some), 1).sum() for look in looks), 6))


def _poses(some: Iterable[Candidate]) -> list[Pose]:
    """Poses of candidates; attitudes that come again are worked out once."""
    turns: dict[Any, Pose] = {}
    found = []
    for candidate in some:
        (tilt, yaw, roll), side = candidate.angles_deg, candidate.side
        key: Any = (side, *candidate.angles_deg)
        if key not in turns:
            at: dict[str, Any] = {"side": side, "x_m": 0.0, "y_m": 0.0, "z_m": 0.0}
            turns[key] = Pose.of(**at, tilt_deg=tilt, yaw_deg=yaw, roll_deg=roll)
        found.append(replace(turns[key], origin=np.array(candidate.position_m, dtype=np.float64)))
    return found


def _spread(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Candidates in an order whose beginnings are spread evenly over all of them; mirror images go together."""
    classes = [list(c) for _, c in groupby(sorted(candidates, key=lambda c: c.order), key=lambda c: c.effort)]
    bits = max(1, (len(classes) - 1).bit_length())
    turned = sorted(range(len(classes)), key=lambda i: int(f"{i:0{bits}b}"[::-1], 2))
    return [candidate for i in turned for candidate in classes[i]]


def _shared_out(kept: Sequence[Sequence[Candidate]], most: int) -> list[Candidate]:
    """The first of each group and tilt in turn, so that no attitude is left out for a bound that flatters another.

    Whole rounds, so that no mount goes without its mirror image.
    """
    queues: dict[tuple[Any, ...], list[Candidate]] = {}
    for group in kept:
        for candidate in group:
            queues.setdefault((*candidate.group, candidate.angles_deg[0]), []).append(candidate)
    found: list[Candidate] = []
    for rank in count():
        some = [q[rank] for q in queues.values() if rank < len(q)]
        if not some or (found and len(found) + len(some) > most):
            return found[:most]
        found += some
    return found


def _refine(search: _Search) -> None:
    """Judge the neighbours of the best, as long as that finds better ones; at most as many again."""
    by_place = {(g.device, g.side_index, g.place_index): g for g in search.groups}
    for _ in range(TURNS_MOST):
        best = ranked(list(search.judged.values()))[:REFINED]
        beside = (c for looked in best for c in by_place[looked.candidate.group].beside(looked.candidate))
        fresh = {c.key: c for c in beside if c.key not in search.judged and not search.why_not(c)}
        search.judge(search.allowed(fresh.values()))
        if not fresh or ranked(list(search.judged.values()))[:1] == best[:1]:
            break

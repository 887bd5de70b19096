"""Zones on a grid, and how well sensors serve them: fast numbers to search with, never to answer with.

A cell counts as seen only if the body is detected wherever its centre stands in the cell, at every angle, so that no
gap slips between the cells' centres. That errs towards unseen by about one cell, which also keeps a reserve: what the
search prefers detects a body that is about one cell less deep. Whatever it finds is assessed with exact regions
before it is proposed.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any
from weakref import WeakKeyDictionary

import msgspec
import numpy as np
import numpy.typing as npt

from sillcast.family import Emission, Rays
from sillcast.kernel import Lobe, Pose, Prism, Region, Surroundings, TestBody
from sillcast.kernel.clip import Clipped, free_lengths
from sillcast.kernel.counts import Countable, Grid
from sillcast.kernel.echo import echoing
from sillcast.kernel.lobe_cells import CORNER, lobe_cells
from sillcast.kernel.poses import Look, Places, looked_at_first, thinned
from sillcast.kernel.sight import Level, shadow
from sillcast.needs import ZoneNeed
from sillcast.sensing import LEAF_STATES, LEAF_TOUCH_M, STANDING, Placed, Sensing, Velocities, field_rings

__all__ = [
    "CELLS_MOST",
    "CELL_MOST_M",
    "MARGIN_SEEN_M",
    "OnGrid",
    "Site",
    "View",
    "ZoneScore",
    "frame_of",
    "inside",
    "make_of",
    "thinned",
]

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
_Known = dict[tuple[int, str, tuple[float, ...]], list[Countable]]  # by emission, purpose and leaf states

CELL_MOST_M = 0.1
CELLS_MOST = 100_000  # of one grid; larger areas get larger cells
MARGIN_SEEN_M = 0.3  # how far around a zone places are looked at
UNWANTED_WORTH = -0.1  # of all unwanted places seen, where all wanted ones are worth 1: for a first look alone
_HIDDEN_MOST = 64  # shadows kept of one grid
_ALL_M = 1e3  # what stands farther from a head matters to no door
ROUNDED_M = 0.001  # rings of `inside` are rounded to this
ON_EDGE = 1e-6  # of a cell: nearer to an edge than this is on it


@dataclass(frozen=True, eq=False)
class Site:
    """What stays while sensors change: what stops a ray, the leaf at its states, where a body can stand nowhere."""

    fixed: Surroundings
    leaf: Callable[[float], Iterable[Prism]]
    half_width_m: float
    blocked: Callable[[TestBody, float, float], Region]
    regions: WeakKeyDictionary[Placed, dict[tuple[Any, ...], Region]] = field(default_factory=WeakKeyDictionary)

    def sensing(self, placed: Sequence[Placed], zones: Sequence[ZoneNeed]) -> Sensing:
        """Exact detection of these sensors around these zones."""
        boxes = np.array([z.region.grown(1.5).bounds for z in zones if not z.region.is_empty] or [(-1, -1, 1, 1)])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return Sensing(placed, self.fixed, self.leaf, (float(x0), float(x1), float(y0), float(y1)), self.half_width_m)


@dataclass(frozen=True)
class ZoneScore:
    """One zone on the grid: unseen area, area seen though unwanted, distance to the nearest unseen place around it.

    `is_blind` is True where no place of the zone is seen at all; `wanted_m2` is the area of its places at which the
    body can stand.
    """

    zone: ZoneNeed
    gap_m2: float
    spill_m2: float
    margin_m: float
    is_blind: bool = False
    wanted_m2: float = 0.0

    @property
    def share(self) -> float:
        """Share of the places at which the body can stand that is seen; 1 where there are none. [1]"""
        return max(0.0, 1.0 - self.gap_m2 / self.wanted_m2) if self.wanted_m2 > 0.0 else 1.0


@dataclass(frozen=True, eq=False)
class _Target:
    """One zone on the grid of its view: wanted cells for each angle; what lies around it only where it is asked for."""

    zone: ZoneNeed
    grid: Grid
    within: BoolArray
    blocked: tuple[BoolArray, ...]
    wanted: tuple[BoolArray, ...]

    @cached_property
    def away_m(self) -> FloatArray:
        """Distance of the cells around the zone from it; infinite beyond the margin that is looked at. [m]"""
        around = inside(self.zone.region.grown(MARGIN_SEEN_M), self.grid) & ~self.within
        away = np.full(self.within.shape, np.inf)
        rows, columns = np.nonzero(around)
        away[rows, columns] = _distance(self.zone.region, self.grid.centres_x[columns], self.grid.centres_y[rows])
        return away

    @cached_property
    def around(self) -> tuple[BoolArray, ...]:
        """Cells around the zone at which the body can stand, for each angle."""
        near = self.away_m < MARGIN_SEEN_M
        return tuple(near & ~b for b in self.blocked)

    @cached_property
    def cells(self) -> npt.NDArray[np.intp]:
        """Which cells, flat, are wanted at some angle."""
        return np.flatnonzero(_any(self.wanted))

    @property
    def count(self) -> int:
        """Number of cells of the zone that are wanted at some angle. [1]"""
        return len(self.cells)


@dataclass(frozen=True, eq=False)
class View:
    """Zones that ask for the same body, angles, states, motion and purpose, on one grid."""

    purpose: str
    body: TestBody
    angles_deg: tuple[float, ...]
    states: tuple[float, ...]
    velocities: Velocities
    during: tuple[str, ...]
    grid: Grid
    targets: tuple[_Target, ...]

    def marks(self) -> tuple[BoolArray, BoolArray]:
        """Cells at which detection is wanted, and at which it is unwanted."""
        none = np.zeros((self.grid.rows, self.grid.columns), dtype=np.bool_)
        sides = ([t for t in self.targets if (t.zone.kind == "exclusion") is over] for over in (False, True))
        wanted, unwanted = (_any([none, *(w for t in some for w in t.wanted)]) for some in sides)
        return wanted, unwanted


class OnGrid:
    """Zones of a request on grids whose cells are a share of the body's narrow side.

    Parameters
    ----------
    site : Site
        What stays while sensors change.
    zones : sequence of ZoneNeed
        Zones of the request.
    fineness : int
        Cells along the narrow side of the body.
    thin : int
        Of the rays of a sensor that wants several hits, every so manieth is taken, its hits scaled; 1 takes all.
    certain : bool
        False judges cells by their centres alone, for a first look.
    """

    def __init__(
        self, site: Site, zones: Sequence[ZoneNeed], *, fineness: int, thin: int = 1, certain: bool = True
    ) -> None:
        self.site = site
        self.zones = tuple(zones)
        self.fineness = fineness
        self.thin = thin
        self.certain = certain
        self._leaves = site.fixed.with_prisms([p for state in LEAF_STATES for p in site.leaf(state)])
        self._is_leaf = np.array([p.part == "leaf" for p in self._leaves.prisms] or [False])
        self._at_state: dict[float, Surroundings] = {}
        self._hidden: dict[tuple[Any, ...], BoolArray] = {}
        self._seen: WeakKeyDictionary[Placed, list[list[BoolArray]]] = WeakKeyDictionary()
        self.views = tuple(self._grouped())

    def unseen(self, seen: Sequence[Sequence[BoolArray]]) -> dict[str, list[BoolArray]]:
        """Cells of each required zone, for each angle, at which a sensor does not detect the body (zone's cells,)."""
        return {
            target.zone.id: [
                w.reshape(-1)[target.cells] & ~s.reshape(-1)[target.cells]
                for w, s in zip(target.wanted, seen[at], strict=True)
            ]
            for at, view in enumerate(self.views)
            for target in view.targets
            if target.zone.kind != "exclusion"
        }

    @property
    def cell_m(self) -> float:
        """Largest cell. [m]"""
        return max((v.grid.cell_m for v in self.views), default=0.0)

    def scores(self, placed: Sequence[Placed]) -> list[ZoneScore]:
        """How well these sensors serve each zone, in the order of the zones."""
        found: dict[str, ZoneScore] = {}
        for at, view in enumerate(self.views):
            serving = [self.seen(s)[at] for s in placed if view.purpose in s.purposes]
            seen = [_any(one[i] for one in serving) for i in range(len(view.angles_deg))] if serving else None
            for target in view.targets:
                found[target.zone.id] = self._score(target, view.grid, seen)
        return [found[z.id] for z in self.zones]

    def seen(self, sensor: Placed) -> list[list[BoolArray]]:
        """Cells at which a sensor detects the body: for each view, for each angle, (rows, columns)."""
        found = self._seen.get(sensor)
        if found is None:
            emissions = [thinned(e, self.thin) if isinstance(e, Rays) else e for e in sensor.emissions]
            known: _Known = {}
            found = self._seen[sensor] = [self._in_view(sensor, emissions, view, known) for view in self.views]
        return found

    def look_at(self, sensors: Sequence[Placed]) -> None:
        """Let `seen` know many mounts of few devices at once, which is faster; sensors of one make are told by it."""
        fresh = [s for s in sensors if s not in self._seen]
        makes: dict[Any, list[Placed]] = {}
        for sensor in fresh:
            makes.setdefault(make_of(sensor), []).append(sensor)
        for alike in makes.values():
            found = self.seen_from(alike[0], [s.scene.mount for s in alike]) if len(alike) > 1 else None
            for sensor, seen in zip(alike, found or (), strict=False):
                self._seen[sensor] = seen

    def scores_of_seen(self, seen: Sequence[Sequence[Sequence[BoolArray]]]) -> list[ZoneScore]:
        """As `scores`, for what each of several sensors sees; all of them serve every purpose of their views."""
        found: dict[str, ZoneScore] = {}
        for at, view in enumerate(self.views):
            both = [_any(one[at][i] for one in seen) for i in range(len(view.angles_deg))]
            for target in view.targets:
                found[target.zone.id] = self._score(target, view.grid, both)
        return [found[z.id] for z in self.zones]

    def _score(self, target: _Target, grid: Grid, seen: list[BoolArray] | None) -> ZoneScore:
        cell, wanted = grid.cell_m * grid.cell_m, target.count
        if target.zone.kind == "exclusion":
            spill = int(_any(w & s for w, s in zip(target.wanted, seen, strict=True)).sum()) if seen else 0
            return ZoneScore(target.zone, 0.0, spill * cell, MARGIN_SEEN_M, wanted_m2=wanted * cell)
        missing = wanted
        if seen is not None:
            missing = int(_any(w & ~s for w, s in zip(target.wanted, seen, strict=True)).sum())
        if missing or seen is None:
            return ZoneScore(target.zone, missing * cell, 0.0, 0.0, 0 < missing == wanted, wanted * cell)
        beside = [target.away_m[a & ~s] for a, s in zip(target.around, seen, strict=True)]
        margin = min((float(d.min()) for d in beside if d.size), default=MARGIN_SEEN_M)
        return ZoneScore(target.zone, 0.0, 0.0, min(margin, MARGIN_SEEN_M), wanted_m2=wanted * cell)

    # ------------------------------------------------------------------ zones on the grid

    def _grouped(self) -> Iterable[View]:
        groups: dict[tuple[Any, ...], list[ZoneNeed]] = {}
        for zone in self.zones:
            key = (zone.kind, zone.body, zone.angles_deg, zone.states, zone.velocities_m_per_s, zone.during)
            groups.setdefault(key, []).append(zone)
        for (kind, body, angles, states, velocities, during), zones in groups.items():
            grid = self._grid(zones, body)
            blocked = [self._blocked(body, angle, states, grid) for angle in angles]
            targets = tuple(self._target(zone, grid, blocked) for zone in zones)
            purpose = "activation" if kind == "exclusion" else kind
            yield View(purpose, body, angles, states, velocities, during, grid, targets)

    def _grid(self, zones: Sequence[ZoneNeed], body: TestBody) -> Grid:
        boxes = np.array([z.region.bounds for z in zones if not z.region.is_empty] or [(0.0, 0.0, 0.0, 0.0)])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        # Cells lie in mirror image about x = 0 and the leaf plane, so that a mirrored scene has mirrored scores.
        wide, deep = x1 - x0 + 2 * MARGIN_SEEN_M, y1 - y0 + 2 * MARGIN_SEEN_M
        c = min(CELL_MOST_M, min(body.width_m, body.depth_m) / self.fineness)
        c = max(c, float(np.sqrt(wide * deep / CELLS_MOST)))
        reach_x = np.ceil((max(-x0, x1, 0.0) + MARGIN_SEEN_M) / c) * c
        low, high = np.floor((y0 - MARGIN_SEEN_M) / c) * c, np.ceil((y1 + MARGIN_SEEN_M) / c) * c
        return Grid.over(-float(reach_x), float(reach_x), float(low), float(high), c)

    def _target(self, zone: ZoneNeed, grid: Grid, blocked: Sequence[BoolArray]) -> _Target:
        within = inside(zone.region, grid)
        if self.certain and zone.kind != "exclusion":
            # Cells that reach into the zone with a corner count as well.
            within |= inside(zone.region.grown(grid.cell_m * 0.5), grid)
        return _Target(zone, grid, within, tuple(blocked), tuple(within & ~b for b in blocked))

    def _blocked(self, body: TestBody, angle_deg: float, states: Sequence[float], grid: Grid) -> BoolArray:
        """Cells at which the body can stand at no state that is judged."""
        free = [~inside(self.site.blocked(body, angle_deg, state), grid) for state in states]
        return ~_any(free)

    # ------------------------------------------------------------------ what a sensor sees

    def _in_view(self, sensor: Placed, emissions: Sequence[Emission], view: View, known: _Known) -> list[BoolArray]:
        seen = [np.zeros((view.grid.rows, view.grid.columns), dtype=np.bool_) for _ in view.angles_deg]
        if not _serves(sensor, view):
            return seen
        for index, emission in enumerate(emissions):
            if isinstance(emission, Rays) and sensor.carried is None:
                key = (index, view.purpose, view.states)
                if key not in known:
                    known[key] = self._countables(sensor, emission, view)
                more = [self._hit(known[key], view, angle) for angle in view.angles_deg]
            elif isinstance(emission, Lobe) and sensor.carried is None:
                # A lobe knows the body by its echo, which has no angle.
                more = [self._in_lobe(emission, view)] * len(view.angles_deg)
            else:
                more = [self._within(sensor, emission, view, angle) for angle in view.angles_deg]
            seen = [_any(pair) for pair in zip(seen, more, strict=True)]
        return seen

    def _hit(self, countables: Sequence[Countable], view: View, angle_deg: float) -> BoolArray:
        """Cells with enough hits at every state."""
        certain = self._is_certain(view)
        counts = [c.counts(view.body, view.grid, angle_deg=angle_deg, certain=certain) for c in countables]
        fewest = counts[0] if len(counts) == 1 else np.minimum.reduce(counts)
        return np.asarray(fewest >= countables[0].emission.least_hits)

    def _is_certain(self, view: View) -> bool:
        """Whether hits must be certain wherever in its cell the body stands: where cells are that small."""
        return self.certain and view.grid.cell_m < 0.5 * min(view.body.width_m, view.body.depth_m)

    def _countables(self, sensor: Placed, rays: Rays, view: View) -> list[Countable]:
        """What counts of the rays at each state that differs, for any body, angle and grid."""
        rings, above = field_rings(sensor, view.purpose)
        how: dict[str, Any] = {"floors": self.site.fixed.floors, "fields": rings, "least_above_m": above}
        return [Countable.of(rays, clipped, **how) for clipped in self._clipped(rays, view, rings)]

    def _in_lobe(self, lobe: Lobe, view: View) -> BoolArray:
        """Cells at which a lobe detects the body; what it sees depends on the leaf too little to ask at each state."""
        leaf = (p for p in self._leaves.prisms if p.part == "leaf")
        if view.purpose == "protection" and any(len(echoing(lobe, p, self.site.fixed)) for p in leaf):
            return np.zeros((view.grid.rows, view.grid.columns), dtype=np.bool_)
        around, off = self._at(view.states[0]), CORNER * view.grid.cell_m if self.certain else 0.0

        def hidden(level: Level) -> BoolArray:
            key = (lobe.origin.tobytes(), view.states[0], level, view.grid)
            if key not in self._hidden:
                if len(self._hidden) >= _HIDDEN_MOST:
                    self._hidden.clear()
                region = shadow(lobe.origin, around, level, reach_m=_ALL_M)
                self._hidden[key] = inside(region.grown(off + ROUNDED_M) if off else region, view.grid)
            return self._hidden[key]

        how: dict[str, Any] = {"velocities": view.velocities or (None,), "certain": self.certain, "hidden": hidden}
        return lobe_cells(lobe, self.site.fixed.floors, view.body, view.grid, **how)

    def _within(self, sensor: Placed, emission: Emission, view: View, angle_deg: float) -> BoolArray:
        """Cells inside the exact region of a lobe, an area of the floor, or a sensor that moves with the leaf."""
        states = view.states if sensor.carried is not None else view.states[:1]
        turn = view.angles_deg[0] if isinstance(emission, Lobe) else angle_deg
        off = CORNER * view.grid.cell_m if self.certain else 0.0
        regions = [self._region(sensor, emission, view, turn, state) for state in states]
        cells = [inside(r.grown(-off) if off else r, view.grid) for r in regions]
        return np.asarray(np.logical_and.reduce(cells))

    def _region(self, sensor: Placed, emission: Emission, view: View, angle_deg: float, state: float) -> Region:
        """Exact region of one emission around the zones of a view, worked out once for all grids of a site."""
        zones = [t.zone for t in view.targets]
        known = self.site.regions.setdefault(sensor, {})
        key = (id(emission), tuple(id(z) for z in zones), angle_deg, state)
        if key not in known:
            sensing = self.site.sensing([replace(sensor, emissions=(emission,))], zones)
            how: dict[str, Any] = {"angle_deg": angle_deg, "purpose": view.purpose, "velocities": view.velocities}
            known[key] = sensing.region(sensing.placed[0], view.body, state=state, **how)
        return known[key]

    def _clipped(self, rays: Rays, view: View, rings: Sequence[Any]) -> list[Clipped]:
        """Free lengths for each state that differs; for protection, rays that meet the leaf in a field have none."""
        if view.purpose == "protection" and not rays.blocks:
            free, ended = free_lengths(rays, self.site.fixed), free_lengths(rays, self._leaves)
            meets = (ended.stops >= 0) & self._is_leaf[np.maximum(ended.stops, 0)]
            if rings and meets.any():
                x, y, _ = (rays.origins + ended.lengths[:, None] * rays.directions).T
                meets &= _odd(Region.union([Region.ring(r) for r in rings]).grown(LEAF_TOUCH_M), x, y)
            return [replace(free, lengths=np.where(meets, 0.0, free.lengths))]
        return [free_lengths(rays, self._at(state)) for state in view.states]

    def looks(self, sensor: Placed) -> list[Look] | None:
        """What to ask of many mounts of a sensor at once, or None where counting rays cannot answer it.

        Never less than `seen` finds at the first state: limits that fields set are left out, and with them the rays
        that would meet the leaf outside of a field. One question for each emission and view.
        """
        return self._looks(sensor, lambda rays: [thinned(r, self.thin) for r in rays])

    def first_looks(self, sensor: Placed) -> list[Look] | None:
        """As `looks`, with a part of the rays and places: what to judge first."""
        looks = self._looks(sensor, looked_at_first)
        return looks and [replace(look, places=look.places.sparse()) for look in looks]

    def _looks(self, sensor: Placed, part: Callable[[Sequence[Rays]], Sequence[Rays]]) -> list[Look] | None:
        rays = [e for e in sensor.emissions if isinstance(e, Rays) and not e.blocks]
        if not rays or len(rays) < len(sensor.emissions) or sensor.carried is not None:
            return None
        views = [view for view in self.views if _serves(sensor, view)]
        return [self._look(some, sensor, view) for some in part(rays) for view in views]

    def seen_from(self, sensor: Placed, poses: Sequence[Pose]) -> list[list[list[BoolArray]]] | None:
        """What `seen` finds for a sensor at each of these poses, or None where one count for each cell cannot tell.

        The sensor must send out the same in its own frame at all of them, as equal `make_of` say. Where the floor
        bends, rays that come within their margin of it count a little less.
        """
        looks = self.looks(sensor)
        if looks is None or not all(_is_plain(sensor, view) for view in self.views):
            return None
        serving = [at for at, view in enumerate(self.views) if _serves(sensor, view)]
        found: dict[int, BoolArray] = {}
        for at, look in zip(serving * len(sensor.emissions), looks, strict=True):
            seen = look.seen(poses)
            found[at] = found[at] | seen if at in found else seen
        return [
            [
                list(found[at][i]) if at in found else [np.zeros_like(t) for t in view.targets[0].blocked]
                for at, view in enumerate(self.views)
            ]
            for i in range(len(poses))
        ]

    def _look(self, rays: Rays, sensor: Placed, view: View) -> Look:
        around, voided = self._at(view.states[0]), None
        if view.purpose == "protection":
            around = self.site.fixed
            if not field_rings(sensor, view.purpose)[0]:
                around, voided = self._leaves, self._is_leaf[: len(self._leaves.prisms)]
        own = _own(rays, sensor.scene.mount)
        places = Places(view.grid, *view.marks())
        worth = (1.0, UNWANTED_WORTH)
        return Look(own, around, view.body, places, view.angles_deg, voided, worth, self._is_certain(view))

    def _at(self, state: float) -> Surroundings:
        if state not in self._at_state:
            self._at_state[state] = self.site.fixed.with_prisms(self.site.leaf(state))
        return self._at_state[state]


def _serves(sensor: Placed, view: View) -> bool:
    """Whether a sensor is there for the purpose of a view and senses a body that moves as in it."""
    moves_or_seen = bool(view.velocities) or bool(STANDING & set(sensor.family.senses))
    is_muted = view.purpose == "protection" and any(sensor.is_muted(state, view.during) for state in view.states)
    return view.purpose in sensor.purposes and moves_or_seen and not is_muted


def make_of(sensor: Placed) -> Hashable:
    """Equal for sensors that send out the same in their own frames: all but where their rays start and go to."""
    return frame_of(sensor), tuple(e.floor_margin_m for e in sensor.emissions if isinstance(e, Rays))


def frame_of(sensor: Placed) -> Hashable:
    """Equal for sensors that send out the same but for their floor margins."""
    rays = [e for e in sensor.emissions if isinstance(e, Rays)]
    sent = [(e.range_m.tobytes(), e.group.tobytes(), e.least_hits, e.hits_within, e.beam_width_m) for e in rays]
    own = (sensor.family.name, sensor.side, sensor.purposes, sensor.carried is None, len(sensor.emissions))
    return (*own, msgspec.json.encode(sensor.params), tuple(sent), tuple(e.divergence_deg for e in rays))


def _is_plain(sensor: Placed, view: View) -> bool:
    """Whether no field limits a sensor for the purpose of a view, and one look answers for all its leaf states."""
    rings, above_m = field_rings(sensor, view.purpose)
    return not rings and above_m == 0.0 and (view.purpose == "protection" or len(view.states) == 1)


def _own(rays: Rays, mount: Pose) -> Rays:
    """Rays in the sensor's own frame."""
    return replace(
        rays,
        origins=np.ascontiguousarray((rays.origins - mount.origin) @ mount.matrix),
        directions=np.ascontiguousarray(rays.directions @ mount.matrix),
    )


def inside(region: Region, grid: Grid) -> BoolArray:
    """Cells whose centres lie in a region or on its left or right edge, its rings rounded to 1 mm, (rows, columns).

    Even-odd rule along the rows. A region lies to the left of its rings, so an edge that runs up ends it.
    """
    rings = [np.floor(np.round(1000.0 * ring, 5) + 0.5) / 1000.0 for ring in region.contours]  # halves go up
    if not rings:
        return np.zeros((grid.rows, grid.columns), dtype=np.bool_)
    x0, y0 = np.concatenate(rings).T
    x1, y1 = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings]).T
    y = grid.centres_y
    first = np.searchsorted(y, np.minimum(y0, y1))
    count = np.searchsorted(y, np.maximum(y0, y1)) - first
    edge = np.repeat(np.arange(len(first)), count)
    row = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count - first, count)
    across = x0[edge] + (y[row] - y0[edge]) * (x1 - x0)[edge] / (y1 - y0)[edge]
    # All cells to the right of an edge change sides; those on it are inside, so that left and right are alike.
    cell = (across - grid.x_m) / grid.cell_m
    past = np.where((y1 > y0)[edge], np.floor(cell + ON_EDGE) + 1.0, np.ceil(cell - ON_EDGE))
    past = np.clip(past, 0, grid.columns).astype(np.int64)
    wide = grid.columns + 1
    toggles = np.bincount(row * wide + past, minlength=grid.rows * wide).astype(np.uint8).reshape(grid.rows, wide)
    return np.asarray(np.cumsum(toggles, axis=1, dtype=np.uint8)[:, :-1] & 1 == 1)


def _odd(region: Region, x: FloatArray, y: FloatArray) -> BoolArray:
    """Points that lie in a region: an odd number of edges to their right."""
    odd = np.zeros(np.broadcast_shapes(x.shape, y.shape), dtype=np.bool_)
    for ring in (np.asarray(r) for rings in region.rings("nearest") for r in rings):
        for (x0, y0), (x1, y1) in pairwise(ring):
            if y0 != y1:
                between = (y0 <= y) != (y1 <= y)
                odd ^= between & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return odd


def _distance(region: Region, x: FloatArray, y: FloatArray) -> FloatArray:
    """Distance of points to the border of a region. [m]"""
    least = np.full(x.shape, np.inf)
    for ring in (np.asarray(r) for rings in region.rings("nearest") for r in rings):
        for (x0, y0), (x1, y1) in pairwise(ring):
            ex, ey = x1 - x0, y1 - y0
            along = np.clip(((x - x0) * ex + (y - y0) * ey) / (ex * ex + ey * ey), 0.0, 1.0)
            np.minimum(least, np.hypot(x - x0 - along * ex, y - y0 - along * ey), out=least)
    return least


def _any(parts: Iterable[BoolArray]) -> BoolArray:
    first, *others = parts
    found: BoolArray = np.logical_or.reduce([first, *others]) if others else first
    return found

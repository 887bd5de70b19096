"""Sensors in their scene: emissions, clipped at each leaf state, and the regions in which bodies are detected."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache, partial
from math import hypot
from typing import Any

import numpy as np

from sillcast import motion
from sillcast.contract import Door, Field, Obstacle, Site
from sillcast.errors import FamilyError
from sillcast.family import Emission, Family, FloorArea, Lobe, Rays, Scene, Tunable, seen_through
from sillcast.kernel import FloorPlane, Floors, Pose, Prism, Region, Surroundings, TestBody
from sillcast.kernel.clip import Clipped, free_lengths
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.kernel.echo import echoing
from sillcast.kernel.kept import Kept, digest
from sillcast.kernel.lobe import lobe_region, lobe_section
from sillcast.kernel.parts import rays_near
from sillcast.kernel.region import blocked_region, detection_region
from sillcast.kernel.section import Section, section

__all__ = [
    "LEAF_STATES",
    "Placed",
    "Sensing",
    "Window",
    "floors_of",
    "obstacle_prisms",
    "place",
    "scene_of",
    "tunables_of",
]

Window = tuple[float, float, float, float]
Velocities = tuple[tuple[float, float], ...]
Limits = tuple[tuple[Any, ...], float]  # rings in which hits count, and the least height of a hit [m]
CLOSING = ("closing",)
STANDING = {"presence", "contact", "metal"}  # senses that a body which stands still meets
LEAF_STATES = (1.0, 0.75, 0.5, 0.25, 0.0)  # at which a ray is tested for meeting the moving leaf
_CLEAR = ("glass", "plastic", "strips")
STEP_M = 0.5  # what is lower is climbed, common practice, no source


@dataclass(frozen=True, eq=False)
class Placed:
    """One sensor of the request with its family, scene and emissions."""

    index: int
    name: str
    family: Family
    distribution: str
    params: Any
    purposes: tuple[str, ...]
    scene: Scene
    emissions: tuple[Emission, ...]
    response_s: float
    carried: Callable[[float], motion.Carriage] | None = None
    muted: tuple[tuple[str, float, float], ...] = ()  # in which movement it is ignored, from and to which state [1]

    def emission(self, index: int, state: float) -> Emission:
        """One emission at a leaf state; that of a sensor on the leaf has moved with it."""
        emission = self.emissions[index]
        return emission if self.carried is None else _moved(emission, self.carried(state))

    def is_muted(self, state: float, during: Sequence[str]) -> bool:
        """Whether it is ignored while the leaf passes a state in one of these movements."""
        return any(movement in during and low <= state <= high for movement, low, high in self.muted)

    @property
    def pointer(self) -> str:
        """Place in the request."""
        return f"/sensors/{self.index}"

    @property
    def side(self) -> str:
        """Side on which it is mounted."""
        return self.scene.mount.side


def floors_of(site: Site) -> Floors:
    """Floor planes of the request."""
    near, far = site.floor.near, site.floor.far
    return Floors(
        FloorPlane(near.level_m, float(np.tan(np.deg2rad(near.slope_deg)))),
        FloorPlane(far.level_m, float(np.tan(np.deg2rad(far.slope_deg)))),
    )


def obstacle_prisms(site: Site) -> tuple[Prism, ...]:
    """Obstacles of the request as prisms, rings counter-clockwise and open."""
    return tuple(_obstacle_prism(obstacle, _is_passable(obstacle, site)) for obstacle in site.obstacles)


def _is_passable(o: Obstacle, site: Site) -> bool:
    """True for what gives way, moves away, or is so low that it is stepped on."""
    floor = floors_of(site).height(np.array([y for _, y in o.ring_m]))
    return o.moves or o.material == "strips" or o.top_m - float(np.min(floor)) < STEP_M


@lru_cache(maxsize=512)
def _obstacle_prism(o: Obstacle, passable: bool) -> Prism:
    return Prism(o.name, _counter_clockwise(o.ring_m), o.base_m, o.top_m, "obstacle", o.material in _CLEAR, passable)


def _counter_clockwise(ring: Sequence[Sequence[float]]) -> Any:
    points = np.asarray(ring, dtype=np.float64)
    if np.array_equal(points[0], points[-1]):
        points = points[:-1]
    points = points[np.any(points != np.roll(points, 1, axis=0), axis=1)]
    x, y = points.T
    twice_area = float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    return np.ascontiguousarray(points if twice_area > 0 else points[::-1])


def scene_of(sensor: Any, index: int, door: Door, site: Site, floors: Floors) -> Scene:
    """What the family of one sensor of the request sees."""
    mount, at = sensor.mount, sensor.mount.position
    pose = Pose.of(
        side=mount.side,
        x_m=at.x_m,
        y_m=at.y_m,
        z_m=at.z_m,
        tilt_deg=mount.tilt_deg,
        yaw_deg=mount.yaw_deg,
        roll_deg=mount.roll_deg,
    )
    end = sensor.counterpart.position if sensor.counterpart else None
    counterpart = (end.x_m, end.y_m, end.z_m) if end else None
    floor_z = float(floors.height(at.y_m))
    return Scene(door, site, pose, counterpart, floor_z, f"/sensors/{index}", sensor.purposes, mount.carrier)


def tunables_of(sensor: Placed) -> list[Tunable]:
    """Settings that the family declares for a sensor.

    Raises
    ------
    FamilyError
        If the family raises, or declares something that is no setting.
    """
    try:
        found = list(sensor.family.tunables(sensor.params, sensor.scene))
    except Exception as error:
        raise FamilyError(sensor.family.name, sensor.distribution, f"tunables raised {type(error).__name__}") from error
    if not all(isinstance(t, Tunable) for t in found):
        raise FamilyError(sensor.family.name, sensor.distribution, "tunables returned something that is no setting")
    return found


def place(sensor: Any, index: int, family: Family, distribution: str, scene: Scene) -> Placed:
    """Ask the family for its emissions.

    Raises
    ------
    FamilyError
        If the family raises, or returns something that is no emission.
    """
    try:
        emissions = tuple(family.emit(sensor.device, scene)) if family.is_in_place(scene) else ()
        response = float(family.response_s(sensor.device))
    except Exception as error:
        raise FamilyError(family.name, distribution, f"emit raised {type(error).__name__}") from error
    if not all(isinstance(e, Emission) for e in emissions):
        raise FamilyError(family.name, distribution, "emit returned something that is no emission")
    if not (np.isfinite(response) and response >= 0):
        raise FamilyError(family.name, distribution, "response_s is no time")
    return Placed(
        index,
        sensor.name,
        family,
        distribution,
        sensor.device,
        sensor.purposes,
        scene,
        emissions,
        response,
        carried=partial(_carriage_of, scene) if scene.carrier == "leaf" and family.sits != "leaf" else None,
        muted=tuple(
            (m.during, min(m.from_state, m.to_state), max(m.from_state, m.to_state))
            for m in scene.door.muting
            if m.sensor == sensor.name
        ),
    )


def _carriage_of(scene: Scene, state: float) -> motion.Carriage:
    return motion.carriage(scene.door, state, float(scene.mount.origin[0]))


def _moved(emission: Emission, carriage: motion.Carriage) -> Emission:
    if isinstance(emission, Rays):
        return replace(
            emission, origins=carriage.moved(emission.origins), directions=carriage.turned(emission.directions)
        )
    if isinstance(emission, Lobe):
        origin, columns = carriage.moved(emission.origin[None])[0], carriage.turned(emission.matrix.T).T
        return replace(emission, origin=origin, matrix=np.ascontiguousarray(columns))
    if isinstance(emission, FloorArea):
        ring = np.column_stack([emission.ring, np.zeros(len(emission.ring))])
        return replace(emission, ring=np.ascontiguousarray(carriage.moved(ring)[:, :2]))
    return emission


def _content(emission: Emission) -> tuple[Hashable, ...]:
    """All that an emission is, arrays by their digests; for rays first what ends them."""
    parts = (getattr(emission, part.name) for part in fields(emission))
    return type(emission).__name__, *(digest(part) if isinstance(part, np.ndarray) else part for part in parts)


@dataclass(frozen=True)
class View:
    """One question to a sensor: which body, how turned, at which leaf state, for which purpose, moving how.

    `during` are the movements of the leaf in which it must protect.
    """

    body: TestBody
    angle_deg: float
    state: float
    purpose: str
    velocities: Velocities
    window: Window
    during: tuple[str, ...] = CLOSING


class Sensing:
    """Detection of all placed sensors, computed on demand and kept for this request only.

    Parameters
    ----------
    placed : sequence of Placed
        Sensors in request order.
    fixed : Surroundings
        Floor, walls, lintel and obstacles.
    leaf : callable
        Leaf prisms at a state.
    window : Window
        Least x, greatest x, least y, greatest y within which regions are wanted. [m]
    half_width_m : float
        Half of the opening's width. [m]
    kept : Kept, optional
        What is known already, of another variant of the request.
    ignored : set of str
        What is left out of consideration, to find out what it costs: `fields`, or the `leaf` that sensors meet or hear.
    """

    def __init__(
        self,
        placed: Sequence[Placed],
        fixed: Surroundings,
        leaf: Callable[[float], Iterable[Prism]],
        window: Window,
        half_width_m: float,
        kept: Kept | None = None,
        ignored: frozenset[str] = frozenset(),
    ) -> None:
        self.placed = tuple(placed)
        self.fixed = fixed
        self.window = window
        self.half_width_m = half_width_m
        self.kept = Kept() if kept is None else kept
        self.ignored = ignored
        self._leaf = leaf
        self._around: dict[float, tuple[Surroundings, int]] = {}
        self._emitted: dict[tuple[int, int, float], tuple[Emission, tuple[int, int]]] = {}
        self._clipped: dict[tuple[int, int, float], Clipped] = {}
        self._off_leaf: dict[tuple[int, int, float], Clipped] = {}
        self._on_leaf: dict[tuple[int, int], Any] = {}
        self._ends: dict[tuple[int, int, float, str], int] = {}
        self._fields: dict[Hashable, tuple[Limits | None, Hashable]] = {}
        self._worlds: dict[Any, Sensing] = {}

    @property
    def floors(self) -> Floors:
        """Floor planes."""
        return self.fixed.floors

    def around(self, state: float) -> Surroundings:
        """Everything that stops a ray at a leaf state."""
        return self._scene(state)[0]

    def _scene(self, state: float) -> tuple[Surroundings, int]:
        """Everything that stops a ray at a leaf state, and its number."""
        if state not in self._around:
            around = self.fixed.with_prisms(self._leaf(state))
            self._around[state] = around, self.kept.number((around.floors, around.prisms))
        return self._around[state]

    def _emission(self, sensor: Placed, emission: int, state: float) -> tuple[Emission, tuple[int, int]]:
        """One emission of a sensor at a leaf state; its number, and that of where its rays may go."""
        key = (sensor.index, emission, 0.0 if sensor.carried is None else state)
        if key not in self._emitted:
            now = sensor.emission(emission, state)
            content = _content(now)
            self._emitted[key] = now, (self.kept.number(content), self.kept.number(content[:4]))
        return self._emitted[key]

    def clipped(self, sensor: Placed, emission: int, state: float) -> Clipped:
        """Rays of one emission, ended by what stops them."""
        key = (sensor.index, emission, state)
        if key not in self._clipped:
            rays, (_, way) = self._emission(sensor, emission, state)
            assert isinstance(rays, Rays)
            around, scene = self._scene(state)
            self._clipped[key] = self.kept.once(("clipped", way, scene), lambda: free_lengths(rays, around))
        return self._clipped[key]

    def section(self, sensor: Placed, emission: int, height_m: float, state: float) -> Section:
        """Where one emission passes a height; leaf states at which its rays end alike share it."""
        what, (known, _) = self._emission(sensor, emission, state)
        if isinstance(what, Lobe):
            return Section(lobe_section(what, height_m, self.around(state)), [])
        is_rays = isinstance(what, Rays)
        clipped = self.clipped(sensor, emission, state) if is_rays else None
        ends = self._ends_of(sensor, emission, state, "") if is_rays else 0
        return self.kept.once(
            ("section", known, ends, self.floors, height_m), lambda: section(what, clipped, height_m, self.floors)
        )

    def region(
        self,
        sensor: Placed,
        body: TestBody,
        *,
        angle_deg: float,
        state: float,
        purpose: str = "",
        velocities: Velocities = (),
        window: Window | None = None,
        during: tuple[str, ...] = CLOSING,
    ) -> Region:
        """Where one sensor detects a body; with a purpose, within its fields and without rays that meet the leaf.

        A sensor of motion alone detects a body only where it moves: with one of the velocities [m/s]. One that is muted
        protects nothing. A window smaller than that of all questions saves time.
        """
        view = View(body, angle_deg, state, purpose, velocities, window or self.window, during)
        if _is_idle(sensor, view):
            return Region()
        return self._union([self._emission_region(sensor, i, view) for i in range(len(sensor.emissions))])

    def _union(self, regions: Sequence[Region]) -> Region:
        if len(regions) == 1:
            return regions[0]
        # that they are kept with their union keeps their places in memory theirs
        made = self.kept.once(("union", *map(id, regions)), lambda: (regions, Region.union(regions)))
        return made[1]

    def _emission_region(self, sensor: Placed, emission: int, view: View) -> Region:
        """Region of one emission; questions that differ in nothing that matters to it share it."""
        what, (known, _) = self._emission(sensor, emission, view.state)
        if isinstance(what, Lobe):
            if view.purpose == "protection" and "leaf" not in self.ignored and self.hears_leaf(sensor, emission):
                return Region()
            return self._lobe_region(what, known, view)
        if isinstance(what, FloorArea) and not _acts_on(what, view.body):
            return Region()
        acting, limits = self._limits(sensor, view)
        if acting is None:
            return Region()
        rings, above = acting
        is_rays = isinstance(what, Rays)
        ends = self._ends_of(sensor, emission, view.state, view.purpose) if is_rays else 0
        return self.kept.once(
            ("seen", known, ends, view.body, view.angle_deg, limits, self.floors, view.window),
            lambda: detection_region(
                what,
                self._masked(sensor, emission, view.state, view.purpose) if is_rays else None,
                view.body,
                angle_deg=view.angle_deg,
                floors=self.floors,
                fields=rings,
                least_above_m=above,
                window=view.window,
                kept=self.kept,
            ),
        )

    def _limits(self, sensor: Placed, view: View) -> tuple[Limits | None, Hashable]:
        """`acting_fields`, and what stands for them in a key."""
        key = (sensor.index, view.body, view.purpose, view.velocities, view.during)
        if key not in self._fields:
            acting = ((), 0.0) if "fields" in self.ignored else acting_fields(sensor, view)
            self._fields[key] = acting, acting and (tuple(ring.tobytes() for ring in acting[0]), acting[1])
        return self._fields[key]

    def _ends_of(self, sensor: Placed, emission: int, state: float, purpose: str) -> int:
        """Number of where rays end; of beams that block also of what ends them."""
        key = (sensor.index, emission, state, purpose)
        if key not in self._ends:
            clipped = self._masked(sensor, emission, state, purpose)
            rays, _ = self._emission(sensor, emission, state)
            what = [clipped.lengths, clipped.stops] if isinstance(rays, Rays) and rays.blocks else [clipped.lengths]
            self._ends[key] = self.kept.number(digest(*what))
        return self._ends[key]

    def _lobe_region(self, lobe: Lobe, known: int, view: View) -> Region:
        """Region of a lobe: neither angle nor purpose matter to it, and a window only cuts it."""
        around, scene = self._scene(view.state)
        ways = view.velocities or (None,)
        whole = self.kept.once(
            ("lobe", known, scene, view.body, ways),
            lambda: Region.union(lobe_region(lobe, around, view.body, velocity_m_per_s=way) for way in ways),
        )
        cut = self.kept.once(("cut", id(whole), view.window), lambda: (whole, whole.within(*view.window)))
        return cut[1]

    def detected(self, sensors: Iterable[Placed], body: TestBody, **how: Any) -> Region:
        """Where at least one of the sensors detects a body."""
        return self._union([self.region(sensor, body, **how) for sensor in sensors])

    def sees(
        self,
        sensor: Placed,
        body: TestBody,
        at: tuple[float, float],
        *,
        angle_deg: float,
        state: float,
        purpose: str,
        velocities: Velocities = (),
        during: tuple[str, ...] = CLOSING,
    ) -> bool:
        """True if one sensor detects a body at one place; for rays much cheaper than its whole region."""
        view = View(body, angle_deg, state, purpose, velocities, self.window, during)
        if _is_idle(sensor, view):
            return False
        return any(self._sees(sensor, i, at, view) for i in range(len(sensor.emissions)))

    def _sees(self, sensor: Placed, emission: int, at: tuple[float, float], view: View) -> bool:
        rays, _ = self._emission(sensor, emission, view.state)
        if not isinstance(rays, Rays):
            return self._emission_region(sensor, emission, view).holds(*at)
        acting, _ = self._limits(sensor, view)
        if acting is None:
            return False
        rings, above = acting
        clipped = self._masked(sensor, emission, view.state, view.purpose)
        (x, y), reach = at, hypot(view.body.width_m, view.body.depth_m)
        counts = hit_counts(
            *rays_near(rays, clipped, (x, x, y, y), reach),
            view.body,
            Grid(x, y, 0.01, 1, 1),
            angle_deg=view.angle_deg,
            floors=self.floors,
            fields=rings,
            least_above_m=above,
        )
        return bool(counts[0, 0] >= rays.least_hits)

    def _masked(self, sensor: Placed, emission: int, state: float, purpose: str) -> Clipped:
        """Clipped rays; for protection those that meet the leaf have no length."""
        clipped = self.clipped(sensor, emission, state)
        rays = sensor.emissions[emission]
        if purpose != "protection" or (isinstance(rays, Rays) and rays.blocks) or "leaf" in self.ignored:
            return clipped
        key = (sensor.index, emission, state)
        if key not in self._off_leaf:
            lengths = np.where(self._meets_leaf(sensor, emission), 0.0, clipped.lengths)
            self._off_leaf[key] = replace(clipped, lengths=lengths)
        return self._off_leaf[key]

    def rays_on_leaf(self, sensor: Placed) -> list[tuple[int, int]]:
        """For each emission of rays that look: how many meet the leaf and protect nothing, and of how many."""
        looking = [(i, e) for i, e in enumerate(sensor.emissions) if isinstance(e, Rays) and not e.blocks]
        return [(int(self._meets_leaf(sensor, i).sum()), len(rays.range_m)) for i, rays in looking]

    def takes_leaf_for_body(self, sensor: Placed) -> bool:
        """True if the moving leaf costs a sensor protection: it meets some of its rays, or a lobe hears it."""
        hears = (self.hears_leaf(sensor, i) for i in range(len(sensor.emissions)))
        return any(met for met, _ in self.rays_on_leaf(sensor)) or any(hears)

    def _meets_leaf(self, sensor: Placed, emission: int) -> Any:
        """Mask (n,) of the rays that meet the leaf at a state of its travel, inside the fields for protection."""
        key = (sensor.index, emission)
        if key not in self._on_leaf:
            masks = [self._ends_on_leaf(sensor, emission, state) for state in LEAF_STATES]
            self._on_leaf[key] = np.logical_or.reduce(masks)
        return self._on_leaf[key]

    def hears_leaf(self, sensor: Placed, emission: int, states: Sequence[float] = LEAF_STATES) -> bool:
        """True if an emission is a lobe that gets an echo of the leaf at one of these states, as of a body."""
        return any(self._hears_leaf(sensor, emission, state) for state in states)

    def _hears_leaf(self, sensor: Placed, emission: int, state: float) -> bool:
        lobe, (known, _) = self._emission(sensor, emission, state)
        if not isinstance(lobe, Lobe):
            return False
        heard: bool = self.kept.once(
            ("hears leaf", known, self._scene(state)[1]),
            lambda: any(len(echoing(lobe, prism, self.fixed)) for prism in self._leaf(state)),
        )
        return heard

    def _ends_on_leaf(self, sensor: Placed, emission: int, state: float) -> Any:
        rays, _ = self._emission(sensor, emission, state)
        assert isinstance(rays, Rays)
        clipped = self.clipped(sensor, emission, state)
        on_leaf = clipped.stops >= len(self.fixed.prisms)  # the leaf's come last, see `around`
        rings, _ = ((), 0.0) if "fields" in self.ignored else field_rings(sensor, "protection")
        if rings and on_leaf.any():
            area = Region.union([Region.ring(ring) for ring in rings]).grown(LEAF_TOUCH_M)
            ends = rays.origins + clipped.lengths[:, None] * rays.directions
            on_leaf[on_leaf] = area.holds_each(ends[on_leaf, :2])
        return on_leaf

    def blocked(self, body: TestBody, angle_deg: float, state: float) -> Region:
        """Where the body cannot stand."""
        fixed = self._blocked(self.fixed.prisms, body, angle_deg)
        moving = self._blocked(tuple(self._leaf(state)), body, angle_deg)
        return fixed if moving.is_empty else self._union([fixed, moving])

    def _blocked(self, prisms: tuple[Prism, ...], body: TestBody, angle_deg: float) -> Region:
        key = ("blocked", prisms, self.floors, body, angle_deg, self.window)
        around = Surroundings(self.floors, prisms)
        return self.kept.once(key, lambda: blocked_region(around, body, angle_deg=angle_deg, window=self.window))

    def without(self, obstacle: str) -> Sensing:
        """The same sensors with one obstacle gone."""
        return self._world(obstacle, lambda: {"fixed": self.fixed.without(obstacle)})

    def in_place_of(self, obstacle: str, hangs_from_m: float | None) -> Sensing:
        """The same sensors with one obstacle gone, to look for a piece of it, which stands on the floor if None. [m]

        What hangs stands on a floor at its own height here, and nothing that lies on the floor senses it.
        """

        def changed() -> dict[str, Any]:
            gone = self.fixed.without(obstacle)
            if hangs_from_m is None:
                return {"fixed": gone}
            above = [
                replace(s, emissions=tuple(e for e in s.emissions if not isinstance(e, FloorArea))) for s in self.placed
            ]
            level = FloorPlane(hangs_from_m)
            return {"fixed": replace(gone, floors=Floors(level, level)), "placed": above}

        return self._world((obstacle, hangs_from_m), changed)

    def see_through(self) -> Sensing:
        """The same sensors without what is of doubtful material, for detection that is unwanted."""

        def changed() -> dict[str, Any]:
            fixed = replace(self.fixed, prisms=tuple(p for p in self.fixed.prisms if not p.clear))
            return {"fixed": fixed, "leaf": lambda state: [p for p in self._leaf(state) if not p.clear]}

        return self._world("see through", changed)

    def ignoring(self, *what: str) -> Sensing:
        """The same sensors without their `fields`, or without regard to the `leaf` that they meet or hear."""
        return self._world(what, lambda: {"ignored": frozenset(what)})

    def without_leaf(self, sensors: Sequence[int]) -> Sensing:
        """Some of the sensors, by index, with no leaf that ends what they send, and that they meet or hear."""
        kept = tuple(s for s in self.placed if s.index in sensors)
        return self._world(("no leaf", *sensors), lambda: {"placed": kept, "leaf": lambda state: ()})

    def is_screened(self, sensor: Placed, state: float) -> bool:
        """True if the leaf may stand in a sensor's way at a state: it ends a ray, or there is one and a lobe."""
        ends = (self.clipped(sensor, i, state).stops for i, e in enumerate(sensor.emissions) if isinstance(e, Rays))
        if any((stops >= len(self.fixed.prisms)).any() for stops in ends):  # the leaf's come last, see `around`
            return True
        return any(isinstance(e, Lobe) for e in sensor.emissions) and any(True for _ in self._leaf(state))

    def with_sensors(self, change: Callable[[Placed], Placed]) -> Sensing:
        """The same scene with changed sensors."""
        return self._world(change, lambda: {"placed": [change(s) for s in self.placed]})

    def with_emissions(self, change: Callable[[Emission], Emission]) -> Sensing:
        """The same sensors with changed emissions."""
        return self._world(
            change,
            lambda: {"placed": [replace(s, emissions=tuple(change(e) for e in s.emissions)) for s in self.placed]},
        )

    def _world(self, key: Any, changed: Callable[[], dict[str, Any]]) -> Sensing:
        """A variant of this, made once."""
        if key not in self._worlds:
            same: dict[str, Any] = {
                "placed": self.placed,
                "fixed": self.fixed,
                "leaf": self._leaf,
                "ignored": self.ignored,
            }
            self._worlds[key] = Sensing(
                window=self.window, half_width_m=self.half_width_m, kept=self.kept, **same | changed()
            )
        return self._worlds[key]

    def stops(self, sensor: Placed, state: float) -> list[str]:
        """What ends each ray of a sensor: `range`, `floor`, or a name."""
        names = [*(p.name for p in self.around(state).prisms), "floor", "range"]  # the last two by -2 and -1
        found: list[str] = []
        for i, emission in enumerate(sensor.emissions):
            if isinstance(emission, Rays):
                found += [names[stop] for stop in self.clipped(sensor, i, state).stops.tolist()]
        return found


LEAF_TOUCH_M = 0.01  # a hit this close outside a field still touches it


def field_rings(sensor: Placed, purpose: str) -> Limits:
    """Rings in the door frame of the fields set for a purpose, and the least height at which their hits count."""
    fields = sensor.family.fields(sensor.params, purpose) if purpose else ()
    return tuple(_field_ring(f, sensor.side) for f in fields), max(
        (f.filters.least_above_m for f in fields), default=0.0
    )


def _is_idle(sensor: Placed, view: View) -> bool:
    """True if a sensor cannot answer a question at all: it senses motion and nothing moves, or it is muted."""
    stands = not view.velocities and not STANDING & set(sensor.family.senses)
    return stands or (view.purpose == "protection" and sensor.is_muted(view.state, view.during))


def _acts_on(area: FloorArea, body: TestBody) -> bool:
    """True if an area of the floor senses a body of this height and material."""
    return body.height_m >= area.from_height_m and (body.metal or not area.metal)


def acting_fields(sensor: Placed, view: View) -> Limits | None:
    """Rings and least height of the fields that let this body through while they must act; None if none of them does.

    Protection must act in all movements that the question names, activation while the leaf stands. No field at all is
    no limit.
    """
    fields = sensor.family.fields(sensor.params, view.purpose) if view.purpose else ()
    phases = set(view.during) if view.purpose == "protection" else {"standing"}
    acting = [f for f in fields if phases <= set(f.acts_while) and _lets_through(f, sensor, view)]
    if fields and not acting:
        return None
    return tuple(_field_ring(f, sensor.side) for f in acting), max(
        (f.filters.least_above_m for f in acting), default=0.0
    )


def _lets_through(field: Field, sensor: Placed, view: View) -> bool:
    inwards = 1.0 if sensor.side == "near" else -1.0
    return any(
        seen_through(
            field.filters, view.body, able=sensor.family.filters, towards_m_per_s=inwards * vy, along_m_per_s=vx
        )
        for vx, vy in view.velocities or ((0.0, 0.0),)
    )


@lru_cache(maxsize=256)
def _field_ring(field: Field, side: str) -> Any:
    if field.ring_m is not None:
        return _counter_clockwise(field.ring_m)
    sign = -1.0 if side == "near" else 1.0
    x0, x1, near, far = (v or 0.0 for v in (field.x_from_m, field.x_to_m, field.out_from_m, field.out_to_m))
    return _counter_clockwise([(x0, sign * near), (x1, sign * near), (x1, sign * far), (x0, sign * far)])


def responses(placed: Sequence[Placed]) -> Mapping[tuple[str, str], tuple[float, str]]:
    """Slowest response of each purpose and side, with the sensor's place in the request."""
    found: dict[tuple[str, str], tuple[float, str]] = {}
    for sensor in placed:
        for purpose in sensor.purposes:
            key = (purpose, sensor.side)
            if key not in found or sensor.response_s > found[key][0]:
                found[key] = (sensor.response_s, f"{sensor.pointer}/device/response_s")
    return found

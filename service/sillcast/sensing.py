"""Sensors in their scene: emissions, clipped at each leaf state, and the regions in which bodies are detected."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np

from sillcast import motion
from sillcast.contract import Door, Field, Site
from sillcast.errors import FamilyError
from sillcast.family import Emission, Family, FloorArea, Lobe, Rays, Scene, seen_through
from sillcast.kernel import FloorPlane, Floors, Pose, Prism, Region, Surroundings, TestBody
from sillcast.kernel.clip import Clipped, free_lengths
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.kernel.lobe import lobe_region
from sillcast.kernel.region import blocked_region, detection_region

__all__ = ["LEAF_STATES", "Placed", "Sensing", "Window", "floors_of", "obstacle_prisms", "place", "scene_of"]

Window = tuple[float, float, float, float]
Velocities = tuple[tuple[float, float], ...]
STANDING = {"presence", "contact", "metal"}  # senses that a body which stands still meets
LEAF_STATES = (1.0, 0.75, 0.5, 0.25, 0.0)  # at which a ray is tested for meeting the moving leaf
_CLEAR = ("glass", "plastic", "strips")


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

    def emission(self, index: int, state: float) -> Emission:
        """One emission at a leaf state; that of a sensor on the leaf has moved with it."""
        emission = self.emissions[index]
        return emission if self.carried is None else _moved(emission, self.carried(state))

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
    return tuple(
        Prism(o.name, _counter_clockwise(o.ring_m), o.base_m, o.top_m, "obstacle", o.material in _CLEAR)
        for o in site.obstacles
    )


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
    return Scene(door, site, pose, counterpart, floor_z, f"/sensors/{index}", sensor.purposes)


def place(sensor: Any, index: int, family: Family, distribution: str, scene: Scene) -> Placed:
    """Ask the family for its emissions.

    Raises
    ------
    FamilyError
        If the family raises, or returns something that is no emission.
    """
    try:
        emissions = tuple(family.emit(sensor.device, scene))
        response = float(family.response_s(sensor.device))
    except Exception as error:
        raise FamilyError(family.name, distribution, f"emit raised {type(error).__name__}") from error
    if not all(isinstance(e, Emission) for e in emissions):
        raise FamilyError(family.name, distribution, "emit returned something that is no emission")
    if not (np.isfinite(response) and response >= 0):
        raise FamilyError(family.name, distribution, "response_s is no time")
    carried = partial(_carriage_of, scene) if sensor.mount.carrier == "leaf" else None
    return Placed(
        index, sensor.name, family, distribution, sensor.device, sensor.purposes, scene, emissions, response, carried
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


@dataclass(frozen=True)
class View:
    """One question to a sensor: which body, how turned, at which leaf state, for which purpose, moving how."""

    body: TestBody
    angle_deg: float
    state: float
    purpose: str
    velocities: Velocities
    window: Window


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
    """

    def __init__(
        self,
        placed: Sequence[Placed],
        fixed: Surroundings,
        leaf: Callable[[float], Iterable[Prism]],
        window: Window,
        half_width_m: float,
    ) -> None:
        self.placed = tuple(placed)
        self.fixed = fixed
        self.window = window
        self.half_width_m = half_width_m
        self._leaf = leaf
        self._around: dict[float, Surroundings] = {}
        self._clipped: dict[tuple[int, int, float], Clipped] = {}
        self._regions: dict[tuple[Any, ...], Region] = {}
        self._unions: dict[tuple[int, ...], tuple[list[Region], Region]] = {}
        self._off_leaf: dict[tuple[int, int, float], Clipped] = {}
        self._on_leaf: dict[tuple[int, int], Any] = {}
        self._rays_at: dict[tuple[int, float, str], int] = {}
        self._rays_seen: dict[int, dict[tuple[bytes, ...], int]] = {}
        self._fixed_blocks: dict[tuple[TestBody, float], Region] = {}
        self._worlds: dict[Any, Sensing] = {}

    @property
    def floors(self) -> Floors:
        """Floor planes."""
        return self.fixed.floors

    def around(self, state: float) -> Surroundings:
        """Everything that stops a ray at a leaf state."""
        if state not in self._around:
            self._around[state] = self.fixed.with_prisms(self._leaf(state))
        return self._around[state]

    def clipped(self, sensor: Placed, emission: int, state: float) -> Clipped:
        """Rays of one emission, ended by what stops them."""
        key = (sensor.index, emission, state)
        if key not in self._clipped:
            rays = sensor.emission(emission, state)
            assert isinstance(rays, Rays)
            self._clipped[key] = free_lengths(rays, self.around(state))
        return self._clipped[key]

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
    ) -> Region:
        """Where one sensor detects a body; with a purpose, within its fields and without rays that meet the leaf.

        A sensor of motion alone detects a body only where it moves: with one of the velocities [m/s]. A window smaller
        than that of all questions saves time.
        """
        view = View(body, angle_deg, state, purpose, velocities, window or self.window)
        if not velocities and not STANDING & set(sensor.family.senses):
            return Region()
        key = self._question(sensor, view)
        if key not in self._regions:
            parts = [self._emission_region(sensor, i, view) for i in range(len(sensor.emissions))]
            self._regions[key] = parts[0] if len(parts) == 1 else Region.union(parts)
        return self._regions[key]

    def _question(self, sensor: Placed, view: View) -> tuple[Any, ...]:
        """What the answer to a view depends on: views that differ in nothing else share their region."""
        if sensor.carried is not None or any(isinstance(e, Lobe) for e in sensor.emissions):
            return sensor.index, view
        fields = acting_fields(sensor, view)
        limits = fields and (tuple(ring.tobytes() for ring in fields[0]), fields[1])
        rays = self._same_rays(sensor, view.state, view.purpose)
        return sensor.index, view.body, view.angle_deg, rays, limits, view.window

    def _same_rays(self, sensor: Placed, state: float, purpose: str) -> int:
        """A number that is equal for two questions if the rays of the sensor end alike in both."""
        key = (sensor.index, state, purpose)
        if key not in self._rays_at:
            ends = tuple(
                self._masked(sensor, i, state, purpose).lengths.tobytes()
                for i, emission in enumerate(sensor.emissions)
                if isinstance(emission, Rays)
            )
            known = self._rays_seen.setdefault(sensor.index, {})
            self._rays_at[key] = known.setdefault(ends, len(known))
        return self._rays_at[key]

    def _emission_region(self, sensor: Placed, emission: int, view: View) -> Region:
        what = sensor.emission(emission, view.state)
        if isinstance(what, Lobe):
            around = self.around(view.state)
            ways = view.velocities or (None,)
            return Region.union(
                lobe_region(what, around, view.body, velocity_m_per_s=way, window=view.window) for way in ways
            )
        if isinstance(what, FloorArea) and not _acts_on(what, view.body):
            return Region()
        clipped = self._masked(sensor, emission, view.state, view.purpose) if isinstance(what, Rays) else None
        fields = acting_fields(sensor, view)
        if fields is None:
            return Region()
        rings, above = fields
        return detection_region(
            what,
            clipped,
            view.body,
            angle_deg=view.angle_deg,
            floors=self.floors,
            fields=rings,
            least_above_m=above,
            window=view.window,
        )

    def detected(self, sensors: Iterable[Placed], body: TestBody, **how: Any) -> Region:
        """Where at least one of the sensors detects a body."""
        regions = [self.region(sensor, body, **how) for sensor in sensors]
        key = tuple(map(id, regions))  # they live as long as this object does
        if key not in self._unions:
            self._unions[key] = (regions, Region.union(regions))
        return self._unions[key][1]

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
    ) -> bool:
        """True if one sensor detects a body at one place; for rays much cheaper than its whole region."""
        view = View(body, angle_deg, state, purpose, velocities, self.window)
        if not velocities and not STANDING & set(sensor.family.senses):
            return False
        return any(self._sees(sensor, i, at, view) for i in range(len(sensor.emissions)))

    def _sees(self, sensor: Placed, emission: int, at: tuple[float, float], view: View) -> bool:
        rays = sensor.emission(emission, view.state)
        if not isinstance(rays, Rays):
            return self._emission_region(sensor, emission, view).holds(*at)
        fields = acting_fields(sensor, view)
        if fields is None:
            return False
        rings, above = fields
        counts = hit_counts(
            rays,
            self._masked(sensor, emission, view.state, view.purpose),
            view.body,
            Grid(at[0], at[1], 0.01, 1, 1),
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
        if purpose != "protection" or (isinstance(rays, Rays) and rays.blocks):
            return clipped
        key = (sensor.index, emission, state)
        if key not in self._off_leaf:
            lengths = np.where(self.meets_leaf(sensor, emission), 0.0, clipped.lengths)
            self._off_leaf[key] = replace(clipped, lengths=lengths)
        return self._off_leaf[key]

    def meets_leaf(self, sensor: Placed, emission: int) -> Any:
        """Mask (n,) of the rays that meet the leaf at a state of its travel, inside the fields for protection."""
        key = (sensor.index, emission)
        if key not in self._on_leaf:
            masks = [self._ends_on_leaf(sensor, emission, state) for state in LEAF_STATES]
            self._on_leaf[key] = np.logical_or.reduce(masks)
        return self._on_leaf[key]

    def _ends_on_leaf(self, sensor: Placed, emission: int, state: float) -> Any:
        rays = sensor.emission(emission, state)
        assert isinstance(rays, Rays)
        clipped = self.clipped(sensor, emission, state)
        leaf = np.array([p.part == "leaf" for p in self.around(state).prisms] or [False])
        on_leaf = (clipped.stops >= 0) & leaf[np.maximum(clipped.stops, 0)]
        rings, _ = field_rings(sensor, "protection")
        if rings and on_leaf.any():
            area = Region.union([Region.ring(ring) for ring in rings]).grown(LEAF_TOUCH_M)
            ends = rays.origins + clipped.lengths[:, None] * rays.directions
            on_leaf &= np.array([hit and area.holds(x, y) for hit, (x, y, _) in zip(on_leaf, ends, strict=True)])
        return on_leaf

    def blocked(self, body: TestBody, angle_deg: float, state: float) -> Region:
        """Where the body cannot stand."""
        key = ("blocked", body, angle_deg, state)
        if key not in self._regions:
            fixed = self._fixed_blocks.get((body, angle_deg))
            if fixed is None:
                fixed = blocked_region(self.fixed, body, angle_deg=angle_deg, window=self.window)
                self._fixed_blocks[body, angle_deg] = fixed
            leaf = Surroundings(self.floors, tuple(self._leaf(state)))
            moving = blocked_region(leaf, body, angle_deg=angle_deg, window=self.window)
            self._regions[key] = fixed if moving.is_empty else Region.union([fixed, moving])
        return self._regions[key]

    def without(self, obstacle: str) -> Sensing:
        """The same sensors with one obstacle gone."""
        if obstacle not in self._worlds:
            fixed = self.fixed.without(obstacle)
            self._worlds[obstacle] = Sensing(self.placed, fixed, self._leaf, self.window, self.half_width_m)
        return self._worlds[obstacle]

    def with_emissions(self, change: Callable[[Emission], Emission]) -> Sensing:
        """The same sensors with changed emissions."""
        if change not in self._worlds:
            placed = [replace(s, emissions=tuple(change(e) for e in s.emissions)) for s in self.placed]
            self._worlds[change] = Sensing(placed, self.fixed, self._leaf, self.window, self.half_width_m)
        return self._worlds[change]

    def stops(self, sensor: Placed, state: float) -> list[str]:
        """What ends each ray of a sensor: `range`, `floor`, or a name."""
        names = ["floor", "range", *(p.name for p in self.around(state).prisms)]
        found: list[str] = []
        for i, emission in enumerate(sensor.emissions):
            if isinstance(emission, Rays):
                found += [names[int(stop) + 2] for stop in self.clipped(sensor, i, state).stops]
        return found


LEAF_TOUCH_M = 0.01  # a hit this close outside a field still touches it


def field_rings(sensor: Placed, purpose: str) -> tuple[tuple[Any, ...], float]:
    """Rings in the door frame of the fields set for a purpose, and the least height at which their hits count."""
    fields = sensor.family.fields(sensor.params, purpose) if purpose else ()
    return tuple(_field_ring(f, sensor.side) for f in fields), max(
        (f.filters.least_above_m for f in fields), default=0.0
    )


def _acts_on(area: FloorArea, body: TestBody) -> bool:
    """True if an area of the floor senses a body of this height and material."""
    return body.height_m >= area.from_height_m and (body.metal or not area.metal)


def acting_fields(sensor: Placed, view: View) -> tuple[tuple[Any, ...], float] | None:
    """Rings and least height of the fields that let this body through while they must act; None if none of them does.

    Protection must act while the leaf closes, activation while it stands. No field at all is no limit.
    """
    fields = sensor.family.fields(sensor.params, view.purpose) if view.purpose else ()
    phase = "closing" if view.purpose == "protection" else "standing"
    acting = [f for f in fields if phase in f.acts_while and _lets_through(f, sensor, view)]
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

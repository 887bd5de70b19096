"""Pairs of sensors that can disturb each other, and moving things in a sensor's field; judged by where they are.

A family declares what it emits and what disturbs it; who is in whose field is geometry. Nothing here says how strong a
disturbance is, only that it can be: what can be set apart by distance, angle or timing, with the numbers for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import atan2, degrees, hypot
from typing import Any

import numpy as np
import numpy.typing as npt

from sillcast import motion, physics
from sillcast.contract import Finding
from sillcast.family import FindingSpec, FloorArea, Lobe, Rays
from sillcast.kernel import Prism, Region, Surroundings
from sillcast.kernel.lobe import lobe_section
from sillcast.kernel.sight import in_sight, seen_from
from sillcast.sensing import LEAF_STATES, Placed, Sensing

__all__ = ["DISTURBANCES", "disturbances"]

FloatArray = npt.NDArray[np.float64]

ACCEPTANCE_DEG = 2.5  # half angle in which a light receiver takes light, IEC 61496-2 type 4, from memory
LOOP_APART_M = 1.0  # between loops on like frequencies, common practice, no source
LOOP_APART_KHZ = 10.0  # between frequencies of loops that lie nearer, common practice, no source
METAL_CLEAR_M = 1.0  # between a loop and metal that moves, common practice, no source
MIDDLE_M = 0.7  # height above the floor at which the fields of two heads are laid over each other: the reference body's
PLATE_ECHO_M2 = 10.3  # flat metal disc of 120 mm square on at 24 GHz, 4 pi A^2 / wavelength^2: a leaf shows as much

DISTURBANCES: dict[str, FindingSpec] = {
    "microwave_facing": FindingSpec(
        "warning",
        "{first} and {second} send on frequencies that can meet and look into each other over {distance_m:.2f} m, "
        "{first_off_deg:.0f} and {second_off_deg:.0f} deg off their axes.",
        "Turn one of them by {turn_deg:.0f} deg or more, take frequencies more than {apart_mhz:.0f} MHz apart, or let "
        "them send in turn.",
        "common practice, no source",
    ),
    "microwave_shared": FindingSpec(
        "info",
        "{first} and {second} send on frequencies that can meet and share {area_m2:.2f} m2 of field: what moves there "
        "throws the signal of one into the other.",
        "Take frequencies more than {apart_mhz:.0f} MHz apart, tilt the lobes apart, or let them send in turn.",
        "common practice, no source",
    ),
    "light_into": FindingSpec(
        "warning",
        "Light of {first} meets {second} from {distance_m:.2f} m, {off_deg:.1f} deg off its line of sight.",
        "Turn one of them by {turn_deg:.1f} deg or more, set transmitters and receivers on opposite sides, or use "
        "channels that tell them apart.",
        "acceptance of 2.5 deg to either side, IEC 61496-2 type 4, from memory",
    ),
    "ultrasound_shared": FindingSpec(
        "warning",
        "{first} and {second} sound into the same space, {distance_m:.2f} m apart, with frequencies {apart_khz:.1f} "
        "kHz apart: one can take the other's sound for its echo.",
        "Let them sound in turn, at least {turn_s:.3f} s each, tilt them apart, or put a screen between them.",
        "2 R / c; common practice, no source",
    ),
    "loops_near": FindingSpec(
        "warning",
        "{first} and {second} lie {distance_m:.2f} m apart on frequencies {apart_khz:.1f} kHz apart: they couple.",
        "Keep {least_m:.1f} m between them, set frequencies at least {least_khz:.0f} kHz apart, or run both from one "
        "detector that feeds them in turn.",
        "common practice, no source",
    ),
    "metal_moves": FindingSpec(
        "warning",
        "{thing} moves {distance_m:.2f} m from {sensor}, which can take it for a vehicle.",
        "Keep {least_m:.1f} m between them.",
        "common practice, no source",
    ),
    "moving_thing": FindingSpec(
        "warning",
        "{thing} moves within the field of {sensor}, {distance_m:.2f} m from it.",
        "Fix or move {thing}, aim {sensor} away from it, or leave it out with a field if the sensor has fields.",
        "common practice, no source",
    ),
    "sees_leaf": FindingSpec(
        "warning",
        "{sensor} sees the moving leaf in {states} of the {of} leaf positions tried; the door can keep itself open.",
        "{aim}, or leave its signal out while the leaf moves, {opening_s:.1f} s opening and {closing_s:.1f} s closing.",
        "geometry; echo of a flat metal plate 4 pi A^2 / wavelength^2",
    ),
}


def disturbances(placed: Sequence[Placed], sensing: Sensing) -> list[Finding]:
    """Findings on sensors that can disturb each other or see what moves, in request order.

    Parameters
    ----------
    placed : sequence of Placed
        Sensors in their places.
    sensing : Sensing
        The same sensors among walls, leaf and obstacles.

    Returns
    -------
    findings : list of Finding
        Under `core.<key>` with the keys of `DISTURBANCES`.
    """
    found: list[Finding] = []
    for first, second in combinations(placed, 2):
        for medium, judge in _PAIRS.items():
            if _meet(first, second, medium):
                found += judge(first, second, sensing)
    for sensor in placed:
        found += _moving_things(sensor, sensing)
        found += _leaf(sensor, sensing)
    return found


def _meet(first: Placed, second: Placed, medium: str) -> bool:
    """True if one of them emits what the other is sensitive to."""
    return any(
        medium in a.family.emits and medium in b.family.sensitive_to for a, b in ((first, second), (second, first))
    )


def _in_turn(first: Placed, second: Placed) -> bool:
    return all(getattr(s.params, "takes_turns", False) for s in (first, second))


def _remark(key: str, sensors: Iterable[Placed], subjects: Iterable[str] = (), **values: Any) -> Finding:
    return DISTURBANCES[key].make(f"core.{key}", subjects=[*(s.pointer for s in sensors), *subjects], **values)


def _apart(first: Placed, second: Placed, name: str) -> float:
    """Difference of a parameter, 0 where one of them does not state it: then they can meet."""
    a, b = (getattr(s.params, name, None) for s in (first, second))
    return 0.0 if a is None or b is None else abs(float(a) - float(b))


def _lobes(sensor: Placed) -> list[Lobe]:
    return [e for e in sensor.emissions if isinstance(e, Lobe)]


# --- lobes -----------------------------------------------------------------------------------------------------------


def _microwaves(first: Placed, second: Placed, sensing: Sensing) -> Iterator[Finding]:
    apart = 1000.0 * _apart(first, second, "frequency_ghz")
    needed = sum(float(getattr(s.params, "frequency_tolerance_mhz", 0.0)) for s in (first, second))
    if apart > needed or _in_turn(first, second):
        return
    names: dict[str, Any] = {"first": first.name, "second": second.name, "apart_mhz": needed}
    for a in _lobes(first):
        for b in _lobes(second):
            inside = _inside_edge_deg(a, b.origin), _inside_edge_deg(b, a.origin)
            if min(inside) > 0.0 and _visible(a.origin, b.origin, sensing):
                yield _remark(
                    "microwave_facing",
                    (first, second),
                    **names,
                    distance_m=_distance(a.origin, b.origin),
                    first_off_deg=_off_axis_deg(a, b.origin),
                    second_off_deg=_off_axis_deg(b, a.origin),
                    turn_deg=min(inside),
                )
            elif (shared := _shared_m2(a, b, sensing)) > 0.0:
                yield _remark("microwave_shared", (first, second), **names, area_m2=shared)


def _ultrasounds(first: Placed, second: Placed, sensing: Sensing) -> Iterator[Finding]:
    if _in_turn(first, second):
        return
    for a in _lobes(first):
        for b in _lobes(second):
            facing = min(_inside_edge_deg(a, b.origin), _inside_edge_deg(b, a.origin)) > 0.0
            if (facing and _visible(a.origin, b.origin, sensing)) or _shared_m2(a, b, sensing) > 0.0:
                reach = max(a.range_m, b.range_m)
                yield _remark(
                    "ultrasound_shared",
                    (first, second),
                    first=first.name,
                    second=second.name,
                    distance_m=_distance(a.origin, b.origin),
                    apart_khz=_apart(first, second, "frequency_khz"),
                    turn_s=physics.echo_time_s(reach, air_temperature_deg_c=_coldest_deg_c(first)),
                )


def _coldest_deg_c(sensor: Placed) -> float:
    """Lowest air temperature declared on either side, at most 0: where sound is slowest. [deg C]"""
    both = sensor.scene.site.conditions
    declared = (both.near.air_temperature_deg_c, both.far.air_temperature_deg_c)
    return min([0.0, *(t for t in declared if t is not None)])


def _shared_m2(a: Lobe, b: Lobe, sensing: Sensing) -> float:
    """Area that both see 0.7 m over the floor, leaf open. [m2]"""
    around = sensing.around(1.0)
    return (lobe_section(a, MIDDLE_M, around) & lobe_section(b, MIDDLE_M, around)).area


def _off_axis_deg(lobe: Lobe, point: FloatArray) -> float:
    """Angle between a lobe's axis and the direction of a point. [deg]"""
    way = point - lobe.origin
    return float(
        np.degrees(np.arccos(np.clip(way @ lobe.matrix[:, 2] / max(float(np.linalg.norm(way)), 1e-12), -1.0, 1.0)))
    )


def _inside_edge_deg(lobe: Lobe, point: FloatArray) -> float:
    """How far a direction lies inside the edge of a lobe, along the shortest turn; negative outside. [deg]

    The edge is taken as an ellipse over the angles off the axis, which is exact in the two main planes.
    """
    x, y, z = (float(v) for v in (point - lobe.origin) @ lobe.matrix)
    a, b = lobe.edge_width_deg / 2.0, lobe.edge_depth_deg / 2.0
    across = hypot(x, y)
    edge = across / hypot(x / a, y / b) if across > 1e-12 else min(a, b)
    return edge - degrees(atan2(across, z))


# --- light -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Light:
    """Places from which light goes or to which it comes: origins (n, 3), ways out (n, 3), half angle, reach."""

    at: FloatArray
    ways: FloatArray
    half_deg: float
    reach_m: float


def _lamps(sensor: Placed) -> Iterator[_Light]:
    for rays in sensor.emissions:
        if isinstance(rays, Rays) and len(rays.range_m) and "infrared" in sensor.family.emits:
            reach = max(float(rays.range_m.max()), float(getattr(sensor.params, "range_m", 0.0)))
            yield _Light(rays.origins, rays.directions, rays.divergence_deg / 2.0, reach)


def _eyes(sensor: Placed) -> Iterator[_Light]:
    """Receivers look back along beams; other heads look along their rays."""
    for rays in sensor.emissions:
        if isinstance(rays, Rays) and len(rays.range_m) and "infrared" in sensor.family.sensitive_to:
            at = rays.origins + rays.range_m[:, None] * rays.directions if rays.blocks else rays.origins
            yield _Light(at, -rays.directions if rays.blocks else rays.directions, ACCEPTANCE_DEG, np.inf)


def _lights(first: Placed, second: Placed, sensing: Sensing) -> Iterator[Finding]:
    for a, b in ((first, second), (second, first)):
        met = [found for lamp in _lamps(a) for eye in _eyes(b) if (found := _met(lamp, eye, sensing)) is not None]
        if met:
            off, distance = min(met)
            yield _remark(
                "light_into",
                (a, b),
                first=a.name,
                second=b.name,
                distance_m=distance,
                off_deg=off,
                turn_deg=max(ACCEPTANCE_DEG - off, 0.1),
            )


def _met(lamp: _Light, eye: _Light, sensing: Sensing) -> tuple[float, float] | None:
    """Angle off the eye's line of sight [deg] and distance [m] of the light that comes in straightest, if any does."""
    for place in np.unique(eye.at, axis=0):
        way = place - lamp.at
        distance = np.linalg.norm(way, axis=1)
        off_lamp = _angles_deg(way, lamp.ways)
        lit = np.flatnonzero(
            (off_lamp <= lamp.half_deg + ACCEPTANCE_DEG) & (distance > 1e-3) & (distance <= lamp.reach_m)
        )
        if not len(lit):
            continue
        source = lamp.at[lit[np.argmin(off_lamp[lit])]]
        looks = eye.ways[(eye.at == place).all(axis=1)]
        off = float(_angles_deg(np.broadcast_to(source - place, looks.shape), looks).min())
        if off <= ACCEPTANCE_DEG and _visible(source, place, sensing):
            return off, float(np.linalg.norm(source - place))
    return None


def _angles_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    """Angles between vectors (n, 3) and unit vectors (n, 3). [deg]"""
    cos = np.einsum("ij,ij->i", a, b) / np.maximum(np.linalg.norm(a, axis=1), 1e-12)
    return np.asarray(np.degrees(np.arccos(np.clip(cos, -1.0, 1.0))))


# --- loops -----------------------------------------------------------------------------------------------------------


def _loops(first: Placed, second: Placed, sensing: Sensing) -> Iterator[Finding]:
    apart_khz = _apart(first, second, "frequency_khz")
    distance = _loop_area(first).distance(_loop_area(second))
    if distance < LOOP_APART_M and apart_khz < LOOP_APART_KHZ:
        yield _remark(
            "loops_near",
            (first, second),
            first=first.name,
            second=second.name,
            distance_m=distance,
            apart_khz=apart_khz,
            least_m=LOOP_APART_M,
            least_khz=LOOP_APART_KHZ,
        )


def _loop_area(sensor: Placed) -> Region:
    return Region.union(Region.ring(e.ring) for e in sensor.emissions if isinstance(e, FloorArea))


_PAIRS = {"microwave": _microwaves, "infrared": _lights, "ultrasound": _ultrasounds, "magnetic_field": _loops}


# --- what moves ------------------------------------------------------------------------------------------------------


def _moving_things(sensor: Placed, sensing: Sensing) -> Iterator[Finding]:
    """Obstacles that move by themselves, in the field of a sensor that reacts to it."""
    for i, obstacle in enumerate(sensor.scene.site.obstacles):
        prism = next((p for p in sensing.fixed.prisms if p.name == obstacle.name), None)
        if not obstacle.moves or prism is None:
            continue
        subjects = [f"/site/obstacles/{i}"]
        if "metal" in sensor.family.sensitive_to and obstacle.material == "metal":
            gap = _loop_area(sensor).distance(Region.ring(prism.ring))
            if gap < METAL_CLEAR_M:
                yield _remark(
                    "metal_moves",
                    (sensor,),
                    subjects,
                    thing=obstacle.name,
                    sensor=sensor.name,
                    distance_m=gap,
                    least_m=METAL_CLEAR_M,
                )
        elif (distance := _nearest_seen(sensor, prism, sensing)) is not None:
            yield _remark(
                "moving_thing", (sensor,), subjects, thing=obstacle.name, sensor=sensor.name, distance_m=distance
            )


def _nearest_seen(sensor: Placed, prism: Prism, sensing: Sensing) -> float | None:
    """Distance to the nearest place of a prism that a sensor sees, leaf open; None if it sees none. [m]"""
    seen: list[float] = []
    for i, emission in enumerate(sensor.emissions):
        if isinstance(emission, Lobe):
            points = _seen_points(emission, prism, sensing.around(1.0).without(prism.name))
            seen += [_distance(emission.origin, p) for p in points]
        elif isinstance(emission, Rays) and not emission.blocks:
            clipped = sensing.clipped(sensor, i, 1.0)
            index = [p.name for p in sensing.around(1.0).prisms].index(prism.name)
            seen += clipped.lengths[clipped.stops == index].tolist()
    return min(seen, default=None)


def _leaf(sensor: Placed, sensing: Sensing) -> Iterator[Finding]:
    """A sensor of motion that sees the leaf move."""
    if "motion" not in sensor.family.sensitive_to:
        return
    states, turn = 0, 0.0
    for state in LEAF_STATES:
        around = sensing.around(state)
        fixed = Surroundings(around.floors, tuple(p for p in around.prisms if p.part != "leaf"))
        points = [
            (lobe, point)
            for lobe in _lobes(sensor)
            for prism in around.prisms
            if prism.part == "leaf"
            for point in _seen_points(lobe, prism, fixed)
        ]
        rays = "leaf" in {p.part for name in set(sensing.stops(sensor, state)) for p in around.prisms if p.name == name}
        states += bool(points) or rays
        turn = max([turn, *(_inside_edge_deg(lobe, point) for lobe, point in points)])
    if states:
        yield _remark(
            "sees_leaf",
            (sensor,),
            sensor=sensor.name,
            states=states,
            of=len(LEAF_STATES),
            aim=f"Turn {sensor.name} away from the leaf" + (f" by {turn:.0f} deg" if turn >= 0.5 else ""),
            turn_deg=turn,
            opening_s=motion.opening_profile(sensor.scene.door).duration,
            closing_s=motion.closing_profile(sensor.scene.door).duration,
        )


def _seen_points(lobe: Lobe, prism: Prism, around: Surroundings) -> list[FloatArray]:
    """Places on a grid over a prism's faces from which the lobe gets echo enough, in sight past all others."""
    echo = max(lobe.echo_m2, PLATE_ECHO_M2)
    points = _faces(prism)
    near = points[lobe.excess_db(points, echo) >= 0.0]
    return list(near[seen_from(lobe.origin, near, around)])


def _faces(prism: Prism) -> FloatArray:
    """Points (n, 3) on the upright faces: 5 along each edge, 5 heights. [m]"""
    ring, after = prism.ring, np.roll(prism.ring, -1, axis=0)
    t = np.linspace(0.0, 1.0, 5)[:, None, None]
    plan = (ring + t * (after - ring)).reshape(-1, 2)
    heights = np.linspace(prism.base_m, prism.top_m, 5)
    return np.vstack([np.column_stack([plan, np.full(len(plan), z)]) for z in heights])


def _visible(a: FloatArray, b: FloatArray, sensing: Sensing) -> bool:
    """True if nothing stands between two heads at some state of the leaf."""
    return any(in_sight(a, b, sensing.around(state)) for state in (1.0, 0.0))


def _distance(a: FloatArray, b: FloatArray) -> float:
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))

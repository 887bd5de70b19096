"""Pairs of sensors that can disturb each other, and what moves or stands in a field; judged by where they are.

A family declares what it emits and what disturbs it; who is in whose field is geometry. Nothing here says how strong a
disturbance is, only that it can be: what can be set apart by distance, angle or timing, with the numbers for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import atan2, degrees, floor, hypot, radians
from typing import Any

import numpy as np
import numpy.typing as npt

from sillcast import motion, physics
from sillcast.contract import Finding
from sillcast.family import FindingSpec, FloorArea, Lobe, Rays
from sillcast.kernel import Prism, Region
from sillcast.kernel.echo import echoing, faces, hears
from sillcast.kernel.lobe import lobe_section
from sillcast.kernel.sight import in_sight, seen_from
from sillcast.sensing import LEAF_STATES, Placed, Sensing, tunables_of

__all__ = ["DISTURBANCES", "disturbances"]

FloatArray = npt.NDArray[np.float64]

ACCEPTANCE_DEG = 2.5  # half angle in which a light receiver takes light, IEC 61496-2 type 4, from memory
LOOP_APART_M = 1.0  # between loops on like frequencies, common practice, no source
LOOP_APART_KHZ = 10.0  # between frequencies of loops that lie nearer, common practice, no source
METAL_CLEAR_M = 1.0  # between a loop and metal that moves, common practice, no source
LOOKS_IN_MOST = 0.4  # share of a head's rays that a leaf line and a jamb take: common practice, no source
HALF_TURN_COS = 0.5  # cosine of tilt times that of roll, beyond which a head is upside down: common practice, no source
MIDDLE_M = 0.7  # height above the floor at which the fields of two heads are laid over each other: the reference body's

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
        "Light of {first} meets {second}{back} from {distance_m:.2f} m, {off_deg:.1f} deg off its line of sight.",
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
    "looks_in": FindingSpec(
        "warning",
        "{what} at the closed door or past it, where nobody who comes to it is.",
        "{check}",
        "geometry",
    ),
    "sees_leaf": FindingSpec(
        "warning",
        "{sensor} sees the moving leaf in {states} of the {of} leaf positions tried; the door can keep itself open.",
        "{aim} leave its signal out while the leaf moves, {opening_s:.1f} s opening and {closing_s:.1f} s closing.",
        "geometry; echo of a flat metal plate 4 pi A^2 / wavelength^2",
    ),
    "leaf_no_cover": FindingSpec(
        "warning",
        "{sensor} sees the moving leaf in {states} of the {of} leaf positions tried and cannot tell it from a body: it "
        "counts as no cover for protection.",
        "Watch the leaf's way with a sensor that does not see the leaf. Turned off the leaf, {sensor} protects only "
        "where it still reaches; to leave its signal out while the leaf moves would take the protection away.",
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
        found += _looks_in(sensor, sensing)
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
    """One remark for a pair, of the straighter light where each meets the other."""
    ways = [
        (*min(met), a, b)
        for a, b in ((first, second), (second, first))
        if (met := [found for lamp in _lamps(a) for eye in _eyes(b) if (found := _met(lamp, eye, sensing)) is not None])
    ]
    if ways:
        off, distance, a, b = min(ways, key=lambda way: way[:2])
        yield _remark(
            "light_into",
            (a, b),
            first=a.name,
            second=b.name,
            back=", and the other way round," if len(ways) == 2 else "",
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
            points = echoing(emission, prism, sensing.around(1.0).without(prism.name))
            seen += [_distance(emission.origin, p) for p in points]
        elif isinstance(emission, Rays) and not emission.blocks:
            clipped = sensing.clipped(sensor, i, 1.0)
            index = [p.name for p in sensing.around(1.0).prisms].index(prism.name)
            seen += clipped.lengths[clipped.stops == index].tolist()
    return min(seen, default=None)


def _leaf(sensor: Placed, sensing: Sensing) -> Iterator[Finding]:
    """A sensor that takes the moving leaf for somebody."""
    if "motion" not in sensor.family.sensitive_to:
        return
    emissions = range(len(sensor.emissions))
    heard = {state: any(sensing.hears_leaf(sensor, i, (state,)) for i in emissions) for state in LEAF_STATES}
    met = [state for state in LEAF_STATES if heard[state] or _rays_meet_leaf(sensor, sensing, state)]
    if not met:
        return
    seen: dict[str, Any] = {"sensor": sensor.name, "states": len(met), "of": len(LEAF_STATES)}
    if "protection" in sensor.purposes:
        yield _remark("leaf_no_cover", (sensor,), **seen)
        return
    aimed_in = any(_points_in(sensor, lobe) for lobe in _lobes_at(sensor, 0.0))
    tilts = any(heard.values()) and not aimed_in
    turn, aim = _off_leaf(sensor, sensing) if tilts else (0.0, f"Aim {sensor.name} off the leaf, or")
    yield _remark(
        "sees_leaf",
        (sensor,),
        **seen,
        aim=aim,
        turn_deg=turn,
        opening_s=motion.opening_profile(sensor.scene.door).duration,
        closing_s=motion.closing_profile(sensor.scene.door).duration,
    )


def _looks_in(sensor: Placed, sensing: Sensing) -> Iterator[Finding]:
    """A head for activation that looks at the door or behind it: a tilt with the wrong sign, or a head turned round."""
    if "activation" not in sensor.purposes or sensor.scene.out_m < 0.0:
        return
    told: dict[str, Any] = {"sensor": sensor.name, "check": _wrong_turn(sensor)}
    rays, of = _rays_in(sensor, sensing)
    if rays > LOOKS_IN_MOST * of:
        yield _remark("looks_in", (sensor,), what=f"{rays} of {of} rays of {sensor.name} end", rays=rays, of=of, **told)
    elif any(_points_in(sensor, lobe) for lobe in _lobes_at(sensor, 0.0)):
        yield _remark("looks_in", (sensor,), what=f"The axis of {sensor.name} ends", **told)


def _rays_in(sensor: Placed, sensing: Sensing) -> tuple[int, int]:
    """How many of a head's rays end at the closed door or past the leaf plane, and of how many."""
    parts = sensing.around(0.0).prisms
    of_door = np.array([*(p.part != "obstacle" for p in parts), False, False])  # the last two: the floor and the range
    outwards, inside, rays = (-1.0 if sensor.side == "near" else 1.0), 0, 0
    for i, emission in enumerate(sensor.emissions):
        if isinstance(emission, Rays) and not emission.blocks:
            clipped, now = sensing.clipped(sensor, i, 0.0), sensor.emission(i, 0.0)
            assert isinstance(now, Rays)
            ends = now.origins[:, 1] + clipped.lengths * now.directions[:, 1]
            inside += int(((outwards * ends < 0.0) | of_door[clipped.stops]).sum())
            rays += len(ends)
    return inside, rays


def _points_in(sensor: Placed, lobe: Lobe) -> bool:
    """True if a lobe's axis goes from its own side through the leaf plane before it comes to the floor."""
    (_, y, z), (_, ahead, up) = lobe.origin, lobe.matrix[:, 2]
    inwards = 1.0 if sensor.side == "near" else -1.0
    if inwards * y > 0.0 or inwards * ahead <= 0.0:
        return False
    way = -float(y / ahead)
    return way <= lobe.range_m and float(z + way * up) > sensor.scene.floor_z_m


def _wrong_turn(sensor: Placed) -> str:
    """Which angle to check of a head that looks at the door: a roll or a yaw that turns it round, else the tilts."""
    matrix, outwards = sensor.scene.mount.matrix, (-1.0 if sensor.side == "near" else 1.0)
    if matrix[2, 2] < -HALF_TURN_COS:
        return (
            "Check mount.roll_deg: near 180 it turns the head over about its forward axis, so that it looks up and its "
            "tilts go the other way. Without it positive tilts outwards, away from the door."
        )
    if outwards * matrix[1, 1] < 0.0:
        return "Check mount.yaw_deg: beyond 90 the head is turned round and a positive tilt goes towards the door."
    return (
        "Check the signs of mount.tilt_deg and of the device's own tilts: positive tilts outwards, away from the door."
    )


def _leaf_at(sensing: Sensing, state: float) -> tuple[Prism, ...]:
    return tuple(p for p in sensing.around(state).prisms if p.part == "leaf")


def _lobes_at(sensor: Placed, state: float) -> list[Lobe]:
    return [e for i in range(len(sensor.emissions)) if isinstance(e := sensor.emission(i, state), Lobe)]


def _rays_meet_leaf(sensor: Placed, sensing: Sensing, state: float) -> bool:
    leaf = {p.name for p in _leaf_at(sensing, state)}
    return not leaf.isdisjoint(sensing.stops(sensor, state))


def _off_leaf(sensor: Placed, sensing: Sensing) -> tuple[float, str]:
    """Whole degrees by which a head with lobes must tilt outwards to hear nothing of the leaf, 0 where no tilt does.

    Tilts that the family declares as its setting are tried, every fifth degree first.
    """
    pointer, pose = f"{sensor.pointer}/mount/tilt_deg", sensor.scene.mount
    most = max((t.most for t in tunables_of(sensor) if t.pointer == pointer), default=0)
    now = pose.tilt_deg
    heads = [
        (lobe, points[seen_from(lobe.origin, points, sensing.fixed)])
        for state in LEAF_STATES
        for lobe in _lobes_at(sensor, state)
        for points in (np.vstack([np.empty((0, 3)), *(faces(prism) for prism in _leaf_at(sensing, state))]),)
    ]

    def is_off(turn: int) -> bool:
        return not any(hears(_tilted(lobe, pose.matrix[:2, 1], turn), points).any() for lobe, points in heads)

    last = floor(most - now + 1e-9)
    if (off := next((t for t in [*range(5, last, 5), last] if t > 0 and is_off(t)), None)) is None:
        return 0.0, f"No tilt keeps {sensor.name} off the leaf:"
    turn = next(t for t in range(max(off - 4, 1), off + 1) if t == off or is_off(t))
    return float(turn), f"Tilt {sensor.name} out by {turn} deg more, or"


def _tilted(lobe: Lobe, ahead: FloatArray, by_deg: float) -> Lobe:
    """A lobe tilted further outwards, about the level line across the way (2,) in which its head looks."""
    x, y = float(ahead[1]), -float(ahead[0])
    length = max(hypot(x, y), 1e-12)
    x, y = x / length, y / length
    cos, sin = np.cos(radians(by_deg)), np.sin(radians(by_deg))
    turn = np.array(
        [
            [cos + x * x * (1.0 - cos), x * y * (1.0 - cos), y * sin],
            [x * y * (1.0 - cos), cos + y * y * (1.0 - cos), -x * sin],
            [-y * sin, x * sin, cos],
        ]
    )
    return replace(lobe, matrix=np.ascontiguousarray(turn @ lobe.matrix))


def _visible(a: FloatArray, b: FloatArray, sensing: Sensing) -> bool:
    """True if nothing stands between two heads at some state of the leaf."""
    return any(in_sight(a, b, sensing.around(state)) for state in (1.0, 0.0))


def _distance(a: FloatArray, b: FloatArray) -> float:
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))

"""What the door says about its sensors: heads in the leaf's way, beams the leaf crosses, muting, stated levels."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import ceil, floor, hypot
from typing import Any

from sillcast import motion
from sillcast.contract import Door, Folding, Swing
from sillcast.errors import Fault, UncomputableError, quoted
from sillcast.kernel import Prism
from sillcast.needs.limits import level_shortfall
from sillcast.needs.zones import Ask

__all__ = ["Beam", "SensorFacts", "check_sensors"]

Point = tuple[float, float, float]
Beam = tuple[Point, Point]
Span = tuple[float, float]  # part of the travel, from a state to a higher one
Path = list[tuple[float, tuple[Prism, ...]]]  # the leaf at each state that is looked at
_STEPS, _STEPS_MOST = 100, 1000  # of the leaf's way that are looked at, and at most where a thin one turns
_HALVINGS = 24  # of a step between two states, to 1e-9 of the travel
_SLIVER = 1e-6  # a part of the travel shorter than this is rounding
_LEAST_GAP_M = {"rigid": 0.05, "flexible": 0.15}  # common practice: room for a housing; a flexible leaf bulges
_ON_FACE_M = 1e-6  # no deeper than this is on the face of a wall, or in the leaf plane
_BESIDE_MOST_M = 4.0  # farther beside the opening a place is asked about: common practice, no source
_WIDER = 0.1  # muting a tenth of the travel longer than the leaf needs is remarked: common practice, no source


@dataclass(frozen=True)
class SensorFacts:
    """What must be known of a sensor to check it against the door.

    Attributes
    ----------
    name, pointer : str
        Name, and JSON pointer in the request.
    purposes : tuple of str
        `activation`, `protection`.
    position : tuple of float
        Place in the door frame. [m]
    side : str
        Side on which it is stated to be: `near`, `far`.
    sits : str
        Where its family belongs: `beside` the door's way, in the `opening`, on the `floor`, on the `leaf`.
    carrier : str
        `building` or `leaf`.
    beams : tuple of Beam
        Ends of the beams that count when blocked; empty for all other sensors. [m]
    beam_width_m : float
        Width of these beams. [m]
    response_s : float
        Response, filters included. [s]
    floor_ys : tuple of float
        y of the corners of what it covers on the floor, for one that lies there; empty for all other sensors. [m]
    performance_level, category : str or None
        As stated for the device, in ISO 13849-1 terms.
    """

    name: str
    pointer: str
    purposes: tuple[str, ...]
    position: Point
    side: str = "near"
    sits: str = "beside"
    carrier: str = "building"
    beams: tuple[Beam, ...] = ()
    beam_width_m: float = 0.0
    response_s: float = 0.0
    floor_ys: tuple[float, ...] = ()
    performance_level: str | None = None
    category: str | None = None


def check_sensors(ask: Ask, sensors: Sequence[SensorFacts]) -> None:
    """Write the remarks on sensors, in the order of the request, into the ledger.

    Raises
    ------
    UncomputableError
        If muting names a sensor that is not there.
    """
    known = [sensor.name for sensor in sensors]
    faults = [
        Fault(f"/door/muting/{i}/sensor", "unknown_sensor", f"There is no sensor {m.sensor}.",
              "one of " + ", ".join(known) if known else "no muting, or a sensor of this name", quoted(m.sensor))
        for i, m in enumerate(ask.door.muting)
        if m.sensor not in known
    ]  # fmt: skip
    if faults:
        raise UncomputableError(faults)
    path = _path(ask.door)
    for sensor in sensors:
        _side(ask, sensor)
        _beside(ask, sensor)
        _head(ask, sensor, path)
        _beams(ask, sensor, path)
        _beam_rules(ask, sensor)
        if "protection" in sensor.purposes:
            level_shortfall(ask, sensor.name, sensor.pointer, sensor.performance_level, sensor.category)
    _all_muted(ask, [sensor for sensor in sensors if "protection" in sensor.purposes])
    if "reversal_initiated_s" in ask.rule and not any("protection" in s.purposes for s in sensors):
        held = ask.door.control.kind == "hold_to_run"
        if not held:
            ask.remark("no_second_means", "/sensors")


def _path(door: Door) -> Path:
    """The leaf at evenly spaced states; a turning one goes no farther from one to the next than it is thick."""
    steps = ceil(motion.travel_m(door) / door.leaf.thickness_m) if isinstance(door.motion, Swing | Folding) else 0
    steps = min(max(steps, _STEPS), _STEPS_MOST)
    states = [door.motion.partial_opening * (k / steps) for k in range(steps + 1)]
    return [(state, motion.leaf_prisms(door, state)) for state in states]


def meets(prism: Prism, start: Point, end: Point, around_m: float = 0.0) -> bool:
    """True if a straight beam passes through the inside of a convex prism.

    Parameters
    ----------
    prism : Prism
        Convex, counter-clockwise. [m]
    start, end : tuple of float
        Ends of the beam. [m]
    around_m : float
        How far out the prism's faces are moved first, half the width of the beam. [m]

    Returns
    -------
    meets : bool
        False if the beam only touches it. [1]
    """
    enter, leave = 0.0, 1.0
    (x0, y0, z0), (dx, dy, dz) = start, (end[0] - start[0], end[1] - start[1], end[2] - start[2])
    planes, (low_x, low_y, high_x, high_y) = _faces(prism)
    beside = max(x0, x0 + dx) <= low_x - around_m or min(x0, x0 + dx) >= high_x + around_m
    if beside or max(y0, y0 + dy) <= low_y - around_m or min(y0, y0 + dy) >= high_y + around_m:
        return False
    cuts = [(nx * dx + ny * dy, nx * (x0 - px) + ny * (y0 - py) - around_m) for nx, ny, px, py in planes]
    cuts += [(dz, z0 - prism.top_m - around_m), (-dz, prism.base_m - z0 - around_m)]
    for slope, offset in cuts:  # inside where offset + t * slope < 0
        if abs(slope) < 1e-12:
            if offset >= -1e-9:
                return False
        elif slope > 0.0:
            leave = min(leave, -offset / slope)
        else:
            enter = max(enter, -offset / slope)
    return leave - enter > 1e-9


def _side(ask: Ask, sensor: SensorFacts) -> None:
    """A head, or all that a sensor covers on the floor, beyond the closed leaf as seen from its stated side."""
    places = {"beside": sensor.position[1:2], "floor": sensor.floor_ys}.get(sensor.sits, ())
    beyond = min((y * (1.0 if sensor.side == "near" else -1.0) for y in places), default=0.0)
    if beyond > ask.face_m("far" if sensor.side == "near" else "near") + _ON_FACE_M:
        ask.remark(
            "head_on_other_side",
            f"{sensor.pointer}/mount/side",
            f"{sensor.pointer}/mount/position/y_m",
            sensor=sensor.name,
            side=sensor.side,
            beyond_m=beyond,
        )


def _beside(ask: Ask, sensor: SensorFacts) -> None:
    """A place so far beside the opening that its unit is doubtful."""
    beside = abs(sensor.position[0]) - ask.door.opening.width_m / 2.0
    if beside > _BESIDE_MOST_M:
        pointer, x = f"{sensor.pointer}/mount/position/x_m", sensor.position[0]
        ask.remark("head_far_beside", pointer, sensor=sensor.name, beside_m=beside, x_m=x)


def _inside_opening_m(door: Door, at: Point) -> float:
    """How far inside the clear opening a place is, from its jambs, lintel and wall faces; 0 or less outside. [m]"""
    wall, (x, y, z) = door.wall, at
    across = min(y - wall.near_face_y_m, wall.far_face_y_m - y)
    return min(door.opening.width_m / 2.0 - abs(x), door.opening.height_m - z, across)


@lru_cache(maxsize=1024)  # a curtain asks each prism of the leaf's path for each of its beams
def _faces(prism: Prism) -> tuple[list[tuple[float, float, float, float]], tuple[float, float, float, float]]:
    """Upright faces of a prism, each a unit outward normal and a corner, and its bounds in plan. [m]"""
    ring = [(float(x), float(y)) for x, y in prism.ring]
    edges = [(x, y, u - x, v - y) for (x, y), (u, v) in zip(ring, [*ring[1:], ring[0]], strict=True)]
    planes = [(dy / hypot(dx, dy), -dx / hypot(dx, dy), x, y) for x, y, dx, dy in edges]
    x, y = zip(*ring, strict=True)
    return planes, (min(x), min(y), max(x), max(y))


def _head(ask: Ask, sensor: SensorFacts, path: Path) -> None:
    """A head in the leaf's way, beside it, or inside a part; what rides on the leaf moves with it."""
    if sensor.carrier == "leaf":
        _rider(ask, sensor)
        return
    if not sensor.beams:  # ends of beams are built into guides
        parts = [p for p in motion.door_prisms(ask.door) if p.part in ("guide", "header")]
        for part, inside in zip(parts, motion.gaps_to(parts, sensor.position) < 0.0, strict=True):
            if inside:
                ask.remark("head_in_part", sensor.pointer, sensor=sensor.name, part=part.name)
    passing = [(state, prism) for state, prisms in path for prism in prisms]
    gaps = motion.gaps_to([prism for _, prism in passing], sensor.position).tolist()
    gap, state = min(((gap, state) for gap, (state, _) in zip(gaps, passing, strict=True)), default=(float("inf"), 0.0))
    least = _LEAST_GAP_M[ask.door.leaf.body]
    if gap >= 0.0 and sensor.sits == "beside" and _inside_opening_m(ask.door, sensor.position) > _ON_FACE_M:
        ask.remark("head_in_opening", f"{sensor.pointer}/mount/position", sensor=sensor.name)
    if gap < 0.0:
        ask.remark("head_in_leaf_path", sensor.pointer, sensor=sensor.name, state=state)
    elif gap < least and not sensor.beams and sensor.position[2] > 0.0:
        ask.remark("head_near_leaf_path", sensor.pointer, sensor=sensor.name, gap_m=gap, state=state, least_m=least)


def _rider(ask: Ask, sensor: SensorFacts) -> None:
    """A head that is said to ride on the leaf and is not there; what belongs on the leaf acts along all of it."""
    gap = motion.off_leaf_m(ask.door, sensor.position)
    if sensor.sits in ("beside", "opening") and gap > motion.ON_LEAF_MOST_M:
        pointers = [f"{sensor.pointer}/mount/{part}" for part in ("carrier", "position")]
        ask.remark("head_off_leaf", *pointers, sensor=sensor.name, gap_m=gap, most_m=motion.ON_LEAF_MOST_M)


def _crosses(sensor: SensorFacts, prisms: Sequence[Prism], around_m: float) -> bool:
    return any(meets(p, a, b, around_m) for p in prisms for a, b in sensor.beams)


def _crossed(door: Door, sensor: SensorFacts, path: Path) -> list[Span]:
    """Parts of the travel in which the leaf is in a beam, half the beam's width to each side, no narrower than real."""
    around = sensor.beam_width_m / 2.0
    hits = [(state, _crosses(sensor, prisms, around)) for state, prisms in path]
    edges = [path[0][0]] if hits[0][1] else []
    for (before, was), (after, is_hit) in pairwise(hits):
        if was != is_hit:
            edges.append(_clear_state(door, sensor, *((after, before) if was else (before, after))))
    if hits[-1][1]:
        edges.append(path[-1][0])
    return list(zip(edges[::2], edges[1::2], strict=True))


def _clear_state(door: Door, sensor: SensorFacts, clear: float, hit: float) -> float:
    """The state next to where the leaf enters a beam, from one at which it is clear to one at which it is in it. [1]"""
    for _ in range(_HALVINGS):
        middle = (clear + hit) / 2.0
        is_hit = _crosses(sensor, motion.leaf_prisms(door, middle), sensor.beam_width_m / 2.0)
        clear, hit = (clear, middle) if is_hit else (middle, hit)
    return clear


def _less(spans: Sequence[Span], covers: Sequence[Span]) -> list[Span]:
    """What of parts of the travel lies in none of the others; slivers are left out."""
    left = [(low, high) for low, high in spans if high - low > _SLIVER]
    for low, high in covers:
        left = [part for a, b in left for part in ((a, min(b, low)), (max(a, high), b)) if part[1] - part[0] > _SLIVER]
    return left


def _hundredths(low: float, high: float) -> Span:
    """Part of the travel in the digits that are shown, rounded outwards."""
    return floor(100.0 * (low + _SLIVER)) / 100.0, ceil(100.0 * (high - _SLIVER)) / 100.0


def _muted(door: Door, sensor: SensorFacts, during: str) -> list[Span]:
    """Parts of the travel in which a sensor is muted."""
    return [
        (min(m.from_state, m.to_state), max(m.from_state, m.to_state))
        for m in door.muting
        if m.sensor == sensor.name and m.during == during
    ]


def _fixed(ask: Ask, sensor: SensorFacts) -> str | None:
    """Fixed part of the door that every one of a sensor's beams passes through, or None."""
    for part in motion.door_prisms(ask.door):
        if part.part != "guide" and all(meets(part, a, b) for a, b in sensor.beams):
            return part.name
    return None


def _beams(ask: Ask, sensor: SensorFacts, path: Path) -> None:
    if not sensor.beams or sensor.carrier == "leaf":
        return
    crossed, is_blocked_open = _crossed(ask.door, sensor, path), _crosses(sensor, path[-1][1], 0.0)
    part = "the leaf" if is_blocked_open and crossed == [(path[0][0], path[-1][0])] else None
    if (part := _fixed(ask, sensor) or part) is not None:
        ask.remark("beam_blocked_for_good", sensor.pointer, sensor=sensor.name, part=part)
    elif is_blocked_open:
        ask.remark("beam_blocked_open", sensor.pointer, sensor=sensor.name)
    else:
        _muting_fits(ask, sensor, crossed)


def _muting_fits(ask: Ask, sensor: SensorFacts, crossed: list[Span]) -> None:
    """Muting of a sensor against the parts of the travel in which the leaf crosses its beams."""
    mutings = [(f"/door/muting/{i}", m) for i, m in enumerate(ask.door.muting) if m.sensor == sensor.name]
    for pointer, m in mutings:
        low, high = sorted((m.from_state, m.to_state))
        told: dict[str, Any] = {"sensor": sensor.name, "during": m.during, "from_state": low, "to_state": high}
        if not crossed:
            ask.remark("muting_without_need", pointer, **told)
        elif low < crossed[0][0] - _WIDER - _SLIVER or high > crossed[-1][1] + _WIDER + _SLIVER:
            need_from, need_to = _hundredths(crossed[0][0], crossed[-1][1])
            ask.remark("muting_wide", pointer, **told, need_from=need_from, need_to=need_to)
    # A protection signal stops closing only; an activation signal would open the door again whenever it comes.
    for during in ("closing", "opening") if "activation" in sensor.purposes else ("closing",):
        if bare := _less(crossed, _muted(ask.door, sensor, during)):
            low, high = _hundredths(bare[0][0], bare[-1][1])
            who = sensor.name
            ask.remark("beam_meets_leaf", sensor.pointer, sensor=who, during=during, from_state=low, to_state=high)


def _beam_rules(ask: Ask, sensor: SensorFacts) -> None:
    if not sensor.beams or "protection" not in sensor.purposes:
        return
    lowest = min(max(a[2], b[2]) for a, b in sensor.beams)
    who, pointer = sensor.name, sensor.pointer
    if ask.rule.given("beam_height_most_m"):
        most, name = ask.limit("beam_height_most_m")
        if lowest > most + 1e-9:
            ask.remark("beam_too_high", pointer, derivation=name, sensor=who, height_m=lowest, most_m=most)
    if ask.rule.given("rod_blocked_s"):
        blocked, name = ask.limit("rod_blocked_s")
        if sensor.response_s > blocked:
            took, rod = 1e3 * sensor.response_s, 1e3 * blocked
            ask.remark("beam_too_slow", pointer, derivation=name, sensor=who, response_ms=took, blocked_ms=rod)


def _all_muted(ask: Ask, sensors: list[SensorFacts]) -> None:
    """Parts of closing in which every protection sensor is muted, beyond the last part that may be unwatched."""
    if not sensors:
        return
    allowed, name = ask.limit("unprotected_gap_m") if ask.rule.given("unprotected_gap_m") else (0.0, "")
    share, full = allowed / motion.travel_m(ask.door), ask.door.motion.partial_opening
    acting = [part for sensor in sensors for part in _less([(share, full)], _muted(ask.door, sensor, "closing"))]
    if dark := _less([(share, full)], acting):
        pointers = tuple(sensor.pointer for sensor in sensors)
        ask.remark(
            "protection_muted",
            *pointers,
            derivation=name,
            from_state=dark[0][0],
            to_state=dark[-1][1],
            allowed_m=allowed,
            allowed_state=share,
        )

"""What the door says about its sensors: heads in the leaf's way, beams the leaf crosses, muting, stated levels."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sillcast import motion
from sillcast.contract import Door, Muting
from sillcast.errors import Fault, UncomputableError, quoted
from sillcast.kernel import Prism
from sillcast.kernel.frame import FloatArray
from sillcast.needs.limits import level_shortfall
from sillcast.needs.zones import Ask

__all__ = ["Beam", "SensorFacts", "check_sensors"]

Point = tuple[float, float, float]
Beam = tuple[Point, Point]
_STATES = tuple(k / 100.0 for k in range(101))
_AFTER = (1, 2, 3, 0)  # corner after each corner
_LEAST_GAP_M = {"rigid": 0.05, "flexible": 0.15}  # common practice: room for a housing; a flexible leaf bulges
_ON_FACE_M = 1e-6  # no deeper than this is on the face of a wall, or in the leaf plane
_WIDER = 0.1  # muting a tenth of the travel longer than the leaf needs is remarked


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
    response_s : float
        Response, filters included. [s]
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
    response_s: float = 0.0
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
    path = [(state, motion.leaf_prisms(ask.door, state)) for state in _STATES]
    for sensor in sensors:
        _side(ask, sensor)
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


Path = list[tuple[float, tuple[Prism, ...]]]


def gaps_to(prisms: Sequence[Prism], point: Point) -> FloatArray:
    """Distances (n,) of a point from convex prisms of four corners each, 0 on their faces and -1 inside. [m]"""
    if not prisms:
        return np.empty(0)
    rings = np.array([prism.ring for prism in prisms])
    heights = np.array([(prism.base_m, prism.top_m) for prism in prisms])
    above = np.maximum(heights[:, 0] - point[2], point[2] - heights[:, 1])
    to, edge = np.array(point[:2]) - rings, rings[:, _AFTER] - rings
    along = np.clip((to * edge).sum(axis=2) / (edge * edge).sum(axis=2), 0.0, 1.0)
    beside = np.hypot(*np.moveaxis(to - along[..., None] * edge, 2, 0)).min(axis=1)
    inside = (edge[..., 0] * to[..., 1] - edge[..., 1] * to[..., 0] > 1e-9).all(axis=1)
    over = np.maximum(above, 0.0)
    return np.asarray(np.where(inside, np.where(above < -1e-9, -1.0, over), np.hypot(beside, over)))


def meets(prism: Prism, start: Point, end: Point) -> bool:
    """True if a straight beam passes through the inside of a convex prism.

    Parameters
    ----------
    prism : Prism
        Convex, counter-clockwise. [m]
    start, end : tuple of float
        Ends of the beam. [m]

    Returns
    -------
    meets : bool
        False if the beam only touches it. [1]
    """
    enter, leave = 0.0, 1.0
    (x0, y0, z0), (dx, dy, dz) = start, (end[0] - start[0], end[1] - start[1], end[2] - start[2])
    planes, (low_x, low_y, high_x, high_y) = _faces(prism)
    beside = max(x0, x0 + dx) <= low_x or min(x0, x0 + dx) >= high_x
    if beside or max(y0, y0 + dy) <= low_y or min(y0, y0 + dy) >= high_y:
        return False
    cuts = [(nx * dx + ny * dy, nx * (x0 - px) + ny * (y0 - py)) for nx, ny, px, py in planes]
    cuts += [(dz, z0 - prism.top_m), (-dz, prism.base_m - z0)]
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
    """A head beyond the closed leaf, as seen from the side on which it is stated to be."""
    beyond = sensor.position[1] * (1.0 if sensor.side == "near" else -1.0)
    if sensor.sits == "beside" and beyond > ask.door.leaf.thickness_m / 2.0 + _ON_FACE_M:
        ask.remark(
            "head_on_other_side",
            f"{sensor.pointer}/mount/side",
            f"{sensor.pointer}/mount/position/y_m",
            sensor=sensor.name,
            side=sensor.side,
            beyond_m=beyond,
        )


def _inside_opening_m(door: Door, at: Point) -> float:
    """How far inside the clear opening a place is, from its jambs, lintel and wall faces; 0 or less outside. [m]"""
    wall, (x, y, z) = door.wall, at
    across = min(y - wall.near_face_y_m, wall.far_face_y_m - y)
    return min(door.opening.width_m / 2.0 - abs(x), door.opening.height_m - z, across)


@lru_cache(maxsize=1024)  # a curtain asks each prism of the leaf's path for each of its beams
def _faces(prism: Prism) -> tuple[list[tuple[float, float, float, float]], tuple[float, float, float, float]]:
    """Upright faces of a prism, each an outward normal and a corner, and its bounds in plan. [m]"""
    ring = [(float(x), float(y)) for x, y in prism.ring]
    planes = [(y1 - y0, x0 - x1, x0, y0) for (x0, y0), (x1, y1) in zip(ring, [*ring[1:], ring[0]], strict=True)]
    x, y = zip(*ring, strict=True)
    return planes, (min(x), min(y), max(x), max(y))


def _head(ask: Ask, sensor: SensorFacts, path: Path) -> None:
    """A head in the leaf's way, beside it, or inside a part; what rides on the leaf moves with it."""
    if sensor.carrier == "leaf":
        return
    if not sensor.beams:  # ends of beams are built into guides
        parts = [p for p in motion.door_prisms(ask.door) if p.part in ("guide", "header")]
        for part, inside in zip(parts, gaps_to(parts, sensor.position) < 0.0, strict=True):
            if inside:
                ask.remark("head_in_part", sensor.pointer, sensor=sensor.name, part=part.name)
    passing = [(state, prism) for state, prisms in path for prism in prisms]
    gaps = gaps_to([prism for _, prism in passing], sensor.position).tolist()
    gap, state = min(((gap, state) for gap, (state, _) in zip(gaps, passing, strict=True)), default=(float("inf"), 0.0))
    least = _LEAST_GAP_M[ask.door.leaf.body]
    if gap >= 0.0 and sensor.sits == "beside" and _inside_opening_m(ask.door, sensor.position) > _ON_FACE_M:
        ask.remark("head_in_opening", f"{sensor.pointer}/mount/position", sensor=sensor.name)
    if gap < 0.0:
        ask.remark("head_in_leaf_path", sensor.pointer, sensor=sensor.name, state=state)
    elif gap < least and not sensor.beams and sensor.position[2] > 0.0:
        ask.remark("head_near_leaf_path", sensor.pointer, sensor=sensor.name, gap_m=gap, state=state, least_m=least)


def _crossed(sensor: SensorFacts, path: Path) -> list[float]:
    return [s for s, prisms in path if any(meets(p, a, b) for p in prisms for a, b in sensor.beams)]


def _fixed(ask: Ask, sensor: SensorFacts) -> str | None:
    """Fixed part of the door that every one of a sensor's beams passes through, or None."""
    for part in motion.door_prisms(ask.door):
        if part.part != "guide" and all(meets(part, a, b) for a, b in sensor.beams):
            return part.name
    return None


def _beams(ask: Ask, sensor: SensorFacts, path: Path) -> None:
    mutings = [(i, m) for i, m in enumerate(ask.door.muting) if m.sensor == sensor.name]
    if not sensor.beams or sensor.carrier == "leaf":
        return
    crossed = _crossed(sensor, path)
    if (part := _fixed(ask, sensor)) is not None or len(crossed) == len(path):
        ask.remark("beam_blocked_for_good", sensor.pointer, sensor=sensor.name, part=part or "the leaf")
        return
    if crossed and crossed[-1] >= ask.door.motion.partial_opening - 1e-9:
        ask.remark("beam_blocked_open", sensor.pointer, sensor=sensor.name)
        return
    if not crossed:
        for i, m in mutings:
            low, high = sorted((m.from_state, m.to_state))
            ask.remark(
                "muting_without_need", f"/door/muting/{i}", sensor=sensor.name, during=m.during, from_state=low,
                to_state=high,
            )  # fmt: skip
        return
    # A protection signal stops closing only; an activation signal would open the door again whenever it comes.
    phases = ("closing", "opening") if "activation" in sensor.purposes else ("closing",)
    for during in phases:
        _muted_there(ask, sensor, during, crossed, [m for _, m in mutings if m.during == during])
    for i, m in mutings:
        low, high = sorted((m.from_state, m.to_state))
        if low < crossed[0] - _WIDER or high > crossed[-1] + _WIDER:
            ask.remark(
                "muting_wide", f"/door/muting/{i}", sensor=sensor.name, during=m.during, from_state=low, to_state=high,
                need_from=crossed[0], need_to=crossed[-1],
            )  # fmt: skip


def _muted_there(ask: Ask, sensor: SensorFacts, during: str, crossed: list[float], mutings: list[Muting]) -> None:
    spans = [sorted((m.from_state, m.to_state)) for m in mutings]
    bare = [s for s in crossed if not any(low - 1e-9 <= s <= high + 1e-9 for low, high in spans)]
    if bare:
        ask.remark(
            "beam_meets_leaf", sensor.pointer, sensor=sensor.name, from_state=bare[0], to_state=bare[-1], during=during
        )


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
    share = allowed / motion.travel_m(ask.door)
    spans = {
        sensor.name: [
            sorted((m.from_state, m.to_state))
            for m in ask.door.muting
            if m.sensor == sensor.name and m.during == "closing"
        ]
        for sensor in sensors
    }
    dark = [s for s in _STATES if s > share and all(any(a <= s <= b for a, b in found) for found in spans.values())]
    if dark:
        pointers = tuple(sensor.pointer for sensor in sensors)
        ask.remark(
            "protection_muted",
            *pointers,
            derivation=name,
            from_state=dark[0],
            to_state=dark[-1],
            allowed_m=allowed,
            allowed_state=share,
        )

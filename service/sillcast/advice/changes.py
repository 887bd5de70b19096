"""Changes beyond the settings: slower vehicles, a faster drive, a higher mount, a second sensor.

Nobody can order a person to walk slower, so a speed limit is for vehicles alone; for persons the door may open faster.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np

from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.task import Task, is_fast, placed_again
from sillcast.advice.words import off_wall
from sillcast.contract import PatchStep
from sillcast.kernel.clip import prism_holding
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = [
    "FASTER_MOST",
    "RAISES",
    "RAISE_MOST_M",
    "SENSORS_MOST",
    "SPEED_LEAST_M_PER_S",
    "Change",
    "Ladder",
    "can_rise",
    "fit_together",
    "is_vehicle",
    "ladders",
    "raised",
    "twin_pairs",
    "twins",
]

SPEED_STEP_M_PER_S = 0.1
SPEED_LEAST_M_PER_S = 0.5  # common practice, no source: slower than that nobody drives
SPEED_MOST_M_PER_S = 5.0  # of the drive, as the contract bounds it
FASTER_MOST = 2.0  # common practice, no source: no drive is exchanged for one of more than twice the speed
TIME_STEP_S = 0.1
VEHICLE_WIDTH_M = 1.0  # common practice, no source: a person with a load is narrower
RAISE_STEP_M = 0.1
RAISES = 15
RAISE_MOST_M = RAISES * RAISE_STEP_M
ROOM_M = 0.15  # common practice, no source: from one sensor to the next
APART_M = 0.5  # nearer places see about the same, so that one of them is tried
SENSORS_MOST = 16
_ADDED = "/sensors/-"


@dataclass(frozen=True, eq=False)
class Change:
    """One change of a request.

    Attributes
    ----------
    kind : str
        `speed`, `opening_speed`, `mount_height` or `second_sensor`.
    words : str
        What follows "with"; for a sensor that is added, what follows "a second sensor".
    unit : str
        Unit of the numbers.
    current, proposed : float or None
        Numbers of a relaxation.
    pointer : str
        Where the value goes.
    value : float or struct
        Number that is set, or sensor that is added.
    moved : Placed, optional
        Sensor that is mounted anew or added.
    """

    kind: str
    words: str
    unit: str
    current: float | None
    proposed: float
    pointer: str
    value: Any
    moved: Placed | None = None

    @property
    def adds(self) -> bool:
        """True if it adds a sensor."""
        return self.pointer == _ADDED

    def applied(self, request: Any) -> tuple[Any, PatchStep]:
        """The request with the change, and the operation that makes it."""
        if not self.adds:
            return with_value(request, self.pointer, self.value), self._step(self.value)
        twin = msgspec.structs.replace(self.value, name=_name(request, self.value.name))
        changed = msgspec.structs.replace(request, sensors=(*request.sensors, twin))
        return changed, self._step(msgspec.to_builtins(twin))

    def _step(self, value: Any) -> PatchStep:
        return PatchStep(op="add", path=self.pointer, value=value)


def fit_together(one: Change, other: Change) -> bool:
    """True if both can be made: not two heights of one sensor, nor two sensors in one place."""
    if one.moved is None or other.moved is None:
        return one.pointer != other.pointer
    apart = np.linalg.norm(one.moved.scene.mount.origin - other.moved.scene.mount.origin) >= ROOM_M
    return bool(apart) and (one.adds or one.pointer != other.pointer)


# ---------------------------------------------------------------------- slower vehicles, a faster drive


@dataclass(frozen=True, eq=False)
class Ladder:
    """Values of one number, from what is now to the most change, each of which needs a part of the area of the last."""

    zones: frozenset[str]
    values: Sequence[float]
    change: Callable[[float], Change]

    def at(self, place: int) -> Change:
        """The change to one of the values."""
        return self.change(self.values[place])


def is_vehicle(traveller: Any, body: Any) -> bool:
    """Whether somebody can order a traveller to go slower: it is wide, has something ahead of it, or is of metal."""
    return traveller.width_m >= VEHICLE_WIDTH_M or traveller.front_overhang_m > 0.0 or bool(body.metal)


def ladders(request: Any, zones: Sequence[ZoneNeed]) -> Iterator[Ladder]:
    """A speed limit for each vehicle and a faster opening for all, for zones for activation by traffic."""
    zones = [z for z in zones if z.kind == "activation" and z.subject.startswith("/traffic/")]
    for subject in dict.fromkeys(z.subject for z in zones):
        own = [z for z in zones if z.subject == subject]
        number = int(subject.split("/")[2])
        if is_vehicle(request.traffic[number], own[0].body):
            yield from _limit(request.traffic[number], f"/traffic/{number}/speed_m_per_s", own)
    if zones:
        yield from _opening(request, zones)


def _limit(traveller: Any, pointer: str, zones: Sequence[ZoneNeed]) -> Iterator[Ladder]:
    now = traveller.speed_m_per_s

    def change(speed: float) -> Change:
        words = f"a speed limit of {speed:.1f} m/s for {traveller.name} instead of {now:.1f} m/s"
        return Change("speed", words, "m/s", now, speed, pointer, speed)

    count = int((now - SPEED_LEAST_M_PER_S) / SPEED_STEP_M_PER_S + 1e-9)
    slower = [round(now - i * SPEED_STEP_M_PER_S, 6) for i in range(1, count + 1)]
    if slower:
        yield Ladder(frozenset(z.id for z in zones), slower, change)


def _opening(request: Any, zones: Sequence[ZoneNeed]) -> Iterator[Ladder]:
    phase, base = request.door.motion.opening, "/door/motion/opening"
    if phase.time_s is not None:
        pointer, now, unit, word = f"{base}/time_s", phase.time_s, "s", "in"
        count = int(now * (1.0 - 1.0 / FASTER_MOST) / TIME_STEP_S + 1e-9)
        faster = [round(now - i * TIME_STEP_S, 6) for i in range(1, count + 1)]
    elif phase.speed_m_per_s is not None:
        pointer, now, unit, word = f"{base}/speed_m_per_s", phase.speed_m_per_s, "m/s", "at"
        most = min(now * FASTER_MOST, SPEED_MOST_M_PER_S)
        count = int((most - now) / SPEED_STEP_M_PER_S + 1e-9)
        faster = [round(now + i * SPEED_STEP_M_PER_S, 6) for i in range(1, count + 1)]
    else:
        return

    def change(value: float) -> Change:
        words = f"a door that opens {word} {value:.1f} {unit} instead of {now:.1f} {unit}"
        return Change("opening_speed", words, unit, now, value, pointer, value)

    if faster:
        yield Ladder(frozenset(z.id for z in zones), faster, change)


# ---------------------------------------------------------------------- other mounts


def can_rise(sensor: Placed) -> bool:
    """True for a sensor on its own on the building; not for mats, loops, edges and beams between two ends."""
    return sensor.carried is None and sensor.scene.counterpart is None and sensor.family.sits == "beside"


def raised(task: Task, sensor: Placed, steps: int, sent: Any) -> Change | None:
    """The sensor so many steps higher; None if it would sit inside something, or no higher than in the request sent."""
    pointer = f"{sensor.pointer}/mount/position/z_m"
    was = float(value_at(sent, pointer))
    height = round(float(value_at(task.request, pointer)) + steps * RAISE_STEP_M, 6)
    moved = placed_again(with_value(task.request, pointer, height), sensor)
    if height <= was or prism_holding(task.site.fixed, moved.scene.mount.origin) is not None:
        return None
    words = f"{sensor.name} mounted {height - was:.1f} m higher, at {height:.2f} m"
    return Change("mount_height", words, "m", was, height, pointer, height, moved)


def twins(task: Task) -> Iterator[Change]:
    """Second sensors like those that are there, where there is room: on both sides, across and at both jambs."""
    if len(task.request.sensors) >= SENSORS_MOST:
        return
    for sensor in task.placed:
        for side, x_m, mirror in _places(task, sensor):
            change = _second(task, sensor, _twin(task, sensor, side=side, x_m=x_m, mirror=mirror))
            if change is not None:
                yield change


def twin_pairs(task: Task) -> Iterator[tuple[Change, Change]]:
    """Two sensors like one that is there, left and right of the opening in mirror image, both ways round.

    On both sides, where there is room; not of sensors that are judged by exact regions, which would take long.
    """
    half = task.request.door.opening.width_m / 2
    for sensor in task.placed if len(task.request.sensors) + 2 <= SENSORS_MOST else ():
        seen: list[Any] = []
        for side in ("near", "far") if can_rise(sensor) and is_fast(sensor) else ():
            for mirror in (False, True):
                left = _twin(task, sensor, side=side, x_m=-half, mirror=mirror)
                right = _twin(task, sensor, side=side, x_m=half, mirror=not mirror)
                one, other = (_second(task, sensor, twin) for twin in (left, right))
                if one is not None and other is not None and left not in seen and fit_together(one, other):
                    seen.append(left)
                    yield one, other


def _second(task: Task, sensor: Placed, twin: Any) -> Change | None:
    """The change that adds a twin of a sensor; None where there is no room for it."""
    more = msgspec.structs.replace(task.request, sensors=(*task.request.sensors, twin))
    added = placed_again(more, sensor, len(task.request.sensors))
    at = added.scene.mount.origin
    if prism_holding(task.site.fixed, at) is not None or any(_beside(at, s) for s in task.placed):
        return None
    words = f"like {sensor.name} ({_where(task, twin)})"
    return Change("second_sensor", words, "", None, 1.0, _ADDED, twin, added)


def _beside(at: Any, sensor: Placed) -> bool:
    """True if there is no room for another sensor beside one that is there."""
    return bool(np.linalg.norm(at - sensor.scene.mount.origin) < ROOM_M)


def _places(task: Task, sensor: Placed) -> list[tuple[str, float, bool]]:
    """Side, x and whether mirrored: in mirror image across the opening, on the other side, beside the opening.

    On the other side a sensor is in mirror image at its x, and turned half round at the opposite x. Sensors that are
    judged by exact regions are not tried beside the opening, which would take long.
    """
    own = task.request.sensors[sensor.index]
    side, x = own.mount.side, own.mount.position.x_m
    other = "far" if side == "near" else "near"
    places = [(side, -x + 0.0, True), (other, x, True), (other, -x + 0.0, False)]
    if own.counterpart is not None:
        return places[1:]  # the first is the same beam the other way round
    if can_rise(sensor) and is_fast(sensor):
        half = task.request.door.opening.width_m / 2
        beside = [(way, at, (at * x < 0) is (way == side)) for at in (-half, half) for way in (side, other)]
        places += [b for b in beside if all(b[0] != p[0] or abs(b[1] - p[1]) > APART_M for p in places)]
    return list(dict.fromkeys(places))


def _twin(task: Task, sensor: Placed, *, side: str, x_m: float, mirror: bool) -> Any:
    """The sensor at another x, perhaps on the other side, perhaps in mirror image."""
    own, wall = task.request.sensors[sensor.index], task.request.door.wall
    crossed = side != own.mount.side

    def over(y_m: float) -> float:
        return round(wall.near_face_y_m + wall.far_face_y_m - y_m if crossed else y_m, 9)

    at, end, turn = own.mount.position, own.counterpart, -1.0 if mirror else 1.0
    if end is not None:
        sign = 1.0 if mirror == crossed else -1.0
        x, y = round(sign * end.position.x_m + 0.0, 9), over(end.position.y_m)
        end = msgspec.structs.replace(end, position=msgspec.structs.replace(end.position, x_m=x, y_m=y))
    mount = msgspec.structs.replace(
        own.mount,
        side=side,
        position=msgspec.structs.replace(at, x_m=round(x_m, 9), y_m=over(at.y_m)),
        yaw_deg=turn * own.mount.yaw_deg + 0.0,
        roll_deg=turn * own.mount.roll_deg + 0.0,
    )
    device = sensor.family.mirrored(own.device) if mirror else own.device
    return msgspec.structs.replace(own, mount=mount, counterpart=end, device=device)


def _where(task: Task, twin: Any) -> str:
    """Side, place along the door, height and distance from the wall, for who mounts it."""
    at = twin.mount.position
    off = off_wall(task.request.door.wall, twin.mount.side, at.y_m)
    return f"{twin.mount.side} side, x = {at.x_m:.2f} m, {at.z_m:.2f} m high, {off}"


def _name(request: Any, name: str) -> str:
    taken = {s.name for s in request.sensors}
    return next(n for n in (f"{name[:55]} twin {i}" for i in range(1, 32)) if n not in taken)

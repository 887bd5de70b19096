"""What would have to give way where no setting helps: slower vehicles, a faster drive, a higher mount, a second sensor.

Nobody can order a person to walk slower, so a speed limit is offered for vehicles alone; for persons the door may open
faster. Each relaxation is searched on a grid and offered only if exact regions show that it turns its zones to met and
loses none that is met now.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import msgspec
import numpy as np

from sillcast.advice.places import OnGrid
from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.reach import Reach
from sillcast.advice.task import Task, placed_again
from sillcast.contract import PatchStep, Relaxation
from sillcast.kernel import FloorArea
from sillcast.kernel.clip import prism_holding
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = ["TRIED", "is_vehicle", "relaxations"]

SPEED_STEP_M_PER_S = 0.1
SPEED_LEAST_M_PER_S = 0.5  # common practice, no source: slower than that nobody drives
SPEED_MOST_M_PER_S = 5.0  # of the drive, as the contract bounds it
FASTER_MOST = 2.0  # common practice, no source: no drive is exchanged for one of more than twice the speed
TIME_STEP_S = 0.1
VEHICLE_WIDTH_M = 1.0  # common practice, no source: a person with a load is narrower
RAISE_STEP_M = 0.1
RAISE_MOST_M = 1.5
_FIRST_LOOK = 4  # cells along the narrow side of the body
_STEPS_ON = 3  # steps beyond what the grid found, where exact regions want more
ROOM_M = 0.15  # common practice, no source: from one sensor to the next
_SENSORS_MOST = 16
TRIED = (
    f"vehicles as slow as {SPEED_LEAST_M_PER_S:g} m/s, a door that opens up to {FASTER_MOST:g} times as fast, "
    f"one sensor up to {RAISE_MOST_M:g} m higher, a second sensor like one that is there"
)


@dataclass
class _Trial:
    """The request with the best settings, its unmet zones, and how many exact assessments are left."""

    task: Task
    unmet: Sequence[ZoneNeed]
    met: frozenset[str]
    left: int

    @cached_property
    def grids(self) -> tuple[OnGrid, OnGrid]:
        """Unmet zones on a grid for a first look, by its cells' centres, and on one that asks for a reserve."""
        task = self.task
        first = OnGrid(task.site, self.unmet, fineness=_FIRST_LOOK, certain=False)
        return first, OnGrid(task.site, self.unmet, fineness=task.budget.relaxed_on)

    def seems(self, placed: Sequence[Placed], wanted: Container[str]) -> list[str]:
        """Zones that the grids show as met; what misses a cell's centre is not looked at again."""
        first, second = self.grids
        found = _met(first, placed, wanted)
        return _met(second, placed, found) if found else []

    def holds(self, changed: Any, zones: Container[str]) -> bool:
        """True if exact regions show the zones met, and those that are met now as well."""
        if self.left <= 0:
            return False
        self.left -= 1
        comparisons = self.task.assessed(changed)
        verdicts = {c.zone: c.verdict for c in comparisons or ()}
        return bool(verdicts) and all(v == "met" for z, v in verdicts.items() if z in zones or z in self.met)


def relaxations(task: Task, reach: Reach) -> list[Relaxation]:
    """For the zones that stay unmet, the nearest change of each kind that turns at least one to met.

    Parameters
    ----------
    task : Task
        Request with the best settings found, its sensors and its comparisons.
    reach : mapping
        For each sensor the unmet zones that it may see by some setting: where it is out of sight, only a second sensor
        helps.

    Returns
    -------
    list of Relaxation
        Each proven with exact regions.
    """
    verdicts = {c.zone: c.verdict for c in task.comparisons}
    unmet = [z for z in task.zones if verdicts.get(z.id) == "not_met"]
    if not unmet or not task.placed:
        return []
    met = frozenset(z for z, v in verdicts.items() if v == "met")
    trial = _Trial(task, unmet, met, task.budget.relaxed)
    seen = frozenset().union(*reach.values())
    in_sight = [z for z in unmet if z.id in seen]
    return [*_speeds(trial, in_sight), *_higher(trial, frozenset(z.id for z in in_sight)), *_second(trial)]


def is_vehicle(traveller: Any, body: Any) -> bool:
    """Whether somebody can order a traveller to go slower: it is wide, has something ahead of it, or is of metal."""
    return traveller.width_m >= VEHICLE_WIDTH_M or traveller.front_overhang_m > 0.0 or bool(body.metal)


def _met(grid: OnGrid, placed: Sequence[Placed], wanted: Container[str]) -> list[str]:
    return [s.zone.id for s in grid.scores(placed) if s.zone.id in wanted and s.gap_m2 == 0.0]


# ---------------------------------------------------------------------- slower vehicles, a faster drive


def _speeds(trial: _Trial, in_sight: Sequence[ZoneNeed]) -> Iterator[Relaxation]:
    """A speed limit for each vehicle, and a faster opening for all, with the least change that meets the zones."""
    zones = [z for z in in_sight if z.kind == "activation" and z.subject.startswith("/traffic/")]
    for subject in dict.fromkeys(z.subject for z in zones):
        own = [z for z in zones if z.subject == subject]
        traveller = trial.task.request.traffic[int(subject.split("/")[2])]
        if is_vehicle(traveller, own[0].body):
            yield from _limit(trial, traveller, f"/traffic/{subject.split('/')[2]}/speed_m_per_s", own)
    if zones:
        yield from _opening(trial, zones)


def _limit(trial: _Trial, traveller: Any, pointer: str, zones: Sequence[ZoneNeed]) -> Iterator[Relaxation]:
    now = traveller.speed_m_per_s
    count = int((now - SPEED_LEAST_M_PER_S) / SPEED_STEP_M_PER_S + 1e-9)
    slower = [round(now - i * SPEED_STEP_M_PER_S, 6) for i in range(1, count + 1)]
    ids = [z.id for z in zones]
    good = _least_change(trial, pointer, slower, ids)
    if good is not None:
        words = f"With a speed limit of {good:.1f} m/s for {traveller.name} instead of {now:.1f} m/s"
        yield _value(trial.task, "speed", words, ids, "m/s", pointer, good)


def _opening(trial: _Trial, zones: Sequence[ZoneNeed]) -> Iterator[Relaxation]:
    """A faster opening, for all zones together, or else for the first that it helps."""
    phase = trial.task.request.door.motion.opening
    base = "/door/motion/opening"
    if phase.time_s is not None:
        pointer, now, unit = f"{base}/time_s", phase.time_s, "s"
        count = int(now * (1.0 - 1.0 / FASTER_MOST) / TIME_STEP_S + 1e-9)
        faster = [round(now - i * TIME_STEP_S, 6) for i in range(1, count + 1)]
    elif phase.speed_m_per_s is not None:
        pointer, now, unit = f"{base}/speed_m_per_s", phase.speed_m_per_s, "m/s"
        most = min(now * FASTER_MOST, SPEED_MOST_M_PER_S)
        faster = [
            round(now + i * SPEED_STEP_M_PER_S, 6) for i in range(1, int((most - now) / SPEED_STEP_M_PER_S + 1e-9) + 1)
        ]
    else:
        return
    for ids in dict.fromkeys((tuple(z.id for z in zones), *((z.id,) for z in zones))):
        good = _least_change(trial, pointer, faster, ids)
        if good is not None:
            words = (
                f"With a door that opens {'in' if unit == 's' else 'at'} {good:.1f} {unit} instead of {now:.1f} {unit}"
            )
            yield _value(trial.task, "opening_speed", words, ids, unit, pointer, good)
            return


def _least_change(trial: _Trial, pointer: str, values: Sequence[float], zones: Sequence[str]) -> float | None:
    """First of the values at which the zones are met; halved, since each value needs a part of the area of the last."""

    def changed(i: int) -> Any:
        return with_value(trial.task.request, pointer, values[i])

    def seems(i: int) -> bool:
        wanted = [z for z in trial.task.needs(changed(i)) if z.id in zones]
        grid = OnGrid(trial.task.site, wanted, fineness=trial.task.budget.relaxed_on)
        return set(zones) <= set(_met(grid, trial.task.placed, zones))

    if not values or not seems(len(values) - 1):
        return None
    low = _first(seems, len(values) - 1)
    some = range(low, min(low + _STEPS_ON, len(values)))
    return next((values[i] for i in some if trial.holds(changed(i), zones)), None)


def _first(seems: Callable[[int], bool], last: int) -> int:
    """Least index up to the last, which holds, from which on all hold."""
    low, high = 0, last
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if seems(middle) else (middle + 1, high)
    return low


def _value(
    task: Task, kind: str, words: str, zones: Sequence[str], unit: str, pointer: str, proposed: float
) -> Relaxation:
    return Relaxation(
        kind=kind,
        text=f"{words} {_are_met(task, zones)}.",
        zones=list(zones),
        unit=unit,
        current=float(value_at(task.request, pointer)),
        proposed=proposed,
        proven=True,
        patch=[PatchStep(op="add", path=pointer, value=proposed)],
    )


# ---------------------------------------------------------------------- other mounts


def _higher(trial: _Trial, wanted: frozenset[str]) -> Iterator[Relaxation]:
    """The least rise of one sensor that turns a zone to met and loses none."""
    task = trial.task
    for i in range(1, int(RAISE_MOST_M / RAISE_STEP_M + 1e-9) + 1) if wanted else ():
        for sensor in (s for s in task.placed if _can_rise(s)):
            pointer = f"{sensor.pointer}/mount/position/z_m"
            height = round(float(value_at(task.request, pointer)) + i * RAISE_STEP_M, 6)
            raised = with_value(task.request, pointer, height)
            moved = placed_again(raised, sensor)
            if prism_holding(task.site.fixed, moved.scene.mount.origin) is not None:
                continue
            met = trial.seems([moved if s is sensor else s for s in task.placed], wanted)
            if met and trial.holds(raised, met):
                words = f"With {sensor.name} mounted {i * RAISE_STEP_M:.1f} m higher, at {height:.2f} m,"
                yield _value(task, "mount_height", words, met, "m", pointer, height)
                return


def _can_rise(sensor: Placed) -> bool:
    """True for a sensor on its own on the building; not for mats, loops, edges and beams between two ends."""
    on_floor = any(isinstance(e, FloorArea) for e in sensor.emissions)
    return sensor.carried is None and sensor.scene.counterpart is None and not on_floor


def _second(trial: _Trial) -> Iterator[Relaxation]:
    """A second sensor like one that is there, across the opening or on the other side, that turns most zones to met."""
    task, wanted = trial.task, {z.id for z in trial.unmet}
    if len(task.request.sensors) >= _SENSORS_MOST:
        return
    found: list[tuple[int, str, Any, list[str]]] = []
    for sensor in task.placed:
        for words, twin in _twins(task, sensor):
            more = _with_sensor(task.request, twin)
            added = placed_again(more, sensor, len(task.request.sensors))
            at = added.scene.mount.origin
            if prism_holding(task.site.fixed, at) is not None or any(_beside(at, s) for s in task.placed):
                continue
            met = trial.seems([*task.placed, added], wanted)
            if met:
                found.append((len(met), words, twin, met))
    for _, words, twin, met in sorted(found, key=lambda f: -f[0]):
        if trial.holds(_with_sensor(task.request, twin), met):
            yield Relaxation(
                kind="second_sensor",
                text=f"With a second sensor like {words} {_are_met(task, met)}.",
                zones=met,
                unit="",
                current=None,
                proposed=1.0,
                proven=True,
                patch=[PatchStep(op="add", path="/sensors/-", value=msgspec.to_builtins(twin))],
            )
            return


def _beside(at: Any, sensor: Placed) -> bool:
    """True if there is no room for another sensor beside one that is there."""
    return bool(np.linalg.norm(at - sensor.scene.mount.origin) < ROOM_M)


def _twins(task: Task, sensor: Placed) -> Iterator[tuple[str, Any]]:
    """The sensor in mirror image across the opening; on the other side in mirror image and turned half round."""
    own = task.request.sensors[sensor.index]
    wall = task.request.door.wall
    other = "far" if own.mount.side == "near" else "near"
    over_y = wall.near_face_y_m + wall.far_face_y_m - own.mount.position.y_m
    for side, mirror in ((own.mount.side, True), (other, True), (other, False)):
        if own.counterpart is not None and side == own.mount.side:
            continue  # the same beam the other way round
        at = own.mount.position
        sign = -1.0 if mirror == (side == own.mount.side) else 1.0
        y = at.y_m if side == own.mount.side else over_y
        position = msgspec.structs.replace(at, x_m=round(sign * at.x_m + 0.0, 9), y_m=round(y, 9))
        counterpart = own.counterpart
        if counterpart is not None:
            end = counterpart.position
            over = wall.near_face_y_m + wall.far_face_y_m - end.y_m
            end = msgspec.structs.replace(end, x_m=round(sign * end.x_m + 0.0, 9), y_m=round(over, 9))
            counterpart = msgspec.structs.replace(counterpart, position=end)
        turn = -1.0 if mirror else 1.0
        mount = msgspec.structs.replace(
            own.mount,
            side=side,
            position=position,
            yaw_deg=turn * own.mount.yaw_deg + 0.0,
            roll_deg=turn * own.mount.roll_deg + 0.0,
        )
        device = sensor.family.mirrored(own.device) if mirror else own.device
        twin = msgspec.structs.replace(
            own, name=_name(task, own.name), mount=mount, counterpart=counterpart, device=device
        )
        yield f"{own.name}, on the {side} side at x = {position.x_m:g} m", twin


def _name(task: Task, name: str) -> str:
    taken = {s.name for s in task.request.sensors}
    return next(n for n in (f"{name[:55]} twin {i}" for i in range(1, 32)) if n not in taken)


def _with_sensor(request: Any, twin: Any) -> Any:
    return msgspec.structs.replace(request, sensors=(*request.sensors, twin))


def _are_met(task: Task, zones: Sequence[str]) -> str:
    labels = [f"'{zone.label}'" for zone in task.zones if zone.id in zones]
    return f"{', '.join(labels)} {'is' if len(labels) == 1 else 'are'} met"

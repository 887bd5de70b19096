"""What would have to give way where no setting helps: slower traffic, a higher mount, a second sensor."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from typing import Any

import msgspec

from sillcast.advice.places import OnGrid
from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.task import Task, placed_again
from sillcast.contract import Comparison, PatchStep, Relaxation
from sillcast.kernel import FloorArea
from sillcast.kernel.clip import prism_holding
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = ["relaxations"]

SPEED_STEP_M_PER_S = 0.1
SPEED_LEAST_M_PER_S = 0.3
RAISE_STEP_M = 0.1
RAISE_MOST_M = 1.5
_SENSORS_MOST = 16


def relaxations(task: Task) -> list[Relaxation]:
    """For the zones that stay unmet, the nearest change of each kind that turns at least one to met.

    Parameters
    ----------
    task : Task
        Request with the best settings found, its sensors and its comparisons.
    """
    unmet = _unmet(task)
    if not unmet or not task.placed:
        return []
    seen = _met(task.fine, task.placed, {z.id for z in unmet})
    unmet = [z for z in unmet if z.id not in seen]
    wanted = {z.id for z in unmet}
    found = [*_slower(task, unmet), *_higher(task, wanted), *_second(task, wanted)]
    return [_proven(task, r, i < task.budget.relaxed) for i, r in enumerate(found)]


def _unmet(task: Task) -> list[ZoneNeed]:
    verdicts = {c.zone: c.verdict for c in task.comparisons}
    return [z for z in task.zones if verdicts.get(z.id) == "not_met"]


def _met(grid: OnGrid, placed: Sequence[Placed], wanted: Container[str]) -> list[str]:
    return [s.zone.id for s in grid.scores(placed) if s.zone.id in wanted and s.gap_m2 == 0.0]


def _slower(task: Task, unmet: Sequence[ZoneNeed]) -> Iterator[Relaxation]:
    """For each traveller, the greatest speed at which its zones are met."""
    travellers = [z.subject for z in unmet if z.kind == "activation" and z.subject.startswith("/traffic/")]
    for subject in dict.fromkeys(travellers):
        pointer = f"/traffic/{subject.split('/')[2]}/speed_m_per_s"
        now = float(value_at(task.request, pointer))
        zones = [z.id for z in unmet if z.subject == subject]
        count = int((now - SPEED_LEAST_M_PER_S) / SPEED_STEP_M_PER_S + 1e-9)
        slower = [round(now - i * SPEED_STEP_M_PER_S, 6) for i in range(1, count + 1)]
        good = _first_that_holds(task, slower, pointer, zones)
        if good is not None:
            name = task.request.traffic[int(subject.split("/")[2])].name
            yield Relaxation(
                kind="speed",
                text=f"With {name} at {good:.1f} m/s instead of {now:.1f} m/s {_are_met(task, zones)}.",
                zones=zones,
                unit="m/s",
                current=now,
                proposed=good,
                proven=False,
                patch=[PatchStep(op="add", path=pointer, value=good)],
            )


def _first_that_holds(task: Task, values: Sequence[float], pointer: str, zones: Sequence[str]) -> float | None:
    """First of falling speeds at which the zones are met; halved, since a slower traveller needs a part of the area."""
    low, high = 0, len(values)
    while low < high:
        middle = (low + high) // 2
        wanted = [z for z in task.needs(with_value(task.request, pointer, values[middle])) if z.id in zones]
        met = _met(OnGrid(task.site, wanted, fineness=task.budget.fine), task.placed, zones)
        low, high = (low, middle) if set(zones) <= set(met) else (middle + 1, high)
    return values[low] if low < len(values) else None


def _higher(task: Task, wanted: Container[str]) -> Iterator[Relaxation]:
    """The least rise of one sensor that turns a zone to met."""
    for i in range(1, int(RAISE_MOST_M / RAISE_STEP_M + 1e-9) + 1):
        for sensor in (s for s in task.placed if _can_rise(s)):
            pointer = f"{sensor.pointer}/mount/position/z_m"
            now = float(value_at(task.request, pointer))
            raised = with_value(task.request, pointer, round(now + i * RAISE_STEP_M, 6))
            moved = placed_again(raised, sensor)
            if prism_holding(task.site.fixed, moved.scene.mount.origin) is not None:
                continue
            met = _met(task.fine, [moved if s is sensor else s for s in task.placed], wanted)
            if met:
                up = i * RAISE_STEP_M
                yield Relaxation(
                    kind="mount_height",
                    text=f"With {sensor.name} mounted {up:.1f} m higher {_are_met(task, met)}.",
                    zones=met,
                    unit="m",
                    current=now,
                    proposed=round(now + up, 6),
                    proven=False,
                    patch=[PatchStep(op="add", path=pointer, value=round(now + up, 6))],
                )
                return


def _can_rise(sensor: Placed) -> bool:
    """True for a sensor on its own on the building; not for mats, loops, edges and beams between two ends."""
    on_floor = any(isinstance(e, FloorArea) for e in sensor.emissions)
    return sensor.carried is None and sensor.scene.counterpart is None and not on_floor


def _second(task: Task, wanted: Container[str]) -> Iterator[Relaxation]:
    """A second sensor like one that is there, across the opening or on the other side, that turns most zones to met."""
    if len(task.request.sensors) >= _SENSORS_MOST:
        return
    best: tuple[int, str, Any, list[str]] | None = None
    for sensor in task.placed:
        for words, twin in _twins(task, sensor):
            more = msgspec.structs.replace(task.request, sensors=(*task.request.sensors, twin))
            added = placed_again(more, sensor, len(task.request.sensors))
            if prism_holding(task.site.fixed, added.scene.mount.origin) is not None:
                continue
            met = _met(task.fine, [*task.placed, added], wanted)
            if met and (best is None or len(met) > best[0]):
                best = (len(met), words, twin, met)
    if best is not None:
        _, words, twin, met = best
        yield Relaxation(
            kind="second_sensor",
            text=f"With a second sensor like {words} {_are_met(task, met)}.",
            zones=met,
            unit="",
            current=None,
            proposed=1.0,
            proven=False,
            patch=[PatchStep(op="add", path="/sensors/-", value=msgspec.to_builtins(twin))],
        )


def _twins(task: Task, sensor: Placed) -> Iterator[tuple[str, Any]]:
    """The sensor in mirror image across the opening; on the other side in mirror image and turned half round."""
    own = task.request.sensors[sensor.index]
    wall = task.request.door.wall
    other = "far" if own.mount.side == "near" else "near"
    over_y = wall.near_face_y_m + wall.far_face_y_m - own.mount.position.y_m
    across = "right" if own.mount.position.x_m < 0 else "left"
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
        device = mirrored_device(own.device) if mirror else own.device
        twin = msgspec.structs.replace(
            own, name=_name(task, own.name), mount=mount, counterpart=counterpart, device=device
        )
        hand = across if side == own.mount.side else ("the same side" if sign > 0 else across)
        yield f"{own.name}, {side} side, x = {position.x_m:g} m ({hand})", twin


def mirrored_device(device: Any) -> Any:
    """Parameters in mirror image: a sweep [a, b] becomes [-b, -a]; fields change sides; all else stays."""
    changed: dict[str, Any] = {}
    if hasattr(device, "sweep_start_deg") and hasattr(device, "sweep_end_deg"):
        changed = {"sweep_start_deg": -device.sweep_end_deg + 0.0, "sweep_end_deg": -device.sweep_start_deg + 0.0}
    if getattr(device, "fields", ()):
        changed["fields"] = tuple(_mirrored_field(f) for f in device.fields)
    return msgspec.structs.replace(device, **changed) if changed else device


def _mirrored_field(field: Any) -> Any:
    if field.ring_m is not None:
        return msgspec.structs.replace(field, ring_m=tuple((-x, y) for x, y in field.ring_m))
    return msgspec.structs.replace(field, x_from_m=-field.x_to_m, x_to_m=-field.x_from_m)


def _name(task: Task, name: str) -> str:
    taken = {s.name for s in task.request.sensors}
    return next(n for n in (f"{name[:55]} twin {i}" for i in range(1, 32)) if n not in taken)


def _proven(task: Task, relaxation: Relaxation, may: bool) -> Relaxation:
    """The relaxation, assessed with exact regions if the budget allows; what exact regions refute says so."""
    if not may:
        return relaxation
    changed = task.request
    for step in relaxation.patch:
        changed = _applied(changed, step, relaxation)
    comparisons = task.assessed(changed)
    if comparisons is None:
        return relaxation
    verdicts: dict[str, Comparison] = {c.zone: c for c in comparisons}
    proven = all(verdicts[z].verdict == "met" for z in relaxation.zones if z in verdicts)
    if proven:
        return msgspec.structs.replace(relaxation, proven=True)
    left = max(verdicts[z].gap_m2 for z in relaxation.zones if z in verdicts)
    text = f"{relaxation.text} Exact regions still show {left:.3f} m2 unseen, so go a step further."
    return msgspec.structs.replace(relaxation, text=text)


def _applied(request: Any, step: PatchStep, relaxation: Relaxation) -> Any:
    if relaxation.kind == "second_sensor":
        twin = msgspec.convert(step.value, type(request.sensors[0]))
        return _with_sensor(request, twin)
    return with_value(request, step.path, step.value)


def _with_sensor(request: Any, twin: Any) -> Any:
    return msgspec.structs.replace(request, sensors=(*request.sensors, twin))


def _are_met(task: Task, zones: Sequence[str]) -> str:
    labels = [f"'{zone.label}'" for zone in task.zones if zone.id in zones]
    return f"{', '.join(labels)} {'is' if len(labels) == 1 else 'are'} met"

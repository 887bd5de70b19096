"""What fits the schema and still cannot be computed: each fault with its place and what would be right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from typing import Any

from sillcast import motion
from sillcast.contract import Body, Door, Field, MountPlace, Neighbour, Obstacle, Position, Side, Traveller
from sillcast.errors import Fault, quoted
from sillcast.family import Family
from sillcast.kernel import Surroundings, ring_fault
from sillcast.kernel.clip import prism_holding

__all__ = [
    "LEAST_GAP_M",
    "body_faults",
    "buried_faults",
    "device_faults",
    "door_faults",
    "in_document_order",
    "is_searched",
    "names_faults",
    "output_faults",
    "search_faults",
    "sensor_faults",
    "site_faults",
    "traffic_faults",
]

_ring_fault = lru_cache(maxsize=512)(ring_fault)
LEAST_GAP_M = 0.001  # two faces closer than this are one
SKIN_M = 1e-6  # a sensor no deeper than this lies on the floor


def door_faults(door: Door) -> Iterator[Fault]:
    """Wall, leaf and motion."""
    wall = door.wall
    if wall.far_face_y_m - wall.near_face_y_m < LEAST_GAP_M:
        yield _fault(
            "/door/wall/far_face_y_m",
            "order",
            "The far face lies beyond the near face of the wall.",
            f"more than {wall.near_face_y_m} m",
            wall.far_face_y_m,
        )
    yield from motion.faults(door)


def site_faults(obstacles: Sequence[Obstacle], neighbours: Sequence[Neighbour] = ()) -> Iterator[Fault]:
    """Rings of obstacles and neighbouring doors, heights of obstacles."""
    things: tuple[tuple[str, Sequence[Obstacle | Neighbour]], ...] = (
        ("/site/obstacles", obstacles),
        ("/site/neighbours", neighbours),
    )
    for pointer, some in things:
        for i, thing in enumerate(some):
            if problem := _ring_fault(thing.ring_m):
                yield _fault(
                    f"{pointer}/{i}/ring_m",
                    "ring",
                    f"The ring of {thing.name} {problem}.",
                    "corners in order around an area of at least 1 mm2, no side crossing another",
                    _short(thing.ring_m),
                )
    for i, obstacle in enumerate(obstacles):
        pointer = f"/site/obstacles/{i}"
        if obstacle.top_m - obstacle.base_m < LEAST_GAP_M:
            yield _fault(
                f"{pointer}/top_m",
                "order",
                f"The top of {obstacle.name} lies above its base.",
                f"more than {obstacle.base_m} m",
                obstacle.top_m,
            )


def traffic_faults(traffic: Sequence[Traveller], bodies: Iterable[str]) -> Iterator[Fault]:
    """Lanes and bodies of travellers."""
    known = set(bodies)
    for i, traveller in enumerate(traffic):
        pointer = f"/traffic/{i}"
        if traveller.passes == "by" and traveller.lane is None:
            yield _fault(
                f"{pointer}/lane", "missing", "Traffic that passes by the door needs its lane.", "a lane", None
            )
        lane = traveller.lane
        if lane is not None and lane.out_to_m - lane.out_from_m < LEAST_GAP_M:
            yield _fault(
                f"{pointer}/lane/out_to_m",
                "order",
                "The lane's farther edge lies beyond its nearer one.",
                f"more than {lane.out_from_m} m",
                lane.out_to_m,
            )
        if len(set(traveller.from_sides)) < len(traveller.from_sides):
            yield _sides_fault(f"{pointer}/from_sides", traveller.from_sides)
        yield from _body_fault(traveller.body, f"{pointer}/body", known)


def _sides_fault(pointer: str, sides: Sequence[Side]) -> Fault:
    return _fault(pointer, "duplicate", "Each side is named once.", "near, far", ", ".join(sides))


def _body_fault(name: str | None, pointer: str, known: set[str]) -> Iterator[Fault]:
    if name is not None and name not in known:
        allowed = "one of " + ", ".join(sorted(known))
        yield _fault(pointer, "unknown_body", f"There is no body {name}.", allowed, quoted(name))


def output_faults(output: Any, bodies: Iterable[str], protection: Sequence[str] = ()) -> Iterator[Fault]:
    """Bodies that the answer should show, and those of the rules for protection."""
    known = set(bodies)
    for i, name in enumerate(protection):
        yield from _body_fault(name, f"/rules/protection_bodies/{i}", known)
    for part in ("detections", "counts"):
        for i, wanted in enumerate(getattr(output, part)):
            yield from _body_fault(wanted.body, f"/output/{part}/{i}/body", known)
    for i, nested in enumerate(output.smallest):
        for j, name in enumerate(nested.bodies):
            yield from _body_fault(name, f"/output/smallest/{i}/bodies/{j}", known)
    for i, heights in enumerate(output.bands):
        if heights.high_m < heights.low_m:
            pointer = f"/output/bands/{i}/high_m"
            text = "The upper height is not below the lower one."
            yield _fault(pointer, "order", text, f"at least {heights.low_m} m", heights.high_m)
    for i, moving in enumerate(output.detections):
        if (moving.heading_deg is None) != (moving.speed_m_per_s is None):
            text = "Give both the heading and the speed of a moving body, or none."
            yield _fault(f"/output/detections/{i}", "one_of", text, "heading_deg and speed_m_per_s", None)


def names_faults(request: Any, standard_bodies: Iterable[str]) -> Iterator[Fault]:
    """Names that must be told apart."""
    lists: tuple[tuple[str, Sequence[Any]], ...] = (
        ("/site/obstacles", request.site.obstacles),
        ("/site/neighbours", request.site.neighbours),
        ("/traffic", request.traffic),
        ("/sensors", request.sensors),
        ("/bodies", request.bodies),
    )
    for pointer, items in lists:
        yield from _name_faults(pointer, items, standard_bodies if pointer == "/bodies" else ())
    sensors = {sensor.name for sensor in request.sensors}
    for i, muting in enumerate(request.door.muting):
        if request.sensors and muting.sensor not in sensors:
            yield _fault(
                f"/door/muting/{i}/sensor",
                "unknown_sensor",
                f"There is no sensor {muting.sensor}.",
                "one of " + ", ".join(sorted(sensors)),
                quoted(muting.sensor),
            )


def _name_faults(pointer: str, items: Sequence[Any], taken: Iterable[str] = ()) -> Iterator[Fault]:
    """Names that are taken already, outside of the list or by an item before."""
    seen = set(taken)
    for i, item in enumerate(items):
        if item.name in seen:
            text = f"The name {item.name} is taken already."
            yield _fault(f"{pointer}/{i}/name", "duplicate", text, "a name of its own", quoted(item.name))
        seen.add(item.name)


def sensor_faults(sensor: Any, pointer: str, needs_counterpart: bool) -> Iterator[Fault]:
    """Counterpart, purposes and fields of one sensor; its place is checked with the scene."""
    if needs_counterpart and sensor.counterpart is None:
        yield _fault(
            f"{pointer}/counterpart",
            "missing",
            f"{sensor.name} needs the place of its receiver or reflector.",
            "a counterpart with its position",
            None,
        )
    if sensor.counterpart is not None and sensor.counterpart.position == sensor.mount.position:
        yield _fault(
            f"{pointer}/counterpart/position",
            "same_place",
            f"The counterpart of {sensor.name} sits where the sensor is.",
            "another place",
            None,
        )
    yield from _device_faults(sensor, pointer)


def buried_faults(sensors: Sequence[Any], fixed: Surroundings) -> Iterator[Fault]:
    """Sensors and counterparts that sit inside something, by its name, or below the floor."""
    for i, sensor in enumerate(sensors):
        yield from _buried(sensor.name, sensor.mount.position, f"/sensors/{i}/mount/position", fixed)
        if sensor.counterpart:
            yield from _buried(sensor.name, sensor.counterpart.position, f"/sensors/{i}/counterpart/position", fixed)


def _buried(who: str, at: Position, pointer: str, fixed: Surroundings) -> Iterator[Fault]:
    seen, floor = f"({at.x_m:g}, {at.y_m:g}, {at.z_m:g})", float(fixed.floors.height(at.y_m))
    inside = prism_holding(fixed, (at.x_m, at.y_m, at.z_m))
    if inside is not None:
        name = fixed.prisms[inside].name
        yield _fault(pointer, "inside", f"{who} sits inside {name}.", f"a place on or outside {name}", seen)
    elif at.z_m < floor - SKIN_M:
        yield _fault(f"{pointer}/z_m", "below_floor", f"{who} sits below the floor.", f"at least {floor:g} m", seen)


def device_faults(devices: Sequence[Any], families: Sequence[Family], searched: Iterable[str]) -> Iterator[Fault]:
    """Devices of a mount search, with the family of each; those that have no place beside the door's way are refused.

    `searched` names the families that a search can place.
    """
    for i, (asked, family) in enumerate(zip(devices, families, strict=True)):
        pointer = f"/devices/{i}"
        if not is_searched(family):
            code = "needs_counterpart" if family.needs_counterpart else "fixed_place"
            text = f"{asked.name} {_SEATED[family.sits]}; a search places single heads over and beside the opening."
            allowed = "one of " + ", ".join(searched)
            yield _fault(f"{pointer}/device/family", code, text, allowed, quoted(family.name))
        yield from _device_faults(asked, pointer)
    yield from _name_faults("/devices", devices)


def is_searched(family: Family) -> bool:
    """Whether a search for mounts can place a sensor of this family: it has one end, beside the door's way."""
    return family.sits == "beside" and not family.needs_counterpart


_SEATED = {
    "beside": "needs a receiver or reflector",
    "opening": "needs a receiver or reflector",
    "floor": "lies on the floor",
    "leaf": "rides on the leaf",
}


def search_faults(places: Sequence[MountPlace], sides: Sequence[Side]) -> Iterator[Fault]:
    """Places and sides of a mount search that are given twice."""
    for i, place in enumerate(places):
        if place in places[:i]:
            text = f"The place is the same as that of /places/{places.index(place)}."
            yield _fault(f"/places/{i}", "duplicate", text, "each place once", place.kind)
    if len(set(sides)) < len(sides):
        yield _sides_fault("/sides", sides)


def _device_faults(sensor: Any, pointer: str) -> Iterator[Fault]:
    """Purposes of a sensor, sweep, ring and fields of its device."""
    if len(set(sensor.purposes)) < len(sensor.purposes):
        yield _fault(f"{pointer}/purposes", "duplicate", "Each purpose is named once.", "activation, protection", None)
    start, end = (getattr(sensor.device, f"sweep_{which}_deg", 0.0) for which in ("start", "end"))
    if end < start:
        yield _fault(
            f"{pointer}/device/sweep_end_deg",
            "order",
            "The sweep ends at or after its start.",
            f"at least {start} deg",
            end,
        )
    ring = getattr(sensor.device, "ring_m", None)
    if ring is not None and (problem := ring_fault(ring)):
        yield _fault(f"{pointer}/device/ring_m", "ring", f"The ring {problem}.", "a simple ring", _short(ring))
    for i, field in enumerate(getattr(sensor.device, "fields", ())):
        yield from _field_faults(field, f"{pointer}/device/fields/{i}")


def _field_faults(field: Field, pointer: str) -> Iterator[Fault]:
    bounds = (field.x_from_m, field.x_to_m, field.out_from_m, field.out_to_m)
    given = sum(bound is not None for bound in bounds)
    if (field.ring_m is None) == (given == 0) or given not in (0, 4):
        yield _fault(
            pointer,
            "one_of",
            "Give either the ring or all four bounds of the field.",
            "ring_m, or x_from_m, x_to_m, out_from_m and out_to_m",
            None,
        )
        return
    if field.ring_m is not None:
        if problem := ring_fault(field.ring_m):
            yield _fault(
                f"{pointer}/ring_m", "ring", f"The ring of the field {problem}.", "a simple ring", _short(field.ring_m)
            )
        return
    for low, high in (("x_from_m", "x_to_m"), ("out_from_m", "out_to_m")):
        if getattr(field, high) - getattr(field, low) < LEAST_GAP_M:
            yield _fault(
                f"{pointer}/{high}",
                "order",
                f"{high} lies beyond {low}.",
                f"more than {getattr(field, low)} m",
                getattr(field, high),
            )


def body_faults(bodies: Sequence[Body]) -> Iterator[Fault]:
    """Sizes that a body's shape needs."""
    for i, body in enumerate(bodies):
        if body.shape != "sphere" and body.height_m is None:
            yield _fault(f"/bodies/{i}/height_m", "missing", f"A {body.shape} needs its height.", "height_m", None)


def in_document_order(faults: Iterable[Fault], request: Any) -> list[Fault]:
    """Faults as their places follow each other in the request; those of one place as they were found."""
    return sorted(faults, key=lambda fault: _steps(fault.pointer, request))


def _steps(pointer: str, at: Any) -> list[int]:
    """Which field or item each step of a pointer takes; the tag of a struct comes before its fields."""
    steps = []
    for step in pointer.split("/")[1:]:
        if isinstance(at, tuple):
            steps.append(int(step))
            at = at[int(step)]
        else:
            names = getattr(at, "__struct_encode_fields__", ())
            steps.append(names.index(step) if step in names else -1)
            at = getattr(at, step, None)
    return steps


def _fault(pointer: str, code: str, detail: str, allowed: str, seen: Any) -> Fault:
    return Fault(pointer, code, detail, allowed, None if seen is None else str(seen))


def _short(ring: Any) -> str:
    text = ", ".join(f"({x:g}, {y:g})" for x, y in ring[:4])
    return text + (", ..." if len(ring) > 4 else "")

"""What fits the schema and still cannot be computed: each fault with its place and what would be right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sillcast import motion
from sillcast.contract import Body, Door, Field, Neighbour, Obstacle, Traveller
from sillcast.errors import Fault
from sillcast.kernel import ring_fault

__all__ = [
    "LEAST_GAP_M",
    "body_faults",
    "device_faults",
    "door_faults",
    "names_faults",
    "output_faults",
    "sensor_faults",
    "site_faults",
    "traffic_faults",
]

LEAST_GAP_M = 0.001  # two faces closer than this are one


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
            if problem := ring_fault(thing.ring_m):
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
            yield _fault(
                f"{pointer}/from_sides", "duplicate", "Each side is named once.", "near, far", "twice the same"
            )
        yield from _body_fault(traveller.body, f"{pointer}/body", known)


def _body_fault(name: str | None, pointer: str, known: set[str]) -> Iterator[Fault]:
    if name is not None and name not in known:
        yield _fault(pointer, "unknown_body", f"There is no body {name}.", "one of " + ", ".join(sorted(known)), name)


def output_faults(output: Any, bodies: Iterable[str]) -> Iterator[Fault]:
    """Bodies that the answer should show."""
    known = set(bodies)
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
        ("/rules/overrides", request.rules.overrides),
    )
    for pointer, items in lists:
        seen = set(standard_bodies) if pointer == "/bodies" else set()
        for i, item in enumerate(items):
            if item.name in seen:
                yield _fault(
                    f"{pointer}/{i}/name",
                    "duplicate",
                    f"The name {item.name} is taken already.",
                    "a name of its own",
                    item.name,
                )
            seen.add(item.name)
    sensors = {sensor.name for sensor in request.sensors}
    for i, muting in enumerate(request.door.muting):
        if request.sensors and muting.sensor not in sensors:
            yield _fault(
                f"/door/muting/{i}/sensor",
                "unknown_sensor",
                f"There is no sensor {muting.sensor}.",
                "one of " + ", ".join(sorted(sensors)),
                muting.sensor,
            )


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


def device_faults(devices: Sequence[Any], with_two_ends: Sequence[bool]) -> Iterator[Fault]:
    """Devices of a mount search; one whose family has a second end cannot be searched for."""
    for i, (asked, two_ends) in enumerate(zip(devices, with_two_ends, strict=True)):
        if two_ends:
            yield _fault(
                f"/devices/{i}/device/family",
                "needs_counterpart",
                f"{asked.name} needs a receiver or reflector, which a search for mounts does not place.",
                "a family that needs no counterpart",
                asked.device.__struct_config__.tag,
            )
        yield from _device_faults(asked, f"/devices/{i}")


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


def _fault(pointer: str, code: str, detail: str, allowed: str, seen: Any) -> Fault:
    return Fault(pointer, code, detail, allowed, None if seen is None else str(seen))


def _short(ring: Any) -> str:
    text = ", ".join(f"({x:g}, {y:g})" for x, y in ring[:4])
    return text + (", ..." if len(ring) > 4 else "")

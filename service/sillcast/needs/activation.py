"""How far out each traveller must be found so that the door is open when it arrives."""

from math import cos, isfinite, radians, sin, tan

from sillcast import motion
from sillcast.contract import DerivationInput, Traveller
from sillcast.kernel import Region, TestBody
from sillcast.needs.zones import Ask, ZoneNeed, given, outwards

__all__ = ["activation_distance_m", "activation_zones"]


def activation_distance_m(
    *, speed_m_per_s: float, response_s: float, control_delay_s: float, time_to_clear_s: float, ahead_m: float
) -> float:
    """Distance at which a traveller must be found: speed x (response + control delay + time to clear) + ahead [1]_.

    Parameters
    ----------
    speed_m_per_s : float
        Speed towards the door. [m/s]
    response_s, control_delay_s, time_to_clear_s : float
        Times that pass one after the other. [s]
    ahead_m : float
        Front overhang and margin. [m]

    Returns
    -------
    distance_m : float
        Out from the leaf plane. [m]

    References
    ----------
    .. [1] Kinematics: the way travelled while the door opens; trade practice gives the same rule without a source.

    Examples
    --------
    >>> round(activation_distance_m(speed_m_per_s=1.2, response_s=0.15, control_delay_s=0, time_to_clear_s=1.5,
    ...                             ahead_m=0), 2)
    1.98
    """
    return speed_m_per_s * (response_s + control_delay_s + time_to_clear_s) + ahead_m


def activation_zones(ask: Ask) -> list[ZoneNeed]:
    """Zones of all travellers that pass through, in the order of the request."""
    through = [(i, t) for i, t in enumerate(ask.traffic) if t.passes == "through"]
    zones = [_zone(ask, i, t, side) for i, t in through for side in t.from_sides]
    return [zone for zone in zones if zone is not None]


def _zone(ask: Ask, i: int, traveller: Traveller, side: str) -> ZoneNeed | None:
    pointer, zone = f"/traffic/{i}", f"activation:{side}:{traveller.name}"
    body = ask.body(traveller.body or ask.rule.set.activation_body, f"{pointer}/body")
    if ask.value("activation_margin_m", zone) is None:
        return None
    half, inner, hold = ask.half_width_m(body), _inner(ask, body, zone, side), ask.door.motion.hold_open_s
    to_clear = _time_to_clear(ask, pointer, traveller, zone)
    far = _distance(ask, pointer, traveller, zone, side, to_clear)
    if half <= 0.0 or far <= inner:
        _no_zone(ask, pointer, zone, body, inner, far)
        return None
    edges = ("time_to_clear", "distance", "inner_edge", "half_width")
    _width(ask, zone, body, half)
    return ZoneNeed(
        id=zone,
        kind="activation",
        side=side,
        label=f"{traveller.name} from the {side} side",
        region=_slanted(side, half, inner, far, traveller.approach_deg),
        body=body,
        states=(0.0,),
        derivations=tuple(f"{zone}/{edge}" for edge in edges),
        subject=pointer,
        velocities_m_per_s=(_velocity(side, traveller),),
        stays_open_s=(to_clear + hold, hold),
    )


def _velocity(side: str, traveller: Traveller) -> tuple[float, float]:
    """Velocity in plan of a traveller on its course to the door. [m/s]"""
    inwards, course = -outwards(side), radians(traveller.approach_deg)
    speed = traveller.speed_m_per_s
    return -inwards * speed * sin(course), inwards * speed * cos(course)


def _no_zone(ask: Ask, pointer: str, zone: str, body: TestBody, inner: float, far: float) -> None:
    if ask.half_width_m(body) <= 0.0:
        width = ask.door.opening.width_m
        ask.remark(
            "body_wider_than_opening",
            pointer,
            zone=zone,
            body=body.name,
            body_width_m=body.width_m,
            opening_width_m=width,
        )
    else:
        ask.remark("zone_without_depth", pointer, zone=zone, distance_m=far, inner_m=inner)


def _slanted(side: str, half: float, inner: float, far: float, approach_deg: float) -> Region:
    """Parallelogram that follows the course: one comes from (x + out tan, -out) near, (x - out tan, out) far."""
    out, lean = outwards(side), -outwards(side) * tan(radians(approach_deg))
    if approach_deg == 0.0:
        return Region.box(-half, half, *sorted((out * inner, out * far)))
    corners = [(-half, inner), (half, inner), (half, far), (-half, far)]
    return Region.ring([(x + lean * at, out * at) for x, at in corners])


def _inner(ask: Ask, body: TestBody, zone: str, side: str) -> float:
    """Where the body no longer touches the leaf, or where the set lets the zone begin, whichever is farther."""
    (face, leaf), result = ask.face(side), ask.touch_m(body, side)
    formula, inputs = f"{face} + body depth / 2", [*leaf, given("body_depth", body.depth_m, "m", f"body {body.name}")]
    if ask.rule.given("activation_inner_m"):
        inputs.append(ask.rule.input("activation_inner_m"))
        formula += f", at least {face} + activation_inner_m - body depth / 2"
        result = max(result, ask.face_m(side) + ask.rule.value("activation_inner_m") - body.depth_m / 2.0)
    note = "Nearer than this the body stands in the leaf's line, which belongs to protection."
    ask.derive(f"{zone}/inner_edge", formula, inputs, result, note=note)
    return result


def _width(ask: Ask, zone: str, body: TestBody, half: float) -> None:
    inputs = [
        given("opening_width", ask.door.opening.width_m, "m", "/door/opening/width_m"),
        given("body_width", body.width_m, "m", f"body {body.name}"),
    ]
    note = "The body lies inside the opening's width; a slanted course carries the whole width sideways."
    ask.derive(f"{zone}/half_width", "opening width / 2 - body width / 2", inputs, half, note=note)


def _time_to_clear(ask: Ask, pointer: str, traveller: Traveller, zone: str) -> float:
    door = ask.door
    open_width = motion.clear_width_m(door, door.motion.partial_opening)
    slanted = traveller.width_m / cos(radians(traveller.approach_deg))
    # One who would not fit through askew turns in, and needs the whole opening for it.
    width = slanted if traveller.width_m > open_width else min(slanted, open_width)
    seconds = motion.time_to_clear(door, traveller.clear_height_m, width)
    if not isfinite(seconds):
        seconds = motion.opening_profile(door).duration
        ask.remark(
            "does_not_fit",
            pointer,
            zone=zone,
            traveller=traveller.name,
            need_height_m=traveller.clear_height_m,
            need_width_m=traveller.width_m,
            open_height_m=motion.clear_height_m(door, door.motion.partial_opening),
            open_width_m=open_width,
        )
    inputs = [
        given("clear_height", traveller.clear_height_m, "m", f"{pointer}/clear_height_m"),
        given("clear_width", width, "m", f"{pointer}/width_m"),
        given("travel", motion.travel_m(door), "m", "/door/opening"),
        given("move", motion.kind(door), "", "/door/motion/opening"),
    ]
    formula = "time of the opening move until the leaf leaves the clear height and width"
    note = "Ramps of constant acceleration. The clear width is the traveller's width over the cosine of its course."
    ask.derive(f"{zone}/time_to_clear", formula, inputs, seconds, unit="s", source="kinematics", note=note)
    return seconds


def _distance(ask: Ask, pointer: str, traveller: Traveller, zone: str, side: str, clear: float) -> float:
    response = ask.response("activation", side)
    margin, delay = ask.rule.value("activation_margin_m"), ask.door.motion.control_delay_s
    inputs = [
        given("speed", traveller.speed_m_per_s, "m/s", f"{pointer}/speed_m_per_s"),
        response,
        given("control_delay", delay, "s", "/door/motion/control_delay_s"),
        given("time_to_clear", clear, "s", f"{zone}/time_to_clear"),
        given("front_overhang", traveller.front_overhang_m, "m", f"{pointer}/front_overhang_m"),
        ask.rule.input("activation_margin_m"),
    ]

    if sweep := motion.sweep_depth_m(ask.door, side):
        inputs.append(given("sweep_depth", sweep, "m", "/door/motion/angle_deg"))

    def at(speed: float) -> float:
        return activation_distance_m(
            speed_m_per_s=speed,
            response_s=float(response.value),
            control_delay_s=delay,
            time_to_clear_s=clear,
            ahead_m=traveller.front_overhang_m + margin + sweep,
        )

    far, slower = at(traveller.speed_m_per_s), 0.75 * traveller.speed_m_per_s
    change = (
        f"{far:.2f} m because {traveller.name} comes at {traveller.speed_m_per_s:.2f} m/s; "
        f"at {slower:.2f} m/s it would be {at(slower):.2f} m."
    )
    return _at_least(ask, zone, side, inputs, far, change)


def _at_least(ask: Ask, zone: str, side: str, inputs: list[DerivationInput], far: float, change: str) -> float:
    """The larger of the kinematic distance and the set's least depth, both in the derivation."""
    formula = "speed x (sensor_response + control_delay + time_to_clear) + front_overhang + activation_margin_m"
    if inputs[-1].name == "sweep_depth":
        formula += " + sweep_depth, as the leaf comes towards the traveller"
    note = "Measured square to the leaf plane: along a slanted course the way is longer, which is on the safe side."
    status = ask.rule.source("activation_margin_m")[1]
    result = far
    if ask.rule.given("activation_depth_m"):
        least = ask.face_m(side) + ask.rule.value("activation_depth_m")
        inputs = [*inputs, ask.rule.input("activation_depth_m")]
        formula += f"; at least {ask.face(side)[0]} + activation_depth_m"
        if least > far:
            result, status = least, ask.rule.source("activation_depth_m")[1]
            change = f"{least:.2f} m because the rule set asks for it; by the motion alone it would be {far:.2f} m."
    ask.derive(
        f"{zone}/distance", formula, inputs, result, source="kinematics of traveller and leaf", status=status,
        note=note, change=change,
    )  # fmt: skip
    return result

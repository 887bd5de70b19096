"""Checks beside the zones: hold-open, stopping and reversal, last part of closing, response, low-energy times."""

from collections.abc import Sequence
from math import degrees, floor, radians, sqrt
from typing import Any

from sillcast import motion
from sillcast.contract import DerivationInput, Sliding, Swing, VerticalLift
from sillcast.kernel import TestBody
from sillcast.needs.bodies import catalogue
from sillcast.needs.zones import SIDES, Ask, ZoneNeed, given
from sillcast.physics.approach import GRAVITY_M_PER_S2

__all__ = ["check_timing"]

_INCH_M, _POUND_KG = 0.0254, 0.45359237
_ROUNDING_M = 1e-6  # corners of regions lie on a grid of 1e-8 m
_LATCH = "Closing from 10 deg"
_ROUNDING_S = 1e-6  # near standstill rounding of the place by 1e-16 changes the time by 1e-8 s


def check_timing(ask: Ask, zones: Sequence[ZoneNeed]) -> None:
    """Write the remarks and derivations on times into the ledger; zones are those that the door requires."""
    sides = _protected_sides(ask, zones)
    _ramps(ask)
    _hold_open(ask)
    _stopping(ask, sides)
    _response(ask, sides)
    _slow_travellers(ask)
    if isinstance(ask.door.motion, VerticalLift):
        _free_fall(ask)
    if isinstance(ask.door.motion, Swing) and "swing_divisor" in ask.rule:
        _low_energy(ask)


def _ramps(ask: Ask) -> None:
    for name, profile in (("opening", motion.opening_profile(ask.door)), ("closing", motion.closing_profile(ask.door))):
        if profile.sharpened:
            phase = getattr(ask.door.motion, name)
            k = 1.0 / phase.acceleration_m_per_s2 + 1.0 / phase.deceleration_m_per_s2
            least = sqrt(2.0 * k * profile.distance)
            ask.remark("ramps_sharpened", f"/door/motion/{name}", move=name, time_s=phase.time_s, least_s=least)


def _hold_open(ask: Ask) -> None:
    hold = ask.door.motion.hold_open_s
    if ask.rule.given("hold_open_least_s"):
        least, name = ask.limit("hold_open_least_s")
        if hold < least:
            ask.remark("hold_open_under_least", "/door/motion/hold_open_s", derivation=name, hold_s=hold, least_s=least)
    if not ask.rule.given("walking_speed_slow_m_per_s"):
        return
    slow = ask.rule.input("walking_speed_slow_m_per_s")
    inputs, speed = [slow], float(slow.value)
    for i, traveller in enumerate(ask.traffic):
        if traveller.passes == "through" and traveller.speed_m_per_s < speed:
            speed = traveller.speed_m_per_s
            inputs = [given("speed", speed, "m/s", f"/traffic/{i}/speed_m_per_s")]
    if speed <= 0.0:
        return
    way, formula, passed = _way_through(ask)
    inputs += passed
    crossing = way / speed
    source, status = ask.rule.source("walking_speed_slow_m_per_s")
    name = ask.derive(
        "door/crossing_time", f"({formula}) / slowest speed", inputs, crossing, unit="s", source=source, status=status,
        change=f"{crossing:.2f} s at {speed:.2f} m/s; at {1.5 * speed:.2f} m/s it would be {crossing / 1.5:.2f} s.",
    )  # fmt: skip
    if hold < crossing:
        values: dict[str, Any] = {"hold_s": hold, "speed_m_per_s": speed, "crossing_s": crossing, "way_m": way}
        ask.remark("hold_open_short", "/door/motion/hold_open_s", derivation=name, **values)


def _way_through(ask: Ask) -> tuple[float, str, list[DerivationInput]]:
    """Way on which the closing leaf can meet who walks through, with its sweep, its formula and inputs. [m]"""
    wall, near, far = ask.door.wall, *(ask.face_m(side) for side in SIDES)
    sweeps = [motion.sweep_depth_m(ask.door, side) for side in SIDES]
    way = max(-wall.near_face_y_m, near) + max(wall.far_face_y_m, far)
    formula, inputs = "wall and leaf", [given("wall_and_leaf", way, "m", "/door/wall")]
    swept = max(-wall.near_face_y_m, near + sweeps[0]) + max(wall.far_face_y_m, far + sweeps[1])
    if swept > way:
        formula += " + sweep beyond them"
        inputs.append(given("sweep_beyond", swept - way, "m", "/door/motion"))
    if ask.rule.given("strip_depth_m"):
        swept += 2.0 * ask.rule.value("strip_depth_m")
        formula += " + 2 x strip_depth_m"
        inputs.append(ask.rule.input("strip_depth_m"))
    return swept, formula, inputs


def _stopping(ask: Ask, sides: Sequence[str]) -> None:
    door, closing = ask.door, motion.closing_profile(ask.door)
    turned = motion.reversal(door, _state_of_peak(ask))
    stopping = given("stopping_time", door.motion.stopping_time_s, "s", "/door/motion/stopping_time_s")
    peak = given("closing_speed", closing.peak_speed, "m/s", "/door/motion/closing")
    overrun = turned.stop.most_overrun_m
    less = overrun / 2.0
    name = ask.derive(
        "door/overrun", "closing_speed x stopping_time", [peak, stopping], overrun, source="kinematics",
        note="As if the leaf kept its speed until the last moment; by the stated ramp it would be "
        f"{turned.stop.overrun_m:.2f} m.",
        change=f"At half the closing speed it would be {less:.2f} m.",
    )  # fmt: skip
    _reopened(ask, overrun, name)
    slowest = max(sides, key=lambda side: float(ask.response("protection", side).value))
    _room_to_stop(ask, closing.peak_speed, slowest)
    _last_part(ask, slowest)


def _reopened(ask: Ask, overrun: float, name: str) -> None:
    """What follows a protection signal: the overrun at full speed, and the longest time until it is open again."""
    opening = motion.opening_profile(ask.door).duration
    reopened = ask.door.motion.stopping_time_s + opening
    inputs = [
        given("stopping_time", ask.door.motion.stopping_time_s, "s", "/door/motion/stopping_time_s"),
        given("opening_time", opening, "s", "/door/motion/opening"),
    ]
    note = "From shut: nearly closed, the leaf runs shut before it stands. A signal that comes earlier takes less."
    ask.derive(
        "door/reopening_time",
        "stopping_time + opening_time",
        inputs,
        reopened,
        unit="s",
        source="kinematics",
        note=note,
    )
    state = motion.runs_shut_from(ask.door)
    ask.remark("reversal", "/door/motion", derivation=name, overrun_m=overrun, reopened_s=reopened, state=state)


def _state_of_peak(ask: Ask) -> float:
    """State at which the closing leaf first has its greatest speed."""
    closing = motion.closing_profile(ask.door)
    i = closing.speeds.index(closing.peak_speed)
    return max(ask.door.motion.partial_opening - closing.positions[i] / motion.travel_m(ask.door), 0.0)


def _protected_sides(ask: Ask, zones: Sequence[ZoneNeed]) -> list[str]:
    """Sides whose protection must answer: those of the zones; for one in the leaf plane, those that have a sensor."""
    watched = {side for side in SIDES if ("protection", side) in ask.responses}
    sides: set[str] = set()
    for zone in zones:
        if zone.kind == "protection":
            sides |= (watched or {zone.side}) if _is_in_leaf_plane(zone) else {zone.side}
    return [side for side in SIDES if side in sides] or list(SIDES)


def _is_in_leaf_plane(zone: ZoneNeed) -> bool:
    """True if it reaches as far to the one side as to the other."""
    return not zone.region.is_empty and abs(zone.region.bounds[1] + zone.region.bounds[3]) < _ROUNDING_M


def _answer(ask: Ask, side: str) -> dict[str, Any]:
    """Response of a side's protection [s] for a remark, with where it comes from and how it could be shorter."""
    seconds = float(ask.response("protection", side).value)
    if ("protection", side) in ask.responses:
        reckoned, faster = f"of the slowest sensor for protection on the {side} side", "take a faster sensor"
    else:
        reckoned = f"assumed, as no sensor on the {side} side serves protection"
        faster = f"put the sensor of the {side} side on the plan"
    return {
        "response_s": seconds,
        "reckoned": f"Reckoned with a response of {seconds:.3f} s, {reckoned}.",
        "faster": faster,
    }


def _room_to_stop(ask: Ask, speed: float, side: str) -> None:
    """Clear height (lift) or width (sliding) that must still be left when a body comes under or between."""
    door, body = ask.door, ask.bodies.get(ask.rule.set.body)
    if body is None or not isinstance(door.motion, VerticalLift | Sliding):
        return
    size, axis, leaves, opened = _room(ask, body)
    response, stopping = ask.response("protection", side), door.motion.stopping_time_s
    needed = size + leaves * speed * (float(response.value) + stopping)
    inputs = [
        given("body_size", size, "m", f"body {body.name}"),
        given("leaves", leaves, "1", "/door/motion"),
        given("closing_speed", speed, "m/s", "/door/motion/closing"),
        response,
        given("stopping_time", stopping, "s", "/door/motion/stopping_time_s"),
    ]
    formula = "body size + leaves x closing_speed x (sensor_response + stopping_time)"
    note = f"A body that is {axis} stays untouched if it is found while the leaf still leaves so much."
    name = ask.derive("door/room_to_stop", formula, inputs, needed, source="kinematics", note=note)
    if needed > opened:
        ask.remark(
            "cannot_stop_in_time",
            "/door/motion",
            derivation=name,
            size_m=size,
            axis=axis,
            needed_m=needed,
            open_m=opened,
            **_answer(ask, side),
        )


def _room(ask: Ask, body: TestBody) -> tuple[float, str, int, float]:
    door, share = ask.door, ask.door.motion.partial_opening
    if isinstance(door.motion, VerticalLift):
        return body.height_m, "high", 1, motion.clear_height_m(door, share)
    return body.width_m, "wide", motion.leaf_count(door), motion.clear_width_m(door, share)


def _last_part(ask: Ask, side: str) -> None:
    """Gap from which the leaf runs shut: the way it still does after a body comes, at the speed it has there.

    Where a body fits into that gap the leaf runs onto it although it is seen.
    """
    if not ask.rule.given("unprotected_gap_m"):
        return
    closing, response = motion.closing_profile(ask.door), ask.response("protection", side)
    total = float(response.value) + ask.door.motion.stopping_time_s
    # The leaf that is t before its end runs shut if t is no longer than response and stopping.
    gap = closing.distance - closing.position(max(closing.duration - total, 0.0))
    allowed = ask.rule.value("unprotected_gap_m")
    inputs = [
        response,
        given("stopping_time", ask.door.motion.stopping_time_s, "s", "/door/motion/stopping_time_s"),
        given("closing_time", closing.duration, "s", "/door/motion/closing"),
        ask.rule.input("unprotected_gap_m"),
    ]
    formula = "way that the closing move still does in its last (sensor_response + stopping_time)"
    name = ask.derive("door/runs_shut_from", formula, inputs, gap, source="kinematics")
    if gap > allowed:
        pointer = "/door/motion/closing"
        told: dict[str, Any] = {"gap_m": gap, "allowed_m": allowed, **_answer(ask, side)}
        body = catalogue()["reference_body_upright"]
        thick = min(body.width_m, body.depth_m, body.height_m)  # that this decides is common practice, no source
        if gap > thick:
            ask.remark("runs_shut_on_body", pointer, derivation=name, body_m=thick, **told)
        else:
            ask.remark("last_part_runs_shut", pointer, derivation=name, **told)


def _response(ask: Ask, sides: Sequence[str]) -> None:
    closing = motion.closing_profile(ask.door).duration
    for side in sides:
        response = float(ask.response("protection", side).value)
        if response >= closing:
            ask.remark("response_too_slow", "/door/motion/closing", closing_s=closing, side=side, **_answer(ask, side))


def _free_fall(ask: Ask) -> None:
    closing = motion.closing_profile(ask.door)
    fall = sqrt(2.0 * closing.distance / GRAVITY_M_PER_S2)
    if closing.duration < fall:
        ask.remark("closing_beats_free_fall", "/door/motion/closing", closing_s=closing.duration, fall_s=fall)


def _slow_travellers(ask: Ask) -> None:
    if not ask.rule.given("least_speed_seen_m_per_s"):
        return
    least, name = ask.limit("least_speed_seen_m_per_s")
    for i, traveller in enumerate(ask.traffic):
        if traveller.speed_m_per_s < least:
            ask.remark(
                "slower_than_seen", f"/traffic/{i}", derivation=name, traveller=traveller.name,
                speed_m_per_s=traveller.speed_m_per_s, least_m_per_s=least,
            )  # fmt: skip


def _low_energy(ask: Ask) -> None:
    """Least times of a low-energy swing leaf against the stated moves."""
    door, mass = ask.door, ask.door.leaf.mass_kg
    if mass is None:
        return
    width = motion.leaf_width_m(door)
    imperial = width / _INCH_M * sqrt(mass / _POUND_KG) / ask.rule.value("swing_divisor")
    metric = width * 1000.0 * sqrt(mass) / ask.rule.value("swing_divisor_metric")
    least = max(motion.rounded_up_to_half_s(imperial), ask.rule.value("move_least_s"))
    source, status = ask.rule.source("swing_divisor")
    inputs = [
        given("leaf_width", width, "m", "/door/opening/width_m"),
        given("mass", mass, "kg", "/door/leaf/mass_kg"),
        *(ask.rule.input(name) for name in ("swing_divisor", "move_least_s")),
    ]
    formula = "D sqrt(W) / swing_divisor (in, lb), up to the next half second, at least move_least_s"
    note = (
        "For opening to 80 deg and for closing from 90 to 10 deg. "
        f"{imperial:.3f} s before rounding; by the constant for mm and kg, which is 0.7 % stricter, {metric:.3f} s."
    )
    name = ask.derive(
        "door/least_swing_time", formula, inputs, least, unit="s", source=source, status=status, note=note
    )
    full, latch = least + ask.rule.value("full_move_added_s"), ask.rule.value("latch_least_s")
    for part, pointer, seconds, limit in _swing_parts(ask, least, full, latch):
        if seconds < limit - _ROUNDING_S:
            ask.remark(
                "swing_too_fast", pointer, derivation=name, part=part, time_s=seconds, width_m=width, mass_kg=mass,
                least_s=limit, **_slower(width, limit if part == _LATCH else None),
            )  # fmt: skip


def _slower(width: float, latch_s: float | None) -> dict[str, Any]:
    """How to make a part of a move longer, in words: the last 10 deg by creeping."""
    if latch_s is None:
        return {"slower": "Slow the move down"}
    creep = width * radians(10.0)
    speed = floor(100.0 * creep / latch_s) / 100.0
    words = f"Let the leaf creep over its last 10 deg, that is {creep:.2f} m, at {speed:.2f} m/s or slower"
    return {"slower": words, "creep_distance_m": creep, "creep_speed_m_per_s": speed}


def _swing_parts(ask: Ask, least: float, full: float, latch: float) -> list[tuple[str, str, float, float]]:
    """Parts of the moves with the time they take and their least time."""
    door, opening, closing = ask.door, motion.opening_profile(ask.door), motion.closing_profile(ask.door)
    width = motion.leaf_width_m(door)
    open_deg = degrees(opening.distance / width)

    def opened(angle: float) -> float:
        return opening.time_at(min(angle / open_deg, 1.0) * opening.distance)

    def closed(angle: float) -> float:
        return closing.time_at(min(max(open_deg - angle, 0.0) / open_deg, 1.0) * closing.distance)

    up, down = "/door/motion/opening", "/door/motion/closing"
    return [
        ("Opening to 80 deg", up, opened(80.0), least),
        ("Opening to 90 deg", up, opened(90.0), full),
        ("Closing from 90 to 10 deg", down, closed(10.0) - closed(90.0), least),
        ("Closing from 90 deg", down, closing.duration - closed(90.0), full),
        (_LATCH, down, closing.duration - closed(10.0), latch),
    ]

"""Checks beside the zones: timing, energy, forces, control, heads and beams against the leaf, muting."""

from math import dist, radians, sqrt

import msgspec
import numpy as np
import pytest

from sillcast import needs
from sillcast.contract import (
    Control,
    Door,
    Folding,
    Guides,
    Header,
    Leaf,
    Muting,
    Opening,
    Override,
    Phase,
    Rules,
    Site,
    Sliding,
    Swing,
    Traveller,
    VerticalLift,
)
from sillcast.errors import UncomputableError
from sillcast.kernel import Prism
from sillcast.motion import gaps_to
from sillcast.needs import SensorFacts
from sillcast.needs.sensors import meets

SLOW = Phase(speed_m_per_s=0.5)
QUICK = Phase(speed_m_per_s=2.0, acceleration_m_per_s2=5.0, deceleration_m_per_s2=5.0)
OPENING = Opening(width_m=3.0, height_m=3.0)
LIFT = Door(opening=OPENING, motion=VerticalLift(opening=SLOW, closing=SLOW, stopping_time_s=0.2, hold_open_s=3.0))
PERSON = Traveller(name="person", speed_m_per_s=1.2, width_m=0.6, clear_height_m=2.0)


def required(door=LIFT, name="industrial_door", traffic=(PERSON,), overrides=(), responses=None):
    rules = Rules(set=name, overrides=tuple(Override(name=n, value=v, reason="test") for n, v in overrides))
    return needs.required(door, Site(), traffic, rules, needs.catalogue(), responses or {})


def moved(door=LIFT, **more) -> Door:
    return msgspec.structs.replace(door, motion=msgspec.structs.replace(door.motion, **more))


def codes(found):
    return [f.code.removeprefix("core.") for f in found.findings]


def finding(found, key):
    return next(f for f in found.findings if f.code == f"core.{key}")


def result(found, name):
    return next(d.result for d in found.derivations if d.id == name)


# --- timing


def test_hold_open_against_the_slowest_walker() -> None:
    # Wall 0.30 m and two strips of 0.20 m at 0.92 m/s.
    assert result(required(), "door/crossing_time") == pytest.approx(0.70 / 0.92)
    assert "hold_open_short" not in codes(required())
    found = required(moved(hold_open_s=0.7))
    assert finding(found, "hold_open_short").values["crossing_s"] == pytest.approx(0.70 / 0.92)
    assert finding(found, "hold_open_short").derivation == "door/crossing_time"


def test_the_way_through_the_door_reaches_over_all_panels() -> None:
    """Rear panel 0.30 m before the leaf plane, its face 0.02 m farther; wall up to 0.15 m behind it, two strips."""
    telescopic = Sliding(opening=SLOW, closing=SLOW, panels=2, panel_pitch_m=-0.3)
    found = required(Door(opening=OPENING, motion=telescopic))
    assert result(found, "door/crossing_time") == pytest.approx((0.32 + 0.15 + 0.40) / 0.92)


@pytest.mark.parametrize(
    ("motion", "way_m"),
    [
        # Leaf of 1.1 m, its face 0.02 m from the plane, out to 1.12 m on one side; wall 0.15 m on the other, two strips.
        (Swing(opening=SLOW, closing=SLOW, opens_towards="near"), 1.12 + 0.15 + 0.40),
        (Swing(opening=SLOW, closing=SLOW, opens_towards="far"), 1.12 + 0.15 + 0.40),
        (Folding(opening=SLOW, closing=SLOW, panels=2, opens_towards="near"), 0.57 + 0.15 + 0.40),
    ],
)
def test_the_way_through_a_door_that_turns_reaches_to_the_end_of_its_sweep(motion, way_m) -> None:
    found = required(Door(opening=Opening(width_m=1.1, height_m=2.1), motion=motion))
    assert result(found, "door/crossing_time") == pytest.approx(way_m / 0.92)
    told = next(d for d in found.derivations if d.id == "door/crossing_time")
    assert told.formula == "(wall and leaf + sweep beyond them + 2 x strip_depth_m) / slowest speed"
    values = {i.name: float(i.value) for i in told.inputs}
    way = values["wall_and_leaf"] + values["sweep_beyond"] + 2.0 * values["strip_depth_m"]
    assert way == pytest.approx(way_m)


def test_a_traveller_slower_than_the_slow_walker_counts() -> None:
    creeping = msgspec.structs.replace(PERSON, name="wheelchair", speed_m_per_s=0.5)
    assert result(required(traffic=(PERSON, creeping)), "door/crossing_time") == pytest.approx(0.70 / 0.5)


def test_overrun_and_reversal() -> None:
    found = required()
    assert result(found, "door/overrun") == pytest.approx(0.5 * 0.2)
    assert finding(found, "reversal").values["overrun_m"] == pytest.approx(0.1)
    # Longest from shut: 0.2 s, then 3 m at 0.5 m/s with ramps of 1 m/s2. From 0.5 x 0.2 m the leaf runs shut, at less
    # than full speed there: v = sqrt(2 s), s = 0.2 v.
    assert finding(found, "reversal").values["reopened_s"] == pytest.approx(0.2 + 6.5)
    assert result(found, "door/reopening_time") == pytest.approx(6.7)
    assert finding(found, "reversal").values["state"] == pytest.approx(2.0 * 0.2**2 / 3.0)
    assert "6.70 s, when the signal comes at leaf state 0.03" in finding(found, "reversal").message


def test_room_to_stop_under_a_lift() -> None:
    # Body 0.70 m high, 0.5 m/s x (0.2 assumed + 0.2) s.
    assert result(required(), "door/room_to_stop") == pytest.approx(0.70 + 0.5 * 0.4)
    assert "cannot_stop_in_time" not in codes(required())
    fast = moved(closing=msgspec.structs.replace(QUICK, speed_m_per_s=5.0), stopping_time_s=2.0)
    assert finding(required(fast), "cannot_stop_in_time").severity == "critical"


def test_room_to_stop_between_two_sliding_leaves_counts_both() -> None:
    door = Door(opening=OPENING, motion=Sliding(opening=SLOW, closing=SLOW, leaves=2, stopping_time_s=0.2))
    assert result(required(door), "door/room_to_stop") == pytest.approx(0.30 + 2 * 0.5 * 0.4)


def test_slowest_response_of_both_sides_is_taken() -> None:
    known = {("protection", "near"): (0.1, "/sensors/0"), ("protection", "far"): (0.5, "/sensors/1")}
    assert result(required(responses=known), "door/room_to_stop") == pytest.approx(0.70 + 0.5 * 0.7)


RESIDENTIAL = moved(closing=Phase(time_s=14.0), stopping_time_s=0.25)


@pytest.mark.parametrize(
    ("responses", "seconds"),
    [
        ({}, 0.2),
        ({("protection", "near"): (0.015, "/sensors/0")}, 0.015),
        ({("protection", "far"): (0.015, "/sensors/0")}, 0.015),
        ({("protection", "near"): (0.015, "/sensors/0"), ("protection", "far"): (0.1, "/sensors/1")}, 0.1),
    ],
)
def test_only_sides_with_a_zone_must_answer(responses, seconds) -> None:
    """Places in the leaf plane are watched from the side that has a sensor: no response is assumed for the other."""
    found = required(RESIDENTIAL, "residential_lift_us", responses=responses)
    # 3 m in 14 s with ramps of 1 m/s2: 14 v - v^2 = 3; the last part is what it does in so long, its ramp among it.
    v, total = 7.0 - sqrt(7.0**2 - 3.0), seconds + 0.25
    assert result(found, "door/runs_shut_from") == pytest.approx(v * (total - v / 2.0))
    room = next(d for d in found.derivations if d.id == "door/room_to_stop")
    assert [i.value for i in room.inputs if i.name.startswith("sensor_response")] == [seconds]
    assert ("last_part_runs_shut" in codes(found)) is (result(found, "door/runs_shut_from") > 0.0508)


def test_a_side_with_its_own_strip_must_answer_and_an_assumed_response_is_said() -> None:
    known = {("protection", "near"): (0.02, "/sensors/0")}
    told = finding(required(responses=known), "last_part_runs_shut")
    assert told.message.endswith(
        "Reckoned with a response of 0.200 s, assumed, as no sensor on the far side serves protection."
    )
    assert told.remedy.endswith("or put the sensor of the far side on the plan.")
    both = {**known, ("protection", "far"): (0.3, "/sensors/1")}
    told = finding(required(responses=both), "last_part_runs_shut")
    assert told.message.endswith(
        "Reckoned with a response of 0.300 s, of the slowest sensor for protection on the far side."
    )
    assert told.values["response_s"] == 0.3
    assert told.remedy.endswith("or take a faster sensor.")


def test_last_part_that_runs_shut() -> None:
    # Last 0.4 s of a ramp of 1 m/s2: 0.08 m, more than the 0.05 m that may be unprotected.
    found = required()
    assert result(found, "door/runs_shut_from") == pytest.approx(0.5 * 0.4**2)
    assert "last_part_runs_shut" in codes(found)
    creeping = moved(closing=Phase(speed_m_per_s=0.5, creep_distance_m=0.3, creep_speed_m_per_s=0.1))
    assert result(required(creeping), "door/runs_shut_from") == pytest.approx(0.3 * 0.1 + 0.5 * 0.1**2)
    assert "last_part_runs_shut" not in codes(required(creeping))


def test_last_part_just_beyond_what_may_be_unprotected_is_told_in_millimetres() -> None:
    """0.2 s assumed and 0.1205 s to stop, on a ramp of 1 m/s2: 0.0514 m against 2 inches."""
    told = finding(required(moved(stopping_time_s=0.1205)), "last_part_runs_shut").message
    assert "last 0.051 m before the leaf" in told
    told = finding(required(moved(stopping_time_s=0.1225)), "last_part_runs_shut").message
    assert "in the last 0.052 m" in told
    assert "Only the last 0.050 m may be" in told


@pytest.mark.parametrize(
    ("speed", "width", "is_told"), [(5.0, 0.6, True), (5.0, 1.3, False), (8.0, 1.3, True), (2.0, 0.6, False)]
)
def test_speed_of_which_the_unit_is_doubtful(speed, width, is_told) -> None:
    fast = msgspec.structs.replace(PERSON, speed_m_per_s=speed, width_m=width)
    found = [f for f in required(traffic=(fast,)).findings if f.code == "core.traveller_fast"]
    assert [(f.severity, f.values["speed_km_per_h"]) for f in found] == ([("info", 3.6 * speed)] if is_told else [])


@pytest.mark.parametrize(("stopping_s", "severity"), [(0.3, "warning"), (2.5, "critical")])
def test_a_leaf_that_runs_shut_onto_a_body_is_critical(stopping_s, severity) -> None:
    """Way of the last (0.1 + stopping) s at 0.5 m/s with a ramp of 1 m/s2 that takes 0.5 s: 0.08 m; 1.3 - 0.125 m."""
    known = {("protection", side): (0.1, "/sensors/0") for side in ("near", "far")}
    found = required(moved(stopping_time_s=stopping_s), responses=known)
    gap = {"warning": 0.5 * 0.4**2, "critical": 0.5 * 2.6 - 0.5 * 0.5**2}[severity]
    assert result(found, "door/runs_shut_from") == pytest.approx(gap)
    told = [f for f in found.findings if f.code in ("core.last_part_runs_shut", "core.runs_shut_on_body")]
    assert [(f.severity, f.values["gap_m"]) for f in told] == [(severity, pytest.approx(gap))]


def test_response_longer_than_the_closing_move() -> None:
    known = {("protection", "far"): (60.0, "/sensors/0")}
    assert finding(required(responses=known), "response_too_slow").values["side"] == "far"
    assert "response_too_slow" not in codes(required())


def test_closing_faster_than_a_fall() -> None:
    steep = Phase(speed_m_per_s=5.0, acceleration_m_per_s2=50.0, deceleration_m_per_s2=50.0)
    found = required(moved(closing=steep))
    assert finding(found, "closing_beats_free_fall").values["fall_s"] == pytest.approx(sqrt(6.0 / 9.80665))
    assert "closing_beats_free_fall" not in codes(required())


def test_sharpened_ramps_are_told() -> None:
    found = required(moved(opening=Phase(time_s=1.0)))
    # Ramps of 1 m/s2 alone need sqrt(2 x 2 x 3) s.
    assert finding(found, "ramps_sharpened").values["least_s"] == pytest.approx(sqrt(12.0))
    assert "ramps_sharpened" not in codes(required(moved(opening=Phase(time_s=4.0))))


def test_traveller_slower_than_motion_sensors_must_see() -> None:
    door = Door(opening=OPENING, motion=Sliding(opening=SLOW, closing=SLOW))
    creeping = msgspec.structs.replace(PERSON, speed_m_per_s=0.1)
    assert "slower_than_seen" in codes(required(door, "pedestrian_door_us", (creeping,)))
    assert "slower_than_seen" not in codes(required(door, "pedestrian_door_us"))


# --- low energy, energy, forces, control

LOW = Door(
    opening=Opening(width_m=0.9144, height_m=2.1),
    motion=Swing(
        opening=Phase(time_s=6.0, acceleration_m_per_s2=2.0, deceleration_m_per_s2=2.0),
        closing=Phase(time_s=8.0, creep_distance_m=0.16, creep_speed_m_per_s=0.08),
        hold_open_s=5.0,
    ),
    leaf=Leaf(mass_kg=56.7),
)


def test_low_energy_door_within_its_times_needs_no_zone() -> None:
    found = required(LOW, "low_energy_swing")
    assert not [z for z in found.zones if z.kind == "protection"]
    assert codes(found) == ["reversal", "energy_limited"]


def test_low_energy_door_too_fast() -> None:
    found = required(moved(LOW, opening=Phase(time_s=2.0)), "low_energy_swing")
    assert [f.values["part"] for f in found.findings if f.code == "core.swing_too_fast"] == [
        "Opening to 80 deg",
        "Opening to 90 deg",
    ]
    assert {f.values["least_s"] for f in found.findings if f.code == "core.swing_too_fast"} == {3.5, 5.0}


def test_a_latch_that_is_too_fast_is_to_creep() -> None:
    """The last 10 deg of 0.9144 m are 0.16 m, to be done in 1.5 s: 0.10 m/s, which is enough."""
    whole = Phase(time_s=8.0)
    told = finding(required(moved(LOW, closing=whole), "low_energy_swing"), "swing_too_fast")
    assert told.values["part"] == "Closing from 10 deg"
    assert told.remedy.startswith("Let the leaf creep over its last 10 deg, that is 0.16 m, at 0.10 m/s or slower, or")
    creep = {"creep_distance_m": told.values["creep_distance_m"], "creep_speed_m_per_s": 0.10}
    assert "swing_too_fast" not in codes(required(moved(LOW, closing=Phase(time_s=8.0, **creep)), "low_energy_swing"))


def test_low_energy_leaf_that_opens_beyond_a_right_angle_is_timed_over_the_same_angles() -> None:
    # At a steady 60 deg/s from 120 deg, ramps of 50 m/s2 left out: 80 deg to 10 deg take 80 / 60 s.
    speed = 0.9144 * radians(60.0)
    steady = Phase(speed_m_per_s=speed, acceleration_m_per_s2=50.0, deceleration_m_per_s2=50.0)
    found = required(moved(LOW, angle_deg=120.0, closing=steady), "low_energy_swing")
    fast = {f.values["part"]: f.values["time_s"] for f in found.findings if f.code == "core.swing_too_fast"}
    assert {part: seconds for part, seconds in fast.items() if part.startswith("Closing")} == {
        "Closing from 90 to 10 deg": pytest.approx(80.0 / 60.0),
        "Closing from 90 deg": pytest.approx(90.0 / 60.0, abs=0.02),
        "Closing from 10 deg": pytest.approx(10.0 / 60.0, abs=0.02),
    }


@pytest.mark.parametrize(("seconds", "parts"), [(4.5, []), (4.498, ["Opening to 90 deg"])])
def test_a_move_of_just_the_least_time_is_no_fault(seconds, parts) -> None:
    """A leaf of 1 m and 40 kg: 3.0 s to 80 deg, 4.5 s to the end of its 90 deg, where rounding must not decide."""
    door = msgspec.structs.replace(moved(LOW, opening=Phase(time_s=seconds)), leaf=Leaf(mass_kg=40.0))
    door = msgspec.structs.replace(door, opening=Opening(width_m=1.0, height_m=2.1))
    found = [f for f in required(door, "low_energy_swing").findings if f.code == "core.swing_too_fast"]
    assert [f.values["part"] for f in found if f.subjects == ["/door/motion/opening"]] == parts
    assert all("4.498 s" in f.message for f in found if f.values["part"] in parts)


def test_low_energy_hold_and_unknown_mass() -> None:
    found = required(moved(LOW, hold_open_s=4.9), "low_energy_swing")
    assert finding(found, "hold_open_under_least").values["least_s"] == 5.0
    unknown = required(msgspec.structs.replace(LOW, leaf=Leaf()), "low_energy_swing")
    assert "energy_unknown" in codes(unknown)
    assert [z for z in unknown.zones if z.kind == "protection"]


def test_energy_over_names_the_speed_that_would_do() -> None:
    fast = moved(LOW, closing=Phase(speed_m_per_s=1.0))
    found = required(fast, "low_energy_swing")
    over = finding(found, "energy_over")
    assert over.values["energy_j"] == pytest.approx(56.7 / 6.0)
    # m v^2 / 6 = 1.69 J
    assert over.values["speed_m_per_s"] == pytest.approx(sqrt(1.69 * 6.0 / 56.7))
    assert [z for z in found.zones if z.kind == "protection"]


def test_energy_of_folding_panels_is_looked_for_along_the_move() -> None:
    door = Door(opening=OPENING, motion=Folding(opening=SLOW, closing=SLOW), leaf=Leaf(mass_kg=40.0))
    found = required(door, overrides=(), name="site_defined")
    assert "energy_over" not in codes(found)
    found = required(door, overrides=(("kinetic_energy_j", 1.0),), name="site_defined")
    # While they unfold the panels have more energy than at the folded end, where it is m v^2 / 6.
    assert finding(found, "energy_over").values["energy_j"] > 40.0 * 0.25 / 6.0


def test_forces_of_a_force_limited_door() -> None:
    limited = msgspec.structs.replace(LIFT, control=Control(kind="force_limited"))
    assert codes(required(limited)).count("force_not_measured") == 2
    over = Control(kind="force_limited", peak_force_n=401.0, residual_force_n=25.0)
    found = required(msgspec.structs.replace(LIFT, control=over))
    assert [f.values["which"] for f in found.findings if f.code == "core.force_over"] == ["peak"]
    assert finding(found, "force_over").derivation == "door/peak_force_n"
    assert "force_not_measured" not in codes(required())


def test_hold_to_run_rests_on_a_person() -> None:
    assert "hold_to_run" in codes(required(msgspec.structs.replace(LIFT, control=Control(kind="hold_to_run"))))


@pytest.mark.parametrize(
    ("level", "category", "code"),
    [("c", "2", None), ("d", "3", None), ("b", "2", "level_short"), ("c", "1", "level_short"),
     ("c", "B", "level_short"), (None, "2", "level_unknown"), ("c", None, "level_unknown")],
)  # fmt: skip
def test_level_of_the_control(level, category, code) -> None:
    control = Control(performance_level=level, category=category)
    found = [c for c in codes(required(msgspec.structs.replace(LIFT, control=control))) if c.startswith("level")]
    assert found == ([code] if code else [])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("industrial_door", "performance level c, category 2 or better."),
        ("pedestrian_door_eu", "performance level c or better."),
    ],
)
def test_level_asked_for_names_a_category_only_where_one_is_asked(name, words) -> None:
    assert finding(required(name=name), "level_unknown").message.endswith(words)


def test_set_that_is_not_for_the_motion() -> None:
    assert "set_not_for_motion" in codes(required(name="low_energy_swing"))
    assert "set_not_for_motion" not in codes(required())


def test_finger_guard_and_see_through_leaf() -> None:
    found = required(msgspec.structs.replace(LOW, leaf=Leaf(see_through=True)), "pedestrian_door_eu")
    assert {"finger_guard", "see_through_leaf"} <= set(codes(found))


# --- sensors


def sensor(name="head", purposes=("protection",), at=(0.0, -0.5, 3.2), beams=(), **more) -> SensorFacts:
    stated = {"performance_level": "c", "category": "2", "sits": "opening" if beams else "beside"} | more
    return SensorFacts(name, "/sensors/0", purposes, at, beams=beams, **stated)


def reviewed(*sensors, door=LIFT, name="industrial_door"):
    return needs.reviewed(door, Rules(set=name), sensors)


def across(height: float, y: float = 0.0):
    return ((-1.5, y, height), (1.5, y, height))


def muted(*spans, name="beam", during="closing") -> Door:
    muting = tuple(Muting(sensor=name, during=during, from_state=a, to_state=b) for a, b in spans)
    return msgspec.structs.replace(LIFT, muting=muting)


def test_head_clear_of_everything_has_no_remark() -> None:
    assert codes(reviewed(sensor())) == []


def test_head_in_the_way_of_the_leaf() -> None:
    found = reviewed(sensor(at=(0.0, 0.01, 1.5)))
    assert [(f.code, f.severity, f.subjects) for f in found.findings] == [
        ("core.head_in_leaf_path", "critical", ["/sensors/0"])
    ]
    near = reviewed(sensor(at=(0.0, -0.05, 1.5)))
    assert codes(near) == ["head_in_opening", "head_near_leaf_path"]
    values = finding(near, "head_near_leaf_path").values
    assert (values["gap_m"], values["least_m"]) == (pytest.approx(0.03), 0.05)
    assert codes(reviewed(sensor(at=(0.0, -0.08, 1.5)))) == ["head_in_opening"]


def test_flexible_leaf_needs_more_room() -> None:
    flexible = msgspec.structs.replace(LIFT, leaf=Leaf(body="flexible"))
    assert codes(reviewed(sensor(at=(0.0, -0.15, 1.5)), door=flexible)) == ["head_near_leaf_path"]
    assert codes(reviewed(sensor(at=(0.0, -0.15, 1.5)))) == []


def test_head_under_an_overhead_leaf_is_in_its_way() -> None:
    high = msgspec.structs.replace(LIFT, leaf=Leaf(stows="overhead", lift_m=0.3, stows_to="far"))
    assert codes(reviewed(sensor(at=(0.0, 1.0, 3.3), side="far"), door=high)) == ["head_in_leaf_path"]
    assert codes(reviewed(sensor(at=(0.0, 1.0, 3.3), side="far"))) == []


@pytest.mark.parametrize(
    ("at", "side", "code"),
    [
        ((0.0, 0.3, 3.2), "near", "head_on_other_side"),
        ((0.0, 0.3, 3.2), "far", None),
        ((0.0, -0.3, 3.2), "far", "head_on_other_side"),
        ((0.0, -0.3, 3.2), "near", None),
        ((1.4, -0.1, 2.0), "near", "head_in_opening"),
        ((1.4, -0.16, 2.0), "near", None),  # before the wall face
        ((1.4, 0.1, 2.0), "far", "head_in_opening"),
        ((1.5, -0.1, 2.0), "near", None),  # on the jamb
        ((1.4, -0.1, 3.0), "near", None),  # under the lintel, on it
    ],
)
def test_head_on_the_other_side_or_in_the_clear_opening(at, side, code) -> None:
    found = reviewed(sensor(at=at, side=side))
    assert [(f.code, f.severity) for f in found.findings] == ([(f"core.{code}", "warning")] if code else [])
    for elsewhere in ("opening", "floor", "leaf"):
        assert codes(reviewed(sensor(at=at, side=side, sits=elsewhere))) == []


def test_head_on_the_other_side_says_how_far() -> None:
    found = finding(reviewed(sensor(at=(0.0, 0.3, 3.2))), "head_on_other_side")
    assert (found.values["side"], found.values["beyond_m"]) == ("near", 0.3)
    assert found.subjects == ["/sensors/0/mount/side", "/sensors/0/mount/position/y_m"]


@pytest.mark.parametrize(
    ("ys", "side", "beyond"),
    [
        ((3.2, 4.8), "near", 3.2),
        ((-2.0, -0.5), "far", 0.5),
        ((3.2, 4.8), "far", None),
        ((-2.0, -0.5), "near", None),
        ((-0.1, 1.4), "near", None),  # under the leaf
    ],
)
def test_area_on_the_floor_that_is_all_on_the_other_side(ys, side, beyond) -> None:
    found = reviewed(sensor(at=(0.0, sum(ys) / 2.0, 0.0), side=side, sits="floor", floor_ys=ys)).findings
    told = [f.values["beyond_m"] for f in found if f.code == "core.head_on_other_side"]
    assert told == ([] if beyond is None else [beyond])


def test_head_before_the_rear_panel_is_on_its_own_side() -> None:
    """Over panels whose far face is 0.2 + 0.02 m behind the leaf plane; without a pitch 0.02 m."""
    for pitch, told in ((0.2, []), (-0.2, ["head_on_other_side"]), (0.0, ["head_on_other_side"])):
        telescopic = Sliding(opening=SLOW, closing=SLOW, panels=2, panel_pitch_m=pitch)
        assert codes(reviewed(sensor(at=(0.0, 0.2, 3.2)), door=Door(opening=OPENING, motion=telescopic))) == told


def test_head_on_the_leaf_rides_with_it() -> None:
    assert codes(reviewed(sensor(at=(0.0, 0.0, 1.5), carrier="leaf"))) == []


@pytest.mark.parametrize(
    ("at", "gap"),
    [
        ((0.0, -0.16, 1.5), None),
        ((0.0, -0.18, 1.5), 0.16),
        ((1.6, -0.2, 3.2), dist((1.6, -0.2, 3.2), (1.5, -0.02, 3.0))),
    ],
)
def test_head_said_to_ride_on_the_leaf_that_is_not_on_it(at, gap) -> None:
    found = reviewed(sensor(at=at, carrier="leaf"))
    assert codes(found) == ([] if gap is None else ["head_off_leaf"])
    if gap is not None:
        told = found.findings[0]
        assert (told.severity, told.values["gap_m"]) == ("critical", pytest.approx(gap))
        assert told.subjects == ["/sensors/0/mount/carrier", "/sensors/0/mount/position"]
    assert codes(reviewed(sensor(at=at, carrier="leaf", sits="leaf"))) == []


@pytest.mark.parametrize(("x", "beside"), [(5.5, None), (-16.0, 14.5), (5.51, 4.01)])
def test_head_far_beside_the_opening_is_asked_about(x, beside) -> None:
    found = reviewed(sensor(at=(x, -0.5, 3.2)))
    assert [(f.code, f.severity, f.values["beside_m"], f.values["x_m"]) for f in found.findings] == (
        [] if beside is None else [("core.head_far_beside", "warning", pytest.approx(beside), x)]
    )


def test_head_in_header_and_guide() -> None:
    parts = msgspec.structs.replace(
        LIFT,
        guides=Guides(width_m=0.2, from_y_m=-0.35, to_y_m=-0.15),
        header=Header(height_m=0.5, from_y_m=-0.7, to_y_m=-0.15),
    )
    assert codes(reviewed(sensor(at=(0.0, -0.5, 3.2)), door=parts)) == ["head_in_part"]
    assert codes(reviewed(sensor(at=(-1.6, -0.25, 2.0)), door=parts)) == ["head_in_part"]
    assert codes(reviewed(sensor(at=(-1.8, -0.25, 2.0)), door=parts)) == []


def test_mat_on_the_floor_below_the_leaf_is_not_in_its_way() -> None:
    assert codes(reviewed(sensor(at=(0.0, 0.0, 0.0), sits="floor"))) == []


def test_beam_that_the_leaf_crosses_needs_muting() -> None:
    beam = sensor("beam", beams=(across(0.3),), at=across(0.3)[0])
    found = finding(reviewed(beam), "beam_meets_leaf")
    # Lower edge below 0.3 m of 3 m: states 0 to 0.1.
    assert (found.values["from_state"], found.values["to_state"]) == (0.0, 0.1)
    assert found.severity == "critical"
    assert "beam_meets_leaf" not in codes(reviewed(beam, door=muted((0.0, 0.1))))


@pytest.mark.parametrize(
    ("height", "width", "state"), [(1.98, 0.01, 0.70893), (1.98, 0.0, 0.70714), (0.1, 0.01, 0.0375)]
)
def test_crossing_is_told_to_the_digits_shown_and_never_shorter(height, width, state) -> None:
    """The leaf of a 2.8 m lift is clear of a beam when its edge is above the beam's upper border."""
    lift = msgspec.structs.replace(LIFT, opening=Opening(width_m=3.0, height_m=2.8))
    beam = sensor("beam", beams=(across(height),), at=across(height)[0], beam_width_m=width)
    assert state == pytest.approx((height + width / 2.0) / 2.8, abs=1e-5)
    found = finding(reviewed(beam, door=lift), "beam_meets_leaf").values
    assert (found["from_state"], found["to_state"]) == (0.0, np.ceil(100.0 * state) / 100.0)

    def told(to_state):
        mute = Muting(sensor="beam", during="closing", from_state=0.0, to_state=to_state)
        return codes(reviewed(beam, door=msgspec.structs.replace(lift, muting=(mute,))))

    assert "beam_meets_leaf" in told(state - 1e-4)
    assert "beam_meets_leaf" not in told(state + 1e-4)


def test_two_mutings_that_leave_a_part_between_them_do_not_cover_it() -> None:
    beam = sensor("beam", beams=(across(0.9),), at=across(0.9)[0])  # states 0 to 0.3
    found = finding(reviewed(beam, door=muted((0.0, 0.1), (0.125, 0.4))), "beam_meets_leaf")
    assert (found.values["from_state"], found.values["to_state"]) == (0.1, 0.13)
    assert "beam_meets_leaf" not in codes(reviewed(beam, door=muted((0.0, 0.1), (0.1, 0.4))))


def test_a_thin_turning_leaf_does_not_slip_past_a_plumb_beam() -> None:
    """A leaf of 5 mm goes on by more than its thickness in a hundredth of its way."""
    swing = Door(opening=OPENING, leaf=Leaf(thickness_m=0.005), motion=Swing(opening=SLOW, closing=SLOW))
    angle = np.deg2rad(33.75)
    foot = (-1.5 + 2.5 * np.cos(angle), 2.5 * np.sin(angle))
    beam = ((*foot, 0.1), (*foot, 2.0))
    found = finding(reviewed(sensor("beam", beams=(beam,), at=beam[0], side="far"), door=swing), "beam_meets_leaf")
    assert (found.values["from_state"], found.values["to_state"]) == (0.37, 0.38)  # 0.375, 0.0006 to both sides


def test_what_lies_beyond_a_partial_opening_is_never_met() -> None:
    """A level leaf meets a beam in the last tenth of its way, to which this door never opens."""
    stows = Leaf(stows="overhead", stows_to="far", lift_m=0.0)
    beam = sensor("beam", beams=(across(3.0, 2.8),), at=across(3.0, 2.8)[0], side="far")
    whole, part = (msgspec.structs.replace(moved(partial_opening=p), leaf=stows) for p in (1.0, 0.9))
    assert codes(reviewed(beam, door=whole)) == ["beam_blocked_open"]
    assert codes(reviewed(beam, door=part)) == []


def test_beam_beside_the_leaf_needs_none() -> None:
    beside = sensor("beam", beams=(across(0.3, 0.1),), at=across(0.3, 0.1)[0])
    assert codes(reviewed(beside)) == []
    assert codes(reviewed(beside, door=muted((0.0, 0.1)))) == ["muting_without_need", "protection_muted"]


def test_muting_longer_than_needed_and_without_other_protection() -> None:
    beam = sensor("beam", beams=(across(0.3),), at=across(0.3)[0])
    assert codes(reviewed(beam, door=muted((0.0, 0.5)))) == ["muting_wide", "protection_muted"]
    other = sensor("head")
    assert codes(reviewed(beam, other, door=muted((0.0, 0.5)))) == ["muting_wide"]
    # The leaf crosses the beam at 0.3 m up to a state of 0.1; a tenth of the travel more is let pass.
    assert codes(reviewed(beam, other, door=muted((0.0, 0.20)))) == []
    assert codes(reviewed(beam, other, door=muted((0.0, 0.21)))) == ["muting_wide"]


def test_all_protection_may_be_off_in_the_last_part_of_closing() -> None:
    # 2 in of 3 m of travel, 16 CFR 1211.12(a): up to a state of 0.017.
    head = sensor("head")
    assert codes(reviewed(head, door=muted((0.0, 0.015), name="head"), name="residential_lift_us")) == []
    found = reviewed(head, door=muted((0.0, 0.105), name="head"), name="residential_lift_us")
    values = finding(found, "protection_muted").values
    assert (values["from_state"], values["to_state"], values["allowed_m"]) == (0.0508 / 3.0, 0.105, 0.0508)


def test_a_door_that_opens_no_farther_than_may_be_unprotected_is_never_dark() -> None:
    """2 in may be unprotected; this door opens 0.05 m."""
    low = msgspec.structs.replace(muted((0.0, 1.0), name="head"), opening=Opening(width_m=3.0, height_m=1.0))
    low = msgspec.structs.replace(low, motion=msgspec.structs.replace(low.motion, partial_opening=0.05))
    found = reviewed(sensor("head", at=(0.0, -0.5, 1.2)), door=low, name="residential_lift_us")
    assert "protection_muted" not in codes(found)


def test_height_of_a_slanted_beam_is_that_of_its_higher_end() -> None:
    slanted = ((-1.5, -0.1, 0.10), (1.5, -0.1, 0.20))
    found = reviewed(sensor("beam", beams=(slanted,), at=slanted[0]), name="residential_lift_us")
    assert finding(found, "beam_too_high").values["height_m"] == 0.20


@pytest.mark.parametrize(("partial", "code"), [(1.0, "beam_meets_leaf"), (0.5, "beam_blocked_for_good")])
def test_beam_that_the_partly_open_leaf_still_blocks(partial, code) -> None:
    beam = sensor("beam", beams=(across(1.6),), at=across(1.6)[0])
    assert codes(reviewed(beam, door=moved(partial_opening=partial))) == [code]


def test_activation_beam_needs_muting_both_ways() -> None:
    beam = sensor("beam", ("activation",), beams=(across(0.3),), at=across(0.3)[0])
    both = [f.values["during"] for f in reviewed(beam).findings]
    assert both == ["closing", "opening"]


def test_beam_blocked_for_good_by_the_wall() -> None:
    through = ((-1.7, 0.05, 1.0), (1.49, 0.05, 1.0))
    found = finding(reviewed(sensor("beam", beams=(through,), at=through[0])), "beam_blocked_for_good")
    assert found.values["part"] == "left wall"


def test_beam_blocked_by_the_open_leaf() -> None:
    swing = Door(opening=OPENING, motion=Swing(opening=SLOW, closing=SLOW))
    beam = ((-1.8, 1.0, 1.0), (1.8, 1.0, 1.0))
    assert "beam_blocked_open" in codes(reviewed(sensor("beam", beams=(beam,), at=beam[0]), door=swing))


def test_muting_of_a_sensor_that_is_not_there() -> None:
    with pytest.raises(UncomputableError) as caught:
        reviewed(sensor("head"), door=muted((0.0, 0.1)))
    assert [(f.pointer, f.code, f.seen) for f in caught.value.faults] == [
        ("/door/muting/0/sensor", "unknown_sensor", '"beam"')
    ]


def test_stated_levels_of_devices() -> None:
    assert codes(reviewed(sensor(performance_level="b"))) == ["level_short"]
    assert codes(reviewed(sensor(performance_level=None))) == ["level_unknown"]
    assert codes(reviewed(sensor(purposes=("activation",), performance_level=None))) == []


def test_beam_and_prism_against_sampling() -> None:
    """Points along the beam, an independent method: hits agree wherever the samples are not on the border."""
    rng = np.random.default_rng(7)
    ring = np.array([[0.0, 0.0], [1.0, 0.2], [0.8, 0.9], [0.1, 0.7]])
    prism = Prism("p", ring, 0.2, 0.9)
    hits = 0
    for _ in range(300):
        start, end = rng.uniform(-0.5, 1.5, (2, 3))
        at = [tuple(start + t * (end - start)) for t in np.linspace(0.0, 1.0, 400)]
        sampled = any(gaps_to([prism], p)[0] < 0.0 for p in at)
        found = meets(prism, tuple(start), tuple(end))
        hits += found
        assert found or not sampled
        if found and not sampled:  # a cut shorter than a step
            assert min(gaps_to([prism], p)[0] for p in at) < 0.02
    assert 40 < hits < 260

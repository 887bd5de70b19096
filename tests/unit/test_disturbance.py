"""Sensors that disturb each other, and moving things in their fields; each finding has a twin without it."""

from typing import Any

import msgspec
import numpy as np
import pytest

from sillcast import motion
from sillcast.contract import Counterpart, Door, Filters, Mount, Position, SensorBase, Site
from sillcast.disturbance import DISTURBANCES, disturbances
from sillcast.kernel import Floors, Surroundings
from sillcast.sensing import Sensing, obstacle_prisms, place, scene_of
from sillcast_families.induction_loop import InductionLoop, InductionLoopFamily
from sillcast_families.laser_scan import LaserScan, LaserScanFamily
from sillcast_families.microwave import Microwave, MicrowaveFamily
from sillcast_families.photobeam import Photobeam, PhotobeamFamily
from sillcast_families.pressure_mat import PressureMat, PressureMatFamily
from sillcast_families.ultrasonic import Ultrasonic, UltrasonicFamily

DOOR = msgspec.convert(
    {
        "opening": {"width_m": 4.0, "height_m": 4.0},
        "motion": {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"speed_m_per_s": 0.5}},
    },
    Door,
)


class LightBeamFamily(PhotobeamFamily):
    """Beam that says what it emits."""

    emits = frozenset({"infrared"})
    sensitive_to = frozenset({"infrared"})


class Sensor(SensorBase, frozen=True, kw_only=True):
    """A sensor of a request."""

    device: Any


FAMILIES = {
    Microwave: MicrowaveFamily(),
    Ultrasonic: UltrasonicFamily(),
    InductionLoop: InductionLoopFamily(),
    LaserScan: LaserScanFamily(),
    Photobeam: LightBeamFamily(),
    PressureMat: PressureMatFamily(),
}


def sensor(
    name, device, *, x=0.0, y=-0.3, z=3.0, side="near", tilt=0.0, yaw=0.0, roll=0.0, end=None, serves=("activation",)
):
    return Sensor(
        name=name,
        purposes=serves,
        mount=Mount(side=side, position=Position(x_m=x, y_m=y, z_m=z), tilt_deg=tilt, yaw_deg=yaw, roll_deg=roll),
        counterpart=end and Counterpart(position=Position(x_m=end[0], y_m=end[1], z_m=end[2])),
        device=device,
    )


def found(*sensors, obstacles=(), door=DOOR):
    site = msgspec.convert({"obstacles": list(obstacles)}, Site)
    floors = Floors()
    placed = []
    for i, one in enumerate(sensors):
        family = FAMILIES[type(one.device)]
        placed.append(place(one, i, family, "test", scene_of(one, i, door, site, floors)))
    fixed = Surroundings(floors, (*motion.door_prisms(door), *obstacle_prisms(site)))
    sensing = Sensing(placed, fixed, lambda state: motion.leaf_prisms(door, state), (-9, 9, -9, 9), 2.0)
    return disturbances(placed, sensing)


def keys(*sensors, leaf=False, **how):
    """Keys of the remarks; those on the leaf, which wide lobes see from far, only if asked for."""
    return [k for f in found(*sensors, **how) if (k := f.code.removeprefix("core.")) != "sees_leaf" or leaf]


PLAIN = Microwave()


def facing(first=PLAIN, second=PLAIN, *, tilt=80.0, apart=6.0):
    """Two heads of one side that look at each other along the wall, 2 m out and clear of the leaf."""
    return (
        sensor("left", first, x=-apart / 2, y=-3.0, tilt=tilt, yaw=90.0),
        sensor("right", second, x=apart / 2, y=-3.0, tilt=tilt, yaw=-90.0),
    )


def test_microwaves_that_face_each_other_on_one_frequency():
    remarks = found(*facing())
    assert [r.code for r in remarks][:1] == ["core.microwave_facing"]
    values = remarks[0].values
    assert values["distance_m"] == pytest.approx(6.0)
    assert values["first_off_deg"] == pytest.approx(10.0)  # tilt 80: the axis dips 10 deg below the level line
    assert values["turn_deg"] == pytest.approx(36.0 - 10.0)  # edge at twice the half-power depth of 36 deg, halved
    assert remarks[0].subjects == ["/sensors/0", "/sensors/1"]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (Microwave(frequency_ghz=24.1), Microwave(frequency_ghz=24.16)),  # 60 MHz, more than 25 + 25
        (Microwave(takes_turns=True), Microwave(takes_turns=True)),
    ],
)
def test_frequencies_apart_or_time_slots_settle_it(first, second):
    assert keys(*facing(first, second)) == []
    assert keys(*facing(Microwave(frequency_ghz=24.1), Microwave(frequency_ghz=24.14))) == ["microwave_facing"]


def test_turning_by_the_angle_of_the_remedy_settles_it():
    turn = found(*facing())[0].values["turn_deg"]
    assert "microwave_facing" not in keys(*facing(tilt=80.0 - turn - 0.5))
    assert "microwave_facing" in keys(*facing(tilt=80.0 - turn + 0.5))


def test_wall_between_two_microwaves():
    wall = {"name": "partition", "ring_m": [[-0.1, -5], [0.1, -5], [0.1, -1], [-0.1, -1]], "top_m": 4.0}
    assert keys(*facing(), obstacles=[wall]) == []


def test_microwaves_that_light_one_place():
    a = sensor("left", Microwave(), x=-0.6, y=-1.0, tilt=25.0)
    b = sensor("right", Microwave(), x=0.6, y=-1.0, tilt=25.0)
    far = sensor("far away", Microwave(), x=9.0, y=-1.0, tilt=25.0)
    assert "microwave_shared" in keys(a, b)
    assert "microwave_shared" not in keys(a, far)
    assert "microwave_shared" not in keys(
        a, sensor("other band", Microwave(frequency_ghz=10.525), x=0.6, y=-1.0, tilt=25.0)
    )


def test_ultrasound_in_one_volume_and_in_turn():
    a, b = (sensor(n, Ultrasonic(), x=x, y=-1.0) for n, x in (("a", -0.5), ("b", 0.5)))
    remark = found(a, b)[0]
    assert remark.code == "core.ultrasound_shared"
    # two times 5 m at 331.3 m/s (0 deg C, ISO 9613-1 reference speed): 30.2 ms
    assert remark.values["turn_s"] == pytest.approx(0.0302, abs=0.0001)
    turns = [sensor(n, Ultrasonic(takes_turns=True), x=x, y=-1.0) for n, x in (("a", -0.5), ("b", 0.5))]
    assert keys(*turns) == []
    assert keys(a, sensor("far away", Ultrasonic(), x=9.0, y=-1.0)) == []


def test_beam_into_the_receiver_of_another():
    """Two beams one above the other, same way: transmitter and receiver 0.1 m apart over 4 m, 1.4 deg off."""
    low = sensor("low", Photobeam(), x=-2.0, z=0.3, end=(2.0, -0.3, 0.3))
    high = sensor("high", Photobeam(), x=-2.0, z=0.4, end=(2.0, -0.3, 0.4))
    remarks = found(low, high)
    assert [r.code for r in remarks] == ["core.light_into"]  # one for the pair
    assert remarks[0].message.startswith("Light of low meets high, and the other way round, from")
    assert remarks[0].values["off_deg"] == pytest.approx(np.degrees(np.arctan(0.1 / 4.0)), abs=1e-6)
    opposite = sensor("high", Photobeam(), x=2.0, z=0.4, end=(-2.0, -0.3, 0.4))
    assert keys(low, opposite) == []
    apart = sensor("high", Photobeam(), x=-2.0, z=0.8, end=(2.0, -0.3, 0.8))
    assert keys(low, apart) == []


def test_light_that_goes_one_way_is_told_so():
    """The short beam's light, good for 5 m, does not come to the other receiver, 6 m away."""
    short = sensor("short", Photobeam(range_m=5.0), x=-2.0, z=0.3, end=(2.0, -0.3, 0.3))
    other = sensor("other", Photobeam(), x=-2.0, z=0.35, end=(4.0, -0.3, 0.35))
    (remark,) = found(short, other)
    assert remark.message.startswith("Light of other meets short from")


def test_loops_beside_each_other():
    a = sensor("a", InductionLoop(), y=-3.0, z=0.0)
    near = {"x": 2.5, "y": -3.0, "z": 0.0}
    remarks = found(a, sensor("b", InductionLoop(), **near))
    assert [r.code for r in remarks] == ["core.loops_near"]
    assert remarks[0].values["distance_m"] == pytest.approx(0.5)
    assert keys(a, sensor("b", InductionLoop(frequency_khz=62.0), **near)) == []
    assert keys(a, sensor("b", InductionLoop(), x=3.1, y=-3.0, z=0.0)) == []


def gate(material, x=1.4):
    ring = [[x, -4], [x + 0.1, -4], [x + 0.1, -2], [x, -2]]
    return {"name": "gate", "material": material, "moves": True, "top_m": 2.0, "ring_m": ring}


def test_loop_beside_a_gate_of_metal():
    loop = sensor("loop", InductionLoop(), y=-3.0, z=0.0)
    assert keys(loop, obstacles=[gate("metal")]) == ["metal_moves"]
    assert keys(loop, obstacles=[gate("plastic")]) == []
    assert keys(loop, obstacles=[gate("metal", x=2.2)]) == []


def test_thing_that_moves_in_a_field():
    head = sensor("head", Microwave(), y=-1.0, tilt=40.0)
    remark = next(r for r in found(head, obstacles=[gate("solid", x=0.2)]) if r.code == "core.moving_thing")
    assert remark.subjects == ["/sensors/0", "/site/obstacles/0"]
    assert "moving_thing" not in keys(head, obstacles=[gate("solid", x=0.2) | {"moves": False}])
    assert "moving_thing" not in keys(head, obstacles=[gate("solid", x=8.0)])


def test_motion_sensor_that_sees_the_leaf_and_one_turned_away():
    toward = sensor("head", Microwave(), y=-2.0, z=3.0, tilt=-30.0)
    away = sensor("head", Microwave(depth_deg=20.0, filters=Filters()), y=-2.0, z=3.0, tilt=40.0)
    remark = next(r for r in found(toward) if r.code == "core.sees_leaf")
    assert remark.values["opening_s"] == pytest.approx(5.0)  # 4 m at 1 m/s with ramps of 1 m/s2: 4 + 1 s
    assert remark.values["turn_deg"] > 20.0
    assert keys(away, leaf=True) == []


def leaf_remark(*sensors, door=DOOR):
    return next(f for f in found(*sensors, door=door) if f.code in ("core.sees_leaf", "core.leaf_no_cover"))


@pytest.mark.parametrize("side", ["near", "far"])
def test_tilting_by_the_angle_of_the_remedy_settles_it(side):
    def head(tilt):
        y = -2.0 if side == "near" else 2.0
        return sensor("head", Microwave(depth_deg=20.0), x=0.5, y=y, side=side, tilt=tilt, yaw=20.0)

    remark = leaf_remark(head(-20.0))
    turn = remark.values["turn_deg"]
    assert remark.remedy.startswith(f"Tilt head out by {turn:.0f} deg more, or leave its signal out")
    assert keys(head(-20.0 + turn), leaf=True) == []
    assert keys(head(-20.0 + turn - 1.0), leaf=True) == ["sees_leaf"]


def test_where_no_tilt_helps_no_angle_is_told():
    swing = {"kind": "swing", "hinge": "left", "opens_towards": "near", "opening": {"time_s": 4.0}}
    door = msgspec.convert(
        {"opening": {"width_m": 1.1, "height_m": 2.1}, "motion": {**swing, "closing": {"time_s": 5.0}}}, Door
    )
    remark = leaf_remark(sensor("head", Microwave(), y=-0.3, z=2.3, tilt=30.0), door=door)
    assert remark.remedy.startswith("No tilt keeps head off the leaf: leave its signal out while the leaf moves")
    assert remark.values["turn_deg"] == 0.0


def test_nobody_is_told_to_leave_a_protection_signal_out():
    remark = leaf_remark(sensor("sonar", Ultrasonic(), serves=("protection",)))
    assert remark.code == "core.leaf_no_cover"
    assert "or leave its signal out" not in remark.remedy
    assert "Tilt sonar" not in remark.remedy  # where it hears nothing of the leaf it hears nobody beside it either
    assert "take the protection away" in remark.remedy
    assert leaf_remark(sensor("sonar", Ultrasonic())).code == "core.sees_leaf"


def test_head_tilted_at_the_door_is_told_by_its_sign():
    scan = msgspec.convert({**LaserScanFamily.example, "family": "laser_scan"}, LaserScan)
    assert keys(sensor("head", scan, x=-1.9, z=4.2)) == []
    for side, y in (("near", -0.3), ("far", 0.3)):
        head = sensor("head", scan, x=-1.9, y=y, side=side, z=4.2, tilt=-25.0)
        remark = next(f for f in found(head) if f.code == "core.looks_in")
        assert 0.4 * remark.values["of"] < remark.values["rays"] < remark.values["of"]
    assert "looks_in" not in keys(sensor("head", scan, x=-1.9, z=4.2, tilt=-25.0, serves=("protection",)))


@pytest.mark.parametrize(
    ("turned", "angle"),
    [
        ({"tilt": -42.0}, "mount.tilt_deg"),
        ({"tilt": 40.0, "yaw": 180.0}, "mount.yaw_deg"),
        ({"tilt": 40.0, "roll": 180.0}, "mount.roll_deg"),
        ({"tilt": 40.0}, None),
        ({"tilt": -40.0, "yaw": 180.0}, None),
        ({"tilt": -2.0}, None),  # its axis ends on the floor before the door
    ],
)
@pytest.mark.parametrize("side", ["near", "far"])
@pytest.mark.parametrize("device", [Microwave(range_m=6.0), Ultrasonic(range_m=6.0)])
def test_lobe_whose_axis_points_at_the_door(device, side, turned, angle):
    head = sensor("head", device, y=-0.3 if side == "near" else 0.3, side=side, **turned)
    remarks = {f.code: f for f in found(head)}
    if angle is None:
        assert "core.looks_in" not in remarks
        return
    told = remarks["core.looks_in"]
    assert told.message.startswith("The axis of head ends at the closed door or past it")
    assert angle in told.remedy.split(":")[0]
    if "core.sees_leaf" in remarks:
        assert remarks["core.sees_leaf"].remedy.startswith("Aim head off the leaf, or")


def test_lobe_whose_range_ends_before_the_door_does_not_look_at_it():
    far_off = {"y": -4.0, "tilt": -60.0}
    assert "looks_in" in keys(sensor("head", Microwave(range_m=6.0), **far_off))
    assert "looks_in" not in keys(sensor("head", Microwave(range_m=4.0), **far_off))


def test_scanner_upside_down_is_told_by_its_roll():
    scan = msgspec.convert({**LaserScanFamily.example, "family": "laser_scan"}, LaserScan)
    remark = next(f for f in found(sensor("head", scan, z=4.2, tilt=25.0, roll=180.0)) if f.code == "core.looks_in")
    assert remark.remedy.startswith("Check mount.roll_deg")


def test_families_that_emit_nothing_disturb_nobody():
    mats = [sensor(n, PressureMat(width_m=1.0, depth_m=0.8), y=-1.0, z=0.0) for n in "ab"]
    assert keys(*mats) == []


def test_every_remark_has_a_remedy_and_a_source():
    for spec in DISTURBANCES.values():
        assert spec.remedy
        assert spec.source

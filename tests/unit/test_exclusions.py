"""Areas in which detection is unwanted, with what moves in them: neighbouring doors, fans, curtains."""

from math import hypot

import msgspec
import pytest

from kettlewharf import dock_door, scanner
from sillcast import Planner, needs
from sillcast.contract import Door, Floor, FloorSide, Obstacle, Opening, Phase, Rules, Site, VerticalLift

PLANNER = Planner()
RING = [[0.5, -3.5], [2.5, -3.5], [2.5, -1.5], [0.5, -1.5]]
DOOR = Door(
    opening=Opening(width_m=3.0, height_m=3.0),
    motion=VerticalLift(opening=Phase(speed_m_per_s=1.0), closing=Phase(speed_m_per_s=0.4)),
)


def radar(side="near", **device):
    sign = -1.0 if side == "near" else 1.0
    mount = {"side": side, "position": {"x_m": 0.0, "y_m": 0.25 * sign, "z_m": 4.6}, "tilt_deg": 35.0}
    return {"name": "radar", "purposes": ["activation"], "mount": mount,
            "device": {"family": "microwave", "range_m": 8.0, **device}}  # fmt: skip


def mat():
    mount = {"side": "near", "position": {"x_m": 1.5, "y_m": -2.5, "z_m": 0.0}}
    device = {"family": "pressure_mat", "width_m": 2.0, "depth_m": 2.0}
    return {"name": "mat", "purposes": ["activation"], "mount": mount, "device": device}


def spill(*sensors, **site):
    """Area of the one exclusion that is detected, and who detects it."""
    answer = PLANNER.assess(dock_door(**{"/sensors": list(sensors), "/site": site}))
    (found,) = (c for c in answer.comparisons if c.zone.startswith("exclusion"))
    return found.overspill_m2, found.contributing


def thing(base_m=0.0, top_m=2.0, ring=RING, **more):
    return {"obstacles": [{"name": "fan", "ring_m": ring, "base_m": base_m, "top_m": top_m, "moves": True, **more}]}


def test_a_motion_sensor_sees_who_walks_in_front_of_a_neighbouring_door():
    neighbours = [{"name": "gate 8", "ring_m": RING}]
    area, who = spill(radar(), neighbours=neighbours)
    assert area > 0.75 * 4.0
    assert who == ["radar"]
    assert spill(radar("far"), neighbours=neighbours) == (0.0, [])
    assert spill(radar(least_speed_m_per_s=1.7), neighbours=neighbours) == (0.0, [])  # faster than who walks there


def test_a_motion_sensor_sees_a_thing_that_moves_though_the_thing_hides_what_is_in_its_place():
    for base in (0.0, 1.4):
        area, who = spill(radar(), **thing(base))
        assert area > 0.9 * 4.0
        assert who == ["radar"]
        assert spill(radar("far"), **thing(base)) == (0.0, [])


def test_a_thing_that_hangs_is_met_by_rays_at_its_own_height_alone():
    """Planes of a head at 4.6 m are below 4 m from 0.6 m out on: they pass under what hangs there 2 m out."""
    head = scanner("left head", -2.1)
    assert spill(head, **thing(0.0, 0.7))[0] > 0.0
    assert spill(head, **thing(1.0, 1.7))[0] > 0.0
    assert spill(head, **thing(4.3, 4.5)) == (0.0, [])


def test_what_lies_on_the_floor_does_not_feel_what_hangs_over_it():
    assert spill(mat(), **thing(0.0))[0] > 3.0
    assert spill(mat(), **thing(0.5)) == (0.0, [])


def moving(base_m, top_m, **floor):
    ring = ((0.5, 1.5), (2.5, 1.5), (2.5, 3.5), (0.5, 3.5))
    fan = Obstacle(name="fan", ring_m=ring, base_m=base_m, top_m=top_m, moves=True, material="metal")
    site = Site(obstacles=(fan, msgspec.structs.replace(fan, name="post", moves=False)), floor=Floor(**floor))
    found = needs.required(DOOR, site, (), Rules(), needs.catalogue(), {})
    return [z for z in found.zones if z.kind == "exclusion"]


@pytest.mark.parametrize(
    ("base", "top", "floor", "hangs", "height"),
    [
        (0.0, 2.0, {}, None, 2.0),
        (1.5, 2.0, {}, 1.5, 0.5),
        (0.0, 2.0, {"far": FloorSide(level_m=-1.2)}, 0.0, 2.0),
        (-1.2, 2.0, {"far": FloorSide(level_m=-1.2)}, None, 3.2),
        (-1.2, 2.0, {"far": FloorSide(level_m=-1.0)}, None, 3.0),  # stuck in the floor
    ],
)
def test_a_moving_thing_is_a_piece_of_its_own_height_and_material(base, top, floor, hangs, height):
    (zone,) = moving(base, top, **floor)
    assert (zone.id, zone.in_place_of, zone.hangs_from_m) == ("exclusion:far:fan", "fan", hangs)
    assert (zone.body.name, zone.body.metal, zone.body.height_m) == ("fan", True, pytest.approx(height))
    assert {hypot(vx, vy) for vx, vy in zone.velocities_m_per_s} == {1.6}
    assert zone.derivations == ("exclusion:far:fan/area", "exclusion:far:fan/height")


def test_a_thing_below_the_floor_is_nowhere():
    assert moving(-2.0, -1.3, far=FloorSide(level_m=-1.2)) == []

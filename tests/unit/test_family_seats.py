"""Families that belong on the floor or on the leaf detect nothing elsewhere, and say so."""

import copy
import json
from pathlib import Path

import msgspec
import pytest

from reference.scene import seen
from sillcast import Planner
from sillcast.family import Family
from sillcast.registry import Registry, RegistryError, check
from sillcast_families.pressure_mat import PressureMat, PressureMatFamily

PLANNER = Planner()
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
SEATS = {
    "photobeam": "opening", "light_curtain": "opening", "pressure_mat": "floor", "induction_loop": "floor",
    "pressure_edge": "leaf",
}  # fmt: skip


def example(family, **mount):
    """The example of a family with its own sensors alone, mounted otherwise; all else as it is."""
    request = json.loads((EXAMPLES / f"{family}.json").read_bytes())
    request["sensors"] = [s for s in request["sensors"] if s["device"]["family"] == family]
    for sensor in request["sensors"]:
        position = {**sensor["mount"]["position"], **mount.get("position", {})}
        sensor["mount"] = {**sensor["mount"], **mount, "position": position}
    request["output"] = {"proposals": False}
    return request


def told(answer, code):
    return [(f.severity, f.subjects) for f in answer.findings if f.code == code]


def shares(answer):
    return [c.share for c in answer.comparisons]


def test_each_family_says_where_it_belongs():
    assert {i.name: i.family.sits for i in Registry.find().families if i.family.sits != "beside"} == SEATS


def test_a_seat_that_is_none_is_refused():
    wrong = type("Wrong", (Family,), {"params": PressureMat, "sits": "ceiling"})()
    with pytest.raises(RegistryError, match="ceiling"):
        check(wrong, [])
    check(type("Right", (Family,), {"params": PressureMat, "sits": "floor"})(), [])


@pytest.mark.parametrize("family", ["pressure_mat", "induction_loop"])
@pytest.mark.parametrize(("mount", "is_in_place"), [
    ({}, True),
    ({"position": {"z_m": 0.05}}, True),
    ({"position": {"z_m": 0.051}}, False),
    ({"position": {"z_m": 2.5}}, False),
    ({"position": {"z_m": 4.5}}, False),
    ({"carrier": "leaf"}, False),
])  # fmt: skip
def test_what_belongs_on_the_floor_detects_there_alone(family, mount, is_in_place):
    answer = PLANNER.assess(example(family, **mount))
    assert (max(shares(answer)) > 0.1) is is_in_place
    assert len(told(answer, "core.nothing_emitted")) == (0 if is_in_place else len(answer.sensors))
    found = told(answer, f"{family}.off_floor")
    assert found == ([] if is_in_place else [
        ("critical", [f"/sensors/{i}/mount/position/z_m"]) for i in range(len(answer.sensors))
    ])  # fmt: skip


def test_the_level_of_the_floor_at_the_place_counts():
    request = example("pressure_mat", position={"z_m": 0.0})
    request["site"] = {"floor": {"near": {"level_m": -0.4}}}
    found = [f for f in PLANNER.assess(request).findings if f.code == "pressure_mat.off_floor"]
    assert [(f.values["above_m"], f.values["floor_m"]) for f in found] == [(0.4, -0.4)]
    request["sensors"][0]["mount"]["position"]["z_m"] = -0.4
    assert told(PLANNER.assess(request), "pressure_mat.off_floor") == []


def test_an_edge_that_the_leaf_does_not_carry_detects_nothing():
    carried = PLANNER.assess(example("pressure_edge"))
    assert told(carried, "pressure_edge.off_leaf") == []
    line = next(c for c in carried.comparisons if c.zone.endswith("leaf_line"))
    assert line.share > 0.9
    on_wall = PLANNER.assess(example("pressure_edge", carrier="building", position={"y_m": -0.2, "z_m": 4.55}))
    assert told(on_wall, "pressure_edge.off_leaf") == [("critical", ["/sensors/0/mount"])]
    assert set(shares(on_wall)) == {0.0}
    assert {c.verdict for c in on_wall.comparisons} == {"not_met"}


@pytest.mark.parametrize("motion", [{"kind": "sliding", "leaves": 1, "opens_to": "left"}, {"kind": "sliding", "leaves": 2},
                                    {"kind": "swing"}])  # fmt: skip
def test_an_edge_acts_along_the_whole_way_of_the_leaf_that_carries_it_wherever_that_is(motion):
    request = example("pressure_edge")
    phases = {name: request["door"]["motion"][name] for name in ("opening", "closing")}
    request["door"]["motion"] = {**motion, **phases}
    request["output"] |= {"detections": [{"body": "reference_body_upright"}], "states": [0.0, 0.5, 1.0]}
    shown = PLANNER.assess(request).sensors[0].detection
    areas = [(each.state, each.polygons_m) for each in shown]
    assert [state for state, _ in areas] == [0.0, 0.5, 1.0]
    assert areas[0][1]
    assert areas[0][1] == areas[1][1] == areas[2][1]


def test_a_head_on_the_leaf_still_rides_with_it():
    """Only what emits for the leaf's whole way stays."""
    request = json.loads((EXAMPLES / "laser_scan.json").read_bytes())
    request["sensors"] = request["sensors"][:1]
    head = request["sensors"][0]["mount"]
    head |= {"carrier": "leaf", "position": {**head["position"], "x_m": 0.0, "y_m": -0.1, "z_m": 2.0}}
    request["output"] = {"proposals": False, "detections": [{"body": "reference_body_upright"}], "states": [0.0, 1.0]}
    shown = {each.state: each.polygons_m for each in PLANNER.coverage(request).sensors[0].detection}
    assert shown[0.0] != shown[1.0]


def test_a_head_said_to_ride_on_the_leaf_that_is_not_on_it_detects_nothing():
    request = json.loads((EXAMPLES / "laser_scan.json").read_bytes())
    request["sensors"] = request["sensors"][:1]
    request["output"] = {"proposals": False}
    on_building = PLANNER.assess(request)
    assert max(shares(on_building)) > 0.1
    request["sensors"][0]["mount"]["carrier"] = "leaf"
    answer = PLANNER.assess(request)
    assert told(answer, "core.head_off_leaf")[0][0] == "critical"
    assert told(answer, "core.nothing_emitted") == [("critical", ["/sensors/0/device"])]
    assert set(shares(answer)) == {0.0}


def test_emissions_themselves_do_not_depend_on_the_seat():
    off, on = (seen(PressureMatFamily(), at=(0.0, -0.8, z)).emitted() for z in (2.0, 0.0))
    assert msgspec.json.encode(off.ring.tolist()) == msgspec.json.encode(on.ring.tolist())


def test_heads_on_the_wrong_side_or_in_the_opening_are_remarked_in_an_assessment():
    request = example("active_infrared")
    right = copy.deepcopy(request)
    head = request["sensors"][0]["mount"]
    head["side"] = {"near": "far", "far": "near"}[head["side"]]
    assert told(PLANNER.assess(right), "core.head_on_other_side") == []
    assert len(told(PLANNER.assess(request), "core.head_on_other_side")) == 1
    right["sensors"][0]["mount"]["position"] |= {"x_m": 0.3, "y_m": -0.1, "z_m": 1.8}
    assert told(PLANNER.assess(right), "core.head_in_opening") == [("warning", ["/sensors/0/mount/position"])]


@pytest.mark.parametrize("z_m", [0.0, 5e-324, 1e-9, 0.005])
@pytest.mark.parametrize("name", sorted(p.stem for p in EXAMPLES.glob("*.json") if "mount-search" not in p.name))
def test_a_sensor_that_lies_on_the_floor_is_answered(name, z_m):
    """Heights of nothing divide nothing: what is told of a sensor on the floor is finite."""
    request = json.loads((EXAMPLES / f"{name}.json").read_bytes())
    for sensor in request["sensors"]:
        sensor["mount"]["position"]["z_m"] = z_m
    assert len(PLANNER.coverage(request).sensors) == len(request["sensors"])

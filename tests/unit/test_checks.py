"""Each refusal of a request that fits the schema: the place, the code, and an accepted twin."""

import copy

import pytest

from sillcast import Planner, UncomputableError
from sillcast.errors import BudgetError
from sillcast.faults import FAULT_LIMIT

PLANNER = Planner()
SQUARE = [[1.0, -2.0], [1.4, -2.0], [1.4, -1.6], [1.0, -1.6]]


def request_with(**changes):
    """A request that is accepted, with parts replaced by JSON pointer."""
    request = {
        "door": {
            "opening": {"width_m": 3.0, "height_m": 3.0},
            "motion": {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"time_s": 6.0}},
        },
        "site": {"obstacles": [{"name": "post", "ring_m": SQUARE, "top_m": 1.0}]},
        "traffic": [
            {"name": "person", "speed_m_per_s": 1.2, "width_m": 0.6, "clear_height_m": 2.0},
            {"name": "tug", "speed_m_per_s": 1.2, "width_m": 0.9, "clear_height_m": 2.0, "passes": "by",
             "lane": {"out_from_m": 3.0, "out_to_m": 4.0}},
        ],
        "sensors": [
            {
                "name": "scanner", "purposes": ["protection"],
                "mount": {"side": "near", "position": {"x_m": -1.5, "y_m": -0.2, "z_m": 3.2}},
                "device": {"family": "laser_scan", "plane_tilts_deg": [2.0], "sweep_start_deg": -85.0,
                           "sweep_end_deg": 5.0, "step_deg": 5.0, "range_m": 6.0},
            },
            {
                "name": "beam", "purposes": ["protection"],
                "mount": {"side": "near", "position": {"x_m": -1.5, "y_m": -0.2, "z_m": 0.2}},
                "counterpart": {"position": {"x_m": 1.5, "y_m": -0.2, "z_m": 0.2}},
                "device": {"family": "photobeam"},
            },
        ],
        "output": {"proposals": False},
        "bodies": [{"name": "crate", "width_m": 0.4, "height_m": 0.3}],
    }  # fmt: skip
    return changed(request, changes)


def changed(request, changes):
    """The request with parts replaced by JSON pointer."""
    for pointer, value in changes.items():
        *path, last = pointer.strip("/").split("/")
        at = request
        for step in path:
            at = at[int(step)] if isinstance(at, list) else at.setdefault(step, {})
        at[int(last) if isinstance(at, list) else last] = copy.deepcopy(value)
    return request


REFUSED = [
    ("/door/wall/far_face_y_m", -0.5, "/door/wall/far_face_y_m", "order", 0.5),
    ("/door/motion/opening", {}, "/door/motion/opening", "speed_or_time", {"time_s": 3.0}),
    ("/door/motion/closing", {"time_s": 3.0, "speed_m_per_s": 1.0}, "/door/motion/closing", "speed_or_time", {"time_s": 3.0}),
    ("/site/obstacles/0/ring_m", [[0, -2], [1, -1], [1, -2], [0, -1]], "/site/obstacles/0/ring_m", "ring", SQUARE),
    ("/site/obstacles/0/ring_m", [[0, -2], [1, -2], [2, -2]], "/site/obstacles/0/ring_m", "ring", [*SQUARE, SQUARE[0]]),
    ("/site/obstacles/0/base_m", 1.0, "/site/obstacles/0/top_m", "order", 0.5),
    ("/traffic/0/name", "tug", "/traffic/1/name", "duplicate", "cart"),
    ("/sensors/0/name", "beam", "/sensors/1/name", "duplicate", "other"),
    ("/bodies/0/name", "reference_body_upright", "/bodies/0/name", "duplicate", "box"),
    ("/bodies/0", {"name": "drum", "shape": "cylinder", "width_m": 0.5}, "/bodies/0/height_m", "missing",
     {"name": "ball", "shape": "sphere", "width_m": 0.5}),
    ("/traffic/1/lane", None, "/traffic/1/lane", "missing", {"out_from_m": 1.0, "out_to_m": 2.0}),
    ("/traffic/1/lane/out_to_m", 2.0, "/traffic/1/lane/out_to_m", "order", 5.0),
    ("/traffic/0/body", "nobody", "/traffic/0/body", "unknown_body", "crate"),
    ("/traffic/0/from_sides", ["near", "near"], "/traffic/0/from_sides", "duplicate", ["near"]),
    ("/sensors/0/purposes", ["protection", "protection"], "/sensors/0/purposes", "duplicate", ["activation"]),
    ("/sensors/1/counterpart", None, "/sensors/1/counterpart", "missing", {"position": {"x_m": 1, "y_m": -0.2, "z_m": 0.3}}),
    ("/sensors/0/device/sweep_end_deg", -86.0, "/sensors/0/device/sweep_end_deg", "order", -80.0),
    ("/sensors/0/device/fields", [{"purpose": "protection"}], "/sensors/0/device/fields/0", "one_of",
     [{"purpose": "protection", "ring_m": SQUARE}]),
    ("/sensors/0/device/fields", [{"purpose": "protection", "x_from_m": 0.0}], "/sensors/0/device/fields/0", "one_of", []),
    ("/sensors/0/device/fields",
     [{"purpose": "protection", "x_from_m": 1.0, "x_to_m": 0.0, "out_from_m": 0.0, "out_to_m": 1.0}],
     "/sensors/0/device/fields/0/x_to_m", "order",
     [{"purpose": "protection", "x_from_m": 0.0, "x_to_m": 1.0, "out_from_m": 0.0, "out_to_m": 1.0}]),
    ("/sensors/0/mount/position", {"x_m": 1.2, "y_m": -1.8, "z_m": 0.5}, "/sensors/0/mount/position", "inside",
     {"x_m": 1.2, "y_m": -1.8, "z_m": 1.5}),
    ("/sensors/0/mount/position", {"x_m": -2.0, "y_m": 0.0, "z_m": 2.0}, "/sensors/0/mount/position", "inside",
     {"x_m": -2.0, "y_m": -0.15, "z_m": 2.0}),
    ("/sensors/0/mount/position", {"x_m": 0.0, "y_m": -1.0, "z_m": -0.5}, "/sensors/0/mount/position/z_m", "below_floor",
     {"x_m": 0.0, "y_m": -1.0, "z_m": 0.0}),
    ("/output/detections", [{"body": "nobody"}], "/output/detections/0/body", "unknown_body", [{"body": "crate"}]),
    ("/door/muting", [{"sensor": "nobody", "during": "closing", "from_state": 0.0, "to_state": 0.1}],
     "/door/muting/0/sensor", "unknown_sensor",
     [{"sensor": "beam", "during": "closing", "from_state": 0.0, "to_state": 0.1}]),
    ("/rules/set", "nobody", "/rules/set", "unknown_rule_set", "industrial_door"),
]  # fmt: skip


@pytest.mark.parametrize(("at", "bad", "pointer", "code", "good"), REFUSED)
def test_refused_with_its_place_and_accepted_twin(at, bad, pointer, code, good):
    with pytest.raises(UncomputableError) as refusal:
        PLANNER.assess(request_with(**{at: bad}))
    assert [(f.pointer, f.code) for f in refusal.value.faults] == [(pointer, code)]
    assert refusal.value.faults[0].allowed
    PLANNER.assess(request_with(**{at: good}))


def refused(changes, ask=PLANNER.assess, request=None):
    """Places and codes of what a request is refused for, in the order in which it is told."""
    with pytest.raises(UncomputableError) as refusal:
        ask(request or request_with(**changes))
    return [(f.pointer, f.code) for f in refusal.value.faults]


OVERRIDES = [
    {"name": "strip_depht_m", "value": 1.0, "reason": "misspelt"},
    {"name": "strip_depth_m", "value": 0.3, "reason": "right"},
    {"name": "strip_depth_m", "value": -1.0, "reason": "again, and too small"},
]
ALL_AT_ONCE = {
    "/door/motion/opening": {},
    "/site/obstacles/0/base_m": 2.0,
    "/traffic/0/body": "nobody",
    "/sensors/0/name": "beam",
    "/sensors/0/mount/position": {"x_m": -2.0, "y_m": 0.0, "z_m": 2.0},
    "/sensors/1/counterpart/position": {"x_m": 1.5, "y_m": -0.2, "z_m": -0.2},
    "/rules/set": "nobody",
    "/rules/separation": {"set": "industrial_door"},
    "/rules/overrides": OVERRIDES,
    "/rules/protection_bodies": ["nobody"],
    "/output/detections": [{"body": "nobody"}],
}


def test_all_independent_faults_are_told_at_once_in_the_order_of_the_request():
    assert refused(ALL_AT_ONCE) == [
        ("/door/motion/opening", "speed_or_time"),
        ("/site/obstacles/0/top_m", "order"),
        ("/traffic/0/body", "unknown_body"),
        ("/sensors/0/mount/position", "inside"),
        ("/sensors/1/name", "duplicate"),
        ("/sensors/1/counterpart/position/z_m", "below_floor"),
        ("/rules/set", "unknown_rule_set"),
        ("/rules/separation/set", "no_separation"),
        ("/rules/overrides/0/name", "unknown_override"),
        ("/rules/overrides/2/name", "duplicate"),
        ("/rules/overrides/2/value", "override_too_small"),
        ("/rules/protection_bodies/0", "unknown_body"),
        ("/output/detections/0/body", "unknown_body"),
    ]


@pytest.mark.parametrize("left_out", sorted(ALL_AT_ONCE))
def test_no_fault_depends_on_another(left_out):
    """Whatever one puts right, the other faults stay."""
    fewer = {at: bad for at, bad in ALL_AT_ONCE.items() if at != left_out}
    assert [f for f in refused(ALL_AT_ONCE) if f in refused(fewer)] == refused(fewer)
    assert len(refused(fewer)) < len(refused(ALL_AT_ONCE))


def test_a_value_of_an_unknown_set_is_refused_only_if_no_set_has_it():
    overrides = [{"name": "strip_depth_m", "value": 0.3, "reason": "of another set"}]
    assert refused({"/rules/set": "nobody", "/rules/overrides": overrides}) == [("/rules/set", "unknown_rule_set")]
    assert refused({"/rules/set": "machine_approach", "/rules/overrides": overrides}) == [
        ("/rules/overrides/0/name", "unknown_override")
    ]


def test_what_stands_inside_a_thing_at_fault_is_not_told_and_inside_the_others_is():
    crate = {"name": "crate", "ring_m": SQUARE, "top_m": 1.0, "base_m": 2.0}
    pallet = {"name": "pallet", "ring_m": [[x - 1.0, y] for x, y in SQUARE], "top_m": 1.0}
    inside = {"/sensors/0/mount/position": {"x_m": 1.2, "y_m": -1.8, "z_m": 0.5},
              "/sensors/1/mount/position": {"x_m": 0.2, "y_m": -1.8, "z_m": 0.5}}  # fmt: skip
    assert refused({"/site/obstacles": [crate, pallet], **inside}) == [
        ("/site/obstacles/0/top_m", "order"), ("/sensors/1/mount/position", "inside"),
    ]  # fmt: skip


def test_no_more_faults_than_the_limit_are_told_and_the_first_of_the_request_are():
    detections = [{"body": "nobody"}] * 8
    sensors = [request_with()["sensors"][0]] * 16
    counts = [{"body": "nobody"}] * 4
    changes = {"/sensors": sensors, "/output/detections": detections, "/output/counts": counts, "/rules/set": "nobody"}
    found = refused(changes)
    assert len(found) == FAULT_LIMIT
    assert found[:2] == [("/sensors/1/name", "duplicate"), ("/sensors/2/name", "duplicate")]
    assert found[15][0] == "/rules/set"


# Searches for mounts -----------------------------------------------------------------------------------------------


def search_with(**changes):
    """A search that is accepted, with parts replaced by JSON pointer."""
    base = request_with()
    scan = base["sensors"][0]["device"]
    search = {
        "door": base["door"],
        "devices": [{"name": "scanner", "purposes": ["protection"], "device": scan},
                    {"name": "other", "purposes": ["protection"], "device": scan}],
        "places": [{"kind": "left_corner", "height_m": {"least": 3.2, "most": 3.2}},
                   {"kind": "right_corner", "height_m": {"least": 3.2, "most": 3.2}}],
        "angles": {"tilt_deg": {"least": 0.0, "most": 0.0}},
        "sides": ["near"],
        "limits": {"results": 1},
    }  # fmt: skip
    return changed(search, changes)


SEARCH_REFUSED = [
    ("/sides", ["near", "near"], "/sides", "duplicate", ["near", "far"]),
    ("/devices/1/name", "scanner", "/devices/1/name", "duplicate", "third"),
    ("/places/1/kind", "left_corner", "/places/1", "duplicate", "left_jamb"),
    ("/devices/1/device", {"family": "pressure_mat", "width_m": 1.0, "depth_m": 1.0}, "/devices/1/device/family",
     "fixed_place", {"family": "depth_camera"}),
    ("/devices/1/device", {"family": "induction_loop"}, "/devices/1/device/family", "fixed_place",
     {"family": "depth_camera"}),
    ("/devices/1/device", {"family": "pressure_edge"}, "/devices/1/device/family", "fixed_place",
     {"family": "depth_camera"}),
    ("/devices/1/device", {"family": "photobeam"}, "/devices/1/device/family", "needs_counterpart",
     {"family": "depth_camera"}),
]  # fmt: skip


@pytest.mark.parametrize(("at", "bad", "pointer", "code", "good"), SEARCH_REFUSED)
def test_a_search_is_refused_with_its_place_and_accepted_twin(at, bad, pointer, code, good):
    assert refused({}, PLANNER.mount_search, search_with(**{at: bad})) == [(pointer, code)]
    PLANNER.mount_search(search_with(**{at: good}))


def test_a_search_says_which_families_it_can_place():
    with pytest.raises(UncomputableError) as refusal:
        PLANNER.mount_search(search_with(**{"/devices/0/device": {"family": "pressure_edge"}}))
    (fault,) = refusal.value.faults
    assert fault.allowed == (
        "one of active_infrared, depth_camera, laser_scan, microwave, passive_infrared, ultrasonic"
    )
    assert fault.seen == '"pressure_edge"'


def test_a_search_tells_the_faults_of_door_devices_and_places_at_once():
    changes = {
        "/door/motion/opening": {},
        "/rules/protection_bodies": ["nobody"],
        "/devices/0/device": {"family": "pressure_edge"},
        "/devices/1/name": "scanner",
        "/devices/1/purposes": ["protection", "protection"],
        "/places/0/kind": "ceiling",
        "/places/1/height_m": {"least": 3.0, "most": 2.0},
        "/angles/tilt_deg": {"least": 3.0, "most": 2.0},
        "/sides": ["far", "far"],
    }
    assert refused({}, PLANNER.mount_search, search_with(**changes)) == [
        ("/door/motion/opening", "speed_or_time"),
        ("/rules/protection_bodies/0", "unknown_body"),
        ("/devices/0/device/family", "fixed_place"),
        ("/devices/1/name", "duplicate"),
        ("/devices/1/purposes", "duplicate"),
        ("/places/0/out_m", "missing"),
        ("/places/1/height_m/most", "order"),
        ("/angles/tilt_deg/most", "order"),
        ("/sides", "duplicate"),
    ]


def test_too_many_rays_are_refused_before_they_are_computed():
    device = {
        "family": "laser_scan", "plane_tilts_deg": [float(t) for t in range(32)], "sweep_start_deg": -180.0,
        "sweep_end_deg": 180.0, "step_deg": 0.05, "range_m": 6.0,
    }  # fmt: skip
    with pytest.raises(BudgetError) as refusal:
        PLANNER.assess(request_with(**{"/sensors/0/device": device}))
    assert refusal.value.faults[0].pointer == "/sensors"
    assert "230433" in refusal.value.faults[0].detail

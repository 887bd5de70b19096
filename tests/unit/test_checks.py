"""Each refusal of a request that fits the schema: the place, the code, and an accepted twin."""

import copy

import pytest

from sillcast import Planner, UncomputableError
from sillcast.errors import BudgetError

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


def test_all_independent_faults_are_told_at_once():
    request = request_with(**{"/site/obstacles/0/base_m": 2.0, "/sensors/0/name": "beam", "/traffic/0/body": "nobody"})
    with pytest.raises(UncomputableError) as refusal:
        PLANNER.assess(request)
    assert sorted(f.pointer for f in refusal.value.faults) == [
        "/sensors/1/name", "/site/obstacles/0/top_m", "/traffic/0/body",
    ]  # fmt: skip


def test_too_many_rays_are_refused_before_they_are_computed():
    device = {
        "family": "laser_scan", "plane_tilts_deg": [float(t) for t in range(32)], "sweep_start_deg": -180.0,
        "sweep_end_deg": 180.0, "step_deg": 0.05, "range_m": 6.0,
    }  # fmt: skip
    with pytest.raises(BudgetError) as refusal:
        PLANNER.assess(request_with(**{"/sensors/0/device": device}))
    assert refusal.value.faults[0].pointer == "/sensors"
    assert "230433" in refusal.value.faults[0].detail

"""Requests of the invented Kettlewharf Cold Store that several tests share."""

import copy
from typing import Any


def dock_door(**changes: Any) -> dict[str, Any]:
    """A 4.0 x 4.5 m vertical lift with one near-side scanner over the left corner; parts replaced by JSON pointer."""
    request: dict[str, Any] = {
        "door": {
            "opening": {"width_m": 4.0, "height_m": 4.5},
            "wall": {"near_face_y_m": -0.15, "far_face_y_m": 0.15},
            "motion": {
                "kind": "vertical_lift",
                "opening": {"speed_m_per_s": 1.5, "acceleration_m_per_s2": 2.0, "deceleration_m_per_s2": 2.0},
                "closing": {"speed_m_per_s": 0.6},
            },
        },
        "site": {"obstacles": []},
        "traffic": [
            {
                "name": "fork truck", "from_sides": ["near"], "speed_m_per_s": 1.5, "width_m": 1.3,
                "front_overhang_m": 1.1, "clear_height_m": 2.3,
            }
        ],
        "sensors": [scanner("left head", -2.1)],
        "output": {"proposals": False},
    }  # fmt: skip
    return changed(request, changes)


def scanner(name: str, x_m: float, **device: Any) -> dict[str, Any]:
    """A corner scanner 4.6 m up that sweeps from along the lintel to down the jamb."""
    sweep = (
        {"sweep_start_deg": -90.0, "sweep_end_deg": 6.0}
        if x_m < 0
        else {"sweep_start_deg": -6.0, "sweep_end_deg": 90.0}
    )
    return {
        "name": name,
        "purposes": ["activation", "protection"],
        "mount": {"side": "near", "position": {"x_m": x_m, "y_m": -0.20, "z_m": 4.6}},
        "device": {
            "family": "laser_scan", "plane_tilts_deg": [-1.8, 0.5, 3.0, 5.9, 9.2, 13.1, 17.5, 22.4, 27.8, 33.6, 39.5, 45.4],
            "step_deg": 0.5, "range_m": 9.0, "least_hits": 3, **sweep, **device,
        },
    }  # fmt: skip


def changed(request: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """The request with parts replaced by JSON pointer."""
    request = copy.deepcopy(request)
    for pointer, value in changes.items():
        *path, last = pointer.strip("/").split("/")
        at: Any = request
        for step in path:
            at = at[int(step)] if isinstance(at, list) else at.setdefault(step, {})
        at[int(last) if isinstance(at, list) else last] = copy.deepcopy(value)
    return request


def mirrored(request: dict[str, Any]) -> dict[str, Any]:
    """The same scene seen in a mirror in the plane x = 0: x, yaw and roll change sign, a sweep [a, b] becomes [-b, -a]."""
    request = copy.deepcopy(request)
    for obstacle in request.get("site", {}).get("obstacles", []):
        obstacle["ring_m"] = [[-x, y] for x, y in obstacle["ring_m"]]
    for traveller in request.get("traffic", []):
        traveller["approach_deg"] = -traveller.get("approach_deg", 0.0)
    for sensor in request["sensors"]:
        mount, device = sensor["mount"], sensor["device"]
        mount["position"]["x_m"] *= -1
        for angle in ("yaw_deg", "roll_deg"):
            mount[angle] = -mount.get(angle, 0.0)
        device["sweep_start_deg"], device["sweep_end_deg"] = -device["sweep_end_deg"], -device["sweep_start_deg"]
    return request

"""A small door of the Kettlewharf Cold Store whose assessment is quick, and the task that the planner would hand over."""

import json
from collections.abc import Iterable
from typing import Any

from kettlewharf import changed
from sillcast import Planner, advice, motion
from sillcast.advice.settings import settings_of
from sillcast.contract import PatchStep


def small_door(**changes: Any) -> dict[str, Any]:
    """A 1.4 x 2.2 m hatch with one near-side scanner over its middle, tilted out too far; parts replaced by JSON pointer."""
    request: dict[str, Any] = {
        "door": {
            "opening": {"width_m": 1.4, "height_m": 2.2},
            "wall": {"near_face_y_m": -0.15, "far_face_y_m": 0.15},
            "motion": {
                "kind": "vertical_lift",
                "opening": {"speed_m_per_s": 2.0},
                "closing": {"speed_m_per_s": 0.5},
            },
        },
        "site": {},
        "traffic": [
            {
                "name": "person", "from_sides": ["near"], "speed_m_per_s": 0.4, "width_m": 0.6, "clear_height_m": 2.0,
            }
        ],
        "sensors": [
            {
                "name": "head",
                "purposes": ["activation"],
                "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.2, "z_m": 2.5}, "tilt_deg": 6.0},
                "device": {
                    "family": "laser_scan", "plane_tilts_deg": [0.5, 6.5, 14.5, 23.0], "sweep_start_deg": -50.0,
                    "sweep_end_deg": 50.0, "step_deg": 2.0, "range_m": 6.0, "least_hits": 1,
                },
            }
        ],
        "output": {"heights_m": [], "proposals": False},
    }  # fmt: skip
    return changed(request, changes)


def activation_only(**changes: Any) -> dict[str, Any]:
    """The small door with its protection left to a second sensor that sees all of both strips."""
    mat: dict[str, Any] = {
        "name": "mat", "purposes": ["protection"],
        "device": {"family": "pressure_mat", "width_m": 1.4, "depth_m": 1.4},
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": 0.0, "z_m": 0.0}},
    }  # fmt: skip
    request = small_door()
    request["sensors"].append(mat)
    return changed(request, changes)


def task_of(planner: Planner, request: dict[str, Any], **more: Any) -> advice.Task:
    """What the planner hands over to the advice for a request."""
    plan = planner._plan(planner._taken(request))
    sensing, door = plan.sensing, plan.request.door
    return advice.Task(
        request=plan.request,
        placed=sensing.placed,
        zones=plan.needs.zones,
        comparisons=[c.answer for c in planner._compared(plan)],
        site=advice.Site(
            sensing.fixed, lambda state: motion.leaf_prisms(door, state), sensing.half_width_m, sensing.blocked
        ),
        evaluate=planner._exact,
        needs=lambda other: planner._plan(other).needs,
        **more,
    )


def pinned(planner: Planner, request: dict[str, Any]) -> dict[str, tuple[float, ...]]:
    """Ranges that hold every setting that has a value where it is."""
    task = task_of(planner, request)
    held = settings_of(task.request, task.placed, task.zones)
    return {s.variable.pointer: (s.current, s.current) for s in held if s.current is not None}


def patched(request: dict[str, Any], steps: Iterable[PatchStep]) -> dict[str, Any]:
    """An independent reading of RFC 6902 for `add` and `replace` on objects, `replace` and `-` on arrays."""
    request = json.loads(json.dumps(request))
    for step in steps:
        *path, last = step.path.strip("/").split("/")
        at: Any = request
        for token in path:
            at = at[int(token)] if isinstance(at, list) else at[token]
        if isinstance(at, list):
            assert (step.op, last) == ("add", "-") or (step.op == "replace" and int(last) < len(at))
            at.append(step.value) if last == "-" else at.__setitem__(int(last), step.value)
        else:
            assert step.op == "add"
            at[last] = step.value
    return request

"""Varied doors of the Kettlewharf Cold Store, from a seed: every motion, every family, settings a little or far off.

`python tests/ablation/generate.py` writes `doors.json` anew; the same seed gives the same bytes.
"""

import json
import random
from pathlib import Path
from typing import Any

DOORS = Path(__file__).parent / "doors.json"
SEED = 20240611
COUNT = 36

MOTIONS: tuple[dict[str, Any], ...] = (
    {"kind": "vertical_lift"},
    {"kind": "sliding", "leaves": 2},
    {"kind": "swing", "leaves": 1},
    {"kind": "folding"},
)
OVERHEAD: dict[str, dict[str, Any]] = {
    "laser_scan": {
        "plane_tilts_deg": [0.5, 6.5, 14.5, 23.0, 31.0], "sweep_start_deg": -50.0, "sweep_end_deg": 50.0, "step_deg": 2.0,
        "range_m": 8.0, "least_hits": 1,
    },
    "active_infrared": {"rows": 6, "columns": 12, "range_m": 5.0},
    "depth_camera": {"columns": 32, "rows": 24, "range_m": 6.0},
    "passive_infrared": {"rows": 3, "columns": 8, "range_m": 6.0},
    "microwave": {"frequency_ghz": 24.125, "range_m": 6.0},
    "ultrasonic": {"frequency_khz": 40.0, "range_m": 4.0},
}  # fmt: skip
ON_FLOOR: dict[str, dict[str, Any]] = {
    "pressure_mat": {"width_m": 1.6, "depth_m": 0.9},
    "induction_loop": {"width_m": 2.0, "depth_m": 1.0, "turns": 4, "lead_in_m": 12.0},
}
ACROSS: dict[str, dict[str, Any]] = {
    "photobeam": {"beam_count": 2, "beam_pitch_m": 0.35},
    "light_curtain": {"beams": 24, "pitch_m": 0.06},
}
ON_LEAF: dict[str, dict[str, Any]] = {"pressure_edge": {"depth_m": 0.06, "overtravel_m": 0.08}}
FAMILIES = (*OVERHEAD, *ON_FLOOR, *ACROSS, *ON_LEAF)
MOTION_ONLY = ("passive_infrared", "microwave")


def doors(seed: int = SEED, count: int = COUNT) -> list[dict[str, Any]]:
    """Requests, each with a name."""
    chance = random.Random(seed)
    return [_door(chance, i) for i in range(count)]


def _door(chance: random.Random, number: int) -> dict[str, Any]:
    motion = MOTIONS[number % len(MOTIONS)]
    family = FAMILIES[number % len(FAMILIES)]
    width, height = round(chance.uniform(1.2, 2.4), 2), round(chance.uniform(2.1, 2.6), 2)
    request = {
        "door": {
            "opening": {"width_m": width, "height_m": height},
            "wall": {"near_face_y_m": -0.15, "far_face_y_m": 0.15},
            "motion": {
                **motion,
                "opening": {"speed_m_per_s": round(chance.uniform(0.6, 2.0), 2)},
                "closing": {"speed_m_per_s": 0.4},
            },
        },
        "site": {"obstacles": _obstacles(chance)},
        "traffic": [
            {
                "name": "porter", "from_sides": ["near"], "speed_m_per_s": round(chance.uniform(0.3, 0.9), 2),
                "width_m": 0.6, "clear_height_m": 2.0,
            }
        ],
        "sensors": _sensors(chance, family, width, height),
        "output": {"heights_m": [], "proposals": True},
    }  # fmt: skip
    if number % 5 == 4:
        lane = {"out_from_m": 2.2, "out_to_m": 3.0}
        by = {**request["traffic"][0], "name": "passer-by", "passes": "by", "lane": lane}
        request["traffic"].append(by)
    return {"name": f"hatch {number + 1}", "motion": motion["kind"], "family": family, "request": request}


def _obstacles(chance: random.Random) -> list[dict[str, Any]]:
    if chance.random() < 0.5:
        return []
    x, y = round(chance.choice((-1, 1)) * chance.uniform(0.9, 1.4), 2), round(chance.uniform(-1.8, -0.8), 2)
    ring = [[x, y], [x + 0.15, y], [x + 0.15, y + 0.15], [x, y + 0.15]]
    return [{"name": "guard post", "ring_m": [[round(a, 3), round(b, 3)] for a, b in ring], "top_m": 1.1}]


def _sensors(chance: random.Random, family: str, width: float, height: float) -> list[dict[str, Any]]:
    """The family's sensor; one that looks down and serves protection gets a second one on the far side."""
    first = _sensor(chance, family, width, height)
    if family not in OVERHEAD or family in MOTION_ONLY:
        return [first]
    far = {**_mount(0.0, 0.2, round(height + 0.15, 2), tilt_deg=round(chance.uniform(-4.0, 14.0), 1)), "side": "far"}
    return [first, {**first, "name": "far head", "purposes": ["protection"], "mount": far}]


def _sensor(chance: random.Random, family: str, width: float, height: float) -> dict[str, Any]:
    purposes = ["activation"] if family in MOTION_ONLY else ["activation", "protection"]
    if family in OVERHEAD:
        mount = _mount(0.0, -0.2, round(height + 0.15, 2), tilt_deg=round(chance.uniform(-4.0, 14.0), 1))
        return {"name": "head", "purposes": purposes, "mount": mount, "device": {"family": family, **OVERHEAD[family]}}
    if family in ON_FLOOR:
        mount = _mount(0.0, round(chance.uniform(-1.6, -0.5), 2), 0.0)
        return {"name": "floor", "purposes": purposes, "mount": mount, "device": {"family": family, **ON_FLOOR[family]}}
    if family in ACROSS:
        z = round(chance.uniform(0.15, 0.5), 2)
        mount = _mount(-width / 2, -0.2, z)
        end = {"position": {"x_m": width / 2, "y_m": -0.2, "z_m": z}}
        device = {"family": family, **ACROSS[family]}
        return {"name": "beam", "purposes": ["protection"], "mount": mount, "counterpart": end, "device": device}
    mount = {**_mount(0.0, 0.0, 0.1), "carrier": "leaf"}
    return {"name": "edge", "purposes": ["protection"], "mount": mount, "device": {"family": family, **ON_LEAF[family]}}


def _mount(x: float, y: float, z: float, **angles: float) -> dict[str, Any]:
    return {"side": "near", "position": {"x_m": x, "y_m": y, "z_m": z}, **angles}


if __name__ == "__main__":
    DOORS.write_text(json.dumps(doors(), indent=1) + "\n")

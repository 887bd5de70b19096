"""Bodies that fit the schema, mended where it cannot say what else must hold: rules between fields, names, rings.

A generator that knows the schema alone makes bodies of which nearly all contradict themselves somewhere. Mended, they
reach the geometry. What is mended and how is stated here without the service's own code.
"""

from collections.abc import Sequence
from copy import deepcopy
from typing import Any

import shapely

from web.refusals import (
    BODIES,
    REFERENCE_BODY,
    floor_m,
    has_fixed_place,
    holding,
    needs_counterpart,
    ring_state,
    solids,
)

Json = dict[str, Any]

_RAYS_MOST = 4_000  # of one sensor, so that a generated request is quick
_CELL_LEAST_M = 0.1


def mended(body: Json) -> Json:
    """A copy of an assessment or mount-search request in which the rules hold that its schema cannot express."""
    body = deepcopy(body)
    _door(body["door"], [each["name"] for each in body.get("sensors", [])])
    site = body.get("site", {})
    for key in ("obstacles", "neighbours"):
        _distinct(site.get(key, []))
        for each in site.get(key, []):
            each["ring_m"] = simple_ring(each["ring_m"])
    for each in site.get("obstacles", []):
        _ordered(each, "base_m", "top_m", 0.0)
    own = _bodies(body.get("bodies", []))
    for each in _distinct(body.get("traffic", [])):
        _traveller(each, own)
    _rules(body.get("rules", {}), own)
    _output(body.get("output", {}), own)
    taken = [each["name"] for each in body.get("sensors", [])]
    for sensor in _distinct(body.get("sensors", [])):
        _sensor(sensor, body)
    renamed = dict(zip(taken, (each["name"] for each in body.get("sensors", [])), strict=True))
    for muting in body["door"].get("muting", []):
        muting["sensor"] = renamed[muting["sensor"]]
    if "devices" in body:
        _search(body)
    return body


def _search(body: Json) -> None:
    """Few mounts, of devices that a search can place; no place or side twice."""
    body["limits"] = {"candidates": 20_000, "results": 1}
    body["sensors_per_side"] = 1
    body["places"] = body["places"][:2]
    for place in body["places"]:
        if place["kind"] in ("ceiling", "post"):
            place["out_m"] = place.get("out_m") or {"least": 1.0, "most": 2.0}
            place["along_m"] = place.get("along_m") or {"least": 0.0, "most": 1.0}
        for name in ("height_m", "along_m", "stand_off_m", "out_m"):
            _few(place.get(name))
    if body["places"][1:] == body["places"][:1]:
        del body["places"][1]
    if "sides" in body:
        body["sides"] = list(dict.fromkeys(body["sides"]))
    for name in ("tilt_deg", "yaw_deg", "roll_deg"):
        _few(body.setdefault("angles", {}).setdefault(name, {"least": 0.0, "most": 0.0}))
    body["devices"] = body["devices"][:2]
    for each in _distinct(body["devices"]):
        each["purposes"] = list(dict.fromkeys(each["purposes"]))
        if needs_counterpart(each["device"]["family"]) or has_fixed_place(each["device"]["family"]):
            each["device"] = {"family": "active_infrared", "rows": 2, "columns": 4}
        device(each["device"])


def _few(steps: Json | None) -> None:
    """A range in order, of two values at most."""
    if steps:
        steps["least"], steps["most"] = sorted((steps["least"], steps["most"]))
        steps["step"] = min(max(steps.get("step", 0.1), (steps["most"] - steps["least"]) * 0.9), 90.0)


def simple_ring(ring: Sequence[Sequence[float]]) -> list[list[float]]:
    """The ring itself if it is simple; else the hull of its corners; else a small square at the first of them."""
    ring = [[round(v, 6) + 0.0 for v in point] for point in ring]  # a generator likes numbers of 1e-300
    if ring_state(ring) == "sound":
        return [list(point) for point in ring]
    hull = shapely.MultiPoint(ring).convex_hull
    if hull.area < 1e-3:
        x, y = (min(max(v, -59.0), 59.0) for v in ring[0])
        return [[x, y], [x + 0.3, y], [x + 0.3, y + 0.2], [x, y + 0.2]]
    return [list(point) for point in hull.exterior.coords[:-1]]


def _distinct(items: list[Json]) -> list[Json]:
    """The same items, with a name of its own for each."""
    taken: set[str] = set()
    for i, item in enumerate(items):
        if item["name"] in taken:
            item["name"] = f"{item['name'][:56]} {i}"
        taken.add(item["name"])
    return items


def _ordered(item: Json, low: str, high: str, absent: float | None = None, apart: float = 0.01) -> None:
    """The lesser number first, and not equal."""
    first, last = item.get(low, absent), item[high]
    first, last = sorted((first, last))
    if last - first < apart:
        first, last = (first, last + apart) if first < 0 else (first - apart, last)
    item[low], item[high] = first, last


def _door(door: Json, sensors: list[str]) -> None:
    wall = door.setdefault("wall", {})
    wall.setdefault("far_face_y_m", 0.15)
    _ordered(wall, "near_face_y_m", "far_face_y_m", -0.15)
    for part in ("guides", "header"):
        if door.get(part):
            _ordered(door[part], "from_y_m", "to_y_m")
    motion = door["motion"]
    for phase in (motion["opening"], motion["closing"]):
        speed_or_time(phase)
    if motion["kind"] == "sliding" and motion.get("leaves", 1) == 1 and motion.get("opens_to") == "both":
        motion["opens_to"] = "left"
    thick = door.get("leaf", {}).get("thickness_m", 0.04)
    if motion["kind"] == "sliding" and abs(motion.get("panel_pitch_m", 1.0)) < thick:
        motion["panel_pitch_m"] = 0.0
    if door.get("muting"):
        door["muting"] = [each for each in door["muting"] if each["sensor"] in sensors]


def speed_or_time(phase: Json) -> None:
    """One of the two."""
    if phase.get("speed_m_per_s") is not None:
        phase.pop("time_s", None)
    elif phase.get("time_s") is None:
        phase["speed_m_per_s"] = 0.5


def _bodies(bodies: list[Json]) -> set[str]:
    for i, each in enumerate(_distinct(bodies)):
        if each["name"] in BODIES:
            each["name"] = f"own {i}"
        if each.get("shape", "box") != "sphere" and each.get("height_m") is None:
            each["height_m"] = 0.7
    return {*BODIES, *(each["name"] for each in bodies)}


def _traveller(each: Json, bodies: set[str]) -> None:
    if "from_sides" in each:
        each["from_sides"] = list(dict.fromkeys(each["from_sides"]))
    if each.get("passes") == "by" and each.get("lane") is None:
        each["lane"] = {"out_from_m": 1.0, "out_to_m": 2.0}
    if each.get("lane"):
        _ordered(each["lane"], "out_from_m", "out_to_m")
        each["lane"]["out_from_m"] = max(each["lane"]["out_from_m"], 0.0)
        each["lane"]["out_to_m"] = max(each["lane"]["out_to_m"], 0.01)
    if each.get("body") not in bodies:
        each["body"] = None


def _rules(rules: Json, bodies: set[str]) -> None:
    """Names of rule sets and values that exist; a generator does not guess them."""
    if "set" in rules:
        rules["set"] = "industrial_door"
    rules.pop("separation", None)
    rules.pop("overrides", None)
    if "protection_bodies" in rules:
        rules["protection_bodies"] = [each if each in bodies else REFERENCE_BODY for each in rules["protection_bodies"]]


def _output(output: Json, bodies: set[str]) -> None:
    for part in ("detections", "counts"):
        for each in output.get(part, []):
            each["body"] = each["body"] if each["body"] in bodies else REFERENCE_BODY
    for each in output.get("detections", []):
        if (each.get("heading_deg") is None) != (each.get("speed_m_per_s") is None):
            each.pop("heading_deg", None)
            each.pop("speed_m_per_s", None)
    for each in output.get("smallest", []):
        each["bodies"] = [REFERENCE_BODY]
    for each in (*output.get("counts", []), *output.get("smallest", [])):
        each["cell_m"] = max(each.get("cell_m", _CELL_LEAST_M), _CELL_LEAST_M)
    for each in output.get("bands", []):
        each["low_m"], each["high_m"] = sorted((each["low_m"], each["high_m"]))


def _sensor(sensor: Json, body: Json) -> None:
    sensor["purposes"] = list(dict.fromkeys(sensor["purposes"]))
    device(sensor["device"])
    at = sensor["mount"]["position"]
    _outside(at, body)
    if sensor.get("counterpart") is None:
        if not needs_counterpart(sensor["device"]["family"]):
            return
        sensor["counterpart"] = {"position": {**at, "x_m": at["x_m"] + (1.0 if at["x_m"] < 0 else -1.0)}}
    end = sensor["counterpart"]["position"]
    _outside(end, body)
    if end == at:
        end["x_m"] += 1.0 if at["x_m"] < 0 else -1.0
        _outside(end, body)


def _outside(at: Json, body: Json) -> None:
    """Above the floor, and clear of what stands there: over it, or before it."""
    least = floor_m(body, at["y_m"]) + 0.01
    around = solids(body)
    tries = [(at["y_m"], at["z_m"]), (at["y_m"], 29.9), (-4.0, at["z_m"]), (-4.0, 29.9), (-20.0, at["z_m"])]
    for y, z in tries:
        at["y_m"], at["z_m"] = y, max(z, least if y == tries[0][0] else floor_m(body, y) + 0.01)
        if holding(around, (at["x_m"], at["y_m"], at["z_m"])) == "clear":
            return


def device(given: Json) -> None:
    """Rings, order of bounds, and fewer rays."""
    family = given["family"]
    if "sweep_start_deg" in given or "sweep_end_deg" in given:
        start, end = sorted((given.get("sweep_start_deg", -90.0), given.get("sweep_end_deg", 5.0)))
        given["sweep_start_deg"], given["sweep_end_deg"] = start, end
        if family == "laser_scan":
            most = max(_RAYS_MOST // len(given["plane_tilts_deg"]) - 1, 1)
            given["step_deg"] = min(max(given["step_deg"], (end - start) / most), 10.0)
    if family == "depth_camera":
        given["columns"], given["rows"] = min(given.get("columns", 64), 64), min(given.get("rows", 48), 48)
    if given.get("ring_m") is not None:
        given["ring_m"] = simple_ring(given["ring_m"])
    for field in given.get("fields", []):
        _field(field)


def _field(field: Json) -> None:
    bounds = ("x_from_m", "x_to_m", "out_from_m", "out_to_m")
    if field.get("ring_m") is not None:
        field["ring_m"] = simple_ring(field["ring_m"])
        for bound in bounds:
            field.pop(bound, None)
        return
    field |= {b: default for b, default in zip(bounds, (-2.0, 2.0, 0.0, 3.0), strict=True) if field.get(b) is None}
    _ordered(field, "x_from_m", "x_to_m")
    _ordered(field, "out_from_m", "out_to_m")

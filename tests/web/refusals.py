"""What fits the schema and still cannot be computed, stated a second time and apart from the service's own checks.

From the service come only its published catalogues (bodies, families, rule sets) and the two numbers of its budget.
Each rule gives faults as (code, pointer). Where a number lies so close to a limit that two right programs may differ,
the fault is allowed and not demanded.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from math import floor, prod, radians, tan
from typing import Any, Literal

import msgspec
import shapely

from sillcast.planner import RAYS_MOST, WORK_MOST, Planner

Json = dict[str, Any]
Fault = tuple[str, str]
State = Literal["clear", "doubtful", "inside"]

REFERENCE_BODY = "reference_body_upright"
BODIES = {each.name: each for each in Planner().bodies().bodies}
_RULE_SETS = {each["name"]: each for each in msgspec.to_builtins(Planner().rule_sets())["rule_sets"]}
_FIXED_PLACES = {"induction_loop", "pressure_edge", "pressure_mat"}  # on the floor or on the leaf
_COUNTERPARTS = {each.name for each in Planner().families().families if each.needs_counterpart}

_LEAST_GAP_M = 0.001  # two faces closer than this are one
_LEAST_AREA_M2 = 1e-6
_SKIN_M = 1e-6  # a sensor this deep in a face still sits on it
_NEAR = 1e-9
LISTED_MOST = 25  # faults that one answer lists


@dataclass
class Refusals:
    """Faults of one request: by the step in which all of them are told at once, and those near a limit."""

    at_once: set[Fault] = field(default_factory=set)
    later: set[Fault] = field(default_factory=set)
    doubtful: set[Fault] = field(default_factory=set)

    @property
    def certain(self) -> set[Fault]:
        return self.at_once | self.later

    @property
    def allowed(self) -> set[Fault]:
        return self.certain | self.doubtful


def refusals(body: Json, route: str) -> Refusals:
    """Faults of a request that fits the schema, as far as the route looks at what they are about."""
    found = Refusals()
    rules = [_door, _site, _names, _bodies, _traffic, _output_bodies, _output, _sensors, _rules]
    later: list[tuple[str, str, bool]] = []
    if route == "/v1/mount-searches":
        rules += [_search]
        later += [*_mounts_most(body)]
    elif route != "/v1/needs":
        rules += [_places]
        later += [*_muting(body), *_work(body), *_nested(body)]
    for code, pointer, sure in (each for rule in rules for each in rule(body)):
        (found.at_once if sure else found.doubtful).add((code, pointer))
    for code, pointer, sure in later:
        (found.later if sure else found.doubtful).add((code, pointer))
    return found


Found = Iterator[tuple[str, str, bool]]


def _apart(pointer: str, low: float, high: float, least: float = _LEAST_GAP_M, code: str = "order") -> Found:
    if high - low < least + _NEAR:
        yield code, pointer, high - low < least - _NEAR


def _of(item: Any, name: str, absent: Any) -> Any:
    """A member, or what stands for it where it is absent or null."""
    value = item.get(name)
    return absent if value is None else value


def _door(body: Json) -> Found:
    door = body["door"]
    wall = door.get("wall", {})
    yield from _apart("/door/wall/far_face_y_m", wall.get("near_face_y_m", -0.15), wall.get("far_face_y_m", 0.15))
    motion = door["motion"]
    for name in ("opening", "closing"):
        given = [motion[name].get(each) is not None for each in ("speed_m_per_s", "time_s")]
        if all(given) or not any(given):
            yield "speed_or_time", f"/door/motion/{name}", True
    if motion["kind"] == "sliding" and motion.get("leaves", 1) == 1 and motion.get("opens_to") == "both":
        yield "one_leaf", "/door/motion/opens_to", True
    thick, pitch = door.get("leaf", {}).get("thickness_m", 0.04), motion.get("panel_pitch_m", 0.0)
    if motion["kind"] == "sliding" and motion.get("panels", 1) > 1 and 0.0 < abs(pitch) < thick:
        yield "panels_meet", "/door/motion/panel_pitch_m", True
    for name in ("guides", "header"):
        part = door.get(name)
        if part and part["to_y_m"] <= part["from_y_m"]:
            yield "faces_swapped", f"/door/{name}/to_y_m", True


@cache
def _ring_state(ring: tuple[tuple[float, float], ...]) -> Literal["sound", "doubtful", "wrong"]:
    open_ring = [a for a, b in pairwise((*ring, ring[0])) if a != b]
    if len(open_ring) < 3:
        return "wrong"
    line, hull = shapely.LinearRing(open_ring), shapely.MultiPoint(open_ring).convex_hull.area
    area = abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise((*open_ring, open_ring[0])))) / 2
    if min(hull, area if line.is_simple else hull) < _LEAST_AREA_M2 * 0.99:
        return "wrong"
    if min(hull, area) < _LEAST_AREA_M2 * 1.01 and line.is_simple:
        return "doubtful"
    return "sound" if line.is_simple else "wrong"


def ring_state(ring: Iterable[Sequence[float]]) -> Literal["sound", "doubtful", "wrong"]:
    """Whether a ring, open or closed, has an area and no side that crosses or touches another."""
    return _ring_state(tuple((float(x), float(y)) for x, y in ring))


def _ring(ring: Iterable[Sequence[float]], pointer: str) -> Found:
    state = ring_state(ring)
    if state != "sound":
        yield "ring", pointer, state == "wrong"


def _site(body: Json) -> Found:
    site = body.get("site", {})
    for i, each in enumerate(site.get("obstacles", [])):
        yield from _ring(each["ring_m"], f"/site/obstacles/{i}/ring_m")
        yield from _apart(f"/site/obstacles/{i}/top_m", each.get("base_m", 0.0), each["top_m"])
    for i, each in enumerate(site.get("neighbours", [])):
        yield from _ring(each["ring_m"], f"/site/neighbours/{i}/ring_m")


def _names(body: Json) -> Found:
    lists = (
        ("/site/obstacles", body.get("site", {}).get("obstacles", []), ()),
        ("/site/neighbours", body.get("site", {}).get("neighbours", []), ()),
        ("/traffic", body.get("traffic", []), ()),
        ("/sensors", body.get("sensors", []), ()),
        ("/bodies", body.get("bodies", []), BODIES),
        ("/rules/overrides", body.get("rules", {}).get("overrides", []), ()),
        ("/devices", body.get("devices", []), ()),
    )
    for pointer, items, taken in lists:
        for i, each in enumerate(items):
            if each["name"] in taken or each["name"] in [other["name"] for other in items[:i]]:
                yield "duplicate", f"{pointer}/{i}/name", True
    names = [each["name"] for each in body.get("sensors", [])]
    for i, each in enumerate(body["door"].get("muting", [])):
        if names and each["sensor"] not in names:
            yield "unknown_sensor", f"/door/muting/{i}/sensor", True


def _muting(body: Json) -> Found:
    """Without sensors muting is refused only where they are placed."""
    if not body.get("sensors"):
        for i, _ in enumerate(body["door"].get("muting", [])):
            yield "unknown_sensor", f"/door/muting/{i}/sensor", True


def _known(body: Json) -> set[str]:
    return {*BODIES, *(each["name"] for each in body.get("bodies", []))}


def _bodies(body: Json) -> Found:
    for i, each in enumerate(body.get("bodies", [])):
        if each.get("shape", "box") != "sphere" and each.get("height_m") is None:
            yield "missing", f"/bodies/{i}/height_m", True


def _traffic(body: Json) -> Found:
    for i, each in enumerate(body.get("traffic", [])):
        lane = each.get("lane")
        if lane is None and each.get("passes") == "by":
            yield "missing", f"/traffic/{i}/lane", True
        if lane is not None:
            yield from _apart(f"/traffic/{i}/lane/out_to_m", lane["out_from_m"], lane["out_to_m"])
        if each.get("from_sides") in (["near", "near"], ["far", "far"]):
            yield "duplicate", f"/traffic/{i}/from_sides", True
        if each.get("body") is not None and each["body"] not in _known(body):
            yield "unknown_body", f"/traffic/{i}/body", True


def _output_bodies(body: Json) -> Found:
    output, known = body.get("output", {}), _known(body)
    for part in ("detections", "counts"):
        for i, each in enumerate(output.get(part, [])):
            if each["body"] not in known:
                yield "unknown_body", f"/output/{part}/{i}/body", True
    for i, each in enumerate(output.get("smallest", [])):
        for j, name in enumerate(each["bodies"]):
            if name not in known:
                yield "unknown_body", f"/output/smallest/{i}/bodies/{j}", True


def _output(body: Json) -> Found:
    output = body.get("output", {})
    for i, each in enumerate(output.get("detections", [])):
        if (each.get("heading_deg") is None) is not (each.get("speed_m_per_s") is None):
            yield "one_of", f"/output/detections/{i}", True
    for i, each in enumerate(output.get("bands", [])):
        if each["high_m"] < each["low_m"]:
            yield "order", f"/output/bands/{i}/high_m", True


def needs_counterpart(family: str) -> bool:
    """Whether sensors of a family have a second end."""
    return family in _COUNTERPARTS


def has_fixed_place(family: str) -> bool:
    """Whether sensors of a family work on the floor or on the leaf alone."""
    return family in _FIXED_PLACES


def _sensors(body: Json) -> Found:
    for i, each in enumerate(body.get("sensors", [])):
        end, at = each.get("counterpart"), f"/sensors/{i}"
        if end is None and needs_counterpart(each["device"]["family"]):
            yield "missing", f"{at}/counterpart", True
        if end is not None and end["position"] == each["mount"]["position"]:
            yield "same_place", f"{at}/counterpart/position", True
        if len(each["purposes"]) != len({*each["purposes"]}):
            yield "duplicate", f"{at}/purposes", True
        yield from _device(each["device"], f"{at}/device")


def _device(device: Json, at: str) -> Found:
    if _of(device, "sweep_end_deg", 0.0) < _of(device, "sweep_start_deg", 0.0):
        yield "order", f"{at}/sweep_end_deg", True
    if device.get("ring_m") is not None:
        yield from _ring(device["ring_m"], f"{at}/ring_m")
    for i, each in enumerate(device.get("fields", [])):
        yield from _field(each, f"{at}/fields/{i}")


def _field(given: Json, at: str) -> Found:
    bounds = [given.get(name) for name in ("x_from_m", "x_to_m", "out_from_m", "out_to_m")]
    ring = given.get("ring_m")
    if ring is not None and bounds == [None] * 4:
        yield from _ring(ring, f"{at}/ring_m")
    elif ring is None and None not in bounds:
        x_from, x_to, out_from, out_to = (float(each or 0.0) for each in bounds)
        yield from _apart(f"{at}/x_to_m", x_from, x_to)
        yield from _apart(f"{at}/out_to_m", out_from, out_to)
    else:
        yield "one_of", at, True


# What needs the scene ---------------------------------------------------------------------------------------------


def floor_m(body: Json, y_m: float) -> float:
    """Height of the floor: its level at the leaf plane and its rise away from it."""
    side = body.get("site", {}).get("floor", {}).get("near" if y_m < 0 else "far", {})
    return float(side.get("level_m", 0.0)) + tan(radians(side.get("slope_deg", 0.0))) * abs(y_m)


Solid = tuple[Any, float, float]


def solids(body: Json) -> list[Solid]:
    """Walls, lintel, guides, header and obstacles: area in plan, base and top, where nothing is wrong with them. [m]"""
    parts = ("/door/wall", "/door/guides", "/door/header")
    found = [] if any(at.startswith(parts) for _, at, _ in _door(body)) else _door_solids(body)
    for each in body.get("site", {}).get("obstacles", []):
        base = each.get("base_m", 0.0)
        if ring_state(each["ring_m"]) == "sound" and each["top_m"] - base >= _LEAST_GAP_M:
            found.append((shapely.Polygon(each["ring_m"]), base, each["top_m"]))
    return found


def _door_solids(body: Json) -> list[Solid]:
    door = body["door"]
    half, height = door["opening"]["width_m"] / 2, door["opening"]["height_m"]
    wall = {"near_face_y_m": -0.15, "far_face_y_m": 0.15, **door.get("wall", {})}
    near, far, top = wall["near_face_y_m"], wall["far_face_y_m"], max(20.0, height + 5.0)
    found = [
        (shapely.box(-half - 30, near, -half, far), -3.0, top),
        (shapely.box(half, near, half + 30, far), -3.0, top),
        (shapely.box(-half, near, half, far), height, top),
    ]
    if guides := door.get("guides"):
        y0, y1, out = guides["from_y_m"], guides["to_y_m"], half + guides["width_m"]
        found += [(shapely.box(-out, y0, -half, y1), 0.0, height), (shapely.box(half, y0, out, y1), 0.0, height)]
    if header := door.get("header"):
        out = half + header.get("beyond_jamb_m", 0.2)
        box = shapely.box(-out, header["from_y_m"], out, header["to_y_m"])
        found.append((box, height, height + header["height_m"]))
    return found


def holding(around: Sequence[Solid], at: Sequence[float]) -> State:
    """Whether a place is inside one of the solids, deeper than their skin, or so close to it that it may be."""
    point, worst = shapely.Point(at[0], at[1]), -1.0
    for area, base, top in around:
        across = area.exterior.distance(point) * (1.0 if area.covers(point) else -1.0)
        worst = max(worst, min(across, at[2] - base, top - at[2]))
    if worst > _SKIN_M + 1e-8:
        return "inside"
    return "doubtful" if worst > _SKIN_M - 1e-8 else "clear"


def _places(body: Json) -> Found:
    around = solids(body) if body.get("sensors") else []
    for i, each in enumerate(body.get("sensors", [])):
        ends = [("mount", each["mount"]["position"])]
        ends += [("counterpart", each["counterpart"]["position"])] if each.get("counterpart") else []
        for name, at in ends:
            pointer = f"/sensors/{i}/{name}/position"
            state = holding(around, (at["x_m"], at["y_m"], at["z_m"]))
            if state != "clear":
                yield "inside", pointer, state == "inside"
            below = floor_m(body, at["y_m"]) - at["z_m"]
            if below > _SKIN_M - 1e-8:
                yield "below_floor", f"{pointer}/z_m", below > _SKIN_M + 1e-8 and state == "clear"


def _rays(device: Json) -> int:
    """Rays of a device, from its sheet."""
    match device["family"]:
        case "laser_scan":
            sweep = device["sweep_end_deg"] - device["sweep_start_deg"]
            return len(device["plane_tilts_deg"]) * (floor(sweep / device["step_deg"] + 1e-9) + 1)
        case "depth_camera":
            return int(device.get("columns", 160) * device.get("rows", 120))
        case "active_infrared":
            return int(device.get("columns", 24) * device.get("rows", 8))
        case "passive_infrared":
            return int(device.get("columns", 8) * device.get("rows", 3)) * 16
        case "light_curtain" | "photobeam":
            return int(device.get("beams", device.get("beam_count", 1)))
    return 0


def _work(body: Json) -> Found:
    rays = sum(_rays(each["device"]) for each in body.get("sensors", []))
    parts = 3 + 2 * bool(body["door"].get("guides")) + bool(body["door"].get("header"))
    parts += len(body.get("site", {}).get("obstacles", []))
    states = len(body.get("output", {}).get("states", [0.0]))
    share = max(rays / RAYS_MOST, rays * (parts + 4) * (5 + states) / WORK_MOST)
    if share > 0.95:  # a family may send some rays less than its sheet says, out of range for one
        yield "budget", "/sensors", share > 1.05


def _nested(body: Json) -> Found:
    """Bodies of one shape, each holding the one before; told only where rays are counted."""
    own = {each["name"]: each for each in body.get("bodies", [])}
    for i, each in enumerate(body.get("output", {}).get("smallest", [])):
        sizes = [_size(own.get(name) or msgspec.structs.asdict(BODIES[name])) for name in each["bodies"]
                 if name in own or name in BODIES]  # fmt: skip
        if any(a[0] != b[0] or any(p > q for p, q in zip(a[1:], b[1:], strict=True)) for a, b in pairwise(sizes)):
            yield "not_nested", f"/output/smallest/{i}/bodies", False


def _size(body: Json) -> tuple[Any, ...]:
    width = body["width_m"]
    shape = body.get("shape", "box")
    return shape, width, _of(body, "depth_m", width), _of(body, "height_m", width)


# What needs the catalogue of rules ----------------------------------------------------------------------------------


def _rules(body: Json) -> Found:
    rules = body.get("rules", {})
    for i, name in enumerate(rules.get("protection_bodies", [])):
        if name not in _known(body):
            yield "unknown_body", f"/rules/protection_bodies/{i}", True
    chosen = _RULE_SETS.get(rules.get("set", "industrial_door"))
    if chosen is None:
        yield "unknown_rule_set", "/rules/set", True
    values = _values_of_all(*_RULE_SETS.values()) if chosen is None else _values(chosen, chosen["editions"][-1])
    if (separation := rules.get("separation")) is not None:
        other, edition = _RULE_SETS.get(separation["set"]), separation.get("edition", "2024")
        if fault := _separation(other, edition):
            yield *fault, True
            standards = [each for each in _RULE_SETS.values() if each["protection"] == "separation"]
            values = {**_values_of_all(*standards), **values}
        else:
            values = {**_values(other or {}, edition), **values}
    for i, each in enumerate(rules.get("overrides", [])):
        if each["name"] not in values:
            yield "unknown_override", f"/rules/overrides/{i}/name", True
        elif each["value"] < values[each["name"]]:
            yield "override_too_small", f"/rules/overrides/{i}/value", True


def _separation(chosen: Json | None, edition: str) -> Fault | None:
    if chosen is None:
        return "unknown_rule_set", "/rules/separation/set"
    if chosen["protection"] != "separation":
        return "no_separation", "/rules/separation/set"
    return None if edition in chosen["editions"] else ("unknown_edition", "/rules/separation/edition")


def _values(rule_set: Json, edition: str) -> dict[str, float]:
    """Names of the values of an edition, with the least that may stand in their place."""
    return {
        each["name"]: each.get("least_override", 0.0)
        for each in rule_set["rules"]
        if each.get("edition", "") in ("", edition)
    }


def _values_of_all(*rule_sets: Json) -> dict[str, float]:
    """As `_values`, of whatever set and edition may be meant."""
    return {
        name: least
        for each in rule_sets
        for edition in each["editions"]
        for name, least in _values(each, edition).items()
    }


# Mount searches -----------------------------------------------------------------------------------------------------


def _search(body: Json) -> Found:
    for i, place in enumerate(body["places"]):
        yield from _place(place, f"/places/{i}")
        if any(_is_same_place(place, other) for other in body["places"][:i]):
            yield "duplicate", f"/places/{i}", True
    for name, steps in body.get("angles", {}).items():
        yield from _backwards(steps, f"/angles/{name}")
    if body.get("sides") in (["near", "near"], ["far", "far"]):
        yield "duplicate", "/sides", True
    yield from _search_devices(body)


def _place(place: Json, at: str) -> Found:
    if place["kind"] in ("ceiling", "post") and place.get("out_m") is None:
        yield "missing", f"{at}/out_m", True
    if place["kind"] == "post" and place.get("along_m") is None:
        yield "missing", f"{at}/along_m", True
    for name in ("height_m", "along_m", "stand_off_m", "out_m"):
        yield from _backwards(place.get(name), f"{at}/{name}")
    beside = place["kind"] in ("left_corner", "left_jamb", "right_corner", "right_jamb")
    for name in ("along_m", "out_m") if beside else ("out_m",):
        if place.get(name) is not None and place[name]["least"] < 0:
            yield "out_of_range", f"{at}/{name}/least", True


def _search_devices(body: Json) -> Found:
    for i, each in enumerate(body["devices"]):
        if has_fixed_place(each["device"]["family"]):
            yield "fixed_place", f"/devices/{i}/device/family", True
        if needs_counterpart(each["device"]["family"]):
            yield "needs_counterpart", f"/devices/{i}/device/family", True
        if len(each["purposes"]) != len({*each["purposes"]}):
            yield "duplicate", f"/devices/{i}/purposes", True
        yield from _device(each["device"], f"/devices/{i}/device")


_PLACE = {"along_m": None, "out_m": None, "stand_off_m": {"least": 0.0, "most": 0.3, "step": 0.15}}


def _is_same_place(one: Json, other: Json) -> bool:
    """Whether two places are the same, what is left out as it stands."""
    whole = [
        {
            name: {"step": 0.1, **value} if isinstance(value, dict) else value
            for name, value in {**_PLACE, **each}.items()
        }
        for each in (one, other)
    ]
    return whole[0] == whole[1]


def _mounts_most(body: Json) -> Found:
    if _mounts(body) > _of(body.get("limits", {}), "candidates", 5000):
        yield "budget", "/limits/candidates", True
    yield "budget", "/devices", False


def _mounts(body: Json) -> int:
    """Mounts that the ranges of a search hold together."""
    angles = {"tilt_deg": {"least": 0.0, "most": 30.0, "step": 5.0}, **body.get("angles", {})}
    turns = prod(_count(steps) for steps in angles.values())
    total = 0
    for place in body["places"]:
        free = place["kind"] in ("ceiling", "post")
        out = place.get("out_m") if free else place.get("stand_off_m", {"least": 0.0, "most": 0.3, "step": 0.15})
        along = place.get("along_m")
        spread = 5 if place["kind"] in ("lintel", "ceiling", "post") else 1
        total += (_count(along) if along else spread) * (_count(out) if out else 0) * _count(place["height_m"])
    return total * turns * len(body["devices"]) * len(body.get("sides", ["near"]))


def _count(steps: Json) -> int:
    return max(floor((steps["most"] - steps["least"]) / steps.get("step", 0.1) + 1e-9) + 1, 0)


def _backwards(steps: Json | None, pointer: str) -> Found:
    if steps is not None and steps["most"] < steps["least"]:
        yield "order", f"{pointer}/most", True

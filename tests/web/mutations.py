"""Requests made from the valid examples by mutations, each from a seed of its own, so that any can be left out."""

import json
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from math import cos, pi, radians, sin
from pathlib import Path
from random import Random
from typing import Any

from sillcast.planner import Planner
from web import shapes
from web.refusals import BODIES, needs_counterpart
from web.repairs import mended

Json = dict[str, Any]

EXAMPLES = {
    path.stem: json.loads(path.read_bytes())
    for path in sorted((Path(__file__).parents[2] / "openapi" / "examples").glob("*.json"))
}
SEARCH = "kettlewharf.mount-search"
_SLOW = ("kettlewharf-dock-door", "microwave", "ultrasonic")

# The cheap routes oftener; what they share with the dear ones is most of it.
_ROUTES = (("/v1/assessments", 3), ("/v1/coverage", 4), ("/v1/needs", 3))
_SEARCH_SHARE = 0.04


@dataclass(frozen=True)
class Case:
    """One request and how it was made: again by `build(seed, kept)`."""

    seed: int
    route: str
    example: str
    kept: tuple[int, ...]
    steps: tuple[str, ...]
    body: bytes

    def __str__(self) -> str:
        told = "\n  ".join(self.steps)
        shown = self.body.decode("utf-8", "backslashreplace")
        again = ",".join(map(str, self.kept))
        return (
            f"POST {self.route}, seed {self.seed}, from {self.example}:\n  {told}\n{shown}\n"
            f"again: python tests/web/test_mutations.py {self.seed} {again}"
        )


def build(seed: int, kept: Sequence[int] | None = None) -> Case:
    """The request of a seed; with `kept`, of its mutations only those."""
    random = Random(seed)
    searching = random.random() < _SEARCH_SHARE
    routes, weights = zip(*_ROUTES, strict=True)
    route = "/v1/mount-searches" if searching else random.choices(routes, weights)[0]
    names = [each for each in EXAMPLES if each != SEARCH]
    example = SEARCH if searching else random.choices(names, [1 if each in _SLOW else 4 for each in names])[0]
    body = _small(example)
    count = random.choice((1, 1, 2, 2, 3, 5))
    plan = [(_drawn(random), random.randrange(1 << 32)) for _ in range(count)]
    consistent, garbled = random.random() < 0.6, random.random() < 0.08
    chosen = range(count + 2) if kept is None else kept
    steps: list[str] = []
    for i in (i for i in chosen if i < count):
        mutation, own = plan[i]
        try:
            told = mutation(Random(own), body, route)
        except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
            told = "not any more: an earlier one took away what it works on"
        steps.append(f"{i} {mutation.__name__}: {told}")
    if consistent and count in chosen and shapes.fits(route, body):
        body = mended(body)
        steps.append(f"{count} mended")
    content = json.dumps(body).encode("utf-8", "surrogatepass")
    if garbled and count + 1 in chosen:
        told, content = _garbled(random, content)
        steps.append(f"{count + 1} garbled: {told}")
    return Case(seed, route, example, tuple(chosen), tuple(steps), content)


def _small(example: str) -> Json:
    """A copy of an example that is quick to answer."""
    body: Json = deepcopy(EXAMPLES[example])
    if example == SEARCH:
        device = body["devices"][0]["device"]
        device |= {"plane_tilts_deg": [2.0, 20.0], "step_deg": 3.0}
        for place in body["places"]:
            place |= {"height_m": {"least": 4.6, "most": 4.7, "step": 0.1}, "stand_off_m": {"least": 0.1, "most": 0.1}}
        body["angles"] = {"tilt_deg": {"least": 0.0, "most": 4.0, "step": 4.0}}
        return body | {"sensors_per_side": 1, "limits": {"candidates": 200, "results": 1}}
    for sensor in body["sensors"]:
        device = sensor["device"]
        if device["family"] == "laser_scan":
            device |= {"plane_tilts_deg": device["plane_tilts_deg"][::2], "step_deg": max(device["step_deg"], 1.0)}
        if device["family"] == "depth_camera":
            device |= {"columns": 40, "rows": 30}
    body["output"] = {**body.get("output", {}), "proposals": False}
    return body


# Finding and changing places ------------------------------------------------------------------------------------


def _at(body: Any, path: Sequence[str | int]) -> Any:
    for step in path:
        body = body[step]
    return body


def _put(body: Any, path: Sequence[str | int], value: Any) -> str:
    _at(body, path[:-1])[path[-1]] = value
    return f"{'/'.join(map(str, path))} = {json.dumps(value)[:80]}"


def _places(body: Json, route: str, *types: str) -> list[tuple[shapes.Path_, Json]]:
    found = [each for each in shapes.places(body, shapes.root(route)) if each[0]]
    return [each for each in found if not types or each[1].get("type") in types]


def _numbers(body: Json, route: str) -> list[tuple[shapes.Path_, Json]]:
    """Numbers, corners of rings seldom: they have mutations of their own."""
    found = _places(body, route, "number", "integer")
    return [each for each in found if "ring_m" not in each[0]] or found


Mutation = Callable[[Random, Json, str], str]
_MUTATIONS: list[tuple[Mutation, int]] = []


def _mutation(weight: int) -> Callable[[Mutation], Mutation]:
    def kept(mutation: Mutation) -> Mutation:
        _MUTATIONS.append((mutation, weight))
        return mutation

    return kept


def _drawn(random: Random) -> Mutation:
    mutations, weights = zip(*_MUTATIONS, strict=True)
    return random.choices(mutations, weights)[0]  # type: ignore[no-any-return]


# Numbers ------------------------------------------------------------------------------------------------------------


@_mutation(10)
def another_number(random: Random, body: Json, route: str) -> str:
    path, schema = random.choice(_numbers(body, route))
    value = _at(body, path)
    drawn = random.choice((value * random.uniform(0.3, 2.0), -value, shapes.number(schema, random)))
    low, high = shapes.bounds(schema)
    drawn = min(max(drawn, low), high)
    return _put(body, path, round(drawn) if schema["type"] == "integer" else drawn)


@_mutation(8)
def a_number_at_its_bound(random: Random, body: Json, route: str) -> str:
    path, schema = random.choice(_numbers(body, route))
    low, high = shapes.bounds(schema)
    return _put(body, path, random.choice((low, high)))


@_mutation(2)
def a_number_beyond_its_bound(random: Random, body: Json, route: str) -> str:
    path, schema = random.choice(_numbers(body, route))
    low, high = shapes.bounds(schema)
    return _put(body, path, random.choice((low - 1, high + 1, 1e9, -1e9, 10**30, low - 1e-6, high * 1.0001 + 1e-6)))


@_mutation(2)
def another_unit(random: Random, body: Json, route: str) -> str:
    """Millimetres, inches, feet; radians."""
    path, schema = random.choice(_numbers(body, route))
    factor = radians(1) if str(path[-1]).endswith("_deg") else random.choice((1000.0, 1 / 0.0254, 1 / 0.3048, 0.001))
    value = _at(body, path) * factor
    return _put(body, path, round(value) if schema["type"] == "integer" else value)


@_mutation(2)
def an_odd_zero(random: Random, body: Json, route: str) -> str:
    path, _ = random.choice(_numbers(body, route))
    return _put(body, path, random.choice((0, -0.0, 0.0, 5e-324, -1e-300, 1e-17)))


@_mutation(2)
def a_whole_number_as_a_float(random: Random, body: Json, route: str) -> str:
    path, schema = random.choice(_numbers(body, route))
    return _put(body, path, float(round(_at(body, path))) if schema["type"] == "integer" else round(_at(body, path)))


# Rings and places --------------------------------------------------------------------------------------------------


def _rings(body: Json, route: str) -> list[shapes.Path_]:
    return [path for path, _ in _places(body, route, "array") if path[-1] == "ring_m"]


@_mutation(8)
def a_ring_moved(random: Random, body: Json, route: str) -> str:
    if not (rings := _rings(body, route)):
        return "none"
    path = random.choice(rings)
    x, y = random.choice(((0, 0), (random.uniform(-3, 3), random.uniform(-3, 3)), (random.choice((-0.2, 0.2)), 0.9)))
    turn, scale = random.choice((0, 90, random.uniform(0, 360))), random.choice((1, 1, 3, 0.1))
    ring = _at(body, path)
    (cx, cy), a = ring[0], radians(turn)
    moved = [
        [
            cx + x + scale * (cos(a) * (u - cx) - sin(a) * (v - cy)),
            cy + y + scale * (sin(a) * (u - cx) + cos(a) * (v - cy)),
        ]
        for u, v in ring
    ]
    return _put(body, path, [[min(max(round(v, 6), -60.0), 60.0) for v in each] for each in moved])


@_mutation(4)
def a_ring_written_otherwise(random: Random, body: Json, route: str) -> str:
    """The same area: the other way round, closed, from another corner, a corner twice, a corner on a side."""
    if not (rings := _rings(body, route)):
        return "none"
    path = random.choice(rings)
    ring = list(_at(body, path))
    match random.randrange(5):
        case 0:
            ring.reverse()
        case 1:
            ring.append(ring[0])
        case 2:
            ring = [*ring[1:], ring[0]]
        case 3:
            ring.insert(1, ring[0])
        case 4:
            ring.insert(1, [(u + v) / 2 for u, v in zip(ring[0], ring[1], strict=True)])
    return _put(body, path, ring)


@_mutation(3)
def a_ring_spoilt(random: Random, body: Json, route: str) -> str:
    """Crossing, without area, with a spike, with one corner, far away, of a hair's area."""
    if not (rings := _rings(body, route)):
        return "none"
    path = random.choice(rings)
    ring = [list(each) for each in _at(body, path)]
    hair = random.choice((1e-6, 1e-3, 2e-3))
    x, y = ring[0]
    spoilt: Any = random.choice(
        (
            [ring[0], *ring[2:], ring[1]],
            [ring[0]] * len(ring),
            [[x, y], [x + 1, y], [x + 2, y]],
            [*ring, [50.0, 50.0], ring[-1]],
            ring[:2],
            [[60.0, 60.0], [60.0, -60.0], [-60.0, -60.0], [-60.0, 60.0]],
            [[x, y], [x + hair, y], [x + hair, y + hair], [x, y + hair]],
            [[x + cos(2 * pi * i / 128), y + sin(2 * pi * i / 128)] for i in range(128)],
            [[x + cos(2 * pi * i / 129), y + sin(2 * pi * i / 129)] for i in range(129)],
        )
    )
    return _put(body, path, spoilt)


@_mutation(6)
def a_sensor_elsewhere(random: Random, body: Json, route: str) -> str:
    if not (sensors := body.get("sensors")):
        return "none"
    sensor = random.choice(sensors)
    at = sensor["mount"]["position"]
    near = body["door"].get("wall", {}).get("near_face_y_m", -0.15)
    half, height = body["door"]["opening"]["width_m"] / 2, body["door"]["opening"]["height_m"]
    rings = [each["ring_m"][0] for each in body.get("site", {}).get("obstacles", [])]
    tries = [
        (at["x_m"], near, at["z_m"]),
        (at["x_m"], near + random.choice((1e-7, 2e-6, 1e-3)), at["z_m"]),
        (-half, near - 0.05, height),
        (half + 0.2, 0.0, 1.0),
        (0.0, 0.0, height + 0.1),
        (0.0, 0.0, height),
        (at["x_m"], -at["y_m"], at["z_m"]),
        (0.0, -1.0, random.choice((0.0, -1e-9, -0.5))),
        (random.uniform(-5, 5), random.uniform(-5, 5), random.uniform(0, 6)),
        (60.0, -60.0, 30.0),
        *(
            (x + random.choice((0.0, 0.05)), y + random.choice((0.0, 0.05)), random.choice((0.5, 1.1)))
            for x, y in rings
        ),
    ]
    x, y, z = random.choice(tries)
    sensor["mount"]["position"] = {"x_m": x, "y_m": y, "z_m": z}
    return f"{sensor['name']} at ({x:g}, {y:g}, {z:g})"


@_mutation(3)
def a_sensor_turned(random: Random, body: Json, route: str) -> str:
    if not (sensors := body.get("sensors")):
        return "none"
    mount = random.choice(sensors)["mount"]
    mount |= {
        "tilt_deg": random.choice((-90.0, 0.0, 45.0, 90.0, 120.0, random.uniform(-90, 120))),
        "yaw_deg": random.choice((-180.0, -90.0, 0.0, 180.0, random.uniform(-180, 180))),
        "roll_deg": random.choice((-180.0, 0.0, 90.0, random.uniform(-180, 180))),
        "side": random.choice(("near", "far")),
    }
    return json.dumps(mount)


# Parts ---------------------------------------------------------------------------------------------------------------


@cache
def _devices() -> list[Json]:
    """Worked examples of all families, quick to answer."""
    found = [dict(card.example) for card in Planner().families().families]
    for each in found:
        if each["family"] == "laser_scan":
            each["step_deg"] = 2.0
        if each["family"] == "depth_camera":
            each |= {"columns": 40, "rows": 30}
    return found


@_mutation(5)
def another_family(random: Random, body: Json, route: str) -> str:
    if not (sensors := body.get("sensors") or body.get("devices")):
        return "none"
    sensor = random.choice(sensors)
    sensor["device"] = deepcopy(random.choice(_devices()))
    if "mount" in sensor and needs_counterpart(sensor["device"]["family"]) and random.random() < 0.8:
        sensor["counterpart"] = {"position": {**sensor["mount"]["position"], "x_m": 1.0}}
    return str(sensor["device"]["family"])


@_mutation(3)
def made_up_device(random: Random, body: Json, route: str) -> str:
    if not (sensors := body.get("sensors") or body.get("devices")):
        return "none"
    sensor = random.choice(sensors)
    mapping = shapes.COMPONENTS["Sensor"]["properties"]["device"]["discriminator"]["mapping"]
    family = sensor["device"]["family"]
    sensor["device"] = shapes.made_up({"$ref": mapping[family]}, random)
    if family == "laser_scan":
        sensor["device"] |= {"step_deg": max(sensor["device"]["step_deg"], 1.0)}
    return json.dumps(sensor["device"])


@_mutation(14)
def more_of_an_object(random: Random, body: Json, route: str) -> str:
    """An optional member that was not there, made up from the schema."""
    found = [
        ((*path, name), each)
        for path, schema in [((), shapes.chosen(shapes.root(route))), *_places(body, route, "object")]
        for name, each in schema.get("properties", {}).items()
        if _at(body, path).get(name) is None and name not in ("proposals", "robustness", "counts", "smallest")
    ]
    path, schema = random.choice(found)
    return _put(body, path, shapes.made_up(schema, random, str(path[-1])))


@_mutation(4)
def another_motion(random: Random, body: Json, route: str) -> str:
    kinds = shapes.COMPONENTS["Door"]["properties"]["motion"]
    made = shapes.made_up(kinds, random)
    motion = body["door"]["motion"]
    body["door"]["motion"] = {**made, "opening": motion["opening"], "closing": motion["closing"]}
    return json.dumps(body["door"]["motion"])


@_mutation(4)
def a_phase_by_the_stopwatch(random: Random, body: Json, route: str) -> str:
    phase = body["door"]["motion"][random.choice(("opening", "closing"))]
    if random.random() < 0.8:
        phase.pop("speed_m_per_s", None)
    phase["time_s"] = random.choice((0.1, 2.0, 5.0, 300.0, round(random.uniform(0.1, 20), 2)))
    return json.dumps(phase)


@_mutation(3)
def other_rules(random: Random, body: Json, route: str) -> str:
    sets = [each.name for each in Planner().rule_sets().rule_sets]
    chosen = random.choice(sets)
    rules: Json = {"set": chosen if random.random() < 0.95 else "no such set"}
    if random.random() < 0.5:
        rules["separation"] = {"set": random.choice(("machine_approach",) * 6 + tuple(sets))}
        rules["separation"] |= random.choice(({}, {"edition": "2010"}, {"edition": "2024"}, {"edition": "1066"}))
    values = [each.name for each in Planner().rule_set(chosen).rules] if chosen in sets else []
    if values and random.random() < 0.5:
        value = random.choice((0.0, 0.1, 1.0, 3.0, 1e6, -1.0, round(random.uniform(0, 5), 3)))
        rules["overrides"] = [{"name": random.choice((*values, "none")), "value": value, "reason": "measured"}]
    body["rules"] = rules
    return json.dumps(rules)


@_mutation(5)
def other_output(random: Random, body: Json, route: str) -> str:
    if route == "/v1/mount-searches":
        return "none"
    bodies = [*BODIES, *(each["name"] for each in body.get("bodies", []))]
    moving = random.choice(({}, {}, {"heading_deg": random.choice((0.0, 90.0, -90.0)), "speed_m_per_s": 1.0}))
    output = {
        "heights_m": random.choice(([], [0.0], [0.0, 0.2, 20.0])),
        "detections": [
            {"body": random.choice(bodies), "angle_deg": random.choice((0.0, 45.0, 90.0, -180.0, 17.3)), **moving}
        ],
        "states": random.choice(([0.0], [1.0], [0.0, 1.0], [0.5], [0.3, 0.3])),
        "counts": random.choice(([], [], [{"body": random.choice(bodies), "cell_m": random.choice((0.1, 0.5, 0.02))}])),
        "bands": random.choice(([], [{"low_m": 0.0, "high_m": random.choice((0.0, 1.0))}])),
        "smallest": random.choice(([], [], [{"bodies": random.sample(bodies, 2), "cell_m": 0.2}])),
        "shadows": random.random() < 0.3,
        "rays": random.random() < 0.3,
        "picture": random.random() < 0.1,
    }
    keys = random.sample(sorted(output), random.randint(1, 4))
    body["output"] |= {key: output[key] for key in keys}
    return json.dumps({key: output[key] for key in keys})


@_mutation(3)
def a_body_of_ones_own(random: Random, body: Json, route: str) -> str:
    width = random.choice((0.005, 0.05, 0.3, 2.0, 10.0))
    own = {"name": "own body", "shape": random.choice(("box", "cylinder", "sphere")), "width_m": width, "height_m": 0.5}
    body.setdefault("bodies", []).append(own)
    where = random.choice([*body.get("traffic", []), None])
    if where is None:
        body.setdefault("rules", {})["protection_bodies"] = ["own body"]
    else:
        where["body"] = "own body"
    return json.dumps(own)


@_mutation(3)
def many(random: Random, body: Json, route: str) -> str:
    """An item of a list many times, up to the most that fit and one more; mostly with names of their own."""
    arrays = [each for each in _places(body, route, "array") if "maxItems" in each[1] and _at(body, each[0])]
    path, schema = random.choice(arrays)
    items = _at(body, path)
    most = schema["maxItems"]
    count = random.choice((2, 2, min(most, 8), min(most, 8), most, most + 1))
    if path[-1] == "sensors" and route != "/v1/needs":
        count = min(count, 3)
    own_names = random.random() < 0.7
    grown = [deepcopy(random.choice(items)) for _ in range(count)]
    for i, each in enumerate(grown):
        if own_names and isinstance(each, dict) and "name" in each:
            each["name"] = f"{each['name'][:50]} {i}"
    return f"{_put(body, path, grown)[:60]} x {count}"


# What breaks the schema, mostly ----------------------------------------------------------------------------------------


@_mutation(2)
def a_member_left_out(random: Random, body: Json, route: str) -> str:
    members = [path for path, _ in _places(body, route) if isinstance(path[-1], str)]
    path = random.choice(members)
    del _at(body, path[:-1])[path[-1]]
    return "/".join(map(str, path))


@_mutation(1)
def a_member_too_many(random: Random, body: Json, route: str) -> str:
    path = random.choice([(), *(path for path, _ in _places(body, route, "object"))])
    name = random.choice(("width", "x_mm", "", "a/b~c", "n" * 200, "größe", "door"))
    return _put(body, (*path, name), 1)


@_mutation(2)
def another_sort_of_value(random: Random, body: Json, route: str) -> str:
    path, _ = random.choice(_places(body, route))
    return _put(body, path, random.choice((None, True, "1.5", "", [], {}, [[]], 1, [None], -1.5, "near")))


@_mutation(2)
def another_choice(random: Random, body: Json, route: str) -> str:
    found = [each for each in _places(body, route) if "enum" in each[1]]
    path, schema = random.choice(found) if found else ((), {})
    return _put(body, path, random.choice((*schema["enum"], *schema["enum"], "none", ""))) if path else "none"


@_mutation(2)
def another_name(random: Random, body: Json, route: str) -> str:
    names = [path for path, _ in _places(body, route, "string") if path[-1] in ("name", "body", "sensor", "set")]
    if not names:
        return "none"
    taken = [_at(body, path) for path in names]
    odd = ("", "x" * 64, "x" * 65, "a\n", "ä", "\ud800", "..", " ", "a/b", "<script>", "reference_body_upright", "0")
    return _put(body, random.choice(names), random.choice((*odd, *taken, *taken)))


def _garbled(random: Random, content: bytes) -> tuple[str, bytes]:
    """Bytes changed without regard to JSON, or numbers and keys as only text can hold them."""
    at = random.randrange(len(content))
    colon = content.find(b": ", at)
    number = next((i for i in range(at, len(content)) if content[i : i + 1].isdigit()), 0)
    token = random.choice(
        (
            b"1e999",
            b"-1e999",
            b"1e-999",
            b"-0",
            b"-0.0",
            b"1E+2",
            b"9" * 400,
            b"NaN",
            b"-Infinity",
            b"01",
            b"1.",
            b"0x1",
        )
    )
    end = number + len(content[number:]) - len(content[number:].lstrip(b"0123456789.eE+-"))
    key_start = content.rfind(b'"', 0, content.rfind(b'"', 0, colon)) if colon > 0 else 0
    pair_end = min((i for i in (content.find(b",", colon), content.find(b"}", colon)) if i > 0), default=0)
    kinds = {
        "a byte": content[:at] + bytes([random.randrange(256)]) + content[at + 1 :],
        "cut": content[:at],
        "a byte less": content[:at] + content[at + 1 :],
        "bytes more": content[:at]
        + random.choice((b"\x00", b"\xff", b"\xc3", b"\\ud800", b"[" * 3000, b"{}"))
        + content[at:],
        "a number": content[:number] + token + content[end:],
        "a pair twice": content[:pair_end] + b"," + content[key_start:pair_end] + content[pair_end:],
        "a mark before": b"\xef\xbb\xbf" + content,
        "another encoding": content.decode("utf-8", "surrogatepass").encode("utf-16", "surrogatepass"),
        "nothing": b"",
        "blanks": b" " * at + content + b"\n" * 3,
        "more after": content + random.choice((b"{}", b",", b"\x00", b"  \t")),
        "escaped": content.replace(b"door", rb"\u0064oor", 1),
    }
    kind = random.choice([*kinds])
    return f"{kind} at {at}", kinds[kind]

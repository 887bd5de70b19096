"""The published schemas of request bodies: what stands where, what may stand there, and a value that fits."""

import json
from collections.abc import Callable, Iterator
from functools import cache
from math import cos, pi, sin
from pathlib import Path
from random import Random
from typing import Any

import jsonschema

Json = dict[str, Any]
Path_ = tuple[str | int, ...]

DOCUMENT = json.loads((Path(__file__).parents[2] / "openapi" / "openapi.json").read_bytes())
COMPONENTS: dict[str, Json] = DOCUMENT["components"]["schemas"]
ROOTS = {
    "/v1/assessments": "AssessmentRequest",
    "/v1/coverage": "AssessmentRequest",
    "/v1/needs": "AssessmentRequest",
    "/v1/mount-searches": "MountSearchRequest",
}

_SORTS: dict[str, Any] = {"object": dict, "array": list, "number": (int, float), "integer": int, "boolean": bool}

_EXTRA = 0.25  # share of the optional members that a made-up object has
_ITEMS_MOST = 3
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 _.-"


@cache
def _validator(route: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(
        {"$ref": f"#/components/schemas/{ROOTS[route]}", "components": {"schemas": COMPONENTS}}
    )


def fits(route: str, body: Any) -> bool:
    """Whether a body fits the published schema, as an independent validator reads it."""
    return bool(_validator(route).is_valid(body))


def chosen(schema: Json, value: Any = None) -> Json:
    """The schema itself behind references, null and the choice that a value makes among tagged ones."""
    if "$ref" in schema:
        return chosen(COMPONENTS[schema["$ref"].rpartition("/")[2]], value)
    if "discriminator" in schema:
        tag = value.get(schema["discriminator"]["propertyName"]) if isinstance(value, dict) else None
        mapping = schema["discriminator"]["mapping"]
        return chosen({"$ref": mapping.get(tag) or next(iter(mapping.values()))}, value)
    if "anyOf" in schema:
        return chosen(next(each for each in schema["anyOf"] if each.get("type") != "null"), value)
    return schema


def places(value: Any, schema: Json, at: Path_ = ()) -> Iterator[tuple[Path_, Json]]:
    """Every place of a value that holds the sort of thing its schema wants there, with that schema."""
    schema = chosen(schema, value)
    if isinstance(value, bool) is not (schema.get("type") == "boolean"):
        return
    if not isinstance(value, _SORTS.get(schema.get("type", ""), str)):
        return
    yield at, schema
    if isinstance(value, dict):
        for name, each in value.items():
            if name in schema.get("properties", {}):
                yield from places(each, schema["properties"][name], (*at, name))
    elif isinstance(value, list) and "items" in schema:
        for i, each in enumerate(value):
            yield from places(each, schema["items"], (*at, i))


def root(route: str) -> Json:
    return {"$ref": f"#/components/schemas/{ROOTS[route]}"}


def made_up(schema: Json, random: Random, name: str = "") -> Any:
    """A value that fits a schema; rings are simple, so that most of what is made up can be computed."""
    if name == "ring_m":
        return star(random)
    if "discriminator" in schema:
        schema = {"$ref": random.choice([*schema["discriminator"]["mapping"].values()])}
    schema = chosen(schema)
    if "const" in schema:
        return schema["const"]
    if "enum" in schema:
        return random.choice(schema["enum"])
    return _MAKERS[schema.get("type", "string")](schema, random)


def _array(schema: Json, random: Random) -> list[Any]:
    least = schema.get("minItems", 0)
    most = min(schema.get("maxItems", _ITEMS_MOST), max(_ITEMS_MOST, least))
    return [made_up(schema["items"], random) for _ in range(random.randint(least, most))]


def _text(schema: Json, random: Random) -> str:
    return "".join(random.choices(_LETTERS, k=random.randint(1, min(schema.get("maxLength", 20), 20))))


def _object(schema: Json, random: Random) -> Json:
    required = schema.get("required", [])
    wanted = [name for name in schema["properties"] if name in required or random.random() < _EXTRA]
    return {name: made_up(schema["properties"][name], random, name) for name in wanted}


def number(schema: Json, random: Random) -> float:
    """Within the bounds: anywhere, near the lower one, or a round figure."""
    low, high = bounds(schema)
    drawn = random.choice((random.uniform(low, high), low + (high - low) * random.random() ** 4))
    return min(max(round(drawn, random.choice((0, 1, 2, 3, 6))), low), high)


def bounds(schema: Json) -> tuple[float, float]:
    """Least and greatest that a number may be, open ends taken a hair inside."""
    low = schema.get("minimum", schema.get("exclusiveMinimum", 0.0) + 1e-9)
    return low, schema.get("maximum", schema.get("exclusiveMaximum", 1e6) - 1e-9)


def star(random: Random) -> list[list[float]]:
    """A simple ring about a place before or behind the door, corners in order around it."""
    x, y = random.uniform(-4, 4), random.choice((-1, 1)) * random.uniform(0.3, 5)
    corners = random.choice((3, 4, 5, 8, 17))
    turn, size = random.uniform(0, 2 * pi), random.choice((0.05, 0.2, 1.0, 2.0))
    return [
        [round(x + r * cos(a), 4), round(y + r * sin(a), 4)]
        for a, r in ((turn + 2 * pi * i / corners, size * random.uniform(0.4, 1.0)) for i in range(corners))
    ]


_MAKERS: dict[str, Callable[[Json, Random], Any]] = {
    "object": _object,
    "array": _array,
    "number": number,
    "integer": lambda schema, random: random.randint(schema["minimum"], schema["maximum"]),
    "boolean": lambda _, random: random.random() < 0.5,
    "string": _text,
}

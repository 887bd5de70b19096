"""The document says of each field what it is, of each number its unit, and of what is sent how much it may be."""

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from sillcast.planner import Planner
from sillcast.web import openapi

Json = dict[str, Any]
UNIT = re.compile(r"\[[^\]]+\]$")


@pytest.fixture(scope="module")
def document(planner: Planner) -> Json:
    return openapi.document(planner)


@pytest.fixture(scope="module")
def schemas(document: Json) -> dict[str, Json]:
    found: dict[str, Json] = document["components"]["schemas"]
    return found


def undescribed(schemas: dict[str, Json]) -> list[str]:
    """Properties without a description, their own or that of the schema that they refer to."""
    return [where for where, each in properties(schemas) if not described(schemas, each)]


def described(schemas: dict[str, Json], schema: Json) -> bool:
    return bool(schema.get("description") or schemas.get(referred(schema), {}).get("description"))


def without_unit(schemas: dict[str, Json]) -> list[str]:
    """Properties that hold numbers, and whose description does not end in a unit in brackets."""
    return [
        where
        for where, each in properties(schemas)
        if any(is_number(part) for part in parts(each)) and not UNIT.search(each.get("description", ""))
    ]


def unbounded(schemas: dict[str, Json], sent: list[str]) -> list[str]:
    """Parts of the schemas that are sent, also at second hand, of which a bound is missing."""
    reached: dict[str, None] = {}
    while sent:
        name, *sent = sent
        if name not in reached:
            reached[name] = None
            sent += [found for part in every(schemas[name]) if (found := referred(part))]
    return [f"{name}: {part}" for name in reached for part in every(schemas[name]) if not bounded(part)]


def bounded(part: Json) -> bool:
    if part.keys() & {"enum", "const", "$ref", "anyOf", "oneOf"}:
        return True
    if is_number(part):
        low, high = {"minimum", "exclusiveMinimum"}, {"maximum", "exclusiveMaximum"}
        return bool(part.keys() & low) and bool(part.keys() & high)
    wanted = {"string": "maxLength", "array": "maxItems", "object": "additionalProperties"}.get(part["type"])
    return wanted is None or (wanted in part and part[wanted] is not True)


def properties(schemas: dict[str, Json]) -> Iterator[tuple[str, Json]]:
    for name, schema in schemas.items():
        for field, each in schema.get("properties", {}).items():
            yield f"{name}.{field}", each


def parts(schema: Json) -> Iterator[Json]:
    """A schema and what its lists, choices and maps hold; not its own properties, nor what it refers to."""
    yield schema
    inner = [*schema.get("anyOf", ()), *schema.get("oneOf", ()), *schema.get("prefixItems", ())]
    inner += [schema[key] for key in ("items", "additionalProperties") if isinstance(schema.get(key), dict)]
    for each in inner:
        yield from parts(each)


def every(schema: Json) -> Iterator[Json]:
    """A schema, its parts, and its properties with theirs."""
    for part in parts(schema):
        yield part
        for each in part.get("properties", {}).values():
            yield from every(each)


def is_number(part: Json) -> bool:
    choices = part.get("enum", ())
    return part.get("type") in ("number", "integer") or any(isinstance(each, int | float) for each in choices)


def referred(schema: Json) -> str:
    return str(schema.get("$ref", "")).rsplit("/", 1)[-1]


def test_each_property_is_described(schemas: dict[str, Json]) -> None:
    assert len(list(properties(schemas))) > 600
    assert undescribed(schemas) == []


def test_each_number_has_a_unit(schemas: dict[str, Json]) -> None:
    assert without_unit(schemas) == []


def test_each_part_of_a_request_has_bounds(schemas: dict[str, Json], document: Json) -> None:
    sent = {
        referred(content["schema"])
        for item in document["paths"].values()
        for operation in item.values()
        for content in operation.get("requestBody", {"content": {}})["content"].values()
    }
    assert sent == {"AssessmentRequest", "MountSearchRequest"}
    assert unbounded(schemas, sorted(sent)) == []


BROKEN: dict[str, tuple[Any, list[str]]] = {
    "nothing said": ({"type": "string"}, ["A.x"]),
    "said by what it refers to": ({"$ref": "#/components/schemas/B"}, []),
    "unit missing": ({"type": "number", "description": "Width."}, ["A.x"]),
    "unit there": ({"type": "number", "description": "Width. [m]"}, []),
    "unit of a list": ({"type": "array", "items": {"type": "integer"}, "description": "Widths."}, ["A.x"]),
    "unit of what may be null": ({"anyOf": [{"type": "number"}, {"type": "null"}], "description": "W."}, ["A.x"]),
    "unit of a choice": ({"enum": [2, 4], "description": "Panels."}, ["A.x"]),
}


@pytest.mark.parametrize("name", BROKEN)
def test_what_is_missing_is_found(name: str) -> None:
    schema, found = BROKEN[name]
    made = {"A": {"properties": {"x": schema}}, "B": {"description": "Another."}}
    assert [*undescribed(made), *without_unit(made)] == found


UNBOUNDED: list[Json] = [
    {"type": "number", "minimum": 0},
    {"type": "integer", "exclusiveMaximum": 1},
    {"type": "string"},
    {"type": "array", "items": {"type": "boolean"}},
    {"type": "array", "maxItems": 3, "items": {"type": "number", "maximum": 1}},
    {"anyOf": [{"type": "null"}, {"type": "string"}]},
    {"type": "object", "additionalProperties": True},
]


@pytest.mark.parametrize("schema", UNBOUNDED, ids=json.dumps)
def test_a_missing_bound_is_found_also_at_second_hand(schema: Json) -> None:
    reference = {"$ref": "#/components/schemas/B"}
    inner = {"type": "object", "additionalProperties": False, "properties": {"y": schema}}
    made = {"A": {**inner, "properties": {"x": {"anyOf": [reference]}}}, "B": inner}
    assert len(unbounded(made, ["A"])) == 1

"""Nothing that a client relies on goes away; and the comparison that says so sees what it must."""

import json
import re
from collections.abc import Callable
from copy import deepcopy
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from web.breaking import breaking

ROOT = Path(__file__).parents[2]
RELEASED = ROOT / "openapi" / "released"

Json = dict[str, Any]


def numbers(name: str) -> tuple[int, ...]:
    return tuple(map(int, name.split(".")))


def released() -> list[str]:
    return sorted((each.stem for each in RELEASED.glob("*.json")), key=numbers)


def test_the_served_document_breaks_nothing_that_was_released(client: Any) -> None:
    # A break on purpose: see the rules in openapi/CHANGES.md.
    last = json.loads((RELEASED / f"{released()[-1]}.json").read_bytes())
    assert breaking(last, client.get("/openapi.json").json()) == []


def test_each_released_version_has_its_document_and_its_notes() -> None:
    notes = re.findall(r"^## (\S+)", (ROOT / "openapi" / "CHANGES.md").read_text(), re.M)
    assert released()
    for name in released():
        assert json.loads((RELEASED / f"{name}.json").read_bytes())["info"]["version"] == name
        assert name in notes
        assert numbers(name) <= numbers(version("sillcast"))


DOCUMENT: Json = {
    "paths": {
        "/v1/needs": {
            "post": {
                "operationId": "require",
                "parameters": [{"name": "Prefer", "in": "header", "schema": {"type": "string"}}],
                "requestBody": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Request"}}}},
                "responses": {
                    "200": {
                        "headers": {"ETag": {}},
                        "content": {
                            "application/json": {"schema": {"$ref": "#/components/schemas/Answer"}},
                            "image/svg+xml": {"schema": {"type": "string"}},
                        },
                    },
                    "422": {"$ref": "#/components/responses/Problem422"},
                },
            }
        },
        "/v1/bodies": {"get": {"operationId": "list_bodies", "responses": {"200": {}}}},
    },
    "components": {
        "responses": {"Problem422": {"content": {"application/problem+json": {"schema": {"type": "object"}}}}},
        "schemas": {
            "Request": {
                "type": "object",
                "properties": {
                    "width_m": {"type": "number", "exclusiveMinimum": 0, "maximum": 20},
                    "name": {"type": "string", "maxLength": 64, "pattern": "^[a-z]+$"},
                    "count": {"type": "integer", "minimum": 1, "maximum": 9, "default": 2},
                    "panels": {"enum": [2, 4]},
                    "from_sides": {
                        "type": "array",
                        "maxItems": 2,
                        "items": {"type": "string", "enum": ["far", "near"]},
                    },
                    "rules": {"anyOf": [{"$ref": "#/components/schemas/Rules"}, {"type": "null"}], "default": None},
                    "device": {
                        "oneOf": [{"$ref": "#/components/schemas/Mat"}, {"$ref": "#/components/schemas/Edge"}],
                        "discriminator": {
                            "propertyName": "family",
                            "mapping": {"mat": "#/components/schemas/Mat", "edge": "#/components/schemas/Edge"},
                        },
                    },
                },
                "required": ["width_m"],
                "additionalProperties": False,
            },
            "Rules": {"type": "object", "properties": {"set": {"type": "string"}}},
            "Mat": {"type": "object", "properties": {"family": {"const": "mat"}}},
            "Edge": {"type": "object", "properties": {"family": {"const": "edge"}}},
            "Answer": {
                "type": "object",
                "properties": {
                    "verdict": {"type": "string", "enum": ["met", "not_met"]},
                    "digest": {"type": "string", "format": "uri"},
                    "point_m": {"type": "array", "minItems": 2, "maxItems": 2, "items": {"type": "number"}},
                    "note": {"type": "string"},
                },
                "required": ["verdict", "point_m"],
            },
        },
    },
}


def operation(document: Json) -> Json:
    found: Json = document["paths"]["/v1/needs"]["post"]
    return found


def field(document: Json, name: str, schema: str = "Request") -> Json:
    found: Json = document["components"]["schemas"][schema]["properties"][name]
    return found


def part(document: Json, name: str) -> Json:
    found: Json = document["components"]["schemas"][name]
    return found


Change = Callable[[Json], object]

BREAKS: dict[str, tuple[Change, str]] = {
    "path gone": (lambda d: d["paths"].pop("/v1/bodies"), "GET /v1/bodies: gone"),
    "method gone": (lambda d: d["paths"].update({"/v1/bodies": {"head": {}}}), "GET /v1/bodies: gone"),
    "operation renamed": (
        lambda d: operation(d).update(operationId="needs"), "POST /v1/needs: operationId require is now needs",
    ),
    "status gone": (lambda d: operation(d)["responses"].pop("422"), "POST /v1/needs: status 422 gone"),
    "media type of an answer gone": (
        lambda d: operation(d)["responses"]["200"]["content"].pop("image/svg+xml"),
        "POST /v1/needs 200: image/svg+xml gone",
    ),
    "media type of problems gone": (
        lambda d: d["components"]["responses"]["Problem422"].pop("content"),
        "POST /v1/needs 422: application/problem+json gone",
    ),
    "media type of the request gone": (
        lambda d: operation(d)["requestBody"].pop("content"), "POST /v1/needs request: application/json gone",
    ),
    "header of an answer gone": (
        lambda d: operation(d)["responses"]["200"].pop("headers"), "POST /v1/needs 200: header ETag gone",
    ),
    "parameter gone": (lambda d: operation(d)["parameters"].clear(), "POST /v1/needs: parameter Prefer gone"),
    "parameter now required": (
        lambda d: operation(d)["parameters"][0].update(required=True), "POST /v1/needs: parameter Prefer must be sent",
    ),
    "property of an answer gone": (
        lambda d: part(d, "Answer")["properties"].pop("note"), "Answer.note: gone from answer",
    ),
    "property of an answer no longer sure": (
        lambda d: part(d, "Answer")["required"].remove("verdict"), "Answer.verdict: may be missing in answer",
    ),
    "choice added to an answer": (
        lambda d: field(d, "verdict", "Answer")["enum"].append("maybe"), "Answer.verdict: may be maybe",
    ),
    "answer may be null": (
        lambda d: field(d, "verdict", "Answer").update(type=["string", "null"]), "Answer.verdict: may be null answer",
    ),
    "format of an answer changed": (
        lambda d: field(d, "digest", "Answer").update(format="date"), "Answer.digest: format uri is now date",
    ),
    "list of an answer of other length": (
        lambda d: field(d, "point_m", "Answer").update(maxItems=3),
        "Answer.point_m: upper bound is wider in the answer",
    ),
    "new required input": (
        lambda d: (part(d, "Request")["properties"].update(depth_m={"type": "number"}),
                   part(d, "Request")["required"].append("depth_m")),
        "Request.depth_m: must be in request",
    ),
    "known input now required": (
        lambda d: part(d, "Request")["required"].append("name"), "Request.name: must be in request",
    ),
    "input gone": (lambda d: part(d, "Request")["properties"].pop("name"), "Request.name: gone from request"),
    "lower bound narrowed": (
        lambda d: field(d, "width_m").update(exclusiveMinimum=0.1),
        "Request.width_m: lower bound is narrower for the request",
    ),
    "upper bound excluded": (
        lambda d: field(d, "width_m").update(exclusiveMaximum=field(d, "width_m").pop("maximum")),
        "Request.width_m: upper bound is narrower for the request",
    ),
    "upper bound narrowed": (
        lambda d: field(d, "count").update(maximum=8), "Request.count: upper bound is narrower for the request",
    ),
    "longest string narrowed": (
        lambda d: field(d, "name").update(maxLength=63), "Request.name: upper bound is narrower for the request",
    ),
    "longest list narrowed": (
        lambda d: field(d, "from_sides").update(maxItems=1),
        "Request.from_sides: upper bound is narrower for the request",
    ),
    "choice dropped": (lambda d: field(d, "panels")["enum"].remove(4), "Request.panels: takes 4 no more"),
    "choice dropped in a list": (
        lambda d: field(d, "from_sides")["items"]["enum"].remove("far"), "Request.from_sides[]: takes far no more",
    ),
    "any text became a choice": (
        lambda d: part(d, "Rules")["properties"]["set"].update(enum=["industrial_door"]),
        "Rules.set: takes some values no more",
    ),
    "family dropped": (lambda d: field(d, "device")["oneOf"].pop(), "Request.device: takes no edge request"),
    "null no longer taken": (lambda d: field(d, "rules")["anyOf"].pop(), "Request.rules: takes no null request"),
    "type narrowed": (lambda d: field(d, "width_m").update(type="integer"), "Request.width_m: takes no number request"),
    "pattern changed": (
        lambda d: field(d, "name").update(pattern="^[a-y]+$"), "Request.name: pattern ^[a-z]+$ is now ^[a-y]+$",
    ),
    "format added": (
        lambda d: field(d, "name").update(format="hostname"), "Request.name: format None is now hostname",
    ),
    "default changed": (lambda d: field(d, "count").update(default=3), "Request.count: default 2 is now 3"),
    "default gone": (lambda d: field(d, "count").pop("default"), "Request.count: default 2 is now None"),
    "other fields refused": (
        lambda d: part(d, "Rules").update(additionalProperties=False), "Rules: takes no other fields",
    ),
}  # fmt: skip

ADDITIONS: dict[str, Change] = {
    "path added": lambda d: d["paths"].update({"/v2/needs": {}}),
    "status added": lambda d: operation(d)["responses"].update({"429": {}}),
    "media type added": lambda d: operation(d)["responses"]["200"]["content"].update({"text/html": {}}),
    "optional parameter added": lambda d: operation(d)["parameters"].append({"name": "Accept", "schema": {}}),
    "header added": lambda d: operation(d)["responses"]["200"]["headers"].update(Sunset={}),
    "optional input added": lambda d: part(d, "Request")["properties"].update(depth_m={"type": "number"}),
    "property of an answer added": lambda d: part(d, "Answer")["properties"].update(colour={"type": "string"}),
    "property of an answer now sure": lambda d: part(d, "Answer")["required"].append("note"),
    "input no longer required": lambda d: part(d, "Request")["required"].clear(),
    "bounds widened": lambda d: field(d, "width_m").update(exclusiveMinimum=-1, maximum=30),
    "upper bound taken away": lambda d: field(d, "name").pop("maxLength"),
    "type widened": lambda d: field(d, "count").update(type="number"),
    "choice added": lambda d: field(d, "panels")["enum"].append(6),
    "choice of an answer dropped": lambda d: field(d, "verdict", "Answer")["enum"].pop(),
    "pattern taken away": lambda d: field(d, "name").pop("pattern"),
    "other fields taken": lambda d: part(d, "Request").pop("additionalProperties"),
    "family added": lambda d: (
        field(d, "device")["oneOf"].append({"$ref": "#/components/schemas/Loop"}),
        field(d, "device")["discriminator"]["mapping"].update(loop="#/components/schemas/Loop"),
        d["components"]["schemas"].update(Loop={"type": "object"}),
    ),
    "words changed": lambda d: part(d, "Request").update(description="In other words."),
    "deprecated": lambda d: operation(d).update(deprecated=True),
}


def changed(change: Change) -> Json:
    document = deepcopy(DOCUMENT)
    change(document)
    assert document != DOCUMENT
    return document


@pytest.mark.parametrize("name", BREAKS)
def test_breaks_are_named(name: str) -> None:
    change, words = BREAKS[name]
    assert breaking(DOCUMENT, changed(change)) == [words]


@pytest.mark.parametrize("name", ADDITIONS)
def test_additions_pass(name: str) -> None:
    assert breaking(DOCUMENT, changed(ADDITIONS[name])) == []


def test_all_breaks_are_found_at_once() -> None:
    document = deepcopy(DOCUMENT)
    for name in ("status gone", "input gone", "choice dropped"):
        BREAKS[name][0](document)
    assert len(breaking(DOCUMENT, document)) == 3


@pytest.mark.parametrize(("today", "found"), [(date(2027, 6, 29), 2), (date(2027, 6, 30), 0)])
def test_what_was_to_end_may_be_gone_from_that_day_on(today: date, found: int) -> None:
    old = deepcopy(DOCUMENT)
    ended = {"deprecated": True, "x-sunset": "2027-06-30"}
    old["paths"]["/v1/bodies"]["get"].update(ended)
    field(old, "name").update(ended)
    new = deepcopy(DOCUMENT)
    del new["paths"]["/v1/bodies"]
    del part(new, "Request")["properties"]["name"]
    assert len(breaking(old, new, today)) == found


def test_the_committed_document_is_looked_through_to_its_leaves() -> None:
    # One break in a family's parameter, far down in the real document, is seen from each request that takes it.
    document = json.loads((RELEASED / f"{released()[-1]}.json").read_bytes())
    narrowed = deepcopy(document)
    field(narrowed, "range_m", "LaserScan")["maximum"] -= 1
    assert breaking(document, narrowed) == ["LaserScan.range_m: upper bound is narrower for the request"]

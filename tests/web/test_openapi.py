"""The document: the committed one is the one we serve, and it says what the routes do."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest

from sillcast.planner import Planner
from sillcast.web import openapi
from sillcast.web.app import build_app
from sillcast.web.operations import COMPUTED, body_type
from sillcast.web.problems import KINDS

ROOT = Path(__file__).parents[2]
COMMITTED = ROOT / "openapi" / "openapi.json"
EXAMPLES = ROOT / "openapi" / "examples"


@pytest.fixture(scope="module")
def document(client: Any) -> dict[str, Any]:
    served: dict[str, Any] = client.get("/openapi.json").json()
    return served


def test_the_committed_document_is_what_the_code_makes(planner: Planner) -> None:
    # After a wanted change: python -m sillcast.web.openapi openapi/openapi.json, and a line in openapi/CHANGES.md.
    made = openapi.written(openapi.document(planner, openapi.examples_in(EXAMPLES)))
    assert COMMITTED.read_bytes() == made


def test_the_served_document_is_the_committed_one_without_its_examples(document: dict[str, Any]) -> None:
    committed = json.loads(COMMITTED.read_bytes())
    for operation in COMPUTED:
        content = committed["paths"][operation.path]["post"]["requestBody"]["content"]["application/json"]
        assert content.pop("examples")
    assert document == committed


def test_the_document_has_the_routes_of_the_application(planner: Planner, document: dict[str, Any]) -> None:
    routes = {
        (re.sub(r":str\}", "}", str(each.path)), method)
        for each in build_app(planner).routes
        for method in getattr(each, "methods", ())
        if method not in {"OPTIONS", "HEAD"}
    }
    described = {(path, method.upper()) for path, item in document["paths"].items() for method in item}
    assert described == routes


def test_all_that_is_referred_to_is_there(document: dict[str, Any]) -> None:
    text = json.dumps(document)
    for reference in set(re.findall(r'"\$ref": "#/([^"]+)"', text)):
        found: Any = document
        for step in reference.split("/"):
            found = found[step]
        assert found
    for path, item in document["paths"].items():
        for operation in item.values():
            assert {"200", "500"} <= operation["responses"].keys(), path


def schema(document: dict[str, Any], reference: dict[str, Any]) -> Any:
    return jsonschema.Draft202012Validator({**reference, "components": document["components"]})


def test_schemas_are_json_schema(document: dict[str, Any]) -> None:
    for each in document["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(each)


def test_structs_are_strict_and_families_told_apart(planner: Planner, document: dict[str, Any]) -> None:
    schemas = document["components"]["schemas"]
    request = schemas[planner.request_type.__name__]
    assert request["additionalProperties"] is False
    families = [family.name for family in planner.registry.families]
    unions = [each for each in _all(schemas) if each.get("discriminator", {}).get("propertyName") == "family"]
    assert [sorted(each["discriminator"]["mapping"]) for each in unions] == [families, families]  # placed, to be placed
    assert all("oneOf" in each and "anyOf" not in each for each in unions)
    assert not [each for each in _all(schemas) if each.get("items") is False]


def _all(value: Any) -> list[dict[str, Any]]:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [*([value] if isinstance(value, dict) else []), *(found for each in inner for found in _all(each))]


def shown(path: str = "/v1/assessments") -> dict[str, Any]:
    content = json.loads(COMMITTED.read_bytes())["paths"][path]["post"]["requestBody"]["content"]
    return {name: each["value"] for name, each in content["application/json"]["examples"].items()}


def test_examples_are_shown_as_they_are_in_their_files() -> None:
    files = openapi.examples_in(EXAMPLES)
    assert shown() == {name: files[name] for name in shown()}
    assert {"kettlewharf-dock-door", "laser_scan", "photobeam", "pressure_mat"} <= shown().keys()


@pytest.mark.parametrize("name", sorted(shown()))
def test_examples_fit_their_schema(planner: Planner, document: dict[str, Any], name: str) -> None:
    value = shown()[name]
    reference = document["paths"]["/v1/assessments"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    schema(document, reference).validate(value)
    with pytest.raises(jsonschema.ValidationError):
        schema(document, reference).validate({**value, "extra": 1})
    assert planner.decode(json.dumps(value).encode())


def test_the_example_of_a_mount_search_fits_its_own_schema_alone(planner: Planner, document: dict[str, Any]) -> None:
    searches = shown("/v1/mount-searches")
    assert searches
    assert not searches.keys() & shown().keys()
    own, other = (
        schema(document, document["paths"][path]["post"]["requestBody"]["content"]["application/json"]["schema"])
        for path in ("/v1/mount-searches", "/v1/assessments")
    )
    for value in searches.values():
        own.validate(value)
        assert not own.is_valid({**value, "extra": 1})
        assert not other.is_valid(value)
        assert msgspec.convert(value, body_type(planner, "mount_search"))


def test_answers_fit_their_schemas(
    client: Any, door: dict[str, Any], search: dict[str, Any], document: dict[str, Any]
) -> None:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            content = operation["responses"]["200"]["content"].get("application/json")
            if content is None:
                continue
            url = path.format(family="laser_scan", name="industrial_door")
            sent = search if path == "/v1/mount-searches" else door
            response = client.request(method, url, **({"json": sent} if method == "post" else {}))
            assert response.status_code == 200, url
            schema(document, content["schema"]).validate(response.json())


def test_problems_fit_their_schema(client: Any, document: dict[str, Any]) -> None:
    response = client.post("/v1/needs", json={"door": {"opening": {"width_m": 99}}, "extra": 1})
    schema(document, {"$ref": "#/components/schemas/Problem"}).validate(response.json())
    assert len(response.json()["errors"]) == 4


def test_each_kind_of_problem_can_be_looked_up(document: dict[str, Any]) -> None:
    text = json.dumps(document["components"]["responses"])
    # What no described operation answers: unknown routes and methods, and a registry that stops the start.
    undescribed = {"not_found", "method_not_allowed", "registry"}
    assert {code for code in KINDS if f"`{code}`" not in text} <= undescribed


def test_writing_by_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "examples").mkdir()
    (tmp_path / "examples" / "small.json").write_text('{"door": {}}')
    (tmp_path / "examples" / "small.answer.json").write_text("{}")
    target = tmp_path / "openapi.json"
    assert openapi.main([str(target)]) == 0
    body = json.loads(target.read_bytes())["paths"]["/v1/needs"]["post"]["requestBody"]
    assert body["content"]["application/json"]["examples"] == {"small": {"value": {"door": {}}}}
    assert openapi.main([]) == 2


class Page(HTMLParser):
    """Collects what a page points at and asks for."""

    def __init__(self) -> None:
        super().__init__()
        self.links: set[str] = set()
        self.ids: set[str] = set()
        self.tags: set[str] = set()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.add(tag)
        self.links |= {str(given[name]) for name in ("href", "src") if name in given}
        self.ids |= {str(given["id"])} if "id" in given else set()
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_needs_nothing_from_elsewhere(client: Any, document: dict[str, Any]) -> None:
    response = client.get("/docs")
    page = Page()
    page.feed(response.text)
    assert page.open == []
    assert not page.tags & {"script", "link", "img", "iframe", "object"}
    assert page.links - {"/openapi.json"} == {f"#{name}" for name in page.ids if f"#{name}" in page.links}
    assert page.ids >= document["components"]["schemas"].keys()
    for path in document["paths"]:
        assert f"<code>{path}</code>" in response.text
    assert "://" not in re.sub(r"http://127\.0\.0\.1", "", response.text)


def test_schema_components_of_the_decoder_are_the_documented_ones(planner: Planner, document: dict[str, Any]) -> None:
    # The mendings change how a schema is written, not what it means: both accept and refuse the same values.
    reference, schemas = msgspec.json.schema_components(
        [planner.request_type], ref_template="#/components/schemas/{name}"
    )
    raw = jsonschema.Draft202012Validator({**reference[0], "components": {"schemas": schemas}})
    mended = schema(document, {"$ref": f"#/components/schemas/{planner.request_type.__name__}"})
    example = shown()["kettlewharf-dock-door"]
    mount = example["sensors"][0]["mount"]
    variants = [
        example,
        {**example, "door": {**example["door"], "motion": {"kind": "swing"}}},
        {**example, "sensors": [{**example["sensors"][0], "mount": {**mount, "side": "left"}}]},
        {**example, "sensors": [{**example["sensors"][0], "device": {"family": "photobeam", "width_m": 1}}]},
        {**example, "site": {"obstacles": [{"name": "a", "ring_m": [[0, 0, 0], [1, 1], [1, 0]], "top_m": 1}]}},
        {**example, "site": {"obstacles": [{"name": "a", "ring_m": [[0], [1, 1], [1, 0]], "top_m": 1}]}},
        {**example, "site": {"obstacles": [{"name": "a", "ring_m": [[0, 0], [1, 1], [1, 0]], "top_m": 1}]}},
    ]
    verdicts = [raw.is_valid(each) for each in variants]
    assert verdicts == [mended.is_valid(each) for each in variants]
    assert verdicts == [True, False, False, False, False, False, True]

"""The OpenAPI 3.1 document, made from the very structs that decode and encode.

`python -m sillcast.web.openapi PATH` writes the document of what is installed.
"""

import json
import sys
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import msgspec
from msgspec import Meta, Struct

from sillcast.planner import Planner
from sillcast.web import deprecation, problems
from sillcast.web.negotiation import CODINGS, JSON, MSGPACK, NDJSON, SVG
from sillcast.web.operations import COMPUTED, LISTED, OPERATED, TAGS, Operation, body_type

__all__ = ["Live", "Ready", "document", "examples_in", "main", "ready_answer", "written"]

Json = dict[str, Any]
_SCHEMAS = "#/components/schemas/{name}"


class Live(Struct, frozen=True, kw_only=True):
    """The process is alive."""

    status: Annotated[str, Meta(description="Always `live`.")]


class Ready(Struct, frozen=True, kw_only=True):
    """Requests may be sent here."""

    status: Annotated[str, Meta(description="Always `ready`.")]
    version: Annotated[str, Meta(description="Version of sillcast.")]
    build: Annotated[str, Meta(description="Which build this is, as the operator names it; may be empty.")]
    families: Annotated[dict[str, str], Meta(description="Versions of the installed families, by name.")]
    refused: Annotated[list[str], Meta(description="Entries left out by a lenient start: package, version, entry.")]


def ready_answer(planner: Planner, build: str) -> Ready:
    """What is ready: version and build, families with theirs, and what a lenient start left out."""
    registry = planner.registry
    return Ready(
        status="ready",
        version=_version(),
        build=build,
        families={family.name: family.version for family in registry.families},
        refused=[refused.origin for refused in registry.refused],
    )


def document(planner: Planner, examples: Mapping[str, Json] | None = None) -> Json:
    """OpenAPI document of a planner's families.

    Parameters
    ----------
    planner : Planner
        Its request type has the parameters of all installed families.
    examples : mapping of str to dict, optional
        Requests by name, shown as examples of the request bodies that have their fields.
    """
    answers = {each: _answer_type(planner, each) for each in (*COMPUTED, *LISTED, *OPERATED)}
    bodies = {each: body_type(planner, each.call) for each in COMPUTED}
    types = [*bodies.values(), problems.Problem, *(each for each in answers.values() if each is not None)]
    references, schemas = msgspec.json.schema_components(list(dict.fromkeys(types)), ref_template=_SCHEMAS)
    schema_of = dict(zip(dict.fromkeys(types), references, strict=True))
    paths: dict[str, Json] = {}
    for operation, answer in answers.items():
        item = _operation(operation, None if answer is None else schema_of[answer])
        if operation in bodies:
            body = bodies[operation]
            item["requestBody"] = _request_body(schema_of[body], _fitting(body, examples or {}))
        paths.setdefault(operation.path, {})[operation.method.lower()] = item
    made: Json = {
        "openapi": "3.1.0",
        "info": _info(),
        "servers": [{"url": "/", "description": "Where this document was read."}],
        "security": [],
        "tags": [{"name": name, "description": text} for name, text in TAGS.items()],
        "paths": paths,
        "components": {
            "schemas": {name: _mended(schema) for name, schema in sorted(schemas.items())},
            "responses": {f"Problem{status}": _problem(status) for status in _statuses()},
            "headers": _HEADERS,
            "parameters": _PARAMETERS,
        },
    }
    return deprecation.marked(made)


def written(made: Json) -> bytes:
    """The document as it is stored and served: readable, always in the same order."""
    return json.dumps(made, indent=2, ensure_ascii=False).encode() + b"\n"


def examples_in(folder: Path) -> dict[str, Json]:
    """Example requests of a folder by name; answers beside them (`*.answer.json`) are left out."""
    files = sorted(folder.glob("*.json")) if folder.is_dir() else []
    return {file.stem: json.loads(file.read_bytes()) for file in files if not file.stem.endswith(".answer")}


def main(arguments: list[str]) -> int:
    """Write the document of what is installed to a path; examples come from the folder `examples` beside it."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m sillcast.web.openapi PATH\n")
        return 2
    path = Path(arguments[0])
    path.write_bytes(written(document(Planner(), examples_in(path.parent / "examples"))))
    return 0


# Parts -------------------------------------------------------------------------------------------------------------

_HEADERS: Json = {
    "X-Request-Id": {"description": "The id sent, or a new one.", "schema": {"type": "string"}},
    "ETag": {"description": "Strong tag of the content.", "schema": {"type": "string"}},
    "Content-Digest": {
        "description": "SHA-256 of the content as sent (RFC 9530).",
        "schema": {"type": "string", "pattern": "^sha-256=:[A-Za-z0-9+/]{43}=:$"},
    },
    "Repr-Digest": {
        "description": "SHA-256 of what GET answers, also where HEAD asks (RFC 9530).",
        "schema": {"type": "string", "pattern": "^sha-256=:[A-Za-z0-9+/]{43}=:$"},
    },
    "Server-Timing": {"description": "Steps of the work. [ms]", "schema": {"type": "string"}},
    "Preference-Applied": {"description": "The preference that was honoured.", "schema": {"type": "string"}},
    "Retry-After": {"description": "When to try again. [s]", "schema": {"type": "integer", "minimum": 1}},
}

_PARAMETERS: Json = {
    "RequestId": {
        "name": "X-Request-Id",
        "in": "header",
        "description": "Comes back and is in the logs, if it matches `[A-Za-z0-9._-]{1,64}`; else it is replaced.",
        "schema": {"type": "string"},
    },
    "Prefer": {
        "name": "Prefer",
        "in": "header",
        "description": "`wait=<seconds>` (RFC 7240): give up after that time, or after the service's own limit if that "
        "is shorter. Parts of a second are taken too, as an extension. Other preferences are ignored.",
        "schema": {"type": "string"},
    },
    "IfNoneMatch": {
        "name": "If-None-Match",
        "in": "header",
        "description": "An `ETag` already had; answered 304 where nothing changed.",
        "schema": {"type": "string"},
    },
}

_REQUEST_NOTE = (
    "Metres, degrees, seconds. Origin: finished floor, middle of the clear opening, in the plane of the closed leaf; "
    "seen from the near side, x to the right, y ahead through the door, z up. Unknown fields and, in JSON, repeated "
    "keys are refused."
)


def _version() -> str:
    return version("sillcast")


def _info() -> Json:
    return {
        "title": "sillcast",
        "version": _version(),
        "summary": "What the sensors of an automatic door will see, and whether that is what the door needs.",
        "description": (
            "Stateless: nothing is kept between requests, and every POST is pure computation that may be repeated. "
            "Each error is a problem (RFC 9457). Fields may be added to answers; ignore what you do not know. "
            "GET routes answer HEAD as well; other methods are answered 405 with `Allow`. Answers are compressed for "
            f"clients whose `Accept-Encoding` says so ({', '.join(CODINGS)}), lines of JSON excepted; `ETag` and the "
            "digests are those of the bytes as sent.\n\n"
            "A calculation replaces neither the walk test on site nor the sensor's own instructions, a risk assessment "
            "or the local rules."
        ),
        "contact": {"name": "The sillcast developers"},
        "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    }


def _answer_type(planner: Planner, operation: Operation) -> Any:
    """Type of an operation's answer: what the planner's method says it returns."""
    own = {"live": Live, "ready": Ready, "metrics": None, "openapi": None, "docs": None}
    if operation in OPERATED:
        return own[operation.call]
    return get_type_hints(getattr(type(planner), operation.call))["return"]


def _fitting(body: type[Struct], examples: Mapping[str, Json]) -> Mapping[str, Json]:
    """Examples that have all that a body must have and nothing that it may not."""
    fields = msgspec.structs.fields(body)
    needed, known = {each.name for each in fields if each.required}, {each.name for each in fields}
    return {name: value for name, value in examples.items() if needed <= value.keys() <= known}


def _request_body(schema: Json, examples: Mapping[str, Json]) -> Json:
    shown = {name: {"value": value} for name, value in examples.items()}
    return {
        "required": True,
        "description": _REQUEST_NOTE,
        "content": {JSON: {"schema": schema, **({"examples": shown} if shown else {})}, MSGPACK: {"schema": schema}},
    }


def _operation(operation: Operation, schema: Json | None) -> Json:
    cached = operation in LISTED or operation.call in ("openapi", "docs")
    parameters: list[Json] = [{"$ref": "#/components/parameters/RequestId"}]
    if cached:
        parameters.append({"$ref": "#/components/parameters/IfNoneMatch"})
    if operation in COMPUTED:
        parameters.append({"$ref": "#/components/parameters/Prefer"})
    if operation.parameter:
        name, text = operation.parameter
        wanted = {"type": "string", "minLength": 1, "maxLength": 64}
        parameters.append({"name": name, "in": "path", "required": True, "description": text, "schema": wanted})
    sent = ["X-Request-Id", *(["ETag"] if cached else [])]
    headers: Json = {name: {"$ref": f"#/components/headers/{name}"} for name in sent}
    more = ["Preference-Applied", "Server-Timing"] if operation in COMPUTED else ["Repr-Digest"]
    answered = [*sent, "Content-Digest", *more]
    answered_headers: Json = {name: {"$ref": f"#/components/headers/{name}"} for name in answered}
    content = {media: _content(media, schema) for media in operation.media}
    responses: Json = {"200": {"description": operation.summary, "headers": answered_headers, "content": content}}
    if cached:
        responses["304"] = {"description": "Nothing changed since the tag sent.", "headers": headers}
    for status in sorted({problems.KINDS[code].status for code in operation.problems}):
        responses[str(status)] = {"$ref": f"#/components/responses/Problem{status}"}
    return {
        "operationId": operation.id,
        "tags": [operation.tag],
        "summary": operation.summary,
        "description": operation.description,
        "parameters": parameters,
        "responses": responses,
    }


def _content(media: str, schema: Json | None) -> Json:
    if media in (JSON, MSGPACK):
        return {"schema": schema or {"type": "object"}}
    text = {SVG: {"description": "The plan view."}, NDJSON: {"description": "Lines of JSON, one object each."}}
    return {"schema": {"type": "string", **text.get(media, {})}}


def _statuses() -> list[int]:
    used = {code for each in (*COMPUTED, *LISTED, *OPERATED) for code in each.problems}
    return sorted({problems.KINDS[code].status for code in used})


def _problem(status: int) -> Json:
    kinds = [kind for kind in problems.KINDS.values() if kind.status == status]
    headers = {"X-Request-Id": {"$ref": "#/components/headers/X-Request-Id"}}
    if status == 503:
        headers["Retry-After"] = {"$ref": "#/components/headers/Retry-After"}
    return {
        "description": " ".join(f"`{kind.code}`: {kind.title}. {kind.meaning}" for kind in kinds),
        "headers": headers,
        "content": {problems.MEDIA: {"schema": {"$ref": _SCHEMAS.format(name="Problem")}}},
    }


def _mended(schema: Any) -> Any:
    """A schema in the form that generators and linters of OpenAPI understand, meaning the same.

    A union with a discriminator is `oneOf`; string choices say that they are strings; a single choice is `const` and
    says what it is for; a tuple of equal items is an array of fixed length; an object of which nothing is said may hold
    anything; what may be null is described on the outside.
    """
    if isinstance(schema, list):
        return [_mended(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: value if key in ("default", "examples", "enum") else _mended(value) for key, value in schema.items()}
    if "discriminator" in made and "anyOf" in made:
        made["oneOf"] = made.pop("anyOf")
    if "enum" in made and all(isinstance(each, str) for each in made["enum"]):
        made = {"type": "string", **made}
        if len(made["enum"]) == 1:
            made["const"] = made.pop("enum")[0]
            made.setdefault("description", "Tells this kind from the others.")
    items = made.get("prefixItems")
    if items and made.get("items") is False and all(each == items[0] for each in items):
        del made["prefixItems"]
        made["items"] = items[0]
    if made.get("type") == "object" and not made.keys() & {"properties", "additionalProperties"}:
        made["additionalProperties"] = True
    if {"type": "null"} in made.get("anyOf", ()):
        said = [each.pop("description") for each in made["anyOf"] if "description" in each]
        made = {"description": " ".join(said), **made} if said else made
    return made


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

"""What a client of one OpenAPI document would lose with a later one: breaks by name; additions are none.

Written for the documents of this service: JSON Schema as `sillcast.web.openapi` writes it, without `allOf` and `not`.
The rule behind each check: a request that was taken must still be taken, an answer must still be what was promised.
"""

import json
from collections.abc import Iterator
from datetime import date
from typing import Any, Literal

Json = dict[str, Any]
Side = Literal["request", "answer"]

_EXACT = ("pattern", "format", "contentEncoding", "contentMediaType", "multipleOf", "uniqueItems")
_LOWER = {"minimum": 0, "exclusiveMinimum": 1, "minLength": 0, "minItems": 0, "minProperties": 0}
_UPPER = {"maximum": 0, "exclusiveMaximum": 1, "maxLength": 0, "maxItems": 0, "maxProperties": 0}


def breaking(old: Json, new: Json, today: date | None = None) -> list[str]:
    """Changes from old to new that break a client, each with its place; what was to end by today may be gone."""
    return list(dict.fromkeys(_Comparison(old, new, (today or date.today()).isoformat()).operations()))


class _Comparison:
    def __init__(self, old: Json, new: Json, today: str) -> None:
        self.old, self.new, self.today = old, new, today
        self.seen: set[tuple[str, str, Side]] = set()

    def operations(self) -> Iterator[str]:
        for path, item in self.old["paths"].items():
            for method, was in item.items():
                where = f"{method.upper()} {path}"
                now = self.new["paths"].get(path, {}).get(method)
                if now is not None:
                    yield from self.operation(was, now, where)
                elif not self.due(was):
                    yield f"{where}: gone"

    def operation(self, was: Json, now: Json, where: str) -> Iterator[str]:
        if was["operationId"] != now["operationId"]:
            yield f"{where}: operationId {was['operationId']} is now {now['operationId']}"
        yield from self.parameters(was, now, where)
        if "requestBody" in was:
            yield from self.contents(was["requestBody"], now.get("requestBody", {}), f"{where} request", "request")
        for status, answer in was["responses"].items():
            if status not in now["responses"]:
                yield f"{where}: status {status} gone"
                continue
            old, new = _found(self.old, answer), _found(self.new, now["responses"][status])
            yield from self.contents(old, new, f"{where} {status}", "answer")
            for name in old.get("headers", {}).keys() - new.get("headers", {}).keys():
                yield f"{where} {status}: header {name} gone"

    def parameters(self, was: Json, now: Json, where: str) -> Iterator[str]:
        old, new = (
            {each["name"]: each for each in (_found(document, given) for given in operation.get("parameters", ()))}
            for document, operation in ((self.old, was), (self.new, now))
        )
        for name in old.keys() - new.keys():
            yield f"{where}: parameter {name} gone"
        for name, parameter in new.items():
            if parameter.get("required") and not old.get(name, {}).get("required"):
                yield f"{where}: parameter {name} must be sent"
            if name in old:
                yield from self.schema(old[name]["schema"], parameter["schema"], f"{where} {name}", "request")

    def contents(self, was: Json, now: Json, where: str, side: Side) -> Iterator[str]:
        for media, content in was.get("content", {}).items():
            if media not in now.get("content", {}):
                yield f"{where}: {media} gone"
            else:
                yield from self.schema(content["schema"], now["content"][media]["schema"], where, side)

    def schema(self, was: Json, now: Json, where: str, side: Side) -> Iterator[str]:
        """Breaks between two schemas; each is looked at as the kinds of value that it allows."""
        if side == "request" and "default" in was and was["default"] != now.get("default", None):
            yield f"{where}: default {was['default']} is now {now.get('default')}"
        old, new = _kinds(was), _kinds(now)
        for kind in old if side == "request" else new:
            partner = _partner(kind, new if side == "request" else old)
            if partner is None:
                yield f"{where}: {'takes no' if side == 'request' else 'may be'} {kind} {side}"
            elif side == "request":
                yield from self.kind(old[kind], new[partner], where, side)
            else:
                yield from self.kind(old[partner], new[kind], where, side)

    def kind(self, was: Json, now: Json, where: str, side: Side) -> Iterator[str]:
        if "$ref" in was and "$ref" in now:
            refs = was["$ref"], now["$ref"], side
            if refs not in self.seen:
                self.seen.add(refs)
                name = was["$ref"].rsplit("/", 1)[-1]
                yield from self.schema(_found(self.old, was), _found(self.new, now), name, side)
            return
        yield from _values(was, now, where, side)
        yield from _bounds(was, now, where, side)
        yield from self.properties(was, now, where, side)
        for key in ("items", "additionalProperties"):
            if isinstance(was.get(key), dict) and isinstance(now.get(key), dict):
                yield from self.schema(was[key], now[key], f"{where}[]", side)
        for index, pair in enumerate(zip(was.get("prefixItems", ()), now.get("prefixItems", ()), strict=False)):
            yield from self.schema(*pair, f"{where}[{index}]", side)

    def properties(self, was: Json, now: Json, where: str, side: Side) -> Iterator[str]:
        old, new = was.get("properties", {}), now.get("properties", {})
        before, after = set(was.get("required", ())), set(now.get("required", ()))
        for name, each in old.items():
            if name in new:
                yield from self.schema(each, new[name], f"{where}.{name}", side)
            elif not self.due(each):
                yield f"{where}.{name}: gone from {side}"
        for name in sorted(after - before if side == "request" else (before - after) & new.keys()):
            yield f"{where}.{name}: {'must be in request' if side == 'request' else 'may be missing in answer'}"
        if side == "request" and was.get("additionalProperties") is not False is now.get("additionalProperties"):
            yield f"{where}: takes no other fields"

    def due(self, was: Json) -> bool:
        """Whether the end of a thing was announced for a day that has come."""
        return bool(was.get("deprecated")) and was.get("x-sunset", "9999") <= self.today


def _found(document: Json, item: Json) -> Json:
    if "$ref" not in item:
        return item
    _, kind, name = item["$ref"].removeprefix("#/").split("/")
    found: Json = document["components"][kind][name]
    return found


def _kinds(schema: Json) -> dict[str, Json]:
    """The kinds of value that a schema allows: by tag, by name of a component, else by type."""
    tags = {ref: tag for tag, ref in schema.get("discriminator", {}).get("mapping", {}).items()}
    found: dict[str, Json] = {}
    for each in schema.get("oneOf") or schema.get("anyOf") or [schema]:
        ref = each.get("$ref", "")
        kinds = each.get("type") or {type(value).__name__ for value in each.get("enum", ())} or "value"
        for kind in [tags.get(ref) or ref.rsplit("/", 1)[-1]] if ref else [kinds] if isinstance(kinds, str) else kinds:
            assert kind not in found, f"two branches of one kind: {json.dumps(schema)}"
            found[kind] = each
    return found


def _partner(kind: str, others: dict[str, Json]) -> str | None:
    """The kind among others that allows all of this one."""
    wider = {"integer": "number", "int": "integer"}
    return next((each for each in (kind, wider.get(kind, kind), "value") if each in others), None)


def _values(was: Json, now: Json, where: str, side: Side) -> Iterator[str]:
    old, new = (each.get("enum", [each["const"]] if "const" in each else None) for each in (was, now))
    if side == "request":
        for value in ["some values"] if old is None and new is not None else old or ():
            if new is not None and value not in new:
                yield f"{where}: takes {value} no more"
    elif old is not None:
        for value in ["any value"] if new is None else new:
            if value not in old:
                yield f"{where}: may be {value}"


def _bounds(was: Json, now: Json, where: str, side: Side) -> Iterator[str]:
    """Bounds that a request no longer fits, or that an answer no longer keeps."""
    strict, loose = (now, was) if side == "request" else (was, now)
    for key in _EXACT:
        if key in strict and strict[key] != loose.get(key):
            yield f"{where}: {key} {was.get(key)} is now {now.get(key)}"
    for keys, sign in ((_LOWER, 1), (_UPPER, -1)):
        # Larger means stricter: the bound itself, then whether it is excluded.
        ends = [
            max((sign * each[key], excluded) for key, excluded in keys.items() if key in each)
            if each.keys() & keys
            else None
            for each in (strict, loose)
        ]
        if ends[0] is not None and (ends[1] is None or ends[0] > ends[1]):
            name = "lower bound" if sign == 1 else "upper bound"
            yield f"{where}: {name} is {'narrower for the request' if side == 'request' else 'wider in the answer'}"

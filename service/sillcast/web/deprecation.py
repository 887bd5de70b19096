"""What is to end: declared here once, told in the answers and in the OpenAPI document.

RFC 9745 has the header `Deprecation`, RFC 8594 `Sunset`; both lead to the documentation by `Link`.
"""

import json
import re
from calendar import timegm
from collections.abc import Iterator
from datetime import date
from email.utils import formatdate
from typing import Any, NamedTuple

__all__ = ["DEPRECATED", "Deprecation", "announcements", "marked"]

Json = dict[str, Any]
Headers = list[tuple[bytes, bytes]]


class Deprecation(NamedTuple):
    """Since when a thing should not be used, from when on it may be gone, and what to use instead."""

    since: date
    sunset: date
    instead: str


DEPRECATED: dict[str, Deprecation] = {}
"""By operation id (`require`), or by field of a schema (`Rules.set`). Nothing is deprecated today."""

_HEADERS: Json = {
    "Deprecation": {"description": "`@` and the Unix time since when (RFC 9745).", "schema": {"type": "string"}},
    "Sunset": {"description": "From when on the route may be gone (RFC 8594).", "schema": {"type": "string"}},
    "Link": {"description": "Where that is described.", "schema": {"type": "string"}},
}


def marked(document: Json) -> Json:
    """The document with what is deprecated marked in place: `deprecated`, `x-sunset`, and words in the description.

    Raises
    ------
    KeyError
        If an entry names no operation and no field of a schema.
    """
    operations = {each["operationId"]: each for _, _, each in _operations(document)}
    for name, entry in DEPRECATED.items():
        schema, _, field = name.partition(".")
        if field:
            _mark(document["components"]["schemas"][schema]["properties"][field], entry)
        else:
            _mark(operations[name], entry)
            operations[name]["responses"]["200"]["headers"].update(_HEADERS)
    return document


def announcements(document: Json) -> dict[tuple[str, str], Headers]:
    """Headers that the answers of a route carry, by method and path.

    A deprecated route announces its end as well. A deprecated field does not end the route, so the routes that take or
    give it say `Deprecation` alone, and `Link` leads to what is meant (the scope in RFC 9745).
    """
    found: dict[tuple[str, str], Headers] = {}
    for method, path, operation in _operations(document):
        entries = [each for name, each in DEPRECATED.items() if _concerns(document, operation, name)]
        if not entries:
            continue
        link = f'</docs#{operation["operationId"]}>; rel="deprecation"; type="text/html"'
        headers = [("deprecation", f"@{_unix(min(each.since for each in entries))}"), ("link", link)]
        if whole := DEPRECATED.get(operation["operationId"]):
            headers.append(("sunset", formatdate(_unix(whole.sunset), usegmt=True)))
        found[method, path] = [(name.encode(), value.encode()) for name, value in headers]
    return found


def _mark(item: Json, entry: Deprecation) -> None:
    words = f"Deprecated since {entry.since}, may be gone from {entry.sunset} on: {entry.instead}"
    item["description"] = f"{item.get('description', '')} {words}".strip()
    item["deprecated"] = True
    item["x-sunset"] = entry.sunset.isoformat()


def _operations(document: Json) -> Iterator[tuple[str, str, Json]]:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            yield method.upper(), path, operation


def _concerns(document: Json, operation: Json, name: str) -> bool:
    """Whether an entry is about an operation, or about a field of what it takes or gives."""
    schema, _, field = name.partition(".")
    return schema in _schemas(document, operation) if field else name == operation["operationId"]


def _schemas(document: Json, operation: Json) -> set[str]:
    """Names of the schemas that an operation refers to, also at second hand."""
    found: set[str] = set()
    wanted = [operation.get("requestBody", {}), operation["responses"]["200"]]
    while wanted:
        names = set(re.findall(r'"#/components/schemas/(\w+)"', json.dumps(wanted.pop()))) - found
        found |= names
        wanted += [document["components"]["schemas"][each] for each in names]
    return found


def _unix(day: date) -> int:
    return timegm(day.timetuple())

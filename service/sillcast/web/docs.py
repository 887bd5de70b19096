"""The OpenAPI document as one page for people: no script, no font, no picture; works without internet."""

from base64 import b64encode
from collections.abc import Iterator, Sequence
from hashlib import sha256
from html import escape
from typing import Any

__all__ = ["POLICY", "page"]

Json = dict[str, Any]

_STYLE = """
body{font:16px/1.5 system-ui,sans-serif;max-width:62rem;margin:2rem auto;padding:0 1rem;color:#1b1f23;background:#fff}
h1{margin-bottom:0}h2{margin-top:3rem;border-bottom:2px solid #1b1f23}h3{margin-bottom:.2rem}
code,pre{font:14px/1.45 ui-monospace,monospace;background:#f1f3f5;padding:.1rem .25rem}pre{padding:.8rem;overflow:auto}
table{border-collapse:collapse;width:100%;margin:.5rem 0}
td,th{border:1px solid #ced4da;padding:.3rem .5rem;text-align:left;vertical-align:top}
details{margin:.6rem 0;padding:.4rem .8rem;border:1px solid #ced4da}summary{cursor:pointer}
summary b{display:inline-block;min-width:3.5rem}a{color:#0b4f9c}:target{background:#fff6d6}
"""
_HASH = b64encode(sha256(_STYLE.encode()).digest()).decode()

POLICY = f"default-src 'none'; style-src 'sha256-{_HASH}'; frame-ancestors 'none'; base-uri 'none'"
"""Content-Security-Policy of the page: its own style and nothing else."""


def page(document: Json) -> str:
    """HTML of a document."""
    info = document["info"]
    parts = [
        f"<h1>{escape(info['title'])} {escape(info['version'])}</h1><p>{escape(info['summary'])}</p>",
        *(f"<p>{escape(text)}</p>" for text in info["description"].split("\n\n")),
        '<p>The same for programs: <a href="/openapi.json">/openapi.json</a></p>',
        *_tags(document),
        "<h2>Schemas</h2>",
        *(_schema(name, schema) for name, schema in document["components"]["schemas"].items()),
    ]
    title = f"<title>{escape(info['title'])}</title>"
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width">{title}'
    return (
        f'<!doctype html><html lang="en"><head>{head}<style>{_STYLE}</style></head><body>{"".join(parts)}</body></html>'
    )


def _tags(document: Json) -> Iterator[str]:
    for tag in document["tags"]:
        yield f"<h2>{escape(tag['name'].capitalize())}</h2><p>{escape(tag['description'])}</p>"
        for path, item in document["paths"].items():
            for method, operation in item.items():
                if tag["name"] in operation["tags"]:
                    yield _operation(document, method.upper(), path, operation)


def _operation(document: Json, method: str, path: str, operation: Json) -> str:
    body = operation.get("requestBody")
    given = operation["parameters"]
    rows = [_response(document, status, response) for status, response in operation["responses"].items()]
    parts = [
        f"<summary><b>{method}</b> <code>{escape(path)}</code> {escape(operation['summary'])}</summary>",
        f"<p>{escape(operation['description'])}</p>",
        _table(("Parameter", "in", "meaning"), [_parameter(document, each) for each in given]),
        _body(body) if body else "",
        _table(("Status", "media type", "meaning"), rows),
        f"<pre>{escape(_curl(method, path))}</pre>",
    ]
    return f'<details id="{escape(operation["operationId"])}">{"".join(parts)}</details>'


def _curl(method: str, path: str) -> str:
    if method == "GET":
        return f"curl http://127.0.0.1:8080{path}"
    return f"curl --json @request.json http://127.0.0.1:8080{path}"


def _resolved(document: Json, item: Json) -> Json:
    if "$ref" not in item:
        return item
    kind, name = item["$ref"].split("/")[-2:]
    found: Json = document["components"][kind][name]
    return found


def _parameter(document: Json, item: Json) -> tuple[str, str, str]:
    found = _resolved(document, item)
    return f"<code>{escape(found['name'])}</code>", escape(found["in"]), escape(found["description"])


def _response(document: Json, status: str, item: Json) -> tuple[str, str, str]:
    found = _resolved(document, item)
    content = found.get("content", {})
    media = "<br>".join(f"<code>{escape(name)}</code> {_type(each['schema'])}" for name, each in content.items())
    return escape(status), media, escape(found["description"])


def _body(body: Json) -> str:
    content = body["content"]
    kinds = ", ".join(f"<code>{escape(name)}</code> {_type(each['schema'])}" for name, each in content.items())
    return f"<p>Body: {kinds}. {escape(body['description'])}</p>"


def _schema(name: str, schema: Json) -> str:
    required = set(schema.get("required", ()))
    rows = [
        (
            f"<code>{escape(field)}</code>{' *' if field in required else ''}",
            _type(each),
            " ".join(filter(None, (escape(str(each.get("description", ""))), _limits(each)))),
        )
        for field, each in schema.get("properties", {}).items()
    ]
    text = escape(str(schema.get("description", "")))
    shown = _table(("Field, * required", "type", "meaning"), rows) if rows else f"<p>{_type(schema)}</p>"
    return f'<h3 id="{escape(name)}">{escape(name)}</h3><p>{text}</p>{shown}'


def _type(schema: Json) -> str:
    """What a schema wants, in one line, with links to the named ones."""
    if "$ref" in schema:
        name = escape(schema["$ref"].rsplit("/", 1)[-1])
        return f'<a href="#{name}">{name}</a>'
    for union in ("oneOf", "anyOf"):
        if union in schema:
            return " or ".join(_type(each) for each in schema[union])
    if "const" in schema:
        return f"<code>{escape(str(schema['const']))}</code>"
    if "enum" in schema:
        return " | ".join(f"<code>{escape(str(each))}</code>" for each in schema["enum"])
    if schema.get("type") == "array" and isinstance(schema.get("items"), dict):
        return f"list of {_type(schema['items'])}"
    return escape(str(schema.get("type", "anything")))


_LIMITS = {
    "minimum": "≥",
    "exclusiveMinimum": ">",
    "maximum": "≤",
    "exclusiveMaximum": "<",
    "minItems": "items ≥",
    "maxItems": "items ≤",
    "minLength": "characters ≥",
    "maxLength": "characters ≤",
    "pattern": "pattern",
    "default": "default",
}


def _limits(schema: Json) -> str:
    branches = [schema, *schema.get("anyOf", ())]
    found = [(sign, each[key]) for each in branches for key, sign in _LIMITS.items() if key in each]
    return " ".join(f"<code>{escape(f'{sign} {value}')}</code>" for sign, value in found if value not in ({}, []))


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    def row(cells: tuple[str, ...], tag: str) -> str:
        return f"<tr>{''.join(f'<{tag}>{cell}</{tag}>' for cell in cells)}</tr>"

    return f"<table>{row(head, 'th')}{''.join(row(cells, 'td') for cells in rows)}</table>" if rows else ""

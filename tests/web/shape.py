"""The one shape of all that goes wrong."""

from typing import Any

import msgspec

from sillcast.web.problems import KINDS, Problem


def problem(response: Any, code: str, *faults: tuple[str, str]) -> Problem:
    """Check that a response is the problem of that code with these (pointer, code) items, and give it back."""
    kind = KINDS[code]
    assert (response.status_code, response.headers["content-type"]) == (kind.status, "application/problem+json")
    assert response.headers["x-request-id"]
    assert response.headers["cache-control"] == "no-store"
    found = msgspec.json.decode(response.content, type=Problem)
    assert (found.code, found.status, found.title) == (code, kind.status, kind.title)
    assert found.type == f"/problems/{code}"
    assert found.detail
    assert [(item.pointer, item.code) for item in found.errors] == list(faults)
    assert all(item.detail for item in found.errors)
    for leak in ("Traceback", "/work", "/home", "site-packages", ".py"):
        assert leak not in response.text
    return found

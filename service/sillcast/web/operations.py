"""The table of routes, read by the application and by the OpenAPI document alike."""

from typing import Any, Literal, NamedTuple

from sillcast import advice
from sillcast.planner import Planner
from sillcast.web.negotiation import JSON, MSGPACK, NDJSON, SVG

__all__ = ["COMPUTED", "LISTED", "OPERATED", "TAGS", "Operation", "body_type"]

_DATA = (JSON, MSGPACK)
_GET_PROBLEMS = ("unknown_query", "not_acceptable", "headers_too_large", "internal")
_POST_PROBLEMS = (
    "malformed",
    "unknown_query",
    "not_acceptable",
    "headers_too_large",
    "slow_request",
    "too_large",
    "unsupported_media",
    "uncomputable",
    "budget",
    "internal",
    "family_failed",
    "exhausted",
    "busy",
    "deadline",
    "client_left",
    "interrupted",
    "not_ready",
)

TAGS = {
    "planning": "Describe a door with its sensors, get the answer. Pure computation: safe to repeat, nothing is kept.",
    "catalogues": "What is installed and which numbers are in use, with their sources.",
    "operations": "For those who run the service.",
}


class Operation(NamedTuple):
    """One route: what is called for it, and what may come of it."""

    method: Literal["GET", "POST"]
    path: str
    id: str
    call: str
    tag: str
    summary: str
    description: str
    media: tuple[str, ...]
    problems: tuple[str, ...]
    parameter: tuple[str, str] | None = None


COMPUTED = (
    Operation(
        "POST", "/v1/assessments", "assess", "assess", "planning",
        "Need, detection, verdicts, findings, and how to prove it on site",
        "The main job. With `Accept: image/svg+xml` the answer is the plan view instead: near side at the bottom.",
        (*_DATA, SVG), _POST_PROBLEMS,
    ),
    Operation(
        "POST", "/v1/coverage", "cover", "coverage", "planning",
        "What the sensors see, without any door rule",
        "Takes the same body as an assessment; parts it does not need are checked and not used.",
        _DATA, _POST_PROBLEMS,
    ),
    Operation(
        "POST", "/v1/needs", "require", "needs", "planning",
        "Which areas the door needs watched, and why",
        "Takes the same body as an assessment; fast enough for every change in a form. Of sensors the response counts.",
        _DATA, _POST_PROBLEMS,
    ),
    Operation(
        "POST", "/v1/mount-searches", "search_mounts", "mount_search", "planning",
        "Where to mount the sensors, ranked",
        "Takes a door, the devices to consider and the places that are allowed. With `Accept: application/x-ndjson` "
        "the answer comes in lines: `progress` about once a second (`state`, `elapsed_s`, `at_most_s` and, once known, "
        "how much of a stage is done: `stage` (`looking`, `judging`, `assessing`), `done`, `of` at most), then "
        "`result` or `problem` as the last one. What is wrong with the request and found within the first second is "
        "answered by its status, as everywhere.",
        (*_DATA, NDJSON), _POST_PROBLEMS,
    ),
)  # fmt: skip

LISTED = (
    Operation(
        "GET", "/v1/families", "list_families", "families", "catalogues",
        "Installed sensor families", "Name, version, what each senses and which purposes it may serve.",
        _DATA, _GET_PROBLEMS,
    ),
    Operation(
        "GET", "/v1/families/{family}", "show_family", "family", "catalogues",
        "One sensor family", "Its parameters as JSON Schema, typical values with reasons, and a worked example.",
        _DATA, (*_GET_PROBLEMS, "unknown_name"), ("family", "Name of an installed family."),
    ),
    Operation(
        "GET", "/v1/rule-sets", "list_rule_sets", "rule_sets", "catalogues",
        "Rule sets", "Numbers with unit, clause, source and how sure we are of the source.",
        _DATA, _GET_PROBLEMS,
    ),
    Operation(
        "GET", "/v1/rule-sets/{name}", "show_rule_set", "rule_set", "catalogues",
        "One rule set", "All its numbers; each can be overridden in a request, with a reason.",
        _DATA, (*_GET_PROBLEMS, "unknown_name"), ("name", "Name of a rule set."),
    ),
    Operation(
        "GET", "/v1/bodies", "list_bodies", "bodies", "catalogues",
        "Test bodies", "Standard test bodies with their sizes and sources.",
        _DATA, _GET_PROBLEMS,
    ),
)  # fmt: skip

OPERATED = (
    Operation(
        "GET", "/health/live", "live", "live", "operations",
        "Is the process alive?", "Does no work.", (JSON,), ("internal",),
    ),
    Operation(
        "GET", "/health/ready", "ready", "ready", "operations",
        "May it be sent requests?", "Only once the families are loaded and the kernels warm, and not while it stops.",
        (JSON,), ("internal", "not_ready"),
    ),
    Operation(
        "GET", "/metrics", "metrics", "metrics", "operations",
        "Counts for monitoring", "In the text format of Prometheus.", ("text/plain",), ("internal",),
    ),
    Operation(
        "GET", "/openapi.json", "openapi", "openapi", "operations",
        "This document", "Built from what is installed here.", (JSON,), ("internal",),
    ),
    Operation(
        "GET", "/docs", "docs", "docs", "operations",
        "This document for people", "One page without scripts; works without internet.", ("text/html",), ("internal",),
    ),
)  # fmt: skip


def body_type(planner: Planner, call: str) -> Any:
    """Struct that the body of an operation is decoded to."""
    if call == "mount_search":
        return advice.mount_search_type(planner.request_type)
    return planner.request_type

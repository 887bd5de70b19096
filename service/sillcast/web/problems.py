"""RFC 9457 problems: one shape for all that goes wrong, one mapping from exceptions to it."""

from typing import Annotated, NamedTuple

import msgspec
from litestar.exceptions import HTTPException
from msgspec import Meta, Struct

from sillcast import errors
from sillcast.faults import FAULT_LIMIT

__all__ = [
    "BY_CLASS",
    "KINDS",
    "MEDIA",
    "FailedError",
    "Kind",
    "Problem",
    "ProblemItem",
    "RefusedError",
    "kind_of",
    "problem_of",
]

MEDIA = "application/problem+json"


class ProblemItem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One thing to put right."""

    pointer: Annotated[str, Meta(description="JSON pointer (RFC 6901) into the request; empty for the whole.")]
    code: Annotated[
        str,
        Meta(
            examples=["missing", "unknown_field", "wrong_type", "out_of_bounds", "bad_choice"],
            description="Sort of fault.",
        ),
    ]
    detail: Annotated[str, Meta(description="What would be right.")]
    allowed: Annotated[str | msgspec.UnsetType, Meta(description="Bounds or choices.")] = msgspec.UNSET
    seen: Annotated[str | msgspec.UnsetType, Meta(description="What was sent, shortened; a text in quotes.")] = (
        msgspec.UNSET
    )


class Problem(Struct, frozen=True, kw_only=True):
    """Why there is no answer (RFC 9457)."""

    type: Annotated[str, Meta(description="`/problems/<code>`.")]
    title: Annotated[str, Meta(description="The same for all problems of the type.")]
    status: Annotated[int, Meta(ge=400, le=599, description="Status of the answer. [1]")]
    detail: Annotated[str, Meta(description="What happened here and what to do.")]
    code: Annotated[str, Meta(examples=["malformed", "uncomputable", "busy"], description="Sort of problem.")]
    errors: Annotated[list[ProblemItem], Meta(description="Each thing to put right, where there are several.")]


class Kind(NamedTuple):
    """A type of problem."""

    code: str
    status: int
    title: str
    meaning: str


KINDS = {
    kind.code: kind
    for kind in (
        Kind("malformed", 400, "The request breaks the schema", "It does not decode, or the schema refuses it."),
        Kind("bad_request", 400, "The request cannot be read", "It breaks a rule of HTTP."),
        Kind("client_left", 400, "The client has left", "The connection ended first; nobody reads this."),
        Kind("unknown_query", 400, "No query parameters are known", "The routes take none; send options in the body."),
        Kind("unknown_name", 404, "Nothing has this name", "See the list one level up."),
        Kind("not_found", 404, "There is no such route", "See /docs for the routes."),
        Kind("method_not_allowed", 405, "The route has other methods", "The header Allow lists them."),
        Kind("not_acceptable", 406, "No wanted media type is offered", "Accept one that the route offers."),
        Kind("slow_request", 408, "The request took too long to arrive", "Send it again, faster."),
        Kind("too_large", 413, "The body is too large", "Leave out what is not needed."),
        Kind("headers_too_large", 431, "The headers are too large", "Send fewer or shorter ones."),
        Kind(
            "unsupported_media", 415, "The body's media type is not read", "Send JSON or MessagePack, not compressed."
        ),
        Kind("uncomputable", 422, "The request cannot be computed", "It fits the schema, but contradicts itself."),
        Kind("budget", 422, "The request asks for too much work", "Ask for less, as the detail says."),
        Kind("internal", 500, "The service failed", "The request id leads to the log entry."),
        Kind("geometry", 500, "A geometry step failed", "The request id leads to the log entry."),
        Kind("registry", 500, "The installed families do not fit together", "The operator must act."),
        Kind("family_failed", 500, "An installed family failed", "Its distribution is named; report it there."),
        Kind("exhausted", 500, "The answer needs too much memory", "Ask for less; the operator can raise the limit."),
        Kind("busy", 503, "Too many requests wait", "Send it again after Retry-After; it is safe to repeat."),
        Kind("deadline", 503, "The answer took too long", "Allow more time with Prefer: wait, or ask for less."),
        Kind("interrupted", 503, "The computation was cut off", "Send it again; it is safe to repeat."),
        Kind("not_ready", 503, "The service is not ready", "It is starting or stopping."),
    )
}

BY_CLASS: dict[type[Exception], str] = {
    errors.SillcastError: "internal",
    errors.RequestError: "malformed",
    errors.MalformedError: "malformed",
    errors.UncomputableError: "uncomputable",
    errors.BudgetError: "budget",
    errors.UnknownNameError: "unknown_name",
    errors.GeometryError: "geometry",
    errors.FamilyError: "family_failed",
    errors.RegistryError: "registry",
}

# What the framework itself refuses, by its status.
_BY_STATUS = {404: "not_found", 405: "method_not_allowed", 406: "not_acceptable", 413: "too_large"}


class RefusedError(Exception):
    """What the HTTP side refuses: a kind of problem, the words for this case, headers to answer with."""

    def __init__(self, code: str, detail: str, **headers: str) -> None:
        self.kind = KINDS[code]
        self.detail = detail
        self.headers = {name.replace("_", "-"): value for name, value in headers.items()}
        super().__init__(detail)


class FailedError(Exception):
    """What a worker answers with a problem made there; `trace` is for the log alone."""

    def __init__(self, problem: Problem, trace: str = "") -> None:
        self.problem = problem
        self.trace = trace
        super().__init__(problem.detail)


def kind_of(error: Exception) -> Kind:
    """The type of problem that an exception is; anything unforeseen is `internal`."""
    if isinstance(error, FailedError):
        return KINDS[error.problem.code]
    if isinstance(error, RefusedError):
        return error.kind
    if isinstance(error, HTTPException):
        fallback = "bad_request" if error.status_code < 500 else "internal"
        return KINDS[_BY_STATUS.get(error.status_code, fallback)]
    return KINDS[next((BY_CLASS[each] for each in type(error).__mro__ if each in BY_CLASS), "internal")]


def problem_of(error: Exception) -> Problem:
    """The problem that an exception is answered with; no trace, path or value of the host is in it."""
    if isinstance(error, FailedError):
        return error.problem
    kind = kind_of(error)
    faults = error.faults if isinstance(error, errors.RequestError) else ()
    return Problem(
        type=f"/problems/{kind.code}",
        title=kind.title,
        status=kind.status,
        detail=_detail(error, kind),
        code=kind.code,
        errors=[_item(fault) for fault in faults],
    )


def _detail(error: Exception, kind: Kind) -> str:
    match error:
        case errors.RequestError(faults=(fault,)):
            return f"{fault.pointer}: {fault.detail}" if fault.pointer else str(fault.detail)
        case errors.RequestError() if len(error.faults) >= FAULT_LIMIT:
            return (
                f"At least {FAULT_LIMIT} things to put right; `errors` lists the first {FAULT_LIMIT} with their places."
            )
        case errors.RequestError():
            return f"{len(error.faults)} things to put right; `errors` lists each with its place."
        case errors.FamilyError():
            return f"The family {error.family} of {error.distribution} failed; without it the answer would be wrong."
        case errors.UnknownNameError() | RefusedError():
            return str(error)
    return kind.meaning


def _item(fault: errors.Fault) -> ProblemItem:
    return ProblemItem(
        pointer=fault.pointer,
        code=fault.code,
        detail=fault.detail,
        allowed=msgspec.UNSET if fault.allowed is None else fault.allowed,
        seen=msgspec.UNSET if fault.seen is None else fault.seen,
    )

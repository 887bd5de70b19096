"""Exceptions of sillcast; a code and JSON pointers, nothing of HTTP.

::

    SillcastError
    |-- RequestError            one or more faults of a request
    |   |-- MalformedError      does not decode, or breaks the published schema
    |   `-- UncomputableError   fits the schema and cannot be computed
    |       `-- BudgetError     asks for more work than one request may
    |-- UnknownNameError        no family, rule set of that name
    |-- GeometryError           a kernel function was given what has no answer
    |-- FamilyError             an installed family raised or returned nonsense
    `-- RegistryError           a family cannot be loaded
"""

import json
from dataclasses import dataclass

__all__ = [
    "BudgetError",
    "FamilyError",
    "Fault",
    "GeometryError",
    "MalformedError",
    "RegistryError",
    "RequestError",
    "SillcastError",
    "UncomputableError",
    "UnknownNameError",
    "quoted",
]


SEEN_LENGTH = 80
"""Characters of what was seen that a fault shows at most."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a request: where, what, what would be right, what was seen; texts are seen in quotes."""

    pointer: str
    code: str
    detail: str
    allowed: str | None = None
    seen: str | None = None


def quoted(text: str) -> str:
    """A text of a request as a fault shows it: in quotes, so that `"4"` is told from 4, and shortened."""
    shown = json.dumps(text[: SEEN_LENGTH + 1], ensure_ascii=False)
    return shown if len(shown) <= SEEN_LENGTH else f'{shown[: SEEN_LENGTH - 2]}…"'


class SillcastError(Exception):
    """Base of all errors of sillcast."""

    code = "error"


class RequestError(SillcastError):
    """A request with faults."""

    code = "request"

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"{fault.pointer or '/'}: {fault.detail}" for fault in self.faults))


class MalformedError(RequestError):
    """The request does not decode or breaks the published schema."""

    code = "malformed"


class UncomputableError(RequestError):
    """The request fits the schema and cannot be computed."""

    code = "uncomputable"


class BudgetError(UncomputableError):
    """The request asks for more work than one request may."""

    code = "budget"


class UnknownNameError(SillcastError):
    """A name that is not installed."""

    code = "unknown_name"


class GeometryError(SillcastError):
    """A kernel function was given what has no answer."""

    code = "geometry"


class FamilyError(SillcastError):
    """A family raised, or returned what the kernel cannot use; names the distribution."""

    code = "family_failed"

    def __init__(self, family: str, distribution: str, detail: str) -> None:
        self.family = family
        self.distribution = distribution
        super().__init__(f"family {family} of {distribution}: {detail}")


class RegistryError(SillcastError):
    """A family cannot be loaded; names distribution, version and entry."""

    code = "registry"

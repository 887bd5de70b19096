"""One request from bytes to bytes: what a worker does, whether it is a thread or a process."""

import time
import traceback
from base64 import b64encode
from collections.abc import Callable
from hashlib import sha256
from types import TracebackType
from typing import Any, Literal

import msgspec
from msgspec import Struct

from sillcast import faults
from sillcast.errors import FamilyError
from sillcast.planner import Planner
from sillcast.web import negotiation
from sillcast.web.operations import body_type
from sillcast.web.problems import Problem, RefusedError, kind_of, problem_of

__all__ = ["Computer", "Done", "Failed", "Job", "Reply", "StopError", "Stopped", "content_digest", "encoded"]

_ENCODERS: dict[str, msgspec.json.Encoder | msgspec.msgpack.Encoder] = {
    negotiation.JSON: msgspec.json.Encoder(),
    negotiation.NDJSON: msgspec.json.Encoder(),
    negotiation.MSGPACK: msgspec.msgpack.Encoder(),
}


class Job(Struct, frozen=True, kw_only=True):
    """What a worker is handed: the planner's method, the body, how it is written, how the answer shall be.

    `sent_s` is the monotonic clock, which all processes share, when it was sent. [s]
    """

    call: str
    body: bytes
    sent: Literal["json", "msgpack"]
    media: str
    coding: str = ""
    within_s: float
    sent_s: float = 0.0


class Done(Struct, frozen=True, kw_only=True, tag=True):
    """The answer, ready to be sent, and how long the steps took. [s]"""

    content: bytes
    coding: str
    digest: str
    steps: dict[str, float]


class Failed(Struct, frozen=True, kw_only=True, tag=True):
    """Why there is no answer; `family` is the family at fault, `trace` is for the log alone."""

    problem: Problem
    family: str = ""
    trace: str = ""


class Stopped(Struct, frozen=True, kw_only=True, tag=True):
    """The work was stopped from outside; `family` was at work at that moment, if any was."""

    family: str = ""
    killed: bool = False


Reply = Done | Failed | Stopped


class StopError(BaseException):
    """Stops the work at hand; no `except Exception` of a family holds it up."""


class Computer:
    """Answers jobs with a planner."""

    def __init__(self, planner: Planner) -> None:
        self.planner = planner
        self._unpackers: dict[str, msgspec.msgpack.Decoder[Any]] = {}
        self._families = {
            type(each.family).__module__: f"{each.name} of {each.origin}" for each in planner.registry.families
        }

    def answer(self, job: Job) -> Reply:
        """The answer, or the problem that the exception is answered with."""
        try:
            return self._answered(job)
        except StopError as stop:
            return Stopped(family=self.at_work(stop.__traceback__))
        except MemoryError as error:
            family = self.at_work(error.__traceback__)
            words = f"The answer needs more memory than one may take{', in the family ' + family if family else ''}."
            return Failed(problem=problem_of(RefusedError("exhausted", words)), family=family)
        except Exception as error:
            own = kind_of(error).status >= 500
            return Failed(
                problem=problem_of(error),
                family=f"{error.family} of {error.distribution}" if isinstance(error, FamilyError) else "",
                trace="".join(traceback.format_exception(error)) if own else "",
            )

    def at_work(self, trace: TracebackType | None) -> str:
        """The family whose code is innermost in a trace, with its distribution; empty if there is none."""
        found = ""
        for frame, _ in traceback.walk_tb(trace):
            found = self._families.get(frame.f_globals.get("__name__", ""), found)
        return found

    def _answered(self, job: Job) -> Done:
        steps: dict[str, float] = {}
        request = job.body if job.sent == "json" else _timed(steps, "decode", lambda: self._unpacked(job))
        if job.media == negotiation.SVG:
            content = _timed(steps, "picture", lambda: self.planner.picture(request).encode())
        else:
            made = _timed(steps, job.call, lambda: getattr(self.planner, job.call)(request))
            content = _timed(steps, "encode", lambda: _ENCODERS[job.media].encode(made))
        if job.media == negotiation.NDJSON:
            content = b'{"result":' + content + b"}\n"
        content, coding = _timed(steps, "compress", lambda: encoded(content, job.coding))
        return Done(content=content, coding=coding, digest=content_digest(content), steps=steps)

    def _unpacked(self, job: Job) -> Any:
        if job.call not in self._unpackers:
            self._unpackers[job.call] = msgspec.msgpack.Decoder(body_type(self.planner, job.call))
        return faults.decoded(job.body, self._unpackers[job.call], "msgpack")


def _timed(steps: dict[str, float], name: str, step: Callable[[], Any]) -> Any:
    begun = time.perf_counter()
    made = step()
    steps[name] = time.perf_counter() - begun
    return made


def encoded(content: bytes, coding: str) -> tuple[bytes, str]:
    """Content in a coding, and which; short content stays as it is, since its header alone would eat the gain."""
    if coding and len(content) >= negotiation.LEAST_CODED:
        return negotiation.CODINGS[coding](content), coding
    return content, ""


def content_digest(content: bytes) -> str:
    """Value of the header Content-Digest (RFC 9530, section 2)."""
    return f"sha-256=:{b64encode(sha256(content).digest()).decode()}:"

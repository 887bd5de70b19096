"""One request from bytes to bytes: what a worker does, whether it is a thread or a process."""

import copy
import time
import traceback
from base64 import b64encode
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from types import TracebackType
from typing import Any, Literal, NamedTuple

import msgspec
from msgspec import Struct

from sillcast import faults
from sillcast.errors import FamilyError
from sillcast.planner import Planner
from sillcast.web import negotiation
from sillcast.web.operations import body_type
from sillcast.web.problems import Problem, RefusedError, kind_of, problem_of

__all__ = [
    "Computer",
    "Done",
    "Failed",
    "Job",
    "Progress",
    "Reply",
    "Step",
    "StopError",
    "Stopped",
    "Tell",
    "content_digest",
    "encoded",
    "untold",
]

PROGRESS_S = 0.1
"""Least time between two reports of progress: what is told more often nobody can read. [s]"""

_LAST = ("verify", "encode")
"""The last steps. Their begin is told at once: to wake whoever waits takes as long as to end the work."""

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
    coding: negotiation.Coding = negotiation.PLAIN
    within_s: float
    sent_s: float = 0.0


class Step(NamedTuple):
    """A step of the work: its name, when it began on the monotonic clock, how long it took. [s]"""

    name: str
    begun_s: float
    seconds: float


class Done(Struct, frozen=True, kw_only=True, tag=True):
    """The answer, ready to be sent: its bytes, the headers that describe them, and what they took."""

    content: bytes
    headers: list[tuple[bytes, bytes]]
    steps: list[Step]
    families: list[str]

    def logged(self) -> dict[str, Any]:
        """What a line in the log says of the work."""
        return {"families": self.families, "steps_ms": _rounded_ms(self.steps)}


class Failed(Struct, frozen=True, kw_only=True, tag=True):
    """Why there is no answer; `family` is the family at fault, `trace` is for the log alone."""

    problem: Problem
    family: str = ""
    trace: str = ""
    steps: list[Step] = []

    def logged(self) -> dict[str, Any]:
        """What a line in the log says of the work."""
        return {"code": self.problem.code, "family": self.family, "steps_ms": _rounded_ms(self.steps)}


class Stopped(Struct, frozen=True, kw_only=True, tag=True):
    """The work was stopped from outside; `family` was at work at that moment, if any was."""

    family: str = ""
    killed: bool = False


class Progress(Struct, frozen=True, kw_only=True, tag=True):
    """How far a job has come: how much of how much of a stage is done."""

    stage: str
    done: int
    of: int


Reply = Done | Failed | Stopped

Tell = Callable[[Progress], None]
"""Is told how a job gets on."""


class StopError(BaseException):
    """Stops the work at hand; no `except Exception` of a family holds it up."""


def untold(_: Progress) -> None:
    """Nobody listens."""


class _Work:
    """One job under way: times the planner's steps, passes on its ticks, and ends it between two where asked to."""

    def __init__(self, tell: Tell) -> None:
        self.steps: list[Step] = []
        self.unwanted = False
        self._tell = tell
        self._told_s = 0.0
        self._within = ""

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Time a step; one within another is a part of that."""
        if self.unwanted:
            raise StopError
        if self._within:
            yield
            return
        self._within = name
        if name in _LAST:
            self._tell(Progress(stage=name, done=0, of=1))
        begun = time.monotonic()
        try:
            yield
        finally:
            self.steps.append(Step(name, begun, time.monotonic() - begun))
            self._within = ""

    def tick(self, done: int, of: int, stage: str = "") -> None:
        """Pass on how much is done of the present step, or of a stage of it."""
        if self.unwanted:
            raise StopError
        if (now := time.monotonic()) >= self._told_s + PROGRESS_S:
            self._told_s = now
            self._tell(Progress(stage=stage or self._within, done=done, of=of))


class Computer:
    """Answers jobs with a planner, one at a time."""

    def __init__(self, planner: Planner) -> None:
        self.planner = copy.copy(planner)  # the same but for who watches: the caller's may be watched by others
        self.planner.watch = self._step
        self._work = _Work(untold)
        self._made: Any = None
        self._unpackers: dict[str, msgspec.msgpack.Decoder[Any]] = {}
        self._families = {
            type(each.family).__module__: f"{each.name} of {each.origin}" for each in planner.registry.families
        }

    def answer(self, job: Job, tell: Tell = untold) -> Reply:
        """The answer, or the problem that the exception is answered with."""
        self._work = _Work(tell)
        try:
            return self._answered(job)
        except StopError as stop:
            return Stopped(family=self.at_work(stop.__traceback__))
        except MemoryError as error:
            family = self.at_work(error.__traceback__)
            words = f"The answer needs more memory than one may take{', in the family ' + family if family else ''}."
            return self._failed(RefusedError("exhausted", words), family)
        except FamilyError as error:
            return self._failed(error, f"{error.family} of {error.distribution}")
        except Exception as error:
            return self._failed(error)

    def leave(self) -> None:
        """End the job at hand at its next step or tick; may be called from another thread."""
        self._work.unwanted = True

    def forget(self) -> None:
        """Let go of the last answer, which was kept so that its sending need not wait for that."""
        self._made = None

    def at_work(self, trace: TracebackType | None) -> str:
        """The family whose code is innermost in a trace, with its distribution; empty if there is none."""
        found = ""
        for frame, _ in traceback.walk_tb(trace):
            found = self._families.get(frame.f_globals.get("__name__", ""), found)
        return found

    def _step(self, name: str) -> Any:
        return self._work.step(name)

    def _failed(self, error: Exception, family: str = "") -> Failed:
        own = kind_of(error).status >= 500 and not isinstance(error, RefusedError)
        trace = "".join(traceback.format_exception(error)) if own else ""
        return Failed(problem=problem_of(error), family=family, trace=trace, steps=self._work.steps)

    def _answered(self, job: Job) -> Done:
        begun = time.monotonic()
        content = self._content(job)
        with self._step("compress"):
            content, coding = encoded(content, job.coding)
        steps = self._work.steps
        rest = time.monotonic() - begun - sum(step.seconds for step in steps)
        steps.append(Step("rest", begun, rest))
        by = getattr(self._made, "computed_by", None)
        return Done(
            content=content,
            headers=_described(content, coding, steps),
            steps=steps,
            families=sorted(by.families) if by else [],
        )

    def _content(self, job: Job) -> bytes:
        request = job.body if job.sent == "json" else self._unpacked(job)
        if job.media == negotiation.SVG:
            return self.planner.picture(request).encode()
        ticking = {"tick": self._work.tick} if job.call == "mount_search" else {}
        self._made = getattr(self.planner, job.call)(request, **ticking)
        with self._step("encode"):
            content = _ENCODERS[job.media].encode(self._made)
        return b'{"result":' + content + b"}\n" if job.media == negotiation.NDJSON else content

    def _unpacked(self, job: Job) -> Any:
        if job.call not in self._unpackers:
            self._unpackers[job.call] = msgspec.msgpack.Decoder(body_type(self.planner, job.call))
        with self._step("decode"):
            return faults.decoded(job.body, self._unpackers[job.call], "msgpack")


def _described(content: bytes, coding: str, steps: Sequence[Step]) -> list[tuple[bytes, bytes]]:
    """Headers that say what content is, and what its making took (W3C Server Timing)."""
    timing = ", ".join([f"{name};dur={ms:.3f}" for name, ms in _sums_ms(steps).items()])
    headers = [(b"content-digest", content_digest(content).encode()), (b"server-timing", timing.encode())]
    return [*headers, (b"content-encoding", coding.encode())] if coding else headers


def _sums_ms(steps: Sequence[Step]) -> dict[str, float]:
    """Time of each step; those that came more than once are summed. [ms]"""
    sums: dict[str, float] = {}
    for name, _, seconds in steps:
        sums[name] = sums.get(name, 0.0) + 1e3 * seconds
    return sums


def _rounded_ms(steps: Sequence[Step]) -> dict[str, float]:
    return {name: round(ms, 3) for name, ms in _sums_ms(steps).items()}


def encoded(content: bytes, coding: negotiation.Coding) -> tuple[bytes, str]:
    """Content in a coding, and which; short content stays as it is, since the header alone would eat the gain."""
    if coding.name and len(content) >= coding.least:
        return negotiation.CODINGS[coding.name](content), coding.name
    return content, ""


def content_digest(content: bytes) -> str:
    """Value of the headers Content-Digest and Repr-Digest (RFC 9530, sections 2 and 3)."""
    return f"sha-256=:{b64encode(sha256(content).digest()).decode()}:"

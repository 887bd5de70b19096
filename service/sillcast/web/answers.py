"""Answers as the protocol wants them: what was made, or why there is none."""

from typing import Any

import msgspec
from litestar.types import Receive, Scope, Send

from sillcast.web.compute import content_digest
from sillcast.web.edge import Metrics, log
from sillcast.web.problems import MEDIA, FailedError, Problem, kind_of, problem_of

__all__ = ["Answer", "Refusals"]

Headers = list[tuple[bytes, bytes]]


class Answer:
    """Content that is sent at once, with its type and length.

    Parameters
    ----------
    content : bytes
        The body.
    media : str
        Its media type.
    headers : list of (bytes, bytes)
        What else is to be said, names in lower case.
    status : int
        Status. [1]
    """

    def __init__(self, content: bytes, media: str, headers: Headers, status: int = 200) -> None:
        self._content = content
        self._status = status
        self._headers = [
            *headers,
            (b"content-type", media.encode()),
            (b"content-length", b"%d" % len(content)),
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        await send({"type": "http.response.start", "status": self._status, "headers": self._headers})
        await send({"type": "http.response.body", "body": self._content, "more_body": False})


class Refusals:
    """Makes problems of exceptions, counts them, and logs what is our own fault.

    Parameters
    ----------
    metrics : Metrics
        Where they are counted.
    """

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics

    def problem(self, scope: Scope, error: Exception) -> Problem:
        """The problem that an exception is told as."""
        problem = problem_of(error)
        state: Any = scope["state"]
        state["code"] = problem.code  # for the line in the log
        self._metrics.problems.labels(problem.code).inc()
        if problem.status == kind_of(RuntimeError()).status:
            _log_own(scope, error)
        return problem

    def parts(self, scope: Scope, error: Exception) -> tuple[bytes, int, dict[str, str]]:
        """The problem as the content, status and headers of an answer."""
        problem = self.problem(scope, error)
        content = msgspec.json.encode(problem)
        headers = {
            **({"retry-after": "1"} if problem.code == "interrupted" else {}),
            **(getattr(error, "headers", None) or {}),
            "cache-control": "no-store",
            "content-digest": content_digest(content),
        }
        return content, problem.status, headers

    def answer(self, scope: Scope, error: Exception) -> Answer:
        """The problem as an answer."""
        content, status, headers = self.parts(scope, error)
        encoded = [(name.encode("latin-1"), value.encode("latin-1")) for name, value in headers.items()]
        return Answer(content, MEDIA, encoded, status)


def _log_own(scope: Scope, error: Exception) -> None:
    """Log what is our own fault, under the id that the client has."""
    state: Any = scope["state"]
    where = {"id": state.get("request_id")}
    if isinstance(error, FailedError):
        log.error("failed", **where, trace=error.trace)
    else:
        log.error("failed", **where, exc_info=error)

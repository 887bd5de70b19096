"""The routes that compute: from a request to its answer, and nothing of the framework on the way.

Its routing and its responses take as long as all the rest of this way, and a request that has been computed finds none
of their code in the caches. What does not go by the table of routes to the letter is left to the framework.
"""

import asyncio
import re
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import msgspec
from litestar.response.streaming import ASGIStreamingResponse
from litestar.types import ASGIApp, Receive, Scope, Send

from sillcast.web import negotiation
from sillcast.web.answers import Answer, Refusals
from sillcast.web.compute import Done, Failed, Job, Progress
from sillcast.web.gate import Gate, Place, client_left
from sillcast.web.operations import COMPUTED, Operation
from sillcast.web.problems import FailedError, RefusedError
from sillcast.web.settings import Settings

__all__ = ["Computing", "refuse_query"]

Headers = tuple[tuple[bytes, bytes], ...]

# A picture brings its own style; it may not load or run anything.
_PICTURE_POLICY = b"default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
_PROGRESS_S = 1.0
_LISTS = (b"accept", b"accept-encoding", b"prefer")
_LENGTH_DIGITS = 18  # of a length that is read as a number
_PLAIN_HOST = re.compile(rb"[0-9A-Za-z.:\[\]-]*")


class _Wanted(NamedTuple):
    """What the headers of a request ask for, and what the answer says to it."""

    media: str
    coding: negotiation.Coding
    sent: Literal["json", "msgpack"]
    wait_s: float | None
    headers: Headers


class Computing:
    """Answers the routes that compute; as a layer of the application it leaves all others to the one below.

    Parameters
    ----------
    gate : Gate
        Where jobs are computed.
    settings : Settings
        The limits.
    refusals : Refusals
        What exceptions are answered with.
    check : callable
        Raises what is to be answered while nothing can be computed.
    """

    def __init__(self, gate: Gate, settings: Settings, refusals: Refusals, check: Callable[[], None]) -> None:
        self._gate = gate
        self._settings = settings
        self._refusals = refusals
        self._check = check

    def around(self, app: ASGIApp) -> ASGIApp:
        """An application that answers as the one given does, and the routes that compute directly."""
        computed = {each.path: each for each in COMPUTED}

        async def answered(scope: Scope, receive: Receive, send: Send) -> None:
            asked: Any = scope
            operation = computed.get(asked["path"]) if asked["type"] == "http" and asked["method"] == "POST" else None
            host = next((value for name, value in asked.get("headers", ()) if name == b"host"), b"")
            if operation is None or not _PLAIN_HOST.fullmatch(host):
                await app(scope, receive, send)
                return
            asked["path_template"] = operation.path
            try:
                answer = await self.answer(operation, scope, receive)
            except Exception as error:
                answer = self._refusals.answer(scope, error)
            await answer(scope, receive, send)

        return answered

    async def answer(self, operation: Operation, scope: Scope, receive: Receive) -> ASGIApp:
        """The answer to a request, once it is there.

        Raises
        ------
        RefusedError, FailedError
            If there is none.
        """
        self._check()
        refuse_query(scope)
        headers = _headers(scope)
        wanted = _wanted(operation.media, *[headers.get(name) for name in _NEGOTIATED])
        deadline_s = self._settings.deadline_s
        job = Job(
            call=operation.call,
            body=await self._body(headers.get(b"content-length", b""), scope, receive),
            sent=wanted.sent,
            media=wanted.media,
            coding=wanted.coding,
            within_s=deadline_s if wanted.wait_s is None else min(deadline_s, wanted.wait_s),
        )
        if wanted.media == negotiation.NDJSON:
            return await self._told(job, scope, wanted.headers)

        async def left() -> None:
            while (await receive())["type"] != "http.disconnect":
                pass

        done = _done(await self._gate.run(job, left), scope)
        return Answer(done.content, wanted.media, [*wanted.headers, *done.headers])

    async def _told(self, job: Job, scope: Scope, headers: Headers) -> ASGIApp:
        """The answer in lines: how it gets on, then the result or the problem; problems found soon have a status."""
        told: deque[Progress] = deque(maxlen=1)
        place = self._gate.begin(job, told.append)
        begun = time.monotonic()
        try:
            await asyncio.wait({place.reply}, timeout=min(_PROGRESS_S, job.within_s))
        except asyncio.CancelledError:
            self._gate.leave(place)
            raise
        if place.reply.done():
            return Answer(_done(place.answer(), scope).content, job.media, [*headers])
        shown = [(name.decode(), value.decode()) for name, value in headers]
        lines = self._lines(place, told, scope, begun)
        return ASGIStreamingResponse(iterator=lines, media_type=job.media, headers=dict(shown))

    async def _lines(self, place: Place, told: Sequence[Progress], scope: Scope, begun: float) -> AsyncIterator[bytes]:
        within_s = place.job.within_s
        try:
            while (passed := time.monotonic() - begun) < within_s and not place.reply.done():
                state = "waiting" if place.waits else "computing"
                words = {"state": state, "elapsed_s": round(passed, 1), "at_most_s": within_s}
                yield _line("progress", words | (msgspec.structs.asdict(told[0]) if told else {}))
                await asyncio.wait({place.reply}, timeout=min(_PROGRESS_S, within_s - passed))
            await asyncio.wait({place.reply})
            yield _done(place.answer(), scope).content
        except (FailedError, RefusedError) as error:
            yield _line("problem", self._refusals.problem(scope, error))
        except (asyncio.CancelledError, GeneratorExit):
            self._refusals.problem(scope, client_left())
            raise
        finally:
            self._gate.leave(place)

    async def _body(self, announced: bytes, scope: Scope, receive: Receive) -> bytes:
        """The whole body, within the limit of size; how long it may take is the server's to watch.

        Raises
        ------
        RefusedError
            `too_large`; what the server refused it for; or `bad_request` if the client left before its end.
        """
        limit = self._settings.body_limit_bytes
        if announced.isdigit() and (len(announced) > _LENGTH_DIGITS or int(announced) > limit):
            raise _too_large(limit)
        body = bytearray()
        while (event := await receive())["type"] == "http.request":
            body += event.get("body", b"")
            if len(body) > limit:
                raise _too_large(limit)
            if not event.get("more_body", False):
                return bytes(body)
        state: Any = scope["state"]
        raise state.get("refused") or RefusedError("bad_request", "The connection ended before the body did.")


_NEGOTIATED = (b"accept", b"accept-encoding", b"content-type", b"content-encoding", b"prefer")


@lru_cache(64)
def _wanted(offers: tuple[str, ...], *values: bytes | None) -> _Wanted:
    """What the headers in `_NEGOTIATED` ask for; most clients send the same ones again and again."""
    accept, accept_encoding, content_type, content_encoding, prefer = (
        None if value is None else value.decode("latin-1") for value in values
    )
    media = negotiation.chosen(accept, offers)
    sent = negotiation.body_media(content_type, content_encoding)
    wait_s = negotiation.wait_s(prefer)
    # Lines go as they are made: a coding would hold them back.
    coding = negotiation.PLAIN if media == negotiation.NDJSON else negotiation.coding(accept_encoding)
    headers = [(b"cache-control", b"no-store"), (b"vary", b"accept, accept-encoding")]
    if wait_s is not None:
        headers.append((b"preference-applied", f"wait={wait_s:.12g}".encode()))
    if media == negotiation.SVG:
        headers.append((b"content-security-policy", _PICTURE_POLICY))
    return _Wanted(media, coding, sent, wait_s, tuple(headers))


def refuse_query(scope: Scope) -> None:
    """Refuse query parameters, of which there are none.

    Raises
    ------
    RefusedError
        `unknown_query`.
    """
    if scope["query_string"]:
        raise RefusedError("unknown_query", "This route takes no query parameters; options go into the body.")


def _too_large(limit: int) -> RefusedError:
    return RefusedError("too_large", f"A body may have {limit} bytes.")


def _headers(scope: Scope) -> dict[bytes, bytes]:
    """Headers of a request by name; lists in several lines are one list (RFC 9110, 5.3), of others the first counts."""
    lines: Any = scope["headers"]
    found: dict[bytes, bytes] = {}
    for name, value in lines:
        if name not in found:
            found[name] = value
        elif name in _LISTS:
            found[name] += b", " + value
    return found


def _done(reply: Done | Failed, scope: Scope) -> Done:
    """The answer of a worker, or its problem raised; what the line in the log shall say of the work is left behind."""
    state: Any = scope["state"]
    state["work"] = reply
    if isinstance(reply, Done):
        return reply
    raise FailedError(reply.problem, reply.trace)


def _line(name: str, value: Any) -> bytes:
    return msgspec.json.encode({name: value}) + b"\n"

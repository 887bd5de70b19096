"""HTTP/1.1 on one connection: what must come in time, how much of it, and what is said to what is no HTTP."""

import asyncio
import logging
import uuid
from http import HTTPStatus
from typing import Any

import httptools
import msgspec
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from sillcast.web.compute import content_digest
from sillcast.web.edge import log
from sillcast.web.problems import MEDIA, RefusedError, problem_of

__all__ = ["HEAD_MOST", "protocol"]

HEAD_MOST = 65_536
"""Bytes that the first line and the headers of a request may have together, and those at the end of its body."""

_NO_HTTP = "What came is no HTTP/1.1, or breaks one of its rules."
_OTHER_VERSION = "HTTP/1.1 and HTTP/1.0 are spoken here."
_ONE_HOST = "A request of HTTP/1.1 has one header Host."
_NO_TUNNEL = "There are no tunnels here."


def protocol(service: Any, receive_s: float) -> type["_Protocol"]:
    """The protocol of the connections of a service, which have so long for what they send. [s]"""

    class Own(_Protocol):
        pass

    Own.service, Own.receive_s = service, receive_s
    return Own


class _Protocol(HttpToolsProtocol):
    """One connection, refused where a request does not arrive in time: the headers, then the body.

    The clock runs from the connection, or from the first byte of a later request, to the end of the headers, and again
    to the end of the body. Where nothing has come, or all is said, the connection is closed without a word.

    Headers past their most bytes are refused before they are all there. What is no HTTP is refused in the common shape;
    requests before it on the same connection are answered first, so that no answer is taken for that to another.
    """

    service: Any
    receive_s = 10.0
    _clock: asyncio.TimerHandle | None = None
    _awaited = "headers"
    _passed = 0  # ends of headers, pieces of bodies and ends of bodies so far
    _between = 0  # bytes since the last of them: of headers that are not yet all there
    _asks_for_another = False
    _refused = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wind(self.receive_s)

    def data_received(self, data: bytes) -> None:
        if self._refused:
            return
        self._unset_keepalive_if_required()
        if self._clock is None and (self.cycle is None or self.cycle.response_complete):
            self._wind(self.receive_s)
        passed = self._passed
        try:
            self._feed(data)
            self._between = self._between + len(data) if self._passed == passed else 0
            if self._between > HEAD_MOST:
                raise _too_large()
        except httptools.HttpParserError as error:
            cause = error.__context__
            self._refuse(cause if isinstance(cause, RefusedError) else RefusedError("bad_request", _NO_HTTP))
        except RefusedError as error:
            self._refuse(error)

    def _feed(self, data: bytes) -> None:
        """Parse what came; who would rather speak another protocol is answered in this one (RFC 9110, section 7.8).

        The parser takes such a request for the last one, and its body for the other protocol. A new one is told the
        request once more, without that wish.
        """
        while data:
            try:
                self.parser.feed_data(data)
            except httptools.HttpParserUpgrade as other:
                self._asks_for_another = False
                data = self._head_of_its_own() + data[other.args[0] :]
                self.parser = httptools.HttpRequestParser(self)
                self.parser.set_dangerous_leniencies(lenient_data_after_close=True)
            else:
                return

    def _head_of_its_own(self) -> bytes:
        first = b"%b %b HTTP/%b" % (self.parser.get_method(), self.url, self.parser.get_http_version().encode())
        kept = [b"%b: %b" % header for header in self.headers if header[0] != b"upgrade"]
        return b"\r\n".join([first, *kept, b"", b""])

    def on_headers_complete(self) -> None:
        self._passed += 1
        if self.parser.should_upgrade():
            if self.parser.get_method() == b"CONNECT":
                raise RefusedError("bad_request", _NO_TUNNEL)
            self._asks_for_another = True
            return
        if len(self.url) + sum(len(name) + len(value) for name, value in self.headers) > HEAD_MOST:
            raise _too_large()
        version, hosts = self.parser.get_http_version(), [name for name, _ in self.headers].count(b"host")
        if version not in ("1.1", "1.0"):
            raise RefusedError("bad_request", _OTHER_VERSION)
        if hosts != 1 and (hosts or version == "1.1"):  # RFC 9112, section 3.2
            raise RefusedError("bad_request", _ONE_HOST)
        self._awaited = "body"
        self._wind(self.receive_s)
        super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        self._passed += 1
        super().on_body(body)

    def on_message_complete(self) -> None:
        self._passed += 1
        if not self._asks_for_another:
            self._awaited = "headers"
            self._stop()
            super().on_message_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop()
        super().connection_lost(exc)

    def _refuse(self, error: RefusedError) -> None:
        """Say in the common shape why what came cannot be read, once all before it is answered; then close."""
        self._refused = True
        cycle = self.cycle
        if cycle is None or cycle.response_complete:
            self._say(error, None)
        elif not cycle.more_body:
            cycle.keep_alive = False  # its answer is the last one
        elif cycle.response_started or self.pipeline:
            self.transport.close()
        else:  # once the application has begun with it, and so given it an id
            cycle.scope["state"]["refused"] = error
            self.loop.call_soon(self._say, error, cycle.scope)

    def _say(self, error: RefusedError, scope: Any) -> None:
        """Write the problem, of a request that has got as far as the application or of none; and close."""
        if self.transport.is_closing():
            return
        problem = problem_of(error)
        content = msgspec.json.encode(problem)
        request_id = (scope or {"state": {}})["state"].get("request_id") or uuid.uuid4().hex
        headers = [
            *self.server_state.default_headers,
            (b"connection", b"close"),
            (b"cache-control", b"no-store"),
            (b"content-type", MEDIA.encode()),
            (b"content-length", b"%d" % len(content)),
            (b"content-digest", content_digest(content).encode()),
        ]
        headers = self.service.edge.completed(scope or {"headers": ()}, headers, request_id)
        first = f"HTTP/1.1 {problem.status} {HTTPStatus(problem.status).phrase}".encode()
        self.transport.write(b"\r\n".join([first, *(b"%b: %b" % header for header in headers), b"", content]))
        self.transport.close()
        if scope is None:  # else the application counts it, as a request that ended early
            self.service.metrics.problems.labels(problem.code).inc()
            self.service.metrics.requests.labels("unmatched", "other", problem.status).inc()
            if log.isEnabledFor(logging.INFO):
                log.info("unreadable", id=request_id, status=problem.status, code=problem.code)

    def _wind(self, seconds: float) -> None:
        self._stop()
        self._clock = self.loop.call_later(seconds, self._expire)

    def _stop(self) -> None:
        if self._clock is not None:
            self._clock.cancel()
            self._clock = None

    def _expire(self) -> None:
        self._clock = None
        if self.pipeline:
            # Reading is paused for answers to earlier requests on this connection: not the sender's fault.
            self._wind(self.receive_s)
            return
        is_silent = self._between == 0 if self._awaited == "headers" else self.cycle.response_complete
        if is_silent:  # nothing has come that could be answered, or it has been
            self.transport.close()
        else:
            detail = f"The {self._awaited} of the request took longer than {self.receive_s:g} s."
            self._refuse(RefusedError("slow_request", detail))


def _too_large() -> RefusedError:
    return RefusedError("headers_too_large", f"They may have {HEAD_MOST} bytes together.")

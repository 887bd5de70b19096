"""Serving on a socket: time limits for slow senders, and a stop that first gets unlisted."""

import asyncio
import gc
from http import HTTPStatus
from types import FrameType
from typing import Any

import msgspec
import uvicorn
from litestar import Litestar
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from sillcast.web.nursery import GC_THRESHOLDS
from sillcast.web.problems import MEDIA, RefusedError, problem_of
from sillcast.web.settings import Settings

__all__ = ["HEAD_MOST", "Server", "serve"]

HEAD_MOST = 65_536
"""Bytes that the first line and the headers of a request may have together."""


def serve(app: Litestar, settings: Settings) -> int:
    """Serve until SIGTERM or SIGINT; returns once all that was accepted is answered: 0, or 3 if it never got warm."""
    Server(app, settings).run()
    return 3 if app.state.service.failure else 0


def _protocol(receive_timeout_s: float) -> type[HttpToolsProtocol]:
    class Protocol(_DeadlineProtocol):
        receive_s = receive_timeout_s

    return Protocol


class _DeadlineProtocol(HttpToolsProtocol):
    """HTTP/1.1 on one connection, closed where a request does not arrive in time: the headers, then the body.

    The clock runs from the connection, or from the first byte of a later request, to the end of the headers, and again
    to the end of the body; there the application answers 408 first, and this is what remains if it cannot.

    Headers past their most bytes are refused before they are all there.
    """

    receive_s = 10.0
    _clock: asyncio.TimerHandle | None = None
    _in_head = True
    _head = 0  # bytes of headers that are not yet all there
    _passed = 0  # ends of headers and of bodies so far: bytes that hold one are not of unfinished headers alone
    _head_refused = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wind(self.receive_s)

    def data_received(self, data: bytes) -> None:
        if self._clock is None and (self.cycle is None or self.cycle.response_complete):
            self._wind(self.receive_s)
        passed = self._passed
        super().data_received(data)
        if self._in_head and self._passed == passed and not self.transport.is_closing():
            self._head += len(data)
            if self._head > HEAD_MOST:
                self._head_refused = True
                self.send_400_response("")

    def on_headers_complete(self) -> None:
        if sum(len(name) + len(value) for name, value in self.headers) > HEAD_MOST:
            self._head_refused = True
            raise ValueError("headers too large")  # ends the parser, which ends in `send_400_response`
        self._in_head, self._head = False, 0
        self._passed += 1
        self._wind(self.receive_s + 1.0)
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        self._in_head = True
        self._passed += 1
        self._stop()
        super().on_message_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop()
        super().connection_lost(exc)

    def send_400_response(self, msg: str) -> None:
        """Say in the common shape that what came is no HTTP, or that its headers are too large."""
        problem = problem_of(RefusedError("bad_request", msg))
        if self._head_refused:
            problem = problem_of(RefusedError("headers_too_large", f"They may have {HEAD_MOST} bytes together."))
        content = msgspec.json.encode(problem)
        lines = [
            f"HTTP/1.1 {problem.status} {HTTPStatus(problem.status).phrase}",
            f"content-type: {MEDIA}",
            f"content-length: {len(content)}",
            "connection: close",
        ]
        self.transport.write("\r\n".join([*lines, "", ""]).encode() + content)
        self.transport.close()

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
        elif not self.transport.is_closing():
            self.transport.close()


class Server(uvicorn.Server):
    """Server that says where it listens, and that keeps answering for a while after it was told to stop."""

    def __init__(self, app: Litestar, settings: Settings) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                host=settings.host,
                port=settings.port,
                http=_protocol(settings.receive_timeout_s),
                ws="none",
                loop="auto",
                lifespan="on",
                log_config=None,
                access_log=False,
                server_header=False,
                date_header=True,
                timeout_keep_alive=settings.keep_alive_s,  # type: ignore[arg-type]
            )
        )
        self._service: Any = app.state.service
        # Whoever watches readiness can read the reason for as long as a stop would take.
        self._service.on_failure = self._begin_drain
        self._drain_s = settings.drain_s

    async def startup(self, sockets: Any = None) -> None:
        """Listen, and print the address for whoever started this with port 0."""
        # What is loaded by now stays: the collector need not walk it again and again while answering.
        gc.collect()
        gc.freeze()
        gc.set_threshold(*GC_THRESHOLDS)
        await super().startup(sockets)
        if self.started:
            host, port = self.servers[0].sockets[0].getsockname()[:2]
            shown = f"[{host}]" if ":" in host else host
            print(f"sillcast listens on http://{shown}:{port}", flush=True)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """First stop being ready and let connections end, then stop listening; a second signal stops at once."""
        edge = self._service.edge
        if edge.draining or not self.started:
            self.should_exit = True
            return
        edge.draining = True
        asyncio.get_running_loop().call_soon_threadsafe(self._begin_drain)

    def _begin_drain(self) -> None:
        asyncio.get_running_loop().call_later(self._drain_s, self._end_drain)

    def _end_drain(self) -> None:
        self.should_exit = True

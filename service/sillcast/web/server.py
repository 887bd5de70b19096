"""Serving on a socket, and a stop that first gets unlisted."""

import asyncio
import gc
from types import FrameType
from typing import Any

import uvicorn
from litestar import Litestar

from sillcast.web.nursery import GC_THRESHOLDS
from sillcast.web.protocol import protocol
from sillcast.web.settings import Settings

__all__ = ["Server", "serve"]


def serve(app: Litestar, settings: Settings) -> int:
    """Serve until SIGTERM or SIGINT; returns once all that was accepted is answered: 0, or 3 if it never got warm."""
    Server(app, settings).run()
    return 3 if app.state.service.failure else 0


class Server(uvicorn.Server):
    """Server that says where it listens, and that keeps answering for a while after it was told to stop."""

    def __init__(self, app: Litestar, settings: Settings) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                host=settings.host,
                port=settings.port,
                http=protocol(app.state.service, settings.receive_timeout_s),
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

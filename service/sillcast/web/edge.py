"""The outermost layer of the application: request id, security headers, metrics, one log line per request."""

import logging
import re
import time
import uuid
from typing import Any

import structlog
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, ProcessCollector

__all__ = ["Edge", "Metrics", "log"]

_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_UNLOGGED = ("/health/live", "/health/ready", "/metrics")

_HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
]
# Answers are data: nothing in them may load or run anything. Pages and pictures bring their own, stricter by need.
_POLICY = (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'")

# Lines go where the standard logging sends them, so that an embedding program keeps its say.
log = structlog.wrap_logger(
    logging.getLogger("sillcast"),
    processors=[
        structlog.stdlib.filter_by_level,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        structlog.processors.JSONRenderer(),
    ],
    wrapper_class=structlog.stdlib.BoundLogger,
)


class Metrics:
    """Counts of one application, in a registry of its own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        self.requests = Counter(
            "sillcast_requests", "Answered requests.", ["route", "method", "status"], registry=self.registry
        )
        self.seconds = Histogram(
            "sillcast_request_seconds",
            "From the first to the last byte of an answer's making. [s]",
            ["route"],
            buckets=(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20),
            registry=self.registry,
        )
        self.problems = Counter("sillcast_problems", "Problems by code.", ["code"], registry=self.registry)
        self.steps = Histogram(
            "sillcast_step_seconds",
            "Steps of the work: from bytes, the planner's method, to bytes. [s]",
            ["step"],
            buckets=(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60),
            registry=self.registry,
        )
        self.family_faults = Counter(
            "sillcast_family_faults", "Failures by the family at fault.", ["family"], registry=self.registry
        )
        self.stops = Counter(
            "sillcast_stops", "Work given up: it left off when asked, or its process was killed.", ["how"],
            registry=self.registry,
        )  # fmt: skip
        self.warm_up = Gauge("sillcast_warm_up_seconds", "From the start to warm kernels. [s]", registry=self.registry)
        self.held = Gauge("sillcast_held_requests", "Requests computed or waiting.", registry=self.registry)


class Edge:
    """ASGI layer around the whole application; sees what the routes never do: unknown paths, refusals, failures."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app = app
        self._metrics = metrics
        self.draining = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        request_id = _request_id(scope)
        scope["state"]["request_id"] = request_id
        started = time.perf_counter()
        status = 0

        async def send_with_headers(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = self._completed(list(message["headers"]), request_id)
            await send(message)

        try:
            await self._app(scope, receive, send_with_headers)
        finally:
            self._count(scope, status, request_id, time.perf_counter() - started)

    def _completed(self, headers: list[tuple[bytes, bytes]], request_id: str) -> list[tuple[bytes, bytes]]:
        given = {name.lower() for name, _ in headers}
        headers += [*_HEADERS, (b"x-request-id", request_id.encode())]
        if _POLICY[0] not in given:
            headers.append(_POLICY)
        if self.draining and b"connection" not in given:
            headers.append((b"connection", b"close"))
        return headers

    def _count(self, scope: Scope, status: int, request_id: str, seconds: float) -> None:
        route = str(scope.get("path_template") or "unmatched")
        method = str(scope.get("method", ""))
        self._metrics.requests.labels(route, _known(method), status).inc()
        self._metrics.seconds.labels(route).observe(seconds)
        if route not in _UNLOGGED:
            log.info("request", id=request_id, method=method, route=route, status=status, ms=round(seconds * 1e3, 3))


def _known(method: str) -> str:
    """Method as a label: clients can make up any, a label must stay one of few."""
    return method if method in {"GET", "HEAD", "POST", "OPTIONS"} else "other"


def _request_id(scope: Scope) -> str:
    """The client's own id where it is harmless in logs and headers, else a new one."""
    headers: Any = scope["headers"]
    given = next((value for name, value in headers if name == b"x-request-id"), b"").decode("latin-1")
    return given if _REQUEST_ID.fullmatch(given) else uuid.uuid4().hex

"""The outermost layer of the application: headers of all answers, request id, metrics, one log line per request."""

import logging
import re
import time
import uuid
from collections.abc import Mapping
from typing import Any

import structlog
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, ProcessCollector

__all__ = ["Cors", "Edge", "Metrics", "log"]

Headers = list[tuple[bytes, bytes]]

_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_UNLOGGED = ("/health/live", "/health/ready", "/metrics")

_HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
]
# Answers are data: nothing in them may load or run anything. Pages and pictures bring their own, stricter by need.
_POLICY = (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'")

# What a page elsewhere may send and read, where it may call at all; GET and HEAD need no word.
_CORS_SENT = b"accept, content-type, if-none-match, prefer, x-request-id"
_CORS_READ = (
    b"content-digest, deprecation, etag, link, preference-applied, repr-digest, retry-after, server-timing, sunset, "
    b"x-request-id"
)

_LOGGER = logging.getLogger("sillcast")

# Lines go where the standard logging sends them, so that an embedding program keeps its say.
log = structlog.wrap_logger(
    _LOGGER,
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


class Cors:
    """Which pages of elsewhere may call this service (Fetch standard, CORS protocol); none of them by default.

    Own headers, since the framework's overwrite the `Vary` of an answer, and leave it out where no origin is sent.
    """

    def __init__(self, origins: str) -> None:
        self._origins = frozenset(origins.encode().split(b",")) if origins else frozenset()

    def headers(self, scope: Scope) -> Headers:
        """What an answer to this request carries; a preflight's other half is the answer to any OPTIONS request."""
        if not self._origins:
            return []
        anybody = b"*" in self._origins
        vary = [] if anybody else [(b"vary", b"origin")]
        sent: Any = scope["headers"]
        origin = next((value for name, value in sent if name == b"origin"), None)
        if origin is None or not (anybody or origin in self._origins):
            return vary
        headers = [*vary, (b"access-control-allow-origin", b"*" if anybody else origin)]
        if scope.get("method") != "OPTIONS":
            return [*headers, (b"access-control-expose-headers", _CORS_READ)]
        return [*headers, (b"access-control-allow-headers", _CORS_SENT), (b"access-control-max-age", b"600")]


class Edge:
    """ASGI layer around the whole application; sees what the routes never do: unknown paths, refusals, failures.

    Parameters
    ----------
    app : ASGIApp
        What answers.
    metrics : Metrics
        Where requests are counted.
    cors : Cors
        Which pages of elsewhere may call.
    announced : mapping of (str, str) to list of (bytes, bytes)
        What the answers of a route announce, by method and path.
    """

    def __init__(
        self, app: ASGIApp, metrics: Metrics, cors: Cors, announced: Mapping[tuple[str, str], Headers]
    ) -> None:
        self._app = app
        self._metrics = metrics
        self._cors = cors
        self._announced = announced
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
                message["headers"] = self.completed(scope, list(message["headers"]), request_id)
            await send(message)

        try:
            await self._app(scope, receive, send_with_headers)
        finally:
            self._count(scope, status, request_id, time.perf_counter() - started)

    def completed(self, scope: Any, headers: Headers, request_id: str) -> Headers:
        """Headers of an answer with those that all answers have."""
        given = {name.lower() for name, _ in headers}
        method = str(scope.get("method", "")).replace("HEAD", "GET")
        headers += [*_HEADERS, (b"x-request-id", request_id.encode()), *self._cors.headers(scope)]
        headers += self._announced.get((method, str(scope.get("path_template"))), ())
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
        if route not in _UNLOGGED and _LOGGER.isEnabledFor(logging.INFO):
            state: Any = scope["state"]
            words: dict[str, Any] = {"status": status, "ms": round(seconds * 1e3, 3)}
            if work := state.get("work"):  # of a worker, for the routes that compute
                words |= work.logged()
            if code := state.get("code"):  # of a refusal
                words["code"] = code
            log.info("request", id=request_id, method=method, route=route, **words)


def _known(method: str) -> str:
    """Method as a label: clients can make up any, a label must stay one of few."""
    return method if method in {"GET", "HEAD", "POST", "OPTIONS"} else "other"


def _request_id(scope: Scope) -> str:
    """The client's own id where it is harmless in logs and headers, else a new one."""
    headers: Any = scope["headers"]
    given = next((value for name, value in headers if name == b"x-request-id"), b"").decode("latin-1")
    return given if _REQUEST_ID.fullmatch(given) else uuid.uuid4().hex

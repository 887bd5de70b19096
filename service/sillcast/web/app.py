"""The application: routes, limits, health. Handlers take the raw request; nothing of the framework reads bodies."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from functools import partial
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import msgspec
import prometheus_client
from litestar import Litestar, Request, Response, route
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse
from litestar.types import ASGIApp

from sillcast.planner import Planner
from sillcast.registry import Registry
from sillcast.web import deprecation, docs, negotiation, openapi
from sillcast.web.answers import Refusals
from sillcast.web.compute import Done, Failed, Reply, Step, Stopped, content_digest, encoded
from sillcast.web.computing import Computing, refuse_query
from sillcast.web.edge import Cors, Edge, Metrics, log
from sillcast.web.gate import Gate
from sillcast.web.operations import COMPUTED, LISTED, OPERATED, Operation
from sillcast.web.problems import MEDIA, RefusedError
from sillcast.web.settings import Settings, SettingsError
from sillcast.web.workers import Nursery, ProcessWorker, ThreadWorker, WarmUpError, Worker

if TYPE_CHECKING:
    from sillcast.web.tracing import Tracing

__all__ = ["Service", "build_app"]

Http = Request[Any, Any, Any]
Answering = Callable[[Http], Awaitable[ASGIApp]]

_ENCODERS: dict[str, msgspec.json.Encoder | msgspec.msgpack.Encoder] = {
    negotiation.JSON: msgspec.json.Encoder(),
    negotiation.MSGPACK: msgspec.msgpack.Encoder(),
}
_UNCOUNTED_MOST = 10_000


def build_app(planner: Planner | None = None, settings: Settings | None = None) -> Litestar:
    """ASGI application; `app.state.service` is the `Service` behind it.

    Over a planner that is given, requests are computed in threads. Without one, they are computed in processes that
    load the installed families themselves, and that are stopped or replaced where a family does not come to an end.

    Raises
    ------
    RegistryError
        If no planner is given and an installed family cannot be loaded.
    SettingsError
        If spans are wanted and the extra `otel` is not installed.
    """
    settings = settings or Settings()
    tracing = _tracing(settings)
    if planner is not None:
        service = Service(planner, settings, [ThreadWorker(planner) for _ in range(settings.workers)])
    else:
        home = Nursery(settings)
        workers = [ProcessWorker(home) for _ in range(settings.workers)]
        service = Service(Planner(Registry.find(settings.plugins)), settings, workers, home)
    app = Litestar(
        route_handlers=service.handlers(),
        exception_handlers={Exception: service.refuse},
        lifespan=[service.running, *([tracing.running] if tracing else [])],
        openapi_config=None,
        logging_config=None,
    )
    app.state.service = service
    direct = service.computing.around(app.asgi_handler)
    service.edge = Edge(direct, service.metrics, Cors(settings.cors_origins), service.announced())
    app.asgi_handler = tracing.around(service.edge) if tracing else service.edge
    return app


def _tracing(settings: Settings) -> "Tracing | None":
    """What makes spans, where the settings say that some are wanted."""
    if not settings.traces_endpoint:
        return None
    try:
        from sillcast.web.tracing import Tracing, provider_of  # noqa: PLC0415 - an extra, and 0.2 s of imports
    except ImportError:
        raise SettingsError("SILLCAST_TRACES_ENDPOINT needs the extra: pip install 'sillcast[otel]'") from None
    return Tracing(provider_of(settings))


class Service:
    """What the handlers share: planner, gate, prepared answers; and whether requests may be sent here."""

    edge: Edge

    def __init__(
        self, planner: Planner, settings: Settings, workers: Sequence[Worker], home: Nursery | None = None
    ) -> None:
        self.planner = planner
        self.settings = settings
        self.metrics = Metrics()
        self.refusals = Refusals(self.metrics)
        self.gate = Gate(workers, settings.queue, self._note)
        self.computing = Computing(self.gate, settings, self.refusals, self._check)
        self.metrics.held.set_function(lambda: self.gate.held)
        self.warm = False
        self.failure = ""
        self.on_failure: Callable[[], None] = lambda: None
        self._home = home
        self._uncounted: list[Step] = []
        self._prepared: dict[tuple[str | negotiation.Coding, ...], tuple[bytes, str]] = {}

    @asynccontextmanager
    async def running(self, _: Litestar) -> AsyncIterator[None]:
        """Warm up beside serving; readiness waits for it, liveness does not."""
        warming = asyncio.create_task(self._warm_up())
        try:
            yield
        finally:
            if self._home is not None:
                warming.cancel()
            await asyncio.wait({warming})
            self.gate.close()
            if self._home is not None:
                self._home.close()

    async def _warm_up(self) -> None:
        begun = time.perf_counter()
        try:
            if self._home is None and self.settings.warm_up == "on":
                await asyncio.to_thread(self.planner.warm_up)
            await asyncio.gather(*(worker.ready() for worker in self.gate.workers))
        except Exception as error:
            log.exception("warm-up failed; never ready")
            self.failure = str(error) if isinstance(error, WarmUpError) else type(error).__name__
            self.on_failure()
            return
        self.metrics.warm_up.set(time.perf_counter() - begun)
        self.warm = True

    def _note(self, reply: Reply) -> None:
        """Count what became of a job, whether anybody still waits for it or not."""
        match reply:
            case Done(steps=steps) | Failed(steps=steps, family=""):
                self._uncounted += steps
            case Failed(family=family):
                self.metrics.family_faults.labels(family).inc()
            case Stopped(family=family, killed=killed):
                self.metrics.stops.labels("killed" if killed else "asked").inc()
                if family:
                    self.metrics.family_faults.labels(family).inc()
                log.warning("work given up", family=family, killed=killed)
        if len(self._uncounted) > _UNCOUNTED_MOST:
            self._count_steps()

    def _count_steps(self) -> None:
        """Enter the steps noted; done when somebody asks, since between a reply and its answer there is no time."""
        for step in self._uncounted:
            self.metrics.steps.labels(step.name).observe(step.seconds)
        self._uncounted.clear()

    @property
    def ready(self) -> bool:
        """Whether requests may be sent here."""
        return self.warm and not self.edge.draining

    def handlers(self) -> list[HTTPRouteHandler]:
        """One route handler for each operation of the table."""
        return [
            *(_handler(each, ["POST"], partial(self._compute, each)) for each in COMPUTED),
            *(_handler(each, ["GET", "HEAD"], partial(self._list, each)) for each in LISTED),
            *(_handler(each, ["GET", "HEAD"], getattr(self, f"_{each.call}")) for each in OPERATED),
        ]

    def announced(self) -> dict[tuple[str, str], list[tuple[bytes, bytes]]]:
        """Headers by which answers of a route say that something of it is to end."""
        # The document takes a while to make.
        return deprecation.announcements(openapi.document(self.planner)) if deprecation.DEPRECATED else {}

    def refuse(self, request: Http, error: Exception) -> Response[bytes]:
        """Answer an exception that the framework met with a problem."""
        content, status, headers = self.refusals.parts(request.scope, error)
        return Response(content, status_code=status, media_type=MEDIA, headers=headers)

    async def _compute(self, operation: Operation, request: Http) -> ASGIApp:
        """For what asks for the route in a way that the framework alone understands."""
        return await self.computing.answer(operation, request.scope, request.receive)

    def _check(self) -> None:
        if self._home is not None and not self.warm:
            # A balancer asks another replica at once, instead of waiting until this one is warm.
            raise RefusedError("not_ready", self._why_not(), retry_after="1")

    # Catalogues and operations: made once, then the same bytes ----------------------------------------------------

    async def _list(self, operation: Operation, request: Http) -> ASGIResponse:
        refuse_query(request.scope)
        media = negotiation.chosen(_all(request, "accept"), operation.media)
        names = tuple(str(value) for value in request.path_params.values())
        make = partial(_listed, self.planner, operation.call, names, media)
        return self._lasting(request, media, make, operation.call, *names, media)

    async def _openapi(self, request: Http) -> ASGIResponse:
        return self._lasting(request, negotiation.JSON, self._document, "openapi")

    async def _docs(self, request: Http) -> ASGIResponse:
        response = self._lasting(request, "text/html; charset=utf-8", self._page, "docs")
        response.headers["content-security-policy"] = docs.POLICY
        return response

    def _document(self) -> bytes:
        return openapi.written(openapi.document(self.planner))

    def _page(self) -> bytes:
        return docs.page(openapi.document(self.planner)).encode()

    def _lasting(self, request: Http, media: str, make: Callable[[], bytes], *key: str) -> ASGIResponse:
        """Answer with bytes that never change while the process lives, or with 304 to who has them."""
        wanted = negotiation.coding(_all(request, "accept-encoding"))
        if (*key, wanted) not in self._prepared:
            self._prepared[*key, wanted] = encoded(make(), wanted)
        content, coding = self._prepared[*key, wanted]
        etag = f'"{sha256(content).hexdigest()[:32]}"'
        headers = {"etag": etag, "vary": "accept, accept-encoding", "cache-control": "no-cache"}
        if _has(_all(request, "if-none-match"), etag):
            return ASGIResponse(status_code=304, headers=headers)
        if coding:
            headers["content-encoding"] = coding
        return _shown(request, content, media, headers)

    async def _live(self, request: Http) -> ASGIResponse:
        return _shown(request, b'{"status":"live"}', negotiation.JSON, {"cache-control": "no-store"})

    async def _ready(self, request: Http) -> ASGIResponse:
        if not self.ready:
            raise RefusedError("not_ready", self._why_not(), retry_after="1")
        content = msgspec.json.encode(openapi.ready_answer(self.planner, self.settings.build))
        return _shown(request, content, negotiation.JSON, {"cache-control": "no-store"})

    def _why_not(self) -> str:
        if self.failure:
            return f"The kernels cannot be warmed: {self.failure}."
        return "It is stopping." if self.edge.draining else "The kernels are not warm yet."

    async def _metrics(self, request: Http) -> ASGIResponse:
        self._count_steps()
        content = prometheus_client.generate_latest(self.metrics.registry)
        return _shown(request, content, prometheus_client.CONTENT_TYPE_LATEST, {"cache-control": "no-store"})


def _handler(operation: Operation, methods: list[Any], answer: Answering) -> HTTPRouteHandler:
    async def handle(request: Request[Any, Any, Any]) -> ASGIApp:
        return await answer(request)

    path = operation.path.replace("}", ":str}")
    return route(path, http_method=methods, name=operation.id, status_code=200)(handle)


def _listed(planner: Planner, call: str, names: tuple[str, ...], media: str) -> bytes:
    return _ENCODERS[media].encode(getattr(planner, call)(*names))


def _shown(request: Http, content: bytes, media: str, headers: dict[str, str]) -> ASGIResponse:
    """The answer to GET, or to HEAD with the same headers and no content; the digests differ (RFC 9530, B.2)."""
    headers = {
        **headers,
        "content-type": media,
        "content-length": str(len(content)),
        "content-digest": content_digest(content),
        "repr-digest": content_digest(content),
    }
    if request.method == "HEAD":
        headers["content-digest"] = content_digest(b"")
        return ASGIResponse(headers=headers, is_head_response=True)
    return ASGIResponse(body=content, headers=headers)


def _all(request: Http, name: str) -> str | None:
    """A header that is a list; of several lines one list (RFC 9110, section 5.3)."""
    lines = request.headers.getall(name, [])
    return ", ".join(lines) if lines else None


def _has(if_none_match: str | None, etag: str) -> bool:
    """Whether the client has the content already; If-None-Match compares weakly (RFC 9110, section 13.1.2)."""
    tags = [tag.strip().removeprefix("W/") for tag in (if_none_match or "").split(",")]
    return etag in tags or tags == ["*"]

"""The application: routes, limits, health. Handlers take the raw request; nothing of the framework reads bodies."""

import asyncio
import time
from collections import deque
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
from litestar.response.streaming import ASGIStreamingResponse

from sillcast.planner import Planner
from sillcast.registry import Registry
from sillcast.web import deprecation, docs, negotiation, openapi
from sillcast.web.compute import Done, Failed, Job, Progress, Reply, Step, Stopped, content_digest, encoded
from sillcast.web.edge import Cors, Edge, Metrics, log
from sillcast.web.gate import Gate
from sillcast.web.operations import COMPUTED, LISTED, OPERATED, Operation
from sillcast.web.problems import MEDIA, FailedError, RefusedError, kind_of, problem_of
from sillcast.web.settings import Settings, SettingsError
from sillcast.web.workers import Nursery, ProcessWorker, ThreadWorker, WarmUpError, Worker

if TYPE_CHECKING:
    from sillcast.web.tracing import Tracing

__all__ = ["Service", "build_app"]

Http = Request[Any, Any, Any]
Answering = Callable[[Http], Awaitable[ASGIResponse]]

_ENCODERS: dict[str, msgspec.json.Encoder | msgspec.msgpack.Encoder] = {
    negotiation.JSON: msgspec.json.Encoder(),
    negotiation.MSGPACK: msgspec.msgpack.Encoder(),
}
# A picture brings its own style; it may not load or run anything.
_PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
_PROGRESS_S = 1.0
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
    service.edge = Edge(app.asgi_handler, service.metrics, Cors(settings.cors_origins), service.announced())
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
        self.gate = Gate(workers, settings.queue, self._note)
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
        """Answer an exception with a problem; log what is our own fault."""
        problem = problem_of(error)
        self.metrics.problems.labels(problem.code).inc()
        if problem.status == kind_of(RuntimeError()).status:
            self._log_own(request, error)
        content = msgspec.json.encode(problem)
        headers = {
            **_retry(problem.code),
            **(getattr(error, "headers", None) or {}),
            "cache-control": "no-store",
            "content-digest": content_digest(content),
        }
        return Response(content, status_code=problem.status, media_type=MEDIA, headers=headers)

    def _log_own(self, request: Http, error: Exception) -> None:
        """Log what is our own fault, under the id that the client has."""
        where = {"id": request.scope["state"].get("request_id")}
        if isinstance(error, FailedError):
            log.error("failed", **where, trace=error.trace)
        else:
            log.error("failed", **where, exc_info=error)

    # The main jobs ---------------------------------------------------------------------------------------------

    async def _compute(self, operation: Operation, request: Http) -> ASGIResponse:
        if self._home is not None and not self.warm:
            # A balancer asks another replica at once, instead of waiting until this one is warm.
            raise RefusedError("not_ready", self._why_not(), retry_after="1")
        _refuse_query(request)
        headers = request.headers
        media = negotiation.chosen(headers.get("accept"), operation.media)
        sent = negotiation.body_media(headers.get("content-type"), headers.get("content-encoding"))
        wait = negotiation.wait_s(headers.get("prefer"))
        job = Job(
            call=operation.call,
            body=await self._body(request),
            sent=sent,
            media=media,
            coding=_coding(request, media),
            within_s=min(self.settings.deadline_s, self.settings.deadline_s if wait is None else wait),
        )
        extra = {"cache-control": "no-store", "vary": "accept, accept-encoding"}
        if wait is not None:
            extra["preference-applied"] = f"wait={wait}"
        if media == negotiation.SVG:
            extra["content-security-policy"] = _PICTURE_POLICY
        if media == negotiation.NDJSON:
            return await self._told(job, request, extra)
        done = _done(await self.gate.run(job, _left(request)), request)
        extra.update(done.headers)
        return ASGIResponse(body=done.content, media_type=media, headers=extra)

    async def _told(self, job: Job, request: Http, headers: dict[str, str]) -> ASGIResponse:
        """The answer in lines: how it gets on, then the result or the problem; problems found soon have a status."""
        told: deque[Progress] = deque(maxlen=1)
        task = self.gate.begin(job, told.append)
        begun = time.monotonic()
        try:
            await asyncio.wait({task}, timeout=min(_PROGRESS_S, job.within_s))
        except asyncio.CancelledError:
            self.gate.leave(task)
            raise
        if task.done():
            done = _done(await self.gate.last_words(task, job.within_s), request)
            return ASGIResponse(body=done.content, media_type=job.media, headers=headers)
        lines = self._lines(task, told, job, request, begun)
        return ASGIStreamingResponse(iterator=lines, media_type=job.media, headers=headers)

    async def _lines(
        self, task: asyncio.Task[Reply], told: Sequence[Progress], job: Job, request: Http, begun: float
    ) -> AsyncIterator[bytes]:
        try:
            while (passed := time.monotonic() - begun) < job.within_s and not task.done():
                state = "waiting" if self.gate.waits(task) else "computing"
                words = {"state": state, "elapsed_s": round(passed, 1), "at_most_s": job.within_s}
                yield _line("progress", words | (msgspec.structs.asdict(told[0]) if told else {}))
                await asyncio.wait({task}, timeout=min(_PROGRESS_S, job.within_s - passed))
            self.gate.leave(task)
            yield _done(await self.gate.last_words(task, job.within_s), request).content
        except (FailedError, RefusedError) as error:
            problem = problem_of(error)
            self.metrics.problems.labels(problem.code).inc()
            if problem.status == kind_of(RuntimeError()).status:
                self._log_own(request, error)
            yield _line("problem", problem)
        finally:
            self.gate.leave(task)

    async def _body(self, request: Http) -> bytes:
        """The whole body, within the limits of size and time.

        Raises
        ------
        RefusedError
            `too_large`, `slow_request`, or `bad_request` if the client left before its end.
        """
        limit = self.settings.body_limit_bytes
        announced = request.headers.get("content-length", "")
        if announced.isdecimal() and int(announced) > limit:
            raise _too_large(limit)
        body = bytearray()
        try:
            async with asyncio.timeout(self.settings.receive_timeout_s):
                while (event := await request.receive())["type"] == "http.request":
                    body += event.get("body", b"")
                    if len(body) > limit:
                        raise _too_large(limit)
                    if not event.get("more_body", False):
                        return bytes(body)
        except TimeoutError:
            detail = f"The body was not there within {self.settings.receive_timeout_s:g} s."
            raise RefusedError("slow_request", detail, connection="close") from None
        raise RefusedError("bad_request", "The connection ended before the body did.")

    # Catalogues and operations: made once, then the same bytes ----------------------------------------------------

    async def _list(self, operation: Operation, request: Http) -> ASGIResponse:
        _refuse_query(request)
        media = negotiation.chosen(request.headers.get("accept"), operation.media)
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
        wanted = negotiation.coding(request.headers.get("accept-encoding"))
        if (*key, wanted) not in self._prepared:
            self._prepared[*key, wanted] = encoded(make(), wanted)
        content, coding = self._prepared[*key, wanted]
        etag = f'"{sha256(content).hexdigest()[:32]}"'
        headers = {"etag": etag, "vary": "accept, accept-encoding", "cache-control": "no-cache"}
        if _has(request.headers.get("if-none-match"), etag):
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
    async def handle(request: Request[Any, Any, Any]) -> ASGIResponse:
        return await answer(request)

    path = operation.path.replace("}", ":str}")
    return route(path, http_method=methods, name=operation.id, status_code=200)(handle)


async def _left(request: Http) -> None:
    """Return once the client has closed the connection."""
    while (await request.receive())["type"] != "http.disconnect":
        pass


def _coding(request: Http, media: str) -> negotiation.Coding:
    """Lines go as they are made: a coding would hold them back."""
    accepted = request.headers.get("accept-encoding")
    return negotiation.PLAIN if media == negotiation.NDJSON else negotiation.coding(accepted)


def _done(reply: Reply, request: Http) -> Done:
    """The answer of a worker, or its problem raised; what the line in the log shall say of the work is left behind."""
    assert isinstance(reply, Done | Failed)
    request.scope["state"]["work"] = reply
    if isinstance(reply, Done):
        return reply
    raise FailedError(reply.problem, reply.trace)


def _line(name: str, value: Any) -> bytes:
    return msgspec.json.encode({name: value}) + b"\n"


def _retry(code: str) -> dict[str, str]:
    return {"retry-after": "1"} if code == "interrupted" else {}


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


def _has(if_none_match: str | None, etag: str) -> bool:
    """Whether the client has the content already; If-None-Match compares weakly (RFC 9110, section 13.1.2)."""
    tags = [tag.strip().removeprefix("W/") for tag in (if_none_match or "").split(",")]
    return etag in tags or tags == ["*"]


def _refuse_query(request: Http) -> None:
    if request.scope["query_string"]:
        raise RefusedError("unknown_query", "This route takes no query parameters; options go into the body.")


def _too_large(limit: int) -> RefusedError:
    return RefusedError("too_large", f"A body may have {limit} bytes.")

"""A span for each request and one below it for each step of the work, by OpenTelemetry; needs the extra `otel`.

Spans are made once the answer is sent, from the times that the log and Server-Timing have as well, so that a request is
not held up by them; the processes that compute know nothing of tracing.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from importlib import metadata
from typing import Any

from litestar import Litestar
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import Resource
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor
from opentelemetry.sdk.trace.sampling import ParentBasedTraceIdRatio
from opentelemetry.trace import Span, SpanKind, Status, StatusCode, set_span_in_context
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

from sillcast.web.compute import Step
from sillcast.web.settings import Settings

__all__ = ["Tracing", "provider_of"]


def provider_of(settings: Settings) -> TracerProvider:
    """What makes spans and sends them to where the settings say."""
    version = metadata.version("sillcast")
    provider = TracerProvider(
        resource=Resource.create({"service.name": "sillcast", "service.version": version}),
        sampler=ParentBasedTraceIdRatio(settings.traces_share),
    )
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter(endpoint=settings.traces_endpoint)))
    return provider


class Tracing:
    """Makes spans of what is answered; a `traceparent` that a request brings is continued (W3C Trace Context).

    Parameters
    ----------
    provider : TracerProvider
        What makes the spans.
    """

    def __init__(self, provider: TracerProvider) -> None:
        self._provider = provider
        self._tracer = provider.get_tracer("sillcast")
        self._propagator = TraceContextTextMapPropagator()

    @asynccontextmanager
    async def running(self, _: Litestar) -> AsyncIterator[None]:
        """Send what is left at the end."""
        try:
            yield
        finally:
            await asyncio.to_thread(self._provider.shutdown)

    def around(self, app: ASGIApp) -> ASGIApp:
        """An application that answers as the one given does, and is traced."""

        async def traced(scope: Scope, receive: Receive, send: Send) -> None:
            begun_ns = time.time_ns()
            status = 0

            async def noted(message: Message) -> None:
                nonlocal status
                if message["type"] == "http.response.start":
                    status = message["status"]
                await send(message)

            try:
                await app(scope, receive, noted)
            finally:
                route = str(scope.get("path_template") or "")
                if route.startswith("/v1/"):
                    self._span(scope, route, status, begun_ns)

        return traced

    def _span(self, scope: Scope, route: str, status: int, begun_ns: int) -> None:
        headers: Any = scope["headers"]
        state: Any = scope["state"]
        method = str(scope.get("method", ""))
        caller = self._propagator.extract({name.decode("latin-1"): value.decode("latin-1") for name, value in headers})
        span = self._tracer.start_span(
            f"{method} {route}",
            context=caller,
            kind=SpanKind.SERVER,
            start_time=begun_ns,
            attributes={
                "http.request.method": method,
                "http.route": route,
                "http.response.status_code": status,
                "sillcast.request_id": str(state.get("request_id", "")),
            },
        )
        work = state.get("work")
        if span.is_recording() and work is not None:
            span.set_attribute("sillcast.families", getattr(work, "families", []))
            self._steps(span, work.steps)
        if status >= 500:  # as the conventions for servers say: what a client does wrong is no error of ours
            span.set_status(Status(StatusCode.ERROR))
        span.end()

    def _steps(self, parent: Span, steps: Sequence[Step]) -> None:
        """Spans of the planner's steps; their times are of the monotonic clock, which all processes here share."""
        to_wall_ns = time.time_ns() - time.monotonic_ns()
        context = set_span_in_context(parent)
        for step in steps:
            if step.name == "rest":  # what lies between the others, and no stretch of time
                continue
            begun_ns = int(1e9 * step.begun_s) + to_wall_ns
            span = self._tracer.start_span(f"planner {step.name}", context=context, start_time=begun_ns)
            span.end(begun_ns + int(1e9 * step.seconds))

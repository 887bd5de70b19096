"""Spans of requests and steps: made where wanted, continued where a caller traces, and never in the way."""

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

import httpx
import pytest
from litestar.testing import TestClient
from opentelemetry.sdk.trace import ReadableSpan, TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.trace import SpanKind, StatusCode

from sillcast.web.app import build_app
from sillcast.web.settings import Settings, SettingsError
from sillcast.web.tracing import Tracing
from web.doubles import Quick
from web.servers import START, process

# The example of W3C Trace Context, section 3.2.
TRACE, CALLER = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
TRACEPARENT = {"traceparent": f"00-{TRACE}-{CALLER}-01"}


@pytest.fixture
def traced() -> Iterator[tuple[Any, InMemorySpanExporter]]:
    exporter, provider = InMemorySpanExporter(), TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    app = build_app(Quick(), Settings())
    app.asgi_handler = Tracing(provider).around(app.asgi_handler)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client, exporter
    provider.shutdown()


def spans(exporter: InMemorySpanExporter) -> tuple[ReadableSpan, dict[str, ReadableSpan]]:
    """The span of the request, and those of its steps by name."""
    found = {span.name: span for span in exporter.get_finished_spans()}
    (whole,) = (span for span in found.values() if span.kind is SpanKind.SERVER)
    return whole, {name: span for name, span in found.items() if span is not whole}


def test_a_request_is_a_span_with_its_steps_below(traced: Any, door: dict[str, Any]) -> None:
    client, exporter = traced
    answer = client.post("/v1/coverage", json=door, headers=TRACEPARENT)
    whole, steps = spans(exporter)
    assert whole.name == "POST /v1/coverage"
    assert (f"{whole.context.trace_id:032x}", f"{whole.parent.span_id:016x}") == (TRACE, CALLER)
    assert dict(whole.attributes) == {
        "http.request.method": "POST",
        "http.route": "/v1/coverage",
        "http.response.status_code": 200,
        "sillcast.request_id": answer.headers["x-request-id"],
        "sillcast.families": ("pressure_mat",),
    }
    assert set(steps) >= {"planner decode", "planner place", "planner showing", "planner encode"}
    for step in steps.values():
        assert step.parent.span_id == whole.context.span_id
        # The two clocks are read one after the other: a step may seem to begin a moment before its request.
        assert whole.start_time - 1_000_000 <= step.start_time <= step.end_time <= whole.end_time + 1_000_000


def test_who_does_not_trace_gets_a_trace_of_its_own(traced: Any, door: dict[str, Any]) -> None:
    client, exporter = traced
    client.post("/v1/needs", json=door, headers={"traceparent": "nonsense"})
    assert spans(exporter)[0].parent is None


def test_what_a_caller_does_not_want_traced_is_not(traced: Any, door: dict[str, Any]) -> None:
    client, exporter = traced
    headers = {"traceparent": TRACEPARENT["traceparent"].removesuffix("01") + "00"}
    assert client.post("/v1/needs", json=door, headers=headers).status_code == 200
    assert exporter.get_finished_spans() == ()


def test_faults_of_the_client_are_no_errors_of_ours(traced: Any) -> None:
    client, exporter = traced
    client.post("/v1/needs", json={})
    whole, steps = spans(exporter)
    assert whole.attributes["http.response.status_code"] == 400
    assert whole.status.status_code is StatusCode.UNSET
    assert list(steps) == ["planner decode"]


def test_health_and_unknown_paths_are_not_traced(traced: Any) -> None:
    client, exporter = traced
    for path in ("/health/live", "/metrics", "/nowhere"):
        client.get(path)
    assert exporter.get_finished_spans() == ()


def test_spans_go_where_the_settings_say(door: dict[str, Any]) -> None:
    got: list[tuple[str, bytes]] = []

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append((self.path, self.rfile.read(int(self.headers["content-length"]))))
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Collector) as collector:
        thread = threading.Thread(target=collector.serve_forever)
        thread.start()
        endpoint = f"http://127.0.0.1:{collector.server_address[1]}/v1/traces"
        with process(SILLCAST_TRACES_ENDPOINT=endpoint, SILLCAST_DRAIN_S="0") as (started, url, _):
            assert httpx.post(f"{url}/v1/needs", json=door).status_code == 200
            started.terminate()  # what is left is sent at the end
            assert started.wait(20) == 0
        collector.shutdown()
        thread.join()
    assert [path for path, _ in got] == ["/v1/traces"]
    assert b"POST /v1/needs" in got[0][1]
    assert b"planner needs" in got[0][1]


def test_without_the_extra_it_runs_and_says_so_where_spans_are_wanted() -> None:
    blocked = "import sys; sys.modules['opentelemetry'] = None; from sillcast.web.__main__ import main; "
    run = [sys.executable, "-c", f"{blocked}raise SystemExit(main(['--check']))"]

    def check(**settings: str) -> tuple[int, str]:
        environment = {**os.environ, **settings}
        done = subprocess.run(run, capture_output=True, text=True, env=environment, timeout=60, check=False)
        return done.returncode, done.stderr

    assert check() == (0, "")
    code, complaint = check(SILLCAST_TRACES_ENDPOINT="http://127.0.0.1:4318/v1/traces")
    needs_extra = "SILLCAST_TRACES_ENDPOINT needs the extra: pip install 'sillcast[otel]'"
    assert (code, complaint) == (2, f"sillcast cannot start: {needs_extra}\n")


@pytest.mark.parametrize(("name", "value"), [("ENDPOINT", "collector"), ("SHARE", "1.5")])
def test_settings_of_tracing_are_checked(name: str, value: str) -> None:
    with pytest.raises(SettingsError, match=f"SILLCAST_TRACES_{name}"):
        Settings.from_environment({f"SILLCAST_TRACES_{name}": value})


def test_tracing_is_off_unless_asked_for() -> None:
    assert Settings().traces_endpoint == ""
    assert START[1:] == ["-m", "sillcast.web"]

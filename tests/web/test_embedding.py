"""The example of a door-design tool runs as its page says, both ways, with the same words."""

import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from web.servers import process

ROOT = Path(__file__).parents[2]
PROGRAMS = ROOT / "openapi" / "examples" / "embedding"


def told(program: str, *arguments: str) -> list[str]:
    command = [sys.executable, str(PROGRAMS / program), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.splitlines()


def test_the_tool_says_the_same_over_http_and_in_process() -> None:
    inside = told("in_process.py")
    with process() as (_, url, _):
        assert told("over_http.py", url) == inside
    heads = [line for line in inside if not line.startswith("  ")]
    assert [line.partition(" = ")[0] for line in heads[:-1]] == [
        "/door/opening/width_m", "/door/opening/width_m", "/door/motion/opening/speed_m_per_s", "/sensors/0/device/depth_m"
    ]  # fmt: skip
    text = "\n".join(inside)
    # The wide door is refused at its field, and the change after it is one of the last good door.
    refused = text.partition("= 99.0\n")[2].splitlines()[0]
    assert refused.startswith("  beside the field /door/opening/width_m: ")
    first, _, last, *_ = (re.findall(r"([0-9.]+) m2", part) for part in re.split(r"^/.*$", text, flags=re.M)[1:])
    assert len(first) == len(last) > 0
    assert first != last
    assert re.search(r"^saved: .+(\n  .+: (met|not_met|cannot_tell))+$", text, re.M)


def served_with(*answers: tuple[int, dict[str, str], dict[str, Any]]) -> tuple[ThreadingHTTPServer, list[str]]:
    """A server that gives these answers in turn, the last one again and again; and what it was asked."""
    asked: list[str] = []

    class Answers(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            status, headers, body = answers[min(len(asked), len(answers) - 1)]
            asked.append(self.path)
            content = json.dumps(body).encode()
            self.send_response(status)
            for name, value in {**headers, "Content-Length": str(len(content))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_: Any) -> None:
            """Nobody listens."""

    return ThreadingHTTPServer(("127.0.0.1", 0), Answers), asked


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., tuple[Any, list[str]]]]:
    """The adviser of the example, asking a server that gives the answers asked for."""
    monkeypatch.syspath_prepend(str(PROGRAMS))
    kind = import_module("over_http").Service
    servers, advisers = [], []

    def made(*answers: tuple[int, dict[str, str], dict[str, Any]]) -> tuple[Any, list[str]]:
        server, asked = served_with(*answers)
        servers.append(server)
        Thread(target=server.serve_forever, daemon=True).start()
        advisers.append(kind(f"http://127.0.0.1:{server.server_port}"))
        return advisers[-1], asked

    yield made
    for adviser in advisers:
        adviser._line.close()
    for server in servers:
        server.shutdown()
        server.server_close()


def test_a_full_service_is_asked_again_and_one_that_takes_too_long_is_not(service: Any) -> None:
    busy = (503, {"Retry-After": "0"}, {"code": "busy", "detail": "All places are taken."})
    adviser, asked = service(busy, busy, (200, {}, {"zones": []}))
    assert (adviser.needs({}), len(asked)) == ({"zones": []}, 3)
    late = (503, {}, {"code": "deadline", "detail": "Not done within 2 s."})
    adviser, asked = service(late)
    with pytest.raises(TimeoutError, match="Not done within 2 s"):
        adviser.needs({})
    assert len(asked) == 1


def test_the_page_names_the_programs() -> None:
    page = (ROOT / "openapi" / "embedding.md").read_text()
    for program in PROGRAMS.glob("*.py"):
        assert f"examples/embedding/{program.name}" in page

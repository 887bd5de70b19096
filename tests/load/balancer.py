"""Two replicas behind the balancer of `deploy/`, restarted in turn while clients ask. For the suite and for `make load`.

Where nginx is installed the committed configuration runs, with addresses of this machine put in. Elsewhere a stand-in of
a few lines does what that configuration asks for: what one replica refuses or leaves unanswered goes to the other.
"""

import contextlib
import http.client
import itertools
import os
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import ClassVar

ROOT = Path(__file__).parents[2]
CONFIGURED = ROOT / "deploy" / "nginx" / "nginx.conf"
KEY = "Bearer kettlewharf"


class Replica:
    """A service that keeps its port when it is started again."""

    def __init__(self, **settings: str) -> None:
        self.port = free_port()
        self._settings = settings
        self.start()

    def start(self) -> None:
        environment = {**os.environ, "SILLCAST_PORT": str(self.port), "SILLCAST_LOG": "off", **self._settings}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "sillcast.web"], stdout=subprocess.DEVNULL, env=environment, cwd=ROOT
        )

    def wait_ready(self, within_s: float = 120.0) -> None:
        until = time.monotonic() + within_s
        while not self._ready():
            assert time.monotonic() < until
            assert self.process.poll() is None
            time.sleep(0.05)

    def _ready(self) -> bool:
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            line.request("GET", "/health/ready")
            return line.getresponse().status == 200
        except OSError:
            return False
        finally:
            line.close()

    def stop(self) -> int:
        """Ask it to end as an orchestrator does; its exit code."""
        self.process.terminate()
        return self.process.wait(90)


@contextmanager
def replicas(count: int, **settings: str) -> Iterator[list[Replica]]:
    """Warm replicas; ended whatever happens."""
    found: list[Replica] = []
    try:
        found += [Replica(**settings) for _ in range(count)]
        for each in found:
            each.wait_ready()
        yield found
    finally:
        for each in found:
            each.process.kill()
            each.process.wait(10)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as line:
        return int(line.getsockname()[1])


def put_here(configuration: str, folder: Path, port: int, ports: Sequence[int]) -> str:
    """The committed configuration with the places of this machine put in; nothing else of it changes."""
    here = {
        "/tmp/": f"{folder}/",  # first: the folder may itself be in there
        "/etc/nginx/": f"{folder}/",
        "/dev/stdout": f"{folder}/access.log",
        "/dev/stderr": f"{folder}/error.log",
        "listen 8443": f"listen 127.0.0.1:{port}",
        **{f"sillcast-{i}:8080": f"127.0.0.1:{each}" for i, each in enumerate(ports, 1)},
        # One client that is as fast as it can be is no intruder here.
        "rate=20r/s": "rate=10000r/s",
    }
    for there, put in here.items():
        assert there in configuration, there
        configuration = configuration.replace(there, put)
    return configuration


def prepare(folder: Path, port: int, ports: Sequence[int]) -> list[str]:
    """Certificate, key and configuration in a folder; the command that runs nginx with them."""
    for name in ("tls", "keys"):
        (folder / name).mkdir()
    (folder / "keys" / "clients.conf").write_text(f'"{KEY}" "kettlewharf";\n')
    self_signed = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    files = ["-keyout", str(folder / "tls" / "tls.key"), "-out", str(folder / "tls" / "tls.crt")]
    subprocess.run([*self_signed, *files], check=True, capture_output=True)
    (folder / "nginx.conf").write_text(put_here(CONFIGURED.read_text(), folder, port, ports))
    return ["nginx", "-c", str(folder / "nginx.conf"), "-p", str(folder), "-e", str(folder / "error.log")]


def has_nginx() -> bool:
    return bool(shutil.which("nginx") and shutil.which("openssl"))


@contextmanager
def nginx(folder: Path, ports: Sequence[int]) -> Iterator[int]:
    """Port of nginx with the configuration of `deploy/`, TLS and keys included."""
    port = free_port()
    command = prepare(folder, port, ports)
    running = subprocess.Popen([*command, "-g", "daemon off;"])
    try:
        _wait_for(port)
        yield port
    finally:
        running.terminate()
        running.wait(10)


class _StandIn(BaseHTTPRequestHandler):
    """Passes a request on; one that was refused with 503, or not answered, to the other replica as well."""

    protocol_version = "HTTP/1.1"
    ports: ClassVar[Iterator[Sequence[int]]]

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"]))
        status, content = 502, b""
        for port in next(self.ports):
            line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
            with contextlib.suppress(OSError, http.client.HTTPException):
                line.request("POST", self.path, body, {"content-type": self.headers["content-type"]})
                answer = line.getresponse()
                status, content = answer.status, answer.read()
            line.close()
            if status not in (502, 503):
                break
        self.send_response(status)
        self.send_header("content-length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def stand_in(ports: Sequence[int]) -> Iterator[int]:
    """Port of a balancer without TLS and keys, for where there is no nginx."""

    class Handler(_StandIn):
        pass

    Handler.ports = itertools.cycle([tuple(ports), tuple(reversed(ports))])
    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield int(server.server_address[1])
        finally:
            server.shutdown()
            thread.join()


def _wait_for(port: int) -> None:
    until = time.monotonic() + 10
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            assert time.monotonic() < until
            time.sleep(0.05)


@dataclass
class Rolled:
    """What clients got while replicas were restarted."""

    restarts: int = 0
    seconds: float = 0.0
    answered: int = 0
    longest_s: float = 0.0
    lost: list[str] = field(default_factory=list)
    exit_codes: set[int] = field(default_factory=set)


def rolled(found: Sequence[Replica], port: int, body: bytes, restarts: int, tls: bool, clients: int = 3) -> Rolled:
    """Restart replicas in turn, each once the one before is ready again, while clients ask for needs all the time."""
    outcome, stop, begun = Rolled(), threading.Event(), time.monotonic()
    threads = [threading.Thread(target=_ask, args=(port, body, tls, stop, outcome)) for _ in range(clients)]
    for each in threads:
        each.start()
    try:
        for replica in itertools.islice(itertools.cycle(found), restarts):
            outcome.exit_codes.add(replica.stop())
            replica.start()
            replica.wait_ready()
            outcome.restarts += 1
    finally:
        stop.set()
        for each in threads:
            each.join()
    outcome.seconds = time.monotonic() - begun
    return outcome


def _ask(port: int, body: bytes, tls: bool, stop: threading.Event, outcome: Rolled) -> None:
    # The certificate was made a moment ago by this very test, for nobody.
    trust = ssl._create_unverified_context() if tls else None
    headers = {"content-type": "application/json", "authorization": KEY}
    while not stop.is_set():
        line = (
            http.client.HTTPSConnection("127.0.0.1", port, timeout=60, context=trust)
            if tls
            else http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        )
        for _ in range(20):  # requests on one connection, as programs do
            begun = time.monotonic()
            try:
                line.request("POST", "/v1/needs", body, headers)
                answer = line.getresponse()
                answer.read()
            except (OSError, http.client.HTTPException) as error:
                outcome.lost.append(repr(error))
                break
            if answer.status == 200:
                outcome.answered += 1
                outcome.longest_s = max(outcome.longest_s, time.monotonic() - begun)
            else:
                outcome.lost.append(f"status {answer.status}")
        line.close()

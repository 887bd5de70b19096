"""The server on a real socket: what starts it, who holds it up, how it stops."""

import json
import os
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from web.servers import START, process
from web.shape import problem


@pytest.fixture(scope="module")
def impatient() -> Iterator[tuple[str, int]]:
    with process(SILLCAST_RECEIVE_TIMEOUT_S="0.5") as (_, url, port):
        yield url, port


def exchange(port: int, *parts: bytes, pause_s: float = 0.0) -> tuple[bytes, float]:
    """All that comes back for some bytes until the server closes, and how long that took."""
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        for part in parts:
            line.sendall(part)
            time.sleep(pause_s)
        answer = b""
        while got := line.recv(65536):
            answer += got
    return answer, time.monotonic() - began


HEAD = b"POST /v1/needs HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\n"


@pytest.mark.parametrize(
    "sent",
    [b"", b"POST /v1/needs HT", HEAD, b"\r\n\r\n\r\n"],
    ids=["nothing", "half a line", "half the headers", "empty lines"],
)
def test_a_sender_that_stalls_before_the_body_is_cut_off(impatient: tuple[str, int], sent: bytes) -> None:
    answer, seconds = exchange(impatient[1], sent)
    assert answer == b""
    assert 0.3 < seconds < 3


def test_a_sender_that_drips_is_cut_off_all_the_same(impatient: tuple[str, int]) -> None:
    with pytest.raises((BrokenPipeError, ConnectionResetError)):
        exchange(impatient[1], *[bytes([byte]) for byte in HEAD], pause_s=0.05)


def test_a_body_that_stalls_is_told_so(impatient: tuple[str, int]) -> None:
    answer, seconds = exchange(impatient[1], HEAD + b"content-length: 100\r\n\r\n{")
    head, _, content = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 408 ")
    assert json.loads(content)["code"] == "slow_request"
    assert 0.3 < seconds < 3


@pytest.mark.parametrize(
    "sent",
    [
        b"nonsense\r\n\r\n",
        b"GET / HTTP/1.1\r\nhost: x\r\ncontent-length: 1\r\ntransfer-encoding: chunked\r\n\r\n",
        HEAD + b"transfer-encoding: chunked\r\n\r\nzz\r\n",
        HEAD + b"content-length: one\r\n\r\n",
        b"MADEUP /v1/bodies HTTP/1.1\r\nhost: x\r\n\r\n",
    ],
)
def test_what_is_no_http_gets_a_problem_too(impatient: tuple[str, int], sent: bytes) -> None:
    answer, _ = exchange(impatient[1], sent)
    head, _, content = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 400 ")
    assert b"content-type: application/problem+json" in head.lower()
    assert json.loads(content)["code"] == "bad_request"


def test_pipelined_requests_are_answered_in_order(impatient: tuple[str, int]) -> None:
    first, last = (
        b"GET /health/live HTTP/1.1\r\nhost: x\r\n",
        b"GET /nowhere HTTP/1.1\r\nhost: x\r\nconnection: close\r\n",
    )
    answer, _ = exchange(impatient[1], first + b"\r\n" + last + b"\r\n")
    assert answer.index(b"HTTP/1.1 200 ") < answer.index(b"HTTP/1.1 404 ")


def test_an_honest_client_is_served_beside_the_slow_ones(impatient: tuple[str, int], door: dict[str, Any]) -> None:
    url, port = impatient
    with socket.create_connection(("127.0.0.1", port)) as stalled, httpx.Client(base_url=url) as client:
        stalled.sendall(HEAD)
        assert client.post("/v1/needs", json=door).status_code == 200
        time.sleep(0.8)  # idle for longer than a request may take to arrive: the connection stays
        assert client.post("/v1/needs", json=door).status_code == 200
        problem(client.post("/v1/needs", json={}), "malformed", ("/door", "missing"))


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_a_stop_answers_what_was_accepted_and_exits_cleanly(door: dict[str, Any], how: signal.Signals) -> None:
    with process(SILLCAST_DRAIN_S="2") as (started, url, _):
        lost: list[Exception] = []
        answered: list[int] = []
        stop = threading.Event()

        def ask() -> None:
            while not stop.is_set():
                try:
                    # Connections end with `Connection: close` while the server drains; each request may use a new one.
                    with httpx.Client(base_url=url, timeout=20) as client:
                        answered.append(client.post("/v1/needs", json=door).status_code)
                except httpx.ConnectError:
                    return  # no longer listening: nothing was accepted
                except httpx.HTTPError as error:
                    lost.append(error)

        clients = [threading.Thread(target=ask) for _ in range(3)]
        for each in clients:
            each.start()
        while len(answered) < 20:
            time.sleep(0.01)
        started.send_signal(how)
        time.sleep(0.2)
        draining = httpx.get(f"{url}/health/ready")
        problem(draining, "not_ready")
        assert draining.headers["connection"] == "close"
        assert httpx.post(f"{url}/v1/needs", json=door).status_code == 200
        assert started.wait(15) == 0
        stop.set()
        for each in clients:
            each.join(20)
        assert set(answered) == {200}
        assert len(lost) <= 3, lost  # one per client at most: connected in the instant in which listening ended


def test_configuration_can_be_checked_without_serving() -> None:
    def check(**settings: str) -> tuple[int, str, str]:
        environment = {**os.environ, **settings}
        done = subprocess.run(
            [*START, "--check"], capture_output=True, text=True, env=environment, timeout=60, check=False
        )
        return done.returncode, done.stdout, done.stderr

    code, shown, _ = check(SILLCAST_QUEUE="3")
    assert (code, "SILLCAST_QUEUE=3" in shown) == (0, True)
    code, _, complaint = check(SILLCAST_QUEUE="many")
    assert (code, complaint) == (2, "sillcast cannot start: SILLCAST_QUEUE: Expected `int`, got `str`\n")

"""The server on a real socket: what starts it, who holds it up, how it stops."""

import json
import re
import signal
import socket
import struct
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from sillcast.web.__main__ import main
from sillcast.web.settings import Settings
from web.servers import process
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


def refused_as_slow(url: str) -> float:
    """How many requests were counted as too slow so far."""
    found = re.search(r'^sillcast_problems_total\{code="slow_request"\} (.+)$', httpx.get(f"{url}/metrics").text, re.M)
    return float(found[1]) if found else 0.0


def test_a_line_on_which_nothing_comes_is_closed_without_a_word(impatient: tuple[str, int]) -> None:
    answer, seconds = exchange(impatient[1], b"")
    assert answer == b""
    assert 0.3 < seconds < 3


@pytest.mark.parametrize(
    ("sent", "part"),
    [
        (b"POST /v1/needs HT", "headers"),
        (HEAD, "headers"),
        (b"\r\n\r\n\r\n", "headers"),
        (HEAD + b"content-length: 100\r\n\r\n", "body"),
        (HEAD + b"content-length: 100\r\n\r\n{", "body"),
        (HEAD + b"transfer-encoding: chunked\r\n\r\n2\r\n{}\r\n", "body"),
        (b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\nGET /health", "headers"),
    ],
    ids=[
        "half a line",
        "half the headers",
        "empty lines",
        "no body",
        "half a body",
        "no last chunk",
        "half a second one",
    ],
)
def test_a_sender_that_stalls_is_told_so_and_counted_once(impatient: tuple[str, int], sent: bytes, part: str) -> None:
    before = refused_as_slow(impatient[0])
    answer, seconds = exchange(impatient[1], *re.split(rb"(?<=\r\n\r\n)(?=GET)", sent), pause_s=0.1)
    head, _, content = answer[answer.rindex(b"HTTP/1.1 ") :].partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 408 ")
    assert b"connection: close" in head
    told = json.loads(content)
    assert told["code"] == "slow_request"
    assert f"The {part} of the request took longer than 0.5 s." in told["detail"]
    assert 0.3 < seconds < 3
    assert refused_as_slow(impatient[0]) == before + 1


def test_a_body_that_stalls_after_its_answer_gets_no_second_one(impatient: tuple[str, int]) -> None:
    answer, seconds = exchange(impatient[1], HEAD + b"content-length: 99999999\r\n\r\n{")
    assert answer.count(b"HTTP/1.1 ") == 1
    assert answer.startswith(b"HTTP/1.1 413 ")
    assert seconds < 3


def test_a_sender_that_drips_is_cut_off_all_the_same(impatient: tuple[str, int]) -> None:
    with pytest.raises((BrokenPipeError, ConnectionResetError)):
        exchange(impatient[1], *[bytes([byte]) for byte in HEAD], pause_s=0.05)


@pytest.mark.parametrize(
    "sent",
    [
        b"nonsense\r\n\r\n",
        b"GET / HTTP/1.1\r\nhost: x\r\ncontent-length: 1\r\ntransfer-encoding: chunked\r\n\r\n",
        HEAD + b"transfer-encoding: chunked\r\n\r\nzz\r\n",
        HEAD + b"transfer-encoding: chunked\r\n\r\n-1\r\n{}\r\n",
        HEAD + b"transfer-encoding: chunked\r\n\r\nfffffffffffffffff\r\n",
        HEAD + b"transfer-encoding: chunked\r\n\r\n2\r\n{}and more\r\n0\r\n\r\n",
        HEAD + b"content-length: 2\r\ncontent-length: 3\r\n\r\n{}",
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


@pytest.mark.parametrize("size", [20_000, 60_000])
def test_headers_up_to_the_limit_are_read(impatient: tuple[str, int], size: int) -> None:
    answer = httpx.get(f"{impatient[0]}/health/live", headers={"x-long": "a" * size})
    assert answer.status_code == 200


@pytest.mark.parametrize(
    "sent",
    [
        b"GET /health/live HTTP/1.1\r\nhost: x\r\nx-long: " + b"a" * 66_000,
        b"GET /health/live HTTP/1.1\r\nhost: x\r\n" + b"".join(b"x-%d: many\r\n" % i for i in range(6000)),
        b"GET /health/live HTTP/1.1\r\nhost: x\r\nx-long: " + b"a" * 66_000 + b"\r\n\r\n",
    ],
    ids=["one without end", "many without end", "one, whole"],
)
def test_larger_headers_are_refused_before_they_are_all_there(impatient: tuple[str, int], sent: bytes) -> None:
    with socket.create_connection(("127.0.0.1", impatient[1]), timeout=10) as line:
        line.sendall(sent)
        answer = line.recv(65536)
    head, _, content = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 431 ")
    assert json.loads(content)["code"] == "headers_too_large"


def test_a_body_is_not_taken_for_headers_of_the_next_request(impatient: tuple[str, int], door: dict[str, Any]) -> None:
    body = json.dumps(door).encode()
    body += b" " * (200_000 - len(body))
    with httpx.Client(base_url=impatient[0]) as client:
        for _ in range(3):
            answer = client.post("/v1/needs", content=body, headers={"content-type": "application/json"})
            assert answer.status_code == 200


@pytest.mark.parametrize("sent", [b"{", b"{}"], ids=["in the body", "after it"])
def test_a_client_that_closes_its_half_of_the_line_has_left(
    impatient: tuple[str, int], door: dict[str, Any], sent: bytes
) -> None:
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", impatient[1]), timeout=10) as line:
        line.sendall(HEAD + b"content-length: 2\r\n\r\n" + sent)
        line.shutdown(socket.SHUT_WR)
        while line.recv(65536):
            pass
    assert time.monotonic() - began < 3
    assert httpx.post(f"{impatient[0]}/v1/needs", json=door).status_code == 200


def test_a_client_that_vanishes_without_a_word_is_forgotten(impatient: tuple[str, int], door: dict[str, Any]) -> None:
    """Its line is ended by a reset, as after a power cut or a pulled cable once the other end is asked."""
    for sent in (b"", HEAD, HEAD + b"content-length: 100\r\n\r\n{"):
        line = socket.create_connection(("127.0.0.1", impatient[1]))
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        line.sendall(sent)
        line.close()
    assert httpx.post(f"{impatient[0]}/v1/needs", json=door).status_code == 200


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
                    with httpx.Client(base_url=url, timeout=20, verify=False) as client:  # reads no certificates
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
        with httpx.Client(base_url=url, timeout=20) as client:
            started.send_signal(how)
            time.sleep(0.2)
            draining = client.get("/health/ready")
            problem(draining, "not_ready")
            assert draining.headers["connection"] == "close"
            assert client.post("/v1/needs", json=door).status_code == 200
        assert started.wait(15) == 0
        stop.set()
        for each in clients:
            each.join(20)
        assert set(answered) == {200}
        assert len(lost) <= 3, lost  # one per client at most: connected in the instant in which listening ended


def test_configuration_can_be_checked_without_serving(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def check(queue: str) -> tuple[int, str, str]:
        monkeypatch.setenv("SILLCAST_QUEUE", queue)
        code = main(["--check"])
        return code, *capsys.readouterr()

    code, shown, _ = check("3")
    assert (code, "SILLCAST_QUEUE=3" in shown) == (0, True)
    code, _, complaint = check("many")
    assert (code, complaint) == (2, "sillcast cannot start: SILLCAST_QUEUE: Expected `int`, got `str`\n")
    monkeypatch.setenv("SILLCAST_PORT", "65536")
    complaints = check("many")[2].splitlines()
    assert [each.split(": ")[:2] for each in complaints] == [
        ["sillcast cannot start", "SILLCAST_PORT"],
        ["sillcast cannot start", "SILLCAST_QUEUE"],
    ]


def test_help_lists_every_setting(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--help"])
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert all(f"  {name}={value}\n" in shown for name, value in Settings().as_environment().items())

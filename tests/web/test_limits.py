"""Limits of size, time and load: refused early and clearly, and the next request works."""

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from sillcast.web.settings import Settings
from web.doubles import Quick
from web.shape import problem

JSON = {"content-type": "application/json"}
LIMIT = 4096


class Held(Quick):
    """Computes needs only once it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.go = threading.Event()
        self.begun = threading.Semaphore(0)

    def needs(self, request: Any) -> Any:
        self.begun.release()
        assert self.go.wait(20)
        return super().needs(request)


def chunks(content: bytes) -> Iterator[bytes]:
    for start in range(0, len(content), 1000):
        yield content[start : start + 1000]


def padded(body: bytes, size: int) -> bytes:
    return body + b" " * (size - len(body))


@pytest.mark.parametrize("send", [bytes, chunks], ids=["announced", "chunked"])
def test_bodies_up_to_the_limit_are_read_and_no_longer_ones(served: Any, door_bytes: bytes, send: Any) -> None:
    assert len(door_bytes) < LIMIT
    with served(Quick(), Settings(body_limit_bytes=LIMIT)) as client:
        fitting = client.post("/v1/needs", content=send(padded(door_bytes, LIMIT)), headers=JSON)
        assert fitting.status_code == 200
        found = problem(
            client.post("/v1/needs", content=send(padded(door_bytes, LIMIT + 1)), headers=JSON), "too_large"
        )
        assert found.detail == "A body may have 4096 bytes."


def test_past_the_queue_requests_are_refused_at_once(served: Any, door: dict[str, Any]) -> None:
    planner = Held()
    with served(planner, Settings(workers=1, queue=1)) as client, ThreadPoolExecutor(3) as clients:
        first = clients.submit(client.post, "/v1/needs", json=door)
        assert planner.begun.acquire(timeout=10)
        second = clients.submit(client.post, "/v1/needs", json=door)
        while "sillcast_held_requests 2.0" not in client.get("/metrics").text:
            time.sleep(0.01)
        refused = client.post("/v1/needs", json=door)
        problem(refused, "busy")
        assert refused.headers["retry-after"] == "1"
        assert client.get("/health/live").status_code == 200
        assert client.get("/v1/bodies").status_code == 200
        planner.go.set()
        assert first.result(20).status_code == 200
        assert second.result(20).status_code == 200
        assert client.post("/v1/needs", json=door).status_code == 200


def test_what_overruns_its_deadline_is_answered_and_keeps_its_place(served: Any, door: dict[str, Any]) -> None:
    planner = Held()
    with served(planner, Settings(workers=1, queue=0, deadline_s=0.2)) as client:
        late = client.post("/v1/needs", json=door)
        problem(late, "deadline")
        assert "retry-after" not in late.headers  # the same work would take as long again
        problem(client.post("/v1/needs", json=door), "busy")
        planner.go.set()
        while "sillcast_held_requests 0.0" not in client.get("/metrics").text:
            time.sleep(0.01)
        assert client.post("/v1/needs", json=door).status_code == 200


@pytest.mark.parametrize(
    ("prefer", "within", "applied"),
    [
        ("wait=0", "0", "wait=0"),
        ("wait=0.75", "0.75", "wait=0.75"),
        ("wait=60", "1.5", "wait=60"),
        ("wait=999999999", "1.5", "wait=999999999"),
        ("wait=soon", "1.5", None),
    ],
)
def test_the_shorter_of_preferred_and_own_deadline_counts(
    served: Any, door: dict[str, Any], prefer: str, within: str, applied: str | None
) -> None:
    planner = Held()
    with served(planner, Settings(workers=1, queue=0, deadline_s=1.5)) as client:
        begun = time.monotonic()
        late = client.post("/v1/needs", json=door, headers={"prefer": prefer})
        assert problem(late, "deadline").detail == (
            f"Not done within {within} s. Allow more time with Prefer: wait, or ask for less."
        )
        assert time.monotonic() - begun < 5
        planner.go.set()
        while "sillcast_held_requests 0.0" not in client.get("/metrics").text:
            time.sleep(0.01)
        if within != "0":
            accepted = client.post("/v1/needs", json=door, headers={"prefer": prefer})
            assert (accepted.status_code, accepted.headers.get("preference-applied")) == (200, applied)


def test_a_wish_may_stand_in_the_second_line_of_a_header(served: Any, door: dict[str, Any]) -> None:
    with served(Held(), Settings(workers=1, queue=0)) as client:
        late = client.post("/v1/needs", json=door, headers=[("prefer", "respond-async"), ("prefer", "wait=0.1")])
        assert "within 0.1 s" in problem(late, "deadline").detail


def test_what_waited_past_its_deadline_is_never_begun(served: Any, door: dict[str, Any]) -> None:
    planner = Held()
    with served(planner, Settings(workers=1, queue=1, deadline_s=0.2)) as client, ThreadPoolExecutor(2) as clients:
        asked = [clients.submit(client.post, "/v1/needs", json=door) for _ in range(2)]
        late = [answer.result(20) for answer in asked]
        told = sorted((problem(each, "deadline").detail, each.headers.get("retry-after")) for each in late)
        assert told == [
            ("Not begun within 0.2 s; all places were taken. Try again.", "5"),
            ("Not done within 0.2 s. Allow more time with Prefer: wait, or ask for less.", None),
        ]
        assert planner.begun.acquire(timeout=10)
        planner.go.set()
        while "sillcast_held_requests 0.0" not in client.get("/metrics").text:
            time.sleep(0.01)
        assert not planner.begun.acquire(timeout=0.1)


def test_requests_are_not_wanted_before_the_kernels_are_warm(served: Any) -> None:
    class Cold(Quick):
        warm = threading.Event()

        def warm_up(self) -> None:
            assert self.warm.wait(20)

    with served(Cold()) as client:
        refused = client.get("/health/ready")
        problem(refused, "not_ready")
        assert refused.headers["retry-after"] == "1"
        assert client.get("/health/live").status_code == 200
        Cold.warm.set()
        until = time.monotonic() + 10
        while client.get("/health/ready").status_code != 200:
            assert time.monotonic() < until
            time.sleep(0.01)


def test_a_service_that_cannot_warm_up_is_alive_and_never_ready(served: Any) -> None:
    class Broken(Quick):
        def warm_up(self) -> None:
            raise ZeroDivisionError

    with served(Broken()) as client:
        time.sleep(0.2)
        found = problem(client.get("/health/ready"), "not_ready")
        assert found.detail == "The kernels cannot be warmed: ZeroDivisionError."
        assert client.get("/health/live").status_code == 200

"""Families that loop, cling, starve or kill: named, ended, replaced; and nothing computed for who has left."""

import json
import os
import re
import signal
import socket
import subprocess
import textwrap
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from web.servers import START, process
from web.shape import problem

ODD = """
import os, signal
from typing import Annotated, Literal
from msgspec import Meta
import numpy as np
from sillcast.family import Family, FloorArea, SensorParams, hookimpl

class Odd(SensorParams, frozen=True, kw_only=True, tag="odd"):
    does: Literal[
        "nothing", "raises", "babbles", "loops", "clings", "loops_in_c", "asks_for_all", "eats", "ends", "crashes"
    ] = "nothing"

def loops():
    while True:
        pass

def clings():
    while True:
        try:
            loops()
        except BaseException:
            pass

def eats():
    kept = []
    while True:
        kept.append(bytearray(1 << 26))

class OddFamily(Family):
    params = Odd
    senses = frozenset({"contact"})
    def emit(self, params, scene):
        if params.does == "babbles":
            return ("area", None, float("nan"))
        {"nothing": int, "raises": lambda: 1 / 0, "loops": loops, "clings": clings, "loops_in_c": lambda: sum(iter(int, 1)),
         "asks_for_all": lambda: np.ones(1 << 40), "eats": eats, "ends": lambda: os._exit(1),
         "crashes": lambda: os.kill(os.getpid(), signal.SIGSEGV)}[params.does]()
        return (FloorArea(scene.mount.origin[:2] + np.array([[0., 0.], [1., 0.], [0., 1.]])),)

@hookimpl
def sillcast_families():
    return [OddFamily()]
"""
NAMED = "odd of sillcast-odd 9.9"
BROKEN = "import sillcast.planner\nsillcast.planner.Planner.warm_up = lambda self: 1 / 0\n" + ODD

Ask = Callable[..., httpx.Response]


def distribution(folder: Path, source: str) -> str:
    """Metadata and module of a distribution; what PYTHONPATH must be for it to be found."""
    (folder / "odd.py").write_text(textwrap.dedent(source))
    info = folder / "sillcast_odd-9.9.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: sillcast-odd\nVersion: 9.9\n")
    (info / "entry_points.txt").write_text("[sillcast.families]\nodd = odd\n")
    return os.pathsep.join(filter(None, [str(folder), os.environ.get("PYTHONPATH", "")]))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, str, int]]:
    path = distribution(tmp_path_factory.mktemp("odd"), ODD)
    with process(PYTHONPATH=path, SILLCAST_WORKERS="1", SILLCAST_DEADLINE_S="30", SILLCAST_MEMORY_MB="1024") as running:
        yield running


def having(door: dict[str, Any], does: str) -> dict[str, Any]:
    sensor = {**door["sensors"][0], "device": {"family": "odd", "does": does}}
    return {**door, "sensors": [sensor]}


@pytest.fixture
def ask(server: tuple[Any, str, int], door: dict[str, Any]) -> Ask:
    def asked(does: str, wait_s: int = 20) -> httpx.Response:
        return httpx.post(
            f"{server[1]}/v1/coverage", json=having(door, does), headers={"prefer": f"wait={wait_s}"}, timeout=20
        )

    return asked


def counted(url: str, name: str) -> float:
    found = re.search(rf"^{re.escape(name)} (.*)$", httpx.get(f"{url}/metrics").text, re.M)
    return float(found[1]) if found else 0.0


def until(true: Callable[[], bool], within_s: float = 30.0) -> None:
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def children(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:  # ended meanwhile
            continue
        if int(fields[1]) == pid and fields[0] != "Z":
            found.append(int(stat.parent.name))
    return found


def nursery_and_worker(server: tuple[Any, str, int]) -> tuple[int, int]:
    (nursery,) = children(server[0].pid)
    until(lambda: len(children(nursery)) == 1)
    return nursery, children(nursery)[0]


def test_a_family_that_loops_is_stopped_and_named(server: Any, ask: Ask) -> None:
    worker = (ask("nothing"), nursery_and_worker(server))[1]
    before = counted(server[1], 'sillcast_stops_total{how="asked"}')
    begun = time.monotonic()
    late = ask("loops", wait_s=1)
    found = problem(late, "deadline")
    assert 0.9 < time.monotonic() - begun < 5
    assert NAMED in found.detail
    assert "retry-after" not in late.headers
    assert ask("nothing").status_code == 200
    assert counted(server[1], 'sillcast_stops_total{how="asked"}') == before + 1
    assert counted(server[1], f'sillcast_family_faults_total{{family="{NAMED} [odd]"}}') > 0
    assert nursery_and_worker(server) == worker  # it left off when asked, so nothing had to be killed


@pytest.mark.parametrize("does", ["clings", "loops_in_c"])
def test_a_family_that_cannot_be_stopped_is_killed_and_its_process_replaced(server: Any, ask: Ask, does: str) -> None:
    before = counted(server[1], 'sillcast_stops_total{how="killed"}')
    problem(ask(does, wait_s=1), "deadline")
    begun = time.monotonic()
    assert ask("nothing").status_code == 200
    assert time.monotonic() - begun < 5
    assert counted(server[1], 'sillcast_stops_total{how="killed"}') == before + 1


@pytest.mark.parametrize("does", ["raises", "babbles"])
def test_a_family_that_raises_or_returns_nonsense_is_named_and_the_rest_is_served(
    server: Any, ask: Ask, door: dict[str, Any], does: str
) -> None:
    name = f'sillcast_family_faults_total{{family="{NAMED} [odd]"}}'
    before = counted(server[1], name)
    found = problem(ask(does), "family_failed")
    assert found.detail == f"The family {NAMED} [odd] failed; without it the answer would be wrong."
    assert counted(server[1], name) == before + 1
    assert httpx.post(f"{server[1]}/v1/coverage", json=door, timeout=20).status_code == 200
    assert ask("nothing").status_code == 200


@pytest.mark.parametrize("does", ["asks_for_all", "eats"])
def test_a_family_that_eats_memory_is_named_and_the_next_request_works(ask: Ask, does: str) -> None:
    found = problem(ask(does), "family_failed")
    assert "sillcast-odd 9.9" in found.detail
    assert ask("nothing").status_code == 200


@pytest.mark.parametrize("does", ["ends", "crashes"])
def test_a_process_that_dies_is_replaced(ask: Ask, does: str) -> None:
    refused = ask(does)
    problem(refused, "interrupted")
    assert refused.headers["retry-after"] == "1"
    assert ask("nothing").status_code == 200


def test_killed_processes_are_replaced_whichever_they_are(server: Any, ask: Ask) -> None:
    assert ask("nothing").status_code == 200
    _, worker = nursery_and_worker(server)
    os.kill(worker, signal.SIGKILL)
    until(lambda: not Path(f"/proc/{worker}").exists())
    assert ask("nothing").status_code == 200
    nursery, worker = nursery_and_worker(server)
    os.kill(nursery, signal.SIGKILL)
    os.kill(worker, signal.SIGKILL)
    until(lambda: not Path(f"/proc/{worker}").exists())
    assert ask("nothing").status_code == 200


def test_a_process_that_is_killed_at_work_is_refused_cleanly_and_replaced(server: Any, ask: Ask) -> None:
    assert ask("nothing").status_code == 200
    _, worker = nursery_and_worker(server)
    with ThreadPoolExecutor(1) as pool:
        asked = pool.submit(ask, "loops")
        until(lambda: counted(server[1], "sillcast_held_requests") == 1)
        os.kill(worker, signal.SIGKILL)
        refused = asked.result(20)
    problem(refused, "interrupted")
    assert refused.headers["retry-after"] == "1"
    assert ask("nothing").status_code == 200


def leaving(port: int, body: dict[str, Any]) -> socket.socket:
    """A client that has sent a request and need only close its line to leave."""
    content = json.dumps(body).encode()
    head = f"POST /v1/coverage HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\ncontent-length: {len(content)}"
    line = socket.create_connection(("127.0.0.1", port))
    line.sendall(f"{head}\r\n\r\n".encode() + content)
    return line


def test_work_of_a_client_that_left_is_stopped_and_what_waits_never_begun(server: Any, door: dict[str, Any]) -> None:
    _, url, port = server
    before = counted(url, 'sillcast_stops_total{how="asked"}')
    computed = leaving(port, having(door, "loops"))
    until(lambda: counted(url, "sillcast_held_requests") == 1)
    waiting = leaving(port, having(door, "loops"))
    until(lambda: counted(url, "sillcast_held_requests") == 2)
    waiting.close()
    until(lambda: counted(url, "sillcast_held_requests") == 1)
    assert counted(url, 'sillcast_stops_total{how="asked"}') == before
    computed.close()
    until(lambda: counted(url, "sillcast_held_requests") == 0)
    assert counted(url, 'sillcast_stops_total{how="asked"}') == before + 1
    assert counted(url, 'sillcast_problems_total{code="client_left"}') >= 2


def test_a_mount_search_tells_how_it_gets_on(server: Any, door: dict[str, Any], search: dict[str, Any]) -> None:
    url = f"{server[1]}/v1/mount-searches"
    odd = {**search["devices"][0], "device": {"family": "odd", "does": "loops"}}
    headers = {"accept": "application/x-ndjson", "prefer": "wait=2"}
    answer = httpx.post(url, json={**search, "devices": [odd]}, headers=headers, timeout=20)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/x-ndjson")
    assert answer.headers["preference-applied"] == "wait=2"
    *progress, last = [json.loads(line) for line in answer.text.splitlines()]
    assert progress
    assert all(line["progress"]["state"] == "computing" for line in progress)
    assert [line["progress"]["elapsed_s"] for line in progress] == sorted(
        {line["progress"]["elapsed_s"] for line in progress}
    )
    assert last["problem"]["code"] == "deadline"
    assert NAMED in last["problem"]["detail"]
    quick = httpx.post(url, json=search, headers={"accept": "application/x-ndjson"}, timeout=20)
    plain = httpx.post(url, json=search, timeout=20)
    assert quick.status_code == plain.status_code == 200
    assert json.loads(quick.text.splitlines()[-1]) == {"result": plain.json()}
    refused = httpx.post(url, json=door, headers={"accept": "application/x-ndjson"})
    faults = [(item["pointer"], item["code"]) for item in refused.json()["errors"]]
    problem(refused, "malformed", *faults)
    assert {("/devices", "missing"), ("/places", "missing"), ("/sensors", "unknown_field")} <= set(faults)


def test_processes_end_with_the_service_even_if_it_is_killed(tmp_path: Path, door: dict[str, Any]) -> None:
    with process(PYTHONPATH=distribution(tmp_path, ODD), SILLCAST_DEADLINE_S="1") as server:
        nursery, worker = nursery_and_worker(server)
        with ThreadPoolExecutor(1) as pool:
            pool.submit(httpx.post, f"{server[1]}/v1/coverage", json=having(door, "loops_in_c"), timeout=20)
            until(lambda: counted(server[1], "sillcast_held_requests") == 1)
            server[0].kill()
        until(lambda: not Path(f"/proc/{nursery}").exists())
        until(lambda: not Path(f"/proc/{worker}").exists())


def test_a_warm_up_that_fails_is_told_by_readiness_and_by_the_exit_code(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": distribution(tmp_path, BROKEN), "SILLCAST_PORT": "0"}
    with subprocess.Popen(START, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment) as started:
        try:
            assert started.stdout is not None
            assert started.stderr is not None
            url = started.stdout.readline().split()[-1]
            until(lambda: "ZeroDivisionError" in httpx.get(f"{url}/health/ready").text, within_s=60)
            found = problem(httpx.get(f"{url}/health/ready"), "not_ready")
            assert found.detail == "The kernels cannot be warmed: ZeroDivisionError."
            assert httpx.get(f"{url}/health/live").status_code == 200
            assert started.wait(20) == 3
            assert "warm-up failed" in started.stderr.read()
        finally:
            started.kill()

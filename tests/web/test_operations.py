"""What an operator sees: steps in log, header and metrics; progress of a search; work that ends where nobody waits."""

import asyncio
import json
import logging
import os
import re
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import metadata
from typing import Any

import httpx
import msgspec
import pytest

from sillcast.planner import Planner
from sillcast.web import negotiation
from sillcast.web.app import build_app
from sillcast.web.compute import Computer, Done, Failed, Job, Progress, Reply, Stopped, Tell, untold
from sillcast.web.settings import Settings
from sillcast.web.workers import Nursery, ProcessWorker, ThreadWorker, Worker
from web.doubles import Quick
from web.servers import START
from web.shape import problem

NEEDS = ["decode", "check", "place", "needs", "verify"]


def job(body: Any, call: str = "needs", media: str = negotiation.JSON, **more: Any) -> Job:
    return Job(call=call, body=json.dumps(body).encode(), sent="json", media=media, within_s=20.0, **more)


def handed(worker: Worker, one: Job, tell: Tell = untold) -> asyncio.Future[Reply]:
    """The reply to a job, which is begun now."""
    replied: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
    worker.hand(one, tell, replied.set_result)
    return replied


def test_the_planner_tells_its_steps(planner: Planner, door: dict[str, Any]) -> None:
    told: list[str] = []

    @contextmanager
    def watch(name: str) -> Iterator[None]:
        told.append(f"+{name}")
        yield
        told.append(f"-{name}")

    watched = Planner(planner.registry, watch=watch)
    assert watched.needs(door) == planner.needs(door)
    assert told[0::2] == [f"+{name[1:]}" for name in told[1::2]]  # one after the other
    assert [name for name in NEEDS if f"+{name}" in told] == NEEDS
    told.clear()
    watched.assess(door)
    begun = list(dict.fromkeys(name[1:] for name in told if name[0] == "+"))
    parts = ["decode", "check", "place", "needs", "compare", "showing", "findings", "advice", "onsite", "verify"]
    assert [name for name in begun if name in parts] == parts


def test_steps_lie_within_the_work_and_do_not_overlap(planner: Planner, door: dict[str, Any]) -> None:
    begun = time.monotonic()
    reply = Computer(planner).answer(job(door, "assess"))
    passed = time.monotonic() - begun
    assert isinstance(reply, Done)
    *steps, rest = reply.steps
    assert (steps[0].name, steps[-1].name, rest.name) == ("decode", "compress", "rest")
    ends = [step.begun_s + step.seconds for step in steps]
    assert all(end <= after.begun_s for end, after in zip(ends, steps[1:], strict=False))
    assert begun <= steps[0].begun_s <= ends[-1] <= begun + passed
    assert rest.seconds >= 0
    assert sum(step.seconds for step in reply.steps) <= passed
    assert reply.families == ["pressure_mat"]


@pytest.mark.parametrize("call", ["needs", "assess", "coverage"])
def test_that_the_answer_is_nearly_there_is_told_ahead(planner: Planner, door: dict[str, Any], call: str) -> None:
    told: list[tuple[Progress, float]] = []
    reply = Computer(planner).answer(job(door, call), lambda progress: told.append((progress, time.monotonic())))
    assert isinstance(reply, Done)
    last = [step for step in reply.steps if step.name in ("verify", "encode")]
    assert [(progress.stage, progress.done) for progress, _ in told] == [("verify", 0), ("encode", 0)]
    assert all(told_s <= step.begun_s for (_, told_s), step in zip(told, last, strict=True))
    assert [step.name for step in reply.steps][-4:] == ["verify", "encode", "compress", "rest"]  # nothing long between


def test_what_fails_has_steps_too(planner: Planner, door: dict[str, Any]) -> None:
    reply = Computer(planner).answer(job({**door, "sensors": door["sensors"] * 2}))
    assert isinstance(reply, Failed)
    assert reply.problem.code == "uncomputable"
    assert [step.name for step in reply.steps] == ["decode", "check"]


def test_the_callers_planner_is_left_alone(planner: Planner) -> None:
    watch = planner.watch
    Computer(planner)
    assert planner.watch is watch


def test_the_log_has_one_line_with_steps_and_families_and_no_body(
    client: Any, door: dict[str, Any], caplog: pytest.LogCaptureFixture
) -> None:
    secret = {**door, "sensors": [{**door["sensors"][0], "name": "Quay 7"}]}
    caplog.set_level(logging.INFO, logger="sillcast")
    client.post("/v1/coverage", json=secret, headers={"x-request-id": "seen-1", "authorization": "Bearer hush"})
    lines = [json.loads(each.message) for each in caplog.records if "seen-1" in each.message]
    assert len(lines) == 1
    assert {name: lines[0][name] for name in ("event", "route", "status", "families")} == {
        "event": "request",
        "route": "/v1/coverage",
        "status": 200,
        "families": ["pressure_mat"],
    }
    assert set(lines[0]["steps_ms"]) >= {"decode", "place", "showing", "encode", "rest"}
    assert sum(lines[0]["steps_ms"].values()) <= lines[0]["ms"]
    assert not re.search("Quay|hush", caplog.text)


def test_metrics_count_each_step(client: Any, door: dict[str, Any]) -> None:
    def counted() -> dict[str, float]:
        text = client.get("/metrics").text
        return {name: float(n) for name, n in re.findall(r'sillcast_step_seconds_count\{step="(\w+)"\} (\S+)', text)}

    before = counted()
    assert client.post("/v1/needs", json=door).status_code == 200
    after = counted()
    grown = {name for name in after if after[name] == before.get(name, 0) + 1}
    assert grown >= {*NEEDS, "encode", "compress", "rest"}


@pytest.mark.parametrize("name", ["requests_total", "request_seconds_bucket", "problems_total", "warm_up_seconds"])
def test_metrics_that_the_operators_page_names_exist(client: Any, door: dict[str, Any], name: str) -> None:
    problem(client.post("/v1/needs", json={}), "malformed", ("/door", "missing"))
    assert f"\nsillcast_{name}" in client.get("/metrics").text


@pytest.mark.parametrize("path", ["/v1/bodies", "/nowhere", "/health/live"])
def test_answers_name_no_server(client: Any, path: str) -> None:
    headers = client.get(path).headers
    assert not {"server", "x-powered-by", "via"} & set(headers)
    assert headers["x-content-type-options"] == "nosniff"


def test_readiness_says_which_version_and_build_runs(served: Any) -> None:
    with served(Quick(), Settings(build="3f2a91c")) as client:
        time.sleep(0.2)
        ready = client.get("/health/ready").json()
    assert (ready["version"], ready["build"]) == (metadata.version("sillcast"), "3f2a91c")


def test_before_it_is_warm_a_replica_leaves_requests_to_the_others_at_once(door: dict[str, Any]) -> None:
    environment = {**os.environ, "SILLCAST_PORT": "0", "SILLCAST_LOG": "off"}
    with subprocess.Popen(START, stdout=subprocess.PIPE, text=True, env=environment) as started:
        try:
            assert started.stdout is not None
            url = started.stdout.readline().split()[-1]
            begun = time.monotonic()
            early = httpx.post(f"{url}/v1/needs", json=door, timeout=30)
            assert problem(early, "not_ready").detail == "The kernels are not warm yet."
            assert early.headers["retry-after"] == "1"
            assert httpx.get(f"{url}/health/ready").status_code == 503  # so it was not waited for
            assert time.monotonic() - begun < 10
        finally:
            started.kill()


def test_a_search_in_a_process_tells_how_far_it_is(search: dict[str, Any]) -> None:
    told: list[Progress] = []

    async def searched() -> Any:
        home = Nursery(Settings(warm_up="off"))
        worker = ProcessWorker(home)
        try:
            await worker.ready()
            reply = await handed(worker, job(search, "mount_search", negotiation.NDJSON), told.append)
            return reply, await handed(worker, job(search, "mount_search"))
        finally:
            worker.close()
            home.close()

    lines, plain = asyncio.run(searched())
    assert isinstance(lines, Done)
    assert isinstance(plain, Done)
    assert msgspec.json.decode(lines.content)["result"] == msgspec.json.decode(plain.content)
    assert [each.stage for each in told[-2:]] == ["verify", "encode"]
    assert len(told) > 2
    assert all(0 <= each.done <= each.of and each.stage for each in told)


def test_a_search_that_is_not_done_in_time_says_how_far_it_came(served: Any, search: dict[str, Any]) -> None:
    class Slow(Quick):
        def mount_search(self, request: Any, tick: Any = None) -> Any:
            for done in range(1, 101):
                tick(done, 240, "judging")
                time.sleep(0.02)
            raise AssertionError

    with served(Slow(), Settings(deadline_s=0.5)) as client:
        late = problem(client.post("/v1/mount-searches", json=search), "deadline").detail
    done = re.fullmatch(r"Not done within 0\.5 s; judging was at (\d+) of 240\. Allow more time .+", late)
    assert done is not None
    assert 1 <= int(done[1]) <= 26


def test_progress_comes_with_the_lines(served: Any, search: dict[str, Any]) -> None:
    go = threading.Event()

    class Halfway(Quick):
        def mount_search(self, request: Any, tick: Any = None) -> Any:
            with self.watch("search"):
                tick(3, 8)
            assert go.wait(20)
            return super().mount_search(request, tick)

    with served(Halfway(), Settings(deadline_s=20)) as client:
        threading.Timer(1.5, go.set).start()
        answer = client.post("/v1/mount-searches", json=search, headers={"accept": negotiation.NDJSON})
    *progress, last = [json.loads(line) for line in answer.text.splitlines()]
    assert "result" in last
    assert {name: progress[0]["progress"][name] for name in ("state", "stage", "done", "of")} == {
        "state": "computing",
        "stage": "search",
        "done": 3,
        "of": 8,
    }


def test_a_worker_that_cannot_be_had_replies_all_the_same(door: dict[str, Any]) -> None:
    class Full(Nursery):
        async def hatch(self, heard: Any) -> Any:
            raise OSError("no more files")

    async def asked() -> Any:
        worker = ProcessWorker(Full(Settings()))
        return [await handed(worker, job(door)) for _ in range(2)]

    for reply in asyncio.run(asked()):
        assert isinstance(reply, Failed)
        assert reply.problem.code == "internal"
        assert "no more files" in reply.trace
        assert "no more files" not in reply.problem.detail


@pytest.mark.parametrize("where", ["step", "tick"])
def test_a_thread_leaves_off_where_nobody_waits_any_more(planner: Planner, door: dict[str, Any], where: str) -> None:
    begun, go, reached = threading.Event(), threading.Event(), []

    class Patient(Quick):
        def mount_search(self, request: Any, tick: Any = None) -> Any:
            begun.set()
            assert go.wait(20)
            if where == "tick":
                tick(1, 2)
            with self.watch("search"):
                reached.append(where)

    async def left() -> Any:
        worker = ThreadWorker(Patient())
        replied = handed(worker, job(door, "mount_search"))
        await asyncio.to_thread(begun.wait)
        worker.leave()
        go.set()
        reply = await replied
        worker.close()
        return reply

    assert isinstance(asyncio.run(left()), Stopped)
    assert reached == []


def test_a_stream_that_is_abandoned_is_counted_and_logged_as_such(
    search: dict[str, Any], caplog: pytest.LogCaptureFixture
) -> None:
    go = threading.Event()

    class Slow(Quick):
        def mount_search(self, request: Any, tick: Any = None) -> Any:
            assert go.wait(20)
            return super().mount_search(request, tick)

    async def abandoned() -> Any:
        app = build_app(Slow(), Settings(deadline_s=20))
        line, body = asyncio.Event(), [{"type": "http.request", "body": json.dumps(search).encode()}]

        async def receive() -> Any:
            if body:
                return body.pop()
            await line.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            if message.get("body"):  # the first line has come
                line.set()

        headers = [(b"content-type", b"application/json"), (b"accept", b"application/x-ndjson")]
        where = {"type": "http", "method": "POST", "path": "/v1/mount-searches", "query_string": b""}
        await app.asgi_handler(
            {**where, "headers": [*headers, (b"x-request-id", b"gone-1")], "state": {}}, receive, send
        )
        go.set()
        return app.state.service.metrics.registry

    caplog.set_level(logging.INFO, logger="sillcast")
    registry = asyncio.run(abandoned())
    assert registry.get_sample_value("sillcast_problems_total", {"code": "client_left"}) == 1
    (line,) = [json.loads(each.message) for each in caplog.records if "gone-1" in each.message]
    assert (line["status"], line["code"]) == (200, "client_left")


def test_each_refusal_has_its_code_in_the_log(client: Any, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, logger="sillcast")
    asked = (client.get("/nowhere"), client.post("/v1/needs", json={}), client.post("/v1/needs", content=b"{}"))
    for response in asked:
        name = response.headers["x-request-id"]
        (line,) = [json.loads(each.message) for each in caplog.records if name in each.message]
        assert (line["status"], line["code"]) == (response.status_code, response.json()["code"])
    assert [each.status_code for each in asked] == [404, 400, 415]

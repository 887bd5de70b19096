"""Each route answers, in each form it offers."""

import gzip
import json
import re
import time
import xml.etree.ElementTree as ET
from functools import cache
from typing import Any

import msgspec
import pytest

from sillcast.planner import Planner
from sillcast.web.operations import LISTED
from web.shape import problem
from web.wire import digest, raw

JSON = "application/json"
MSGPACK = "application/msgpack"
SVG = "image/svg+xml"

GETS = [each.path.format(family="laser_scan", name="industrial_door") for each in LISTED]


@cache
def in_process(planner: Planner, call: str, body: bytes) -> Any:
    return getattr(planner, call)(body)


@pytest.mark.parametrize("call", ["assess", "coverage", "needs"])
@pytest.mark.parametrize("sent", [JSON, MSGPACK, "application/vnd.msgpack", "application/json; charset=UTF-8"])
def test_posts_answer_the_same_bytes_as_in_process(
    client: Any, planner: Planner, door_bytes: bytes, call: str, sent: str
) -> None:
    path = {"assess": "/v1/assessments"}.get(call, f"/v1/{call}")
    body = msgspec.msgpack.encode(json.loads(door_bytes)) if "msgpack" in sent else door_bytes
    expected = in_process(planner, call, door_bytes)
    for accept, encode in ((JSON, msgspec.json.encode), (MSGPACK, msgspec.msgpack.encode)):
        response = client.post(path, content=body, headers={"content-type": sent, "accept": accept})
        assert (response.status_code, response.headers["content-type"]) == (200, accept)
        assert response.content == encode(expected)
        assert response.headers["cache-control"] == "no-store"
        assert response.headers["vary"] == "accept, accept-encoding"


def test_an_assessment_is_also_a_picture(client: Any, door_bytes: bytes) -> None:
    headers = {"content-type": JSON, "accept": SVG}
    response = client.post("/v1/assessments", content=door_bytes, headers=headers)
    assert (response.status_code, response.headers["content-type"]) == (200, SVG)
    assert ET.fromstring(response.content).tag == "{http://www.w3.org/2000/svg}svg"
    assert "script" not in response.headers["content-security-policy"]
    problem(client.post("/v1/needs", content=door_bytes, headers=headers), "not_acceptable")


def test_a_mount_search_reads_and_answers_both_forms(client: Any, planner: Planner, search: dict[str, Any]) -> None:
    expected = planner.mount_search(search)
    for sent, pack in ((JSON, msgspec.json), (MSGPACK, msgspec.msgpack)):
        for accept, encode in ((JSON, msgspec.json.encode), (MSGPACK, msgspec.msgpack.encode)):
            headers = {"content-type": sent, "accept": accept}
            response = client.post("/v1/mount-searches", content=pack.encode(search), headers=headers)
            assert (response.status_code, response.headers["content-type"]) == (200, accept)
            assert response.content == encode(expected)
    assert client.post("/v1/assessments", json=expected.mounts[0].request).status_code == 200


def test_answers_carry_the_digest_of_what_was_sent(client: Any, door: dict[str, Any]) -> None:
    for asked in (
        ("GET", "/v1/bodies", {}),
        ("POST", "/v1/needs", {"json": door}),
        ("POST", "/v1/needs", {"json": {}}),
        ("GET", "/nowhere", {}),
    ):
        for accepted in ("identity", "gzip"):
            response, content = raw(client, *asked[:2], **asked[2], headers={"accept-encoding": accepted})
            assert response.headers["content-digest"] == digest(content)


def test_answers_say_how_long_the_steps_took(client: Any, door: dict[str, Any]) -> None:
    begun = time.perf_counter()
    timing = client.post("/v1/needs", json=door).headers["server-timing"]
    passed_ms = 1e3 * (time.perf_counter() - begun)
    steps = dict(re.findall(r"(\w+);dur=([0-9.]+)", timing))
    assert [name for name in steps if name in ("decode", "needs", "encode", "rest")] == [
        "decode",
        "needs",
        "encode",
        "rest",
    ]
    assert 0 < float(steps["needs"]) <= sum(map(float, steps.values())) <= passed_ms


def test_answers_are_compressed_for_who_says_so(client: Any, door: dict[str, Any]) -> None:
    for method, path, more in (("GET", "/v1/bodies", {}), ("POST", "/v1/needs", {"json": door})):
        plain, content = raw(client, method, path, **more, headers={"accept-encoding": "identity"})
        coded, packed = raw(client, method, path, **more, headers={"accept-encoding": "gzip"})
        assert "content-encoding" not in plain.headers
        assert coded.headers["content-encoding"] == "gzip"
        assert gzip.decompress(packed) == content
        assert int(coded.headers["content-length"]) == len(packed) < len(content)
        assert coded.headers["vary"] == "accept, accept-encoding"
        assert plain.headers.get("etag") != coded.headers.get("etag", "none")
    short, content = raw(client, "GET", "/health/live", headers={"accept-encoding": "gzip"})
    assert "content-encoding" not in short.headers
    assert json.loads(content) == {"status": "live"}


@pytest.mark.parametrize("path", GETS)
def test_catalogues_answer_and_are_not_sent_twice(client: Any, path: str) -> None:
    first = client.get(path)
    assert (first.status_code, first.headers["content-type"]) == (200, JSON)
    tag = first.headers["etag"]
    assert re.fullmatch(r'"[0-9a-f]{32}"', tag)
    for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get(path, headers={"if-none-match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get(path, headers={"if-none-match": '"other"'}).content == first.content
    packed = client.get(path, headers={"accept": MSGPACK})
    assert msgspec.msgpack.decode(packed.content) == first.json()
    assert packed.headers["etag"] != tag


def test_a_trailing_slash_means_the_same_route(client: Any) -> None:
    assert client.get("/v1/bodies/").content == client.get("/v1/bodies").content


def test_health(client: Any, planner: Planner) -> None:
    assert client.get("/health/live").json() == {"status": "live"}
    ready = client.get("/health/ready")
    assert ready.status_code == 200
    assert ready.json()["status"] == "ready"
    assert sorted(ready.json()["families"]) == [family.name for family in planner.registry.families]


def test_request_ids_come_back_where_they_are_harmless(client: Any) -> None:
    def returned(given: str) -> str:
        return str(client.get("/health/live", headers={"x-request-id": given}).headers["x-request-id"])

    assert returned("order-7.a_B") == "order-7.a_B"
    for odd in ("", "a b", "x" * 65, "a;b", "<script>"):
        assert re.fullmatch("[0-9a-f]{32}", returned(odd))
    assert returned("") != returned("")
    failing = client.get("/nowhere", headers={"x-request-id": "me"})
    assert failing.headers["x-request-id"] == "me"


@pytest.mark.parametrize("path", ["/v1/bodies", "/docs", "/nowhere", "/health/live"])
def test_answers_may_not_load_or_run_anything(client: Any, path: str) -> None:
    headers = client.get(path).headers
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["content-security-policy"].startswith("default-src 'none'")
    assert "script-src" not in headers["content-security-policy"]
    assert "server" not in headers


def test_metrics_count_by_route_and_not_by_what_clients_make_up(client: Any) -> None:
    def counts() -> str:
        return str(client.get("/metrics").text)

    client.get("/v1/families/made-up-1")
    client.request("MADEUP", "/v1/families/made-up-2")
    client.get("/made-up-3")
    text = counts()
    assert "made-up" not in text
    assert "MADEUP" not in text
    assert 'sillcast_requests_total{method="GET",route="/v1/families/{family}",status="404"}' in text
    assert 'sillcast_requests_total{method="GET",route="unmatched",status="404"}' in text
    assert 'sillcast_problems_total{code="unknown_name"}' in text


@pytest.mark.parametrize("accept", [JSON, SVG, "application/x-ndjson"])
@pytest.mark.parametrize("host", ["door.example:8080", "door,example", "door/example"])
def test_what_goes_round_the_framework_is_answered_as_through_it(
    client: Any, door_bytes: bytes, accept: str, host: str
) -> None:
    """A slash at the end, or an odd name of the host, is for the framework; both ways answer alike."""
    headers = {"content-type": JSON, "accept": f"{accept}, {JSON};q=0.1", "prefer": "wait=9", "x-request-id": "same"}
    for path in ("/v1/assessments", "/v1/needs", "/v1/mount-searches"):
        for body in (door_bytes, b"{"):
            straight, through = (
                client.post(f"{path}{end}", content=body, headers={**headers, "host": host}) for end in ("", "/")
            )
            assert straight.status_code == through.status_code
            assert straight.content == through.content
            straight.headers.pop("server-timing", None), through.headers.pop("server-timing", None)
            assert straight.headers == through.headers
            assert (straight.status_code == 400) >= (host == "door/example")

"""HTTP on the line itself: what is no HTTP, what comes before and after it, and wishes for another protocol."""

import json
import re
import socket
from collections.abc import Iterator
from typing import Any, NamedTuple

import httpx
import pytest

from sillcast.web.protocol import HEAD_MOST
from web.servers import process
from web.wire import digest

HEAD = b"POST /v1/needs HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\n"
LIVE = b"GET /health/live HTTP/1.1\r\nhost: x\r\n"
CLOSE = b"connection: close\r\n"
OTHER = b"connection: upgrade, http2-settings\r\nhttp2-settings: AAMAAABkAAQAAP__\r\nupgrade: h2c\r\n"


class Answer(NamedTuple):
    """One answer off a line."""

    status: int
    headers: dict[str, str]
    content: bytes

    @property
    def code(self) -> str:
        return str(json.loads(self.content)["code"])


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[str, int]]:
    with process(SILLCAST_RECEIVE_TIMEOUT_S="5") as (_, url, port):
        yield url, port


def answers(port: int, *parts: bytes, least: int = 1) -> list[Answer]:
    """All answers until the server closes the line, which the last request must make it do."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as line:
        for part in parts:
            line.sendall(part)
        came = b""
        while got := line.recv(65536):
            came += got
    found = list[Answer]()
    while came:
        head, _, rest = came.partition(b"\r\n\r\n")
        first, *lines = head.decode().split("\r\n")
        headers = dict(each.lower().split(": ", 1) for each in lines)
        length = int(headers["content-length"])
        found.append(Answer(int(first.split()[1]), headers, rest[:length]))
        came = rest[length:]
    assert len(found) >= least
    return found


def posted(body: bytes, more: bytes = b"") -> bytes:
    return HEAD + more + b"content-length: %d\r\n\r\n" % len(body) + body


def counted(url: str, name: str) -> float:
    found = re.search(rf"^{re.escape(name)} (.*)$", httpx.get(f"{url}/metrics").text, re.M)
    return float(found[1]) if found else 0.0


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        (b"nonsense\r\n\r\n", "bad_request"),
        (HEAD + b"transfer-encoding: chunked\r\n\r\nzz\r\n", "bad_request"),
        (b"GET /health/live HTTP/1.1\r\nhost: x\r\nx-long: " + b"a" * HEAD_MOST + b"\r\n\r\n", "headers_too_large"),
        (b"GET /" + b"a" * HEAD_MOST + b" HTTP/1.1\r\nhost: x\r\n\r\n", "headers_too_large"),
    ],
    ids=["nonsense", "a bad chunk", "a long header", "a long address"],
)
def test_what_cannot_be_read_is_answered_as_everything_else(server: tuple[str, int], sent: bytes, code: str) -> None:
    before = counted(server[0], f'sillcast_problems_total{{code="{code}"}}')
    (answer,) = answers(server[1], sent)
    assert answer.code == code
    assert answer.headers["connection"] == "close"
    assert re.fullmatch("[0-9a-f]{32}", answer.headers["x-request-id"])
    assert answer.headers["content-digest"] == digest(answer.content).lower()
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert {"date", "content-type"} <= answer.headers.keys()
    assert counted(server[0], f'sillcast_problems_total{{code="{code}"}}') == before + 1


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (LIVE + CLOSE + b"\r\n", 200),
        (b"GET /health/live HTTP/1.1\r\n" + CLOSE + b"\r\n", 400),  # RFC 9112, section 3.2
        (LIVE + b"host: y\r\n" + CLOSE + b"\r\n", 400),
        (b"GET /health/live HTTP/1.0\r\n\r\n", 200),
        (b"GET /health/live HTTP/1.0\r\nhost: x\r\nhost: x\r\n\r\n", 400),
        (b"GET /health/live HTTP/2.0\r\nhost: x\r\n\r\n", 400),
        (b"GET /health/live\r\n\r\n", 400),
        (b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", 400),
        (b"CONNECT door.example:443 HTTP/1.1\r\nhost: x\r\n\r\n", 400),
        (b"CONNECT / HTTP/1.1\r\nhost: x\r\n\r\n", 400),
    ],
)
def test_one_host_and_a_version_that_is_spoken(server: tuple[str, int], sent: bytes, status: int) -> None:
    (answer,) = answers(server[1], sent)
    assert answer.status == status
    if status == 400:
        assert answer.code == "bad_request"


@pytest.mark.parametrize("after", [b"nonsense\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n"], ids=["no HTTP", "without a host"])
@pytest.mark.parametrize("apart", [False, True], ids=["at once", "in two pieces"])
def test_what_comes_before_is_answered_first(
    server: tuple[str, int], door_bytes: bytes, after: bytes, apart: bool
) -> None:
    """An answer to what cannot be read would be taken for the answer to the request before it."""
    parts = [posted(door_bytes) * 2, after] if apart else [posted(door_bytes) * 2 + after]
    first, second = answers(server[1], *parts)
    assert (first.status, second.status) == (200, 200)
    assert first.content == second.content
    assert second.headers["connection"] == "close"


@pytest.mark.parametrize(
    ("begun", "piece"),
    [
        (b"2\r\n{}\r\n0\r\n", b"x-more: " + b"a" * 1000 + b"\r\n"),
        (b"2\r\n{}\r\n0\r\nx-more: ", b"a" * 1000),
        (b"2;", b"a" * 1000),
    ],
    ids=["many headers", "one without end", "an extension"],
)
def test_what_is_neither_headers_nor_body_has_a_limit(server: tuple[str, int], begun: bytes, piece: bytes) -> None:
    sent, refused = 0, False
    with socket.create_connection(("127.0.0.1", server[1]), timeout=10) as line:
        line.sendall(HEAD + b"transfer-encoding: chunked\r\n\r\n" + begun)
        while not refused and sent < 100_000_000:
            try:
                line.sendall(piece * 100)
                sent += 100 * len(piece)
            except (BrokenPipeError, ConnectionResetError):
                refused = True
    assert refused  # HEAD_MOST bytes, and what fits into the buffers of the line


def test_trailers_and_extensions_within_the_limit_are_passed_over(server: tuple[str, int], door_bytes: bytes) -> None:
    chunked = b"%x;a=b\r\n%b\r\n0\r\nx-more: c\r\n\r\n" % (len(door_bytes), door_bytes)
    (answer,) = answers(server[1], HEAD + CLOSE + b"transfer-encoding: chunked\r\n\r\n" + chunked)
    assert answer.status == 200


def test_who_would_rather_speak_another_protocol_is_answered_in_this_one(
    server: tuple[str, int], door_bytes: bytes
) -> None:
    plain = httpx.post(f"{server[0]}/v1/needs", content=door_bytes, headers={"content-type": "application/json"})
    whole = posted(door_bytes, OTHER)
    chunked = HEAD + OTHER + b"transfer-encoding: chunked\r\n\r\n%x\r\n%b\r\n0\r\n\r\n" % (len(door_bytes), door_bytes)
    last = LIVE + OTHER.replace(b"upgrade,", b"close, upgrade,", 1) + b"\r\n"
    head, _, body = whole.partition(b"\r\n\r\n")
    for parts in (
        [whole + chunked + last],
        [head + b"\r\n", b"\r\n", body, chunked + last],
        [*(bytes([each]) for each in head + b"\r\n\r\n"), body + chunked, last],
    ):
        first, second, live = answers(server[1], *parts, least=3)
        assert (first.status, second.status, live.status) == (200, 200, 200)
        assert first.content == second.content == plain.content
        assert (live.headers["connection"], json.loads(live.content)) == ("close", {"status": "live"})


def test_a_wish_for_another_protocol_hides_nothing(server: tuple[str, int]) -> None:
    for sent, code in (
        (HEAD + OTHER + b"transfer-encoding: chunked\r\n\r\nzz\r\n", "bad_request"),
        (HEAD.replace(b"host: x\r\n", b"") + OTHER + b"\r\n", "bad_request"),
        (LIVE + OTHER + b"x-long: " + b"a" * HEAD_MOST + b"\r\n\r\n", "headers_too_large"),
        (posted(b"{}", OTHER + b"connection: close\r\n"), "malformed"),
    ):
        assert answers(server[1], sent)[0].code == code


@pytest.mark.parametrize("name", ["accept", "accept-encoding", "if-none-match"])
def test_a_list_may_come_in_several_lines(client: Any, name: str) -> None:
    tag = client.get("/v1/bodies", headers={"accept-encoding": "identity"}).headers["etag"]
    first, second = {
        "accept": ("text/html", "application/msgpack"),
        "accept-encoding": ("deflate", "gzip"),
        "if-none-match": ('"other"', tag),
    }[name]
    more = [] if name == "accept-encoding" else [("accept-encoding", "identity")]
    answer = client.get("/v1/bodies", headers=[*more, (name, first), (name, second)])
    found = (answer.status_code, answer.headers.get("content-type"), answer.headers.get("content-encoding"))
    assert (
        found
        == {
            "accept": (200, "application/msgpack", None),
            "accept-encoding": (200, "application/json", "gzip"),
            "if-none-match": (304, None, None),
        }[name]
    )

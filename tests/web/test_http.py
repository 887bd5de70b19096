"""What any HTTP client may count on: codings, conditional requests, HEAD, OPTIONS, calls from pages of elsewhere."""

import gzip
import json
from collections.abc import Callable, Iterator
from typing import Any

import brotli
import pytest
import zstandard

from sillcast.web.operations import COMPUTED, LISTED, OPERATED
from sillcast.web.settings import Settings, SettingsError
from web.doubles import Quick
from web.wire import digest, raw

DECODED: dict[str, Callable[[bytes], bytes]] = {
    "zstd": zstandard.decompress,
    "br": brotli.decompress,
    "gzip": gzip.decompress,
    "identity": bytes,
}
CATALOGUE = "/v1/families/laser_scan"


@pytest.mark.parametrize("name", DECODED)
def test_each_coding_carries_the_same_content_with_its_own_tag_and_digest(
    client: Any, door: dict[str, Any], name: str
) -> None:
    for method, path, more in (("GET", CATALOGUE, {}), ("POST", "/v1/needs", {"json": door})):
        _, plain = raw(client, method, path, headers={"accept-encoding": "identity"}, **more)
        response, content = raw(client, method, path, headers={"accept-encoding": name}, **more)
        assert response.headers.get("content-encoding", "identity") == name
        assert DECODED[name](content) == plain
        assert response.headers["content-digest"] == digest(content)
        assert response.headers["vary"] == "accept, accept-encoding"
        assert int(response.headers["content-length"]) == len(content)


def test_a_tag_is_good_for_its_own_coding_alone(client: Any) -> None:
    # Strong tags name bytes as sent (RFC 9110, section 8.8.1): another coding of the same content has another one.
    def got(accepted: str, **more: str) -> Any:
        return client.get(CATALOGUE, headers={"accept-encoding": accepted, **more})

    tags = {name: got(name).headers["etag"] for name in DECODED}
    assert len(set(tags.values())) == 4
    for name, tag in tags.items():
        held = got(name, **{"if-none-match": tag})
        assert (held.status_code, held.headers["etag"], held.headers["vary"]) == (304, tag, "accept, accept-encoding")
        assert "content-encoding" not in held.headers
        other = next(each for each in DECODED if each != name)
        assert got(other, **{"if-none-match": tag}).status_code == 200


def test_lines_are_not_held_back_by_a_coding(client: Any, search: dict[str, Any]) -> None:
    accepted = {"accept": "application/x-ndjson", "accept-encoding": "zstd, br, gzip"}
    response, content = raw(client, "POST", "/v1/mount-searches", json=search, headers=accepted)
    assert "content-encoding" not in response.headers
    assert [list(json.loads(line)) for line in content.splitlines()][-1] == ["result"]


@pytest.mark.parametrize("path", [CATALOGUE, *(each.path for each in OPERATED)])
def test_head_says_what_get_would_send(client: Any, path: str) -> None:
    # Content-Digest is that of the content sent, which is none; Repr-Digest that of GET's (RFC 9530, appendix B.2).
    for accepted in ("identity", "zstd"):
        got, content = raw(client, "GET", path, headers={"accept-encoding": accepted})
        head, none = raw(client, "HEAD", path, headers={"accept-encoding": accepted})
        assert (head.status_code, none) == (200, b"")
        assert got.headers["content-digest"] == got.headers["repr-digest"] == digest(content)
        assert head.headers["content-digest"] == digest(b"")
        changing = {"x-request-id", "content-digest"}
        if path == "/metrics":
            changing |= {"content-length", "repr-digest"}
        given, asked = (
            {name: value for name, value in each.headers.items() if name not in changing} for each in (got, head)
        )
        assert asked == given


def test_head_is_conditional_too(client: Any) -> None:
    tag = client.head(CATALOGUE).headers["etag"]
    held = client.head(CATALOGUE, headers={"if-none-match": tag})
    assert (held.status_code, held.content) == (304, b"")
    assert client.head("/v1/families/none").status_code == 404
    assert client.head("/v1/needs").status_code == 405


@pytest.mark.parametrize("operation", [*COMPUTED, *LISTED, *OPERATED], ids=lambda each: each.id)
def test_options_and_wrong_methods_name_the_right_ones(client: Any, operation: Any) -> None:
    path = operation.path.format(family="laser_scan", name="industrial_door")
    methods = {"OPTIONS", *(["GET", "HEAD"] if operation.method == "GET" else ["POST"])}
    options, wrong = client.options(path), client.delete(path)
    assert (options.status_code, wrong.status_code) == (204, 405)
    assert options.content == b""
    for response in (options, wrong):
        assert set(response.headers["allow"].split(", ")) == methods
    assert client.options("/nowhere").status_code == 404


# Pages of elsewhere ----------------------------------------------------------------------------------------------

ORIGIN = "https://design.kettlewharf.example"
PREFLIGHT = {
    "origin": ORIGIN,
    "access-control-request-method": "POST",
    "access-control-request-headers": "content-type,prefer",
}


def cors(response: Any) -> dict[str, str]:
    return {name: value for name, value in response.headers.items() if name.startswith("access-control-")}


def varies(response: Any) -> set[str]:
    return {each.strip() for value in response.headers.get_list("vary") for each in value.split(",")}


def test_no_page_of_elsewhere_may_call_by_default(client: Any) -> None:
    for response in (
        client.get("/v1/bodies", headers={"origin": ORIGIN}),
        client.options("/v1/needs", headers=PREFLIGHT),
    ):
        assert cors(response) == {}
        assert "origin" not in varies(response)


@pytest.fixture
def opened(served: Any) -> Iterator[Any]:
    with served(Quick(), Settings(cors_origins=f"{ORIGIN},http://127.0.0.1:5173")) as client:
        yield client


def test_pages_of_a_configured_origin_may_call_and_read(opened: Any) -> None:
    asked = opened.options("/v1/needs", headers=PREFLIGHT)
    assert asked.status_code == 204  # the Fetch standard wants an ok status
    assert asked.headers["access-control-allow-origin"] == ORIGIN
    allowed = set(asked.headers["access-control-allow-headers"].split(", "))
    assert allowed >= {"accept", "content-type", "if-none-match", "prefer", "x-request-id"}
    assert "access-control-allow-credentials" not in asked.headers
    for response in (
        opened.get("/v1/bodies", headers={"origin": ORIGIN}),
        opened.post("/v1/needs", json={}, headers={"origin": ORIGIN}),
        opened.get("/nowhere", headers={"origin": ORIGIN}),
    ):
        assert response.headers["access-control-allow-origin"] == ORIGIN
        assert {"etag", "x-request-id", "retry-after"} <= set(
            response.headers["access-control-expose-headers"].split(", ")
        )
        assert "origin" in varies(response)
    assert varies(opened.get("/v1/bodies", headers={"origin": ORIGIN})) == {"accept", "accept-encoding", "origin"}


@pytest.mark.parametrize("origin", ["https://other.example", "null", f"{ORIGIN}.evil.example", f"{ORIGIN}:8443", ""])
def test_pages_of_other_origins_may_not(opened: Any, origin: str) -> None:
    for response in (
        opened.get("/v1/bodies", headers={"origin": origin}),
        opened.options("/v1/needs", headers={**PREFLIGHT, "origin": origin}),
        opened.get("/v1/bodies"),
    ):
        assert cors(response) == {}
        assert "origin" in varies(response)  # a cache must not give this answer to the page that may


def test_any_origin_may_call_where_that_is_configured(served: Any) -> None:
    with served(Quick(), Settings(cors_origins="*")) as client:
        response = client.get("/v1/bodies", headers={"origin": "https://anybody.example"})
        assert response.headers["access-control-allow-origin"] == "*"
        assert "origin" not in varies(response)


@pytest.mark.parametrize("origins", ["", "*", "http://a.example", "https://a.example:8443,http://[::1]:80"])
def test_origins_that_can_be_configured(origins: str) -> None:
    assert Settings.from_environment({"SILLCAST_CORS_ORIGINS": origins}).cors_origins == origins


@pytest.mark.parametrize(
    "origins",
    ["a.example", "https://a.example/", "https://A.example", "*,http://a.example", "http://a.example,", "null"],
)
def test_origins_that_no_browser_would_send_are_refused(origins: str) -> None:
    with pytest.raises(SettingsError):
        Settings.from_environment({"SILLCAST_CORS_ORIGINS": origins})

"""Which form to read and to answer with, after RFC 9110."""

import gzip

import pytest

from sillcast.web.negotiation import CODINGS, JSON, MSGPACK, SVG, body_media, chosen, coding, wait_s
from sillcast.web.problems import RefusedError

OFFERS = (JSON, MSGPACK, SVG)


@pytest.mark.parametrize(
    ("accept", "expected"),
    [
        (None, JSON),
        ("", JSON),
        ("*/*", JSON),
        ("application/*", JSON),
        ("image/*", SVG),
        ("application/msgpack", MSGPACK),
        ("APPLICATION/MSGPACK", MSGPACK),
        ("application/json;q=0.5, application/msgpack", MSGPACK),
        ("application/json;q=0.5, application/msgpack;q=0.4", JSON),
        ("application/json;q=0, */*", MSGPACK),  # the most specific range counts, section 12.5.1
        ("*/*;q=0.1, image/svg+xml;q=0.2", SVG),
        ("text/html, application/xhtml+xml, */*;q=0.8", JSON),
        ("application/json; charset=utf-8", JSON),
        ("text/html, image/svg+xml ; q=1.000", SVG),
        (",,, image/svg+xml", SVG),
    ],
)
def test_the_best_liked_offer_is_chosen(accept: str | None, expected: str) -> None:
    assert chosen(accept, OFFERS) == expected


@pytest.mark.parametrize(
    "accept",
    ["text/html", "*/*;q=0", "application/json;q=0", "application/json;q=no", "application/json;q=2", "json", "-"],
)
def test_what_accepts_no_offer_is_refused(accept: str) -> None:
    with pytest.raises(RefusedError) as caught:
        chosen(accept, OFFERS)
    assert caught.value.kind.status == 406
    assert str(caught.value) == "Offered here: application/json, application/msgpack, image/svg+xml."


@pytest.mark.parametrize(
    ("content_type", "encoding", "expected"),
    [
        ("application/json", None, "json"),
        ("Application/JSON;charset=UTF-8", "identity", "json"),
        ('application/json; charset="utf-8"', None, "json"),
        ("application/json; profile=x", None, "json"),
        ("application/msgpack", None, "msgpack"),
        ("application/x-msgpack", "", "msgpack"),
        ("application/vnd.msgpack", None, "msgpack"),
    ],
)
def test_bodies_that_are_read(content_type: str, encoding: str | None, expected: str) -> None:
    assert body_media(content_type, encoding) == expected


@pytest.mark.parametrize(
    ("content_type", "encoding", "header"),
    [
        (None, None, "accept-post"),
        ("", None, "accept-post"),
        ("text/plain", None, "accept-post"),
        ("application/json; charset=utf-16", None, "accept-post"),
        ("application/x-www-form-urlencoded", None, "accept-post"),
        ("application/json", "gzip", "accept-encoding"),
        ("application/json", "identity, br", "accept-encoding"),
    ],
)
def test_bodies_that_are_not_read_say_what_would_be(
    content_type: str | None, encoding: str | None, header: str
) -> None:
    with pytest.raises(RefusedError) as caught:
        body_media(content_type, encoding)
    assert caught.value.kind.status == 415
    assert list(caught.value.headers) == [header]


@pytest.mark.parametrize(
    ("accept_encoding", "expected"),
    [
        (None, ""),
        ("", ""),
        ("gzip", "gzip"),
        ("GZIP;q=0.1", "gzip"),
        ("gzip, deflate, br, zstd", "gzip"),
        ("*", "gzip"),
        ("gzip;q=0", ""),
        ("gzip;q=0, *", ""),
        ("gzip;q=0.5, identity;q=0.9", ""),
        ("identity", ""),
        ("compress", ""),
        ("identity;q=0", ""),  # section 12.5.3 lets the answer go uncoded
    ],
)
def test_content_is_coded_for_who_says_so(accept_encoding: str | None, expected: str) -> None:
    assert coding(accept_encoding) == expected


def test_codings_lose_nothing_and_make_the_same_bytes_of_the_same_content() -> None:
    content = b"door " * 1000
    assert gzip.decompress(CODINGS["gzip"](content)) == content
    assert CODINGS["gzip"](content) == CODINGS["gzip"](content)


@pytest.mark.parametrize(
    ("prefer", "expected"),
    [
        (None, None),
        ("", None),
        ("wait=10", 10),
        ("Wait = 10", 10),
        ('wait="10"', 10),
        ("respond-async, wait=10", 10),  # the example of RFC 7240, section 4.3
        ("wait=10; foo=bar", 10),
        ("wait=5, wait=10", 5),
        ("wait=0", 0),
        ("wait=-1", None),
        ("wait=1.5", None),
        ("wait=\u0661", None),
        ("wait", None),
        ("wait=9999999999", None),
        ("return=minimal", None),
    ],
)
def test_how_long_the_client_wants_to_wait(prefer: str | None, expected: int | None) -> None:
    assert wait_s(prefer) == expected

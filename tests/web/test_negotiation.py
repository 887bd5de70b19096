"""Which form to read and to answer with, after RFC 9110."""

import gzip
from collections.abc import Callable

import brotli
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st
from werkzeug.datastructures import Accept, MIMEAccept
from werkzeug.http import parse_accept_header

from sillcast.web.compute import encoded
from sillcast.web.negotiation import CODINGS, JSON, LEAST_CODED, MSGPACK, SVG, body_media, chosen, coding, wait_s
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
        ("x-gzip", "gzip"),  # section 8.4.1.3
        ("gzip, deflate, br, zstd", "zstd"),
        ("gzip, deflate, br", "br"),
        ("gzip, br;q=0.9, zstd;q=0.8", "gzip"),
        ("zstd;q=0.5, br;q=0.8, gzip;q=0.8", "br"),
        ("*", "zstd"),
        ("*, zstd;q=0", "br"),
        ("gzip;q=0", ""),
        ("gzip;q=0, *", "zstd"),
        ("*;q=0", ""),
        ("gzip;q=0.5, identity;q=0.9", ""),
        ("gzip;q=0.5, identity;q=0.5", "gzip"),
        ("gzip;q=0.3, *;q=0.5", "zstd"),
        ("br;q=0.3, zstd;q=0, gzip;q=0, *;q=0.5", ""),  # the star is for `identity` too, and likes it better
        ("identity", ""),
        ("compress", ""),
        ("gzip;q=yes", ""),
        # An example of section 12.5.3: gzip first, then nothing, all else refused.
        ("gzip;q=1.0, identity; q=0.5, *;q=0", "gzip"),
        ("compress;q=0.5, gzip;q=1.0", "gzip"),
        ("identity;q=0", ""),  # disregarded, since nothing else is accepted: section 12.4.1
        ("identity;q=0, compress", ""),
    ],
)
def test_content_is_coded_for_who_says_so(accept_encoding: str | None, expected: str) -> None:
    assert coding(accept_encoding).name == expected


@pytest.mark.parametrize(
    ("accept_encoding", "least"),
    [
        ("gzip", LEAST_CODED),
        ("gzip, identity;q=0", 0),
        ("gzip, *;q=0", 0),
        ("gzip, *;q=0, identity;q=0.1", LEAST_CODED),
        ("identity;q=0", LEAST_CODED),
    ],
)
def test_short_content_is_coded_only_for_who_refuses_it_as_it_is(accept_encoding: str, least: int) -> None:
    assert coding(accept_encoding).least == least


def test_short_content_stays_as_it_is_unless_that_is_refused() -> None:
    short, long = b"x" * (LEAST_CODED - 1), b"x" * LEAST_CODED
    assert encoded(short, coding("gzip")) == (short, "")
    assert encoded(long, coding("gzip")) == (CODINGS["gzip"](long), "gzip")
    assert encoded(short, coding("gzip, identity;q=0")) == (CODINGS["gzip"](short), "gzip")
    assert encoded(long, coding("identity;q=0")) == (long, "")


QUALITIES = st.sampled_from(["", ";q=0", ";q=0.001", ";q=0.5", "; q=0.8", ";q=1", ";q=1.000"])


def headers(*names: str) -> st.SearchStrategy[str]:
    chosen_names = st.lists(st.sampled_from(names), unique=True, max_size=len(names))
    return chosen_names.flatmap(
        lambda given: st.tuples(*[st.just(name) for name in given], *[QUALITIES for _ in given]).map(
            lambda parts: ", ".join(map("".join, zip(parts[: len(given)], parts[len(given) :], strict=True)))
        )
    )


@settings(deadline=None, derandomize=True)
@given(headers("gzip", "br", "zstd", "deflate", "identity", "*"))
def test_codings_agree_with_another_reading_of_the_header(header: str) -> None:
    # Werkzeug's parser is an independent one. What is unnamed has no quality there; section 12.5.3 takes it uncoded.
    parsed = parse_accept_header(header, Accept)
    liked = {name: parsed.quality(name) for name in CODINGS}
    best = coding(header).name
    if best:
        assert liked[best] == max(liked.values()) > 0
        assert liked[best] >= parsed.quality("identity")
    else:
        assert max(liked.values()) == 0 or max(liked.values()) < parsed.quality("identity")


@settings(deadline=None, derandomize=True)
@given(headers(JSON, MSGPACK, SVG, "application/*", "image/*", "text/html", "*/*"))
def test_media_types_agree_with_another_reading_of_the_header(header: str) -> None:
    parsed = parse_accept_header(header, MIMEAccept)
    liked = {offer: parsed.quality(offer) for offer in OFFERS}
    try:
        assert liked[chosen(header, OFFERS)] == (max(liked.values()) if header else 0)
    except RefusedError:
        assert max(liked.values()) == 0


@pytest.mark.parametrize(
    ("name", "decode"), [("zstd", zstandard.decompress), ("br", brotli.decompress), ("gzip", gzip.decompress)]
)
def test_codings_lose_nothing_and_make_the_same_bytes_of_the_same_content(
    name: str, decode: Callable[[bytes], bytes]
) -> None:
    content = b"door " * 1000
    assert decode(CODINGS[name](content)) == content
    assert CODINGS[name](content) == CODINGS[name](content)
    assert len(CODINGS[name](content)) < len(content)


def test_zstandard_stays_within_the_window_that_clients_must_have() -> None:
    # RFC 9659: content coded as zstd needs no window of more than 8 MB.
    frame = zstandard.get_frame_parameters(CODINGS["zstd"](bytes(range(256)) * 65536))
    assert frame.window_size <= 8 * 2**20


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
        ("wait=1.5", 1.5),
        ("wait=0.5", 0.5),
        ("wait=.5", 0.5),
        ("wait=2.", 2),
        ('wait="0.25"', 0.25),
        ("wait=0.01", 0.01),
        ("wait=0.0001", 0.001),  # never none at all
        ("wait=0.3333333333333333", 0.334),
        ("wait=999999999", 999999999),
        ("wait=-1", None),
        ("wait=-0.5", None),
        ("wait=1.5.5", None),
        ("wait=.", None),
        ("wait=1e3", None),
        ("wait=0,5", 0),  # a comma ends it
        ("wait=inf", None),
        ("wait=nan", None),
        ("wait=\u0661", None),
        ("wait", None),
        ("wait=9999999999", None),
        ("return=minimal", None),
    ],
)
def test_how_long_the_client_wants_to_wait(prefer: str | None, expected: int | None) -> None:
    assert wait_s(prefer) == expected

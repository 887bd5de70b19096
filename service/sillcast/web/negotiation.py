"""What the client wants: media type and content coding (RFC 9110, 8.3, 8.4, 12.5), how long to wait (RFC 7240)."""

import gzip
import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from math import ceil
from typing import Literal, NamedTuple

import brotli
import zstandard

from sillcast.web.problems import RefusedError

__all__ = [
    "CODINGS",
    "JSON",
    "LEAST_CODED",
    "MSGPACK",
    "NDJSON",
    "PLAIN",
    "SVG",
    "Coding",
    "body_media",
    "chosen",
    "coding",
    "wait_s",
]

JSON = "application/json"
MSGPACK = "application/msgpack"
SVG = "image/svg+xml"
NDJSON = "application/x-ndjson"

CODINGS: Mapping[str, Callable[[bytes], bytes]] = {
    "zstd": partial(zstandard.compress, level=3),
    "br": partial(brotli.compress, quality=4),
    "gzip": partial(gzip.compress, compresslevel=1, mtime=0),
}
"""Content codings that are offered, the best first. Higher levels save little and cost more than they save."""

LEAST_CODED = 1024
"""Shorter content is not worth a coding. [byte]"""


class Coding(NamedTuple):
    """A content coding, empty for none, and the length from which on content is coded. [byte]"""

    name: str = ""
    least: int = LEAST_CODED


PLAIN = Coding()
"""Content as it is."""

_BODIES: dict[str, Literal["json", "msgpack"]] = {
    JSON: "json",
    MSGPACK: "msgpack",
    "application/vnd.msgpack": "msgpack",
    "application/x-msgpack": "msgpack",
}


def chosen(accept: str | None, offers: Sequence[str]) -> str:
    """The offer that the header `Accept` likes best; the first of equals, and the first where there is no header.

    Raises
    ------
    RefusedError
        `not_acceptable`, if the header accepts none of the offers.
    """
    ranges = [_media_range(part) for part in (accept or "").split(",") if part.strip()]
    if not ranges:
        return offers[0]
    best = max(offers, key=lambda offer: _quality(offer, ranges))
    if _quality(best, ranges) > 0:
        return best
    raise RefusedError("not_acceptable", f"Offered here: {', '.join(offers)}.")


def body_media(content_type: str | None, content_encoding: str | None) -> Literal["json", "msgpack"]:
    """How to read a body with these headers.

    Raises
    ------
    RefusedError
        `unsupported_media`, if it is neither JSON in UTF-8 nor MessagePack, or is compressed.
    """
    if (content_encoding or "identity").strip().lower() != "identity":
        raise RefusedError("unsupported_media", "Send the body without Content-Encoding.", accept_encoding="identity")
    name, *parameters = (content_type or "").lower().split(";")
    charsets = [
        value.strip(' "') for key, _, value in (each.partition("=") for each in parameters) if key.strip() == "charset"
    ]
    media = _BODIES.get(name.strip())
    if media is None or set(charsets) - {"utf-8", "utf8"}:
        detail = f"Content-Type must be {JSON} (in UTF-8) or {MSGPACK}."
        raise RefusedError("unsupported_media", detail, accept_post=f"{JSON}, {MSGPACK}")
    return media


def coding(accept_encoding: str | None) -> Coding:
    """The content coding to answer with; none for a client that names none (section 12.5.3).

    Of codings that are liked equally, the first offered. Who refuses `identity` gets short content coded as well. Who
    refuses it and takes nothing that is offered gets the content as it is: the header is disregarded, as section 12.4.1
    allows, since a client that cannot read what it asked for is better off than one that gets nothing.
    """
    given = dict(_media_range(part) for part in (accept_encoding or "").split(",") if part.strip())
    if "x-gzip" in given:  # another name of it, section 8.4.1.3
        given.setdefault("gzip", given["x-gzip"])
    offers = {name: given.get(name, given.get("*", 0.0)) for name in CODINGS}
    best = max(offers, key=lambda name: offers[name])
    # Unnamed, `identity` is taken, but liked least.
    identity = given.get("identity", given.get("*"))
    if offers[best] <= 0 or offers[best] < (identity or 0.0):
        return PLAIN
    return Coding(best, 0 if identity == 0 else LEAST_CODED)


_SECONDS = re.compile(r"[0-9]{1,9}(\.[0-9]*)?|\.[0-9]+")


def wait_s(prefer: str | None) -> float | None:
    """Seconds that the client wants to wait at most (RFC 7240, section 4.3); what cannot be read is ignored.

    The RFC knows whole seconds alone. Parts of a second are an extension, taken up to the next millisecond: who asks
    for half a second would else wait as long as the service allows. The first of several counts (section 2).
    """
    for part in (prefer or "").split(","):
        name, _, value = part.partition(";")[0].partition("=")
        value = value.strip().strip('"')
        if name.strip().lower() == "wait":
            return ceil(1000.0 * float(value)) / 1000.0 if _SECONDS.fullmatch(value) else None
    return None


def _media_range(text: str) -> tuple[str, float]:
    """A media range with its quality; what cannot be read has none."""
    name, *parameters = (part.strip() for part in text.lower().split(";"))
    for parameter in parameters:
        key, _, value = parameter.partition("=")
        if key.strip() == "q":
            try:
                quality = float(value)
            except ValueError:
                return name, 0.0
            return name, quality if 0.0 <= quality <= 1.0 else 0.0
    return name, 1.0


def _quality(offer: str, ranges: list[tuple[str, float]]) -> float:
    """Quality of an offer by the most specific range that matches it; the last of equals."""
    kind = offer.partition("/")[0]
    given = dict(ranges)
    return next((given[each] for each in (offer, f"{kind}/*", "*/*") if each in given), 0.0)

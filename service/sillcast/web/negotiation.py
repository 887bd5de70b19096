"""What the client wants: media type and content coding (RFC 9110, 8.3, 8.4, 12.5), how long to wait (RFC 7240)."""

import gzip
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Literal

from sillcast.web.problems import RefusedError

__all__ = ["CODINGS", "JSON", "LEAST_CODED", "MSGPACK", "NDJSON", "SVG", "body_media", "chosen", "coding", "wait_s"]

JSON = "application/json"
MSGPACK = "application/msgpack"
SVG = "image/svg+xml"
NDJSON = "application/x-ndjson"

CODINGS: Mapping[str, Callable[[bytes], bytes]] = {"gzip": partial(gzip.compress, compresslevel=1, mtime=0)}
"""Content codings that are offered, the best first. Level 1: a higher one saves little and costs more than it saves."""

LEAST_CODED = 1024
"""Shorter content is not worth a coding. [byte]"""

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


def coding(accept_encoding: str | None) -> str:
    """The content coding to answer with; empty for none, which is what a client gets that names none (section 12.5.3).

    Where `identity` is refused and nothing else that is offered is accepted, the answer goes uncoded all the same, as
    the section allows: a client that cannot read what it asked for is better off than one that gets nothing.
    """
    given = dict(_media_range(part) for part in (accept_encoding or "").split(",") if part.strip())
    offers = {name: given.get(name, given.get("*", 0.0)) for name in CODINGS}
    best = max(offers, key=lambda name: offers[name])
    return best if offers[best] > 0 and offers[best] >= given.get("identity", 0.0) else ""


def wait_s(prefer: str | None) -> int | None:
    """Seconds that the client wants to wait at most (RFC 7240, section 4.3); what cannot be read is ignored.

    The first of several counts (section 2).
    """
    for part in (prefer or "").split(","):
        name, _, value = part.partition(";")[0].partition("=")
        value = value.strip().strip('"')
        if name.strip().lower() == "wait":
            return int(value) if value.isascii() and value.isdecimal() and len(value) <= 9 else None
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

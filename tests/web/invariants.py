"""What holds for every answer, whatever was asked: shapes, numbers, rings, verdicts, pointers."""

import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

import msgspec
import shapely

from sillcast.contract import Assessment, CoverageAnswer, MountSearchAnswer, NeedsAnswer
from sillcast.web.problems import KINDS

Json = dict[str, Any]

ANSWERS = {
    "/v1/assessments": Assessment,
    "/v1/coverage": CoverageAnswer,
    "/v1/needs": NeedsAnswer,
    "/v1/mount-searches": MountSearchAnswer,
}
VERDICTS = {"met", "not_met", "cannot_tell", "informative"}

_GRID_M = 0.001  # rings are rounded to this
_OUTSIDE_M = 0.002  # a gap may leave its zone by the rounding of both
_LEAVINGS_M2 = 1e-4  # areas and shares are rounded to four places


@cache
def _decoder(route: str) -> "msgspec.json.Decoder[Any]":
    return msgspec.json.Decoder(ANSWERS[route])


def answer_faults(route: str, content: bytes) -> Iterator[str]:
    """What is wrong with an accepted answer."""
    try:
        # No NaN can hide: they are written as null, which a number's field refuses.
        _decoder(route).decode(content)
    except msgspec.ValidationError as error:
        yield f"the answer breaks its own schema: {error}"
        return
    answer = msgspec.json.decode(content)
    yield from _ring_faults(answer, "")
    if route == "/v1/assessments":
        yield from _verdict_faults(answer)


def _ring_faults(value: Any, at: str) -> Iterator[str]:
    """Rings anywhere in the answer."""
    if isinstance(value, dict):
        for name, each in value.items():
            if name == "polygons_m":
                yield from (f"{at}/{name}: {fault}" for fault in _area_faults(each))
            elif name != "request":
                yield from _ring_faults(each, f"{at}/{name}")
    elif isinstance(value, list):
        for i, each in enumerate(value):
            if isinstance(each, dict | list):
                yield from _ring_faults(each, f"{at}/{i}")


def _area_faults(polygons: list[list[list[list[float]]]]) -> Iterator[str]:
    for rings in polygons:
        for i, ring in enumerate(rings):
            if len(ring) < 4 or ring[0] != ring[-1]:
                yield "a ring is not closed or has less than three corners"
                return
            if shapely.LinearRing(ring).is_ccw is not (i == 0):
                yield f"ring {i} turns the wrong way"
        shape = shapely.Polygon(rings[0], rings[1:])
        if not shape.is_valid:
            yield f"not simple: {shapely.is_valid_reason(shape)}"
            return
    if not area_of(polygons).is_valid:
        yield f"parts overlap: {shapely.is_valid_reason(area_of(polygons))}"


def area_of(polygons: list[list[list[list[float]]]]) -> Any:
    """Polygons of an answer as one shape."""
    return shapely.MultiPolygon([(rings[0], rings[1:]) for rings in polygons])


def _verdict_faults(answer: Json) -> Iterator[str]:
    zones = {each["id"]: each for each in answer["zones"]}
    if [each["zone"] for each in answer["comparisons"]] != list(zones):
        yield "not each zone has its comparison, in its order"
        return
    for each in answer["comparisons"]:
        yield from (f"{each['zone']}: {fault}" for fault in _comparison_faults(each, zones[each["zone"]]))


def _comparison_faults(compared: Json, zone: Json) -> Iterator[str]:
    gaps, share, required = compared["gaps"], compared["share"], compared["required_m2"]
    if compared["verdict"] not in VERDICTS:
        yield f"unknown verdict {compared['verdict']}"
    if not all(0.0 <= each <= 1.0 for each in (share, *(s["share"] for s in compared["shares"]))):
        yield "a share is outside of 0 to 1"
    if compared["verdict"] == "met" and (gaps or compared["gap_m2"] > 0):
        yield "met, with gaps"
    if compared["verdict"] == "not_met" and not gaps:
        yield "not met, without a gap"
    if compared["verdict"] == "informative":
        return
    if any(s["share"] < share for s in compared["shares"]):
        yield "the share is not that of the worst state"
    total = sum(each["area_m2"] for each in gaps)
    if abs(total - compared["gap_m2"]) > _LEAVINGS_M2 * (1 + len(gaps)):
        yield f"gaps have {total} m2 together, {compared['gap_m2']} m2 is said"
    # One rounding of each area, one of the share. Hairlines are missing in the share and are no gaps, so it may be less.
    if required > 0.01 and share - (1 - compared["gap_m2"] / required) > _LEAVINGS_M2 * (1 + 2 / required):
        yield f"a share of {share} with gaps of {compared['gap_m2']} m2 in {required} m2"
    if abs(required + compared["blocked_m2"] - zone["area_m2"]) > 3 * _LEAVINGS_M2:
        yield f"required and blocked make {required + compared['blocked_m2']} m2 of {zone['area_m2']} m2"
    yield from _gap_faults(gaps, zone)


def _gap_faults(gaps: Sequence[Json], zone: Json) -> Iterator[str]:
    whole = area_of(zone["polygons_m"]).buffer(_OUTSIDE_M, join_style="mitre")
    for i, gap in enumerate(gaps):
        area = area_of(gap["polygons_m"])
        if not whole.covers(area):
            yield f"gap {i} leaves its zone by {area.difference(whole).area:g} m2"
        # Each corner moves by up to half the diagonal of the grid.
        if abs(area.area - gap["area_m2"]) > _LEAVINGS_M2 + _GRID_M * area.length:
            yield f"gap {i} has {area.area} m2 in its rings, {gap['area_m2']} m2 is said"


# Problems -----------------------------------------------------------------------------------------------------------


def problem_faults(response: Any, sent: Any) -> Iterator[str]:
    """What is wrong with a refusal; `sent` is the body as plain values, or None if it is no JSON."""
    if response.status_code >= 500:
        yield f"status {response.status_code}: {response.text}"
        return
    if response.headers["content-type"] != "application/problem+json":
        yield f"a refusal as {response.headers['content-type']}"
        return
    problem = response.json()
    if KINDS[problem["code"]].status != response.status_code or problem["status"] != response.status_code:
        yield f"{problem['code']} with status {response.status_code}"
    if not problem["errors"] and response.status_code in (400, 422):
        yield "no error is listed"
    for each in problem["errors"]:
        if not each["code"] or not each["detail"]:
            yield f"nothing is said about {each['pointer']}"
        if not resolves(each["pointer"], sent):
            yield f"pointer {each['pointer']} leads nowhere in the request"


def resolves(pointer: str, body: Any) -> bool:
    """Whether a JSON pointer (RFC 6901) leads to a place of the body, or to one missing member of an object there."""
    if pointer == "":
        return True
    if not pointer.startswith("/"):
        return False
    *way, last = (step.replace("~1", "/").replace("~0", "~") for step in pointer[1:].split("/"))
    for step in way:
        if isinstance(body, dict) and step in body:
            body = body[step]
        elif isinstance(body, list) and re.fullmatch("0|[1-9][0-9]*", step) and int(step) < len(body):
            body = body[int(step)]
        else:
            return False
    if isinstance(body, list):
        return bool(re.fullmatch("0|[1-9][0-9]*", last)) and int(last) < len(body)
    return isinstance(body, dict)

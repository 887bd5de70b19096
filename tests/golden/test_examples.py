"""Committed examples in, committed answers out: rings by symmetric difference, all else by equality.

`python tests/golden/test_examples.py` writes the answers anew; read the difference before you commit it.
"""

import json
from functools import cache
from pathlib import Path

import msgspec
import pytest
from shapely.geometry import MultiPolygon, Polygon

from sillcast import Planner

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
ANSWERS = Path(__file__).parent / "answers"
REQUESTS = sorted(p for p in EXAMPLES.glob("*.json") if "mount-search" not in p.stem)
# Across back ends and processors rings may differ by 2 mm and numbers in the last printed digits.
RING_M = 0.002
DIGITS = 2e-3


PLANNER = Planner()


@cache
def answer_to(path):
    answer = msgspec.json.decode(msgspec.json.encode(PLANNER.assess(path.read_bytes())))
    del answer["computed_by"]["back_end"]
    return answer


def shape(polygons):
    return MultiPolygon([Polygon(rings[0], rings[1:]) for rings in polygons])


def assert_same(got, expected, at=""):
    assert type(got) is type(expected), at
    if isinstance(got, dict):
        assert got.keys() == expected.keys(), at
        for key in got:
            if key == "polygons_m":
                assert_same_area(shape(got[key]), shape(expected[key]), f"{at}/{key}")
            else:
                assert_same(got[key], expected[key], f"{at}/{key}")
    elif isinstance(got, list):
        assert len(got) == len(expected), at
        for i, (one, other) in enumerate(zip(got, expected, strict=True)):
            assert_same(one, other, f"{at}/{i}")
    elif isinstance(got, float):
        assert got == pytest.approx(expected, abs=DIGITS), at
    else:
        assert got == expected, at


def assert_same_area(got, expected, at):
    assert got.symmetric_difference(expected).area <= RING_M * (expected.length + 0.01), at


@pytest.mark.parametrize("path", REQUESTS, ids=lambda p: p.stem)
def test_example_gives_the_committed_answer(path):
    assert_same(answer_to(path), json.loads((ANSWERS / path.name).read_text()))


@pytest.mark.parametrize("path", REQUESTS, ids=lambda p: p.stem)
def test_answer_holds_together(path):
    """Zones named in comparisons, findings and checks exist; derivations are there; gaps lie inside their zones."""
    answer = answer_to(path)
    zones = {z["id"]: z for z in answer["zones"]}
    known = {d["id"] for d in answer["derivations"]}
    assert set(zones) == {c["zone"] for c in answer["comparisons"]}
    for finding in answer["findings"]:
        assert finding["zone"] in zones or finding["zone"] == ""
        assert finding["derivation"] in known | {""}
        assert finding["remedy"] or finding["severity"] == "info", finding["code"]
    for zone in zones.values():
        assert set(zone["derivations"]) <= known
        assert all(Polygon(rings[0], rings[1:]).is_valid for rings in zone["polygons_m"])
    for c in answer["comparisons"]:
        area = shape(zones[c["zone"]]["polygons_m"]).buffer(0.002)
        assert all(area.covers(shape(g["polygons_m"])) for g in c["gaps"]), c["zone"]
    assert answer["cautions"]


if __name__ == "__main__":
    ANSWERS.mkdir(exist_ok=True)
    for request in REQUESTS:
        (ANSWERS / request.name).write_text(json.dumps(answer_to(request), indent=1, ensure_ascii=False) + "\n")

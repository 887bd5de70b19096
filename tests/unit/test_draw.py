"""The plan view: what must be on it, where, and that it can be read without colour."""

import itertools
import json
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import msgspec
import pytest

from sillcast.contract import (
    Area,
    Assessment,
    Circle,
    Comparison,
    ComputedBy,
    Coverage,
    Culprit,
    Door,
    Gap,
    SensorAnswer,
    SensorBase,
    Site,
    Traveller,
    Wire,
    Zone,
)
from sillcast.draw import plan_svg
from sillcast.draw.marks import _TILES, TRACE_LINE, number, text_width
from sillcast.draw.plan import MOST_TRACES
from sillcast.draw.sheet import SHEET_PX, Label, stacked

SVG = "{http://www.w3.org/2000/svg}"
EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "kettlewharf-dock-door.json"


class Drawn(Wire, frozen=True, kw_only=True):
    """The part of a request that a drawing reads."""

    door: Door
    site: Site = Site()
    traffic: tuple[Traveller, ...] = ()
    sensors: tuple[SensorBase, ...] = ()


def request(**changes: Any) -> Drawn:
    whole = json.loads(EXAMPLE.read_text())
    for sensor in whole["sensors"]:
        del sensor["device"]
    parts = {name: whole[name] for name in ("door", "site", "traffic", "sensors")}
    return msgspec.convert({**parts, **changes}, Drawn)


def square(x0: float, x1: float, y0: float, y1: float) -> list[Area]:
    return [[[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]]]


def zone(kind: str, side: str, label: str, polygons: list[Area]) -> Zone:
    return Zone(
        id=f"{kind}:{side}:{label}",
        kind=kind,
        side=side,
        label=label,
        body="reference_body_upright",
        angles_deg=[0.0, 90.0],
        states=[0.0],
        polygons_m=polygons,
        area_m2=1.0,
        weight=1.0,
        derivations=[],
    )


NEAR = zone("activation", "near", "fork truck, near side", square(-1.5, 1.5, -6.0, -0.5))
STRIP = zone("protection", "far", "far strip", square(-1.85, 1.85, 0.12, 0.75))
LANE = zone("exclusion", "near", "crossing lane", square(-4.0, 4.0, -5.0, -4.0))
SHADOW = Gap(
    area_m2=0.31,
    polygons_m=square(1.2, 1.5, -1.9, -1.5),
    largest_circle=Circle(x_m=1.35, y_m=-1.7, radius_m=0.15),
    culprits=[Culprit(cause="shadow", name="guard post", area_m2=0.3, sensor="near left")],
)


def comparison(of: Zone, verdict: str, share: float, gaps: list[Gap], reason: str = "") -> Comparison:
    return Comparison(
        zone=of.id,
        verdict=verdict,
        reason=reason,
        worst_state=0.0,
        share=share,
        shares=[],
        required_m2=10.0,
        blocked_m2=0.0,
        gaps=gaps,
        gap_m2=sum(gap.area_m2 for gap in gaps),
        width_reached_m=1.0,
        depth_reached_m=1.0,
        overspill_m2=1.25,
        margin_m=None,
        contributing=[],
    )


def answer(**changes: Any) -> Assessment:
    trace = Coverage(height_m=0.0, state=0.0, polygons_m=[], lines_m=[[(-2.0, -1.0), (2.0, -1.0)]])
    usual = Assessment(
        summary="2 of 3 zones are not met.",
        zones=[NEAR, STRIP, LANE],
        sensors=[
            SensorAnswer(
                name="near left",
                family="laser_scan",
                senses=["presence"],
                response_s=0.1,
                range_steps=[],
                bands=[],
                smallest=[],
                coverage=[trace],
                detection=[],
                counts=[],
                outlines=[],
                rays=[],
            )
        ],
        comparisons=[
            comparison(NEAR, "not_met", 0.9999, [SHADOW]),
            comparison(STRIP, "cannot_tell", 0.0, [], "the height of the far floor is missing"),
            comparison(LANE, "informative", 0.4, []),
        ],
        findings=[],
        proposals=[],
        proposals_note="",
        relaxations=[],
        aim_marks=[],
        site_checks=[],
        cautions=["A calculation does not replace the walk test."],
        derivations=[],
        overrides=[],
        computed_by=ComputedBy(core="0", families={}, rule_set="", back_end=""),
    )
    return msgspec.structs.replace(usual, **changes)


DETECTED = square(-2.3, 2.3, -7.0, -0.05)


def drawing(*, of: Drawn | None = None, found: Assessment | None = None, title: str = "") -> ET.Element:
    return ET.fromstring(plan_svg(of or request(), found or answer(), detected_m=DETECTED, title=title))


def words(sheet: ET.Element) -> list[str]:
    return [element.text or "" for element in sheet.iter(f"{SVG}text")]


def whole_text(sheet: ET.Element) -> str:
    return " ".join(words(sheet)).replace("\u00a0", " ")


def filled(sheet: ET.Element, fill: str) -> list[list[tuple[float, float]]]:
    """Corners of every path with this fill. [px]"""
    paths = [p.get("d", "") for p in sheet.iter(f"{SVG}path") if p.get("fill") == fill]
    return [[(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", d)] for d in paths]


def sensor_turns(sheet: ET.Element) -> list[float]:
    marks = [g for g in sheet.iter(f"{SVG}g") if g.find(f"{SVG}circle") is not None and g.get("transform")]
    return [float(re.search(r"rotate\(([-\d.]+)\)", g.get("transform", ""))[1]) for g in marks]  # type: ignore[index]


def test_stands_alone_without_scripts_or_outside_references() -> None:
    svg = plan_svg(request(), answer(), detected_m=DETECTED)
    sheet = ET.fromstring(svg)
    assert {element.tag.removeprefix(SVG) for element in sheet.iter()} <= {
        "svg", "title", "desc", "defs", "pattern", "clipPath", "rect", "circle", "path", "g", "text",
    }  # fmt: skip
    assert svg.replace("http://www.w3.org/2000/svg", "").count("http") == 0
    references = set(re.findall(r"url\(([^)]*)\)", svg))
    assert references == {f"#{name}" for name in ("detected", "gap", "wall", "obstacle", "window")}
    assert references == {f"#{e.get('id')}" for e in sheet.iter() if e.get("id")}
    assert sheet.get("font-family") == "sans-serif"


def test_says_what_it_is_to_those_who_cannot_see_it() -> None:
    sheet = drawing(title="Kettlewharf Cold Store, door 3")
    assert sheet.get("role") == "img"
    assert [e.tag for e in sheet][:2] == [f"{SVG}title", f"{SVG}desc"]
    assert sheet.findtext(f"{SVG}title") == "Kettlewharf Cold Store, door 3"
    assert "2 of 3 zones are not met." in str(sheet.findtext(f"{SVG}desc"))


def test_equal_input_gives_equal_text() -> None:
    first = plan_svg(request(), answer(), detected_m=DETECTED)
    assert plan_svg(request(), answer(), detected_m=DETECTED) == first


def test_near_side_is_at_the_bottom_and_left_is_left() -> None:
    sheet = drawing()
    (detected,), (gap,) = filled(sheet, "url(#detected)"), filled(sheet, "url(#gap)")
    left_wall, right_wall = filled(sheet, "url(#wall)")
    assert min(y for _, y in detected) > min(y for _, y in left_wall)
    assert (
        max(x for x, _ in left_wall) < min(x for x, _ in gap) < max(x for x, _ in gap) < min(x for x, _ in right_wall)
    )


def test_lengths_on_the_sheet_agree_with_the_scale_bar() -> None:
    sheet = drawing()
    bar = [r for r in sheet.iter(f"{SVG}rect") if r.get("height") == "6"]
    metres = next(float(w.removesuffix(" m")) for w in words(sheet) if re.fullmatch(r"[\d.]+ m", w))
    per_m = sum(float(r.get("width", "")) for r in bar) / metres
    (detected,) = filled(sheet, "url(#detected)")
    left_wall, right_wall = filled(sheet, "url(#wall)")
    # Rounding to 0.1 px shifts a length by up to 0.1 px; the bar's does so over its own length.
    slack = 0.1 + 0.1 * 6.95 / metres
    assert max(y for _, y in detected) - min(y for _, y in detected) == pytest.approx(6.95 * per_m, abs=slack)
    opening = min(x for x, _ in right_wall) - max(x for x, _ in left_wall)
    assert opening == pytest.approx(4.0 * per_m, abs=slack)
    assert "opening 4.00 m" in words(sheet)


@pytest.mark.parametrize(
    ("side", "yaw_deg", "looks_to"),
    [("near", 0.0, (0.0, -1.0)), ("far", 0.0, (0.0, 1.0)), ("near", 90.0, (1.0, 0.0)), ("far", 90.0, (-1.0, 0.0))],
)
def test_sensor_arrow_looks_outwards_turned_by_yaw(side: str, yaw_deg: float, looks_to: tuple[float, float]) -> None:
    mount = {"side": side, "position": {"x_m": 0.0, "y_m": 0.3, "z_m": 4.6}, "yaw_deg": yaw_deg}
    sheet = drawing(of=request(sensors=[{"name": "head", "purposes": ["activation"], "mount": mount}]))
    (turn,) = sensor_turns(sheet)
    # The mark is drawn pointing up the sheet, which is the far side (+y); SVG turns clockwise.
    seen = (math.sin(math.radians(turn)), math.cos(math.radians(turn)))
    assert seen == pytest.approx(looks_to, abs=1e-9)  # right angles are written without rounding


def test_names_everything_it_shows() -> None:
    told = whole_text(drawing())
    for expected in (
        "far side", "near side", "near left: laser scan, 4.60 m up", "guard post, 1.10 m high", "fork truck 2.0 m/s",
        "person 1.4 m/s", "activation: fork truck, near side", "protection: far strip", "exclusion: crossing lane",
        "in the shadow of", "body detected", "A calculation does not replace the walk test.", "grid 1 m",
    ):  # fmt: skip
        assert expected in told


def test_verdicts_are_words_and_never_round_up() -> None:
    told = whole_text(drawing())
    assert "NOT MET activation: fork truck, near side; 99.9 % covered; gap of 0.31 m²" in told
    assert "circle 0.15 m in radius at x 1.35, y -1.70 m" in told
    assert "CANNOT TELL protection: far strip; the height of the far floor is missing" in told
    assert "for information exclusion: crossing lane; 1.25 m² detected though unwanted" in told


def test_each_kind_of_zone_has_its_own_dash() -> None:
    sheet = drawing()
    lines = {
        p.get("stroke-dasharray")
        for p in sheet.iter(f"{SVG}path")
        if p.get("stroke") in ("#00533f", "#3c1361", "#4d4d4d")
    }
    assert lines == {"11 5", None, "2 4"}


def test_fills_differ_by_pattern_and_by_lightness() -> None:
    def lightness(colour: str) -> float:
        """Relative luminance of sRGB, WCAG 2.1 glossary; then CIE 1976 L*."""
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        y = 0.2126 * r + 0.7152 * g + 0.0722 * b
        return 116.0 * y ** (1 / 3) - 16.0

    looks = {}
    for name, (tile, ground, _, mark) in _TILES.items():
        ink = str(mark.get("stroke") or mark["fill"])
        looks[name] = (lightness(ground), lightness(ink), str(mark.get("d", "circle")), tile)
    for one, other in itertools.combinations(looks.values(), 2):
        assert one[2] != other[2]
        # 2.3 is the just noticeable difference of L*; ground or hatching is at least five of them apart.
        assert max(abs(one[0] - other[0]), abs(one[1] - other[1])) > 11.5


def test_text_is_never_smaller_than_a_reader_can_take() -> None:
    sizes = [float(e.get("font-size", "13")) for e in drawing().iter(f"{SVG}text")]
    assert min(sizes) >= 12.0


@pytest.mark.parametrize("title", ["<script>alert(1)</script>", "a & b \"c\" 'd'", "]]>", "<!-- x -->"])
def test_markup_in_names_stays_text(title: str) -> None:
    sheet = drawing(title=title)
    assert sheet.findtext(f"{SVG}title") == title
    assert words(sheet)[0] == title
    assert not list(sheet.iter(f"{SVG}script"))


def test_characters_that_xml_forbids_become_blanks() -> None:
    sheet = drawing(title="dock\x00\x1b\ud800door")
    assert sheet.findtext(f"{SVG}title") == "dock   door"


def test_huge_far_obstacle_does_not_shrink_the_plan() -> None:
    far = {"name": "silo", "ring_m": [[40, 40], [60, 40], [60, 60], [40, 60]], "top_m": 20.0}
    plain, with_silo = drawing(of=request(site={})), drawing(of=request(site={"obstacles": [far]}))
    assert filled(plain, "url(#detected)") == filled(with_silo, "url(#detected)")
    assert "silo" not in whole_text(with_silo)
    inside = next(g for g in with_silo.iter(f"{SVG}g") if g.get("clip-path"))
    assert len(filled(inside, "url(#obstacle)")) == 1


def test_without_zones_the_window_holds_what_is_detected() -> None:
    sheet = drawing(found=answer(zones=[], comparisons=[]))
    frame = next(r for r in sheet.iter(f"{SVG}rect") if r.get("fill") == "none")
    left, top, width, height = (float(frame.get(name, "")) for name in ("x", "y", "width", "height"))
    (detected,) = filled(sheet, "url(#detected)")
    assert all(left <= x <= left + width and top <= y <= top + height for x, y in detected)


def traced(count: int) -> ET.Element:
    """A drawing of a sensor with so many lines across the near side, 0.05 m from one to the next."""
    lines = [[(-2.0, -0.5 - 0.05 * i), (2.0, -0.5 - 0.05 * i)] for i in range(count)]
    (sensor,) = answer().sensors
    shown = msgspec.structs.replace(sensor.coverage[0], lines_m=lines)
    return drawing(found=answer(sensors=[msgspec.structs.replace(sensor, coverage=[shown])]))


def trace_heights(sheet: ET.Element) -> list[float]:
    """Places of the traces on the sheet, from the door outwards. [px]"""
    inside = next(g for g in sheet.iter(f"{SVG}g") if g.get("clip-path"))
    (path,) = [p.get("d", "") for p in inside.iter(f"{SVG}path") if p.get("stroke") == TRACE_LINE["stroke"]]
    return [float(y) for y in re.findall(r"M-?[\d.]+,(-?[\d.]+)", path)]


def test_of_a_cameras_many_rows_the_first_the_last_and_some_between_are_drawn_and_said_to_be_some() -> None:
    few, many = traced(MOST_TRACES), traced(120)
    assert len(trace_heights(few)) == MOST_TRACES
    assert "at most" not in whole_text(few)
    drawn, all_few = trace_heights(many), trace_heights(few)
    assert len(drawn) == MOST_TRACES
    assert f"at most {MOST_TRACES} drawn of each sensor" in whole_text(many)
    step = (all_few[-1] - all_few[0]) / (MOST_TRACES - 1)
    assert drawn[0] == all_few[0]
    assert drawn[-1] == pytest.approx(drawn[0] + 119 * step, abs=1.5)
    steps = [after - before for before, after in itertools.pairwise(drawn)]
    assert max(steps) - min(steps) < 1.5 * step


def test_no_word_of_the_legend_leaves_the_sheet() -> None:
    sheet = traced(120)
    for element in sheet.iter(f"{SVG}text"):
        if element.get("text-anchor", "start") == "start" and float(element.get("x", "")) >= 692.0:
            assert float(element.get("x", "")) + text_width(element.text or "") <= SHEET_PX + 1.0


def test_the_legend_explains_the_white_square_where_there_is_one() -> None:
    beam = {
        "name": "beam", "purposes": ["protection"],
        "mount": {"side": "near", "position": {"x_m": -1.0, "y_m": -0.2, "z_m": 0.3}},
        "counterpart": {"position": {"x_m": 1.0, "y_m": -0.2, "z_m": 0.3}},
    }  # fmt: skip
    words_of, squares = "beam to its receiver or reflector", []
    for sheet in (drawing(), drawing(of=request(sensors=[beam]))):
        squares.append([r for r in sheet.iter(f"{SVG}rect") if (r.get("width"), r.get("fill")) == ("8", "#ffffff")])
        assert (words_of in words(sheet)) == bool(squares[-1])
    assert [len(s) for s in squares] == [0, 2]
    (row,) = [e for e in sheet.iter(f"{SVG}text") if e.text == words_of]
    middle = float(squares[1][1].get("y", "")) + 4.0
    assert middle == pytest.approx(float(row.get("y", "")) - 4.0, abs=0.1)


def test_two_leaves_and_a_beam_are_drawn() -> None:
    phase = {"speed_m_per_s": 0.5}
    motion = {"kind": "sliding", "leaves": 2, "opens_to": "both", "opening": phase, "closing": phase}
    door = {"opening": {"width_m": 2.0, "height_m": 2.2}, "motion": motion}
    beam = {
        "name": "beam",
        "purposes": ["protection"],
        "mount": {"side": "near", "position": {"x_m": -1.0, "y_m": -0.2, "z_m": 0.3}},
        "counterpart": {"position": {"x_m": 1.0, "y_m": -0.2, "z_m": 0.3}},
    }
    sheet = drawing(of=request(door=door, sensors=[beam], site={}))
    assert "Plan: sliding door, opening 2.00 x 2.20 m" in words(sheet)
    dotted = [p for p in sheet.iter(f"{SVG}path") if p.get("stroke-dasharray") == "1 3"]
    joints = [p for p in sheet.iter(f"{SVG}path") if p.get("stroke") == "#000000" and p.get("stroke-width") == "2"]
    assert (len(dotted), len(joints)) == (2, 1)  # the beam on the plan and that of the legend


def test_telescopic_panels_are_drawn_where_they_stand() -> None:
    """Two panels half a metre apart, and what closes the gap between them."""
    phase = {"speed_m_per_s": 0.5}
    door = {"opening": {"width_m": 2.0, "height_m": 2.2}, "leaf": {"thickness_m": 0.1}}

    def leaf(pitch: float) -> list[list[tuple[float, float]]]:
        motion = {"kind": "sliding", "panels": 2, "panel_pitch_m": pitch, "opening": phase, "closing": phase}
        return filled(drawing(of=request(door=door | {"motion": motion}, sensors=[], site={})), "#000000")

    (level,), (staggered,) = leaf(0.0), leaf(0.5)
    assert (len(level), len(staggered)) == (4, 12)
    (left, right), (top, bottom) = ((min(p), max(p)) for p in zip(*staggered, strict=True))
    assert (bottom - top) / (right - left) == pytest.approx(0.6 / 2.0, rel=0.01)


def label(y: float, lines: int, words: str = "a", rank: int = 0) -> Label:
    return Label((300.0, y), (words,) * lines, rank)


@pytest.mark.parametrize("places", [(100, 100, 100), (0, 5, 10, 400), (395, 396, 400), (50,), ()])
def test_labels_keep_apart_and_inside_their_margin(places: tuple[float, ...]) -> None:
    laid = list(stacked([label(y, 2) for y in places], 0.0, 400.0))
    assert len(laid) == len(places)
    tops = [top for _, top in laid]
    assert all(b - a >= 40.0 for a, b in itertools.pairwise(tops))  # two lines of 16 px and 8 px between
    assert all(0.0 <= top <= 360.0 for top in tops)


def test_labels_without_neighbours_stay_at_their_place() -> None:
    assert [top for _, top in stacked([label(300.0, 2), label(100.0, 2)], 0.0, 400.0)] == [80.0, 280.0]


def test_least_wanted_labels_give_way() -> None:
    some = [label(10.0, 2, "last", 2), label(20.0, 2, "first", 0), label(30.0, 2, "second", 1)]
    assert [mark.lines[0] for mark, _ in stacked(some, 0.0, 80.0)] == ["first", "second"]


def test_labels_without_room_are_counted_and_sensors_keep_theirs() -> None:
    post = {"ring_m": [[-3, -3], [-2, -3], [-2, -2]], "top_m": 1.0}
    crowd = request(site={"obstacles": [{**post, "name": f"post {n}"} for n in range(60)]})
    told = whole_text(drawing(of=crowd))
    left_out = int(re.search(r"(\d+) more not named", told)[1])  # type: ignore[index]
    assert 0 < left_out == 60 - len(re.findall(r"post \d+, 1.00 m high", told))
    assert "near left: laser scan" in told


@pytest.mark.parametrize(
    ("value", "written"),
    [(0.0, "0"), (-0.04, "0"), (1.25, "1.2"), (-3.06, "-3.1"), (123456.78, "123456.8"), (10.0, "10")],
)
def test_numbers_are_short_and_have_no_negative_zero(value: float, written: str) -> None:
    assert number(value) == written

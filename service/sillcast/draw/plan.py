"""The plan view: door, surroundings, what is wanted, what is detected, what is missing.

Near side at the bottom of the sheet, far side at the top, as somebody on the near side sees the door. Labels stand in
the margins with leaders to their places, so that nothing on the plan is written over.
"""

import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from typing import Protocol

from sillcast import motion
from sillcast.contract import (
    Area,
    Assessment,
    Comparison,
    Culprit,
    Door,
    Gap,
    Obstacle,
    SensorBase,
    Site,
    Sliding,
    Swing,
    Traveller,
    Zone,
)
from sillcast.draw.marks import (
    BEAM_LINE,
    INK,
    LINE_PX,
    TRACE_LINE,
    Point,
    View,
    add,
    clean,
    counterpart_mark,
    fitted,
    pair,
    patterns,
    text,
    wrapped,
    zone_line,
)
from sillcast.draw.marks import number as rounded
from sillcast.draw.sheet import (
    BAND_PX,
    EDGE_PX,
    MARGIN_PX,
    PANEL_PX,
    SHEET_PX,
    Labels,
    Marks,
    bands,
    cautions,
    margins,
    tables,
)

__all__ = ["PlanRequest", "cause_words", "plan_svg"]

TALLEST_PX = 760.0
AROUND_M = 0.6
WIDEST_M = 80.0
MOST_GAP_LABELS = 5
MOST_TRACES = 12  # lines of a sensor
_OF_GAP, _OF_SENSOR, _OF_ZONE, _OF_OBSTACLE = range(4)  # which labels stay where there is no room for all

_CAUSES = {
    "shadow": "in the shadow of {name}",
    "range": "beyond the sensors' range",
    "field": "outside the sensors' fields",
    "leaf": "not told from the leaf there",
    "leaf_shadow": "behind the leaf",
    "muting": "muted there",
    "too_near": "farther out than it is found",
    "speed": "too slow along the line of sight",
    "planes": "between the areas seen",
    "ray_spacing": "too few rays",
    "aim": "no sensor is aimed there",
    "no_sensor": "no sensor serves it",
}


class PlanRequest(Protocol):
    """What the drawing needs of a decoded request."""

    @property
    def door(self) -> Door:
        """The door."""

    @property
    def site(self) -> Site:
        """Its surroundings."""

    @property
    def traffic(self) -> Sequence[Traveller]:
        """Who passes."""

    @property
    def sensors(self) -> Sequence[SensorBase]:
        """Sensors in the order of the request."""


def plan_svg(request: PlanRequest, answer: Assessment, *, detected_m: list[Area], title: str = "") -> str:
    """Plan view of an assessment as SVG text.

    Parameters
    ----------
    request : PlanRequest
        The decoded request: door, site, traffic, sensors.
    answer : Assessment
        What was found: zones, comparisons, traces, cautions.
    detected_m : list of polygons
        Area in which the body is detected: polygons > rings > points. [m]
    title : str
        Heading of the sheet; the kind and size of the door if empty.

    Returns
    -------
    svg : str
        Well-formed XML without scripts or outside references; equal input gives equal text.

    Notes
    -----
    One unit of the drawing is one CSS pixel; printed on A4 the least text is about 2.5 mm high.
    """
    view = _view(request, answer, detected_m)
    heading = title or f"Plan: {_door_words(request.door)}"
    sheet = _sheet(heading, answer)
    patterns(sheet, view)
    add(sheet, "rect", width="100%", height="100%", fill="#ffffff")
    text(sheet, (EDGE_PX, 32.0), fitted(heading, 21.0, SHEET_PX - 2 * EDGE_PX), size=21.0, weight="bold")
    for row, line in enumerate(wrapped(answer.summary, SHEET_PX - 2 * EDGE_PX, 2)):
        text(sheet, (EDGE_PX, 54.0 + row * LINE_PX), line)
    labels = Labels()
    _plan(sheet, view, request, answer, detected_m, labels)
    margins(sheet, view, labels)
    bands(sheet, view, request.traffic)
    marks = Marks(
        sorted({zone.kind for zone in answer.zones}),
        has_beams=any(sensor.counterpart is not None for sensor in request.sensors),
        most_traces=MOST_TRACES if any(len(lines) > MOST_TRACES for lines in _lowest_lines(answer)) else 0,
    )
    foot = tables(sheet, view.bottom + BAND_PX + 34.0, answer, marks)
    foot = cautions(sheet, foot + 14.0, answer.cautions) + EDGE_PX
    for name, value in (("viewBox", f"0 0 {pair(SHEET_PX, foot, ' ')}"), ("width", SHEET_PX), ("height", foot)):
        sheet.set(name, value if isinstance(value, str) else rounded(value))
    ET.indent(sheet, " ")
    return ET.tostring(sheet, encoding="unicode") + "\n"


def _sheet(heading: str, answer: Assessment) -> ET.Element:
    """The root, with what a screen reader says."""
    sheet = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "font-family": "sans-serif"})
    for name, value in (("font-size", "13"), ("fill", INK), ("stroke-linejoin", "round")):
        sheet.set(name, value)
    ET.SubElement(sheet, "title").text = clean(heading)
    ET.SubElement(sheet, "desc").text = clean(
        f"Plan view, near side at the bottom, far side at the top. {answer.summary} "
        "The verdict of each zone is listed under the plan."
    )
    return sheet


def _door_words(door: Door) -> str:
    kind = str(type(door.motion).__struct_config__.tag).replace("_", " ")
    return f"{kind} door, opening {door.opening.width_m:.2f} x {door.opening.height_m:.2f} m"


# ------------------------------------------------------------------ the part of the floor that is shown


def _view(request: PlanRequest, answer: Assessment, detected_m: list[Area]) -> View:
    """Opening, sensors, zones and some floor around them; where there are no zones, what is detected."""
    half, wall = request.door.opening.width_m / 2.0, request.door.wall
    points: list[Point] = [(-half - 0.4, wall.near_face_y_m - 1.0), (half + 0.4, wall.far_face_y_m + 1.0)]
    for sensor in request.sensors:
        ends = [sensor.mount.position, *([sensor.counterpart.position] if sensor.counterpart else [])]
        points += [(end.x_m, end.y_m) for end in ends]
    wanted = [area for zone in answer.zones for area in zone.polygons_m] or detected_m
    points += [point for area in wanted for ring in area for point in ring]
    x0, x1 = _span([x for x, _ in points])
    y0, y1 = _span([y for _, y in points])
    scale = min(PANEL_PX / (x1 - x0), TALLEST_PX / (y1 - y0))
    spare = (PANEL_PX / scale - (x1 - x0)) / 2.0
    return View(x0 - spare, x1 + spare, y0, y1, EDGE_PX + MARGIN_PX, 92.0 + BAND_PX, scale)


def _span(values: Sequence[float]) -> tuple[float, float]:
    middle = (min(values) + max(values)) / 2.0
    half = min(max(values) - middle + AROUND_M, WIDEST_M / 2.0)
    return middle - half, middle + half


# ------------------------------------------------------------------ the plan, from the floor up


def _plan(
    sheet: ET.Element, view: View, request: PlanRequest, answer: Assessment, detected_m: list[Area], labels: Labels
) -> None:
    """Everything inside the frame; fills in the labels on the way."""
    inside = add(sheet, "g", clip_path="url(#window)")
    _metre_grid(inside, view)
    add(inside, "path", d=view.outline(detected_m), fill="url(#detected)", stroke="#5f8496", stroke_width=0.8)
    _traces(inside, view, answer)
    _gaps(inside, view, answer.comparisons, labels)
    _walls(inside, view, request.door)
    _obstacles(inside, view, request.site.obstacles, labels)
    _zones(inside, view, answer.zones, labels)
    _sensors(inside, view, request.sensors, answer, labels)
    add(sheet, "rect", **view.frame, fill="none", stroke=INK)
    _opening_dimension(sheet, view, request.door)


def _metre_grid(inside: ET.Element, view: View) -> None:
    xs, ys = range(math.ceil(view.x0), math.floor(view.x1) + 1), range(math.ceil(view.y0), math.floor(view.y1) + 1)
    lines = [view.line((x, view.y0), (x, view.y1)) for x in xs] + [view.line((view.x0, y), (view.x1, y)) for y in ys]
    add(inside, "path", d=" ".join(lines), stroke="#e3e3e3", stroke_width=0.8, fill="none")


def _traces(inside: ET.Element, view: View, answer: Assessment) -> None:
    """Where scan planes and beams meet the lowest height of the answer, the leaf as far closed as the answer has it.

    Of the rows of a camera the first, the last and some between, so that the plan stays light.
    """
    for lines in _lowest_lines(answer):
        last, shown = len(lines) - 1, min(len(lines), MOST_TRACES)
        some = lines if len(lines) <= MOST_TRACES else [lines[round(i * last / (shown - 1))] for i in range(shown)]
        add(inside, "path", d=" ".join(view.line(*line) for line in some), fill="none", **TRACE_LINE)


def _lowest_lines(answer: Assessment) -> Iterator[list[list[Point]]]:
    """Traces at the lowest height, of each sensor that has some there."""
    for sensor in answer.sensors:
        lowest = min(sensor.coverage, key=lambda c: (c.height_m, c.state), default=None)
        lines = [line for line in lowest.lines_m if len(line) > 1] if lowest else []
        if lines:
            yield lines


def _gaps(inside: ET.Element, view: View, comparisons: Sequence[Comparison], labels: Labels) -> None:
    named: list[Point] = []
    found = [gap for c in comparisons if c.verdict != "informative" for gap in c.gaps]
    for gap in sorted(found, key=lambda gap: -gap.area_m2):
        add(inside, "path", d=view.outline(gap.polygons_m), fill="url(#gap)", stroke="#7a1500", stroke_width=1.8)
        centre = (gap.largest_circle.x_m, gap.largest_circle.y_m)
        if len(named) < MOST_GAP_LABELS and all(math.dist(centre, other) > 0.15 for other in named):
            named.append(centre)
            labels.add(_OF_GAP, view.at(*view.within(*centre)), _gap_words(gap), at_left=False, most_lines=4)


def _gap_words(gap: Gap) -> str:
    words = f"gap {gap.area_m2:.2f} m², circle of {gap.largest_circle.radius_m:.2f} m radius"
    if not gap.culprits:
        return words
    return f"{words}: {cause_words(gap.culprits[0])}"


def cause_words(culprit: Culprit) -> str:
    """Why a gap is there, in words."""
    return _CAUSES.get(culprit.cause, "{cause} {name}").format(cause=culprit.cause, name=culprit.name)


def _walls(inside: ET.Element, view: View, door: Door) -> None:
    """Wall on both sides of the opening, edges of the lintel overhead, closed leaf."""
    half, near, far = door.opening.width_m / 2.0, door.wall.near_face_y_m, door.wall.far_face_y_m
    for x0, x1 in ((-WIDEST_M, -half), (half, WIDEST_M)):
        add(inside, "path", d=view.outline([_box(x0, x1, near, far)]), fill="url(#wall)", stroke=INK, stroke_width=1.4)
    for face in (near, far):
        line = view.line((-half, face), (half, face))
        add(inside, "path", d=line, stroke=INK, stroke_width=0.9, stroke_dasharray="3 3")
    thick = max(door.leaf.thickness_m, 2.5 / view.scale) / 2.0
    add(inside, "path", d=view.outline([*_closed_leaf(door, view)]), fill="#000000")
    if isinstance(door.motion, Sliding | Swing) and door.motion.leaves == 2:
        add(inside, "path", d=view.line((0.0, -3 * thick), (0.0, 3 * thick)), stroke="#000000", stroke_width=2.0)


def _closed_leaf(door: Door, view: View) -> Iterator[Area]:
    """Outlines of the closed leaf, of panels in planes of their own one by one, no thinner than a line that is seen."""
    half, thick, line = door.opening.width_m / 2.0, door.leaf.thickness_m / 2.0, 1.25 / view.scale
    boxes = [(-half, half, -thick, thick)]
    if motion.rear_plane_m(door):
        plans = [panel.ring.T for panel in motion.leaf_prisms(door, 0.0)]
        boxes = [(float(x.min()), float(x.max()), float(y.min()), float(y.max())) for x, y in plans]
    for x0, x1, y0, y1 in boxes:
        middle = (y0 + y1) / 2.0
        yield _box(x0, x1, min(y0, middle - line), max(y1, middle + line))


def _obstacles(inside: ET.Element, view: View, obstacles: Sequence[Obstacle], labels: Labels) -> None:
    for obstacle in obstacles:
        hangs = obstacle.base_m > 0.0
        shape = add(inside, "path", d=view.outline([[list(obstacle.ring_m)]]), fill="url(#obstacle)", stroke="#000000")
        if hangs:
            shape.set("stroke-dasharray", "5 3")
        xs, ys = zip(*obstacle.ring_m, strict=True)
        if min(xs) > view.x1 or max(xs) < view.x0 or min(ys) > view.y1 or max(ys) < view.y0:
            continue
        place = view.within((min(xs) + max(xs)) / 2.0, (min(ys) + max(ys)) / 2.0)
        heights = f"{obstacle.base_m:.2f} to {obstacle.top_m:.2f} m" if hangs else f"{obstacle.top_m:.2f} m high"
        labels.add(_OF_OBSTACLE, view.at(*place), f"{obstacle.name}, {heights}", at_left=place[0] < 0.0)


def _zones(inside: ET.Element, view: View, zones: Sequence[Zone], labels: Labels) -> None:
    for zone in zones:
        add(inside, "path", d=view.outline(zone.polygons_m), fill="none", **zone_line(zone.kind))
        points = [point for area in zone.polygons_m for point in area[0]]
        if points:
            place = view.at(*view.within(*_handle(points, zone)))
            labels.add(_OF_ZONE, place, f"{zone.kind}: {zone.label}", at_left=True)


def _handle(points: Sequence[Point], zone: Zone) -> Point:
    """Where the leader of a zone ends: activation at the outer corner, the others amid the left edge."""
    left = min(x for x, _ in points)
    edge = [y for x, y in points if x - left < 0.005]
    if zone.kind == "activation":
        return left, max(edge, key=abs)
    return left, (min(edge) + max(edge)) / 2.0


def _sensors(inside: ET.Element, view: View, sensors: Sequence[SensorBase], answer: Assessment, labels: Labels) -> None:
    families = {sensor.name: sensor.family.replace("_", " ") + ", " for sensor in answer.sensors}
    for sensor in sensors:
        spot = sensor.mount.position
        if sensor.counterpart is not None:
            _beam(inside, view, sensor)
        turn = -sensor.mount.yaw_deg + (180.0 if sensor.mount.side == "near" else 0.0)
        place = f"translate({pair(*view.at(spot.x_m, spot.y_m), ' ')}) rotate({rounded(turn)})"
        mark = add(inside, "g", transform=place, stroke="#ffffff", fill="#000000")
        add(mark, "path", d="M-1.5 0 L-1.5 -17 L-5.5 -17 L0 -27 L5.5 -17 L1.5 -17 L1.5 0 Z")
        add(mark, "circle", r=6.0)
        words = f"{sensor.name}: {families.get(sensor.name, '')}{spot.z_m:.2f} m up"
        labels.add(_OF_SENSOR, view.at(spot.x_m, spot.y_m), words, at_left=spot.x_m < 0.0)


def _beam(inside: ET.Element, view: View, sensor: SensorBase) -> None:
    """Line to the receiver or reflector, and that as a white square."""
    assert sensor.counterpart is not None
    start, end = sensor.mount.position, sensor.counterpart.position
    line = view.line((start.x_m, start.y_m), (end.x_m, end.y_m))
    add(inside, "path", d=line, **BEAM_LINE)
    counterpart_mark(inside, view.at(end.x_m, end.y_m))


def _opening_dimension(sheet: ET.Element, view: View, door: Door) -> None:
    """Width between the jambs, over the far edge of the frame, with witness lines down to the wall."""
    half = door.opening.width_m / 2.0
    (x0, wall), (x1, _) = view.at(-half, door.wall.far_face_y_m), view.at(half, 0.0)
    line = view.top - 9.0
    for x in (x0, x1):
        add(sheet, "path", d=f"M{pair(x, wall - 3)} L{pair(x, line - 4)}", stroke="#6a6a6a", stroke_width=0.7)
        add(sheet, "path", d=f"M{pair(x - 4, line + 4)} L{pair(x + 4, line - 4)}", stroke=INK, stroke_width=1.6)
    add(sheet, "path", d=f"M{pair(x0, line)} L{pair(x1, line)}", stroke=INK, stroke_width=0.9)
    words = f"opening {door.opening.width_m:.2f} m"
    text(sheet, ((x0 + x1) / 2.0, line - 4.0), words, anchor="middle", weight="bold")


def _box(x0: float, x1: float, y0: float, y1: float) -> Area:
    return [[(x0, y0), (x1, y0), (x1, y1), (x0, y1)]]

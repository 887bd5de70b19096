"""Lines, texts and patterns of a drawing: the only place that knows how SVG writes them.

Whatever carries meaning differs by pattern or dash and by lightness, so that a print without colour says the same.
"""

import textwrap
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sillcast.contract import Area

__all__ = [
    "BEAM_LINE",
    "FILLS",
    "INK",
    "LEAF_LINE",
    "LINE_PX",
    "NO_BREAK",
    "TEXT_PX",
    "TRACE_LINE",
    "Point",
    "Style",
    "View",
    "add",
    "clean",
    "counterpart_mark",
    "fitted",
    "number",
    "pair",
    "patterns",
    "text",
    "text_width",
    "wrapped",
    "zone_line",
]

Point = tuple[float, float]
Style = dict[str, str | float]

TEXT_PX = 13.0
LINE_PX = 16.0
LETTER = 0.56  # mean width of a letter over the text size, on the wide side for a sans-serif face
INK = "#1a1a1a"
NO_BREAK = "\u00a0"

FILLS = {
    "detected": "body detected",
    "gap": "gap: wanted, not detected",
    "wall": "wall",
    "obstacle": "obstacle; dashed if it hangs",
}
TRACE_LINE: Style = {"stroke": "#48707f", "stroke_width": 0.8}
BEAM_LINE: Style = {"stroke": INK, "stroke_width": 1.6, "stroke_dasharray": "1 3"}
LEAF_LINE: Style = {"stroke": "#000000", "stroke_width": 4.0}
_ZONE_LINES: dict[str, Style] = {
    "activation": {"stroke": "#00533f", "stroke_width": 2.2, "stroke_dasharray": "11 5"},
    "protection": {"stroke": "#3c1361", "stroke_width": 2.6},
    "exclusion": {"stroke": "#4d4d4d", "stroke_width": 2.4, "stroke_dasharray": "2 4"},
}
_OTHER_ZONE: Style = {"stroke": INK, "stroke_width": 1.6, "stroke_dasharray": "8 3 2 3"}

_TILES: dict[str, tuple[float, str, str, Style]] = {
    "detected": (9.0, "#d3e6ee", "circle", {"cx": 4.5, "cy": 4.5, "r": 1.1, "fill": "#6f98ab"}),
    "gap": (8.0, "#fbdfca", "path", {"d": "M0 0 L8 8 M8 0 L0 8", "stroke": "#7a1500", "stroke_width": 1.3}),
    "wall": (7.0, "#e2e2e2", "path", {"d": "M-1 8 L8 -1 M-1 1 L1 -1 M6 8 L8 6", "stroke": "#5c5c5c"}),
    "obstacle": (5.0, "#9a9a9a", "path", {"d": "M0 2.5 L5 2.5", "stroke": "#3d3d3d", "stroke_width": 1.2}),
}


@dataclass(frozen=True)
class View:
    """Part of the floor that is shown [m], its place on the sheet [px] and the scale [px/m]."""

    x0: float
    x1: float
    y0: float
    y1: float
    left: float
    top: float
    scale: float

    def at(self, x_m: float, y_m: float) -> Point:
        """Place on the sheet of a place on the floor. [px]"""
        return self.left + (x_m - self.x0) * self.scale, self.top + (self.y1 - y_m) * self.scale

    @property
    def right(self) -> float:
        """Right border. [px]"""
        return self.at(self.x1, 0.0)[0]

    @property
    def bottom(self) -> float:
        """Lower border. [px]"""
        return self.at(0.0, self.y0)[1]

    @property
    def frame(self) -> Style:
        """Attributes of the rectangle around it. [px]"""
        return {"x": self.left, "y": self.top, "width": self.right - self.left, "height": self.bottom - self.top}

    def within(self, x_m: float, y_m: float) -> Point:
        """The nearest place inside the view. [m]"""
        return min(max(x_m, self.x0), self.x1), min(max(y_m, self.y0), self.y1)

    def line(self, *points: Point) -> str:
        """Path data of an open line through places on the floor."""
        return "M" + " L".join(pair(*self.at(*point)) for point in points)

    def outline(self, areas: Iterable[Area]) -> str:
        """Path data of polygons with holes."""
        return " ".join(self.line(*_unclosed(ring)) + " Z" for area in areas for ring in area)


def zone_line(kind: str) -> Style:
    """Line of a kind of zone; one of its own for kinds that are not known here."""
    return _ZONE_LINES.get(kind, _OTHER_ZONE)


def patterns(sheet: ET.Element, view: View) -> None:
    """Definitions: a pattern for each fill, and the window that cuts the plan."""
    defs = add(sheet, "defs")
    for name, (tile, ground, tag, mark) in _TILES.items():
        pattern = add(defs, "pattern", id=name, width=tile, height=tile, patternUnits="userSpaceOnUse")
        add(pattern, "rect", width=tile, height=tile, fill=ground)
        add(pattern, tag, **mark)
    add(add(defs, "clipPath", id="window"), "rect", **view.frame)


def add(parent: ET.Element, tag: str, **attributes: str | float) -> ET.Element:
    """A child; underscores of names become hyphens, numbers are rounded to 0.1."""
    values = {name: value if isinstance(value, str) else number(value) for name, value in attributes.items()}
    return ET.SubElement(parent, tag, {name.replace("_", "-"): value for name, value in values.items()})


def text(
    parent: ET.Element, at: Point, words: str, *, size: float = TEXT_PX, anchor: str = "start", weight: str = "normal"
) -> None:
    """One line of text, its baseline at a place on the sheet. [px]"""
    usual = {"font_size": TEXT_PX, "text_anchor": "start", "font_weight": "normal"}
    asked: Style = {"font_size": size, "text_anchor": anchor, "font_weight": weight}
    unusual = {name: value for name, value in asked.items() if value != usual[name]}
    add(parent, "text", x=at[0], y=at[1], **unusual).text = clean(words)


def counterpart_mark(parent: ET.Element, centre: Point) -> None:
    """The receiver or reflector of a beam: a white square."""
    x, y = centre
    add(parent, "rect", x=x - 4, y=y - 4, width=8.0, height=8.0, fill="#ffffff", stroke=INK)


def clean(words: str) -> str:
    """Text without control characters and the like, most of which XML 1.0 forbids (W3C recommendation, 2.2)."""
    return "".join(c if c.isprintable() or c == NO_BREAK else " " for c in words)


def wrapped(words: str, width_px: float, most_lines: int) -> list[str]:
    """Lines of the usual size that fit a width."""
    letters = max(int(width_px / (LETTER * TEXT_PX)), 8)
    return textwrap.wrap(clean(words), letters, max_lines=most_lines, placeholder=" …")


def fitted(words: str, size: float, width_px: float) -> str:
    """As much of a text as fits one line."""
    return textwrap.shorten(clean(words), max(int(width_px / (LETTER * size)), 8), placeholder=" …")


def text_width(words: str) -> float:
    """Width of a line of the usual size, about. [px]"""
    return len(words) * LETTER * TEXT_PX


def number(value: float) -> str:
    """Number to 0.1, without a trailing zero."""
    written = f"{round(float(value), 1) + 0.0:.1f}"
    return written.removesuffix(".0")


def pair(x: float, y: float, between: str = ",") -> str:
    """Two numbers."""
    return f"{number(x)}{between}{number(y)}"


def _unclosed(ring: Sequence[Point]) -> Sequence[Point]:
    return ring[:-1] if len(ring) > 1 and tuple(ring[0]) == tuple(ring[-1]) else ring

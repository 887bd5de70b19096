"""What stands around the plan: labels with leaders, names of the sides, scale, verdicts, meaning of the marks."""

import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from sillcast.contract import Assessment, Comparison, Traveller
from sillcast.draw.marks import (
    BEAM_LINE,
    FILLS,
    INK,
    LEAF_LINE,
    LINE_PX,
    NO_BREAK,
    TEXT_PX,
    TRACE_LINE,
    Point,
    Style,
    View,
    add,
    counterpart_mark,
    number,
    pair,
    text,
    text_width,
    wrapped,
    zone_line,
)

__all__ = [
    "BAND_PX",
    "EDGE_PX",
    "MARGIN_PX",
    "PANEL_PX",
    "SHEET_PX",
    "Label",
    "Labels",
    "Marks",
    "bands",
    "cautions",
    "margins",
    "stacked",
    "tables",
]

SHEET_PX = 1000.0  # an A4 sheet upright: 0.21 mm per px, so that the least text prints 2.5 mm high
EDGE_PX = 20.0
MARGIN_PX = 185.0
PANEL_PX = SHEET_PX - 2 * (EDGE_PX + MARGIN_PX)
BAND_PX = 34.0

VERDICT_WORDS = {"met": "met", "not_met": "NOT MET", "cannot_tell": "CANNOT TELL", "informative": "for information"}


@dataclass(frozen=True)
class Label:
    """Text in a margin with a leader to its place on the plan [px]; those of the least rank are the most wanted."""

    anchor: Point
    lines: tuple[str, ...]
    rank: int = 0

    @property
    def height(self) -> float:
        """Height with the distance to the next one. [px]"""
        return len(self.lines) * LINE_PX + 8.0


@dataclass
class Labels:
    """Labels of both margins."""

    left: list[Label] = field(default_factory=list)
    right: list[Label] = field(default_factory=list)

    def add(self, rank: int, anchor: Point, words: str, *, at_left: bool, most_lines: int = 3) -> None:
        """One more, wrapped to its margin."""
        lines = tuple(wrapped(words, MARGIN_PX - 14.0, most_lines))
        (self.left if at_left else self.right).append(Label(anchor, lines, rank))


def margins(sheet: ET.Element, view: View, labels: Labels) -> None:
    """Labels beside the frame, in the order of their places, none over another."""
    for chosen, edge, step in ((labels.left, view.left, -1.0), (labels.right, view.right, 1.0)):
        side = "end" if step < 0 else "start"
        laid = list(stacked(chosen, view.top - BAND_PX, view.bottom + BAND_PX))
        if len(laid) < len(chosen):
            place = (edge + 11 * step, view.bottom + BAND_PX + LINE_PX)
            text(sheet, place, f"{len(chosen) - len(laid)} more not named", anchor=side)
        for label, top in laid:
            middle = top + (label.height - 8.0) / 2.0
            points = ((edge + 8 * step, middle), (edge + 3 * step, middle), label.anchor)
            path = "M" + " L".join(pair(*point) for point in points)
            add(sheet, "path", d=path, fill="none", stroke="#ffffff", stroke_width=2.6, stroke_opacity=0.7)
            add(sheet, "path", d=path, fill="none", stroke=INK, stroke_width=0.8)
            add(sheet, "circle", cx=label.anchor[0], cy=label.anchor[1], r=2.4, stroke="#ffffff", stroke_width=0.6)
            for row, line in enumerate(label.lines):
                place = (edge + 11 * step, top + 12.0 + row * LINE_PX)
                text(sheet, place, line, anchor=side)


def stacked(labels: Sequence[Label], top: float, bottom: float) -> Iterator[tuple[Label, float]]:
    """Labels with their upper edges: touching ones are pooled and moved together, the rest stay at their places.

    Where there is no room for all, the least wanted are left out.
    """
    kept = sorted(labels, key=lambda label: label.rank)
    while sum(label.height for label in kept) > bottom - top:
        kept.pop()
    kept.sort(key=lambda label: (label.anchor[1], label.anchor[0], label.lines))
    blocks: list[list[Label]] = []
    for label in kept:
        blocks.append([label])
        while len(blocks) > 1 and _block_top(blocks[-2], top, bottom) + _height(blocks[-2]) > _block_top(
            blocks[-1], top, bottom
        ):
            last = blocks.pop()
            blocks[-1] += last
    for block in blocks:
        place = _block_top(block, top, bottom)
        for label in block:
            yield label, place
            place += label.height


def _height(block: Sequence[Label]) -> float:
    return sum(label.height for label in block)


def _block_top(block: Sequence[Label], top: float, bottom: float) -> float:
    """Upper edge of labels that touch each other: the least sum of squared distances to their places, within bounds."""
    wanted, above = [], 0.0
    for label in block:
        wanted.append(label.anchor[1] - label.height / 2.0 - above)
        above += label.height
    return min(max(sum(wanted) / len(wanted), top), bottom - above)


def bands(sheet: ET.Element, view: View, traffic: Sequence[Traveller]) -> None:
    """Names of the sides, traffic from each side, scale bar, pointer to the far side."""
    lower = view.bottom + 20.0
    text(sheet, (view.left + 2, view.top - 10), "far side", size=16.0, weight="bold")
    text(sheet, (view.left + 2, lower), "near side", size=16.0, weight="bold")
    _travellers(sheet, (view.left + 2, view.top - BAND_PX), [t for t in traffic if "far" in t.from_sides], turn_deg=180)
    _travellers(sheet, (view.left + 2, lower + 22), [t for t in traffic if "near" in t.from_sides], turn_deg=0)
    _scale_bar(sheet, view, lower)


def _travellers(sheet: ET.Element, start: Point, traffic: Sequence[Traveller], *, turn_deg: float) -> None:
    """Arrow, name and speed of each, in one row; what does not fit is an ellipsis."""
    x, y = start
    end = start[0] + PANEL_PX - 165.0
    for traveller in traffic:
        words = f"{traveller.name} {traveller.speed_m_per_s:.1f} m/s"
        width = 20.0 + text_width(words)
        if x + width > end:
            text(sheet, (x, y), "…")
            return
        turn = turn_deg - traveller.approach_deg + (90.0 if traveller.passes == "by" else 0.0)
        arrow = add(sheet, "g", transform=f"translate({pair(x + 6, y - 5, ' ')}) rotate({number(turn)})")
        add(arrow, "path", d="M0 -8 L5 0 L1.5 0 L1.5 8 L-1.5 8 L-1.5 0 L-5 0 Z", fill="#ffffff", stroke=INK)
        text(sheet, (x + 17.0, y), words)
        x += width + 10.0


def _scale_bar(sheet: ET.Element, view: View, y: float) -> None:
    """Bar of a round length in two halves, and the sheet's north."""
    length = next((s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0) if s * view.scale >= 70.0), 20.0)
    x1 = view.right - 84.0
    x0 = x1 - length * view.scale
    half = (x1 - x0) / 2.0
    for start, fill in ((x0, INK), (x0 + half, "#ffffff")):
        add(sheet, "rect", x=start, y=y - 10, width=half, height=6.0, fill=fill, stroke=INK)
    text(sheet, (x0 - 6, y - 2), "grid 1 m; 0", anchor="end")
    text(sheet, (x1 + 5, y - 2), f"{length:g} m")
    north = add(sheet, "g", transform=f"translate({pair(view.right - 14, y - 4, ' ')})")
    add(north, "path", d="M0 -12 L6 8 L0 4 L-6 8 Z", fill="#ffffff", stroke=INK, stroke_width=1.2)
    text(sheet, (view.right, y + 22), "up the sheet: far side", anchor="end")


@dataclass(frozen=True)
class Marks:
    """What the legend explains: kinds of zones, beams with two ends, how many traces of a sensor are drawn at most.

    `most_traces` is 0 where all of them are.
    """

    kinds: Sequence[str]
    has_beams: bool
    most_traces: int


def tables(sheet: ET.Element, top: float, answer: Assessment, marks: Marks) -> float:
    """Verdict of each zone at the left, meaning of the marks at the right; returns the lower edge. [px]"""
    lower = _verdicts(sheet, top, answer)
    return max(lower, _legend(sheet, (692.0, top), marks))


def _verdicts(sheet: ET.Element, top: float, answer: Assessment) -> float:
    labels = {zone.id: f"{zone.kind}: {zone.label}" for zone in answer.zones}
    text(sheet, (EDGE_PX, top + 14), "Zones", size=15.0, weight="bold")
    y = top + 16.0 + LINE_PX
    for comparison in answer.comparisons:
        words = VERDICT_WORDS.get(comparison.verdict, comparison.verdict)
        calm = comparison.verdict in ("met", "informative")
        _verdict_mark(sheet, (EDGE_PX + 6, y - 4.5), comparison.verdict)
        text(sheet, (EDGE_PX + 18, y), words, weight="normal" if calm else "bold")
        told = f"{labels.get(comparison.zone, comparison.zone)}; {_result_words(comparison)}"
        for line in wrapped(told, 530.0, 4):
            text(sheet, (EDGE_PX + 130, y), line)
            y += LINE_PX
        y += 3.0
    return y


def _verdict_mark(sheet: ET.Element, centre: Point, verdict: str) -> None:
    """Circle, triangle or square: the verdict without reading."""
    x, y = centre
    if verdict == "met":
        add(sheet, "circle", cx=x, cy=y, r=5.0, fill="#ffffff", stroke=INK, stroke_width=1.6)
    elif verdict == "not_met":
        add(sheet, "path", d=f"M{pair(x, y - 6)} L{pair(x + 6, y + 5)} L{pair(x - 6, y + 5)} Z", fill="#7a1500")
    elif verdict == "cannot_tell":
        add(sheet, "rect", x=x - 5, y=y - 5, width=10.0, height=10.0, fill="url(#obstacle)", stroke=INK)


def _result_words(comparison: Comparison) -> str:
    # Down to the lower tenth: 99.96 % is not 100 %.
    share = f"{math.floor(comparison.share * 1000.0 + 1e-9) / 10.0:g} % covered"
    if comparison.verdict == "informative":
        return f"{comparison.overspill_m2:.2f} m² detected though unwanted"
    if comparison.verdict == "cannot_tell":
        return comparison.reason
    if not comparison.gaps:
        return share
    worst = max(comparison.gaps, key=lambda gap: gap.largest_circle.radius_m).largest_circle
    many = f"{len(comparison.gaps)} gaps, " if len(comparison.gaps) > 1 else "gap of "
    place = f"x {worst.x_m:.2f}, y {worst.y_m:.2f} m".replace(" ", NO_BREAK)
    size = f"{worst.radius_m:.2f} m".replace(" ", NO_BREAK)
    return f"{share}; {many}{comparison.gap_m2:.2f} m²; largest circle {size} in radius at {place}"


def _legend(sheet: ET.Element, corner: Point, marks: Marks) -> float:
    x, top = corner
    text(sheet, (x, top + 14), "Marks", size=15.0, weight="bold")
    y = top + 16.0 + LINE_PX
    for name, words in FILLS.items():
        add(sheet, "rect", x=x, y=y - 10, width=34.0, height=12.0, fill=f"url(#{name})", stroke=INK, stroke_width=0.8)
        text(sheet, (x + 44, y), words)
        y += LINE_PX + 3.0
    lines: list[tuple[Style, str]] = [(zone_line(kind), f"{kind} zone") for kind in marks.kinds]
    lines.append((TRACE_LINE, "plane or beam, lowest height"))
    if marks.most_traces:
        lines.append(({}, f"at most {marks.most_traces} drawn of each sensor"))
    lines.append((LEAF_LINE, "leaf, closed"))
    if marks.has_beams:
        lines.append((BEAM_LINE, "beam to its receiver or reflector"))
    for style, words in lines:
        if style:
            add(sheet, "path", d=f"M{pair(x, y - 4)} L{pair(x + 34, y - 4)}", fill="none", **style)
        text(sheet, (x + 44, y), words)
        y += LINE_PX + 3.0
    if marks.has_beams:
        counterpart_mark(sheet, (x + 34, y - 23))
    add(sheet, "circle", cx=x + 17, cy=y - 4, r=5.0, fill="#000000")
    text(sheet, (x + 44, y), "sensor, arrow looking outwards")
    y += LINE_PX + 3.0
    text(sheet, (x, y), "x: right of the opening's middle")
    text(sheet, (x, y + LINE_PX), "y: from the closed leaf, far side positive")
    return y + 2 * LINE_PX


def cautions(sheet: ET.Element, top: float, words: Sequence[str]) -> float:
    """Cautions over the full width; returns the lower edge. [px]"""
    text(sheet, (EDGE_PX, top + 12), "Cautions", weight="bold")
    y = top + 12.0 + LINE_PX
    for caution in words:
        for line in wrapped(caution, SHEET_PX - 2 * EDGE_PX, 4):
            text(sheet, (EDGE_PX, y), line, size=TEXT_PX - 1.0)
            y += LINE_PX - 1.0
    return y

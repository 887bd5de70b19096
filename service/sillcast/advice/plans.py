"""Plans of one or more mounts: single ones, pairs that complement each other, both sides together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from sillcast.advice.candidates import Candidate
from sillcast.advice.places import BoolArray, OnGrid, ZoneScore
from sillcast.advice.standing import less_margin, of_comparisons, of_scores
from sillcast.contract import Comparison
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = ["Looked", "Merit", "Plan", "Planned", "merit_of", "merit_on_grid", "planned", "ranked", "unseeable_m2"]

PAIRS_MOST = 48  # best pairs of a side that are judged as plans
SIDE_PLANS = 12  # best plans of each side that are joined with those of the other

Bits = npt.NDArray[np.uint64]

# The standing of settings, and after the zones unmet the number of zones of which nothing is seen: a door that two
# sensors protect well and that nobody can open is worse than one that they protect less well. The margin is that of the
# zones that are met: where no mount meets all of them, what is met had better stand a mounting error.
Merit = tuple[int, ...]


def merit_on_grid(scores: Sequence[ZoneScore]) -> Merit:
    """What mounts are ranked by, smaller is better."""
    standing = of_scores(scores)
    around = [s.margin_m for s in scores if s.zone.kind != "exclusion" and s.gap_m2 == 0.0]
    return (*standing[:2], sum(s.is_blind for s in scores), *standing[2:-1], less_margin(around))


def merit_of(zones: Sequence[ZoneNeed], comparisons: Sequence[Comparison]) -> Merit:
    """As `merit_on_grid`, from exact regions."""
    standing = of_comparisons([z for z in zones if any(c.zone == z.id for c in comparisons)], comparisons)
    blind = sum(c.verdict != "informative" and c.share == 0.0 for c in comparisons)
    around = [c.margin_m or 0.0 for c in comparisons if c.verdict == "met"]
    return (*standing[:2], blind, *standing[2:-1], less_margin(around))


@dataclass(frozen=True, eq=False)
class Looked:
    """A single mount after the look on the grid; `place` makes the sensor, which few of those looked at need.

    `seen` are the cells that it sees by view and angle, `unseen` those that it does not by required zone and angle.
    """

    candidate: Candidate
    height_m: float  # above the floor below it
    place: Callable[[], Placed]
    seen: list[list[BoolArray]]
    unseen: Mapping[str, Sequence[BoolArray]]
    scores: tuple[ZoneScore, ...]

    @cached_property
    def merit(self) -> Merit:
        """What it is ranked by."""
        return merit_on_grid(self.scores)

    @cached_property
    def placed(self) -> Placed:
        """The sensor at its mount."""
        return self.place()

    @cached_property
    def order(self) -> tuple[Any, ...]:
        """What mounts are sorted by: merit, then what is easiest to mount."""
        return self.merit, self.height_m, self.candidate.order


@dataclass(frozen=True, eq=False)
class Plan:
    """One or more mounts together."""

    members: tuple[Looked, ...]
    scores: tuple[ZoneScore, ...]

    @cached_property
    def merit(self) -> Merit:
        """What it is ranked by."""
        return merit_on_grid(self.scores)

    @property
    def order(self) -> tuple[Any, ...]:
        """What plans are sorted by: merit, then what is easiest to mount."""
        return self.merit, self.effort

    @cached_property
    def effort(self) -> tuple[Any, ...]:
        """What decides between plans of equal merit: number, height, then the members' own order."""
        return len(self.members), self.height_m, sorted(m.candidate.order for m in self.members)

    @property
    def height_m(self) -> float:
        """Height of the highest mount above the floor. [m]"""
        return max(m.height_m for m in self.members)

    @property
    def kind(self) -> tuple[Any, ...]:
        """Devices, sides and places."""
        return tuple(sorted(m.candidate.group for m in self.members))


@dataclass(frozen=True, eq=False)
class Planned:
    """Plans, best first, and how many pairs were compared for them."""

    plans: list[Plan]
    pairs: int


def ranked(looked: Sequence[Looked]) -> list[Looked]:
    """Mounts, best first."""
    return sorted(looked, key=lambda m: m.order)


def planned(looked: Sequence[Looked], grid: OnGrid, *, sides: Sequence[str], per_side: int, apart_m: float) -> Planned:
    """Plans of mounts that were judged: every single one, the best pairs of each side, the best of both sides.

    Parameters
    ----------
    looked : sequence of Looked
        Single mounts.
    grid : OnGrid
        Grid on which they were judged.
    sides : sequence of str
        Sides on which sensors may be mounted.
    per_side : int
        Most sensors on one side. [1]
    apart_m : float
        Least distance between two sensors on one side. [m]
    """

    def plan(members: tuple[Looked, ...]) -> Plan:
        return Plan(members, tuple(grid.scores_of_seen([m.seen for m in members])))

    by_side, pairs = [], 0
    for side in sides:
        singles = ranked([m for m in looked if m.candidate.side == side])
        plans = [Plan((m,), m.scores) for m in singles]
        if per_side > 1:
            best, compared = _pairs(singles, grid, apart_m)
            plans += [plan(pair) for pair in best]
            pairs += compared
        by_side.append(sorted(plans, key=lambda p: p.order))
    found = [p for plans in by_side for p in plans]
    if len(by_side) == 2:
        one, other = (plans[:SIDE_PLANS] for plans in by_side)
        found += [plan((*a.members, *b.members)) for a, b in product(one, other)]
    return Planned(sorted(found, key=lambda p: p.order), pairs)


def _pairs(singles: Sequence[Looked], grid: OnGrid, apart_m: float) -> tuple[list[tuple[Looked, Looked]], int]:
    """The pairs that together leave least unseen, of all that are far enough apart; and how many those are.

    Every mount is tried with every other one, so that two of which neither is good alone are found as well.
    """
    if len(singles) < 2:
        return [], 0
    zones = {t.zone.id: (t.zone.kind, t.count) for v in grid.views for t in v.targets}
    unseen = _unseen(singles)
    bits, begins = _side_by_side(list(unseen.values()))
    at = np.array([m.candidate.position_m for m in singles])
    rows = []
    for first in range(len(singles) - 1):
        apart = np.linalg.norm(at[first + 1 :] - at[first], axis=1) >= apart_m - 1e-9
        others = first + 1 + np.flatnonzero(apart)
        if len(others):
            gaps = dict(zip(unseen, _common(bits, begins, first, others).T, strict=True))
            rows.append(np.column_stack([_order(gaps, zones, len(others)), np.full(len(others), first), others]))
    if not rows:
        return [], 0
    table = np.concatenate(rows)
    best = table[np.lexsort((table[:, 6], table[:, 5] + table[:, 6], *table[:, 4::-1].T))][:PAIRS_MOST]
    return [(singles[int(row[5])], singles[int(row[6])]) for row in best], len(table)


def _unseen(singles: Sequence[Looked]) -> dict[str, list[Bits]]:
    """Unseen cells of each zone as bits, for each angle: (mounts, words)."""
    return {
        zone: [_packed(np.array([one.unseen[zone][i] for one in singles])) for i in range(len(angles))]
        for zone, angles in singles[0].unseen.items()
    }


def _packed(cells: BoolArray) -> Bits:
    """Rows of cells as words of 64 bits, one at least, filled up with zeros."""
    whole = np.zeros((len(cells), max(1, -(-cells.shape[1] // 64)) * 64), dtype=np.bool_)
    whole[:, : cells.shape[1]] = cells
    return np.packbits(whole, axis=1).view(np.uint64)


def _side_by_side(zones: Sequence[Sequence[Bits]]) -> tuple[list[Bits], npt.NDArray[np.int64]]:
    """Bits of all zones in one row for each mount, for each angle, and where each zone begins.

    A zone with fewer angles than others has its last one again.
    """
    begins = np.cumsum([0, *(zone[0].shape[1] for zone in zones)])[:-1]
    angles = range(max(len(zone) for zone in zones))
    return [np.concatenate([zone[min(i, len(zone) - 1)] for zone in zones], axis=1) for i in angles], begins


def _common(
    bits: Sequence[Bits], begins: npt.NDArray[np.int64], one: int, others: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Cells of each zone that a mount and each of the others both leave unseen at some angle: (others, zones). [1]"""
    left = np.bitwise_or.reduce([angle[one] & angle[others] for angle in bits])
    return np.add.reduceat(np.bitwise_count(left), begins, axis=1, dtype=np.int64)


def _order(
    gaps: Mapping[str, npt.NDArray[np.int64]], zones: Mapping[str, tuple[str, int]], number: int
) -> npt.NDArray[np.int64]:
    """Zones for protection and for activation unmet, zones of which nothing is seen, unseen cells: (pairs, 5)."""
    found = np.zeros((number, 5), dtype=np.int64)
    for zone, gap in gaps.items():
        kind, count = zones[zone]
        column = 0 if kind == "protection" else 1
        found[:, column] += gap > 0
        found[:, 2] += (gap == count) & (count > 0)
        found[:, 3 + column] += gap
    return found


def unseeable_m2(looked: Sequence[Looked], grid: OnGrid) -> float:
    """Area of the required zones that none of these mounts sees, however they are combined. [m2]"""
    if not looked:
        return sum(z.region.area for z in grid.zones if z.kind != "exclusion")
    cell_m2 = {t.zone.id: v.grid.cell_m**2 for v in grid.views for t in v.targets}
    area = 0.0
    for zone, bits in _unseen(looked).items():
        by_none = np.bitwise_or.reduce([np.bitwise_and.reduce(angle, axis=0) for angle in bits])
        area += float(np.bitwise_count(by_none).sum()) * cell_m2[zone]
    return area

"""What is better: one order for settings and mounts, on the grid and with exact regions.

Fewest zones for protection unmet, then fewest for activation; then no area given up that is seen now; then least unseen
area, protection first; least weighted overspill; largest margin. A zone for protection that is met now and would be
lost counts a hundred times, so that nothing is traded for it. Giving up less than 0.05 m2 of a zone that stays unmet is
no loss. Areas count in steps of 0.01 m2 and margins in steps of 0.02 m up to 0.20 m, so that nobody climbs a ladder for
less, and equal results are decided by fewer and smaller changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from sillcast.advice.places import ZoneScore
from sillcast.contract import Comparison
from sillcast.needs import ZoneNeed

__all__ = [
    "AREA_STEP_M2",
    "LOST",
    "MARGIN_ENOUGH_M",
    "MARGIN_STEP_M",
    "Gaps",
    "Standing",
    "best_possible",
    "is_worth_it",
    "less_margin",
    "of_comparisons",
    "of_scores",
]

AREA_STEP_M2 = 0.01
LEAST_GAIN_STEPS = 5
SLIVER_M2 = AREA_STEP_M2 * LEAST_GAIN_STEPS
LOST = 100  # unmet zones that a lost one for protection counts for
MARGIN_STEP_M = 0.02
MARGIN_ENOUGH_M = 0.20  # a zone seen this far around stands a mounting error of 2 cm and 1 deg at 10 m

# Zones for protection and for activation unmet, area given up, unseen area of protection and of activation, overspill,
# less margin: smaller is better.
Standing = tuple[int, int, int, int, int, int, int]
Gaps = Mapping[str, float]


def of_scores(scores: Iterable[ZoneScore], now: Gaps | None = None) -> Standing:
    """Standing on the grid; `now` holds the unseen area of each zone as it is set now. [m2]"""
    return _standing(((s.zone, s.gap_m2 == 0.0, s.gap_m2, s.spill_m2, s.margin_m) for s in scores), now or {})


def of_comparisons(zones: Sequence[ZoneNeed], comparisons: Sequence[Comparison], now: Gaps | None = None) -> Standing:
    """Standing of an assessment; a zone that cannot be told counts as not met."""
    by_id: Mapping[str, Comparison] = {c.zone: c for c in comparisons}
    found = [(z, by_id[z.id]) for z in zones]
    return _standing(
        ((z, c.verdict == "met", c.gap_m2, c.overspill_m2, c.margin_m or 0.0) for z, c in found), now or {}
    )


def best_possible() -> Standing:
    """Standing that nothing can better."""
    return (0, 0, 0, 0, 0, 0, -_steps(MARGIN_ENOUGH_M, MARGIN_STEP_M))


def is_worth_it(before: Standing, after: Standing) -> bool:
    """True if it is worth a ladder: another zone met, 0.05 m2 gained, or margin at equal areas."""
    areas = [was - now for was, now in zip(before[3:6], after[3:6], strict=True)]
    return before[:2] != after[:2] or not any(areas) or max(areas) >= LEAST_GAIN_STEPS


def _standing(zones: Iterable[tuple[ZoneNeed, bool, float, float, float]], now: Gaps) -> Standing:
    unmet = {"protection": 0, "activation": 0}
    gaps = {"protection": 0.0, "activation": 0.0}
    given_up, spill, margin = 0.0, 0.0, MARGIN_ENOUGH_M
    for zone, met, gap, over, around in zones:
        if zone.kind == "exclusion":
            spill += zone.weight * over
            continue
        was = now.get(zone.id, gap)
        is_lost = zone.kind == "protection" and not met and now.get(zone.id) == 0.0
        unmet[zone.kind] += LOST if is_lost else not met
        gaps[zone.kind] += gap
        given_up += max(0.0, gap - was - SLIVER_M2)
        margin = min(margin, around)
    areas = (_steps(a, AREA_STEP_M2) for a in (given_up, gaps["protection"], gaps["activation"], spill))
    lost, protection, activation, over = areas
    return (unmet["protection"], unmet["activation"], lost, protection, activation, over, less_margin([margin]))


def less_margin(margins_m: Sequence[float]) -> int:
    """The least of some margins in steps, as far as more is better, negative: smaller is better; 0 of none. [1]"""
    return -int(min(MARGIN_ENOUGH_M, *margins_m) / MARGIN_STEP_M + 1e-9) if margins_m else 0


def _steps(value: float, step: float) -> int:
    return int(value / step + 0.5)

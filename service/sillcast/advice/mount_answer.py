"""The answer of a mount search: a varied short list, judged finely, the best assessed, each with its request."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from sillcast.advice.mounts import Bench, Looked, Plan, Searched, searched
from sillcast.advice.places import OnGrid, ZoneScore
from sillcast.advice.robust import mount_errors
from sillcast.advice.standing import Standing, of_comparisons, of_scores
from sillcast.advice.task import numbers, placed_again
from sillcast.contract import (
    Comparison,
    MountSearchAnswer,
    RankedMount,
    SearchReport,
    Sensitivity,
    ZoneNumbers,
)
from sillcast.findings import CAUTIONS
from sillcast.sensing import Placed

__all__ = ["ASSESSED_MOST", "mount_search"]

ASSESSED_MOST = 2  # best mounts that are assessed with exact regions
FINENESS = 8
ALIKE_MOST = 2  # mounts of the same devices at the same kinds of place on the list
SENSITIVE_DEG = 1.0
SENSITIVE_M = 0.05


@dataclass(frozen=True, eq=False)
class _Listed:
    """A plan on the short list: its request, its sensors, its numbers."""

    plan: Plan
    request: Any
    placed: tuple[Placed, ...]
    scores: tuple[ZoneScore, ...]
    standing: Standing
    comparisons: tuple[Comparison, ...] = ()

    @property
    def order(self) -> tuple[Any, ...]:
        """Exactly assessed standing where there is one."""
        return self.standing, *self.plan.order[1:]

    def numbers(self) -> dict[str, ZoneNumbers]:
        """Zones in numbers."""
        if self.comparisons:
            return {c.zone: numbers(c) for c in self.comparisons}
        return {s.zone.id: _on_grid(s) for s in self.scores}


def mount_search(bench: Bench) -> MountSearchAnswer:
    """Ranked mounts for a door.

    Raises
    ------
    UncomputableError
        Ranges that run backwards or are missing.
    BudgetError
        More candidates or work than one request may ask.
    FamilyError
        If a family raises.
    """
    found = searched(bench)
    fine = OnGrid(bench.site, bench.zones, fineness=FINENESS)
    centres = OnGrid(bench.site, bench.zones, fineness=FINENESS, certain=False)
    wanted = _varied(found.plans, bench.asked.limits.results)
    chosen = list({id(p): p for p in [*wanted, *found.pareto[: bench.asked.limits.results]]}.values())
    listed = sorted((_listed(bench, plan, fine) for plan in chosen), key=lambda one: one.order)
    listed = listed[: bench.asked.limits.results]
    best = sorted((_assessed(bench, one) for one in listed[:ASSESSED_MOST]), key=lambda one: one.order)
    listed = [*best, *listed[ASSESSED_MOST:]]
    pareto = {id(p) for p in found.pareto}
    ranked = [_ranked(bench, i + 1, one, id(one.plan) in pareto, centres) for i, one in enumerate(listed)]
    binding = _binding(listed[0]) if listed else ""
    return MountSearchAnswer(
        summary=_summary(ranked, binding),
        mounts=ranked,
        pareto=[m.rank for m in ranked if m.pareto],
        binding_zone=binding,
        search=_report(bench, found, len(best)),
        skipped=dict(sorted(found.skipped.items())),
        cautions=list(CAUTIONS),
    )


def _varied(plans: Sequence[Plan], most: int) -> list[Plan]:
    """The first plans, few of each combination of devices and kinds of place."""
    seen: dict[Any, int] = {}
    found = []
    for plan in plans:
        kind = tuple(sorted(m.candidate.group for m in plan.members))
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] <= ALIKE_MOST:
            found.append(plan)
    return found[:most]


def _listed(bench: Bench, plan: Plan, fine: OnGrid) -> _Listed:
    request = _request(bench, plan.members)
    placed = tuple(bench.place(s, i) for i, s in enumerate(request.sensors))
    scores = tuple(fine.scores(placed))
    return _Listed(plan, request, placed, scores, of_scores(scores))


def _request(bench: Bench, members: Sequence[Looked]) -> Any:
    """Full assessment request; muting that names other sensors is left out, since those are not there."""
    names = _names(bench, members)
    sensors = tuple(bench.sensor(m.candidate, n, m.mirrored) for m, n in zip(members, names, strict=True))
    muting = tuple(m for m in bench.request.door.muting if m.sensor in names)
    door = msgspec.structs.replace(bench.request.door, muting=muting)
    return msgspec.structs.replace(bench.request, door=door, sensors=sensors)


def _names(bench: Bench, members: Sequence[Looked]) -> list[str]:
    plain = [bench.asked.devices[m.candidate.key[0]].name for m in members]
    return [n if plain.count(n) == 1 else f"{n[:60]} {plain[: i + 1].count(n)}" for i, n in enumerate(plain)]


def _assessed(bench: Bench, one: _Listed) -> _Listed:
    comparisons = tuple(bench.evaluate(one.request))
    known = [z for z in bench.zones if any(c.zone == z.id for c in comparisons)]
    return _Listed(one.plan, one.request, one.placed, one.scores, of_comparisons(known, comparisons), comparisons)


def _on_grid(score: ZoneScore) -> ZoneNumbers:
    area = score.zone.region.area
    exclusion = score.zone.kind == "exclusion"
    share = 1.0 if area <= 0 else max(0.0, 1.0 - score.gap_m2 / area)
    met = score.gap_m2 == 0.0
    return ZoneNumbers(
        verdict="informative" if exclusion else "met" if met else "not_met",
        share=round(share, 4),
        gap_m2=round(score.gap_m2, 4),
        overspill_m2=round(score.spill_m2, 4),
        margin_m=round(score.margin_m, 3) if met and not exclusion else None,
    )


def _ranked(bench: Bench, rank: int, one: _Listed, pareto: bool, centres: OnGrid) -> RankedMount:
    zones = one.numbers()
    verdicts = [z.verdict for z in zones.values() if z.verdict != "informative"]
    margins = [z.margin_m for z in zones.values() if z.margin_m is not None]
    return RankedMount(
        rank=rank,
        sensors=[s.name for s in one.request.sensors],
        places=[f"{m.candidate.place}, {m.candidate.side} side" for m in one.plan.members],
        zones=zones,
        judged="exact" if one.comparisons else "grid",
        zones_met=verdicts.count("met"),
        covered_share=round(_covered(bench, zones), 4),
        overspill_m2=round(sum(z.overspill_m2 for z in zones.values()), 4),
        margin_m=min(margins) if margins and len(margins) == len(verdicts) else None,
        ladder_height_m=round(one.plan.height_m, 3),
        sensitivity=_sensitivity(one, centres),
        pareto=pareto,
        request=msgspec.to_builtins(one.request),
    )


def _covered(bench: Bench, zones: dict[str, ZoneNumbers]) -> float:
    """Seen share of all required zones, weighted by their areas. [1]"""
    areas = {z.id: z.region.area for z in bench.zones if z.kind != "exclusion" and z.id in zones}
    total = sum(areas.values())
    return sum(zones[i].share * a for i, a in areas.items()) / total if total > 0 else 1.0


def _sensitivity(one: _Listed, centres: OnGrid) -> Sensitivity:
    """Greatest loss of the share of any zone by 1 deg and by 5 cm, each error of each mount on its own."""
    now = _shares(centres.scores(one.placed))
    worst = {"deg": (0.0, ""), "m": (0.0, "")}
    for sensor in one.placed:
        errors = mount_errors(one.request, sensor.index, angle_deg=SENSITIVE_DEG, place_m=SENSITIVE_M)
        for words, wrong in errors:
            moved = placed_again(wrong, sensor)
            off = _shares(centres.scores([moved if s is sensor else s for s in one.placed]))
            lost = max((share - off[zone] for zone, share in now.items()), default=0.0)
            unit = "deg" if words.endswith(" deg") else "m"
            if lost > worst[unit][0] + 1e-9:
                worst[unit] = (lost, words)
    return Sensitivity(
        share_per_1_deg=round(worst["deg"][0], 4),
        share_per_5_cm=round(worst["m"][0], 4),
        worst=max(worst.values())[1],
    )


def _shares(scores: Sequence[ZoneScore]) -> dict[str, float]:
    wanted = [s for s in scores if s.zone.kind != "exclusion" and s.zone.region.area > 0]
    return {s.zone.id: 1.0 - s.gap_m2 / s.zone.region.area for s in wanted}


def _binding(one: _Listed) -> str:
    kinds = {s.zone.id: s.zone.kind for s in one.scores}
    unmet = [(kinds.get(i) == "protection", n.gap_m2, i) for i, n in one.numbers().items() if n.verdict == "not_met"]
    return max(unmet)[2] if unmet else ""


def _summary(ranked: Sequence[RankedMount], binding: str) -> str:
    if not ranked:
        return "No place of those allowed can bear a sensor."
    best = ranked[0]
    where = "; ".join(f"{s}: {p}" for s, p in zip(best.sensors, best.places, strict=True))
    if binding:
        return f"No mount of those tried meets every zone; {binding} binds. The best is {where}."
    return f"{where} meets every zone, {'assessed exactly' if best.judged == 'exact' else 'judged on a grid'}."


def _report(bench: Bench, found: Searched, assessed: int) -> SearchReport:
    all_judged = found.judged >= found.looked_at
    note = (
        f"{found.looked_at} mounts were looked at, {found.judged} of them judged on a grid"
        f"{'' if all_judged else ': the most promising of every place and tilt, and neighbours of the best'}; "
        f"plans of several sensors are made of the best single ones. Fields and other settings were left as given."
    )
    return SearchReport(
        tried=found.judged,
        assessed=assessed,
        candidates=float(found.candidates),
        budget=bench.asked.limits.candidates,
        cell_m=round(found.grid.cell_m, 4),
        stopped="all_tried" if all_judged else "budget",
        optimal=all_judged and bench.asked.sensors_per_side == 1 and len(bench.asked.sides) == 1,
        note=note,
        ranges=[],
        rejected=[],
    )

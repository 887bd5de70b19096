"""What to set: search, proof by assessing the changed request, proposals in words and numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from sillcast.advice.pointers import patch_step, value_at
from sillcast.advice.relax import relaxations
from sillcast.advice.robust import Robust, robust
from sillcast.advice.settings import Setting, narrowed, settings_of
from sillcast.advice.solver import Candidate, Found, search
from sillcast.advice.standing import Gaps, Standing, best_possible, is_worth_it, of_comparisons, of_scores
from sillcast.advice.task import Task, is_fast, is_same, numbers, placed_again
from sillcast.contract import (
    Comparison,
    Effect,
    PatchStep,
    Proposal,
    RejectedSetting,
    Relaxation,
    SearchRange,
    SearchReport,
)
from sillcast.sensing import Placed

__all__ = ["Advised", "advise", "advised"]

_REJECTED_MOST = 5
_ORDER = (
    "fewest zones unmet (protection first), nothing seen now given up, least unseen area, least weighted overspill, "
    "largest margin; then fewest and smallest changes"
)


@dataclass(frozen=True, eq=False)
class Advised:
    """Advice for one request: proposals, or what binds and what would have to give way."""

    proposals: list[Proposal]
    note: str
    search: SearchReport
    relaxations: list[Relaxation]


@dataclass
class _Judge:
    """Candidates turned into requests and judged on a grid; a sensor that stays is placed once."""

    task: Task
    settings: Sequence[Setting]
    placed: dict[tuple[int, tuple[int, ...]], Placed] = field(default_factory=dict)

    def request(self, candidate: Candidate) -> Any:
        """The request with the candidate's values written into it."""
        changed = self.task.request
        for setting, place in zip(self.settings, candidate, strict=True):
            if place != setting.variable.now:
                changed = setting.write(changed, setting.variable.values[place])
        return changed

    def sensors(self, candidate: Candidate) -> list[Placed]:
        """All sensors, those of the candidate placed again."""
        changed = self.request(candidate)
        found = []
        for sensor in self.task.placed:
            own = tuple(p for s, p in zip(self.settings, candidate, strict=True) if s.sensor == sensor.index)
            key = (sensor.index, own)
            if key not in self.placed:
                same = value_at(changed, sensor.pointer) == value_at(self.task.request, sensor.pointer)
                again = sensor if same else placed_again(changed, sensor)
                self.placed[key] = sensor if is_same(again, sensor) else again
            found.append(self.placed[key])
        return found

    def coarse(self, candidate: Candidate) -> Standing:
        """Standing on the grid to search on."""
        return of_scores(self.task.coarse.scores(self.sensors(candidate)), self.coarse_now)

    def fine(self, candidate: Candidate) -> Standing:
        """Standing on the grid to choose on."""
        return of_scores(self.task.fine.scores(self.sensors(candidate)), self.fine_now)

    def hopeful(self, candidate: Candidate) -> Standing:
        """Standing at the centres of the fine grid's cells, without reserve."""
        return of_scores(self.task.centres.scores(self.sensors(candidate)), self.fine_now)

    @cached_property
    def coarse_now(self) -> Gaps:
        """Unseen area of each zone as it is set now, on the grid to search on. [m2]"""
        return {s.zone.id: s.gap_m2 for s in self.task.coarse.scores(self.task.placed)}

    @cached_property
    def fine_now(self) -> Gaps:
        """Unseen area of each zone as it is set now, on the grid to choose on. [m2]"""
        return {s.zone.id: s.gap_m2 for s in self.task.fine.scores(self.task.placed)}


@dataclass
class _Proof:
    """Candidates assessed with exact regions; what failed is kept to be reported."""

    best: Candidate
    standing: Standing
    comparisons: Sequence[Comparison]
    assessed: int = 0
    failed: list[tuple[Candidate, Standing]] = field(default_factory=list)


def advise(task: Task, *, robustness: bool = False) -> Advised:
    """Settings that make the result better, each proven by assessing the changed request.

    Parameters
    ----------
    task : Task
        A request that was assessed.
    robustness : bool
        Assess what is proposed again at mounting errors.

    Raises
    ------
    FamilyError
        If a family raises.
    """
    settings = [narrowed(s, task.ranges) for s in settings_of(task.request, task.placed, task.zones)]
    now = of_comparisons(task.zones, task.comparisons)
    judge = _Judge(task, settings)
    budget = task.budget.tried if all(is_fast(s) for s in task.placed) else task.budget.tried_slow
    nothing = now == best_possible() or not task.zones
    found = _searched(judge, settings, 1 if nothing else budget)
    if nothing:
        found = replace(found, stopped="nothing_to_gain")
    proof = _Proof(found.now, now, task.comparisons)
    if not nothing:
        _prove(judge, found, proof)
    if not is_worth_it(now, proof.standing):
        proof.best, proof.standing, proof.comparisons = found.now, now, task.comparisons
    proposals = _proposals(judge, found, proof, robustness) if proof.best != found.now else []
    relaxed = relaxations(replace(task, request=judge.request(proof.best), placed=judge.sensors(proof.best),
                                  comparisons=proof.comparisons, grids={}))  # fmt: skip
    report = _report(task, settings, found, proof, budget)
    return Advised(proposals, _note(task, proof, proposals, relaxed), report, relaxed)


def advised(task: Task, *, wanted: bool, robustness: bool) -> dict[str, Any]:
    """Advice as the parts of an assessment that carry it; only a note where it is not wanted."""
    if not wanted:
        note = "No settings were searched for; the findings carry the remedies."
        return {"proposals": [], "proposals_note": note, "search": None, "relaxations": []}
    found = advise(task, robustness=robustness)
    return {
        "proposals": found.proposals,
        "proposals_note": found.note,
        "search": found.search,
        "relaxations": found.relaxations,
    }


def _searched(judge: _Judge, settings: Sequence[Setting], budget: int) -> Found:
    return search([s.variable for s in settings], judge.coarse, budget=budget, stop_when_best=False)


def _prove(judge: _Judge, found: Found, proof: _Proof) -> None:
    """Judge the best of the grid again on fine ones, trim what adds nothing, assess the first few.

    The grid that counts whole cells asks for a reserve, the one that counts centres for none: the best of each in turn.
    """
    task = judge.task
    kept = found.ranked()[: task.budget.kept_of_all if found.optimal else task.budget.kept]
    fine = Found(found.variables, {c: judge.fine(c) for c in dict.fromkeys([found.now, *kept])}, "", 0.0)
    hopeful = replace(fine, standings={c: judge.hopeful(c) for c in fine.standings})
    for candidate in (c for pair in zip(fine.ranked(), hopeful.ranked(), strict=True) for c in pair):
        # Where all was tried, a candidate with less change is among the others already.
        trimmed = candidate if found.optimal else _trimmed(judge, fine, candidate)
        if proof.assessed >= task.budget.assessed or (trimmed == found.now and proof.standing[:2] == (0, 0)):
            break
        if trimmed in (found.now, proof.best, *(c for c, _ in proof.failed)):
            continue
        comparisons = task.assessed(judge.request(trimmed))
        proof.assessed += 1
        if comparisons is None:
            continue
        standing = of_comparisons(task.zones, comparisons, {c.zone: c.gap_m2 for c in task.comparisons})
        if standing < proof.standing:
            if proof.best != found.now:
                proof.failed.append((proof.best, proof.standing))
            proof.best, proof.standing, proof.comparisons = trimmed, standing, comparisons
        else:
            proof.failed.append((trimmed, standing))


def _trimmed(judge: _Judge, fine: Found, candidate: Candidate) -> Candidate:
    """The candidate without the changes that do not make it better, last settings first."""
    for i in reversed(range(len(candidate))):
        back = (*candidate[:i], fine.now[i], *candidate[i + 1 :])
        if back == candidate:
            continue
        if back not in fine.standings:
            fine.standings[back] = judge.fine(back)
        if fine.standings[back] <= fine.standings[candidate]:
            candidate = back
    return candidate


# ---------------------------------------------------------------------- words and numbers


def _proposals(judge: _Judge, found: Found, proof: _Proof, robustness: bool) -> list[Proposal]:
    task, changed = judge.task, judge.request(proof.best)
    moved = [s for s, p in zip(judge.settings, proof.best, strict=True) if p != s.variable.now]
    tested = robust(task, changed, proof.comparisons) if robustness else Robust(None, "")
    patch = _patch(task.request, changed, moved)
    effects = _effects(task.comparisons, proof.comparisons)
    binding = _binding(task, proof.comparisons)
    count = f"best of {len(found.standings)} candidates by: {_ORDER}; proven with exact regions"
    return [
        Proposal(
            sensor=changed.sensors[s.sensor].name,
            setting=s.variable.pointer,
            label=s.label,
            unit=s.unit,
            current=s.current,
            proposed=s.shown(changed),
            least=s.least,
            most=s.most,
            step=s.step,
            reason=_reason(task.comparisons, proof.comparisons),
            together=[o.variable.pointer for o in moved if o is not s],
            effects=effects,
            binding_zone=binding,
            derivation=count,
            robust=tested.holds,
            failing_case=tested.failing_case,
            patch=patch,
        )
        for s in moved
    ]


def _patch(request: Any, changed: Any, moved: Sequence[Setting]) -> list[PatchStep]:
    touched = dict.fromkeys(s.touches for s in moved)
    whole = [t for t in touched if not any(t != o and t.startswith(f"{o}/") for o in touched)]
    return [patch_step(request, pointer, value_at(changed, pointer)) for pointer in whole]


def _effects(before: Sequence[Comparison], after: Sequence[Comparison]) -> list[Effect]:
    later = {c.zone: c for c in after}
    return [Effect(zone=c.zone, before=numbers(c), after=numbers(later[c.zone])) for c in before if c.zone in later]


def _reason(before: Sequence[Comparison], after: Sequence[Comparison]) -> str:
    """What gets better, the most important first."""
    later = {c.zone: c for c in after}
    pairs = [(c, later[c.zone]) for c in before if c.zone in later]
    now_met = [a.zone for b, a in pairs if b.verdict != "met" and a.verdict == "met"]
    if now_met:
        return f"Then {', '.join(now_met)} {'is' if len(now_met) == 1 else 'are'} met."
    gaps = sum(b.gap_m2 for b, _ in pairs), sum(a.gap_m2 for _, a in pairs)
    if gaps[1] < gaps[0]:
        return f"Then {gaps[1]:.2f} m2 stay unseen instead of {gaps[0]:.2f} m2."
    spill = sum(b.overspill_m2 for b, _ in pairs), sum(a.overspill_m2 for _, a in pairs)
    if spill[1] < spill[0]:
        return f"Then {spill[1]:.2f} m2 are detected though unwanted instead of {spill[0]:.2f} m2."
    first, then = (_margin(side) for side in (before, after))
    return f"Then the zones are met with a margin of {then:.2f} m instead of {first:.2f} m."


def _margin(comparisons: Sequence[Comparison]) -> float:
    return min((c.margin_m for c in comparisons if c.margin_m is not None), default=0.0)


def _binding(task: Task, comparisons: Sequence[Comparison]) -> str:
    """Zone that stays unmet with the largest unseen area, protection first; empty if all are met."""
    kinds = {z.id: z.kind for z in task.zones}
    unmet = [c for c in comparisons if c.verdict in ("not_met", "cannot_tell")]
    return max(unmet, key=lambda c: (kinds.get(c.zone) == "protection", c.gap_m2)).zone if unmet else ""


def _note(task: Task, proof: _Proof, proposals: Sequence[Proposal], relaxed: Sequence[Relaxation]) -> str:
    binding = _binding(task, proof.comparisons)
    if not task.placed:
        start = "There is no sensor to set."
    elif proposals:
        start = "Change the proposed settings together, then walk the zones."
    elif binding:
        start = "No better setting was found within the ranges."
    else:
        start = "All zones are met; no better setting was found."
    if not binding:
        return start
    way = " ".join(r.text for r in relaxed) or "None of the relaxations that were tried makes it met."
    label = next(z.label for z in task.zones if z.id == binding)
    return f"{start} The zone '{label}' stays unmet. {way}"


def _report(task: Task, settings: Sequence[Setting], found: Found, proof: _Proof, budget: int) -> SearchReport:
    note = {
        "all_tried": "All combinations were tried on the grid.",
        "nothing_to_gain": "What is set now cannot be bettered by this order.",
        "nothing_tunable": "The families of these sensors declare no setting to search.",
        "no_single_change_helps": "No single step of a setting, nor of an array of settings, makes it better; "
        "combinations of several were not tried, so a better one may exist.",
        "budget": "The search used up its candidates; a better one may exist.",
    }[found.stopped]
    return SearchReport(
        tried=len(found.standings),
        assessed=proof.assessed,
        candidates=found.candidates,
        budget=budget,
        cell_m=round(task.fine.cell_m, 4),
        stopped=found.stopped,
        optimal=found.optimal,
        note=note,
        ranges=[
            SearchRange(
                setting=s.variable.pointer, unit=s.unit, least=s.least, most=s.most, step=s.step, current=s.current
            )
            for s in settings
        ],
        rejected=_rejected(settings, found, proof),
    )


def _rejected(settings: Sequence[Setting], found: Found, proof: _Proof) -> list[RejectedSetting]:
    """What the grid ranked higher than what was proposed, and neighbours that win on a later count alone."""

    def values(candidate: Candidate) -> Mapping[str, float]:
        moved = zip(settings, candidate, strict=True)
        return {s.variable.pointer: s.variable.values[p] for s, p in moved if p != s.variable.now}

    said = [
        RejectedSetting(settings=dict(values(c)), reason=f"Exact regions: {_lost(standing, proof.standing)}.")
        for c, standing in proof.failed
    ]
    best = found.standings.get(proof.best)
    for candidate in _beside(proof.best, found):
        standing = found.standings[candidate]
        if best is not None and standing > best and any(a < b for a, b in zip(standing, best, strict=True)):
            why = f"{_won(standing, best)}, but {_lost(standing, best)}."
            said.append(RejectedSetting(settings=dict(values(candidate)), reason=why))
    return said[:_REJECTED_MOST]


def _beside(best: Candidate, found: Found) -> list[Candidate]:
    """Tried candidates that differ in one setting."""
    return [c for c in found.ranked() if sum(a != b for a, b in zip(c, best, strict=True)) == 1]


_COUNTS = (
    ("zones for protection unmet", 1.0, ""),
    ("zones for activation unmet", 1.0, ""),
    ("area given up", 0.01, " m2"),
    ("unseen area of protection", 0.01, " m2"),
    ("unseen area of activation", 0.01, " m2"),
    ("overspill", 0.01, " m2"),
    ("margin", -0.02, " m"),
)


def _won(standing: Standing, best: Standing) -> str:
    return _first(standing, best, better=True)


def _lost(standing: Standing, best: Standing) -> str:
    return _first(standing, best, better=False)


def _first(standing: Standing, best: Standing, *, better: bool) -> str:
    """The first count in which a standing is better (or worse) than the best."""
    for (name, step, unit), mine, other in zip(_COUNTS, standing, best, strict=True):
        if (mine < other) if better else (mine > other):
            return f"{name} {mine * step:.3g}{unit} instead of {other * step:.3g}{unit}"
    return "equal in all counts, with more change"

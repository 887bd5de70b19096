"""What to set: search, proof by assessing the changed request, proposals in words and numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from sillcast.advice.note import binding_zone, note
from sillcast.advice.places import OnGrid, ZoneScore
from sillcast.advice.pointers import patch_step, value_at
from sillcast.advice.reach import Reach, reach_of
from sillcast.advice.relax import relaxations
from sillcast.advice.robust import Robust, robust
from sillcast.advice.settings import Setting, narrowed, settings_of
from sillcast.advice.solver import PATIENCE, Candidate, Found, combinations, search
from sillcast.advice.standing import (
    LOST,
    SLIVER_M2,
    Gaps,
    Standing,
    best_possible,
    is_worth_it,
    of_comparisons,
    of_scores,
)
from sillcast.advice.task import Task, is_fast, is_same, numbers, placed_again
from sillcast.advice.words import joined
from sillcast.contract import (
    Comparison,
    Effect,
    Finding,
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
CLEAR_STEPS = 20  # of 0.01 m2, by which a grid shows a change to be needed: its areas are seldom that far off
_ORDER = (
    "1. fewest zones for protection unmet, none of those met now given up; 2. fewest zones for activation unmet; "
    "3. least area given up that is seen now, beyond 0.05 m2 of a zone; 4. least unseen area of protection, "
    "5. of activation; 6. least weighted overspill; 7. of what is assessed, what is met is met for a body a fifth less "
    "deep as well; 8. largest margin, up to 0.20 m; 9. fewest, then smallest changes"
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
    """Candidates turned into requests and judged on a grid; a sensor that stays is placed once.

    Zones that no setting can serve are `hidden`: they count, but are not looked at again.
    """

    task: Task
    settings: Sequence[Setting]
    hidden: Sequence[ZoneScore] = ()
    placed: dict[tuple[int, tuple[int, ...]], Placed] = field(default_factory=dict)
    reserves: dict[Candidate, Standing] = field(default_factory=dict)

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
        return of_scores([*self.task.coarse.scores(self.sensors(candidate)), *self.hidden], self.coarse_now)

    def fine(self, candidate: Candidate) -> Standing:
        """Standing on the grid to choose on."""
        return of_scores([*self.task.fine.scores(self.sensors(candidate)), *self.hidden], self.fine_now)

    def hopeful(self, candidate: Candidate) -> Standing:
        """Standing at the centres of the fine grid's cells, without reserve."""
        return of_scores([*self.task.centres.scores(self.sensors(candidate)), *self.hidden], self.fine_now)

    def exact(self, comparisons: Sequence[Comparison]) -> Standing:
        """Standing by exact regions."""
        zones = [*self.task.zones, *(h.zone for h in self.hidden)]
        return of_comparisons(zones, comparisons, {c.zone: c.gap_m2 for c in self.task.comparisons})

    def in_reserve(self, candidate: Candidate) -> Standing:
        """Standing for a body that is less deep by a fifth."""
        if candidate not in self.reserves:
            scores = self.task.slim.scores(self.sensors(candidate))
            self.reserves[candidate] = of_scores([*scores, *self.hidden])
        return self.reserves[candidate]

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
    whole: tuple[Candidate, Standing] | None = None  # the best with changes that were taken back as needless


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
    reach = reach_of(task, settings)
    judge, best = _judge(task, settings, reach)
    budget = task.budget.tried if all(is_fast(s) for s in task.placed) else task.budget.tried_slow
    found = _nothing(judge, now, bool(settings)) if now <= best or not task.zones else _searched(judge, budget, best)
    proof = _Proof(found.now, now, task.comparisons)
    if len(found.standings) > 1:
        _prove(judge, found, proof)
        proven = proof.best
        _polish(judge, found, proof)
        if found.stopped == "all_tried" or proof.best != proven:
            _lean(judge, found, proof, now)
    if not is_worth_it(now, proof.standing):
        proof.best, proof.standing, proof.comparisons = found.now, now, task.comparisons
    proposals = _proposals(task, judge, found, proof, robustness) if proof.best != found.now else []
    settled = replace(
        task, request=judge.request(proof.best), placed=judge.sensors(proof.best), comparisons=proof.comparisons
    )
    relaxed = relaxations(settled, reach, proposals[0].patch if proposals else [], task)
    said = note(task, settled, relaxed, reach, has_proposals=bool(proposals))
    return Advised(proposals, said, _report(judge, found, proof, budget), relaxed.found)


def _judge(task: Task, settings: Sequence[Setting], reach: Reach) -> tuple[_Judge, Standing]:
    """Who judges candidates, on what some setting can change; and the best standing that any setting could have."""
    seen = frozenset().union(*reach.values())
    scores = {
        c.zone: ZoneScore(z, c.gap_m2, 0.0, 0.0)
        for z, c in zip(task.zones, task.comparisons, strict=True)
        if c.verdict == "not_met" and c.zone not in seen
    }
    if not scores:
        return _Judge(task, settings), best_possible()
    live = [z for z in task.zones if z.id not in scores]
    if all(z.kind != "exclusion" for z in live):
        # With a zone unmet whatever is set there is no margin, so sensors that see no unmet zone have nothing to give.
        settings = [s for s in settings if reach[s.sensor]]
    hidden = list(scores.values())
    return _Judge(replace(task, zones=live, grids={}), settings, hidden), of_scores(hidden)


def _nothing(judge: _Judge, now: Standing, tunable: bool) -> Found:
    """What a search finds that has nothing to gain."""
    variables = tuple(s.variable for s in judge.settings)
    stopped = "nothing_to_gain" if tunable else "nothing_tunable"
    return Found(variables, {tuple(v.now for v in variables): now}, stopped, combinations(variables))


def advised(task: Task, findings: Sequence[Finding], *, wanted: bool, robustness: bool) -> dict[str, Any]:
    """Advice as the parts of an assessment that carry it; only a note where it is not wanted.

    Sensors of which something critical was found are named first: settings can work round a head that was described
    or mounted wrong, and should not.
    """
    if not wanted:
        note = "No settings were searched for; the findings carry the remedies."
        return {"proposals": [], "proposals_note": note, "search": None, "relaxations": []}
    found = advise(task, robustness=robustness)
    return {
        "proposals": found.proposals,
        "proposals_note": " ".join([*_put_right_first(task, findings), found.note]),
        "search": found.search,
        "relaxations": found.relaxations,
    }


def _put_right_first(task: Task, findings: Sequence[Finding]) -> list[str]:
    told = [s.split("/") for f in findings if f.severity == "critical" for s in f.subjects]
    names = [sensor.name for sensor in task.placed if any(t[1:3] == ["sensors", str(sensor.index)] for t in told)]
    return [f"First put right what the findings call critical of {joined(names)}."] if names else []


def _searched(judge: _Judge, budget: int, best: Standing) -> Found:
    """Search on the grid; where what it meets is met without a reserve, once more for a body that is less deep."""

    def has_reserve(candidate: Candidate) -> bool:
        return judge.in_reserve(candidate)[:2] <= best[:2]

    variables = [s.variable for s in judge.settings]
    found = search(variables, judge.coarse, budget=budget, best=best, is_enough=has_reserve)
    first, left = found.ranked()[0], budget - len(found.standings)
    if not found.optimal and found.standings[first][:2] <= best[:2] and not has_reserve(first) and left > 0:
        again = search(variables, judge.in_reserve, budget=left, best=best)
        found.standings |= {c: judge.coarse(c) for c in again.ranked()[: judge.task.budget.kept]}
    return found


def _prove(judge: _Judge, found: Found, proof: _Proof) -> None:
    """Judge the best of the grid again on fine ones, trim what adds nothing, assess the first few.

    The grid that counts whole cells asks for a reserve, the one that counts centres for none: the best of each in turn.
    """
    task = judge.task
    kept = dict.fromkeys([found.now, *_kept(judge, found)])
    most = max(task.budget.assessed, task.budget.assessed_of_all if found.stopped == "all_tried" else 0)
    fine = Found(found.variables, {c: judge.fine(c) for c in kept}, "", 0.0)
    hopeful = replace(fine, standings={c: judge.hopeful(c) for c in kept})
    careful = _carefully(judge, fine)
    for candidate in (c for pair in zip(careful, hopeful.ranked(), strict=True) for c in pair):
        # Where all was tried, a candidate with less change is among the others already.
        trimmed = candidate if found.optimal else _trimmed(judge, fine, candidate)
        if proof.assessed >= most or (trimmed == found.now and proof.standing[:2] == (0, 0)):
            break
        if trimmed in (found.now, proof.best, *(c for c, _ in proof.failed)):
            continue
        proof.assessed += 1
        comparisons = task.assessed(judge.request(trimmed))
        if comparisons is not None:
            _weighed(judge, proof, trimmed, comparisons)


def _polish(judge: _Judge, found: Found, proof: _Proof) -> None:
    """Where a sliver of a zone is all that is missing, look at single steps from the best on the fine grid."""
    if not any(c.verdict == "not_met" and c.gap_m2 < SLIVER_M2 for c in proof.comparisons) or found.optimal:
        return
    task, near = judge.task, []
    for i, variable in enumerate(found.variables):
        for place in (proof.best[i] + step for step in (-2, -1, 1, 2)):
            if 0 <= place < len(variable.values):
                near.append((*proof.best[:i], place, *proof.best[i + 1 :]))
    aim, met = proof.standing[:2], {c.zone for c in proof.comparisons if c.verdict == "met"}
    unmet = [z for z in task.zones if z.kind != "exclusion" and z.id not in met]
    glimpse = OnGrid(task.site, unmet, fineness=task.budget.glimpse, certain=False)
    # None that leaves all of these unmet can meet more zones; what misses a cell's centre is not looked at again.
    some = [c for c in near[: task.budget.near] if any(s.gap_m2 == 0.0 for s in glimpse.scores(judge.sensors(c)))]
    fine = Found(found.variables, {c: judge.fine(c) for c in some}, "", 0.0)
    for candidate in [c for c in fine.ranked() if fine.standings[c][:2] < aim][: task.budget.polished]:
        proof.assessed += 1
        comparisons = task.assessed(judge.request(candidate))
        if comparisons is not None:
            _weighed(judge, proof, candidate, comparisons)


def _kept(judge: _Judge, found: Found) -> list[Candidate]:
    """The first of the grid, and of those that meet as many zones the first for a body that is less deep."""
    budget, ranked = judge.task.budget, found.ranked()
    if found.stopped == "all_tried":
        return ranked[: budget.kept_of_all]
    met = found.standings[ranked[0]][:2]
    alike = [c for c in (*ranked[: 4 * budget.kept], *judge.reserves) if found.standings.get(c, ())[:2] == met]
    return [*ranked[: budget.kept], *sorted(alike, key=judge.in_reserve)[:2]]


def _weighed(judge: _Judge, proof: _Proof, candidate: Candidate, comparisons: Sequence[Comparison]) -> None:
    """Take an assessed candidate for the best, or report it as the one that failed."""
    standing = judge.exact(comparisons)
    worse = (candidate, standing)
    if not _is_no_worse(judge, (proof.best, proof.standing), (candidate, standing)):
        worse = (proof.best, proof.standing)
        proof.best, proof.standing, proof.comparisons = candidate, standing, comparisons
    if any(place != s.variable.now for place, s in zip(worse[0], judge.settings, strict=True)):
        proof.failed.append(worse)


def _carefully(judge: _Judge, fine: Found) -> list[Candidate]:
    """All candidates, best first with their reserve, which is worked out only where it decides."""
    alike = Counter(standing[:-1] for standing in fine.standings.values())

    def key(candidate: Candidate) -> tuple[Any, ...]:
        standing = fine.standings[candidate]
        decides = alike[standing[:-1]] > 1
        return _with_reserve(judge, candidate, standing) if decides else standing, fine.order(candidate)

    return sorted(fine.standings, key=key)


def _is_no_worse(judge: _Judge, one: tuple[Candidate, Standing], other: tuple[Candidate, Standing]) -> bool:
    """Whether the first stands as well as the second, with their reserve where nothing before it decides."""
    mine, theirs = one[1][:-1], other[1][:-1]
    return mine < theirs if mine != theirs else _with_reserve(judge, *one) <= _with_reserve(judge, *other)


def _with_reserve(judge: _Judge, candidate: Candidate, standing: Standing) -> tuple[int, ...]:
    """A standing, and before its margin whether as many zones are met for a body that is less deep."""
    less = judge.in_reserve(candidate)
    return (*standing[:-1], int(less[0] > standing[0] or less[1] > standing[1]), standing[-1])


def _trimmed(judge: _Judge, fine: Found, candidate: Candidate) -> Candidate:
    """The candidate without the changes that alone are not worth a ladder, last settings first."""

    def judged(one: Candidate) -> tuple[Candidate, Standing]:
        if one not in fine.standings:
            fine.standings[one] = judge.fine(one)
        return one, fine.standings[one]

    for i in reversed(range(len(candidate))):
        back = (*candidate[:i], fine.now[i], *candidate[i + 1 :])
        if back == candidate:
            continue
        if _is_needless(judge, judged(back), judged(candidate)):
            candidate = back
    return candidate


def _is_needless(judge: _Judge, without: tuple[Candidate, Standing], whole: tuple[Candidate, Standing]) -> bool:
    """Whether a change is not worth a ladder: a candidate without it, and with it."""
    is_little = not is_worth_it(without[1], whole[1]) and without[1][:4] <= whole[1][:4]  # and none of it protection
    return is_little or _is_no_worse(judge, without, whole)


def _lean(judge: _Judge, found: Found, proof: _Proof, now: Standing) -> None:
    """Take back, last settings first, each change of the best that exact regions show to be needless.

    For what no grid has trimmed: the best of all combinations, and what was polished afterwards.
    What is left must still be worth it, and all that is taken back together must not be. Changes that both grids show
    to be needed are not looked at.
    """
    task, whole, left = judge.task, (proof.best, proof.standing), judge.task.budget.taken_back
    for i in reversed(range(len(proof.best))):
        back = (*proof.best[:i], found.now[i], *proof.best[i + 1 :])
        grids = (judge.fine, judge.hopeful)
        if left <= 0 or back in (proof.best, found.now) or all(_is_needed(g(back), g(proof.best)) for g in grids):
            continue
        left -= 1
        proof.assessed += 1
        comparisons = task.assessed(judge.request(back))
        if comparisons is None:
            continue
        without = (back, judge.exact(comparisons))
        if is_worth_it(now, without[1]) and all(
            _is_needless(judge, without, (c, s)) for c, s in (whole, (proof.best, proof.standing))
        ):
            proof.best, proof.standing, proof.comparisons = (*without, comparisons)
            proof.whole = whole


def _is_needed(without: Standing, whole: Standing) -> bool:
    """Whether a grid shows that more zones are unmet without a change, or clearly more area."""
    areas = [gap - was for gap, was in zip(without[2:6], whole[2:6], strict=True)]
    return without[:2] > whole[:2] or max(areas) >= CLEAR_STEPS


# ---------------------------------------------------------------------- words and numbers


def _proposals(task: Task, judge: _Judge, found: Found, proof: _Proof, robustness: bool) -> list[Proposal]:
    """Proposals for the whole task; that of the judge leaves out the zones that no setting can serve."""
    changed = judge.request(proof.best)
    moved = [s for s, p in zip(judge.settings, proof.best, strict=True) if p != s.variable.now]
    turned = sorted({s.sensor for s in moved})
    tested = robust(task, changed, proof.comparisons, turned) if robustness else Robust(None, "", "")
    patch = _patch(task.request, changed, moved)
    effects = _effects(task.comparisons, proof.comparisons)
    binding = binding_zone(task.zones, proof.comparisons)
    count = f"Best of {len(found.standings)} candidates in the order that the search states; proven with exact regions."
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
            reason=_reason(task, proof.comparisons),
            together=[o.variable.pointer for o in moved if o is not s],
            effects=effects,
            binding_zone=binding,
            derivation=count,
            robust=tested.holds,
            failing_case=tested.failing_case,
            errors_judged=tested.judged,
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


def _reason(task: Task, after: Sequence[Comparison]) -> str:
    """What gets better, the most important first; and of which zones more than a little is seen no longer."""
    later = {c.zone: c for c in after}
    pairs = [(c, later[c.zone]) for c in task.comparisons if c.zone in later]
    labels = {z.id: f"'{z.label}'" for z in task.zones}
    lost = [
        f"of {labels[a.zone]} {a.gap_m2:.2f} m2 stay unseen instead of {b.gap_m2:.2f} m2"
        for b, a in pairs
        if a.gap_m2 - b.gap_m2 > SLIVER_M2
    ]
    return f"{_gain(pairs, labels)}{'; but ' if lost else ''}{' and '.join(lost)}."


def _gain(pairs: Sequence[tuple[Comparison, Comparison]], labels: Mapping[str, str]) -> str:
    """What gets better from the first comparison of each zone to the second."""
    now_met = [labels[a.zone] for b, a in pairs if b.verdict != "met" and a.verdict == "met"]
    if now_met:
        return f"Then {', '.join(now_met)} {'is' if len(now_met) == 1 else 'are'} met"
    gaps = sum(b.gap_m2 for b, _ in pairs), sum(a.gap_m2 for _, a in pairs)
    if gaps[1] < gaps[0]:
        return f"Then {gaps[1]:.2f} m2 stay unseen instead of {gaps[0]:.2f} m2 in all"
    spill = sum(b.overspill_m2 for b, _ in pairs), sum(a.overspill_m2 for _, a in pairs)
    if spill[1] < spill[0]:
        return f"Then {spill[1]:.2f} m2 are detected though unwanted instead of {spill[0]:.2f} m2"
    first, then = (_margin([pair[i] for pair in pairs]) for i in (0, 1))
    if then > first:
        return f"Then the zones are met with a margin of {then:.2f} m instead of {first:.2f} m"
    return "Then what is met stays met for a body that is a fifth less deep, as at a small error of height or tilt"


def _margin(comparisons: Sequence[Comparison]) -> float:
    return min((c.margin_m for c in comparisons if c.margin_m is not None), default=0.0)


def _report(judge: _Judge, found: Found, proof: _Proof, budget: int) -> SearchReport:
    note = {
        "all_tried": "All combinations were tried on the grid.",
        "nothing_to_gain": "Nothing better exists within the bounds by this order.",
        "nothing_tunable": "There is no setting to search that could change the result.",
        "no_single_change_helps": "No single step of a setting, nor of an array of settings, makes it better; "
        "combinations of several were not tried, so a better one may exist.",
        "no_gain": f"The last {PATIENCE} candidates brought nothing better; a better one may exist.",
        "budget": "The search used up its candidates; a better one may exist.",
    }[found.stopped]
    task, settings = judge.task, judge.settings
    return SearchReport(
        tried=len(found.standings),
        assessed=proof.assessed,
        candidates=found.candidates,
        budget=budget,
        cell_m=round(task.fine.cell_m, 4) if len(found.standings) > 1 else 0.0,
        stopped=found.stopped,
        optimal=found.optimal and (proof.whole is None or proof.standing <= proof.whole[1]),
        note=f"{note} Order: {_ORDER}.",
        ranges=[
            SearchRange(
                setting=s.variable.pointer, unit=s.unit, least=s.least, most=s.most, step=s.step, current=s.current
            )
            for s in settings
        ],
        rejected=_rejected(judge, found, proof),
    )


def _rejected(judge: _Judge, found: Found, proof: _Proof) -> list[RejectedSetting]:
    """What more change would gain, what the grid ranked higher, and neighbours that win on a later count alone."""

    def values(candidate: Candidate) -> Mapping[str, float]:
        moved = zip(judge.settings, candidate, strict=True)
        return {s.variable.pointer: s.variable.values[p] for s, p in moved if p != s.variable.now}

    said = [
        RejectedSetting(settings=dict(values(c)), reason=f"Exact regions: {_lost(standing, proof.standing)}.")
        for c, standing in proof.failed
    ]
    if proof.whole is not None:
        gain = _won(proof.whole[1], proof.standing)
        reason = f"Exact regions: {gain}, which is not worth the further change."
        said.insert(0, RejectedSetting(settings=dict(values(proof.whole[0])), reason=reason))
    best = judge.coarse(proof.best) if proof.whole else found.standings.get(proof.best)
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
            if mine >= LOST and name.startswith("zones for protection"):
                return "a zone for protection that is met now would be lost"
            return f"{name} {mine * step:.3g}{unit} instead of {other * step:.3g}{unit}"
    return "equal in all counts, with more change"

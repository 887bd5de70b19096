"""What would have to give way where no setting helps: one change beyond the settings, or two together.

A grid tells which changes seem to meet a zone; each that is offered is assessed with exact regions, turns its zones to
met and loses none that is met now. Where none meets the zone that binds, the nearest miss is told with its numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import Any

from sillcast.advice.changes import (
    FASTER_MOST,
    RAISE_MOST_M,
    RAISES,
    SENSORS_MOST,
    SPEED_LEAST_M_PER_S,
    Change,
    Ladder,
    can_rise,
    fit_together,
    ladders,
    raised,
    twin_pairs,
    twins,
)
from sillcast.advice.places import OnGrid
from sillcast.advice.reach import Reach
from sillcast.advice.task import Task, numbers
from sillcast.advice.words import joined, labelled
from sillcast.contract import Comparison, Effect, PatchStep, Relaxation
from sillcast.errors import RequestError
from sillcast.needs import Needs, ZoneNeed
from sillcast.sensing import Placed

__all__ = ["Relaxed", "relaxations"]

Plan = tuple[Change, ...]
Gaps = Mapping[str, float]

_FIRST_LOOK = 4  # cells along the narrow side of the body
_STEPS_ON = 3  # steps beyond what the grid found, where exact regions want more
_RAISED_BY = 3  # steps from one height to the next that is looked at first
_ASSESSED = 2  # of one kind of change, where the first disappoints
_IN_PAIRS = 8  # single changes that are combined with each other
_LESS = 0.9  # of what is unseen now: a change that leaves more is not worth combining
_NEAR = 0.5  # of what is unseen now: what leaves more is no near miss
_NAMED = 3
_SHOWN_M2 = 0.005  # least change that two digits show


@dataclass(frozen=True)
class Relaxed:
    """Relaxations, what kinds of changes were looked at, and what was not assessed for lack of budget, in words."""

    found: list[Relaxation]
    tried: Sequence[str]
    untried: Sequence[str]

    @property
    def met(self) -> frozenset[str]:
        """Zones that some relaxation turns to met."""
        return frozenset(z for r in self.found for z in r.zones)


@dataclass(frozen=True, eq=False)
class _Outcome:
    """Changes that were assessed: the zones that turn to met, and whether one that is met now is lost."""

    plan: Plan
    patch: list[PatchStep]
    comparisons: Mapping[str, Comparison]
    met: frozenset[str]
    loses: bool

    @property
    def is_good(self) -> bool:
        """True if a zone turns to met and none is lost."""
        return bool(self.met) and not self.loses


@dataclass
class _Trial:
    """The request with the best settings, the one that was sent, unmet zones, and how many assessments are left."""

    task: Task
    sent: Task
    unmet: Sequence[ZoneNeed]
    first: Sequence[PatchStep]
    left: int
    looks: dict[Plan, Gaps] = field(default_factory=dict)
    outcomes: dict[Plan, _Outcome | None] = field(default_factory=dict)
    tried: dict[str, None] = field(default_factory=dict)
    untried: dict[tuple[str, ...], str] = field(default_factory=dict)

    @cached_property
    def grid(self) -> OnGrid:
        """Unmet zones on a grid for a first look, by its cells' centres."""
        return OnGrid(self.task.site, self.unmet, fineness=_FIRST_LOOK, certain=False)

    def placed(self, plan: Plan) -> list[Placed]:
        """All sensors with the changes made."""
        moved = {c.moved.index: c.moved for c in plan if c.moved is not None and not c.adds}
        return [
            *(moved.get(s.index, s) for s in self.task.placed),
            *(c.moved for c in plan if c.moved is not None and c.adds),
        ]

    def changed(self, plan: Plan) -> tuple[Any, list[PatchStep]]:
        """The request with the changes made, and the patch that makes it of what the client sent."""
        request, steps = self.task.request, list(self.first)
        for change in plan:
            request, step = change.applied(request)
            steps.append(step)
        return request, steps

    def ladders(self, zones: Sequence[ZoneNeed]) -> Iterator[Ladder]:
        """Ladders for the zones, each as far as it asks for nothing new of the door and breaks no rule."""
        for ladder in ladders(self.task.request, zones):

            def asks_more(place: int, ladder: Ladder = ladder) -> bool:
                return place == len(ladder.values) or self._asks_more(ladder.at(place))

            if allowed := _first(asks_more, len(ladder.values)):
                yield replace(ladder, values=ladder.values[:allowed])

    def _asks_more(self, change: Change) -> bool:
        """Whether a change brings a zone that is not there now, or something critical, as more energy of the leaf."""
        try:
            needed = self.task.needs(change.applied(self.task.request)[0])
        except RequestError:
            return True
        return not _demands(needed) <= self._demands

    @cached_property
    def _demands(self) -> frozenset[tuple[str, ...]]:
        return _demands(self.task.needs(self.task.request))

    def look(self, plan: Plan) -> Gaps:
        """Unseen area of each unmet zone on the grid, with sensors mounted anew. [m2]"""
        if plan not in self.looks:
            self.looks[plan] = _gaps(self.grid, self.placed(plan))
        return self.looks[plan]

    def seems(self, plan: Plan) -> frozenset[str]:
        """Zones that the grid shows as met."""
        return frozenset(z for z, gap in self.look(plan).items() if gap == 0.0)

    def assessed(self, plan: Plan) -> _Outcome | None:
        """What exact regions show; None if the request would be refused, or no assessment is left."""
        if plan in self.outcomes:
            return self.outcomes[plan]
        if self.left <= 0:
            self.untried.setdefault(tuple(c.kind for c in plan), _words(self, plan))
            return None
        self.left -= 1
        request, patch = self.changed(plan)
        found = {c.zone: c for c in self.task.assessed(request) or ()}
        before = {c.zone for c in self.task.comparisons if c.verdict == "met"}
        met = frozenset(z.id for z in self.unmet if z.id in found and found[z.id].verdict == "met")
        loses = any(z in found and found[z].verdict != "met" for z in before)
        self.outcomes[plan] = _Outcome(plan, patch, found, met, loses) if found else None
        return self.outcomes[plan]

    def best_of(self, plans: Sequence[Plan], wanted: frozenset[str]) -> _Outcome | None:
        """Of the first few, the first that turns as many of the wanted zones to met as the grid shows, or the most."""
        best = None
        for plan in plans[:_ASSESSED]:
            found = self.assessed(plan)
            if found is None or found.loses:
                continue
            met = found.met & wanted
            best = found if met and (best is None or len(met) > len(best.met & wanted)) else best
            if met and met >= self.seems(plan) & wanted:
                break
        return best


def relaxations(task: Task, reach: Reach, first: Sequence[PatchStep], sent: Task) -> Relaxed:
    """For the zones that stay unmet, the nearest change of each kind that turns at least one to met.

    Parameters
    ----------
    task : Task
        Request with the best settings found, its sensors and its comparisons.
    reach : mapping
        For each sensor the unmet zones that it may see by some setting: where it is out of sight, only a second sensor
        helps.
    first : sequence of PatchStep
        Makes that request of the one that the client sent.
    sent : Task
        What the client sent; `current` of a change and `before` of its effects are its numbers.

    Returns
    -------
    Relaxed
        Each relaxation assessed with exact regions.
    """
    verdicts = {c.zone: c.verdict for c in task.comparisons}
    unmet = [z for z in task.zones if verdicts.get(z.id) == "not_met"]
    if not unmet or not task.placed or task.budget.relaxed == 0:
        return Relaxed([], [], [])
    trial, before = _Trial(task, sent, unmet, first, task.budget.relaxed), sent.comparisons
    seen = frozenset().union(*reach.values())
    in_sight = [z for z in unmet if z.id in seen]
    found = [*_driven(trial, in_sight), *_mounted(trial, bool(in_sight))]
    still = frozenset(z.id for z in unmet) - frozenset(z for o in found for z in o.met)
    if still:
        found += _together(trial, still, in_sight)
    said = [_met(trial, o, before) for o in found]
    still -= frozenset(z for o in found for z in o.met)
    missed = _nearest(trial, still)
    if missed is not None and missed[0] not in found:
        said.append(_met(trial, missed[0], before) if missed[0].met & still else _missed(trial, *missed, before))
    return Relaxed(said, list(trial.tried), list(trial.untried.values()))


def _demands(needed: Needs) -> frozenset[tuple[str, ...]]:
    """Zones, and what is critical, as things to compare."""
    critical = [(f.code, *f.subjects) for f in needed.findings if f.severity == "critical"]
    return frozenset([*((z.id,) for z in needed.zones), *critical])


def _gaps(grid: OnGrid, placed: Sequence[Placed]) -> Gaps:
    return {s.zone.id: s.gap_m2 for s in grid.scores(placed)}


def _unseen(gaps: Gaps, zones: Iterable[str]) -> float:
    return sum(gaps[z] for z in zones)


# ---------------------------------------------------------------------- one change


def _driven(trial: _Trial, zones: Sequence[ZoneNeed]) -> Iterator[_Outcome]:
    """A speed limit for each vehicle, and a faster opening for all, with the least change that meets the zones."""
    for ladder in trial.ladders(zones):
        limit = f"vehicles as slow as {SPEED_LEAST_M_PER_S:g} m/s"
        opening = f"a door that opens up to {FASTER_MOST:g} times as fast"
        trial.tried[limit if ladder.at(0).kind == "speed" else opening] = None
        found = _least(trial, ladder)
        if found is not None:
            yield found


def _least(trial: _Trial, ladder: Ladder, also: Plan = ()) -> _Outcome | None:
    """The least change that meets what the most change seems to meet."""

    def look(place: int) -> Gaps:
        plan = (*also, ladder.at(place))
        try:
            needed = trial.task.needs(trial.changed(plan)[0])
        except RequestError:  # as with more rays than a request may have
            return {}
        wanted = [z for z in needed.zones if z.id in ladder.zones]
        grid = OnGrid(trial.task.site, wanted, fineness=trial.task.budget.relaxed_on, certain=False)
        return _gaps(grid, trial.placed(plan))

    last = len(ladder.values) - 1
    most = look(last)
    zones = frozenset(z for z, gap in most.items() if gap == 0.0)
    if not zones:
        trial.looks[(*also, ladder.at(last))] = most
        return None
    low = _first(lambda i: all(look(i).get(z) == 0.0 for z in zones), last)
    best = None
    for place in range(low, min(low + _STEPS_ON, last + 1)):
        found = trial.assessed((*also, ladder.at(place)))
        if found is not None and found.is_good:
            best = found
            if zones <= found.met:
                break
    return best


def _first(seems: Callable[[int], bool], last: int) -> int:
    """Least index up to the last, which holds, from which on all hold."""
    low, high = 0, last
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if seems(middle) else (middle + 1, high)
    return low


def _mounted(trial: _Trial, is_any_in_sight: bool) -> Iterator[_Outcome]:
    """The least rise of one sensor, and a second sensor that turns most zones to met."""
    if is_any_in_sight and any(can_rise(s) for s in trial.task.placed):
        trial.tried[f"one sensor up to {RAISE_MOST_M:g} m higher"] = None
        found = _higher(trial)
        if found is not None:
            yield found
    if len(trial.task.placed) < SENSORS_MOST:
        trial.tried["a second sensor like one that is there"] = None
        second = [(change,) for change in twins(trial.task)]
        good = [plan for plan in second if trial.seems(plan)]
        good.sort(key=lambda p: (-len(trial.seems(p)), sum(trial.look(p).values())))
        found = trial.best_of(good, frozenset(z.id for z in trial.unmet))
        if found is not None:
            yield found


def _higher(trial: _Trial) -> _Outcome | None:
    """The least rise that turns a zone to met: every third step first, then those below it."""
    sensors = [s for s in trial.task.placed if can_rise(s)]
    good: list[Plan] = []
    for steps in range(_RAISED_BY, RAISES + 1, _RAISED_BY):
        for sensor in sensors:
            met = _rise(trial, sensor, steps)
            below = (_rise(trial, sensor, n) for n in range(steps - _RAISED_BY + 1, steps))
            if met is not None and trial.seems(met):
                good.append(next((p for p in below if p is not None and trial.seems(p) >= trial.seems(met)), met))
        if len(good) >= _ASSESSED:
            break
    return trial.best_of(good, frozenset(z.id for z in trial.unmet))


def _rise(trial: _Trial, sensor: Placed, steps: int) -> Plan | None:
    change = raised(trial.task, sensor, steps, trial.sent.request)
    return None if change is None else (change,)


# ---------------------------------------------------------------------- two changes together, the nearest miss


def _together(trial: _Trial, still: frozenset[str], in_sight: Sequence[ZoneNeed]) -> Iterator[_Outcome]:
    """Two mounts, or a mount and a drive, that turn a zone to met which no single change does.

    Two sensors left and right of the door are looked at even where neither alone helps much.
    """

    def left(plan: Plan) -> float:
        return _unseen(trial.look(plan), still)

    single = [p for p in trial.looks if len(p) == 1 and p[0].moved is not None]
    single = sorted((p for p in single if left(p) < _LESS * left(())), key=left)[:_IN_PAIRS]
    beside = list(_beside_door(trial, still))
    if not single and not beside:
        return
    trial.tried["two of these together"] = None
    pairs = [(*a, *b) for a, b in combinations(single, 2) if _may_both(trial, a[0], b[0])]
    good = [p for p in (*beside, *pairs) if trial.seems(p) & still]
    good.sort(key=lambda p: (-len(trial.seems(p) & still), len(p), left(p)))
    found = trial.best_of(good, still)
    if found is not None:
        yield found
        still -= found.met
    for ladder in trial.ladders([z for z in in_sight if z.id in still]) if single else ():
        mount = min(single, key=lambda p: _unseen(trial.look(p), ladder.zones))
        helps = _unseen(trial.look(mount), ladder.zones) < _LESS * _unseen(trial.look(()), ladder.zones)
        both = _least(trial, ladder, mount) if helps else None
        if both is not None:
            yield both
            return


def _beside_door(trial: _Trial, still: frozenset[str]) -> Iterator[Plan]:
    """Two sensors left and right of the door that seem to meet a zone together; one of them where that is enough."""
    known = [p for p in trial.looks if len(p) == 1 and p[0].adds]
    wanted = still - frozenset(z for p in known if p not in trial.outcomes for z in trial.seems(p))
    for pair in twin_pairs(trial.task) if wanted else ():
        alone: list[Plan] = [(change,) for change in pair if trial.seems((change,)) & wanted]
        yield from alone
        if trial.seems(pair) & wanted - frozenset(z for p in alone for z in trial.seems(p)):
            yield pair


def _may_both(trial: _Trial, one: Change, other: Change) -> bool:
    added = one.adds + other.adds
    return fit_together(one, other) and len(trial.task.request.sensors) + added <= SENSORS_MOST


def _nearest(trial: _Trial, still: frozenset[str]) -> tuple[_Outcome, ZoneNeed] | None:
    """What comes nearest to meeting a zone that nothing turns to met, the most important zone first."""
    now = {c.zone: c.gap_m2 for c in trial.task.comparisons}
    tries = _ASSESSED
    seen = [z for z in trial.unmet if now[z.id] > 0.0]
    for zone in sorted(seen, key=lambda z: (z.kind != "protection", -now[z.id])):
        near = [p for p, gaps in trial.looks.items() if p and zone.id in gaps and gaps[zone.id] <= _NEAR * now[zone.id]]
        # One change is nearer than two that leave about as much.
        near.sort(key=lambda p: (round(trial.looks[p][zone.id] / now[zone.id], 1), len(p), trial.looks[p][zone.id]))
        for plan in near[:tries] if zone.id in still else ():
            tries -= plan not in trial.outcomes
            found = trial.assessed(plan)
            after = None if found is None or found.loses else found.comparisons.get(zone.id)
            if found is not None and after is not None and after.gap_m2 <= _NEAR * now[zone.id]:
                return found, zone
    return None


# ---------------------------------------------------------------------- words and numbers


def _met(trial: _Trial, found: _Outcome, before: Sequence[Comparison]) -> Relaxation:
    """What turns zones to met, and which others stay unmet."""
    met = [z for z in trial.unmet if z.id in found.met]
    unmet = [_left(trial, found, z) for z in trial.unmet if z.id not in found.met]
    more = [f"{len(unmet) - _NAMED} more"] if len(unmet) > _NAMED else []
    others = f"; {joined([*unmet[:_NAMED], *more])} {'stays' if len(unmet) == 1 else 'stay'} unmet" if unmet else ""
    text = f"With {_words(trial, found.plan)}, {labelled([z.label for z in met], 'is', 'are')} met{others}."
    return _relaxation(found, before, text=text, zones=[z.id for z in met], proven=True)


def _missed(trial: _Trial, found: _Outcome, zone: ZoneNeed, before: Sequence[Comparison]) -> Relaxation:
    """What comes near, with what it leaves unseen."""
    text = f"Nearest miss: with {_words(trial, found.plan)}, {_left(trial, found, zone)} stays unmet all the same."
    return _relaxation(found, before, text=text, zones=[], proven=False)


def _relaxation(found: _Outcome, before: Sequence[Comparison], **said: Any) -> Relaxation:
    change, is_alone = found.plan[-1], len(found.plan) == 1
    return Relaxation(
        kind=change.kind if is_alone else "combination",
        unit=change.unit if is_alone else "",
        current=change.current if is_alone else None,
        proposed=change.proposed if is_alone else float(len(found.plan)),
        effects=[
            Effect(zone=c.zone, before=numbers(c), after=numbers(found.comparisons[c.zone]))
            for c in before
            if c.zone in found.comparisons
        ],
        patch=found.patch,
        **said,
    )


def _left(trial: _Trial, found: _Outcome, zone: ZoneNeed) -> str:
    """A zone that stays unmet, with what is left of what is unseen now where that changes."""
    now = next(c for c in trial.task.comparisons if c.zone == zone.id)
    after = found.comparisons.get(zone.id, now)
    if abs(after.gap_m2 - now.gap_m2) < _SHOWN_M2:
        return f"'{zone.label}'"
    return f"'{zone.label}' ({after.gap_m2:.3g} m2 unseen instead of {now.gap_m2:.3g} m2)"


def _words(trial: _Trial, plan: Plan) -> str:
    parts = ["the proposed settings"] if trial.first else []
    added = [change.words for change in plan if change.adds]
    if len(added) == 1:
        parts.append(f"a second sensor {added[0]}")
    elif added:
        parts.append(f"two more sensors, one {' and one '.join(added)}")
    return joined([*parts, *(change.words for change in plan if not change.adds)])

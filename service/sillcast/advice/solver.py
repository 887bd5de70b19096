"""Search over settings: all combinations where they are few, else one setting after the other, coarse to fine.

Deterministic: it stops by the number of candidates, never by the clock. The candidate that is set now is always
among those tried, so the result is never worse than it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import prod

from sillcast.advice.standing import Standing, best_possible

__all__ = ["PATIENCE", "Candidate", "Found", "Variable", "combinations", "ladder", "search"]

# Positions on the ladders of all variables.
Candidate = tuple[int, ...]
# Strides are a third of a setting's values at level 0, a ninth at level 1, and so on down to single values. What is
# near is looked at first, so that a small change is found before a large one.
_DIVIDED_BY = 3
_ALONE = (2, 3, 0, 1, 2, 3, 4, 5)  # settings of their own: they act on a whole sensor
_ARRAYS = (2, 3, 4, 5)  # then with arrays and their items, which are set in relation to each other
PATIENCE = 60  # candidates in a row that bring nothing better, after which the search ends
Cost = tuple[int, float, tuple[float, ...]]


@dataclass(frozen=True)
class Variable:
    """One setting to search.

    Attributes
    ----------
    pointer : str
        Place in the request.
    values : tuple of float
        Values in ascending order, the current one among them.
    now : int
        Position of the current value.
    step : float
        Step of the setting, by which changes are weighed.
    array : str
        Settings of one array share this name; empty for one of its own.
    """

    pointer: str
    values: tuple[float, ...]
    now: int
    step: float
    array: str = ""


@dataclass
class Found:
    """Result of a search: standings of all candidates tried, best first by `ranked`."""

    variables: tuple[Variable, ...]
    standings: dict[Candidate, Standing]
    stopped: str
    candidates: float

    @property
    def now(self) -> Candidate:
        """What is set now."""
        return tuple(v.now for v in self.variables)

    def order(self, candidate: Candidate) -> tuple[Standing, Cost]:
        """What candidates are sorted by: standing, number of changes, their size, the least changed first settings."""
        return self.standings[candidate], _cost(self.variables, candidate)

    def ranked(self) -> list[Candidate]:
        """All tried, best first."""
        return sorted(self.standings, key=self.order)

    @property
    def optimal(self) -> bool:
        """True if nothing better exists within the bounds."""
        return self.stopped in ("all_tried", "nothing_to_gain")


def ladder(least: float, most: float, step: float, now: float) -> tuple[tuple[float, ...], int]:
    """Values from `now` in whole steps down to `least` and up to `most`, and the position of `now`.

    The ladder is hung on the current value, so that a wider range at the same step holds every value of a narrower
    one. A current value outside the range stays the only one beyond it.
    """
    digits = 9
    down = [round(now - i * step, digits) for i in range(1, int((now - least) / step + 1e-9) + 1)]
    up = [round(now + i * step, digits) for i in range(1, int((most - now) / step + 1e-9) + 1)]
    below, above = [v for v in reversed(down) if v <= most], [v for v in up if v >= least]
    return (*below, now, *above), len(below)


def search(
    variables: Sequence[Variable],
    judge: Callable[[Candidate], Standing],
    *,
    budget: int,
    best: Standing | None = None,
    is_enough: Callable[[Candidate], bool] = lambda _: True,
) -> Found:
    """Best candidate within the budget.

    Parameters
    ----------
    variables : sequence of Variable
        Settings in the order of the request.
    judge : callable
        Standing of a candidate; called once for each.
    budget : int
        Most candidates to judge.
    best : tuple, optional
        Standing that nothing can better, where what is set now is known to be worse: the search ends once it is
        found by a change. By default the best there is, and what has it already is left alone.
    is_enough : callable
        Whether a candidate with that standing may end the search; it goes on otherwise.
    """
    run = _Run(tuple(variables), judge, budget, best_possible() if best is None else best, is_enough)
    now = tuple(v.now for v in variables)
    total = combinations(variables)
    run.standing(now)
    if not variables:
        return Found(run.variables, run.standings, "nothing_tunable", total)
    if best is None and run.standings[now] <= run.best:
        return Found(run.variables, run.standings, "nothing_to_gain", total)
    if total <= budget:
        for candidate in product(*(range(len(v.values)) for v in variables)):
            run.standing(candidate)
        return Found(run.variables, run.standings, "all_tried", total)
    return Found(run.variables, run.standings, run.descend(now), total)


def combinations(variables: Sequence[Variable]) -> float:
    """Number of all combinations."""
    return float(prod(len(v.values) for v in variables))


@dataclass
class _Run:
    variables: tuple[Variable, ...]
    judge: Callable[[Candidate], Standing]
    budget: int
    best: Standing
    is_enough: Callable[[Candidate], bool]
    standings: dict[Candidate, Standing] = field(default_factory=dict)

    def standing(self, candidate: Candidate) -> Standing | None:
        """Standing of a candidate, or None once the budget is used up."""
        if candidate not in self.standings:
            if len(self.standings) >= self.budget:
                return None
            self.standings[candidate] = self.judge(candidate)
        return self.standings[candidate]

    def descend(self, start: Candidate) -> str:
        """From coarse strides to single steps, each until nothing helps; what ended it."""
        best, since = start, len(self.standings)
        for level, axes in [*((n, self._alone()) for n in _ALONE), *((n, self._all()) for n in _ARRAYS)]:
            while True:
                before = best
                for axis in axes:
                    tried = [c for c in self._neighbours(best, axis, level) if self.standing(c) is not None]
                    last, best = best, min([best, *tried], key=lambda c: (self.standings[c], _cost(self.variables, c)))
                    since = since if self.standings[last] <= self.standings[best] else len(self.standings)
                    if len(self.standings) - since >= PATIENCE:
                        return "no_gain"
                    if len(self.standings) >= self.budget:
                        return "budget"
                if best != start and self.standings[best] <= self.best and self.is_enough(best):
                    return "nothing_to_gain"
                if best == before:
                    break
        return "no_single_change_helps"

    def _alone(self) -> list[list[int]]:
        """Settings that are no item of an array."""
        return [[i] for i, v in enumerate(self.variables) if not v.array]

    def _all(self) -> list[list[int]]:
        """Arrays as a whole, then each setting on its own."""
        arrays = dict.fromkeys(v.array for v in self.variables if v.array)
        wholes = [[i for i, v in enumerate(self.variables) if v.array == name] for name in arrays]
        return [*(w for w in wholes if len(w) > 1), *([i] for i in range(len(self.variables)))]

    def _neighbours(self, at: Candidate, axis: list[int], level: int) -> list[Candidate]:
        """Up and down along a setting and back to what is set now; an array is moved, and drawn apart or together."""
        stride = max(1, max(len(self.variables[i].values) for i in axis) // _DIVIDED_BY ** (level + 1))
        if len(axis) > 1:
            return list(self._stretched(at, axis, stride))
        (i,) = axis
        variable = self.variables[i]
        places = {at[i] - stride, at[i] + stride, variable.now} - {at[i]}
        return [_moved(at, {i: p}) for p in sorted(places) if 0 <= p < len(variable.values)]

    def _stretched(self, at: Candidate, members: list[int], stride: int) -> Iterator[Candidate]:
        last = max(len(members) - 1, 1)
        for by in (-stride, stride):
            moved = {i: at[i] + by for i in members}
            fan = {i: at[i] + round(by * rank / last) for rank, i in enumerate(members)}
            for move in (moved, fan):
                if all(0 <= place < len(self.variables[i].values) for i, place in move.items()):
                    yield _moved(at, move)


def _moved(at: Candidate, to: dict[int, int]) -> Candidate:
    return tuple(to.get(i, place) for i, place in enumerate(at))


def _cost(variables: Sequence[Variable], candidate: Candidate) -> Cost:
    """Number of changes, their size in steps, and each change's size, last settings first: early ones change first."""
    sizes = [abs(v.values[p] - v.values[v.now]) / v.step for v, p in zip(variables, candidate, strict=True)]
    sizes = [round(s, 6) for s in sizes]
    return sum(s > 0 for s in sizes), round(sum(sizes), 6), tuple(reversed(sizes))

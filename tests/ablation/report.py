"""What the advice is worth: varied doors assessed before and after it, as a table in markdown.

`python -m ablation.report` in the folder `tests` writes `report.md` for all of `doors.json`; with two numbers it prints
the doors from the first to before the second. Times are of the processor for the whole assessment with proposals, less
that without, on the machine that runs it; everything else is the same each time.

Zones in sight are those unmet ones that some setting could show something of: no setting helps the others, such as the
far side where all sensors are on the near one. `exhaustive` lets the solver choose among few values of the first two
settings of a door and tries all of them by full assessments: the solver's zones met and areas must be the best of all.
"""

import json
import sys
import time
from dataclasses import dataclass
from itertools import product
from types import SimpleNamespace
from typing import Any

from ablation.generate import DOORS
from ablation.small import task_of
from sillcast import Assessment, Planner, advice
from sillcast.advice.reach import reach_of
from sillcast.advice.settings import narrowed, settings_of
from sillcast.advice.standing import is_worth_it, of_comparisons

REPORT = DOORS.with_name("report.md")


@dataclass(frozen=True)
class Row:
    """One door: zones met before and after, of how many; unseen area before and after; how the search went."""

    name: str
    motion: str
    family: str
    zones: int
    met_before: int
    met_after: int
    in_sight: int
    unseen_before_m2: float
    unseen_after_m2: float
    tried: int
    stopped: str
    relaxed: int
    seconds: float


def row(planner: Planner, door: dict[str, Any]) -> Row:
    """One door before and after its advice."""
    request = door["request"]
    start = time.process_time()
    planner.assess({**request, "output": {**request["output"], "proposals": False}})
    between = time.process_time()
    answer = planner.assess(request)
    seconds = (time.process_time() - between) - (between - start)
    before = [c for c in answer.comparisons if c.verdict != "informative"]
    after = _after(answer)
    assert answer.search is not None
    return Row(
        name=door["name"],
        motion=door["motion"],
        family=door["family"],
        zones=len(before),
        met_before=sum(c.verdict == "met" for c in before),
        met_after=sum(verdict == "met" for verdict, _ in after),
        in_sight=in_sight(planner, request),
        unseen_before_m2=sum(c.gap_m2 for c in before),
        unseen_after_m2=sum(gap for _, gap in after),
        tried=answer.search.tried,
        stopped=answer.search.stopped,
        relaxed=len(answer.relaxations),
        seconds=max(seconds, 0.0),
    )


def in_sight(planner: Planner, request: dict[str, Any]) -> int:
    """Number of unmet zones of which some setting could show something."""
    task = task_of(planner, request)
    reach = reach_of(task, settings_of(task.request, task.placed, task.zones))
    return len(frozenset().union(*reach.values()))


def exhaustive(planner: Planner, request: dict[str, Any], steps: int = 2) -> bool | None:
    """Whether nothing beats the solver by a zone or 0.05 m2 among all values of the first two settings, few steps apart.

    None if the door has no setting with a value. Zones met and areas are compared, which is all but the margin.
    """
    task = task_of(planner, request)
    declared = settings_of(task.request, task.placed, task.zones)
    free = [s for s in declared if s.current is not None]
    if not free:
        return None
    ranges: dict[str, tuple[float, ...]] = {s.variable.pointer: (1.0, 0.0) for s in declared}
    ranges |= {s.variable.pointer: (s.current, s.current) for s in free if s.current is not None}
    for s in free[:2]:
        room = steps * 4 * s.step
        ranges[s.variable.pointer] = (s.current - room, s.current + room, 4 * s.step)
    settings = [n for n in (narrowed(s, ranges) for s in free) if len(n.variable.values) > 1]
    now, found = {c.zone: c.gap_m2 for c in task.comparisons}, []
    for values in product(*(s.variable.values for s in settings)):
        changed = task.request
        for setting, value in zip(settings, values, strict=True):
            changed = setting.write(changed, value)
        comparisons = task.assessed(changed)
        if comparisons is not None:
            found.append(of_comparisons(task.zones, comparisons, now)[:-1])
    got = advice.advise(task_of(planner, request, ranges=ranges))
    after = {e.zone: e.after for e in got.proposals[0].effects} if got.proposals else {}
    numbers = [after.get(c.zone, c) for c in task.comparisons]
    reached = of_comparisons(
        task.zones, [_named(n, c.zone) for n, c in zip(numbers, task.comparisons, strict=True)], now
    )
    best = min(found)
    return reached[:-1] <= best or not is_worth_it(reached, (*best, reached[-1]))


def _named(numbers: Any, zone: str) -> Any:
    return SimpleNamespace(
        zone=zone, verdict=numbers.verdict, gap_m2=numbers.gap_m2, overspill_m2=numbers.overspill_m2,
        margin_m=numbers.margin_m,
    )  # fmt: skip


def _after(answer: Assessment) -> list[tuple[str, float]]:
    """Verdict and unseen area of each required zone with the proposals in place."""
    if not answer.proposals:
        return [(c.verdict, c.gap_m2) for c in answer.comparisons if c.verdict != "informative"]
    effects = answer.proposals[0].effects
    return [(e.after.verdict, e.after.gap_m2) for e in effects if e.after.verdict != "informative"]


def table(rows: list[Row]) -> str:
    """The rows and their sum in markdown."""
    lines = [
        "| door | motion | family | zones met | after | in sight | unseen m2 | after | tried | stopped | relaxations | s |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for r in rows:
        lines.append(
            f"| {r.name} | {r.motion} | {r.family} | {r.met_before} of {r.zones} | {r.met_after} | {r.in_sight} | "
            f"{r.unseen_before_m2:.2f} | {r.unseen_after_m2:.2f} | {r.tried} | {r.stopped} | {r.relaxed} | {r.seconds:.2f} |"
        )
    zones, before, after = (sum(getattr(r, n) for r in rows) for n in ("zones", "met_before", "met_after"))
    sight = sum(r.in_sight for r in rows)
    unseen, left = (sum(getattr(r, n) for r in rows) for n in ("unseen_before_m2", "unseen_after_m2"))
    seconds = sorted(r.seconds for r in rows)
    lines += [
        "",
        f"{len(rows)} doors, {zones} zones: {before} met before ({before / zones:.0%}), {after} after ({after / zones:.0%}), of "
        f"{before + sight} that are met or in sight; "
        f"{unseen:.1f} m2 unseen before, {left:.1f} m2 after. Search and proof took {seconds[len(seconds) // 2]:.2f} s in "
        f"the middle, {seconds[-1]:.2f} s at most.",
    ]
    return "\n".join(lines)


def main(arguments: list[str]) -> None:
    """Write the table of all doors, or print that of a part of them."""
    doors = json.loads(DOORS.read_text())
    planner = Planner()
    if len(arguments) == 2:
        first, past = (int(a) for a in arguments)
        print(table([row(planner, door) for door in doors[first:past]]))
        return
    row(planner, doors[0])  # once for nothing, so that no row's time holds the loading of kernels
    rows = [row(planner, door) for door in doors]
    small = [found for door in doors if (found := exhaustive(planner, door["request"])) is not None]
    equal = (
        f"Among 5 values of each of the first two settings of a door, nothing that full assessments of all show beats the "
        f"solver's result by a zone or 0.05 m2: {sum(small)} of {len(small)} doors."
    )
    REPORT.write_text(f"# Advice on varied doors\n\n{table(rows)}\n\n{equal}\n")


if __name__ == "__main__":
    main(sys.argv[1:])

"""What the advice is worth: varied doors assessed before and after it, as a table in markdown.

`python -m ablation.report` in the folder `tests` writes `report.md` for all of `doors.json`; with two numbers it prints
the doors from the first to before the second. Times are of the whole assessment with proposals, less that without, on
the machine that runs it; everything else is the same each time.
"""

import json
import sys
import time
from dataclasses import dataclass
from typing import Any

from ablation.generate import DOORS
from sillcast import Assessment, Planner

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
    unseen_before_m2: float
    unseen_after_m2: float
    tried: int
    stopped: str
    relaxed: int
    seconds: float


def row(planner: Planner, door: dict[str, Any]) -> Row:
    """One door before and after its advice."""
    request = door["request"]
    start = time.perf_counter()
    planner.assess({**request, "output": {**request["output"], "proposals": False}})
    between = time.perf_counter()
    answer = planner.assess(request)
    seconds = (time.perf_counter() - between) - (between - start)
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
        unseen_before_m2=sum(c.gap_m2 for c in before),
        unseen_after_m2=sum(gap for _, gap in after),
        tried=answer.search.tried,
        stopped=answer.search.stopped,
        relaxed=len(answer.relaxations),
        seconds=max(seconds, 0.0),
    )


def _after(answer: Assessment) -> list[tuple[str, float]]:
    """Verdict and unseen area of each required zone with the proposals in place."""
    if not answer.proposals:
        return [(c.verdict, c.gap_m2) for c in answer.comparisons if c.verdict != "informative"]
    effects = answer.proposals[0].effects
    return [(e.after.verdict, e.after.gap_m2) for e in effects if e.after.verdict != "informative"]


def table(rows: list[Row]) -> str:
    """The rows and their sum in markdown."""
    lines = [
        "| door | motion | family | zones met | after | unseen m2 | after | tried | stopped | relaxations | s |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for r in rows:
        lines.append(
            f"| {r.name} | {r.motion} | {r.family} | {r.met_before} of {r.zones} | {r.met_after} | "
            f"{r.unseen_before_m2:.2f} | {r.unseen_after_m2:.2f} | {r.tried} | {r.stopped} | {r.relaxed} | {r.seconds:.2f} |"
        )
    zones, before, after = (sum(getattr(r, n) for r in rows) for n in ("zones", "met_before", "met_after"))
    unseen, left = (sum(getattr(r, n) for r in rows) for n in ("unseen_before_m2", "unseen_after_m2"))
    seconds = sorted(r.seconds for r in rows)
    lines += [
        "",
        f"{len(rows)} doors, {zones} zones: {before} met before ({before / zones:.0%}), {after} after ({after / zones:.0%}); "
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
    REPORT.write_text("# Advice on varied doors\n\n" + table([row(planner, door) for door in doors]) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])

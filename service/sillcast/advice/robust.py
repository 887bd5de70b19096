"""Whether advice survives the mounting: what is met must stay met at errors of angle and place."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sillcast.advice.places import OnGrid
from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.task import Task, placed_again
from sillcast.advice.words import joined, labelled
from sillcast.contract import Comparison

__all__ = ["ANGLE_ERROR_DEG", "PLACE_ERROR_M", "Robust", "mount_errors", "robust"]

ANGLE_ERROR_DEG = 1.0  # common practice, no source: what a spirit level and a steady hand reach
PLACE_ERROR_M = 0.02  # common practice, no source

_ERRORS = (
    ("mount/tilt_deg", "tilt", "deg", ANGLE_ERROR_DEG),
    ("mount/yaw_deg", "yaw", "deg", ANGLE_ERROR_DEG),
    ("mount/roll_deg", "roll", "deg", ANGLE_ERROR_DEG),
    ("mount/position/x_m", "place along the door", "m", PLACE_ERROR_M),
    ("mount/position/y_m", "place out from the door", "m", PLACE_ERROR_M),
    ("mount/position/z_m", "height", "m", PLACE_ERROR_M),
)


@dataclass(frozen=True)
class Robust:
    """Whether all errors are survived, None if none was judged; the first that is not; what was judged, in words."""

    holds: bool | None
    failing_case: str
    judged: str


def mount_errors(
    request: Any, index: int, *, angle_deg: float = ANGLE_ERROR_DEG, place_m: float = PLACE_ERROR_M
) -> Iterator[tuple[str, Any]]:
    """Each error of one sensor's mount on its own, in words and as the request that has it."""
    for pointer, words, unit, _ in _ERRORS:
        at = f"/sensors/{index}/{pointer}"
        now = float(value_at(request, at))
        size = angle_deg if unit == "deg" else place_m
        for error in (-size, size):
            name = request.sensors[index].name
            yield f"{name}: {words} {error:+g} {unit}", with_value(request, at, round(now + error, 9))


def robust(task: Task, changed: Any, comparisons: Sequence[Comparison], sensors: Sequence[int]) -> Robust:
    """Whether every zone that a changed request meets stays met at each mounting error, by exact regions.

    A grid puts the errors in order, the worst first, so that what fails is found soon. The weather that the request
    declares is in every assessment already, so the errors come on top of it.

    Parameters
    ----------
    task : Task
        What the planner handed over.
    changed : struct
        Request with the proposal in it.
    comparisons : sequence of Comparison
        Its assessment.
    sensors : sequence of int
        Sensors whose settings are proposed, by their place in the request.

    Returns
    -------
    Robust
        The first error at which zones are lost is named with all of them; `judged` says how many errors were assessed,
        of how many, or why none was.
    """
    met = {c.zone for c in comparisons if c.verdict == "met"}
    if not met:
        return Robust(None, "", "No zone is met with the proposals, so there is nothing to lose by a mounting error.")
    names = ", ".join(changed.sensors[i].name for i in sensors)
    cases = _worst_first(task, changed, met, sensors)
    some = cases[: task.budget.robust]
    for count, (words, wrong) in enumerate(some, 1):
        lost = [c for c in task.assessed(wrong) or () if c.zone in met and c.verdict != "met"]
        if lost:
            failing = f"{words}: {_lost(task, lost)}."
            judged = f"{count} of {len(cases)} mounting errors of {names} assessed, then one failed."
            return Robust(False, failing, judged)
    left = "" if len(some) == len(cases) else "; the others show no loss on a grid"
    judged = f"{len(some)} of {len(cases)} mounting errors of {names} assessed with exact regions{left}."
    return Robust(True, "", judged)


def _lost(task: Task, lost: Sequence[Comparison]) -> str:
    """Zones that are lost, the worst first, with what stays unseen of each."""
    labels = {z.id: z.label for z in task.zones}
    worst = sorted(lost, key=lambda c: -c.gap_m2)
    gaps = joined([f"{c.gap_m2:.3g}" for c in worst])
    return f"{labelled([labels[c.zone] for c in worst], 'is', 'are')} no longer met, {gaps} m2 stay unseen"


def _worst_first(task: Task, changed: Any, met: Container[str], sensors: Sequence[int]) -> list[tuple[str, Any]]:
    """Errors in words and as requests: largest loss on the grid first, then least margin."""
    placed = [placed_again(changed, s) for s in task.placed]
    grid = OnGrid(task.site, [z for z in task.zones if z.id in met], fineness=task.budget.fine, certain=False)
    found: list[tuple[float, float, int, str, Any]] = []
    for index in sensors:
        for words, wrong in mount_errors(changed, index):
            off = [placed_again(wrong, s) if s.index == index else s for s in placed]
            scores = grid.scores(off)
            lost, margin = sum(s.gap_m2 for s in scores), min((s.margin_m for s in scores), default=0.0)
            found.append((-round(lost, 4), round(margin, 3), len(found), words, wrong))
    return [(words, wrong) for *_, words, wrong in sorted(found, key=lambda f: f[:3])]

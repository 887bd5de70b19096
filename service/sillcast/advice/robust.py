"""Whether advice survives the mounting: what is met must stay met at errors of angle and place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.task import Task, placed_again
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
    """Whether all errors are survived; None if it was not asked for."""

    holds: bool | None
    failing_case: str


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


def robust(task: Task, changed: Any, comparisons: Sequence[Comparison]) -> Robust:
    """Whether every zone that a changed request meets stays met at each mounting error, at the centres of a fine grid.

    The weather that the request declares is in every assessment already, so the errors come on top of it.

    Parameters
    ----------
    task : Task
        What the planner handed over.
    changed : struct
        Request with the proposal in it.
    comparisons : sequence of Comparison
        Its assessment.

    Returns
    -------
    Robust
        The first error at which a zone is lost is named.
    """
    met = {c.zone for c in comparisons if c.verdict == "met"}
    placed = [placed_again(changed, s) for s in task.placed]
    for i, sensor in enumerate(placed):
        for words, wrong in mount_errors(changed, sensor.index):
            off = [*placed[:i], placed_again(wrong, sensor), *placed[i + 1 :]]
            lost = [s for s in task.centres.scores(off) if s.zone.id in met and s.gap_m2 > 0]
            if lost:
                worst = max(lost, key=lambda s: s.gap_m2)
                return Robust(False, f"{words}: {worst.zone.id} is no longer met, {worst.gap_m2:.2f} m2 stay unseen.")
    return Robust(True, "")

"""Which zones no setting can serve: hidden from every sensor, whichever way it looks.

A sensor whose settings turn it but do not move it sees at most what a sensor at its place sees that looks every way,
counts every hit and reaches as far. A zone of which such a sensor sees nothing stays as it is, so neither it nor the
sensors that see no other need be searched. Judged on cells of 0.1 m with a ray every 2 degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import msgspec
import numpy as np
import numpy.typing as npt

from sillcast.advice.places import OnGrid
from sillcast.advice.settings import Setting
from sillcast.advice.task import Task
from sillcast.family import Rays
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed

__all__ = ["Reach", "reach_of"]

_STEP_DEG = 2.0
_FINENESS = 2  # cells along the narrow side of the body
_ALMOST_ALL = 0.999  # of a zone unseen: it may be hidden

# Zones that a sensor may see by some setting, for each sensor by its place in the request.
Reach = dict[int, frozenset[str]]


def reach_of(task: Task, settings: Sequence[Setting]) -> Reach:
    """For each sensor the unmet zones that it could see something of; all of its purposes where that is not known.

    Only zones that are all but wholly unseen are looked at; for others some setting sees something already.
    """
    unmet = [z for z in task.zones if _is_unmet(task, z)]
    doubtful = [z for z in unmet if _is_dark(task, z)]
    grid = OnGrid(task.site, doubtful, fineness=_FINENESS, certain=False)
    found: Reach = {}
    for sensor in task.placed:
        serves = {z.id for z in unmet if z.kind in sensor.purposes}
        omni = _omni(sensor, settings) if serves & {z.id for z in doubtful} else None
        if omni is not None:
            alone = {s.zone.id: s.gap_m2 for s in grid.scores([])}
            serves -= {s.zone.id for s in grid.scores([omni]) if s.gap_m2 >= alone[s.zone.id]}
        found[sensor.index] = frozenset(serves)
    return found


def _is_unmet(task: Task, zone: ZoneNeed) -> bool:
    verdicts = {c.zone: c.verdict for c in task.comparisons}
    return verdicts.get(zone.id) == "not_met"


def _is_dark(task: Task, zone: ZoneNeed) -> bool:
    """True if all but nothing of a zone is seen."""
    return any(c.zone == zone.id and c.gap_m2 >= _ALMOST_ALL * c.required_m2 for c in task.comparisons)


def _omni(sensor: Placed, settings: Sequence[Setting]) -> Placed | None:
    """The sensor looking every way, without fields; None if a setting moves it or it sees by other means than rays."""
    moves = any("/mount/position" in s.variable.pointer for s in settings if s.sensor == sensor.index)
    rays = [e for e in sensor.emissions if isinstance(e, Rays) and not e.blocks]
    if moves or sensor.carried is not None or not rays or len(rays) < len(sensor.emissions):
        return None
    origin = sensor.scene.mount.origin
    if any(not np.array_equal(e.origins, np.broadcast_to(origin, e.origins.shape)) for e in rays):
        return None
    ways = _ways()
    wide = Rays(
        origins=np.ascontiguousarray(np.broadcast_to(origin, ways.shape)),
        directions=ways,
        range_m=np.full(len(ways), max(float(e.range_m.max(initial=0.0)) for e in rays)),
        group=np.zeros(len(ways), dtype=np.int64),
        floor_margin_m=min(e.floor_margin_m for e in rays),
    )
    params = sensor.params
    if getattr(params, "fields", ()):
        params = msgspec.structs.replace(params, fields=())
    return replace(sensor, params=params, emissions=(wide,))


@lru_cache(maxsize=1)
def _ways() -> npt.NDArray[np.float64]:
    """Unit vectors about evenly over the sphere: circles of latitude with rays as far apart as the circles."""
    parts = []
    for polar in np.deg2rad(np.arange(_STEP_DEG / 2, 180.0, _STEP_DEG)):
        count = max(4, int(np.ceil(360.0 / _STEP_DEG * np.sin(polar))))
        around = 2 * np.pi * (np.arange(count) + 0.5) / count
        ring = np.stack(
            np.broadcast_arrays(np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around), np.cos(polar))
        )
        parts.append(ring.T)
    ways: npt.NDArray[np.float64] = np.ascontiguousarray(np.concatenate(parts))
    lengths: npt.NDArray[np.float64] = np.linalg.norm(ways, axis=1, keepdims=True)
    return np.divide(ways, lengths)

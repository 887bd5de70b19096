"""One request with its zones and sensors, as the advice works on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import msgspec
import numpy as np

from sillcast.advice.places import OnGrid, Site
from sillcast.contract import Comparison, ZoneNumbers
from sillcast.errors import RequestError
from sillcast.family import Rays
from sillcast.kernel import TestBody
from sillcast.needs import Needs, ZoneNeed
from sillcast.sensing import Placed, floors_of, place, scene_of

__all__ = ["Budget", "Task", "is_fast", "is_same", "numbers", "placed_again"]


LESS_DEEP = 0.8  # 0.04 m of the reference body's 0.20 m: what 0.2 m of mount height or a degree of tilt may take


@dataclass(frozen=True)
class Budget:
    """Most work of one request, in candidates; never in seconds, so that equal requests get equal answers.

    Attributes
    ----------
    tried, tried_slow : int
        Candidates judged on the grid, and how many where a sensor is judged by exact regions: lobes, areas, leaf.
    kept, kept_of_all : int
        Of these, how many are judged again on the fine grids, and how many where all combinations were tried.
    assessed, assessed_of_all : int
        Candidates assessed with exact regions, and how many where all combinations were tried.
    near, polished : int
        Where a sliver is missing: single steps from the best judged on the fine grid, and those assessed.
    taken_back : int
        Changes of what is proposed that are assessed once without, to leave out what is needless.
    relaxed : int
        Most assessments with exact regions for relaxations.
    robust : int
        Most assessments with exact regions for mounting errors.
    coarse, fine, relaxed_on, glimpse : int
        Cells along the narrow side of the body, of the grids to search on, to choose on, for relaxations, and for a
        first look at what is near the best.
    thin : int
        For the coarse grid, every so manieth ray of a sensor that wants several hits.
    """

    tried: int = 150
    tried_slow: int = 40
    kept: int = 6
    kept_of_all: int = 40
    assessed: int = 2
    assessed_of_all: int = 8
    near: int = 64
    polished: int = 2
    taken_back: int = 8
    relaxed: int = 6
    robust: int = 24
    coarse: int = 8
    fine: int = 16
    relaxed_on: int = 16
    glimpse: int = 4
    thin: int = 3


@dataclass(frozen=True, eq=False)
class Task:
    """What the planner hands over: a request that was assessed, and how to assess another.

    Attributes
    ----------
    request : struct
        The request.
    placed : sequence of Placed
        Its sensors, placed.
    zones : sequence of ZoneNeed
        What the door needs.
    comparisons : sequence of Comparison
        The assessment, one for each zone.
    site : Site
        What stands around.
    evaluate : callable
        Comparisons of another request, from exact regions.
    needs : callable
        What another request needs: zones and findings.
    """

    request: Any
    placed: Sequence[Placed]
    zones: Sequence[ZoneNeed]
    comparisons: Sequence[Comparison]
    site: Site
    evaluate: Callable[[Any], Sequence[Comparison]]
    needs: Callable[[Any], Needs]
    budget: Budget = Budget()
    ranges: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    grids: dict[tuple[int, int], OnGrid] = field(default_factory=dict)

    def grid(self, fineness: int, thin: int = 1) -> OnGrid:
        """Zones of the request on a grid, made once."""
        key = (fineness, thin)
        if key not in self.grids:
            self.grids[key] = OnGrid(self.site, self.zones, fineness=fineness, thin=thin)
        return self.grids[key]

    def assessed(self, changed: Any) -> Sequence[Comparison] | None:
        """Comparisons of a changed request as a client would post it; None if it would be refused."""
        try:
            return self.evaluate(msgspec.convert(msgspec.to_builtins(changed), type(changed)))
        except (msgspec.ValidationError, RequestError):
            return None

    @property
    def centres(self) -> OnGrid:
        """The fine grid judged by the cells' centres, without reserve: to tell whether what is met is lost."""
        if (0, 0) not in self.grids:
            self.grids[0, 0] = OnGrid(self.site, self.zones, fineness=self.budget.fine, certain=False)
        return self.grids[0, 0]

    @property
    def slim(self) -> OnGrid:
        """The fine grid for bodies less wide and deep by a fifth, which stand where the whole ones can."""
        if (0, 1) not in self.grids:
            slim = {z.body: _slim(z.body) for z in self.zones}
            whole = {thin: body for body, thin in slim.items()}
            site = replace(self.site, blocked=lambda body, angle, state: self.site.blocked(whole[body], angle, state))
            zones = [replace(z, body=slim[z.body]) for z in self.zones]
            self.grids[0, 1] = OnGrid(site, zones, fineness=self.budget.fine, certain=False)
        return self.grids[0, 1]

    @property
    def coarse(self) -> OnGrid:
        """Grid to search on."""
        return self.grid(self.budget.coarse, self.budget.thin)

    @property
    def fine(self) -> OnGrid:
        """Grid to choose on."""
        return self.grid(self.budget.fine)


def _slim(body: TestBody) -> TestBody:
    height = LESS_DEEP * body.height_m if body.shape == "sphere" else body.height_m
    return replace(body, width_m=LESS_DEEP * body.width_m, depth_m=LESS_DEEP * body.depth_m, height_m=height)


def placed_again(request: Any, like: Placed, index: int | None = None) -> Placed:
    """A sensor of a changed request, placed as its family would.

    Parameters
    ----------
    request : struct
        Changed request.
    like : Placed
        A sensor of the same family.
    index : int, optional
        Place in the changed request; that of `like` if absent.
    """
    index = like.index if index is None else index
    sensor = request.sensors[index]
    scene = scene_of(sensor, index, request.door, request.site, floors_of(request.site))
    return place(sensor, index, like.family, like.distribution, scene)


def is_fast(sensor: Placed) -> bool:
    """True if the sensor is judged by counting rays, not by exact regions."""
    return sensor.carried is None and all(isinstance(e, Rays) for e in sensor.emissions)


def is_same(one: Placed, other: Placed) -> bool:
    """True if two placements of a sensor send out the same and keep the same fields, so that they see the same."""
    if len(one.emissions) != len(other.emissions) or one.scene.mount.side != other.scene.mount.side:
        return False
    if any(one.family.fields(one.params, p) != other.family.fields(other.params, p) for p in one.purposes):
        return False
    pairs = zip(one.emissions, other.emissions, strict=True)
    return all(type(a) is type(b) and all(_equal(a, b, f.name) for f in fields(a)) for a, b in pairs)


def _equal(one: Any, other: Any, name: str) -> bool:
    a, b = getattr(one, name), getattr(other, name)
    return bool(np.array_equal(a, b)) if isinstance(a, np.ndarray) else bool(a == b)


def numbers(comparison: Comparison) -> ZoneNumbers:
    """The numbers of a comparison that an effect shows."""
    return ZoneNumbers(
        verdict=comparison.verdict,
        share=comparison.share,
        gap_m2=comparison.gap_m2,
        overspill_m2=comparison.overspill_m2,
        margin_m=comparison.margin_m,
    )

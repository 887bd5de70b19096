"""Need against detection: share, gaps with their culprits, reach, margin, verdict; one zone at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import ceil, hypot
from typing import Any

import numpy as np

from sillcast.contract import Circle, Comparison, Culprit, Gap, StateShare
from sillcast.family import Emission, Lobe, Rays
from sillcast.kernel import Region, TestBody
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed, Sensing, Window

__all__ = ["HAIRLINE_M", "Compared", "compare", "is_met", "leaf_words"]

HAIRLINE_M = 0.0025  # radius of the disc by which gaps are opened: what is nowhere 5 mm wide is no gap
_GAPS_EXPLAINED = 3
_CAUSE_SHARE = 0.1  # of a gap; a cause that explains less is not named [1]
_CAUSE_M2 = 1e-3
_MARGIN_MOST_M = 1.0
_WHOLE = 0.9995  # a share that is shown as all [1]
_BEYOND_M = 1.0  # past the farthest place of a zone: half of a body and a leaf's rise
_FAR_LOBE_M = 60.0
_COURSE_M = 60.0  # longer than any way to a door


@dataclass(frozen=True, eq=False)
class Compared:
    """One zone with its comparison, and the regions behind it at the worst leaf state."""

    zone: ZoneNeed
    answer: Comparison
    required: Region
    gap: Region
    sensors: tuple[Placed, ...]


@dataclass(frozen=True, eq=False)
class _AtState:
    """Required area and what is missing of it at one leaf state; hairlines are missing, but no gap.

    `areas` are what it is made of: for each angle, where the body cannot stand and where it is seen.
    """

    state: float
    areas: Sequence[tuple[Region, Region]]
    required: Region
    gap: Region
    missing_m2: float
    blocked: Region

    @property
    def share(self) -> float:
        return 1.0 if self.required.area <= 0 else max(0.0, 1.0 - self.missing_m2 / self.required.area)


def compare(zone: ZoneNeed, sensing: Sensing, bodies: Mapping[str, TestBody], *, explain: bool = True) -> Compared:
    """Compare one zone with what the sensors of its purpose detect.

    Parameters
    ----------
    zone : ZoneNeed
        Set of body centres at which the body must be detected; an exclusion: must not.
    sensing : Sensing
        Sensors in their scene.
    bodies : mapping
        Body catalogue by name, for the largest unseen body.
    explain : bool
        False leaves out the gaps one by one, for a question of numbers alone.

    Returns
    -------
    compared : Compared
        With the verdict `met` if the gap, opened by a 5 mm disc, is empty at every leaf state of the zone; but
        `cannot_tell` if only sensors see it that must not serve its purpose alone. The worst state of a zone that is
        met is the one with the least margin.
    """
    purpose = "activation" if zone.kind == "exclusion" else zone.kind
    sensors = tuple(s for s in sensing.placed if purpose in s.purposes)
    if zone.kind == "exclusion":
        return _exclusion(zone, sensing, sensors)
    states = list(_at_states(zone, sensing, sensors))
    met = all(s.gap.is_empty for s in states)
    margins = _margins(zone, states) if met else []
    worst = states[margins.index(min(margins))] if met else min(states, key=_badness)
    gaps = worst.gap.parts() if explain else []
    found = [
        _gap(part, i < _GAPS_EXPLAINED, zone, sensing, sensors, worst.state, bodies) for i, part in enumerate(gaps)
    ]
    width, depth = _reached(zone, worst.required, worst.gap)
    contributing = _contributing(zone, sensing, sensors, worst)
    alone = met and _is_alone(contributing, zone)
    answer = Comparison(
        zone=zone.id,
        verdict="cannot_tell" if alone else "met" if met else "not_met",
        reason=_alone_words(contributing, purpose) if alone else _reason(met, sensors, contributing, worst, purpose),
        worst_state=worst.state,
        share=round(worst.share, 4),
        shares=[StateShare(state=s.state, share=round(s.share, 4)) for s in states],
        required_m2=round(worst.required.area, 4),
        blocked_m2=round(worst.blocked.area, 4),
        gaps=found,
        gap_m2=round(worst.gap.area, 4),
        width_reached_m=round(width, 3),
        depth_reached_m=round(depth, 3),
        overspill_m2=0.0,
        margin_m=min(margins) if met else None,
        contributing=[s.name for s in contributing],
        redundant_share=round(_redundant_share(zone, sensing, sensors, worst), 4),
    )
    return Compared(zone, answer, worst.required, worst.gap, sensors)


def is_met(zone: ZoneNeed, sensing: Sensing) -> bool:
    """The verdict of `compare` alone; always False for an exclusion, which has none."""
    sensors = tuple(s for s in sensing.placed if zone.kind in s.purposes)
    if zone.kind == "exclusion":
        return False
    states = list(_at_states(zone, sensing, sensors))
    if not all(at.gap.is_empty for at in states):
        return False
    return not _is_alone(_contributing(zone, sensing, sensors, states[0]), zone)


def _badness(at: _AtState) -> tuple[float, float]:
    """Least share first, then the greatest gap, both as far as they are shown; of equals the first state counts."""
    return round(at.share, 4), -round(at.gap.area, 4)


def _asked(zone: ZoneNeed) -> dict[str, Any]:
    """What every question about a zone has in common: purpose, motion of the body, movement of the leaf."""
    purpose = "activation" if zone.kind == "exclusion" else zone.kind
    return {"purpose": purpose, "velocities": zone.velocities_m_per_s, "during": zone.during}


def _at_states(zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed]) -> Iterator[_AtState]:
    """The zone at each of its leaf states; where nothing moved that matters, the same areas again."""
    known: dict[tuple[int, ...], _AtState] = {}
    for state in _states(zone, sensors):
        areas = [
            (sensing.blocked(zone.body, angle, state), _served(zone, sensing, sensors, angle, state))
            for angle in zone.angles_deg
        ]
        key = tuple(id(region) for pair in areas for region in pair)  # of regions that it keeps
        if key not in known:
            known[key] = _at_state(zone, state, areas)
        yield replace(known[key], state=state)


def _served(
    zone: ZoneNeed,
    sensing: Sensing,
    sensors: Sequence[Placed],
    angle_deg: float,
    state: float,
    window: Window | None = None,
) -> Region:
    """Where the body is seen, or for activation has been on its course, so lately that the door is open to it."""
    how: dict[str, Any] = {"angle_deg": angle_deg, "state": state, **_asked(zone)}
    lines = _lines(zone, sensors)
    if not lines:
        return sensing.detected(sensors, zone.body, **how, window=window)
    areas = sensing.detected([s for s in sensors if s not in lines], zone.body, **how, window=window)
    return areas | _behind(sensing.detected(lines, zone.body, **how), zone)


def _lines(zone: ZoneNeed, sensors: Sequence[Placed]) -> list[Placed]:
    """Sensors of a zone of activation that find who comes on its course, and are not to see all of it."""
    return [s for s in sensors if zone.kind == "activation" and len(zone.velocities_m_per_s) == 1 and _is_line(s)]


def _is_line(sensor: Placed) -> bool:
    """True for what traffic passes over or through, a loop, a mat or a beam, and that is not to see a whole area."""
    beams = [isinstance(e, Rays) and e.blocks for e in sensor.emissions]
    return sensor.family.sits == "floor" or (bool(beams) and all(beams))


def _behind(seen: Region, zone: ZoneNeed) -> Region:
    """Places that a body reaches on its course while the door is sure to be open to it.

    After the last signal it stays open for the shorter time. After the first one, the farthest out on the course, it
    opens and then stays open for that time: the longer one, where nothing was seen before that.
    """
    (vx, vy), (first_s, last_s) = zone.velocities_m_per_s[0], zone.stays_open_s
    after_last = seen.swept(vx * last_s, vy * last_s)
    x, y = vx * first_s, vy * first_s
    speed = hypot(vx, vy)
    long_ago = seen.moved(x, y).swept(vx / speed * _COURSE_M, vy / speed * _COURSE_M)
    return after_last | (seen.swept(x, y) - long_ago)


def _states(zone: ZoneNeed, sensors: Sequence[Placed]) -> tuple[float, ...]:
    """Leaf states of a zone, and one within each muting that holds none of them."""
    muted = [m for s in sensors for m in s.muted if zone.kind == "protection"]
    spans = {(low, high) for movement, low, high in muted if movement in zone.during}
    missed = {(low + high) / 2 for low, high in spans if not any(low <= state <= high for state in zone.states)}
    return (*zone.states, *sorted(missed, reverse=True))


def _at_state(zone: ZoneNeed, state: float, areas: Sequence[tuple[Region, Region]]) -> _AtState:
    """A place counts only if the body is found there at every angle of the zone at which it can stand there."""
    required, missing = [], []
    for cannot, seen in areas:
        wanted = zone.region - (cannot & zone.region)
        required.append(wanted)
        missing.append(wanted - seen)
    whole, gap = Region.union(required), Region.union(part.opened(HAIRLINE_M) for part in missing)
    return _AtState(state, areas, whole, gap, Region.union(missing).area, zone.region - whole)


def _exclusion(zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed]) -> Compared:
    """How much of an area in which detection is unwanted is detected; no verdict."""
    state, sensing = zone.states[0], sensing.see_through()
    if zone.in_place_of:
        sensing = sensing.in_place_of(zone.in_place_of, zone.hangs_from_m)
    sensors = tuple(_same(sensors, sensing))
    seen = Region.union(
        sensing.detected(sensors, zone.body, angle_deg=angle, state=state, **_asked(zone)) for angle in zone.angles_deg
    )
    spill = seen & zone.region
    answer = Comparison(
        zone=zone.id,
        verdict="informative",
        reason="An exclusion has no verdict; its overspill is weighed.",
        worst_state=state,
        share=round(spill.area / zone.region.area, 4) if not zone.region.is_empty else 0.0,
        shares=[],
        required_m2=0.0,
        blocked_m2=0.0,
        gaps=[],
        gap_m2=0.0,
        width_reached_m=0.0,
        depth_reached_m=0.0,
        overspill_m2=round(spill.area, 4),
        margin_m=None,
        contributing=[
            s.name
            for s in sensors
            if not (sensing.region(s, zone.body, angle_deg=0.0, state=state, **_asked(zone)) & zone.region).is_empty
        ],
    )
    return Compared(zone, answer, Region(), Region(), tuple(sensors))


def _reason(met: bool, sensors: Sequence[Placed], contributing: Sequence[Placed], worst: _AtState, purpose: str) -> str:
    if met and worst.required.is_empty:
        return "No body can stand in this zone."
    if met and purpose == "activation" and all(_is_line(s) for s in contributing):
        return "Who comes on this course is found in time, and the door stays open until then; nearer it may go unseen."
    if met and worst.share < _WHOLE:
        return f"The body is detected everywhere but on {worst.missing_m2:.4f} m2 of strips narrower than 5 mm."
    if met:
        return "The body is detected at every place of the zone."
    if not sensors:
        return f"No sensor on the plan serves {purpose}."
    return f"With the leaf {leaf_words(worst.state)} the body stays unseen on {worst.gap.area:.2f} m2."


def leaf_words(state: float) -> str:
    """A leaf state as a person says it."""
    return {0.0: "closed", 1.0: "fully open"}.get(state, f"{state * 100:.0f} % open")


def _gap(
    part: Region,
    explained: bool,
    zone: ZoneNeed,
    sensing: Sensing,
    sensors: Sequence[Placed],
    state: float,
    bodies: Mapping[str, TestBody],
) -> Gap:
    x, y, radius = part.largest_circle()
    return Gap(
        area_m2=round(part.area, 4),
        polygons_m=part.rings("nearest"),
        largest_circle=Circle(x_m=round(x, 3), y_m=round(y, 3), radius_m=round(radius, 3)),
        culprits=_culprits(part, zone, sensing, sensors, state) if explained else [],
        largest_unseen_body=_largest_unseen((x, y), zone, sensing, sensors, state, bodies) if explained else "",
    )


def _culprits(part: Region, zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed], state: float) -> list[Culprit]:
    """Who took how much of a gap: each thing is taken away on its own and what comes back is measured.

    A cause that explains less than a tenth of the gap is not named. What no cause explains lies between what is seen,
    or where nothing looks. The leaf hides what is not seen even where sensors need not tell it from a body; that it
    hides a place from the other side is no cause.
    """
    if not sensors:
        return [Culprit(cause="no_sensor", name=zone.kind, area_m2=round(part.area, 4))]
    if zone.side not in {s.side for s in sensors} and part.area > 0.9 * zone.region.area and not zone.is_under_leaf:
        return [Culprit(cause="no_sensor", name=f"{zone.side} side", area_m2=round(part.area, 4))]
    seen = [(part & _served(zone, sensing, sensors, angle, state), angle) for angle in zone.angles_deg]
    before, angle = min(seen, key=lambda found: found[0].area)
    x0, y0, x1, y1 = part.bounds
    regained = [
        (cause, name, part & _served(zone, world, _same(sensors, world), angle, state, (x0, x1, y0, y1)))
        for cause, name, world in _worlds(zone, sensing, sensors, state)
    ]
    regained += [
        ("too_near", name, part & served) for name, served in _farther_out(zone, sensing, sensors, angle, state)
    ]
    not_told = Region.union(back for cause, _, back in regained if cause == "leaf")
    regained = [(c, name, before | (back - not_told) if c == "leaf_shadow" else back) for c, name, back in regained]
    least = max(_CAUSE_M2, _CAUSE_SHARE * part.area)
    named = [
        Culprit(cause=cause, name=name, area_m2=round(back.area - before.area, 4))
        for cause, name, back in regained
        if back.area - before.area >= least
    ]
    rest = part - Region.union([before, *(back for _, _, back in regained)])
    if not named or rest.area >= least:
        is_between = _between_planes(rest, zone, sensing, sensors, state, angle)
        what = ("planes", "planes") if is_between else ("aim", "mount, sweep or tilt")
        named.append(Culprit(cause=what[0], name=what[1], area_m2=round(rest.area, 4)))
    return sorted(named, key=lambda c: -c.area_m2)


def _farther_out(
    zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed], angle_deg: float, state: float
) -> Iterator[tuple[str, Region]]:
    """What the first loop, mat or beam on the course would serve if it lay so far out that it finds in time.

    Beside a sensor that is to see the whole way that is no cause; nor is it of one on the other side of the door.
    """
    how: dict[str, Any] = {"angle_deg": angle_deg, "state": state, **_asked(zone)}
    lines = _lines(zone, [s for s in sensors if s.side == zone.side])
    if len(lines) < sum(s.side == zone.side for s in sensors):
        return
    seen = [(sensing.region(s, zone.body, **how), s.name) for s in lines]
    found = [(_out_m(region, zone), name, region) for region, name in seen if not region.is_empty]
    found = [one for one in found if one[0] > 0.0]
    if not found:
        return
    (at, name, region), needed = max(found, key=lambda one: one[0]), _out_m(zone.region, zone)
    if (move := ceil(100.0 * (needed - at) - 1e-6) / 100.0) > 0.0:
        vx, vy = zone.velocities_m_per_s[0]
        words = f"{name} finds from {at:.2f} m out, needed from {needed:.2f} m: {move:.2f} m farther out"
        yield words, _behind(region.moved(-vx / abs(vy) * move, -vy / abs(vy) * move), zone)


def _out_m(region: Region, zone: ZoneNeed) -> float:
    """How far a region reaches out from the leaf plane on a zone's side. [m]"""
    _, y0, _, y1 = region.bounds
    return -y0 if zone.side == "near" else y1


def _worlds(
    zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed], state: float
) -> Iterator[tuple[str, str, Sensing]]:
    """What may cost detection in a zone, with its name, and the scene without it."""
    for name in _stopping(sensing, sensors, state):
        yield "shadow", name, sensing.without(name)
    if any(_has_field(s, zone.kind) for s in sensors):
        yield "field", "field", sensing.ignoring("fields")
    if zone.kind == "protection" and any(sensing.takes_leaf_for_body(s) for s in sensors):
        yield "leaf", "leaf", sensing.ignoring("leaf")
    beside = [s for s in sensors if s.side == zone.side or zone.is_under_leaf]
    if any(sensing.is_screened(s, state) for s in beside):
        yield "leaf_shadow", "leaf", sensing.without_leaf([s.index for s in beside])
    if muted := [s.name for s in sensors if zone.kind == "protection" and s.is_muted(state, zone.during)]:
        yield "muting", " and ".join(muted), sensing.with_sensors(_unmuted)
    yield "range", "range", sensing.with_emissions(_Reaching(zone.region.bounds))
    yield "ray_spacing", "least hits", sensing.with_emissions(_one_hit)
    if any(isinstance(e, Lobe) and not e.presence for s in sensors for e in s.emissions):
        yield "speed", "speed along the line of sight", sensing.with_emissions(_at_any_speed)


def _unmuted(sensor: Placed) -> Placed:
    return replace(sensor, muted=())


def _same(sensors: Sequence[Placed], world: Sensing) -> list[Placed]:
    """The sensors of another world that stand for these."""
    wanted = {s.index for s in sensors}
    return [s for s in world.placed if s.index in wanted]


def _stopping(sensing: Sensing, sensors: Sequence[Placed], state: float) -> list[str]:
    """Obstacles that stop at least one ray of these sensors, in request order."""
    stopping = {name for s in sensors for name in sensing.stops(s, state)}
    if any(isinstance(e, Lobe) for s in sensors for e in s.emissions):
        stopping |= {p.name for p in sensing.fixed.prisms}
    return [p.name for p in sensing.fixed.prisms if p.part == "obstacle" and p.name in stopping]


def _has_field(sensor: Placed, purpose: str) -> bool:
    return bool(sensor.family.fields(sensor.params, purpose))


@dataclass(frozen=True)
class _Reaching:
    """Emissions that reach all places within bounds.

    Rays go no farther than that: a ray counts where its whole spot falls on the body, and the spot of a plane is as
    wide as at its farthest hit.
    """

    bounds: tuple[float, float, float, float]

    def __call__(self, emission: Emission) -> Emission:
        """The emission with as much range as it needs, and no less than it has."""
        if isinstance(emission, Lobe):
            return emission.with_range(max(_FAR_LOBE_M, emission.range_m))
        if not isinstance(emission, Rays) or emission.blocks:
            return emission
        x0, y0, x1, y1 = self.bounds
        x, y, z = emission.origins.T
        far = np.hypot(np.hypot(np.maximum(x - x0, x1 - x), np.maximum(y - y0, y1 - y)), z) + _BEYOND_M
        return replace(emission, range_m=np.maximum(emission.range_m, far))


def _one_hit(emission: Emission) -> Emission:
    return replace(emission, least_hits=1) if isinstance(emission, Rays) else emission


def _at_any_speed(emission: Emission) -> Emission:
    return replace(emission, presence=True) if isinstance(emission, Lobe) else emission


def _between_planes(
    part: Region, zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed], state: float, angle_deg: float
) -> bool:
    """True if the sensors, but for beams that are blocked, detect on both sides of the gap, out from the door."""
    looking = [s for s in sensors if any(not (isinstance(e, Rays) and e.blocks) for e in s.emissions)]
    if part.is_empty or not looking:
        return False
    seen = sensing.detected(looking, zone.body, angle_deg=angle_deg, state=state, **_asked(zone))
    x0, x1, y0, y1 = _spread(part)
    nearer, farther = Region.box(x0, x1, y0 - 0.3, y0), Region.box(x0, x1, y1, y1 + 0.3)
    return not (seen & nearer).is_empty and not (seen & farther).is_empty


def _spread(region: Region) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = region.bounds
    return x0, x1, y0, y1


def _largest_unseen(
    at: tuple[float, float],
    zone: ZoneNeed,
    sensing: Sensing,
    sensors: Sequence[Placed],
    state: float,
    bodies: Mapping[str, TestBody],
) -> str:
    """Largest body of the catalogue, by volume, that stays unseen with its centre at a place."""
    by_size = sorted(bodies.values(), key=lambda b: (-b.width_m * b.depth_m * b.height_m, b.name))
    how: dict[str, Any] = {"angle_deg": zone.angles_deg[0], "state": state, **_asked(zone)}
    return next((b.name for b in by_size if not any(sensing.sees(s, b, at, **how) for s in sensors)), "")


def _reached(zone: ZoneNeed, required: Region, gap: Region) -> tuple[float, float]:
    """Widest stretch along the door free of gaps, and the depth out from the door before the first gap. [m]"""
    if zone.region.is_empty:
        return 0.0, 0.0
    x0, x1, y0, y1 = _spread(zone.region)
    if gap.is_empty:
        return x1 - x0, y1 - y0
    if gap.area > 0.995 * required.area:
        return 0.0, 0.0
    outward = -1.0 if zone.side == "near" else 1.0
    start = y1 if zone.side == "near" else y0
    first = min(abs(outward * (y - start)) for part in gap.parts() for y in _spread(part)[2:])
    edges = sorted([(x0, x0), (x1, x1), *(_spread(part)[:2] for part in gap.parts())])
    free, reach = 0.0, x0
    for low, high in edges:
        free, reach = max(free, low - reach), max(reach, high)
    return max(free, 0.0), first


def _margins(zone: ZoneNeed, states: Sequence[_AtState]) -> list[float]:
    """Margin at each leaf state; at states with the same areas worked out once. [m]"""
    known: dict[int, float] = {}
    for at in states:
        if id(at.areas) not in known:
            known[id(at.areas)] = round(_margin(zone, at), 3)
    return [known[id(at.areas)] for at in states]


def _margin(zone: ZoneNeed, at: _AtState) -> float:
    """How far a zone met at a leaf state could grow on all sides before a place of it would be unseen, at most 1 m."""
    around = zone.region.grown(_MARGIN_MOST_M)
    distances = [_MARGIN_MOST_M]
    for cannot, seen in at.areas:
        unseen = (around - seen - cannot).opened(HAIRLINE_M)
        distances.append(unseen.distance(at.required))
    return min(distances)


def _contributing(zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed], worst: _AtState) -> list[Placed]:
    """Sensors that serve the zone somewhere."""
    served = ((s, _served(zone, sensing, [s], zone.angles_deg[0], worst.state)) for s in sensors)
    return [s for s, region in served if not (region & worst.required).is_empty]


def _is_alone(contributing: Sequence[Placed], zone: ZoneNeed) -> bool:
    """True if a zone is seen only by sensors that must not serve its purpose alone."""
    return bool(contributing) and all(zone.kind in s.family.never_alone for s in contributing)


def _alone_words(contributing: Sequence[Placed], purpose: str) -> str:
    names = " and ".join(s.name for s in contributing)
    families = " or ".join(dict.fromkeys(s.family.name for s in contributing))
    return f"Only {names} detects the body here, and no {families} may serve {purpose} alone."


def _redundant_share(zone: ZoneNeed, sensing: Sensing, sensors: Sequence[Placed], worst: _AtState) -> float:
    """Share of the required area that two sensors or more detect, each on its own, at the zone's first angle."""
    if worst.required.is_empty:
        return 0.0
    how: dict[str, Any] = {"angle_deg": zone.angles_deg[0], "state": worst.state, **_asked(zone)}
    alone = [sensing.region(s, zone.body, **how) & worst.required for s in sensors]
    twice = Region.union(a & b for a, b in combinations(alone, 2))
    return min(1.0, twice.area / worst.required.area)

"""The answer of a mount search: the best plans judged finely and assessed, a varied list, each with its request."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from sillcast.advice.candidates import FREE_PLACES, Candidate
from sillcast.advice.mount_words import binding_of, report, summary
from sillcast.advice.mounts import Bench, searched
from sillcast.advice.places import OnGrid
from sillcast.advice.plans import Looked, Merit, Plan, merit_of, merit_on_grid
from sillcast.advice.robust import mount_errors
from sillcast.advice.settings import new_fields
from sillcast.advice.standing import MARGIN_ENOUGH_M, MARGIN_STEP_M
from sillcast.advice.task import is_fast, numbers
from sillcast.advice.words import off_wall
from sillcast.contract import Comparison, MountSearchAnswer, RankedMount, Sensitivity, ZoneNumbers
from sillcast.errors import RequestError
from sillcast.findings import CAUTIONS
from sillcast.kernel.clip import prism_holding
from sillcast.sensing import Placed

__all__ = ["mount_search"]

REFINED_MOST = 32  # best plans that are judged on the fine grid
WINNER_MOST = 8  # of these, assessed in search of the best: of 30 varied doors two had it among the last two
CELL_STEPS = 3  # steps of 0.01 m2 by which a grid's area was off at most in tests of small doors
FIELDED_MOST = 8  # best plans that are tried with fields
FIELD_GROWN_M = (0.05, 0.2, 0.4)  # sizes of a field that are tried: a rectangle around the zones, grown by this
PROBED_MOST = 1  # first mounts of the list whose mounting errors are assessed with exact regions
FINENESS = 8
ALIKE_MOST = 2  # mounts of the same devices at the same kinds of place on the list
SENSITIVE_DEG = 1.0
SENSITIVE_M = 0.05
_EQUAL_SHARE = 1e-9


@dataclass(frozen=True, eq=False)
class _Listed:
    """A plan with its request, its merit on the fine grid, and its assessment where there is one."""

    plan: Plan
    request: Any
    merit: Merit
    comparisons: tuple[Comparison, ...] = ()
    has_fields: bool = False

    @property
    def key(self) -> tuple[int, bool]:
        """What tells it from others: the plan, and whether fields were added."""
        return id(self.plan), self.has_fields

    @property
    def order(self) -> tuple[Any, ...]:
        """Merit, exact where there is one, then without fields, then what is easiest to mount."""
        return self.merit, self.has_fields, self.plan.effort


@dataclass
class _Jury:
    """Judges plans more and more finely, each once, and counts what it does."""

    bench: Bench
    fine: OnGrid
    centres: OnGrid
    assessed: int = 0
    listed: dict[tuple[int, bool], _Listed] = field(default_factory=dict)
    sensors: dict[bytes, Placed] = field(default_factory=dict)

    def placed(self, request: Any, index: int) -> Placed:
        """A sensor of a request; one that comes again, under whatever name, is looked at once."""
        sensor = request.sensors[index]
        key = msgspec.json.encode(msgspec.structs.replace(sensor, name="any"))
        if key not in self.sensors:
            self.sensors[key] = self.bench.place(sensor, index)
        return self.sensors[key]

    @classmethod
    def of(cls, bench: Bench) -> _Jury:
        """On grids of the search's zones."""
        fine = OnGrid(bench.site, bench.zones, fineness=FINENESS)
        return cls(bench, fine, OnGrid(bench.site, bench.zones, fineness=FINENESS, certain=False))

    def refined(self, plans: Sequence[Plan]) -> list[_Listed]:
        """Plans on the fine grid."""
        sensors = {id(m): m.placed for plan in plans for m in plan.members}
        for grid in (self.fine, self.centres):
            grid.look_at(list(sensors.values()))
        for plan in plans:
            merit = merit_on_grid(self.fine.scores([m.placed for m in plan.members]))
            one = _Listed(plan, _request(self.bench, plan.members), merit)
            self.listed[one.key] = one
        return [self.listed[id(plan), False] for plan in plans]

    def hoped(self, one: _Listed) -> Merit:
        """Merit by the cells' centres, which exact regions seldom beat."""
        members = [m.placed for m in one.plan.members]
        placed = [self.placed(one.request, i) for i in range(len(members))] if one.has_fields else members
        return merit_on_grid(self.centres.scores(placed))

    def fielded(self, one: _Listed) -> _Listed:
        """The plan with a field for each purpose that has none, where it gains more than margin on the fine grid.

        So activation and protection get different fields of one head: against overspill, and off the leaf.
        """
        placed = [self.bench.place(s, i) for i, s in enumerate(one.request.sensors)]
        settings = [s for sensor in placed for s in new_fields(one.request, sensor, self.bench.zones)]
        for setting in sorted(settings, key=lambda s: not s.variable.pointer.endswith("/protection")):
            tried = [self._with(one, setting.write(one.request, grown)) for grown in FIELD_GROWN_M]
            best = min(tried, key=lambda t: t.merit)
            if best.merit[:-1] < one.merit[:-1]:
                one = best
        self.listed[one.key] = one
        return one

    def _with(self, one: _Listed, request: Any) -> _Listed:
        placed = [self.placed(request, i) for i in range(len(request.sensors))]
        return replace(one, request=request, merit=merit_on_grid(self.fine.scores(placed)), has_fields=True)

    def exact(self, one: _Listed) -> _Listed:
        """The plan assessed as a client would have it assessed."""
        if not one.comparisons:
            comparisons = self.evaluate(one.request)
            one = replace(one, comparisons=comparisons, merit=merit_of(self.bench.zones, comparisons))
            self.listed[one.key] = one
        return one

    def better(self, one: _Listed) -> _Listed:
        """The plan assessed, without fields where they turn out to gain nothing."""
        plain = self.listed[id(one.plan), False]
        return min(self.exact(one), self.exact(plain), key=lambda v: v.order)

    def evaluate(self, request: Any) -> tuple[Comparison, ...]:
        """Comparisons of a request, from exact regions."""
        # The plans in search of the best, those of the list, some without fields too, and errors of the first ones.
        most = WINNER_MOST + self.bench.asked.limits.results + FIELDED_MOST + 2 * PROBED_MOST
        self.bench.tick(self.assessed, most, "assessing")
        self.assessed += 1
        return tuple(self.bench.evaluate(request))


def mount_search(bench: Bench) -> MountSearchAnswer:
    """Ranked mounts for a door.

    Raises
    ------
    UncomputableError
        Ranges that run backwards or are missing.
    BudgetError
        More candidates or work than one request may ask.
    FamilyError
        If a family raises.
    """
    found, jury = searched(bench), _Jury.of(bench)
    most = bench.asked.limits.results
    pool = _pool(found.found.plans, most)
    refined = sorted(jury.refined(pool), key=lambda one: one.order)
    if bench.asked.fields:
        fielded = [jury.fielded(one) for one in refined[:FIELDED_MOST]]
        refined += [one for one in fielded if one.has_fields]
    listed = _varied(_best_first(jury, refined), most)
    listed = sorted((jury.better(one) for one in listed), key=lambda one: one.order)
    mounts = [_ranked(jury, i + 1, one) for i, one in enumerate(listed)]
    front = {m.rank for m in mounts if not any(_is_better(o, m) for o in mounts)}
    mounts = [msgspec.structs.replace(m, pareto=m.rank in front) for m in mounts]
    zone, reason = binding_of(bench, found.devices, mounts)
    return MountSearchAnswer(
        summary=summary(bench, found, mounts, zone, reason),
        mounts=mounts,
        pareto=sorted(front),
        binding_zone=zone,
        binding_reason=reason,
        search=report(bench, found, mounts, refined=len(refined), assessed=jury.assessed),
        skipped=dict(sorted(found.skipped.items())),
        cautions=list(CAUTIONS),
    )


def _pool(plans: Sequence[Plan], most: int) -> list[Plan]:
    """Plans for the fine grid: the best, some of each kind, and those of which no other is better in everything."""
    by_kind: dict[Any, int] = {}
    varied = []
    for plan in plans:
        by_kind[plan.kind] = by_kind.get(plan.kind, 0) + 1
        if by_kind[plan.kind] <= ALIKE_MOST:
            varied.append(plan)
    chosen = [*plans[: max(REFINED_MOST, most)], *varied[:most], *_front(plans)[:most]]
    return list({id(p): p for p in chosen}.values())


def _front(plans: Sequence[Plan]) -> list[Plan]:
    """Plans of which no other is as good in area unseen, overspill, number and height and better in one."""
    found: list[Plan] = []
    for plan in plans:
        mine = _aims(plan)
        if not any(all(a <= b for a, b in zip(_aims(o), mine, strict=True)) for o in found):
            found = [o for o in found if not all(a <= b for a, b in zip(mine, _aims(o), strict=True))]
            found.append(plan)
    return found


def _aims(plan: Plan) -> tuple[float, ...]:
    unseen = sum(s.gap_m2 for s in plan.scores)
    spill = sum(s.zone.weight * s.spill_m2 for s in plan.scores)
    return round(unseen, 1), round(spill, 1), float(len(plan.members)), round(plan.height_m, 2)


def _best_first(jury: _Jury, refined: Sequence[_Listed]) -> list[_Listed]:
    """Plans, best first: assessed are those that could be the best, as far as the work allows."""
    rest = sorted(refined, key=lambda one: one.order)
    done = [jury.exact(one) for one in rest[:1]]
    hoped = {one.key: jury.hoped(one) for one in rest}
    for one in sorted(rest[1:], key=lambda one: (hoped[one.key], one.order)):
        best = min(d.order for d in done)
        if len(done) >= WINNER_MOST or _at_best(hoped[one.key]) > best[0]:
            break
        done.append(jury.exact(one))
    found: dict[int, _Listed] = {}
    for one in sorted((jury.listed[one.key] for one in rest), key=_exact_first):
        found.setdefault(id(one.plan), one)
    return list(found.values())


def _at_best(merit: Merit) -> Merit:
    """Merit with unseen areas and overspill less by what cells may be wrong by, and full margin."""
    *zones, lost, protection, activation, spill, _ = merit
    areas = (max(0, steps - CELL_STEPS) for steps in (protection, activation, spill))
    return (*zones, lost, *areas, -int(MARGIN_ENOUGH_M / MARGIN_STEP_M + 0.5))


def _exact_first(one: _Listed) -> tuple[Any, ...]:
    return not one.comparisons, one.order


def _varied(plans: Sequence[_Listed], most: int) -> list[_Listed]:
    """The first plans, few of each combination of devices and kinds of place as long as there are others."""
    seen: dict[Any, int] = {}
    varied: list[_Listed] = []
    alike: list[_Listed] = []
    for one in plans:
        seen[one.plan.kind] = seen.get(one.plan.kind, 0) + 1
        (varied if seen[one.plan.kind] <= ALIKE_MOST else alike).append(one)
    chosen = {id(one) for one in [*varied, *alike][:most]}
    return [one for one in plans if id(one) in chosen]


def _request(bench: Bench, members: Sequence[Looked]) -> Any:
    """Full assessment request; muting that names other sensors is left out, since those are not there."""
    names = _names(bench, members)
    sensors = tuple(bench.sensor(m.candidate, n, m.placed.params) for m, n in zip(members, names, strict=True))
    muting = tuple(m for m in bench.request.door.muting if m.sensor in names)
    door = msgspec.structs.replace(bench.request.door, muting=muting)
    return msgspec.structs.replace(bench.request, door=door, sensors=sensors)


def _names(bench: Bench, members: Sequence[Looked]) -> list[str]:
    """The device's name; with the side where both have it, with a number where one side has two."""
    plain = [bench.asked.devices[m.candidate.key[0]].name for m in members]
    sided = [f"{n[:55]} {m.candidate.side}" for n, m in zip(plain, members, strict=True)]
    if len({m.candidate.side for m in members}) == 1:
        sided = plain
    named = [n if plain.count(n) == 1 else s for n, s in zip(plain, sided, strict=True)]
    return [n if named.count(n) == 1 else f"{n[:60]} {named[: i + 1].count(n)}" for i, n in enumerate(named)]


def _ranked(jury: _Jury, rank: int, one: _Listed) -> RankedMount:
    zones = {c.zone: numbers(c) for c in one.comparisons}
    verdicts = [z.verdict for z in zones.values() if z.verdict != "informative"]
    margins = [z.margin_m for z in zones.values() if z.margin_m is not None]
    return RankedMount(
        rank=rank,
        sensors=[s.name for s in one.request.sensors],
        places=[_place_words(jury.bench, m.candidate) for m in one.plan.members],
        fields=[text for sensor in one.request.sensors for text in _field_words(sensor)],
        zones=zones,
        zones_met=verdicts.count("met"),
        covered_share=round(_covered(jury.bench, zones), 4),
        overspill_m2=round(sum(z.overspill_m2 for z in zones.values()), 4),
        margin_m=min(margins) if margins and len(margins) == len(verdicts) else None,
        ladder_height_m=round(one.plan.height_m, 3),
        sensitivity=_sensitivity(jury, one, rank),
        pareto=False,
        request=msgspec.to_builtins(one.request),
    )


def _place_words(bench: Bench, candidate: Candidate) -> str:
    """Where a sensor sits, as somebody with a tape measure would say it; off the wall as the ranges have it too."""
    x, y, z = candidate.position_m
    named = zip(("tilt", "yaw", "roll"), candidate.angles_deg, strict=True)
    turns = [f"{name} {f'{value:+g}' if value else '0'} deg" for name, value in named if value or name == "tilt"]
    out = off_wall(bench.request.door.wall, candidate.side, y)
    if candidate.place in FREE_PLACES:
        out += f" ({abs(y):g} m from the leaf plane)"
    where = f"x = {x:g} m, {out}, {z:g} m high"
    return f"{candidate.place.replace('_', ' ')} on the {candidate.side} side: {where}, {', '.join(turns)}"


def _field_words(sensor: Any) -> Iterator[str]:
    """Fields of a sensor, as somebody who sets them would say it."""
    for area in getattr(sensor.device, "fields", ()):
        if area.ring_m is not None:
            yield f"{sensor.name}, {area.purpose}: a ring of {len(area.ring_m)} corners"
            continue
        bounds = [
            f"{words} {'any' if a is None else f'{a:g}'} to {'any' if b is None else f'{b:g}'} m"
            for words, a, b in (
                ("x", area.x_from_m, area.x_to_m),
                ("out from the leaf plane", area.out_from_m, area.out_to_m),
            )
        ]
        yield f"{sensor.name}, {area.purpose}: {', '.join(bounds)}"


def _covered(bench: Bench, zones: dict[str, ZoneNumbers]) -> float:
    """Seen share of all required zones, weighted by their areas. [1]"""
    areas = {z.id: z.region.area for z in bench.zones if z.kind != "exclusion" and z.id in zones}
    total = sum(areas.values())
    return sum(zones[i].share * a for i, a in areas.items()) / total if total > 0 else 1.0


def _is_better(one: RankedMount, other: RankedMount) -> bool:
    """Whether a mount is as good as another in coverage, overspill, number and height, and better in one."""
    pairs = [
        (-one.covered_share, -other.covered_share),
        (one.overspill_m2, other.overspill_m2),
        (len(one.sensors), len(other.sensors)),
        (one.ladder_height_m, other.ladder_height_m),
    ]
    return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)


# --- mounting errors ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Error:
    """One mounting error: its words, the request that has it, what it costs, and which zone."""

    words: str = ""
    request: Any = None
    loss: float = 0.0
    zone: str = ""


def _sensitivity(jury: _Jury, one: _Listed, rank: int) -> Sensitivity | None:
    """Cost of the worst error of 1 deg and of 5 cm, each error of each mount on its own; None where that takes long."""
    if rank > PROBED_MOST and not all(is_fast(m.placed) for m in one.plan.members):
        return None
    worst = _worst_errors(jury, one)
    exact = rank <= PROBED_MOST
    lost: dict[str, None] = {}
    if exact:
        found = {kind: _assessed_error(jury, one, error) for kind, error in worst.items() if error.loss > 0}
        worst |= {kind: error for kind, (error, _) in found.items()}
        lost = dict.fromkeys(zone for _, zones in found.values() for zone in zones)
    costs = max(worst.values(), key=lambda e: e.loss)
    return Sensitivity(
        share_per_1_deg=round(worst["deg"].loss, 4),
        share_per_5_cm=round(worst["m"].loss, 4),
        worst=costs.words if costs.loss > 0 else "",
        zone=costs.zone if costs.loss > 0 else "",
        lost=list(lost) if exact else None,
        judged="exact" if exact else "grid",
    )


def _worst_errors(jury: _Jury, one: _Listed) -> dict[str, _Error]:
    """The error of each kind that costs most by the fine grid's centres; none that puts a sensor into something."""
    placed = [jury.placed(one.request, i) for i in range(len(one.request.sensors))]
    errors = [
        (words, wrong, sensor, jury.placed(wrong, i))
        for i, sensor in enumerate(placed)
        for words, wrong in mount_errors(one.request, i, angle_deg=SENSITIVE_DEG, place_m=SENSITIVE_M)
    ]
    errors = [e for e in errors if prism_holding(jury.bench.site.fixed, e[3].scene.mount.origin) is None]
    jury.centres.look_at([*placed, *(moved for *_, moved in errors)])
    now = jury.centres.scores(placed)
    worst = {"deg": _Error(), "m": _Error()}
    for words, wrong, sensor, moved in errors:
        off = jury.centres.scores([moved if s is sensor else s for s in placed])
        lost, zone = _greatest((was.share - is_.share, was.zone.id) for was, is_ in zip(now, off, strict=True))
        unit = "deg" if words.endswith(" deg") else "m"
        if lost > worst[unit].loss + _EQUAL_SHARE:
            worst[unit] = _Error(words, wrong, lost, zone)
    return worst


def _assessed_error(jury: _Jury, one: _Listed, error: _Error) -> tuple[_Error, list[str]]:
    """The error with its cost from exact regions, and the zones that it turns from met to not met."""
    try:
        after = {c.zone: c for c in jury.evaluate(error.request)}
    except RequestError:
        return error, []
    pairs = [(c, after[c.zone]) for c in one.comparisons if c.zone in after and c.verdict != "informative"]
    loss, zone = _greatest((was.share - now.share, was.zone) for was, now in pairs)
    lost = [was.zone for was, now in pairs if was.verdict == "met" and now.verdict != "met"]
    return replace(error, loss=loss, zone=zone), lost


def _greatest(losses: Iterable[tuple[float, str]]) -> tuple[float, str]:
    """The greatest loss of share and its zone, the first of equal ones; none where nothing is lost."""
    return max([(0.0, ""), *losses], key=lambda loss: loss[0])

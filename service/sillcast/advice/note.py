"""What the note of the advice says: what to do, which zones stay unmet and why, what would have to give way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sillcast.advice.reach import Reach
from sillcast.advice.relax import Relaxed
from sillcast.advice.task import Task
from sillcast.advice.words import joined, labelled
from sillcast.compare import compare
from sillcast.contract import Comparison, Culprit
from sillcast.needs import ZoneNeed

__all__ = ["binding_zone", "note"]

_CAUSES_MOST = 2
_EXPLAINED_MOST = 2
_SHOWN_M2 = 0.005  # least area that two digits show
_ALMOST_ALL = 0.9  # of a zone, as the comparison tells a side without a sensor
_CAUSES = {
    "shadow": "the shadow of {name} takes {area} m2",
    "range": "{area} m2 are beyond the range",
    "ray_spacing": "too few rays hit the body on {area} m2",
    "field": "the field leaves out {area} m2",
    "leaf": "{area} m2 of it are not told from the leaf",
    "leaf_shadow": "the leaf hides {area} m2 of it",
    "muting": "muting takes {area} m2",
    "too_near": "{name}",
    "speed": "on {area} m2 too little of the motion is along the line of sight",
    "planes": "{area} m2 lie between the areas seen",
    "aim": "no sensor looks at {area} m2 of it",
    "no_sensor": "no sensor on the {name} serves it",
}


def binding_zone(zones: Sequence[ZoneNeed], comparisons: Sequence[Comparison]) -> str:
    """Zone that stays unmet with the largest unseen area, protection first; empty if all are met."""
    unmet = _unmet(zones, comparisons)
    return unmet[0].id if unmet else ""


def note(task: Task, settled: Task, relaxed: Relaxed, reach: Reach, *, has_proposals: bool) -> str:
    """What to do, which zones stay unmet, by what, and what would have to give way.

    Parameters
    ----------
    task : Task
        The request as it was sent, with its comparisons explained gap by gap.
    settled : Task
        The same with the proposals made.
    relaxed : Relaxed
        What was found beyond the settings, and what was looked at.
    reach : mapping
        For each sensor the unmet zones that it may see by some setting.
    has_proposals : bool
        Whether anything is proposed.
    """
    unmet = _unmet(task.zones, settled.comparisons)
    if not task.placed:
        start = "There is no sensor to set."
    elif has_proposals:
        start = "Change the proposed settings together, then walk the zones."
    elif unmet:
        start = "No setting that was tried is better."
    elif not task.zones:
        start = "No zone is laid out, so there is nothing to set for."
    else:
        start = "All zones are met; no better setting was found."
    if not unmet:
        return start
    known = {c.zone: c for c in task.comparisons} | _explained(unmet, task, settled, reach)
    reasons: dict[str, list[str]] = {}
    for zone in unmet:
        reasons.setdefault(_why(zone, task, settled, reach, known[zone.id]), []).append(zone.label)
    said = [f"{labelled(labels, 'stays', 'stay')} unmet: {why}." for why, labels in reasons.items()]
    return " ".join([start, *said, *_ways(task, relaxed), *_missing(task, settled, unmet, relaxed)])


def _unmet(zones: Sequence[ZoneNeed], comparisons: Sequence[Comparison]) -> list[ZoneNeed]:
    """Zones that are not met or cannot be told, protection first, then by unseen area."""
    found = {c.zone: c for c in comparisons if c.verdict in ("not_met", "cannot_tell")}
    unmet = [z for z in zones if z.id in found]
    return sorted(unmet, key=lambda z: (z.kind != "protection", -found[z.id].gap_m2))


# ---------------------------------------------------------------------- why


def _explained(unmet: Sequence[ZoneNeed], task: Task, settled: Task, reach: Reach) -> dict[str, Comparison]:
    """The first few zones that the proposals change and leave unmet, compared anew with what takes detection away."""
    before, after = ({c.zone: c for c in t.comparisons} for t in (task, settled))
    changed = [z for z in unmet if before[z.id].gap_m2 != after[z.id].gap_m2 and not _plain(z, task, settled, reach)]
    some = changed[:_EXPLAINED_MOST]
    return {z.id: compare(z, settled.site.sensing(settled.placed, [z]), {}).answer for z in some}


def _why(zone: ZoneNeed, task: Task, settled: Task, reach: Reach, known: Comparison) -> str:
    """Why a zone is not met; `known` may tell by what."""
    found = next(c for c in settled.comparisons if c.zone == zone.id)
    if plain := _plain(zone, task, settled, reach):
        return plain
    said = [f"{found.gap_m2:.3g} of {found.required_m2:.3g} m2 stay unseen"]
    if round(known.gap_m2 - found.gap_m2, 2) == 0.0:
        causes = list(_causes([c for gap in known.gaps for c in gap.culprits]))
        said.append(joined(causes or ["no single cause for it was found"]))
    return "; ".join(said)


def _plain(zone: ZoneNeed, task: Task, settled: Task, reach: Reach) -> str:
    """Why a zone is not met, where no area has to be told: none serves it, or can see it; empty if others do."""
    found = next(c for c in settled.comparisons if c.zone == zone.id)
    serving = [s for s in task.placed if zone.kind in s.purposes]
    if found.verdict == "cannot_tell":
        return found.reason.rstrip(".")
    if not serving:
        return f"no sensor serves {zone.kind}"
    said = [f"no sensor serves {zone.kind} on the {zone.side} side"] if _is_bare(zone, task, found) else []
    if not any(zone.id in reach.get(s.index, ()) for s in serving):
        way = "it looks" if len(serving) == 1 else "they look"
        names = joined([s.name for s in serving])
        said.append(f"{names} cannot see there, whichever way {way} (walls, leaf, obstacles or range)")
    return "; ".join(said)


def _is_bare(zone: ZoneNeed, task: Task, found: Comparison) -> bool:
    """True if no sensor of the purpose is on the side of a zone of which next to nothing is seen."""
    sides = {s.side for s in task.placed if zone.kind in s.purposes}
    return zone.side not in sides and not zone.is_under_leaf and found.gap_m2 > _ALMOST_ALL * found.required_m2


def _causes(culprits: Sequence[Culprit]) -> Iterator[str]:
    """The causes that take most, in words."""
    areas: dict[tuple[str, str], float] = {}
    for c in culprits:
        areas[c.cause, c.name] = areas.get((c.cause, c.name), 0.0) + c.area_m2
    most = sorted(areas.items(), key=lambda item: -item[1])[:_CAUSES_MOST]
    for (cause, name), area in most:
        if cause in _CAUSES and area >= _SHOWN_M2:
            yield _CAUSES[cause].format(name=name, area=f"{area:.2f}")


# ---------------------------------------------------------------------- what would have to give way


def _ways(task: Task, relaxed: Relaxed) -> Iterator[str]:
    """Zones that a change beyond the settings meets; where there is none, what was tried, and what was left untried."""
    if not relaxed.met and relaxed.tried:
        tried = ", ".join(relaxed.tried)
        yield f"None of the changes beyond the settings that were tried turns a zone to met: {tried}."
    elif not relaxed.tried and task.placed:
        yield "No changes beyond the settings were tried."
    if relaxed.met:
        labels = [z.label for z in task.zones if z.id in relaxed.met]
        yield f"{labelled(labels, 'is', 'are')} met by changes beyond the settings: see the relaxations."
    elif relaxed.found:
        yield "What comes nearest is among the relaxations."
    if relaxed.untried:
        yield f"Not assessed, though a grid shows them to help: {'; '.join(relaxed.untried)}."


def _missing(task: Task, settled: Task, unmet: Sequence[ZoneNeed], relaxed: Relaxed) -> Iterator[str]:
    """Sensors to add, by purpose and side, where none serves a zone and nothing else was found."""
    found = {c.zone: c for c in settled.comparisons}
    bare = [z for z in unmet if z.id not in relaxed.met and _is_bare(z, task, found[z.id])]
    if bare:
        wanted = dict.fromkeys(f"a sensor that serves {z.kind} on the {z.side} side" for z in bare)
        yield f"Add {joined(list(wanted))}."

"""What a mount search says of itself: the summary, what binds, what was tried and what not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sillcast.advice.mounts import Bench, Searched
from sillcast.advice.words import joined
from sillcast.contract import MountReport, RankedMount
from sillcast.needs import ZoneNeed
from sillcast.sensing import STANDING, Placed

__all__ = ["binding_of", "report", "summary"]

SLIVER_M2 = 0.005  # least area that two digits show


def binding_of(bench: Bench, devices: Sequence[Placed], mounts: Sequence[RankedMount]) -> tuple[str, str]:
    """The unmet zone that weighs most on the best mount, and why it is not met; empty if all are."""
    if not mounts:
        return "", ""
    zones = {z.id: z for z in bench.zones}
    numbers = mounts[0].zones
    unmet = [z for z in zones.values() if z.id in numbers and numbers[z.id].verdict == "not_met"]
    if not unmet:
        return "", ""
    binding = max(unmet, key=lambda z: (z.kind == "protection", numbers[z.id].share == 0, numbers[z.id].gap_m2, z.id))
    return binding.id, _why(bench, devices, binding, mounts)


def _why(bench: Bench, devices: Sequence[Placed], zone: ZoneNeed, mounts: Sequence[RankedMount]) -> str:
    asked = bench.asked
    serving = {name.name: d for name, d in zip(asked.devices, devices, strict=True) if zone.kind in d.purposes}
    if not serving:
        return f"No device of the search serves {zone.kind}."
    if not zone.velocities_m_per_s and not any(STANDING & set(d.family.senses) for d in serving.values()):
        names = ", ".join(f"'{name}'" for name in serving)
        return (
            f"A body may stand still in it, and of the devices for {zone.kind} ({names}) none senses a body that "
            "stands: no mount helps, only another kind of sensor."
        )
    best = min(m.zones[zone.id].gap_m2 for m in mounts if zone.id in m.zones)
    if best > 0 and _side_of(zone) not in asked.sides:
        return (
            f"It lies on the {_side_of(zone)} side, and sensors were allowed on the {asked.sides[0]} side alone: "
            "allow both sides."
        )
    if best == 0:
        return "Other mounts of the list meet it, at the expense of another zone."
    hints = ["more heights, tilts or places"]
    if asked.sensors_per_side == 1:
        hints.append("two sensors on a side")
    who = "The one mount listed leaves" if len(mounts) == 1 else f"All {len(mounts)} mounts listed leave"
    area = f"at least {best:.2f} m2" if best >= SLIVER_M2 else "a sliver"
    return f"{who} {area} of it unseen. Allow {', or '.join(hints)}."


def _side_of(zone: ZoneNeed) -> str:
    """Side on which the middle of a zone lies, as the wall parts it."""
    _, y0, _, y1 = zone.region.bounds
    return "far" if y0 + y1 > 0 else "near"


def summary(bench: Bench, found: Searched, mounts: Sequence[RankedMount], zone: str, reason: str) -> str:
    """What the search found, in a few sentences."""
    if not mounts:
        why = ", ".join(f"{count} {reason}" for reason, count in sorted(found.skipped.items()))
        return f"No place of those allowed can bear a sensor: {why}."
    best = mounts[0]
    where = "; ".join(f"{s}: {p}" for s, p in zip(best.sensors, best.places, strict=True))
    if not zone:
        return f"Every zone is met. Mount {where}."
    labels = {z.id: z.label for z in bench.zones}
    wanted = sum(n.verdict != "informative" for n in best.zones.values())
    return (
        f"No mount of those tried meets every zone. The best meets {best.zones_met} of {wanted}: {where}. "
        f"'{labels[zone]}' binds. {reason}{''.join(_unserved(bench, zone))}"
    )


def _unserved(bench: Bench, binding: str) -> Iterator[str]:
    """A sentence for each purpose, but that of the binding zone, that no device of the search serves."""
    kinds = dict.fromkeys(z.kind for z in bench.zones if z.kind != "exclusion")
    said = {z.kind for z in bench.zones if z.id == binding}
    for kind in kinds:
        if kind not in said and all(kind not in d.purposes for d in bench.asked.devices):
            yield f" No device of the search serves {kind} either."


def report(bench: Bench, found: Searched, mounts: Sequence[RankedMount], *, refined: int, assessed: int) -> MountReport:
    """What was tried, within which bounds, why it stopped, what was not tried."""
    asked, judged = bench.asked, len(found.judged)
    all_judged = judged >= found.looked_at
    alone = asked.sensors_per_side == 1 and len(asked.sides) == 1
    gap = sum(n.gap_m2 for n in mounts[0].zones.values() if n.verdict != "informative") if mounts else None
    return MountReport(
        candidates=found.candidates,
        budget=asked.limits.candidates,
        looked_at=found.looked_at,
        judged=judged,
        pairs=found.found.pairs,
        planned=len(found.found.plans),
        refined=refined,
        assessed=assessed,
        cell_m=round(found.grid.cell_m, 4),
        stopped="all_tried" if all_judged else "budget",
        optimal=all_judged and alone and gap is not None,
        gap_m2=None if gap is None else round(gap, 4),
        gap_least_m2=None if gap is None else round(min(gap, found.unseeable_m2), 4),
        note=_note(found, all_judged),
        not_tried=list(_not_tried(bench, found, all_judged)),
    )


def _note(found: Searched, all_judged: bool) -> str:
    if not found.judged:
        return f"None of {found.candidates} mounts can bear a sensor, so none was judged."
    which = "all of them" if all_judged else "the most promising of every place and tilt and the neighbours of the best"
    return (
        f"{found.looked_at} mounts were looked at with a part of their rays; {len(found.judged)} were judged on a grid "
        f"of {found.grid.cell_m:.2f} m: {which}. The best plans were judged on a finer grid, those listed with exact "
        "regions."
    )


def _not_tried(bench: Bench, found: Searched, all_judged: bool) -> list[str]:
    asked = bench.asked
    said = []
    if not all_judged:
        kinds = {False: " of devices that look by rays", True: " of other devices"}
        fit = joined([f"{most}{kinds[slow] if len(found.most) > 1 else ''}" for slow, most in found.most.items()])
        said.append(
            f"{found.looked_at - len(found.judged)} mounts were looked at only, not judged. At first {fit} are, then "
            "neighbours of the best: coarser steps that leave no more have all of them judged."
        )
    if found.spread and not all_judged:
        names = ", ".join(f"'{name}'" for name in found.spread)
        said.append(f"A first look for {names}: no rays to count, so the mounts judged are spread over the ranges.")
    if asked.sensors_per_side == 2:
        said.append(f"Two sensors on one side nearer to each other than {asked.apart_m:g} m; more than two.")
    else:
        said.append("More than one sensor on a side.")
    if len(asked.sides) == 1:
        said.append(f"Sensors on the {'far' if asked.sides[0] == 'near' else 'near'} side.")
    if asked.fields:
        said.append("Fields, but for the best plans: a rectangle around the zones of a purpose in three sizes.")
    else:
        said.append("Fields: left as given, since the request says so.")
    said.append("Positions and angles between the steps, and outside of the ranges.")
    said.append(
        "Settings of the devices: plane angles, sweeps and ranges are as given, mirrored where that sees more. Post a "
        "mount's request: its answer proposes settings, and fields of other sizes."
    )
    return said

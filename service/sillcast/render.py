"""From the domain to the answer: order, rounding, finite numbers, words for people."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from importlib import metadata
from typing import Annotated, Any, NamedTuple, TypeVar

import msgspec
import numpy as np
from msgspec import Meta

from sillcast import motion
from sillcast import needs as _needs
from sillcast.compare import Compared
from sillcast.contract import (
    Answer,
    Body,
    BodyCard,
    BodyList,
    ComputedBy,
    Derivation,
    Door,
    FamilyCard,
    FamilyList,
    Field,
    Finding,
    Folding,
    RefusedFamily,
    Site,
    Swing,
    TypicalValue,
    Zone,
)
from sillcast.errors import GeometryError, UnknownNameError
from sillcast.family import Emission, FloorArea, Lobe, Rays, SensorView
from sillcast.findings import core
from sillcast.kernel import Prism, Region, TestBody
from sillcast.kernel.clip import FLOOR, back_end
from sillcast.kernel.frame import FloatArray
from sillcast.needs import Needs, RuleSet, ZoneNeed
from sillcast.onsite import tape
from sillcast.registry import Installed, Registry
from sillcast.sensing import Placed, Sensing, Window, tunables_of

__all__ = [
    "WARM_UP",
    "RuleSetList",
    "body_list",
    "computed_by",
    "core_findings",
    "derivations",
    "detected",
    "family_card",
    "family_list",
    "finite",
    "rule_set_card",
    "rule_set_list",
    "sensor_view",
    "summary",
    "test_body",
    "window",
    "zones",
]

T = TypeVar("T", bound=msgspec.Struct)

# Smallest request that goes the whole way; it only warms the kernels.
WARM_UP: dict[str, Any] = {
    "door": {
        "opening": {"width_m": 3.0, "height_m": 3.0},
        "motion": {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"speed_m_per_s": 0.5}},
    },
    "traffic": [{"name": "person", "speed_m_per_s": 1.2, "width_m": 0.6, "clear_height_m": 2.0}],
    "sensors": [
        {
            "name": "scanner",
            "purposes": ["activation", "protection"],
            "mount": {"side": "near", "position": {"x_m": -1.5, "y_m": -0.2, "z_m": 3.2}},
            "device": {
                "family": "laser_scan",
                "plane_tilts_deg": [2.0, 10.0, 25.0],
                "sweep_start_deg": -85.0,
                "sweep_end_deg": 5.0,
                "step_deg": 1.0,
                "range_m": 6.0,
            },
        },
        {
            "name": "lobe",
            "purposes": ["activation"],
            "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.2, "z_m": 3.2}},
            "device": {"family": "microwave", "frequency_ghz": 24.125, "range_m": 6.0},
        },
    ],
    "output": {
        "detections": [{"body": "reference_body_upright"}],
        "counts": [{"body": "reference_body_upright", "cell_m": 0.1}],
        "outlines": True,
    },
}


class RuleSetList(Answer, frozen=True, kw_only=True):
    """All rule sets."""

    rule_sets: Annotated[list[RuleSet], Meta(description="Rule sets by name.")]


def finite(answer: T) -> T:
    """The answer, after a look at every number in it: not-a-number would become null on the wire.

    Raises
    ------
    GeometryError
        If a number is infinite or not a number.
    """
    suspicious = _NOT_FINITE.search(msgspec.msgpack.encode(answer))  # eight times faster than to look at each number
    where = _unfinite(msgspec.to_builtins(answer)) if suspicious else None
    if where is not None:
        raise GeometryError(f"a number that is not finite at {where}")
    return answer


# MessagePack writes a number as 0xcb and its 8 bytes, the highest first; if it is not finite its exponent is all ones.
# Other bytes can look like it, those of counts for one.
_NOT_FINITE = re.compile(rb"\xcb[\x7f\xff][\xf0-\xff]")


def _unfinite(value: Any) -> str | None:
    """Place in a value of the first number that is not finite; None if all are."""
    if isinstance(value, float):
        return None if math.isfinite(value) else ""
    if isinstance(value, list | tuple):
        return next((where for one in value if (where := _unfinite(one)) is not None), None)
    if isinstance(value, dict):
        found = ((name, _unfinite(one)) for name, one in value.items())
        return next((f"/{name}{where}" for name, where in found if where is not None), None)
    return None


def test_body(body: Body) -> TestBody:
    """Body of a request as the kernel takes it; a missing depth is the width, a sphere is as high as wide."""
    depth = body.depth_m if body.depth_m is not None and body.shape == "box" else body.width_m
    height = body.width_m if body.shape == "sphere" or body.height_m is None else body.height_m
    return TestBody(body.name, body.width_m, depth, height, body.shape, body.source, body.metal)


def window(zones: Sequence[ZoneNeed], placed: Sequence[Placed], door: Door, around_m: float = 0.0) -> Window:
    """Part of the plan in which regions are computed: all zones, what sensors can reach of 15 m around, and a rim."""
    half = door.opening.width_m / 2
    boxes = [(-half - 2.0, -4.0, half + 2.0, 4.0)]
    boxes += [z.region.grown(1.5).bounds for z in zones if not z.region.is_empty]
    for sensor in placed:
        x, y, _ = (float(v) for v in sensor.scene.mount.origin)
        reach = max((_reach_m(e) for e in sensor.emissions), default=1.0)
        reach = min(reach, 15.0)
        boxes.append((x - reach, y - reach, x + reach, y + reach))
        boxes += [_around(e) for e in sensor.emissions if isinstance(e, FloorArea)]
    lows, highs = np.array(boxes)[:, :2].min(axis=0) - around_m, np.array(boxes)[:, 2:].max(axis=0) + around_m
    return float(lows[0]), float(highs[0]), float(lows[1]), float(highs[1])


def _around(area: FloorArea) -> Window:
    """Bounds of an area of the floor with room for a body that is found at its edge. [m]"""
    (x0, y0), (x1, y1) = area.ring.min(axis=0) - _BODY_REACH_M, area.ring.max(axis=0) + _BODY_REACH_M
    return float(x0), float(y0), float(x1), float(y1)


def _reach_m(emission: Emission) -> float:
    if isinstance(emission, Rays):
        return float(emission.range_m.max(initial=0.0))
    return emission.most_range_m() if isinstance(emission, Lobe) else 1.0


def derivations(needed: Needs) -> list[Derivation]:
    """Derivations with numbers as long as anybody reads them: six decimals."""
    return [
        msgspec.structs.replace(
            d,
            result=round(d.result, 6) + 0.0,
            inputs=[msgspec.structs.replace(i, value=_short(i.value)) for i in d.inputs],
        )
        for d in needed.derivations
    ]


def _short(value: float | str) -> float | str:
    return value if isinstance(value, str) else round(value, 6) + 0.0


def zones(needed: Needs) -> list[Zone]:
    """Required zones as the answer shows them."""
    return [
        Zone(
            id=z.id,
            kind=z.kind,
            side=z.side,
            label=z.label,
            body=z.body.name,
            angles_deg=list(z.angles_deg),
            states=list(z.states),
            polygons_m=z.region.rings("nearest"),
            area_m2=round(z.region.area, 4),
            weight=z.weight,
            derivations=list(z.derivations),
        )
        for z in needed.zones
    ]


def detected(sensing: Sensing, compared: Sequence[Compared]) -> Any:
    """Rings of the area in which the zones' bodies are detected, for the picture: all purposes, leaf closed."""
    by_body = {(c.zone.body, c.zone.kind): c for c in compared if c.zone.kind != "exclusion"}
    parts = [
        sensing.detected(
            c.sensors,
            body,
            angle_deg=c.zone.angles_deg[0],
            state=c.zone.states[0],
            purpose=kind,
            velocities=c.zone.velocities_m_per_s,
        )
        for (body, kind), c in by_body.items()
    ]
    return Region.union(parts).rings()


def sensor_view(sensor: Placed, sensing: Sensing, needed: Needs, bodies: Mapping[str, TestBody]) -> SensorView:
    """What a family's review may see of the kernel's results."""
    body = next((z.body for z in needed.zones if z.kind == "protection"), bodies["reference_body_upright"])
    half = sensing.half_width_m
    reach = 60.0
    side = Region.box(-half, half, -reach, 0.0) if sensor.side == "near" else Region.box(-half, half, 0.0, reach)
    region = sensing.region(sensor, body, angle_deg=0.0, state=0.0)
    lengths: list[float] = []
    floor_points: list[tuple[float, float]] = []
    for i, emission in enumerate(sensor.emissions):
        if isinstance(emission, Rays):
            clipped = sensing.clipped(sensor, i, 0.0)
            ends = emission.origins + clipped.lengths[:, None] * emission.directions
            lengths += clipped.lengths.tolist()
            x, y, _ = ends[clipped.stops == FLOOR].T.tolist()
            floor_points += zip(x, y, strict=True)
    return SensorView(
        lengths_m=lengths,
        stops=sensing.stops(sensor, 0.0),
        floor_points=floor_points,
        inside_opening_m2=(region & side).area,
        wanted=_wanted(sensor, needed),
        body=body,
        slowest=_slowest(sensor, needed),
    )


def _slowest(sensor: Placed, needed: Needs) -> tuple[str, float] | None:
    """Label and speed of the slowest traveller of the activation zones that a sensor serves on its own side. [m/s]"""
    served = [z for z in needed.zones if z.kind == "activation" in sensor.purposes and z.side == sensor.side]
    speeds = [(math.hypot(*v), z.label) for z in served for v in z.velocities_m_per_s]
    return min(((label, speed) for speed, label in speeds), key=lambda found: found[1], default=None)


def _wanted(sensor: Placed, needed: Needs) -> tuple[float, float, float, float] | None:
    served = [z for z in needed.zones if z.kind in sensor.purposes and z.side == sensor.side and not z.region.is_empty]
    if not served:
        return None
    x0, y0, x1, y1 = Region.union(z.region for z in served).bounds
    return (x0, x1, -y1, -y0) if sensor.side == "near" else (x0, x1, y0, y1)


def core_findings(sensing: Sensing, compared: Sequence[Compared], door: Door, site: Site) -> Iterable[Finding]:
    """Remarks of the core on zones, sensors and obstacles."""
    for sensor in sensing.placed:
        yield from _sensor_findings(sensor, sensing)
    yield from _equal_planes(sensing.placed)
    for c in compared:
        yield from _zone_findings(c, sensing)
    yield from _shadow_findings(compared, site)
    yield from _obstacle_findings(sensing, compared, door, site)


def _sensor_findings(sensor: Placed, sensing: Sensing) -> Iterable[Finding]:
    family = sensor.family
    for purpose in sensor.purposes:
        if purpose not in family.purposes:
            yield core(
                "purpose_unfit",
                subjects=[f"{sensor.pointer}/purposes"],
                sensor=sensor.name,
                family=family.name,
                purpose=purpose,
            )
        elif purpose in family.never_alone and not any(
            purpose in s.purposes and s.side == sensor.side and purpose not in s.family.never_alone
            for s in sensing.placed
        ):
            yield core(
                "purpose_alone",
                subjects=[f"{sensor.pointer}/purposes"],
                sensor=sensor.name,
                family=family.name,
                purpose=purpose,
            )
    for i, filters in family.unsupported_filters(sensor.params):
        yield core(
            "filter_unsupported",
            subjects=[f"{sensor.pointer}/device/fields/{i}/filters"],
            sensor=sensor.name,
            family=family.name,
            filters=" and ".join(filters),
        )
    if not sensor.emissions:
        yield core("nothing_emitted", subjects=[f"{sensor.pointer}/device"], sensor=sensor.name)
    if "protection" in sensor.purposes:
        met, of = np.sum([(0, 0), *sensing.rays_on_leaf(sensor)], axis=0).tolist()
        if met:
            yield core("meets_leaf", subjects=[sensor.pointer], rays=met, of=of, sensor=sensor.name)
    yield from _field_findings(sensor)
    yield from _unit_findings(sensor)


def _field_findings(sensor: Placed) -> Iterable[Finding]:
    """Fields that lie wholly behind the leaf plane, as seen from the side of a sensor that stays there."""
    other = "far" if sensor.side == "near" else "near"
    for i, field in enumerate(getattr(sensor.params, "fields", ())):
        if field.purpose in sensor.purposes and _is_behind_leaf(sensor, field):
            at = f"{sensor.pointer}/device/fields/{i}"
            told = {"sensor": sensor.name, "purpose": field.purpose, "side": sensor.side, "other": other}
            yield core("field_behind_leaf", subjects=[at], **told)


def _is_behind_leaf(sensor: Placed, field: Field) -> bool:
    """True if no part of a field is on the sensor's own side of the leaf plane."""
    if sensor.carried is not None or sensor.scene.out_m < 0.0:
        return False
    if field.ring_m is None:
        return field.out_to_m is not None and field.out_to_m <= 0.0
    return all((y if sensor.side == "near" else -y) >= 0.0 for _, y in field.ring_m)


def _unit_findings(sensor: Placed) -> Iterable[Finding]:
    """A tilt within that of a quarter turn in radians, finer than the setting's own steps of a degree or more."""
    pointer = f"{sensor.pointer}/mount/tilt_deg"
    tilt = sensor.scene.mount.tilt_deg
    step = next((t.step for t in tunables_of(sensor) if t.pointer == pointer), 0.0)
    if step >= 1.0 and abs(tilt) < math.pi / 2.0 and abs(tilt / step - round(tilt / step)) > _OFF_STEP:
        yield core(
            "tilt_in_radians",
            subjects=[pointer],
            sensor=sensor.name,
            tilt_deg=tilt,
            radians_deg=math.degrees(tilt),
        )


def _equal_planes(placed: Sequence[Placed]) -> Iterable[Finding]:
    """Heads at one height and stand-off with equal tilts: the trace of every plane is the same line."""
    heads: dict[Any, Placed] = {}
    for sensor in placed:
        tilts = getattr(sensor.params, "plane_tilts_deg", None)
        if tilts is None:
            continue
        _, y, z = sensor.scene.mount.origin
        key = (sensor.side, round(float(y), 3), round(float(z), 3), tuple(sorted(tilts)))
        if key in heads and len(tilts) > 1:
            first = heads[key]
            yield core("equal_planes", subjects=[first.pointer, sensor.pointer], first=first.name, second=sensor.name)
        heads.setdefault(key, sensor)


def _zone_findings(c: Compared, sensing: Sensing) -> Iterable[Finding]:
    zone, answer = c.zone, c.answer
    if zone.kind == "exclusion":
        if answer.overspill_m2 > 0:
            yield core(
                "unwanted_detection",
                subjects=[zone.subject],
                zone=zone.id,
                label=zone.label,
                area_m2=answer.overspill_m2,
                advice=_spill_advice(c),
            )
        return
    if answer.verdict != "not_met":
        return
    if not c.sensors:
        yield core(
            "not_watched" if zone.kind == "protection" else "activation_unwatched",
            subjects=[zone.subject],
            zone=zone.id,
            label=zone.label,
            purpose=zone.kind,
            where=f" on the {zone.side} side",
        )
        return
    worst = max(answer.gaps, key=lambda g: g.largest_circle.radius_m)
    at = tape(sensing.placed[0].scene.door, worst.largest_circle.x_m, worst.largest_circle.y_m)
    yield core(
        f"{zone.kind}_gap",
        subjects=[zone.subject],
        zone=zone.id,
        label=zone.label,
        share_percent=round(math.floor(answer.share * 1000) / 10, 1),
        radius_m=worst.largest_circle.radius_m,
        from_left_m=at.from_left_jamb_m,
        from_wall_m=abs(at.from_wall_face_m),
        wall=f"{'out from' if at.from_wall_face_m >= 0.0 else 'into the wall from'} the {at.face} wall face",
        advice=_advice(c),
    )


def _shadow_findings(compared: Sequence[Compared], site: Site) -> Iterable[Finding]:
    """One remark for each obstacle that takes detection out of a zone, at the zone that loses most."""
    lost: dict[str, list[tuple[float, ZoneNeed]]] = {}
    for c in compared:
        for culprit in (u for gap in c.answer.gaps for u in gap.culprits if u.cause == "shadow"):
            lost.setdefault(culprit.name, []).append((culprit.area_m2, c.zone))
    for name, places in lost.items():
        area, zone = max(places, key=lambda place: place[0])
        yield core(
            "shadow",
            subjects=_obstacle_pointers(site, [name]),
            zone=zone.id,
            obstacle=name,
            area_m2=area,
            label=zone.label,
            zones=len({z.id for _, z in places}),
        )


def _obstacle_findings(sensing: Sensing, compared: Sequence[Compared], door: Door, site: Site) -> Iterable[Finding]:
    """Obstacles that the leaf runs into, and zones of which they take a good part."""
    hard = {o.name for o in site.obstacles if not o.moves and o.material != "strips"}
    standing = [p for p in sensing.fixed.prisms if p.part == "obstacle" and p.name in hard]
    for prism in standing:
        if met := _leaf_path(door).meets(prism):
            pointers = _obstacle_pointers(site, [prism.name])
            yield core("in_leaf_path", subjects=pointers, obstacle=prism.name, from_percent=met[0], to_percent=met[-1])
    for c in compared:
        near = [p for p in standing if c.zone.region.distance(Region.ring(p.ring)) < _BESIDE_M]
        taking = [p.name for p in near if not p.passable]
        if taking and c.answer.blocked_m2 > _TAKEN_SHARE * c.zone.region.area:
            yield core(
                "zone_taken",
                subjects=_obstacle_pointers(site, taking),
                zone=c.zone.id,
                obstacles=", ".join(taking),
                blocked_m2=c.answer.blocked_m2,
                area_m2=c.zone.region.area,
                label=c.zone.label,
            )


class _LeafPath(NamedTuple):
    """Parts of the leaf on its way: how far it is open at each [%], and their bounds: least x, y, z, greatest. [m]"""

    percents: FloatArray
    parts: Sequence[Prism]
    bounds_m: FloatArray

    def meets(self, prism: Prism) -> list[float]:
        """How far the leaf is open where a part of it and a prism share room. [%]"""
        low, high = (*prism.ring.min(axis=0), prism.base_m), (*prism.ring.max(axis=0), prism.top_m)
        near = np.flatnonzero(((self.bounds_m[:, :3] < high) & (self.bounds_m[:, 3:] > low)).all(axis=1)).tolist()
        ring = Region.ring(prism.ring) if near else Region()
        return [float(self.percents[i]) for i in near if not (Region.ring(self.parts[i].ring) & ring).is_empty]


@lru_cache(32)
def _leaf_path(door: Door) -> _LeafPath:
    """The leaf at every whole percent of its travel, to the most that it opens."""
    most = 100.0 * door.motion.partial_opening
    percents = [*(float(percent) for percent in range(math.ceil(most))), most]
    on_way = [(percent, part) for percent in percents for part in motion.leaf_prisms(door, percent / 100.0)]
    bounds = [(*p.ring.min(axis=0), p.base_m, *p.ring.max(axis=0), p.top_m) for _, p in on_way]
    return _LeafPath(
        np.array([percent for percent, _ in on_way]), [p for _, p in on_way], np.array(bounds).reshape(-1, 6)
    )


def _obstacle_pointers(site: Site, names: Sequence[str]) -> list[str]:
    return [f"/site/obstacles/{i}" for i, o in enumerate(site.obstacles) if o.name in names]


_OFF_STEP = 1e-6  # of a setting's step; nearer to a whole number of them is rounding
_TAKEN_SHARE = 0.1  # of a zone; less is not worth a remark [1]
_BODY_REACH_M = 2.0  # half the diagonal of the largest bodies
_BESIDE_M = 0.4  # half of the longest side of the reference body, rounded up

_ADVICE = {
    "shadow": "Move {name} or add a sensor that sees behind it.",
    "range": "Use a longer range or a mount nearer to the gap.",
    "field": "Widen the field for this purpose.",
    "leaf": "End the field for protection before the leaf, or add a sensor that does not look at the leaf there.",
    "leaf_shadow": "Mount a sensor where the leaf does not stand in between: higher, beyond the open leaf, or on it.",
    "muting": "Shorten the muting, or let another sensor protect this place meanwhile.",
    "too_near": "Move it along the course, or add one out there: {name}.",
    "speed": "Turn the sensor so that traffic moves towards it, or take one that needs less speed.",
    "ray_spacing": "Move the sensor nearer, or take one that looks more finely.",
    "planes": "Turn or widen a sensor so that the seen areas meet, or add one that sees between.",
    "no_sensor": "Add a sensor on the {name}.",
    "aim": "Move, turn or widen a sensor, or add one that sees this place.",
}
_ADVICE_ON_PLANES = {
    "ray_spacing": "Use a smaller step or fewer hits.",
    "planes": "Add a plane, or a second head whose planes lie between.",
    "aim": "Aim a sensor at it: change mount, tilt or sweep, or add a head that sees this place.",
}
_ADVICE_ON_SWEPT = {  # no field can end before a leaf that turns over the place
    "leaf": "The leaf itself comes here: protect it by a sensor on the leaf, or by one that does not look at the leaf.",
}
_ADVICE_ON_LOBES = {
    "leaf": "Add a sensor that does not look at the leaf there; turned off the leaf, one that is there protects only "
    "where it still reaches.",
}


def _advice(c: Compared) -> str:
    """What to do, from the culprits of the largest gaps; a far zone without a far sensor needs one there."""
    if c.zone.side not in {s.side for s in c.sensors} and not c.zone.is_under_leaf:
        return f"No sensor on the {c.zone.side} side serves {c.zone.kind}: add one there, or let one serve it."
    causes = {(u.cause, u.name): None for gap in c.answer.gaps for u in gap.culprits[:1]}
    scans = any(hasattr(s.params, "plane_tilts_deg") for s in c.sensors)
    hears = any(isinstance(e, Lobe) for s in c.sensors for e in s.emissions)
    words = _ADVICE | (_ADVICE_ON_PLANES if scans else {}) | (_ADVICE_ON_LOBES if hears else {})
    words |= _ADVICE_ON_SWEPT if _is_swept(c) else {}
    words |= {"field": "Check the signs of the field's bounds."} if _has_field_behind(c) else {}
    return " ".join(dict.fromkeys(words[cause].format(name=name) for cause, name in causes if cause in words))


def _has_field_behind(c: Compared) -> bool:
    """True if a field that acts for the zone's purpose lies behind the leaf, as seen from its sensor's side."""
    fields = ((s, f) for s in c.sensors for f in s.family.fields(s.params, c.zone.kind))
    return any(_is_behind_leaf(sensor, field) for sensor, field in fields)


def _spill_advice(c: Compared) -> str:
    """How the sensors of an exclusion could see less of it: by fields where they have them, else by what is set."""
    seeing = [s for s in c.sensors if s.name in c.answer.contributing] or c.sensors
    limited = [s for s in seeing if hasattr(s.params, "fields")]
    words = ["Limit the sensor's area with a field for activation, or tilt it towards the door."] if limited else []
    for sensor in seeing:
        if sensor not in limited:
            labels = [t.label for t in tunables_of(sensor)]
            how = f"change {' or '.join(labels)}" if labels else "move it or lay it smaller"
            words.append(f"{sensor.name} has no fields: {how}, so that it sees less of this place.")
    return " ".join(words)


def _is_swept(c: Compared) -> bool:
    """True for a zone on the side into which the leaf turns."""
    moves = c.sensors[0].scene.door.motion
    return isinstance(moves, Swing | Folding) and moves.opens_towards == c.zone.side


def summary(compared: Sequence[Compared], findings: Sequence[Finding] = ()) -> str:
    """The verdict in one sentence for the technician, and the first critical finding beside the unmet zones."""
    judged = [c for c in compared if c.zone.kind != "exclusion"]
    bad = [c for c in judged if c.answer.verdict != "met"]
    unmet = {c.zone.id for c in bad}
    critical = [f.message for f in findings if f.severity == "critical" and f.zone not in unmet]
    first = f" Critical{f', first of {len(critical)}' if critical[1:] else ''}: {critical[0]}" if critical else ""
    if not judged:
        hint = "" if critical else " Where one is wanted, give the traffic or a rule set that asks for it."
        return f"No zone is laid out.{hint}{first}"
    if not bad:
        return f"All {len(judged)} zones are met by this calculation; prove each in the walk test.{first}"
    worst = min(bad, key=lambda c: (c.zone.kind != "protection", c.answer.share))
    return (
        f"{len(bad)} of {len(judged)} zones {'is' if len(bad) == 1 else 'are'} not met; worst is {worst.zone.label}, "
        f"{math.floor(worst.answer.share * 1000) / 10:.1f} % covered.{first}"
    )


@lru_cache(maxsize=1)
def _core_version() -> str:
    return metadata.version("sillcast")


def computed_by(rule_set: str, families: Iterable[tuple[str, str]]) -> ComputedBy:
    """Versions behind an answer."""
    return ComputedBy(core=_core_version(), families=dict(families), rule_set=rule_set, back_end=back_end())


def family_list(registry: Registry) -> FamilyList:
    """Cards of all installed families, and the entries that were left out."""
    return FamilyList(
        families=[family_card(i) for i in registry.families],
        refused=[RefusedFamily(origin=r.origin, reason=r.reason) for r in registry.refused],
    )


def family_card(installed: Installed) -> FamilyCard:
    """Card of one family."""
    family = installed.family
    return FamilyCard(
        name=family.name,
        summary=family.summary,
        distribution=installed.distribution,
        version=installed.version,
        senses=sorted(family.senses),
        purposes=sorted(family.purposes),
        never_alone=sorted(family.never_alone),
        needs_counterpart=family.needs_counterpart,
        typical=[
            TypicalValue(parameter=t.parameter, value=t.value, unit=t.unit, reason=t.reason) for t in family.typical
        ],
        findings={f"{family.name}.{key}": spec.message for key, spec in family.findings.items()},
        params_schema=msgspec.json.schema(family.params),
        example=dict(family.example),
    )


def rule_set_list() -> RuleSetList:
    """All rule sets, by name."""
    return RuleSetList(rule_sets=[_needs.rule_sets()[name] for name in sorted(_needs.rule_sets())])


def rule_set_card(name: str) -> RuleSet:
    """One rule set.

    Raises
    ------
    UnknownNameError
    """
    known = _needs.rule_sets()
    if name not in known:
        raise UnknownNameError(f"there is no rule set {name!r}; known are {', '.join(sorted(known))}")
    return known[name]


def body_list(bodies: Mapping[str, TestBody]) -> BodyList:
    """Catalogue of bodies."""
    return BodyList(
        bodies=[
            BodyCard(
                name=b.name, shape=b.shape, width_m=b.width_m, depth_m=b.depth_m, height_m=b.height_m, source=b.source
            )
            for b in bodies.values()
        ]
    )

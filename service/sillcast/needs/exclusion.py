"""Where detection is unwanted: traffic that passes by, neighbouring doors, and things that move by themselves."""

from dataclasses import replace

from sillcast.contract import Ring, Traveller
from sillcast.errors import Fault, UncomputableError
from sillcast.kernel import Region
from sillcast.needs.zones import SIDES, Ask, ZoneNeed, given, outwards

__all__ = ["exclusion_zones"]

# What moves there may go any way, at the walking speed of machine safety, 63 in/s in 29 CFR 1910.217, verified.
_ANY_WAY_M_PER_S = ((1.6, 0.0), (-1.6, 0.0), (0.0, 1.6), (0.0, -1.6))


def exclusion_zones(ask: Ask, activation: list[ZoneNeed]) -> list[ZoneNeed]:
    """Lanes of travellers that pass by, moving obstacles, neighbouring doors; overlaps with activation are remarked."""
    lanes = [(i, traveller) for i, traveller in enumerate(ask.traffic) if traveller.passes == "by"]
    if not (lanes or ask.site.neighbours or any(thing.moves for thing in ask.site.obstacles)):
        return []
    asked = ["exclusion_weight", *(["exclusion_reach_m"] if lanes else [])]
    if None in [ask.value(name, "exclusion") for name in asked]:
        return []
    zones = [_lane(ask, i, traveller, side, activation) for i, traveller in lanes for side in traveller.from_sides]
    return [*zones, *_moving(ask), *_neighbours(ask)]


def _lane(ask: Ask, i: int, traveller: Traveller, side: str, activation: list[ZoneNeed]) -> ZoneNeed:
    pointer, lane = f"/traffic/{i}", traveller.lane
    if lane is None or lane.out_from_m >= lane.out_to_m:
        text = "Traffic that passes by needs its lane, the nearer edge before the farther."
        raise UncomputableError([Fault(f"{pointer}/lane", "lane", text, "out_from_m below out_to_m")])
    body = ask.body(traveller.body or ask.rule.set.activation_body, f"{pointer}/body")
    zone = f"exclusion:{side}:{traveller.name}"
    half = ask.door.opening.width_m / 2.0 + ask.rule.value("exclusion_reach_m")
    ys = sorted((outwards(side) * lane.out_from_m, outwards(side) * lane.out_to_m))
    region = Region.box(-half, half, *ys)
    inputs = [
        given("opening_width", ask.door.opening.width_m, "m", "/door/opening/width_m"),
        ask.rule.input("exclusion_reach_m"),
    ]
    formula, (source, status) = "opening width / 2 + exclusion_reach_m", ask.rule.source("exclusion_reach_m")
    width = ask.derive(f"{zone}/half_width", formula, inputs, half, source=source, status=status)
    inputs = [
        given("out_from", lane.out_from_m, "m", f"{pointer}/lane/out_from_m"),
        given("out_to", lane.out_to_m, "m", f"{pointer}/lane/out_to_m"),
    ]
    depth = ask.derive(
        f"{zone}/depth",
        "out_to - out_from",
        inputs,
        lane.out_to_m - lane.out_from_m,
        source="request",
        status="request",
    )
    for other in activation:
        if (overlap := _overlap_m2(region, other.region)) > 1e-6:
            who, where = traveller.name, other.id
            ask.remark("lane_in_activation", pointer, zone=zone, traveller=who, overlap_m2=overlap, other=where)
    label, weight = f"{traveller.name} passing by on the {side} side", ask.rule.value("exclusion_weight")
    along = traveller.speed_m_per_s
    return ZoneNeed(
        zone, "exclusion", side, label, region, body, (0.0,), (width, depth), pointer, weight=weight,
        velocities_m_per_s=((-along, 0.0), (along, 0.0)),
    )  # fmt: skip


def _overlap_m2(one: Region, other: Region) -> float:
    """Area that two regions share; bounds that lie apart save the intersection."""
    a, b = one.bounds, other.bounds
    apart = a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]
    return 0.0 if apart else (one & other).area


def _halves(ring: Ring) -> list[tuple[str, Region]]:
    """What of an area lies on which side."""
    halves = ((SIDES[0], Region.box(-1e3, 1e3, -1e3, 0.0)), (SIDES[1], Region.box(-1e3, 1e3, 0.0, 1e3)))
    parts = [(side, Region.ring(ring) & half) for side, half in halves]
    return [(side, part) for side, part in parts if not part.is_empty]


def _area(ask: Ask, zone: str, part: Region, pointer: str) -> str:
    words = {"unit": "m2", "source": "request", "status": "request"}
    inputs = [given("ring", "as given", "m", f"{pointer}/ring_m")]
    return ask.derive(f"{zone}/area", "area of the ring on this side", inputs, part.area, **words)


def _neighbours(ask: Ask) -> list[ZoneNeed]:
    """Areas in front of neighbouring doors, whose traffic walks there in any direction."""
    body, weight, zones = ask.body(ask.rule.set.activation_body, "/rules/set"), ask.rule.value("exclusion_weight"), []
    for i, neighbour in enumerate(ask.site.neighbours):
        pointer, label = f"/site/neighbours/{i}", f"in front of {neighbour.name}, a neighbouring door"
        for side, part in _halves(neighbour.ring_m):
            zone = f"exclusion:{side}:{neighbour.name}"
            edges = (_area(ask, zone, part, pointer),)
            zones.append(ZoneNeed(
                zone, "exclusion", side, label, part, body, (0.0,), edges, pointer, (0.0,), weight,
                velocities_m_per_s=_ANY_WAY_M_PER_S,
            ))  # fmt: skip
    return zones


def _moving(ask: Ask) -> list[ZoneNeed]:
    """Things that move by themselves, each as pieces of its own height, where they hang or stand."""
    like, weight, zones = ask.body(ask.rule.set.activation_body, "/rules/set"), ask.rule.value("exclusion_weight"), []
    for i, thing in enumerate(ask.site.obstacles):
        pointer, label = f"/site/obstacles/{i}", f"{thing.name}, which moves"
        for side, part in _halves(thing.ring_m) if thing.moves else ():
            _, y0, _, y1 = part.bounds
            floor = ask.floor_m(side, abs(y0 + y1) / 2.0)
            if (height := thing.top_m - max(thing.base_m, floor)) <= 0.0:
                continue
            zone = f"exclusion:{side}:{thing.name}"
            inputs = [
                given("top", thing.top_m, "m", f"{pointer}/top_m"),
                given("base", thing.base_m, "m", f"{pointer}/base_m"),
                given("floor", floor, "m", f"/site/floor/{side}"),
            ]
            edges = (_area(ask, zone, part, pointer), ask.derive(
                f"{zone}/height", "top - greater of base and floor", inputs, height, source="request", status="request"
            ))  # fmt: skip
            piece = replace(like, name=thing.name, height_m=height, metal=thing.material == "metal")
            zones.append(ZoneNeed(
                zone, "exclusion", side, label, part, piece, (0.0,), edges, pointer, (0.0,), weight,
                velocities_m_per_s=_ANY_WAY_M_PER_S, in_place_of=thing.name,
                hangs_from_m=thing.base_m if thing.base_m > floor else None,
            ))  # fmt: skip
    return zones

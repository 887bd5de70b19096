"""Where detection is unwanted: traffic that passes by, and things that move by themselves."""

from sillcast.contract import Ring, Traveller
from sillcast.errors import Fault, UncomputableError
from sillcast.kernel import Region
from sillcast.needs.zones import SIDES, Ask, ZoneNeed, given, outwards

__all__ = ["exclusion_zones"]


def exclusion_zones(ask: Ask, activation: list[ZoneNeed]) -> list[ZoneNeed]:
    """Lanes of travellers that pass by, then moving obstacles; overlaps with activation are remarked."""
    if ask.value("exclusion_weight", "exclusion") is None or ask.value("exclusion_reach_m", "exclusion") is None:
        return []
    zones = []
    for i, traveller in enumerate(ask.traffic):
        if traveller.passes == "by":
            zones += [_lane(ask, i, traveller, side, activation) for side in traveller.from_sides]
    return [*zones, *_moving(ask)]


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
        if other.side == side and (overlap := _overlap_m2(region, other.region)) > 1e-6:
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


def _areas(ask: Ask) -> list[tuple[str, Ring, str, str]]:
    """Name, ring, pointer and label of what moves by itself and of neighbouring doors."""
    obstacles = enumerate(ask.site.obstacles)
    moving = [(o.name, o.ring_m, f"/site/obstacles/{i}", f"{o.name}, which moves") for i, o in obstacles if o.moves]
    doors = [
        (n.name, n.ring_m, f"/site/neighbours/{i}", f"in front of {n.name}, a neighbouring door")
        for i, n in enumerate(ask.site.neighbours)
    ]
    return [*moving, *doors]


def _moving(ask: Ask) -> list[ZoneNeed]:
    body, weight = ask.body(ask.rule.set.activation_body, "/rules/set"), ask.rule.value("exclusion_weight")
    halves = ((SIDES[0], Region.box(-1e3, 1e3, -1e3, 0.0)), (SIDES[1], Region.box(-1e3, 1e3, 0.0, 1e3)))
    zones = []
    for name, ring, pointer, label in _areas(ask):
        for side, half in halves:
            part, zone = Region.ring(ring) & half, f"exclusion:{side}:{name}"
            if part.is_empty:
                continue
            inputs = [given("ring", "as given", "m", f"{pointer}/ring_m")]
            words = {"unit": "m2", "source": "request", "status": "request"}
            area = ask.derive(f"{zone}/area", "area of the ring on this side", inputs, part.area, **words)
            edges = (area,)
            zones.append(ZoneNeed(zone, "exclusion", side, label, part, body, (0.0,), edges, pointer, weight=weight))
    return zones

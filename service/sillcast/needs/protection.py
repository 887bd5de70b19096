"""Where a body must be found so that the leaf does not meet it: lifts and sliding leaves, places, separation."""

from dataclasses import replace
from typing import Any

from sillcast import motion
from sillcast.contract import DerivationInput, Floor, Side, Sliding, VerticalLift
from sillcast.kernel import Region, TestBody
from sillcast.needs.limits import energy_is_low
from sillcast.needs.rules import Resolved
from sillcast.needs.separation import (
    allowed_capability_mm,
    intrusion_mm,
    least_field_height_mm,
    orthogonal_mm,
    parallel_mm,
)
from sillcast.needs.strips import half_width, path_strip, protection_zone, strip_edges
from sillcast.needs.turning import turning_zones
from sillcast.needs.zones import CLOSING_STATES, SIDES, Ask, ZoneNeed, given, outwards

__all__ = ["protection_zones"]

_DOOR = "/door"
_FAR_M = 1e3


def protection_zones(ask: Ask) -> list[ZoneNeed]:
    """Zones by the rule set's method, and beside them those of the separation standard that the request names.

    Every body of `rules.protection_bodies` has its own zones; without them the rule set's own body.
    """
    bodies = [ask.body(name, f"/rules/protection_bodies/{i}") for i, name in enumerate(ask.rules.protection_bodies)]
    zones: list[ZoneNeed] = []
    for i, body in enumerate(bodies or [ask.body(ask.rule.set.body, "/rules/set")]):
        ask.tag = f".{body.name}" if i else ""
        zones += _for_body(ask, body)
    ask.tag = ""
    share = ask.door.motion.partial_opening
    return [replace(zone, states=tuple(share * state for state in zone.states)) for zone in zones]


def _for_body(ask: Ask, body: TestBody) -> list[ZoneNeed]:
    if ask.half_width_m(body) <= 0.0:
        width = ask.door.opening.width_m
        ask.remark("body_wider_than_opening", _DOOR, body=body.name, body_width_m=body.width_m, opening_width_m=width)
        return []
    method, zones = ask.rule.set.protection, list[ZoneNeed]()
    if method == "places":
        zones += _places(ask, body)
    elif method in ("strip", "given"):
        zones += _strips(ask, body)
    elif method == "separation":
        # The edition that the request names takes the place of the set's own: one distance on each side.
        return _separation(ask, body, ask.separation or ask.rule, beside_strip=False)
    elif not energy_is_low(ask):
        zones += turning_zones(ask, body)
    if method != "places":
        zones = _reached(ask, body, zones)
    if ask.separation is None:
        return zones
    # Beside the set's own strip the leaf line has a zone already; alone, the distance covers it.
    return [*zones, *_separation(ask, body, ask.separation, beside_strip=True)]


def _reached(ask: Ask, body: TestBody, zones: list[ZoneNeed]) -> list[ZoneNeed]:
    """Zones without a side whose floor is so low that the body ends below the closed leaf wherever it stands there."""
    if ask.site.floor == Floor():
        return zones
    tops = {side: top for side in SIDES if (top := _highest_top_m(ask, body, side, zones)) is not None}
    below = [side for side, top in tops.items() if top <= 0.0]
    if len(below) == len(SIDES):
        ask.remark("floors_below_leaf", "/site/floor", body=body.name, below_m=-max(tops.values()))
        return zones
    for side in below:
        half = Region.box(-_FAR_M, _FAR_M, *sorted((0.0, outwards(side) * _FAR_M)))
        area, name = Region.union(z.region & half for z in zones).area, _derived_top(ask, body, side, tops[side])
        told: dict[str, Any] = {"side": side, "body": body.name, "below_m": -tops[side], "area_m2": area}
        ask.remark("below_leaf", f"/site/floor/{side}", derivation=name, **told)
        zones = [left for z in zones if (left := _on_side(z, half, SIDES[side == "near"])) is not None]
    return zones


def _highest_top_m(ask: Ask, body: TestBody, side: str, zones: list[ZoneNeed]) -> float | None:
    """Greatest height of a standing body's top where zones lie on one side; None where none does. [m]"""
    bounds = [z.region.bounds for z in zones if not z.region.is_empty]
    outs = [sorted((outwards(side) * y0, outwards(side) * y1)) for _, y0, _, y1 in bounds]
    tops = [ask.floor_m(side, max(out, 0.0)) for ends in outs if ends[1] > 0.0 for out in ends]
    return max(tops) + body.height_m if tops else None


def _derived_top(ask: Ask, body: TestBody, side: str, top: float) -> str:
    floor = getattr(ask.site.floor, side)
    inputs = [
        given("floor_level", floor.level_m, "m", f"/site/floor/{side}/level_m"),
        given("slope", floor.slope_deg, "deg", f"/site/floor/{side}/slope_deg"),
        given("body_height", body.height_m, "m", f"body {body.name}"),
    ]
    formula = "greatest of floor_level + tan(slope) x distance out + body_height within the zones"
    note = "From the finished floor, where the closed leaf has its lowest edge: below it the leaf meets nobody."
    return ask.derive(f"door/highest_top_{side}{ask.tag}", formula, inputs, top, note=note)


def _on_side(zone: ZoneNeed, without: Region, side: Side) -> ZoneNeed | None:
    """A zone without what lies on the other side; None if nothing is left."""
    if (zone.region & without).is_empty:
        return zone
    region = zone.region - without
    if region.is_empty:
        return None
    return replace(zone, region=region, side=side, label=zone.label.replace("both sides", f"{side} side"))


def _strips(ask: Ask, body: TestBody) -> list[ZoneNeed]:
    if ask.value("strip_depth_m", "protection") is None:
        return []
    if isinstance(ask.door.motion, VerticalLift):
        return _lift(ask, body)
    zones = _sliding(ask, body, ask.door.motion) if isinstance(ask.door.motion, Sliding) else turning_zones(ask, body)
    return [*zones, *_one_way(ask, body)]


def _lift(ask: Ask, body: TestBody) -> list[ZoneNeed]:
    """Near strip, leaf line and far strip: they tile the strip, a body at their common edge just touches the leaf."""
    half, touch = ask.half_width_m(body), ask.touch_m(body, "near")  # a lifting leaf has the same face on both sides
    zones = []
    for side in SIDES:
        zone = ask.protection(side, f"{side}_strip")
        outer, derivations = strip_edges(ask, body, zone, side, touch)
        ys = sorted((outwards(side) * touch, outwards(side) * outer))
        label = f"strip beside the leaf, {side} side"
        zones.append(protection_zone(zone, label, Region.box(-half, half, *ys), body, derivations))
    zone = ask.protection("near", "leaf_line")
    inputs = [
        given("leaf_thickness", ask.door.leaf.thickness_m, "m", "/door/leaf/thickness_m"),
        given("body_depth", body.depth_m, "m", f"body {body.name}"),
    ]
    note = "To both sides of the leaf plane: here a body touches the leaf's thickness."
    ask.derive(f"{zone}/edge", "thickness / 2 + body depth / 2", inputs, touch, note=note)
    half_width(ask, zone, body)
    line = Region.box(-half, half, -touch, touch)
    derivations = (f"{zone}/edge", f"{zone}/half_width")
    return [zones[0], protection_zone(zone, "leaf line, both sides", line, body, derivations), zones[1]]


def _sliding(ask: Ask, body: TestBody, sliding: Sliding) -> list[ZoneNeed]:
    return [*(path_strip(ask, body, side) for side in SIDES), *_trailing_edges(ask, body, sliding)]


def _trailing_edges(ask: Ask, body: TestBody, sliding: Sliding) -> list[ZoneNeed]:
    """Where the rear edge of an opening leaf runs along a wall face; a leaf inside the wall runs into a pocket."""
    wall, rear = ask.door.wall, motion.rear_plane_m(ask.door)
    if wall.near_face_y_m < rear < wall.far_face_y_m:
        if not ask.tag:
            ask.remark("pocket", _DOOR)
        return []
    side = "near" if wall.near_face_y_m >= rear else "far"
    ends = ("left", "right") if sliding.leaves == 2 else (sliding.opens_to,)
    return [_trailing_edge(ask, body, side, end) for end in ends]


def _trailing_edge(ask: Ask, body: TestBody, side: str, end: str) -> ZoneNeed:
    zone, edge = ask.protection(side, f"{end}_trailing_edge"), ask.door.opening.width_m / 2.0
    outer, derivations = strip_edges(ask, body, zone, side, 0.0)
    panel = max(motion.panel_width_m(ask.door, k) for k in range(motion.panel_count(ask.door)))
    reach = edge + panel + ask.rule.value("strip_depth_m") + body.width_m / 2.0
    inputs = [
        given("opening_width", 2.0 * edge, "m", "/door/opening/width_m"),
        given("panel_width", panel, "m", "/door/motion/panels"),
        ask.rule.input("strip_depth_m"),
        given("body_width", body.width_m, "m", f"body {body.name}"),
    ]
    formula = "opening width / 2 + panel width + strip_depth_m + body width / 2"
    source, status = ask.rule.source("strip_depth_m")
    note = "The rear panel runs its own width along the wall; beyond its end a body is caught against a fixed part."
    ask.derive(f"{zone}/reach", formula, inputs, reach, source=source, status=status, note=note)
    sign = -1.0 if end == "left" else 1.0
    xs, ys = sorted((sign * edge, sign * reach)), sorted((0.0, outwards(side) * outer))
    label = f"behind the {end} edge of the opening leaf, {side} side"
    derivations = (*derivations, f"{zone}/reach")
    return protection_zone(
        zone, label, Region.box(*xs, *ys), body, derivations, states=(0.0, 0.25, 0.5, 0.75), during=("opening",)
    )


def _one_way(ask: Ask, body: TestBody) -> list[ZoneNeed]:
    """Side from which nobody comes through: who stands there must be found all the same while the leaf moves."""
    through = [t for t in ask.traffic if t.passes == "through"]
    used = {side for t in through for side in t.from_sides}
    if not through or len(used) != 1 or not ask.rule.given("one_way_depth_m"):
        return []
    side = "far" if "near" in used else "near"
    zone, half = ask.protection(side, "one_way"), ask.half_width_m(body)
    depth, (source, status) = ask.rule.value("one_way_depth_m"), ask.rule.source("one_way_depth_m")
    outer, inner = ask.face_m(side) + depth, ask.touch_m(body, side)
    face, leaf = ask.face(side)
    note = "Nobody is expected from this side; who is there all the same must be found while the leaf moves."
    ask.derive(
        f"{zone}/outer_edge", f"{face} + one_way_depth_m", [*leaf, ask.rule.input("one_way_depth_m")], outer,
        source=source, status=status, note=note,
    )  # fmt: skip
    if outer <= inner:
        ask.remark("zone_without_depth", _DOOR, zone=zone, distance_m=outer, inner_m=inner)
        return []
    half_width(ask, zone, body)
    region = Region.box(-half, half, *sorted((outwards(side) * inner, outwards(side) * outer)))
    return [protection_zone(zone, f"wrong side, {side}", region, body, (f"{zone}/outer_edge", f"{zone}/half_width"))]


def _places(ask: Ask, body: TestBody) -> list[ZoneNeed]:
    """Places at which the regulation's object must be seen; each a small square around its centre."""
    edge, sideways = ask.door.opening.width_m / 2.0, not isinstance(ask.door.motion, VerticalLift)
    names = [("left_place", -1.0, "edge_place_m"), ("right_place", 1.0, "edge_place_m")]
    if sideways:
        names += [("left_end_place", -1.0, "end_place_m"), ("right_end_place", 1.0, "end_place_m")]
    zones = []
    for name, sign, rule in [*names, ("middle_place", 0.0, "edge_place_m")]:
        zone = ask.protection("near", name)
        source, status = ask.rule.source(rule)
        x = sign * (edge - ask.rule.value(rule))
        width = given("opening_width", 2.0 * edge, "m", "/door/opening/width_m")
        formula = f"{'-' if sign < 0 else ''}(opening width / 2 - {rule})" if sign else "middle of the opening"
        inputs = [width, ask.rule.input(rule)] if sign else [width]
        ask.derive(f"{zone}/place", formula, inputs, x, source=source, status=status)
        size = ask.rule.value("place_tolerance_m")
        region = Region.box(x - size, x + size, -size, size)
        label = f"{name.replace('_', ' ')}, in the leaf plane"
        zones.append(ZoneNeed(
            zone, "protection", "near", label, region, body, CLOSING_STATES, (f"{zone}/place",), _DOOR, (0.0,)
        ))  # fmt: skip
    return zones


def separation_distance_m(rule: Resolved, total_s: float) -> float:
    """Separation distance of a parallel field by a resolved edition, in metres, from T in seconds."""
    intrusion = intrusion_mm(
        rule.value("field_height_mm"),
        base_mm=rule.value("intrusion_mm"),
        per_height=rule.value("intrusion_per_height"),
        least_mm=rule.value("intrusion_least_mm"),
    )
    speed, supplement = rule.value("approach_speed_mm_per_s"), rule.value("supplement_mm")
    return parallel_mm(total_s, intrusion=intrusion, speed_mm_per_s=speed, supplement_mm=supplement) / 1000.0


_SEPARATION_RULES = (
    "approach_speed_mm_per_s", "intrusion_mm", "intrusion_per_height", "intrusion_least_mm", "field_height_mm",
    "supplement_mm",
)  # fmt: skip


def _separation_inputs(ask: Ask, rule: Resolved, side: str) -> tuple[list[DerivationInput], float]:
    response, stopping = ask.response("protection", side), ask.door.motion.stopping_time_s
    inputs = [response, given("stopping_time", stopping, "s", "/door/motion/stopping_time_s")]
    return [*inputs, *(rule.input(name) for name in _SEPARATION_RULES)], float(response.value) + stopping


def _separation(ask: Ask, body: TestBody, rule: Resolved, *, beside_strip: bool) -> list[ZoneNeed]:
    half, zones = ask.half_width_m(body), []
    source, status = rule.source("intrusion_mm")
    for side in SIDES:
        zone = ask.protection(side, "separation")
        inputs, total = _separation_inputs(ask, rule, side)
        distance = separation_distance_m(rule, total)
        faster = separation_distance_m(rule, total / 2.0)
        ask.derive(
            f"{zone}/distance",
            "K x (response + stopping time) + max(intrusion - per_height x field height, least) + supplement",
            inputs, distance, source=source, status=status,
            note="From the leaf's face. For persons of 14 years and older who neither run, jump nor fall.",
            change=f"{distance:.2f} m because the door stands still {total:.2f} s after the body is there; "
            f"at {total / 2.0:.2f} s it would be {faster:.2f} m.",
        )  # fmt: skip
        outer = ask.face_m(side) + distance + body.depth_m / 2.0
        inner = ask.touch_m(body, side) if beside_strip else 0.0
        face, leaf = ask.face(side)
        deep = given("body_depth", body.depth_m, "m", f"body {body.name}")
        formula = f"{face} + distance + body depth / 2"
        ask.derive(
            f"{zone}/outer_edge", formula, [*leaf, given("distance", distance, "m", f"{zone}/distance"), deep], outer
        )
        half_width(ask, zone, body)
        region = Region.box(-half, half, *sorted((outwards(side) * inner, outwards(side) * outer)))
        label = f"separation distance, {side} side"
        derivations = tuple(f"{zone}/{edge}" for edge in ("distance", "outer_edge", "half_width"))
        if "curtain_capability_most_mm" in rule:
            derivations += (_curtain(ask, rule, zone, total),)
        zones.append(protection_zone(zone, label, region, body, derivations))
    if not ask.tag:
        _separation_remarks(ask, rule)
    return zones


def _curtain(ask: Ask, rule: Resolved, zone: str, total: float) -> str:
    """Distance of a curtain square to the approach, beside the field's: it needs less where it sees more finely."""
    capability = min(rule.value("detection_capability_mm"), rule.value("curtain_capability_most_mm"))
    inputs = [given("response_and_stopping", total, "s", f"{zone}/distance"), rule.input("detection_capability_mm")]
    source, status = rule.source("curtain_capability_most_mm")
    formula = "d <= 40: 2000 T + 8 (d - 14), at least 100, above 500 with 1600 and at least 500; d <= 70: 1600 T + 850"
    note = "Not a zone: where a curtain square to the approach would have to stand."
    distance = orthogonal_mm(total, capability) / 1000.0
    return ask.derive(f"{zone}/curtain", formula, inputs, distance, source=source, status=status, note=note)


def _separation_remarks(ask: Ask, rule: Resolved) -> None:
    pointer = "/rules/separation" if ask.separation is rule else "/rules/set"
    if "scope_age_years" in rule:
        age = rule.value("scope_age_years")
        ask.remark("separation_scope", pointer, set=rule.set.name, edition=rule.edition, age_years=age)
    height, capability = rule.value("field_height_mm"), rule.value("detection_capability_mm")
    if "crawl_under_mm" in rule and height > rule.value("crawl_under_mm"):
        ask.remark("crawl_under", pointer, height_mm=height, limit_mm=rule.value("crawl_under_mm"))
    least = least_field_height_mm(capability)
    if "crawl_under_mm" in rule and height < least:
        allowed = allowed_capability_mm(height)
        ask.remark(
            "capability_too_coarse",
            pointer,
            capability_mm=capability,
            height_mm=height,
            allowed_mm=allowed,
            least_mm=least,
        )

"""Strips beside the leaf, shared by all motions."""

from sillcast.kernel import Region, TestBody
from sillcast.needs.zones import CLOSING_STATES, Ask, ZoneNeed, given, outwards

__all__ = ["half_width", "path_strip", "protection_zone", "strip_edges"]


def strip_edges(ask: Ask, body: TestBody, zone: str, side: str, inner: float) -> tuple[float, tuple[str, ...]]:
    """Outer edge of a strip beside the leaf, `inner` its other edge, with the derivations of both. [m]"""
    depth = ask.rule.value("strip_depth_m")
    source, status = ask.rule.source("strip_depth_m")
    outer = ask.face_m(side) + depth + body.depth_m / 2.0
    face, leaf = ask.face(side)
    deep = given("body_depth", body.depth_m, "m", f"body {body.name}")
    strip = ask.rule.input("strip_depth_m")
    less = depth / 2.0
    ask.derive(
        f"{zone}/outer_edge", f"{face} + strip_depth_m + body depth / 2", [*leaf, strip, deep], outer,
        source=source, status=status, note="Farther out the body no longer reaches into the strip beside the leaf.",
        change=f"{outer:.2f} m because the strip is {depth:.2f} m deep; "
        f"at {less:.2f} m it would be {outer - less:.2f} m.",
    )  # fmt: skip
    formula = f"{face} + body depth / 2" if inner > 0.0 else "the leaf plane"
    ask.derive(f"{zone}/inner_edge", formula, [*leaf, deep] if inner > 0.0 else [], inner)
    half_width(ask, zone, body)
    return outer, tuple(f"{zone}/{edge}" for edge in ("outer_edge", "inner_edge", "half_width"))


def half_width(ask: Ask, zone: str, body: TestBody) -> float:
    """Greatest distance of the body's centre from the middle of the opening, with its derivation. [m]"""
    half = ask.half_width_m(body)
    inputs = [
        given("opening_width", ask.door.opening.width_m, "m", "/door/opening/width_m"),
        given("body_width", body.width_m, "m", f"body {body.name}"),
    ]
    note = "The body lies inside the opening's width."
    ask.derive(f"{zone}/half_width", "opening width / 2 - body width / 2", inputs, half, note=note)
    return half


def protection_zone(
    zone: str,
    label: str,
    region: Region,
    body: TestBody,
    derivations: tuple[str, ...],
    *,
    states: tuple[float, ...] = CLOSING_STATES,
    during: tuple[str, ...] = ("closing",),
) -> ZoneNeed:
    """Protection zone, its kind and side read from its id, judged at states of the leaf [1] in its movements."""
    kind, side, _ = zone.split(":", 2)
    return ZoneNeed(zone, kind, side, label, region, body, states, derivations, "/door", during=during)


def path_strip(ask: Ask, body: TestBody, side: str) -> ZoneNeed:
    """Strip on one side of a leaf whose leading edge runs in the leaf plane, from the plane outwards."""
    zone, half = ask.protection(side, "leaf_path"), ask.half_width_m(body)
    outer, derivations = strip_edges(ask, body, zone, side, 0.0)
    region = Region.box(-half, half, *sorted((0.0, outwards(side) * outer)))
    return protection_zone(zone, f"path of the leaf, {side} side", region, body, derivations)

"""Protection of leaves that turn or fold: what they sweep, what is behind them, where panels fold."""

from math import cos, pi, radians, sin

import numpy as np

from sillcast import motion
from sillcast.contract import Folding, Swing
from sillcast.kernel import Region, TestBody
from sillcast.kernel.frame import FloatArray
from sillcast.needs.strips import path_strip, protection_zone
from sillcast.needs.zones import SIDES, Ask, ZoneNeed, given, outwards

__all__ = ["circumscribed_sector", "fold_hull", "reached_by", "turning_zones"]

_ARC_STEP = pi / 32.0

_BOTH = ("opening", "closing")


def circumscribed_sector(radius: float, start: float, end: float) -> FloatArray:
    """Sector about the origin with its arc drawn from outside, so that nothing of it is left out.

    Parameters
    ----------
    radius : float
        Above 0. [m]
    start, end : float
        Angles from +x, counter-clockwise, in radians; end above start by at most pi. [1]

    Returns
    -------
    ring : (n, 2) array
        Counter-clockwise, open, convex. [m]
    """
    n = max(int(np.ceil((end - start) / _ARC_STEP - 1e-9)), 1)
    step = (end - start) / n
    angles = np.concatenate([[start], start + step * (np.arange(n) + 0.5), [end]])
    radii = np.full(n + 2, radius / cos(step / 2.0))
    radii[[0, -1]] = radius
    return np.vstack([[0.0, 0.0], np.column_stack([radii * np.cos(angles), radii * np.sin(angles)])])


def fold_hull(panel: float, full: float) -> FloatArray:
    """Convex area that holds all two panels sweep while they fold from 0 to the full angle.

    Parameters
    ----------
    panel : float
        Width of one panel. [m]
    full : float
        Angle of the open panels against the leaf plane, in radians, up to pi/2. [1]

    Returns
    -------
    ring : (n, 2) array
        Counter-clockwise, open; the jamb at the origin, the opening along +x. [m]
    """
    # The line from the closed leading edge (2p, 0) touches the circle of the fold at 60 deg.
    arc = circumscribed_sector(panel, min(pi / 3.0, full), full)[1:] if full > pi / 3.0 else None
    fold = np.array([[panel * cos(min(pi / 3.0, full)), panel * sin(min(pi / 3.0, full))]]) if arc is None else arc
    return np.vstack([[[0.0, 0.0], [2.0 * panel, 0.0]], fold])


def reached_by(ring: FloatArray, body: TestBody) -> Region:
    """Body centres at which the body touches a convex area: the area widened by the body's footprint.

    Parameters
    ----------
    ring : (n, 2) array
        Convex, counter-clockwise or clockwise. [m]
    body : TestBody
        Its footprint is taken at angle 0. [m]

    Returns
    -------
    region : Region
        Minkowski sum of both. [m]
    """
    dx, dy = body.width_m / 2.0, body.depth_m / 2.0
    corners = np.array([[-dx, -dy], [dx, -dy], [dx, dy], [-dx, dy]])
    points = (ring[:, None, :] + corners[None, :, :]).reshape(-1, 2)
    return Region.ring(_hull(points))


def _hull(points: FloatArray) -> list[tuple[float, float]]:
    """Convex hull, counter-clockwise (monotone chain)."""
    ordered = sorted({(float(x), float(y)) for x, y in points})

    def half(run: list[tuple[float, float]]) -> list[tuple[float, float]]:
        chain: list[tuple[float, float]] = []
        for x, y in run:
            while len(chain) > 1:
                (x1, y1), (x0, y0) = chain[-1], chain[-2]
                if (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) > 0.0:
                    break
                chain.pop()
            chain.append((x, y))
        return chain[:-1]

    return half(ordered) + half(ordered[::-1])


def _placed(ask: Ask, leaf: str, side: str, ring: FloatArray) -> FloatArray:
    """Ring drawn for a left hinge at the origin opening towards +y, moved to its jamb and side."""
    inwards = 1.0 if leaf == "left" else -1.0
    jamb = -inwards * ask.door.opening.width_m / 2.0
    return np.column_stack([jamb + inwards * ring[:, 0], outwards(side) * ring[:, 1]])


def turning_zones(ask: Ask, body: TestBody) -> list[ZoneNeed]:
    """Zones of swing and folding leaves."""
    turning = ask.door.motion
    if not isinstance(turning, Swing | Folding):
        return []
    leaves = dict.fromkeys(panel.leaf for panel in motion.leaf_panels(ask.door, 0.0))
    if isinstance(turning, Swing):
        return [zone for leaf in leaves for zone in _swing(ask, body, turning, leaf)]
    zones = [zone for leaf in leaves for zone in _fold(ask, body, turning, leaf)]
    return [*zones, *(path_strip(ask, body, s) for s in SIDES if ask.rule.given("strip_depth_m"))]


def _swing(ask: Ask, body: TestBody, swing: Swing, leaf: str) -> list[ZoneNeed]:
    side, width = swing.opens_towards, motion.leaf_width_m(ask.door)
    angle = motion.travel_m(ask.door) * swing.partial_opening / width
    parts = (
        ("swing", "sweep of the {} leaf", 0.0, angle, (0.0, 1.0), _BOTH),
        ("opening_half", "second half of the {} leaf's opening", angle / 2.0, angle, (0.25, 0.5), _BOTH[:1]),
        ("closing_half", "second half of the {} leaf's closing", 0.0, angle / 2.0, (0.75, 0.5), _BOTH[1:]),
    )
    zones = []
    for name, label, start, end, states, during in parts:
        zone = ask.protection(side, f"{leaf}_leaf_{name}")
        ring = _placed(ask, leaf, side, circumscribed_sector(width, start, end))
        edges = _sector_derivations(ask, body, zone, start, end)
        words = f"{label.format(leaf)}, {side} side"
        zones.append(protection_zone(zone, words, reached_by(ring, body), body, edges, states=states, during=during))
    return [*zones, *_behind(ask, body, swing, leaf)]


def _sector_derivations(ask: Ask, body: TestBody, zone: str, start: float, end: float) -> tuple[str, ...]:
    width = motion.leaf_width_m(ask.door)
    inputs = [
        given("leaf_width", width, "m", "/door/opening/width_m"),
        given("body_depth", body.depth_m, "m", f"body {body.name}"),
        given("from_angle", start * 180.0 / pi, "deg", "/door/motion/angle_deg"),
        given("to_angle", end * 180.0 / pi, "deg", "/door/motion/angle_deg"),
    ]
    note = "Sector about the hinge, its arc drawn from outside, widened by the body's footprint."
    reach = ask.derive(f"{zone}/radius", "leaf width", inputs[:1], width, note=note)
    formula = "leaf width^2 x (to_angle - from_angle) / 2, the body's footprint not reckoned"
    area = ask.derive(f"{zone}/swept_area", formula, inputs, 0.5 * width * width * (end - start), unit="m2")
    return reach, area


def _behind(ask: Ask, body: TestBody, swing: Swing, leaf: str) -> list[ZoneNeed]:
    """Strip behind the open leaf: who stands there is caught against a wall or a fixed part."""
    if not ask.rule.given("strip_depth_m"):
        return []
    side, width, depth = swing.opens_towards, motion.leaf_width_m(ask.door), ask.rule.value("strip_depth_m")
    angle, deep = motion.travel_m(ask.door) * swing.partial_opening / width, depth + ask.face_m(side)
    along, across = np.array([cos(angle), sin(angle)]), np.array([-sin(angle), cos(angle)])
    ring = np.array([0.0 * along, width * along, width * along + deep * across, deep * across])
    zone, (source, status) = ask.protection(side, f"{leaf}_leaf_hinge_side"), ask.rule.source("strip_depth_m")
    inputs = [
        given("leaf_thickness", ask.door.leaf.thickness_m, "m", "/door/leaf/thickness_m"),
        ask.rule.input("strip_depth_m"),
    ]
    note = "Behind the open leaf, along its whole width, widened by the body's footprint."
    edge = ask.derive(
        f"{zone}/depth", "thickness / 2 + strip_depth_m", inputs, deep, source=source, status=status, note=note
    )
    region = reached_by(_placed(ask, leaf, side, ring), body)
    label = f"behind the open {leaf} leaf, {side} side"
    return [protection_zone(zone, label, region, body, (edge,), states=(0.0, 0.5, 0.75), during=_BOTH[:1])]


def _fold(ask: Ask, body: TestBody, fold: Folding, leaf: str) -> list[ZoneNeed]:
    side, panel, full = fold.opens_towards, motion.leaf_width_m(ask.door) / 2.0, radians(fold.angle_deg)
    zone = ask.protection(side, f"{leaf}_fold")
    inputs = [
        given("panel_width", panel, "m", "/door/opening/width_m"),
        given("angle", fold.angle_deg, "deg", "/door/motion/angle_deg"),
    ]
    note = "The fold runs on a circle about the jamb; the zone is the convex area around all the panels sweep."
    depth = ask.derive(f"{zone}/depth", "panel width x sin(angle)", inputs, panel * sin(full), note=note)
    region = reached_by(_placed(ask, leaf, side, fold_hull(panel, full)), body)
    label = f"sweep of the {leaf} panels, {side} side"
    zones = [protection_zone(zone, label, region, body, (depth,), states=(1.0, 0.5, 0.0), during=_BOTH)]
    if ask.rule.given("strip_depth_m"):
        zones.append(_fold_line(ask, body, side, leaf, panel))
    return zones


def _fold_line(ask: Ask, body: TestBody, side: str, leaf: str, panel: float) -> ZoneNeed:
    """Around the fold of the nearly closed panels, where it draws in what stands there."""
    strip, (source, status) = ask.rule.value("strip_depth_m"), ask.rule.source("strip_depth_m")
    zone = ask.protection(side, f"{leaf}_fold_line")
    ring = np.array([[panel - strip, 0.0], [panel + strip, 0.0], [panel + strip, strip], [panel - strip, strip]])
    inputs = [given("panel_width", panel, "m", "/door/opening/width_m"), ask.rule.input("strip_depth_m")]
    formula = "strip_depth_m to both sides of the fold of the closed panels and out from it"
    edge = ask.derive(f"{zone}/depth", formula, inputs, strip, source=source, status=status)
    region = reached_by(_placed(ask, leaf, side, ring), body)
    return protection_zone(zone, f"fold line of the {leaf} panels", region, body, (edge,), states=(0.5, 0.25))

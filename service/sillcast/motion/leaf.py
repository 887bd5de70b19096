"""Where the leaf is at a state, what passes beside and under it, what it sweeps; the fixed parts of the door."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from math import acos, asin, atan2, cos, hypot, pi, radians, sin
from typing import Literal

import numpy as np

from sillcast.contract import Door, Folding, Sliding, Swing, VerticalLift
from sillcast.kernel import Prism

__all__ = [
    "Panel",
    "clear_height_m",
    "clear_width_m",
    "door_prisms",
    "lap_m",
    "leaf_count",
    "leaf_face_m",
    "leaf_panels",
    "leaf_prisms",
    "leaf_width_m",
    "panel_count",
    "panel_way_m",
    "panel_width_m",
    "rear_plane_m",
    "required_state",
    "sweep_depth_m",
    "travel_m",
]

WALL_WIDTH_M = 30.0
WALL_TOP_M = 20.0
_LEAST_SLAB_M = 1e-6
_SEAL_M = 0.01  # along the door, of what closes the gap between telescopic panels: thin, and no ray passes it


@dataclass(frozen=True)
class Panel:
    """Turning or folding panel in plan: its two ends, in metres, and the leaf it belongs to."""

    leaf: Literal["left", "right"]
    hinge: tuple[float, float]
    edge: tuple[float, float]


def leaf_count(door: Door) -> int:
    """Number of leaves that move: a folding door's pairs count as one leaf each. [1]"""
    motion = door.motion
    if isinstance(motion, VerticalLift):
        return 1
    return motion.panels // 2 if isinstance(motion, Folding) else motion.leaves


def leaf_width_m(door: Door) -> float:
    """Share of the opening's width that one leaf closes. [m]"""
    return door.opening.width_m / leaf_count(door)


def travel_m(door: Door) -> float:
    """Way of the leading edge from closed to open [1]_.

    Lift: the opening's height. Sliding: the leaf's width, and its lap over the closing jamb. Swing: the arc of the
    outer edge, width times angle. Folding: the leading edge's way along the opening, 2 p (1 - cos angle) with panels of
    width p.

    Parameters
    ----------
    door : Door
        The door.

    Returns
    -------
    way_m : float
        Above 0. [m]

    References
    ----------
    .. [1] Plane geometry; tests/published/test_motion.py.
    """
    motion, width = door.motion, leaf_width_m(door)
    if isinstance(motion, VerticalLift):
        return door.opening.height_m
    if isinstance(motion, Sliding):
        return width + lap_m(door)
    angle = radians(motion.angle_deg)
    return width * angle if isinstance(motion, Swing) else width * (1.0 - cos(angle))


def lap_m(door: Door) -> float:
    """How far the leading edge of a closed sliding leaf is past the jamb: none if it meets it or the other leaf. [m]"""
    motion, is_free = door.motion, not door.wall.near_face_y_m < 0.0 < door.wall.far_face_y_m
    return door.leaf.overlap_m if isinstance(motion, Sliding) and motion.leaves == 1 and is_free else 0.0


def panel_count(door: Door) -> int:
    """Telescopic panels of each leaf, 1 of all leaves that do not slide. [1]"""
    return door.motion.panels if isinstance(door.motion, Sliding) else 1


def panel_way_m(door: Door, behind: int) -> float:
    """Whole way of a sliding panel: the leaf's for the leading one, a panel's width less for each one behind it. [m]

    `behind` counts the panels before it. Their open edges stand side by side at the jamb.
    """
    panels = panel_count(door)
    return leaf_width_m(door) * (1.0 - behind / panels) if behind else travel_m(door)


def panel_width_m(door: Door, behind: int) -> float:
    """Width of a sliding panel with so many before it: its share of the opening, and what it has beyond the jambs. [m]

    The leading one has the lap over the closing jamb, the rear one the overlap over the other.
    """
    panels = panel_count(door)
    over = (0.0 if behind else lap_m(door)) + (door.leaf.overlap_m if behind == panels - 1 else 0.0)
    return leaf_width_m(door) / panels + over


def rear_plane_m(door: Door) -> float:
    """Place of the middle of the rearmost telescopic panel, 0 for all other leaves. [m]"""
    motion = door.motion
    return (motion.panels - 1) * motion.panel_pitch_m if isinstance(motion, Sliding) else 0.0


def leaf_face_m(door: Door, side: str) -> float:
    """How far the leaf's face on a side is from the leaf plane when it is closed, all panels reckoned with. [m]"""
    rear = rear_plane_m(door) * (1.0 if side == "far" else -1.0)
    return door.leaf.thickness_m / 2.0 + max(rear, 0.0)


def _angle(motion: Swing | Folding, state: float) -> float:
    """Angle of the panel against the leaf plane, in radians; folding goes by the leading edge's way."""
    full = radians(motion.angle_deg)
    return state * full if isinstance(motion, Swing) else acos(1.0 - state * (1.0 - cos(full)))


def clear_height_m(door: Door, state: float) -> float:
    """Height that is free under the leaf at a state, within the opening. [m]"""
    height = door.opening.height_m
    return height * min(max(state, 0.0), 1.0) if isinstance(door.motion, VerticalLift) else height


def clear_width_m(door: Door, state: float) -> float:
    """Width that is free beside the leaf at a state, square to the leaf plane [1]_.

    Swing leaf of width W and thickness t at angle A: it takes W cos A (none past 90 deg) + t/2 sin A of the opening.
    Folded pair of panels p: 2 p cos A + t sin A, as two panels stand side by side at the jamb.

    Parameters
    ----------
    door : Door
        The door.
    state : float
        Share of travel. [1]

    Returns
    -------
    width_m : float
        From 0 to the opening's width. [m]

    References
    ----------
    .. [1] Plane geometry; tests/published/test_motion.py.
    """
    width, motion = door.opening.width_m, door.motion
    state = min(max(state, 0.0), 1.0)
    if isinstance(motion, VerticalLift):
        return width
    if isinstance(motion, Sliding):
        return min(max(leaf_count(door) * (travel_m(door) * state - lap_m(door)), 0.0), width)
    angle, half = _angle(motion, state), _edge_half(door)
    taken = leaf_width_m(door) * max(cos(angle), 0.0) + half * sin(angle)
    return min(max(width - leaf_count(door) * taken, 0.0), width)


def _edge_half(door: Door) -> float:
    """Part of the leaf's thickness that stands in the opening when it is open. [m]"""
    return door.leaf.thickness_m * (1.0 if isinstance(door.motion, Folding) else 0.5)


def required_state(door: Door, clear_height: float, clear_width: float) -> float | None:
    """Least state at which this height and width are free; None if the open door is too small.

    Closed form: W cos A + h sin A = R cos(A - atan(h/W)), R = sqrt(W^2 + h^2), solved for the angle.

    Parameters
    ----------
    door : Door
        The door.
    clear_height, clear_width : float
        What must be free. [m]

    Returns
    -------
    state : float or None
        Share of travel, or None. [1]
    """
    motion = door.motion
    if clear_height > clear_height_m(door, 1.0) + 1e-9 or clear_width > clear_width_m(door, 1.0) + 1e-9:
        return None
    if isinstance(motion, VerticalLift):
        return clear_height / door.opening.height_m
    if isinstance(motion, Sliding):
        return (clear_width / leaf_count(door) + lap_m(door)) / travel_m(door)
    w, h = leaf_width_m(door), _edge_half(door)
    may_take = (door.opening.width_m - clear_width) / leaf_count(door)
    if may_take >= hypot(w, h):
        return 0.0
    # Past 90 deg only the thickness, seen askew, still stands in the opening.
    past = pi - asin(min(may_take / h, 1.0)) if may_take < h else 0.0
    angle = past or atan2(h, w) + acos(may_take / hypot(w, h))
    full = radians(motion.angle_deg)
    state = angle / full if isinstance(motion, Swing) else (1.0 - cos(angle)) / (1.0 - cos(full))
    return min(max(state, 0.0), 1.0)


def leaf_panels(door: Door, state: float) -> tuple[Panel, ...]:
    """Panels of a swing or folding door in plan at a state [1], from the hinge outwards; empty for the others."""
    motion = door.motion
    if not isinstance(motion, Swing | Folding):
        return ()
    angle, width = _angle(motion, state), leaf_width_m(door)
    out = 1.0 if motion.opens_towards == "far" else -1.0
    single: Literal["left", "right"] = motion.hinge if isinstance(motion, Swing) else motion.folds_to
    found: list[Panel] = []
    leaves: tuple[Literal["left", "right"], ...] = ("left", "right") if leaf_count(door) == 2 else (single,)
    for leaf in leaves:
        inwards = 1.0 if leaf == "left" else -1.0
        jamb = (-inwards * door.opening.width_m / 2.0, 0.0)
        if isinstance(motion, Swing):
            edge = (jamb[0] + inwards * width * cos(angle), out * width * sin(angle))
            found.append(Panel(leaf, jamb, edge))
        else:
            p = width / 2.0
            fold = (jamb[0] + inwards * p * cos(angle), out * p * sin(angle))
            lead = (jamb[0] + inwards * width * cos(angle), 0.0)
            found += [Panel(leaf, jamb, fold), Panel(leaf, fold, lead)]
    return tuple(found)


def sweep_depth_m(door: Door, side: str) -> float:
    """How far a swing or folding leaf comes out from the leaf plane on a side, half its thickness not reckoned. [m]"""
    motion = door.motion
    if not isinstance(motion, Swing | Folding) or motion.opens_towards != side:
        return 0.0
    reach = leaf_width_m(door) * (1.0 if isinstance(motion, Swing) else 0.5)
    return reach * sin(min(radians(motion.angle_deg), pi / 2.0))


def _slab(panel: Panel, thickness: float, top: float, number: int) -> Prism:
    (x0, y0), (x1, y1) = panel.hinge, panel.edge
    length = hypot(x1 - x0, y1 - y0)
    nx, ny = -(y1 - y0) / length * thickness / 2.0, (x1 - x0) / length * thickness / 2.0
    ring = np.array([[x0 - nx, y0 - ny], [x1 - nx, y1 - ny], [x1 + nx, y1 + ny], [x0 + nx, y0 + ny]])
    return Prism(f"{panel.leaf} leaf {number}", ring, 0.0, top, "leaf")


def _lifted(door: Door, state: float) -> list[Prism]:
    """Upright part of a lifting leaf, and the part that lies level above."""
    height, leaf = door.opening.height_m, door.leaf
    half_width, half = door.opening.width_m / 2.0 + leaf.overlap_m, leaf.thickness_m / 2.0
    low, high = state * height, state * height + height
    turn = {"coil_above": height, "vertical": high}.get(leaf.stows, height + leaf.lift_m)
    found = []
    if min(high, turn) - low > _LEAST_SLAB_M:
        found.append(Prism.box("leaf", -half_width, half_width, -half, half, low, min(high, turn), "leaf"))
    level = high - max(turn, low)
    if leaf.stows != "coil_above" and level > _LEAST_SLAB_M:
        y0, y1 = (-half, level) if leaf.stows_to == "far" else (-level, half)
        found.append(Prism.box("level leaf", -half_width, half_width, y0, y1, turn - half, turn + half, "leaf"))
    return found


def _slid(door: Door, motion: Sliding, state: float) -> Iterator[Prism]:
    """Sliding panels, and what closes the gaps between those that stand apart, so that nothing looks past a joint."""
    sides = (-1.0, 1.0) if motion.leaves == 2 else ((-1.0,) if motion.opens_to == "left" else (1.0,))
    half, pitch = door.leaf.thickness_m / 2.0, motion.panel_pitch_m
    gap_half = abs(pitch) / 2.0 - half
    for side, k in product(sides, range(motion.panels)):
        lead = door.opening.width_m / 2.0 - (1.0 - state) * panel_way_m(door, k)
        name = f"{'left' if side < 0 else 'right'} leaf {k + 1}"
        parts = [(name, panel_width_m(door, k), k * pitch, half)]
        if k and gap_half > _LEAST_SLAB_M:
            parts.append((f"{name} seal", _SEAL_M, (k - 0.5) * pitch, gap_half))
        for part, long, y, thick in parts:
            x0, x1 = sorted((side * lead, side * (lead + long)))
            yield Prism.box(part, x0, x1, y - thick, y + thick, 0.0, door.opening.height_m, "leaf")


@lru_cache(maxsize=1024)  # a walk along the leaf's path asks for a hundred
def leaf_prisms(door: Door, state: float) -> tuple[Prism, ...]:
    """The leaf as an obstacle at a state.

    Parameters
    ----------
    door : Door
        The door. The middle plane of its leaf, or of the leading telescopic panel, is y = 0.
    state : float
        Share of travel, 0 closed, 1 open. [1]

    Returns
    -------
    prisms : tuple of Prism
        Upright prisms with `part` "leaf", `clear` for a see-through leaf; none for what is coiled up. [m]
    """
    motion = door.motion
    if isinstance(motion, VerticalLift):
        found = _lifted(door, state)
    elif isinstance(motion, Sliding):
        found = list(_slid(door, motion, state))
    else:
        top, thickness = door.opening.height_m, door.leaf.thickness_m
        found = [_slab(p, thickness, top, i + 1) for i, p in enumerate(leaf_panels(door, state))]
    return tuple(replace(prism, clear=True) for prism in found) if door.leaf.see_through else tuple(found)


@lru_cache(maxsize=64)
def door_prisms(door: Door) -> tuple[Prism, ...]:
    """Walls, lintel, guides and header as obstacles.

    Parameters
    ----------
    door : Door
        The door.

    Returns
    -------
    prisms : tuple of Prism
        `left wall`, `right wall` (30 m wide, 20 m high or 5 m above the opening), `lintel`, and the guides and header
        where they are described. [m]
    """
    half, height = door.opening.width_m / 2.0, door.opening.height_m
    near, far, top = door.wall.near_face_y_m, door.wall.far_face_y_m, max(WALL_TOP_M, height + 5.0)
    found = [
        Prism.box("left wall", -half - WALL_WIDTH_M, -half, near, far, -3.0, top, "wall"),
        Prism.box("right wall", half, half + WALL_WIDTH_M, near, far, -3.0, top, "wall"),
        Prism.box("lintel", -half, half, near, far, height, top, "lintel"),
    ]
    if (guides := door.guides) is not None:
        y0, y1, width = guides.from_y_m, guides.to_y_m, guides.width_m
        found.append(Prism.box("left guide", -half - width, -half, y0, y1, 0.0, height, "guide"))
        found.append(Prism.box("right guide", half, half + width, y0, y1, 0.0, height, "guide"))
    if (header := door.header) is not None:
        x = half + header.beyond_jamb_m
        y0, y1, over = header.from_y_m, header.to_y_m, height + header.height_m
        found.append(Prism.box("header", -x, x, y0, y1, height, over, "header"))
    return tuple(found)

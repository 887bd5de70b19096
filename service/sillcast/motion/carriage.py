"""Where a thing that rides on the leaf is, at any state of the leaf."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, floor

import numpy as np

from sillcast.contract import Door, Sliding, VerticalLift
from sillcast.kernel import Prism
from sillcast.kernel.frame import FloatArray
from sillcast.motion.leaf import Panel, leaf_panels, leaf_prisms, leaf_width_m, panel_way_m, travel_m

__all__ = ["ON_LEAF_MOST_M", "Carriage", "carriage", "gaps_to", "off_leaf_m"]

ON_LEAF_MOST_M = 0.15  # what rides on the leaf is no farther from it, bracket included: common practice, no source
_AFTER = (1, 2, 3, 0)  # corner after each corner


@dataclass(frozen=True)
class Carriage:
    """Rigid movement of a part of the leaf from its closed place: about a point in plan, to another, and up.

    Attributes
    ----------
    angle_rad : float
        Turn about the vertical, counter-clockwise from above. [rad]
    pivot, to : tuple of float
        A point of the part when the door is closed, and where it is now, in plan. [m]
    lift_m : float
        Way up. [m]
    """

    angle_rad: float = 0.0
    pivot: tuple[float, float] = (0.0, 0.0)
    to: tuple[float, float] = (0.0, 0.0)
    lift_m: float = 0.0

    def turned(self, vectors: FloatArray) -> FloatArray:
        """Directions (n, 3), of any length, as the part has turned them. [1]"""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        return np.ascontiguousarray(vectors @ turn, dtype=np.float64)

    def moved(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) of the part where they are now. [m]"""
        start, end = np.array([*self.pivot, 0.0]), np.array([*self.to, self.lift_m])
        moved: FloatArray = self.turned(points - start) + end
        return moved


def carriage(door: Door, state: float, x_m: float) -> Carriage:
    """How the part of the leaf at x has moved from closed to a state [1]_.

    Parameters
    ----------
    door : Door
        The door.
    state : float
        Share of travel. [1]
    x_m : float
        Place of the part along the closed leaf. [m]

    Returns
    -------
    carriage : Carriage
        Lift: straight up. Sliding: along the door, as far as the telescopic panel at x goes. Swing and folding: with
        the panel that is at x when closed.

    References
    ----------
    .. [1] Plane kinematics: two points of a rigid panel give its turn and place; tests/unit/test_carriage.py.
    """
    motion = door.motion
    if isinstance(motion, VerticalLift):
        return Carriage(lift_m=state * travel_m(door))
    if isinstance(motion, Sliding):
        return Carriage(to=(state * _slide_m(door, motion, x_m), 0.0))
    closed, now = leaf_panels(door, 0.0), leaf_panels(door, state)
    middles = [abs((p.hinge[0] + p.edge[0]) / 2.0 - x_m) for p in closed]
    at = middles.index(min(middles))
    return Carriage(_course(now[at]) - _course(closed[at]), closed[at].hinge, now[at].hinge)


def off_leaf_m(door: Door, place: tuple[float, float, float]) -> float:
    """Distance of a place from the closed leaf, 0 on it and inside. [m]"""
    return float(max(gaps_to(leaf_prisms(door, 0.0), place).min(), 0.0))


def gaps_to(prisms: Sequence[Prism], point: tuple[float, float, float]) -> FloatArray:
    """Distances (n,) of a point from convex prisms of four corners each, 0 on their faces and -1 inside. [m]"""
    if not prisms:
        return np.empty(0)
    rings = np.array([prism.ring for prism in prisms])
    heights = np.array([(prism.base_m, prism.top_m) for prism in prisms])
    above = np.maximum(heights[:, 0] - point[2], point[2] - heights[:, 1])
    to, edge = np.array(point[:2]) - rings, rings[:, _AFTER] - rings
    along = np.clip((to * edge).sum(axis=2) / (edge * edge).sum(axis=2), 0.0, 1.0)
    beside = np.hypot(*np.moveaxis(to - along[..., None] * edge, 2, 0)).min(axis=1)
    inside = (edge[..., 0] * to[..., 1] - edge[..., 1] * to[..., 0] > 1e-9).all(axis=1)
    over = np.maximum(above, 0.0)
    return np.asarray(np.where(inside, np.where(above < -1e-9, -1.0, over), np.hypot(beside, over)))


def _slide_m(door: Door, sliding: Sliding, x_m: float) -> float:
    """Whole way of the panel that is at x when closed. [m]"""
    goes_left = x_m < 0.0 if sliding.leaves == 2 else sliding.opens_to == "left"
    sign, width = -1.0 if goes_left else 1.0, leaf_width_m(door)
    piece, lead = width / sliding.panels, door.opening.width_m / 2.0 - width
    behind = min(max(floor((sign * x_m - lead) / piece), 0), sliding.panels - 1)
    return sign * panel_way_m(door, behind)


def _course(panel: Panel) -> float:
    (x0, y0), (x1, y1) = panel.hinge, panel.edge
    return atan2(y1 - y0, x1 - x0)

"""Where a thing that rides on the leaf is, at any state of the leaf."""

from dataclasses import dataclass
from math import atan2

import numpy as np

from sillcast.contract import Door, Sliding, VerticalLift
from sillcast.kernel.frame import FloatArray
from sillcast.motion.leaf import Panel, leaf_panels, leaf_width_m, travel_m

__all__ = ["Carriage", "carriage"]


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
        Lift: straight up. Sliding: along the door. Swing and folding: with the panel that is at x when closed.

    References
    ----------
    .. [1] Plane kinematics: two points of a rigid panel give its turn and place; tests/unit/test_carriage.py.
    """
    motion = door.motion
    if isinstance(motion, VerticalLift):
        return Carriage(lift_m=state * travel_m(door))
    if isinstance(motion, Sliding):
        goes_left = motion.opens_to == "left" or (motion.opens_to == "both" and x_m < 0)
        return Carriage(to=((-1.0 if goes_left else 1.0) * state * leaf_width_m(door), 0.0))
    closed, now = leaf_panels(door, 0.0), leaf_panels(door, state)
    middles = [abs((p.hinge[0] + p.edge[0]) / 2.0 - x_m) for p in closed]
    at = middles.index(min(middles))
    return Carriage(_course(now[at]) - _course(closed[at]), closed[at].hinge, now[at].hinge)


def _course(panel: Panel) -> float:
    (x0, y0), (x1, y1) = panel.hinge, panel.edge
    return atan2(y1 - y0, x1 - x0)

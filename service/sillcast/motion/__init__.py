"""Door kinematics: where the leaf is at a time, when a traveller fits through, how far it runs on after a stop."""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import ceil, cos, inf, radians, sqrt

from sillcast.contract import Door, Folding, Phase, Sliding, Swing
from sillcast.errors import Fault
from sillcast.motion.carriage import ON_LEAF_MOST_M, Carriage, carriage, gaps_to, off_leaf_m
from sillcast.motion.leaf import (
    Panel,
    clear_height_m,
    clear_width_m,
    door_prisms,
    lap_m,
    leaf_count,
    leaf_face_m,
    leaf_panels,
    leaf_prisms,
    leaf_width_m,
    panel_count,
    panel_width_m,
    rear_plane_m,
    required_state,
    sweep_depth_m,
    travel_m,
)
from sillcast.motion.profile import Profile, Stop, stop, timed, trapezoid

__all__ = [
    "ON_LEAF_MOST_M",
    "Carriage",
    "Panel",
    "Profile",
    "Reversal",
    "Stop",
    "carriage",
    "clear_height_m",
    "clear_width_m",
    "closing_profile",
    "door_prisms",
    "faults",
    "gaps_to",
    "kind",
    "kinetic_energy_j",
    "lap_m",
    "leaf_count",
    "leaf_face_m",
    "leaf_panels",
    "leaf_prisms",
    "leaf_width_m",
    "off_leaf_m",
    "opening_profile",
    "panel_count",
    "panel_width_m",
    "rear_plane_m",
    "required_state",
    "reversal",
    "rounded_up_to_half_s",
    "runs_shut_from",
    "stop",
    "sweep_depth_m",
    "time_to_clear",
    "timed",
    "trapezoid",
    "travel_m",
]


def kind(door: Door) -> str:
    """Name of the door's motion, as the request has it."""
    return str(door.motion.__struct_config__.tag)


@lru_cache(maxsize=256)
def _profile(phase: Phase, way: float) -> Profile:
    ramps = (phase.acceleration_m_per_s2, phase.deceleration_m_per_s2)
    creep = (phase.creep_distance_m, phase.creep_speed_m_per_s if phase.creep_distance_m > 0.0 else 0.0)
    if phase.time_s is not None:
        return timed(way, seconds=phase.time_s, acceleration=ramps[0], deceleration=ramps[1], creep=creep)
    speed = phase.speed_m_per_s or 0.0
    return trapezoid(way, speed=speed, acceleration=ramps[0], deceleration=ramps[1], creep=creep)


def opening_profile(door: Door) -> Profile:
    """Move of the leading edge from closed to as far as the door opens; the start is the leaf's, not the signal's."""
    return _profile(door.motion.opening, travel_m(door) * door.motion.partial_opening)


def closing_profile(door: Door) -> Profile:
    """Move of the leading edge from as far as the door opens to closed; positions count from the open end."""
    return _profile(door.motion.closing, travel_m(door) * door.motion.partial_opening)


def faults(door: Door) -> list[Fault]:
    """What of a door's motion and parts fits the schema and cannot be computed, with JSON pointers."""
    found = []
    for name in ("opening", "closing"):
        phase: Phase = getattr(door.motion, name)
        if (phase.speed_m_per_s is None) == (phase.time_s is None):
            seen = "neither" if phase.time_s is None else "both"
            text = "A move needs its speed or its whole time, one of the two."
            found.append(
                Fault(f"/door/motion/{name}", "speed_or_time", text, "speed_m_per_s or time_s, not both", seen)
            )
    if isinstance(door.motion, Sliding) and door.motion.leaves == 1 and door.motion.opens_to == "both":
        text = "One leaf goes to one side."
        found.append(Fault("/door/motion/opens_to", "one_leaf", text, "left or right, or leaves: 2", "both"))
    if isinstance(door.motion, Sliding) and door.motion.panels > 1:
        thick, pitch = door.leaf.thickness_m, door.motion.panel_pitch_m
        if 0.0 < abs(pitch) < thick:
            text, allowed = "Panels that pass each other stand no nearer than each is thick.", f"0, or from {thick} on"
            found.append(Fault("/door/motion/panel_pitch_m", "panels_meet", text, allowed, str(pitch)))
    for name in ("guides", "header"):
        part = getattr(door, name)
        if part is not None and part.from_y_m >= part.to_y_m:
            text = "The farther face lies beyond the nearer."
            found.append(
                Fault(f"/door/{name}/to_y_m", "faces_swapped", text, f"above {part.from_y_m}", str(part.to_y_m))
            )
    return found


def time_to_clear(door: Door, clear_height_m: float, clear_width_m: float) -> float:
    """Seconds from the leaf's start until a traveller of this height and width fits through.

    Parameters
    ----------
    door : Door
        The door.
    clear_height_m, clear_width_m : float
        What must be free, square to the leaf plane. [m]

    Returns
    -------
    seconds : float
        Infinite if the door never opens so far. [s]

    Examples
    --------
    >>> from sillcast.contract import Opening, VerticalLift
    >>> phase = Phase(speed_m_per_s=2.0, acceleration_m_per_s2=2.0, deceleration_m_per_s2=1.0)
    >>> lift = Door(opening=Opening(width_m=4, height_m=4), motion=VerticalLift(opening=phase, closing=phase))
    >>> time_to_clear(lift, 2.0, 1.0)
    1.5
    """
    state = required_state(door, clear_height_m, clear_width_m)
    if state is None or state > door.motion.partial_opening + 1e-12:
        return inf
    profile = opening_profile(door)
    return profile.time_at(min(state * travel_m(door), profile.distance))


@dataclass(frozen=True)
class Reversal:
    """Stop and turn of a closing leaf.

    Attributes
    ----------
    stop : Stop
        Way until standstill. [m]
    least_state : float
        State at which it stands, reckoned with the most it can run on. [1]
    reopened_s : float
        From the signal until the leaf is back where it opens to, from that state. [s]
    start_state : float
        State at which the signal came. [1]
    travel_m : float
        Way of the leading edge from closed to open. [m]
    reopening : Profile
        Move back, from where the stated ramp stops the leaf. [s, m]
    """

    stop: Stop
    least_state: float
    reopened_s: float
    start_state: float
    travel_m: float
    reopening: Profile

    def state(self, seconds: float) -> float:
        """State so many seconds after the signal, by the stated ramp; a leaf that runs shut waits there. [1]"""
        stood = max(self.start_state - self.stop.way(seconds) / self.travel_m, 0.0)
        after = seconds - self.stop.stopping_time_s
        return stood if after <= 0.0 else stood + self.reopening.position(after) / self.travel_m


def reversal(door: Door, state: float) -> Reversal:
    """What a closing leaf does when the protection signal comes at this state [1]_.

    Parameters
    ----------
    door : Door
        The door.
    state : float
        Share of travel when the signal comes, at most as far as the door opens. [1]

    Returns
    -------
    reversal : Reversal
        Overrun, lowest state, time until it is open again, state over time. [m, 1, s]

    References
    ----------
    .. [1] Kinematics of constant acceleration; tests/properties/test_motion.py.
    """
    way, moves, closing = travel_m(door), door.motion, closing_profile(door)
    state = min(max(state, 0.0), moves.partial_opening)
    speed = closing.speed(closing.time_at((moves.partial_opening - state) * way))
    ramp = moves.closing.deceleration_m_per_s2
    stopped = stop(speed, stopping_time=moves.stopping_time_s, deceleration=ramp)
    least = max(state - stopped.most_overrun_m / way, 0.0)
    stood = max(state - stopped.overrun_m / way, 0.0)
    reopened = moves.stopping_time_s + _reopening(door, least).duration
    return Reversal(stopped, least, reopened, state, way, _reopening(door, stood))


def runs_shut_from(door: Door) -> float:
    """Highest state from which a closing leaf is shut before it stands, if it keeps its speed after the signal [1]_.

    Parameters
    ----------
    door : Door
        The door.

    Returns
    -------
    state : float
        Share of travel at the first moment at which the way left is no longer than speed x stopping time. [1]

    References
    ----------
    .. [1] Kinematics, in closed form for each piece of the closing move; tests/unit/test_motion.py.

    Examples
    --------
    >>> from sillcast.contract import Opening, VerticalLift
    >>> slow = Phase(speed_m_per_s=0.2)
    >>> lift = VerticalLift(opening=slow, closing=slow, stopping_time_s=0.3)
    >>> round(runs_shut_from(Door(opening=Opening(width_m=3, height_m=4), motion=lift)), 9)
    0.015
    """
    return _runs_shut_from_m(closing_profile(door), door.motion.stopping_time_s) / travel_m(door)


def _runs_shut_from_m(closing: Profile, stopping_s: float) -> float:
    for i, (start, end) in enumerate(pairwise(closing.times)):
        speed, more = closing.speeds[i], (closing.speeds[i + 1] - closing.speeds[i]) / (end - start)
        spare, gain = closing.distance - closing.positions[i] - speed * stopping_s, speed + more * stopping_s
        if spare <= 0.0:
            return closing.distance - closing.positions[i]
        # spare - gain t - more t^2 / 2 = 0, in the form that stays exact as the acceleration goes to zero
        square = gain * gain + 2.0 * more * spare
        if gain > 0.0 and square >= 0.0 and (t := 2.0 * spare / (gain + sqrt(square))) <= end - start:
            return closing.distance - closing.position(start + t)
    return 0.0


def _reopening(door: Door, state: float) -> Profile:
    """Move from a state to as far as the door opens, at the speed and ramps of the opening move and with its creep."""
    back, phase, full = (
        (door.motion.partial_opening - state) * travel_m(door),
        door.motion.opening,
        opening_profile(door),
    )
    speed = phase.speed_m_per_s or full.peak_speed
    up, down = phase.acceleration_m_per_s2, phase.deceleration_m_per_s2
    if full.sharpened:
        up, down = speed / full.times[1], speed / (full.times[2] - full.times[1])
    creep = (phase.creep_distance_m, phase.creep_speed_m_per_s if phase.creep_distance_m > 0.0 else 0.0)
    return trapezoid(max(back, 1e-9), speed=speed, acceleration=up, deceleration=down, creep=creep)


def kinetic_energy_j(door: Door, *, mass_kg: float, speed_m_per_s: float, state: float = 0.5) -> float:
    """Kinetic energy of one leaf whose leading edge has this speed [1]_.

    Lift and sliding: m v^2/2. Swing: thin plate about one edge, I = m W^2/3, so m v^2/6. Folding, panels of m/2 at
    angle A: (m/2) v^2 (1/3 + sin^2 A) / (4 sin^2 A).

    Parameters
    ----------
    door : Door
        The door.
    mass_kg : float
        Mass of one leaf; of both panels of a folding pair. [kg]
    speed_m_per_s : float
        Speed of the leading edge. [m/s]
    state : float
        Share of travel, above 0 for a folding door. [1]

    Returns
    -------
    energy_j : float
        Kinetic energy. [J]

    References
    ----------
    .. [1] Rigid bodies; tests/published/test_motion.py, folding against a sum over points.
    """
    energy = 0.5 * mass_kg * speed_m_per_s**2
    if isinstance(door.motion, Swing):
        return energy / 3.0
    if isinstance(door.motion, Folding):
        cos_a = 1.0 - state * (1.0 - cos(radians(door.motion.angle_deg)))
        sin2 = max(1.0 - cos_a * cos_a, 1e-12)
        return energy * (1.0 / 3.0 + sin2) / (4.0 * sin2)
    return energy


def rounded_up_to_half_s(seconds: float) -> float:
    """Time rounded up to the next half second, as the table of low-energy swing times does. [s]"""
    return ceil(seconds * 2.0 - 1e-9) / 2.0

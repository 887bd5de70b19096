"""Door kinematics: where the leaf is at a time, when a traveller fits through, how far it runs on after a stop."""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, cos, inf, pi, radians, sqrt

from sillcast.contract import Door, Folding, Phase, Sliding, Swing
from sillcast.errors import Fault
from sillcast.motion.carriage import Carriage, carriage
from sillcast.motion.leaf import (
    Panel,
    clear_height_m,
    clear_width_m,
    door_prisms,
    leaf_count,
    leaf_panels,
    leaf_prisms,
    leaf_width_m,
    required_state,
    sweep_depth_m,
    swept_area_m2,
    travel_m,
)
from sillcast.motion.profile import Profile, Stop, stop, timed, trapezoid

__all__ = [
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
    "kind",
    "kinetic_energy_j",
    "leaf_count",
    "leaf_panels",
    "leaf_prisms",
    "leaf_width_m",
    "least_swing_time_s",
    "opening_profile",
    "required_state",
    "reversal",
    "rounded_up_to_half_s",
    "state_after",
    "stop",
    "sweep_depth_m",
    "swept_area_m2",
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


def state_after(door: Door, seconds: float, opening: bool = True) -> float:
    """State of the leaf so many seconds after its start: from closed, or from as far as it opens. [1]"""
    if opening:
        return opening_profile(door).position(seconds) / travel_m(door)
    done = closing_profile(door).position(seconds) / travel_m(door)
    return max(door.motion.partial_opening - done, 0.0)


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


def _reopening(door: Door, state: float) -> Profile:
    """Move from a state to as far as the door opens, at the speed and ramps of the opening move."""
    back, phase = (door.motion.partial_opening - state) * travel_m(door), door.motion.opening
    speed = phase.speed_m_per_s or opening_profile(door).peak_speed
    up, down = phase.acceleration_m_per_s2, phase.deceleration_m_per_s2
    return trapezoid(max(back, 1e-9), speed=speed, acceleration=up, deceleration=down)


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


def least_swing_time_s(*, width_m: float, mass_kg: float, energy_j: float, angle_deg: float = 80.0) -> float:
    """Least time of a swing leaf over an angle so that its mean speed holds the energy limit: D A sqrt(m / (6 E)) [1]_.

    Parameters
    ----------
    width_m : float
        Width of the leaf. [m]
    mass_kg : float
        Mass of the leaf. [kg]
    energy_j : float
        Limit of the kinetic energy, above 0. [J]
    angle_deg : float
        Angle that the time is taken over. [deg]

    Returns
    -------
    seconds : float
        Least time. [s]

    Notes
    -----
    Over 80 deg with 1.25 lbf ft this is D sqrt(W) / 133.5 in inches and pounds; the table of the American standard is
    remembered with 133, and with 2260 for millimetres and kilograms, where exact conversion gives 2280.

    References
    ----------
    .. [1] Thin plate about one edge, I = m D^2/3; tests/published/test_motion.py.

    Examples
    --------
    >>> round(least_swing_time_s(width_m=0.9144, mass_kg=56.7, energy_j=1.695), 2)
    3.01
    """
    return width_m * angle_deg * pi / 180.0 * sqrt(mass_kg / (6.0 * energy_j))


def rounded_up_to_half_s(seconds: float) -> float:
    """Time rounded up to the next half second, as the table of low-energy swing times does. [s]"""
    return ceil(seconds * 2.0 - 1e-9) / 2.0

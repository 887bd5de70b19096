"""Position over time of one move: ramps of constant acceleration, cruise, creep; stop and reversal."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from sillcast.errors import GeometryError

__all__ = ["Profile", "Stop", "stop", "timed", "trapezoid"]

_LEAST_PIECE_S = 1e-12


@dataclass(frozen=True)
class Profile:
    """Move from standstill to standstill, in pieces of constant acceleration.

    Attributes
    ----------
    times : tuple of float
        Start of each piece, and the end of the last. [s]
    positions : tuple of float
        Way done at those times, rising. [m]
    speeds : tuple of float
        Speed at those times. [m/s]
    sharpened : bool
        True if the ramps had to be made steeper than stated to keep a stated time.
    """

    times: tuple[float, ...]
    positions: tuple[float, ...]
    speeds: tuple[float, ...]
    sharpened: bool = False

    @property
    def duration(self) -> float:
        """Time of the whole move. [s]"""
        return self.times[-1]

    @property
    def distance(self) -> float:
        """Way of the whole move. [m]"""
        return self.positions[-1]

    @property
    def peak_speed(self) -> float:
        """Greatest speed. [m/s]"""
        return max(self.speeds)

    def position(self, seconds: float) -> float:
        """Way done after so many seconds from the start; held at both ends. [m]"""
        if seconds <= 0.0 or seconds >= self.duration:
            return 0.0 if seconds <= 0.0 else self.distance
        i = bisect_right(self.times, seconds) - 1
        t = seconds - self.times[i]
        return self.positions[i] + self.speeds[i] * t + 0.5 * self._acceleration(i) * t * t

    def speed(self, seconds: float) -> float:
        """Speed after so many seconds from the start; zero outside the move. [m/s]"""
        if seconds <= 0.0 or seconds >= self.duration:
            return 0.0
        i = bisect_right(self.times, seconds) - 1
        return self.speeds[i] + self._acceleration(i) * (seconds - self.times[i])

    def time_at(self, position: float) -> float:
        """Seconds from the start until this way is done.

        Parameters
        ----------
        position : float
            Way, at most that of the whole move. [m]

        Returns
        -------
        seconds : float
            Zero for a way of zero or less. [s]

        Raises
        ------
        GeometryError
            If the move ends before.
        """
        if position > self.distance * (1.0 + 1e-12):
            raise GeometryError(f"the move ends at {self.distance:.4f} m, before {position:.4f} m")
        if position <= 0.0 or position >= self.distance:
            return 0.0 if position <= 0.0 else self.duration
        i = bisect_right(self.positions, position) - 1
        way, v = position - self.positions[i], self.speeds[i]
        # The form of the quadratic's root that stays exact as the acceleration goes to zero.
        root = v + sqrt(max(v * v + 2.0 * self._acceleration(i) * way, 0.0))
        return self.times[i] + (2.0 * way / root if root > 0.0 else 0.0)

    def _acceleration(self, i: int) -> float:
        return (self.speeds[i + 1] - self.speeds[i]) / (self.times[i + 1] - self.times[i])


def _chained(knots: Sequence[tuple[float, float]], *, sharpened: bool = False) -> Profile:
    """Profile from pairs (duration, speed at its end); pieces that rounding leaves of no length are dropped."""
    times, positions, speeds = [0.0], [0.0], [0.0]
    for duration, speed in knots:
        if duration > _LEAST_PIECE_S:
            times.append(times[-1] + duration)
            positions.append(positions[-1] + 0.5 * (speeds[-1] + speed) * duration)
            speeds.append(speed)
    return Profile(tuple(times), tuple(positions), tuple(speeds), sharpened)


def _creep(
    distance: float, acceleration: float, deceleration: float, creep: tuple[float, float]
) -> tuple[float, float]:
    """Creep distance and speed that can be kept: it must end in a standstill, and be reached before it begins."""
    way, speed = min(creep[0], distance), creep[1]
    if way <= 0.0 or speed <= 0.0:
        return 0.0, 0.0
    speed = min(speed, sqrt(2.0 * deceleration * way))
    return (way, speed) if speed * speed <= 2.0 * acceleration * (distance - way) else (0.0, 0.0)


def trapezoid(
    distance: float,
    *,
    speed: float,
    acceleration: float,
    deceleration: float,
    creep: tuple[float, float] = (0.0, 0.0),
) -> Profile:
    """Ramp up, cruise, ramp down; a triangle where the speed is not reached [1]_.

    total = D/v + v/2a + v/2b if v^2/2 (1/a + 1/b) <= D, else the peak is sqrt(2 a b D / (a + b)).

    Parameters
    ----------
    distance : float
        Way, above 0. [m]
    speed : float
        Steady speed, above 0. [m/s]
    acceleration, deceleration : float
        Ramps a and b, above 0. [m/s2]
    creep : tuple of float
        Last part of the way and its speed; none if zero, slower where it could not stop. [m, m/s]

    Returns
    -------
    profile : Profile
        Move from standstill to standstill. [s, m, m/s]

    References
    ----------
    .. [1] Kinematics of constant acceleration; proven against numerical integration by tests/properties/test_motion.py.

    Examples
    --------
    >>> round(trapezoid(4.0, speed=2.0, acceleration=2.0, deceleration=1.0).duration, 9)
    3.5
    """
    way, slow = _creep(distance, acceleration, deceleration, creep)
    if creep[0] >= distance or (creep[0] > 0.0 and way == 0.0):
        speed = min(speed, creep[1])  # the way is too short for anything but creeping
    slow = min(slow, speed)
    main = distance - way
    peak = sqrt(2.0 * (main + slow * slow / (2.0 * deceleration)) / (1.0 / acceleration + 1.0 / deceleration))
    v = min(speed, peak)
    ramps = v * v / (2.0 * acceleration) + (v * v - slow * slow) / (2.0 * deceleration)
    cruise = max(main - ramps, 0.0) / v
    knots = [(v / acceleration, v), (cruise, v), ((v - slow) / deceleration, slow)]
    if slow > 0.0:
        stop_way = slow * slow / (2.0 * deceleration)
        knots += [(max(way - stop_way, 0.0) / slow, slow), (slow / deceleration, 0.0)]
    return _chained(knots)


def timed(
    distance: float,
    *,
    seconds: float,
    acceleration: float,
    deceleration: float,
    creep: tuple[float, float] = (0.0, 0.0),
) -> Profile:
    """Trapezoid that takes exactly this long: the steady speed is solved for from the ramps [1]_.

    (1/a + 1/b)/2 v^2 - (T + c/b) v + D + c^2/2b = 0 for the way D and time T before the creep at speed c. Where the
    ramps are too gentle for the time, both are made steeper by the same factor, so that a triangle takes the time.

    Parameters
    ----------
    distance : float
        Way, above 0. [m]
    seconds : float
        Whole time, above 0. [s]
    acceleration, deceleration : float
        Ramps, above 0. [m/s2]
    creep : tuple of float
        Last part of the way and its speed; left out where the time does not allow it. [m, m/s]

    Returns
    -------
    profile : Profile
        Move from standstill to standstill. [s, m, m/s]

    References
    ----------
    .. [1] Own derivation, proven against numerical integration by tests/properties/test_motion.py.

    Examples
    --------
    >>> round(timed(4.0, seconds=3.5, acceleration=2.0, deceleration=1.0).peak_speed, 9)
    2.0
    """
    k = 1.0 / acceleration + 1.0 / deceleration
    way, slow = _creep(distance, acceleration, deceleration, creep)
    if slow > 0.0:
        rest = seconds - (way / slow + slow / (2.0 * deceleration))
        b, c = rest + slow / deceleration, distance - way + slow * slow / (2.0 * deceleration)
        if b * b >= 2.0 * k * c and rest > 0.0:
            v = 2.0 * c / (b + sqrt(b * b - 2.0 * k * c))
            if v >= slow:
                return trapezoid(
                    distance, speed=v, acceleration=acceleration, deceleration=deceleration, creep=(way, slow)
                )
    least = 2.0 * k * distance
    if seconds * seconds >= least:
        v = 2.0 * distance / (seconds + sqrt(seconds * seconds - least))
        return trapezoid(distance, speed=v, acceleration=acceleration, deceleration=deceleration)
    factor, v = least / (seconds * seconds), 2.0 * distance / seconds
    return _chained([(v / (acceleration * factor), v), (v / (deceleration * factor), 0.0)], sharpened=True)


@dataclass(frozen=True)
class Stop:
    """What a leaf does after a protection signal.

    Attributes
    ----------
    speed_m_per_s : float
        Speed when the signal came. [m/s]
    overrun_m : float
        Way until standstill. [m]
    most_overrun_m : float
        Way if the leaf kept its speed until the last moment: what must be reckoned with. [m]
    stopping_time_s, braking_s : float
        From the signal to standstill, and the part of it in which the leaf slows down. [s]
    """

    speed_m_per_s: float
    overrun_m: float
    most_overrun_m: float
    stopping_time_s: float = 0.0
    braking_s: float = 0.0

    def way(self, seconds: float) -> float:
        """Way that the leaf has run on so many seconds after the signal: steady, then the ramp down, then still. [m]"""
        coast = self.stopping_time_s - self.braking_s
        t = min(max(seconds, 0.0), self.stopping_time_s)
        if t <= coast:
            return self.speed_m_per_s * t
        into = t - coast
        return self.speed_m_per_s * (t - 0.5 * into * into / self.braking_s)


def stop(speed: float, *, stopping_time: float, deceleration: float) -> Stop:
    """Way from the protection signal to standstill: v (T - v/b) + v^2/2b, or v T/2 where the ramp fills the time [1]_.

    Parameters
    ----------
    speed : float
        Speed when the signal comes. [m/s]
    stopping_time : float
        From the signal to standstill, control included. [s]
    deceleration : float
        Ramp down. [m/s2]

    Returns
    -------
    stop : Stop
        Way by the stated ramp, and the most it can be (v T). [m]

    References
    ----------
    .. [1] Reaction way plus braking way of constant deceleration; tests/published/test_motion.py.

    Examples
    --------
    >>> round(stop(1.6, stopping_time=1.8, deceleration=2.0).overrun_m, 3)
    2.24
    """
    braking = speed / deceleration
    most = speed * stopping_time
    way = speed * (stopping_time - braking) + 0.5 * speed * braking if braking <= stopping_time else 0.5 * most
    return Stop(speed, way, most, stopping_time, min(braking, stopping_time))

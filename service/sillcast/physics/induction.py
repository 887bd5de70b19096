"""Inductance of wire loops."""

from collections.abc import Sequence
from math import asinh, hypot, log, pi, sqrt

import numpy as np
import numpy.typing as npt

__all__ = ["parallel_side_mutual_h", "polygon_inductance_h", "rectangle_inductance_h"]

MU_0 = 4e-7 * pi  # H/m

_FloatArray = npt.NDArray[np.float64]
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


def rectangle_inductance_h(width_m: float, depth_m: float, *, wire_radius_m: float, solid_wire: bool = True) -> float:
    """Inductance of one rectangular turn of round wire in air [1]_.

    Parameters
    ----------
    width_m, depth_m : float
        Sides, between the middles of the wires. [m]
    wire_radius_m : float
        Radius of the metal, thin against the sides. [m]
    solid_wire : bool
        True if the current fills the wire, so that the field within it counts; False for current on its surface.

    Returns
    -------
    inductance : float
        (mu0 / pi) (w ln(2w/r) + h ln(2h/r) + 2 sqrt(w^2 + h^2) - w asinh(w/h) - h asinh(h/w) - 2 (w + h) + Y),
        Y = (w + h) / 4 for current that fills the wire. [H]

    References
    ----------
    .. [1] Grover, Inductance Calculations, 1946, chapter 8 (from memory); equal to the Neumann integral, see
       `polygon_inductance_h`.
    """
    w, h = width_m, depth_m
    sides = w * log(2.0 * w / wire_radius_m) + h * log(2.0 * h / wire_radius_m)
    across = 2.0 * hypot(w, h) - w * asinh(w / h) - h * asinh(h / w)
    within = (w + h) / 4.0 if solid_wire else 0.0
    return MU_0 / pi * (sides + across - 2.0 * (w + h) + within)


def parallel_side_mutual_h(length_m: float, *, apart_m: float) -> float:
    """Mutual inductance of two equal parallel wires side by side [1]_.

    Parameters
    ----------
    length_m : float
        Length of each. [m]
    apart_m : float
        Distance between them, above 0. [m]

    Returns
    -------
    mutual : float
        (mu0 / 2 pi) (l asinh(l/d) - sqrt(l^2 + d^2) + d). [H]

    References
    ----------
    .. [1] Grover, Inductance Calculations, 1946, chapter 5 (from memory); the Neumann integral in closed form.
    """
    l, d = length_m, apart_m  # noqa: E741  # the letters of the formula
    return MU_0 / (2.0 * pi) * (l * asinh(l / d) - sqrt(l**2 + d**2) + d)


def polygon_inductance_h(
    ring_m: Sequence[Sequence[float]], *, turns: int = 1, wire_radius_m: float, turn_pitch_m: float = 0.0
) -> float:
    """Inductance of a coil of equal plane turns one below the other, by the Neumann integral [1]_.

    Parameters
    ----------
    ring_m : sequence of (x, y)
        Corners of one turn in order, open or closed; the same corner may come twice. [m]
    turns : int
        Number of turns, at least 1. [1]
    wire_radius_m : float
        Radius of the metal, thin against the sides. [m]
    turn_pitch_m : float
        From one turn to the next; with 0 the turns lie on each other, two wire radii apart. [m]

    Returns
    -------
    inductance : float
        Of all turns in series, current filling the wire. [H]

    Raises
    ------
    ValueError
        If fewer than three corners or no turn is given, or the wire has no thickness.

    Notes
    -----
    Sides of one turn: (mu0 / 4 pi) sum of (t_i . t_j) times the double integral of 1 / r; the inner integral is closed,
    the outer one is Gauss-Legendre with 48 nodes, its nodes drawn to both ends of a side by u^2 (3 - 2 u), where a
    neighbour's logarithm is. A side on itself: (mu0 l / 2 pi) (ln(2 l / r) - 3/4).

    References
    ----------
    .. [1] Neumann's formula; Grover, Inductance Calculations, 1946, for the side on itself (from memory). Held against
       quadrature by scipy and the closed form of the rectangle in tests/published.
    """
    ring = np.asarray(ring_m, dtype=np.float64)
    ring = ring[np.any(ring != np.roll(ring, 1, axis=0), axis=1)]  # a corner that comes twice begins no side
    if len(ring) < 3 or turns < 1 or wire_radius_m <= 0:
        raise ValueError("a coil has at least three corners, one turn, and a wire of some thickness")
    pitch = turn_pitch_m or 2.0 * wire_radius_m
    total = turns * _turn_pair(ring, wire_radius_m, 0.0)
    for apart in range(1, turns):
        total += 2.0 * (turns - apart) * _turn_pair(ring, wire_radius_m, apart * pitch)
    return total


def _turn_pair(ring: _FloatArray, wire_radius_m: float, apart_m: float) -> float:
    """Neumann integral of a turn with itself, or with its copy at a distance below."""
    starts, ends = ring, np.roll(ring, -1, axis=0)
    total = 0.0
    for i in range(len(ring)):
        for j in range(len(ring)):
            if i == j:
                length = float(np.linalg.norm(ends[i] - starts[i]))
                total += (
                    parallel_side_mutual_h(length, apart_m=apart_m)
                    if apart_m
                    else MU_0 * length / (2.0 * pi) * (log(2.0 * length / wire_radius_m) - 0.75)
                )
            else:
                total += _side_pair(starts[i], ends[i], starts[j], ends[j], apart_m)
    return total


def _side_pair(a0: _FloatArray, a1: _FloatArray, b0: _FloatArray, b1: _FloatArray, apart_m: float) -> float:
    """(mu0 / 4 pi) (t_a . t_b) times the double integral of 1 / r over two sides."""
    along = b1 - b0
    length_a, length_b = float(np.linalg.norm(a1 - a0)), float(np.linalg.norm(along))
    t_a, t_b = (a1 - a0) / length_a, along / length_b
    u = (_NODES + 1.0) / 2.0
    at = u**2 * (3.0 - 2.0 * u)
    weight = _WEIGHTS / 2.0 * 6.0 * u * (1.0 - u) * length_a
    points = a0 + (at * length_a)[:, None] * t_a - b0
    foot = points @ t_b
    off = np.sqrt((points - foot[:, None] * t_b) ** 2 @ np.ones(2) + apart_m**2)
    off = np.maximum(off, 1e-12)
    inner = np.arcsinh(foot / off) + np.arcsinh((length_b - foot) / off)
    return float(MU_0 / (4.0 * pi) * (t_a @ t_b) * (weight @ inner))

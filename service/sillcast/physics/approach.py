"""People and things that come near a beam: how far they get, how long they block it."""

from math import cos, radians, sqrt

__all__ = ["curtain_separation_m", "rod_blocks_s"]

GRAVITY_M_PER_S2 = 9.80665  # standard gravity, third CGPM 1901


def curtain_separation_m(total_s: float, *, capability_m: float, beams: int) -> float:
    """Separation distance of an upright curtain that is approached square on, 2010 edition [1]_.

    Parameters
    ----------
    total_s : float
        Response of the curtain and stopping time of the machine, T. [s]
    capability_m : float
        Detection capability d: the smallest rod that always blocks a beam. [m]
    beams : int
        Number of beams; one beam counts for itself. [1]

    Returns
    -------
    distance : float
        d <= 40 mm: 2 T + 8 (d - 0.014), at least 0.1; above 0.5 again with 1.6 T, at least 0.5. Coarser curtains of two
        beams or more: 1.6 T + 0.85. One beam: 1.6 T + 1.2. [m]

    Notes
    -----
    For persons of 14 years and older; running and jumping are excluded.

    References
    ----------
    .. [1] ISO 13855:2010, clauses 6.2.3 and 6.2.4 (from memory).

    Examples
    --------
    >>> round(curtain_separation_m(0.1, capability_m=0.02, beams=40), 3)
    0.248
    """
    if beams == 1:
        return 1.6 * total_s + 1.2
    if capability_m > 0.040:
        return 1.6 * total_s + 0.85
    reach = max(8.0 * (capability_m - 0.014), 0.0)
    fast = max(2.0 * total_s + reach, 0.1)
    return fast if fast <= 0.5 else max(1.6 * total_s + reach, 0.5)


def rod_blocks_s(
    beam_above_m: float,
    *,
    diameter_m: float = 0.0476,
    length_m: float = 0.876,
    pivot_from_end_m: float = 0.864,
    pivot_above_m: float = 0.914,
    release_deg: float = 45.0,
) -> float:
    """How long the swinging test rod blocks a thin beam: diameter over its speed there [1]_.

    Parameters
    ----------
    beam_above_m : float
        Beam above the floor, below the pivot. [m]
    diameter_m, length_m : float
        Of the rod, evenly heavy. [m]
    pivot_from_end_m : float
        Pivot from the lower end. [m]
    pivot_above_m : float
        Pivot above the floor. [m]
    release_deg : float
        Angle from hanging at which it is let go. [deg]

    Returns
    -------
    time : float
        Time for which a beam without width is dark, the rod hanging straight down. [s]

    Raises
    ------
    ValueError
        If the beam is not between the rod's lower end and the pivot.

    Notes
    -----
    Energy of a rod about a point d from its middle: I = m (L^2 / 12 + d^2); speed r sqrt(2 g d (1 - cos a) m / I).

    References
    ----------
    .. [1] Test rod of 16 CFR 1211.11(d) (verified); the time is our own derivation.

    Examples
    --------
    >>> round(rod_blocks_s(0.152), 4)
    0.0198
    """
    radius = pivot_above_m - beam_above_m
    if not 0.0 < radius <= pivot_from_end_m:
        raise ValueError("the beam must meet the hanging rod below its pivot")
    offset = pivot_from_end_m - length_m / 2.0
    inertia = length_m**2 / 12.0 + offset**2
    turning = sqrt(2.0 * GRAVITY_M_PER_S2 * offset * (1.0 - cos(radians(release_deg))) / inertia)
    return diameter_m / (turning * radius)

"""Separation distances of ISO 13855, both editions; millimetres and seconds as printed."""

from math import isfinite

from sillcast import physics
from sillcast.errors import GeometryError

__all__ = [
    "allowed_capability_mm",
    "intrusion_mm",
    "least_field_height_mm",
    "orthogonal_mm",
    "parallel_mm",
]


def intrusion_mm(
    height_mm: float, *, base_mm: float = 1200.0, per_height: float = 0.4, least_mm: float = 850.0
) -> float:
    """What is added for an arm reaching over a parallel field: max(1200 - 0.4 H, 850) [1]_.

    Parameters
    ----------
    height_mm : float
        Height H of the field above the floor, 0 to 1000. [mm]
    base_mm, per_height, least_mm : float
        The edition's constants; the 2024 edition has 1200, 0 and 1200. [mm, 1, mm]

    Returns
    -------
    added_mm : float
        C of the 2010 edition, D_DS of the 2024 edition. [mm]

    References
    ----------
    .. [1] ISO 13855:2010 cl. 6.3; ISO 13855:2024 cl. 9; both second-hand, from an engineering consultancy's wiki.

    Examples
    --------
    >>> intrusion_mm(300.0)
    1080.0
    """
    return max(base_mm - per_height * height_mm, least_mm)


def parallel_mm(
    total_s: float, *, intrusion: float, speed_mm_per_s: float = 1600.0, supplement_mm: float = 0.0
) -> float:
    """Separation distance for a field parallel to the approach: S = K T + C, or K T + D_DS + Z [1]_.

    Parameters
    ----------
    total_s : float
        T: sensor response and stopping time. [s]
    intrusion : float
        C or D_DS, from `intrusion_mm`. [mm]
    speed_mm_per_s : float
        K. [mm/s]
    supplement_mm : float
        Z of the 2024 edition: measuring error, wear of the brake. [mm]

    Returns
    -------
    distance_mm : float
        Least distance from the hazard. [mm]

    Notes
    -----
    For persons of 14 years and older; running, jumping and falling are excluded.

    References
    ----------
    .. [1] ISO 13855:2010 cl. 5 and 6.3; ISO 13855:2024 cl. 9, second-hand.

    Examples
    --------
    >>> parallel_mm(0.3, intrusion=1080.0)
    1560.0
    """
    return speed_mm_per_s * total_s + intrusion + supplement_mm


def least_field_height_mm(capability_mm: float) -> float:
    """Lowest height of a field of this detection capability: 15 (d - 50), not below 0; ISO 13855:2010 cl. 6.3. [mm]"""
    return max(15.0 * (capability_mm - 50.0), 0.0)


def allowed_capability_mm(height_mm: float) -> float:
    """Coarsest detection capability of a field at this height: H/15 + 50; ISO 13855:2010 cl. 6.3. [mm]"""
    return height_mm / 15.0 + 50.0


def orthogonal_mm(total_s: float, capability_mm: float) -> float:
    """Separation distance square to a curtain of the 2010 edition, from memory [1]_.

    d <= 40: 2000 T + 8 (d - 14), at least 100; above 500 again with 1600, at least 500. 40 < d <= 70: 1600 T + 850.

    Parameters
    ----------
    total_s : float
        T. [s]
    capability_mm : float
        d, above 0, at most 70. [mm]

    Returns
    -------
    distance_mm : float
        Least distance. [mm]

    Raises
    ------
    GeometryError
        If d is above 70 or not a number.

    References
    ----------
    .. [1] ISO 13855:2010 cl. 6.2.3, from memory.
    """
    if not isfinite(capability_mm) or capability_mm > 70.0:
        raise GeometryError("this rule ends at a detection capability of 70 mm")
    return 1000.0 * physics.curtain_separation_m(total_s, capability_m=capability_mm / 1000.0, beams=2)

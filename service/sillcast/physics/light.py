"""Light: what comes back from a surface, spots, solid angles, sunlight, heat."""

from math import asin, cos, exp, log10, pi, radians, sin, sqrt, tan

import numpy as np

__all__ = [
    "beam_power_w",
    "cone_floor_ellipse",
    "cone_solid_angle_sr",
    "distance_noise_m",
    "geometric_loss_db",
    "mirror_offset_m",
    "pyramid_solid_angle_sr",
    "received_power_w",
    "round_trip_s",
    "spot_diameter_m",
    "sunlight_in_band_w_per_m2",
    "wien_peak_m",
]

LIGHT_M_PER_S = 299_792_458.0  # exact by definition of the metre

# ASTM G173-03, global irradiance on a surface tilted by 37 deg, 825 to 960 nm by 1 nm [W/m2/nm].
_SUN_FROM_NM = 825
_SUN = np.array(
    [
        0.96935, 0.93381, 0.98465, 0.84979, 0.9293, 0.91601, 0.92392, 0.89426, 0.9565, 0.93412,
        1.0032, 0.97234, 1.0092, 0.99901, 1.0013, 1.0157, 1.0101, 0.99703, 1.0053, 0.98631,
        1.0165, 1.0187, 0.9917, 0.99217, 0.98596, 0.89372, 0.97493, 0.96927, 0.96486, 0.85112,
        0.913, 0.97317, 0.99166, 0.99196, 0.99171, 0.98816, 0.98679, 0.99449, 1.0005, 0.97916,
        0.96324, 0.849, 0.91546, 0.9592, 0.94956, 0.96755, 0.95387, 0.96686, 0.95721, 0.94042,
        0.92687, 0.95277, 0.95615, 0.95237, 0.93656, 0.93957, 0.90861, 0.93245, 0.92927, 0.93305,
        0.94423, 0.90752, 0.91062, 0.92228, 0.93455, 0.92393, 0.92584, 0.90881, 0.87327, 0.8513,
        0.81357, 0.76253, 0.66566, 0.7178, 0.54871, 0.7426, 0.59933, 0.66791, 0.68889, 0.84457,
        0.81709, 0.77558, 0.63854, 0.65217, 0.70431, 0.62467, 0.66808, 0.68893, 0.62834, 0.62649,
        0.67836, 0.57646, 0.73017, 0.59271, 0.73877, 0.74414, 0.78049, 0.70026, 0.74504, 0.7215,
        0.7111, 0.70331, 0.78742, 0.58968, 0.55127, 0.4321, 0.40921, 0.30086, 0.24841, 0.1438,
        0.25084, 0.16142, 0.16338, 0.20058, 0.39887, 0.47181, 0.37195, 0.40532, 0.27834, 0.28579,
        0.36821, 0.19461, 0.37112, 0.27423, 0.49396, 0.14726, 0.48378, 0.26891, 0.34362, 0.42411,
        0.34117, 0.32821, 0.27067, 0.46101, 0.37385, 0.42066,
    ]
)  # fmt: skip
_SUN_WHOLE_W_PER_M2 = 1000.4


def received_power_w(
    *,
    sent_w: float,
    reflectance: float,
    aperture_m2: float,
    distance_m: float,
    efficiency: float = 1.0,
    extinction_per_m: float = 0.0,
) -> float:
    """Power that comes back from a diffuse surface wider than the spot: P rho A / (pi R^2) eta exp(-2 sigma R) [1]_.

    Parameters
    ----------
    sent_w : float
        Power sent. [W]
    reflectance : float
        Share reflected diffusely; above 1 for retroreflective cloth in the direction of the sender. [1]
    aperture_m2 : float
        Area of the receiver's aperture, small against the distance squared. [m2]
    distance_m : float
        Distance, above 0. [m]
    efficiency : float
        Share that optics and window let through, both ways together. [1]
    extinction_per_m : float
        Of the air, one way. [1/m]

    Returns
    -------
    power : float
        Power received. [W]

    References
    ----------
    .. [1] Lambert's cosine law and Beer's law for a surface at right angles to the beam (physics; the usual link
       equation of laser ranging, from memory).

    Examples
    --------
    >>> round(1e6 * received_power_w(sent_w=25, reflectance=0.1, aperture_m2=3.1416e-4, distance_m=5), 2)
    10.0
    """
    back = reflectance * aperture_m2 / (pi * distance_m**2)
    return sent_w * back * efficiency * exp(-2.0 * extinction_per_m * distance_m)


def beam_power_w(
    *,
    sent_w: float,
    divergence_deg: float,
    start_width_m: float,
    aperture_m2: float,
    distance_m: float,
    extinction_per_m: float = 0.0,
) -> float:
    """Power that a receiver takes from an evenly filled beam: P min(1, A / S) exp(-sigma R), S the spot's area [1]_.

    Parameters
    ----------
    sent_w : float
        Power sent. [W]
    divergence_deg : float
        Full divergence. [deg]
    start_width_m : float
        Diameter at the sender. [m]
    aperture_m2 : float
        Area of the receiver's aperture. [m2]
    distance_m : float
        Distance. [m]
    extinction_per_m : float
        Of the air, one way. [1/m]

    Returns
    -------
    power : float
        Power received. [W]

    References
    ----------
    .. [1] Geometry and Beer's law; own derivation.
    """
    spot_m2 = pi / 4.0 * spot_diameter_m(start_width_m, divergence_deg=divergence_deg, distance_m=distance_m) ** 2
    share = 1.0 if spot_m2 <= aperture_m2 else aperture_m2 / spot_m2
    return sent_w * share * exp(-extinction_per_m * distance_m)


def geometric_loss_db(*, distance_m: float, divergence_mrad: float, aperture_m: float) -> float:
    """Loss of a spreading beam beside the aperture: 20 lg(d theta / D), 0 while the aperture takes it all [1]_.

    Parameters
    ----------
    distance_m : float
        Distance. [m]
    divergence_mrad : float
        Full divergence. [mrad]
    aperture_m : float
        Diameter of the receiver's aperture, above 0. [m]

    Returns
    -------
    loss : float
        At least 0. [dB]

    References
    ----------
    .. [1] Recommendation ITU-R P.1814-1, geometrical attenuation (verified in an open implementation).

    Examples
    --------
    >>> round(geometric_loss_db(distance_m=500, divergence_mrad=2, aperture_m=0.05), 2)
    26.02
    """
    spot_m = distance_m * divergence_mrad / 1000.0
    return 0.0 if spot_m <= aperture_m else 20.0 * log10(spot_m / aperture_m)


def spot_diameter_m(start_width_m: float, *, divergence_deg: float, distance_m: float) -> float:
    """Diameter of a spot: d0 + 2 R tan(theta / 2) [1]_.

    Parameters
    ----------
    start_width_m : float
        Diameter at the head. [m]
    divergence_deg : float
        Full divergence. [deg]
    distance_m : float
        Distance. [m]

    Returns
    -------
    diameter : float
        At right angles to the ray. [m]

    References
    ----------
    .. [1] Geometry.

    Examples
    --------
    >>> round(spot_diameter_m(0.005, divergence_deg=0.1718873, distance_m=10.0), 4)
    0.035
    """
    return start_width_m + 2.0 * distance_m * tan(radians(divergence_deg) / 2.0)


def pyramid_solid_angle_sr(*, width_deg: float, height_deg: float) -> float:
    """Solid angle of a rectangular pyramid, the field of a lens: 4 asin(sin(a / 2) sin(b / 2)) [1]_.

    Parameters
    ----------
    width_deg, height_deg : float
        Full angles, below 180. [deg]

    Returns
    -------
    solid_angle : float
        Of the pyramid. [sr]

    References
    ----------
    .. [1] Spherical geometry; 90 by 90 deg is one face of a cube, 2 pi / 3.

    Examples
    --------
    >>> round(pyramid_solid_angle_sr(width_deg=90, height_deg=90), 4)
    2.0944
    """
    return 4.0 * asin(sin(radians(width_deg) / 2.0) * sin(radians(height_deg) / 2.0))


def cone_solid_angle_sr(half_angle_deg: float) -> float:
    """Solid angle of a round cone: 2 pi (1 - cos a) [1]_.

    Parameters
    ----------
    half_angle_deg : float
        Between axis and edge. [deg]

    Returns
    -------
    solid_angle : float
        Of the cone. [sr]

    References
    ----------
    .. [1] Spherical geometry.

    Examples
    --------
    >>> round(cone_solid_angle_sr(30.0), 4)
    0.8418
    """
    return 2.0 * pi * (1.0 - cos(radians(half_angle_deg)))


def cone_floor_ellipse(*, height_m: float, tilt_deg: float, half_angle_deg: float) -> tuple[float, float, float]:
    """Where a round cone meets a level floor: nearest and farthest point, and half of the width [1]_.

    Parameters
    ----------
    height_m : float
        Tip of the cone above the floor. [m]
    tilt_deg : float
        Axis from straight down. [deg]
    half_angle_deg : float
        Between axis and edge. [deg]

    Returns
    -------
    near_m, far_m, half_width_m : float
        Distances from the plumb line H tan(t - a) and H tan(t + a); half width H sin a / sqrt(cos(t + a) cos(t - a)),
        midway between them and not where the axis meets the floor. [m]

    Raises
    ------
    ValueError
        If the cone's upper edge is level or higher: the figure on the floor is no ellipse.

    References
    ----------
    .. [1] Conic section of a cone by a plane; own derivation, proven against 20 000 rays.
    """
    low, high = radians(tilt_deg - half_angle_deg), radians(tilt_deg + half_angle_deg)
    if abs(tilt_deg) + half_angle_deg >= 90.0:
        raise ValueError("the cone's upper edge must look below the horizon")
    half_width = height_m * sin(radians(half_angle_deg)) / sqrt(cos(low) * cos(high))
    return height_m * tan(low), height_m * tan(high), half_width


def mirror_offset_m(*, distance_m: float, half_angle_deg: float, least_distance_m: float = 3.0) -> float:
    """Least distance of a beam from a parallel shiny surface, so that no light goes round a body: D tan(angle) [1]_.

    Parameters
    ----------
    distance_m : float
        From sender to receiver. [m]
    half_angle_deg : float
        Effective aperture, half: 2.5 for type 4, 5 for type 2. [deg]
    least_distance_m : float
        Up to here the result stays that of this distance. [m]

    Returns
    -------
    offset : float
        Distance a of the surface from the beam. [m]

    References
    ----------
    .. [1] IEC 61496-2, effective aperture angle and distance to reflective surfaces (from memory): 131 mm and 262 mm
       up to 3 m for types 4 and 2.

    Examples
    --------
    >>> round(mirror_offset_m(distance_m=5.0, half_angle_deg=2.5), 4)
    0.2183
    """
    return max(distance_m, least_distance_m) * tan(radians(half_angle_deg))


def sunlight_in_band_w_per_m2(*, centre_nm: float, width_nm: float, sun_w_per_m2: float = _SUN_WHOLE_W_PER_M2) -> float:
    """Sunlight that passes a filter: the reference spectrum in the band, scaled to the sun on the field [1]_.

    Parameters
    ----------
    centre_nm, width_nm : float
        Band of the filter; it must lie within 825 to 960. [nm]
    sun_w_per_m2 : float
        Irradiance of the whole spectrum on the surface. [W/m2]

    Returns
    -------
    irradiance : float
        In the band. [W/m2]

    Raises
    ------
    ValueError
        If the band leaves the tabulated part of the spectrum.

    References
    ----------
    .. [1] ASTM G173-03, global irradiance on a tilted surface, 1000.4 W/m2 in all (verified, table as distributed with
       an open solar library); trapezoids between the tabulated nanometres.

    Examples
    --------
    >>> round(sunlight_in_band_w_per_m2(centre_nm=905, width_nm=20), 2)
    13.81
    """
    table = _SUN_FROM_NM + np.arange(len(_SUN), dtype=np.float64)
    low, high = centre_nm - width_nm / 2.0, centre_nm + width_nm / 2.0
    if low < table[0] or high > table[-1] or width_nm < 0:
        raise ValueError(f"the band must lie within {table[0]:.0f} to {table[-1]:.0f} nm")
    inside = table[(table > low) & (table < high)]
    at = np.concatenate([[low], inside, [high]])
    return float(np.trapezoid(np.interp(at, table, _SUN), at)) * sun_w_per_m2 / _SUN_WHOLE_W_PER_M2


def distance_noise_m(
    distance_m: float,
    *,
    rated_noise_m: float,
    rated_distance_m: float,
    background_ratio: float = 0.0,
    reflectance_ratio: float = 1.0,
) -> float:
    """Noise of a distance by time of flight, limited by shot noise: s0 (R/R0) sqrt((1 + b (R/R0)^2) / r) [1]_.

    Parameters
    ----------
    distance_m : float
        Distance R. [m]
    rated_noise_m : float
        Standard deviation s0 at the rated distance in the dark. [m]
    rated_distance_m : float
        Rated distance R0. [m]
    background_ratio : float
        b: ambient light over own light, as received at the rated distance. [1]
    reflectance_ratio : float
        r: reflectance of the surface over the rated one, above 0. [1]

    Returns
    -------
    noise : float
        Standard deviation. [m]

    Notes
    -----
    The signal falls as r / R^2, the ambient light from a surface that fills the pixel goes with r and not with R;
    Poisson noise sqrt(S + B) over the signal S gives the formula. Readout noise and stray light within the lens add
    to it, so it is a lower bound.

    References
    ----------
    .. [1] Own derivation from Poisson statistics.

    Examples
    --------
    >>> distance_noise_m(4.0, rated_noise_m=0.01, rated_distance_m=2.0)
    0.02
    """
    ratio = distance_m / rated_distance_m
    return rated_noise_m * ratio * sqrt((1.0 + background_ratio * ratio**2) / reflectance_ratio)


def wien_peak_m(temperature_k: float) -> float:
    """Wavelength at which a warm surface radiates most: 2.897771955e-3 m K / T [1]_.

    Parameters
    ----------
    temperature_k : float
        Temperature of the surface, above 0. [K]

    Returns
    -------
    wavelength : float
        Peak of the spectrum by wavelength. [m]

    References
    ----------
    .. [1] Wien's displacement law, CODATA 2018.

    Examples
    --------
    >>> round(1e6 * wien_peak_m(305.0), 2)
    9.5
    """
    return 2.897771955e-3 / temperature_k


def round_trip_s(distance_m: float) -> float:
    """Time of light to a surface and back: 2 R / c [1]_.

    Parameters
    ----------
    distance_m : float
        Distance. [m]

    Returns
    -------
    time : float
        There and back. [s]

    References
    ----------
    .. [1] Speed of light in vacuum, exact by definition of the metre.
    """
    return 2.0 * distance_m / LIGHT_M_PER_S

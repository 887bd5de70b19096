"""Radio: Doppler, free space, echoes, rain."""

from math import cos, exp, log10, pi, radians

from sillcast.physics.light import LIGHT_M_PER_S

__all__ = [
    "dbm",
    "doppler_hz",
    "doppler_speed_m_per_s",
    "eirp_w",
    "flat_plate_echo_m2",
    "free_space_loss_db",
    "radar_power_w",
    "rain_coefficients",
    "rain_db_per_km",
    "wavelength_m",
]

_Curve = tuple[tuple[tuple[float, float, float], ...], float, float]

# ITU-R P.838-3, tables 1 to 4: (a, b, c) of each term, then m and c of the straight line.
_K_H: _Curve = (
    (
        (-5.33980, -0.10008, 1.13098),
        (-0.35351, 1.26970, 0.45400),
        (-0.23789, 0.86036, 0.15354),
        (-0.94158, 0.64552, 0.16817),
    ),
    -0.18961,
    0.71147,
)
_K_V: _Curve = (
    (
        (-3.80595, 0.56934, 0.81061),
        (-3.44965, -0.22911, 0.51059),
        (-0.39902, 0.73042, 0.11899),
        (0.50167, 1.07319, 0.27195),
    ),
    -0.16398,
    0.63297,
)
_ALPHA_H: _Curve = (
    (
        (-0.14318, 1.82442, -0.55187),
        (0.29591, 0.77564, 0.19822),
        (0.32177, 0.63773, 0.13164),
        (-5.37610, -0.96230, 1.47828),
        (16.1721, -3.29980, 3.43990),
    ),
    0.67849,
    -1.95537,
)
_ALPHA_V: _Curve = (
    (
        (-0.07771, 2.33840, -0.76284),
        (0.56727, 0.95545, 0.54039),
        (-0.20238, 1.14520, 0.26809),
        (-48.2991, 0.791669, 0.116226),
        (48.5833, 0.791459, 0.116479),
    ),
    -0.053739,
    0.83433,
)


def doppler_hz(speed_m_per_s: float, *, frequency_hz: float, angle_deg: float = 0.0) -> float:
    """Doppler shift of an echo: 2 v cos(angle) f / c [1]_.

    Parameters
    ----------
    speed_m_per_s : float
        Speed of the body. [m/s]
    frequency_hz : float
        Frequency sent. [Hz]
    angle_deg : float
        Between the body's course and the line to the sensor. [deg]

    Returns
    -------
    shift : float
        Positive for a body that comes nearer. [Hz]

    References
    ----------
    .. [1] Two-way Doppler effect for speeds far below that of light; 1055 Hz at 24.150 GHz is 21.5 ft/s in the USGS
       notes on radar guns (verified).

    Examples
    --------
    >>> round(doppler_hz(1.0, frequency_hz=24.125e9), 2)
    160.94
    """
    return 2.0 * speed_m_per_s * cos(radians(angle_deg)) * frequency_hz / LIGHT_M_PER_S


def doppler_speed_m_per_s(shift_hz: float, *, frequency_hz: float) -> float:
    """Speed along the line to the sensor from the Doppler shift of an echo, the inverse of `doppler_hz` [1]_.

    Parameters
    ----------
    shift_hz : float
        Doppler shift. [Hz]
    frequency_hz : float
        Frequency sent, above 0. [Hz]

    Returns
    -------
    speed : float
        Positive for a body that comes nearer. [m/s]

    References
    ----------
    .. [1] See `doppler_hz`.
    """
    return shift_hz * LIGHT_M_PER_S / (2.0 * frequency_hz)


def wavelength_m(frequency_hz: float) -> float:
    """Length of a radio wave in air, taken as in vacuum: c / f [1]_.

    Parameters
    ----------
    frequency_hz : float
        Frequency, above 0. [Hz]

    Returns
    -------
    wavelength : float
        Length of a whole wave. [m]

    References
    ----------
    .. [1] Speed of light in vacuum; air makes it 0.03 % shorter.

    Examples
    --------
    >>> round(1000 * wavelength_m(24.125e9), 3)
    12.427
    """
    return LIGHT_M_PER_S / frequency_hz


def free_space_loss_db(distance_m: float, *, frequency_hz: float) -> float:
    """Loss between isotropic antennas: 20 lg(4 pi d f / c) [1]_.

    Parameters
    ----------
    distance_m : float
        Distance, above 0. [m]
    frequency_hz : float
        Frequency, above 0. [Hz]

    Returns
    -------
    loss : float
        One way. [dB]

    References
    ----------
    .. [1] Friis transmission formula; 120.06 dB at 600 MHz and 40 km in a published exercise (verified).

    Examples
    --------
    >>> round(free_space_loss_db(5.0, frequency_hz=24.125e9), 2)
    74.08
    """
    return 20.0 * log10(4.0 * pi * distance_m * frequency_hz / LIGHT_M_PER_S)


def radar_power_w(
    *, sent_w: float, gain_db: float, echo_m2: float, distance_m: float, frequency_hz: float, loss_db: float = 0.0
) -> float:
    """Power of an echo in the antenna that sent: P G^2 lambda^2 s / ((4 pi)^3 R^4) [1]_.

    Parameters
    ----------
    sent_w : float
        Power sent. [W]
    gain_db : float
        Gain of the antenna over the isotropic one. [dB]
    echo_m2 : float
        Radar cross-section s of the body. [m2]
    distance_m : float
        Distance, above 0. [m]
    frequency_hz : float
        Frequency. [Hz]
    loss_db : float
        Loss on the way there and back. [dB]

    Returns
    -------
    power : float
        Power received. [W]

    References
    ----------
    .. [1] Radar equation for one antenna (physics).

    Examples
    --------
    >>> at = dict(gain_db=12, echo_m2=1, distance_m=5, frequency_hz=24.125e9)
    >>> round(dbm(radar_power_w(sent_w=1e-3, **at)), 2)
    -75.05
    """
    gain = 10.0 ** ((2.0 * gain_db - loss_db) / 10.0)
    return float(sent_w * gain * wavelength_m(frequency_hz) ** 2 * echo_m2 / ((4.0 * pi) ** 3 * distance_m**4))


def flat_plate_echo_m2(area_m2: float, *, frequency_hz: float) -> float:
    """Radar cross-section of a flat metal plate square on to the beam: 4 pi A^2 / lambda^2 [1]_.

    Parameters
    ----------
    area_m2 : float
        Area, wide against the wavelength. [m2]
    frequency_hz : float
        Frequency. [Hz]

    Returns
    -------
    echo : float
        Radar cross-section. [m2]

    References
    ----------
    .. [1] Physical optics (from memory).
    """
    return 4.0 * pi * area_m2**2 / wavelength_m(frequency_hz) ** 2


def eirp_w(*, field_v_per_m: float, distance_m: float) -> float:
    """Power radiated if it went evenly in all directions, from the field at a distance: (E d)^2 / 30 [1]_.

    Parameters
    ----------
    field_v_per_m : float
        Electric field, root mean square. [V/m]
    distance_m : float
        Distance. [m]

    Returns
    -------
    power : float
        Equivalent isotropic radiated power. [W]

    References
    ----------
    .. [1] Far field of an isotropic source; used with the limit of 2.5 V/m at 3 m in 47 CFR 15.245 (verified).

    Examples
    --------
    >>> eirp_w(field_v_per_m=2.5, distance_m=3.0)
    1.875
    """
    return (field_v_per_m * distance_m) ** 2 / 30.0


def dbm(power_w: float) -> float:
    """Level over a milliwatt: 10 lg(P / 1 mW) [1]_.

    Parameters
    ----------
    power_w : float
        Power, above 0. [W]

    Returns
    -------
    level : float
        Level. [dBm]

    References
    ----------
    .. [1] Definition.
    """
    return 10.0 * log10(power_w * 1000.0)


def rain_coefficients(
    frequency_hz: float, *, elevation_deg: float = 0.0, polarisation_deg: float = 45.0
) -> tuple[float, float]:
    """Coefficients k and alpha of the attenuation k R^alpha by rain [1]_.

    Parameters
    ----------
    frequency_hz : float
        Frequency, 1e9 to 1000e9. [Hz]
    elevation_deg : float
        Elevation of the path. [deg]
    polarisation_deg : float
        Tilt of the polarisation from horizontal: 0 horizontal, 90 vertical, 45 circular. [deg]

    Returns
    -------
    k, alpha : float
        For R in mm/h and an attenuation in dB/km. [1]

    Raises
    ------
    ValueError
        If the frequency is out of bounds.

    References
    ----------
    .. [1] Recommendation ITU-R P.838-3 (03/2005), equations 1 to 5 and tables 1 to 4 (coefficients verified in several
       open implementations, results against rows of the ITU's validation file).
    """
    if not 1e9 <= frequency_hz <= 1000e9:
        raise ValueError("rain coefficients hold from 1 to 1000 GHz")
    at = log10(frequency_hz / 1e9)
    k_h, k_v = 10.0 ** _curve(_K_H, at), 10.0 ** _curve(_K_V, at)
    alpha_h, alpha_v = _curve(_ALPHA_H, at), _curve(_ALPHA_V, at)
    mix = cos(radians(elevation_deg)) ** 2 * cos(2.0 * radians(polarisation_deg))
    k = (k_h + k_v + (k_h - k_v) * mix) / 2.0
    alpha = (k_h * alpha_h + k_v * alpha_v + (k_h * alpha_h - k_v * alpha_v) * mix) / (2.0 * k)
    return k, alpha


def _curve(curve: _Curve, at: float) -> float:
    terms, slope, start = curve
    return sum(a * exp(-(((at - b) / c) ** 2)) for a, b, c in terms) + slope * at + start


def rain_db_per_km(
    rain_mm_per_h: float, *, frequency_hz: float, elevation_deg: float = 0.0, polarisation_deg: float = 45.0
) -> float:
    """Attenuation of radio waves by rain: k R^alpha [1]_.

    Parameters
    ----------
    rain_mm_per_h : float
        Rain rate R, at least 0. [mm/h]
    frequency_hz : float
        Frequency, 1e9 to 1000e9. [Hz]
    elevation_deg : float
        Elevation of the path. [deg]
    polarisation_deg : float
        Tilt of the polarisation from horizontal. [deg]

    Returns
    -------
    attenuation : float
        One way. [dB/km]

    Raises
    ------
    ValueError
        If the frequency is out of bounds or the rate negative.

    References
    ----------
    .. [1] Recommendation ITU-R P.838-3, see `rain_coefficients`.

    Examples
    --------
    >>> round(rain_db_per_km(25.0, frequency_hz=24.125e9, polarisation_deg=0.0), 2)
    3.71
    """
    if rain_mm_per_h < 0:
        raise ValueError("a rain rate is at least 0")
    k, alpha = rain_coefficients(frequency_hz, elevation_deg=elevation_deg, polarisation_deg=polarisation_deg)
    return float(k * rain_mm_per_h**alpha)

"""Sound in air: speed, absorption, time of an echo."""

from math import exp, sqrt

__all__ = ["echo_time_s", "sound_absorption_db_per_m", "speed_of_sound_m_per_s"]

_REFERENCE_K = 293.15
_TRIPLE_POINT_K = 273.16
_REFERENCE_KPA = 101.325


def speed_of_sound_m_per_s(air_temperature_deg_c: float) -> float:
    """Speed of sound in air: 343.2 sqrt(T / 293.15) [1]_.

    Parameters
    ----------
    air_temperature_deg_c : float
        Air temperature, above -273.15. [deg C]

    Returns
    -------
    speed : float
        Speed of sound. [m/s]

    Notes
    -----
    Sources differ by 0.2 %: the rule 331.3 + 0.606 t gives 343.4 at 20 degrees, kinetic theory 342.6.

    References
    ----------
    .. [1] ISO 9613-1, reference speed at 293.15 K (verified in an open implementation); ideal gas.

    Examples
    --------
    >>> round(speed_of_sound_m_per_s(-15.0), 2)
    322.06
    """
    return 343.2 * sqrt((air_temperature_deg_c + 273.15) / _REFERENCE_K)


def echo_time_s(distance_m: float, *, air_temperature_deg_c: float) -> float:
    """Time of sound to a surface and back: 2 R / c [1]_.

    Parameters
    ----------
    distance_m : float
        Distance. [m]
    air_temperature_deg_c : float
        Air temperature. [deg C]

    Returns
    -------
    time : float
        There and back. [s]

    References
    ----------
    .. [1] See `speed_of_sound_m_per_s`.

    Examples
    --------
    >>> round(1000 * echo_time_s(3.0, air_temperature_deg_c=20.0), 2)
    17.48
    """
    return 2.0 * distance_m / speed_of_sound_m_per_s(air_temperature_deg_c)


def sound_absorption_db_per_m(
    frequency_hz: float,
    *,
    air_temperature_deg_c: float,
    humidity_percent: float,
    pressure_kpa: float = _REFERENCE_KPA,
) -> float:
    """Absorption of a pure tone by air: classical part and relaxation of oxygen and nitrogen [1]_.

    Parameters
    ----------
    frequency_hz : float
        Frequency, above 0. [Hz]
    air_temperature_deg_c : float
        Air temperature, -73 to 57. [deg C]
    humidity_percent : float
        Relative humidity, 0 to 100. [%]
    pressure_kpa : float
        Air pressure. [kPa]

    Returns
    -------
    absorption : float
        One way. [dB/m]

    Raises
    ------
    ValueError
        If temperature, humidity, frequency or pressure is out of bounds.

    Notes
    -----
    The standard's table ends at 10 kHz; it allows the formula at ultrasonic frequencies for scale models. Models of
    this kind are good to about 10 % (Sutherland et al. 1974). Not monotone in humidity: at 40 kHz and 20 degrees the
    worst is near 55 %.

    References
    ----------
    .. [1] ISO 9613-1:1993, equations 3 to 5 and annex B (formulas verified in open implementations, results against
       rows of its table 1).

    Examples
    --------
    >>> round(sound_absorption_db_per_m(40e3, air_temperature_deg_c=20.0, humidity_percent=50.0), 2)
    1.32
    """
    if not (200.0 <= air_temperature_deg_c + 273.15 <= 330.0 and 0.0 <= humidity_percent <= 100.0):
        raise ValueError("absorption is known from -73 to 57 deg C and for 0 to 100 % humidity")
    if frequency_hz <= 0 or pressure_kpa <= 0:
        raise ValueError("frequency and pressure are above 0")
    kelvin = air_temperature_deg_c + 273.15
    ratio, pressure = kelvin / _REFERENCE_K, pressure_kpa / _REFERENCE_KPA
    saturation = 10.0 ** (-6.8346 * (_TRIPLE_POINT_K / kelvin) ** 1.261 + 4.6151)
    water = humidity_percent * saturation / pressure  # molar concentration of vapour, %
    oxygen_hz = pressure * (24.0 + 4.04e4 * water * (0.02 + water) / (0.391 + water))
    nitrogen_hz = pressure * ratio**-0.5 * (9.0 + 280.0 * water * exp(-4.170 * (ratio ** (-1.0 / 3.0) - 1.0)))
    oxygen = 0.01275 * exp(-2239.1 / kelvin) / (oxygen_hz + frequency_hz**2 / oxygen_hz)
    nitrogen = 0.1068 * exp(-3352.0 / kelvin) / (nitrogen_hz + frequency_hz**2 / nitrogen_hz)
    classical = 1.84e-11 / pressure * ratio**0.5
    return float(8.686 * frequency_hz**2 * (classical + ratio**-2.5 * (oxygen + nitrogen)))

"""Fog, rain and snow on optical paths."""

from math import log
from typing import Literal

__all__ = ["fog_extinction_per_m", "optical_rain_db_per_km", "optical_snow_db_per_km", "visibility_2_m"]

FogModel = Literal["kim", "kruse", "koschmieder"]

# k and alpha of ITU-R P.1814-1 for the shape parameter of the drop-size distribution.
_RAIN_SHAPES = {
    -2: (2.2838, 0.4050),
    -1: (1.5921, 0.5506),
    0: (1.2924, 0.6436),
    1: (1.1394, 0.7057),
    2: (1.0505, 0.7497),
}


def visibility_2_m(visibility_m: float, *, contrast: float) -> float:
    """Visibility by the 2 % convention from one by another contrast threshold: V ln(0.02) / ln(c) [1]_.

    Parameters
    ----------
    visibility_m : float
        Visibility at which the contrast of a black mark has fallen to `contrast`. [m]
    contrast : float
        Threshold: 0.05 for the meteorological optical range of weather services, 0.02 in optical links. [1]

    Returns
    -------
    visibility : float
        Distance at which the contrast has fallen to 0.02. [m]

    Raises
    ------
    ValueError
        If the visibility is not above 0 or the contrast not between 0 and 1.

    References
    ----------
    .. [1] Koschmieder's law, contrast = exp(-sigma V); 5 %: IES lighting definitions (verified); 2 %: ITU-R P.1814-1
       (verified in an open implementation).

    Examples
    --------
    >>> round(visibility_2_m(1000.0, contrast=0.05), 0)
    1306.0
    """
    if visibility_m <= 0 or not 0 < contrast < 1:
        raise ValueError("a visibility is above 0, a contrast between 0 and 1")
    return visibility_m * log(0.02) / log(contrast)


def fog_extinction_per_m(
    visibility_m: float, *, contrast: float, wavelength_nm: float = 550.0, model: FogModel = "kim"
) -> float:
    """Extinction of light in fog: (-ln 0.02 / V2) (wavelength / 550 nm)^-q, V2 by the 2 % convention [1]_ [2]_ [3]_.

    Parameters
    ----------
    visibility_m : float
        Meteorological visibility. [m]
    contrast : float
        Its contrast threshold, 0.02 or 0.05. [1]
    wavelength_nm : float
        Wavelength, 400 to 1550. [nm]
    model : {"kim", "kruse", "koschmieder"}
        Exponent q: by Kim, by Kruse, or 0.

    Returns
    -------
    extinction : float
        One way, natural logarithm. [1/m]

    Raises
    ------
    ValueError
        If visibility, contrast or wavelength is out of bounds.

    Notes
    -----
    Below 50 m of visibility the models are extrapolated; peaks of 500 dB/km were measured at 650 to 950 nm.
    Kim: q = 0 below 0.5 km, V - 0.5 to 1 km, 0.16 V + 0.34 to 6 km, 1.3 to 50 km, 1.6 above (V in km).
    Kruse: q = 0.585 V^(1/3) below 6 km, else as Kim.

    References
    ----------
    .. [1] Koschmieder's law, see `visibility_2_m`.
    .. [2] Kim, McArthur, Korevaar, Proc. SPIE 4214 (2001), as in ITU-R P.1814-1 (09/2025) and in Ghassemlooy, Popoola,
       Rajbhandari, Optical Wireless Communications, program 3.5 (verified).
    .. [3] Kruse, McGlauchlin, McQuistan, Elements of Infrared Technology, 1962 (from memory).

    Examples
    --------
    >>> from sillcast.physics import db_per_km
    >>> round(db_per_km(fog_extinction_per_m(1000.0, contrast=0.02, wavelength_nm=850.0)), 2)
    13.67
    """
    if not 400.0 <= wavelength_nm <= 1550.0:
        raise ValueError("fog models hold from 400 to 1550 nm")
    visibility = visibility_2_m(visibility_m, contrast=contrast)
    q = 0.0 if model == "koschmieder" else _exponent(visibility / 1000.0, model)
    return -log(0.02) / visibility * float((wavelength_nm / 550.0) ** -q)


def _exponent(visibility_km: float, model: FogModel) -> float:
    if visibility_km > 50.0:
        return 1.6
    if visibility_km > 6.0:
        return 1.3
    if model == "kruse":
        return 0.585 * float(visibility_km ** (1.0 / 3.0))
    if visibility_km > 1.0:
        return 0.16 * visibility_km + 0.34
    return max(visibility_km - 0.5, 0.0)


def optical_rain_db_per_km(rain_mm_per_h: float, *, drop_shape: int = 0) -> float:
    """Attenuation of light by rain: k R^alpha [1]_.

    Parameters
    ----------
    rain_mm_per_h : float
        Rain rate R. [mm/h]
    drop_shape : int
        Shape parameter of the drop-size distribution, -2 to 2. [1]

    Returns
    -------
    attenuation : float
        One way. [dB/km]

    Raises
    ------
    ValueError
        If the rate is negative or the shape unknown.

    References
    ----------
    .. [1] Recommendation ITU-R P.1814-1 (09/2025), coefficients by shape (verified in an open implementation).

    Examples
    --------
    >>> round(optical_rain_db_per_km(25.0), 2)
    10.26
    """
    if rain_mm_per_h < 0 or drop_shape not in _RAIN_SHAPES:
        raise ValueError("a rain rate is at least 0, a shape from -2 to 2")
    k, alpha = _RAIN_SHAPES[drop_shape]
    return float(k * rain_mm_per_h**alpha)


def optical_snow_db_per_km(snow_mm_per_h: float, *, wavelength_nm: float, wet: bool) -> float:
    """Attenuation of light by snow: a S^b, a linear in the wavelength [1]_.

    Parameters
    ----------
    snow_mm_per_h : float
        Snowfall S as water. [mm/h]
    wavelength_nm : float
        Wavelength. [nm]
    wet : bool
        True for wet snow, near or above 0 degrees Celsius.

    Returns
    -------
    attenuation : float
        One way. [dB/km]

    Raises
    ------
    ValueError
        If the rate is negative.

    References
    ----------
    .. [1] Recommendation ITU-R P.1814-0 (2007): wet a = 1.023e-4 L + 3.785547, b = 0.72; dry a = 5.42e-5 L + 5.495878,
       b = 1.38, L in nm (from memory).

    Examples
    --------
    >>> round(optical_snow_db_per_km(1.0, wavelength_nm=905.0, wet=True), 3)
    3.878
    """
    if snow_mm_per_h < 0:
        raise ValueError("a snow rate is at least 0")
    a, b = (1.023e-4 * wavelength_nm + 3.785547, 0.72) if wet else (5.42e-5 * wavelength_nm + 5.495878, 1.38)
    return float(a * snow_mm_per_h**b)

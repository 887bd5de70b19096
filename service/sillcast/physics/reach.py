"""Range under loss: one law for light, radio and sound."""

from math import exp, log, log1p

__all__ = ["db_per_km", "per_m", "range_under_loss"]


def db_per_km(extinction_per_m: float) -> float:
    """Attenuation in decibels from an extinction coefficient: 10 lg(e) * 1000 * sigma [1]_.

    Parameters
    ----------
    extinction_per_m : float
        Share of power lost per length, natural logarithm. [1/m]

    Returns
    -------
    attenuation : float
        One way. [dB/km]

    References
    ----------
    .. [1] Definition of the decibel for power.

    Examples
    --------
    >>> round(db_per_km(0.003912), 2)
    16.99
    """
    return extinction_per_m * 1000.0 * 10.0 / log(10.0)


def per_m(attenuation_db_per_km: float) -> float:
    """Extinction coefficient from an attenuation in decibels, the inverse of `db_per_km` [1]_.

    Parameters
    ----------
    attenuation_db_per_km : float
        One way. [dB/km]

    Returns
    -------
    extinction : float
        Natural logarithm. [1/m]

    References
    ----------
    .. [1] Definition of the decibel for power.
    """
    return attenuation_db_per_km / 1000.0 * log(10.0) / 10.0


def range_under_loss(
    rated_range_m: float,
    *,
    power_exponent: float,
    power_ratio: float = 1.0,
    loss_per_m: float = 0.0,
    rated_loss_per_m: float = 0.0,
) -> float:
    """Range at which the received power is what it was at the rated range: R^n exp(k R) = q R0^n exp(k0 R0) [1]_.

    Parameters
    ----------
    rated_range_m : float
        Range R0 under the rated conditions, at least 0. [m]
    power_exponent : float
        n of P ~ 1/R^n: 2 for light on a surface wider than the spot and for a diverging one-way beam, 4 for an echo
        from a body smaller than the lobe. [1]
    power_ratio : float
        q: received power over that of the rated conditions at equal distance (reflectance, window, echo), at least
        0; 0 gives no range. [1]
    loss_per_m : float
        k: extinction along the whole way for each metre of range, so twice the one-way extinction for an echo; natural
        logarithm, at least 0. [1/m]
    rated_loss_per_m : float
        k0: the same under the rated conditions. [1/m]

    Returns
    -------
    range_m : float
        Range under the given conditions; longer than the rated one where they are better. [m]

    Raises
    ------
    ValueError
        If a number is negative or the exponent not above 0.

    Notes
    -----
    Solved with Newton's rule for w exp(w) = y, w = k R / n, which converges from log(1 + y) for all y >= 0.

    References
    ----------
    .. [1] Own derivation from the inverse power law and Beer's law; the solution is Lambert's W, against which
       tests/published/test_physics_reach.py holds it.

    Examples
    --------
    >>> round(range_under_loss(7.07, power_exponent=2, power_ratio=0.018 / 0.9), 2)
    1.0
    """
    if min(rated_range_m, power_ratio, loss_per_m, rated_loss_per_m) < 0 or power_exponent <= 0:
        raise ValueError("ranges, ratios and losses are at least 0, the exponent above 0")
    scale = float(power_ratio ** (1.0 / power_exponent))
    free = rated_range_m * scale * exp(rated_loss_per_m * rated_range_m / power_exponent)
    k = loss_per_m / power_exponent
    if k * free == 0.0:
        return free
    return _lambert_w(k * free) / k


def _lambert_w(y: float) -> float:
    w = log1p(y)
    for _ in range(50):
        step = (w - y * exp(-w)) / (1.0 + w)
        w -= step
        if abs(step) <= 1e-15 * w:
            break
    return w

"""Range under loss against scipy's Lambert W, and against values worked out by hand."""

from math import log, sqrt

import pytest
from scipy.special import lambertw

from sillcast.physics import db_per_km, per_m, range_under_loss


@pytest.mark.parametrize("exponent", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("loss", [1e-6, 1e-3, 0.05, 2.0])
@pytest.mark.parametrize("ratio", [0.01, 1.0, 3.0])
def test_range_under_loss_is_lamberts_w(exponent, loss, ratio):
    # R^n exp(kR) = q R0^n has the solution (n/k) W((k/n) q^(1/n) R0); scipy's own W is the independent reference.
    expected = exponent / loss * lambertw(loss / exponent * ratio ** (1 / exponent) * 7.0).real
    found = range_under_loss(7.0, power_exponent=exponent, power_ratio=ratio, loss_per_m=loss)
    assert found == pytest.approx(expected, rel=1e-12)  # both iterate to the last digits of a double


def test_reflectance_from_90_to_1_8_percent_shortens_the_range_by_the_root_of_50():
    # Lambert's law, P ~ rho / R^2: sqrt(50) = 7.07.
    assert 7.07 / range_under_loss(7.07, power_exponent=2, power_ratio=0.018 / 0.9) == pytest.approx(
        sqrt(50), rel=1e-12
    )


def test_doubling_a_radar_range_costs_12_04_db():
    # P ~ 1 / R^4: 40 lg 2 = 12.04 dB, to the two decimals printed.
    assert range_under_loss(5.0, power_exponent=4, power_ratio=10**1.204) == pytest.approx(10.0, rel=1e-4)


def test_equal_conditions_give_the_rated_range_back():
    found = range_under_loss(4.0, power_exponent=4, loss_per_m=0.3, rated_loss_per_m=0.3)
    assert found == pytest.approx(4.0, rel=1e-12)


def test_nothing_received_gives_no_range():
    assert range_under_loss(4.0, power_exponent=2, power_ratio=0.0, loss_per_m=0.1) == 0.0


def test_two_percent_over_one_kilometre_is_16_99_db():
    # -10 lg 0.02 = 16.99 and -10 lg 0.05 = 13.01, arithmetic, two decimals.
    assert db_per_km(-log(0.02) / 1000) == pytest.approx(16.99, abs=0.005)
    assert db_per_km(-log(0.05) / 1000) == pytest.approx(13.01, abs=0.005)
    assert db_per_km(per_m(12.5)) == pytest.approx(12.5, rel=1e-12)


@pytest.mark.parametrize("bad", [{"power_ratio": -1.0}, {"loss_per_m": -0.1}, {"rated_loss_per_m": -0.1}])
def test_negative_numbers_are_refused(bad):
    with pytest.raises(ValueError, match="at least 0"):
        range_under_loss(1.0, power_exponent=2, **bad)

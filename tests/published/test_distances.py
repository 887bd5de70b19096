"""Separation distances and walking distances against published figures; the source stands beside each."""

import pytest

from sillcast.errors import GeometryError
from sillcast.needs.activation import activation_distance_m
from sillcast.needs.separation import (
    allowed_capability_mm,
    intrusion_mm,
    least_field_height_mm,
    orthogonal_mm,
    parallel_mm,
)

# OSHA machine-guarding eTool, chart "Safety Distance" (verified): stop time [s], distance [in].
OSHA_CHART = [
    (0.055, 3.5), (0.079, 5), (0.111, 7), (0.126, 8), (0.142, 9), (0.158, 10),
    (0.317, 20), (0.333, 21), (0.365, 23), (0.380, 24), (0.396, 25),
]  # fmt: skip


@pytest.mark.parametrize(("stop_s", "printed_in"), OSHA_CHART)
def test_osha_chart(stop_s: float, printed_in: float) -> None:
    # 63 in/s x Ts, 29 CFR 1910.217(c)(3)(iii)(e), is K T of ISO 13855 without an addition, 1600 mm/s being 62.99 in/s.
    # The chart rounds to the half inch; the largest rounding in these rows is 0.062 in.
    assert parallel_mm(stop_s, intrusion=0.0) / 25.4 == pytest.approx(printed_in, abs=0.07)


@pytest.mark.parametrize(("height_mm", "printed_mm"), [(0, 1680), (300, 1560), (500, 1480), (1000, 1330)])
def test_parallel_2010(height_mm: float, printed_mm: float) -> None:
    # ISO 13855:2010 cl. 6.3, second-hand formula: S = 1600 T + max(1200 - 0.4 H, 850), T 0.3 s; exact arithmetic.
    assert parallel_mm(0.3, intrusion=intrusion_mm(height_mm)) == pytest.approx(printed_mm, abs=1e-9)


@pytest.mark.parametrize("height_mm", [0.0, 300.0, 1000.0])
def test_parallel_2024_does_not_depend_on_height(height_mm: float) -> None:
    # ISO 13855:2024 cl. 9, second-hand: D_DS = 1200 at any height, Z = 0; exact arithmetic.
    intrusion = intrusion_mm(height_mm, per_height=0.0, least_mm=1200.0)
    assert parallel_mm(0.3, intrusion=intrusion) == pytest.approx(1680.0, abs=1e-9)


def test_supplement_of_2024_is_added() -> None:
    # ISO 13855:2024, second-hand: S = K T + D_DS + Z.
    assert parallel_mm(0.3, intrusion=1200.0, supplement_mm=50.0) == pytest.approx(1730.0, abs=1e-9)


@pytest.mark.parametrize(("height_mm", "allowed_mm"), [(0, 50.0), (300, 70.0), (500, 83.3), (1000, 116.7)])
def test_allowed_capability(height_mm: float, allowed_mm: float) -> None:
    # ISO 13855:2010 cl. 6.3, second-hand: d <= H/15 + 50; printed to 0.1 mm.
    assert allowed_capability_mm(height_mm) == pytest.approx(allowed_mm, abs=0.05)


@pytest.mark.parametrize(("capability_mm", "height_mm"), [(70, 300.0), (40, 0.0), (50, 0.0)])
def test_lowest_field_height(capability_mm: float, height_mm: float) -> None:
    # ISO 13855:2010 cl. 6.3, second-hand: H >= 15 (d - 50), not below 0; exact.
    assert least_field_height_mm(capability_mm) == height_mm


@pytest.mark.parametrize(
    ("total_s", "capability_mm", "expected_mm"),
    [(0.05, 14, 100), (0.1, 20, 248), (0.2, 30, 500), (0.4, 30, 768), (0.3, 70, 1330)],
)
def test_orthogonal_rule_from_memory(total_s: float, capability_mm: float, expected_mm: float) -> None:
    # ISO 13855:2010 cl. 6.2.3, FROM MEMORY: this proves the code against the remembered rule, no more.
    assert orthogonal_mm(total_s, capability_mm) == pytest.approx(expected_mm, abs=1e-9)


@pytest.mark.parametrize("total_s", [0.2501, 0.28, 0.3124])
def test_orthogonal_rule_from_memory_stays_at_500_between_its_branches(total_s: float) -> None:
    assert orthogonal_mm(total_s, 14.0) == 500.0


def test_orthogonal_rule_ends_at_70_mm() -> None:
    with pytest.raises(GeometryError):
        orthogonal_mm(0.3, 70.1)


def test_trade_rule_for_walking_people() -> None:
    # Common practice, no source: depth >= v (T_react + T_open); at 1.2 m/s with 0.15 s + 1.5 s: 2.0 m, one decimal.
    depth = activation_distance_m(
        speed_m_per_s=1.2, response_s=0.15, control_delay_s=0.0, time_to_clear_s=1.5, ahead_m=0.0
    )
    assert depth == pytest.approx(2.0, abs=0.05)

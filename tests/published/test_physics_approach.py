"""Approach to curtains, and the test rod of 16 CFR 1211.11(d)."""

from math import radians, sin

import pytest
from scipy.integrate import solve_ivp

from sillcast.physics import curtain_separation_m, rod_blocks_s


@pytest.mark.parametrize(
    ("total", "capability", "expected"),
    [(0.05, 0.014, 0.100), (0.1, 0.020, 0.248), (0.2, 0.030, 0.500), (0.4, 0.030, 0.768), (0.3, 0.070, 1.330)],
)
def test_separation_of_curtains_from_memory(total, capability, expected):
    # ISO 13855:2010 cl. 6.2.3 from memory, worked by hand in millimetres.
    assert curtain_separation_m(total, capability_m=capability, beams=40) == pytest.approx(expected, abs=1e-9)


def test_separation_stays_at_half_a_metre_between_its_branches():
    found = {curtain_separation_m(t, capability_m=0.014, beams=40) for t in (0.2501, 0.28, 0.3125)}
    assert found == {0.5}


def test_single_beam_from_memory():
    assert curtain_separation_m(0.25, capability_m=0.01, beams=1) == pytest.approx(1.6)  # 1600 T + 1200


def test_rod_blocks_a_low_beam_for_19_8_ms():
    # 47.6 mm rod of 876 mm, pivot 864 mm from its end and 914 mm up, from 45 deg: 2.41 m/s, 19.8 ms; three digits.
    assert rod_blocks_s(0.152) == pytest.approx(0.0198, abs=5e-5)


def test_rod_by_integrating_its_swing():
    # Independent: the pendulum's equation by scipy down to the vertical.
    offset = 0.864 - 0.876 / 2
    inertia = 0.876**2 / 12 + offset**2

    def down(_, y):
        return y[0]

    down.terminal = True
    swing = solve_ivp(
        lambda _, y: [y[1], -9.80665 * offset / inertia * sin(y[0])], (0, 2), [radians(45), 0], events=down, rtol=1e-10
    )
    speed = abs(swing.y_events[0][0][1]) * (0.914 - 0.152)
    assert rod_blocks_s(0.152) == pytest.approx(0.0476 / speed, rel=1e-6)


def test_rod_does_not_reach_a_beam_at_the_floor():
    with pytest.raises(ValueError, match="hanging rod"):
        rod_blocks_s(0.02)

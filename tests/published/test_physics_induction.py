"""Inductance of loops against quadrature by scipy, the circle's formula and a handbook range."""

from math import log, pi

import numpy as np
import pytest
from scipy.integrate import dblquad, quad

from sillcast.physics import parallel_side_mutual_h, polygon_inductance_h, rectangle_inductance_h

MU_0 = 4e-7 * pi


@pytest.mark.parametrize(("width", "depth", "radius"), [(1.83, 1.83, 1e-3), (3.0, 1.2, 0.8e-3), (0.6, 2.4, 1.5e-3)])
def test_rectangle_is_the_neumann_integral(width, depth, radius):
    # Independent: Neumann's double integral by scipy between two filaments one mean distance apart, the wire's
    # geometric mean radius r exp(-1/4); opposite sides by quadrature, a side on itself by quadrature over the axis.
    gmr = radius * np.exp(-0.25)

    def own(length):
        def inner(x):
            return np.arcsinh(x / gmr) + np.arcsinh((length - x) / gmr)

        return MU_0 / (4 * pi) * quad(inner, 0, length, points=[10 * gmr, length - 10 * gmr], limit=200)[0]

    def opposite(length, apart):
        area, _ = dblquad(lambda y, x: 1 / np.hypot(x - y, apart), 0, length, 0, length)
        return MU_0 / (4 * pi) * area

    expected = 2 * (own(width) + own(depth) - opposite(width, depth) - opposite(depth, width))
    # The closed form leaves out terms of r / l of the sides' ends: 0.05 % here.
    assert rectangle_inductance_h(width, depth, wire_radius_m=radius) == pytest.approx(expected, rel=5e-4)


def test_parallel_sides_by_quadrature():
    area, _ = dblquad(lambda y, x: 1 / np.hypot(x - y, 0.05), 0, 2, 0, 2)
    assert parallel_side_mutual_h(2.0, apart_m=0.05) == pytest.approx(MU_0 / (4 * pi) * area, rel=1e-7)


@pytest.mark.parametrize(("width", "depth"), [(1.83, 1.83), (3.0, 0.5)])
def test_polygon_of_four_corners_is_the_rectangle(width, depth):
    ring = [(0, 0), (width, 0), (width, depth), (0, depth), (0, 0)]
    closed = rectangle_inductance_h(width, depth, wire_radius_m=1e-3)
    assert polygon_inductance_h(ring, wire_radius_m=1e-3) == pytest.approx(closed, rel=1e-9)


def test_polygon_of_many_corners_is_the_circle():
    # Circle of radius R, low frequency: mu0 R (ln(8 R / r) - 7/4) (Grover; Makarov, Noetscher, Nazarian, eq. 10.11).
    angles = np.arange(96) / 96 * 2 * pi
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    expected = MU_0 * (log(8 / 1e-3) - 1.75)
    # 96 sides: the polygon is 0.07 % smaller, and each corner is sharper than an arc.
    assert polygon_inductance_h(ring, wire_radius_m=1e-3) == pytest.approx(expected, rel=2e-3)


def test_skew_sides_by_quadrature():
    # A triangle's side pair has no right angle: all three pairs by scipy.
    ring = np.array([(0.0, 0.0), (2.0, 0.3), (0.7, 1.6)])
    total = 0.0
    for i in range(3):
        a, da = ring[i], ring[(i + 1) % 3] - ring[i]
        length = np.hypot(*da)
        total += MU_0 * length / (2 * pi) * (log(2 * length / 1e-3) - 0.75)
        for j in range(3):
            if i != j:
                b, db = ring[j], ring[(j + 1) % 3] - ring[j]
                inner, _ = dblquad(lambda t, s: 1 / np.hypot(*(a + s * da - b - t * db)), 0, 1, 0, 1, epsabs=1e-7)  # noqa: B023
                total += MU_0 / (4 * pi) * float(da @ db) * inner
    assert polygon_inductance_h(ring, wire_radius_m=1e-3) == pytest.approx(total, rel=1e-5)  # scipy's own error


def test_traffic_loop_of_six_feet():
    # 6 x 6 ft, 3 turns, about 72 to 76 uH in handbooks of traffic detection (second-hand); 14 AWG wire.
    ring = [(0, 0), (1.829, 0), (1.829, 1.829), (0, 1.829)]
    found = [1e6 * polygon_inductance_h(ring, turns=3, wire_radius_m=0.814e-3, turn_pitch_m=p) for p in (0.0035, 0.005)]
    assert 70 < found[1] < found[0] < 80


def test_turns_close_together_go_with_the_square():
    ring = [(0, 0), (2, 0), (2, 1), (0, 1)]
    one = polygon_inductance_h(ring, wire_radius_m=1e-3)
    four = polygon_inductance_h(ring, turns=4, wire_radius_m=1e-3)
    assert 0.75 * 16 * one < four < 16 * one


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="three corners"):
        polygon_inductance_h([(0, 0), (1, 0)], wire_radius_m=1e-3)

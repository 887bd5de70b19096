"""Closed forms of the moves against numerical integration, and what must hold for every move."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.integrate import cumulative_trapezoid

from sillcast import motion
from sillcast.contract import Door, Folding, Leaf, Opening, Phase, Sliding, Swing, VerticalLift, Wall

ways = st.floats(0.2, 12.0)
speeds = st.floats(0.05, 4.0)
ramps = st.floats(0.1, 20.0)
creeps = st.tuples(st.floats(0.0, 1.0), st.floats(0.02, 0.5))


@given(ways, speeds, ramps, ramps, creeps)
@settings(max_examples=60, deadline=None)
def test_position_is_the_integral_of_speed(way, speed, up, down, creep) -> None:
    move = motion.trapezoid(way, speed=speed, acceleration=up, deceleration=down, creep=creep)
    t = np.union1d(np.linspace(0.0, move.duration, 2001), move.times)
    v = np.array([move.speed(float(s)) for s in t])
    # Speed is piecewise linear and its corners are among the samples: the trapezoidal rule is exact up to rounding.
    integral = cumulative_trapezoid(v, t, initial=0.0)
    assert integral == pytest.approx(np.array([move.position(float(s)) for s in t]), abs=1e-9 * max(way, 1.0))
    assert move.distance == pytest.approx(way, rel=1e-9)
    assert v.max() <= speed * (1 + 1e-9)


@given(ways, speeds, ramps, ramps, creeps)
@settings(max_examples=60, deadline=None)
def test_ramps_are_never_steeper_than_stated(way, speed, up, down, creep) -> None:
    move = motion.trapezoid(way, speed=speed, acceleration=up, deceleration=down, creep=creep)
    slopes = np.diff(move.speeds) / np.diff(move.times)
    assert slopes.max() <= up * (1 + 1e-6)
    assert slopes.min() >= -down * (1 + 1e-6)
    assert move.speeds[0] == 0.0
    assert move.speeds[-1] == pytest.approx(0.0, abs=1e-12)


@given(ways, speeds, ramps, ramps, st.floats(0.0, 1.0))
@settings(max_examples=80, deadline=None)
def test_time_at_inverts_position(way, speed, up, down, share) -> None:
    move = motion.trapezoid(way, speed=speed, acceleration=up, deceleration=down)
    # Near standstill the position is quadratic in time, so only the position can be compared to rounding.
    assert move.position(move.time_at(share * move.distance)) == pytest.approx(share * way, abs=1e-9 * max(way, 1.0))


@given(ways, st.floats(0.3, 60.0), ramps, ramps, creeps)
@settings(max_examples=80, deadline=None)
def test_stated_time_is_kept_or_the_creep_left_out(way, seconds, up, down, creep) -> None:
    move = motion.timed(way, seconds=seconds, acceleration=up, deceleration=down, creep=creep)
    assert move.duration == pytest.approx(seconds, rel=1e-9)
    assert move.distance == pytest.approx(way, rel=1e-9)


@given(ways, speeds, ramps, ramps)
@settings(max_examples=40, deadline=None)
def test_own_time_gives_the_own_speed_back(way, speed, up, down) -> None:
    move = motion.trapezoid(way, speed=speed, acceleration=up, deceleration=down)
    again = motion.timed(way, seconds=move.duration, acceleration=up, deceleration=down)
    # Near the triangle the speed depends on the root of a small difference: 1e-6.
    assert again.peak_speed == pytest.approx(move.peak_speed, rel=1e-5)


@given(speeds, st.floats(0.0, 3.0), ramps)
@settings(max_examples=60, deadline=None)
def test_stop_is_the_integral_of_the_speed_and_never_beyond_the_most(speed, stopping, braking) -> None:
    found = motion.stop(speed, stopping_time=stopping, deceleration=braking)
    assert 0.0 <= found.overrun_m <= found.most_overrun_m + 1e-12
    assert found.most_overrun_m == pytest.approx(speed * stopping)
    if speed / braking <= stopping:
        t = np.linspace(0.0, stopping, 20001)
        v = np.clip(np.minimum(speed, braking * (stopping - t)), 0.0, None)
        # The corner may fall between two samples: one step squared times the ramp.
        assert found.overrun_m == pytest.approx(np.trapezoid(v, t), abs=braking * (stopping / 20000) ** 2 + 1e-9)


PHASE = Phase(speed_m_per_s=0.5)
KINDS = [
    VerticalLift(opening=PHASE, closing=PHASE),
    Sliding(opening=PHASE, closing=PHASE, leaves=2),
    Sliding(opening=PHASE, closing=PHASE, panels=3, panel_pitch_m=0.06),
    Swing(opening=PHASE, closing=PHASE, angle_deg=120.0),
    Swing(opening=PHASE, closing=PHASE, leaves=2),
    Folding(opening=PHASE, closing=PHASE),
    Folding(opening=PHASE, closing=PHASE, panels=4, angle_deg=75.0),
]

LAPPING, ALONG = Leaf(thickness_m=0.04, overlap_m=0.1), Wall(near_face_y_m=0.03, far_face_y_m=0.3)


@pytest.mark.parametrize("kind", KINDS)
@given(width=st.floats(0.1, 1.6), height=st.floats(0.5, 2.4), wider=st.floats(0.0, 0.3))
@settings(max_examples=25, deadline=None)
def test_larger_travellers_wait_longer_and_fit_at_their_time(kind, width, height, wider) -> None:
    door = Door(opening=Opening(width_m=2.0, height_m=2.5), motion=kind, leaf=LAPPING, wall=ALONG)
    seconds = motion.time_to_clear(door, height, width)
    assert motion.time_to_clear(door, height, min(width + wider, 1.9)) >= seconds - 1e-12
    if np.isinf(seconds):
        assert motion.clear_width_m(door, 1.0) < width
        return
    state = motion.opening_profile(door).position(seconds) / motion.travel_m(door)
    assert motion.clear_width_m(door, state) >= width - 1e-9
    assert motion.clear_height_m(door, state) >= height - 1e-9


@pytest.mark.parametrize("kind", KINDS)
def test_leaf_at_half_way_is_what_the_clear_sizes_say(kind) -> None:
    """The clear width is the width between jambs that no leaf prism covers, seen along y."""
    thin = replace(LAPPING, thickness_m=0.002)
    door = Door(opening=Opening(width_m=2.0, height_m=2.5), motion=kind, leaf=thin, wall=ALONG)
    for state in (0.2, 0.5, 0.8):
        x = (np.arange(20000) + 0.5) / 10000.0 - 1.0
        free = np.ones_like(x, dtype=bool)
        for prism in motion.leaf_prisms(door, state):
            if prism.base_m < motion.clear_height_m(door, state) - 1e-9:
                free &= (x < prism.ring[:, 0].min()) | (x > prism.ring[:, 0].max())
        # Two panels side by side are reckoned with the whole thickness each: 2 mm per leaf, and the raster's 0.1 mm.
        assert free.mean() * 2.0 == pytest.approx(motion.clear_width_m(door, state), abs=0.0043)


@given(start=st.floats(0.0, 1.0), stopping=st.floats(0.05, 1.5))
@settings(max_examples=40, deadline=None)
def test_reversal_over_time_is_continuous_and_ends_open(start, stopping) -> None:
    lift = VerticalLift(opening=PHASE, closing=PHASE, stopping_time_s=stopping)
    found = motion.reversal(Door(opening=Opening(width_m=2.0, height_m=2.5), motion=lift), start)
    t = np.linspace(0.0, stopping + found.reopening.duration + 0.5, 4001)
    states = np.array([found.state(float(s)) for s in t])
    assert states[0] == pytest.approx(start)
    assert states[-1] == pytest.approx(1.0)
    # No step is longer than the fastest leaf goes in it.
    assert np.abs(np.diff(states)).max() * 2.5 <= 0.5 * (t[1] - t[0]) + 1e-9
    assert states.min() >= found.least_state - 1e-12
    standing = found.state(stopping)
    assert standing == pytest.approx(max(start - found.stop.overrun_m / 2.5, 0.0))
    assert states.min() == pytest.approx(standing, abs=1e-3)  # the samples may miss the turn by one step

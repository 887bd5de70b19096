"""Places of the leaf and parts of the door; degenerate moves."""

from itertools import product
from math import inf, radians, sin

import msgspec
import numpy as np
import pytest

from sillcast import motion
from sillcast.contract import (
    Door,
    Folding,
    Guides,
    Header,
    Leaf,
    Opening,
    Phase,
    Sliding,
    Swing,
    VerticalLift,
    Wall,
)
from sillcast.errors import GeometryError
from sillcast.kernel import Floors, Surroundings
from sillcast.kernel.sight import in_sight

PHASE = Phase(speed_m_per_s=0.5)
OPENING = Opening(width_m=2.0, height_m=3.0)


def door(kind, **more) -> Door:
    return Door(opening=OPENING, motion=kind, **more)


LIFT = door(VerticalLift(opening=PHASE, closing=PHASE))


def extent(prisms, axis):
    return (
        min(float(p.ring[:, axis].min()) for p in prisms),
        max(float(p.ring[:, axis].max()) for p in prisms),
    )


def test_walls_and_lintel() -> None:
    found = {p.name: p for p in motion.door_prisms(door(LIFT.motion, wall=Wall(near_face_y_m=-0.1, far_face_y_m=0.2)))}
    assert list(found) == ["left wall", "right wall", "lintel"]
    assert extent([found["left wall"]], 0) == (-31.0, -1.0)
    assert extent([found["right wall"]], 1) == (-0.1, 0.2)
    assert (found["lintel"].base_m, found["lintel"].top_m) == (3.0, 20.0)


def test_guides_and_header_only_where_described() -> None:
    parts = door(
        LIFT.motion,
        guides=Guides(width_m=0.1, from_y_m=-0.2, to_y_m=-0.1),
        header=Header(height_m=0.5, from_y_m=-0.6, to_y_m=-0.1, beyond_jamb_m=0.3),
    )
    found = {p.name: p for p in motion.door_prisms(parts)}
    assert extent([found["left guide"]], 0) == pytest.approx((-1.1, -1.0))
    assert extent([found["header"]], 0) == pytest.approx((-1.3, 1.3))
    assert (found["header"].base_m, found["header"].top_m) == (3.0, 3.5)
    assert {found[n].part for n in ("left guide", "right guide", "header")} == {"guide", "header"}


@pytest.mark.parametrize("state", [0.0, 0.25, 0.9])
def test_lifting_leaf_hangs_from_the_lintel(state) -> None:
    (leaf,) = motion.leaf_prisms(LIFT, state)
    assert (leaf.base_m, leaf.top_m) == pytest.approx((3.0 * state, 3.0))
    assert leaf.part == "leaf"


def test_coiled_leaf_is_gone_when_open() -> None:
    assert motion.leaf_prisms(LIFT, 1.0) == ()


def test_overhead_leaf_keeps_its_length() -> None:
    high = door(LIFT.motion, leaf=Leaf(stows="overhead", lift_m=0.3, stows_to="near"))
    for state in (0.0, 0.05, 0.5, 1.0):
        prisms = {p.name: p for p in motion.leaf_prisms(high, state)}
        upright = prisms["leaf"].top_m - prisms["leaf"].base_m
        level = -extent([prisms["level leaf"]], 1)[0] if "level leaf" in prisms else 0.0
        assert upright + level == pytest.approx(3.0)
    assert prisms["leaf"].base_m == pytest.approx(3.0)
    # Level at 3.3 m, half of its thickness of 0.04 m to either side.
    assert (prisms["level leaf"].base_m, prisms["level leaf"].top_m) == pytest.approx((3.28, 3.32))


def test_leaf_that_goes_straight_up() -> None:
    (leaf,) = motion.leaf_prisms(door(LIFT.motion, leaf=Leaf(stows="vertical")), 0.5)
    assert (leaf.base_m, leaf.top_m) == (1.5, 4.5)


def test_see_through_leaf_is_doubtful() -> None:
    assert all(p.clear for p in motion.leaf_prisms(door(LIFT.motion, leaf=Leaf(see_through=True)), 0.0))
    assert not any(p.clear for p in motion.leaf_prisms(LIFT, 0.0))


@pytest.mark.parametrize(("to", "xs"), [("right", (0.0, 2.0)), ("left", (-2.0, 0.0))])
def test_half_open_sliding_leaf(to, xs) -> None:
    prisms = motion.leaf_prisms(door(Sliding(opening=PHASE, closing=PHASE, opens_to=to)), 0.5)
    assert extent(prisms, 0) == pytest.approx(xs)


def test_two_sliding_leaves_part_in_the_middle() -> None:
    sliding = door(Sliding(opening=PHASE, closing=PHASE, leaves=2))
    left, right = motion.leaf_prisms(sliding, 0.25)
    assert extent([left], 0) == pytest.approx((-1.25, -0.25))
    assert extent([right], 0) == pytest.approx((0.25, 1.25))
    assert motion.clear_width_m(sliding, 0.25) == pytest.approx(0.5)


def test_telescopic_panels_close_the_opening_and_stack_beside_it() -> None:
    sliding = door(Sliding(opening=PHASE, closing=PHASE, panels=2))
    assert extent(motion.leaf_prisms(sliding, 0.0), 0) == pytest.approx((-1.0, 1.0))
    assert extent(motion.leaf_prisms(sliding, 1.0), 0) == pytest.approx((1.0, 2.0))
    lead, rear = motion.leaf_prisms(sliding, 0.5)
    # Half way: the leading edge at 0, the rear panel from 0 by half its way.
    assert extent([lead], 0) == pytest.approx((0.0, 1.0))
    assert extent([rear], 0) == pytest.approx((0.5, 1.5))


def test_rear_panel_alone_reaches_beyond_the_jamb() -> None:
    sliding = door(Sliding(opening=PHASE, closing=PHASE, panels=2), leaf=Leaf(overlap_m=0.1))
    lead, rear = motion.leaf_prisms(sliding, 0.0)
    assert extent([lead], 0) == pytest.approx((-1.0, 0.0))
    assert extent([rear], 0) == pytest.approx((0.0, 1.1))
    assert motion.travel_m(sliding) == 2.0


ALONG_WALL = Wall(near_face_y_m=0.03, far_face_y_m=0.3)


@pytest.mark.parametrize(("to", "sign"), [("right", 1.0), ("left", -1.0)])
@pytest.mark.parametrize("panels", [1, 3])
def test_single_leaf_along_a_wall_face_reaches_beyond_both_jambs(to, sign, panels) -> None:
    """Its leading edge does the width of 2 m and 0.1 m more, the first 0.1 m of which opens nothing."""
    kind = Sliding(opening=PHASE, closing=PHASE, opens_to=to, panels=panels)
    sliding = door(kind, leaf=Leaf(overlap_m=0.1), wall=ALONG_WALL)
    assert motion.travel_m(sliding) == pytest.approx(2.1)
    assert extent(motion.leaf_prisms(sliding, 0.0), 0) == pytest.approx((-1.1, 1.1))
    stowed = 1.0, 1.0 + 2.0 / panels + (0.2 if panels == 1 else 0.1)
    assert extent(motion.leaf_prisms(sliding, 1.0), 0) == pytest.approx(sorted(sign * x for x in stowed))
    assert motion.clear_width_m(sliding, 0.1 / 2.1) == pytest.approx(0.0)
    assert motion.clear_width_m(sliding, 0.1 / 4.2) == 0.0
    for state in (0.1, 0.5, 1.0):
        edges = extent(motion.leaf_prisms(sliding, state), 0)
        clear = edges[0] + 1.0 if to == "right" else 1.0 - edges[1]
        assert motion.clear_width_m(sliding, state) == pytest.approx(clear)
        assert motion.required_state(sliding, 2.0, clear) == pytest.approx(state)


def test_leading_edges_that_meet_something_have_no_overlap() -> None:
    """Two sliding leaves meet each other, also along a wall face; swing leaves hang between the jambs."""
    leaf = Leaf(overlap_m=0.1)
    two = door(Sliding(opening=PHASE, closing=PHASE, leaves=2), leaf=leaf, wall=ALONG_WALL)
    left, right = motion.leaf_prisms(two, 0.0)
    assert extent([left], 0) == pytest.approx((-1.1, 0.0))
    assert extent([right], 0) == pytest.approx((0.0, 1.1))
    assert motion.travel_m(two) == 1.0
    assert extent(motion.leaf_prisms(door(LIFT.motion, leaf=leaf), 0.0), 0) == pytest.approx((-1.1, 1.1))
    swing = door(Swing(opening=PHASE, closing=PHASE), leaf=leaf, wall=ALONG_WALL)
    assert extent(motion.leaf_prisms(swing, 0.0), 0) == pytest.approx((-1.0, 1.0))


def telescopic(pitch, **more):
    return door(
        Sliding(opening=PHASE, closing=PHASE, panels=3, panel_pitch_m=pitch, **more), leaf=Leaf(thickness_m=0.04)
    )


def panels_of(it, state):
    return [p for p in motion.leaf_prisms(it, state) if not p.name.endswith("seal")]


@pytest.mark.parametrize("state", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("pitch", [0.06, -0.06])
def test_telescopic_panels_stand_a_pitch_apart(pitch, state) -> None:
    """Across the door the middles are 0, 1 and 2 pitches off; along it they are where those without a pitch are."""
    staggered, level = panels_of(telescopic(pitch), state), panels_of(telescopic(0.0), state)
    assert [p.name for p in staggered] == ["right leaf 1", "right leaf 2", "right leaf 3"]
    for k, (panel, other) in enumerate(zip(staggered, level, strict=True)):
        assert extent([panel], 1) == pytest.approx((k * pitch - 0.02, k * pitch + 0.02))
        assert extent([panel], 0) == pytest.approx(extent([other], 0))


def test_faces_of_the_leaf_are_those_of_all_its_panels() -> None:
    for pitch, near, far in ((0.0, 0.02, 0.02), (0.06, 0.02, 0.14), (-0.06, 0.14, 0.02)):
        it = telescopic(pitch)
        assert [motion.leaf_face_m(it, side) for side in ("near", "far")] == pytest.approx([near, far])
        assert extent(motion.leaf_prisms(it, 0.0), 1) == pytest.approx((-near, far))
    assert motion.leaf_face_m(LIFT, "near") == LIFT.leaf.thickness_m / 2.0


@pytest.mark.parametrize("leaves", [1, 2])
@pytest.mark.parametrize("pitch", [0.04, 0.06, -0.3])
def test_nothing_looks_past_the_joints_of_closed_panels(pitch, leaves) -> None:
    around = Surroundings(Floors(), motion.leaf_prisms(telescopic(pitch, leaves=leaves), 0.0))
    for joint in (-2 / 3, -1 / 3, 1 / 3, 2 / 3):
        for y, lean in product(np.linspace(-0.6, 0.6, 121) + 0.0013, (-2.0, -0.5, 0.5, 2.0)):
            before, behind = (np.array([joint + lean * (end - y), end, 1.0]) for end in (-1.0, 1.0))
            inside = all(abs(joint + lean * (end - y)) < 0.99 for end in (-0.62, 0.62))
            assert not inside or not in_sight(before, behind, around)


@pytest.mark.parametrize(
    ("kind", "depth"),
    [
        (Swing(opening=PHASE, closing=PHASE, angle_deg=60.0), 2.0 * sin(radians(60.0))),
        (Swing(opening=PHASE, closing=PHASE, angle_deg=120.0), 2.0),
        (Folding(opening=PHASE, closing=PHASE, angle_deg=45.0), 1.0 * sin(radians(45.0))),
        (Folding(opening=PHASE, closing=PHASE, panels=4), 0.5),
        (Sliding(opening=PHASE, closing=PHASE), 0.0),
    ],
)
def test_turning_leaf_comes_out_as_far_as_its_panel_reaches(kind, depth) -> None:
    assert motion.sweep_depth_m(door(kind), "far") == pytest.approx(depth)
    assert motion.sweep_depth_m(door(kind), "near") == 0.0
    reached = [y for state in np.linspace(0.0, 1.0, 501) for p in motion.leaf_panels(door(kind), state) for y in
               (p.hinge[1], p.edge[1])]  # fmt: skip
    assert max(reached, default=0.0) == pytest.approx(depth, abs=1e-4)


def test_folded_pair_stands_in_the_opening_with_the_thickness_of_both_panels_on_one_side() -> None:
    assert motion.clear_width_m(door(Folding(opening=PHASE, closing=PHASE)), 1.0) == pytest.approx(2.0 - 0.04)


@pytest.mark.parametrize(("hinge", "towards"), [("left", "far"), ("right", "far"), ("left", "near"), ("right", "near")])
def test_swing_leaf_ends_at_its_jamb(hinge, towards) -> None:
    swing = door(Swing(opening=PHASE, closing=PHASE, hinge=hinge, opens_towards=towards))
    (panel,) = motion.leaf_panels(swing, 1.0)
    x, y = -1.0 if hinge == "left" else 1.0, 2.0 if towards == "far" else -2.0
    assert panel.hinge == (x, 0.0)
    assert panel.edge == pytest.approx((x, y), abs=1e-12)
    (slab,) = motion.leaf_prisms(swing, 1.0)
    assert extent([slab], 0) == pytest.approx((x - 0.02, x + 0.02))
    area = 0.5 * sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(slab.ring, np.roll(slab.ring, -1, axis=0), strict=True))
    assert area == pytest.approx(2.0 * 0.04)  # positive: counter-clockwise


def test_folding_panels_meet() -> None:
    folding = door(Folding(opening=PHASE, closing=PHASE))
    for state in (0.0, 0.3, 1.0):
        first, second = motion.leaf_panels(folding, state)
        assert first.edge == second.hinge
        assert second.edge[1] == 0.0
        assert np.hypot(*np.subtract(first.edge, first.hinge)) == pytest.approx(1.0)
        assert np.hypot(*np.subtract(second.edge, second.hinge)) == pytest.approx(1.0)
        # The state is the share of the leading edge's way.
        assert second.edge[0] == pytest.approx(1.0 - 2.0 * state)


@pytest.mark.parametrize(
    "kind",
    [
        Swing(opening=PHASE, closing=PHASE),
        Swing(opening=PHASE, closing=PHASE, leaves=2, angle_deg=110.0),
        Folding(opening=PHASE, closing=PHASE),
        Folding(opening=PHASE, closing=PHASE, panels=4, angle_deg=80.0),
        Sliding(opening=PHASE, closing=PHASE),
    ],
)
def test_required_state_is_where_the_width_is_just_clear(kind) -> None:
    one = door(kind)
    for width in (0.2, 0.9, 1.5):
        state = motion.required_state(one, 2.0, width)
        assert state is not None
        assert motion.clear_width_m(one, state) == pytest.approx(width, abs=1e-9)
        assert motion.clear_width_m(one, state - 1e-3) < width


def test_width_between_square_and_past_90_deg_waits_for_the_turn() -> None:
    swing = door(Swing(opening=PHASE, closing=PHASE, angle_deg=120.0), leaf=Leaf(thickness_m=0.1))
    assert motion.clear_width_m(swing, 90.0 / 120.0) == pytest.approx(1.95)
    state = motion.required_state(swing, 2.0, 1.955)
    assert state is not None
    assert state > 90.0 / 120.0
    assert motion.clear_width_m(swing, state) == pytest.approx(1.955)


def test_too_large_never_clears() -> None:
    assert motion.time_to_clear(LIFT, 3.1, 1.0) == inf
    assert motion.time_to_clear(LIFT, 2.0, 2.1) == inf
    assert motion.time_to_clear(LIFT, 3.0, 2.0) == pytest.approx(motion.opening_profile(LIFT).duration)


def test_partial_opening_shortens_the_move_and_limits_the_clearance() -> None:
    half = door(msgspec.structs.replace(LIFT.motion, partial_opening=0.5))
    assert motion.opening_profile(half).distance == pytest.approx(1.5)
    assert motion.closing_profile(half).distance == pytest.approx(1.5)
    assert motion.time_to_clear(half, 1.6, 1.0) == inf


def test_time_instead_of_speed() -> None:
    timed = door(VerticalLift(opening=Phase(time_s=4.0), closing=PHASE))
    assert motion.opening_profile(timed).duration == pytest.approx(4.0)
    assert not motion.opening_profile(timed).sharpened


def test_time_too_short_for_the_ramps_sharpens_them() -> None:
    timed = door(VerticalLift(opening=Phase(time_s=1.0), closing=PHASE))
    profile = motion.opening_profile(timed)
    assert (profile.duration, profile.distance) == pytest.approx((1.0, 3.0))
    assert profile.sharpened


def test_end_of_the_move_is_the_end() -> None:
    move = motion.trapezoid(1.0, speed=1.0, acceleration=1.0, deceleration=1.0)
    assert (move.position(-1.0), move.position(99.0)) == (0.0, 1.0)
    assert (move.speed(0.0), move.speed(99.0)) == (0.0, 0.0)
    assert (move.time_at(0.0), move.time_at(1.0)) == (0.0, move.duration)
    with pytest.raises(GeometryError):
        move.time_at(1.01)


def test_creep_over_the_whole_way_is_slow_from_the_start() -> None:
    move = motion.trapezoid(1.0, speed=1.0, acceleration=1.0, deceleration=1.0, creep=(2.0, 0.2))
    assert move.peak_speed == pytest.approx(0.2)


def test_creep_is_no_faster_than_the_leaf_can_stop() -> None:
    # The last 0.02 m from 0.2 m/s by 1 m/s2.
    move = motion.trapezoid(1.0, speed=1.0, acceleration=1.0, deceleration=1.0, creep=(0.02, 0.5))
    assert move.speed(move.time_at(0.98)) == pytest.approx(0.2)
    assert move.distance == pytest.approx(1.0)


def test_creep_that_cannot_be_reached_in_time_is_the_speed_of_the_whole_way() -> None:
    # 0.1 m at 1 m/s2 leads to 0.45 m/s, less than the creep of 0.9 m/s: a plain trapezoid of it, T = D/v + v/a.
    move = motion.trapezoid(1.0, speed=2.0, acceleration=1.0, deceleration=1.0, creep=(0.9, 0.9))
    assert (move.peak_speed, move.distance) == pytest.approx((0.9, 1.0))
    assert move.duration == pytest.approx(1.0 / 0.9 + 0.9)


def test_leaf_with_a_time_reopens_at_the_speed_of_that_time() -> None:
    timed = door(VerticalLift(opening=Phase(time_s=8.0), closing=PHASE))
    speed = motion.opening_profile(timed).peak_speed
    assert speed < 0.5
    assert motion.reversal(timed, 0.5).reopening.peak_speed == pytest.approx(speed)


def test_reversal_reckons_with_the_most_overrun() -> None:
    found = motion.reversal(LIFT, 0.5)
    # 0.5 m/s, 0.3 s: 0.15 m at most; by a ramp of 1 m/s2 that fills the time 0.075 m.
    assert (found.stop.most_overrun_m, found.stop.overrun_m) == pytest.approx((0.15, 0.075))
    assert found.least_state == pytest.approx(0.5 - 0.05)
    # 0.3 s, then 1.65 m at 0.5 m/s: 3.3 + 0.5 s.
    assert found.reopened_s == pytest.approx(0.3 + 3.8)


MOVES = [
    Phase(speed_m_per_s=0.2), Phase(time_s=2.0), Phase(time_s=14.0, creep_distance_m=0.3, creep_speed_m_per_s=0.1),
    Phase(speed_m_per_s=2.0, creep_distance_m=0.3, creep_speed_m_per_s=0.1),
]  # fmt: skip


@pytest.mark.parametrize("move", MOVES)
@pytest.mark.parametrize("stopping", [0.0, 0.3, 2.0, 10.0])
def test_leaf_runs_shut_from_the_highest_state_at_which_it_does(move, stopping) -> None:
    """Against a walk down the closing move; also where it creeps, and then no longer runs shut from lower states."""
    lift = door(VerticalLift(opening=PHASE, closing=move, stopping_time_s=stopping))
    walked = (k / 2000 for k in range(2000, -1, -1))
    first = next(state for state in walked if motion.reversal(lift, state).least_state == 0.0)
    assert first - 1e-12 <= motion.runs_shut_from(lift) <= first + 1 / 2000


@pytest.mark.parametrize("move", MOVES)
def test_reopening_from_shut_is_the_opening_move(move) -> None:
    lift = door(VerticalLift(opening=move, closing=PHASE, stopping_time_s=0.3))
    assert motion.reversal(lift, 0.0).reopened_s == pytest.approx(0.3 + motion.opening_profile(lift).duration)


def test_swing_travel_is_an_arc() -> None:
    swing = door(Swing(opening=PHASE, closing=PHASE, angle_deg=110.0))
    assert motion.travel_m(swing) == pytest.approx(2.0 * radians(110.0))


def test_faults_name_what_would_be_right() -> None:
    broken = door(
        VerticalLift(opening=Phase(), closing=PHASE),
        guides=Guides(width_m=0.1, from_y_m=0.2, to_y_m=0.1),
    )
    assert [(f.pointer, f.code) for f in motion.faults(broken)] == [
        ("/door/motion/opening", "speed_or_time"),
        ("/door/guides/to_y_m", "faces_swapped"),
    ]
    assert motion.faults(LIFT) == []


@pytest.mark.parametrize(
    ("pitch", "panels", "found"),
    [(0.03, 2, True), (-0.039, 4, True), (0.0, 2, False), (0.04, 2, False), (0.03, 1, False)],
)
def test_panels_pass_each_other_no_nearer_than_they_are_thick(pitch, panels, found) -> None:
    kind = Sliding(opening=PHASE, closing=PHASE, panels=panels, panel_pitch_m=pitch)
    told = [(f.pointer, f.code) for f in motion.faults(door(kind, leaf=Leaf(thickness_m=0.04)))]
    assert told == ([("/door/motion/panel_pitch_m", "panels_meet")] if found else [])

"""Lobes: pattern, sections, motion, shadows; against point-by-point tests that share no code with the sections."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillcast.errors import GeometryError
from sillcast.kernel import FloorPlane, Floors, Pose, Prism, Surroundings, TestBody
from sillcast.kernel.lobe import Lobe, body_echo_m2, lobe_region, lobe_section
from sillcast.kernel.sight import in_sight, seen_from

OPEN = Surroundings(Floors(), ())
BODY = TestBody("body", 0.3, 0.2, 0.7)
SLABS = (BODY.height_m / 6, BODY.height_m / 2, BODY.height_m * 5 / 6)  # as the docstring says


def lobe(*, side="far", x=0.3, y=0.2, z=2.6, tilt=35.0, yaw=0.0, **how):
    pose = Pose.of(side=side, x_m=x, y_m=y, z_m=z, tilt_deg=tilt, yaw_deg=yaw)
    return Lobe.looking(pose, **{"range_m": 6.0, "width_deg": 70.0, "depth_deg": 36.0, "echo_m2": 0.5} | how)


def places(n, seed, reach=7.0):
    return np.random.default_rng(seed).uniform([-reach, -reach], [reach, reach], (n, 2))


def sees(prisms, head, point):
    """Sight by 400 points of the line: inside a box only where the line really passes it by more than 2 cm."""
    line = head + np.linspace(0.001, 0.999, 400)[:, None] * (point - head)
    for p in prisms:
        (x0, y0), (x1, y1) = p.ring.min(axis=0), p.ring.max(axis=0)
        low, high = np.array([x0, y0, p.base_m]), np.array([x1, y1, p.top_m])
        if ((line > low) & (line < high)).all(axis=1).any():
            return False
    return True


def power_db(one, point, echo):
    """Echo over what is needed, written out of the range law and the cosine-power pattern of a round lobe."""
    w = point - one.origin
    r = np.linalg.norm(w)
    angle = np.arccos(np.clip(w @ one.matrix[:, 2] / r, -1, 1))
    n = np.log(0.5) / np.log(np.cos(np.deg2rad(one.width_deg / 2)))
    gain = np.cos(angle) ** n if angle < np.pi / 2 else 0.0
    with np.errstate(divide="ignore"):
        level = 10 * np.log10(gain**2 * echo / one.echo_m2 * (one.range_m / r) ** 4)
    return level - 2 * one.absorption_db_per_m * (r - one.range_m)


@pytest.mark.parametrize("absorption", [0.0, 1.3])
def test_round_lobe_is_the_cosine_power_pattern_with_the_range_law(absorption):
    one = lobe(
        width_deg=50.0, depth_deg=50.0, edge_width_deg=170.0, edge_depth_deg=170.0, absorption_db_per_m=absorption
    )
    points = np.random.default_rng(1).uniform([-4, -3, 0], [4, 6, 3], (300, 3))
    got = one.excess_db(points, 0.2)
    counts = np.isfinite(got)
    assert counts.sum() > 100
    want = np.array([power_db(one, p, 0.2) for p in points])
    np.testing.assert_allclose(got[counts], want[counts], atol=1e-9)  # rounding


@given(width=st.floats(10, 120), depth=st.floats(10, 120))
def test_gain_is_half_at_the_half_power_angles(width, depth):
    one = lobe(tilt=0.0, width_deg=width, depth_deg=depth, edge_width_deg=150.0, edge_depth_deg=150.0)
    for half, axis in ((width / 2, one.matrix[:, 0]), (depth / 2, one.matrix[:, 1])):
        a = np.deg2rad(half)
        ways = np.array([one.matrix[:, 2], np.cos(a) * one.matrix[:, 2] + np.sin(a) * axis])
        on_axis, aside = one.range_towards(ways)
        assert on_axis == pytest.approx(6.0, rel=1e-9)
        assert aside / on_axis == pytest.approx(0.5**0.5, rel=1e-6)  # R^4 ~ g^2: half the gain is 0.707 of the range


def test_range_falls_with_the_fourth_root_of_the_echo():
    one = lobe()
    ways = one.matrix[:, 2][None]
    assert one.range_towards(ways, 0.5 / 16)[0] == pytest.approx(3.0, rel=1e-9)


def test_absorption_shortens_what_lies_beyond_and_lengthens_nothing_before_the_reference():
    plain, damped = lobe(), lobe(absorption_db_per_m=2.0)
    axis = plain.matrix[:, 2][None]
    assert damped.range_towards(axis)[0] == pytest.approx(plain.range_towards(axis)[0], rel=1e-9)
    assert damped.range_towards(axis, 0.5 * 16)[0] < plain.range_towards(axis, 0.5 * 16)[0]


@pytest.mark.parametrize("presence", [True, False])
@pytest.mark.parametrize("sense", ["towards", "away", "both"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_place_inside_is_unseen_and_few_outside_are_seen(presence, sense, seed):
    """Point-by-point: enough echo of slabs in sight that close in fast enough; shadows of two boxes."""
    rng = np.random.default_rng(seed)
    prisms = (Prism.box("low", -0.5, -0.1, 1.2, 1.5, 0.0, 0.9), Prism.box("shelf", 0.4, 1.6, 1.4, 1.7, 0.8, 1.6))
    one = lobe(
        tilt=rng.uniform(10, 60), yaw=rng.uniform(-30, 30), presence=presence, sense=sense,
        least_radial_speed_m_per_s=0.3, absorption_db_per_m=rng.choice([0.0, 1.0]),
    )  # fmt: skip
    velocity = rng.uniform([-0.5, 0.6], [0.5, 1.2]) * (1 if sense == "away" else -1)
    region = lobe_region(one, Surroundings(Floors(), prisms), BODY, velocity_m_per_s=tuple(velocity), echo_m2=0.4)
    if not presence and sense != "both":
        other = lobe_region(one, Surroundings(Floors(), prisms), BODY, velocity_m_per_s=tuple(-velocity), echo_m2=0.4)
        assert (region - other).area > 0.2 * region.area
    inside = missed = 0
    for x, y in places(2500, seed, reach=4.0):
        sums = {-1.0: 0.0, 1.0: 0.0}
        for h in SLABS:
            point = np.array([x, y, h])
            w = point - one.origin
            radial = w[:2] @ velocity / np.linalg.norm(w)
            if not sees(prisms, one.origin, point):
                continue
            strong = 10 ** (one.excess_db(point, 0.4) / 10) / 3
            for way in sums:
                wanted = {"towards": (-1.0,), "away": (1.0,), "both": (-1.0, 1.0)}[sense]
                if presence or (way in wanted and way * radial >= 0.3 - 1e-9):
                    sums[way] += strong
        detected = max(sums.values()) >= 1 - 1e-6
        if region.holds(x, y):
            inside += 1
            assert detected, (x, y)
        elif max(sums.values()) >= 1.25:
            missed += 1
    assert inside > 15
    # what is left out: 0.07 % of each section, and sums of unequal slabs, which the runs of equal shares take too low
    assert missed <= 0.15 * max(inside, 20)


@pytest.mark.parametrize("lobe_yaw", [0.0, 25.0])
def test_without_obstacles_every_position_with_full_echo_on_all_slabs_is_inside(lobe_yaw):
    one = lobe(presence=True, yaw=lobe_yaw)
    region = lobe_region(one, OPEN, BODY, echo_m2=0.5)
    for x, y in places(3000, 5, reach=5.0):
        slabs = [one.excess_db(np.array([x, y, h]), 0.5) for h in SLABS]
        if min(slabs) > 0.1:  # dB: a corner of the section may be cut off by its chord
            assert region.holds(x, y)


def test_body_crossing_the_line_of_sight_is_not_seen_by_its_motion():
    """Straight ahead of the sensor a course along the door has no radial speed."""
    one = lobe(x=0.0, least_radial_speed_m_per_s=0.1, sense="both")
    along = lobe_region(one, OPEN, BODY, velocity_m_per_s=(1.0, 0.0))
    towards = lobe_region(one, OPEN, BODY, velocity_m_per_s=(0.0, -1.0))
    assert not along.holds(0.0, 1.8)
    assert towards.holds(0.0, 1.8)
    assert along.area < towards.area


def test_standing_body_is_seen_by_presence_alone():
    assert lobe_region(lobe(), OPEN, BODY).is_empty
    assert lobe_region(lobe(), OPEN, BODY, velocity_m_per_s=(0.0, 0.0)).is_empty
    assert not lobe_region(lobe(presence=True), OPEN, BODY).is_empty


def test_too_slow_a_body_is_not_seen():
    one = lobe(least_radial_speed_m_per_s=0.2)
    assert lobe_region(one, OPEN, BODY, velocity_m_per_s=(0.0, -0.19)).is_empty
    assert not lobe_region(one, OPEN, BODY, velocity_m_per_s=(0.0, -1.0)).is_empty


def test_sense_towards_is_the_mirror_of_away():
    towards = lobe_region(lobe(sense="towards"), OPEN, BODY, velocity_m_per_s=(0.4, -1.0))
    away = lobe_region(lobe(sense="away"), OPEN, BODY, velocity_m_per_s=(-0.4, 1.0))
    assert (towards - away).area + (away - towards).area < 1e-6


def test_mirror_left_right():
    right = lobe_region(lobe(x=0.5, yaw=20.0, presence=True), OPEN, BODY)
    left = lobe_region(lobe(x=-0.5, yaw=-20.0, presence=True), OPEN, BODY)
    assert right.area == pytest.approx(left.area, rel=2e-3)  # the tries are not mirrored, so corners differ
    assert right.bounds[1] == pytest.approx(left.bounds[1], abs=2e-3)
    assert -left.bounds[0] == pytest.approx(right.bounds[2], abs=2e-3)


@given(factor=st.floats(1.05, 2.0), tilt=st.floats(0, 60))
def test_more_range_never_covers_less(factor, tilt):
    one = lobe(tilt=tilt, presence=True, range_m=4.0)
    short, long = (lobe_region(each, OPEN, BODY) for each in (one, one.with_range(4.0 * factor)))
    assert (short - long).area <= 2e-3 * short.area  # both are inscribed, by 0.07 % each


def test_dead_zone_and_far_gate():
    one = lobe(tilt=0.0, presence=True, nearest_m=2.2, farthest_m=2.5, z=2.6, y=2.0)
    region = lobe_region(one, OPEN, BODY, echo_m2=5.0)
    for x, y in places(2000, 3, reach=3.0):
        if region.holds(x, y):
            lengths = [np.linalg.norm(np.array([x, y, h]) - one.origin) for h in SLABS]
            assert any(2.2 - 1e-9 <= r <= 2.5 + 1e-9 for r in lengths)
    assert not region.holds(0.3, 2.0)  # below the head the body reaches up into the dead zone
    assert region.area > 0.1


def test_head_on_a_wall_face_sees_the_room_and_nothing_behind_the_wall():
    wall = Prism.box("wall", -5, 5, -0.15, 0.15, -1, 6)
    one = lobe(y=0.15, presence=True, tilt=10.0)
    region = lobe_region(one, Surroundings(Floors(), (wall,)), BODY)
    assert region.area > 0.5
    assert region.bounds[1] == pytest.approx(0.15, abs=1e-3)  # right up to the face, and not behind it
    free = lobe_region(one, OPEN, BODY)
    assert free.bounds[1] < -0.1


def test_obstacle_that_is_not_convex_casts_the_shadow_of_its_real_shape():
    ring = np.array([[0, 1.0], [2, 1.0], [2, 1.2], [0.2, 1.2], [0.2, 2.0], [0, 2.0]])
    around = Surroundings(Floors(), (Prism("angle", ring, 0.0, 0.6),))
    one = lobe(x=1.0, y=0.2, z=4.0, tilt=20.0, presence=True, width_deg=0.0, depth_deg=0.0, range_m=9.0)
    section = lobe_section(one, 0.0, around)
    assert section.holds(1.5, 1.8)  # in the corner of the angle, behind no wall: 4 m high, shadow 0.2 m long
    assert not section.holds(1.0, 1.25)
    assert not section.holds(0.1, 1.5)


def test_drop_behind_the_threshold_is_hidden_by_the_near_floor():
    """A dock: the far floor 1.2 m lower; seen from the near side its first strip lies in the shadow of the edge."""
    floors = Floors(FloorPlane(), FloorPlane(-1.2))
    one = lobe(side="near", x=0.0, y=-1.0, z=2.0, tilt=-60.0, presence=True, width_deg=0.0, depth_deg=0.0, range_m=20.0)
    section = lobe_section(one, 0.0, Surroundings(floors, ()))
    # from (y -1, z 2) over the edge (0, 0) the sight line meets z = -1.2 at y = 0.6
    assert not section.holds(0.0, 0.55)
    assert section.holds(0.0, 0.65)


def test_sloping_floor_agrees_with_points():
    floors = Floors(FloorPlane(0.0, 0.1), FloorPlane(0.0, 0.1))
    one = lobe(presence=True, y=0.2)
    region = lobe_region(one, Surroundings(floors, ()), BODY, echo_m2=0.5)
    inside = 0
    for x, y in places(1500, 9, reach=5.0):
        z = 0.1 * abs(y)
        sums = sum(10 ** (one.excess_db(np.array([x, y, z + h]), 0.5) / 10) / 3 for h in SLABS)
        if region.holds(x, y):
            inside += 1
            assert sums >= 1 - 1e-6
    assert inside > 30


def test_in_sight():
    around = Surroundings(Floors(), (Prism.box("box", -0.5, 0.5, 1.0, 1.4, 0.0, 2.0),))
    one = lobe(x=0.0, y=0.2, z=2.6)
    assert not in_sight(one.origin, np.array([0.0, 2.0, 0.5]), around)
    assert in_sight(one.origin, np.array([2.0, 2.0, 0.5]), around)
    assert in_sight(one.origin, np.array([0.0, 1.0, 1.0]), around)  # on the face that looks to the head


def test_echo_rules():
    assert body_echo_m2(TestBody("large", 1, 1, 1), "weight") == 0.495
    assert body_echo_m2(TestBody("ball", 0.2, 0.2, 0.2, "sphere"), "outline") == pytest.approx(np.pi * 0.01)
    tall = TestBody("tall", 0.2, 0.2, 1.0)
    round_one = TestBody("tall", 0.2, 0.2, 1.0, "cylinder")
    assert body_echo_m2(round_one, "weight") == pytest.approx(np.pi / 4 * body_echo_m2(tall, "weight"))


@pytest.mark.parametrize(
    "wrong",
    [{"range_m": 0.0}, {"range_m": np.inf}, {"width_deg": 0.0}, {"edge_width_deg": 180.0}, {"echo_m2": 0.0}],
)
def test_impossible_lobes_are_refused(wrong):
    lobe()
    with pytest.raises(GeometryError):
        lobe(**wrong)


def test_lobe_that_looks_up_has_no_section_on_the_floor():
    assert lobe_section(lobe(tilt=180.0, width_deg=0.0, depth_deg=0.0), 0.0, OPEN).is_empty


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_points_are_in_sight_together_as_one_by_one(seed):
    prisms = (Prism.box("low", -0.5, -0.1, 1.2, 1.5, 0.0, 0.9), Prism.box("shelf", 0.4, 1.6, 1.4, 1.7, 0.8, 1.6))
    around = Surroundings(Floors(), prisms)
    head = np.array([0.0, -0.2, 2.6])
    points = np.random.default_rng(seed).uniform([-2.0, 0.5, 0.0], [2.0, 4.0, 1.5], (200, 3))
    seen = seen_from(head, points, around)
    assert seen.tolist() == [in_sight(head, point, around) for point in points]
    clear = np.array([sees(prisms, head, point) for point in points])
    assert (seen != clear).sum() <= 2  # `sees` tries 400 points of each line
    assert 0 < seen.sum() < len(points)


def test_a_lobe_that_was_asked_before_answers_as_a_fresh_one():
    """What a lobe keeps (sections, shadows) must not leak from one surroundings, body or course into another."""
    box = Prism.box("low", -0.5, -0.1, 1.2, 1.5, 0.0, 0.9)
    worlds = [OPEN, Surroundings(Floors(), (box,)), Surroundings(Floors(FloorPlane(0.1), FloorPlane()), (box,))]
    small = TestBody("small", 0.2, 0.2, 0.4)
    asked = lobe(tilt=35.0, least_radial_speed_m_per_s=0.2)
    for _ in range(2):
        for around in worlds:
            for body, course in ((BODY, (0.0, 1.0)), (small, (0.0, 1.0)), (BODY, (0.6, -0.8))):
                fresh = lobe(tilt=35.0, least_radial_speed_m_per_s=0.2)
                known = lobe_region(asked, around, body, velocity_m_per_s=course)
                assert known.rings() == lobe_region(fresh, around, body, velocity_m_per_s=course).rings()
                assert not known.is_empty


@pytest.mark.parametrize("width_deg", [50.0, 70.0, 80.0, 90.0, 120.0])
def test_a_wider_beam_sees_no_less_of_a_plane(width_deg):
    """Few directions of a wide beam meet the plane near its middle, and those nearly in a line."""
    at = Pose.of(side="near", x_m=0.0, y_m=-0.8, z_m=3.3)

    def area(width):
        wide = Lobe.looking(
            at, range_m=8.0, width_deg=width, depth_deg=50.0, edge_width_deg=min(2.0 * width, 160.0), edge_depth_deg=100.0,
            farthest_m=3.2, presence=True,
        )  # fmt: skip
        return lobe_section(wide, 0.2, Surroundings(Floors(), ())).area

    assert area(width_deg) >= area(50.0) - 0.002

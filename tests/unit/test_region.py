"""Detection regions in cases that can be worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

from sillcast.errors import GeometryError
from sillcast.kernel import kept as kept_module
from sillcast.kernel.clip import free_lengths
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.kernel.emission import FloorArea, Rays
from sillcast.kernel.frame import FloorPlane, Floors, Pose
from sillcast.kernel.kept import Kept, digest
from sillcast.kernel.parts import rays_near
from sillcast.kernel.pieces import Segments, Upright, sure_pieces
from sillcast.kernel.region import _near, blocked_region, detection_region
from sillcast.kernel.solids import Prism, Surroundings, TestBody

UPRIGHT = TestBody("upright", 0.30, 0.20, 0.70)
POST = TestBody("post", 0.30, 0.30, 0.70, "cylinder")
BARE = Surroundings(Floors(), ())
EXACT = 1e-6  # rings are snapped to 1e-8 m


def curtain(*, tilt_deg=0.0, step_deg=0.5, range_m=10.0, **more):
    at = Pose.of(side="near", x_m=0.0, y_m=-0.2, z_m=2.7)
    return Rays.scan_planes(
        at=at, plane_tilts_deg=[tilt_deg], start_deg=-45, end_deg=45, step_deg=step_deg, range_m=range_m, **more
    )


def region(emission, around=BARE, body=UPRIGHT, **more):
    return detection_region(emission, free_lengths(emission, around), body, floors=around.floors, **more)


def test_upright_curtain_finds_the_body_as_deep_as_the_body():
    """An upright fan of half angle 45 deg, 2.7 m up, is met below 0.7 m: a triangle's foot, widened by the body."""
    found = region(curtain())
    assert found.bounds == pytest.approx((-2.7 - 0.15, -0.3, 2.7 + 0.15, -0.1), abs=EXACT)
    assert found.area == pytest.approx(5.7 * 0.2, abs=1e-5)


@pytest.mark.parametrize("least_hits", [2, 3, 4, 5])
def test_more_hits_draw_the_sides_in_by_ray_spacings(least_hits):
    """At floor height neighbours are about 47 mm apart at 45 deg; k hits need the k-th ray from the side."""
    found = region(curtain(least_hits=least_hits, hits_within="plane"))
    outermost = 2.7 * np.tan(np.deg2rad(45.0 - 0.5 * (least_hits - 1)))
    assert found.bounds[2] == pytest.approx(outermost + 0.15, abs=EXACT)
    assert found.bounds[3] - found.bounds[1] == pytest.approx(0.2, abs=EXACT)


def test_single_ray_is_the_sum_of_segment_and_footprint():
    ray = Rays(np.array([[0.0, -1.0, 2.0]]), np.array([[0.0, -0.6, -0.8]]), np.array([9.0]), np.array([0]))
    found = region(ray)
    # below 0.7 m the ray runs from y = -1 - 1.3 * 0.75 to y = -2.5
    assert found.bounds == pytest.approx((-0.15, -2.6, 0.15, -1.975 + 0.1), abs=EXACT)
    turned = region(ray, angle_deg=90.0)
    assert turned.bounds == pytest.approx((-0.10, -2.65, 0.10, -1.975 + 0.15), abs=EXACT)
    tilted = region(ray, angle_deg=30.0)
    half_x, half_y = 0.15 * np.cos(np.pi / 6) + 0.1 * 0.5, 0.15 * 0.5 + 0.1 * np.cos(np.pi / 6)
    assert tilted.bounds == pytest.approx((-half_x, -2.5 - half_y, half_x, -1.975 + half_y), abs=EXACT)


def test_cylinder_is_inscribed():
    ray = Rays(np.array([[0.0, -1.0, 2.0]]), np.array([[0.0, 0.0, -1.0]]), np.array([9.0]), np.array([0]))
    found = region(ray, body=POST)
    full = np.pi * 0.15**2
    assert 0.985 * full < found.area < full  # a regular 24-gon has 0.9886 of its circle


def test_sphere_on_a_level_ray_at_its_middle_and_above():
    ball = TestBody("ball", 0.40, 0.40, 0.40, "sphere")
    for height, radius in ((0.2, 0.2), (0.3, np.sqrt(0.2**2 - 0.1**2))):
        ray = Rays(np.array([[0.0, -1.0, height]]), np.array([[0.0, -1.0, 0.0]]), np.array([2.0]), np.array([0]))
        half_width = region(ray, body=ball).bounds[2]
        assert radius - 0.19 * 0.2 < half_width <= radius + EXACT


@pytest.mark.parametrize(("least_hits", "wanted"), [(1, True), (2, True), (3, False)])
def test_beams_add_up_over_the_head(least_hits, wanted):
    beams = Rays.beams(
        starts=[[-2, 0, 0.2], [-2, 0, 0.6], [-2, 0, 1.0]],
        ends=[[2, 0, 0.2], [2, 0, 0.6], [2, 0, 1.0]],
        least_hits=least_hits,
    )
    found = region(beams)
    assert found.is_empty is not wanted
    if wanted:
        assert found.bounds == pytest.approx((-2.15, -0.1, 2.15, 0.1), abs=EXACT)


def test_a_beam_that_is_blocked_for_good_detects_nothing():
    post = Prism.box("post", 0.5, 0.6, -0.05, 0.05, 0.0, 1.0)
    beam = Rays.beams(starts=[[-2, 0, 0.2]], ends=[[2, 0, 0.2]])
    assert region(beam, Surroundings(Floors(), (post,))).is_empty
    assert not region(beam).is_empty


def test_a_wide_beam_has_to_be_covered():
    """A beam of 50 mm, 0.69 m up, passes 15 mm over the top of a body of 0.70 m."""
    narrow, wide = (Rays.beams(starts=[[-2, 0, 0.69]], ends=[[2, 0, 0.69]], beam_width_m=w) for w in (0.01, 0.05))
    assert region(wide).is_empty
    assert region(narrow).bounds[3] == pytest.approx(0.1 - 0.005, abs=EXACT)


def test_floor_margin_and_filters_by_height():
    low = Rays.beams(starts=[[-2, 0, 0.04]], ends=[[2, 0, 0.04]])
    assert not region(low).is_empty
    assert region(low, least_above_m=0.05).is_empty
    assert region(curtain(floor_margin_m=0.71)).is_empty
    assert not region(curtain(floor_margin_m=0.69)).is_empty


def test_fields_keep_hit_points_inside():
    """Upright fan, field x in [0, 1]: a body left of 0 is met outside first unless it is beside the fan's foot."""
    field = np.array([[0.0, -1.0], [1.0, -1.0], [1.0, 1.0], [0.0, 1.0]])
    found = region(curtain(), fields=(field,))
    assert found.bounds[0] >= -0.15 - EXACT
    assert found.bounds[2] == pytest.approx(1.15, abs=0.05)
    assert region(curtain(), fields=(field + np.array([10.0, 0.0]),)).is_empty


def test_window_crops():
    found = region(curtain(), window=(-1.0, 1.0, -5.0, 5.0))
    assert found.bounds == pytest.approx((-1.0, -0.3, 1.0, -0.1), abs=EXACT)


def test_level_floor_below_the_threshold():
    """A dock 1.2 m lower: the same fan reaches 1.2 m further down."""
    floors = Floors(FloorPlane(-1.2, 0.0), FloorPlane(-1.2, 0.0))
    found = region(curtain(), Surroundings(floors, ()))
    assert found.bounds[2] == pytest.approx(3.9 + 0.15, abs=EXACT)


def test_rays_need_their_free_lengths():
    with pytest.raises(GeometryError, match="free lengths"):
        detection_region(curtain(), None, UPRIGHT)


def test_mat():
    mat = FloorArea.rectangle(1.0, 0.5, at=Pose.of(side="near", x_m=0.0, y_m=-1.0, z_m=0.0))
    found = detection_region(mat, None, UPRIGHT)
    assert found.bounds == pytest.approx((-0.65, -1.35, 0.65, -0.65), abs=EXACT)
    assert found.area == pytest.approx(1.3 * 0.7, abs=1e-6)


def test_mat_with_least_overlap_and_field():
    mat = FloorArea(np.array([[-0.5, -1.25], [0.5, -1.25], [0.5, -0.75], [-0.5, -0.75]]), 0.0, 0.08)
    assert detection_region(mat, None, UPRIGHT).bounds == pytest.approx((-0.57, -1.27, 0.57, -0.73), abs=EXACT)
    field = np.array([[0.0, -2.0], [2.0, -2.0], [2.0, 0.0], [0.0, 0.0]])
    assert detection_region(mat, None, UPRIGHT, fields=(field,)).bounds[0] == pytest.approx(-0.07, abs=EXACT)
    assert detection_region(mat, None, UPRIGHT, least_above_m=0.1).is_empty
    assert detection_region(mat, None, TestBody("thin", 0.1, 0.1, 1.0)).is_empty


def test_loop_of_an_l_shape_keeps_its_notch():
    ell = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [1.0, 1.0], [1.0, 2.0], [0.0, 2.0]])
    found = detection_region(FloorArea(ell, 0.5), None, UPRIGHT)
    assert not found.holds(1.2, 1.15)
    assert found.holds(1.149, 1.5)
    # L of 3 m2, perimeter 8 m: sides 4 x 0.15 and 4 x 0.1 m out, corners +5 and -1 of 0.15 x 0.1 m2
    assert found.area == pytest.approx(3.0 + 4 * 0.15 + 4 * 0.10 + 4 * 0.015, abs=1e-6)


def test_blocked_places_around_a_post_and_below_a_shelf():
    post = Prism.box("post", 1.0, 1.2, -1.0, -0.8, 0.0, 1.0)
    shelf = Prism.box("shelf", -1.0, 0.0, -2.0, -1.0, 0.7, 0.8)
    low_shelf = Prism.box("low shelf", -1.0, 0.0, -2.0, -1.0, 0.69, 0.8)
    found = blocked_region(Surroundings(Floors(), (post, shelf)), UPRIGHT)
    assert found.bounds == pytest.approx((0.85, -1.1, 1.35, -0.7), abs=EXACT)
    under = blocked_region(Surroundings(Floors(), (low_shelf,)), UPRIGHT, window=(-5, 5, -1.5, 5))
    assert under.bounds == pytest.approx((-1.15, -1.5, 0.15, -0.9), abs=EXACT)


def test_blocked_on_a_slope_only_where_the_floor_lifts_the_body_into_the_shelf():
    """Floor rises 5 cm per metre; a shelf 0.8 m up blocks a body of 0.7 m from 0.1 m of rise on: y < -2."""
    floors = Floors(FloorPlane(0.0, 0.05), FloorPlane())
    shelf = Prism.box("shelf", -1.0, 1.0, -4.0, 0.0, 0.8, 0.9)
    found = blocked_region(Surroundings(floors, (shelf,)), UPRIGHT)
    assert found.bounds == pytest.approx((-1.15, -4.1, 1.15, -2.0), abs=EXACT)
    assert blocked_region(Surroundings(Floors(), (shelf,)), UPRIGHT).is_empty


def test_a_spot_draws_the_upper_side_in_by_its_radius_only():
    """Ray down at 3:4, body 0.7 m high, spot of 0.1 m: counted from 0.65 m down to 0.05 m, sides 0.05 m in."""
    ray = Rays(
        np.array([[0.0, -1.0, 2.0]]), np.array([[0.0, -0.6, -0.8]]), np.array([9.0]), np.array([0]), beam_width_m=0.1
    )
    near, far = -1.0 - 1.35 * 0.75, -1.0 - 1.95 * 0.75
    assert region(ray).bounds == pytest.approx((-0.10, far - 0.05, 0.10, near + 0.05), abs=EXACT)


def test_a_hit_beyond_a_higher_floor_is_too_early():
    """The far floor is 0.3 m up, hits below 0.35 m do not count: a low hit on the way from there spoils the rest."""
    floors = Floors(FloorPlane(), FloorPlane(0.3, 0.0))
    ray = Rays(
        np.array([[0.0, 2.0, 0.62]]), np.array([[0.0, -1.0, 0.0]]), np.array([4.0]), np.array([0]), floor_margin_m=0.35
    )
    found = region(ray, Surroundings(floors, ()))
    # at y = 0 the body reaches 0.1 m over the far floor, where it would be met 0.32 m above it
    assert found.bounds[3] == pytest.approx(-0.1, abs=EXACT)


def test_blocked_places_of_many_prisms_in_a_window():
    """Two boxes, one overlapping the other, one far away: blocked is each, widened by the body's half."""
    prisms = tuple(Prism.box(n, x, x + 0.4, -2.0, -1.6, 0.0, 1.0) for n, x in (("a", 0.0), ("b", 0.3), ("c", 5.0)))
    around = Surroundings(Floors(), prisms)
    window = (-2.0, 2.0, -3.0, 0.0)
    found = blocked_region(around, UPRIGHT, window=window)
    assert found.bounds == pytest.approx((-0.15, -2.1, 0.85, -1.5), abs=EXACT)
    assert found.area == pytest.approx(1.0 * 0.6, abs=EXACT)
    everywhere = blocked_region(around, UPRIGHT)
    assert everywhere.area == pytest.approx(1.0 * 0.6 + 0.7 * 0.6, abs=EXACT)


def test_rays_on_the_border_of_a_field_count():
    """Solids, floors and fields are closed sets: a plane that drops along the edge of its field still detects."""
    at = Pose.of(side="near", x_m=0.0, y_m=-0.2, z_m=2.5)
    rays = Rays.scan_planes(at=at, plane_tilts_deg=[0.0], start_deg=-30.0, end_deg=30.0, step_deg=0.5, range_m=6.0)
    clipped = free_lengths(rays, Surroundings(Floors(), ()))
    body = TestBody("box", 0.3, 0.2, 0.7)
    ring = np.array([[-2.0, -0.2], [-2.0, -1.0], [2.0, -1.0], [2.0, -0.2]])
    whole, on_border = detection_region(rays, clipped, body), detection_region(rays, clipped, body, fields=(ring,))
    assert on_border.area == pytest.approx(whole.area, abs=1e-9)
    assert detection_region(rays, clipped, body, fields=(ring - [0.0, 1e-6],)).is_empty


def test_rays_that_end_alike_in_the_window_share_their_region_and_others_do_not():
    """The post stands outside the window of the first question and inside that of the second."""
    rays, kept = curtain(tilt_deg=15.0, least_hits=2), Kept()
    post = Surroundings(Floors(), (Prism.box("post", 1.0, 1.2, -0.7, -0.5, 0.0, 1.5),))
    for window, same in (((-2.0, -0.5, -2.0, 0.0), True), ((0.5, 2.0, -2.0, 0.0), False)):
        found = [region(rays, around, window=window, kept=kept) for around in (BARE, post)]
        plain = [region(rays, around, window=window) for around in (BARE, post)]
        assert [one.rings() for one in found] == [one.rings() for one in plain]
        assert (found[0] is found[1]) == same
        assert not found[1].is_empty


@pytest.mark.parametrize("change", ["least_hits", "angle", "body", "fields", "above", "floor"])
def test_another_question_gets_another_region(change):
    kept, rays, more = Kept(), curtain(tilt_deg=15.0), {"body": UPRIGHT}
    first = region(rays, kept=kept, **more)
    around, square = BARE, np.array([[-1.0, -2.0], [1.0, -2.0], [1.0, 0.0], [-1.0, 0.0]])
    more |= {"angle": {"angle_deg": 30.0}, "body": {"body": POST}, "fields": {"fields": (square,)}}.get(change, {})
    more |= {"least_above_m": 0.3} if change == "above" else {}
    if change == "least_hits":
        rays = curtain(tilt_deg=15.0, least_hits=3)
    if change == "floor":
        around = Surroundings(Floors(FloorPlane(-0.2), FloorPlane(-0.2)), ())
    other = region(rays, around, kept=kept, **more)
    assert other.rings() == region(rays, around, **more).rings() != first.rings()


@pytest.mark.parametrize("certain", [False, True])
def test_rays_out_of_reach_of_a_window_hit_nothing_there(certain):
    rays = curtain(tilt_deg=15.0)
    clipped = free_lengths(rays, BARE)
    grid = Grid.over(-2.0, -1.0, -1.5, -0.5, 0.05)
    some, short = rays_near(rays, clipped, (-2.0, -1.0, -1.5, -0.5), 0.5)
    assert 0 < len(some.range_m) < len(rays.range_m)
    counts = [hit_counts(a, b, UPRIGHT, grid, certain=certain) for a, b in ((rays, clipped), (some, short))]
    assert np.array_equal(*counts)
    assert counts[0].any()


def test_kept_answers_by_content_and_begins_anew_when_full(monkeypatch):
    monkeypatch.setattr(kept_module, "_MOST", 2)
    kept, made = Kept(), []
    assert kept.number((1, b"a")) == kept.number((1, b"a")) != kept.number((1, b"b"))
    for key in (1, 1, 2, 3, 1):
        kept.once(key, lambda key=key: made.append(key))
    assert made == [1, 2, 3, 1]
    assert digest(np.zeros(4)) == digest(np.zeros(8)[::2]) != digest(np.zeros((2, 2)))


@pytest.mark.parametrize("angle_deg", [0.0, 30.0])
def test_blocked_places_around_an_angle_of_walls(angle_deg):
    """A prism that is not convex: its sum with the body is that of the two boxes it consists of."""
    bend = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 0.2], [0.2, 0.2], [0.2, 1.0], [0.0, 1.0]])
    one = Surroundings(Floors(), (Prism("bend", bend, 0.0, 1.0),))
    two = Surroundings(
        Floors(), (Prism.box("a", 0.0, 2.0, 0.0, 0.2, 0.0, 1.0), Prism.box("b", 0.0, 0.2, 0.0, 1.0, 0.0, 1.0))
    )
    found, expected = (blocked_region(around, UPRIGHT, angle_deg=angle_deg) for around in (one, two))
    assert found.area == pytest.approx(expected.area, abs=EXACT)
    assert (found - expected).area + (expected - found).area == pytest.approx(0.0, abs=EXACT)


def test_rays_that_matter_near_a_place_make_the_same_pieces_without_the_others():
    """Of the rays left out one after each run stays, so that no two become neighbours that were none."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        start = np.cumsum(rng.uniform(0.0, 0.06, (90, 2)), axis=0)
        parts = Segments(
            start, start + np.array([0.3, 0.8]), rng.random(90) < 0.9, np.zeros(90), np.repeat([0, 1, 2], 30)
        )
        upright = Upright(np.array([0.15, 0.1]), False, 0.0, 0.7)
        boxes = start[rng.integers(0, 90, 2)], 0.2
        few = _near(parts, upright, boxes, 0.0)
        assert 4 < len(few.group) < 90
        near = replace(parts, valid=parts.valid & np.isin(parts.near[:, 0], few.near[few.valid, 0]))
        for hits in (1, 2, 3):
            (rings, rays), (some, kept) = sure_pieces(near, upright, hits), sure_pieces(few, upright, hits)
            assert len(rings) == len(some) > 0
            assert all(np.array_equal(one, other) for one, other in zip(rings, some, strict=True))
            assert np.array_equal(parts.group[rays], few.group[kept])


def test_a_sphere_that_is_met_before_the_field_begins_does_not_count():
    """Level ray 0.2 m above the middle of a sphere of 0.25 m radius: met sqrt(0.25^2 - 0.2^2) = 0.15 m before its middle."""
    ray = Rays(np.array([[0.0, -3.0, 0.45]]), np.array([[0.0, 1.0, 0.0]]), np.array([9.0]), np.array([0]))
    field = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 2.0], [-1.0, 2.0]])
    found = region(ray, body=TestBody("ball", 0.5, 0.5, 0.5, "sphere"), fields=(field,))
    assert -1.0 + 0.15 <= found.bounds[1] < -1.0 + 0.26


def test_a_box_on_a_slope_that_is_met_before_the_field_begins_does_not_count():
    """A ray sinks by 1 in 20 over a floor that rises by 1 in 10: step by step along it, with the box plumb."""
    floors = Floors(FloorPlane(0.0, 0.1), FloorPlane(0.0, 0.1))
    down = np.array([[0.0, -1.0, -0.05]]) / np.hypot(1.0, 0.05)
    ray = Rays(np.array([[0.0, -1.0, 0.95]]), down, np.array([9.0]), np.array([0]))
    found = region(
        ray, Surroundings(floors, ()), fields=(np.array([[-1.0, -6.0], [1.0, -6.0], [1.0, -2.2], [-1.0, -2.2]]),)
    )
    y = np.arange(-1.0, -6.0, -1e-3)
    z = 0.95 + 0.05 * (y + 1.0)

    def counts(c):
        met = y[(np.abs(y - c) <= 0.1) & (z <= 0.7 - 0.1 * c) & (z >= -0.1 * c)]
        return bool(len(met)) and met[0] <= -2.2

    seen = [c for c in np.arange(-4.0, -1.5, 0.005) if found.holds(0.0, c)]
    assert seen
    assert all(counts(c) for c in seen)

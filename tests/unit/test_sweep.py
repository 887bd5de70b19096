"""The visibility sweep in cases that can be worked out by hand."""

import numpy as np
import pytest

from reference import scenes
from sillcast.errors import GeometryError
from sillcast.kernel import _sweep_numpy, sweep
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloorPlane, Floors, Pose
from sillcast.kernel.plane import united_region
from sillcast.kernel.solids import Prism, Surroundings, TestBody
from sillcast.kernel.sweep import Fan, fan_outline, fan_trace, fans_of, outline, trace, triangles, visible

UPRIGHT = TestBody("upright", 0.30, 0.20, 0.70)
BARE = Surroundings(Floors(), ())


def scan(*, tilts_deg=(30.0,), z_m=3.0, range_m=10.0, start_deg=-45.0, end_deg=45.0):
    at = Pose.of(side="near", x_m=0.0, y_m=-0.2, z_m=z_m)
    return Rays.scan_planes(
        at=at, plane_tilts_deg=list(tilts_deg), start_deg=start_deg, end_deg=end_deg, step_deg=0.5, range_m=range_m
    )


def test_fans_from_rays():
    first, second = fans_of(scan(tilts_deg=(0.0, 40.0)))
    assert [first.sweep_rad, second.sweep_rad] == pytest.approx([np.pi / 2] * 2)
    assert first.range_m == 10.0
    assert first.start @ first.side == pytest.approx(0.0, abs=1e-12)
    assert fans_of(scan(start_deg=-135.0, end_deg=135.0))[0].sweep_rad == pytest.approx(1.5 * np.pi)


def test_rays_that_are_no_fan():
    ray = Rays(np.zeros((1, 3)), np.array([[0.0, 0.0, -1.0]]), np.ones(1), np.array([0]))
    with pytest.raises(GeometryError, match="two rays"):
        fans_of(ray)
    spots = Rays(np.zeros((3, 3)), np.eye(3), np.ones(3), np.zeros(3, dtype=np.int64))
    with pytest.raises(GeometryError, match="a plane"):
        fans_of(spots)


def test_free_fan_is_a_sector():
    fan = Fan(np.array([0.0, 0.0, 5.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), np.pi, 2.0)
    seen = visible(fan, BARE)
    assert 2.0 * np.pi * 0.999 < seen.area < 2.0 * np.pi  # chords 0.5 mm inside


def test_fan_down_to_the_floor_is_a_triangle():
    (fan,) = fans_of(scan(tilts_deg=(0.0,)))
    assert visible(fan, BARE).area == pytest.approx(9.0, abs=1e-9)


def test_floor_below_the_threshold_and_on_a_slope():
    low = Surroundings(Floors(FloorPlane(-1.0, 0.0), FloorPlane(-1.0, 0.0)), ())
    (fan,) = fans_of(scan(tilts_deg=(0.0,)))
    assert visible(fan, low).area == pytest.approx(16.0, abs=1e-9)
    sloped = Surroundings(Floors(FloorPlane(0.0, 0.1), FloorPlane()), ())
    (tilted,) = fans_of(scan())
    # the plane meets z = 0.1 (-y): depth along it is d with 3 - d cos 30 = 0.1 (0.2 + d sin 30)
    depth = (3.0 - 0.02) / (np.cos(np.pi / 6) + 0.1 * 0.5)
    assert visible(tilted, sloped).area == pytest.approx(depth**2, abs=1e-9)


def test_step_at_the_door_hides_the_lower_floor():
    """Dock 1 m lower on the far side; a fan square to the door from the near side sees past the edge only steeply."""
    floors = Floors(FloorPlane(0.0, 0.0), FloorPlane(-1.0, 0.0))
    fan = Fan(np.array([0.0, -1.0, 1.0]), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.pi, 20.0)
    seen = visible(fan, Surroundings(floors, ()))
    ends = fan.places(np.concatenate([seen.first, seen.last]))
    below = ends[ends[:, 2] < -1e-9]
    assert below[:, 1].min() == pytest.approx(1.0, abs=1e-6)  # the line of sight over the edge (0, 0) at 45 degrees


def test_mounted_on_a_wall_face():
    """The wall behind does not blind a fan on its face; into the wall nothing is visible."""
    wall = Prism.box("wall", -3.0, 3.0, -0.2, 0.2, 0.0, 5.0, "wall")
    fan = Fan(np.array([0.0, -0.2, 3.0]), np.array([0.0, -1.0, 0.0]), np.array([1.0, 0.0, 0.0]), 2.0 * np.pi, 2.0)
    seen = visible(fan, Surroundings(Floors(), (wall,)))
    assert seen.area == pytest.approx(2.0 * np.pi, rel=1e-3)
    assert fan.places(np.concatenate([seen.first, seen.last]))[:, 1].max() <= -0.2 + 1e-9


def test_traces_are_the_closed_form():
    rays = scan(tilts_deg=(15.0, 30.0))
    lines = fan_trace(fans_of(rays), BARE, 0.7)
    for line, tilt in zip(lines, np.deg2rad([15.0, 30.0]), strict=True):
        assert [p[1] for p in line] == pytest.approx([-0.2 - 2.3 * np.tan(tilt)] * 2, abs=1e-9)
        assert sorted(p[0] for p in line) == pytest.approx([-2.3 / np.cos(tilt), 2.3 / np.cos(tilt)], abs=1e-9)
    assert fan_trace(fans_of(rays), BARE, 3.5) == []


def test_trace_is_parted_by_a_post():
    post = Prism.box("post", -0.2, 0.2, -1.2, -1.0, 0.0, 3.0)
    lines = fan_trace(fans_of(scan()), Surroundings(Floors(), (post,)), 0.0)
    edge = 0.2 / 0.8 * 3.0 * np.tan(np.deg2rad(30.0))
    assert sorted(min(abs(x) for x, _ in line) for line in lines) == pytest.approx([edge, edge], abs=1e-9)


def test_outline_of_an_upright_plane():
    found = fan_outline(fans_of(scan(tilts_deg=(0.0,))), BARE, UPRIGHT)
    assert found.bounds == pytest.approx((-3.15, -0.3, 3.15, -0.1), abs=1e-6)
    turned = fan_outline(fans_of(scan(tilts_deg=(0.0,))), BARE, UPRIGHT, angle_deg=90.0)
    assert turned.bounds == pytest.approx((-3.10, -0.35, 3.10, -0.05), abs=1e-6)
    assert fan_outline(fans_of(scan(tilts_deg=(0.0,))), BARE, UPRIGHT, least_above_m=0.7).area == pytest.approx(
        (2 * 2.3 + 0.3) * 0.2, abs=1e-5
    )


def test_outline_refuses_what_it_cannot_do():
    with pytest.raises(GeometryError, match="boxes"):
        fan_outline(fans_of(scan()), BARE, TestBody("ball", 0.3, 0.3, 0.3, "sphere"))
    with pytest.raises(GeometryError, match="level"):
        fan_trace(fans_of(scan()), Surroundings(Floors(FloorPlane(0.0, 0.1), FloorPlane()), ()), 0.0)


def test_straight_lines_of_two_fans_that_meet_stay_apart():
    """Two upright fans whose traces run into one corner at (0, 0)."""
    down = np.array([0.0, 0.0, -1.0])
    along, out = np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
    fans = [
        Fan(np.array([-1.0, 0.0, 1.0]), down, along, np.pi / 4, 5.0),
        Fan(np.array([0.0, 0.0, 1.0]), down, out, np.pi / 4, 5.0),
    ]
    lines = fan_trace(fans, BARE, 0.0)
    assert [line[0] + line[1] for line in lines] == [
        pytest.approx((-1.0, 0.0, 0.0, 0.0), abs=1e-12),
        pytest.approx((0.0, 0.0, 0.0, -1.0), abs=1e-12),
    ]


@pytest.mark.parametrize("seed", range(4))
def test_both_back_ends_see_the_same(monkeypatch, seed):
    numba = pytest.importorskip("sillcast.kernel._sweep_numba")
    rng = np.random.default_rng(seed)
    floors = Floors(FloorPlane(-0.2, 0.02), FloorPlane(-0.5, 0.0)) if seed == 3 else Floors()
    around = scenes.surroundings(rng, floors)
    fans = fans_of(scenes.scanner(rng))
    found = []
    for engine in (_sweep_numpy, numba):
        monkeypatch.setattr(sweep, "engine", engine)
        seen = triangles(fans, around)
        found.append((seen, outline(seen, 0.0, UPRIGHT, angle_deg=20.0), trace(seen, 0.7)))
    # the same sums in another order: rounding of coordinates of up to 10 m, a few hundred times 1e-15
    assert found[0][0].corners == pytest.approx(found[1][0].corners, abs=1e-11)
    assert found[0][0].fan.tolist() == found[1][0].fan.tolist()
    assert np.array(found[0][2]) == pytest.approx(np.array(found[1][2]), abs=1e-11)
    assert len(found[0][2]) > 3
    # outlines are snapped to 1e-8 m
    assert found[0][1].shape.symmetric_difference(found[1][1].shape).area <= 1e-7 * found[0][1].shape.length


TILTS = [(0.0, 30.0), (90.0, 89.999), (45.0, 60.0), (0.0, 1e-6, 1e-3), (20.0, 100.0), (-35.0, 12.0, 71.0)]
BODIES = [(UPRIGHT, 0.0), (UPRIGHT, 35.0), (TestBody("post", 0.25, 0.25, 1.2, "cylinder"), 0.0)]


@pytest.mark.parametrize("tilts_deg", TILTS)
@pytest.mark.parametrize("seed", range(3))
def test_contours_wind_around_the_convex_pieces(seed, tilts_deg):
    """One contour for each part of a plane against the sum of each convex piece: upright, level and upward planes,
    heads below and above the body's top, planes of half a turn and more.
    """
    compiled = pytest.importorskip("sillcast.kernel._outline_numba")
    rng = np.random.default_rng(seed)
    around = scenes.surroundings(rng)
    span = rng.choice([30.0, 90.0, 179.9])
    rays = scan(tilts_deg=tilts_deg, z_m=rng.choice([0.3, 0.7, 2.2]), range_m=8.0, start_deg=-span, end_deg=span)
    seen = triangles(fans_of(rays), around)
    for body, angle_deg in BODIES:
        shape = sweep._footprint(body, angle_deg)
        areas = []
        for engine in (compiled, _sweep_numpy):
            points, counts = engine.slab_sums(*seen, 0.05, body.height_m, shape)
            areas.append(united_region(np.split(points, np.cumsum(counts)[:-1]) if len(counts) else []))
        # both snap to 1e-8 m
        apart = areas[0].shape.symmetric_difference(areas[1].shape).area
        assert apart <= 1e-8 * max(areas[1].shape.length, 1.0)


def test_needle_of_a_gap_is_summed_piece_by_piece():
    """A slit of a nanometre between two posts: the plane's part behind it is a needle whose border turns back."""
    compiled = pytest.importorskip("sillcast.kernel._outline_numba")
    posts = (
        Prism.box("left", -2.0, -1e-9, -1.4, -1.2, 0.0, 3.0),
        Prism.box("right", 0.0, 2.0, -1.4, -1.2, 0.0, 3.0),
    )
    seen = triangles(fans_of(scan(tilts_deg=(60.0,))), Surroundings(Floors(), posts))
    shape = sweep._footprint(UPRIGHT, 0.0)
    areas = []
    for engine in (compiled, _sweep_numpy):
        points, counts = engine.slab_sums(*seen, 0.0, 3.0, shape)
        areas.append(united_region(np.split(points, np.cumsum(counts)[:-1])))
    assert areas[0].shape.symmetric_difference(areas[1].shape).area <= 1e-8 * areas[1].shape.length
    assert areas[0].holds(0.0, -4.0)  # behind the posts, at the needle

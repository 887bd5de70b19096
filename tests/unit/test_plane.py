"""Areas of the plan: set operations, opening, circles, rings for the wire."""

import numpy as np
import pytest
import shapely
import shapely.affinity

from sillcast.errors import GeometryError
from sillcast.kernel.plane import Region, _area, contour_region, merged, ring_fault, united, united_region

UNIT = Region.box(0.0, 1.0, 0.0, 1.0)


def square(x, y, side):
    return np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])


def test_ring_either_way_round():
    assert Region.ring(square(0, 0, 2)).area == Region.ring(square(0, 0, 2)[::-1]).area == pytest.approx(4.0)


def test_empty_region():
    empty = Region()
    assert empty.is_empty
    assert empty.area == 0.0
    assert Region.box(0.0, 0.0, 0.0, 1.0).is_empty
    assert Region.union([]).is_empty
    assert (UNIT & Region.box(1.0, 2.0, 0.0, 1.0)).is_empty  # a shared edge is no area
    assert empty.distance(UNIT) == float("inf")
    with pytest.raises(GeometryError, match="bounds"):
        _ = empty.bounds


def test_set_operations():
    other = Region.box(0.5, 1.5, 0.0, 1.0)
    assert (UNIT & other).area == pytest.approx(0.5)
    assert (UNIT | other).area == pytest.approx(1.5)
    assert (UNIT - other).area == pytest.approx(0.5)
    assert Region.union([UNIT, other, Region()]).area == pytest.approx(1.5)


def test_parts_by_size_then_position():
    region = Region.union([Region.box(5, 6, 0, 1), Region.box(0, 1, 0, 1), Region.box(2, 4, 0, 1)])
    assert [part.bounds[0] for part in region.parts()] == [2.0, 0.0, 5.0]


def test_opening_drops_a_hairline_and_keeps_corners():
    region = UNIT | Region.box(1.0, 2.0, 0.5, 0.504)
    opened = region.opened(0.0025)
    assert opened.bounds == pytest.approx((0.0, 0.0, 1.0, 1.0), abs=1e-9)
    assert opened.area == pytest.approx(1.0, abs=1e-9)
    assert region.opened(0.001).area == pytest.approx(region.area, abs=1e-9)


def test_grown_and_rotated():
    assert UNIT.grown(0.5).bounds == pytest.approx((-0.5, -0.5, 1.5, 1.5))
    assert UNIT.grown(-0.5).is_empty
    assert UNIT.rotated(90.0).bounds == pytest.approx((-1.0, 0.0, 0.0, 1.0), abs=1e-12)


def test_places():
    assert UNIT.holds(1.0, 0.5)
    assert not UNIT.holds(1.0 + 1e-9, 0.5)
    assert UNIT.holds(*UNIT.inner_point())
    assert UNIT.distance(Region.box(3.0, 4.0, 0.0, 1.0)) == pytest.approx(2.0)


def test_largest_circle_of_the_largest_part():
    """The inscribed circle of a 3-4-5 triangle has radius 1."""
    triangle = Region.ring([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]]) | Region.box(10.0, 10.5, 0.0, 0.5)
    x, y, radius = triangle.largest_circle(0.001)
    assert radius == pytest.approx(1.0, abs=0.001)
    assert (x, y) == pytest.approx((1.0, 1.0), abs=0.005)
    assert Region().largest_circle() == (0.0, 0.0, 0.0)


def test_circle_of_a_long_gap_lies_in_its_middle():
    """Circles anywhere along a strip are as large; rounding must not choose between its ends."""
    for shift in (0.0, 1e-9, -1e-9):
        strip = Region.box(-1.3 + shift, 1.3, -0.1, 0.1)
        assert strip.largest_circle() == pytest.approx((0.0, 0.0, 0.1), abs=1e-6)


def test_hull_and_contours():
    corners = np.array([[0.0, 0.0], [2.0, 0.0], [1.0, 0.2], [2.0, 1.0], [0.0, 1.0]])
    assert Region.hull(corners).area == pytest.approx(2.0, abs=1e-7)
    assert Region.hull(corners[:1].repeat(3, axis=0)).is_empty
    frame = Region.box(0, 3, 0, 3) - Region.box(1, 2, 1, 2)
    areas = [shapely.Polygon(ring).area * (1 if shapely.LinearRing(ring).is_ccw else -1) for ring in frame.contours]
    assert sorted(areas) == pytest.approx([-1.0, 9.0], abs=1e-6)
    assert Region(frame.shape).contours[0].shape == (4, 2)
    assert Region.ring(frame.contours[1]).area == pytest.approx(abs(areas[1]))
    closed = [[0, 0], [1, 0], [1, 1], [0, 0]]
    assert len(Region.ring(closed).contours[0]) == 3


def star(rng, size_m):
    """Ring about the origin, corners at random distances."""
    angle = np.sort(rng.uniform(0.0, 2.0 * np.pi, 14))
    return rng.uniform(0.2, 1.0, (14, 1)) * size_m * np.stack([np.cos(angle), np.sin(angle)], axis=1)


@pytest.mark.parametrize("size_m", [0.004, 0.01, 3.0])
def test_operations_agree_with_another_library(size_m):
    """The clipping library against GEOS on random rings, apart by the snapping to 1e-8 m along the borders."""
    rng = np.random.default_rng(7)
    for _ in range(20):
        first, second = Region.ring(star(rng, size_m)), Region.ring(star(rng, size_m))
        a, b = first.shape, second.shape
        if not (a.is_valid and b.is_valid):
            continue
        for got, expected in (
            (first & second, a.intersection(b)),
            (first | second, a.union(b)),
            (first - second, a.difference(b)),
            (Region.union([first, second, Region()]), a.union(b)),
            (first.rotated(30.0), shapely.affinity.rotate(a, 30.0, origin=(0.0, 0.0))),
        ):
            # specks up to 1e-9 m2 are left out
            assert got.shape.symmetric_difference(expected).area <= 1e-7 * expected.length + 5e-9
            assert got.shape.is_valid


@pytest.mark.parametrize("size_m", [0.004, 0.01, 0.1, 3.0])
def test_wire_rings_of_jagged_areas_are_valid_and_inside(size_m):
    """Areas a few grid steps wide, in which rounding corners makes borders cross and touch."""
    rng = np.random.default_rng(3)
    found = 0
    for _ in range(100):
        region = Region.union([Region.ring(star(rng, size_m)), Region.ring(star(rng, size_m) + 0.4 * size_m)])
        for rounding in ("inward", "nearest"):
            shape = shapely.MultiPolygon([shapely.Polygon(r[0], r[1:]) for r in region.rings(rounding)])
            steps = shapely.get_coordinates(shape) * 1000.0
            assert shape.is_valid
            assert np.abs(steps - np.rint(steps)).max(initial=0.0) < 1e-6
            # half a step aside for each border
            assert shape.symmetric_difference(region.shape).area <= 0.0024 * region.shape.length
            if rounding == "inward":
                assert shape.difference(region.shape.buffer(1e-6)).is_empty
            found += not shape.is_empty
    assert found > 100


def test_wire_rings_are_closed_counter_clockwise_and_inward():
    ring = square(0.00049, 0.0, 1.0)[::-1]
    (polygon,) = Region.ring(ring).rings()
    (outer,) = polygon
    assert outer[0] == outer[-1] == min(outer)
    assert shapely.LinearRing(outer).is_ccw
    assert Region.ring(ring).shape.buffer(1e-6).covers(shapely.Polygon(outer))
    assert Region.ring(square(0, 0, 1)).rings()[0][0] == [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.0, 0.0)]


def test_wire_rings_with_a_hole():
    (polygon,) = (Region.box(0, 3, 0, 3) - Region.box(1, 2, 1, 2)).rings()
    assert len(polygon) == 2
    assert not shapely.LinearRing(polygon[1]).is_ccw
    assert Region().rings() == []


def test_ring_fault():
    assert ring_fault([[0, 0], [1, 0], [1, 1], [0, 1]]) is None
    assert ring_fault([[0, 0], [1, 1], [1, 0], [0, 1]]) == "crosses or touches itself"
    assert ring_fault([[0, 0], [1, 1], [2, 2]]) == "has no area"


def test_merged_counts_windings():
    """Two squares overlap in a quarter; a clockwise frame leaves where two overlap; a reversed one is taken away."""
    first, second = square(0, 0, 1), square(0.5, 0.5, 1)
    around = square(-9, -9, 20)[::-1]
    assert contour_region(merged([first, second])).area == pytest.approx(1.75, abs=1e-7)
    assert contour_region(merged([first, second, around])).area == pytest.approx(0.25, abs=1e-7)
    assert contour_region(merged([first, second[::-1]])).area == pytest.approx(0.75, abs=1e-7)
    assert merged([]) == []


def test_merged_agrees_with_another_library():
    """Union of forty random triangles: Clipper2 against GEOS, apart by the snapping to 1e-8 m along 40 m of border."""
    rng = np.random.default_rng(1)
    triangles = rng.uniform(0.0, 3.0, (40, 3, 2))
    turned = [t if shapely.LinearRing(t).is_ccw else t[::-1] for t in triangles]
    union = shapely.union_all([shapely.Polygon(t) for t in turned])
    found = contour_region(merged(turned))
    assert found.shape.is_valid
    assert found.shape.symmetric_difference(union).area < 1e-6


def test_islands_in_holes_belong_to_the_right_outer_ring():
    rings = [square(0, 0, 9), square(1, 1, 7)[::-1], square(2, 2, 5), square(3, 3, 3)[::-1], square(20, 0, 1)]
    region = contour_region(rings)
    assert region.shape.is_valid
    assert region.area == pytest.approx(81 - 49 + 25 - 9 + 1)
    assert not region.holds(4.5, 4.5)
    assert region.holds(2.5, 2.5)


def test_united_in_parts_is_merged_at_once():
    rng = np.random.default_rng(1)
    rings = [square(x, y, side) for x, y, side in rng.uniform([0, 0, 0.2], [6, 2, 1.0], (200, 3))]
    at_once, in_parts = contour_region(merged(rings)), contour_region(united(rings))
    assert in_parts.area > 5.0
    # both snap to 1e-8 m, the parts twice
    assert at_once.shape.symmetric_difference(in_parts.shape).area <= 1e-7 * at_once.shape.length
    assert united_region(rings).area == pytest.approx(in_parts.area, abs=1e-9)
    assert united_region([]).is_empty


def coarse_star(seed, corners=12):
    """Ring of a star-shaped area with corners on a grid of 0.1 m, so that points can fall on its border."""
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0.0, 2.0 * np.pi, corners))
    away = rng.uniform(0.8, 2.0, corners)
    return np.round(np.stack([away * np.cos(turn), away * np.sin(turn)], axis=1), 1)


@pytest.mark.parametrize("seed", range(20))
def test_places_are_held_as_shapely_says(seed):
    area = Region.ring(coarse_star(seed)) - Region.box(-0.3, 0.2, -0.2, 0.2)
    points = np.round(np.random.default_rng(seed).uniform(-2.0, 2.0, (300, 2)), 1)
    held = np.array([area.holds(x, y) for x, y in points])
    wanted = shapely.intersects_xy(area.shape, *points.T)
    away = shapely.distance(area.shape.boundary, shapely.points(points))
    assert np.array_equal(held[away > 1e-7], wanted[away > 1e-7])  # the clipping library snaps to 1e-8 m
    assert np.array_equal(area.holds_each(points), wanted)
    assert 0 < held.sum() < len(points)


def test_border_corners_and_holes():
    area = UNIT - Region.box(0.25, 0.75, 0.25, 0.75)
    assert all(area.holds(x, y) for x, y in ((0.0, 0.0), (0.5, 0.0), (1.0, 0.3), (0.25, 0.5), (0.1, 0.25)))
    assert not any(area.holds(x, y) for x, y in ((0.5, 0.5), (1.1, 0.5), (-0.1, 1.0), (0.5, 1.1), (2.0, 0.0)))
    assert not Region().holds(0.0, 0.0)


def test_what_cannot_meet_is_left_as_it_is():
    apart = Region.box(3.0, 4.0, 0.0, 1.0)
    assert UNIT - apart is UNIT
    assert (UNIT & apart).is_empty
    assert UNIT.less([apart, Region()]) is UNIT
    assert UNIT.within(-1.0, 2.0, -1.0, 2.0) is UNIT
    assert UNIT.within(0.5, 2.0, -1.0, 2.0).area == pytest.approx(0.5)
    assert Region().within(0.0, 1.0, 0.0, 1.0).is_empty


def test_less_is_one_difference_after_the_other():
    others = [Region.box(0.5, 2.0, 0.5, 2.0), Region.box(-1.0, 0.2, -1.0, 0.2), Region.box(0.4, 0.6, 0.1, 0.2)]
    one_by_one = UNIT
    for other in others:
        one_by_one = one_by_one - other
    assert UNIT.less(others).rings() == one_by_one.rings()


def test_bounds_do_not_depend_on_what_a_region_came_from():
    ring = coarse_star(3)
    known = Region.ring(ring).bounds
    assert (Region.ring(ring) | Region()).bounds == pytest.approx(known, abs=1e-8)
    assert Region(shapely.Polygon(ring)).bounds == pytest.approx(known, abs=1e-8)


def test_a_hole_that_nearly_touches_the_border_stays():
    """Two areas with a hole each that overlap: found on a real door, where the sum lost the hole. By shapely."""
    one = [[1.9066163823008537, -0.11999999731779099], [1.9679507985711098, -0.25], [1.8500000014901161, -0.25],
           [1.8500000014901161, -0.11999999731779099], [-1.793383613228798, -0.11999999731779099],
           [-0.6086540222167969, -2.6310672387480736], [0.021103806793689728, -2.6310672387480736],
           [0.021103806793689728, -3.1228912696242332], [-0.3766098693013191, -3.1228912696242332],
           [0.25542183220386505, -4.462499998509884], [3.9554218277335167, -4.462499998509884]]  # fmt: skip
    hole = [[-1.159306839108467, -1.4639433100819588], [-1.5811566263437271, -0.5698209926486015],
            [-1.1254675462841988, -0.5698209926486015], [-1.1254675462841988, -1.4639433100819588]]  # fmt: skip
    other = [[-0.35301969945430756, -3.1728912740945816], [0.25542183220386505, -4.462499998509884],
             [3.9554218277335167, -4.462499998509884], [1.9915409609675407, -0.29999999701976776],
             [1.8999999985098839, -0.29999999701976776], [1.8999999985098839, -0.17000000178813934],
             [-1.769793450832367, -0.17000000178813934], [-0.6322441846132278, -2.581067234277725],
             [-0.028896190226078033, -2.581067234277725], [-0.028896190226078033, -2.8728912696242332],
             [-0.028896190226078033, -3.1728912740945816]]  # fmt: skip
    gap = [[-1.604746788740158, -0.5198209881782532], [-1.1754675507545471, -0.5198209881782532],
           [-1.1754675507545471, -1.429690234363079]]  # fmt: skip
    regions = [contour_region([np.array(ring), np.array(inner)]) for ring, inner in ((one, hole), (other, gap))]
    shapes = [shapely.Polygon(ring, [inner]) for ring, inner in ((one, hole), (other, gap))]
    whole = shapely.union_all(shapes)
    assert Region.union(regions).area == pytest.approx(whole.area, abs=1e-6)
    assert (regions[0] | regions[1]).area == pytest.approx(whole.area, abs=1e-6)
    (part,) = Region.union(regions).parts()
    assert part.area == pytest.approx(whole.area, abs=1e-6)


def test_wire_rings_are_rounded_as_asked_however_often():
    """Rings are kept for the next who asks: the two roundings are not taken for each other."""
    region = Region.ring([(0.00049, 0.0), (1.0, 0.0), (1.0, 1.0)])
    inward, nearest = region.rings(), region.rings("nearest")
    assert inward != nearest
    assert (region.rings(), region.rings("nearest")) == (inward, nearest)


@pytest.mark.parametrize("corners", [3, 40, 64, 65, 300])
def test_area_of_rings_of_few_and_many_corners(corners):
    """A regular polygon of n corners in a unit circle, far off: n / 2 sin(360 deg / n), negative clockwise."""
    turn = np.linspace(0.0, 2.0 * np.pi, corners, endpoint=False)
    ring = np.stack([50.0 + np.cos(turn), np.sin(turn) - 20.0], axis=1)
    expected = corners / 2.0 * np.sin(2.0 * np.pi / corners)
    assert _area(ring) == pytest.approx(expected, abs=1e-12)
    assert _area(ring[::-1]) == pytest.approx(-expected, abs=1e-12)


def test_swept_region_is_the_union_of_all_that_was_passed_over():
    """Against shapely: of convex pieces the hull of both ends, united."""
    corner = [(0.0, 0.0), (3.0, 0.0), (3.0, 1.0), (1.0, 1.0), (1.0, 2.0), (0.0, 2.0)]
    pieces = [shapely.box(0, 0, 3, 1), shapely.box(0, 1, 1, 2)]
    for way in ((0.7, 0.4), (-2.0, 0.0), (0.0, -0.5), (0.0, 0.0)):
        ends = [shapely.union_all([p, shapely.affinity.translate(p, *way)]) for p in pieces]
        wanted = shapely.union_all([both.convex_hull for both in ends])
        assert Region.ring(corner).swept(*way).shape.symmetric_difference(wanted).area < 1e-6
    assert Region().swept(1.0, 1.0).is_empty


def test_islands_and_holes_of_many_rings_find_their_owners():
    """Frames in a grid, each with an island: areas by hand."""
    sides = [(6, 1.0), (5, 0.0), (2, 1.0)]  # frame, its hole, and the island, in tenths
    frames = [
        [square(x - side / 20, y - side / 20, side / 10)[:: 1 if out else -1] for side, out in sides]
        for x in range(12)
        for y in range(12)
    ]
    made = Region.union(Region.ring(ring[0]) - (Region.ring(ring[1]) - Region.ring(ring[2])) for ring in frames)
    parts = made.parts()
    assert len(parts) == 2 * 144
    assert {round(p.area, 6) for p in parts} == {round(0.36 - 0.25, 6), 0.04}

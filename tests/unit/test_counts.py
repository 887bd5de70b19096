"""Hit counts worked out by hand, and against casting ray by ray where fields, margins or floors change the rule."""

import threading
import tracemalloc

import numpy as np
import pytest
from shapely import intersects_xy
from shapely.geometry import Polygon

from reference.ray_cast import EPS_M, Solid, bracket, hit_length
from reference.scenes import scanner, surroundings
from sillcast.errors import GeometryError
from sillcast.kernel import _numba, _numpy
from sillcast.kernel import counts as counts_module
from sillcast.kernel.clip import Clipped, free_lengths
from sillcast.kernel.counts import Grid, hit_counts, inside, smallest_detected
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloorPlane, Floors, Pose
from sillcast.kernel.plane import Region
from sillcast.kernel.solids import Prism, Surroundings, TestBody

OPEN = Surroundings(Floors(), ())
BOX = TestBody("box", 0.4, 0.2, 0.5)
GRID = Grid.over(-1.0, 1.0, -1.0, 1.0, 0.1)


def rays_of(starts, directions, range_m=10.0, **more):
    d = np.array(directions, dtype=float).reshape(-1, 3)
    n = len(d)
    group = more.pop("group", np.zeros(n, dtype=int))
    return Rays(
        np.array(starts, dtype=float).reshape(-1, 3),
        d / np.linalg.norm(d, axis=1)[:, None],
        np.full(n, range_m),
        group,
        **more,
    )


def counts_of(rays, body=BOX, grid=GRID, around=OPEN, **more):
    return hit_counts(rays, free_lengths(rays, around), body, grid, floors=around.floors, **more)


def places(counts, grid=GRID):
    """Extent of the places hit: least and greatest x and y. [m]"""
    rows, columns = np.nonzero(counts)
    x, y = grid.centres_x[columns], grid.centres_y[rows]
    return tuple(round(float(v), 6) for v in (x.min(), x.max(), y.min(), y.max()))


def test_grid_covers_the_rectangle_with_whole_cells():
    grid = Grid.over(0.0, 0.95, -0.3, 0.0, 0.1)
    assert (grid.columns, grid.rows) == (10, 3)
    assert grid.centres_x[[0, -1]] == pytest.approx([0.05, 0.95])
    assert grid.centres_y == pytest.approx([-0.25, -0.15, -0.05])
    assert Grid.over(-3.0, 3.0, 0.0, 6.0, 0.02).columns == 300  # 6 / 0.02 is not whole in binary


@pytest.mark.parametrize(
    ("angle_deg", "expected"),
    [(0.0, (-0.05, 0.25, 0.05, 0.15)), (90.0, (0.05, 0.15, -0.05, 0.25)), (180.0, (-0.05, 0.25, 0.05, 0.15))],
)
def test_vertical_ray_hits_the_body_wherever_its_footprint_is_below(angle_deg, expected):
    counts = counts_of(rays_of([0.06, 0.06, 2.0], [0, 0, -1]), angle_deg=angle_deg)
    assert places(counts) == expected
    assert set(np.unique(counts)) == {0, 1}
    assert counts.dtype == np.int32


def test_slanted_ray_hits_from_the_top_of_the_body_to_the_floor():
    # 45 degrees down along x from (-1, 0.06, 1): top of the body at x = -0.5, floor at x = 0; +- half the body
    counts = counts_of(rays_of([-1.0, 0.06, 1.0], [1, 0, -1]))
    assert places(counts) == (-0.65, 0.15, 0.05, 0.15)
    assert places(counts_of(rays_of([-1.0, 0.06, 1.0], [1, 0, -1]), least_above_m=0.24)) == (-0.65, -0.05, 0.05, 0.15)


def test_round_bodies_are_hit_within_their_radius():
    ray = rays_of([0.05, 0.05, 2.0], [0, 0, -1])
    for shape in ("cylinder", "sphere"):
        counts = counts_of(ray, TestBody("round", 0.42, 0.42, 0.42, shape))
        assert counts.sum() == 13  # cells of 0.1 m whose centre is within 0.21 m: 1 + 4 + 4 + 4
    level = rays_of([-1.0, 0.05, 0.37], [1, 0, 0])
    seen = counts_of(level, TestBody("ball", 0.42, 0.42, 0.42, "sphere"))
    assert set(np.nonzero(seen)[0]) == {
        9,
        10,
        11,
    }  # at 0.37 m, 0.16 above its middle, the ball is 0.136 m wide to a side


def test_counts_add_over_the_head_and_the_greatest_plane_counts_alone():
    starts, down = [[0.05, 0.05, 2.0]] * 3, [[0, 0, -1]] * 3
    head, plane = (rays_of(starts, down, group=np.array([0, 0, 1]), hits_within=within) for within in ("head", "plane"))
    assert counts_of(head).max() == 3
    assert counts_of(plane).max() == 2


def test_beam_counts_where_the_body_blocks_it_unless_something_always_does():
    beams = Rays.beams(starts=[[-0.9, 0.06, 0.3]], ends=[[0.9, 0.06, 0.3]])
    assert places(counts_of(beams)) == (-0.95, 0.95, 0.05, 0.15)
    post = Prism.box("post", 0.3, 0.4, 0.0, 0.1, 0.0, 1.0)
    assert not counts_of(beams, around=Surroundings(Floors(), (post,))).any()


def test_only_whole_spots_count():
    thin = rays_of([0.06, 0.06, 2.0], [0, 0, -1])
    wide = rays_of([0.06, 0.06, 2.0], [0, 0, -1], beam_width_m=0.12)
    assert places(counts_of(thin)) == (-0.05, 0.25, 0.05, 0.15)
    assert places(counts_of(wide)) == (-0.05, 0.15, 0.05, 0.05)
    spread = rays_of([0.06, 0.06, 2.0], [0, 0, -1], divergence_deg=2.0 * np.degrees(np.arctan(0.03)))
    assert places(counts_of(spread)) == (-0.05, 0.15, 0.05, 0.05)  # radius 0.06 m at the floor, 2 m away
    assert not counts_of(rays_of([0.06, 0.06, 2.0], [0, 0, -1], beam_width_m=0.25)).any()


@pytest.mark.parametrize("engine", [_numba, _numpy])
def test_a_spot_that_falls_on_the_floor_in_part_does_not_count(monkeypatch, engine):
    """Down at 45 deg to the floor at y = -2: a front face at y = -2 + h is met at the height h, by a spot of 0.05 m.

    The middle of a spot that falls on it as a whole lies 0.05 m farther in, and so as much lower.
    """
    monkeypatch.setattr(counts_module, "engine", engine)
    for width, h, hit in ((0.1, 0.09, False), (0.1, 0.11, True), (0.0, 0.04, True)):
        ray = rays_of([0.0, 0.0, 2.0], [0, -1, -1], beam_width_m=width)
        place = Grid(0.0, -2.0 + h - BOX.depth_m / 2.0, 0.01, 1, 1)
        assert bool(counts_of(ray, grid=place).any()) == hit


def test_certain_counts_hold_anywhere_in_the_cell():
    rng = np.random.default_rng(2)
    around, rays = surroundings(rng), scanner(rng)
    clipped = free_lengths(rays, around)
    for body, angle_deg in (
        (BOX, 0.0),
        (BOX, 25.0),
        (TestBody("c", 0.3, 0.3, 0.5, "cylinder"), 0.0),
        (TestBody("s", 0.3, 0.3, 0.3, "sphere"), 0.0),
    ):
        coarse = Grid.over(-2.0, 2.0, -3.0, -1.0, 0.1)
        certain = hit_counts(rays, clipped, body, coarse, angle_deg=angle_deg, certain=True)
        fine = Grid(coarse.x_m - 0.05, coarse.y_m - 0.05, 0.025, 4 * 40 + 1, 4 * 20 + 1)
        counts = hit_counts(rays, clipped, body, fine, angle_deg=angle_deg)
        least = np.min([counts[j : j + 80 : 4, i : i + 160 : 4] for j in range(5) for i in range(5)], axis=0)
        assert certain.max() >= 3
        assert (certain <= least).all()
    assert not hit_counts(rays, clipped, TestBody("small", 0.09, 0.3, 0.5), coarse, certain=True).any()


SQUARE = np.array([[0.0, -2.5], [2.0, -2.5], [2.0, 0.3], [0.0, 0.3]])
RING = np.array([[-1.5, -3.0], [0.5, -3.2], [0.0, -2.0], [1.5, -1.4], [-1.0, -1.0]])
FLOORS = {
    "level": Floors(),
    "one slope": Floors(FloorPlane(0.0, 0.04), FloorPlane(0.0, -0.04)),
    "dock": Floors(FloorPlane(-0.3, 0.0), FloorPlane(0.0, 0.0)),
}


@pytest.mark.parametrize("floor", ["level", "dock"])
@pytest.mark.parametrize("fields", [(), (RING,), (RING, SQUARE), (SQUARE,)])
@pytest.mark.parametrize("margin", [0.0, 0.12])
@pytest.mark.parametrize("shape", ["box", "turned", "cylinder", "sphere"])
def test_only_first_hits_in_the_fields_and_above_the_margin_count(floor, fields, margin, shape):
    floors, rng = FLOORS[floor], np.random.default_rng(7)
    around = surroundings(rng, floors)
    rays = scanner(rng, 8, 121)
    clipped = free_lengths(rays, around)
    angle_deg = 35.0 if shape == "turned" else 0.0
    body = TestBody(
        "b", 0.3, 0.3 if shape in ("cylinder", "sphere") else 0.2, 0.3, "box" if shape == "turned" else shape
    )
    grid = Grid.over(-2.0, 2.0, -3.4, 0.4, 0.05)
    counts = hit_counts(
        rays, clipped, body, grid, angle_deg=angle_deg, floors=floors, fields=fields, least_above_m=margin
    )
    solid = Solid(body.shape, 0.15, body.depth_m / 2.0, 0.3, np.radians(angle_deg))

    def keep(points):
        x, y, z = points.T
        inside = np.any([intersects_xy(Polygon(ring), x, y) for ring in fields], axis=0) if fields else True
        return inside & (z >= floors.height(y) + margin - 1e-9)

    assert counts.max() > 5
    loose = 0
    for row, column in np.column_stack(np.unravel_index(rng.choice(np.flatnonzero(counts), 40), counts.shape)):
        x, y = grid.centres_x[column], grid.centres_y[row]
        least, plain, most = bracket(
            solid,
            rays.origins,
            rays.directions,
            clipped.lengths,
            (x, y),
            floors.height(y),
            keep if fields or margin else None,
        )
        loose += least < most
        assert least <= counts[row, column] <= most
        assert least < most or counts[row, column] == plain
    assert loose < 20


@pytest.mark.parametrize("shape", ["box", "cylinder", "sphere"])
def test_counts_on_a_slope_are_never_too_many_and_at_most_the_drawn_in_part_too_few(shape):
    floors, rng = FLOORS["one slope"], np.random.default_rng(9)
    rays = scanner(rng, 8, 121)
    clipped = free_lengths(rays, surroundings(rng, floors))
    body, grid = TestBody("b", 0.3, 0.3, 0.3, shape), Grid.over(-2.0, 2.0, -3.4, -0.4, 0.05)
    counts = hit_counts(rays, clipped, body, grid, floors=floors)
    short = 0
    for row, column in np.column_stack(np.unravel_index(rng.choice(np.flatnonzero(counts), 60), counts.shape)):
        place = grid.centres_x[column], grid.centres_y[row]
        solids = Solid(shape, 0.15, 0.15, 0.3), Solid(shape, 0.15, 0.15, 0.3).grown(-0.04 * 0.15 * 2.0)
        drawn_in, true = (
            int(
                np.isfinite(
                    hit_length(
                        solid, rays.origins, rays.directions, clipped.lengths, place, floors.height(place[1]) + sink
                    )
                ).sum()
            )
            for solid, sink in ((solids[1], 0.04 * 0.15 * 2.0), (solids[0].grown(EPS_M), 0.0))
        )
        assert counts[row, column] <= true
        assert counts[row, column] >= drawn_in
        short += true - drawn_in
    assert short > 0


def test_smallest_detected_is_the_first_with_enough_hits():
    rng = np.random.default_rng(4)
    rays = scanner(rng, 5, 121, least_hits=3)
    clipped = free_lengths(rays, surroundings(rng))
    bodies = [TestBody(f"{size}", size, size, 2 * size) for size in (0.05, 0.1, 0.2, 0.4)]
    grid = Grid.over(-2.0, 2.0, -3.0, 0.0, 0.05)
    smallest = smallest_detected(rays, clipped, bodies, grid)
    enough = np.array([hit_counts(rays, clipped, body, grid) >= 3 for body in bodies])
    assert (smallest == np.where(enough.any(axis=0), enough.argmax(axis=0), len(bodies))).all()
    assert set(np.unique(smallest)) == {0, 1, 2, 3, 4}
    with pytest.raises(GeometryError, match="grow"):
        smallest_detected(rays, clipped, bodies[::-1], grid)


def test_empty_and_degenerate_inputs_count_nothing():
    none = rays_of([], [])
    assert not counts_of(none).any()
    assert counts_of(none, grid=Grid(0.0, 0.0, 0.1, 0, 0)).shape == (0, 0)
    ray = rays_of([0.05, 0.05, 2.0], [0, 0, -1])
    stopped = Clipped(np.zeros(1), np.zeros(1, dtype=np.int64))
    assert not hit_counts(ray, stopped, BOX, GRID).any()
    assert not hit_counts(ray, stopped, BOX, GRID, fields=(RING,)).any()


@pytest.mark.parametrize(
    "body",
    [
        TestBody("flat", 0.1, 0.1, 0.0),
        TestBody("oval", 0.1, 0.2, 0.1, "cylinder"),
        TestBody("egg", 0.1, 0.1, 0.2, "sphere"),
    ],
)
def test_malformed_body_is_refused(body):
    with pytest.raises(GeometryError, match=body.name):
        counts_of(rays_of([0, 0, 2], [0, 0, -1]), body)


@pytest.mark.parametrize("rays_per_plane", [241, 2001])
@pytest.mark.parametrize("cell_m", [0.01, 0.1])
@pytest.mark.parametrize("fields", [(), (RING,)])
@pytest.mark.parametrize("back_end", ["numpy", "numba"])
def test_peak_memory_keeps_to_the_formula_of_the_module(monkeypatch, back_end, fields, cell_m, rays_per_plane):
    monkeypatch.setattr(counts_module, "engine", pytest.importorskip(f"sillcast.kernel._{back_end}"))
    rng = np.random.default_rng(0)
    around, rays = surroundings(rng), scanner(rng, 8, rays_per_plane)
    clipped = free_lengths(rays, around)
    grid = Grid.over(-3.0, 3.0, -6.0, 0.0, cell_m)
    hit_counts(rays, clipped, BOX, GRID, fields=fields)  # compiled before it is measured
    monkeypatch.setattr(counts_module, "_kept", threading.local())  # nothing kept of earlier maps
    tracemalloc.start()
    hit_counts(rays, clipped, BOX, grid, fields=fields)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    n, c, m = len(rays.range_m), grid.rows * grid.columns, grid.rows + grid.columns
    formula = 12 * c + 4 * m + 8 * n + 2**16
    if fields:
        formula += 150 * 2 * n + 7 * 2**20  # the ring lets each ray in twice at most
    if back_end == "numpy":
        formula += 550 * n + 24 * c + 200 * 2**17
    assert peak <= formula
    if back_end == "numba" and not fields and cell_m < 0.1:
        assert peak >= 0.5 * formula  # the formula says how much, not only that it is enough


def test_kept_counters_are_clear_again(monkeypatch):
    """Maps of several sizes on one thread, one of them broken off; the counters of a wide map are not kept."""
    monkeypatch.setattr(counts_module, "_kept", threading.local())
    rng = np.random.default_rng(0)
    around, rays = surroundings(rng), scanner(rng, 8, 241)
    clipped = free_lengths(rays, around)
    fine, coarse = Grid.over(-3.0, 3.0, -6.0, 0.0, 0.05), Grid.over(-3.0, 3.0, -6.0, 0.0, 0.2)
    first = [hit_counts(rays, clipped, BOX, grid) for grid in (fine, coarse)]
    assert first[0].max() > 5
    assert len(counts_module._kept.cells) == 2 * 120 * 120 + 240
    with monkeypatch.context() as broken:
        broken.setattr(counts_module.engine, "count", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            hit_counts(rays, clipped, BOX, fine)
    again = [hit_counts(rays, clipped, BOX, grid) for grid in (coarse, fine)]
    assert (again[1] == first[0]).all()
    assert (again[0] == first[1]).all()
    monkeypatch.setattr(counts_module, "_KEPT_CELLS", 100)
    hit_counts(rays, clipped, BOX, Grid.over(-3.0, 3.0, -6.0, 0.0, 0.04))
    assert counts_module._kept.cells is None


def test_cells_inside_a_shape_are_those_that_hold_their_centre():
    rng = np.random.default_rng(3)
    discs = [Polygon(rng.uniform(-0.8, 0.8, 2) + 0.3 * np.array([[1, 0], [0, 1], [-1, -0.2]])) for _ in range(6)]
    shape = discs[0].union(discs[1]).union(discs[2]).symmetric_difference(discs[3].union(discs[4]))
    x, y = np.meshgrid(GRID.centres_x, GRID.centres_y)
    expected = intersects_xy(shape, x.ravel(), y.ravel()).reshape(x.shape)
    assert 20 < expected.sum() < 300
    assert np.array_equal(inside(Region(shape), GRID), expected)
    assert not inside(Region(), GRID).any()


@pytest.mark.parametrize("noise_m", [0.0, 4e-9, -4e-9])
def test_borders_through_centres_belong_to_the_cell_on_their_upper_right(noise_m):
    """Two areas that meet on a line of centres have each centre once, whatever the clipping library rounds to."""
    grid = Grid(0.05, 0.05, 0.1, 10, 10)
    left, right = Region.box(0.25, 0.55 + noise_m, 0.25, 0.75), Region.box(0.55 - noise_m, 0.85, 0.25, 0.75)
    counted = inside(left, grid).astype(int) + inside(right, grid)
    assert counted.max() == 1
    assert counted.sum() == 6 * 5
    assert inside(left, grid)[2:7, 2:5].all()


@pytest.mark.parametrize("up", [0.001, 0.005, 0.008, 0.02])
@pytest.mark.parametrize("engine", ["numba", "numpy"])
def test_a_widening_beam_that_rises_past_a_body_hits_it_nowhere(monkeypatch, up, engine):
    """From 2.5 m the beam goes up, less steeply than it widens; the body is 0.7 m high."""
    module = pytest.importorskip(f"sillcast.kernel._{engine}")
    monkeypatch.setattr(counts_module, "engine", module)
    at = Pose.of(side="near", x_m=0.0, y_m=-0.5, z_m=2.5)
    rays = Rays.from_head(at=at, own=[[0.0, 1.0, up]], group=[0], range_m=6.0, spot=(0.0, 1.0))
    clipped = free_lengths(rays, Surroundings(Floors(), ()))
    grid, body = Grid.over(-2.0, 2.0, -4.0, 1.0, 0.05), TestBody("body", 0.3, 0.2, 0.7)
    for certain in (False, True):
        assert not hit_counts(rays, clipped, body, grid, certain=certain).any()


def test_both_back_ends_find_the_same_cells_inside():
    """Borders of any shape, within the grid, across its edges and outside, corners on centres among them."""
    rng, found = np.random.default_rng(7), 0
    for _ in range(200):
        corners = np.round(rng.uniform(-4.0, 24.0, (rng.integers(3, 12), 2)), rng.integers(0, 7))
        edges = np.hstack([corners, np.roll(corners, -1, axis=0)])
        fast, plain = (engine.inside(edges, 20, 15) for engine in (_numba, _numpy))
        assert np.array_equal(fast, plain)
        found += int(plain.sum())
    assert 2_000 < found < 40_000

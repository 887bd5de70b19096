"""Clip and hit counts against independent ray casting: plain float64, and Embree via trimesh.

Bracket instead of equality where a ray passes within 2e-5 m of an edge or face: there even float64 and exact arithmetic
disagree. Where the bracket has no width, the engine must be equal; it must never be outside it.
"""

import numpy as np
import pytest
import trimesh
from shapely.geometry import Polygon

from reference.ray_cast import EPS_M, Embree, Solid, bracket, free_length, mesh_of
from reference.scenes import GRID, camera, scanner, surroundings
from sillcast.kernel.clip import free_lengths
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import Floors, Pose
from sillcast.kernel.solids import Prism, Surroundings, TestBody

BOX = TestBody("box", 0.30, 0.20, 0.70)
SHAPES = [
    (BOX, 0.0),
    (BOX, 90.0),
    (BOX, 30.0),
    (BOX, -100.0),
    (TestBody("lying", 0.70, 0.30, 0.20), 65.0),
    (TestBody("post", 0.25, 0.25, 0.6, "cylinder"), 0.0),
    (TestBody("ball", 0.3, 0.3, 0.3, "sphere"), 0.0),
]


def solid_of(body, angle_deg=0.0, wider=0.0):
    return Solid(body.shape, body.width_m / 2.0 + wider, body.depth_m / 2.0, body.height_m, np.radians(angle_deg))


def sampled(counts, rng, number):
    """Cells, half of them where something is hit."""
    hit, any_cell = np.flatnonzero(counts), np.arange(counts.size)
    flat = np.concatenate(
        [rng.choice(hit, number // 2) if len(hit) else [], rng.choice(any_cell, number - number // 2)]
    )
    return np.column_stack(np.unravel_index(flat.astype(int), counts.shape))


def outside(rays, clipped, body, angle_deg, counts, cells, grid=GRID, wider=0.0, **more):
    """Cells whose count is outside the bracket, and those unlike float64 although the bracket has no width."""
    beyond, wrong, loose = [], [], 0
    for row, column in cells:
        place = grid.centres_x[column], grid.centres_y[row]
        least, plain, most = bracket(
            solid_of(body, angle_deg, wider), rays.origins, rays.directions, clipped.lengths, place, **more
        )
        n = int(counts[row, column])
        beyond += [] if least <= n <= most else [(place, least, n, most)]
        wrong += [] if n == plain or least < most else [(place, plain, n)]
        loose += least < most
    return beyond, wrong, loose


@pytest.mark.parametrize(("body", "angle_deg"), SHAPES)
@pytest.mark.parametrize("make", [scanner, camera])
def test_counts_equal_float64_ray_casting_in_random_scenes(make, body, angle_deg):
    for seed in range(2):
        rng = np.random.default_rng([seed, int(abs(angle_deg)), body.name == "ball"])
        around = surroundings(rng)
        rays = make(rng) if make is scanner else make(rng, 60, 45)
        clipped = free_lengths(rays, around)
        counts = hit_counts(rays, clipped, body, GRID, angle_deg=angle_deg)
        assert counts.max() > 10
        beyond, wrong, _ = outside(rays, clipped, body, angle_deg, counts, sampled(counts, rng, 150))
        assert not beyond
        assert not wrong


@pytest.mark.parametrize(("body", "angle_deg"), SHAPES[:1] + SHAPES[2:3])
def test_counts_equal_embree_with_the_body_in_the_scene(body, angle_deg):
    for seed in range(2):
        rng = np.random.default_rng(seed)
        around, rays = surroundings(rng), scanner(rng)
        counts = hit_counts(rays, free_lengths(rays, around), body, GRID, angle_deg=angle_deg)
        meshes = [mesh_of(prism.ring, prism.base_m, prism.top_m) for prism in around.prisms]
        for row, column in sampled(counts, rng, 30):
            place = np.array([GRID.centres_x[column], GRID.centres_y[row]])
            solid = solid_of(body, angle_deg)
            mesh = trimesh.creation.box([body.width_m, body.depth_m, body.height_m])
            mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(angle_deg), [0, 0, 1]))
            mesh.apply_translation([*place, body.height_m / 2.0])
            which, length = Embree([*meshes, mesh]).first(rays.origins, rays.directions)
            least, _, most = bracket(solid, rays.origins, rays.directions, free_lengths(rays, around).lengths, place)
            seen = int(((which == len(meshes)) & (length <= rays.range_m)).sum())
            inside_another = any(
                Polygon(prism.ring).distance(Polygon(_corners(solid, place))) == 0.0
                for prism in around.prisms
                if prism.base_m < body.height_m
            )
            assert least <= counts[row, column] <= most
            assert inside_another or least <= seen <= most  # overlapping solids have no common first face


def _corners(solid, place):
    c, s = np.cos(solid.angle_rad), np.sin(solid.angle_rad)
    corners = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * [solid.a, solid.b]
    return corners @ np.array([[c, s], [-s, c]]) + place


def test_a_body_one_millimetre_wider_fails_the_validation():
    rng = np.random.default_rng(5)
    around, rays = surroundings(rng), scanner(rng)
    clipped = free_lengths(rays, around)
    counts = hit_counts(rays, clipped, BOX, GRID)
    cells = sampled(counts, rng, 300)
    assert not outside(rays, clipped, BOX, 0.0, counts, cells)[0]
    beyond, wrong, _ = outside(rays, clipped, BOX, 0.0, counts, cells, wider=0.0005)
    assert len(beyond) >= 3
    assert len(wrong) >= 3


@pytest.mark.parametrize("make", [scanner, camera])
def test_free_lengths_equal_walls_and_caps_met_one_by_one(make):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        around, rays = surroundings(rng), make(rng)
        lengths = free_lengths(rays, around).lengths
        by_faces = free_length(rays.origins, rays.directions, rays.range_m, around.prisms)
        assert np.abs(lengths - by_faces).max() < 1e-9  # float64 at 8 m: 2e-15 a step, a few divisions


def test_free_lengths_are_those_of_embree():
    rng = np.random.default_rng(1)
    around, rays = surroundings(rng), camera(rng)
    floor = mesh_of([[-30, -30], [30, -30], [30, 30], [-30, 30]], -1.0, 0.0)
    meshes = [floor, *(mesh_of(prism.ring, prism.base_m, prism.top_m) for prism in around.prisms)]
    length = np.minimum(Embree(meshes).first(rays.origins, rays.directions)[1], rays.range_m)
    by = [
        [
            Prism(
                p.name,
                np.array(Polygon(p.ring).buffer(grow, join_style="mitre").normalize().exterior.coords)[:0:-1],
                p.base_m - grow,
                p.top_m + grow,
            )
            for p in around.prisms
        ]
        for grow in (EPS_M, -EPS_M)
    ]
    shortest, longest = (free_length(rays.origins, rays.directions, rays.range_m, prisms) for prisms in by)
    slack = 2e-4  # 2e-5 m across, divided by the sine of the flattest angle between a ray and what it meets, about 0.1
    assert (length >= shortest - slack).all()
    assert (length <= longest + slack).all()
    lengths = free_lengths(rays, around).lengths
    assert ((lengths >= shortest - slack) & (lengths <= longest + slack)).all()


def plane(tilt_deg, at, fan=(-60.0, 60.0, 0.5), **mount):
    pose = Pose.of(side="near", x_m=at[0], y_m=at[1], z_m=at[2], **mount)
    return Rays.scan_planes(
        at=pose, plane_tilts_deg=[tilt_deg], start_deg=fan[0], end_deg=fan[1], step_deg=fan[2], range_m=8.0
    )


def wide(*prisms):
    return Surroundings(Floors(), prisms)


ROUND = Grid(-0.99, -2.99, 0.02, 100, 150)  # centres on odd centimetres: whole rows of them lie on outlines
BLOCK = Prism.box("block", -0.5, 0.5, -1.5, -1.0, 0.0, 1.2)
EDGE_CASES = {
    "45 degrees and round numbers": (plane(45.0, (0.0, -0.06, 2.2)), wide()),
    "vertical plane": (plane(0.0, (0.0, -0.5, 2.2)), wide()),
    "plane parallel to the floor": (plane(90.0, (0.0, -0.06, 0.5)), wide(BLOCK)),
    "parallel plane at the top of the body": (plane(90.0, (0.0, -0.06, 0.7)), wide(BLOCK)),
    "parallel plane 0.1 um above it": (plane(90.0, (0.0, -0.06, 0.7 + 1e-7)), wide(BLOCK)),
    "one vertical ray": (plane(0.0, (0.1234, -0.777, 2.2), (0.0, 0.0, 1.0)), wide()),
    "one vertical ray on a cell-aligned face": (plane(0.0, (0.16, -1.01, 2.2), (0.0, 0.0, 1.0)), wide()),
    "sensor below the top of the body": (plane(60.0, (0.0, -0.06, 0.4)), wide(BLOCK)),
    "rays at upright edges": (plane(30.0, (0.0, -0.5, 2.2), (-45.0, 45.0, 0.5)), wide(BLOCK)),
    "rays along walls": (
        plane(0.0, (0.5, -0.5, 2.2), yaw_deg=90.0),
        wide(BLOCK, Prism.box("wall", 0.5, 0.7, -3.0, 0.0, 0.0, 3.0)),
    ),
    "upward rays": (plane(120.0, (0.0, -0.5, 0.3)), wide(Prism.box("shelf", -0.5, 0.5, -2.0, -1.0, 0.6, 0.8))),
    "overlapping obstacles": (
        plane(40.0, (0.0, -0.5, 2.2)),
        wide(BLOCK, Prism.box("other", 0.2, 0.9, -1.3, -0.8, 0.0, 1.0)),
    ),
}


@pytest.mark.parametrize("case", EDGE_CASES)
@pytest.mark.parametrize(("body", "angle_deg"), [SHAPES[0], SHAPES[2], SHAPES[5], SHAPES[6]])
def test_ties_stay_inside_the_bracket(case, body, angle_deg):
    rays, around = EDGE_CASES[case]
    clipped = free_lengths(rays, around)
    counts = hit_counts(rays, clipped, body, ROUND, angle_deg=angle_deg)
    edges = np.flatnonzero(np.diff(counts, axis=1, prepend=0).reshape(-1))
    rng = np.random.default_rng(3)
    on_edges = (
        np.column_stack(np.unravel_index(rng.choice(edges, 60), counts.shape)) if len(edges) else np.empty((0, 2), int)
    )
    cells = np.concatenate([sampled(counts, rng, 60), on_edges])
    beyond, wrong, _ = outside(rays, clipped, body, angle_deg, counts, cells, ROUND)
    assert not beyond
    assert not wrong


@pytest.mark.parametrize("back", [0.0, 1e-7])
def test_head_on_a_wall_face_sees_what_it_sees_from_just_before_it(back):
    wall = Prism.box("wall", -3.0, 3.0, -0.15, 0.15, 0.0, 3.5)
    on, off = plane(30.0, (0.0, -0.15 + back, 2.2)), plane(30.0, (0.0, -0.1501, 2.2))
    seen = hit_counts(on, free_lengths(on, wide(wall, BLOCK)), BOX, ROUND)
    apart = hit_counts(off, free_lengths(off, wide(wall, BLOCK)), BOX, ROUND)
    assert seen.max() > 10
    assert np.abs(seen - apart).mean() < 0.05 * seen.mean()  # the outline moves by 0.1 mm in cells of 20 mm


def test_head_inside_an_obstacle_sees_nothing():
    rays = plane(30.0, (0.0, -1.2, 1.0))
    clipped = free_lengths(rays, wide(BLOCK))
    assert (clipped.lengths == 0.0).all()
    assert (clipped.stops == 0).all()
    assert not hit_counts(rays, clipped, BOX, ROUND).any()

"""Many mounts at once: back ends are equal, rays that will meet a leaf count nowhere, coarse to fine finds the best."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reference.scenes import pose, surroundings
from sillcast.kernel import _numpy, clip, counts, poses
from sillcast.kernel.clip import free_lengths
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import Pose
from sillcast.kernel.poses import Look, Places, best_poses, score_poses
from sillcast.kernel.solids import TestBody

GRID = Grid.over(-2.5, 2.5, -4.0, 0.5, 0.05)
BODY = TestBody("body", 0.3, 0.2, 0.7)
WANTED = (np.abs(GRID.centres_x) < 1.0)[None] & (np.abs(GRID.centres_y + 1.2) < 1.0)[:, None]
seeds = st.integers(0, 10_000)
some = settings(max_examples=20, deadline=None, derandomize=True)


def scanner(step_deg=1.0, **more):
    """Eight planes in the sensor's own frame."""
    return Rays.scan_planes(
        at=Pose(np.zeros(3), np.eye(3), "near"),
        start_deg=-60.0,
        end_deg=60.0,
        step_deg=step_deg,
        range_m=8.0,
        **{"least_hits": 2, "plane_tilts_deg": np.linspace(-5.0, 60.0, 8).tolist(), **more},
    )


def placed(model, at):
    """The rays of a mount."""
    return replace(model, origins=at.origin + model.origins, directions=model.directions @ at.matrix.T)


@some
@given(seeds, st.booleans())
def test_voided_rays_count_nowhere_and_nowhere_else(seed, all_void):
    """By one mount at a time: lengths set to 0 where the first thing met is a leaf, then plain counts."""
    rng = np.random.default_rng(seed)
    around, mounts, model = surroundings(rng), [pose(rng) for _ in range(4)], scanner(3.0)
    voids = np.array([all_void or p.part == "leaf" for p in around.prisms])
    found = score_poses(model, mounts, around, BODY, Places(GRID, WANTED, ~WANTED), voided_by=voids)
    for at, (wanted, unwanted) in zip(mounts, found, strict=True):
        rays = placed(model, at)
        free = free_lengths(rays, around)
        lengths = [0.0 if s >= 0 and voids[s] else t for t, s in zip(free.lengths, free.stops, strict=True)]
        seen = hit_counts(rays, replace(free, lengths=np.array(lengths)), BODY, GRID) >= model.least_hits
        # Turning rays in another order of operations moves the last bit, which decides ties.
        assert abs(int(seen[WANTED].sum()) - wanted) <= 2
        assert abs(int(seen[~WANTED].sum()) - unwanted) <= 2


@some
@given(seeds)
def test_back_ends_void_the_same_rays(seed):
    numba = pytest.importorskip("sillcast.kernel._numba")
    rng = np.random.default_rng(seed)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(3)]
    voids, before, found = rng.random(len(around.prisms)) < 0.5, clip.engine, []
    try:
        for engine in (numba, _numpy):
            clip.engine = counts.engine = poses.engine = engine
            found.append(
                score_poses(scanner(4.0), mounts, around, BODY, Places(GRID, WANTED, ~WANTED), voided_by=voids)
            )
    finally:
        clip.engine = counts.engine = poses.engine = before
    assert np.array_equal(*found)


def test_a_voided_ray_is_lost_before_the_leaf_too():
    """One plane towards the door that the half open leaves stop: the strip before them is seen by its other rays alone."""
    rng = np.random.default_rng(3)
    around, at = surroundings(rng), Pose.of(side="near", x_m=0.0, y_m=-0.4, z_m=2.3)
    leaf = np.array([p.part == "leaf" for p in around.prisms])
    strip = (np.abs(GRID.centres_x) < 1.2)[None] & (np.abs(GRID.centres_y + 0.2) < 0.2)[:, None]
    model, places = scanner(plane_tilts_deg=[-11.0]), Places(GRID, strip, ~strip)
    kept, voided = (score_poses(model, [at], around, BODY, places, voided_by=v)[0, 0] for v in (None, leaf))
    assert voided < kept


@pytest.mark.parametrize("keep", [1, 20])
@pytest.mark.parametrize("seed", range(6))
def test_coarse_to_fine_finds_the_mounts_that_judging_all_in_full_finds(seed, keep):
    rng = np.random.default_rng(seed)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(600)]
    leaf = np.array([p.part == "leaf" for p in around.prisms])
    looks = [
        Look(scanner(least_hits=3), around, BODY, Places(GRID, WANTED, ~WANTED), worth=(1.0, -0.1)),
        Look(
            scanner(), around, BODY, Places(GRID, WANTED & (GRID.centres_y > -1.0)[:, None], ~WANTED), (0.0, 90.0), leaf
        ),
    ]
    in_full = sum(look.value(mounts, 1) for look in looks)
    judged = best_poses(looks, mounts, keep=keep)
    assert np.array_equal(judged.order[:keep], np.argsort(-in_full, kind="stable")[:keep])
    assert np.array_equal(judged.value[judged.full], in_full[judged.full])
    assert judged.full.sum() < len(mounts)


def test_a_search_does_not_depend_on_its_threads_and_tells_how_far_it_is():
    rng, told = np.random.default_rng(0), []
    around, mounts = surroundings(rng), [pose(rng) for _ in range(600)]
    look = Look(scanner(3.0), around, BODY, Places(GRID, WANTED, ~WANTED))
    one, two = (best_poses([look], mounts, keep=5, threads=n, tick=lambda *t: told.append(t)) for n in (1, 2))
    assert np.array_equal(one.value, two.value)
    assert np.array_equal(one.full, two.full)
    assert all(0 <= done < of == 600 for done, of in told)


def test_few_places_are_all_looked_at():
    few = np.zeros_like(WANTED)
    few[10:14, 20:60] = True
    places = Places(GRID, few, np.zeros_like(few))
    assert places.sparse().wanted.sum() == few.sum()
    many = Places(GRID, WANTED, np.zeros_like(few))
    assert many.sparse().wanted.sum() * 4 == WANTED.sum()
    assert many.sparse().grid.cell_m == 2 * GRID.cell_m
    x, y = many.sparse().grid.centres_x, many.sparse().grid.centres_y
    assert np.isin(np.round(x, 6), np.round(GRID.centres_x, 6)).all()
    assert np.isin(np.round(y, 6), np.round(GRID.centres_y, 6)).all()

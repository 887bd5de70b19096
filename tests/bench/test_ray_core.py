"""Times of the ray core; run with `pytest tests/bench --benchmark-only`."""

import numpy as np
import pytest

from bench.embree_baseline import EmbreeCounts
from bench.report import camera_head, laser, mount_search, places_of
from reference.scenes import GRID, surroundings
from sillcast.kernel.clip import free_lengths
from sillcast.kernel.counts import Grid, hit_counts, smallest_detected
from sillcast.kernel.solids import TestBody

BODY = TestBody("body", 0.3, 0.2, 0.7)
HEADS = {"8 planes x 241 rays": laser, "camera 160 x 120": camera_head}


@pytest.fixture(params=HEADS)
def scene(request):
    rng = np.random.default_rng(0)
    around = surroundings(rng)
    rays = HEADS[request.param](rng)
    return rays, around, free_lengths(rays, around)


def test_clip(benchmark, scene):
    rays, around, _ = scene
    benchmark(free_lengths, rays, around)


def test_hit_count_map(benchmark, scene):
    rays, around, _ = scene
    assert benchmark(lambda: hit_counts(rays, free_lengths(rays, around), BODY, GRID)).any()


@pytest.mark.parametrize("cell_m", [0.01, 0.05, 0.1])
def test_hit_count_map_by_cell(benchmark, scene, cell_m):
    rays, _, clipped = scene
    grid = Grid.over(-3.0, 3.0, -6.0, 0.0, cell_m)
    assert benchmark(hit_counts, rays, clipped, BODY, grid).any()


def test_smallest_of_14_sizes(benchmark, scene):
    rays, _, clipped = scene
    bodies = [TestBody(f"{size:.2f}", size, size, 2.0 * size) for size in np.linspace(0.05, 0.4, 14)]
    assert benchmark(smallest_detected, rays, clipped, bodies, GRID).any()


def test_embree_baseline_on_400_places(benchmark, scene):
    rays, _, clipped = scene
    baseline, places = EmbreeCounts(rays, clipped.lengths, BODY), places_of(np.random.default_rng(1), 400)
    assert benchmark.pedantic(baseline.counts, (places,), rounds=3).any()


@pytest.mark.parametrize("threads", [1, 2])
def test_500_mounts(benchmark, threads):
    search = mount_search(500, threads, first_look=True)
    assert benchmark.pedantic(search, rounds=2).any()

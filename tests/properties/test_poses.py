"""Many mounts at once: back ends are equal, rays that will meet a leaf count nowhere, a first look puts them in order."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reference.scenes import pose, surroundings
from sillcast.errors import GeometryError
from sillcast.kernel import _poses_numpy, poses
from sillcast.kernel.clip import free_lengths
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import Pose
from sillcast.kernel.poses import Look, Places, looked_at_first, score_poses, seen_from, spaced
from sillcast.kernel.solids import TestBody

GRID = Grid.over(-2.5, 2.5, -4.0, 0.5, 0.05)
BODY = TestBody("body", 0.3, 0.2, 0.7)
WANTED = (np.abs(GRID.centres_x) < 1.0)[None] & (np.abs(GRID.centres_y + 1.2) < 1.0)[:, None]
seeds = st.integers(0, 10_000)
some = settings(max_examples=20, deadline=None)


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
def test_back_ends_judge_alike(seed):
    """The plain one leaves no ray out; the compiled one those that pass by the places."""
    numba = pytest.importorskip("sillcast.kernel._poses_numba")
    rng = np.random.default_rng(seed)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(3)]
    voids, found = rng.random(len(around.prisms)) < 0.5, []
    model = scanner(4.0, plane_tilts_deg=[-5.0, 20.0, 60.0, 89.7, 90.0, 90.3])
    model = replace(model, beam_width_m=0.01, divergence_deg=float(seed % 3))
    for engine in (numba, _poses_numpy):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(poses, "engine", engine)
            few = score_poses(model, mounts, around, BODY, Places(GRID, WANTED, ~WANTED), voided_by=voids)
            seen = seen_from(model, mounts, around, BODY, GRID, angles_deg=(0.0, 30.0, 90.0), voided_by=voids)
        found.append((few, seen))
    assert np.array_equal(found[0][0], found[1][0])
    assert np.array_equal(found[0][1], found[1][1])
    assert found[0][1][:, 0, WANTED].sum(axis=1).tolist() == found[0][0][:, 0].tolist()


def test_a_voided_ray_is_lost_before_the_leaf_too():
    """One plane towards the door that the half open leaves stop: the strip before them is seen by its other rays alone."""
    rng = np.random.default_rng(3)
    around, at = surroundings(rng), Pose.of(side="near", x_m=0.0, y_m=-0.4, z_m=2.3)
    leaf = np.array([p.part == "leaf" for p in around.prisms])
    strip = (np.abs(GRID.centres_x) < 1.2)[None] & (np.abs(GRID.centres_y + 0.2) < 0.2)[:, None]
    model, places = scanner(plane_tilts_deg=[-11.0]), Places(GRID, strip, ~strip)
    kept, voided = (score_poses(model, [at], around, BODY, places, voided_by=v)[0, 0] for v in (None, leaf))
    assert voided < kept


@pytest.mark.parametrize("seed", range(6))
def test_a_first_look_puts_good_mounts_first(seed):
    """Of the first thirtieth by a part of rays and places one is as good, by all of them, as the best to a hundredth."""
    rng = np.random.default_rng(seed)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(600)]
    leaf = np.array([p.part == "leaf" for p in around.prisms])
    looks = [
        Look(scanner(least_hits=3), around, BODY, Places(GRID, WANTED, ~WANTED), worth=(1.0, -0.1)),
        Look(
            scanner(), around, BODY, Places(GRID, WANTED & (GRID.centres_y > -1.0)[:, None], ~WANTED), (0.0, 90.0), leaf
        ),
    ]
    in_full, in_part = (np.sum([look.value(mounts, 1) for look in some], axis=0) for some in
                        (looks, [look.sparse() for look in looks]))  # fmt: skip
    first = np.argsort(-in_part, kind="stable")[:20]
    assert in_full[first].max() >= in_full.max() - 0.01
    assert in_full[first].mean() > np.quantile(in_full, 0.75)


def test_a_look_does_not_depend_on_its_threads():
    rng = np.random.default_rng(0)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(200)]
    look = Look(scanner(3.0), around, BODY, Places(GRID, WANTED, ~WANTED))
    assert np.array_equal(look.value(mounts, 1), look.value(mounts, 2))


def test_beams_that_a_body_blocks_are_not_moved_alone():
    beam = replace(scanner(30.0), blocks=True)
    with pytest.raises(GeometryError, match="counterpart"):
        score_poses(beam, [], surroundings(np.random.default_rng(0)), BODY, Places(GRID, WANTED, ~WANTED))


def test_few_places_are_all_looked_at_and_of_many_a_quarter_in_mirror_image():
    few = np.zeros_like(WANTED)
    few[10:14, 20:60] = True
    places = Places(GRID, few, np.zeros_like(few))
    assert places.sparse().wanted.sum() == few.sum()
    odd = WANTED & (GRID.centres_x > -0.83)[None]
    ours, theirs = (Places(GRID, w, np.zeros_like(w)).sparse() for w in (odd, odd[:, ::-1]))
    assert ours.grid.cell_m == 2 * GRID.cell_m
    assert ours.wanted.sum() * 4 >= odd.sum() > 3.5 * ours.wanted.sum()
    assert np.array_equal(ours.wanted, theirs.wanted[:, ::-1])
    assert np.allclose(ours.grid.centres_x, -theirs.grid.centres_x[::-1], atol=1e-12)
    assert np.allclose(ours.grid.centres_y, theirs.grid.centres_y, atol=0.0)
    # Every place is the corner that four cells share, one of them wanted.
    for x, y in (
        (ours.grid.centres_x[i], ours.grid.centres_y[j]) for j, i in zip(*np.nonzero(ours.wanted), strict=True)
    ):
        near = (np.abs(GRID.centres_x - x) < GRID.cell_m)[None] & (np.abs(GRID.centres_y - y) < GRID.cell_m)[:, None]
        assert near.sum() == 4
        assert (near & odd).any()


def camera(**more):
    """Twenty rows of pixels, 3 deg from one to the next, in the sensor's own frame."""
    rows = np.linspace(0.0, 57.0, 20).tolist()
    return scanner(4.0, **{"plane_tilts_deg": rows, "least_hits": 1, "hits_within": "plane", **more})


@some
@given(seeds)
def test_where_one_hit_is_enough_it_does_not_matter_in_which_row(seed):
    rng = np.random.default_rng(seed)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(2)]
    rows, head = (seen_from(camera(hits_within=w), mounts, around, BODY, GRID) for w in ("plane", "head"))
    assert np.array_equal(rows, head)


def test_rows_that_lie_near_each_other_are_thinned_and_others_are_not():
    few = spaced(camera(least_hits=3), 7.0)
    assert np.unique(few.group).tolist() == list(range(1, 20, 2))
    assert (few.least_hits, len(few.range_m)) == (3, len(camera().range_m) // 2)
    for whole, apart_deg in ((camera(), 5.9), (camera(least_hits=3, hits_within="head"), 7.0)):
        assert spaced(whole, apart_deg) is whole


def test_a_part_of_the_rows_never_sees_more():
    rng = np.random.default_rng(1)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(20)]
    model = camera(least_hits=2)
    few, all_rows = (seen_from(m, mounts, around, BODY, GRID) for m in (spaced(model, 7.0), model))
    assert few.any()
    assert not (few & ~all_rows).any()


def test_bands_of_a_picture_are_looked_at_together_at_the_widest_margin():
    rows = camera(least_hits=2)
    halves = [
        replace(
            rows,
            **{name: getattr(rows, name)[part] for name in ("origins", "directions", "range_m", "group")},
            floor_margin_m=margin,
        )
        for part, margin in ((rows.group < 10, 0.05), (rows.group >= 10, 0.1))
    ]
    (together,) = looked_at_first(halves)
    assert (together.least_hits, together.floor_margin_m) == (1, 0.1)
    assert len(together.range_m) == sum(len(looked_at_first([half])[0].range_m) for half in halves)
    needs_more = [replace(half, least_hits=9) for half in halves]
    assert len(looked_at_first(needs_more)) == 2

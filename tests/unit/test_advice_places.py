"""Zones on a grid: cells against exact regions, and never better than the assessment."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ablation.small import small_door, task_of
from sillcast import Planner
from sillcast.advice.places import OnGrid, inside, thinned
from sillcast.advice.task import placed_again
from sillcast.family import Rays
from sillcast.kernel import Pose, Region
from sillcast.kernel.counts import Grid

PLANNER = Planner()
FEW = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@given(st.lists(st.floats(0.2, 0.95), min_size=5, max_size=12), st.floats(-0.1, 0.1))
@FEW
def test_cells_inside_are_those_whose_centres_the_region_holds(radii, x):
    turn = np.linspace(0.0, 2 * np.pi, len(radii), endpoint=False)
    star = Region.ring(np.column_stack([radii * np.cos(turn), radii * np.sin(turn)]))
    region = star - Region.box(x, x + 0.1, -0.3, 0.3)
    grid = Grid.over(-1.0, 1.0, -1.0, 1.0, 0.07)
    cells = inside(region, grid)
    sure_in, sure_out = region.grown(-0.002), region.grown(0.002)  # rings are rounded to 1 mm
    for j, y in enumerate(grid.centres_y):
        for i, x_m in enumerate(grid.centres_x):
            if cells[j, i]:
                assert sure_out.holds(x_m, y)
            else:
                assert not sure_in.holds(x_m, y)


def test_an_empty_region_has_no_cells():
    assert not inside(Region(), Grid.over(0.0, 1.0, 0.0, 1.0, 0.1)).any()


@given(st.floats(-3.0, 8.0), st.floats(-15.0, 15.0), st.floats(20.0, 26.0))
@FEW
def test_a_zone_met_on_the_grid_is_met_by_exact_regions(tilt, yaw, last):
    """The grid counts whole cells, so what it promises must hold; the reverse need not."""
    request = small_door(**{
        "/sensors/0/mount/tilt_deg": tilt, "/sensors/0/mount/yaw_deg": yaw, "/sensors/0/device/plane_tilts_deg/3": last,
    })  # fmt: skip
    task = task_of(PLANNER, request)
    exact = {c.zone: c for c in task.comparisons}
    for fineness in (8, 32):
        for score in OnGrid(task.site, task.zones, fineness=fineness).scores(task.placed):
            assert score.gap_m2 > 0 or exact[score.zone.id].verdict == "met"


def test_the_unseen_area_tends_to_the_exact_one():
    task = task_of(PLANNER, small_door())
    exact = {c.zone: c.gap_m2 for c in task.comparisons}
    off = []
    for fineness in (8, 32):
        scores = OnGrid(task.site, task.zones, fineness=fineness).scores(task.placed)
        off.append(sum(s.gap_m2 - exact[s.zone.id] for s in scores if s.zone.kind == "activation"))
    assert 0.0 <= off[1] < off[0]


def test_thinning_keeps_every_so_manieth_ray_and_scales_the_hits():
    at = Pose.of(side="near", x_m=0.0, y_m=0.0, z_m=2.0)
    planes = {"plane_tilts_deg": [0.0, 10.0], "start_deg": -10.0, "end_deg": 10.0, "step_deg": 1.0, "range_m": 5.0}
    rays = Rays.scan_planes(at=at, least_hits=5, **planes)
    few = thinned(rays, 3)
    assert (len(few.range_m), few.least_hits) == (14, 2)
    assert np.array_equal(np.bincount(few.group), [7, 7])
    once = Rays.scan_planes(at=at, least_hits=1, **planes)
    assert thinned(once, 3) is once


@pytest.mark.parametrize("tilt", [2.0, 6.0])
def test_a_sensor_is_looked_at_once_for_each_grid(tilt):
    task = task_of(PLANNER, small_door(**{"/sensors/0/mount/tilt_deg": tilt}))
    again = placed_again(task.request, task.placed[0])
    assert task.fine.seen(task.placed[0]) is task.fine.seen(task.placed[0])
    first, second = task.fine.scores(task.placed), task.fine.scores([again])
    assert [(s.gap_m2, s.margin_m) for s in first] == [(s.gap_m2, s.margin_m) for s in second]

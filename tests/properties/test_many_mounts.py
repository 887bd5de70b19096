"""Many mounts looked at together see what each sees alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ablation.small import small_door, task_of
from kettlewharf import changed
from sillcast import Planner
from sillcast.advice.places import OnGrid

PLANNER = Planner()
POST = {"name": "post", "ring_m": [[0.3, -0.7], [0.5, -0.7], [0.5, -0.5], [0.3, -0.5]], "top_m": 1.1}
BOTH = {"/sensors/0/purposes": ["activation", "protection"], "/site": {"obstacles": [POST]}}


def placed(request, x_m, z_m, tilt_deg, yaw_deg):
    """The small door's scanner elsewhere."""
    at = {
        "/sensors/0/mount/position/x_m": x_m, "/sensors/0/mount/position/z_m": z_m,
        "/sensors/0/mount/tilt_deg": tilt_deg, "/sensors/0/mount/yaw_deg": yaw_deg,
    }  # fmt: skip
    moved = PLANNER._taken(changed(request, at))
    return PLANNER._place(moved, moved.sensors[0], 0)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.booleans(), st.sampled_from([{}, {"/sensors/0/device/hits_within": "plane"}]))
def test_together_as_alone(seed, certain, more):
    rng, request = np.random.default_rng(seed), small_door(**BOTH, **more)
    task = task_of(PLANNER, request)
    # Uneven numbers: on even ones rays end on borders, where the order of operations decides.
    some = [
        placed(request, *rng.uniform([-0.69, 2.31, -5.1, -9.3], [0.71, 2.77, 11.3, 9.7]).tolist()) for _ in range(5)
    ]
    alone, together = (OnGrid(task.site, task.zones, fineness=4, certain=certain) for _ in range(2))
    together.look_at(some)
    assert all(s in together._seen for s in some)
    different = total = 0
    for sensor in some:
        for one, other in zip(alone.seen(sensor), together.seen(sensor), strict=True):
            different += sum(int((a != b).sum()) for a, b in zip(one, other, strict=True))
            total += sum(int(a.sum()) for a in one)
    assert total > 0
    assert different <= 2


@pytest.mark.parametrize(
    "change",
    [
        {"/sensors/0/device/fields": [{"purpose": "activation", "x_from_m": -0.5, "x_to_m": 0.5, "out_from_m": 0.0,
                                       "out_to_m": 1.0}]},
        {"/sensors/0/device": {"family": "microwave", "range_m": 4.0}},
    ],
)  # fmt: skip
def test_what_one_count_for_each_cell_cannot_tell_is_left_to_one_by_one(change):
    """Fields end rays at places of their own, lobes have no rays."""
    request = small_door(**BOTH)
    some = [placed(changed(request, change), x, 2.4, 3.0, 0.0) for x in (-0.3, 0.3)]
    task = task_of(PLANNER, request)
    grid = OnGrid(task.site, task.zones, fineness=4)
    assert grid.seen_from(some[0], [s.scene.mount for s in some]) is None
    grid.look_at(some)
    assert not any(s in grid._seen for s in some)


def test_a_head_whose_floor_margin_depends_on_its_height_is_not_told_by_a_lower_one():
    """A depth camera's noise grows with the distance to the floor, and with it what it must leave out above the floor."""
    camera = {"family": "depth_camera", "columns": 40, "rows": 30}
    request = small_door(**BOTH, **{"/sensors/0/device": camera})
    some = [placed(request, 0.11, z, tilt, 0.0) for z, tilt in ((2.31, 3.0), (2.33, 4.0), (3.9, 25.0))]
    assert len({s.emissions[0].floor_margin_m for s in some}) > 1
    task = task_of(PLANNER, request)
    alone, together = (OnGrid(task.site, task.zones, fineness=4) for _ in range(2))
    together.look_at(some)
    for sensor in some:
        assert together.scores([sensor]) == alone.scores([sensor])


def test_sensors_of_different_make_or_side_are_not_told_by_each_other():
    """A far head looks at other zones than a near one; the same head with a shorter range sees less."""
    request = small_door(**BOTH)
    near = [placed(request, x, 2.4, 3.0, 0.0) for x in (-0.31, 0.33)]
    far = placed(
        changed(request, {"/sensors/0/mount/side": "far", "/sensors/0/mount/position/y_m": 0.2}), 0.31, 2.4, 3.0, 0.0
    )
    short = placed(changed(request, {"/sensors/0/device/range_m": 2.0}), 0.31, 2.4, 3.0, 0.0)
    task = task_of(PLANNER, request)
    grid, alone = (OnGrid(task.site, task.zones, fineness=4) for _ in range(2))
    grid.look_at([*near, far, short])
    for sensor in (*near, far, short):
        assert grid.scores([sensor]) == alone.scores([sensor])
    assert grid.scores([near[0]]) != grid.scores([far])

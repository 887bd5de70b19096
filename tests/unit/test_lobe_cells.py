"""Lobes on a grid: as their regions to less than a cell, certain within the region alone, equal for both back ends."""

from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sillcast.kernel import FloorPlane, Floors, Pose, Prism, Surroundings, TestBody, _lobe_numpy
from sillcast.kernel import lobe_cells as module
from sillcast.kernel.counts import Grid, inside
from sillcast.kernel.lobe import Lobe, lobe_region
from sillcast.kernel.lobe_cells import CORNER, lobe_cells
from sillcast.kernel.sight import shadow

BODY = TestBody("body", 0.3, 0.2, 0.7)
GRID = Grid.over(-3.0, 3.0, -6.0, 6.0, 0.05)
POST = Prism.box("post", -1.0, -0.9, 1.0, 1.1, 0.0, 2.0)
SHELF = Prism.box("shelf", 0.6, 1.4, 1.4, 1.6, 0.3, 0.6)
DOCK = Floors(FloorPlane(-0.3, 0.02), FloorPlane(0.0, 0.01))
WAYS = {"stands": (None,), "moves": ((0.0, -1.4),), "either way": ((0.3, -1.0), (-0.3, 1.0))}


def lobe_of(*, tilt=35.0, yaw=10.0, way="moves", **how):
    pose = Pose.of(side="far", x_m=0.3, y_m=0.2, z_m=2.6, tilt_deg=tilt, yaw_deg=yaw)
    motion = {"presence": way == "stands", "least_radial_speed_m_per_s": 0.1}
    return Lobe.looking(pose, **{"range_m": 6.0, "width_deg": 70.0, "depth_deg": 36.0, "echo_m2": 0.5} | motion | how)


def cells_of(lobe, around, way, *, certain=False, grid=GRID):
    def hidden(level):
        region = shadow(lobe.origin, around, level, reach_m=1e3)
        return inside(region.grown(CORNER * grid.cell_m) if certain else region, grid)

    return lobe_cells(lobe, around.floors, BODY, grid, velocities=WAYS[way], certain=certain, hidden=hidden)


def regions_of(lobe, around, way):
    return [lobe_region(lobe, around, BODY, velocity_m_per_s=velocity) for velocity in WAYS[way]]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("floors", [Floors(), DOCK])
@pytest.mark.parametrize("how", [{}, {"nearest_m": 2.2}, {"sense": "towards"}, {"width_deg": 0.0, "depth_deg": 0.0}])
def test_cells_are_those_of_the_region_to_less_than_a_cell(way, floors, how):
    around, lobe = Surroundings(floors, (POST, SHELF)), lobe_of(way=way, **how)
    regions, cells = regions_of(lobe, around, way), cells_of(lobe, around, way)
    within, beside = (np.any([inside(region.grown(by), GRID) for region in regions], axis=0) for by in (-0.05, 0.05))
    assert within.sum() > 500
    assert not (within & ~cells).any()
    assert (cells & ~beside).sum() <= 0.001 * cells.sum()  # at sharp corners, which a polygon of 96 corners cuts


@pytest.mark.parametrize("way", ["stands", "moves"])
@pytest.mark.parametrize("floors", [Floors(), DOCK])
@pytest.mark.parametrize("tilt", [20.0, 50.0])
def test_in_a_certain_cell_the_body_is_detected_wherever_it_stands(way, floors, tilt):
    around, lobe = Surroundings(floors, (POST, SHELF)), lobe_of(way=way, tilt=tilt)
    certain = cells_of(lobe, around, way, certain=True)
    half = 0.499 * GRID.cell_m
    for x, y in ((-half, -half), (-half, half), (half, -half), (half, half), (0.3 * half, -0.6 * half)):
        moved = Grid(GRID.x_m + x, GRID.y_m + y, GRID.cell_m, GRID.columns, GRID.rows)
        assert not (certain & ~cells_of(lobe, around, way, grid=moved)).any()
    (region,) = regions_of(lobe, around, way)
    assert (certain & ~inside(region, GRID)).sum() <= 0.005 * certain.sum()  # at sharp corners, as above
    assert 0 < certain.sum() < cells_of(lobe, around, way).sum()


def test_a_lobe_of_motion_sees_nothing_that_stands():
    around = Surroundings(Floors(), ())
    assert not cells_of(lobe_of(), around, "stands").any()
    assert cells_of(lobe_of(), around, "moves").any()


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.0, 75.0), st.floats(-45.0, 45.0), st.floats(0.0, 80.0), st.floats(20.0, 90.0), st.floats(0.0, 1.0),
    st.sampled_from([0.0, 0.05]), st.tuples(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0)), st.sampled_from([4.0, np.inf]),
)  # fmt: skip
def test_back_ends_agree(tilt, yaw, width, edge, absorption, fall, course, farthest):
    """The compiled one leaves out places between others that need as much; the plain one looks at all."""
    fast = pytest.importorskip("sillcast.kernel._lobe_numba")
    lobe = lobe_of(
        tilt=tilt, yaw=yaw, width_deg=width, depth_deg=width / 2.0, edge_width_deg=edge, edge_depth_deg=edge,
        absorption_db_per_m=absorption, farthest_m=farthest,
    ) if width > 1.0 else lobe_of(tilt=tilt, yaw=yaw, width_deg=0.0, depth_deg=0.0)  # fmt: skip
    beam = module._beam(lobe, 0.3)
    levels = np.array([[height, fall] for height in (0.1, 0.35, 1.5)])
    asked = (beam, levels, np.array([course, (0.0, 0.0)]), GRID.centres_x, GRID.centres_y)
    one, other = fast.shares_needed(*asked), _lobe_numpy.shares_needed(*asked)
    assert one.shape == (2, 3, GRID.rows, GRID.columns)
    assert (one != other).sum() <= 2  # a logarithm's last bit decides ties


def test_the_module_uses_the_back_end_that_is_in_use(monkeypatch):
    around, lobe = Surroundings(Floors(), (POST,)), lobe_of()
    found = partial(cells_of, lobe, around, "moves", certain=True)
    before = found()
    monkeypatch.setattr(module, "engine", _lobe_numpy)
    assert np.array_equal(before, found())

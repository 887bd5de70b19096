"""Free lengths worked out by hand: floors, prisms of all kinds, heads that touch what they are mounted on."""

import numpy as np
import pytest

from sillcast.errors import GeometryError
from sillcast.kernel.clip import FLOOR, RANGE, free_lengths, pack, prism_holding
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import FloorPlane, Floors
from sillcast.kernel.solids import Prism, Surroundings

DOWN = (0.0, 0.0, -1.0)
LEVEL = Floors()
ELL = Prism("ell", np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]], dtype=float), 0.0, 1.0)
BLOCK = Prism.box("block", 1.0, 2.0, -0.5, 0.5, 0.0, 1.0)


def cast(origin, direction, *prisms, floors=LEVEL, range_m=10.0):
    """Length and stop of one ray; the direction need not be of unit length."""
    d = np.array([direction], dtype=float)
    rays = Rays(np.array([origin], dtype=float), d / np.linalg.norm(d), np.array([range_m]), np.zeros(1, dtype=int))
    clipped = free_lengths(rays, Surroundings(floors, prisms))
    return pytest.approx(clipped.lengths[0], abs=1e-9), int(clipped.stops[0])


def test_ray_ends_at_range_floor_or_first_prism():
    assert cast((0, 0, 3), DOWN) == (3.0, FLOOR)
    assert cast((0, 0, 3), DOWN, range_m=2.0) == (2.0, RANGE)
    assert cast((0, 0, 0.5), (1, 0, 0), BLOCK) == (1.0, 0)
    assert cast((0, 0, 0.5), (1, 0, 0), BLOCK, Prism.box("nearer", 0.5, 0.6, -1, 1, 0, 1)) == (0.5, 1)
    assert cast((0, 0, 1.5), (1, 0, 0), BLOCK) == (10.0, RANGE)
    assert cast((1.5, 0, 3), DOWN, BLOCK) == (2.0, 0)
    assert cast((0, 0, 3), (3, 0, -4), BLOCK) == (2.5, 0)  # 3-4-5 triangle: meets the top at x = 1.5


def test_closed_sets_are_met_along_faces_and_edges():
    assert cast((0, 0.5, 0.5), (1, 0, 0), BLOCK) == (1.0, 0)
    assert cast((0, 0, 1.0), (1, 0, 0), BLOCK) == (1.0, 0)
    assert cast((1.0, 0, 3), DOWN, BLOCK) == (2.0, 0)
    assert cast((0, 0.5 + 1e-8, 0.5), (1, 0, 0), BLOCK) == (10.0, RANGE)


@pytest.mark.parametrize("angle", np.linspace(0.0, 1.4, 8))
def test_no_ray_slips_through_where_two_solids_meet(angle):
    walls = [Prism.box("left", 1.0, 1.3, -5, 0, 0, 3), Prism.box("right", 1.0, 1.3, 0, 5, 0, 3)]
    direction = (np.cos(angle), np.sin(angle), 0.0)
    origin = np.array([1.0, 0.0, 1.0]) - np.array(direction) / np.cos(angle)
    assert cast(origin, direction, *walls)[0] == 1.0 / np.cos(angle)
    sink = (0.0, np.cos(angle), -np.sin(angle) - 0.01)  # to the floor's seam at y = 0
    origin = -2.0 * np.array(sink) / np.linalg.norm(sink)
    assert cast(origin, sink) == (2.0, FLOOR)


def test_sloped_floor_and_step():
    ramp = Floors(FloorPlane(0.0, 0.1), FloorPlane(0.2, 0.0))
    assert cast((0, -2, 3), DOWN, floors=ramp) == (2.8, FLOOR)
    assert cast((0, 2, 3), DOWN, floors=ramp) == (2.8, FLOOR)
    assert cast((0, -1, 0.11), (0, 1, 0), floors=ramp) == (1.0, FLOOR)  # the riser of the step
    assert cast((0, -1, 0.11), (0, -1, 0), floors=ramp) == (0.1, FLOOR)  # rises to 0.11 at y = -1.1
    assert cast((0, -1, 0.05), (0, 0, 1), floors=ramp) == (0.0, FLOOR)  # starts under the floor


def test_non_convex_prism_is_met_where_its_faces_are():
    assert cast((1.5, 3, 0.5), (0, -1, 0), ELL) == (2.0, 0)
    assert cast((0.5, 3, 0.5), (0, -1, 0), ELL) == (1.0, 0)
    assert cast((1.5, 1.5, 3), DOWN, ELL) == (3.0, FLOOR)  # over the notch
    assert cast((0.5, 1.5, 3), DOWN, ELL) == (2.0, 0)
    assert cast((3, 3, 0.5), (-1, -1, 0), ELL) == (np.sqrt(8.0), 0)  # into the inner corner, along its diagonal
    assert len(pack(Surroundings(Floors(), (ELL,))).owner) == 2  # an L is two convex pieces


@pytest.mark.parametrize("gap", [0.0, 5e-7, -5e-7])
def test_head_that_touches_a_prism_looks_out_of_it_and_along_it_but_not_into_it(gap):
    face = (1.0 - gap, 0.0, 0.5)
    assert cast(face, (-1, 0, 0), BLOCK) == (10.0, RANGE)
    assert cast(face, (0, 1, 0), BLOCK) == (10.0, RANGE)
    assert cast(face, DOWN, BLOCK) == (0.5, FLOOR)
    assert cast(face, (1, 0, 0), BLOCK) == (0.0, 0)
    assert cast(face, (1, 1, 0), BLOCK) == (0.0, 0)
    assert cast((1.5, 0, 1.0 + gap), (0, 0, 1), BLOCK) == (10.0, RANGE)
    assert cast((1.5, 0, 1.0 + gap), DOWN, BLOCK) == (0.0, 0)


def test_head_in_the_inner_corner_of_a_non_convex_prism():
    corner = (1.0, 1.0, 0.5)
    for free in ((1, 1, 0), (1, 0, 0), (0, 1, 0), (1, 0.2, 0)):
        assert cast(corner, free, ELL) == (10.0, RANGE)
    for inward in ((-1, -1, 0), (-1, 0, 0), (0, -1, 0), (-1, 0.3, 0), (0.3, -1, 0)):
        assert cast(corner, inward, ELL) == (0.0, 0)
    assert cast((2.0, 0.5, 0.5), (-1, 0.5, 0), ELL) == (0.0, 0)
    assert cast((1.0, 1.5, 0.5), (1, -1, 0), ELL)[1] == 0  # leaves one arm and meets the other


def test_receiver_on_a_wall_face_is_reached():
    assert cast((0, 0, 0.5), (1, 0, 0), BLOCK, range_m=1.0) == (1.0, RANGE)
    assert cast((0, 0, 0.5), (1, 0, 0), BLOCK, range_m=1.0 + 1e-5) == (1.0, 0)


def test_prism_holding_a_point_needs_depth():
    around = Surroundings(Floors(), (BLOCK, ELL))
    assert prism_holding(around, (1.5, 0.25, 0.5)) == 0
    assert prism_holding(around, (0.5, 1.5, 0.5)) == 1
    assert prism_holding(around, (1.5, 1.5, 0.5)) is None
    assert prism_holding(around, (1.0, 0.0, 0.5)) is None
    assert prism_holding(around, (1.0 + 9e-7, -0.2, 0.5)) is None
    assert prism_holding(around, (1.0 + 2e-6, -0.2, 0.5)) == 0
    assert prism_holding(around, (0.5, 0.5, 1.0)) is None


def test_no_rays_and_no_prisms():
    none = Rays(np.empty((0, 3)), np.empty((0, 3)), np.empty(0), np.empty(0, dtype=int))
    assert free_lengths(none, Surroundings(Floors(), (BLOCK,))).lengths.shape == (0,)
    assert cast((0, 0, 1), DOWN) == (1.0, FLOOR)


def test_surroundings_are_packed_once():
    around = Surroundings(Floors(), (BLOCK,))
    assert pack(around) is pack(around)


@pytest.mark.parametrize("ring", [[[0, 0], [0, 1], [1, 1], [1, 0]], [[0, 0], [2, 2], [2, 0], [0, 2.5], [-3, 1]]])
def test_ring_that_runs_clockwise_or_crosses_itself_is_refused(ring):
    with pytest.raises(GeometryError, match="bad"):
        pack(Surroundings(Floors(), (Prism("bad", np.array(ring, dtype=float), 0.0, 1.0),)))


def test_prism_without_height_is_refused():
    with pytest.raises(GeometryError, match="flat"):
        pack(Surroundings(Floors(), (Prism.box("flat", 0, 1, 0, 1, 1.0, 1.0),)))

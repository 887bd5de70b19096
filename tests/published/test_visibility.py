"""Visibility polygons of known area."""

import numpy as np
import pytest
import shapely

from sillcast.kernel.frame import Floors
from sillcast.kernel.solids import Prism, Surroundings
from sillcast.kernel.sweep import Fan, visible

# CGAL manual, 2D visibility computation, example "simple polygon visibility": polygon (0,4) (0,0) (3,2) (4,0) (4,4)
# (1,2), query point (0.5, 2). The area, 4, is worked out by hand from (0,4) (0,0) (3,2) (1,2): the line y = 2
# passes two reflex corners, so that the needle to (4, 2) has no area. The others: own figures, elementary geometry.
NOTCHED = [(0, 4), (0, 0), (3, 2), (4, 0), (4, 4), (1, 2)]
ROOM = [(0, 0), (10, 0), (10, 10), (0, 10)]
ELL = [(0, 0), (4, 0), (4, 2), (2, 2), (2, 4), (0, 4)]
PILLAR = Prism.box("pillar", 4, 6, 4, 6, 0.0, 2.0)


@pytest.mark.parametrize(("room", "inside", "viewer", "area"), [
    (NOTCHED, (), (0.5, 2.0), 4.0),
    (ROOM, (PILLAR,), (1.0, 5.0), 76.0),
    (ELL, (), (3.0, 1.0), 10.0),
    (ELL, (), (1.0, 1.0), 12.0),
])  # fmt: skip
def test_area_seen_from_a_point_in_a_room(room, inside, viewer, area):
    walls = shapely.box(-2, -2, 12, 12).difference(shapely.Polygon(room))
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(walls))
    rings = [shapely.get_coordinates(shapely.orient_polygons(t))[:3] for t in triangles]
    solid = tuple(Prism(f"wall {i}", ring, 0.0, 2.0) for i, ring in enumerate(rings))
    level = Fan(np.array([*viewer, 1.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), 2.0 * np.pi, 30.0)
    # float64 over some twenty triangles
    assert visible(level, Surroundings(Floors(), (*solid, *inside))).area == pytest.approx(area, abs=1e-9)

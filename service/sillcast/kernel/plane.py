"""Areas of the floor: union, difference, opening, largest circle, rings for the wire; all of it behind one type.

Set operations and offsets are the clipping library's (integers of 1e-8 m, 2 to 15 times faster than shapely's), places
and circles shapely's. A region turns into what an operation needs when it needs it, and keeps that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import accumulate
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import shapely
from manifold3d import CrossSection, FillRule, JoinType, OpType
from shapely import GeometryType
from shapely.geometry import MultiPolygon, Polygon

from sillcast.errors import GeometryError
from sillcast.kernel.frame import FloatArray

__all__ = [
    "MIN_AREA_M2",
    "Region",
    "Rings",
    "contour_region",
    "following",
    "merged",
    "ring_fault",
    "united",
    "united_region",
]

Ring = list[tuple[float, float]]
Rings = list[list[Ring]]
Rounding = Literal["inward", "nearest"]

_STEP_M = 1e-8  # of the clipping library's integers
MIN_AREA_M2 = 1e-9  # smaller pieces are leavings of booleans
_SPECK_CORNERS = 16  # such leavings have fewer
_MANY_CORNERS = 64  # above, numpy is faster than Python's own numbers
_MITRE_LIMIT = 5.0  # a mitre longer than so many times the offset is cut square
_AT_ONCE = 12  # rings put together first; 8 to 16 were fastest
_FEW = 64  # up to here all at once is as fast
_GRID_PER_M = 1000.0  # rings for the wire lie on a grid of 1 mm
_INWARD_M = 0.00071  # half the diagonal of that grid, rounded up
_NOTHING = MultiPolygon()


class Region:
    """Polygonal area in the door's plan, in metres; may be empty or of several parts, never lines or points."""

    def __init__(self, shape: Any = _NOTHING) -> None:
        """Region of a valid shapely polygon or multipolygon."""
        self.shape = shape

    @classmethod
    def ring(cls, points: Sequence[Sequence[float]] | FloatArray) -> Region:
        """Area inside one ring that does not cross itself, either way round."""
        ring = np.asarray(points, dtype=np.float64)[:, :2]
        ring = ring[:-1] if (ring[0] == ring[-1]).all() else ring
        area = _area(ring)
        return cls._known(contours=[ring if area > 0.0 else ring[::-1]]) if abs(area) > MIN_AREA_M2 else cls()

    @classmethod
    def box(cls, x0: float, x1: float, y0: float, y1: float) -> Region:
        """Axis-parallel rectangle; empty if a side is no longer than the clipping library's step. [m]"""
        if not min(x1 - x0, y1 - y0) > _STEP_M:
            return cls()
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.float64)
        return cls._known(contours=[corners])

    @classmethod
    def hull(cls, points: FloatArray) -> Region:
        """Convex hull of points (n, 2). [m]"""
        return cls._of(CrossSection.hull_points(points))

    @classmethod
    def union(cls, regions: Iterable[Region]) -> Region:
        """Union of any number of regions."""
        whole = [region for region in regions if not region.is_empty]
        if len(whole) < 2:
            return whole[0] if whole else cls()
        return cls._of(CrossSection.batch_boolean([region._section for region in whole], OpType.Add))

    @classmethod
    def _of(cls, section: CrossSection) -> Region:
        """Region of the clipping library's result, without specks smaller than MIN_AREA_M2; holes stay, however small.

        The library's own parts will not do: a hole that nearly touches its border may come as a part of its own.
        """
        if section.num_contour() > 1:
            rings = section.to_polygons()
            some = [ring for ring in rings if not 0.0 <= _area(ring) <= MIN_AREA_M2]
            if len(some) == len(rings):
                return cls._known(_section=section, contours=rings)
            section = CrossSection(some, FillRule.Positive)
        elif section.area() <= MIN_AREA_M2:
            return cls()
        return cls._known(_section=section)

    @classmethod
    def _known(cls, **what: Any) -> Region:
        region = cls.__new__(cls)
        region.__dict__ = what
        return region

    # One of the next three is given, the others come from it.

    @cached_property
    def shape(self) -> Any:
        """Shapely polygon or multipolygon."""
        return _polygons(self.contours)

    @cached_property
    def _section(self) -> CrossSection:
        return CrossSection(self.contours, FillRule.Positive)

    @cached_property
    def contours(self) -> list[FloatArray]:
        """Borders (n, 2) that do not cross, open; outer ones counter-clockwise, holes clockwise. [m]"""
        if "_section" in self.__dict__:
            return list(self._section.to_polygons())
        if self.shape.geom_type == "Polygon" and not len(self.shape.interiors):
            ring = shapely.get_coordinates(self.shape)[:-1]
            return [ring if _area(ring) > 0.0 else ring[::-1]]
        rings = shapely.get_rings(shapely.get_parts(shapely.orient_polygons(self.shape)))
        return [shapely.get_coordinates(ring)[:-1] for ring in rings]

    @property
    def is_empty(self) -> bool:
        """True if there is no area."""
        known = self.__dict__
        if "_section" in known:
            return bool(self._section.is_empty())
        return not self.contours if "contours" in known else bool(self.shape.is_empty)

    @cached_property
    def area(self) -> float:
        """Area. [m2]"""
        return float(self.shape.area if "shape" in self.__dict__ else self._section.area())

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least x, least y, greatest x, greatest y. [m]

        Raises
        ------
        GeometryError
            If the region is empty.
        """
        if self.is_empty:
            raise GeometryError("an empty region has no bounds")
        known = self.__dict__
        if "_section" in known or "shape" in known:
            x0, y0, x1, y1 = self._section.bounds() if "_section" in known else self.shape.bounds
            return float(x0), float(y0), float(x1), float(y1)
        x, y = np.concatenate(self.contours).T
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    def __and__(self, other: Region) -> Region:
        return self._of(self._section ^ other._section) if self._may_meet(other) else Region()

    def __or__(self, other: Region) -> Region:
        return self._of(self._section + other._section)

    def __sub__(self, other: Region) -> Region:
        return self._of(self._section - other._section) if self._may_meet(other) else self

    def less(self, others: Iterable[Region]) -> Region:
        """What none of the others covers."""
        some = [other._section for other in others if self._may_meet(other)]
        return self._of(CrossSection.batch_boolean([self._section, *some], OpType.Subtract)) if some else self

    def within(self, x0: float, x1: float, y0: float, y1: float) -> Region:
        """Part inside an axis-parallel rectangle. [m]"""
        if self.is_empty:
            return self
        low_x, low_y, high_x, high_y = self.bounds
        held = x0 <= low_x and high_x <= x1 and y0 <= low_y and high_y <= y1
        return self if held else self & Region.box(x0, x1, y0, y1)

    def _may_meet(self, other: Region) -> bool:
        """False if the bounds of both have no area in common."""
        if self.is_empty or other.is_empty:
            return False
        (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) = self.bounds, other.bounds
        return max(ax0, bx0) < min(ax1, bx1) and max(ay0, by0) < min(ay1, by1)

    def parts(self) -> list[Region]:
        """Connected parts, largest first; ties by position."""
        parts = [] if self.is_empty else [self._known(contours=rings) for rings in _nested(self.contours, 0.0)]
        return sorted(parts, key=lambda r: (-round(r.area, 9), r.bounds))

    def opened(self, radius_m: float) -> Region:
        """What is left where a disc of this radius fits: hairlines and spikes narrower than the disc vanish.

        Shrinks with mitred corners and grows back by the same, so straight-sided areas keep their corners.
        """
        shrunk = _offset(self._section, -radius_m)
        return Region() if shrunk.is_empty() else self._of(_offset(shrunk, radius_m) ^ self._section)

    def grown(self, by_m: float) -> Region:
        """Region grown by a distance (negative shrinks), corners mitred."""
        return self._of(_offset(self._section, by_m))

    def moved(self, x_m: float, y_m: float) -> Region:
        """Moved straight by (x_m, y_m). [m]"""
        return self._of(self._section.translate((x_m, y_m)))

    def swept(self, x_m: float, y_m: float) -> Region:
        """All that it passes over when it is moved straight by (x_m, y_m), its Minkowski sum with that segment. [m]"""
        if self.is_empty:
            return self
        way = np.array([x_m, y_m])
        begins = self.edges[:, :2]
        sides = np.stack([begins, self.edges[:, 2:], self.edges[:, 2:] + way, begins + way], axis=1)
        turns = np.array([_area(side) for side in sides])
        sides = np.where((turns < 0)[:, None, None], sides[:, ::-1], sides)[turns != 0]
        return Region.union([self, self.moved(x_m, y_m), *map(Region.ring, sides)])

    def rotated(self, angle_deg: float) -> Region:
        """Turned about the origin, counter-clockwise."""
        return self._of(self._section.rotate(angle_deg))

    def holds(self, x_m: float, y_m: float) -> bool:
        """True if the point is inside or on the border."""
        odd, edges = False, self.edges
        met = np.flatnonzero((edges[:, 1] - y_m) * (edges[:, 3] - y_m) <= 0.0)
        for ax, ay, bx, by in edges[met].tolist():
            turn = (bx - ax) * (y_m - ay) - (by - ay) * (x_m - ax)  # above 0 left of the edge
            if turn == 0.0 and min(ax, bx) <= x_m <= max(ax, bx):
                return True
            if (ay > y_m) != (by > y_m) and (turn > 0.0) == (by > ay):  # passed on the way along x
                odd = not odd
        return odd

    def holds_each(self, points: FloatArray) -> npt.NDArray[np.bool_]:
        """Which of many points (n, 2) are inside or on the border. [m]"""
        shapely.prepare(self.shape)
        return np.asarray(shapely.intersects_xy(self.shape, *points.T), dtype=np.bool_)

    @cached_property
    def edges(self) -> FloatArray:
        """Edges (n, 4) of all contours: x, y where they begin and x, y where they end. [m]"""
        edges = [np.hstack([ring, following(ring)]) for ring in self.contours]
        return np.concatenate([np.empty((0, 4)), *edges])

    def distance(self, other: Region) -> float:
        """Least distance to another region; infinite if one of them is empty. [m]"""
        return float("inf") if self.is_empty or other.is_empty else float(self.shape.distance(other.shape))

    def inner_point(self) -> tuple[float, float]:
        """A point inside, the same for the same region. [m]"""
        point = self.shape.representative_point()
        return float(point.x), float(point.y)

    def largest_circle(self, tolerance_m: float = 0.005) -> tuple[float, float, float]:
        """Centre and radius of the largest circle inside the largest of the parts, to the tolerance. [m]

        Of circles that are as large to a millimetre, as in a long rectangle, the one about the part's centre of area.
        """
        best = (0.0, 0.0, 0.0)
        for part in self.parts():
            if part.area <= np.pi * best[2] ** 2:
                break
            spoke = shapely.maximum_inscribed_circle(part.shape, tolerance=tolerance_m)
            radius, middle = float(spoke.length), part.shape.centroid
            if radius <= best[2]:
                continue
            x, y = spoke.coords[0]
            room = float(shapely.distance(part.shape.boundary, middle))
            if room >= radius - 0.001 and part.holds(middle.x, middle.y):
                x, y, radius = middle.x, middle.y, room
            best = (round(x, 6) + 0.0, round(y, 6) + 0.0, radius)
        return best

    def rings(self, rounding: Rounding = "inward") -> Rings:
        """Polygons > rings > points on a 1 mm grid; outer rings counter-clockwise, closed, from their least vertex.

        `inward` shrinks by 0.71 mm first, half the diagonal of the grid, unless all corners are on the grid.
        """
        if self.is_empty:
            return []
        if rounding not in self._wires:
            shrinks = rounding == "inward" and not _is_on_grid(self.contours)
            section = _offset(self._section, -_INWARD_M) if shrinks else self._section
            polygons = [[_wire_ring(ring) for ring in polygon] for polygon in _on_grid(section)]
            self._wires[rounding] = sorted(polygons, key=lambda rings: rings[0])
        return self._wires[rounding]

    @cached_property
    def _wires(self) -> dict[Rounding, Rings]:
        """Rings for the wire that were asked for: what is the same at several leaf states is shown at each."""
        return {}


def following(ring: FloatArray) -> FloatArray:
    """For each corner (n, ...) of a ring the next one. [m]"""
    return np.concatenate([ring[1:], ring[:1]])


def _area(ring: FloatArray) -> float:
    """Area of a ring, negative if it runs clockwise. [m2]"""
    if len(ring) > _MANY_CORNERS:
        x, y = (ring - ring[0]).T
        return float(x[:-1] @ y[1:] - y[:-1] @ x[1:]) / 2.0
    x0, y0 = ring[0].tolist()
    doubled, ax, ay = 0.0, 0.0, 0.0
    for x, y in ring.tolist():
        bx, by = x - x0, y - y0
        doubled, ax, ay = doubled + (ax * by - ay * bx), bx, by
    return doubled / 2.0


def _offset(section: CrossSection, by_m: float) -> CrossSection:
    return section.offset(by_m, JoinType.Miter, _MITRE_LIMIT)


def _steps(points: FloatArray) -> FloatArray:
    """Points in whole steps of the grid; what lies halfway, to 1e-8 m, goes up."""
    return np.asarray(np.floor(np.round(points * _GRID_PER_M, 5) + 0.5))


def _is_on_grid(contours: Sequence[FloatArray]) -> bool:
    """True if all corners lie on the grid, to what the clipping library rounds to."""
    points = np.concatenate(contours) * _GRID_PER_M
    return bool(np.abs(points - np.rint(points)).max() <= 1e-4)


def _on_grid(section: CrossSection) -> list[list[FloatArray]]:
    """Polygons of more than 1 mm2, outer ring (n, 2) and holes, with corners in whole steps of the grid.

    Where rounding makes borders cross, the clipping library joins what overlaps; if that leaves the grid shapely snaps.
    """
    contours = section.to_polygons()
    rounded = _rounded(contours)
    found = _nested(rounded, 1.0)
    if _is_valid(found):
        return found
    joined = CrossSection([ring / _GRID_PER_M for ring in rounded], FillRule.Positive).to_polygons()
    found = _nested(_rounded(joined), 1.0)
    if _is_on_grid(joined) and _is_valid(found):
        return found
    shape = shapely.orient_polygons(shapely.set_precision(_polygons(contours), 1.0 / _GRID_PER_M))
    rings = shapely.get_rings(shapely.get_parts(shape))
    return _nested([_steps(shapely.get_coordinates(ring)[:-1]) for ring in rings], 1.0)


def _rounded(contours: Sequence[FloatArray]) -> list[FloatArray]:
    """Rings of three corners and more in whole steps of the grid, without repeated corners."""
    steps = (_steps(ring) for ring in contours)
    some = [ring[(ring != following(ring)).any(axis=1)] for ring in steps]
    return [ring for ring in some if len(ring) > 2]


def _is_valid(polygons: Sequence[Sequence[FloatArray]]) -> bool:
    return bool(shapely.multipolygons(_filled(polygons)).is_valid)


def _wire_ring(steps: FloatArray) -> Ring:
    """Closed ring in metres from its least vertex."""
    grid = steps.astype(np.int64).tolist()
    start = grid.index(min(grid))
    return [(x / _GRID_PER_M, y / _GRID_PER_M) for x, y in [*grid[start:], *grid[: start + 1]]]


def ring_fault(points: Sequence[Sequence[float]]) -> str | None:
    """What is wrong with a ring of a request: crosses itself, has no area, or None."""
    if shapely.MultiPoint(points).convex_hull.area < 1e-6:
        return "has no area"
    polygon = Polygon(points)
    if not polygon.is_valid:
        return "crosses or touches itself"
    return "has no area" if polygon.area < 1e-6 else None


def merged(contours: Sequence[FloatArray]) -> list[FloatArray]:
    """Border of the points that the contours wind around at least once, outer rings counter-clockwise, holes clockwise.

    Contours (n, 2) in metres, counter-clockwise ones count +1, clockwise ones -1, so that with k - 1 clockwise rings
    around everything the result is where at least k of the others overlap, and reversed rings are taken away. The
    clipping library snaps to 1e-8 m.
    """
    if not contours:
        return []
    return list(CrossSection(list(contours), FillRule.Positive).to_polygons())


def united(contours: Sequence[FloatArray]) -> list[FloatArray]:
    """`merged` for counter-clockwise rings of which those close in order lie close: a few at a time, then the results.

    What lies inside such a few is gone before it meets the rest: 3 to 15 times faster for the pieces of a region.
    """
    return list(_union(contours).to_polygons())


def united_region(contours: Sequence[FloatArray]) -> Region:
    """Region of the points that contours wind around at least once; those close in order lie close, see `united`."""
    return Region._of(_union(contours))


def _union(contours: Sequence[FloatArray]) -> CrossSection:
    if len(contours) <= _FEW:
        return CrossSection(list(contours), FillRule.Positive)
    some = [contours[i : i + _AT_ONCE] for i in range(0, len(contours), _AT_ONCE)]
    return CrossSection.batch_boolean([CrossSection(list(rings), FillRule.Positive) for rings in some], OpType.Add)


def contour_region(contours: Sequence[FloatArray]) -> Region:
    """Region of contours that do not cross: outer rings counter-clockwise, holes clockwise."""
    some = [ring for ring in contours if len(ring) > _SPECK_CORNERS or abs(_area(ring)) > MIN_AREA_M2]
    return Region._known(contours=some) if some else Region()


def _polygons(contours: Sequence[FloatArray]) -> Any:
    """Valid shapely polygon or multipolygon of contours that do not cross, without specks."""
    parts = _filled(_nested(contours, MIN_AREA_M2))
    shape = parts[0] if len(parts) == 1 else shapely.multipolygons(parts)
    return shape if shape.is_valid else shapely.buffer(shape, 0.0)


def _filled(polygons: Sequence[Sequence[FloatArray]]) -> npt.NDArray[Any]:
    """Shapely polygons of outer rings and their holes."""
    if not polygons:
        return np.empty(0, dtype=object)
    rings = [np.concatenate([ring, ring[:1]]) for polygon in polygons for ring in polygon]
    begins, first = ([0, *accumulate(map(len, parts))] for parts in (rings, polygons))
    return np.asarray(shapely.from_ragged_array(GeometryType.POLYGON, np.concatenate(rings), (begins, first)))


def _nested(contours: Sequence[FloatArray], least_m2: float) -> list[list[FloatArray]]:
    """Outer rings (counter-clockwise), each with its holes (clockwise); rings up to an area are left out."""
    areas = [_area(ring) for ring in contours]
    found = [[ring] for ring, area in zip(contours, areas, strict=True) if area > least_m2]
    sizes = [area for area in areas if area > least_m2]
    holes = [(ring, -area) for ring, area in zip(contours, areas, strict=True) if area < -least_m2]
    for (hole, _), owner in zip(holes, _owners([rings[0] for rings in found], sizes, holes), strict=True):
        if owner is not None:
            found[owner].append(hole)
    return found


def _owners(
    outer: Sequence[FloatArray], sizes: Sequence[float], holes: Sequence[tuple[FloatArray, float]]
) -> list[int | None]:
    """For each hole the smallest outer ring around it; an island in it may hold its inner point, but is smaller."""
    if len(outer) == 1 or not (outer and holes):
        return [0 if outer else None] * len(holes)
    inside = shapely.point_on_surface(_filled([[ring] for ring, _ in holes]))
    owners: list[int | None] = [None] * len(holes)
    around = shapely.STRtree(_filled([[ring] for ring in outer])).query(inside, predicate="intersects")
    for hole, ring in around.T.tolist():
        known = owners[hole]
        if sizes[ring] > holes[hole][1] and (known is None or (sizes[ring], ring) < (sizes[known], known)):
            owners[hole] = ring
    return owners

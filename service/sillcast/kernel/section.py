"""Coverage cut by a height: traces, areas, the band between two heights."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sillcast.errors import GeometryError
from sillcast.kernel._pieces_numpy import straight_rows
from sillcast.kernel.clip import Clipped
from sillcast.kernel.emission import Emission, FloorArea, Rays
from sillcast.kernel.frame import FloatArray, Floors
from sillcast.kernel.plane import Region, united_region

__all__ = ["Line", "Section", "band", "section"]

BoolArray = npt.NDArray[np.bool_]
Line = list[tuple[float, float]]

_LEVEL = 1e-12  # a ray that climbs less per metre runs along a height
_STRAIGHT_M = 1e-9  # departure of a point from the line of its neighbours that is rounding


class Section(NamedTuple):
    """Coverage at one height: areas, and lines of two or more points. [m]"""

    areas: Region
    lines: list[Line]


def section(emission: Emission, clipped: Clipped | None, height_m: float, floors: Floors) -> Section:
    """Where the emission passes a height above the local floor.

    A scan plane or row of pixels leaves a line through the points of neighbouring rays; a ray without a neighbour that
    passes the height too (a spot) is left out. A plane that runs along the height leaves the area between its rays. A
    beam that blocks leaves its projection where it lies within half its width of the height; its thickness is left out.

    Parameters
    ----------
    emission : Rays or FloorArea
        What the sensor sends or receives.
    clipped : Clipped or None
        Free lengths of the rays; None for an area of the floor.
    height_m : float
        Height above the local floor. [m]
    floors : Floors
        Floor of both sides.

    Returns
    -------
    section : Section
        Areas and lines in the door's plan.

    Raises
    ------
    GeometryError
        If rays come without free lengths, or for a lobe.
    """
    if isinstance(emission, FloorArea):
        return Section(Region.ring(emission.ring) if height_m <= emission.height_m else Region(), [])
    rays, clipped = _of_rays(emission, clipped)
    if rays.blocks:
        return Section(Region(), _beam_lines(rays, clipped, height_m, floors))
    above, climb = _heights(rays, floors, clipped)
    along = (np.abs(climb) <= _LEVEL) & (np.abs(above - height_m) <= _STRAIGHT_M)
    whole = np.where(along, clipped.lengths, -1.0)
    areas = _swept(rays, clipped, np.zeros_like(above), whole) if along.any() else Region()
    lines: list[Line] = []
    for side in _sides(floors):
        distance = _distance_at(rays, clipped, height_m, floors, side)
        lines += _lines(rays, distance)
    return Section(areas, lines)


def band(emission: Emission, clipped: Clipped | None, low_m: float, high_m: float, floors: Floors) -> Region:
    """Area swept between two heights above the local floor: the surface between neighbouring rays, seen from above.

    Where neighbours end for different reasons (one of them at an obstacle), only as far as the shorter one, so that no
    shadow is filled.

    Parameters
    ----------
    emission : Rays or FloorArea
        What the sensor sends or receives.
    clipped : Clipped or None
        Free lengths of the rays; None for an area of the floor.
    low_m, high_m : float
        Heights above the local floor. [m]
    floors : Floors
        Floor of both sides.

    Returns
    -------
    region : Region
        Swept area; a plane seen on edge leaves none.

    Raises
    ------
    GeometryError
        If rays come without free lengths, or for a lobe.
    """
    if isinstance(emission, FloorArea):
        return Region.ring(emission.ring) if low_m <= emission.height_m else Region()
    rays, clipped = _of_rays(emission, clipped)
    found = []
    for side in _sides(floors):
        first, last = _interval(rays, clipped, (low_m, high_m), floors, side)
        found.append(_swept(rays, clipped, first, last))
    return found[0] if len(found) == 1 else Region.union(found)


def _of_rays(emission: Emission, clipped: Clipped | None) -> tuple[Rays, Clipped]:
    if not isinstance(emission, Rays):
        raise GeometryError("a lobe has sections of its own: use lobe_section")
    if clipped is None:
        raise GeometryError("rays need their free lengths")
    return emission, clipped


def _sides(floors: Floors) -> tuple[float, ...]:
    """Signs of y for which the floor is one plane: 0 if it is one everywhere."""
    return (0.0,) if floors.near == floors.far and floors.near.rise == 0.0 else (-1.0, 1.0)


def _plane(rays: Rays, floors: Floors, side: float) -> tuple[FloatArray, FloatArray]:
    """Height above one side's floor at the origins and its change per metre of ray."""
    floor = floors.near if side <= 0.0 else floors.far
    fall = floor.rise if side <= 0.0 else -floor.rise
    above = rays.origins[:, 2] - floor.level_m + fall * rays.origins[:, 1]
    return above, rays.directions[:, 2] + fall * rays.directions[:, 1]


def _heights(rays: Rays, floors: Floors, clipped: Clipped) -> tuple[FloatArray, FloatArray]:
    """Height above the local floor at the origins, and the rise up to the ends per metre."""
    ends = rays.origins + clipped.lengths[:, None] * rays.directions
    above = rays.origins[:, 2] - floors.height(rays.origins[:, 1])
    rise = ends[:, 2] - floors.height(ends[:, 1]) - above
    return above, rise / np.maximum(clipped.lengths, 1e-9)


def _distance_at(rays: Rays, clipped: Clipped, height_m: float, floors: Floors, side: float) -> FloatArray:
    """Distance along each ray at which it passes the height on one side; NaN if it does not."""
    above, climb = _plane(rays, floors, side)
    passing = np.abs(climb) > _LEVEL
    distance = np.where(passing, (height_m - above) / np.where(passing, climb, 1.0), np.nan)
    # a ray that ends on the floor passes height 0 there, whatever the last bit says
    distance = np.where(np.abs(distance - clipped.lengths) <= _STRAIGHT_M, clipped.lengths, distance)
    y = rays.origins[:, 1] + distance * rays.directions[:, 1]
    keep = (distance >= 0.0) & (distance <= clipped.lengths) & ((side == 0.0) | ((y < 0.0) == (side < 0.0)))
    return np.where(keep, distance, np.nan)


def _interval(
    rays: Rays, clipped: Clipped, heights_m: tuple[float, float], floors: Floors, side: float
) -> tuple[FloatArray, FloatArray]:
    """First and last distance of each ray between two heights on one side; first > last: never."""
    first, last = np.zeros_like(clipped.lengths), clipped.lengths
    bounds = [(*_plane(rays, floors, side), *heights_m)]
    if side != 0.0:
        reach = (-np.inf, 0.0) if side < 0.0 else (0.0, np.inf)
        bounds.append((rays.origins[:, 1], rays.directions[:, 1], *reach))
    for at, per_m, low, high in bounds:
        moving = np.abs(per_m) > _LEVEL
        rate = np.where(moving, per_m, 1.0)
        one, two = (low - at) / rate, (high - at) / rate
        held = (at >= low) & (at <= high)
        first = np.maximum(first, np.where(moving, np.minimum(one, two), np.where(held, 0.0, np.inf)))
        last = np.minimum(last, np.where(moving, np.maximum(one, two), np.where(held, np.inf, -np.inf)))
    return first, last


def _swept(rays: Rays, clipped: Clipped, first: FloatArray, last: FloatArray) -> Region:
    """Union of the quadrilaterals between neighbours of one group over their intervals."""
    some = first < last
    pair = np.flatnonzero(some[:-1] & some[1:] & (rays.group[:-1] == rays.group[1:]))
    if not len(pair):
        return Region()
    free = last < clipped.lengths
    cause = np.where(free, -9, clipped.stops)
    same = cause[pair] == cause[pair + 1]
    origins, directions = rays.origins[:, :2], rays.directions[:, :2]
    near, far = (origins + np.where(some, t, 0.0)[:, None] * directions for t in (first, last))
    joined = np.zeros(len(some) - 1, dtype=bool)
    joined[pair[same]] = True
    quads = np.concatenate([straight_rows(near, far, joined)[0], _shortened(rays, pair[~same], first, last)])
    x, y = quads[..., 0], quads[..., 1]
    doubled = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1)
    quads = np.where((doubled < 0.0)[:, None, None], quads[:, ::-1], quads)
    return united_region(list(quads[np.abs(doubled) > 1e-12]))


def _shortened(rays: Rays, pair: npt.NDArray[np.intp], first: FloatArray, last: FloatArray) -> FloatArray:
    """Quadrilaterals of neighbours that end for different reasons, as far as the shorter one."""
    end = np.minimum(last[pair], last[pair + 1])[:, None]
    corners = [(pair, first), (pair + 1, first), (pair + 1, last), (pair, last)]
    return np.stack(
        [rays.origins[i, :2] + np.minimum(t[i, None], end) * rays.directions[i, :2] for i, t in corners], axis=1
    )


def _lines(rays: Rays, distance: FloatArray) -> list[Line]:
    """Points of neighbours joined to lines; inner points of straight lines left out."""
    index = np.flatnonzero(np.isfinite(distance))
    if len(index) < 2:
        return []
    points = rays.origins[index, :2] + distance[index, None] * rays.directions[index, :2]
    breaks = (np.diff(index) > 1) | (np.diff(rays.group[index]) != 0)
    step = np.diff(points, axis=0)
    size = np.maximum(np.hypot(*(step[:-1] + step[1:]).T), 1e-300)
    bent = np.abs(step[:-1, 0] * step[1:, 1] - step[:-1, 1] * step[1:, 0]) > _STRAIGHT_M * size
    begins, ends = np.concatenate([[True], breaks]), np.concatenate([breaks, [True]])
    keep = np.concatenate([[True], bent, [True]]) | begins | ends
    cuts = np.flatnonzero(begins[keep]).tolist()
    kept = [(x, y) for x, y in points[keep].tolist()]
    chains = [kept[a:b] for a, b in zip(cuts, [*cuts[1:], len(kept)], strict=True)]
    return [chain for chain in chains if len(chain) > 1]


def _beam_lines(rays: Rays, clipped: Clipped, height_m: float, floors: Floors) -> list[Line]:
    """Projections of the parts of beams within half their width of the height."""
    half = rays.beam_width_m / 2.0 + _STRAIGHT_M
    lines: list[Line] = []
    for side in _sides(floors):
        first, last = _interval(rays, clipped, (height_m - half, height_m + half), floors, side)
        for i in np.flatnonzero(first < last).tolist():
            ends = rays.origins[i, :2] + np.array([[first[i]], [last[i]]]) * rays.directions[i, :2]
            lines.append([(float(x), float(y)) for x, y in ends])
    return lines

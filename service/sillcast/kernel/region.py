"""Where a body is detected: regions of its reference positions, inscribed in what the real rays guarantee."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot

import numpy as np
import numpy.typing as npt

from sillcast.errors import GeometryError
from sillcast.kernel.clip import Clipped
from sillcast.kernel.counts import Grid, hit_counts, inside
from sillcast.kernel.emission import Emission, FloorArea, Rays
from sillcast.kernel.frame import FloatArray, Floors
from sillcast.kernel.kept import Kept, digest
from sillcast.kernel.parts import (
    FAR_M,
    Ground,
    Parts,
    Window,
    active_parts,
    around,
    footprint,
    grounds,
    rays_near,
    reach_y,
    turned,
    uprights,
)
from sillcast.kernel.pieces import CORNERS, Segments, Upright, covering_pieces, dilated, footprints, sure_pieces
from sillcast.kernel.plane import Region, contour_region, following, merged, united
from sillcast.kernel.solids import Prism, Surroundings, TestBody

__all__ = ["blocked_region", "detection_region"]

BoolArray = npt.NDArray[np.bool_]
CountArray = npt.NDArray[np.int32]

_FEW_RAYS = 64  # up to here every combination of rays is looked at
_LEVELS = 64  # groups times hits up to which hits of several groups are added up as rings, else on a grid
_CELL_M = 0.025  # of that grid
_CELLS = 1_000_000  # at most
_SEEK_M = 0.08  # cell with which places are looked for that hits of several groups add
_SEEK_CELLS = 40_000  # at most
_BLOCK = 4  # cells along a side that are looked at together
_LEVEL = Floors()


def detection_region(  # noqa: PLR0913 - a question and what is around it
    emission: Emission,
    clipped: Clipped | None,
    body: TestBody,
    *,
    angle_deg: float = 0.0,
    floors: Floors = _LEVEL,
    fields: tuple[FloatArray, ...] = (),
    least_above_m: float = 0.0,
    window: Window | None = None,
    kept: Kept | None = None,
) -> Region:
    """Reference positions at which a body is hit by at least `least_hits` of the real rays, inscribed [1]_.

    Parameters
    ----------
    emission : Rays or FloorArea
        What the sensor sends or receives.
    clipped : Clipped or None
        Free lengths of the rays; None for an area of the floor.
    body : TestBody
        Body, plumb on the floor below its reference point.
    angle_deg : float
        Turn of the body about the vertical, counter-clockwise. [deg]
    floors : Floors
        Floor of both sides.
    fields : tuple of (n, 2) arrays
        Rings; only hit points inside one of them count. None given: all count. [m]
    least_above_m : float
        Hits closer than this to the floor do not count. [m]
    window : tuple of float, optional
        x0, x1, y0, y1: what lies outside is left out. [m]
    kept : Kept, optional
        Where answers are kept: rays that end alike as far as the window goes share theirs.

    Returns
    -------
    region : Region
        No place inside has fewer hits. It may miss places: at the sides less than half the distance between two rays,
        round footprints 0.9 % of the radius, spheres see `uprights`; on a slope the part of the height that the
        floor rises under the body; with fields, places where another ray of the same plane meets the body outside;
        where hits of several groups have to add up, strips narrower than 80 mm (a 200th of a wide reach).

    Raises
    ------
    GeometryError
        If rays come without free lengths, or for a lobe.

    Notes
    -----
    A body with upright sides and footprint K, turned, is hit by a ray exactly if its place lies in the Minkowski sum of
    -K and the projection of the ray's part between floor and the body's top; it is convex. With a spot of radius r the
    whole spot has to fall on the body: sides and top draw back by r, and the lowest r above the floor do not count.

    References
    ----------
    .. [1] Own derivation, see `sure_pieces`; checked against ray-by-ray tests in tests/properties/test_region.py.
    """
    if isinstance(emission, FloorArea):
        return _cropped(_contact_region(emission, body, angle_deg, fields, least_above_m), window)
    if not isinstance(emission, Rays):
        raise GeometryError("a lobe detects by its echo: use lobe_region")
    if clipped is None:
        raise GeometryError("rays need their free lengths")
    asked = _Asked(emission, clipped, body, angle_deg, floors, fields, least_above_m, window)
    scene = [
        (asked.parts(upright, ground), upright, ground)
        for ground in grounds(floors, reach_y(body, angle_deg))
        for upright in uprights(body)
    ]
    if kept is None or body.shape == "sphere":  # of which rays may hit more than the parts show
        return _counted(asked, scene)
    return kept.once((asked.rule, _content(asked, scene)), lambda: _counted(asked, scene))


@dataclass(frozen=True, eq=False)
class _Asked:
    """A question as `detection_region` is asked it."""

    rays: Rays
    clipped: Clipped
    body: TestBody
    angle_deg: float
    floors: Floors
    fields: tuple[FloatArray, ...]
    least_above_m: float
    window: Window | None

    @cached_property
    def lengths(self) -> FloatArray:
        """Lengths of the rays as far as a hit counts; -1 for a beam that is stopped for good. [m]"""
        lengths = self.clipped.lengths
        return np.where(self.clipped.stops == -1, lengths, -1.0) if self.rays.blocks else lengths

    @cached_property
    def bounds(self) -> Window:
        """Rectangle that holds every place in the window where a ray can hit the body. [m]"""
        return _bounds(self.rays, self.lengths, self.body, self.window)

    @property
    def rule(self) -> tuple[Hashable, ...]:
        """What does not come from the rays."""
        rings = tuple(ring.tobytes() for ring in self.fields)
        return self.body, self.angle_deg, self.floors, rings, self.least_above_m, self.window

    def parts(self, upright: Upright, ground: Ground) -> Parts:
        """Parts of the rays at which a hit on an upright part of the body counts."""
        rule = (self.angle_deg, self.least_above_m, self.fields, self.window)
        return active_parts(self.rays, self.lengths, upright, around(self.body), ground, rule)

    def surely(self, grid: Grid) -> CountArray:
        """Hits wherever in each cell the body stands."""
        reach = hypot(self.body.width_m, self.body.depth_m) + grid.cell_m
        return hit_counts(
            *rays_near(self.rays, self.clipped, self.bounds, reach), self.body, grid,
            angle_deg=self.angle_deg, floors=self.floors, fields=self.fields, least_above_m=self.least_above_m,
            certain=True,
        )  # fmt: skip


Scene = Sequence[tuple[Parts, Upright, Ground]]


def _content(asked: _Asked, scene: Scene) -> tuple[Hashable, ...]:
    """All that the answer depends on besides the rule: of the rays what of them reaches the window, and how they count.

    Where hits of several groups add up the bounds of all rays lay out a grid.
    """
    rays = asked.rays
    found: list[Hashable] = []
    for parts, _, _ in scene:
        for part in (*parts.layers, *([] if parts.before is None else [parts.before])):
            some = np.flatnonzero(part.valid)
            found.append(digest(some, part.near[some], part.far[some], part.spot_m[some]))
        found.append(parts.before is None)
    bounds = asked.bounds if _adds_up(rays) else None
    return *found, digest(rays.group), rays.least_hits, rays.hits_within, bounds


def _counted(asked: _Asked, scene: Scene) -> Region:
    rays, angle_deg = asked.rays, asked.angle_deg
    found = [_level(parts, upright, rays) for parts, upright, _ in scene]
    region = _joined([(contours, ground) for contours, (_, _, ground) in zip(found, scene, strict=True)], angle_deg)
    if _adds_up(rays) and not all(_is_few(parts) for parts, _, _ in scene):
        if _needs_grid(rays):
            return _with_cells(_cropped(region, asked.window), asked.surely, rays.least_hits, asked.bounds)
        rule = (rays.least_hits, angle_deg, asked.bounds)
        region = _with_sums(region, list(zip(found, scene, strict=True)), asked.surely, rule)
    return _cropped(region, asked.window)


def _cropped(region: Region, window: Window | None) -> Region:
    return region if window is None else region.within(*window)


def _joined(found: Iterable[tuple[list[FloatArray], Ground]], angle_deg: float) -> Region:
    """Region of contours in the body's axes, each with the ground of its places."""
    regions = [
        _of_ground(contour_region([turned(ring, angle_deg) for ring in contours]), ground)
        for contours, ground in found
        if contours
    ]
    return regions[0] if len(regions) == 1 else Region.union(regions)


def _of_ground(region: Region, ground: Ground) -> Region:
    if ground.is_everywhere:
        return region
    return region & Region.box(-FAR_M, FAR_M, ground.from_y_m, ground.to_y_m)


# --- counting rules -------------------------------------------------------------------------------------------------


def _level(parts: Parts, upright: Upright, rays: Rays) -> list[FloatArray]:
    """Contours of the places with at least `least_hits` hits in one group, of few rays in all; in the body's axes."""
    if _adds_up(rays) and _is_few(parts):
        return _at_least(_ray_sums(parts.layers[0], upright), rays.least_hits)
    return _of_groups(parts, upright, rays.least_hits)


def _adds_up(rays: Rays) -> bool:
    """True if hits of several groups count together."""
    return rays.hits_within == "head" and rays.least_hits > 1 and bool(np.any(np.diff(rays.group)))


def _is_few(parts: Parts) -> bool:
    """True if each ray may stand for itself."""
    few = sum(int(layer.valid.sum()) for layer in parts.layers) <= _FEW_RAYS
    return few and parts.before is None and len(parts.layers) == 1


def _needs_grid(rays: Rays) -> bool:
    """True if hits of many groups have to be added up: pixel rows, spots."""
    return len(rays.group) > _FEW_RAYS and _group_count(rays) * rays.least_hits > _LEVELS


def _group_count(rays: Rays) -> int:
    return int(np.count_nonzero(np.diff(rays.group))) + 1


def _of_groups(parts: Parts, upright: Upright, hits: int) -> list[FloatArray]:
    """Contours of the places with at least `hits` hits in one group."""
    if parts.before is not None:
        return merged([ring for rings in _each_group(parts, upright, hits, {}).values() for ring in rings])
    return united([ring for layer in parts.layers for ring in sure_pieces(layer, upright, hits)[0]])


def _with_sums(
    region: Region,
    scene: Sequence[tuple[list[FloatArray], tuple[Parts, Upright, Ground]]],
    surely: Callable[[Grid], CountArray],
    rule: tuple[int, float, Window],
) -> Region:
    """Region with what hits of several groups together add, looked for where that is about a cell wide.

    scene: contours of the region and what they were made of; rule: hits, angle of the body [deg], bounds [m].
    """
    hits, angle_deg, (x0, x1, y0, y1) = rule
    cell = max(_SEEK_M, float(np.sqrt((x1 - x0) * (y1 - y0) / _SEEK_CELLS)))
    grid = Grid.over(x0, x1, y0, y1, cell)
    gained = (surely(grid) >= hits) & ~inside(region, grid)
    if not gained.any():
        return region
    boxes = _blocks(grid, gained)
    more = []
    for contours, (parts, upright, ground) in scene:
        near = replace(parts, layers=tuple(_near(layer, upright, boxes, angle_deg) for layer in parts.layers))
        more.append((merged([*contours, *_at_least(_nested(near, upright, hits), hits)]), ground))
    return _joined(more, angle_deg)


def _blocks(grid: Grid, mask: BoolArray) -> tuple[FloatArray, float]:
    """Centres (n, 2) of the blocks of cells that hold one of the mask, and their half width. [m]"""
    row, column = np.nonzero(mask)
    across, along = np.divmod(np.unique(column // _BLOCK * grid.rows + row // _BLOCK), grid.rows)
    places = np.stack([across, along], axis=1) * _BLOCK + (_BLOCK - 1) / 2.0
    return np.array([grid.x_m, grid.y_m]) + places * grid.cell_m, _BLOCK * grid.cell_m / 2.0


def _near(segments: Segments, upright: Upright, boxes: tuple[FloatArray, float], angle_deg: float) -> Segments:
    """The parts from which a body in one of the boxes can be hit; of the others one after each run, to end it."""
    centres, half = boxes
    reach = upright.half + half * np.sqrt(2.0)
    low, high = np.minimum(segments.near, segments.far) - reach, np.maximum(segments.near, segments.far) + reach
    x, y = turned(centres, -angle_deg).T
    across = (low[:, :1] <= x) & (x <= high[:, :1])
    held = across & (low[:, 1:] <= y) & (y <= high[:, 1:])
    valid = segments.valid & held.any(axis=1)
    some = valid.copy()
    some[1:] |= valid[:-1]
    return Segments(segments.near[some], segments.far[some], valid[some], segments.spot_m[some], segments.group[some])


def _nested(parts: Parts, upright: Upright, hits: int) -> list[FloatArray]:
    """For each group the contours of at least 1, 2 .. `hits` - 1 hits: a place lies in as many as it surely has."""
    levels: list[FloatArray] = []
    above: dict[int, list[FloatArray]] = {}
    for least in range(hits - 1, 0, -1):
        above = _each_group(parts, upright, least, above)
        levels += [ring for rings in above.values() for ring in rings]
    return levels if len(above) > 1 else []


def _each_group(
    parts: Parts, upright: Upright, hits: int, known: dict[int, list[FloatArray]]
) -> dict[int, list[FloatArray]]:
    """Contours of the places with at least `hits` hits in each single group, those already known included."""
    pieces: dict[int, list[FloatArray]] = {}
    for layer in parts.layers:
        rings, rays = sure_pieces(layer, upright, hits)
        for ring, group in zip(rings, layer.group[rays].tolist(), strict=True):
            pieces.setdefault(group, []).append(ring)
    early = _too_early(parts)
    found = {}
    for group in sorted({*pieces, *known}):
        base = merged([*united(pieces.get(group, [])), *known.get(group, [])])
        around = [ring[::-1] for ring in early.get(group, [])]
        found[group] = merged([*base, *around]) if around else base
    return found


def _too_early(parts: Parts) -> dict[int, list[FloatArray]]:
    """Contours of the places where some ray of a group meets the body before the hit would count."""
    if parts.before is None:
        return {}
    covers, rays = covering_pieces(parts.before, parts.whole)
    early: dict[int, list[FloatArray]] = {}
    for ring, group in zip(covers, parts.before.group[rays].tolist(), strict=True):
        early.setdefault(group, []).append(ring)
    return {group: united(rings) for group, rings in early.items()}


def _ray_sums(segments: Segments, upright: Upright) -> list[FloatArray]:
    """One ring per ray: exactly the places where it hits."""
    half = upright.half - segments.spot_m[:, None]
    fits = segments.valid & (half >= 0.0).all(axis=1)
    near, far, half = segments.near[fits], segments.far[fits], half[fits]
    shapes = footprints(np.zeros_like(half), half, CORNERS if upright.is_round else 0)
    return list(dilated(np.stack([near, far, far, near], axis=1), shapes))


def _at_least(rings: Sequence[FloatArray], hits: int) -> list[FloatArray]:
    """Contours of the places that at least `hits` of the rings hold."""
    if len(rings) < hits:
        return []
    far = FAR_M
    around = np.array([[-far, -far], [-far, far], [far, far], [far, -far]])  # clockwise
    return merged([*rings, *([around] * (hits - 1))])


def _bounds(rays: Rays, lengths: FloatArray, body: TestBody, window: Window | None) -> Window:
    """Rectangle that holds every place in the window where a ray can hit the body. [m]"""
    far, reach, found = np.maximum(lengths, 0.0), hypot(body.width_m, body.depth_m) / 2.0, []
    for axis, (low, high) in enumerate((window[:2], window[2:]) if window else [(-FAR_M, FAR_M)] * 2):
        start = rays.origins[:, axis]
        end = start + far * rays.directions[:, axis]
        least, most = min(start.min(), end.min()), max(start.max(), end.max())
        found += [min(max(float(at), low), high) for at in (least - reach, most + reach)]
    return found[0], found[1], found[2], found[3]


def _with_cells(region: Region, surely: Callable[[Grid], CountArray], hits: int, window: Window) -> Region:
    """Region with the cells in which all groups together surely give enough hits, where that adds a cell's width."""
    x0, x1, y0, y1 = window
    cell = max(_CELL_M, float(np.sqrt((x1 - x0) * (y1 - y0) / _CELLS)))
    grid = Grid.over(x0, x1, y0, y1, cell)
    cells = contour_region(merged(_cell_rings(grid, surely(grid) >= hits)))
    wide = (cells - region).opened(0.51 * cell)
    return region if wide.is_empty else region | (cells & wide.grown(cell))


def _cell_rings(grid: Grid, mask: BoolArray) -> list[FloatArray]:
    """Rectangles of the runs of a mask; equal runs of rows that follow each other in one."""
    edges = np.diff(mask.astype(np.int8), axis=1, prepend=0, append=0)
    row, start = np.nonzero(edges == 1)
    stop = np.nonzero(edges == -1)[1]
    order = np.lexsort((row, stop, start))
    row, start, stop = row[order], start[order], stop[order]
    follows = (np.diff(row) == 1) & (np.diff(start) == 0) & (np.diff(stop) == 0)
    first = np.flatnonzero(np.concatenate([[True], ~follows])) if len(row) else row
    last = np.concatenate([first[1:], [len(row)]]) - 1 if len(row) else row
    x0, x1 = (grid.x_m + (edge[first] - 0.5) * grid.cell_m for edge in (start, stop))
    y0, y1 = (grid.y_m + (at - 0.5) * grid.cell_m for at in (row[first], row[last] + 1.0))
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    return list(np.stack([np.stack(corner, axis=1) for corner in corners], axis=1))


# --- floor areas and blocked places ---------------------------------------------------------------------------------


def _contact_region(
    area: FloorArea, body: TestBody, angle_deg: float, fields: tuple[FloatArray, ...], least_above_m: float
) -> Region:
    """Places where the footprint, shrunk by the least overlap, meets the area inside the fields."""
    half = np.array([body.width_m, body.depth_m]) / 2.0 - area.least_overlap_m
    if (half < 0.0).any() or least_above_m > area.height_m:
        return Region()
    shape = footprint(Upright(half, body.shape != "box", 0.0, body.height_m))
    acting = Region.ring(area.ring)
    if fields:
        acting = acting & Region.union([Region.ring(ring) for ring in fields])
    return _grown(acting.contours, turned(shape, angle_deg))


def _grown(rings: list[FloatArray], shape: FloatArray) -> Region:
    """Minkowski sum of what rings hold (holes clockwise) and a point-symmetric convex footprint.

    It is the inside and the sums of the edges, because a footprint that holds its own centre and meets the inside has
    its centre there or meets the border.
    """
    edges = [edge for ring in rings for edge in np.stack([ring, following(ring)], axis=1)]
    return Region.union([contour_region(rings), *(_hull_sum(edge, shape) for edge in edges)])


def _hull_sum(points: FloatArray, shape: FloatArray) -> Region:
    """Minkowski sum of the hull of points and a convex footprint."""
    return Region.hull((points[:, None] + shape).reshape(-1, 2))


def blocked_region(
    around: Surroundings, body: TestBody, *, angle_deg: float = 0.0, window: Window | None = None
) -> Region:
    """Reference positions at which the body cannot stand because it would cut into a prism.

    Touching does not block, nor does what is passable; a round footprint is inscribed, so that no free place is called
    blocked. The place of a prism is its Minkowski sum with the footprint: of convex ones the hull of the sums of
    corners [1]_.

    Parameters
    ----------
    around : Surroundings
        Floor and prisms.
    body : TestBody
        Body, plumb on the floor below its reference point.
    angle_deg : float
        Turn of the body about the vertical, counter-clockwise. [deg]
    window : tuple of float, optional
        x0, x1, y0, y1: what lies outside is left out. [m]

    Returns
    -------
    region : Region
        Places where the body cannot stand.

    References
    ----------
    .. [1] M. de Berg and others, Computational Geometry, 3rd edition, observation 13.4.
    """
    solid = [prism for prism in around.prisms if not prism.passable]
    prisms = [prism for prism in solid if window is None or _is_near(prism.ring, window, body)]
    found = []
    for ground in grounds(around.floors, 0.0):
        for upright in uprights(body):
            found += _blocked_on(prisms, upright, ground, angle_deg)
    return _cropped(found[0] if len(found) == 1 else Region.union(found), window)


def _is_near(ring: FloatArray, window: Window, body: TestBody) -> bool:
    """True if a body in the window may reach the ring."""
    x, y = ring.T.tolist()
    reach = hypot(body.width_m, body.depth_m) / 2.0
    across = bool(max(x) >= window[0] - reach and min(x) <= window[1] + reach)
    return across and bool(max(y) >= window[2] - reach and min(y) <= window[3] + reach)


def _blocked_on(prisms: list[Prism], upright: Upright, ground: Ground, angle_deg: float) -> list[Region]:
    """Places on one ground where an upright part of the body would cut into a prism.

    A prism is in the way where the ground is above base - high and below top - low.
    """
    shape, whole, found = footprint(upright), [], []
    for prism in prisms:
        y0, y1 = _heights_between(ground, prism.base_m - upright.high_m, prism.top_m - upright.low_m)
        if y1 - y0 > FAR_M:
            whole.append(prism)
        elif y0 < y1:
            found.append(_sums([prism], shape, angle_deg) & Region.box(-FAR_M, FAR_M, y0, y1))
    return [*found, _sums(whole, shape, angle_deg)] if whole else found


def _sums(prisms: list[Prism], shape: FloatArray, angle_deg: float) -> Region:
    """Union of the Minkowski sums of the prisms' rings and a point-symmetric convex footprint."""
    turn = turned(shape, angle_deg)
    return Region.union(
        _hull_sum(prism.ring, turn) if prism.is_convex else _grown([prism.ring], turn) for prism in prisms
    )


def _heights_between(ground: Ground, low_m: float, high_m: float) -> tuple[float, float]:
    """Range of y of a ground in which its height, level - fall y, is above one and below another height."""
    if ground.fall == 0.0:
        return (ground.from_y_m, ground.to_y_m) if low_m < ground.level_m < high_m else (0.0, 0.0)
    ends = sorted([(ground.level_m - low_m) / ground.fall, (ground.level_m - high_m) / ground.fall])
    return max(ground.from_y_m, ends[0]), min(ground.to_y_m, ends[1])

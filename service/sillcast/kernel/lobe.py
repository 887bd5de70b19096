"""Lobes: a range that depends on the direction, and where a body moving in it, or standing in it, is detected.

All sets here are convex before anything stands in the way: a lobe whose gain falls as a power of the cosine, its edge
cone, its range gates, and the places from which a body closes in fast enough. So a section is found by looking outwards
from a place inside it, and its corners make an inscribed polygon.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from sillcast.errors import GeometryError
from sillcast.kernel.frame import FloatArray, Pose
from sillcast.kernel.plane import Region
from sillcast.kernel.sight import Level, Shadows, grounds, shadow
from sillcast.kernel.solids import Surroundings, TestBody

__all__ = ["SLABS", "Lobe", "body_echo_m2", "courses", "lobe_region", "lobe_section"]

Sense = Literal["towards", "away", "both"]
EchoRule = Literal["weight", "outline"]
Window = tuple[float, float, float, float]
BoolArray = npt.NDArray[np.bool_]

_CORNERS = 96  # of a section; loses 0.07 % of an ellipse's area
_LOOKS = ((12, 10), (24, 10))  # corners and halvings of first rings, which tell the section's middle and shape
_HALVINGS = 23  # of twice the range: a corner lies less than 4e-6 m inside for a range of 15 m
_TRIES = 25  # directions in each plane in which a place inside the section is looked for
SLABS = 3  # parts of a body's height that echo one by one
ADULT_ECHO_M2 = 0.495  # least of the range measured on people at 9.375 GHz, see `body_echo_m2`
ADULT_VOLUME_M3 = 0.070  # 70 kg at the density of water


@dataclass(frozen=True, eq=False)
class Lobe:
    """Range as a function of direction, by gain pattern and two-way range law.

    An echo from a distance r in a direction of one-way gain g is strong enough while
    40 log10(r / R0) + 2 a (r - R0) <= 20 log10(g / g0) + 10 log10(echo / echo0), R0 the range on the axis [1]_. The
    gain is cos^n in the plane of the wider beam [2]_ and as steep in the other as its half-power angle says; side lobes
    do not count.

    Attributes
    ----------
    origin : (3,) array
        Place in the door frame. [m]
    matrix : (3, 3) array
        Columns: across the lobe (its width), the other way across (its depth), and along its axis.
    range_m : float
        On the axis, for the reference echo. [m]
    width_deg, depth_deg : float
        Whole angles between the directions of half the gain. 0 in both: even gain up to the edge. [deg]
    edge_width_deg, edge_depth_deg : float
        Whole angles beyond which nothing counts, below 180. [deg]
    echo_m2 : float
        Reference echo strength (radar or sonar cross section). [m2]
    echo_rule : {"weight", "outline"}
        How the echo of a body is estimated, see `body_echo_m2`.
    absorption_db_per_m : float
        Loss of the air, one way. [dB/m]
    nearest_m, farthest_m : float
        Echoes from outside these distances do not count. [m]
    presence : bool
        True if a body that stands still is detected.
    least_radial_speed_m_per_s : float
        Least speed along the line of sight of a lobe without presence. [m/s]
    sense : {"towards", "away", "both"}
        Which way the body must move.

    References
    ----------
    .. [1] Radar range equation, P ~ G^2 echo / R^4: Skolnik, Introduction to Radar Systems, chapter 1 (from memory).
    .. [2] Cosine-power pattern: Stutzman, Thiele, Antenna Theory and Design (from memory).
    """

    origin: FloatArray
    matrix: FloatArray
    range_m: float
    width_deg: float = 0.0
    depth_deg: float = 0.0
    edge_width_deg: float = 120.0
    edge_depth_deg: float = 120.0
    echo_m2: float = 1.0
    echo_rule: EchoRule = "weight"
    absorption_db_per_m: float = 0.0
    nearest_m: float = 0.0
    farthest_m: float = np.inf
    presence: bool = False
    least_radial_speed_m_per_s: float = 0.0
    sense: Sense = "both"

    def __post_init__(self) -> None:
        angles = (self.width_deg, self.depth_deg, self.edge_width_deg, self.edge_depth_deg)
        if self.origin.shape != (3,) or self.matrix.shape != (3, 3) or not np.isfinite([*self.origin, *angles]).all():
            raise GeometryError("lobe: origin is (3,), matrix (3, 3), all numbers finite")
        if not (0 < self.range_m < np.inf and self.echo_m2 > 0 and self.absorption_db_per_m >= 0):
            raise GeometryError("lobe: range and echo are above 0, absorption is not below it")
        if not (min(angles) >= 0 and max(angles) < 180 and min(angles[2:]) > 0):
            raise GeometryError("lobe: angles from 0, edges above it, below 180 deg")
        if (self.width_deg == 0) != (self.depth_deg == 0):
            raise GeometryError("lobe: both half-power angles, or neither")

    @classmethod
    def looking(cls, at: Pose, *, spin_deg: float = 0.0, **how: object) -> Lobe:
        """Lobe of a mount: axis along the own straight-down direction, width along the own x, turned by `spin_deg`."""
        c, s = np.cos(np.deg2rad(spin_deg)), np.sin(np.deg2rad(spin_deg))
        x, y, down = at.matrix[:, 0], at.matrix[:, 1], -at.matrix[:, 2]
        matrix = np.ascontiguousarray(np.stack([c * x + s * y, c * y - s * x, down], axis=1))
        return cls(at.origin, matrix, **how)  # type: ignore[arg-type]  # the fields, checked by the dataclass

    def with_range(self, range_m: float) -> Lobe:
        """The same lobe with another range on its axis. [m]"""
        return replace(self, range_m=range_m)

    @cached_property
    def pattern(self) -> tuple[float, FloatArray]:
        """Exponent m and the stretch (3,) of the pattern: relative range |w| z^m / |stretch * w|^(m + 1). [1]"""
        if self.width_deg == 0.0:
            return 0.0, np.ones(3)
        halves = np.deg2rad([self.width_deg, self.depth_deg]) / 2.0
        m = 0.5 * np.log(2.0) / -np.log(np.cos(halves.max()))
        u = np.tan(halves) ** 2
        return float(m), np.append(np.sqrt(((2.0 * (1.0 + u)) ** (1.0 / (m + 1.0)) - 1.0) / u), 1.0)

    @cached_property
    def _shadows(self) -> Shadows:
        """Shadows that it was asked for, kept as long as it lives."""
        return {}

    @cached_property
    def _open(self) -> dict[Any, list[tuple[Region, int, int]]]:
        """What it sees where nothing stands in the way, see `_runs`, kept as long as it lives."""
        return {}

    def excess_db(self, points: FloatArray, echo_m2: FloatArray | float | None = None) -> FloatArray:
        """How much stronger than needed the echo of a body at a point is; minus infinity where it never counts.

        Parameters
        ----------
        points : (..., 3) array
            Places in the door frame. [m]
        echo_m2 : array or float, optional
            Echo strength, the reference if absent. [m2]

        Returns
        -------
        excess_db : (...) array
            0 on the surface of the lobe. [dB]
        """
        own = (points - self.origin) @ self.matrix
        r = np.maximum(np.sqrt(np.einsum("...i,...i->...", own, own)), 1e-12)
        z = own[..., 2]
        edge = np.tan(np.deg2rad([self.edge_width_deg, self.edge_depth_deg]) / 2.0)
        counts = (z >= 0) & (np.hypot(own[..., 0] / edge[0], own[..., 1] / edge[1]) <= z * (1.0 + 1e-12))
        counts &= (r >= self.nearest_m) & (r <= self.farthest_m)
        m, stretch = self.pattern
        bent = np.maximum(np.sqrt(np.einsum("...i,i->...", own * own, stretch * stretch)), 1e-12)
        relative = np.where(counts, r * np.maximum(z, 1e-12) ** m / bent ** (m + 1.0), 1.0)
        strength = 1.0 if echo_m2 is None else np.asarray(echo_m2) / self.echo_m2
        excess = 40.0 * np.log10(relative * self.range_m / r) + 10.0 * np.log10(strength)
        excess = excess - 2.0 * self.absorption_db_per_m * (r - self.range_m)
        return np.where(counts, excess, -np.inf)

    def range_towards(self, directions: FloatArray, echo_m2: float | None = None) -> FloatArray:
        """Range along unit directions, 0 where nothing counts.

        Parameters
        ----------
        directions : (..., 3) array
            Unit vectors in the door frame. [1]
        echo_m2 : float, optional
            Echo strength, the reference if absent. [m2]

        Returns
        -------
        range_m : (...) array
            To 1e-12 of the greatest range, never above. [m]
        """
        open_ended = replace(self, nearest_m=0.0, farthest_m=np.inf)
        near = np.zeros(directions.shape[:-1])
        far = np.full(directions.shape[:-1], self.most_range_m(echo_m2))
        for _ in range(2 * _HALVINGS):
            middle = 0.5 * (near + far)
            holds = open_ended.excess_db(self.origin + middle[..., None] * directions, echo_m2) >= 0.0
            near, far = np.where(holds, middle, near), np.where(holds, far, middle)
        near = np.minimum(near, self.farthest_m)
        return np.where(near < max(self.nearest_m, 1e-7), 0.0, near)

    def most_range_m(self, echo_m2: float | None = None) -> float:
        """A bound of the range in all directions: that of the axis without absorption gained by nearness. [m]"""
        strength = 1.0 if echo_m2 is None else echo_m2 / self.echo_m2
        return float(self.range_m * max(strength, 1.0) ** 0.25 * (1.0 + 1e-9))


def body_echo_m2(body: TestBody, rule: EchoRule) -> float:
    """Echo strength of a body, on the low side.

    `weight`, for radio waves: 0.495 m2, the least of what was measured on adults at 9.375 GHz, times the body's share
    of an adult's volume (0.070 m3), at most 1; people's cross section is roughly proportional to their weight [1]_.
    `outline`, for sound: pi a^2, a rigid sphere of half the least side [2]_.

    Parameters
    ----------
    body : TestBody
        The body.
    rule : {"weight", "outline"}
        Which estimate.

    Returns
    -------
    echo_m2 : float
        Cross section. [m2]

    References
    ----------
    .. [1] F. V. Schultz, R. C. Burgener, S. King, Measurement of the radar cross section of a man, Proc. IRE 46 (1958)
       476-481, abstract. Other bands, other aspects: 0.14 to 1.9 m2.
    .. [2] Geometrical optics of a sphere that is large against the wavelength; textbook physics, from memory.

    Examples
    --------
    >>> round(body_echo_m2(TestBody("reference", 0.3, 0.2, 0.7), "weight"), 3)
    0.297
    """
    if rule == "outline":
        return float(np.pi * (min(body.width_m, body.depth_m, body.height_m) / 2.0) ** 2)
    filled = {"box": 1.0, "cylinder": np.pi / 4.0, "sphere": np.pi / 6.0}[body.shape]
    volume = filled * body.width_m * body.depth_m * body.height_m
    return float(ADULT_ECHO_M2 * min(1.0, volume / ADULT_VOLUME_M3))


# --- where a body is detected ----------------------------------------------------------------------------------------


def lobe_region(
    lobe: Lobe,
    around: Surroundings,
    body: TestBody,
    *,
    velocity_m_per_s: tuple[float, float] | None = None,
    window: Window | None = None,
    echo_m2: float | None = None,
) -> Region:
    """Reference positions at which a lobe detects a body, inscribed [1]_.

    The body's height is cut into three slabs of equal echo, each taken at its middle on the upright axis. Wherever the
    echoes of j neighbouring slabs in sight add up to what is needed, each of them as if it had j thirds of the whole
    echo, the body is detected. A lobe without presence also needs the least radial speed at each of these slabs. A body
    that reaches into the dead zone around the head counts as unseen.

    Parameters
    ----------
    lobe : Lobe
        The lobe.
    around : Surroundings
        Floor and prisms; every material is opaque.
    body : TestBody
        Body, plumb on the floor below its reference point.
    velocity_m_per_s : tuple of float, optional
        Velocity in the plan. Without it a lobe without presence detects nothing. [m/s]
    window : tuple of float, optional
        x0, x1, y0, y1: what lies outside is left out. [m]
    echo_m2 : float, optional
        Echo strength of the body; estimated from its size if absent. [m2]

    Returns
    -------
    region : Region
        Sections are polygons of 96 corners inside the true ones; sections narrower than a 24th of the lobe may be
        left out. A body of which only a side is in sight, not the axis, counts as unseen.

    References
    ----------
    .. [1] Own derivation; checked point by point in tests/unit/test_lobe.py.
    """
    motion = courses(lobe, velocity_m_per_s)
    echo = body_echo_m2(body, lobe.echo_rule) if echo_m2 is None else echo_m2
    heights = [(i + 0.5) * body.height_m / SLABS for i in range(SLABS)]
    found = []
    for ground in grounds(around.floors):
        levels = tuple(ground.lifted(h) for h in heights)
        shadows = [_shadow(lobe, around, level, lobe.most_range_m(echo)) for level in levels]
        runs = [run for velocity in motion for run in _runs(lobe, levels, echo, velocity)]
        whole = Region.union(area.less(shadows[first:past]) for area, first, past in runs)
        blind = _dead_zone(lobe, [*levels, ground.lifted(body.height_m)])
        found.append(whole - blind.grown(np.hypot(body.width_m, body.depth_m) / 2.0))
    whole = Region.union(found)
    return whole if window is None else whole.within(*window)


def courses(lobe: Lobe, velocity_m_per_s: tuple[float, float] | None) -> list[tuple[float, float] | None]:
    """Velocities of which one must lead away from the head fast enough; None where any will do, none for no motion."""
    if lobe.presence:
        return [None]
    if velocity_m_per_s is None or np.hypot(*velocity_m_per_s) < max(lobe.least_radial_speed_m_per_s, 1e-9):
        return []
    signs = {"towards": (-1.0,), "away": (1.0,), "both": (-1.0, 1.0)}[lobe.sense]
    return [(sign * velocity_m_per_s[0], sign * velocity_m_per_s[1]) for sign in signs]


def _shadow(lobe: Lobe, around: Surroundings, level: Level, reach_m: float) -> Region:
    """What of a plane the lobe does not see; worked out once for each surroundings."""
    key = (around, level, reach_m)
    if key not in lobe._shadows:
        lobe._shadows[key] = [shadow(lobe.origin, around, level, reach_m=reach_m, known=lobe._shadows)]
    return lobe._shadows[key][0]


def _runs(
    lobe: Lobe, levels: tuple[Level, ...], echo_m2: float, velocity: tuple[float, float] | None
) -> list[tuple[Region, int, int]]:
    """For each run of neighbouring slabs (first, past) where all of it echo strongly enough, nothing in the way."""
    key = (levels, echo_m2, velocity)
    if key not in lobe._open:
        lobe._open[key] = list(_open_runs(lobe, levels, echo_m2, velocity))
    return lobe._open[key]


def _open_runs(
    lobe: Lobe, levels: Sequence[Level], echo_m2: float, velocity: tuple[float, float] | None
) -> Iterator[tuple[Region, int, int]]:
    cases = list(product(range(1, SLABS + 1), range(SLABS)))
    echoes = np.array([echo_m2 * share / SLABS for share, _ in cases])
    rings = _sections(lobe, [levels[i] for _, i in cases], echoes, velocity)
    seen = {case: _of_level(ring, levels[case[1]]) for case, ring in zip(cases, rings, strict=True) if ring is not None}
    for share, first in cases:
        run = [seen.get((share, i), Region()) for i in range(first, min(first + share, SLABS))]
        if len(run) == share and not (area := _common(run)).is_empty:
            yield area, first, first + share


def _common(regions: Sequence[Region]) -> Region:
    whole = regions[0]
    for region in regions[1:]:
        whole = whole & region
    return whole


def lobe_section(lobe: Lobe, height_m: float, around: Surroundings) -> Region:
    """Lobe at a height above the local floor, for its reference echo, less the shadows of what stands in the way.

    Parameters
    ----------
    lobe : Lobe
        The lobe.
    height_m : float
        Height above the local floor. [m]
    around : Surroundings
        Floor and prisms.

    Returns
    -------
    section : Region
        Inscribed: an ellipse or the like cut by the range, 96 corners.
    """
    found = []
    for ground in grounds(around.floors):
        level = ground.lifted(height_m)
        ring = _sections(lobe, [level], np.array([lobe.echo_m2]), None)[0]
        if ring is not None:
            hidden = [_shadow(lobe, around, level, lobe.most_range_m()), _dead_zone(lobe, [level])]
            found.append(_of_level(ring, level).less(hidden))
    return Region.union(found)


# --- sections --------------------------------------------------------------------------------------------------------


def _sections(
    lobe: Lobe, levels: Sequence[Level], echo_m2: FloatArray, velocity: tuple[float, float] | None
) -> list[FloatArray | None]:
    """Ring (n, 2) of the lobe in each plane for each echo (k,), or None where no place was found inside it."""
    planes = np.array([[level.height_m, level.fall] for level in levels])[:, None]
    convex = replace(lobe, nearest_m=0.0)
    tries = _tries(lobe, planes)
    points = _raised(tries, planes)
    inside = convex.excess_db(points, echo_m2[:, None]) >= 0.0
    if velocity is not None:
        inside &= _closes_in(lobe, points, velocity)
    some: list[bool] = np.any(inside, axis=1).tolist()
    if not any(some):
        return [None] * len(levels)
    places, found = tries, inside
    # The tries inside may be few and nearly in a line; what is seen around them tells better where the rest lies.
    for corners, halvings in (*_LOOKS, (_CORNERS, _HALVINGS)):
        count = np.maximum(found.sum(axis=1), 1)[:, None]
        middle = np.where(found[..., None], places, 0.0).sum(axis=1) / count
        spread = _spread(np.where(found[..., None], places - middle[:, None], 0.0), count)
        turn = 2.0 * np.pi * np.arange(corners) / corners
        spokes = np.einsum("kij,nj->kni", spread, np.stack([np.cos(turn), np.sin(turn)], axis=1))
        spokes /= np.linalg.norm(spokes, axis=2, keepdims=True)
        ways = np.concatenate([spokes, -planes[..., 1:] * spokes[..., 1:]], axis=2)
        start = _raised(middle[:, None], planes) - lobe.origin
        lengths = _way_out(lobe, start, ways, echo_m2[:, None], velocity, halvings)
        places = middle[:, None] + lengths[..., None] * spokes
        found = np.ones(places.shape[:2], dtype=np.bool_)
    return [ring if seen else None for ring, seen in zip(places, some, strict=True)]


def _raised(plan: FloatArray, planes: FloatArray) -> FloatArray:
    """Points (k, n, 3) over places (k, n, 2) in the planes (k, 1, 2) of height and fall."""
    return np.concatenate([plan, planes[..., :1] - planes[..., 1:] * plan[..., 1:]], axis=2)


def _way_out(
    lobe: Lobe,
    start: FloatArray,
    ways: FloatArray,
    echo_m2: FloatArray,
    velocity: tuple[float, float] | None,
    halvings: int,
) -> FloatArray:
    """Length (k, n) from places inside (k, 1, 3), relative to the head, along ways (k, n, 3) to the surface, at most.

    The conditions of `Lobe.excess_db`, written as polynomials of the length, so that each halving is cheap.
    """
    m, stretch = lobe.pattern
    own, out = start @ lobe.matrix, ways @ lobe.matrix
    edge = np.tan(np.deg2rad([lobe.edge_width_deg, lobe.edge_depth_deg]) / 2.0)
    squares = [_square(own, out, scale) for scale in (np.ones(3), stretch, np.array([*(1.0 / edge), 0.0]))]
    rise, climb = own[..., 2], out[..., 2]
    needed = 40.0 * np.log10(lobe.range_m) + 2.0 * lobe.absorption_db_per_m * lobe.range_m
    needed = needed + 10.0 * np.log10(echo_m2 / lobe.echo_m2)
    course = np.zeros(2) if velocity is None else np.array(velocity)
    pace, gain = start[..., :2] @ course, ways[..., :2] @ course
    least = 0.0 if velocity is None else lobe.least_radial_speed_m_per_s
    near = np.zeros(ways.shape[:2])
    far = np.full_like(near, 2.0 * lobe.most_range_m(float(echo_m2.max())))
    for _ in range(halvings):
        t = 0.5 * (near + far)
        r2, bent2, across2 = (np.maximum(a + t * (b + t * c), 1e-24) for a, b, c in squares)
        r, z = np.sqrt(r2), rise + t * climb
        spent = 20.0 * (m + 1.0) * np.log10(bent2) - 40.0 * m * np.log10(np.maximum(z, 1e-12))
        good = (spent + 2.0 * lobe.absorption_db_per_m * r <= needed) & (z >= 0.0) & (across2 <= z * z)
        good &= (r <= lobe.farthest_m) & (pace + t * gain >= least * r)
        near, far = np.where(good, t, near), np.where(good, far, t)
    return near


def _square(own: FloatArray, out: FloatArray, scale: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coefficients of the squared length of scale * (own + t out), as a polynomial of t."""
    a, b = own * scale, out * scale
    dot = "...i,...i->..."
    return np.einsum(dot, a, a), 2.0 * np.einsum(dot, np.broadcast_to(a, b.shape), b), np.einsum(dot, b, b)


def _closes_in(lobe: Lobe, points: FloatArray, velocity: tuple[float, float]) -> BoolArray:
    """True where a velocity has the least component along the line of sight away from the head."""
    w = points - lobe.origin
    radial = w[..., 0] * velocity[0] + w[..., 1] * velocity[1]
    return np.asarray(radial >= lobe.least_radial_speed_m_per_s * np.linalg.norm(w, axis=-1))


def _tries(lobe: Lobe, planes: FloatArray) -> FloatArray:
    """Where directions spread over the lobe meet each plane (k, n, 2); those that miss it lie far outside."""
    edge = np.tan(np.deg2rad([lobe.edge_width_deg, lobe.edge_depth_deg]) / 2.0)
    u = np.linspace(-1.0, 1.0, _TRIES) * (1.0 - 1e-6)
    u, v = (part.ravel() for part in np.meshgrid(u, u))
    u, v = u[u * u + v * v < 1.0], v[u * u + v * v < 1.0]
    ways = np.stack([edge[0] * u, edge[1] * v, np.ones_like(u)], axis=1) @ lobe.matrix.T
    height, fall = planes[..., 0], planes[..., 1]
    climb = ways[:, 2] + fall * ways[:, 1]
    drop = height - lobe.origin[2] - fall * lobe.origin[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = drop / climb
    t = np.where(np.isfinite(t) & (t >= 0.0), np.minimum(t, 1e6), 1e6)
    return np.asarray(lobe.origin[:2] + t[..., None] * ways[:, :2])


def _spread(offsets: FloatArray, count: FloatArray) -> FloatArray:
    """Matrix (k, 2, 2) that turns a circle into the shape over which the offsets (k, n, 2) are spread."""
    moments = np.einsum("kni,knj->kij", offsets, offsets) / count[..., None]
    moments += 1e-4 * (np.trace(moments, axis1=1, axis2=2)[:, None, None] + 1e-6) * np.eye(2)
    return np.linalg.cholesky(moments)


def _of_level(ring: FloatArray, level: Level) -> Region:
    """Ring as a region, on its own side of the door."""
    region = Region.ring(ring)
    if level.is_everywhere:
        return region
    return region & Region.box(-1e3, 1e3, max(level.from_y_m, -1e3), min(level.to_y_m, 1e3))


def _dead_zone(lobe: Lobe, levels: Sequence[Level]) -> Region:
    """Places nearer to the head than the nearest distance in any of the planes, circumscribed.

    Within a plane these places lie around the foot of the perpendicular; on a slope the disc is taken for the ellipse.
    """
    found = []
    turn = 2.0 * np.pi * np.arange(_CORNERS) / _CORNERS
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1) / np.cos(np.pi / _CORNERS)
    for level in levels:
        drop = (lobe.origin[2] - level.height_m + level.fall * lobe.origin[1]) / np.hypot(1.0, level.fall)
        if abs(drop) < lobe.nearest_m:
            foot = lobe.origin[:2] - np.array([0.0, drop * np.sin(np.arctan(level.fall))])
            found.append(Region.ring(foot + np.sqrt(lobe.nearest_m**2 - drop**2) * circle))
    return Region.union(found)

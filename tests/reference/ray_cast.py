"""Independent checkers of the ray core: ray by ray and body by body, in float64 and by Embree.

They share no idea with the engine: no projection, no Minkowski sum, no difference array. A ray is brought
into the body's own frame and met with slabs or a quadratic; prisms are met edge by edge, or as triangles by Embree.
"""

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from shapely.geometry import Polygon
from trimesh.ray.ray_pyembree import RayMeshIntersector

EPS_M = 2e-5  # a ray this near to an edge is a tie: Embree's single precision at door scale (8 m * 2**-23 * a few)


@dataclass(frozen=True)
class Solid:
    """Body of half sides (radius twice) and height, turned by an angle; the checker's own type on purpose."""

    shape: str
    a: float
    b: float
    height: float
    angle_rad: float = 0.0

    def grown(self, by: float) -> "Solid":
        return Solid(self.shape, self.a + by, self.b + by, self.height + by, self.angle_rad)


def hit_length(solid, origins, directions, lengths, place, foot=0.0, sink=0.0):
    """Length at which each ray first meets the solid standing at a place, inf if it does not; foot lowered by sink."""
    o = origins - np.array([place[0], place[1], foot])
    if solid.shape == "sphere":
        centre = np.array([0.0, 0.0, solid.height / 2.0])
        return _quadratic(o - centre, directions, lengths, solid.a)
    c, s = np.cos(solid.angle_rad), np.sin(solid.angle_rad)
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    o, d = o @ turn.T, directions @ turn.T
    t_in, t_out = np.zeros(len(o)), np.asarray(lengths, dtype=float).copy()
    slabs = [(2, -sink, solid.height)]
    if solid.shape == "box":
        slabs += [(0, -solid.a, solid.a), (1, -solid.b, solid.b)]
    for axis, low, high in slabs:
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (np.array([[low], [high]]) - o[:, axis]) / d[:, axis]
        still = d[:, axis] == 0.0
        outside = still & ((o[:, axis] < low) | (o[:, axis] > high))
        t_in = np.where(still, t_in, np.maximum(t_in, t.min(axis=0)))
        t_out = np.where(outside, -1.0, np.where(still, t_out, np.minimum(t_out, t.max(axis=0))))
    if solid.shape == "cylinder":
        near, far = _roots(o[:, :2], d[:, :2], solid.a)
        t_in, t_out = np.maximum(t_in, near), np.minimum(t_out, far)
    return np.where(t_in <= t_out, t_in, np.inf)


def _roots(o, d, radius):
    """Interval of the line o + t d inside a circle or ball about the origin; reversed where it misses."""
    a, b, c = (d * d).sum(axis=1), (o * d).sum(axis=1), (o * o).sum(axis=1) - radius * radius
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b * b - a * c)
        near, far = (-b - root) / a, (-b + root) / a
    still = a < 1e-24
    near = np.where(still, np.where(c <= 0.0, -np.inf, np.inf), near)
    far = np.where(still, np.where(c <= 0.0, np.inf, -np.inf), far)
    return np.where(np.isnan(near), np.inf, near), np.where(np.isnan(far), -np.inf, far)


def _quadratic(o, d, lengths, radius):
    near, far = _roots(o, d, radius)
    t_in, t_out = np.maximum(near, 0.0), np.minimum(far, lengths)
    return np.where(t_in <= t_out, t_in, np.inf)


def bracket(solid, origins, directions, lengths, place, foot=0.0, keep=None):
    """Hits at a place: fewest, by plain float64, most, when body, rays and hit points move by EPS_M.

    `keep` tells of hit points (n, 3) which count; all of them if it is not given.
    """
    some = lengths > 0.0
    o, d, ends = origins[some], directions[some], lengths[some]
    plain, variants = None, []
    for by in (0.0, -EPS_M, EPS_M):
        t = hit_length(solid.grown(by), o, d, ends + by, place, foot, by)
        met = np.isfinite(t)
        for shift in (0.0, -EPS_M, EPS_M) if keep else (0.0,):
            points = o + np.where(met, t + shift, 0.0)[:, None] * d
            variants.append(met & keep(points) if keep else met)
            plain = variants[0] if plain is None else plain
    return int(np.all(variants, axis=0).sum()), int(plain.sum()), int(np.any(variants, axis=0).sum())


def free_length(origins, directions, range_m, prisms, floor=0.0):
    """Free lengths over a level floor by walls and caps one by one, in float64; origins outside all prisms."""
    length = range_m.copy()
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (floor - origins[:, 2]) / directions[:, 2]
        length = np.where((directions[:, 2] < 0.0) & (t < length), t, length)
        for prism in prisms:
            for p, q in zip(prism.ring, np.roll(prism.ring, -1, axis=0), strict=True):
                length = np.minimum(length, _wall(origins, directions, p, q, prism.base_m, prism.top_m))
            for z in (prism.base_m, prism.top_m):
                length = np.minimum(length, _cap(origins, directions, prism.ring, z))
    return length


def _wall(o, d, p, q, base, top):
    """Length at which rays cross an upright rectangle: plan crossing by Cramer's rule, then the height."""
    e, w = q - p, p - o[:, :2]
    cross = d[:, 0] * e[1] - d[:, 1] * e[0]
    t = (w[:, 0] * e[1] - w[:, 1] * e[0]) / cross
    s = (w[:, 0] * d[:, 1] - w[:, 1] * d[:, 0]) / cross
    z = o[:, 2] + t * d[:, 2]
    return np.where((cross != 0.0) & (t >= 0.0) & (s >= 0.0) & (s <= 1.0) & (z >= base) & (z <= top), t, np.inf)


def _cap(o, d, ring, z):
    """Length at which rays cross a level polygon; the point is judged by shapely."""
    t = (z - o[:, 2]) / d[:, 2]
    some = np.isfinite(t) & (t >= 0.0)
    points = o[:, :2] + np.where(some, t, 0.0)[:, None] * d[:, :2]
    return np.where(some & shapely.intersects_xy(Polygon(ring), points[:, 0], points[:, 1]), t, np.inf)


def mesh_of(ring, base, top):
    """Closed triangle mesh of an upright prism."""
    mesh = trimesh.creation.extrude_polygon(Polygon(ring), top - base)
    mesh.apply_translation([0.0, 0.0, base])
    return mesh


class Embree:
    """First hits on a set of meshes, by Embree through trimesh; single precision."""

    def __init__(self, meshes):
        self.faces = np.cumsum([0, *(len(mesh.faces) for mesh in meshes)])
        self.caster = RayMeshIntersector(trimesh.util.concatenate(meshes))

    def first(self, origins, directions):
        """Index of the mesh first hit (-1 none) and length to it (inf)."""
        face, ray, point = self.caster.intersects_id(origins, directions, multiple_hits=False, return_locations=True)
        which, length = np.full(len(origins), -1), np.full(len(origins), np.inf)
        which[ray] = np.searchsorted(self.faces, face, side="right") - 1
        length[ray] = np.linalg.norm(point - origins[ray], axis=1)
        return which, length

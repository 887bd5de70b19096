"""The strongest way found to get hit counts from a general ray caster; the bench's ratios refer to it.

The static scene is cast once. The body is one Embree scene of its own; for each position only the rays inside the cone
about the body's bounding sphere are cast, their origins shifted instead of the body, many positions in one call.
"""

import numpy as np
import shapely
import trimesh
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from reference.ray_cast import mesh_of

BATCH = 100


class EmbreeCounts:
    """Hit counts of one box body for rays of one head with known free lengths."""

    def __init__(self, rays, lengths, body):
        self.origin, self.directions, self.lengths = rays.origins[0], rays.directions, lengths
        self.single, self.single_lengths = rays.directions.astype(np.float32), lengths.astype(np.float32)
        mesh = trimesh.creation.box([body.width_m, body.depth_m, body.height_m])
        self.middle = np.array([0.0, 0.0, body.height_m / 2.0])
        self.radius = np.linalg.norm([body.width_m, body.depth_m, body.height_m]) / 2.0
        self.scene = EmbreeScene()
        TriangleMesh(self.scene, np.ascontiguousarray(mesh.triangles + self.middle, dtype=np.float32))

    def counts(self, places):
        """Hits at each place (n, 2)."""
        return np.concatenate([self._batch(places[first : first + BATCH]) for first in range(0, len(places), BATCH)])

    def _batch(self, places):
        which, owner = [], []
        for index, place in enumerate(places):
            to_body = np.append(place, 0.0) + self.middle - self.origin
            far = np.linalg.norm(to_body)
            if far <= self.radius:
                some = np.arange(len(self.directions))
            else:
                some = np.flatnonzero(self.directions @ to_body >= np.sqrt(far * far - self.radius * self.radius))
            which.append(some)
            owner.append(np.full(len(some), index))
        which, owner = np.concatenate(which), np.concatenate(owner)
        origins = (self.origin - np.column_stack([places, np.zeros(len(places))])).astype(np.float32)[owner]
        distance = self.scene.run(origins, self.single[which], query="DISTANCE")
        return np.bincount(owner[distance <= self.single_lengths[which]], minlength=len(places))


class EmbreeOutlines:
    """Detection outlines of one box per height from rays: free lengths by Embree, a hexagon per ray, one union."""

    def __init__(self, rays, around):
        self.rays = rays
        self.scene = EmbreeScene()
        meshes = [mesh_of(prism.ring, prism.base_m, prism.top_m) for prism in around.prisms]
        triangles = np.concatenate([mesh.triangles for mesh in meshes])
        TriangleMesh(self.scene, np.ascontiguousarray(triangles, dtype=np.float32))

    def lengths(self):
        """Free lengths up to range, floor and prisms. [m]"""
        o, d = self.rays.origins, self.rays.directions
        met = self.scene.run(o.astype(np.float32), d.astype(np.float32), query="DISTANCE").astype(np.float64)
        down = d[:, 2] < 0.0
        floor = np.where(down, -o[:, 2] / np.where(down, d[:, 2], -1.0), np.inf)
        return np.minimum(np.minimum(met, floor), self.rays.range_m)

    def outline(self, lengths, half, height_m):
        """Union of the sums of each ray's part below the height and the footprint."""
        o, d = self.rays.origins, self.rays.directions
        down = d[:, 2] < 0.0
        enter = np.where(down, (height_m - o[:, 2]) / np.where(down, d[:, 2], -1.0), np.inf)
        some = enter < lengths
        ends = [o[some, :2] + t[some, None] * d[some, :2] for t in (enter, lengths)]
        corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
        points = np.concatenate([end[:, None] + corners for end in ends], axis=1)
        return shapely.union_all(shapely.convex_hull(shapely.multipoints(points)))

    def trace(self, lengths, height_m):
        """Points at which rays pass a height."""
        o, d = self.rays.origins, self.rays.directions
        down = d[:, 2] < 0.0
        t = np.where(down, (height_m - o[:, 2]) / np.where(down, d[:, 2], -1.0), np.inf)
        some = t <= lengths + 1e-6
        return o[some] + t[some, None] * d[some]

"""Random scenes for validation and bench: walls, lintel, two leaves and five free obstacles; a scanner or a camera."""

import numpy as np

from sillcast.kernel.counts import Grid
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import Floors, Pose
from sillcast.kernel.solids import Prism, Surroundings

GRID = Grid.over(-3.0, 3.0, -6.0, 0.0, 0.02)


def ring_about(x, y, points, turn=0.0):
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(points, dtype=float) @ np.array([[c, s], [-s, c]]) + np.array([x, y])


LEVEL = Floors()


def surroundings(rng, floors=LEVEL):
    """Ten prisms: jamb walls, lintel, leaves half open, octagonal post, turned box, L shape, shelf, thin panel."""
    fixed = [
        Prism.box("left wall", -4.0, -1.2, -0.15, 0.15, -0.5, 3.5, "wall"),
        Prism.box("right wall", 1.2, 4.0, -0.15, 0.15, -0.5, 3.5, "wall"),
        Prism.box("lintel", -1.2, 1.2, -0.15, 0.15, 2.2, 3.5, "lintel"),
        Prism.box("left leaf", -1.2, -0.5, -0.02, 0.02, -0.5, 2.2, "leaf"),
        Prism.box("right leaf", 0.5, 1.2, -0.02, 0.02, -0.5, 2.2, "leaf"),
    ]
    x, y, turn = rng.uniform(-2.6, 2.6, 5), rng.uniform(-5.0, -0.9, 5), rng.uniform(0.0, 6.0, 5)
    eighth = np.pi / 4.0 * np.arange(8)
    octagon = 0.12 * np.column_stack([np.cos(eighth), np.sin(eighth)])
    box = [[-0.3, -0.2], [0.3, -0.2], [0.3, 0.2], [-0.3, 0.2]]
    ell = [[-0.4, -0.4], [0.4, -0.4], [0.4, 0.0], [0.0, 0.0], [0.0, 0.4], [-0.4, 0.4]]
    panel = [[-0.5, -0.01], [0.5, -0.01], [0.5, 0.01], [-0.5, 0.01]]
    free = [
        ("post", octagon, -0.5, 1.1),
        ("box", box, -0.5, 0.8),
        ("corner", ell, -0.5, 1.2),
        ("shelf", box, 0.9, 1.0),
        ("panel", panel, -0.5, 1.5),
    ]
    free = [
        Prism(name, ring_about(x[i], y[i], ring, turn[i]), base, top) for i, (name, ring, base, top) in enumerate(free)
    ]
    return Surroundings(floors, (*fixed, *free))


def pose(rng):
    x, y, z, turns = rng.uniform(-0.6, 0.6), rng.uniform(-0.6, -0.2), rng.uniform(2.0, 2.6), rng.uniform(-8.0, 8.0, 3)
    return Pose.of(side="near", x_m=x, y_m=y, z_m=z, tilt_deg=turns[0], yaw_deg=turns[1], roll_deg=turns[2])


def scanner(rng, planes=8, rays=241, range_m=8.0, **more):
    """Scan planes of random tilts over 120 degrees."""
    tilts = np.sort(rng.uniform(-5.0, 70.0, planes))
    return Rays.scan_planes(
        at=pose(rng),
        plane_tilts_deg=tilts.tolist(),
        start_deg=-60.0,
        end_deg=60.0,
        step_deg=120.0 / (rays - 1),
        range_m=range_m,
        **more,
    )


def camera(rng, columns=160, rows=120, range_m=8.0):
    """Pixel rays of a 90 x 70 degree field about an axis 35 degrees out of the vertical."""
    at = pose(rng)
    u = np.tan(np.radians(45.0)) * ((np.arange(columns) + 0.5) / columns * 2.0 - 1.0)
    v = np.tan(np.radians(35.0)) * ((np.arange(rows) + 0.5) / rows * 2.0 - 1.0)
    axis = np.array([0.0, np.sin(np.radians(35.0)), -np.cos(np.radians(35.0))])
    right = np.array([1.0, 0.0, 0.0])
    own = axis + u[None, :, None] * right + v[:, None, None] * np.cross(right, axis)
    directions = own.reshape(-1, 3) / np.linalg.norm(own.reshape(-1, 3), axis=1)[:, None] @ at.matrix.T
    n = rows * columns
    return Rays(
        np.ascontiguousarray(np.broadcast_to(at.origin, (n, 3))),
        np.ascontiguousarray(directions),
        np.full(n, range_m),
        np.repeat(np.arange(rows), columns),
    )

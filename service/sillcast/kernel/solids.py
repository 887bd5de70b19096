"""Upright prisms that stand in the way, and bodies to be detected."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from sillcast.kernel.frame import FloatArray, Floors

__all__ = ["Prism", "Surroundings", "TestBody"]


@dataclass(frozen=True, eq=False)
class Prism:
    """Upright prism: ring (n, 2) counter-clockwise, open; heights in the door frame. [m]

    `part` tells what it is (`obstacle`, `wall`, `lintel`, `leaf`, `guide`, `header`); `clear` is True for a doubtful
    material, which is opaque where detection is wanted and transparent where it is unwanted; `passable` is True for
    what keeps nobody from standing in its place.
    """

    name: str
    ring: FloatArray
    base_m: float
    top_m: float
    part: str = "obstacle"
    clear: bool = False
    passable: bool = False

    @classmethod
    def box(
        cls, name: str, x0: float, x1: float, y0: float, y1: float, base_m: float, top_m: float, part: str = "obstacle"
    ) -> "Prism":
        """Axis-parallel box. [m]"""
        ring = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.float64)
        return cls(name, ring, base_m, top_m, part)

    @cached_property
    def is_convex(self) -> bool:
        """True if no corner of the ring turns clockwise."""
        ring = self.ring.tolist()
        after = [*ring[1:], *ring[:2]]
        return all(
            (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0]) >= -1e-12
            for a, b, c in zip(ring, after, after[1:], strict=False)
        )


@dataclass(frozen=True, eq=False)
class Surroundings:
    """Everything that stops a ray: floor and prisms, in the order of the request."""

    floors: Floors
    prisms: tuple[Prism, ...]

    def with_prisms(self, more: Iterable[Prism]) -> "Surroundings":
        """Same surroundings with more prisms at the end."""
        return Surroundings(self.floors, (*self.prisms, *more))

    def without(self, name: str) -> "Surroundings":
        """Same surroundings without the prism of that name."""
        return Surroundings(self.floors, tuple(p for p in self.prisms if p.name != name))


@dataclass(frozen=True)
class TestBody:
    """Body to be detected, standing plumb on the local floor; its reference point is the centre of its footprint.

    `width_m` runs along its own x, `depth_m` along its own y; an upright cylinder and a sphere have the diameter as
    width, depth (and, for a sphere, height). [m] `metal` is True for a body that an induction loop senses.
    """

    __test__ = False  # not a test class

    name: str
    width_m: float
    depth_m: float
    height_m: float
    shape: Literal["box", "cylinder", "sphere"] = "box"
    source: str = ""
    metal: bool = False

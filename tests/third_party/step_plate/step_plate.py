"""Step plate: a round contact plate on the floor, as somebody outside the project would write it."""

from typing import Annotated

import numpy as np
from msgspec import Meta

from sillcast.family import Family, FindingSpec, FloorArea, SensorParams, hookimpl


class StepPlate(SensorParams, frozen=True, kw_only=True, tag="step_plate"):
    """Round plate around the mount's position."""

    diameter_m: Annotated[float, Meta(gt=0.0, le=3.0, description="Diameter of the plate. [m]")]
    response_s: Annotated[float, Meta(ge=0.0, le=1.0, description="From contact to the signal. [s]")] = 0.02


class StepPlateFamily(Family):
    """Contact on a round plate."""

    params = StepPlate
    senses = frozenset({"contact"})
    summary = "Round contact plate on the floor."
    findings = {"small": FindingSpec("warning", "The plate is {diameter_m:.2f} m wide.", "Use a wider plate.")}
    example = {"family": "step_plate", "diameter_m": 1.0}

    def emit(self, params, scene):
        """The plate as an inscribed polygon."""
        turn = np.linspace(0.0, 2.0 * np.pi, 32, endpoint=False)
        ring = scene.mount.origin[:2] + params.diameter_m / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return (FloorArea(ring),)

    def review(self, params, scene, view):
        """A plate may be too small to step on."""
        if params.diameter_m < 0.5:
            yield self.finding("small", subjects=[scene.pointer], diameter_m=params.diameter_m)


@hookimpl
def sillcast_families():
    """Families of this module."""
    return [StepPlateFamily()]

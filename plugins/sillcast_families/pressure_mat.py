"""Pressure mat: contact on the floor, for presence near the threshold."""

from collections.abc import Iterator
from math import acos, degrees
from typing import Annotated, Any

from msgspec import Meta

from sillcast.family import (
    Emission,
    Family,
    FindingSpec,
    FloorArea,
    Scene,
    SensorParams,
    SensorView,
    Tunable,
    Typical,
    hookimpl,
)

STEP_OVER_M = 0.75  # least width that is not stepped over, ISO 13855:2010 clause 7, from memory
LEAST_ACTING_M2 = 1e-5  # less than this, seen from above, acts on nothing
LEVEL_WITHIN_DEG = 5.0  # a mat lies no steeper: common practice, no source
LIGHT_PERSON_N = 150.0  # foot of a light child, ISO 13856-1, from memory
APPROACH_M_PER_S = 1.6  # K of ISO 13855:2010 clause 7, from memory
STRIDE_REACH_M = 1.2  # addition for a mat on the floor, the same


class PressureMat(SensorParams, frozen=True, kw_only=True, tag="pressure_mat"):
    """Rectangular mat on the floor around the mount's position, one edge along the door."""

    width_m: Annotated[float, Meta(ge=0.05, le=10.0, description="Along the door. [m]")]
    depth_m: Annotated[float, Meta(ge=0.05, le=5.0, description="Away from the door. [m]")]
    dead_edge_m: Annotated[float, Meta(ge=0.0, le=0.2, description="Border that does not act. [m]")] = 0.02
    least_overlap_m: Annotated[
        float, Meta(ge=0.0, le=0.5, description="How far a foot must be on the mat to act. [m]")
    ] = 0.05
    least_force_n: Annotated[float, Meta(ge=1.0, le=2000.0, description="Least force that makes it act. [N]")] = 150.0
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="From contact to the signal. [s]")] = 0.03


class PressureMatFamily(Family):
    """Contact on the floor.

    The acting area is the mat less its dead edge; a footprint must overlap it by the least overlap in both directions.
    Reach wanted of a mat for protection: S = 1.6 T + 1.2, T = response + stopping time, to its outer edge.
    """

    params = PressureMat
    senses = frozenset({"contact"})
    sits = "floor"
    summary = "Contact mat on the floor: acts where a body stands on it."
    typical = (
        Typical("response_s", 0.03, "s", "10 to 30 ms for mat and edge, common practice, no source"),
        Typical("depth_m", STEP_OVER_M, "m", "not stepped over: ISO 13855:2010 clause 7, from memory"),
        Typical("least_force_n", LIGHT_PERSON_N, "N", "foot of a light child: ISO 13856-1, from memory"),
    )
    findings = {
        "step_over": FindingSpec(
            "warning",
            "The mat is {depth_m:.2f} m deep; a person can step over less than {least_m:.2f} m.",
            "Use a mat at least {least_m:.2f} m deep, or put a second one behind it.",
            "ISO 13855:2010 clause 7, from memory",
        ),
        "off_floor": FindingSpec(
            "critical",
            "A mat lies on the floor; this one is {above_m:.2f} m above it, or rides on the leaf: it detects nothing.",
            "Set the position's z_m to the level of the floor, {floor_m:.2f} m, and the carrier to building.",
        ),
        "not_flat": FindingSpec(
            "critical",
            "The mat is turned {angle_deg:.0f} deg out of the level; a mat lies flat, and acts at most where its "
            "outline falls on the floor.",
            "Set the mount's tilt_deg and roll_deg to 0.",
            "geometry",
        ),
        "all_edge": FindingSpec(
            "critical",
            "The dead edge of {dead_edge_m:.3f} m leaves nothing of the mat that acts.",
            "Use a mat wider and deeper than twice its dead edge.",
        ),
        "force_high": FindingSpec(
            "warning",
            "The mat acts from {force_n:.0f} N; a light child's foot gives about {light_n:.0f} N.",
            "Use a mat that acts from {light_n:.0f} N where children pass.",
            "ISO 13856-1, from memory",
        ),
        "narrow": FindingSpec(
            "warning",
            "The mat is {width_m:.2f} m wide, the opening {opening_m:.2f} m: one can walk past it.",
            "Use a mat as wide as the opening, or bar the sides.",
        ),
        "reach_short": FindingSpec(
            "info",
            "The mat ends {reach_m:.2f} m from the leaf; somebody who walks over its edge reaches the leaf before it "
            "has stopped unless it ends {needed_m:.2f} m off ({total_s:.2f} s).",
            "Use a deeper mat, or rely on the leaf's forces and its reversal as the risk assessment allows.",
            "ISO 13855:2010 clause 7, from memory",
        ),
        "ice": FindingSpec(
            "warning",
            "At {air_deg_c:.1f} deg C water under the mat freezes and can hold it shut or open.",
            "Heat or drain the floor, or use a sensor without contact.",
            "common practice, no source",
        ),
    }
    example = {"family": "pressure_mat", "width_m": 1.6, "depth_m": 0.9}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """The acting area: the mat less its dead edge; nothing of a mat on its edge or upside down."""
        width, depth = params.width_m - 2 * params.dead_edge_m, params.depth_m - 2 * params.dead_edge_m
        if min(width, depth) <= 0 or width * depth * scene.mount.matrix[2, 2] < LEAST_ACTING_M2:
            return ()
        return (FloorArea.rectangle(width, depth, at=scene.mount, least_overlap_m=params.least_overlap_m),)

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Depth of the mat."""
        yield Tunable(f"{scene.pointer}/device/depth_m", "m", 0.3, 2.0, 0.05, "depth of the mat")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Size against a stride and the opening, force, place on the floor, reach, ice."""
        device = f"{scene.pointer}/device"
        if params.depth_m < STEP_OVER_M:
            yield self.finding("step_over", subjects=[f"{device}/depth_m"], depth_m=params.depth_m, least_m=STEP_OVER_M)
        if 2 * params.dead_edge_m >= min(params.width_m, params.depth_m):
            yield self.finding("all_edge", subjects=[f"{device}/dead_edge_m"], dead_edge_m=params.dead_edge_m)
        if params.least_force_n > LIGHT_PERSON_N:
            yield self.finding(
                "force_high", subjects=[f"{device}/least_force_n"], force_n=params.least_force_n, light_n=LIGHT_PERSON_N
            )
        angle = degrees(acos(min(max(float(scene.mount.matrix[2, 2]), -1.0), 1.0)))
        if angle > LEVEL_WITHIN_DEG:
            angles = [f"{scene.pointer}/mount/{name}" for name in ("tilt_deg", "roll_deg")]
            yield self.finding("not_flat", subjects=angles, angle_deg=angle)
        if not self.is_in_place(scene):
            yield self.finding(
                "off_floor",
                subjects=[f"{scene.pointer}/mount/position/z_m"],
                above_m=scene.above_floor_m,
                floor_m=scene.floor_z_m,
            )
        air = scene.conditions.air_temperature_deg_c
        if air is not None and air <= 0.0:
            yield self.finding(
                "ice", subjects=[f"/site/conditions/{scene.mount.side}/air_temperature_deg_c"], air_deg_c=air
            )
        if "protection" in scene.purposes:
            yield from self._protection(params, scene)

    def _protection(self, params: Any, scene: Scene) -> Iterator[Any]:
        """Width against the opening, reach against the separation distance."""
        device, opening = f"{scene.pointer}/device", scene.door.opening.width_m
        if params.width_m < opening:
            yield self.finding("narrow", subjects=[f"{device}/width_m"], width_m=params.width_m, opening_m=opening)
        total = self.response_s(params) + scene.door.motion.stopping_time_s
        needed = APPROACH_M_PER_S * total + STRIDE_REACH_M
        reach = scene.out_m + params.depth_m / 2.0 - params.dead_edge_m
        if reach < needed:
            yield self.finding(
                "reach_short", subjects=[f"{device}/depth_m"], reach_m=reach, needed_m=needed, total_s=total
            )


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [PressureMatFamily()]

"""Pressure edge: contact along the leaf's leading edge."""

from collections.abc import Iterator
from math import acos, ceil, cos, pi, radians, sin
from typing import Annotated, Any

import numpy as np
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

ACTUATION_MOST_N = 66.7  # 15 lbf, 16 CFR 1211.12(a), verified
END_OF_TRAVEL_M = 0.0508  # 2 in in which an edge need not work, 16 CFR 1211.12(a), verified (printed as 50.4 mm)
PEAK_MOST_N = 400.0  # EN 12453: 400 N, down to 150 N within 0.75 s, second-hand
RESIDUAL_MOST_N, RESIDUAL_S = 25.0, 5.0  # EN 12453: below 25 N by 5 s, second-hand; 80 N is remembered for EN 16005
_ARC = 24  # sides of the strip along a swing leaf's edge, at least


class PressureEdge(SensorParams, frozen=True, kw_only=True, tag="pressure_edge"):
    """Profile along the whole leading edge of the leaf; the mount tells side and place of the leaf's edge alone."""

    depth_m: Annotated[float, Meta(ge=0.005, le=0.5, description="Width of the profile across the leaf. [m]")] = 0.06
    dead_end_m: Annotated[float, Meta(ge=0.0, le=0.3, description="Length at each end that does not act. [m]")] = 0.03
    dead_travel_m: Annotated[
        float, Meta(ge=0.0, le=0.3, description="Last part of the leaf's way in which it is ignored. [m]")
    ] = 0.05
    actuation_way_m: Annotated[
        float, Meta(ge=0.0, le=0.2, description="Way of the profile from contact to signal. [m]")
    ] = 0.01
    overtravel_m: Annotated[
        float, Meta(ge=0.0, le=0.5, description="Way that the profile still yields after the signal. [m]")
    ] = 0.04
    actuation_force_n: Annotated[float, Meta(ge=0.1, le=1000.0, description="Force that gives the signal. [N]")] = 50.0
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="From actuation to the signal. [s]")] = 0.02


class PressureEdgeFamily(Family):
    """Contact of the leading edge.

    The profile must yield further than the leaf runs on: overtravel >= v (t_response + t_stop), v the greatest closing
    speed, as if the leaf kept it until the last moment. A stiff obstacle meets a leaf of mass m that is stopped within
    a way s with the mean force m v^2 / (2 s).
    """

    params = PressureEdge
    senses = frozenset({"contact"})
    purposes = frozenset({"protection"})
    sits = "leaf"
    summary = "Contact edge on the leaf: stops the door when the leaf touches somebody; the last line, not the first."
    typical = (
        Typical("response_s", 0.02, "s", "10 to 30 ms, plus evaluation, common practice, no source"),
        Typical("overtravel_m", 0.04, "m", "hollow rubber profile, common practice, no source"),
        Typical("dead_travel_m", 0.05, "m", "2 in, 16 CFR 1211.12(a), verified"),
        Typical("actuation_force_n", 50.0, "N", "below 66.7 N (15 lbf), 16 CFR 1211.12(a), verified"),
    )
    findings = {
        "off_leaf": FindingSpec(
            "critical",
            "A pressure edge acts along the leading edge of the leaf; this one is fixed to the building and detects "
            "nothing.",
            "Set the mount's carrier to leaf.",
        ),
        "overtravel_short": FindingSpec(
            "critical",
            "At {speed_m_per_s:.2f} m/s the leaf runs on {way_m:.3f} m after the signal; the profile yields "
            "{overtravel_m:.3f} m.",
            "Use a profile that yields at least {way_m:.3f} m, close no faster than {most_m_per_s:.2f} m/s, or "
            "stop faster.",
            "v (t_response + t_stop); overtravel of edges EN 12978, from memory",
        ),
        "overtravel_enough": FindingSpec(
            "info",
            "At {speed_m_per_s:.2f} m/s the leaf runs on {way_m:.3f} m after the signal; the profile yields "
            "{overtravel_m:.3f} m.",
            "Measure the stopping time again after every change of speed or brake.",
            "v (t_response + t_stop); overtravel of edges EN 12978, from memory",
        ),
        "stiff": FindingSpec(
            "warning",
            "{force_n:.0f} N to actuate are more than {most_n:.1f} N (15 lbf).",
            "Use a softer profile.",
            "16 CFR 1211.12(a), verified",
        ),
        "dead_travel_long": FindingSpec(
            "warning",
            "The edge is ignored over the last {dead_m:.3f} m; {most_m:.4f} m (2 in) are usual.",
            "Set the end of its action nearer to the closed leaf.",
            "16 CFR 1211.12(a), verified",
        ),
        "peak_force": FindingSpec(
            "critical",
            "The measured peak force of {force_n:.0f} N is above {most_n:.0f} N.",
            "Close more slowly, use a softer profile, or stop faster; measure again.",
            "EN 12453: 400 N, 150 N within 0.75 s; second-hand from a trade magazine",
        ),
        "residual_force": FindingSpec(
            "critical",
            "The measured residual force of {force_n:.0f} N after {after_s:.0f} s is above {most_n:.0f} N.",
            "Let the leaf reverse after contact, far enough to free a person; measure again.",
            "EN 12453: 25 N by 5 s, second-hand; 80 N is remembered for EN 16005",
        ),
        "force_unknown": FindingSpec(
            "info",
            "No measured closing forces are given; the limits are {peak_n:.0f} N at the peak and {residual_n:.0f} N "
            "after {after_s:.0f} s.",
            "Measure the closing forces on site and state them in door.control.",
            "EN 12453, second-hand from a trade magazine",
        ),
        "mean_force": FindingSpec(
            "warning",
            "To stop {mass_kg:.0f} kg from {speed_m_per_s:.2f} m/s within {way_m:.3f} m takes {force_n:.0f} N on "
            "average, more than the {most_n:.0f} N allowed at the peak.",
            "Close more slowly or use a profile that yields further.",
            "work of the force, m v^2 / (2 s); limit EN 12453, second-hand",
        ),
        "contact_only": FindingSpec(
            "info",
            "An edge acts when the leaf already touches; nobody beside the leaf's line is seen.",
            "Watch the strips on both sides of the leaf with a sensor that needs no contact.",
        ),
    }
    example = {"family": "pressure_edge", "depth_m": 0.06, "overtravel_m": 0.08}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """Strips that leading edges pass while they act: a body in one is touched, if the leaf comes so low."""
        door = scene.door
        if scene.motion_kind == "swing":
            return tuple(FloorArea(ring, height_m=door.opening.height_m) for ring in _arcs(params, door))
        half, y = door.opening.width_m / 2.0, params.depth_m / 2.0
        lifts = scene.motion_kind == "vertical_lift"
        x, lowest = half - params.dead_end_m, params.dead_travel_m if lifts else params.dead_end_m
        spans = [(-x, x)] if lifts else _sideways(scene, half, params.dead_travel_m)
        rings = [np.array([[x0, -y], [x1, -y], [x1, y], [x0, y]]) for x0, x1 in spans if x0 < x1]
        return tuple(FloorArea(ring, height_m=door.opening.height_m, from_height_m=lowest) for ring in rings)

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """End of the action before the closed leaf."""
        yield Tunable(f"{scene.pointer}/device/dead_travel_m", "m", 0.01, 0.1, 0.005, "ignored end of travel")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Overtravel, forces, end of travel."""
        device = f"{scene.pointer}/device"
        if not self.is_in_place(scene):
            yield self.finding("off_leaf", subjects=[f"{scene.pointer}/mount"])
        yield self.finding("contact_only", subjects=[scene.pointer])
        yield from self._overtravel(params, scene)
        yield from self._forces(params, scene)
        if params.actuation_force_n > ACTUATION_MOST_N:
            yield self.finding(
                "stiff",
                subjects=[f"{device}/actuation_force_n"],
                force_n=params.actuation_force_n,
                most_n=ACTUATION_MOST_N,
            )
        if params.dead_travel_m > END_OF_TRAVEL_M:
            yield self.finding(
                "dead_travel_long",
                subjects=[f"{device}/dead_travel_m"],
                dead_m=params.dead_travel_m,
                most_m=END_OF_TRAVEL_M,
            )

    def _overtravel(self, params: Any, scene: Scene) -> Iterator[Any]:
        speed, seconds = scene.closing_speed_m_per_s, params.response_s + scene.door.motion.stopping_time_s
        way, enough = speed * seconds, params.overtravel_m >= speed * seconds - 1e-9
        subjects = [f"{scene.pointer}/device/overtravel_m", "/door/motion/stopping_time_s"]
        more = {} if enough else {"most_m_per_s": params.overtravel_m / seconds}
        yield self.finding(
            "overtravel_enough" if enough else "overtravel_short",
            subjects=subjects,
            speed_m_per_s=speed,
            way_m=way,
            overtravel_m=params.overtravel_m,
            **more,
        )

    def _forces(self, params: Any, scene: Scene) -> Iterator[Any]:
        control, mass = scene.door.control, scene.door.leaf.mass_kg
        limits = (
            ("peak_force", control.peak_force_n, {"most_n": PEAK_MOST_N}),
            ("residual_force", control.residual_force_n, {"most_n": RESIDUAL_MOST_N, "after_s": RESIDUAL_S}),
        )
        for key, measured, values in limits:
            if measured is not None and measured > values["most_n"]:
                yield self.finding(key, subjects=[f"/door/control/{key}_n"], force_n=measured, **values)
        if control.peak_force_n is not None:
            return
        yield self.finding(
            "force_unknown",
            subjects=["/door/control"],
            peak_n=PEAK_MOST_N,
            residual_n=RESIDUAL_MOST_N,
            after_s=RESIDUAL_S,
        )
        way = params.actuation_way_m + params.overtravel_m
        speed = scene.closing_speed_m_per_s
        if mass is not None and way > 0 and (force := mean_force_n(mass_kg=mass, speed_m_per_s=speed, way_m=way)):
            if scene.motion_kind == "swing":
                force /= 3.0  # a thin plate about one edge has a third of the energy
            if force > PEAK_MOST_N:
                yield self.finding(
                    "mean_force",
                    subjects=["/door/leaf/mass_kg", f"{scene.pointer}/device/overtravel_m"],
                    mass_kg=mass,
                    speed_m_per_s=speed,
                    way_m=way,
                    force_n=force,
                    most_n=PEAK_MOST_N,
                )


def mean_force_n(*, mass_kg: float, speed_m_per_s: float, way_m: float) -> float:
    """Mean force that stops a mass within a way: m v^2 / (2 s), the drive not counted. [N]"""
    return mass_kg * speed_m_per_s**2 / (2.0 * way_m)


def _sideways(scene: Scene, half_m: float, dead_m: float) -> list[tuple[float, float]]:
    """What leading edges that run sideways pass until they are ignored, near the jamb or the other leaf. [m]"""
    motion: Any = scene.door.motion
    slides = scene.motion_kind == "sliding"
    if (motion.leaves if slides else motion.panels / 2) == 2:
        return [(-half_m, -dead_m), (dead_m, half_m)]
    to_right = (motion.opens_to if slides else motion.folds_to) == "right"
    return [(-half_m + dead_m, half_m) if to_right else (-half_m, half_m - dead_m)]


def _arcs(params: Any, door: Any) -> Iterator[Any]:
    """Strips (n, 2) along the arcs of the outer edges of swing leaves, inscribed on both sides. [m]"""
    motion, width = door.motion, door.opening.width_m
    hinges = (motion.hinge,) if motion.leaves == 1 else ("left", "right")
    radius = width / len(hinges)
    way = 1.0 if motion.opens_towards == "far" else -1.0
    last = min(radians(motion.angle_deg), pi)
    for hinge in hinges:
        at, sign = (-width / 2.0, 1.0) if hinge == "left" else (width / 2.0, -1.0)
        first = min(params.dead_travel_m / radius, last)
        # So many sides that chords of the outer arc come in by 1/32 of the profile's width at most.
        sides = max(_ARC, ceil((last - first) / (2.0 * acos(max(1.0 - params.depth_m / (32.0 * radius), 0.0)))))
        turns = [first + (last - first) * i / sides for i in range(sides + 1)]
        inner, outer = max(radius - params.depth_m, 0.0) / cos((last - first) / (2.0 * sides)), radius
        rim = [(at + sign * outer * cos(t), way * outer * sin(t)) for t in turns]
        rim += [(at + sign * inner * cos(t), way * inner * sin(t)) for t in reversed(turns)]
        yield np.array(rim)


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [PressureEdgeFamily()]

"""Light curtain: parallel beams to a receiver; a body is detected when it blocks a whole beam."""

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from msgspec import Meta

from sillcast.family import (
    OPTICAL_FINDINGS,
    BeamFamily,
    Emission,
    Family,
    FindingSpec,
    MirrorM,
    Rays,
    Scene,
    SensorParams,
    SensorView,
    Tunable,
    Typical,
    hookimpl,
    physics,
)

HALF_APERTURE_DEG = {"type_2": 5.0, "type_4": 2.5}  # IEC 61496-2, from memory
FIRST_BEAM_MOST_M = 0.3  # ISO 13855:2010 clause 6.2.3, from memory
LAST_BEAM_LEAST_M = 0.9  # the same


class LightCurtain(SensorParams, frozen=True, kw_only=True, tag="light_curtain"):
    """Beams from the mount's position to the counterpart's; further beams stand above the first, or farther out."""

    beams: Annotated[int, Meta(ge=2, le=256, description="Number of beams. [1]")] = 48
    pitch_m: Annotated[float, Meta(ge=0.005, le=1.0, description="From one beam to the next. [m]")] = 0.04
    beam_width_m: Annotated[float, Meta(ge=0.001, le=0.1, description="Width that must be blocked. [m]")] = 0.01
    stack: Annotated[
        Literal["up", "out"], Meta(description="An upright curtain, or a level one that reaches outwards.")
    ] = "up"
    kind: Annotated[
        Literal["type_2", "type_4"], Meta(description="Type of protective equipment, which sets its aperture angle.")
    ] = "type_2"
    range_m: Annotated[float, Meta(ge=0.1, le=60.0, description="Farthest receiver. [m]")] = 10.0
    wavelength_nm: Annotated[float, Meta(ge=700.0, le=1550.0, description="Wavelength of the light. [nm]")] = 940.0
    mirror_m: MirrorM = None
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="From blocking to the signal. [s]")] = 0.02


class LightCurtainFamily(BeamFamily):
    """Parallel beams that a body blocks.

    Detection capability d = pitch + beam width: a rod of that size always covers one whole beam. Distance to a parallel
    shiny surface a = D tan(2.5 deg) for type 4, D tan(5 deg) for type 2, D at least 3 m. Separation distance of an
    upright curtain: see `physics.curtain_separation_m`, T = response + stopping time.
    """

    params = LightCurtain
    ways = 1
    summary = "Light curtain in or beside the opening: a body is detected when it blocks a beam."
    typical = (
        Typical("response_s", 0.02, "s", "10 to 30 ms, common practice, no source"),
        Typical("pitch_m", 0.04, "m", "capability of 50 to 70 mm for legs, common practice, no source"),
        Typical("range_m", 10.0, "m", "opening width with a reserve of two, common practice, no source"),
    )
    findings = {
        **OPTICAL_FINDINGS,
        "out_of_range": FindingSpec(
            "critical",
            "The receiver is {distance_m:.2f} m away, the range is {range_m:.2f} m.",
            "Use a curtain with a range of at least {distance_m:.2f} m, or bring the receiver nearer.",
        ),
        "blocked": FindingSpec(
            "critical",
            "{beams} of {of} beams are blocked for good, the first by {by}: they detect nothing.",
            "Move the curtain clear of {by}, or blank these beams.",
        ),
        "coarse": FindingSpec(
            "warning",
            "The detection capability is {capability_m:.3f} m, the body's narrowest side {side_m:.3f} m: it can pass "
            "between two beams.",
            "Use a pitch of {side_m:.3f} m or less, beam width included.",
            "capability = pitch + beam width, geometry",
        ),
        "first_beam_high": FindingSpec(
            "warning",
            "The lowest beam is {above_m:.2f} m above the floor; more than {most_m:.2f} m can be crawled under.",
            "Put the lowest beam at {most_m:.2f} m or lower.",
            "ISO 13855:2010 clause 6.2.3, from memory",
        ),
        "last_beam_low": FindingSpec(
            "warning",
            "The highest beam is {above_m:.2f} m above the floor; less than {least_m:.2f} m can be stepped over.",
            "Use a curtain that reaches {least_m:.2f} m or higher.",
            "ISO 13855:2010 clause 6.2.3, from memory",
        ),
        "separation_short": FindingSpec(
            "info",
            "The curtain stands {distance_m:.2f} m from the leaf; somebody who walks through it reaches the leaf "
            "before it has stopped unless it stands {needed_m:.2f} m off ({total_s:.2f} s, capability "
            "{capability_m:.3f} m).",
            "Set the curtain farther out, or rely on the leaf's forces and its reversal as the risk assessment allows.",
            "ISO 13855:2010 clauses 6.2.3 and 6.2.4, from memory",
        ),
        "separation_kept": FindingSpec(
            "info",
            "The curtain stands {distance_m:.2f} m from where the leaf moves; by the formula for upright curtains "
            "{needed_m:.2f} m are enough ({total_s:.2f} s, capability {capability_m:.3f} m). Who has walked through it "
            "and stands between curtain and leaf is not seen.",
            "Add a sensor that sees presence behind the curtain, or let the leaf start only after a reset from where "
            "that space is seen.",
            "ISO 13855:2010 clauses 6.2.3 and 6.2.4, from memory",
        ),
        "mirror_near": FindingSpec(
            "warning",
            "A shiny surface {mirror_m:.3f} m beside the beams can lead light round a body; for {distance_m:.2f} m it "
            "must be {needed_m:.3f} m away.",
            "Move the curtain, cover the surface matt, or use one of smaller aperture angle.",
            "IEC 61496-2, from memory",
        ),
    }
    example = {"family": "light_curtain", "beams": 24, "pitch_m": 0.06}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """All beams; none when the receiver is out of range in the declared conditions."""
        start, end = scene.mount.origin, scene.counterpart
        if end is None or not self.is_linked(params, scene):
            return ()
        steps = [_step(params, scene, beam) for beam in range(params.beams)]
        return (
            Rays.beams(
                starts=[[a + d for a, d in zip(start, step, strict=True)] for step in steps],
                ends=[[a + d for a, d in zip(end, step, strict=True)] for step in steps],
                beam_width_m=params.beam_width_m,
            ),
        )

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Height of the first beam."""
        z = float(scene.mount.origin[2])
        yield Tunable(f"{scene.pointer}/mount/position/z_m", "m", z - 0.3, z + 0.3, 0.05, "height of the first beam")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Range, blocked beams, capability, heights, separation, mirrors, weather."""
        device = f"{scene.pointer}/device"
        yield from self.link_findings(params, scene)
        stopped = [stop for stop in view.stops if stop != "range" and stop not in scene.leaf_names]
        if stopped:
            yield self.finding("blocked", subjects=[scene.pointer], beams=len(stopped), of=params.beams, by=stopped[0])
        side, capability = min(view.body.width_m, view.body.depth_m), params.pitch_m + params.beam_width_m
        if capability > side:
            yield self.finding("coarse", subjects=[f"{device}/pitch_m"], capability_m=capability, side_m=side)
        yield from self.mirror_findings(params, scene, HALF_APERTURE_DEG[params.kind])
        if "protection" in scene.purposes and params.stack == "up":
            yield from self._heights(params, scene)
            yield from self._separation(params, scene)

    def _heights(self, params: Any, scene: Scene) -> Iterator[Any]:
        subject = [f"{scene.pointer}/mount/position/z_m"]
        low = scene.above_floor_m
        high = low + params.pitch_m * (params.beams - 1)
        if low > FIRST_BEAM_MOST_M + 1e-9:
            yield self.finding("first_beam_high", subjects=subject, above_m=low, most_m=FIRST_BEAM_MOST_M)
        if high < LAST_BEAM_LEAST_M - 1e-9:
            yield self.finding("last_beam_low", subjects=subject, above_m=high, least_m=LAST_BEAM_LEAST_M)

    def _separation(self, params: Any, scene: Scene) -> Iterator[Any]:
        door, capability = scene.door, params.pitch_m + params.beam_width_m
        total = self.response_s(params) + door.motion.stopping_time_s
        needed = physics.curtain_separation_m(total, capability_m=capability, beams=params.beams)
        side = "near" if scene.mount.origin[1] < 0.0 else "far"
        distance = abs(scene.out_m) - scene.leaf_face_m(side) - scene.sweep_depth_m(side)
        if distance > 0.0:
            yield self.finding(
                "separation_short" if distance < needed else "separation_kept",
                subjects=[f"{scene.pointer}/mount/position/y_m"],
                distance_m=distance,
                needed_m=needed,
                total_s=total,
                capability_m=capability,
            )


def _step(params: Any, scene: Scene, beam: int) -> tuple[float, float, float]:
    """How far a beam is from the first. [m]"""
    way = params.pitch_m * beam
    return (0.0, 0.0, way) if params.stack == "up" else (0.0, -way if scene.mount.side == "near" else way, 0.0)


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [LightCurtainFamily()]

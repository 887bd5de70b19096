"""Photobeam: one to four light beams to a receiver or reflector; a body is detected when it blocks one."""

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

LOW_BEAM_MOST_M = 0.152  # 6 in, inspection form of the US door trade, second-hand
# Heights of one to four beams against access of the whole body, ISO 13855:2010 table E.1, from memory.
BEAM_HEIGHTS_M = {1: (0.75,), 2: (0.4, 0.9), 3: (0.3, 0.7, 1.1), 4: (0.3, 0.6, 0.9, 1.2)}
USUAL_WITHIN_M = 0.1  # beams farther than this from a usual height are remarked: common practice, no source
HALF_APERTURE_DEG = 5.0  # type 2 of IEC 61496-2, from memory
ROD_M, ROD_FROM_M, ROD_TO_M = (
    0.0476,
    0.05,
    0.9,
)  # hanging test rod: diameter, lower end, below its pivot; 16 CFR 1211.11(d)


class Photobeam(SensorParams, frozen=True, kw_only=True, tag="photobeam"):
    """Beams from the mount's position to the counterpart's; further beams stand above the first."""

    beam_count: Annotated[int, Meta(ge=1, le=4, description="Number of beams. [1]")] = 1
    beam_pitch_m: Annotated[float, Meta(ge=0.01, le=2.0, description="From one beam to the next above it. [m]")] = 0.3
    beam_width_m: Annotated[float, Meta(ge=0.0, le=0.1, description="Width that must be blocked wholly. [m]")] = 0.01
    counterpart_is: Annotated[
        Literal["receiver", "reflector"], Meta(description="What stands at the other end of the beam.")
    ] = "receiver"
    range_m: Annotated[float, Meta(ge=0.1, le=60.0, description="Farthest counterpart. [m]")] = 15.0
    wavelength_nm: Annotated[float, Meta(ge=400.0, le=1550.0, description="Wavelength of the light. [nm]")] = 880.0
    mirror_m: MirrorM = None
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="From blocking to the signal. [s]")] = 0.015


class PhotobeamFamily(BeamFamily):
    """Light beams that a body blocks.

    A rod of diameter b that crosses a beam of width w at speed v darkens it wholly for (b - w) / v; a beam whose
    response is longer misses it. Speed of the test rod: `physics.rod_blocks_s`.
    """

    params = Photobeam
    summary = "Light beam to a receiver or reflector: a body is detected when it blocks the beam."
    typical = (
        Typical("response_s", 0.015, "s", "5 to 20 ms for a through-beam, common practice, no source"),
        Typical("range_m", 15.0, "m", "opening width with a reserve of three, common practice, no source"),
        Typical("wavelength_nm", 880.0, "nm", "infrared light-emitting diodes, common practice, no source"),
    )
    findings = {
        **OPTICAL_FINDINGS,
        "out_of_range": FindingSpec(
            "critical",
            "The counterpart is {distance_m:.2f} m away, the range is {range_m:.2f} m.",
            "Use a beam with a range of at least {distance_m:.2f} m, or bring the counterpart nearer.",
        ),
        "blocked": FindingSpec(
            "critical",
            "Beam {beam} is blocked for good by {by}: it never changes and detects nothing.",
            "Move the beam clear of {by}.",
        ),
        "slow": FindingSpec(
            "warning",
            "The response of {response_s:.3f} s is longer than the {blocks_s:.4f} s for which the test rod "
            "blocks a beam.",
            "Use a beam that answers within {blocks_s:.4f} s, or do not rely on it for fast slender things.",
            "16 CFR 1211.11(d), verified; time computed for a uniform rod and the lowest beam",
        ),
        "high": FindingSpec(
            "info",
            "The lowest beam is {above_m:.2f} m above the floor; a body lying below it is not seen.",
            "Put the lowest beam at {most_m:.2f} m or less where people may lie or children crawl.",
            "inspection form of the US door trade, second-hand: 6 in at most",
        ),
        "heights_unusual": FindingSpec(
            "info",
            "Where beams are to keep people from walking up to a hazard, the usual height for this number ({beams}) is "
            "{usual}; beam {beam} is at {above_m:.2f} m.",
            "A beam in the line of the leaf may stand elsewhere if the risk assessment says why; where it must stop "
            "people farther out, use these heights.",
            "ISO 13855:2010 table E.1, from memory",
        ),
        "mirror_near": FindingSpec(
            "warning",
            "A shiny surface {mirror_m:.3f} m beside the beam can lead light round a body; for {distance_m:.2f} m it "
            "must be {needed_m:.3f} m away.",
            "Move the beam, cover the surface matt, or use a lens of smaller aperture angle.",
            "IEC 61496-2 for type 2, from memory",
        ),
        "shiny_load": FindingSpec(
            "info",
            "A beam to a reflector can take a shiny load, foil or wet film, for its reflector.",
            "Use polarised light or a receiver instead of the reflector, and try it with the shiniest load.",
            "common practice, no source",
        ),
    }
    example = {"family": "photobeam", "beam_count": 2, "beam_pitch_m": 0.35}

    def ways_of(self, params: Any) -> int:
        """Twice to a reflector and back, once to a receiver."""
        return 2 if params.counterpart_is == "reflector" else 1

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """Beams between the two heads; none when the counterpart is out of range in the declared conditions."""
        start, end = scene.mount.origin, scene.counterpart
        if end is None or not self.is_linked(params, scene):
            return ()
        lift = [params.beam_pitch_m * i for i in range(params.beam_count)]
        return (
            Rays.beams(
                starts=[(start[0], start[1], start[2] + up) for up in lift],
                ends=[(end[0], end[1], end[2] + up) for up in lift],
                beam_width_m=params.beam_width_m,
            ),
        )

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Distance between the beams."""
        if params.beam_count > 1:
            yield Tunable(f"{scene.pointer}/device/beam_pitch_m", "m", 0.1, 0.6, 0.05, "from one beam to the next")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Range, blocked beams, response, heights, mirrors, weather."""
        yield from self.link_findings(params, scene)
        for beam, stop in enumerate(view.stops, start=1):
            if stop != "range" and stop not in scene.leaf_names:
                yield self.finding("blocked", subjects=[scene.pointer], beam=beam, by=stop)
        yield from self._response(params, scene)
        if params.counterpart_is == "reflector":
            yield self.finding("shiny_load", subjects=[f"{scene.pointer}/device/counterpart_is"])
        yield from self.mirror_findings(params, scene, HALF_APERTURE_DEG)
        if "protection" in scene.purposes:
            yield from self._heights(params, scene)

    def _response(self, params: Any, scene: Scene) -> Iterator[Any]:
        above = min(max(scene.above_floor_m, ROD_FROM_M), ROD_TO_M)
        blocks = physics.rod_blocks_s(above, diameter_m=max(ROD_M - params.beam_width_m, 0.0))
        if params.response_s > blocks:
            yield self.finding(
                "slow",
                subjects=[f"{scene.pointer}/device/response_s"],
                response_s=params.response_s,
                blocks_s=blocks,
            )

    def _heights(self, params: Any, scene: Scene) -> Iterator[Any]:
        low, subjects = scene.above_floor_m, [f"{scene.pointer}/mount/position/z_m"]
        if low > LOW_BEAM_MOST_M + 1e-9:
            yield self.finding("high", subjects=subjects, above_m=low, most_m=LOW_BEAM_MOST_M)
        else:
            return  # low enough for who lies there: a beam in the line of the leaf, not one against walking up to it
        usual = BEAM_HEIGHTS_M[params.beam_count]
        heights = [low + params.beam_pitch_m * i for i in range(params.beam_count)]
        for beam, (height, wanted) in enumerate(zip(heights, usual, strict=True), start=1):
            if abs(height - wanted) > USUAL_WITHIN_M:
                named = ", ".join(f"{h:.2f} m" for h in usual)
                yield self.finding(
                    "heights_unusual",
                    subjects=subjects,
                    beams=params.beam_count,
                    usual=named,
                    beam=beam,
                    above_m=height,
                )
                return


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [PhotobeamFamily()]

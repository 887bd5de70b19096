"""Induction loop in the floor: senses the metal of vehicles, never people."""

from collections.abc import Iterator, Sequence
from math import hypot, pi, sqrt
from typing import Annotated, Any, Literal

import msgspec
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
    Typical,
    hookimpl,
    physics,
)

Coordinate = Annotated[float, Meta(ge=-60.0, le=60.0, description="Coordinate in the door frame. [m]")]
Ring = Annotated[
    tuple[tuple[Coordinate, Coordinate], ...], Meta(min_length=3, max_length=32, description="Corners in order. [m]")
]

# Height of the lowest broad steel of a vehicle above the floor [m]: common practice, no source.
UNDERSIDE_M = {"lift_truck": 0.12, "pallet_truck": 0.10, "car": 0.20, "van": 0.30, "lorry": 0.60}
LEAF_CLEAR_M = 1.0  # from a moving metal leaf, 1 to 1.5 m: common practice, no source
STEEL_CLEAR_M = 0.05  # above reinforcing steel: common practice, no source
KEPT_LEAST = 0.7  # sensitivity left after the lead-in: common practice, no source
THIN = 20.0  # wire radii that a loop is wide at least, for the formula of its inductance
LEAST_REACH_M = 0.002  # a field that ends lower meets nothing
HENRY_LEAST, HENRY_MOST = 50e-6, 1000e-6  # inductance that detectors tune to, common practice, no source


class InductionLoop(SensorParams, frozen=True, kw_only=True, tag="induction_loop"):
    """Rectangle around the mount's position, or a polygon in the door frame, of wire turns in the floor."""

    width_m: Annotated[float, Meta(ge=0.2, le=20.0, description="Along the mount's own x. [m]")] = 2.0
    depth_m: Annotated[float, Meta(ge=0.2, le=20.0, description="Along the mount's own y. [m]")] = 1.0
    ring_m: Ring | None = None
    turns: Annotated[int, Meta(ge=1, le=12, description="Turns of wire. [1]")] = 3
    turn_pitch_m: Annotated[float, Meta(ge=0.001, le=0.05, description="From one turn to the next below it. [m]")] = (
        0.0038
    )
    wire_mm2: Annotated[float, Meta(ge=0.5, le=10.0, description="Cross-section of the copper. [mm2]")] = 1.5
    lead_in_m: Annotated[float, Meta(ge=0.0, le=300.0, description="Twisted pair from loop to detector. [m]")] = 10.0
    lead_in_uh_per_m: Annotated[float, Meta(ge=0.1, le=2.0, description="Inductance of the twisted pair. [uH/m]")] = 0.7
    below_floor_m: Annotated[float, Meta(ge=0.0, le=0.5, description="Topmost turn below the floor. [m]")] = 0.04
    steel_below_m: (
        Annotated[float, Meta(ge=0.0, le=2.0, description="Reinforcing steel below the loop. [m]")] | None
    ) = None
    vehicle: Annotated[
        Literal["lift_truck", "pallet_truck", "car", "van", "lorry"], Meta(description="Class that must be seen.")
    ] = "lift_truck"
    height_share: Annotated[
        float, Meta(ge=0.2, le=0.8, description="Height of the field over the shorter side. [1]")
    ] = 0.5
    least_overlap_m: Annotated[
        float, Meta(ge=0.0, le=2.0, description="How far a vehicle must be over the loop. [m]")
    ] = 0.1
    frequency_khz: Annotated[float, Meta(ge=10.0, le=200.0, description="Frequency of the detector. [kHz]")] = 50.0
    metal_leaf: Annotated[bool, Meta(description="True if the leaf is of metal.")] = True
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="From arrival to the signal. [s]")] = 0.1


class InductionLoopFamily(Family):
    """Loop and detector.

    Inductance by the Neumann integral over all turns; the lead-in in series leaves the share L / (L + L_lead) of the
    sensitivity. Steel is seen up to `height_share` of the shorter side above the loop (half on the safe side, two
    thirds are common practice), from a vehicle whose lowest broad steel is no higher.
    """

    params = InductionLoop
    senses = frozenset({"metal"})
    never_alone = frozenset({"protection"})
    emits = frozenset({"magnetic_field"})
    sensitive_to = frozenset({"magnetic_field", "metal"})
    sits = "floor"
    summary = "Induction loop in the floor: detects vehicles by their steel; people and wooden loads are not seen."
    typical = (
        Typical("turns", 3, "1", "3 to 5 for a few metres of side, common practice, no source"),
        Typical("wire_mm2", 1.5, "mm2", "heat-resistant stranded wire, common practice, no source"),
        Typical("lead_in_uh_per_m", 0.7, "uH/m", "twisted pair, 20 turns per metre, from memory"),
        Typical("height_share", 0.5, "1", "half of the shorter side on the safe side, two thirds usual, from memory"),
        Typical("response_s", 0.1, "s", "25 to 100 ms, common practice, no source"),
    )
    findings = {
        "not_people": FindingSpec(
            "info",
            "A loop sees the metal of vehicles, not people.",
            "Have a sensor of another kind watch for people wherever they can be.",
            "physics of eddy currents; FHWA-HRT-06-108, chapter 2, verified",
        ),
        "steel_too_high": FindingSpec(
            "critical",
            "The field reaches {reach_m:.2f} m above the floor; the steel of a {vehicle} begins at "
            "{underside_m:.2f} m.",
            "Make the shorter side at least {needed_m:.2f} m, or lay the loop less deep.",
            "share of the shorter side, from memory; undersides common practice, no source",
        ),
        "inductance": FindingSpec(
            "info",
            "The loop has {loop_uh:.0f} uH, the lead-in {lead_uh:.0f} uH; {kept_percent:.0f} % of the sensitivity is "
            "left.",
            "Measure it before the slot is sealed: far off means a broken or shorted turn.",
            "Neumann's formula; L / (L + L_lead), circuit theory",
        ),
        "off_tune": FindingSpec(
            "warning",
            "Loop and lead-in have {total_uh:.0f} uH; detectors tune from {least_uh:.0f} to {most_uh:.0f} uH.",
            "Change the number of turns: inductance grows nearly with its square.",
            "common practice, no source",
        ),
        "lead_in_long": FindingSpec(
            "warning",
            "The lead-in of {lead_in_m:.0f} m leaves {kept_percent:.0f} % of the sensitivity.",
            "Shorten it to {needed_m:.0f} m, add a turn, or set the detector near the loop.",
            "L / (L + L_lead), circuit theory; limit common practice, no source",
        ),
        "leaf_near": FindingSpec(
            "warning",
            "The loop comes within {distance_m:.2f} m of the way of the metal leaf, whose motion it can take for a "
            "vehicle.",
            "Keep {least_m:.1f} m from the leaf's way, or have the detector ignored while the leaf moves.",
            "1 to 1.5 m, common practice, no source",
        ),
        "steel_near": FindingSpec(
            "warning",
            "Reinforcing steel {distance_m:.3f} m below the loop damps it.",
            "Raise the loop to {least_m:.2f} m above the steel, or add turns and test the sensitivity.",
            "common practice, no source",
        ),
        "off_floor": FindingSpec(
            "critical",
            "A loop lies in the floor; this one is {above_m:.2f} m above it, or rides on the leaf: it detects nothing.",
            "Set the position's z_m to the level of the floor, {floor_m:.2f} m, and the carrier to building.",
        ),
    }
    example = {"family": "induction_loop", "width_m": 2.0, "depth_m": 1.0, "turns": 4, "lead_in_m": 12.0}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """Area of the loop up to the height at which steel is seen; nothing if the field stays in the floor."""
        reach = _reach_m(params, scene)
        if reach < LEAST_REACH_M:
            return ()
        ring = np.array(_ring(params, scene), dtype=np.float64)
        return (FloorArea(ring, height_m=reach, least_overlap_m=params.least_overlap_m, metal=True),)

    def mirrored(self, params: Any) -> Any:
        """A ring on the floor changes sides."""
        if params.ring_m is None:
            return super().mirrored(params)
        ring = tuple((-x + 0.0, y) for x, y in params.ring_m)
        return msgspec.structs.replace(super().mirrored(params), ring_m=ring)

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """People, height, inductance, lead-in, leaf, steel, place."""
        device = f"{scene.pointer}/device"
        yield self.finding("not_people", subjects=[scene.pointer])
        yield from self._height(params, scene)
        yield from self._coil(params, scene)
        gap = _leaf_gap_m(scene, _ring(params, scene))
        if params.metal_leaf and gap < LEAF_CLEAR_M:
            yield self.finding(
                "leaf_near",
                subjects=[f"{scene.pointer}/mount/position/y_m"],
                distance_m=max(gap, 0.0),
                least_m=LEAF_CLEAR_M,
            )
        if params.steel_below_m is not None and params.steel_below_m < STEEL_CLEAR_M:
            yield self.finding(
                "steel_near",
                subjects=[f"{device}/steel_below_m"],
                distance_m=params.steel_below_m,
                least_m=STEEL_CLEAR_M,
            )
        if not self.is_in_place(scene):
            yield self.finding(
                "off_floor",
                subjects=[f"{scene.pointer}/mount/position/z_m"],
                above_m=scene.above_floor_m,
                floor_m=scene.floor_z_m,
            )

    def _height(self, params: Any, scene: Scene) -> Iterator[Any]:
        reach, underside = _reach_m(params, scene), UNDERSIDE_M[params.vehicle]
        if reach < underside:
            yield self.finding(
                "steel_too_high",
                subjects=[f"{scene.pointer}/device/width_m", f"{scene.pointer}/device/depth_m"],
                reach_m=max(reach, 0.0),
                vehicle=params.vehicle.replace("_", " "),
                underside_m=underside,
                needed_m=(underside + params.below_floor_m) / params.height_share,
            )

    def _coil(self, params: Any, scene: Scene) -> Iterator[Any]:
        ring = _corners(params)
        if _shorter_side_m(ring) < THIN * _wire_radius_m(params):
            return
        loop, lead = inductance_h(params, ring), 1e-6 * params.lead_in_m * params.lead_in_uh_per_m
        kept, device = loop / (loop + lead), f"{scene.pointer}/device"
        yield self.finding(
            "inductance", subjects=[device], loop_uh=1e6 * loop, lead_uh=1e6 * lead, kept_percent=100.0 * kept
        )
        if not HENRY_LEAST <= loop + lead <= HENRY_MOST:
            yield self.finding(
                "off_tune",
                subjects=[f"{device}/turns"],
                total_uh=1e6 * (loop + lead),
                least_uh=1e6 * HENRY_LEAST,
                most_uh=1e6 * HENRY_MOST,
            )
        if kept < KEPT_LEAST:
            yield self.finding(
                "lead_in_long",
                subjects=[f"{device}/lead_in_m"],
                lead_in_m=params.lead_in_m,
                kept_percent=100.0 * kept,
                needed_m=1e6 * loop * (1.0 / KEPT_LEAST - 1.0) / params.lead_in_uh_per_m,
            )


def inductance_h(params: Any, ring: Sequence[Sequence[float]]) -> float:
    """Inductance of the loop's turns in series, without the lead-in. [H]"""
    return physics.polygon_inductance_h(
        ring, turns=params.turns, wire_radius_m=_wire_radius_m(params), turn_pitch_m=params.turn_pitch_m
    )


def _wire_radius_m(params: Any) -> float:
    return sqrt(params.wire_mm2 / pi) / 1000.0


def _corners(params: Any) -> list[tuple[float, float]]:
    """Corners of the loop as it is wound, in its own plane. [m]"""
    if params.ring_m is not None:
        return [(float(x), float(y)) for x, y in params.ring_m]
    a, b = params.width_m / 2.0, params.depth_m / 2.0
    return [(-a, -b), (a, -b), (a, b), (-a, b)]


def _ring(params: Any, scene: Scene) -> list[tuple[float, float]]:
    """Corners of the loop in the door frame. [m]"""
    if params.ring_m is not None:
        ring = [(float(x), float(y)) for x, y in params.ring_m]
        return ring[:-1] if ring[0] == ring[-1] else ring
    at, turn = scene.mount.origin, scene.mount.matrix
    x, y = ([float(at[i] + turn[i, 0] * u + turn[i, 1] * v) for u, v in _corners(params)] for i in (0, 1))
    return list(zip(x, y, strict=True))


def _reach_m(params: Any, scene: Scene) -> float:
    """Height above the floor up to which steel is seen. [m]"""
    return float(params.height_share * _shorter_side_m(_ring(params, scene)) - params.below_floor_m)


def _shorter_side_m(ring: Sequence[Sequence[float]]) -> float:
    """Least width of a ring over the directions of its sides. [m]"""
    widths = []
    for (x0, y0), (x1, y1) in zip(ring, [*ring[1:], ring[0]], strict=True):
        length = hypot(x1 - x0, y1 - y0)
        if length > 1e-9:
            across = [((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length for x, y in ring]
            widths.append(max(across) - min(across))
    return min(widths)


def _leaf_gap_m(scene: Scene, ring: Sequence[Sequence[float]]) -> float:
    """Distance along y from the loop to where the leaf moves, a turning one as far as it comes out. [m]"""
    near, far = (scene.sweep_depth_m(side) + scene.leaf_face_m(side) for side in ("near", "far"))
    ys = [float(y) for _, y in ring]
    return max(-max(ys) - near, min(ys) - far)


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [InductionLoopFamily()]

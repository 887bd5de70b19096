"""Laser scanner: several tilted scan planes from one head, distance by time of flight."""

from collections.abc import Iterator
from itertools import pairwise
from math import atan, atan2, degrees, hypot, radians, sqrt, tan
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from msgspec import Meta

from sillcast.family import (
    ECHO_FINDINGS,
    FILTER_FINDINGS,
    ON_FLOOR_M,
    Emission,
    Family,
    Fields,
    FindingSpec,
    OpticalFamily,
    RatedReflectance,
    Rays,
    Scene,
    SensorParams,
    SensorView,
    Tunable,
    Typical,
    hookimpl,
    physics,
)

# Multi-plane corner-mounted scanners are used up to this multiple of the mounting height (common practice, no source).
USUAL_REACH = 1.2
# Heads are mounted up to so far over the opening (common practice, no source).
OVER_OPENING_M = 1.5
# A sweep of which the mirror image sends this many times as many rays into the wanted width is the wrong way round.
WRONG_WAY = 4
STEEPEST_DEG = 85.0  # planes flatter than this leave no strips, they end at the range
SEES_NOTHING_M2 = 0.005  # less of the opening than this is no view of it
_FAR_M = 1e6
LEVEL_WITHIN = 0.02  # sine of a turn or roll up to which a head counts as level, about a degree

Tilt = Annotated[float, Meta(ge=-30.0, le=90.0, description="Plane's tilt from straight down, outwards. [deg]")]


class LaserScan(SensorParams, frozen=True, kw_only=True, tag="laser_scan"):
    """Scan planes through one point; each sweeps from start to end, from straight down towards the own +x."""

    plane_tilts_deg: Annotated[tuple[Tilt, ...], Meta(min_length=1, max_length=32, description="One per plane. [deg]")]
    sweep_start_deg: Annotated[float, Meta(ge=-180.0, le=180.0, description="First ray in its plane. [deg]")]
    sweep_end_deg: Annotated[float, Meta(ge=-180.0, le=180.0, description="Last ray, not before the first. [deg]")]
    step_deg: Annotated[float, Meta(ge=0.05, le=10.0, description="From one ray to the next. [deg]")]
    range_m: Annotated[float, Meta(ge=0.1, le=60.0, description="Farthest a body is seen along a ray. [m]")]
    least_hits: Annotated[int, Meta(ge=1, le=64, description="Rays that must hit a body. [1]")] = 3
    hits_within: Annotated[Literal["plane", "head"], Meta(description="Hits counted per plane, or over the head.")] = (
        "head"
    )
    floor_margin_m: Annotated[
        float, Meta(ge=0.0, le=1.0, description="Hits lower than this above the floor do not count. [m]")
    ] = 0.05
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="Arrival to signal, without filters. [s]")] = 0.1
    scan_s: Annotated[float, Meta(ge=0.005, le=1.0, description="From one scan to the next. [s]")] = 0.03
    noise_m: Annotated[float, Meta(ge=0.0, le=0.2, description="Standard deviation of a measured place. [m]")] = 0.015
    wavelength_nm: Annotated[float, Meta(ge=400.0, le=1550.0, description="Wavelength of the light. [nm]")] = 905.0
    rated_reflectance: RatedReflectance = 0.1
    beam_width_m: Annotated[float, Meta(ge=0.0, le=0.1, description="Spot's diameter at the head. [m]")] = 0.005
    divergence_deg: Annotated[float, Meta(ge=0.0, le=3.0, description="Full divergence of the beam. [deg]")] = 0.15
    fields: Fields = ()


class LaserScanFamily(OpticalFamily):
    """Scan planes by time of flight.

    Range: P ~ rho (1 - dirt)^2 exp(-2 sigma R) / R^2, solved for the range at which P is that of the sheet's range and
    reflectance, and never beyond it. Spot: d0 + 2 R tan(divergence / 2), which must fall on the body as a whole.
    """

    params = LaserScan
    filters = frozenset({"size", "above", "direction", "speed"})
    senses = frozenset({"presence", "motion"})
    emits = frozenset({"infrared"})
    sensitive_to = frozenset({"infrared"})
    summary = (
        "Laser scanner with one or more tilted scan planes: presence and motion by distance, mounted over a corner."
    )
    typical = (
        Typical("response_s", 0.1, "s", "30 to 100 ms for a pair of scans, common practice, no source"),
        Typical(
            "least_hits", 3, "1", "one stray echo from dust or rain must not open the door, common practice, no source"
        ),
        Typical("floor_margin_m", 0.05, "m", "range noise and uneven floor, common practice, no source"),
        Typical("rated_reflectance", 0.1, "1", "sheets state the range at 10 % diffuse, common practice, no source"),
        Typical("wavelength_nm", 905.0, "nm", "pulsed laser diodes, common practice, no source"),
    )
    findings = {
        **FILTER_FINDINGS,
        **ECHO_FINDINGS,
        "spot_wide": FindingSpec(
            "warning",
            "At {distance_m:.2f} m the spot is {spot_m:.3f} m wide, the body's narrowest side {side_m:.3f} m: no spot "
            "falls on it as a whole.",
            "Mount nearer, or use a head with a narrower beam.",
            "geometry",
        ),
        "sweep_outside": FindingSpec(
            "critical",
            "The sweep from {start_deg:.1f} to {end_deg:.1f} deg looks away from the opening: {rays} of its rays meet "
            "the floor within the wanted width; swept from {mirror_start_deg:.1f} to {mirror_end_deg:.1f} deg "
            "{mirror_rays} would.",
            "Sweep from {mirror_start_deg:.1f} to {mirror_end_deg:.1f} deg; if the sweep is as set, the head belongs "
            "over the other corner, at x = {mirror_x_m:.2f} m.",
            "geometry",
        ),
        "beside_opening": FindingSpec(
            "critical",
            "The head sits {beside_m:.2f} m beside the opening, beyond its range of {range_m:.2f} m: it sees nothing "
            "there.",
            "Correct mount.position, which is in metres from the middle of the opening.",
            "geometry",
        ),
        "floor_missed": FindingSpec(
            "critical",
            "With the head's tilt its planes lie {least_deg:.1f} to {most_deg:.1f} deg from straight down: no ray "
            "meets the floor within the wanted width.",
            "Correct the head's angles, the planes' tilts or the sweep; at 90 deg a plane is level.",
            "geometry",
        ),
        "plane_gap": FindingSpec(
            "info",
            "Strips between this head's planes are blind to a body {depth_m:.2f} m deep and {height_m:.2f} m high: "
            "{strips} of them, the deepest {gap_m:.2f} m, {out_m:.2f} m out, between {low_deg:.1f} and {high_deg:.1f} "
            "deg.",
            "Put a plane at {wanted_deg:.1f} deg or less after the one at {low_deg:.1f} deg, or a second head whose "
            "planes lie between.",
            "own derivation, proven against ray casting",
        ),
        "range_short": FindingSpec(
            "warning",
            "The far corner of the wanted area is {distance_m:.2f} m from the head, the range is {range_m:.2f} m.",
            "Use a range of at least {distance_m:.2f} m, mount the head nearer, or ask for a smaller area.",
        ),
        "beyond_usual": FindingSpec(
            "warning",
            "Seen from the head the wanted area reaches {reach_m:.2f} m {direction}, {ratio:.2f} times the head's "
            "height of {height_m:.2f} m; heads over a corner are used up to about {usual:.1f} times.",
            "{advice}; walk-test this area first.",
            "common practice, no source",
        ),
        "rays_apart": FindingSpec(
            "warning",
            "At {distance_m:.1f} m neighbouring rays are {spacing_m:.3f} m apart; {least_hits} hits are sure only on a "
            "body {needed_m:.2f} m wide or more, the reference body is {width_m:.2f} m.",
            "Use a step of {step_deg:.2f} deg or less, or ask for fewer hits and expect more false signals.",
        ),
    }
    example = {
        "family": "laser_scan",
        "plane_tilts_deg": [2.0, 6.0, 12.0, 20.0, 30.0, 40.0],
        "sweep_start_deg": -90.0,
        "sweep_end_deg": 5.0,
        "step_deg": 0.5,
        "range_m": 9.0,
    }

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """All rays of all planes."""
        if params.sweep_end_deg < params.sweep_start_deg:
            return ()
        return (
            Rays.scan_planes(
                at=scene.mount,
                plane_tilts_deg=params.plane_tilts_deg,
                start_deg=params.sweep_start_deg,
                end_deg=params.sweep_end_deg,
                step_deg=params.step_deg,
                range_m=self.working_range_m(params, scene),
                least_hits=params.least_hits,
                hits_within=params.hits_within,
                floor_margin_m=params.floor_margin_m,
                beam_width_m=params.beam_width_m,
                divergence_deg=params.divergence_deg,
            ),
        )

    def mirrored(self, params: Any) -> Any:
        """A sweep [a, b] becomes [-b, -a]; where b lies off the step, shifted by the rest, so that the rays stay."""
        start, end, step = params.sweep_start_deg, params.sweep_end_deg, params.step_deg
        rest = (end - start) % step if end > start else 0.0
        rest = 0.0 if step - rest < 1e-8 else rest
        return msgspec.structs.replace(
            super().mirrored(params),
            sweep_start_deg=round(rest - end, 9) + 0.0,
            sweep_end_deg=min(round(rest - start, 9), 180.0) + 0.0,
        )

    def group_name(self, params: Any, group: int) -> str:
        """Planes by the order of their tilts in the request."""
        return f"plane {group + 1}"

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Tilt and yaw of the head, and the tilt of each plane."""
        device = f"{scene.pointer}/device"
        yield Tunable(f"{scene.pointer}/mount/tilt_deg", "deg", -15.0, 45.0, 0.5, "tilt of the head")
        yield Tunable(f"{scene.pointer}/mount/yaw_deg", "deg", -45.0, 45.0, 1.0, "yaw of the head")
        for plane in range(len(params.plane_tilts_deg)):
            yield Tunable(f"{device}/plane_tilts_deg/{plane}", "deg", -5.0, 60.0, 0.1, f"tilt of plane {plane + 1}")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Side of the sweep, gaps between planes, range, reach and ray spacing."""
        yield from self._plane_gaps(params, scene, view)
        yield from self.filter_findings(params, scene)
        yield from self.weather_findings(params, scene, view.far_corner_m(scene))
        aim = list(self._aim(params, scene, view))
        yield from aim
        if view.wanted is not None and not aim:  # seen from the right place it is another reach
            yield from self._reach(params, scene, view)

    def _aim(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """A sweep the wrong way round, a tilt or a place from which the opening is out of sight."""
        if scene.out_m < 0.0 or params.sweep_end_deg < params.sweep_start_deg:
            return  # the core says which side is meant; an empty sweep is refused
        start, end = -params.sweep_end_deg + 0.0, -params.sweep_start_deg + 0.0
        mirror = msgspec.structs.replace(params, sweep_start_deg=start, sweep_end_deg=end)
        half = scene.door.opening.width_m / 2.0
        width = (-half, half) if view.wanted is None else view.wanted[:2]
        rays, mirror_rays = (_rays_within(p, scene, width) for p in (params, mirror))
        subjects = [f"{scene.pointer}/device/sweep_start_deg", f"{scene.pointer}/mount/position/x_m"]
        if mirror_rays > WRONG_WAY * rays:
            yield self.finding(
                "sweep_outside",
                subjects=subjects,
                start_deg=params.sweep_start_deg,
                end_deg=params.sweep_end_deg,
                rays=rays,
                inside_m2=view.inside_opening_m2,
                mirror_start_deg=start,
                mirror_end_deg=end,
                mirror_rays=mirror_rays,
                mirror_x_m=-float(scene.mount.origin[0]) + 0.0,
            )
        elif rays == 0 and view.inside_opening_m2 < SEES_NOTHING_M2:
            yield from self._missed(params, scene, width)

    def _missed(self, params: Any, scene: Scene, width: tuple[float, float]) -> Iterator[Any]:
        """Why a head whose range is long enough sees nothing of the opening, whichever way round its sweep is."""
        beside = abs(float(scene.mount.origin[0])) - scene.door.opening.width_m / 2.0
        if beside > params.range_m:
            at = f"{scene.pointer}/mount/position/x_m"
            yield self.finding("beside_opening", subjects=[at], beside_m=beside, range_m=params.range_m)
        elif _rays_within(msgspec.structs.replace(params, range_m=_FAR_M), scene, width) == 0:
            tilts = [_tilt_deg(scene.mount.matrix) + t for t in params.plane_tilts_deg]
            at = f"{scene.pointer}/mount"
            yield self.finding("floor_missed", subjects=[at], least_deg=min(tilts), most_deg=max(tilts))

    def _plane_gaps(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Strips that a body fits in unseen, for level heads: (M - H) tan t' - M tan t - b > 0."""
        body, height = view.body, scene.above_floor_m
        if height <= body.height_m or abs(_turn(scene.mount.matrix)) > LEVEL_WITHIN:
            return
        own = _tilt_deg(scene.mount.matrix)
        strips = []
        for low, high in pairwise(sorted(t for p in params.plane_tilts_deg if abs(t := own + p) < STEEPEST_DEG)):
            u, v = tan(radians(low)), tan(radians(high))
            near_end = max(height * u, (height - body.height_m) * u) + body.depth_m
            gap = min(height * v, (height - body.height_m) * v) - near_end
            out = near_end - body.depth_m / 2 + scene.out_m
            within = view.wanted is None or (out < view.wanted[3] and out + gap > view.wanted[2])
            if gap > 0.005 and within:
                strips.append((gap, out, low, high))
        if strips:
            gap, out, low, high = max(strips)
            yield self.finding(
                "plane_gap",
                subjects=[f"{scene.pointer}/device/plane_tilts_deg"],
                strips=len(strips),
                low_deg=low - own,
                high_deg=high - own,
                gap_m=gap,
                depth_m=body.depth_m,
                height_m=body.height_m,
                out_m=out,
                wanted_deg=_next_tilt_deg(low, height, body.height_m, body.depth_m) - own,
            )

    def _reach(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Distance to the far corner of the wanted area, against range, usual reach and ray spacing."""
        across, depth = view.spans_m(scene)
        height = scene.above_floor_m
        corner = sqrt(height**2 + across**2 + depth**2)
        subject = [f"{scene.pointer}/device/range_m"]
        if corner > params.range_m:
            yield self.finding("range_short", subjects=subject, distance_m=corner, range_m=params.range_m)
        for reach, direction, second in (
            (across, "along the door", "a second head over the other corner"),
            (depth, "out from the door", "a sensor farther out from the door"),
        ):
            if height > ON_FLOOR_M and reach > USUAL_REACH * height:
                needed, most = float(reach / USUAL_REACH), scene.door.opening.height_m + OVER_OPENING_M
                yield self.finding(
                    "beyond_usual",
                    subjects=[f"{scene.pointer}/mount/position/z_m"],
                    reach_m=float(reach),
                    direction=direction,
                    ratio=float(reach / height),
                    height_m=height,
                    usual=USUAL_REACH,
                    needed_m=needed,
                    advice=f"Mount the head at {needed:.2f} m or higher, or add {second}"
                    if needed + scene.floor_z_m <= most
                    else f"No mount over this opening is high enough: add {second}",
                )
        yield from self._rays_and_spot(params, scene, view, min(corner, params.range_m))

    def _rays_and_spot(self, params: Any, scene: Scene, view: SensorView, distance_m: float) -> Iterator[Any]:
        """Distance between rays and width of the spot at a distance, against the body."""
        spacing = distance_m * radians(params.step_deg)
        width = max(view.body.width_m, view.body.depth_m)
        if (needed := params.least_hits * spacing) > width:
            yield self.finding(
                "rays_apart",
                subjects=[f"{scene.pointer}/device/step_deg"],
                distance_m=distance_m,
                spacing_m=spacing,
                least_hits=params.least_hits,
                needed_m=needed,
                width_m=width,
                step_deg=degrees(width / (params.least_hits * distance_m)),
            )
        spot = physics.spot_diameter_m(params.beam_width_m, divergence_deg=params.divergence_deg, distance_m=distance_m)
        side = min(view.body.width_m, view.body.depth_m, view.body.height_m)
        if spot > side:
            yield self.finding(
                "spot_wide",
                subjects=[f"{scene.pointer}/device/divergence_deg"],
                distance_m=distance_m,
                spot_m=spot,
                side_m=side,
            )


def _rays_within(params: Any, scene: Scene, width: tuple[float, float]) -> int:
    """How many rays meet the floor on the head's own side between two places along the door, nothing in the way. [1]"""
    planes = Rays.scan_planes(
        at=scene.mount,
        plane_tilts_deg=params.plane_tilts_deg,
        start_deg=params.sweep_start_deg,
        end_deg=params.sweep_end_deg,
        step_deg=params.step_deg,
        range_m=params.range_m,
    )
    down = np.maximum(-planes.directions[:, 2], 1e-9)
    length = scene.above_floor_m / down
    x, y, _ = (planes.origins + length[:, None] * planes.directions).T
    out = -y if scene.mount.side == "near" else y
    return int(((length <= params.range_m) & (out > 0.0) & (width[0] < x) & (x < width[1])).sum())


def _turn(matrix: Any) -> float:
    """How far the head is turned or rolled: sine of its own x axis out of the door's x axis."""
    return float(hypot(matrix[1, 0], matrix[2, 0]))


def _tilt_deg(matrix: Any) -> float:
    """Tilt of a head that is neither turned nor rolled, from its matrix. [deg]"""
    return degrees(atan2(float(matrix[2, 1]), float(matrix[2, 2])))


def _next_tilt_deg(tilt_deg: float, height_m: float, body_height_m: float, body_depth_m: float) -> float:
    """Greatest tilt of the next plane that leaves no gap: tan t' <= (M tan t + b) / (M - H), for t >= 0."""
    u = tan(radians(tilt_deg))
    return degrees(
        atan((max(height_m * u, (height_m - body_height_m) * u) + body_depth_m) / (height_m - body_height_m))
    )


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [LaserScanFamily()]

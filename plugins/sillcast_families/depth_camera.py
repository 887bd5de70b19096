"""Depth camera: a grid of pixels behind a lens, each with its distance by time of flight."""

from collections.abc import Iterator
from functools import lru_cache
from math import acos, degrees, radians, sqrt, tan
from typing import Annotated, Any

import numpy as np
from msgspec import Meta

from sillcast.family import (
    ECHO_FINDINGS,
    FILTER_FINDINGS,
    Emission,
    Family,
    Fields,
    FindingSpec,
    OpticalFamily,
    Rays,
    Scene,
    SensorParams,
    SensorView,
    Tunable,
    Typical,
    hookimpl,
    physics,
)

BANDS = 4  # parts of the picture, each with the floor margin of its farthest pixel
LYING_M = 0.2  # height of the reference body lying, EN 16005:2012 Annex C, second-hand
SURE_SIGMAS = 5.0  # deviations that tell a body from the floor for sure, as in IEC 61496-3, from memory


class DepthCamera(SensorParams, frozen=True, kw_only=True, tag="depth_camera"):
    """Pixels of one lens without distortion; at zero angles it looks straight down, rows along the door."""

    columns: Annotated[int, Meta(ge=4, le=320, description="Pixels in a row. [1]")] = 160
    rows: Annotated[int, Meta(ge=4, le=240, description="Rows of pixels. [1]")] = 120
    field_width_deg: Annotated[float, Meta(ge=5.0, le=140.0, description="Full field along a row. [deg]")] = 70.0
    field_height_deg: Annotated[float, Meta(ge=5.0, le=140.0, description="Full field across the rows. [deg]")] = 55.0
    range_m: Annotated[float, Meta(ge=0.3, le=20.0, description="Farthest surface that is measured. [m]")] = 6.0
    least_pixels: Annotated[int, Meta(ge=1, le=64, description="Pixels of one row that a body must fill. [1]")] = 4
    least_margin_m: Annotated[
        float, Meta(ge=0.0, le=1.0, description="Least height above the floor, whatever the noise. [m]")
    ] = 0.05
    noise_m: Annotated[
        float, Meta(ge=0.0, le=0.5, description="Standard deviation of a distance at `noise_at_m`, in the dark. [m]")
    ] = 0.01
    noise_at_m: Annotated[float, Meta(ge=0.3, le=20.0, description="Distance for which the noise is stated. [m]")] = 3.0
    own_light_w_per_m2: Annotated[
        float, Meta(ge=0.01, le=1000.0, description="Own light on a surface there, while it is lit. [W/m2]")
    ] = 10.0
    wavelength_nm: Annotated[float, Meta(ge=845.0, le=940.0, description="Wavelength of the light. [nm]")] = 850.0
    filter_width_nm: Annotated[float, Meta(ge=2.0, le=40.0, description="Width of the lens filter. [nm]")] = 40.0
    rated_reflectance: Annotated[
        float, Meta(ge=0.005, le=1.0, description="Reflectance for which range and noise are stated. [1]")
    ] = 0.5
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="Arrival to signal, without filters. [s]")] = 0.1
    scan_s: Annotated[float, Meta(ge=0.005, le=1.0, description="From one picture to the next. [s]")] = 0.04
    fields: Fields = ()


class DepthCameraFamily(OpticalFamily):
    """Pixel grid by time of flight.

    Pixel (i, j) looks along (u_i, v_j, -1) with u, v evenly spaced up to tan(half field). The floor margin of each part
    of the picture is max(least margin, 5 s(R)), R the farthest floor that it sees within its range, and
    s(R) = s0 (R/R0) sqrt((1 + b (R/R0)^2) / r): b sunlight over own light within the lens filter, r reflectance of the
    floor over the rated one. A body counts where it fills the pixels in one row.
    """

    params = DepthCamera
    senses = frozenset({"presence", "motion"})
    emits = frozenset({"infrared"})
    sensitive_to = frozenset({"infrared"})
    filters = frozenset({"size", "above", "direction", "speed"})
    summary = "Depth camera over the threshold: presence and motion from a picture of distances."
    typical = (
        Typical("response_s", 0.1, "s", "50 to 100 ms, common practice, no source"),
        Typical("least_pixels", 4, "1", "single pixels fly at edges, common practice, no source"),
        Typical("noise_m", 0.01, "m", "a third of a percent of the distance, common practice, no source"),
        Typical("filter_width_nm", 40.0, "nm", "light-emitting diodes are about so wide, common practice, no source"),
    )
    findings = {
        **FILTER_FINDINGS,
        **ECHO_FINDINGS,
        "low_unseen": FindingSpec(
            "warning",
            "At {distance_m:.2f} m the noise is {noise_m:.3f} m, so that nothing lower than {margin_m:.2f} m is told "
            "from the floor; a lying body is {body_m:.2f} m high.",
            "Mount lower, shade the floor from the sun, or use a camera with more light of its own.",
            "shot noise, own derivation; five deviations as in IEC 61496-3, from memory",
        ),
        "pixels_apart": FindingSpec(
            "warning",
            "At {distance_m:.2f} m pixels are {pitch_m:.3f} m apart; {least_pixels} pixels of a row are sure only on a "
            "body {needed_m:.2f} m wide, the body's narrow side is {side_m:.2f} m.",
            "Ask for fewer pixels, use a narrower lens, or mount nearer.",
            "geometry",
        ),
        "wet_floor": FindingSpec(
            "warning",
            "The floor is wet or polished: it mirrors the light away, and what it mirrors appears below it.",
            "Tilt the camera off the mirror angle and walk-test on the wet floor.",
            "common practice, no source",
        ),
        "above_horizon": FindingSpec(
            "info",
            "The upper edge of the picture looks {edge_deg:.1f} deg from straight down and never meets the floor.",
            "Tilt the camera down, so that moving things far off are not in the picture.",
            "geometry",
        ),
    }
    example = {"family": "depth_camera", "columns": 160, "rows": 120, "range_m": 6.0}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """Rays of the pixels in parts of the picture, rows as groups."""
        range_m = self.working_range_m(params, scene)
        return tuple(
            Rays.from_head(
                at=scene.mount,
                own=own,
                group=rows.copy(),
                range_m=range_m,
                least_hits=params.least_pixels,
                hits_within="plane",
                floor_margin_m=self.floor_margin_m(params, scene, _farthest_floor_m(scene, own, range_m)),
            )
            for own, rows in _bands(params.columns, params.rows, params.field_width_deg, params.field_height_deg)
        )

    def noise_at_m(self, params: Any, scene: Scene, distance_m: float) -> float:
        """Noise of a distance to the floor in the declared light. [m]"""
        here = scene.conditions
        sun = physics.sunlight_in_band_w_per_m2(
            centre_nm=params.wavelength_nm, width_nm=params.filter_width_nm, sun_w_per_m2=here.sun_w_per_m2 or 0.0
        )
        floor = here.floor_reflectance or params.rated_reflectance
        return physics.distance_noise_m(
            distance_m,
            rated_noise_m=params.noise_m,
            rated_distance_m=params.noise_at_m,
            background_ratio=sun / params.own_light_w_per_m2,
            reflectance_ratio=floor / params.rated_reflectance,
        )

    def floor_margin_m(self, params: Any, scene: Scene, distance_m: float) -> float:
        """Least height above the floor that is told from it, at a distance. [m]"""
        return max(float(params.least_margin_m), SURE_SIGMAS * self.noise_at_m(params, scene, distance_m))

    def place_noise_m(self, params: Any) -> float:
        """The wider of noise and a pixel at the end of the range, evenly spread: width / sqrt(12). [m]"""
        return max(float(params.noise_m), _pitch_m(params, params.range_m) / sqrt(12.0))

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Tilt and yaw of the camera; not pixels and margin, which keep false signals away."""
        yield Tunable(f"{scene.pointer}/mount/tilt_deg", "deg", -30.0, 60.0, 1.0, "tilt of the camera")
        yield Tunable(f"{scene.pointer}/mount/yaw_deg", "deg", -45.0, 45.0, 1.0, "yaw of the camera")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Noise against low bodies, pixels against the body, horizon, weather, filters."""
        corner = view.far_corner_m(scene)
        yield from self.filter_findings(params, scene)
        yield from self.weather_findings(params, scene, corner)
        if scene.conditions.floor_wet:
            yield self.finding("wet_floor", subjects=[f"/site/conditions/{scene.mount.side}/floor_wet"])
        edge = _upper_edge_deg(params, scene)
        if edge >= 90.0:
            yield self.finding("above_horizon", subjects=[f"{scene.pointer}/mount/tilt_deg"], edge_deg=edge)
        if corner is not None:
            yield from self._far_corner(params, scene, view, min(corner, params.range_m))

    def _far_corner(self, params: Any, scene: Scene, view: SensorView, distance_m: float) -> Iterator[Any]:
        margin, low = self.floor_margin_m(params, scene, distance_m), min(LYING_M, view.body.height_m)
        if "protection" in scene.purposes and margin > low:
            yield self.finding(
                "low_unseen",
                subjects=[f"{scene.pointer}/device/noise_m"],
                distance_m=distance_m,
                noise_m=self.noise_at_m(params, scene, distance_m),
                margin_m=margin,
                body_m=low,
            )
        pitch = _pitch_m(params, distance_m)
        side, needed = min(view.body.width_m, view.body.depth_m), (params.least_pixels + 1) * pitch
        if needed > side:
            yield self.finding(
                "pixels_apart",
                subjects=[f"{scene.pointer}/device/least_pixels"],
                distance_m=distance_m,
                pitch_m=pitch,
                least_pixels=params.least_pixels,
                needed_m=needed,
                side_m=side,
            )


def _pitch_m(params: Any, distance_m: float) -> float:
    """From one pixel to the next in a row, square on to the lens. [m]"""
    return float(distance_m * 2.0 * tan(radians(params.field_width_deg) / 2.0) / params.columns)


@lru_cache(maxsize=8)
def _bands(columns: int, rows: int, width_deg: float, height_deg: float) -> tuple[tuple[Any, Any], ...]:
    """Directions of the pixels in the camera's frame, of unit length, and their rows, for each part of the picture."""
    u, v = (_tangents(n, field) for n, field in ((columns, width_deg), (rows, height_deg)))
    parts = []
    for some in np.array_split(np.arange(rows), BANDS):
        across, along = np.meshgrid(u, v[some])
        own = np.stack([across, along, np.full_like(across, -1.0)], axis=-1).reshape(-1, 3)
        own /= np.linalg.norm(own, axis=1)[:, None]
        group = np.repeat(some, columns)
        own.flags.writeable = group.flags.writeable = False  # shared by all cameras of these pixels
        parts.append((own, group))
    return tuple(parts)


def _tangents(count: int, field_deg: float) -> Any:
    """Tangents of the pixels' middles across a field."""
    return tan(radians(field_deg) / 2.0) * ((np.arange(count) + 0.5) / count * 2.0 - 1.0)


def _farthest_floor_m(scene: Scene, own: Any, range_m: float) -> float:
    """Farthest distance along rays to the floor below the mount, the range where they miss it. [m]"""
    down = -(own @ scene.mount.matrix[2])
    height = max(scene.above_floor_m, 0.0)
    return float(min(range_m, height / max(float(down.min()), 1e-6)))


def _upper_edge_deg(params: Any, scene: Scene) -> float:
    """Angle from straight down of the picture's higher edge, in the middle of its rows. [deg]"""
    outer = tan(radians(params.field_height_deg) / 2.0)
    edges = [scene.mount.matrix @ np.array([0.0, side * outer, -1.0]) for side in (-1.0, 1.0)]
    return max(degrees(acos(max(-1.0, min(1.0, float(-e[2] / np.linalg.norm(e)))))) for e in edges)


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [DepthCameraFamily()]

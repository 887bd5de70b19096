"""Passive infrared: segments of a lens; a warm body is seen when it crosses the edge of a segment."""

from collections.abc import Iterator
from itertools import pairwise
from math import cos, radians, sin, tan
from typing import Annotated, Any

import numpy as np
from msgspec import Meta

from sillcast.family import (
    Emission,
    Family,
    Field,
    FindingSpec,
    RangeEffect,
    Rays,
    Scene,
    SensorParams,
    SensorView,
    Tunable,
    Typical,
    given,
    hookimpl,
    physics,
)

EDGE_RAYS = 4  # rays on each edge of a segment, corners included
STRIDE_M = 0.7  # common practice, no source
COLD_DEG_C, COOLS_K = 5.0, 20.0  # clothing warmer by this cools in air below that: common practice, no source
KELVIN = 273.15


class PassiveInfrared(SensorParams, frozen=True, kw_only=True, tag="passive_infrared"):
    """Rows and columns of segments; the mount's tilt turns them all."""

    rows: Annotated[int, Meta(ge=1, le=12, description="Rows of segments, one behind the other. [1]")] = 3
    columns: Annotated[int, Meta(ge=1, le=32, description="Segments in a row. [1]")] = 8
    first_row_deg: Annotated[
        float, Meta(ge=-30.0, le=85.0, description="Tilt of the first row's middle from straight down. [deg]")
    ] = 15.0
    rows_spread_deg: Annotated[
        float, Meta(ge=0.0, le=90.0, description="From the first row's middle to the last row's. [deg]")
    ] = 40.0
    columns_spread_deg: Annotated[
        float, Meta(ge=0.0, le=160.0, description="From the first segment's middle to the last one's. [deg]")
    ] = 80.0
    segment_width_deg: Annotated[float, Meta(ge=0.2, le=30.0, description="Width of a segment. [deg]")] = 4.0
    segment_height_deg: Annotated[float, Meta(ge=0.2, le=30.0, description="Height of a segment. [deg]")] = 6.0
    range_m: Annotated[float, Meta(ge=0.5, le=30.0, description="Range at the stated contrast. [m]")] = 6.0
    rated_contrast_k: Annotated[
        float, Meta(ge=0.5, le=20.0, description="Body warmer than its background, for the stated range. [K]")
    ] = 3.5
    body_temperature_deg_c: Annotated[
        float, Meta(ge=-20.0, le=45.0, description="Surface of clothing and face, taken together. [deg C]")
    ] = 28.0
    floor_margin_m: Annotated[
        float, Meta(ge=0.0, le=1.0, description="Warmth lower than this above the floor does not count. [m]")
    ] = 0.1
    response_s: Annotated[float, Meta(ge=0.0, le=3.0, description="From crossing an edge to the signal. [s]")] = 0.3
    fields: Annotated[tuple[Field, ...], Meta(max_length=8, description="Masks of the lens, per purpose.")] = ()


class PassiveInfraredFamily(Family):
    """Warm bodies crossing segment edges.

    The rays are the edges of all segments: a place belongs to the detection where a body stands across an edge, so the
    inside of a segment is a hole in it, and a body at rest is never meant. Range, for a body smaller than a segment:
    signal ~ |T_body^4 - T_air^4| / R^2 (Stefan and Boltzmann), and never beyond the stated one.
    """

    params = PassiveInfrared
    senses = frozenset({"motion", "warm"})
    sensitive_to = frozenset({"motion"})
    purposes = frozenset({"activation"})
    never_alone = frozenset({"protection"})
    summary = "Passive infrared motion sensor: opens for warm bodies that cross its segments; sees nobody at rest."
    typical = (
        Typical("response_s", 0.3, "s", "thermal sensors and their filters are slow, common practice, no source"),
        Typical("rated_contrast_k", 3.5, "K", "walk-test target of intruder alarms, from memory"),
        Typical("body_temperature_deg_c", 28.0, "deg C", "indoor clothing and skin, common practice, no source"),
    )
    findings = {
        "contrast_low": FindingSpec(
            "warning",
            "At {air_deg_c:.1f} deg C a body of {body_deg_c:.1f} deg C stands out by {contrast_k:.1f} K: the range "
            "falls from {before_m:.2f} m to {after_m:.2f} m.",
            "Add a sensor that does not need warmth, such as a microwave one, for such days.",
            "Stefan-Boltzmann law",
        ),
        "cold_clothing": FindingSpec(
            "info",
            "At {air_deg_c:.1f} deg C outer clothing cools towards the air; the declared {body_deg_c:.1f} deg C holds "
            "for few minutes.",
            "Declare the surface temperature of people who worked in the cold, and walk-test with one.",
            "common practice, no source",
        ),
        "radial_late": FindingSpec(
            "warning",
            "Somebody who walks straight at the sensor along a segment crosses no side edge and can go {way_m:.2f} m "
            "unseen until the next row.",
            "Mount the sensor so that people cross its segments, or use more rows.",
            "geometry: difference of H tan(angle)",
        ),
        "segment_wide": FindingSpec(
            "info",
            "At {distance_m:.2f} m a segment is {segment_m:.2f} m wide, the body {body_m:.2f} m: it can move within "
            "the segment unseen, and warms a part of it only.",
            "Use a lens of narrower segments.",
            "geometry",
        ),
        "range_short": FindingSpec(
            "warning",
            "The far corner of the wanted area is {distance_m:.2f} m from the sensor, the range is {range_m:.2f} m.",
            "Mount nearer, use a lens of longer range, or ask for a smaller area.",
        ),
        "not_for_standing": FindingSpec(
            "critical",
            "The sensor sees motion of warm bodies alone: a body at rest in the leaf's path is not seen.",
            "Use a presence sensor for protection.",
            "common practice, no source",
        ),
    }
    example = {"family": "passive_infrared", "rows": 3, "columns": 8, "range_m": 6.0}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """Edges of all segments, a group per edge."""
        edges = _edges(np.array(list(_middles(params))), params)
        own = _directions(np.radians(edges[..., 0]), np.radians(edges[..., 1]))
        return (
            Rays.from_head(
                at=scene.mount,
                own=own.reshape(-1, 3),
                group=np.repeat(np.arange(len(edges)), EDGE_RAYS).tolist(),
                range_m=self.working_range_m(params, scene),
                floor_margin_m=params.floor_margin_m,
            ),
        )

    def range_effects(self, params: Any, scene: Scene) -> tuple[RangeEffect, ...]:
        """Effect of the air's temperature, which is that of the background."""
        air = scene.conditions.air_temperature_deg_c
        if air is None:
            return ()
        body = params.body_temperature_deg_c + KELVIN
        rated = body**4 - (body - params.rated_contrast_k) ** 4
        ratio = abs(body**4 - (air + KELVIN) ** 4) / rated
        after = physics.range_under_loss(params.range_m, power_exponent=2.0, power_ratio=ratio)
        return (
            RangeEffect(
                "contrast",
                params.range_m,
                min(params.range_m, after),
                "R = R0 sqrt(|Tb^4 - Ta^4| / (Tb^4 - (Tb - dT0)^4)), at most R0",
                (given(scene, "air_temperature_deg_c", "deg C"),),
                "Stefan-Boltzmann law, body smaller than a segment",
                "own_derivation",
                "The background is taken at air temperature; sun on the floor or a heater changes it.",
            ),
        )

    def group_name(self, params: Any, group: int) -> str:
        """Row and segment to which an edge belongs; each segment has four edges."""
        row, column = divmod(group // 4, params.columns)
        return f"segment {column + 1} of row {row + 1}"

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Tilt and yaw of the sensor."""
        yield Tunable(f"{scene.pointer}/mount/tilt_deg", "deg", -15.0, 45.0, 1.0, "tilt of the sensor")
        yield Tunable(f"{scene.pointer}/mount/yaw_deg", "deg", -45.0, 45.0, 1.0, "yaw of the sensor")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Contrast, radial approach, width of segments, range."""
        yield from self._warmth(params, scene)
        if "protection" in scene.purposes:
            yield self.finding("not_for_standing", subjects=[f"{scene.pointer}/purposes"])
        way = _longest_way_m(params, scene)
        if way > STRIDE_M:
            yield self.finding("radial_late", subjects=[f"{scene.pointer}/device/rows"], way_m=way)
        corner = view.far_corner_m(scene)
        if corner is None:
            return
        if corner > params.range_m:
            yield self.finding(
                "range_short",
                subjects=[f"{scene.pointer}/device/range_m"],
                distance_m=corner,
                range_m=params.range_m,
            )
        distance = min(corner, params.range_m)
        width = 2.0 * distance * tan(radians(params.segment_width_deg) / 2.0)
        if width > view.body.width_m:
            yield self.finding(
                "segment_wide",
                subjects=[f"{scene.pointer}/device/segment_width_deg"],
                distance_m=distance,
                segment_m=width,
                body_m=view.body.width_m,
            )

    def _warmth(self, params: Any, scene: Scene) -> Iterator[Any]:
        air, body = scene.conditions.air_temperature_deg_c, params.body_temperature_deg_c
        if air is None:
            return
        subject, after = (
            f"/site/conditions/{scene.mount.side}/air_temperature_deg_c",
            self.working_range_m(params, scene),
        )
        if after < params.range_m:
            yield self.finding(
                "contrast_low",
                subjects=[subject],
                air_deg_c=air,
                body_deg_c=body,
                contrast_k=abs(body - air),
                before_m=params.range_m,
                after_m=after,
            )
        if air < COLD_DEG_C and body - air > COOLS_K:
            yield self.finding("cold_clothing", subjects=[subject], air_deg_c=air, body_deg_c=body)


def _middles(params: Any) -> Iterator[tuple[float, float]]:
    """In-row angle and tilt of each segment's middle. [deg]"""
    for t in _steps(params.rows, params.rows_spread_deg):
        for f in _steps(params.columns, params.columns_spread_deg):
            yield f - params.columns_spread_deg / 2.0 * (params.columns > 1), params.first_row_deg + t


def _steps(count: int, spread: float) -> list[float]:
    return [spread / max(count - 1, 1) * i for i in range(count)]


def _edges(middles: Any, params: Any) -> Any:
    """Four edges of each segment (4 k, n, 2) about its middle (k, 2): in-row angle and tilt. [deg]"""
    half = np.array([params.segment_width_deg, params.segment_height_deg]) / 2.0
    corners = (middles[:, None] + half * [[-1, -1], [1, -1], [1, 1], [-1, 1]])[:, :, None]
    share = np.linspace(0.0, 1.0, EDGE_RAYS)[:, None]
    edges = (1.0 - share) * corners + share * np.roll(corners, -1, axis=1)
    return edges.reshape(-1, EDGE_RAYS, 2)


def _directions(f: Any, t: Any) -> Any:
    return np.stack([np.sin(f), np.cos(f) * np.sin(t), -np.cos(f) * np.cos(t)], axis=-1)


def _longest_way_m(params: Any, scene: Scene) -> float:
    """Longest way on the floor between row edges for one who walks at the sensor, out to the range. [m]"""
    height, tilt = scene.above_floor_m, np.degrees(np.arctan2(scene.mount.matrix[2, 1], scene.mount.matrix[2, 2]))
    rows = [params.first_row_deg + t + float(tilt) for t in _steps(params.rows, params.rows_spread_deg)]
    half = params.segment_height_deg / 2.0
    edges = sorted(angle for row in rows for angle in (row - half, row + half))
    within = [a for a in edges if abs(a) < 89.0 and height > 0 and height / cos(radians(a)) <= params.range_m]
    places = [height * sin(radians(a)) / cos(radians(a)) for a in within]
    return max((b - a for a, b in pairwise(places)), default=0.0)


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [PassiveInfraredFamily()]

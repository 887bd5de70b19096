"""Active infrared: a grid of spots on the floor; presence by a change against the learnt background."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from math import atan, cos, degrees, radians, sqrt, tan
from typing import Annotated, Any

import msgspec
import numpy as np
from msgspec import Meta

from sillcast.family import (
    FILTER_FINDINGS,
    SURFACE_FINDINGS,
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
)

STANDING_S = 30.0  # a standing person is to be seen at least so long: ANSI/BHMA A156.10-2005 8.1.3, second-hand
_BARE = ("floor", "range")  # what ends a spot's ray where nothing stands in the way
DARK_FLOOR = 0.05  # below it floors are called dark: common practice, no source


class ActiveInfrared(SensorParams, frozen=True, kw_only=True, tag="active_infrared"):
    """Rows and columns of spots; the mount's tilt turns the whole grid."""

    rows: Annotated[int, Meta(ge=1, le=32, description="Rows of spots, one behind the other. [1]")] = 8
    columns: Annotated[int, Meta(ge=1, le=64, description="Spots in a row, along the door. [1]")] = 24
    first_row_deg: Annotated[
        float, Meta(ge=-30.0, le=80.0, description="Tilt of the first row from straight down, outwards. [deg]")
    ] = 2.0
    rows_spread_deg: Annotated[float, Meta(ge=0.0, le=90.0, description="From the first row to the last. [deg]")] = 24.0
    columns_spread_deg: Annotated[
        float, Meta(ge=0.0, le=150.0, description="From the first spot of a row to the last. [deg]")
    ] = 66.0
    spot_width_m: Annotated[float, Meta(ge=0.0, le=0.1, description="Width of a beam at the head. [m]")] = 0.01
    spot_divergence_deg: Annotated[float, Meta(ge=0.1, le=15.0, description="Full divergence of a beam. [deg]")] = 3.0
    least_share: Annotated[
        float, Meta(ge=0.05, le=1.0, description="Share of a spot that a body must fill to be seen. [1]")
    ] = 0.5
    least_hits: Annotated[int, Meta(ge=1, le=16, description="Spots that must change. [1]")] = 1
    range_m: Annotated[float, Meta(ge=0.3, le=20.0, description="Farthest surface that is seen. [m]")] = 5.0
    floor_margin_m: Annotated[
        float, Meta(ge=0.0, le=1.0, description="Bodies lower than this are not told from the floor. [m]")
    ] = 0.1
    wavelength_nm: Annotated[float, Meta(ge=700.0, le=1550.0, description="Wavelength of the light. [nm]")] = 850.0
    rated_reflectance: RatedReflectance = 0.18
    presence_s: Annotated[
        float, Meta(ge=1.0, le=36000.0, description="How long a standing body is seen before it is learnt. [s]")
    ] = 60.0
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="Arrival to signal, without filters. [s]")] = 0.08
    scan_s: Annotated[float, Meta(ge=0.005, le=1.0, description="From one scan of all spots to the next. [s]")] = 0.02
    noise_m: Annotated[
        float, Meta(ge=0.0, le=1.0, description="Standard deviation of a place, about a third of a spot. [m]")
    ] = 0.08
    fields: Fields = ()


class ActiveInfraredFamily(OpticalFamily):
    """Grid of spots with a learnt background.

    Direction of row i and column j in the sensor's frame: (sin f, cos f sin t, -cos f cos t) with t from the first row
    over the spread of the rows, f from minus to plus half of the columns' spread. A body counts when it fills at least
    `least_share` of a spot: the emission's beam is the disc in the spot's middle with that share of its area,
    diameter = sqrt(share) (d0 + 2 R tan(divergence / 2)).
    """

    params = ActiveInfrared
    senses = frozenset({"presence", "motion"})
    emits = frozenset({"infrared"})
    sensitive_to = frozenset({"infrared"})
    filters = frozenset({"above", "direction"})
    summary = (
        "Active infrared grid over the threshold: spots on the floor, presence by a change against the background."
    )
    typical = (
        Typical("response_s", 0.08, "s", "50 to 100 ms for presence, common practice, no source"),
        Typical("presence_s", 60.0, "s", "at least 30 s: ANSI/BHMA A156.10-2005 8.1.3, second-hand"),
        Typical("rated_reflectance", 0.18, "1", "grey card, common practice, no source"),
        Typical("least_share", 0.5, "1", "half of a spot dark against a bright floor, common practice, no source"),
    )
    findings = {
        **FILTER_FINDINGS,
        **SURFACE_FINDINGS,
        "background_far": FindingSpec(
            "warning",
            "{spots} of {of} spots meet the floor beyond {range_m:.2f} m, from where it gives no echo: no background "
            "is learnt there, and dark bodies go unseen.",
            "Mount lower, tilt the grid less, or use a longer range.",
            "range ~ square root of reflectance, Lambert's law",
        ),
        "dark_floor": FindingSpec(
            "info",
            "The floor reflects {floor_percent:.1f} %: a dark body on it changes the echo little.",
            "Raise the sensitivity, walk-test in dark clothing, or take a sensor that measures distance.",
            "common practice, no source",
        ),
        "wet_floor": FindingSpec(
            "warning",
            "The floor is wet or polished: it mirrors the spots away, and puddles change the background.",
            "Tilt the grid off the mirror angle, let it learn the floor anew when wet, and walk-test on the wet floor.",
            "common practice, no source",
        ),
        "presence_short": FindingSpec(
            "warning",
            "A standing body is learnt as background after {presence_s:.0f} s; at least {least_s:.0f} s are usual for "
            "protection.",
            "Set a presence time of {least_s:.0f} s or more.",
            "ANSI/BHMA A156.10-2005 8.1.3, second-hand",
        ),
        "spots_apart": FindingSpec(
            "warning",
            "On the floor spots are up to {apart_m:.2f} m apart from one {way} to the next; a body {side_m:.2f} m wide "
            "can stand between them.",
            "Use more spots, a smaller spread, or mount lower.",
            "geometry: difference of H tan(angle)",
        ),
    }
    example = {"family": "active_infrared", "rows": 8, "columns": 24, "range_m": 5.0}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """One ray per spot, a group per row."""
        half = params.columns_spread_deg / 2.0
        share = sqrt(params.least_share)
        return (
            Rays.scan_planes(
                at=scene.mount,
                plane_tilts_deg=_row_tilts_deg(params),
                start_deg=-half if params.columns > 1 else 0.0,
                end_deg=half if params.columns > 1 else 0.0,
                step_deg=max(params.columns_spread_deg, 1e-9) / max(params.columns - 1, 1),
                range_m=self.working_range_m(params, scene),
                least_hits=params.least_hits,
                floor_margin_m=params.floor_margin_m,
                beam_width_m=share * params.spot_width_m,
                divergence_deg=2.0 * degrees(atan(share * tan(radians(params.spot_divergence_deg) / 2.0))),
            ),
        )

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Tilt of the head, place and spread of the rows; not the floor margin, which keeps false signals away."""
        device = f"{scene.pointer}/device"
        yield Tunable(f"{scene.pointer}/mount/tilt_deg", "deg", -15.0, 45.0, 1.0, "tilt of the head")
        yield Tunable(f"{device}/first_row_deg", "deg", -5.0, 40.0, 1.0, "tilt of the first row")
        yield Tunable(f"{device}/rows_spread_deg", "deg", 0.0, 40.0, 1.0, "spread of the rows")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Background, floor, presence time, spacing, weather, filters."""
        yield from self.filter_findings(params, scene)
        yield from self.weather_findings(params, scene, view.far_corner_m(scene))
        yield from self._floor(params, scene, view)
        if "protection" in scene.purposes and params.presence_s < STANDING_S:
            yield self.finding(
                "presence_short",
                subjects=[f"{scene.pointer}/device/presence_s"],
                presence_s=params.presence_s,
                least_s=STANDING_S,
            )
        yield from self._spacing(params, scene, view)

    def _floor(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        here, subject = scene.conditions, f"/site/conditions/{scene.mount.side}"
        reach = self.working_range_m(params, _on_floor(scene))
        to_floor = self._floor_lengths_m(params, scene) if "range" in view.stops else view.lengths_m
        ends = zip(view.stops, view.lengths_m, to_floor, strict=False)
        far = sum((length if stop == "floor" else way) > reach for stop, length, way in ends if stop in _BARE)
        if far:
            yield self.finding(
                "background_far",
                subjects=[f"{scene.pointer}/device/range_m"],
                spots=far,
                of=len(view.stops),
                range_m=reach,
            )
        if here.floor_reflectance is not None and here.floor_reflectance < DARK_FLOOR:
            yield self.finding(
                "dark_floor", subjects=[f"{subject}/floor_reflectance"], floor_percent=100.0 * here.floor_reflectance
            )
        if here.floor_wet:
            yield self.finding("wet_floor", subjects=[f"{subject}/floor_wet"])

    def _floor_lengths_m(self, params: Any, scene: Scene) -> list[float]:
        """How far it is along each spot's ray to the floor below the head, without end where it never meets it. [m]"""
        (rays,) = self.emit(params, scene)
        assert isinstance(rays, Rays)
        down = np.maximum(-rays.directions[:, 2], 0.0)
        with np.errstate(divide="ignore"):
            lengths: list[float] = (max(scene.above_floor_m, 1e-9) / down).tolist()
        return lengths

    def _spacing(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        side = min(view.body.width_m, view.body.depth_m)
        for way, apart in _spacings_m(params, scene):
            if apart > side:
                yield self.finding(
                    "spots_apart",
                    subjects=[f"{scene.pointer}/device/{way}s_spread_deg"],
                    way=way,
                    apart_m=apart,
                    side_m=side,
                )


def _on_floor(scene: Scene) -> Scene:
    """The scene with the floor in the place of the body: what the range is on the bare floor."""
    both, side = scene.site.conditions, scene.mount.side
    here = msgspec.structs.replace(scene.conditions, body_reflectance=scene.conditions.floor_reflectance)
    site = msgspec.structs.replace(scene.site, conditions=msgspec.structs.replace(both, **{side: here}))
    return replace(scene, site=site)


def _row_tilts_deg(params: Any) -> list[float]:
    pitch = params.rows_spread_deg / max(params.rows - 1, 1)
    return [params.first_row_deg + pitch * row for row in range(params.rows)]


def _spacings_m(params: Any, scene: Scene) -> Iterator[tuple[str, float]]:
    """Greatest distance on the floor between neighbours down a column and along the nearest row, head level. [m]"""
    height = max(scene.above_floor_m, 0.0)
    tilts = [radians(t) for t in _row_tilts_deg(params) if abs(t) < 85.0]
    if len(tilts) > 1:
        yield "row", height * max(abs(tan(b) - tan(a)) for a, b in pairwise(tilts))
    if params.columns > 1 and tilts:
        outer = radians(min(params.columns_spread_deg / 2.0, 85.0))
        step = radians(params.columns_spread_deg) / (params.columns - 1)
        yield "column", height / cos(max(tilts, key=abs)) * (tan(outer) - tan(outer - step))


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [ActiveInfraredFamily()]

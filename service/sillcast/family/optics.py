"""What weather, light, dirt and surfaces do to families that work with light."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import radians, tan
from types import MappingProxyType
from typing import Annotated, Any, ClassVar

from msgspec import Meta

from sillcast import physics
from sillcast.contract import DerivationInput, Finding
from sillcast.family.base import Family, FindingSpec, RangeEffect, Scene, given

__all__ = [
    "ECHO_FINDINGS",
    "OPTICAL_FINDINGS",
    "SURFACE_FINDINGS",
    "BeamFamily",
    "MirrorM",
    "OpticalFamily",
    "RatedReflectance",
]

MirrorM = Annotated[float, Meta(ge=0.0, le=10.0, description="Nearest shiny surface beside the beams. [m]")] | None
RatedReflectance = Annotated[
    float, Meta(ge=0.005, le=1.0, description="Reflectance for which the range is stated. [1]")
]
UPRIGHT_M = 0.70  # height of the reference body, EN 16005:2012 Annex C, second-hand
DARK_CLOTH = 0.018  # reflectance of the darkest cloth of IEC 61496-3, from memory


class OpticalFamily(Family):
    """Family whose range falls with surface, dirt, fog, rain and snow; its parameters have range and wavelength.

    The parameters need `range_m` and `wavelength_nm`, and `rated_reflectance` where light comes back from a surface.

    Attributes
    ----------
    ways : int
        2 if the light goes to a surface and back, 1 for a beam to a receiver.
    """

    ways: ClassVar[int] = 2

    def range_effects(self, params: Any, scene: Scene) -> tuple[RangeEffect, ...]:
        """Effects of surface, window, fog, rain and snow; the range never exceeds the one of the sheet."""
        return tuple(_optical_effects(params, scene, self.ways_of(params)))

    def ways_of(self, params: Any) -> int:
        """How often the light goes the way, for families in which that is a setting."""
        return self.ways

    def weather_findings(self, params: Any, scene: Scene, farthest_m: float | None) -> Iterator[Finding]:
        """Remarks of `OPTICAL_FINDINGS` and `SURFACE_FINDINGS`; `farthest_m` is what the wanted area needs."""
        here, subject = scene.conditions, f"/site/conditions/{scene.mount.side}"
        after = self.working_range_m(params, scene)
        if farthest_m is not None and after < farthest_m <= params.range_m:
            yield self.finding(
                "range_in_weather",
                subjects=[subject, f"{scene.pointer}/device/range_m"],
                before_m=params.range_m,
                after_m=after,
                needed_m=farthest_m,
            )
        thick = here.visibility_m is not None and here.visibility_m < BACKSCATTER_VISIBILITY_M
        if thick or here.snow_mm_per_h:
            yield self.finding("backscatter", subjects=[subject])
        if here.lamp_on_field or (here.sun_w_per_m2 or 0.0) > BRIGHT_W_PER_M2:
            yield self.finding("bright_light", subjects=[subject])
        if here.body_reflectance is None and farthest_m is not None and hasattr(params, "rated_reflectance"):
            yield from self._dark_cloth(params, scene, farthest_m)
        if here.wall_vibration_deg:
            yield from self._vibration(params, scene, farthest_m or after)

    def _dark_cloth(self, params: Any, scene: Scene, farthest_m: float) -> Iterator[Finding]:
        dark = physics.range_under_loss(
            params.range_m, power_exponent=2.0, power_ratio=DARK_CLOTH / params.rated_reflectance
        )
        subjects = [f"/site/conditions/{scene.mount.side}/body_reflectance"]
        told = {
            "rated_percent": 100.0 * params.rated_reflectance,
            "dark_percent": 100.0 * DARK_CLOTH,
            "dark_m": dark,
        }
        above = scene.above_floor_m
        is_out_of_reach = "protection" in scene.purposes and dark < above - UPRIGHT_M
        if is_out_of_reach and "dark_cloth_unseen" in self.findings:
            least = (above - UPRIGHT_M) * params.range_m / dark
            yield self.finding(
                "dark_cloth_unseen", subjects=subjects, **told, above_m=above, body_m=UPRIGHT_M, least_m=least
            )
        elif dark < farthest_m <= params.range_m:
            yield self.finding("dark_cloth", subjects=subjects, **told, needed_m=farthest_m)

    def _vibration(self, params: Any, scene: Scene, reach_m: float) -> Iterator[Finding]:
        swing = scene.conditions.wall_vibration_deg or 0.0
        moved, margin = reach_m * tan(radians(swing)), float(getattr(params, "floor_margin_m", 0.0))
        if moved > margin:
            yield self.finding(
                "vibration",
                subjects=[f"/site/conditions/{scene.mount.side}/wall_vibration_deg"],
                swing_deg=swing,
                moved_m=moved,
                reach_m=reach_m,
                margin_m=margin,
            )


class BeamFamily(OpticalFamily):
    """Light beams to a receiver or reflector across the opening, each of which counts when a body blocks it.

    The parameters need `mirror_m` besides, and the family declares the findings `out_of_range` and `mirror_near`.
    """

    senses = frozenset({"presence"})
    emits = frozenset({"infrared"})
    sensitive_to = frozenset({"infrared"})
    needs_counterpart = True
    sits = "opening"

    def is_linked(self, params: Any, scene: Scene) -> bool:
        """Whether there is a counterpart within the range in the declared conditions."""
        return scene.counterpart is not None and scene.beam_m <= self.working_range_m(params, scene)

    def link_findings(self, params: Any, scene: Scene) -> Iterator[Finding]:
        """Remarks on weather, and `out_of_range` where the counterpart is beyond the range of the sheet."""
        distance = scene.beam_m
        yield from self.weather_findings(params, scene, distance)
        if distance > params.range_m:
            subjects = [f"{scene.pointer}/counterpart"]
            yield self.finding("out_of_range", subjects=subjects, distance_m=distance, range_m=params.range_m)

    def mirror_findings(self, params: Any, scene: Scene, half_aperture_deg: float) -> Iterator[Finding]:
        """Remark `mirror_near` on a shiny surface too near for the aperture, which is given by its half angle. [deg]"""
        needed = physics.mirror_offset_m(distance_m=scene.beam_m, half_angle_deg=half_aperture_deg)
        if params.mirror_m is not None and params.mirror_m < needed:
            yield self.finding(
                "mirror_near",
                subjects=[f"{scene.pointer}/device/mirror_m"],
                mirror_m=params.mirror_m,
                distance_m=scene.beam_m,
                needed_m=needed,
            )


BACKSCATTER_VISIBILITY_M = 200.0  # dense fog, below which heads are blinded: common practice, no source
WET_ABOVE_DEG_C = -1.0  # warmer air makes wet snow: common practice, no source
BRIGHT_W_PER_M2 = 300.0  # sunlight rather than an overcast sky: common practice, no source

OPTICAL_FINDINGS: Mapping[str, FindingSpec] = MappingProxyType(
    {
        "range_in_weather": FindingSpec(
            "warning",
            "In the declared conditions the range is {after_m:.2f} m instead of {before_m:.2f} m; the wanted area "
            "needs {needed_m:.2f} m.",
            "Use a longer range, mount nearer, keep the window clean, or add a sensor of another principle.",
        ),
        "backscatter": FindingSpec(
            "warning",
            "Fog or snow close to the sensor throws its light back: it can be blinded, or report a body that is not "
            "there; how much, no formula tells.",
            "Shield it from drift and spray, ask for more than one hit where that can be set, try it in this weather, "
            "and have another principle beside it.",
            "common practice, no source",
        ),
        "bright_light": FindingSpec(
            "info",
            "Sun or a lamp on the field or in the window adds noise and can blind the sensor; how much, its data "
            "sheet must tell.",
            "Turn the window away from the light or shade it, and walk-test at that hour.",
            "common practice, no source",
        ),
        "vibration": FindingSpec(
            "warning",
            "The mount swings by {swing_deg:.2f} deg: at {reach_m:.2f} m hits move by {moved_m:.3f} m, more than its "
            "margin of {margin_m:.3f} m: the floor can be taken for a body, or a beam can miss its counterpart.",
            "Mount it on something firm, or raise the margin above this.",
            "geometry",
        ),
    }
)

# For families in which light comes back from the body itself.
SURFACE_FINDINGS: Mapping[str, FindingSpec] = MappingProxyType(
    {
        **OPTICAL_FINDINGS,
        "dark_cloth": FindingSpec(
            "info",
            "The range holds for {rated_percent:.0f} % reflectance; on cloth of {dark_percent:.1f} % it is "
            "{dark_m:.2f} m and the wanted area needs {needed_m:.2f} m.",
            "Declare `body_reflectance` to see the effect, and walk-test in dark clothing.",
            "range ~ square root of reflectance, Lambert's law; darkest cloth of IEC 61496-3, from memory",
        ),
    }
)

# For those that find a body by its own echo alone; others miss the floor's behind a dark one.
ECHO_FINDINGS: Mapping[str, FindingSpec] = MappingProxyType(
    {
        **SURFACE_FINDINGS,
        "dark_cloth_unseen": FindingSpec(
            "warning",
            "The head is {above_m:.2f} m up, and on cloth of {dark_percent:.1f} % its range is {dark_m:.2f} m (it is "
            "stated for {rated_percent:.0f} %): in such clothing a body {body_m:.2f} m high is not seen anywhere, even "
            "where a zone for protection is met.",
            "Mount it lower, take one with a range of {least_m:.2f} m or more for {rated_percent:.0f} %, or have a "
            "sensor of another principle protect these places; walk-test in dark clothing.",
            "range ~ square root of reflectance, Lambert's law; darkest cloth of IEC 61496-3, from memory",
        ),
    }
)


@dataclass(frozen=True)
class _Loss:
    """One reason for less light: share of power kept, extinction per metre, and why."""

    name: str
    formula: str
    inputs: tuple[DerivationInput, ...]
    source: str
    status: str
    kept: float = 1.0
    per_m: float = 0.0
    note: str = ""


def _optical_effects(params: Any, scene: Scene, ways: int) -> Iterator[RangeEffect]:
    """Effects in the order surface, window, fog, rain, snow, each together with those before it."""
    base = before = float(params.range_m)
    kept, per_m = 1.0, 0.0
    for loss in _losses(params, scene, ways):
        kept, per_m = kept * loss.kept, per_m + loss.per_m
        reached = physics.range_under_loss(base, power_exponent=2.0, power_ratio=kept, loss_per_m=ways * per_m)
        after = min(before, reached)
        yield RangeEffect(loss.name, before, after, loss.formula, loss.inputs, loss.source, loss.status, loss.note)
        before = after


def _losses(params: Any, scene: Scene, ways: int) -> Iterator[_Loss]:
    here = scene.conditions
    law = f"R^2 exp({ways} sigma R) = q R0^2, "
    if here.body_reflectance is not None and hasattr(params, "rated_reflectance"):
        yield _surface(params, scene, here.body_reflectance)
    if here.window_dirt:
        yield _Loss(
            "window",
            law + "q = (1 - dirt)^2",
            (given(scene, "window_dirt", "1"),),
            "Two windows, or one passed twice",
            "own_derivation",
            kept=(1.0 - here.window_dirt) ** 2,
        )
    if here.visibility_m is not None:
        yield _fog(params, scene, here.visibility_m, law)
    if here.rain_mm_per_h:
        yield _Loss(
            "rain",
            law + "sigma from k R^alpha dB/km",
            (given(scene, "rain_mm_per_h", "mm/h"),),
            "ITU-R P.1814-1, shape 0",
            "verified",
            per_m=physics.per_m(physics.optical_rain_db_per_km(here.rain_mm_per_h)),
            note="Attenuation alone; drops near the head throw light back.",
        )
    if here.snow_mm_per_h:
        yield _snow(params, scene, here.snow_mm_per_h, law)


def _surface(params: Any, scene: Scene, reflectance: float) -> _Loss:
    rated = DerivationInput(
        name="rated_reflectance",
        value=params.rated_reflectance,
        unit="1",
        origin=f"{scene.pointer}/device/rated_reflectance",
    )
    return _Loss(
        "surface",
        "R = R0 sqrt(rho / rho0), at most R0",
        (rated, given(scene, "body_reflectance", "1")),
        "Lambert's law for a diffuse surface wider than the spot",
        "from_memory",
        kept=reflectance / params.rated_reflectance,
    )


def _fog(params: Any, scene: Scene, visibility_m: float, law: str) -> _Loss:
    contrast = scene.conditions.visibility_contrast
    return _Loss(
        "fog",
        law + "sigma = (-ln 0.02 / V2) (wavelength / 550 nm)^-q, V2 = V ln 0.02 / ln contrast",
        (given(scene, "visibility_m", "m"), given(scene, "visibility_contrast", "1")),
        "Koschmieder's law; exponent q by Kim as in ITU-R P.1814-1",
        "verified",
        per_m=physics.fog_extinction_per_m(visibility_m, contrast=contrast, wavelength_nm=params.wavelength_nm),
        note="Attenuation alone; extrapolated below 50 m. A visibility measured in rain or snow holds them already.",
    )


def _snow(params: Any, scene: Scene, snow_mm_per_h: float, law: str) -> _Loss:
    """Snow counts as wet above -1 deg C, as the worse kind where the temperature is not declared."""
    air = scene.conditions.air_temperature_deg_c
    kinds = (True, False) if air is None else (air > WET_ABOVE_DEG_C,)
    worst = max(
        physics.optical_snow_db_per_km(snow_mm_per_h, wavelength_nm=params.wavelength_nm, wet=wet) for wet in kinds
    )
    return _Loss(
        "snow",
        law + "sigma from a S^b dB/km; wet above -1 deg C, the worse kind without a temperature",
        (given(scene, "snow_mm_per_h", "mm/h"),),
        "ITU-R P.1814-0",
        "from_memory",
        per_m=physics.per_m(worst),
        note="Attenuation alone; flakes near the head throw light back.",
    )

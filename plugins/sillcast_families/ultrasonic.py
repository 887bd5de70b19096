"""Ultrasonic distance sensor: a lobe in which an echo must come back before that of the floor."""

from collections.abc import Iterator
from math import hypot, radians, tan
from typing import Annotated, Any

from msgspec import Meta

from sillcast.family import (
    ON_FLOOR_M,
    Emission,
    Family,
    FindingSpec,
    Lobe,
    RangeEffect,
    Scene,
    SensorParams,
    SensorView,
    Tunable,
    Typical,
    given,
    hookimpl,
    physics,
)

RATED_DEG_C, RATED_HUMIDITY = 20.0, 50.0  # air in which ranges are stated, common practice, no source
HUMIDITIES = tuple(5.0 * i for i in range(21))  # tried where the humidity is not declared


class Ultrasonic(SensorParams, frozen=True, kw_only=True, tag="ultrasonic"):
    """Lobe along the mount's own straight-down axis, its width along the mount's own x."""

    frequency_khz: Annotated[float, Meta(ge=18.0, le=500.0, description="Frequency. [kHz]")] = 40.0
    width_deg: Annotated[float, Meta(ge=5.0, le=120.0, description="Half-power width along the own x. [deg]")] = 50.0
    depth_deg: Annotated[float, Meta(ge=5.0, le=120.0, description="Half-power width along the own y. [deg]")] = 50.0
    range_m: Annotated[
        float, Meta(ge=0.2, le=20.0, description="On the axis, for the reference echo, 20 deg C, 50 %. [m]")
    ] = 5.0
    reference_echo_m2: Annotated[
        float, Meta(ge=0.0001, le=100.0, description="Sonar cross section for which the range is stated. [m2]")
    ] = 0.02
    body_share: Annotated[
        float, Meta(ge=0.01, le=1.0, description="Share of the sound that a clothed body gives back. [1]")
    ] = 0.3
    dead_zone_m: Annotated[float, Meta(ge=0.0, le=2.0, description="Echoes from nearer than this are lost. [m]")] = 0.3
    floor_margin_m: Annotated[
        float, Meta(ge=0.02, le=2.0, description="An echo counts this much before the floor's own. [m]")
    ] = 0.15
    temperature_compensated: Annotated[
        bool, Meta(description="True if the speed of sound follows the air temperature.")
    ] = True
    takes_turns: Annotated[bool, Meta(description="True if it sends in turn with its neighbours.")] = False
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="From arrival to the signal. [s]")] = 0.1


class UltrasonicFamily(Family):
    """Presence by echo time.

    R^4 exp(2 a R) = R0^4 exp(2 a0 R0) s / s0 with the absorption a of ISO 9613-1 at the sensor's frequency. An echo
    counts between the dead zone and the floor's echo less a margin, where the lobe holds the plumb line: there the
    floor mirrors. Without temperature compensation a distance set at 20 deg C is c(T) / c(20) times as long.
    """

    params = Ultrasonic
    senses = frozenset({"presence"})
    never_alone = frozenset({"protection"})  # soft clothing can swallow the echo, common practice, no source
    emits = frozenset({"ultrasound"})
    sensitive_to = frozenset({"ultrasound", "motion"})
    summary = "Ultrasonic distance sensor: presence by an echo that comes back before the floor's."
    typical = (
        Typical("frequency_khz", 40.0, "kHz", "piezo transducer in air, common practice, no source"),
        Typical("reference_echo_m2", 0.02, "m2", "ball of 160 mm, pi a^2, textbook physics, from memory"),
        Typical("body_share", 0.3, "1", "soft clothing, common practice, no source"),
        Typical("dead_zone_m", 0.3, "m", "ringing of the transducer, common practice, no source"),
        Typical("response_s", 0.1, "s", "0.05 to 0.2 s, common practice, no source"),
    )
    findings = {
        "dead_zone": FindingSpec(
            "warning",
            "Bodies higher than {height_m:.2f} m reach into the dead zone of {dead_zone_m:.2f} m below the head and "
            "can go unseen.",
            "Mount higher than {needed_m:.2f} m, or use a sensor with a shorter dead zone.",
            "geometry",
        ),
        "floor_echo": FindingSpec(
            "critical",
            "Set at 20 deg C to echoes from up to {set_at_20_m:.2f} m, the sensor takes them from up to {set_m:.2f} m "
            "at {air_temperature_deg_c:.0f} deg C: the floor, {floor_m:.2f} m away, counts as a body.",
            "Use temperature compensation, or a floor margin of at least {needed_m:.2f} m.",
            "speed of sound 343.2 sqrt(T / 293.15), ISO 9613-1, verified",
        ),
        "low_unseen": FindingSpec(
            "info",
            "Below the head a body lower than {height_m:.2f} m is not told from the floor.",
            "Use a smaller floor margin where low bodies matter, or another family for them.",
            "geometry",
        ),
        "range_short": FindingSpec(
            "warning",
            "The far corner of the wanted area is {distance_m:.2f} m away, the lobe reaches {range_m:.2f} m for the "
            "reference echo.",
            "Mount nearer, add a second head, or use a sensor with a longer range.",
            "sonar equation",
        ),
        "faster_than_sound": FindingSpec(
            "warning",
            "A response of {response_s:.4f} s is shorter than the echo's way of {echo_s:.4f} s over {range_m:.2f} m.",
            "Check the response time on the data sheet.",
            "2 R / c",
        ),
        "air_moves": FindingSpec(
            "info",
            "Snow and rain in the lobe, and the draught of a cold room, scatter and bend sound; how much, no formula "
            "tells.",
            "Walk-test with the door open in this weather; have another principle beside it.",
            "common practice, no source",
        ),
    }
    example = {"family": "ultrasonic", "frequency_khz": 40.0, "range_m": 4.0}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """One lobe with presence, gated before the floor's echo."""
        gate = _gate_m(params, scene)
        if gate is not None and gate <= params.dead_zone_m:
            return ()
        return (
            Lobe.looking(
                scene.mount,
                range_m=self.working_range_m(params, scene),
                width_deg=params.width_deg,
                depth_deg=params.depth_deg,
                edge_width_deg=min(2.0 * params.width_deg, 160.0),
                edge_depth_deg=min(2.0 * params.depth_deg, 160.0),
                echo_m2=params.reference_echo_m2 / params.body_share,
                echo_rule="outline",
                absorption_db_per_m=_absorption(params, scene),
                nearest_m=params.dead_zone_m,
                farthest_m=float("inf") if gate is None else gate,
                presence=True,
            ),
        )

    def range_effects(self, params: Any, scene: Scene) -> tuple[RangeEffect, ...]:
        """Absorption of the declared air against that of the rated air; the range never exceeds the stated one."""
        here = scene.conditions
        if here.air_temperature_deg_c is None and here.humidity_percent is None:
            return ()
        after = physics.range_under_loss(
            params.range_m,
            power_exponent=4.0,
            loss_per_m=2.0 * physics.per_m(1000.0 * _absorption(params, scene)),
            rated_loss_per_m=2.0 * physics.per_m(1000.0 * _rated_absorption(params)),
        )
        units = {"air_temperature_deg_c": "deg C", "humidity_percent": "%"}
        inputs = tuple(given(scene, name, unit) for name, unit in units.items() if getattr(here, name) is not None)
        return (
            RangeEffect(
                "air",
                params.range_m,
                min(after, params.range_m),
                "R^4 exp(2 a R) = R0^4 exp(2 a0 R0), a of ISO 9613-1",
                inputs,
                "ISO 9613-1:1993",
                "verified",
                "Its table ends at 10 kHz; the formula may be used for scale models, good to about 10 %. Where the "
                "humidity is not declared the worst is taken.",
            ),
        )

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Aim; not the floor margin, which keeps false signals away."""
        yield Tunable(f"{scene.pointer}/mount/tilt_deg", "deg", -10.0, 45.0, 1.0, "tilt of the lobe")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Dead zone, floor echo, range, response, moving air."""
        device, height = f"{scene.pointer}/device", scene.above_floor_m
        if height - params.dead_zone_m < view.body.height_m:
            yield self.finding(
                "dead_zone",
                subjects=[f"{device}/dead_zone_m", f"{scene.pointer}/mount/position/z_m"],
                height_m=max(height - params.dead_zone_m, 0.0),
                dead_zone_m=params.dead_zone_m,
                needed_m=params.dead_zone_m + view.body.height_m,
            )
        yield from self._floor(params, scene)
        far, reach = view.far_corner_m(scene), self.working_range_m(params, scene)
        if far is not None and far > reach:
            yield self.finding("range_short", subjects=[f"{device}/range_m"], distance_m=far, range_m=reach)
        echo = physics.echo_time_s(reach, air_temperature_deg_c=_air_deg_c(scene))
        if params.response_s < echo:
            yield self.finding(
                "faster_than_sound",
                subjects=[f"{device}/response_s"],
                response_s=params.response_s,
                echo_s=echo,
                range_m=reach,
            )
        here = scene.conditions
        if here.rain_mm_per_h or here.snow_mm_per_h or _air_deg_c(scene) < 0.0:
            yield self.finding("air_moves", subjects=[f"/site/conditions/{scene.mount.side}"])

    def _floor(self, params: Any, scene: Scene) -> Iterator[Any]:
        gate, floor = _gate_m(params, scene), scene.above_floor_m
        if gate is None or floor <= ON_FLOOR_M:
            return
        subjects = [f"{scene.pointer}/device/floor_margin_m"]
        if gate >= floor:
            stretch = gate / max(floor - params.floor_margin_m, 1e-9)
            yield self.finding(
                "floor_echo",
                subjects=[*subjects, f"{scene.pointer}/device/temperature_compensated"],
                air_temperature_deg_c=_air_deg_c(scene),
                set_m=gate,
                set_at_20_m=floor - params.floor_margin_m,
                floor_m=floor,
                needed_m=floor * (1.0 - 1.0 / stretch),
            )
        else:
            yield self.finding("low_unseen", subjects=subjects, height_m=floor - gate)


def _air_deg_c(scene: Scene) -> float:
    """Air temperature, the rated one if none is declared. [deg C]"""
    declared = scene.conditions.air_temperature_deg_c
    return RATED_DEG_C if declared is None else float(declared)


def _rated_absorption(params: Any) -> float:
    return physics.sound_absorption_db_per_m(
        1e3 * params.frequency_khz, air_temperature_deg_c=RATED_DEG_C, humidity_percent=RATED_HUMIDITY
    )


def _absorption(params: Any, scene: Scene) -> float:
    """Absorption one way; the worst humidity where a temperature but no humidity is declared. [dB/m]"""
    here = scene.conditions
    if here.air_temperature_deg_c is None and here.humidity_percent is None:
        return _rated_absorption(params)
    humidities = HUMIDITIES if here.humidity_percent is None else (here.humidity_percent,)
    return max(
        physics.sound_absorption_db_per_m(
            1e3 * params.frequency_khz, air_temperature_deg_c=_air_deg_c(scene), humidity_percent=humidity
        )
        for humidity in humidities
    )


def _gate_m(params: Any, scene: Scene) -> float | None:
    """Distance before the floor's echo that still counts, or None where the lobe does not hold the plumb line. [m]"""
    down = [-float(scene.mount.matrix[2, i]) for i in range(3)]  # straight down in the sensor's own axes
    axis = max(-down[2], 1e-9)
    edges = [tan(radians(min(angle, 80.0))) for angle in (params.width_deg, params.depth_deg)]
    if hypot(down[0] / edges[0], down[1] / edges[1]) > axis:
        return None
    gate = float(max(scene.above_floor_m - params.floor_margin_m, 0.0))
    if params.temperature_compensated:
        return gate
    speed = physics.speed_of_sound_m_per_s(_air_deg_c(scene)) / physics.speed_of_sound_m_per_s(RATED_DEG_C)
    return float(gate * speed)


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [UltrasonicFamily()]

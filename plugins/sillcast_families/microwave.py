"""Microwave motion sensor: a lobe in which a body must move along the line of sight."""

from collections.abc import Iterator
from math import hypot, sqrt
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from sillcast.family import (
    SLOW_M_PER_S,
    DerivationInput,
    Emission,
    Family,
    Filters,
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

COURSE_HALF_WAVES = 4  # of way until a course is told, common practice, no source
# 47 CFR 15.245 for field-disturbance sensors, verified: bands, and 2.5 V/m at 3 m.
BANDS_GHZ = ((10.5, 10.55), (24.075, 24.175))
LIMIT_DBM = physics.dbm(physics.eirp_w(field_v_per_m=2.5, distance_m=3.0))


class Microwave(SensorParams, frozen=True, kw_only=True, tag="microwave"):
    """Lobe along the mount's own straight-down axis, its width along the mount's own x."""

    frequency_ghz: Annotated[float, Meta(ge=1.0, le=130.0, description="Middle of the band. [GHz]")] = 24.125
    frequency_tolerance_mhz: Annotated[
        float, Meta(ge=0.0, le=500.0, description="How far one sample may lie off it. [MHz]")
    ] = 25.0
    width_deg: Annotated[float, Meta(ge=8.0, le=120.0, description="Half-power width along the own x. [deg]")] = 70.0
    depth_deg: Annotated[float, Meta(ge=8.0, le=120.0, description="Half-power width along the own y. [deg]")] = 36.0
    spin_deg: Annotated[float, Meta(ge=-180.0, le=180.0, description="Turn about the lobe's axis. [deg]")] = 0.0
    range_m: Annotated[
        float, Meta(ge=0.3, le=60.0, description="On the axis, for the reference echo, full sensitivity. [m]")
    ] = 6.0
    reference_echo_m2: Annotated[
        float, Meta(ge=0.001, le=100.0, description="Radar cross section for which the range is stated. [m2]")
    ] = 0.5
    sensitivity_db: Annotated[
        float, Meta(ge=-40.0, le=0.0, description="Setting below full sensitivity; -12 dB halves the range. [dB]")
    ] = 0.0
    least_speed_m_per_s: Annotated[
        float, Meta(ge=0.01, le=3.0, description="Least speed along the line of sight. [m/s]")
    ] = 0.1
    filters: Annotated[
        Filters,
        Meta(description="Direction and speed along the line of sight; `across`, size and height cannot be told."),
    ] = Filters()
    eirp_dbm: Annotated[float, Meta(ge=-30.0, le=50.0, description="Radiated power with antenna gain. [dBm]")] = 12.7
    takes_turns: Annotated[bool, Meta(description="True if it sends in time slots agreed with its neighbours.")] = False
    response_s: Annotated[float, Meta(ge=0.0, le=2.0, description="Motion to signal, direction not asked. [s]")] = 0.15


class MicrowaveFamily(Family):
    """Doppler motion sensor.

    Echo P ~ g^2 s / R^4, so R = R0 10^(dB/40) (s / s0)^(1/4) on the axis; one-way gain cos^n with half of it at half
    of the stated widths. A body is detected where its echo is strong enough and its speed along the line of sight,
    v . u with u the unit vector to it, reaches the least speed: Doppler shift 2 (v . u) f / c. A body that stands, or
    crosses square to the line of sight, is not detected: motion alone, never presence.
    """

    params = Microwave
    senses = frozenset({"motion"})
    purposes = frozenset({"activation"})
    emits = frozenset({"microwave"})
    sensitive_to = frozenset({"microwave", "motion"})
    filters = frozenset({"direction", "speed"})
    summary = "Microwave motion sensor (Doppler): opens for what moves towards or away from it; blind to what stands."
    typical = (
        Typical("frequency_ghz", 24.125, "GHz", "middle of 24.075 to 24.175 GHz, 47 CFR 15.245, verified"),
        Typical("reference_echo_m2", 0.5, "m2", "adult, 0.495 to 1.22 m2 at 9.375 GHz, Schultz 1958, verified"),
        Typical("least_speed_m_per_s", 0.1, "m/s", "below the slowest walker of 0.152 m/s, common practice, no source"),
        Typical("response_s", 0.15, "s", "0.1 to 0.2 s for Doppler motion, common practice, no source"),
        Typical("width_deg", 70.0, "deg", "small planar antenna, common practice, no source"),
    )
    findings = {
        "slow_below": FindingSpec(
            "info",
            "A walker at {speed_m_per_s:.2f} m/s who comes straight at it is lost within {near_m:.2f} m of the point "
            "below the sensor: there the speed along the line of sight is under {least_m_per_s:.2f} m/s, a Doppler "
            "shift of {shift_hz:.1f} Hz.",
            "Set a lower least speed, mount lower, or rely on a presence sensor at the threshold.",
            "v_r = v d / sqrt(d^2 + h^2); 2 v f / c; walker of ANSI/BHMA A156.10-2005 8.1.2, second-hand",
        ),
        "never_slow": FindingSpec(
            "warning",
            "The least speed of {least_m_per_s:.2f} m/s is above the slowest walker of {speed_m_per_s:.3f} m/s.",
            "Set a least speed below {speed_m_per_s:.3f} m/s.",
            "ANSI/BHMA A156.10-2005 8.1.2, second-hand",
        ),
        "traveller_lost": FindingSpec(
            "warning",
            "{traveller} at {speed_m_per_s:.2f} m/s is lost {where}: there its speed along the line of sight stays "
            "under {least_m_per_s:.2f} m/s. The wanted area ends {wanted_m:.2f} m out from the sensor.",
            "Set a least speed of {needed_m_per_s:.2f} m/s or less to see it over the outer half of that way.",
            "v_r = v d / sqrt(d^2 + h^2)",
        ),
        "range_short": FindingSpec(
            "warning",
            "The far corner of the wanted area is {distance_m:.2f} m away; on its axis the lobe reaches {range_m:.2f} "
            "m for an echo of {echo_m2:.2f} m2.",
            "Raise the sensitivity, tilt the lobe further out, mount nearer, or use a sensor with a longer range.",
            "radar equation, R ~ (echo)^(1/4)",
        ),
        "rain": FindingSpec(
            "warning",
            "Rain of {rain_mm_per_h:.0f} mm/h weakens the echo by {loss_db:.2f} dB over {range_m:.1f} m and back; what "
            "matters more, drops that run or fall in the lobe are seen as motion.",
            "Mount under a canopy, keep drips out of the lobe, lower the sensitivity, or set the direction to "
            "`towards`.",
            "attenuation ITU-R P.838-3, verified; clutter of drops common practice, no source",
        ),
        "filter_unsupported": FindingSpec(
            "warning",
            "The filters ask for {filters}, which a Doppler sensor cannot tell: it counts as not set.",
            "Take the filter out, or take a family that can apply it.",
        ),
        "course_way": FindingSpec(
            "info",
            "To tell approach from departure takes {way_m:.3f} m of movement along the line of sight; at "
            "{speed_m_per_s:.2f} m/s the signal comes {delay_s:.2f} s later.",
            "Set the direction to `any` where this time is missing.",
            f"way of {COURSE_HALF_WAVES} half wavelengths, common practice, no source",
        ),
        "power": FindingSpec(
            "warning",
            "The radiated power of {eirp_dbm:.1f} dBm is above {limit_dbm:.1f} dBm, the limit of 2.5 V/m at 3 m.",
            "Use a sensor that the country of use allows, or prove that another rule applies.",
            "47 CFR 15.245, verified; (E d)^2 / 30",
        ),
        "band": FindingSpec(
            "info",
            "{frequency_ghz:.3f} GHz lies outside 10.500 to 10.550 and 24.075 to 24.175 GHz.",
            "Check that the country of use allows this band for motion sensors.",
            "47 CFR 15.245, verified",
        ),
    }
    example = {"family": "microwave", "frequency_ghz": 24.125, "range_m": 6.0, "filters": {"direction": "towards"}}

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """One lobe; its main part ends at twice the half-power widths, side lobes do not count."""
        course = params.filters.direction
        return (
            Lobe.looking(
                scene.mount,
                spin_deg=params.spin_deg,
                range_m=self.working_range_m(params, scene),
                width_deg=params.width_deg,
                depth_deg=params.depth_deg,
                edge_width_deg=min(2.0 * params.width_deg, 160.0),
                edge_depth_deg=min(2.0 * params.depth_deg, 160.0),
                echo_m2=params.reference_echo_m2,
                echo_rule="weight",
                absorption_db_per_m=_rain_db_per_m(params, scene),
                least_radial_speed_m_per_s=_least_speed(params),
                sense=course if course in ("towards", "away") else "both",
            ),
        )

    def response_s(self, params: Any) -> float:
        """Response, and the time to tell a course if one is asked for. [s]"""
        return float(params.response_s) + (_course(params)[1] if _asks_course(params) else 0.0)

    def mirrored(self, params: Any) -> Any:
        """The turn about the lobe's axis goes the other way."""
        return msgspec.structs.replace(super().mirrored(params), spin_deg=-params.spin_deg + 0.0)

    def range_effects(self, params: Any, scene: Scene) -> tuple[RangeEffect, ...]:
        """Sensitivity by the fourth-root law, then rain by ITU-R P.838-3."""
        found = []
        before = float(params.range_m)
        if params.sensitivity_db:
            after = before * 10.0 ** (params.sensitivity_db / 40.0)
            origin = f"{scene.pointer}/device/sensitivity_db"
            setting = DerivationInput(name="sensitivity_db", value=params.sensitivity_db, unit="dB", origin=origin)
            law = "Radar equation, P ~ 1/R^4"
            found.append(RangeEffect("sensitivity", before, after, "R = R0 10^(dB/40)", (setting,), law, "verified"))
            before = after
        if loss := _rain_db_per_m(params, scene):
            after = physics.range_under_loss(before, power_exponent=4.0, loss_per_m=2.0 * physics.per_m(1000.0 * loss))
            rain = given(scene, "rain_mm_per_h", "mm/h")
            found.append(
                RangeEffect(
                    "rain", before, after, "R^4 exp(2 sigma R) = R0^4, sigma from k r^alpha dB/km", (rain,),
                    "ITU-R P.838-3", "verified", "Attenuation alone; moving drops are clutter.",
                )
            )  # fmt: skip
        return tuple(found)

    def tunables(self, params: Any, scene: Scene) -> Iterator[Tunable]:
        """Aim and sensitivity; not the least speed, which keeps false signals away."""
        device = f"{scene.pointer}/device"
        yield Tunable(f"{scene.pointer}/mount/tilt_deg", "deg", 0.0, 75.0, 1.0, "tilt of the lobe")
        yield Tunable(f"{scene.pointer}/mount/yaw_deg", "deg", -45.0, 45.0, 1.0, "yaw of the lobe")
        yield Tunable(f"{device}/sensitivity_db", "dB", -24.0, 0.0, 1.0, "sensitivity")

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        """Least speed, range, rain, filters, band and power."""
        device = f"{scene.pointer}/device"
        yield from self._speed(params, scene, view)
        yield from self._reach(params, scene, view)
        if rain := scene.conditions.rain_mm_per_h:
            reach = self.working_range_m(params, scene)
            loss = 2.0 * reach * _rain_db_per_m(params, scene)
            subject = f"/site/conditions/{scene.mount.side}/rain_mm_per_h"
            yield self.finding("rain", subjects=[subject], rain_mm_per_h=rain, loss_db=loss, range_m=reach)
        yield from self._filters(params, scene)
        if params.eirp_dbm > LIMIT_DBM:
            yield self.finding("power", subjects=[f"{device}/eirp_dbm"], eirp_dbm=params.eirp_dbm, limit_dbm=LIMIT_DBM)
        if not any(low <= params.frequency_ghz <= high for low, high in BANDS_GHZ):
            yield self.finding("band", subjects=[f"{device}/frequency_ghz"], frequency_ghz=params.frequency_ghz)

    def _speed(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        least, height = _least_speed(params), max(scene.above_floor_m - view.body.height_m / 2.0, 0.0)
        subjects = [f"{scene.pointer}/device/least_speed_m_per_s"]
        way = view.spans_m(scene)[1]
        if view.slowest is not None and way > 0.0:
            traveller, speed = view.slowest
            half = speed * (way / 2.0) / hypot(way / 2.0, height)  # along the line of sight, half of the way out
            if least > half:
                near = height * least / sqrt(speed**2 - least**2) if speed > least else way
                yield self.finding(
                    "traveller_lost",
                    subjects=subjects,
                    traveller=traveller,
                    speed_m_per_s=speed,
                    where="everywhere" if near >= way else f"within {near:.2f} m of the point below the sensor",
                    near_m=min(near, way),
                    least_m_per_s=least,
                    wanted_m=way,
                    needed_m_per_s=half,
                )
        if least >= SLOW_M_PER_S:
            yield self.finding("never_slow", subjects=subjects, least_m_per_s=least, speed_m_per_s=SLOW_M_PER_S)
            return
        yield self.finding(
            "slow_below",
            subjects=subjects,
            speed_m_per_s=SLOW_M_PER_S,
            near_m=height * least / sqrt(SLOW_M_PER_S**2 - least**2),
            least_m_per_s=least,
            shift_hz=physics.doppler_hz(least, frequency_hz=1e9 * params.frequency_ghz),
        )

    def _reach(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Any]:
        far, reach = view.far_corner_m(scene), self.working_range_m(params, scene)
        if far is not None and far > reach:
            yield self.finding(
                "range_short",
                subjects=[f"{scene.pointer}/device/range_m"],
                distance_m=far,
                range_m=reach,
                echo_m2=params.reference_echo_m2,
            )

    def _filters(self, params: Any, scene: Scene) -> Iterator[Any]:
        filters, subjects = params.filters, [f"{scene.pointer}/device/filters"]
        asked = (
            ("size", filters.least_size_m > 0),
            ("height above the floor", filters.least_above_m > 0),
            ("across", filters.direction == "across"),
        )
        if unable := [name for name, is_set in asked if is_set]:
            yield self.finding("filter_unsupported", subjects=subjects, filters=", ".join(unable))
        if _asks_course(params):
            way, delay = _course(params)
            speed = max(_least_speed(params), SLOW_M_PER_S)
            yield self.finding("course_way", subjects=subjects, way_m=way, speed_m_per_s=speed, delay_s=delay)


def _least_speed(params: Any) -> float:
    return float(max(params.least_speed_m_per_s, params.filters.least_speed_m_per_s))


def _asks_course(params: Any) -> bool:
    return params.filters.direction in ("towards", "away")


def _course(params: Any) -> tuple[float, float]:
    """Way along the line of sight until a course is told [m], and its time for the slowest walker that counts [s]."""
    way = COURSE_HALF_WAVES * physics.wavelength_m(1e9 * params.frequency_ghz) / 2.0
    return way, way / max(_least_speed(params), SLOW_M_PER_S)


def _rain_db_per_m(params: Any, scene: Scene) -> float:
    rain = scene.conditions.rain_mm_per_h
    return physics.rain_db_per_km(rain, frequency_hz=1e9 * params.frequency_ghz) / 1000.0 if rain else 0.0


@hookimpl
def sillcast_families() -> list[Family]:
    """Families of this module."""
    return [MicrowaveFamily()]

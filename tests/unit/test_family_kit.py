"""The contract kit finds what is broken; each broken family has a sound twin."""

import random
from typing import Annotated, ClassVar

import msgspec
import numpy as np
import pytest
from msgspec import Meta

from sillcast.family import Family, FindingSpec, FloorArea, RangeEffect, Rays, SensorParams, Tunable, Typical
from sillcast.testing import Case, check_family, faults_of


class SillSpot(SensorParams, frozen=True, kw_only=True, tag="sill_spot"):
    """One spot straight down."""

    range_m: Annotated[float, Meta(ge=0.5, le=10.0, description="Range. [m]")] = 5.0
    response_s: Annotated[float, Meta(ge=0.0, le=1.0, description="Response. [s]")] = 0.1


class SillSpotFamily(Family):
    """Sound."""

    params = SillSpot
    senses = frozenset({"presence"})
    summary = "One spot straight down, for tests."
    typical = (Typical("range_m", 5.0, "m", "own choice"),)
    findings: ClassVar = {"short": FindingSpec("info", "The range is {range_m:.1f} m.")}
    example: ClassVar = {"family": "sill_spot"}

    def emit(self, params, scene):
        return (Rays.from_head(at=scene.mount, own=np.array([[0.0, 0.0, -1.0]]), group=[0], range_m=params.range_m),)

    def tunables(self, params, scene):
        yield Tunable(f"{scene.pointer}/device/range_m", "m", 1.0, 9.0, 0.5, "range")

    def review(self, params, scene, view):
        if params.range_m < 1.0:
            yield self.finding("short", subjects=[f"{scene.pointer}/device/range_m"], range_m=params.range_m)


def test_a_sound_family_passes():
    assert faults_of(SillSpotFamily()) == []
    check_family(SillSpotFamily())


def broken(**changes):
    return type("BrokenFamily", (SillSpotFamily,), changes)()


def effects(*pairs, status="own_derivation"):
    def range_effects(self, params, scene):
        return tuple(RangeEffect("fog", a, b, "R", (object(),), "source", status) for a, b in pairs)

    return range_effects


def rays(self, params, scene, range_m):
    return (Rays.from_head(at=scene.mount, own=np.array([[0.0, 0.0, -1.0]]), group=[0], range_m=range_m),)


def lopsided(self, params, scene):
    own = np.array([[0.6, 0.0, -0.8]])
    return (Rays.from_head(at=scene.mount, own=own, group=[0], range_m=params.range_m),)


BROKEN = {
    "lopsided": ({"emit": lopsided}, "do not emit the mirror image"),
    "turned": ({"mirrored": lambda self, p: msgspec.structs.replace(p, range_m=4.0)}, "mirrored twice is not the same"),
    "no emission": ({"emit": lambda self, p, s: ("beam",)}, "no emission"),
    "raises": ({"emit": lambda self, p, s: 1 / 0}, "ZeroDivisionError"),
    "random": ({"emit": lambda self, p, s: rays(self, p, s, 1 + random.random())}, "different emissions"),
    "draws": ({"emit": lambda self, p, s: rays(self, p, s, p.range_m + 0 * random.random())}, "random numbers"),
    "changes": (
        {"emit": lambda self, p, s: (s.mount.origin.__iadd__(1.0), *rays(self, p, s, 2.0))[1:]},
        "changes the scene",
    ),
    "not finite": ({"emit": lambda self, p, s: rays(self, p, s, float("nan"))}, "GeometryError"),
    "shrinks": ({"emit": lambda self, p, s: rays(self, p, s, 2.0 if p.range_m > 4 else 5.0)}, "covers less|no more"),
    "response": ({"response_s": lambda self, p: -1.0}, "no time"),
    "longer": ({"range_effects": effects((5.0, 6.0))}, "longer"),
    "unlinked": ({"range_effects": effects((5.0, 4.0), (3.0, 2.0))}, "does not start"),
    "unknown status": ({"range_effects": effects((5.0, 4.0), status="sure")}, "known status"),
    "tunable": (
        {"tunables": lambda self, p, s: [Tunable("/sensors/0/device/power", "W", 0, 1, 0.1, "x")]},
        "no number",
    ),
    "tunable bounds": (
        {"tunables": lambda self, p, s: [Tunable("/sensors/0/device/range_m", "m", 2, 1, 0.1, "x")]},
        "least < most",
    ),
    "never raised": (
        {"findings": {**SillSpotFamily.findings, "odd": FindingSpec("info", "Odd.")}},
        "no case raises: odd",
    ),
    "no remedy": ({"findings": {"short": FindingSpec("warning", "Short: {range_m:.1f} m.")}}, "remedy"),
    "unnamed value": ({"findings": {"short": FindingSpec("info", "Short: {} m.")}}, "named"),
    "typical": ({"typical": (Typical("power_w", 1.0, "W", "why"),)}, "typical power_w"),
    "filters": ({"filters": {"colour"}}, "filters must be"),
    "media": ({"emits": {"smoke"}}, "emits and sensitive_to"),
    "summary": ({"summary": ""}, "summary"),
    "example": ({"example": {"family": "sill_spot", "range_m": 99.0}}, "range_m"),
    "senses": ({"senses": {"smell"}}, "smell"),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_each_breach_is_named(name):
    changes, words = BROKEN[name]
    with pytest.raises(AssertionError, match=words):
        check_family(broken(**changes))


def test_undeclared_finding_is_named():
    def review(self, params, scene, view):
        yield FindingSpec("info", "Hm.").make("sill_spot.hm", subjects=["/sensors/0"])

    assert any("sill_spot.hm is not declared" in fault for fault in faults_of(broken(review=review)))


def test_subject_that_leads_nowhere_is_named():
    def review(self, params, scene, view):
        yield self.finding("short", subjects=["/sensors/0/device/colour"], range_m=1.0)

    assert any("/sensors/0/device/colour" in fault for fault in faults_of(broken(review=review)))


def test_unbounded_number_is_refused():
    class SillOpen(SensorParams, frozen=True, kw_only=True, tag="sill_open"):
        """No bounds."""

        range_m: float = 5.0

    assert any("bound" in fault for fault in faults_of(broken(params=SillOpen, example={"family": "sill_open"})))


def test_given_cases_count_for_reaching_a_finding():
    class SillWide(SensorParams, frozen=True, kw_only=True, tag="sill_wide"):
        """Only wide mats are remarked on."""

        width_m: Annotated[float, Meta(ge=0.1, le=5.0, description="Width. [m]")] = 1.0

    def review(self, params, scene, view):
        if 2.0 < params.width_m < 3.0:
            yield self.finding("wide", subjects=["/sensors/0/device/width_m"], width_m=params.width_m)

    family = broken(
        params=SillWide,
        typical=(),
        example={"family": "sill_wide"},
        findings={"wide": FindingSpec("info", "{width_m:.1f} m.")},
        emit=lambda self, p, s: (FloorArea.rectangle(p.width_m, 1.0, at=s.mount),),
        tunables=lambda self, p, s: (),
        review=review,
    )
    assert faults_of(family) == ["findings that no case raises: wide; give a case that does"]
    assert faults_of(family, [Case({"width_m": 2.5})]) == []

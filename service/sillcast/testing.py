"""The contract of a sensor family as one check, for the built-in ones and for anybody's."""

from __future__ import annotations

import random
import string
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import inspect

from sillcast import motion, needs, registry, render
from sillcast.contract import Finding
from sillcast.family import FILTERS, Emission, Family, FloorArea, Lobe, Rays, SensorView
from sillcast.kernel import Region, Surroundings, TestBody
from sillcast.kernel.counts import Grid, hit_counts
from sillcast.sensing import Sensing, floors_of, obstacle_prisms, place, responses, scene_of

__all__ = ["Case", "check_family", "faults_of"]

STATUSES = {"verified", "second_hand", "from_memory", "common_practice", "own_derivation", "request"}
MEDIA = {"microwave", "infrared", "ultrasound", "magnetic_field", "motion", "metal"}
RANGE_FACTORS = (0.5, 0.75, 1.0)
VISIBILITIES_M = (20.0, 100.0, 1000.0)
MOST_RAYS = 4000  # above it a case at a parameter's bound is not reviewed, or the kit would take minutes
_GRID = Grid.over(-6.0, 6.0, -8.0, 2.0, 0.1)
_DOOR: Mapping[str, Any] = {
    "opening": {"width_m": 4.0, "height_m": 4.5},
    "motion": {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"speed_m_per_s": 0.5}},
}
_TRAFFIC: Sequence[Mapping[str, Any]] = (
    {"name": "person", "speed_m_per_s": 1.4, "width_m": 0.6, "clear_height_m": 2.1},
)


@dataclass(frozen=True)
class Case:
    """A sensor in its place: what differs from the family's example, as in a request.

    Attributes
    ----------
    device : mapping
        Parameters laid over the example.
    mount : mapping
        `position`, angles, carrier; laid over where the family belongs, a head at 3 m over the near side's middle.
    counterpart : (x, y, z) or None
        Other end of a beam; the opposite jamb if the family needs one. [m]
    purposes : tuple of str
        Purposes asked for; those of the family if empty.
    conditions : mapping
        Conditions on the near side.
    obstacles : tuple of mapping
        Obstacles of the site.
    door : mapping
        Laid over a lifting door 4 m wide and 4.5 m high.
    """

    device: Mapping[str, Any] = field(default_factory=dict)
    mount: Mapping[str, Any] = field(default_factory=dict)
    counterpart: tuple[float, float, float] | None = None
    purposes: tuple[str, ...] = ()
    conditions: Mapping[str, Any] = field(default_factory=dict)
    obstacles: tuple[Mapping[str, Any], ...] = ()
    door: Mapping[str, Any] = field(default_factory=dict)


def check_family(family: Family, cases: Iterable[Case] = ()) -> None:
    """Prove a family's contract: declarations, example, emissions, range, mirror image, filters, findings, tunables.

    Parameters
    ----------
    family : Family
        Family to be checked.
    cases : iterable of Case
        Places and settings beside the example; with those of the kit's own they must raise every declared finding.

    Raises
    ------
    AssertionError
        Naming every breach, one per line.

    Notes
    -----
    Each case is a sensor at a door 4 m wide. Beside the example and the given cases the kit tries each number of the
    parameters at both of its bounds, and the example in fog, rain, snow, sun, cold and heat. "More range never covers
    less" is looked at with rays without width, place by place on a grid of 0.1 m.
    """
    faults = faults_of(family, cases)
    if faults:
        raise AssertionError(f"{family.name} breaks the contract:\n" + "\n".join(f"- {fault}" for fault in faults))


def faults_of(family: Family, cases: Iterable[Case] = ()) -> list[str]:
    """Breaches of the contract as sentences, none for a sound family; as `check_family`."""
    try:
        registry.check(family, [])
        example = Case(**_usual_place(family))
        _Try(family, example)
    except Exception as error:
        return [f"{type(error).__name__}: {error}"]
    given = [example, *cases]
    found = dict.fromkeys([*_declaration_faults(family), *_range_faults(family, given), *_mirror_faults(family, given)])
    raised: set[str] = set()
    whole = [*given, *_weather_cases(example)]
    for i, case in enumerate([*whole, *_bound_cases(family, example)]):
        try:
            tried = _Try(family, case)
            found.update(dict.fromkeys(tried.faults(reviews=i < len(whole) or tried.rays() <= MOST_RAYS)))
            raised |= tried.raised
        except Exception as error:
            found[f"{_named(case)}: {type(error).__name__}: {error}"] = None
    never = sorted(set(family.findings) - raised)
    if never:
        found[f"findings that no case raises: {', '.join(never)}; give a case that does"] = None
    return list(found)


# --- one case -------------------------------------------------------------------------------------------------------


@cache
def _request_type(params: type) -> Any:
    probe = type("Probe", (Family,), {"params": params})()
    return registry.Registry([registry.Installed(probe, "check", "0", "check")]).request_type


class _Try:
    """A family in one case: parameters, scene, emissions, what it says."""

    def __init__(self, family: Family, case: Case) -> None:
        self.family, self.case = family, case
        self.request: Any = msgspec.convert(_request(family, case), _request_type(family.params))
        self.sensor = self.request.sensors[0]
        self.scene = scene_of(self.sensor, 0, self.request.door, self.request.site, floors_of(self.request.site))
        self.params = self.sensor.device
        self.raised: set[str] = set()

    def emitted(self) -> tuple[Emission, ...]:
        """Emissions of the family in this scene."""
        return tuple(self.family.emit(self.params, self.scene))

    def rays(self) -> int:
        """Number of rays emitted. [1]"""
        return sum(len(emission.range_m) for emission in self.emitted() if isinstance(emission, Rays))

    def faults(self, *, reviews: bool = True) -> Iterator[str]:
        """Breaches in this case; without reviews the kernel is left out."""
        reviewed = self._finding_faults() if reviews else ()
        for fault in (*self._emission_faults(), *self._number_faults(), *self._tunable_faults(), *reviewed):
            yield f"{_named(self.case)}: {fault}"

    def _emission_faults(self) -> Iterator[str]:
        seen = _frozen(self.scene)
        dice = random.getstate(), _frozen(np.random.get_state())
        once, again = self.emitted(), self.emitted()
        if not all(isinstance(e, Emission) for e in once):
            yield "emit returns something that is no emission"
            return
        if _frozen(once) != _frozen(again):
            yield "emit gives different emissions for the same input"
        if _frozen(self.scene) != seen:
            yield "emit changes the scene"
        if (random.getstate(), _frozen(np.random.get_state())) != dice:
            yield "emit draws random numbers"
        for emission in once:
            if isinstance(emission, Rays) and (emission.range_m < 0).any():
                yield "a ray has a negative range"

    def _number_faults(self) -> Iterator[str]:
        response = self.family.response_s(self.params)
        if not (np.isfinite(response) and response >= 0.0):
            yield "response_s is no time"
        before = None
        for effect in self.family.range_effects(self.params, self.scene):
            if before is not None and effect.before_m != before:
                yield f"range effect {effect.name} does not start where the one before it ended"
            if not 0.0 <= effect.after_m <= effect.before_m:
                yield f"range effect {effect.name} makes the range longer, or no length"
            if effect.status not in STATUSES or not (effect.source and effect.formula and effect.inputs):
                yield f"range effect {effect.name} needs formula, inputs, source and a known status"
            before = effect.after_m

    def _tunable_faults(self) -> Iterator[str]:
        tree = msgspec.to_builtins(self.request)
        for tunable in self.family.tunables(self.params, self.scene):
            if not (tunable.least < tunable.most and tunable.step > 0 and tunable.unit and tunable.label):
                yield f"tunable {tunable.pointer} needs least < most, a step above 0, a unit and a label"
            if not isinstance(_at(tree, tunable.pointer), int | float):
                yield f"tunable {tunable.pointer} points at no number of the request"

    def _finding_faults(self) -> Iterator[str]:
        view = self.view()
        said = list(self.family.review(self.params, self.scene, view))
        if said != list(self.family.review(self.params, self.scene, view)):
            yield "review says different things about the same input"
        tree = msgspec.to_builtins(self.request)
        for finding in said:
            yield from self._one_finding(finding, tree)

    def _one_finding(self, finding: Finding, tree: Any) -> Iterator[str]:
        name, _, key = finding.code.partition(".")
        if name != self.family.name or key not in self.family.findings:
            yield f"finding {finding.code} is not declared"
            return
        self.raised.add(key)
        if not finding.subjects:
            yield f"finding {key} names no subject"
        for pointer in finding.subjects:
            if _at(tree, pointer) is _NOWHERE:
                yield f"finding {key} points at {pointer}, which is not in the request"
        for value in finding.values.values():
            if isinstance(value, float) and not np.isfinite(value):
                yield f"finding {key} has a value that is not finite"

    def sensing(self) -> Sensing:
        """The sensor among walls and obstacles."""
        door, site = self.request.door, self.request.site
        placed = place(self.sensor, 0, self.family, "check", self.scene)
        fixed = Surroundings(floors_of(site), (*motion.door_prisms(door), *obstacle_prisms(site)))
        window = (-8.0, 8.0, -12.0, 12.0)
        return Sensing([placed], fixed, lambda state: motion.leaf_prisms(door, state), window, 2.0)

    def view(self) -> SensorView:
        """What the kernel finds for the sensor."""
        sensing, bodies = self.sensing(), needs.catalogue()
        request = self.request
        needed = needs.required(
            request.door, request.site, request.traffic, request.rules, bodies, responses(sensing.placed)
        )
        return render.sensor_view(sensing.placed[0], sensing, needed, bodies)

    def detected(self, body: TestBody) -> npt.NDArray[np.bool_]:
        """Cells of a grid in whose middle a body is detected, leaf closed."""
        sensing = self.sensing()
        placed, middles = sensing.placed[0], [(x, y) for y in _GRID.centres_y for x in _GRID.centres_x]
        found = np.zeros((_GRID.rows, _GRID.columns), dtype=bool)
        for i, emission in enumerate(placed.emissions):
            if isinstance(emission, Rays):
                thin = replace(emission, beam_width_m=0.0, divergence_deg=0.0)  # a spot is judged at the ray's end
                hits = hit_counts(thin, sensing.clipped(placed, i, 0.0), body, _GRID, floors=sensing.floors)
                found |= hits >= emission.least_hits
        if not all(isinstance(emission, Rays) for emission in placed.emissions):
            region = sensing.region(placed, body, angle_deg=0.0, state=0.0)
            found |= np.array([region.holds(x, y) for x, y in middles]).reshape(found.shape)
        return found


def _usual_place(family: Family) -> dict[str, Any]:
    """Where a sensor of this family is likely to work."""
    if family.needs_counterpart:
        return {"mount": {"position": {"x_m": -2.0, "y_m": -0.3, "z_m": 0.3}}, "counterpart": (2.0, -0.3, 0.3)}
    if family.sits == "floor":
        return {"mount": {"position": {"x_m": 0.0, "y_m": -0.8, "z_m": 0.0}}}
    return {"mount": {"carrier": "leaf"}} if family.sits == "leaf" else {}


def _request(family: Family, case: Case) -> dict[str, Any]:
    device = {**family.example, "family": family.name, **case.device}
    usual = _usual_place(family)
    mount = {"side": "near", "position": {"x_m": 0.0, "y_m": -0.3, "z_m": 3.0}, **usual.get("mount", {}), **case.mount}
    sensor: dict[str, Any] = {
        "name": "sensor",
        "purposes": list(case.purposes or sorted(family.purposes)),
        "mount": mount,
        "device": device,
    }
    end = case.counterpart or usual.get("counterpart")
    if end:
        sensor["counterpart"] = {"position": dict(zip(("x_m", "y_m", "z_m"), end, strict=True))}
    return {
        "door": {**_DOOR, **case.door},
        "site": {"conditions": {"near": dict(case.conditions)}, "obstacles": list(case.obstacles)},
        "traffic": list(_TRAFFIC),
        "sensors": [sensor],
    }


def _named(case: Case) -> str:
    parts = {**case.device, **case.mount, **case.conditions, **case.door}
    text = ", ".join(f"{k}={v}" for k, v in parts.items()) or "example"
    return text[:120]


_NOWHERE = object()


def _at(tree: Any, pointer: str) -> Any:
    """Value at a JSON pointer."""
    for part in pointer.split("/")[1:]:
        if isinstance(tree, list | tuple):
            tree = tree[int(part)] if part.isdigit() and int(part) < len(tree) else _NOWHERE
        elif isinstance(tree, dict):
            tree = tree.get(part, _NOWHERE)
        else:
            return _NOWHERE
    return tree


def _frozen(value: Any) -> Any:
    """A value with its arrays as bytes, to be compared."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if isinstance(value, tuple | list):
        return tuple(_frozen(v) for v in value)
    if hasattr(value, "__dataclass_fields__"):
        return type(value).__name__, tuple(_frozen(getattr(value, name)) for name in value.__dataclass_fields__)
    return value


# --- in a mirror ----------------------------------------------------------------------------------------------------


def _mirror_faults(family: Family, cases: Sequence[Case]) -> Iterator[str]:
    """Cases whose mirrored parameters do not emit the mirror image in the mirrored scene; the door is symmetric."""
    for case in (c for c in cases if not c.door):
        try:
            yield from (f"{_named(case)}: {fault}" for fault in _mirror_faults_of(family, case))
        except Exception as error:
            yield f"{_named(case)}, in a mirror: {type(error).__name__}: {error}"


def _mirror_faults_of(family: Family, case: Case) -> Iterator[str]:
    tried, image = _Try(family, case), _Try(family, _image(family, case))
    image.params = family.mirrored(tried.params)
    if family.mirrored(image.params) != tried.params:
        yield "mirrored twice is not the same"
    ours, theirs = tried.emitted(), image.emitted()
    if len(ours) != len(theirs) or not all(_are_mirrored(*pair) for pair in zip(ours, theirs, strict=True)):
        yield "mirrored parameters do not emit the mirror image in the mirrored scene"


def _image(family: Family, case: Case) -> Case:
    """The case in a mirror in the plane x = 0, its device as it is."""
    sensor = _request(family, case)["sensors"][0]
    mount, end = dict(sensor["mount"]), sensor.get("counterpart", {}).get("position")
    mount["position"] = {**mount["position"], "x_m": -mount["position"]["x_m"]}
    mount |= {name: -mount.get(name, 0.0) for name in ("yaw_deg", "roll_deg")}
    obstacles = tuple({**o, "ring_m": [[-x, y] for x, y in o["ring_m"]]} for o in case.obstacles)
    counterpart = (-end["x_m"], end["y_m"], end["z_m"]) if end else None
    return replace(case, mount=mount, counterpart=counterpart, obstacles=obstacles)


_WAYS = np.array(
    [[np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), -np.sin(e)] for a in range(12) for e in (0.1, 0.7, 1.3)]
)
_MIRROR = np.array([-1.0, 1.0, 1.0])


def _are_mirrored(one: Emission, other: Emission) -> bool:
    """True if two emissions are mirror images, whatever the order of their rays; to 1e-6 m, far above float64."""
    if isinstance(one, Rays) and isinstance(other, Rays):
        return len(one.range_m) == len(other.range_m) and np.allclose(
            _sorted_rays(one, _MIRROR), _sorted_rays(other, np.ones(3)), rtol=0.0, atol=1e-6
        )
    if isinstance(one, FloorArea) and isinstance(other, FloorArea):
        image, area = Region.ring(np.asarray(one.ring) * _MIRROR[:2]), Region.ring(other.ring)
        return (image - area).area + (area - image).area < 1e-6
    if isinstance(one, Lobe) and isinstance(other, Lobe):
        reach = one.range_towards(_WAYS), other.range_towards(_WAYS * _MIRROR)
        return np.allclose(one.origin * _MIRROR, other.origin) and np.allclose(*reach, rtol=1e-6)
    return False


def _sorted_rays(rays: Rays, mirror: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Origins, directions and ranges (n, 7), in an order that does not depend on that of the emission."""
    table = np.column_stack([rays.origins * mirror, rays.directions * mirror, rays.range_m])
    return np.asarray(table[np.argsort(table @ np.sqrt([2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0]), kind="stable")])


# --- over all cases -------------------------------------------------------------------------------------------------


def _declaration_faults(family: Family) -> Iterator[str]:
    """What can be told from the class alone."""
    if not family.summary:
        yield "summary is empty"
    if not family.senses:
        yield "senses is empty"
    if not set(family.filters) <= FILTERS:
        yield f"filters must be among {sorted(FILTERS)}"
    if not (set(family.emits) | set(family.sensitive_to)) <= MEDIA:
        yield f"emits and sensitive_to must be among {sorted(MEDIA)}"
    fields = {f.encode_name for f in msgspec.structs.fields(family.params)}
    for typical in family.typical:
        if typical.parameter not in fields or not (typical.unit and typical.reason):
            yield f"typical {typical.parameter} needs a parameter of that name, a unit and a reason"
    for key, spec in family.findings.items():
        if not spec.message or not all(part[1] != "" for part in string.Formatter().parse(spec.message)):
            yield f"finding {key} needs a message whose numbers are named"
        if spec.severity != "info" and not spec.remedy:
            yield f"finding {key} needs a remedy"


def _bound_cases(family: Family, example: Case) -> Iterator[Case]:
    """The example with one number at one of its bounds."""
    info = inspect.type_info(family.params)
    assert isinstance(info, inspect.StructType)
    for one in info.fields:
        kind = one.type.type if isinstance(one.type, inspect.Metadata) else one.type
        if isinstance(kind, inspect.FloatType | inspect.IntType):
            low = kind.ge if kind.ge is not None else kind.gt
            high = kind.le if kind.le is not None else kind.lt
            assert low is not None
            assert high is not None
            whole = isinstance(kind, inspect.IntType)
            nudge = 1 if whole else 1e-6 * (high - low)
            bounds = (low if kind.ge is not None else low + nudge, high if kind.le is not None else high - nudge)
            for bound in bounds:
                yield _varied(example, {one.encode_name: int(bound) if whole else float(bound)})


def _varied(example: Case, device: Mapping[str, Any]) -> Case:
    """The example with other parameters."""
    return replace(example, device={**example.device, **device})


def _weather_cases(example: Case) -> Iterator[Case]:
    """The example in weather and light of all kinds."""
    for conditions in (
        {"visibility_m": 100.0},
        {"visibility_m": 30.0, "visibility_contrast": 0.02},
        {"rain_mm_per_h": 50.0},
        {"snow_mm_per_h": 5.0, "air_temperature_deg_c": -5.0},
        {"air_temperature_deg_c": -28.0, "humidity_percent": 90.0},
        {"air_temperature_deg_c": 38.0, "humidity_percent": 20.0},
        {"sun_w_per_m2": 1000.0, "lamp_on_field": True},
        {"floor_reflectance": 0.02, "floor_wet": True},
        {"body_reflectance": 0.018, "window_dirt": 0.3},
        {"wall_vibration_deg": 2.0},
    ):
        yield replace(example, conditions=conditions)


def _range_faults(family: Family, cases: Sequence[Case]) -> Iterator[str]:
    """More range, and less fog, never cover less."""
    if "range_m" not in {f.name for f in msgspec.structs.fields(family.params)}:
        return
    for case in cases:
        yield from _grows(family, case, "range_m", [_with_range(family, case, factor) for factor in RANGE_FACTORS])
        yield from _grows(family, case, "visibility_m", [_with_visibility(case, v) for v in VISIBILITIES_M])


def _grows(family: Family, case: Case, what: str, steps: Sequence[Case]) -> Iterator[str]:
    body = needs.catalogue()["reference_body_upright"]
    less = np.zeros((_GRID.rows, _GRID.columns), dtype=bool)
    for step in steps:
        try:
            more = _Try(family, step).detected(body)
        except msgspec.ValidationError:  # a range out of the parameter's bounds
            continue
        except Exception as error:
            yield f"{_named(case)}: {type(error).__name__}: {error}"
            return
        if lost := int((less & ~more).sum()):
            yield f"{_named(case)}: with more {what} the body is detected no more in {lost} places"
        less = more


def _with_range(family: Family, case: Case, factor: float) -> Case:
    full = {**family.example, **case.device}.get("range_m")
    if full is None:
        full = next(f.default for f in msgspec.structs.fields(family.params) if f.name == "range_m")
    return replace(case, device={**case.device, "range_m": factor * float(full)})


def _with_visibility(case: Case, visibility_m: float) -> Case:
    return replace(case, conditions={**case.conditions, "visibility_m": visibility_m})

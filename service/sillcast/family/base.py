"""Base class of all families, and what a family sees and says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, sqrt
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal

import msgspec
import pluggy
from msgspec import Meta

from sillcast import motion
from sillcast.contract import ConditionsSide, DerivationInput, Door, Field, Filters, Finding, SensorParams, Site
from sillcast.family.filters import asked
from sillcast.kernel import Emission, Pose, TestBody

__all__ = [
    "API_VERSION",
    "FILTER_FINDINGS",
    "ON_FLOOR_M",
    "SLOW_M_PER_S",
    "Family",
    "Fields",
    "FindingSpec",
    "RangeEffect",
    "Scene",
    "SensorView",
    "Tunable",
    "Typical",
    "given",
    "hookimpl",
    "hookspec",
]

API_VERSION = 1
hookimpl = pluggy.HookimplMarker("sillcast")
hookspec = pluggy.HookspecMarker("sillcast")

Severity = Literal["info", "warning", "critical"]
Fields = Annotated[tuple[Field, ...], Meta(max_length=8, description="Areas per purpose; none: no limit.")]
WALK_M_PER_S = 1.6  # walking speed of machine safety, 63 in/s in 29 CFR 1910.217(c)(3)(iii)(e), verified
OFF_FLOOR_MOST_M = 0.05  # a mat in its frame is no higher, and a level is read no worse: common practice, no source
ON_FLOOR_M = 0.01  # a head this low lies on the floor, whatever its family: common practice, no source
SLOW_M_PER_S = 0.152  # slowest walker to be seen, 6 in/s in ANSI/BHMA A156.10-2005 8.1.2, second-hand


@dataclass(frozen=True)
class FindingSpec:
    """A remark declared once: severity, message and remedy as format strings over its values."""

    severity: Severity
    message: str
    remedy: str = ""
    source: str = ""

    def make(
        self, code: str, *, subjects: Sequence[str] = (), zone: str = "", derivation: str = "", **values: Any
    ) -> Finding:
        """The finding with its numbers filled in."""
        return Finding(
            code=code,
            severity=self.severity,
            message=self.message.format(**values),
            values=values,
            subjects=list(subjects),
            remedy=self.remedy.format(**values),
            zone=zone,
            derivation=derivation,
            source=self.source,
        )


@dataclass(frozen=True)
class Typical:
    """A usual value of one parameter, with the reason."""

    parameter: str
    value: float | str
    unit: str
    reason: str


@dataclass(frozen=True)
class Tunable:
    """A setting that a technician can change: where it is in the parameters, its unit, range and step."""

    pointer: str
    unit: str
    least: float
    most: float
    step: float
    label: str


@dataclass(frozen=True, eq=False)
class Scene:
    """What a family sees: door, site, its own mount, the counterpart if any, and its place in the request.

    Attributes
    ----------
    mount : Pose
        Place and attitude of the sensor in the door frame.
    counterpart : tuple of float or None
        Receiver or reflector (x, y, z) in the door frame. [m]
    floor_z_m : float
        Height of the floor below the mount. [m]
    pointer : str
        JSON pointer of the sensor in the request.
    purposes : tuple of str
        What the sensor is used for.
    carrier : str
        What it is fixed to: `building` or `leaf`.
    """

    door: Door
    site: Site
    mount: Pose
    counterpart: tuple[float, float, float] | None
    floor_z_m: float
    pointer: str
    purposes: tuple[str, ...]
    carrier: str = "building"

    @property
    def above_floor_m(self) -> float:
        """Height of the mount above the local floor. [m]"""
        return float(self.mount.origin[2]) - self.floor_z_m

    @property
    def out_m(self) -> float:
        """Distance of the mount outwards from the leaf plane, on its own side. [m]"""
        return float(self.mount.origin[1]) * (-1.0 if self.mount.side == "near" else 1.0)

    @property
    def conditions(self) -> ConditionsSide:
        """Weather, light and surfaces on the mount's side."""
        both = self.site.conditions
        return both.near if self.mount.side == "near" else both.far

    @property
    def beam_m(self) -> float:
        """Length of the way to the counterpart, 0 without one. [m]"""
        start, end = self.mount.origin, self.counterpart or self.mount.origin
        return float(sum((p - q) ** 2 for p, q in zip(start, end, strict=True)) ** 0.5)

    @property
    def motion_kind(self) -> str:
        """How the leaf moves, as the request has it: `vertical_lift`, `sliding`, `swing` or `folding`."""
        return motion.kind(self.door)

    @property
    def leaf_names(self) -> frozenset[str]:
        """Names of the closed leaf's parts, among what ends a ray."""
        return frozenset(prism.name for prism in motion.leaf_prisms(self.door, 0.0))

    @property
    def closing_speed_m_per_s(self) -> float:
        """Greatest speed of the leaf's leading edge while it closes, ramps and creep reckoned with. [m/s]"""
        return motion.closing_profile(self.door).peak_speed

    def sweep_depth_m(self, side: str) -> float:
        """How far a turning leaf comes out from the leaf plane on a side, half its thickness not reckoned. [m]"""
        return motion.sweep_depth_m(self.door, side)

    def leaf_face_m(self, side: str) -> float:
        """How far the closed leaf's face on a side is from the leaf plane, all telescopic panels reckoned with. [m]"""
        return motion.leaf_face_m(self.door, side)


@dataclass(frozen=True)
class RangeEffect:
    """What one condition makes of a sensor's range; the effects of a sensor follow each other.

    Attributes
    ----------
    name : str
        The condition: `surface`, `window`, `fog`, `rain`, `snow`, or a family's own.
    before_m, after_m : float
        Range before this effect, with those that come earlier, and after it. [m]
    formula : str
        Formula in the letters of the source.
    inputs : tuple of DerivationInput
        Its numbers, with units and where they come from.
    source, status : str
        Source and how sure it is: `verified`, `second_hand`, `from_memory`, `common_practice`, `own_derivation`.
    note : str
        Limits of the formula.
    """

    name: str
    before_m: float
    after_m: float
    formula: str
    inputs: tuple[DerivationInput, ...]
    source: str
    status: str
    note: str = ""


def given(scene: Scene, name: str, unit: str) -> DerivationInput:
    """A declared condition of the mount's side as input of a range effect."""
    side = scene.mount.side
    value = getattr(scene.conditions, name)
    return DerivationInput(name=name, value=float(value), unit=unit, origin=f"/site/conditions/{side}/{name}")


@dataclass(frozen=True, eq=False)
class SensorView:
    """What the kernel found for one sensor, as far as a family's `review` may need it.

    Attributes
    ----------
    lengths_m : sequence of float
        Free length of each ray, in the order of the emission. [m]
    stops : sequence of str
        What ended each ray: `range`, `floor`, or the name of an obstacle or part of the door.
    floor_points : sequence of (x, y)
        Where rays end on the floor. [m]
    inside_opening_m2 : float
        Area within the opening's width on the mount's side in which the reference body is detected, leaf closed. [m2]
    wanted : tuple of float or None
        Least x, greatest x, least and greatest distance out from the leaf plane of the zones that this sensor serves on
        its own side. [m]
    body : TestBody
        Reference body of the rule set.
    slowest : tuple of (str, float) or None
        Who comes slowest to the zones for activation that this sensor serves on its own side, and the speed. [m/s]
    """

    lengths_m: Sequence[float]
    stops: Sequence[str]
    floor_points: Sequence[tuple[float, float]]
    inside_opening_m2: float
    wanted: tuple[float, float, float, float] | None
    body: TestBody
    slowest: tuple[str, float] | None = None

    def spans_m(self, scene: Scene) -> tuple[float, float]:
        """How far the wanted area reaches from the mount, along the door and outwards; 0 without one. [m]"""
        if self.wanted is None:
            return 0.0, 0.0
        x0, x1, _, out = self.wanted
        x = float(scene.mount.origin[0])
        return max(abs(x0 - x), abs(x1 - x)), out - scene.out_m

    def far_corner_m(self, scene: Scene) -> float | None:
        """Distance from the mount to the far corner of the wanted area on the floor. [m]"""
        if self.wanted is None:
            return None
        return sqrt(sum(v**2 for v in (*self.spans_m(scene), scene.above_floor_m)))


class Family:
    """One sensor principle with its parameters; subclass it, fill in the class attributes, write `emit`.

    Attributes
    ----------
    params : type
        Struct of the parameters, a subclass of SensorParams with the family's name as tag.
    senses : set of str
        Of `presence`, `motion`, `metal`, `warm`, `contact`.
    purposes : set of str
        Purposes it may serve.
    never_alone : set of str
        Purposes for which another family must watch as well.
    filters : set of str
        Filters that its fields can apply: of `size`, `above`, `direction`, `speed`.
    emits, sensitive_to : set of str
        What it sends out, and what of others or of moving things disturbs it: of `microwave`, `infrared`, `ultrasound`,
        `magnetic_field`, `motion`, `metal`.
    needs_counterpart : bool
        True if the sensor is a pair and the request must name the other end.
    sits : str
        Where it belongs: `beside` the door's way, like a head over the opening; in the `opening`, like a beam across
        it; on the `floor`, or on the `leaf`. Off the floor or the leaf the last two detect nothing, and a search for
        mounts looks for places beside the way alone. What belongs on the leaf emits for its whole way.
    summary : str
        One sentence: what it is and where it is used.
    typical : tuple of Typical
        Usual values with reasons.
    findings : mapping
        Declared findings by key.
    example : mapping
        Parameters of a worked example, as in the request's `device`.
    """

    api_version: ClassVar[int] = API_VERSION
    params: ClassVar[type[SensorParams]]
    senses: ClassVar[frozenset[str] | set[str]] = frozenset()
    purposes: ClassVar[frozenset[str] | set[str]] = frozenset({"activation", "protection"})
    never_alone: ClassVar[frozenset[str] | set[str]] = frozenset()
    emits: ClassVar[frozenset[str] | set[str]] = frozenset()
    sensitive_to: ClassVar[frozenset[str] | set[str]] = frozenset()
    filters: ClassVar[frozenset[str] | set[str]] = frozenset()
    needs_counterpart: ClassVar[bool] = False
    sits: ClassVar[Literal["beside", "opening", "floor", "leaf"]] = "beside"
    summary: ClassVar[str] = ""
    typical: ClassVar[tuple[Typical, ...]] = ()
    findings: ClassVar[Mapping[str, FindingSpec]] = {}
    example: ClassVar[Mapping[str, Any]] = {}

    @property
    def name(self) -> str:
        """Name of the family: the tag of its parameters."""
        return str(self.params.__struct_config__.tag)

    def emit(self, params: Any, scene: Scene) -> tuple[Emission, ...]:
        """What the sensor sends or receives, in door coordinates; pure."""
        raise NotImplementedError

    def is_in_place(self, scene: Scene) -> bool:
        """Whether it is where it can act: on the floor or on the leaf, if it belongs there or is said to ride on it."""
        if self.sits == "floor":
            return scene.carrier == "building" and abs(scene.above_floor_m) <= OFF_FLOOR_MOST_M
        if self.sits == "leaf" or scene.carrier == "building":
            return self.sits != "leaf" or scene.carrier == "leaf"
        x, y, z = scene.mount.origin
        return motion.off_leaf_m(scene.door, (float(x), float(y), float(z))) <= motion.ON_LEAF_MOST_M

    def response_s(self, params: Any) -> float:
        """Time from a body's arrival to the sensor's signal, filters included. [s]"""
        return float(getattr(params, "response_s", 0.0)) + self.filter_delay_s(params)

    def filter_delay_s(self, params: Any) -> float:
        """Time that the filters of the slowest field take beyond the first detection. [s]"""
        scans = max((self.filter_scans(params, f.filters) for f in getattr(params, "fields", ())), default=0)
        return scans * float(getattr(params, "scan_s", 0.0))

    def filter_scans(self, params: Any, filters: Filters) -> int:
        """Scans beyond the first detection until a course or a speed is known [1]_.

        Two places differ for sure by more than 3 sqrt(2) s, s the noise of one; a body of speed v has gone that far
        after 3 sqrt(2) s / (v scan_s) scans. A direction takes at least 2 scans more, a speed at least 1 (common
        practice, no source). v is the least speed set, or that of the slowest walker, 0.152 m/s.

        Parameters
        ----------
        params : SensorParams
            With `scan_s` [s] where the family scans.
        filters : Filters
            Filters of one field.

        Returns
        -------
        scans : int
            Number of scans. [1]

        References
        ----------
        .. [1] Own derivation: difference of two independent readings, three standard deviations.
        """
        scan_s, noise = float(getattr(params, "scan_s", 0.0)), self.place_noise_m(params)
        able = asked(filters) & set(self.filters) & {"direction", "speed"}
        if scan_s == 0.0 or not able:
            return 0
        speed = max(filters.least_speed_m_per_s, SLOW_M_PER_S)
        return max(ceil(3.0 * sqrt(2.0) * noise / (speed * scan_s)), 2 if "direction" in able else 1)

    def unsupported_filters(self, params: Any) -> tuple[tuple[int, tuple[str, ...]], ...]:
        """Fields by their place, and the filters that they ask for and the family cannot apply."""
        fields = getattr(params, "fields", ())
        lacking = ((i, tuple(sorted(asked(f.filters) - set(self.filters)))) for i, f in enumerate(fields))
        return tuple((i, names) for i, names in lacking if names)

    def place_noise_m(self, params: Any) -> float:
        """Standard deviation of the place of a body in one scan. [m]"""
        return float(getattr(params, "noise_m", 0.0))

    def range_effects(self, params: Any, scene: Scene) -> tuple[RangeEffect, ...]:
        """What the declared conditions make of the range, one after the other; none where nothing is declared."""
        return ()

    def working_range_m(self, params: Any, scene: Scene) -> float:
        """Range in the declared conditions, the one to emit with. [m]"""
        effects = self.range_effects(params, scene)
        return effects[-1].after_m if effects else float(params.range_m)

    def fields(self, params: Any, purpose: str) -> tuple[Field, ...]:
        """Areas that are set for a purpose; none means no limit."""
        return tuple(f for f in getattr(params, "fields", ()) if f.purpose == purpose)

    def mirrored(self, params: Any) -> Any:
        """Parameters of the mirror image, left and right exchanged: in a mirrored scene it sees the mirrored area.

        Fields change sides, all else stays: right for a device that looks the same in a mirror. A family whose
        parameters tell left from right overrides it, and mirrors the fields by calling this one.
        """
        fields = getattr(params, "fields", ())
        return msgspec.structs.replace(params, fields=tuple(_mirrored(f) for f in fields)) if fields else params

    def group_name(self, params: Any, group: int) -> str:
        """What a person calls one group of its rays, numbered from 0 over the whole device."""
        return f"row {group + 1}"

    def tunables(self, params: Any, scene: Scene) -> Iterable[Tunable]:
        """Settings that may be searched; none by default."""
        return ()

    def review(self, params: Any, scene: Scene, view: SensorView) -> Iterator[Finding]:
        """Remarks on this sensor in this scene; pure."""
        yield from ()

    def finding(self, key: str, *, subjects: Sequence[str] = (), **values: Any) -> Finding:
        """A declared finding with its numbers."""
        return self.findings[key].make(f"{self.name}.{key}", subjects=subjects, **values)

    def filter_findings(self, params: Any, scene: Scene) -> Iterator[Finding]:
        """Remarks of `FILTER_FINDINGS` on what the filters cost, for families that declare them."""
        for i, field in enumerate(getattr(params, "fields", ())):
            subjects = [f"{scene.pointer}/device/fields/{i}/filters"]
            scans = self.filter_scans(params, field.filters)
            if scans:
                delay = scans * params.scan_s
                yield self.finding(
                    "filter_delay",
                    subjects=subjects,
                    scans=scans,
                    delay_s=delay,
                    speed_m_per_s=WALK_M_PER_S,
                    moved_m=WALK_M_PER_S * delay,
                )
            if field.purpose == "protection" and asked(field.filters) & set(self.filters) & {"direction", "speed"}:
                yield self.finding("filter_hides_standing", subjects=subjects)


def _mirrored(field: Field) -> Field:
    """A field on the other side of the middle of the opening."""
    if field.ring_m is not None:
        return msgspec.structs.replace(field, ring_m=tuple((-x + 0.0, y) for x, y in field.ring_m))
    x_from, x_to = field.x_from_m, field.x_to_m
    return msgspec.structs.replace(
        field, x_from_m=None if x_to is None else -x_to + 0.0, x_to_m=None if x_from is None else -x_from + 0.0
    )


FILTER_FINDINGS: Mapping[str, FindingSpec] = MappingProxyType(
    {
        "filter_delay": FindingSpec(
            "info",
            "The filters take {scans} scans more, {delay_s:.2f} s: at {speed_m_per_s:.1f} m/s a body has moved on "
            "{moved_m:.2f} m before it counts.",
            "Take the filter out where this way is missing, or use a faster scan.",
            "own derivation from noise and scan time; walking speed 29 CFR 1910.217, verified",
        ),
        "filter_hides_standing": FindingSpec(
            "critical",
            "A filter by direction or speed in a field for protection: a body that stands still is not seen.",
            "Filter by direction and speed for activation alone.",
        ),
    }
)

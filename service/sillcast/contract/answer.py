"""What a client gets: zones, sensors, comparisons, findings, marks, checks, derivations."""

from typing import Annotated, Any

import msgspec
from msgspec import Meta

from sillcast.contract.advice import Proposal, Relaxation, SearchReport
from sillcast.contract.base import Answer, AreaList

__all__ = [
    "AimMark",
    "Assessment",
    "Band",
    "BodyCard",
    "BodyList",
    "Circle",
    "Combined",
    "Comparison",
    "ComputedBy",
    "Counts",
    "Coverage",
    "CoverageAnswer",
    "Culprit",
    "Derivation",
    "DerivationInput",
    "Detection",
    "FamilyCard",
    "FamilyList",
    "Finding",
    "Gap",
    "NeedsAnswer",
    "Outline",
    "OverrideUsed",
    "RangeStep",
    "Ray",
    "RefusedFamily",
    "SensorAnswer",
    "Shadow",
    "SiteCheck",
    "Smallest",
    "StateShare",
    "TapeDistances",
    "TypicalValue",
    "Zone",
]

Number = float | int | str | bool | None


class DerivationInput(Answer, frozen=True, kw_only=True):
    """One input of a derivation."""

    name: str
    value: float | str
    unit: str
    origin: Annotated[
        str, Meta(description="JSON pointer into the request, rule-set clause, family, or derivation id.")
    ]


class Derivation(Answer, frozen=True, kw_only=True):
    """Why a number is what it is."""

    id: Annotated[str, Meta(description="`<zone or subject>/<quantity>`.")]
    quantity: str
    formula: str
    inputs: list[DerivationInput]
    result: float
    unit: str
    source: str
    status: Annotated[
        str, Meta(examples=["verified", "second_hand", "from_memory", "common_practice", "own_derivation", "request"])
    ]
    note: str = ""
    change: Annotated[str, Meta(description="What it would take to change the result.")] = ""


class Zone(Answer, frozen=True, kw_only=True):
    """A required area on the floor: the set of body centres at which the body must be detected."""

    id: Annotated[str, Meta(description="`<kind>:<side>:<traveller or leaf>`.")]
    kind: Annotated[str, Meta(examples=["activation", "protection", "exclusion"])]
    side: Annotated[str, Meta(examples=["near", "far"])]
    label: str
    body: str
    angles_deg: list[float]
    states: list[float]
    polygons_m: AreaList
    area_m2: float
    weight: float
    derivations: list[str]


class Coverage(Answer, frozen=True, kw_only=True):
    """What of a sensor's emission is at one height above the floor: areas, or lines for scan planes and beams."""

    height_m: float
    state: float
    polygons_m: AreaList
    lines_m: Annotated[
        list[list[tuple[float, float]]], Meta(description="Traces of scan planes and beams at this height. [m]")
    ]


class Detection(Answer, frozen=True, kw_only=True):
    """Where a body is detected by one sensor."""

    body: str
    angle_deg: float
    heading_deg: float | None = None
    speed_m_per_s: float | None = None
    state: float
    purpose: str
    area_m2: float
    polygons_m: AreaList


class Counts(Answer, frozen=True, kw_only=True):
    """Hits per cell: rows of ascending y, x fastest, saturated at 255."""

    body: str
    angle_deg: float
    state: float
    cell_m: float
    origin_m: Annotated[tuple[float, float], Meta(description="Centre of cell 0. [m]")]
    shape: Annotated[tuple[int, int], Meta(description="Rows, columns.")]
    data: Annotated[bytes, Meta(description="Base64 of uint8 in JSON, bytes in MessagePack.")]


class Band(Answer, frozen=True, kw_only=True):
    """Area that the planes and beams of a sensor sweep between two heights, seen from above."""

    low_m: float
    high_m: float
    state: float
    polygons_m: AreaList


class Smallest(Answer, frozen=True, kw_only=True):
    """Per cell the first of nested bodies that is detected: its place in the list, the list's length for none."""

    bodies: list[str]
    angle_deg: float
    state: float
    cell_m: float
    origin_m: Annotated[tuple[float, float], Meta(description="Centre of cell 0. [m]")]
    shape: Annotated[tuple[int, int], Meta(description="Rows, columns.")]
    data: Annotated[bytes, Meta(description="Base64 of uint8 in JSON, bytes in MessagePack.")]


class Combined(Answer, frozen=True, kw_only=True):
    """Where at least so many sensors, each on its own, detect a body: 1 is their union, 2 and more redundancy."""

    body: str
    angle_deg: float
    state: float
    at_least: int
    area_m2: float
    polygons_m: AreaList


class Shadow(Answer, frozen=True, kw_only=True):
    """What an obstacle takes from a sensor: remove it and this area is gained."""

    obstacle: str
    sensor: str
    body: str
    angle_deg: float
    state: float
    area_m2: float
    polygons_m: AreaList


class Outline(Answer, frozen=True, kw_only=True):
    """Ideal, not detection: where scan planes would meet a body if their rays were as dense as can be, one hit enough.

    No verdict, gap or proposal rests on it.
    """

    body: str
    angle_deg: float
    state: float
    area_m2: float
    short_m2: Annotated[
        float,
        Meta(description="Part of the outline in which the real rays do not hit the body often enough. [m2]"),
    ]
    polygons_m: AreaList


class Ray(Answer, frozen=True, kw_only=True):
    """One clipped ray."""

    start_m: tuple[float, float, float]
    end_m: tuple[float, float, float]
    group: int
    ends_at: str


class RangeStep(Answer, frozen=True, kw_only=True):
    """What one condition makes of a sensor's range; the steps follow each other."""

    name: str
    before_m: float
    after_m: float
    formula: str
    inputs: list[DerivationInput]
    source: str
    status: str
    note: str = ""


class SensorAnswer(Answer, frozen=True, kw_only=True):
    """What one sensor sees."""

    name: str
    family: str
    senses: list[str]
    response_s: float
    range_steps: Annotated[
        list[RangeStep], Meta(description="Range before and after each declared condition; empty where none is.")
    ]
    coverage: list[Coverage]
    bands: list[Band]
    detection: list[Detection]
    outlines: Annotated[
        list[Outline],
        Meta(
            description="Where `output.outlines` asks for them and the sensor has scan planes; ideals, not detection."
        ),
    ]
    smallest: list[Smallest]
    counts: list[Counts]
    rays: list[Ray]


class Circle(Answer, frozen=True, kw_only=True):
    """Largest circle that fits."""

    x_m: float
    y_m: float
    radius_m: float


class Culprit(Answer, frozen=True, kw_only=True):
    """What takes detection away in a gap."""

    cause: Annotated[str, Meta(examples=["shadow", "range", "sweep", "planes", "field", "no_sensor", "ray_spacing"])]
    name: str
    area_m2: float
    sensor: str = ""


class Gap(Answer, frozen=True, kw_only=True):
    """Connected part of a zone in which the body is not detected."""

    area_m2: float
    polygons_m: AreaList
    largest_circle: Circle
    culprits: list[Culprit]
    largest_unseen_body: Annotated[
        str, Meta(description="Largest body of the catalogue that can stay unseen here.")
    ] = ""


class StateShare(Answer, frozen=True, kw_only=True):
    """Share of a zone that is covered at one leaf state."""

    state: float
    share: float


class Comparison(Answer, frozen=True, kw_only=True):
    """Need against detection for one zone, at the worst leaf state."""

    zone: str
    verdict: Annotated[str, Meta(examples=["met", "not_met", "cannot_tell", "informative"])]
    reason: str
    worst_state: float
    share: float
    shares: list[StateShare]
    required_m2: Annotated[float, Meta(description="Area of the zone less blocked places. [m2]")]
    blocked_m2: Annotated[float, Meta(description="Area in which the body cannot stand. [m2]")]
    gaps: list[Gap]
    gap_m2: float
    width_reached_m: Annotated[float, Meta(description="Widest gap-free width at full zone depth. [m]")]
    depth_reached_m: Annotated[float, Meta(description="Gap-free depth over the zone's full width. [m]")]
    overspill_m2: Annotated[float, Meta(description="For exclusions: area detected though unwanted. [m2]")]
    margin_m: Annotated[float | None, Meta(description="How far the zone could grow before it fails. [m]")]
    contributing: list[str]
    redundant_share: Annotated[float, Meta(description="Share seen by two sensors or more, each on its own. [1]")] = 0.0


class Finding(Answer, frozen=True, kw_only=True):
    """A remark about the plan, with its numbers and what to do."""

    code: Annotated[str, Meta(description="`<family>.<key>` or `core.<key>`.")]
    severity: Annotated[str, Meta(examples=["info", "warning", "critical"])]
    message: str
    values: dict[str, Number]
    subjects: list[str]
    remedy: str
    zone: str = ""
    derivation: str = ""
    source: str = ""


class TapeDistances(Answer, frozen=True, kw_only=True):
    """A place on the floor as a tape measures it: straight to the foot of each jamb, square from the wall face. [m]"""

    from_left_jamb_m: float
    from_right_jamb_m: float
    from_wall_face_m: float


class AimMark(Answer, frozen=True, kw_only=True):
    """Where a plane or beam meets the floor or a jamb: mark it, and see that the sensor agrees."""

    sensor: str
    label: str
    meets: Annotated[str, Meta(examples=["floor", "left jamb", "right jamb", "obstacle"])]
    x_m: float
    y_m: float
    z_m: float
    tape: TapeDistances


class SiteCheck(Answer, frozen=True, kw_only=True):
    """A place to put the body on site, with the result that the plan expects."""

    label: str
    zone: str
    body: str
    angle_deg: float
    state: float
    x_m: float
    y_m: float
    expected: Annotated[str, Meta(examples=["detected", "not_detected"])]
    sensors: list[str]
    why: str
    tape: TapeDistances


class ComputedBy(Answer, frozen=True, kw_only=True):
    """What computed the answer."""

    core: str
    families: dict[str, str]
    rule_set: str
    back_end: str


class OverrideUsed(Answer, frozen=True, kw_only=True):
    """A rule value that the request replaced."""

    name: str
    was: float
    value: float
    unit: str
    reason: str


class NeedsAnswer(Answer, frozen=True, kw_only=True):
    """Required zones with their derivations."""

    zones: list[Zone]
    findings: list[Finding]
    derivations: list[Derivation]
    overrides: list[OverrideUsed]
    cautions: list[str]
    computed_by: ComputedBy


class CoverageAnswer(Answer, frozen=True, kw_only=True):
    """What the sensors see, without any door rule."""

    sensors: list[SensorAnswer]
    combined: list[Combined]
    shadows: list[Shadow]
    findings: list[Finding]
    cautions: list[str]
    computed_by: ComputedBy


class Assessment(Answer, frozen=True, kw_only=True):
    """The main job: need, detection, comparison, findings, and how to prove it on site."""

    summary: Annotated[str, Meta(description="One sentence for the technician.")]
    zones: list[Zone]
    sensors: list[SensorAnswer]
    comparisons: list[Comparison]
    findings: list[Finding]
    proposals: list[Proposal]
    proposals_note: str
    search: SearchReport | None = None
    relaxations: list[Relaxation]
    aim_marks: list[AimMark]
    site_checks: list[SiteCheck]
    cautions: list[str]
    derivations: list[Derivation]
    overrides: list[OverrideUsed]
    computed_by: ComputedBy
    picture_svg: str | msgspec.UnsetType = msgspec.UNSET


class TypicalValue(Answer, frozen=True, kw_only=True):
    """A usual value of one parameter, with the reason."""

    parameter: str
    value: float | str
    unit: str
    reason: str


class FamilyCard(Answer, frozen=True, kw_only=True):
    """One installed family: what it is, what it takes, an example."""

    name: str
    summary: str
    distribution: str
    version: str
    senses: list[str]
    purposes: list[str]
    never_alone: list[str]
    needs_counterpart: bool
    typical: list[TypicalValue]
    findings: dict[str, str]
    params_schema: Annotated[dict[str, Any], Meta(description="JSON Schema of the sensor's `device`.")]
    example: Annotated[dict[str, Any], Meta(description="A worked `device`.")]


class RefusedFamily(Answer, frozen=True, kw_only=True):
    """An entry that was left out at start, and why."""

    origin: str
    reason: str


class FamilyList(Answer, frozen=True, kw_only=True):
    """All installed families."""

    families: list[FamilyCard]
    refused: list[RefusedFamily]


class BodyCard(Answer, frozen=True, kw_only=True):
    """A test body with its source."""

    name: str
    shape: str
    width_m: float
    depth_m: float
    height_m: float
    source: str


class BodyList(Answer, frozen=True, kw_only=True):
    """Catalogue of standard test bodies."""

    bodies: list[BodyCard]

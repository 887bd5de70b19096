"""What a client gets: zones, sensors, comparisons, findings, marks, checks, derivations."""

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from sillcast.contract.advice import Proposal, Relaxation, SearchReport
from sillcast.contract.base import (
    AheadM,
    Answer,
    AreaList,
    AreaM2,
    BodyName,
    Cautions,
    RightM,
    SensorName,
    Source,
    SourceStatus,
    State,
    TurnDeg,
    Unit,
    Verdict,
    ZoneId,
)

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

    name: Annotated[str, Meta(description="What goes in, as the formula names it.")]
    value: Annotated[float | str, Meta(description="Its value. [`unit`]")]
    unit: Unit
    origin: Annotated[
        str, Meta(description="JSON pointer into the request, rule-set clause, family, or derivation id.")
    ]


class Derivation(Answer, frozen=True, kw_only=True):
    """Why a number is what it is."""

    id: Annotated[str, Meta(description="`<zone or subject>/<quantity>`.")]
    quantity: Annotated[str, Meta(description="What is derived.")]
    formula: Annotated[str, Meta(description="Formula in words and symbols, with the names of `inputs`.")]
    inputs: Annotated[list[DerivationInput], Meta(description="What goes into the formula, in its order.")]
    result: Annotated[float, Meta(description="What comes out. [`unit`]")]
    unit: Unit
    source: Source
    status: SourceStatus
    note: Annotated[str, Meta(description="Limits of validity; empty if there is nothing to say.")] = ""
    change: Annotated[str, Meta(description="What it would take to change the result.")] = ""


class Zone(Answer, frozen=True, kw_only=True):
    """A required area on the floor: the set of body centres at which the body must be detected."""

    id: Annotated[str, Meta(description="`<kind>:<side>:<traveller or leaf>`.")]
    kind: Annotated[
        str,
        Meta(
            description="What the zone is for; in an exclusion detection is unwanted.",
            examples=["activation", "protection", "exclusion"],
        ),
    ]
    side: Annotated[
        str,
        Meta(
            description="Side of the leaf plane on which it lies; `near` for what lies under the leaf.",
            examples=["near", "far"],
        ),
    ]
    label: Annotated[str, Meta(description="What a person calls it.")]
    body: BodyName
    angles_deg: Annotated[
        list[float], Meta(description="Turns of the body, at each of which it must be detected. [deg]")
    ]
    states: Annotated[list[float], Meta(description="Leaf states at which the zone is judged. [1]")]
    polygons_m: AreaList
    area_m2: AreaM2
    weight: Annotated[float, Meta(description="Weight among zones of its kind. [1]")]
    derivations: Annotated[list[str], Meta(description="Ids of the derivations of its edges.")]


class Coverage(Answer, frozen=True, kw_only=True):
    """What of a sensor's emission is at one height above the floor: areas, or lines for scan planes and beams."""

    height_m: Annotated[float, Meta(description="Height above the local floor. [m]")]
    state: State
    polygons_m: AreaList
    lines_m: Annotated[
        list[list[tuple[float, float]]], Meta(description="Traces of scan planes and beams at this height. [m]")
    ]


class Detection(Answer, frozen=True, kw_only=True):
    """Where a body is detected by one sensor."""

    body: BodyName
    angle_deg: TurnDeg
    heading_deg: Annotated[
        float | None, Meta(description="Course of the body, as asked for; null for one that stands. [deg]")
    ] = None
    speed_m_per_s: Annotated[
        float | None, Meta(description="Speed along the heading, as asked for; null for one that stands. [m/s]")
    ] = None
    state: State
    purpose: Annotated[str, Meta(description="Purpose for which it is detected; fields act for one purpose.")]
    area_m2: AreaM2
    polygons_m: AreaList


class Counts(Answer, frozen=True, kw_only=True):
    """Hits per cell: rows of ascending y, x fastest, saturated at 255."""

    body: BodyName
    angle_deg: TurnDeg
    state: State
    cell_m: Annotated[float, Meta(description="Side of a cell. [m]")]
    origin_m: Annotated[tuple[float, float], Meta(description="Centre of cell 0. [m]")]
    shape: Annotated[tuple[int, int], Meta(description="Rows, columns. [1]")]
    data: Annotated[bytes, Meta(description="Base64 of uint8 in JSON, bytes in MessagePack.")]


class Band(Answer, frozen=True, kw_only=True):
    """Area that the planes and beams of a sensor sweep between two heights, seen from above."""

    low_m: Annotated[float, Meta(description="Lower height above the local floor. [m]")]
    high_m: Annotated[float, Meta(description="Upper height above the local floor. [m]")]
    state: State
    polygons_m: AreaList


class Smallest(Answer, frozen=True, kw_only=True):
    """Per cell the first of nested bodies that is detected: its place in the list, the list's length for none."""

    bodies: Annotated[list[str], Meta(description="Names of the nested bodies, smallest first.")]
    angle_deg: TurnDeg
    state: State
    cell_m: Annotated[float, Meta(description="Side of a cell. [m]")]
    origin_m: Annotated[tuple[float, float], Meta(description="Centre of cell 0. [m]")]
    shape: Annotated[tuple[int, int], Meta(description="Rows, columns. [1]")]
    data: Annotated[bytes, Meta(description="Base64 of uint8 in JSON, bytes in MessagePack.")]


class Combined(Answer, frozen=True, kw_only=True):
    """Where at least so many sensors, each on its own, detect a body: 1 is their union, 2 and more redundancy."""

    body: BodyName
    angle_deg: TurnDeg
    state: State
    at_least: Annotated[int, Meta(description="Number of sensors that detect the body here, at least. [1]")]
    area_m2: AreaM2
    polygons_m: AreaList


class Shadow(Answer, frozen=True, kw_only=True):
    """What an obstacle takes from a sensor: remove it and this area is gained."""

    obstacle: Annotated[str, Meta(description="Name of the obstacle.")]
    sensor: SensorName
    body: BodyName
    angle_deg: TurnDeg
    state: State
    area_m2: AreaM2
    polygons_m: AreaList


class Outline(Answer, frozen=True, kw_only=True):
    """Ideal, not detection: where scan planes would meet a body if their rays were as dense as can be, one hit enough.

    No verdict, gap or proposal rests on it.
    """

    body: BodyName
    angle_deg: TurnDeg
    state: State
    area_m2: AreaM2
    short_m2: Annotated[
        float,
        Meta(description="Part of the outline in which the real rays do not hit the body often enough. [m2]"),
    ]
    polygons_m: AreaList


class Ray(Answer, frozen=True, kw_only=True):
    """One clipped ray."""

    start_m: Annotated[tuple[float, float, float], Meta(description="Where it starts: x, y, z in the door frame. [m]")]
    end_m: Annotated[tuple[float, float, float], Meta(description="Where it ends: x, y, z in the door frame. [m]")]
    group: Annotated[int, Meta(description="Plane, row or beam that it belongs to, counted from 0. [1]")]
    ends_at: Annotated[str, Meta(description="What ends it: `range`, `floor`, or the name of what it meets.")]


class RangeStep(Answer, frozen=True, kw_only=True):
    """What one condition makes of a sensor's range; the steps follow each other."""

    name: Annotated[str, Meta(description="The condition.")]
    before_m: Annotated[float, Meta(description="Range before it. [m]")]
    after_m: Annotated[float, Meta(description="Range after it. [m]")]
    formula: Annotated[str, Meta(description="Formula in words and symbols, with the names of `inputs`.")]
    inputs: Annotated[list[DerivationInput], Meta(description="What goes into the formula, in its order.")]
    source: Source
    status: SourceStatus
    note: Annotated[str, Meta(description="Limits of validity; empty if there is nothing to say.")] = ""


class SensorAnswer(Answer, frozen=True, kw_only=True):
    """What one sensor sees."""

    name: SensorName
    family: Annotated[str, Meta(description="Name of its family.")]
    senses: Annotated[list[str], Meta(description="What it senses.")]
    response_s: Annotated[
        float, Meta(description="Time from the arrival of a body to the signal, filters included. [s]")
    ]
    range_steps: Annotated[
        list[RangeStep], Meta(description="Range before and after each declared condition; empty where none is.")
    ]
    coverage: Annotated[
        list[Coverage],
        Meta(description="What it sends out or receives, for each of `output.states` and `output.heights_m`."),
    ]
    bands: Annotated[
        list[Band], Meta(description="Area swept between two heights, for each of `output.states` and `output.bands`.")
    ]
    detection: Annotated[
        list[Detection],
        Meta(
            description="Where bodies are detected, for each of `output.states`, `output.detections` and its purposes."
        ),
    ]
    outlines: Annotated[
        list[Outline],
        Meta(
            description="Where `output.outlines` asks for them and the sensor has scan planes; ideals, not detection."
        ),
    ]
    smallest: Annotated[
        list[Smallest],
        Meta(description="First of nested bodies to be detected, for each of `output.states` and `output.smallest`."),
    ]
    counts: Annotated[list[Counts], Meta(description="Hits per cell, for each of `output.states` and `output.counts`.")]
    rays: Annotated[
        list[Ray],
        Meta(description="Clipped rays at the first of `output.states`; empty unless `output.rays` asks for them."),
    ]


class Circle(Answer, frozen=True, kw_only=True):
    """Largest circle that fits."""

    x_m: RightM
    y_m: AheadM
    radius_m: Annotated[float, Meta(description="Radius. [m]")]


class Culprit(Answer, frozen=True, kw_only=True):
    """What takes detection away in a gap."""

    cause: Annotated[
        str,
        Meta(
            examples=[
                "shadow",
                "field",
                "leaf",
                "leaf_shadow",
                "muting",
                "range",
                "ray_spacing",
                "too_near",
                "speed",
                "planes",
                "aim",
                "no_sensor",
            ],
            description="Sort of cause: an obstacle's shadow, a field, the leaf that rays meet or a lobe hears, "
            "the leaf that stands in between (leaf_shadow), muting, the range, the spacing of the rays, a loop, mat "
            "or beam too near the door (too_near), the speed along the line of sight, the space between what is seen, "
            "the aim, or no sensor. What explains less than a tenth of the gap is left out.",
        ),
    ]
    name: Annotated[str, Meta(description="What it is: the name of an obstacle, or the cause in words.")]
    area_m2: Annotated[float, Meta(description="Part of the gap that would be detected without it. [m2]")]
    sensor: Annotated[str, Meta(description="Name of the sensor, where it is about one alone; else empty.")] = ""


class Gap(Answer, frozen=True, kw_only=True):
    """Connected part of a zone in which the body is not detected."""

    area_m2: AreaM2
    polygons_m: AreaList
    largest_circle: Annotated[Circle, Meta(description="Largest circle that fits into the gap.")]
    culprits: Annotated[
        list[Culprit],
        Meta(description="What takes detection away, most first; causes overlap. Empty from the fourth gap on."),
    ]
    largest_unseen_body: Annotated[
        str, Meta(description="Largest body of the catalogue that can stay unseen here.")
    ] = ""


class StateShare(Answer, frozen=True, kw_only=True):
    """Share of a zone that is covered at one leaf state."""

    state: State
    share: Annotated[float, Meta(description="Share of the zone that is covered. [1]")]


class Comparison(Answer, frozen=True, kw_only=True):
    """Need against detection for one zone, at the worst leaf state."""

    zone: ZoneId
    verdict: Verdict
    reason: Annotated[str, Meta(description="Why this verdict, in one sentence.")]
    worst_state: Annotated[
        float, Meta(description="Leaf state of these numbers, the worst of the zone's: 0 closed, 1 open. [1]")
    ]
    share: Annotated[
        float,
        Meta(
            description="Share of the required area that is covered; of an exclusion, the share that is detected. [1]"
        ),
    ]
    shares: Annotated[
        list[StateShare], Meta(description="Covered share at each leaf state of the zone; empty for an exclusion.")
    ]
    required_m2: Annotated[float, Meta(description="Area of the zone less blocked places. [m2]")]
    blocked_m2: Annotated[float, Meta(description="Area in which the body cannot stand. [m2]")]
    gaps: Annotated[list[Gap], Meta(description="Connected parts in which the body is not detected.")]
    gap_m2: Annotated[float, Meta(description="Area of all gaps together. [m2]")]
    width_reached_m: Annotated[float, Meta(description="Widest gap-free width at full zone depth. [m]")]
    depth_reached_m: Annotated[float, Meta(description="Gap-free depth over the zone's full width. [m]")]
    overspill_m2: Annotated[float, Meta(description="For exclusions: area detected though unwanted. [m2]")]
    margin_m: Annotated[
        float | None,
        Meta(description="How far the zone could grow before it fails, 1 m at most; null if it is not met. [m]"),
    ]
    contributing: Annotated[
        list[str], Meta(description="Names of the sensors that detect the body somewhere in the zone.")
    ]
    redundant_share: Annotated[float, Meta(description="Share seen by two sensors or more, each on its own. [1]")] = 0.0


class Finding(Answer, frozen=True, kw_only=True):
    """A remark about the plan, with its numbers and what to do."""

    code: Annotated[str, Meta(description="`<family>.<key>` or `core.<key>`.")]
    severity: Annotated[str, Meta(description="How much it matters.", examples=["info", "warning", "critical"])]
    message: Annotated[str, Meta(description="What is the matter, in words.")]
    values: Annotated[
        dict[str, Number],
        Meta(description="Numbers and names in the message; a name ends in its unit, as `area_m2`. [as named]"),
    ]
    subjects: Annotated[list[str], Meta(description="JSON pointers (RFC 6901) into the request: what it is about.")]
    remedy: Annotated[str, Meta(description="What to do; empty where there is nothing to do.")]
    zone: Annotated[str, Meta(description="Id of the zone that it is about; empty for none.")] = ""
    derivation: Annotated[str, Meta(description="Id of the derivation behind it; empty for none.")] = ""
    source: Annotated[
        str, Meta(description="Where its figures come from; empty where they come from this calculation.")
    ] = ""


class TapeDistances(Answer, frozen=True, kw_only=True):
    """A place on the floor as a tape measures it: straight to the foot of each jamb, square from the wall face. [m]"""

    face: Annotated[
        Literal["near", "far"],
        Meta(description="Which face of the wall it is measured from, with the feet of the jambs on that face."),
    ]
    from_left_jamb_m: Annotated[float, Meta(description="Straight to the foot of the left jamb. [m]")]
    from_right_jamb_m: Annotated[float, Meta(description="Straight to the foot of the right jamb. [m]")]
    from_wall_face_m: Annotated[
        float, Meta(description="Square from that face of the wall; negative within the wall. [m]")
    ]


class AimMark(Answer, frozen=True, kw_only=True):
    """Where a plane, beam or axis meets the floor or its other end, or a field has a corner: mark it, then look."""

    sensor: SensorName
    label: Annotated[str, Meta(description="Which plane, beam, axis or field, and where.")]
    meets: Annotated[str, Meta(description="What it meets there.", examples=["floor", "counterpart"])]
    x_m: RightM
    y_m: AheadM
    z_m: Annotated[float, Meta(description="Height in the door frame. [m]")]
    tape: Annotated[TapeDistances, Meta(description="The place as a tape measures it.")]


class SiteCheck(Answer, frozen=True, kw_only=True):
    """A place to put the body on site, with the result that the plan expects."""

    label: Annotated[str, Meta(description="Zone, leaf state and place, in words.")]
    zone: ZoneId
    body: BodyName
    angle_deg: TurnDeg
    state: State
    x_m: RightM
    y_m: AheadM
    expected: Annotated[str, Meta(description="What the plan expects there.", examples=["detected", "not_detected"])]
    sensors: Annotated[list[str], Meta(description="Names of the sensors that detect the body there, each on its own.")]
    why: Annotated[str, Meta(description="What is special about this place.")]
    tape: Annotated[TapeDistances, Meta(description="The place as a tape measures it.")]


class ComputedBy(Answer, frozen=True, kw_only=True):
    """What computed the answer."""

    core: Annotated[str, Meta(description="Version of sillcast.")]
    families: Annotated[dict[str, str], Meta(description="Versions of the families in use, by name.")]
    rule_set: Annotated[
        str, Meta(description="Name, edition and revision of the rule set; empty where no rules were asked.")
    ]
    back_end: Annotated[str, Meta(description="Back end of the kernel, `numba` or `numpy`; both give equal numbers.")]


class OverrideUsed(Answer, frozen=True, kw_only=True):
    """A rule value that the request replaced."""

    name: Annotated[str, Meta(description="Name of the rule.")]
    was: Annotated[float, Meta(description="Value in the rule set. [`unit`]")]
    value: Annotated[float, Meta(description="Value used instead. [`unit`]")]
    unit: Unit
    reason: Annotated[str, Meta(description="Reason that the request gives.")]


class NeedsAnswer(Answer, frozen=True, kw_only=True):
    """Required zones with their derivations."""

    zones: Annotated[list[Zone], Meta(description="Required zones.")]
    findings: Annotated[list[Finding], Meta(description="Remarks, the most severe first.")]
    derivations: Annotated[list[Derivation], Meta(description="Why the numbers of the zones are what they are.")]
    overrides: Annotated[list[OverrideUsed], Meta(description="Rule values that the request replaced.")]
    cautions: Cautions
    computed_by: Annotated[ComputedBy, Meta(description="What computed the answer.")]


class CoverageAnswer(Answer, frozen=True, kw_only=True):
    """What the sensors see, without any door rule."""

    sensors: Annotated[list[SensorAnswer], Meta(description="What each sensor sees, in the order of the request.")]
    combined: Annotated[
        list[Combined], Meta(description="Where at least so many sensors detect each of `output.detections`.")
    ]
    shadows: Annotated[
        list[Shadow], Meta(description="What each obstacle takes; empty unless `output.shadows` asks for it.")
    ]
    findings: Annotated[list[Finding], Meta(description="Remarks, the most severe first.")]
    cautions: Cautions
    computed_by: Annotated[ComputedBy, Meta(description="What computed the answer.")]


class Assessment(Answer, frozen=True, kw_only=True):
    """The main job: need, detection, comparison, findings, and how to prove it on site."""

    summary: Annotated[str, Meta(description="For people: the verdict, and the first critical finding beside it.")]
    zones: Annotated[list[Zone], Meta(description="Required zones.")]
    sensors: Annotated[list[SensorAnswer], Meta(description="What each sensor sees, in the order of the request.")]
    comparisons: Annotated[list[Comparison], Meta(description="Need against detection, zone by zone.")]
    findings: Annotated[list[Finding], Meta(description="Remarks, the most severe first.")]
    proposals: Annotated[
        list[Proposal],
        Meta(description="Settings that improve the result when they are changed together; empty if there are none."),
    ]
    proposals_note: Annotated[str, Meta(description="What to do with the proposals, or why there are none.")]
    search: Annotated[
        SearchReport | None, Meta(description="How the proposals were searched for; null if they were not asked for.")
    ] = None
    relaxations: Annotated[
        list[Relaxation],
        Meta(description="What would have to give way beyond the settings, for zones that stay unmet."),
    ]
    aim_marks: Annotated[
        list[AimMark],
        Meta(description="Where planes, beams and axes meet the floor or their other end, and the corners of fields."),
    ]
    site_checks: Annotated[list[SiteCheck], Meta(description="Places to put the test body, to prove the plan on site.")]
    cautions: Cautions
    derivations: Annotated[list[Derivation], Meta(description="Why the numbers of the zones are what they are.")]
    overrides: Annotated[list[OverrideUsed], Meta(description="Rule values that the request replaced.")]
    computed_by: Annotated[ComputedBy, Meta(description="What computed the answer.")]
    picture_svg: Annotated[
        str | msgspec.UnsetType, Meta(description="Plan view as SVG text; absent unless `output.picture` asks for it.")
    ] = msgspec.UNSET


class TypicalValue(Answer, frozen=True, kw_only=True):
    """A usual value of one parameter, with the reason."""

    parameter: Annotated[str, Meta(description="Name of the parameter.")]
    value: Annotated[float | str, Meta(description="Usual value. [`unit`]")]
    unit: Unit
    reason: Annotated[str, Meta(description="Why this is usual.")]


class FamilyCard(Answer, frozen=True, kw_only=True):
    """One installed family: what it is, what it takes, an example."""

    name: Annotated[str, Meta(description="Name, as `device.family` has it.")]
    summary: Annotated[str, Meta(description="What it is, in one sentence.")]
    distribution: Annotated[str, Meta(description="Package that it comes from.")]
    version: Annotated[str, Meta(description="Version of that package.")]
    senses: Annotated[list[str], Meta(description="What its sensors sense.")]
    purposes: Annotated[list[str], Meta(description="Purposes that its sensors may serve.")]
    never_alone: Annotated[
        list[str], Meta(description="Purposes that its sensors may serve only beside one of another family.")
    ]
    needs_counterpart: Annotated[bool, Meta(description="True if its sensors have two ends and need `counterpart`.")]
    typical: Annotated[list[TypicalValue], Meta(description="Usual values of its parameters.")]
    findings: Annotated[dict[str, str], Meta(description="Messages that it may give, by code.")]
    params_schema: Annotated[dict[str, Any], Meta(description="JSON Schema of the sensor's `device`.")]
    example: Annotated[dict[str, Any], Meta(description="A worked `device`.")]


class RefusedFamily(Answer, frozen=True, kw_only=True):
    """An entry that was left out at start, and why."""

    origin: Annotated[str, Meta(description="Package, version and entry point.")]
    reason: Annotated[str, Meta(description="Why it was left out.")]


class FamilyList(Answer, frozen=True, kw_only=True):
    """All installed families."""

    families: Annotated[list[FamilyCard], Meta(description="Cards of the families.")]
    refused: Annotated[
        list[RefusedFamily], Meta(description="Entries that were left out at start; empty for a strict start.")
    ]


class BodyCard(Answer, frozen=True, kw_only=True):
    """A test body with its source."""

    name: Annotated[str, Meta(description="Name, to be used where a request names a body.")]
    shape: Annotated[str, Meta(description="Form of the body; a sphere is as high as wide.")]
    width_m: Annotated[float, Meta(description="Along its own x, or the diameter. [m]")]
    depth_m: Annotated[float, Meta(description="Along its own y. [m]")]
    height_m: Annotated[float, Meta(description="Height. [m]")]
    source: Annotated[str, Meta(description="Where the size comes from.")]


class BodyList(Answer, frozen=True, kw_only=True):
    """Catalogue of standard test bodies."""

    bodies: Annotated[list[BodyCard], Meta(description="All standard test bodies.")]

"""Aliases with units and bounds, and the base of all wire structs."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

__all__ = [
    "AheadM",
    "AngleDeg",
    "Answer",
    "Area",
    "AreaList",
    "AreaM2",
    "BodyName",
    "Category",
    "Cautions",
    "CoordinateM",
    "Name",
    "PerformanceLevel",
    "PositionM",
    "Purpose",
    "RightM",
    "Ring",
    "SensorName",
    "SensorParams",
    "Side",
    "Sides",
    "Source",
    "SourceStatus",
    "State",
    "Text",
    "TurnDeg",
    "Unit",
    "Verdict",
    "Wire",
    "ZoneId",
]


class Wire(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of all wire structs: frozen, keyword-only, unknown fields refused."""


class Answer(Struct, frozen=True, kw_only=True):
    """Base of all answer structs; fields may be added, so clients ignore what they do not know."""


class SensorParams(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="family"):
    """Base of the parameters of a sensor of one family; the family's name is the tag."""


# `(?![\s\S])` and not `$`: a trailing line feed is refused by Python and by JSON Schema validators alike.
Name = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        pattern=r"^[A-Za-z0-9 _.-]{1,64}(?![\s\S])",
        description="Letters, digits, space, underscore, full stop and hyphen; 1 to 64 of them.",
    ),
]
Text = Annotated[str, Meta(max_length=500)]
Side = Literal["near", "far"]
Purpose = Literal["activation", "protection"]
PerformanceLevel = Literal["a", "b", "c", "d", "e"]
Category = Literal["B", "1", "2", "3", "4"]
Sides = Annotated[tuple[Side, ...], Meta(min_length=1, max_length=2)]

CoordinateM = Annotated[float, Meta(ge=-60.0, le=60.0, description="Coordinate in the door frame. [m]")]
PositionM = tuple[CoordinateM, CoordinateM]
Ring = Annotated[
    tuple[PositionM, ...],
    Meta(min_length=3, max_length=128, description="Corners in order, open or closed, either way round. [m]"),
]
AngleDeg = Annotated[
    float, Meta(ge=-180.0, le=180.0, description="Angle, positive counter-clockwise from above. [deg]")
]
State = Annotated[float, Meta(ge=0.0, le=1.0, description="Share of the leaf's travel: 0 closed, 1 open. [1]")]

# What many answers hold.
AheadM = Annotated[float, Meta(description="y in the door frame, ahead through the door from the near side. [m]")]
AreaM2 = Annotated[float, Meta(description="Area. [m2]")]
BodyName = Annotated[str, Meta(description="Name of the test body.")]
Cautions = Annotated[list[str], Meta(description="What a calculation cannot do, to be shown with the answer.")]
RightM = Annotated[float, Meta(description="x in the door frame, to the right as seen from the near side. [m]")]
SensorName = Annotated[str, Meta(description="Name of the sensor.")]
Source = Annotated[str, Meta(description="Where the formula comes from.")]
SourceStatus = Annotated[
    str,
    Meta(
        examples=["verified", "second_hand", "from_memory", "common_practice", "own_derivation", "request"],
        description="How sure the source is.",
    ),
]
TurnDeg = Annotated[
    float, Meta(description="Turn of the body about its upright axis, positive counter-clockwise from above. [deg]")
]
Unit = Annotated[str, Meta(description="Unit of the numbers here; `1` or empty for those without.")]
Verdict = Annotated[
    str,
    Meta(
        examples=["met", "not_met", "cannot_tell", "informative"],
        description="`met` if the body is detected wherever it must be; `informative` for an exclusion.",
    ),
]
ZoneId = Annotated[str, Meta(description="Id of the zone.")]

# Polygons of an answer: polygons > rings > points, simple-feature order.
Area = list[list[tuple[float, float]]]
AreaList = Annotated[
    list[Area],
    Meta(description="Polygons > rings > points; outer ring first and counter-clockwise, closed. [m]"),
]

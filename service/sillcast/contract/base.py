"""Aliases with units and bounds, and the base of all wire structs."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

__all__ = [
    "AngleDeg",
    "Answer",
    "Area",
    "AreaList",
    "BlindText",
    "CoordinateM",
    "Name",
    "Pointer",
    "PositionM",
    "Purpose",
    "Ring",
    "SensorParams",
    "Share",
    "Side",
    "Sides",
    "State",
    "Text",
    "Wire",
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
BlindText = Annotated[str, Meta(max_length=4000)]
Pointer = Annotated[str, Meta(max_length=500, description="JSON pointer (RFC 6901) into the request.")]
Side = Literal["near", "far"]
Purpose = Literal["activation", "protection"]
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
Share = Annotated[float, Meta(ge=0.0, le=1.0, description="Share. [1]")]

# Polygons of an answer: polygons > rings > points, simple-feature order.
Area = list[list[tuple[float, float]]]
AreaList = Annotated[
    list[Area],
    Meta(description="Polygons > rings > points; outer ring first and counter-clockwise, closed. [m]"),
]

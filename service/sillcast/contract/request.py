"""What a client sends beside the door: site, traffic, sensors, rules, bodies, output."""

from typing import Annotated, Literal

from msgspec import Meta

from sillcast.contract.base import (
    AngleDeg,
    Category,
    CoordinateM,
    Name,
    PerformanceLevel,
    Purpose,
    Ring,
    Side,
    Sides,
    State,
    Text,
    Wire,
)
from sillcast.contract.door import Neighbour

__all__ = [
    "BandRequest",
    "Body",
    "Conditions",
    "ConditionsSide",
    "Counterpart",
    "CountsRequest",
    "DetectionRequest",
    "Field",
    "Filters",
    "Floor",
    "FloorSide",
    "Lane",
    "Mount",
    "Obstacle",
    "Output",
    "Override",
    "Position",
    "Rules",
    "SensorBase",
    "SeparationChoice",
    "Site",
    "SmallestRequest",
    "Traveller",
]


class FloorSide(Wire, frozen=True, kw_only=True):
    """Floor on one side of the leaf plane."""

    slope_deg: Annotated[float, Meta(ge=-15.0, le=15.0, description="Positive rises away from the door. [deg]")] = 0.0
    level_m: Annotated[
        float, Meta(ge=-3.0, le=3.0, description="Level at the leaf plane, negative for a drop. [m]")
    ] = 0.0


class Floor(Wire, frozen=True, kw_only=True):
    """Floor on both sides."""

    near: FloorSide = FloorSide()
    far: FloorSide = FloorSide()


class Obstacle(Wire, frozen=True, kw_only=True):
    """Upright prism that stands in the way."""

    name: Name
    ring_m: Ring
    top_m: Annotated[float, Meta(ge=-3.0, le=60.0, description="Height of the upper face in the door frame. [m]")]
    base_m: Annotated[float, Meta(ge=-3.0, le=60.0, description="Height of the lower face, below the upper. [m]")] = 0.0
    material: Annotated[
        Literal["solid", "metal", "glass", "plastic", "strips"],
        Meta(description="Glass, plastic and strips count as opaque where detection is wanted."),
    ] = "solid"
    moves: Annotated[bool, Meta(description="True for a thing that moves by itself, a fan or a curtain.")] = False


class ConditionsSide(Wire, frozen=True, kw_only=True):
    """Weather, light and surfaces on one side; what is left out is not declared and changes nothing."""

    visibility_m: (
        Annotated[float, Meta(ge=5.0, le=100000.0, description="Meteorological visibility in fog or haze. [m]")] | None
    ) = None
    visibility_contrast: Annotated[
        float,
        Meta(
            ge=0.02,
            le=0.05,
            description="Contrast by which the visibility is meant: 0.05 weather services, 0.02 optical links. [1]",
        ),
    ] = 0.05
    rain_mm_per_h: Annotated[float, Meta(ge=0.0, le=300.0, description="Rain rate in the field. [mm/h]")] | None = None
    snow_mm_per_h: (
        Annotated[float, Meta(ge=0.0, le=50.0, description="Snowfall in the field, as water. [mm/h]")] | None
    ) = None
    air_temperature_deg_c: Annotated[float, Meta(ge=-60.0, le=55.0, description="Air temperature. [deg C]")] | None = (
        None
    )
    humidity_percent: Annotated[float, Meta(ge=0.0, le=100.0, description="Relative humidity. [%]")] | None = None
    sun_w_per_m2: (
        Annotated[float, Meta(ge=0.0, le=1400.0, description="Sunlight on the field, whole spectrum. [W/m2]")] | None
    ) = None
    lamp_on_field: Annotated[bool, Meta(description="True if a lamp shines on the field or into the sensor.")] = False
    floor_reflectance: (
        Annotated[float, Meta(ge=0.005, le=1.0, description="Share that the dry floor reflects diffusely. [1]")] | None
    ) = None
    floor_wet: Annotated[bool, Meta(description="True if the floor is wet or polished: it mirrors.")] = False
    body_reflectance: (
        Annotated[
            float, Meta(ge=0.005, le=3.0, description="Share that clothing or load reflects; cloth 0.018 to 0.9. [1]")
        ]
        | None
    ) = None
    window_dirt: (
        Annotated[
            float,
            Meta(ge=0.0, le=0.95, description="Share of light that dirt on a window takes, each time it passes. [1]"),
        ]
        | None
    ) = None
    wall_vibration_deg: (
        Annotated[float, Meta(ge=0.0, le=10.0, description="How far the mount swings to either side. [deg]")] | None
    ) = None


class Conditions(Wire, frozen=True, kw_only=True):
    """Conditions on both sides."""

    near: ConditionsSide = ConditionsSide()
    far: ConditionsSide = ConditionsSide()


class Site(Wire, frozen=True, kw_only=True):
    """Surroundings of the door."""

    floor: Floor = Floor()
    conditions: Conditions = Conditions()
    obstacles: Annotated[tuple[Obstacle, ...], Meta(description="What stands in the way.", max_length=64)] = ()
    neighbours: Annotated[
        tuple[Neighbour, ...], Meta(max_length=16, description="Neighbouring doors, where their own traffic moves.")
    ] = ()


class Lane(Wire, frozen=True, kw_only=True):
    """Strip along the door in which crossing traffic stays, by distance from the leaf plane."""

    out_from_m: Annotated[float, Meta(ge=0.0, le=50.0, description="Nearer edge. [m]")]
    out_to_m: Annotated[float, Meta(ge=0.0, le=50.0, description="Farther edge, beyond the nearer. [m]")]


class Traveller(Wire, frozen=True, kw_only=True):
    """A kind of traffic: who comes, how fast, how wide, from where."""

    name: Name
    from_sides: Annotated[Sides, Meta(description="Sides from which it comes.")] = ("near", "far")
    speed_m_per_s: Annotated[float, Meta(ge=0.05, le=10.0, description="Speed towards the door. [m/s]")]
    width_m: Annotated[float, Meta(ge=0.1, le=10.0, description="Body width with load. [m]")]
    front_overhang_m: Annotated[
        float, Meta(ge=0.0, le=10.0, description="Length ahead of the part that is detected. [m]")
    ] = 0.0
    clear_height_m: Annotated[float, Meta(ge=0.1, le=20.0, description="Height that must be clear to pass. [m]")]
    approach_deg: Annotated[
        float,
        Meta(ge=-75.0, le=75.0, description="Course from square on to the door, positive counter-clockwise. [deg]"),
    ] = 0.0
    passes: Annotated[
        Literal["through", "by"], Meta(description="`through` the door, or `by` it along the wall without entering.")
    ] = "through"
    lane: Annotated[Lane | None, Meta(description="Required where `passes` is `by`.")] = None
    body: Annotated[Name | None, Meta(description="Body to be detected; the rule set's reference body if absent.")] = (
        None
    )


class Position(Wire, frozen=True, kw_only=True):
    """A point in the door frame."""

    x_m: CoordinateM
    y_m: CoordinateM
    z_m: Annotated[float, Meta(ge=-3.0, le=30.0, description="Height in the door frame. [m]")]


class Mount(Wire, frozen=True, kw_only=True):
    """Where the sensor sits and how it is turned; at zero angles it looks straight down, forward away from the door."""

    side: Annotated[Side, Meta(description="Side of the leaf plane on which it sits.")]
    position: Position
    tilt_deg: Annotated[float, Meta(ge=-90.0, le=120.0, description="Outwards from straight down. [deg]")] = 0.0
    yaw_deg: AngleDeg = 0.0
    roll_deg: Annotated[float, Meta(ge=-180.0, le=180.0, description="About the sensor's own forward axis. [deg]")] = (
        0.0
    )
    carrier: Annotated[
        Literal["building", "leaf"],
        Meta(description="What it is fixed to; on the leaf it moves along, and the place is that of the closed door."),
    ] = "building"


class Filters(Wire, frozen=True, kw_only=True):
    """What a field ignores, with one meaning in every family.

    A course belongs to `towards` or `away` while it leads more to or from the leaf plane than along it, to `across`
    while it leads more along it.
    """

    least_size_m: Annotated[
        float, Meta(ge=0.0, le=3.0, description="Bodies narrower than this on the floor are ignored. [m]")
    ] = 0.0
    least_above_m: Annotated[
        float, Meta(ge=0.0, le=5.0, description="Hits lower than this above the local floor do not count. [m]")
    ] = 0.0
    direction: Annotated[
        Literal["any", "towards", "away", "across"], Meta(description="Course in relation to the leaf plane.")
    ] = "any"
    least_speed_m_per_s: Annotated[
        float, Meta(ge=0.0, le=10.0, description="Bodies slower than this are ignored. [m/s]")
    ] = 0.0


class Field(Wire, frozen=True, kw_only=True):
    """Area in door coordinates that keeps only the hits inside it, for one purpose: a ring, or four bounds."""

    purpose: Annotated[Purpose, Meta(description="Purpose for which the field acts.")]
    ring_m: Ring | None = None
    x_from_m: CoordinateM | None = None
    x_to_m: CoordinateM | None = None
    out_from_m: (
        Annotated[float, Meta(ge=-60.0, le=60.0, description="Nearer bound from the leaf plane. [m]")] | None
    ) = None
    out_to_m: Annotated[float, Meta(ge=-60.0, le=60.0, description="Farther bound from the leaf plane. [m]")] | None = (
        None
    )
    filters: Filters = Filters()
    acts_while: Annotated[
        tuple[Literal["opening", "closing", "standing"], ...],
        Meta(min_length=1, max_length=3, description="Phases of the door in which the field acts."),
    ] = ("opening", "closing", "standing")


class Counterpart(Wire, frozen=True, kw_only=True):
    """Receiver or reflector at the other end of a beam."""

    position: Position


class SensorBase(Wire, frozen=True, kw_only=True):
    """A sensor: name, purposes, mount; the device is added by the registry from the installed families."""

    name: Name
    purposes: Annotated[
        tuple[Purpose, ...],
        Meta(
            description="What it is for: `activation` opens the door, `protection` keeps the leaf off persons.",
            min_length=1,
            max_length=2,
        ),
    ]
    mount: Mount
    counterpart: Annotated[Counterpart | None, Meta(description="Absent for a sensor with one end.")] = None
    performance_level: Annotated[
        PerformanceLevel | None, Meta(description="As stated for the device, in ISO 13849-1 terms.")
    ] = None
    category: Annotated[Category | None, Meta(description="As stated for the device, in ISO 13849-1 terms.")] = None


class SeparationChoice(Wire, frozen=True, kw_only=True):
    """Standard and edition by which the separation distance is worked out beside the rule set's own strip."""

    set: Name
    edition: Annotated[str, Meta(description="Edition of the set.", min_length=1, max_length=16)] = "2024"


class Override(Wire, frozen=True, kw_only=True):
    """A rule-set value replaced for this request, with the reason."""

    name: Name
    value: Annotated[float, Meta(ge=-1e6, le=1e6, description="New value. [unit of the rule]")]
    reason: Annotated[str, Meta(description="Why, to be shown with the answer.", min_length=1, max_length=500)]


class Rules(Wire, frozen=True, kw_only=True):
    """Rule set and what is changed in it."""

    set: Name = "industrial_door"
    separation: Annotated[
        SeparationChoice | None, Meta(description="Absent where no separation distance is wanted.")
    ] = None
    overrides: Annotated[
        tuple[Override, ...], Meta(description="Values of the set that are replaced.", max_length=64)
    ] = ()
    protection_bodies: Annotated[
        tuple[Name, ...], Meta(max_length=4, description="Bodies to be detected; the rule set's own if absent.")
    ] = ()
    assumed_response_s: Annotated[
        float, Meta(ge=0.0, le=5.0, description="Response taken where no sensor serves the purpose and side. [s]")
    ] = 0.2


class Body(Wire, frozen=True, kw_only=True):
    """A test body: box (width along its x, depth along its y), upright cylinder or sphere (width only)."""

    name: Name
    shape: Annotated[Literal["box", "cylinder", "sphere"], Meta(description="Form of the body.")] = "box"
    width_m: Annotated[float, Meta(ge=0.005, le=10.0, description="Along its own x, or the diameter. [m]")]
    depth_m: (
        Annotated[float, Meta(ge=0.005, le=10.0, description="Along its own y; the width if absent. [m]")] | None
    ) = None
    height_m: Annotated[float, Meta(ge=0.005, le=10.0, description="Height; a sphere's is its width. [m]")] | None = (
        None
    )
    source: Annotated[Text, Meta(description="Where the size comes from.")] = ""
    metal: Annotated[bool, Meta(description="True for a body that an induction loop senses.")] = False


class DetectionRequest(Wire, frozen=True, kw_only=True):
    """Where is this body, turned so, detected?"""

    body: Name
    angle_deg: AngleDeg = 0.0
    heading_deg: AngleDeg | None = None
    speed_m_per_s: (
        Annotated[float, Meta(ge=0.01, le=20.0, description="Along the heading; both or none. [m/s]")] | None
    ) = None


class CountsRequest(Wire, frozen=True, kw_only=True):
    """How many rays hit this body at each place of a grid?"""

    body: Name
    cell_m: Annotated[float, Meta(ge=0.01, le=0.5, description="Cell of the grid. [m]")] = 0.05
    angle_deg: AngleDeg = 0.0


class BandRequest(Wire, frozen=True, kw_only=True):
    """Two heights above the local floor between which the swept area is wanted."""

    low_m: Annotated[float, Meta(ge=0.0, le=20.0, description="Lower height. [m]")]
    high_m: Annotated[float, Meta(ge=0.0, le=20.0, description="Upper height, not below the lower. [m]")]


class SmallestRequest(Wire, frozen=True, kw_only=True):
    """Which of nested bodies, smallest first, is the first to be detected at each place of a grid?"""

    bodies: Annotated[
        tuple[Name, ...], Meta(description="Names of the bodies, smallest first.", min_length=1, max_length=14)
    ]
    cell_m: Annotated[float, Meta(ge=0.01, le=0.5, description="Cell of the grid. [m]")] = 0.05
    angle_deg: AngleDeg = 0.0


class Output(Wire, frozen=True, kw_only=True):
    """What the answer should hold beside the verdicts."""

    heights_m: Annotated[
        tuple[Annotated[float, Meta(ge=0.0, le=20.0, description="Height above the local floor. [m]")], ...],
        Meta(max_length=8, description="Heights at which coverage is drawn. [m]"),
    ] = (0.0,)
    detections: Annotated[
        tuple[DetectionRequest, ...], Meta(description="Bodies of which to say where they are detected.", max_length=8)
    ] = ()
    states: Annotated[tuple[State, ...], Meta(min_length=1, max_length=5, description="Leaf states to show. [1]")] = (
        0.0,
    )
    counts: Annotated[tuple[CountsRequest, ...], Meta(description="Grids on which to count hits.", max_length=4)] = ()
    bands: Annotated[
        tuple[BandRequest, ...], Meta(description="Heights between which to draw the area swept.", max_length=4)
    ] = ()
    smallest: Annotated[
        tuple[SmallestRequest, ...],
        Meta(description="Grids on which to name the smallest body detected.", max_length=2),
    ] = ()
    shadows: Annotated[bool, Meta(description="True adds to the coverage what each obstacle takes.")] = False
    outlines: Annotated[
        bool,
        Meta(
            description="True adds for each of `detections` where the scan planes of a sensor would meet the body if "
            "their rays were as dense as can be, and how much of that the real rays miss. An ideal to compare with, "
            "not detection. Boxes and cylinders on a level floor."
        ),
    ] = False
    rays: Annotated[bool, Meta(description="True adds the clipped rays of each sensor.")] = False
    proposals: Annotated[bool, Meta(description="True asks for settings that would improve the result.")] = True
    robustness: Annotated[bool, Meta(description="True re-assesses proposals at mounting errors.")] = False
    picture: Annotated[bool, Meta(description="True adds the plan view as SVG text to the answer.")] = False

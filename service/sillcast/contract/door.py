"""The door as a client describes it: opening, wall, leaf, guides, header, motion, control, muting."""

from typing import Annotated, Literal

from msgspec import Meta

from sillcast.contract.base import Category, Name, PerformanceLevel, Ring, Side, State, Wire

__all__ = [
    "Control",
    "Door",
    "Folding",
    "Guides",
    "Header",
    "Leaf",
    "Motion",
    "MotionBase",
    "Muting",
    "Neighbour",
    "Opening",
    "Phase",
    "Sliding",
    "Swing",
    "VerticalLift",
    "Wall",
]


class Opening(Wire, frozen=True, kw_only=True):
    """Clear passage of the open door."""

    width_m: Annotated[float, Meta(ge=0.3, le=30.0, description="Clear width between the jambs. [m]")]
    height_m: Annotated[float, Meta(ge=1.0, le=20.0, description="Clear height below the lintel. [m]")]


class Wall(Wire, frozen=True, kw_only=True):
    """Wall in which the opening is: two faces, near face first."""

    near_face_y_m: Annotated[float, Meta(ge=-3.0, le=3.0, description="Place of the near face. [m]")] = -0.15
    far_face_y_m: Annotated[float, Meta(ge=-3.0, le=3.0, description="Place of the far face, above the near. [m]")] = (
        0.15
    )


class Leaf(Wire, frozen=True, kw_only=True):
    """Moving part of the door: where it goes, how thick and heavy it is. Its middle plane is y = 0."""

    thickness_m: Annotated[
        float,
        Meta(
            ge=0.001,
            le=0.5,
            description="Thickness of the leaf: of one telescopic panel where `panel_pitch_m` sets them apart, else of "
            "all of them side by side. [m]",
        ),
    ] = 0.04
    stows: Annotated[
        Literal["coil_above", "vertical", "overhead", "high_lift"],
        Meta(description="Path of a lifting leaf: coiled over the lintel, straight up, under the ceiling, or both."),
    ] = "coil_above"
    stows_to: Annotated[Side, Meta(description="Side to which an overhead or high-lift leaf runs.")] = "far"
    lift_m: Annotated[
        float, Meta(ge=0.0, le=15.0, description="Straight way above the lintel before the leaf turns level. [m]")
    ] = 0.3
    overlap_m: Annotated[
        float,
        Meta(
            ge=0.0,
            le=1.0,
            description="How far the closed leaf reaches beyond the jambs: a lifting leaf, and a single sliding leaf "
            "along a wall face, beyond both; other sliding leaves only beyond that behind which they open, as their "
            "leading edge meets the other jamb or the other leaf. Swing and folding leaves have none. [m]",
        ),
    ] = 0.0
    mass_kg: Annotated[float, Meta(ge=0.1, le=20000.0, description="Mass of one leaf. [kg]")] | None = None
    body: Annotated[
        Literal["rigid", "flexible"],
        Meta(description="A rigid leaf, or a flexible one that gives way when it meets a body."),
    ] = "rigid"
    see_through: Annotated[bool, Meta(description="True for a glazed, perforated or clear leaf.")] = False


class Guides(Wire, frozen=True, kw_only=True):
    """Tracks beside the opening in which the leaf runs, from the floor to the lintel."""

    width_m: Annotated[float, Meta(ge=0.01, le=1.0, description="Away from the jamb, along the door. [m]")]
    from_y_m: Annotated[float, Meta(ge=-3.0, le=3.0, description="Nearer face. [m]")]
    to_y_m: Annotated[float, Meta(ge=-3.0, le=3.0, description="Farther face, above the nearer. [m]")]


class Header(Wire, frozen=True, kw_only=True):
    """Box over the opening that holds the coil or the drive."""

    height_m: Annotated[float, Meta(ge=0.01, le=5.0, description="Height above the lintel's edge. [m]")]
    from_y_m: Annotated[float, Meta(ge=-3.0, le=3.0, description="Nearer face. [m]")]
    to_y_m: Annotated[float, Meta(ge=-3.0, le=3.0, description="Farther face, above the nearer. [m]")]
    beyond_jamb_m: Annotated[float, Meta(ge=0.0, le=3.0, description="How far it reaches beyond each jamb. [m]")] = 0.2


class Phase(Wire, frozen=True, kw_only=True):
    """One movement of the leaf: by speed with its ramps, or by the whole time from a stopwatch.

    The speed is that of the leading edge: the lower edge of a lifting leaf, the outer edge of a swing leaf.
    """

    speed_m_per_s: Annotated[float, Meta(ge=0.01, le=5.0, description="Steady speed. [m/s]")] | None = None
    acceleration_m_per_s2: Annotated[float, Meta(ge=0.01, le=50.0, description="Ramp up. [m/s2]")] = 1.0
    deceleration_m_per_s2: Annotated[float, Meta(ge=0.01, le=50.0, description="Ramp down. [m/s2]")] = 1.0
    time_s: (
        Annotated[float, Meta(ge=0.1, le=300.0, description="Whole time of the move, instead of a speed. [s]")] | None
    ) = None
    creep_distance_m: Annotated[
        float, Meta(ge=0.0, le=10.0, description="Last part of the way, at creep speed. [m]")
    ] = 0.0
    creep_speed_m_per_s: Annotated[float, Meta(ge=0.01, le=5.0, description="Speed in the last part. [m/s]")] = 0.1


class MotionBase(Wire, frozen=True, kw_only=True, tag_field="kind"):
    """What every motion has: two moves and their times."""

    opening: Annotated[Phase, Meta(description="Movement that opens.")]
    closing: Annotated[Phase, Meta(description="Movement that closes.")]
    control_delay_s: Annotated[float, Meta(ge=0.0, le=10.0, description="From the signal to the leaf's start. [s]")] = (
        0.1
    )
    stopping_time_s: Annotated[
        float, Meta(ge=0.0, le=10.0, description="Protection signal to standstill, control included. [s]")
    ] = 0.3
    hold_open_s: Annotated[float, Meta(ge=0.0, le=600.0, description="From the last signal cleared. [s]")] = 3.0
    partial_opening: Annotated[
        float, Meta(ge=0.05, le=1.0, description="Share of the travel to which the door opens. [1]")
    ] = 1.0


class VerticalLift(MotionBase, frozen=True, kw_only=True, tag="vertical_lift"):
    """Leaf that rises: sectional, roll-up, high-speed."""


class Sliding(MotionBase, frozen=True, kw_only=True, tag="sliding"):
    """Leaf or leaves that slide along the wall."""

    leaves: Annotated[int, Meta(ge=1, le=2, description="Number of leaves, two part in the middle. [1]")] = 1
    opens_to: Annotated[
        Literal["left", "right", "both"], Meta(description="Where the leaf goes; two leaves always go to both.")
    ] = "right"
    panels: Annotated[
        int,
        Meta(
            ge=1,
            le=4,
            description="Telescopic panels of each leaf. The leading one runs in the leaf plane, the others as "
            "`panel_pitch_m` tells. [1]",
        ),
    ] = 1
    panel_pitch_m: Annotated[
        float,
        Meta(
            ge=-0.5,
            le=0.5,
            description="How far each telescopic panel stands behind the one before it, middle to middle and square to "
            "the leaf: towards the far side, negative towards the near one. No less than `thickness_m`, or 0, where "
            "all run in the leaf plane. [m]",
        ),
    ] = 0.0


class Swing(MotionBase, frozen=True, kw_only=True, tag="swing"):
    """Leaf or leaves that turn about an upright hinge."""

    leaves: Annotated[int, Meta(ge=1, le=2, description="Number of leaves, two meet in the middle. [1]")] = 1
    hinge: Annotated[Literal["left", "right"], Meta(description="Jamb that bears the hinge of a single leaf.")] = "left"
    opens_towards: Annotated[Side, Meta(description="Side into which the leaf swings.")] = "far"
    angle_deg: Annotated[float, Meta(ge=30.0, le=180.0, description="Angle of the open leaf. [deg]")] = 90.0


class Folding(MotionBase, frozen=True, kw_only=True, tag="folding"):
    """Pair of panels hinged to a jamb and to each other, the leading edge guided in the leaf plane; or two pairs."""

    panels: Annotated[Literal[2, 4], Meta(description="Two panels fold to one jamb, four to both. [1]")] = 2
    folds_to: Annotated[Literal["left", "right"], Meta(description="Jamb to which a single pair folds.")] = "left"
    opens_towards: Annotated[Side, Meta(description="Side into which the fold comes out.")] = "far"
    angle_deg: Annotated[float, Meta(ge=45.0, le=90.0, description="Panel against the leaf plane, open. [deg]")] = 90.0


Motion = VerticalLift | Sliding | Swing | Folding


class Control(Wire, frozen=True, kw_only=True):
    """How the door is run, and what was measured of its forces."""

    kind: Annotated[
        Literal["automatic", "impulse", "hold_to_run", "force_limited"],
        Meta(description="Runs by itself, by a command, only while a control is held, or with limited forces."),
    ] = "automatic"
    performance_level: Annotated[
        PerformanceLevel | None, Meta(description="Of the door's control, in ISO 13849-1 terms.")
    ] = None
    category: Annotated[Category | None, Meta(description="Of the door's control, in ISO 13849-1 terms.")] = None
    peak_force_n: (
        Annotated[float, Meta(ge=0.0, le=20000.0, description="Measured peak force of closing. [N]")] | None
    ) = None
    residual_force_n: (
        Annotated[float, Meta(ge=0.0, le=20000.0, description="Measured force that stays, 5 s after the contact. [N]")]
        | None
    ) = None


class Muting(Wire, frozen=True, kw_only=True):
    """A sensor that may be ignored during a part of the leaf's travel."""

    sensor: Name
    during: Annotated[Literal["opening", "closing"], Meta(description="Movement in which it may be ignored.")]
    from_state: State
    to_state: State


class Neighbour(Wire, frozen=True, kw_only=True):
    """A neighbouring door, by the area in front of it in which its own traffic moves."""

    name: Name
    ring_m: Ring


class Door(Wire, frozen=True, kw_only=True):
    """The door: opening, wall, leaf, motion, control."""

    opening: Opening
    motion: Annotated[Motion, Meta(description="How the leaf moves; `kind` names the way.")]
    wall: Wall = Wall()
    leaf: Leaf = Leaf()
    guides: Annotated[Guides | None, Meta(description="Absent where there are none.")] = None
    header: Annotated[Header | None, Meta(description="Absent where there is none.")] = None
    control: Control = Control()
    muting: Annotated[
        tuple[Muting, ...], Meta(description="Sensors that may be ignored during a part of the travel.", max_length=16)
    ] = ()

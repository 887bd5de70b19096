"""Advice on the wire: what to set, what it does, what would have to give way; where to mount, and why there."""

from typing import Annotated, Any, Literal

from msgspec import Meta

from sillcast.contract.base import Answer, Name, Purpose, Sides, Wire

__all__ = [
    "Effect",
    "MountAngles",
    "MountDeviceBase",
    "MountLimits",
    "MountPlace",
    "MountReport",
    "MountSearchAnswer",
    "MountSearchBase",
    "PatchStep",
    "Proposal",
    "RankedMount",
    "RejectedSetting",
    "Relaxation",
    "SearchRange",
    "SearchReport",
    "Sensitivity",
    "Steps",
    "ZoneNumbers",
]


class PatchStep(Answer, frozen=True, kw_only=True):
    """One operation of a JSON patch, RFC 6902."""

    op: Annotated[str, Meta(examples=["add", "replace"])]
    path: str
    value: Any


class ZoneNumbers(Answer, frozen=True, kw_only=True):
    """A zone in numbers, from exact regions."""

    verdict: Annotated[str, Meta(examples=["met", "not_met", "cannot_tell", "informative"])]
    share: float
    gap_m2: float
    overspill_m2: float
    margin_m: float | None


class Effect(Answer, frozen=True, kw_only=True):
    """What a proposal makes of one zone."""

    zone: str
    before: ZoneNumbers
    after: ZoneNumbers


class Proposal(Answer, frozen=True, kw_only=True):
    """A setting that improves the result, proven by assessing the changed request."""

    sensor: str
    setting: Annotated[str, Meta(description="JSON pointer into the request.")]
    label: str
    unit: str
    current: Annotated[float | None, Meta(description="Null where the setting is not there yet.")]
    proposed: float
    least: float
    most: float
    step: float
    reason: str
    together: Annotated[
        list[str], Meta(description="Settings that are changed with this one; the effects are those of all.")
    ]
    effects: list[Effect]
    binding_zone: Annotated[str, Meta(description="Zone that keeps the result from being better; empty if none.")]
    derivation: Annotated[str, Meta(description="How the value was found.")]
    robust: Annotated[bool | None, Meta(description="Null if it was not asked for.")]
    failing_case: Annotated[str, Meta(description="First mounting error at which a met zone is lost.")] = ""
    errors_judged: Annotated[str, Meta(description="Which mounting errors were judged, and how.")] = ""
    patch: Annotated[list[PatchStep], Meta(description="Turns the request into the proposed one.")]


class SearchRange(Answer, frozen=True, kw_only=True):
    """Range in which one setting was searched."""

    setting: str
    unit: str
    least: float
    most: float
    step: float
    current: float | None


class RejectedSetting(Answer, frozen=True, kw_only=True):
    """What looks better on paper and was not proposed."""

    settings: dict[str, float]
    reason: str


class SearchReport(Answer, frozen=True, kw_only=True):
    """What was tried, within which bounds, and why the search stopped."""

    tried: Annotated[int, Meta(description="Candidates judged on a grid.")]
    assessed: Annotated[int, Meta(description="Candidates assessed with exact regions.")]
    candidates: Annotated[float, Meta(description="Number of all combinations within the bounds.")]
    budget: Annotated[int, Meta(description="Most candidates that one request may try.")]
    cell_m: Annotated[float, Meta(description="Finest cell of the grids that ranked the candidates.")]
    stopped: Annotated[
        str,
        Meta(
            examples=["all_tried", "nothing_to_gain", "nothing_tunable", "no_single_change_helps", "no_gain", "budget"]
        ),
    ]
    optimal: Annotated[bool, Meta(description="True if no better candidate exists within the bounds, on the grid.")]
    note: str
    ranges: list[SearchRange]
    rejected: list[RejectedSetting]


class Relaxation(Answer, frozen=True, kw_only=True):
    """What would have to change beyond the settings for a zone to be met."""

    kind: Annotated[str, Meta(examples=["speed", "opening_speed", "mount_height", "second_sensor"])]
    text: str
    zones: Annotated[list[str], Meta(description="Zones that it turns to met.")]
    unit: str
    current: float | None
    proposed: float
    proven: Annotated[bool, Meta(description="True if assessed with exact regions, not on a grid alone.")]
    patch: list[PatchStep]


class Steps(Wire, frozen=True, kw_only=True):
    """Evenly spaced values from the least to the most."""

    least: Annotated[float, Meta(ge=-180.0, le=180.0, description="First value, in the unit of the field. [m or deg]")]
    most: Annotated[float, Meta(ge=-180.0, le=180.0, description="Last value, at least the first. [m or deg]")]
    step: Annotated[float, Meta(ge=0.01, le=90.0, description="From one value to the next. [m or deg]")] = 0.1


class MountPlace(Wire, frozen=True, kw_only=True):
    """Where sensors may be mounted: a corner over the opening, its lintel or jambs, the ceiling, or a post."""

    kind: Literal["left_corner", "right_corner", "lintel", "left_jamb", "right_jamb", "ceiling", "post"]
    height_m: Annotated[Steps, Meta(description="Height of the sensor in the door frame. [m]")]
    along_m: Annotated[
        Steps | None,
        Meta(description="Corners and jambs: distance beside the opening, 0.10 m if absent; else x in the door frame."),
    ] = None
    stand_off_m: Annotated[Steps, Meta(description="Out from the wall face; not for ceiling and post. [m]")] = Steps(
        least=0.0, most=0.30, step=0.15
    )
    out_m: Annotated[Steps | None, Meta(description="Ceiling and post: distance out from the leaf plane. [m]")] = None


class MountAngles(Wire, frozen=True, kw_only=True):
    """Attitudes to try at every place."""

    tilt_deg: Steps = Steps(least=0.0, most=30.0, step=5.0)
    yaw_deg: Steps = Steps(least=0.0, most=0.0, step=5.0)
    roll_deg: Steps = Steps(least=0.0, most=0.0, step=5.0)


class MountDeviceBase(Wire, frozen=True, kw_only=True):
    """A sensor to consider: name and purposes; the device is added from the installed families."""

    name: Name
    purposes: Annotated[tuple[Purpose, ...], Meta(min_length=1, max_length=2)]


class MountLimits(Wire, frozen=True, kw_only=True):
    """How much to try and to answer."""

    candidates: Annotated[int, Meta(ge=1, le=20000, description="Most mounts of one sensor to try. [1]")] = 5000
    results: Annotated[int, Meta(ge=1, le=50, description="Most mounts to answer. [1]")] = 8


class MountSearchBase(Wire, frozen=True, kw_only=True):
    """Where and how to search; door, site, traffic, rules, bodies and the devices are added by the installation."""

    places: Annotated[tuple[MountPlace, ...], Meta(min_length=1, max_length=16)]
    angles: MountAngles = MountAngles()
    sides: Annotated[Sides, Meta(description="Sides on which sensors may be mounted.")] = ("near",)
    sensors_per_side: Annotated[int, Meta(ge=1, le=2, description="Most sensors on one side. [1]")] = 1
    apart_m: Annotated[
        float,
        Meta(
            ge=0.0,
            le=20.0,
            description="Least distance between two sensors on one side. Nearer ones share their shadows, are hit by "
            "the same blow, and their housings need room; common practice, no source. [m]",
        ),
    ] = 0.5
    fields: Annotated[
        bool,
        Meta(description="True tries a field for each purpose with the best plans, where a device has fields."),
    ] = True
    limits: MountLimits = MountLimits()


class Sensitivity(Answer, frozen=True, kw_only=True):
    """What mounting errors cost: greatest loss of covered share of any zone, each error of each sensor on its own."""

    share_per_1_deg: float
    share_per_5_cm: float
    worst: Annotated[str, Meta(description="The error that costs most; empty if none costs anything.")]
    lost: Annotated[list[str], Meta(description="Zones that are met as planned and not with one of the worst errors.")]
    judged: Annotated[
        str,
        Meta(
            examples=["exact", "grid"],
            description="`exact`: a grid picked the worst error of each kind, exact regions gave its cost.",
        ),
    ]


class MountReport(Answer, frozen=True, kw_only=True):
    """What a mount search tried, within which bounds, why it stopped, and what it did not try."""

    candidates: Annotated[int, Meta(description="Mounts of one sensor that the ranges ask for.")]
    budget: Annotated[int, Meta(description="Most of them that the request allows.")]
    looked_at: Annotated[int, Meta(description="Mounts looked at: those at which a sensor can sit.")]
    judged: Annotated[int, Meta(description="Of these, judged zone by zone on a grid, as single mounts.")]
    pairs: Annotated[int, Meta(description="Pairs of judged mounts on one side that were compared.")]
    planned: Annotated[int, Meta(description="Single mounts, pairs and plans for both sides that were ranked.")]
    refined: Annotated[int, Meta(description="Of these, judged again on a finer grid.")]
    assessed: Annotated[int, Meta(description="Assessments with exact regions, those of mounting errors included.")]
    cell_m: Annotated[float, Meta(description="Largest cell of the grid on which mounts were judged.")]
    stopped: Annotated[str, Meta(examples=["all_tried", "budget"])]
    optimal: Annotated[
        bool, Meta(description="True if no other plan within the ranges has a better standing, told on the grid.")
    ]
    gap_m2: Annotated[
        float, Meta(description="Area that the first mount leaves unseen in all required zones together.")
    ]
    gap_least_m2: Annotated[
        float | None,
        Meta(description="Of this, what no judged mount sees, however many were combined; null if none was judged."),
    ]
    note: str
    not_tried: list[str]


class RankedMount(Answer, frozen=True, kw_only=True):
    """A set of mounts, with what it does and the request that asks for its assessment."""

    rank: int
    sensors: list[str]
    places: Annotated[list[str], Meta(description="Where each sensor sits and how it is turned, in words.")]
    fields: Annotated[list[str], Meta(description="Areas to set on the sensors, in words; they are in the request.")]
    zones: dict[str, ZoneNumbers]
    judged: Annotated[str, Meta(examples=["exact", "grid"])]
    zones_met: int
    covered_share: Annotated[float, Meta(description="Of the required area, zones weighted by area.")]
    overspill_m2: float
    margin_m: float | None
    ladder_height_m: Annotated[float, Meta(description="Height of the highest mount above the floor.")]
    sensitivity: Annotated[
        Sensitivity | None, Meta(description="Null beyond the first mounts where a device is judged by exact regions.")
    ]
    pareto: Annotated[
        bool,
        Meta(
            description="No other of this list is as good in coverage, overspill, number and height and better in one."
        ),
    ]
    request: Annotated[
        dict[str, Any],
        Meta(
            description="Full assessment request, to be posted as it is; it asks for proposals, so that the answer "
            "says what to set, fields for each purpose included."
        ),
    ]


class MountSearchAnswer(Answer, frozen=True, kw_only=True):
    """Ranked mounts, what was tried, what binds."""

    summary: str
    mounts: list[RankedMount]
    pareto: Annotated[list[int], Meta(description="Ranks of the mounts of which none is better in everything.")]
    binding_zone: Annotated[str, Meta(description="Zone that the best mount does not meet; empty if none.")]
    binding_reason: Annotated[str, Meta(description="Why not, and what to allow; empty if every zone is met.")]
    search: MountReport
    skipped: Annotated[dict[str, int], Meta(description="Candidates left out, by reason.")]
    cautions: list[str]

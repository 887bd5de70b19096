"""Advice on the wire: what to set, what it does, what would have to give way; where to mount, and why there."""

from typing import Annotated, Any, Literal

from msgspec import Meta

from sillcast.contract.base import Answer, Cautions, Name, Purpose, SensorName, Sides, Unit, Verdict, Wire, ZoneId

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

    op: Annotated[str, Meta(description="What to do at the place.", examples=["add", "replace"])]
    path: Annotated[str, Meta(description="JSON pointer (RFC 6901) into the request.")]
    value: Annotated[Any, Meta(description="What to put there.")]


class ZoneNumbers(Answer, frozen=True, kw_only=True):
    """A zone in numbers, from exact regions."""

    verdict: Verdict
    share: Annotated[
        float,
        Meta(
            description="Share of the required area that is covered; of an exclusion, the share that is detected. [1]"
        ),
    ]
    gap_m2: Annotated[float, Meta(description="Area in which the body is not detected. [m2]")]
    overspill_m2: Annotated[float, Meta(description="For exclusions: area detected though unwanted. [m2]")]
    margin_m: Annotated[
        float | None,
        Meta(description="How far the zone could grow before it fails, 1 m at most; null if it is not met. [m]"),
    ]


class Effect(Answer, frozen=True, kw_only=True):
    """What proposals, or a change beyond the settings, make of one zone."""

    zone: ZoneId
    before: Annotated[ZoneNumbers, Meta(description="As requested.")]
    after: Annotated[ZoneNumbers, Meta(description="With the change.")]


class Proposal(Answer, frozen=True, kw_only=True):
    """A setting that improves the result, proven by assessing the changed request."""

    sensor: SensorName
    setting: Annotated[str, Meta(description="JSON pointer into the request.")]
    label: Annotated[str, Meta(description="What the setting is called.")]
    unit: Unit
    current: Annotated[
        float | None, Meta(description="Value of the request; null where the setting is not there yet. [`unit`]")
    ]
    proposed: Annotated[float, Meta(description="Value to set. [`unit`]")]
    least: Annotated[float, Meta(description="Least value that was searched. [`unit`]")]
    most: Annotated[float, Meta(description="Greatest value that was searched. [`unit`]")]
    step: Annotated[float, Meta(description="Step of the search. [`unit`]")]
    reason: Annotated[str, Meta(description="What gets better by it.")]
    together: Annotated[
        list[str], Meta(description="Settings that are changed with this one; the effects are those of all.")
    ]
    effects: Annotated[list[Effect], Meta(description="What the proposals together make of each zone.")]
    binding_zone: Annotated[
        str,
        Meta(
            description="Zone that stays unmet once all is changed as proposed, protection first, then by unseen area; "
            "whichever sensor would have to serve it. Empty if none."
        ),
    ]
    derivation: Annotated[str, Meta(description="How the value was found.")]
    robust: Annotated[
        bool | None,
        Meta(
            description="Whether what is met stays met at mounting errors; null if it was not asked for, or if no zone "
            "is met that could be lost."
        ),
    ]
    failing_case: Annotated[
        str, Meta(description="First mounting error at which met zones are lost, and all zones that it loses.")
    ] = ""
    errors_judged: Annotated[str, Meta(description="Which mounting errors were judged, and how, or why none was.")] = ""
    patch: Annotated[
        list[PatchStep], Meta(description="JSON patch (RFC 6902) that turns the request into the proposed one.")
    ]


class SearchRange(Answer, frozen=True, kw_only=True):
    """Range in which one setting was searched."""

    setting: Annotated[str, Meta(description="JSON pointer into the request.")]
    unit: Unit
    least: Annotated[float, Meta(description="Least value that was searched. [`unit`]")]
    most: Annotated[float, Meta(description="Greatest value that was searched. [`unit`]")]
    step: Annotated[float, Meta(description="Step of the search. [`unit`]")]
    current: Annotated[
        float | None, Meta(description="Value of the request; null where the setting is not there yet. [`unit`]")
    ]


class RejectedSetting(Answer, frozen=True, kw_only=True):
    """What looks better on paper and was not proposed."""

    settings: Annotated[
        dict[str, float], Meta(description="Values by JSON pointer into the request. [unit of the range]")
    ]
    reason: Annotated[str, Meta(description="Why it was not proposed.")]


class SearchReport(Answer, frozen=True, kw_only=True):
    """What was tried, within which bounds, and why the search stopped."""

    tried: Annotated[int, Meta(description="Candidates judged on a grid. [1]")]
    assessed: Annotated[int, Meta(description="Candidates assessed with exact regions. [1]")]
    candidates: Annotated[float, Meta(description="Number of all combinations within the bounds. [1]")]
    budget: Annotated[int, Meta(description="Most candidates that one request may try. [1]")]
    cell_m: Annotated[
        float, Meta(description="Finest cell of the grids that ranked the candidates; 0 where no grid was needed. [m]")
    ]
    stopped: Annotated[
        str,
        Meta(
            description="Why the search ended.",
            examples=["all_tried", "nothing_to_gain", "nothing_tunable", "no_single_change_helps", "no_gain", "budget"],
        ),
    ]
    optimal: Annotated[bool, Meta(description="True if no better candidate exists within the bounds, on the grid.")]
    note: Annotated[str, Meta(description="The same in words, and the order by which candidates were ranked.")]
    ranges: Annotated[list[SearchRange], Meta(description="Settings that were searched, with their ranges.")]
    rejected: Annotated[
        list[RejectedSetting],
        Meta(description="Candidates that look better by a part of the order, and why they are not."),
    ]


class Relaxation(Answer, frozen=True, kw_only=True):
    """What would have to change beyond the settings for a zone to be met, or what comes nearest to it."""

    kind: Annotated[
        str,
        Meta(
            description="Sort of change; `combination` is two changes together.",
            examples=["speed", "opening_speed", "mount_height", "second_sensor", "combination"],
        ),
    ]
    text: Annotated[str, Meta(description="The change, what it does and what it leaves, in one sentence.")]
    zones: Annotated[list[str], Meta(description="Zones that it turns to met; empty for a nearest miss.")]
    unit: Unit
    current: Annotated[float | None, Meta(description="Value of the request; null where there is none. [`unit`]")]
    proposed: Annotated[
        float, Meta(description="Value with the change; of a second sensor or a combination, how many. [`unit`]")
    ]
    proven: Annotated[
        bool,
        Meta(
            description="True if exact regions show its zones met and none lost that is met with the proposals; false "
            "for a nearest miss, whose numbers are from exact regions too."
        ),
    ]
    effects: Annotated[list[Effect], Meta(description="What the proposals and this change together make of each zone.")]
    patch: Annotated[
        list[PatchStep],
        Meta(
            description="JSON patch (RFC 6902) of the request as it was sent: the changes of the proposals, then this "
            "one."
        ),
    ]


class Steps(Wire, frozen=True, kw_only=True):
    """Evenly spaced values from the least to the most."""

    least: Annotated[float, Meta(ge=-180.0, le=180.0, description="First value, in the unit of the field. [m or deg]")]
    most: Annotated[float, Meta(ge=-180.0, le=180.0, description="Last value, at least the first. [m or deg]")]
    step: Annotated[float, Meta(ge=0.01, le=90.0, description="From one value to the next. [m or deg]")] = 0.1


class MountPlace(Wire, frozen=True, kw_only=True):
    """Where sensors may be mounted: a corner over the opening, its lintel or jambs, the ceiling, or a post."""

    kind: Annotated[
        Literal["left_corner", "right_corner", "lintel", "left_jamb", "right_jamb", "ceiling", "post"],
        Meta(description="Sort of place."),
    ]
    height_m: Annotated[Steps, Meta(description="Height of the sensor in the door frame. [m]")]
    along_m: Annotated[
        Steps | None,
        Meta(description="Corners and jambs: beside the opening, 0.10 m if absent; else x in the door frame. [m]"),
    ] = None
    stand_off_m: Annotated[Steps, Meta(description="Out from the wall face; not for ceiling and post. [m]")] = Steps(
        least=0.0, most=0.30, step=0.15
    )
    out_m: Annotated[Steps | None, Meta(description="Ceiling and post: distance out from the leaf plane. [m]")] = None


class MountAngles(Wire, frozen=True, kw_only=True):
    """Attitudes to try at every place."""

    tilt_deg: Annotated[Steps, Meta(description="Outwards from straight down. [deg]")] = Steps(
        least=0.0, most=30.0, step=5.0
    )
    yaw_deg: Annotated[
        Steps, Meta(description="About the upright axis, positive counter-clockwise from above. [deg]")
    ] = Steps(least=0.0, most=0.0, step=5.0)
    roll_deg: Annotated[Steps, Meta(description="About the sensor's own forward axis. [deg]")] = Steps(
        least=0.0, most=0.0, step=5.0
    )


class MountDeviceBase(Wire, frozen=True, kw_only=True):
    """A sensor to consider: name and purposes; the device is added from the installed families."""

    name: Name
    purposes: Annotated[
        tuple[Purpose, ...], Meta(description="Purposes that it is to serve.", min_length=1, max_length=2)
    ]


class MountLimits(Wire, frozen=True, kw_only=True):
    """How much to try and to answer."""

    candidates: Annotated[int, Meta(ge=1, le=20000, description="Most mounts of one sensor to try. [1]")] = 5000
    results: Annotated[int, Meta(ge=1, le=50, description="Most mounts to answer. [1]")] = 8


class MountSearchBase(Wire, frozen=True, kw_only=True):
    """Where and how to search; door, site, traffic, rules, bodies and the devices are added by the installation."""

    places: Annotated[
        tuple[MountPlace, ...], Meta(description="Where sensors may be mounted.", min_length=1, max_length=16)
    ]
    angles: Annotated[MountAngles, Meta(description="Attitudes to try at every place.")] = MountAngles()
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
    limits: Annotated[MountLimits, Meta(description="How much to try and to answer.")] = MountLimits()


class Sensitivity(Answer, frozen=True, kw_only=True):
    """What mounting errors cost: greatest loss of covered share of any zone, each error of each sensor on its own."""

    share_per_1_deg: Annotated[float, Meta(description="Loss by the worst turn of one sensor by 1 deg. [1]")]
    share_per_5_cm: Annotated[float, Meta(description="Loss by the worst shift of one sensor by 5 cm. [1]")]
    worst: Annotated[str, Meta(description="The error that costs most; empty if none costs anything.")]
    zone: Annotated[str, Meta(description="Zone that loses most by that error; empty if none loses anything.")]
    lost: Annotated[
        list[str] | None,
        Meta(description="Zones that are met as planned and not with one of the worst errors; null if told on a grid."),
    ]
    judged: Annotated[
        str,
        Meta(
            examples=["exact", "grid"],
            description="`exact`: a grid picked the worst error of each kind, exact regions gave its cost.",
        ),
    ]


class MountReport(Answer, frozen=True, kw_only=True):
    """What a mount search tried, within which bounds, why it stopped, and what it did not try."""

    candidates: Annotated[int, Meta(description="Mounts of one sensor that the ranges ask for. [1]")]
    budget: Annotated[int, Meta(description="Most of them that the request allows. [1]")]
    looked_at: Annotated[int, Meta(description="Mounts looked at: those at which a sensor can sit. [1]")]
    judged: Annotated[int, Meta(description="Of these, judged zone by zone on a grid, as single mounts. [1]")]
    pairs: Annotated[int, Meta(description="Pairs of judged mounts on one side that were compared. [1]")]
    planned: Annotated[int, Meta(description="Single mounts, pairs and plans for both sides that were ranked. [1]")]
    refined: Annotated[int, Meta(description="Of these, judged again on a finer grid. [1]")]
    assessed: Annotated[int, Meta(description="Assessments with exact regions, those of mounting errors included. [1]")]
    cell_m: Annotated[float, Meta(description="Largest cell of the grid on which mounts were judged. [m]")]
    stopped: Annotated[str, Meta(description="Why the search ended.", examples=["all_tried", "budget"])]
    optimal: Annotated[
        bool, Meta(description="True if no other plan within the ranges has a better standing, told on the grid.")
    ]
    gap_m2: Annotated[
        float | None,
        Meta(description="Area that the first mount leaves unseen in all required zones; null if there is none. [m2]"),
    ]
    gap_least_m2: Annotated[
        float | None,
        Meta(
            description="Of this, what no judged mount sees, however many were combined; null if none was judged. [m2]"
        ),
    ]
    note: Annotated[str, Meta(description="The same in words.")]
    not_tried: Annotated[list[str], Meta(description="What was left out, in words.")]


class RankedMount(Answer, frozen=True, kw_only=True):
    """A set of mounts, with what it does and the request that asks for its assessment."""

    rank: Annotated[int, Meta(description="Place in the list, from 1. [1]")]
    sensors: Annotated[list[str], Meta(description="Names of the sensors in `request`.")]
    places: Annotated[list[str], Meta(description="Where each sensor sits and how it is turned, in words.")]
    fields: Annotated[list[str], Meta(description="Areas to set on the sensors, in words; they are in the request.")]
    zones: Annotated[dict[str, ZoneNumbers], Meta(description="What it does for each zone, by the zone's id.")]
    zones_met: Annotated[int, Meta(description="Number of zones that are met. [1]")]
    covered_share: Annotated[float, Meta(description="Of the required area, zones weighted by area. [1]")]
    overspill_m2: Annotated[float, Meta(description="Area detected though unwanted, of all exclusions. [m2]")]
    margin_m: Annotated[float | None, Meta(description="Least margin of the zones; null unless all are met. [m]")]
    ladder_height_m: Annotated[float, Meta(description="Height of the highest mount above the floor. [m]")]
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

    summary: Annotated[str, Meta(description="One sentence for the technician.")]
    mounts: Annotated[list[RankedMount], Meta(description="Plans, the best first.")]
    pareto: Annotated[list[int], Meta(description="Ranks of the mounts of which none is better in everything. [1]")]
    binding_zone: Annotated[str, Meta(description="Zone that the best mount does not meet; empty if none.")]
    binding_reason: Annotated[str, Meta(description="Why not, and what to allow; empty if every zone is met.")]
    search: Annotated[MountReport, Meta(description="What was tried, and what was not.")]
    skipped: Annotated[dict[str, int], Meta(description="Candidates left out, by reason. [1]")]
    cautions: Cautions

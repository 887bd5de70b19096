"""Remarks that the core itself makes; families declare their own."""

from collections.abc import Sequence
from typing import Any

from sillcast.contract import Finding
from sillcast.family import FindingSpec

__all__ = ["CAUTIONS", "CORE", "core", "ordered"]

CAUTIONS = (
    "A calculation does not replace the walk test: walk every zone with the test body before the door is handed over.",
    "The sensor's own instructions, a risk assessment, local codes and licensed practice come before this answer.",
    "Nothing here says that a door conforms to a standard; it says what was computed, with which numbers.",
    "Work on ladders and on mains voltage is for competent people; isolate the drive before reaching into the door.",
    "Never look into an aiming beam or a sensor's window.",
)

_SEVERITIES = ("critical", "warning", "info")

CORE: dict[str, FindingSpec] = {
    "protection_gap": FindingSpec(
        "critical",
        "{label}: {share_percent:.1f} % covered; the largest unseen place holds a circle of {radius_m:.2f} m radius, "
        "its middle {from_left_m:.2f} m from the left jamb and {from_wall_m:.2f} m {wall}.",
        "{advice}",
    ),
    "activation_gap": FindingSpec(
        "warning",
        "{label}: {share_percent:.1f} % covered; the largest unseen place holds a circle of {radius_m:.2f} m radius, "
        "its middle {from_left_m:.2f} m from the left jamb and {from_wall_m:.2f} m {wall}.",
        "{advice}",
    ),
    "not_watched": FindingSpec(
        "critical",
        "{label}: no sensor on the plan serves {purpose}{where}.",
        "Give a sensor that sees this place the purpose {purpose}, or add one.",
    ),
    "activation_unwatched": FindingSpec(
        "info",
        "{label}: no sensor on the plan serves {purpose}{where}.",
        "Right where a button, a pull cord or a loop opens the door; else let a sensor that sees this place serve it.",
    ),
    "unwanted_detection": FindingSpec(
        "info",
        "{label}: {area_m2:.2f} m2 of it is detected, so what moves there can open the door.",
        "{advice}",
    ),
    "meets_leaf": FindingSpec(
        "warning",
        "{rays} of {of} rays of {sensor} meet the leaf somewhere on its way and count as no cover for protection.",
        "Aim them off the leaf, or set a field for protection that ends before the leaf plane.",
    ),
    "field_behind_leaf": FindingSpec(
        "warning",
        "A field of {sensor} for {purpose} lies wholly behind the leaf plane, on the {other} side: nothing on its own "
        "{side} side counts in it.",
        "Check the signs of the field's bounds: out_from_m and out_to_m count outwards from the leaf plane on the "
        "sensor's side, positive away from the door; ring_m is in the door frame, where near is negative.",
    ),
    "tilt_in_radians": FindingSpec(
        "info",
        "{sensor} is tilted by {tilt_deg:.2f} deg. Is the unit right? In radians it would be {radians_deg:.0f} deg.",
        "Give mount.tilt_deg in degrees from straight down.",
        source="common practice, no source",
    ),
    "shadow": FindingSpec(
        "warning",
        "{obstacle} hides {area_m2:.2f} m2 of the zone '{label}'; zones in which it hides something: {zones}.",
        "Move {obstacle}, or add a sensor that sees behind it.",
    ),
    "in_leaf_path": FindingSpec(
        "critical",
        "{obstacle} stands where the leaf comes: the leaf meets it from {from_percent:.0f} to {to_percent:.0f} % open.",
        "Move {obstacle}, or check where it is described to stand; no sensor keeps the leaf off what never moves.",
    ),
    "zone_taken": FindingSpec(
        "info",
        "{obstacles} and parts of the door take {blocked_m2:.2f} of {area_m2:.2f} m2 of '{label}': no body can stand "
        "there, so that part is not judged.",
        "Check that they always stand there; what is moved away leaves an area that was not judged.",
    ),
    "purpose_unfit": FindingSpec(
        "critical",
        "{sensor} is a {family}, which cannot serve {purpose}.",
        "Take a family that senses presence, or another purpose.",
    ),
    "purpose_alone": FindingSpec(
        "critical",
        "{sensor} is a {family}, which must not serve {purpose} alone.",
        "Add a sensor of another family for {purpose} on this side.",
    ),
    "filter_unsupported": FindingSpec(
        "warning",
        "{sensor}: a {family} cannot filter by {filters}; it counts as not set.",
        "Take the filter away, or a family that can apply it.",
    ),
    "weather_fails": FindingSpec(
        "warning",
        "{label} is met in clear conditions and not in those declared.",
        "Choose a longer range or a mount nearer to the zone, or say in the handover when it cannot be relied on.",
    ),
    "equal_planes": FindingSpec(
        "info",
        "{first} and {second} have the same plane tilts on the same line: the second fills none of the first's gaps.",
        "Let the planes of one lie between those of the other.",
    ),
    "nothing_emitted": FindingSpec(
        "critical",
        "{sensor} sends out nothing with these parameters and detects nothing.",
        "Follow the other remarks on {sensor}, or check its parameters.",
    ),
}


def core(key: str, *, subjects: Sequence[str] = (), zone: str = "", derivation: str = "", **values: Any) -> Finding:
    """A finding of the core with its numbers."""
    return CORE[key].make(f"core.{key}", subjects=subjects, zone=zone, derivation=derivation, **values)


def ordered(findings: Sequence[Finding]) -> list[Finding]:
    """Most severe first; equal ones in the order in which they were made."""
    return sorted(findings, key=lambda f: _SEVERITIES.index(f.severity))

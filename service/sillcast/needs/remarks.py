"""Remarks on the needs of a door, declared once."""

from collections.abc import Sequence
from typing import Any

from sillcast.contract import Finding
from sillcast.family import FindingSpec

__all__ = ["FINDINGS", "remark"]

FINDINGS: dict[str, FindingSpec] = {
    "does_not_fit": FindingSpec(
        "critical",
        "{traveller} needs {need_height_m:.2f} m x {need_width_m:.2f} m (height x width); the open door leaves "
        "{open_height_m:.2f} m x {open_width_m:.2f} m. The zone is laid out for the door as far as it opens.",
        "Check the traveller's size, the opening and the partial opening.",
    ),
    "body_wider_than_opening": FindingSpec(
        "critical",
        "{body} is {body_width_m:.2f} m wide and cannot stand inside the {opening_width_m:.2f} m opening: no zone.",
        "Choose a body that fits, or correct the opening's width.",
    ),
    "zone_without_depth": FindingSpec(
        "warning",
        "The distance of {distance_m:.2f} m ends before {inner_m:.2f} m, where a body still touches the leaf: no zone.",
        "Check the overrides of margin and depth.",
    ),
    "below_leaf": FindingSpec(
        "info",
        "The floor on the {side} side is so low that a body ({body}) ends {below_m:.2f} m below the lowest edge of the "
        "leaf: {area_m2:.2f} m2 of protection zones there are left out.",
        "Check site.floor.{side}; where higher bodies stand there, name them in rules.protection_bodies.",
    ),
    "floors_below_leaf": FindingSpec(
        "warning",
        "The floors of both sides are so low that a body ({body}) ends {below_m:.2f} m below the lowest edge of the "
        "leaf. The protection zones are laid out all the same.",
        "Correct site.floor: heights count from the finished floor, down to which the leaf closes.",
    ),
    "set_value_missing": FindingSpec(
        "critical",
        "The rule set {set} assumes no value of {name}: no zone is laid out from it.",
        "Give {name} as an override with the reason.",
    ),
    "override_not_computed": FindingSpec(
        "warning",
        "The override of {name} changes nothing here: no calculation reads that value.",
        "Heed it {where}.",
    ),
    "override_unused": FindingSpec(
        "info",
        "The override of {name} changes nothing here: nothing of this request is computed with it.",
        "Check the name and the rule set: the value is for other doors, sensors or traffic.",
    ),
    "ramps_sharpened": FindingSpec(
        "warning",
        "The {move} move takes {time_s:.2f} s; the stated ramps alone need {least_s:.2f} s: steeper ones were taken.",
        "State the ramps of the move, or check the time with a stopwatch.",
    ),
    "lane_in_activation": FindingSpec(
        "warning",
        "{traveller} passes by through {overlap_m2:.2f} m2 of the zone {other}: "
        "the door opens for traffic that does not enter.",
        "Move the lane out, let the sensor tell the direction, or accept needless openings there.",
    ),
    "separation_scope": FindingSpec(
        "info",
        "The separation distance of {set} {edition} is for persons of {age_years:.0f} years and older "
        "who neither run, jump nor fall.",
        "Do not take it as enough for a public door with children.",
        source="EN ISO 13855:2025 scope, catalogue abstract",
    ),
    "pocket": FindingSpec(
        "info",
        "The leaf slides into a pocket of the wall: its rear edge needs no zone, but its faces can draw fingers in at "
        "the jamb.",
        "Keep the gap between leaf and jamb too small for a finger or wide enough for a hand.",
    ),
    "set_not_for_motion": FindingSpec(
        "warning",
        "The rule set {set} is written for {motions}; this door is {motion}. Its numbers are used all the same.",
        "Choose the rule set that fits the door.",
    ),
    "energy_limited": FindingSpec(
        "info",
        "The leaf's kinetic energy stays within {limit_j:.2f} J ({energy_j:.2f} J at its fastest): "
        "no zone is asked for.",
        "Measure the times of opening and closing on site.",
    ),
    "energy_unknown": FindingSpec(
        "warning",
        "The mass of the leaf is not given: whether its energy stays within {limit_j:.2f} J cannot be told.",
        "State the mass of one leaf in door.leaf.mass_kg.",
    ),
    "energy_over": FindingSpec(
        "critical",
        "The leaf's kinetic energy reaches {energy_j:.2f} J in {move}; the limit is {limit_j:.2f} J.",
        "Slow the leaf to {speed_m_per_s:.2f} m/s at its edge, or guard its path by sensors under another rule set.",
    ),
    "hold_open_short": FindingSpec(
        "warning",
        "The door holds open for {hold_s:.2f} s; somebody at {speed_m_per_s:.2f} m/s needs {crossing_s:.2f} s for the "
        "{way_m:.2f} m through it.",
        "Hold it open for at least {crossing_s:.1f} s, or have the passage watched to the end.",
    ),
    "hold_open_under_least": FindingSpec(
        "critical",
        "The door holds open for {hold_s:.2f} s; the rule set asks for at least {least_s:.2f} s.",
        "Set the hold-open time to {least_s:.1f} s or more.",
    ),
    "reversal": FindingSpec(
        "info",
        "After a protection signal at full closing speed the leaf runs on by up to {overrun_m:.2f} m. It takes longest "
        "until it is open again, {reopened_s:.2f} s, when the signal comes at leaf state {state:.2f} (share of travel, "
        "open is 1).",
        "Measure the way that it runs on, on site.",
    ),
    "cannot_stop_in_time": FindingSpec(
        "critical",
        "To stop before it reaches a body {size_m:.2f} m {axis} the leaf needs the signal while {needed_m:.2f} m are "
        "still open; the door opens only to {open_m:.2f} m. {reckoned}",
        "Close more slowly, shorten the stopping time, or {faster}.",
    ),
    "last_part_runs_shut": FindingSpec(
        "warning",
        "A protection signal in the last {gap_m:.3f} m before the leaf is closed comes too late: the leaf runs shut. "
        "Only the last {allowed_m:.3f} m may be without protection. {reckoned}",
        "Close more slowly at the end (creep), shorten the stopping time, or {faster}.",
    ),
    "runs_shut_on_body": FindingSpec(
        "critical",
        "The leaf cannot stop in time over its last {gap_m:.3f} m: a protection signal there comes too late and the "
        "leaf runs shut, onto a body {body_m:.2f} m thick too. Only the last {allowed_m:.3f} m may be without "
        "protection. {reckoned}",
        "Close more slowly at the end (creep), shorten the stopping time, or {faster}.",
        source="Smallest side of the reference body, EN 16005:2012 Annex C, second-hand; that it decides is common "
        "practice, no source",
    ),
    "response_too_slow": FindingSpec(
        "critical",
        "The leaf closes in {closing_s:.2f} s, before the protection of the {side} side signals. {reckoned}",
        "Close more slowly, or {faster}.",
    ),
    "closing_beats_free_fall": FindingSpec(
        "warning",
        "Closing in {closing_s:.2f} s is faster than a free fall of the same height ({fall_s:.2f} s).",
        "Check the closing speed and ramps: only a driven leaf can do that.",
    ),
    "slower_than_seen": FindingSpec(
        "info",
        "{traveller} comes at {speed_m_per_s:.2f} m/s; the rule set asks motion sensors to see {least_m_per_s:.2f} m/s "
        "and faster.",
        "Use a sensor that sees presence where somebody comes so slowly.",
    ),
    "swing_too_fast": FindingSpec(
        "critical",
        "{part} takes {time_s:.3f} s; for a leaf of {width_m:.2f} m and {mass_kg:.0f} kg the least time is "
        "{least_s:.2f} s.",
        "{slower}, or guard the leaf's path by sensors under another rule set.",
    ),
    "traveller_fast": FindingSpec(
        "info",
        "{traveller}, {width_m:.2f} m wide, comes at {speed_m_per_s:.2f} m/s, that is {speed_km_per_h:.0f} km/h. Is "
        "the unit right? In km/h that number would be {as_km_per_h_m_per_s:.2f} m/s.",
        "Give speed_m_per_s in metres per second; the zone for activation grows with it.",
        source="common practice, no source",
    ),
    "force_not_measured": FindingSpec(
        "warning",
        "The door relies on limited forces, and no measured {which} force is stated; the limit is {limit_n:.0f} N.",
        "Measure it with the test device and state it in door.control.",
    ),
    "force_over": FindingSpec(
        "critical",
        "The measured {which} force is {force_n:.0f} N; the limit is {limit_n:.0f} N.",
        "Set the force limiter lower, or guard the door by presence detection.",
    ),
    "hold_to_run": FindingSpec(
        "info",
        "The door moves only while a control is held: protection rests on the person who holds it and sees the door.",
        "Place the control where the whole door is seen.",
    ),
    "level_short": FindingSpec(
        "critical",
        "{who} has performance level {level}, category {category}; the rule set asks for {asked}.",
        "Use a device or control of the level asked for.",
    ),
    "level_unknown": FindingSpec(
        "info",
        "{who}: the performance level or category is not stated; the rule set asks for {asked}.",
        "State both from the manufacturer's declaration.",
    ),
    "finger_guard": FindingSpec(
        "info",
        "Hinge edges and fold lines can crush fingers up to {height_m:.2f} m; no sensor watches that.",
        "Fit finger guards there.",
    ),
    "no_second_means": FindingSpec(
        "critical",
        "No sensor serves protection; besides inherent reversal a second means is asked for.",
        "Add an edge or a photo device, or a control that must be held in sight of the door.",
        source="16 CFR 1211.6(b)",
    ),
    "beam_too_high": FindingSpec(
        "warning",
        "{sensor}: its lowest beam is {height_m:.3f} m above the floor; the rule set has it no higher than "
        "{most_m:.3f} m.",
        "Lower the beam.",
    ),
    "beam_too_slow": FindingSpec(
        "warning",
        "{sensor} responds in {response_ms:.1f} ms; the test rod blocks a beam for only {blocked_ms:.1f} ms.",
        "Take a faster device.",
        source="16 CFR 1211.11(d), computed",
    ),
    "beam_meets_leaf": FindingSpec(
        "critical",
        "{sensor}: the leaf crosses its beam between the leaf states {from_state:.2f} and {to_state:.2f} (share of "
        "travel, open is 1), and nothing mutes it there while {during}.",
        "Mute it in that part of the travel, or move the beam out of the leaf's path.",
    ),
    "beam_blocked_for_good": FindingSpec(
        "critical",
        "{sensor}: its beam is blocked by {part} wherever the leaf is.",
        "Move the beam.",
    ),
    "beam_blocked_open": FindingSpec(
        "critical",
        "{sensor}: the open leaf blocks its beam.",
        "Move the beam: muting would leave the open door unwatched.",
    ),
    "muting_wide": FindingSpec(
        "warning",
        "{sensor} is muted while {during} from {from_state:.2f} to {to_state:.2f}; the leaf crosses its beam "
        "only between "
        "{need_from:.2f} and {need_to:.2f}.",
        "Mute it no longer than the leaf needs.",
    ),
    "muting_without_need": FindingSpec(
        "warning",
        "{sensor} is muted while {during} from {from_state:.2f} to {to_state:.2f}, though the leaf crosses no "
        "beam of it.",
        "Take the muting out.",
    ),
    "protection_muted": FindingSpec(
        "critical",
        "While closing from {from_state:.2f} to {to_state:.2f} all protection is muted; it may be off only in the last "
        "{allowed_m:.3f} m ({allowed_state:.2f} of the travel).",
        "Keep one protection sensor acting there.",
    ),
    "head_in_leaf_path": FindingSpec(
        "critical",
        "{sensor} sits in the way of the leaf at leaf state {state:.2f} (share of travel, open is 1).",
        "Move it out of the leaf's path.",
    ),
    "head_in_opening": FindingSpec(
        "warning",
        "{sensor} hangs in the clear opening, where the traffic passes.",
        "Mount it on a wall face over or beside the opening, or correct its position.",
    ),
    "head_on_other_side": FindingSpec(
        "warning",
        "{sensor} is stated to be on the {side} side and sits {beyond_m:.2f} m beyond the leaf plane.",
        "Correct mount.side or the sign of position.y_m: near is negative, far positive.",
    ),
    "head_off_leaf": FindingSpec(
        "critical",
        "{sensor} is said to ride on the leaf and sits {gap_m:.2f} m from the closed leaf, more than {most_m:.2f} m: "
        "it detects nothing.",
        "Set mount.carrier to building, or give its place on the leaf as it is when the door is closed.",
    ),
    "head_far_beside": FindingSpec(
        "warning",
        "{sensor} sits {beside_m:.2f} m beside the opening. Is the unit right? position.x_m is {x_m:.2f}, in metres "
        "from the middle of the opening.",
        "Correct position.x_m, or take the sensor out if it does not belong to this door.",
    ),
    "head_near_leaf_path": FindingSpec(
        "warning",
        "{sensor} sits {gap_m:.3f} m from the leaf at leaf state {state:.2f} (share of travel, open is 1); its "
        "housing may be hit.",
        "Keep {least_m:.2f} m between head and leaf, or check the housing's size.",
    ),
    "head_in_part": FindingSpec(
        "critical",
        "{sensor} sits inside the {part}.",
        "Move it out.",
    ),
    "see_through_leaf": FindingSpec(
        "info",
        "The leaf is see-through: optical sensors may look through it or meet it.",
        "Where detection is wanted it counts as opaque, where it is unwanted as transparent; check on site.",
    ),
    "capability_too_coarse": FindingSpec(
        "warning",
        "A field {height_mm:.0f} mm above the floor must see {allowed_mm:.1f} mm or finer; "
        "{capability_mm:.0f} mm needs a height of {least_mm:.0f} mm.",
        "Raise the field or take a device that sees more finely.",
    ),
    "crawl_under": FindingSpec(
        "warning",
        "The detection field lies {height_mm:.0f} mm above the floor; "
        "above {limit_mm:.0f} mm somebody can crawl under it.",
        "Lower the field or guard the space below it.",
    ),
}


def remark(key: str, *, subjects: Sequence[str] = (), zone: str = "", derivation: str = "", **values: Any) -> Finding:
    """The declared remark with its numbers, under the code `core.<key>`."""
    return FINDINGS[key].make(f"core.{key}", subjects=subjects, zone=zone, derivation=derivation, **values)

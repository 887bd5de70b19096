"""Overrides that change nothing: where else their values are to be heeded.

Whether a value is read is recorded while the door is computed; the words here are for those that nothing ever reads.
"""

from collections.abc import Sequence

from sillcast.needs.zones import Ask

__all__ = ["HEEDED", "remark_uncomputed", "remark_unused"]

_FORCE = "when the closing force is measured at the leaf"
_GAP = "when gaps and edges at the leaf are measured"
_REVERSAL = "when the reversal is tried with the test object"
_EDGE = "when the pressure edge is chosen"

# Where the values of rule sets that no calculation reads are to be heeded, by name.
HEEDED = {
    "body_gap_m": _GAP,
    "danger_height_m": _GAP,
    "edge_cycles": _EDGE,
    "edge_force_n": _EDGE,
    "escape_depth_m": "when the escape route is looked over",
    "finger_gap_least_m": _GAP,
    "finger_gap_most_m": _GAP,
    "floor_object_m": _REVERSAL,
    "head_gap_m": _GAP,
    "inactive_strip_m": "when the strip before the leaf is walked",
    "residual_after_s": _FORCE,
    "reversal_exempt_m": _REVERSAL,
    "reversal_initiated_s": _REVERSAL,
    "stationary_s": "when the sensor's time for what stands still is set",
    "sustained_after_s": _FORCE,
    "sustained_force_n": _FORCE,
}


def remark_uncomputed(ask: Ask) -> None:
    """Say of overrides that no calculation reads where they are to be heeded."""
    for name in ask.unread:
        if name in HEEDED:
            ask.remark("override_not_computed", _pointer(ask, name), name=name, where=HEEDED[name])


def remark_unused(ask: Ask, unread: Sequence[str]) -> None:
    """Say of the other overrides that nothing of this request was computed with them."""
    for name in ask.unread:
        if name in unread and name not in HEEDED:
            ask.remark("override_unused", _pointer(ask, name), name=name)


def _pointer(ask: Ask, name: str) -> str:
    return f"/rules/overrides/{[o.name for o in ask.rules.overrides].index(name)}"

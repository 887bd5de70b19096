"""What the filters of a field let through: one meaning for all families."""

from collections.abc import Iterable
from math import hypot

from sillcast.contract import Filters
from sillcast.kernel import TestBody

__all__ = ["FILTERS", "asked", "seen_through"]

FILTERS = frozenset({"size", "above", "direction", "speed"})


def asked(filters: Filters) -> set[str]:
    """Names of the filters that are set: of `size`, `above`, `direction`, `speed`."""
    return {
        name
        for name, is_set in (
            ("size", filters.least_size_m > 0),
            ("above", filters.least_above_m > 0),
            ("direction", filters.direction != "any"),
            ("speed", filters.least_speed_m_per_s > 0),
        )
        if is_set
    }


def seen_through(
    filters: Filters,
    body: TestBody,
    *,
    able: Iterable[str] = FILTERS,
    towards_m_per_s: float = 0.0,
    along_m_per_s: float = 0.0,
) -> bool:
    """Whether filters let a body of this size and motion count; never true where it is in doubt.

    Parameters
    ----------
    filters : Filters
        Filters of one field; the height above the floor is not looked at, it acts on hits.
    body : TestBody
        Body; its narrowest side counts as its size. [m]
    able : iterable of str
        Filters that the family can apply; others count as not set.
    towards_m_per_s : float
        Speed towards the leaf plane, negative away from it; 0 with the next for a body that stands. [m/s]
    along_m_per_s : float
        Speed along the leaf plane. [m/s]

    Returns
    -------
    seen : bool
        False if any filter ignores the body.
    """
    set_and_able = asked(filters) & set(able)
    to, along = towards_m_per_s, abs(along_m_per_s)
    course = {"towards": to > along, "away": -to > along, "across": along > abs(to), "any": True}
    return not (
        ("size" in set_and_able and min(body.width_m, body.depth_m) < filters.least_size_m)
        or ("direction" in set_and_able and not course[filters.direction])
        or ("speed" in set_and_able and hypot(to, along) < filters.least_speed_m_per_s)
    )

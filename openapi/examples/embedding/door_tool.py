"""A small tool in which somebody designs a door: it asks for the needs at every change and assesses on save.

It knows an adviser by two methods and one error; `over_http.py` and `in_process.py` beside it are two of them.
"""

import json
from copy import deepcopy
from pathlib import Path
from typing import Any, Protocol

__all__ = ["Adviser", "RefusedError", "design"]

Json = dict[str, Any]

DOOR = Path(__file__).parents[1] / "pressure_mat.json"

CHANGES: list[tuple[str, Any]] = [
    ("/door/opening/width_m", 1.4),
    ("/door/opening/width_m", 99.0),
    ("/door/motion/opening/speed_m_per_s", 0.4),
    ("/sensors/0/device/depth_m", 1.8),
]
"""What the user changes one after the other: a JSON pointer into the request, and the new value."""


class RefusedError(Exception):
    """The adviser does not take a request; `faults` are (JSON pointer, what would be right)."""

    def __init__(self, faults: list[tuple[str, str]]) -> None:
        self.faults = faults
        super().__init__("; ".join(f"{pointer}: {text}" for pointer, text in faults))


class Adviser(Protocol):
    """Where the tool gets its advice."""

    def needs(self, request: Json) -> Json:
        """Which areas the door needs watched."""
        ...

    def assess(self, request: Json) -> Json:
        """Whether the sensors watch them."""
        ...


def design(adviser: Adviser) -> None:
    """Play a user's changes to a door, then save it."""
    request: Json = json.loads(DOOR.read_bytes())
    for pointer, value in CHANGES:
        print(f"{pointer} = {value}")
        changed = _changed(request, pointer, value)
        try:
            needs = adviser.needs(changed)
        except RefusedError as refused:
            # The pointer leads to the field of the form; the last good drawing stays.
            for where, text in refused.faults:
                print(f"  beside the field {where}: {text}")
            continue
        request = changed
        for zone in needs["zones"]:
            print(f"  {zone['label']}: {zone['area_m2']:.2f} m2")  # zone["polygons_m"] goes into the drawing
    assessment = adviser.assess(request)
    print(f"saved: {assessment['summary']}")
    for each in assessment["comparisons"]:
        print(f"  {each['zone']}: {each['verdict']}")


def _changed(request: Json, pointer: str, value: Any) -> Json:
    """A request with one value replaced."""
    changed = deepcopy(request)
    *steps, last = pointer.split("/")[1:]
    place: Any = changed
    for step in steps:
        place = place[int(step)] if isinstance(place, list) else place[step]
    place[last] = value
    return changed

"""Lists, zones and places as the advice words them."""

from __future__ import annotations

from collections.abc import Sequence

from sillcast.contract import Wall

__all__ = ["joined", "labelled", "off_wall"]


def joined(parts: Sequence[str]) -> str:
    """Parts with commas, the last with "and"."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def labelled(labels: Sequence[str], one: str, many: str) -> str:
    """Labels in quotes, with the verb that fits their number: "'leaf line' is" or "'leaf line' and 'strip' are"."""
    quoted = [f"'{label}'" for label in labels]
    return f"{joined(quoted)} {one if len(quoted) == 1 else many}"


def off_wall(wall: Wall, side: str, y_m: float) -> str:
    """How far a place is from the wall face of its side, which is what a tape reaches, to the millimetre."""
    out = wall.near_face_y_m - y_m if side == "near" else y_m - wall.far_face_y_m
    length = f"{abs(out):.3f}".removesuffix("0")
    is_before = out > 0.0 or float(length) == 0.0
    return f"{length} m out from the wall" if is_before else f"{length} m behind the face of the wall"

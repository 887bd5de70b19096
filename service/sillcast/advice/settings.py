"""Which settings may be searched: what the families declare, and the fields for each purpose."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sillcast import motion
from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.solver import Variable, ladder
from sillcast.contract import Field
from sillcast.errors import FamilyError
from sillcast.family import Tunable
from sillcast.needs import ZoneNeed
from sillcast.sensing import Placed, tunables_of

__all__ = ["Setting", "narrowed", "new_fields", "settings_of"]

FIELD_STEP_M = 0.05
FIELD_WAY_M = 1.0  # how far a bound of a field is moved to either side
FIELD_OFF_LEAF_M = 0.02  # a field for protection begins this far before the leaf, so that the leaf itself is not in it
_BOUNDS = ("x_from_m", "x_to_m", "out_from_m", "out_to_m")
_FIELDS_MOST = 8


@dataclass(frozen=True, eq=False)
class Setting:
    """One setting of one sensor, with its ladder of values and how a value is written into a request.

    Attributes
    ----------
    variable : Variable
        Pointer, values, place of the current value.
    sensor : int
        Place of the sensor in the request.
    current : float or None
        Current value; None where the setting is not there yet.
    least, most, step : float
        Range and step, in `unit`.
    touches : str
        Pointer of what a patch has to set.
    write : callable
        Request with a value written into it.
    shown : callable
        Value as a proposal names it, of a request that has it.
    """

    variable: Variable
    sensor: int
    label: str
    unit: str
    current: float | None
    least: float
    most: float
    step: float
    touches: str
    write: Callable[[Any, float], Any]
    shown: Callable[[Any], float]


def settings_of(request: Any, placed: Sequence[Placed], zones: Sequence[ZoneNeed]) -> list[Setting]:
    """All settings that may be searched, in the order of the request.

    Raises
    ------
    FamilyError
        If a family raises, or declares a tunable that is not in the request.
    """
    found: list[Setting] = []
    for sensor in placed:
        found += _declared(request, sensor)
        found += _bounds(request, sensor)
        found += new_fields(request, sensor, zones)
    return found


def _declared(request: Any, sensor: Placed) -> Iterator[Setting]:
    for tunable in tunables_of(sensor):
        try:
            yield _numeric(request, sensor, tunable)
        except (KeyError, TypeError, ValueError) as error:
            detail = f"the tunable {tunable.pointer} is no number of the request"
            raise FamilyError(sensor.family.name, sensor.distribution, detail) from error


def _numeric(request: Any, sensor: Placed, tunable: Tunable) -> Setting:
    pointer, whole = tunable.pointer, isinstance(value_at(request, tunable.pointer), int)
    now = float(value_at(request, pointer))
    values, place = ladder(tunable.least, tunable.most, tunable.step, now)
    parent, _, last = pointer.rpartition("/")
    array = parent if last.isdigit() else ""

    def write(root: Any, value: float) -> Any:
        return with_value(root, pointer, int(value) if whole else value)

    return Setting(
        variable=Variable(pointer, values, place, tunable.step, array),
        sensor=sensor.index,
        label=tunable.label,
        unit=tunable.unit,
        current=now,
        least=tunable.least,
        most=tunable.most,
        step=tunable.step,
        touches=pointer,
        write=write,
        shown=lambda root: float(value_at(root, pointer)),
    )


def _bounds(request: Any, sensor: Placed) -> Iterator[Setting]:
    """Bounds of the fields that are there; rings stay as they are."""
    for i, field in enumerate(getattr(sensor.params, "fields", ())):
        if field.ring_m is not None:
            continue
        for name in _BOUNDS:
            now = float(getattr(field, name))
            pointer = f"{sensor.pointer}/device/fields/{i}/{name}"
            label = f"{name} of the field for {field.purpose}"
            reach = (max(-60.0, now - FIELD_WAY_M), min(60.0, now + FIELD_WAY_M))
            yield _numeric(request, sensor, Tunable(pointer, "m", *reach, FIELD_STEP_M, label))


def new_fields(request: Any, sensor: Placed, zones: Sequence[ZoneNeed]) -> Iterator[Setting]:
    """A field for each purpose that has none, where a field can help: against overspill, or to keep off the leaf."""
    fields = getattr(sensor.params, "fields", None)
    if fields is None or len(fields) > _FIELDS_MOST - 2:
        return
    has = {f.purpose for f in fields}
    unwanted = any(z.kind == "exclusion" for z in zones)
    for purpose in sensor.purposes:
        if purpose in has or (purpose == "activation" and not unwanted):
            continue
        box = _box(zones, purpose, sensor.side)
        if box is not None:
            yield _new_field(request, sensor, purpose, box)


def _box(zones: Sequence[ZoneNeed], purpose: str, side: str) -> tuple[float, float, float, float] | None:
    """Least x, greatest x, least and greatest distance out, of the zones of a purpose on a side. [m]"""
    boxes = [z.region.bounds for z in zones if z.kind == purpose and z.side == side and not z.region.is_empty]
    if not boxes:
        return None
    x0, y0, x1, y1 = (f(b[i] for b in boxes) for i, f in enumerate((min, min, max, max)))
    return (x0, x1, -y1, -y0) if side == "near" else (x0, x1, y0, y1)


def _new_field(request: Any, sensor: Placed, purpose: str, box: tuple[float, float, float, float]) -> Setting:
    """A rectangle around the zones, grown by each value; position 0 is no field."""
    parent = f"{sensor.pointer}/device/fields"
    off_leaf = motion.leaf_face_m(sensor.scene.door, sensor.side) + FIELD_OFF_LEAF_M
    grow = tuple(round(i * FIELD_STEP_M, 6) for i in range(11))

    def write(root: Any, value: float) -> Any:
        if value < 0:
            return root
        start = box[2] - value
        field = Field(
            purpose=purpose,  # type: ignore[arg-type]  # one of the sensor's purposes
            x_from_m=round(box[0] - value, 3),
            x_to_m=round(box[1] + value, 3),
            out_from_m=round(max(start, off_leaf) if purpose == "protection" else start, 3),
            out_to_m=round(box[3] + value, 3),
        )
        return with_value(root, parent, (*value_at(root, parent), field))

    return Setting(
        variable=Variable(f"{parent}/{purpose}", (-FIELD_STEP_M, *grow), 0, FIELD_STEP_M),
        sensor=sensor.index,
        label=f"field for {purpose}: a rectangle around its zones, grown by",
        unit="m",
        current=None,
        least=0.0,
        most=grow[-1],
        step=FIELD_STEP_M,
        touches=parent,
        write=write,
        shown=lambda root: _grown_by(value_at(root, parent), purpose, box),
    )


def _grown_by(fields: Iterable[Field], purpose: str, box: tuple[float, float, float, float]) -> float:
    field = next(f for f in fields if f.purpose == purpose)
    return round(float(field.x_to_m or 0.0) - box[1], 3)


def narrowed(setting: Setting, ranges: Mapping[str, tuple[float, ...]]) -> Setting:
    """The setting with another range, and step if a third number is given; the current value stays.

    A setting that is not there yet keeps its step; with its least above its most it is left out.

    Parameters
    ----------
    setting : Setting
        What the family declares.
    ranges : mapping
        Least, most and perhaps step by pointer, in the setting's unit.
    """
    if setting.variable.pointer not in ranges:
        return setting
    least, most, step = (*ranges[setting.variable.pointer], setting.step)[:3]
    if setting.current is None:
        absent, *grown = setting.variable.values
        some = (absent, *(v for v in grown if least <= v <= most))
        return replace(setting, least=least, most=most, variable=replace(setting.variable, values=some))
    values, place = ladder(least, most, step, setting.current)
    variable = replace(setting.variable, values=values, now=place, step=step)
    return replace(setting, least=least, most=most, step=step, variable=variable)

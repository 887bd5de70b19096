"""Mounts to try: places, heights, stand-offs and attitudes, as sensors of a request."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import floor, prod
from typing import Any

import msgspec

from sillcast.advice.pointers import value_at
from sillcast.contract import Door, MountAngles, MountPlace, Steps
from sillcast.errors import BudgetError, Fault, UncomputableError

__all__ = ["FREE_PLACES", "Candidate", "Mounts", "Position", "mounts", "place_faults", "sensor_of", "values"]

FREE_PLACES = ("ceiling", "post")  # away from the wall of the door
BESIDE_M = 0.10  # from the jamb's edge to a corner or jamb mount where the request says nothing
RAY_WORK_MOST = 40_000_000  # candidates x rays of one search
CANDIDATES_MOST = 20_000  # that a request may ask for, as its schema has it
STEP_MOST = 90.0  # of a range, as its schema has it [m or deg]
_ANGLES = ("/angles/tilt_deg", "/angles/yaw_deg", "/angles/roll_deg")

Position = tuple[float, float, float]


@dataclass(frozen=True)
class Candidate:
    """One mount of one device: indices into the ranges of its place, and the sensor that it makes.

    Attributes
    ----------
    key : tuple of int
        Device, side, place, then the steps along, stand-off, height, tilt, yaw, roll; sorted keys are request order.
    """

    key: tuple[int, ...]
    side: str
    place: str
    position_m: Position
    angles_deg: tuple[float, float, float]

    @property
    def group(self) -> tuple[int, int, int]:
        """Device, side and place."""
        return self.key[0], self.key[1], self.key[2]

    @property
    def order(self) -> tuple[Any, ...]:
        """What decides between mounts of equal merit: lower, nearer the leaf, nearer the middle, less turned.

        The same for a mount and its mirror image; of those two the first of the request goes first.
        """
        return (*self.effort, self.key)

    @property
    def effort(self) -> tuple[float, ...]:
        """The order without the place in the request."""
        x, y, z = self.position_m
        tilt, yaw, roll = self.angles_deg
        return z, abs(y), abs(x), abs(tilt), abs(yaw), abs(roll)


@dataclass(frozen=True)
class Mounts:
    """All mounts of one device on one side at one place, by index."""

    device: int
    side_index: int
    side: str
    place_index: int
    place: str
    along: tuple[float, ...]
    out: tuple[float, ...]
    height: tuple[float, ...]
    angles: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]
    face_y_m: float

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of steps of each range."""
        return (len(self.along), len(self.out), len(self.height), *(len(a) for a in self.angles))

    @property
    def count(self) -> int:
        """Number of mounts."""
        return prod(self.shape)

    def candidate(self, index: tuple[int, ...]) -> Candidate:
        """The mount of these steps."""
        sign = -1.0 if self.side == "near" else 1.0
        at = (self.along[index[0]], self.face_y_m + sign * self.out[index[1]], self.height[index[2]])
        tilt, yaw, roll = (a[i] for a, i in zip(self.angles, index[3:], strict=True))
        where = (round(at[0], 6) + 0.0, round(at[1], 6) + 0.0, round(at[2], 6) + 0.0)
        key = (self.device, self.side_index, self.place_index, *index)
        return Candidate(key, self.side, self.place, where, (tilt, yaw, roll))

    def all(self) -> Iterator[Candidate]:
        """All mounts in request order."""
        for index in product(*(range(n) for n in self.shape)):
            yield self.candidate(index)

    def beside(self, candidate: Candidate) -> Iterator[Candidate]:
        """Mounts one step away in one range."""
        index = candidate.key[3:]
        for axis, size in enumerate(self.shape):
            for step in (-1, 1):
                if 0 <= index[axis] + step < size:
                    yield self.candidate((*index[:axis], index[axis] + step, *index[axis + 1 :]))


def values(steps: Steps) -> tuple[float, ...]:
    """Values of a range; the most is among them if it lies on a step."""
    count = floor((steps.most - steps.least) / steps.step + 1e-9)
    return tuple(round(steps.least + i * steps.step, 9) for i in range(count + 1))


def place_faults(places: Sequence[MountPlace], angles: MountAngles) -> Iterator[Fault]:
    """Ranges that run backwards or are missing."""
    for i, place in enumerate(places):
        pointer = f"/places/{i}"
        free = place.kind in FREE_PLACES
        if free and place.out_m is None:
            yield Fault(
                f"{pointer}/out_m", "missing", f"A {place.kind} needs its distance from the leaf plane.", "a range"
            )
        if place.kind == "post" and place.along_m is None:
            yield Fault(f"{pointer}/along_m", "missing", "A post needs its place along the door.", "a range")
        if not free and place.kind != "lintel":
            yield from _below_zero(
                place.along_m, f"{pointer}/along_m", "A corner or jamb mount sits beside the opening."
            )
        yield from _below_zero(place.out_m, f"{pointer}/out_m", f"A {place.kind} lies on the side of its sensor.")
        for name in ("height_m", "along_m", "stand_off_m", "out_m"):
            yield from _backwards(getattr(place, name), f"{pointer}/{name}")
    for name in ("tilt_deg", "yaw_deg", "roll_deg"):
        yield from _backwards(getattr(angles, name), f"/angles/{name}")


def _below_zero(steps: Steps | None, pointer: str, why: str) -> Iterator[Fault]:
    if steps is not None and steps.least < 0.0:
        yield Fault(f"{pointer}/least", "out_of_range", why, "at least 0", f"{steps.least:g}")


def _backwards(steps: Steps | None, pointer: str) -> Iterator[Fault]:
    if steps is not None and steps.most < steps.least:
        yield Fault(f"{pointer}/most", "order", "A range ends at or after its start.", f"at least {steps.least:g}",
                    f"{steps.most:g}")  # fmt: skip


def mounts(asked: Any, rays: Sequence[int]) -> list[Mounts]:
    """All mounts that a search asks for, by device, side and place.

    Parameters
    ----------
    asked : struct
        Search request.
    rays : sequence of int
        Rays of each device, for the work.

    Raises
    ------
    UncomputableError
        Ranges that run backwards or are missing.
    BudgetError
        More mounts than the limit, or more work than one request may ask.
    """
    if faults := list(place_faults(asked.places, asked.angles)):
        raise UncomputableError(faults)
    angles = (values(asked.angles.tilt_deg), values(asked.angles.yaw_deg), values(asked.angles.roll_deg))
    found = [
        _mounts(asked.door, (d, s, p), side, place, angles)
        for d in range(len(asked.devices))
        for s, side in enumerate(asked.sides)
        for p, place in enumerate(asked.places)
    ]
    count = sum(m.count for m in found)
    work = sum(m.count * rays[m.device] for m in found)
    limits = (
        ("/limits/candidates", "mounts", count, asked.limits.candidates),
        ("/devices", "rays", work, RAY_WORK_MOST),
    )
    for pointer, what, wanted, most in limits:
        if wanted > most:
            detail = f"The ranges ask for {wanted} {what}; the limit is {most}. {_Room.of(asked, found, rays).words}"
            raise BudgetError([Fault(pointer, "budget", detail, f"at most {most} {what}", str(wanted))])
    return found


@dataclass(frozen=True, eq=False)
class _Room:
    """What of a search that asks for too many mounts would fit: how much coarser its ranges would have to be.

    `groups` are the rays of a mount and the values of each range by its pointer, under `""` what is no range.
    """

    asked: Any
    groups: Sequence[tuple[int, Mapping[str, int]]]

    @classmethod
    def of(cls, asked: Any, found: Sequence[Mounts], rays: Sequence[int]) -> _Room:
        """The room of mounts that were asked for, with the rays of each device."""
        return cls(asked, [(rays[m.device], _ranges(asked, m)) for m in found])

    @property
    def words(self) -> str:
        """How many mounts fit, and the least change that makes them fit."""
        count, work = self._left({})
        start = f"Of mounts like these {min(self.asked.limits.candidates, RAY_WORK_MOST * count // work)} fit."
        more = f" Or set limits.candidates to {count}." if count <= CANDIDATES_MOST and work <= RAY_WORK_MOST else ""
        ranges = {p: value_at(self.asked, p).step for _, group in self.groups for p, n in group.items() if p and n > 1}
        alone = ((self._least_times([p], step), p) for p, step in ranges.items())
        times, pointer = min(((t, p) for t, p in alone if t), default=(None, ""))
        if times is not None:
            unit = "deg" if pointer.endswith("_deg") else "m"
            step, left = round(times * ranges[pointer], 9), self._left({pointer: times})[0]
            return f"{start} With a step of {step:g} {unit} in {pointer} they are {left}.{more}"
        if times := self._least_times(ranges, max(ranges.values(), default=STEP_MOST)):
            left = self._left(dict.fromkeys(ranges, times))[0]
            return f"{start} With every step {times} times as long they are {left}.{more}"
        left = self._left(dict.fromkeys(ranges, max(n for _, group in self.groups for n in group.values())))[0]
        return f"{start} With one value in every range they are {left}: take fewer devices, sides or places.{more}"

    def _left(self, times: Mapping[str, int]) -> tuple[int, int]:
        """Mounts and their rays, with the steps of some ranges so many times as long."""
        counts = [prod((n - 1) // times.get(p, 1) + 1 for p, n in group.items()) for _, group in self.groups]
        return sum(counts), sum(n * rays for n, (rays, _) in zip(counts, self.groups, strict=True))

    def _least_times(self, pointers: Iterable[str], longest: float) -> int | None:
        """Least times by which the steps of some ranges are to be longer; None where no step that may be asked does."""

        def fits(times: int) -> bool:
            count, work = self._left(dict.fromkeys(pointers, times))
            return count <= self.asked.limits.candidates and work <= RAY_WORK_MOST

        most = int(STEP_MOST / longest + 1e-9)
        times = bisect_left(range(most + 1), True, lo=1, key=fits)
        return times if times <= most else None


def _ranges(asked: Any, group: Mounts) -> dict[str, int]:
    """Number of values of each range of some mounts, by its pointer; the default along the door is no range."""
    at, place = f"/places/{group.place_index}", asked.places[group.place_index]
    along = f"{at}/along_m" if place.along_m else ""
    out = f"{at}/out_m" if group.place in FREE_PLACES else f"{at}/stand_off_m"
    return dict(zip((along, out, f"{at}/height_m", *_ANGLES), group.shape, strict=True))


def _mounts(door: Door, at: tuple[int, int, int], side: str, place: MountPlace, angles: Any) -> Mounts:
    half = door.opening.width_m / 2
    free = place.kind in FREE_PLACES
    face = 0.0 if free else (door.wall.near_face_y_m if side == "near" else door.wall.far_face_y_m)
    out = place.out_m if free and place.out_m is not None else place.stand_off_m
    if place.kind in ("left_corner", "left_jamb", "right_corner", "right_jamb"):
        beside = values(place.along_m) if place.along_m else (BESIDE_M,)
        sign = -1.0 if place.kind.startswith("left") else 1.0
        along = tuple(sign * (half + b) for b in beside)
    else:
        along = values(place.along_m) if place.along_m else (-half, -half / 2, 0.0, half / 2, half)
    return Mounts(at[0], at[1], side, at[2], place.kind, along, values(out), values(place.height_m), angles, face)


def sensor_of(candidate: Candidate, name: str, purposes: Sequence[str], device: Any, kind: type[Any]) -> Any:
    """The sensor of a request that a mount makes."""
    x, y, z = candidate.position_m
    tilt, yaw, roll = candidate.angles_deg
    mount = {
        "side": candidate.side,
        "position": {"x_m": x, "y_m": y, "z_m": z},
        "tilt_deg": tilt,
        "yaw_deg": yaw,
        "roll_deg": roll,
    }
    plain = {"name": name, "purposes": list(purposes), "mount": mount, "device": msgspec.to_builtins(device)}
    return msgspec.convert(plain, kind)

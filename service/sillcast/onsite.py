"""How to prove the answer at the door: marks for aiming, and places to put the test body, as a tape measures them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import zip_longest
from math import hypot

import numpy as np

from sillcast.compare import Compared, leaf_words
from sillcast.contract import AimMark, Door, SiteCheck, TapeDistances
from sillcast.family import Lobe, Rays
from sillcast.kernel import Region, Surroundings
from sillcast.kernel.clip import FLOOR, Clipped, free_lengths
from sillcast.kernel.frame import FloatArray
from sillcast.sensing import Placed, Sensing, field_rings

__all__ = ["CHECKS_MOST", "aim_marks", "site_checks", "tape"]

CHECKS_MOST = 12
_CLEAR_OF_EDGE_M = 0.03  # a tape and a pair of eyes place a body to about this (common practice, no source)
_INTO_CORNER_M = 0.05
_SAME_PLACE_M = 0.1
_PLANES_MOST = 32  # of more rows than this, the first, the middle and the last are marked
_CORNERS_MOST = 8  # of a field
_NAMED_WITHIN_M = 0.1
_LINES = {"below the head": "the head", "on the middle line": "the middle line"}


def tape(door: Door, x_m: float, y_m: float) -> TapeDistances:
    """Tape lengths straight to the feet of both jambs on the place's side, and square to the wall face. [m]

    Negative from the wall face means inside the wall's thickness.
    """
    half, is_near = door.opening.width_m / 2, y_m < 0
    face = door.wall.near_face_y_m if is_near else door.wall.far_face_y_m
    from_face = face - y_m if is_near else y_m - face
    return TapeDistances(
        face="near" if is_near else "far",
        from_left_jamb_m=round(hypot(x_m + half, y_m - face), 3),
        from_right_jamb_m=round(hypot(x_m - half, y_m - face), 3),
        from_wall_face_m=round(from_face, 3),
    )


def aim_marks(sensing: Sensing, door: Door, state: float = 0.0) -> list[AimMark]:
    """Where planes, beams and axes meet the floor or their other end, and the corners of fields.

    A plane is marked below the head and on the door's middle line, the farthest one also where its first and last rays
    end; of beams that end above one place the lowest and the highest.
    """
    return [mark for sensor in sensing.placed for mark in _sensor_marks(sensing, sensor, door, state)]


def _sensor_marks(sensing: Sensing, sensor: Placed, door: Door, state: float) -> Iterator[AimMark]:
    emissions = [sensor.emission(i, state) for i in range(len(sensor.emissions))]
    traces = [
        trace
        for i, rays in enumerate(emissions)
        if isinstance(rays, Rays) and not rays.blocks
        for trace in _traces(rays, sensing.clipped(sensor, i, state))
    ]
    shown = traces if len(traces) <= _PLANES_MOST else [traces[0], traces[len(traces) // 2], traces[-1]]
    for trace in shown:
        yield from _plane_marks(sensor, trace, trace is shown[-1], door)
    for emission in emissions:
        if isinstance(emission, Rays) and emission.blocks:
            yield from _beam_marks(sensor, emission, door)
        elif isinstance(emission, Lobe) and (foot := _foot(emission, sensing)) is not None:
            yield _mark(sensor.name, "axis", "floor", foot, door)
    rings = {ring.tobytes(): ring for purpose in sensor.purposes for ring in field_rings(sensor, purpose)[0]}
    for n, ring in enumerate(rings.values(), start=1):
        for corner, (x, y) in enumerate(ring[:_CORNERS_MOST], start=1):
            at = (x, y, float(sensing.floors.height(y)))
            yield _mark(sensor.name, f"field {n}, corner {corner}", "floor", at, door)


def _traces(rays: Rays, clipped: Clipped) -> Iterator[tuple[int, FloatArray]]:
    """Number of each plane or row that meets the floor, and where its rays do (n, 3), in their order. [m]"""
    ends = rays.origins + clipped.lengths[:, None] * rays.directions
    for group in np.unique(rays.group):
        on_floor = ends[(rays.group == group) & (clipped.stops == FLOOR)]
        if len(on_floor):
            yield int(group) + 1, on_floor


def _plane_marks(sensor: Placed, trace: tuple[int, FloatArray], is_last: bool, door: Door) -> Iterator[AimMark]:
    number, on_floor = trace
    is_scan = isinstance(getattr(sensor.params, "plane_tilts_deg", None), tuple)
    name = sensor.family.group_name(sensor.params, number - 1)
    marks: dict[int, str] = {}
    for text, x in {"below the head": float(sensor.scene.mount.origin[0]), "on the middle line": 0.0}.items():
        away = np.abs(on_floor[:, 0] - x)
        nearest = int(np.argmin(away))
        marks.setdefault(nearest, text if away[nearest] <= _NAMED_WITHIN_M else f"nearest to {_LINES[text]}")
    if is_scan and is_last:
        marks.setdefault(0, "first ray on the floor")
        marks.setdefault(len(on_floor) - 1, "last ray on the floor")
    for at, text in marks.items():
        yield _mark(sensor.name, f"{name} {text}", "floor", tuple(on_floor[at]), door)


def _beam_marks(sensor: Placed, rays: Rays, door: Door) -> Iterator[AimMark]:
    """The other ends of beams; of many above one place the lowest and the highest."""
    ends = rays.origins + rays.range_m[:, None] * rays.directions
    places: dict[tuple[float, ...], list[int]] = {}
    for beam, (x, y, _) in enumerate(ends):
        places.setdefault((round(float(x), 2), round(float(y), 2)), []).append(beam)
    for beams in places.values():
        for beam in dict.fromkeys([min(beams, key=lambda b: ends[b, 2]), max(beams, key=lambda b: ends[b, 2])]):
            yield _mark(sensor.name, f"beam {beam + 1} at the counterpart", "counterpart", tuple(ends[beam]), door)


def _foot(lobe: Lobe, sensing: Sensing) -> tuple[float, float, float] | None:
    """Where the axis of a lobe meets the floor within its range, obstacles aside."""
    axis = Rays(
        origins=lobe.origin[None], directions=np.ascontiguousarray(lobe.matrix[:, 2])[None],
        range_m=np.array([min(lobe.range_m, lobe.farthest_m)]), group=np.zeros(1, dtype=np.int64),
    )  # fmt: skip
    clipped = free_lengths(axis, Surroundings(sensing.floors, ()))
    if clipped.stops[0] != FLOOR:
        return None
    x, y, z = (axis.origins + clipped.lengths[:, None] * axis.directions)[0].tolist()
    return x, y, z


def _mark(sensor: str, label: str, meets: str, at: tuple[float, float, float], door: Door) -> AimMark:
    x, y, z = (round(float(v), 3) + 0.0 for v in at)
    return AimMark(sensor=sensor, label=label, meets=meets, x_m=x, y_m=y, z_m=z, tape=tape(door, x, y))


def site_checks(compared: Sequence[Compared], sensing: Sensing, door: Door) -> list[SiteCheck]:
    """Up to 12 places for the test body with the expected result: gaps first, then their edges, then zone corners.

    A place is taken only where the result is the same within 3 cm all around, so that a tape can find it.
    """
    judged = [c for c in compared if c.answer.verdict != "informative"]
    queues = [list(_zone_checks(c, sensing, door))[: None if c.answer.contributing else 1] for c in judged]
    chosen: list[SiteCheck] = []
    for check in (check for turn in zip_longest(*queues) for check in turn if check is not None):
        if not any(_tells_the_same(check, other) for other in chosen):
            chosen.append(check)
    return chosen[:CHECKS_MOST]


def _tells_the_same(one: SiteCheck, other: SiteCheck) -> bool:
    """True if the same body in nearly the same place has the same result: one of them proves both zones."""
    return (one.body, one.expected) == (other.body, other.expected) and hypot(
        one.x_m - other.x_m, one.y_m - other.y_m
    ) < _SAME_PLACE_M


def _zone_checks(c: Compared, sensing: Sensing, door: Door) -> Iterator[SiteCheck]:
    state = c.answer.worst_state
    seen = {
        s.name: sensing.region(
            s,
            c.zone.body,
            angle_deg=0.0,
            state=state,
            purpose=c.zone.kind,
            velocities=c.zone.velocities_m_per_s,
            during=c.zone.during,
        )
        for s in c.sensors
    }
    somewhere = Region.union(seen.values())
    surely = somewhere.grown(-_CLEAR_OF_EDGE_M)
    never = c.required - somewhere.grown(_CLEAR_OF_EDGE_M)
    for place, why in _places(c, surely, never):
        detected = surely.holds(*place)
        if not detected and not never.holds(*place):
            continue
        x, y = (round(v, 2) + 0.0 for v in place)
        yield SiteCheck(
            label=f"{c.zone.label}, leaf {leaf_words(state)}: {why}",
            zone=c.zone.id,
            body=c.zone.body.name,
            angle_deg=0.0,
            state=state,
            x_m=x,
            y_m=y,
            expected="detected" if detected else "not_detected",
            sensors=[name for name, region in seen.items() if detected and region.holds(x, y)],
            why=why,
            tape=tape(door, x, y),
        )


def _places(c: Compared, surely: Region, never: Region) -> Iterator[tuple[tuple[float, float], str]]:
    gaps = (c.gap & never).parts()
    if gaps:
        x, y, _ = gaps[0].largest_circle()
        causes = [u.name for g in c.answer.gaps[:1] for u in g.culprits[:1] if u.cause == "shadow"]
        yield (x, y), "middle of the largest gap" + (f", behind {causes[0]}" if causes else "")
        beside = (c.required & surely & gaps[0].grown(0.15)).parts()
        if beside:
            yield beside[0].inner_point(), "beside the largest gap"
    if c.required.is_empty:
        return
    x0, y0, x1, y1 = c.required.bounds
    inset = min(_INTO_CORNER_M, (x1 - x0) / 4, (y1 - y0) / 4)
    corners = ((x0, y0), (x1, y0), (x0, y1), (x1, y1))
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    if c.required.holds(*middle):
        yield middle, "middle of the zone"
    for x, y in corners:
        place = (x + inset if x == x0 else x - inset, y + inset if y == y0 else y - inset)
        if c.required.holds(*place):
            yield place, "corner of the zone"

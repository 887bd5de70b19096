"""How to prove the answer at the door: marks for aiming, and places to put the test body, as a tape measures them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import zip_longest
from math import hypot

import numpy as np

from sillcast.compare import Compared, leaf_words
from sillcast.contract import AimMark, Door, SiteCheck, TapeDistances
from sillcast.family import Rays
from sillcast.kernel import Region
from sillcast.sensing import Placed, Sensing

__all__ = ["CHECKS_MOST", "aim_marks", "site_checks", "tape"]

CHECKS_MOST = 12
_CLEAR_OF_EDGE_M = 0.03  # a tape and a pair of eyes place a body to about this (common practice, no source)
_INTO_CORNER_M = 0.05
_SAME_PLACE_M = 0.1
_PLANES_MOST = 32  # of more rows than this, the first, the middle and the last are marked


def tape(door: Door, x_m: float, y_m: float) -> TapeDistances:
    """Tape lengths straight to the feet of both jambs on the place's side, and square to the wall face. [m]

    Negative from the wall face means inside the wall's thickness.
    """
    half = door.opening.width_m / 2
    face = door.wall.near_face_y_m if y_m < 0 else door.wall.far_face_y_m
    from_face = face - y_m if y_m < 0 else y_m - face
    return TapeDistances(
        from_left_jamb_m=round(hypot(x_m + half, y_m - face), 3),
        from_right_jamb_m=round(hypot(x_m - half, y_m - face), 3),
        from_wall_face_m=round(from_face, 3),
    )


def aim_marks(sensing: Sensing, door: Door, state: float = 0.0) -> list[AimMark]:
    """Where each plane or beam meets the floor (below the head and on the door's middle line) or the other end."""
    marks: list[AimMark] = []
    for sensor in sensing.placed:
        for i, emission in enumerate(sensor.emissions):
            if isinstance(emission, Rays):
                marks += (
                    _beam_marks(sensor, emission, door)
                    if emission.blocks
                    else _plane_marks(sensing, sensor, i, door, state)
                )
    return marks


def _beam_marks(sensor: Placed, rays: Rays, door: Door) -> Iterator[AimMark]:
    ends = rays.origins + rays.range_m[:, None] * rays.directions
    for beam, (x, y, z) in enumerate(ends, start=1):
        yield _mark(sensor.name, f"beam {beam} at the counterpart", "counterpart", (x, y, z), door)


def _plane_marks(sensing: Sensing, sensor: Placed, emission: int, door: Door, state: float) -> Iterator[AimMark]:
    rays = sensor.emission(emission, state)
    assert isinstance(rays, Rays)
    clipped = sensing.clipped(sensor, emission, state)
    ends = rays.origins + clipped.lengths[:, None] * rays.directions
    groups = np.unique(rays.group)
    shown = groups if len(groups) <= _PLANES_MOST else groups[[0, len(groups) // 2, -1]]
    word = "plane" if isinstance(getattr(sensor.params, "plane_tilts_deg", None), tuple) else "row"
    for plane in shown:
        on_floor = ends[(rays.group == plane) & (clipped.stops == -2)]
        if not len(on_floor):
            continue
        places = {"below the head": float(sensor.scene.mount.origin[0]), "on the middle line": 0.0}
        nearest = {text: int(np.argmin(np.abs(on_floor[:, 0] - x))) for text, x in places.items()}
        for at in dict.fromkeys(nearest.values()):
            text = next(text for text, found in nearest.items() if found == at)
            yield _mark(sensor.name, f"{word} {int(plane) + 1} {text}", "floor", tuple(on_floor[at]), door)


def _mark(sensor: str, label: str, meets: str, at: tuple[float, float, float], door: Door) -> AimMark:
    x, y, z = (round(float(v), 3) + 0.0 for v in at)
    return AimMark(sensor=sensor, label=label, meets=meets, x_m=x, y_m=y, z_m=z, tape=tape(door, x, y))


def site_checks(compared: Sequence[Compared], sensing: Sensing, door: Door) -> list[SiteCheck]:
    """Up to 12 places for the test body with the expected result: gaps first, then their edges, then zone corners.

    A place is taken only where the result is the same within 3 cm all around, so that a tape can find it.
    """
    judged = [c for c in compared if c.answer.verdict in ("met", "not_met")]
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
            s, c.zone.body, angle_deg=0.0, state=state, purpose=c.zone.kind, velocities=c.zone.velocities_m_per_s
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

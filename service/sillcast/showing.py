"""What the sensors see, as the answer shows it: coverage, detection, ideal outlines, counts, shadows, rays."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations, product
from typing import Any

import numpy as np

from sillcast.contract import (
    Band,
    Combined,
    Counts,
    Coverage,
    Detection,
    DetectionRequest,
    Outline,
    RangeStep,
    Ray,
    SensorAnswer,
    Shadow,
    Smallest,
)
from sillcast.errors import Fault, GeometryError, UncomputableError
from sillcast.family import Lobe, RangeEffect, Rays
from sillcast.kernel import Region, TestBody
from sillcast.kernel.counts import Grid, hit_counts, smallest_detected
from sillcast.kernel.section import band
from sillcast.kernel.sweep import dense_outline
from sillcast.sensing import Placed, Sensing, Velocities

__all__ = ["combined", "sensors", "shadows"]

_AT_LEAST_MOST = 3


def sensors(sensing: Sensing, output: Any, bodies: Mapping[str, TestBody]) -> list[SensorAnswer]:
    """What each sensor sees: coverage at heights, detection of bodies, counts, rays."""
    return [
        SensorAnswer(
            name=s.name,
            family=s.family.name,
            senses=sorted(s.family.senses),
            response_s=s.response_s,
            range_steps=[_range_step(e) for e in s.family.range_effects(s.params, s.scene)],
            coverage=[_coverage(sensing, s, h, state) for state in output.states for h in output.heights_m],
            detection=[
                _detection(sensing, s, bodies[d.body], d, state, purpose)
                for state in output.states
                for d in output.detections
                for purpose in s.purposes
            ],
            bands=[_band(sensing, s, b.low_m, b.high_m, state) for state in output.states for b in output.bands],
            outlines=_outlines(sensing, s, output, bodies) if output.outlines else [],
            smallest=[
                _smallest(sensing, s, [bodies[name] for name in w.bodies], w, state, f"/output/smallest/{i}/bodies")
                for state in output.states
                for i, w in enumerate(output.smallest)
            ],
            counts=[_counts(sensing, s, bodies[c.body], c, state) for state in output.states for c in output.counts],
            rays=_rays(sensing, s, output.states[0]) if output.rays else [],
        )
        for s in sensing.placed
    ]


def _range_step(effect: RangeEffect) -> RangeStep:
    return RangeStep(
        name=effect.name,
        before_m=round(effect.before_m, 3),
        after_m=round(effect.after_m, 3),
        formula=effect.formula,
        inputs=list(effect.inputs),
        source=effect.source,
        status=effect.status,
        note=effect.note,
    )


def _coverage(sensing: Sensing, sensor: Placed, height_m: float, state: float) -> Coverage:
    areas: list[Region] = []
    lines: list[list[tuple[float, float]]] = []
    for i in range(len(sensor.emissions)):
        area, pieces = sensing.section(sensor, i, height_m, state)
        areas.append(area)
        lines += [[(round(x, 3) + 0.0, round(y, 3) + 0.0) for x, y in piece] for piece in pieces]
    return Coverage(height_m=height_m, state=state, polygons_m=Region.union(areas).rings(), lines_m=lines)


def _band(sensing: Sensing, sensor: Placed, low_m: float, high_m: float, state: float) -> Band:
    """Area swept by scan planes and beams between two heights; lobes have none, see their coverage."""
    swept = []
    for i in range(len(sensor.emissions)):
        now = sensor.emission(i, state)
        if not isinstance(now, Lobe):
            clipped = sensing.clipped(sensor, i, state) if isinstance(now, Rays) else None
            swept.append(band(now, clipped, low_m, high_m, sensing.floors))
    return Band(low_m=low_m, high_m=high_m, state=state, polygons_m=Region.union(swept).rings())


def _detection(
    sensing: Sensing, sensor: Placed, body: TestBody, wanted: DetectionRequest, state: float, purpose: str
) -> Detection:
    region = sensing.region(
        sensor, body, angle_deg=wanted.angle_deg, state=state, purpose=purpose, velocities=_velocities(wanted)
    )
    return Detection(
        body=body.name,
        angle_deg=wanted.angle_deg,
        heading_deg=wanted.heading_deg,
        speed_m_per_s=wanted.speed_m_per_s,
        state=state,
        purpose=purpose,
        area_m2=round(region.area, 4),
        polygons_m=region.rings(),
    )


def _outlines(sensing: Sensing, sensor: Placed, output: Any, bodies: Mapping[str, TestBody]) -> list[Outline]:
    """Ideal outlines of scan planes, and how much of them the real rays miss; no verdict rests on them."""
    found, (x0, x1, y0, y1) = [], sensing.window
    for state, wanted in product(output.states, output.detections):
        emissions = [sensor.emission(i, state) for i in range(len(sensor.emissions))]
        rays, body = [e for e in emissions if isinstance(e, Rays)], bodies[wanted.body]
        ideal = dense_outline(rays, sensing.around(state), body, angle_deg=wanted.angle_deg)
        if ideal is None:
            continue
        ideal = ideal & Region.box(x0, x1, y0, y1)
        how: dict[str, Any] = {"angle_deg": wanted.angle_deg, "state": state, "velocities": _velocities(wanted)}
        found.append(
            Outline(
                body=body.name,
                angle_deg=wanted.angle_deg,
                state=state,
                area_m2=round(ideal.area, 4),
                short_m2=round((ideal - sensing.region(sensor, body, **how)).area, 4),
                polygons_m=ideal.rings(),
            )
        )
    return found


def _velocities(wanted: DetectionRequest) -> Velocities:
    if wanted.speed_m_per_s is None or wanted.heading_deg is None:
        return ()
    course = math.radians(wanted.heading_deg)
    return ((wanted.speed_m_per_s * math.cos(course), wanted.speed_m_per_s * math.sin(course)),)


def _grid(sensing: Sensing, cell_m: float) -> Grid:
    x0, x1, y0, y1 = sensing.window
    return Grid.over(x0, x1, y0, y1, cell_m)


def _counts(sensing: Sensing, sensor: Placed, body: TestBody, wanted: Any, state: float) -> Counts:
    grid = _grid(sensing, wanted.cell_m)
    total = np.zeros((grid.rows, grid.columns), dtype=np.int64)
    for i in range(len(sensor.emissions)):
        rays = sensor.emission(i, state)
        if isinstance(rays, Rays):
            clipped = sensing.clipped(sensor, i, state)
            total += hit_counts(rays, clipped, body, grid, angle_deg=wanted.angle_deg, floors=sensing.floors)
    return Counts(
        body=body.name,
        angle_deg=wanted.angle_deg,
        state=state,
        cell_m=wanted.cell_m,
        origin_m=(round(grid.x_m, 6), round(grid.y_m, 6)),
        shape=(grid.rows, grid.columns),
        data=np.minimum(total, 255).astype(np.uint8).tobytes(),
    )


def _smallest(
    sensing: Sensing, sensor: Placed, bodies: Sequence[TestBody], wanted: Any, state: float, pointer: str
) -> Smallest:
    """Per cell the first of nested bodies that is detected, as its place in the list.

    Raises
    ------
    UncomputableError
        If the bodies are not of one shape or do not grow.
    """
    grid = _grid(sensing, wanted.cell_m)
    least = np.full((grid.rows, grid.columns), len(bodies), dtype=np.int16)
    for i in range(len(sensor.emissions)):
        rays = sensor.emission(i, state)
        if isinstance(rays, Rays):
            clipped = sensing.clipped(sensor, i, state)
            try:
                found = smallest_detected(
                    rays, clipped, bodies, grid, angle_deg=wanted.angle_deg, floors=sensing.floors
                )
            except GeometryError as error:
                allowed = "bodies of one shape, each holding the one before"
                raise UncomputableError([Fault(pointer, "not_nested", str(error), allowed, None)]) from None
            least = np.minimum(least, found)
    return Smallest(
        bodies=[b.name for b in bodies],
        angle_deg=wanted.angle_deg,
        state=state,
        cell_m=wanted.cell_m,
        origin_m=(round(grid.x_m, 6), round(grid.y_m, 6)),
        shape=(grid.rows, grid.columns),
        data=least.astype(np.uint8).tobytes(),
    )


def combined(sensing: Sensing, output: Any, bodies: Mapping[str, TestBody]) -> list[Combined]:
    """Where at least 1, 2, 3 independent sensors detect a body, each on its own: union and redundancy."""
    most = min(_AT_LEAST_MOST, len(sensing.placed))
    found = []
    for state in output.states:
        for d in output.detections:
            how: dict[str, Any] = {"angle_deg": d.angle_deg, "state": state, "velocities": _velocities(d)}
            alone = [sensing.region(s, bodies[d.body], **how) for s in sensing.placed]
            for n in range(1, most + 1):
                area = _seen_by(alone, n)
                found.append(
                    Combined(
                        body=d.body,
                        angle_deg=d.angle_deg,
                        state=state,
                        at_least=n,
                        area_m2=round(area.area, 4),
                        polygons_m=area.rings(),
                    )
                )
    return found


def _seen_by(regions: Sequence[Region], least: int) -> Region:
    """Places that lie in at least so many of the regions."""
    groups = combinations(regions, least)
    return Region.union(_common(group) for group in groups)


def _common(regions: Sequence[Region]) -> Region:
    first, *more = regions
    for other in more:
        first = first & other
    return first


def shadows(sensing: Sensing, output: Any, bodies: Mapping[str, TestBody]) -> list[Shadow]:
    """What each obstacle takes from each sensor: remove it and this comes back, less where it stands itself."""
    found: list[Shadow] = []
    if not output.shadows:
        return found
    for prism in (p for p in sensing.fixed.prisms if p.part == "obstacle"):
        world = sensing.without(prism.name)
        for state in output.states:
            for d in output.detections:
                how: dict[str, Any] = {"angle_deg": d.angle_deg, "state": state, "velocities": _velocities(d)}
                for here, there in zip(sensing.placed, world.placed, strict=True):
                    body = bodies[d.body]
                    lost = (world.region(there, body, **how) - sensing.region(here, body, **how)).opened(0.005)
                    if not lost.is_empty:
                        found.append(
                            Shadow(
                                obstacle=prism.name,
                                sensor=here.name,
                                body=d.body,
                                angle_deg=d.angle_deg,
                                state=state,
                                area_m2=round(lost.area, 4),
                                polygons_m=lost.rings("nearest"),
                            )
                        )
    return found


def _rays(sensing: Sensing, sensor: Placed, state: float) -> list[Ray]:
    found: list[Ray] = []
    stops = iter(sensing.stops(sensor, state))
    for i, emission in enumerate(sensor.emissions):
        if isinstance(emission, Rays):
            now = sensor.emission(i, state)
            assert isinstance(now, Rays)
            ends = now.origins + sensing.clipped(sensor, i, state).lengths[:, None] * now.directions
            for start, end, group in zip(now.origins, ends, emission.group, strict=True):
                found.append(Ray(start_m=_point(start), end_m=_point(end), group=int(group), ends_at=next(stops)))
    return found


def _point(at: Any) -> tuple[float, float, float]:
    x, y, z = (round(float(v), 4) + 0.0 for v in at)
    return x, y, z

"""What must hold for the needs of every door: mirror, monotone distances, finite numbers, an answer at all."""

from math import isfinite

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sillcast import needs
from sillcast.contract import (
    Door,
    Folding,
    Leaf,
    Opening,
    Phase,
    Rules,
    Site,
    Sliding,
    Swing,
    Traveller,
    VerticalLift,
    Wall,
)

phases = st.one_of(
    st.builds(
        Phase,
        speed_m_per_s=st.floats(0.01, 5.0),
        acceleration_m_per_s2=st.floats(0.01, 50.0),
        deceleration_m_per_s2=st.floats(0.01, 50.0),
        creep_distance_m=st.floats(0.0, 10.0),
        creep_speed_m_per_s=st.floats(0.01, 5.0),
    ),
    st.builds(Phase, time_s=st.floats(0.1, 300.0), creep_distance_m=st.floats(0.0, 1.0)),
)
moves = {
    "opening": phases,
    "closing": phases,
    "control_delay_s": st.floats(0.0, 10.0),
    "stopping_time_s": st.floats(0.0, 10.0),
    "partial_opening": st.floats(0.05, 1.0),
}
sides = st.sampled_from(["near", "far"])
panels = {"panels": st.integers(1, 4), "panel_pitch_m": st.sampled_from([0.0, 0.5, -0.5])}  # none thicker than 0.5 m
motions = st.one_of(
    st.builds(VerticalLift, **moves),
    st.builds(Sliding, leaves=st.just(1), opens_to=st.sampled_from(["left", "right"]), **panels, **moves),
    st.builds(Sliding, leaves=st.just(2), **panels, **moves),
    st.builds(Swing, leaves=st.integers(1, 2), angle_deg=st.floats(30.0, 180.0), opens_towards=sides, **moves),
    st.builds(Folding, panels=st.sampled_from([2, 4]), angle_deg=st.floats(45.0, 90.0), opens_towards=sides, **moves),
)
doors = st.builds(
    Door,
    opening=st.builds(Opening, width_m=st.floats(0.8, 30.0), height_m=st.floats(1.0, 20.0)),
    motion=motions,
    wall=st.sampled_from(
        [Wall(), Wall(near_face_y_m=0.05, far_face_y_m=0.4), Wall(near_face_y_m=-0.4, far_face_y_m=-0.05)]
    ),
    leaf=st.builds(
        Leaf,
        thickness_m=st.floats(0.001, 0.5),
        overlap_m=st.floats(0.0, 1.0),
        mass_kg=st.one_of(st.none(), st.floats(0.1, 20000.0)),
    ),
)
travellers = st.builds(
    Traveller,
    name=st.just("traveller"),
    speed_m_per_s=st.floats(0.05, 10.0),
    width_m=st.floats(0.1, 10.0),
    front_overhang_m=st.floats(0.0, 10.0),
    clear_height_m=st.floats(0.1, 20.0),
    approach_deg=st.floats(-75.0, 75.0),
)


def required(door: Door, traveller: Traveller, name: str = "industrial_door", response: float | None = None):
    known = {} if response is None else {("activation", s): (response, "/sensors/0") for s in ("near", "far")}
    return needs.required(door, Site(), (traveller,), Rules(set=name), needs.catalogue(), known)


def distance(found) -> float:
    return next(d.result for d in found.derivations if d.id == "activation:near:traveller/distance")


@given(doors, travellers, st.sampled_from(sorted(needs.rule_sets())))
@settings(max_examples=120, deadline=None)
def test_every_door_has_an_answer_of_finite_numbers(door, traveller, name) -> None:
    found = required(door, traveller, name)
    ids = [d.id for d in found.derivations]
    assert len(ids) == len(set(ids))
    assert all(isfinite(d.result) for d in found.derivations)
    for finding in found.findings:
        assert all(isfinite(v) for v in finding.values.values() if isinstance(v, float))
        assert finding.derivation in ("", *ids)
    for zone in found.zones:
        assert zone.region.area > 0.0
        assert set(zone.derivations) <= set(ids)
    assert msgspec.json.encode([found.derivations, found.findings])


@given(doors, travellers, st.floats(1.0, 3.0))
@settings(max_examples=40, deadline=None)
def test_faster_travellers_and_slower_sensors_never_need_less(door, traveller, factor) -> None:
    faster = msgspec.structs.replace(traveller, speed_m_per_s=min(traveller.speed_m_per_s * factor, 10.0))
    slow = required(door, traveller, response=0.1)
    assert distance(required(door, faster, response=0.1)) >= distance(slow) - 1e-9
    assert distance(required(door, traveller, response=0.1 * factor)) >= distance(slow) - 1e-9


@given(doors, travellers)
@settings(max_examples=40, deadline=None)
def test_mirror_left_and_right(door, traveller) -> None:
    """x and the course change sign, left and right change places; every zone is the mirror image of its twin."""
    changes = {
        "swing": {"hinge": {"left": "right", "right": "left"}},
        "sliding": {"opens_to": {"left": "right", "right": "left", "both": "both"}},
        "folding": {"folds_to": {"left": "right", "right": "left"}},
    }.get(door.motion.__struct_config__.tag, {})
    swapped = {key: table[getattr(door.motion, key)] for key, table in changes.items()}
    mirrored = msgspec.structs.replace(door, motion=msgspec.structs.replace(door.motion, **swapped))
    across = msgspec.structs.replace(traveller, approach_deg=-traveller.approach_deg)
    twins = {z.id: z.region.bounds for z in required(mirrored, across).zones}
    for zone in required(door, traveller).zones:
        x0, y0, x1, y1 = zone.region.bounds
        name = zone.id.replace("left", "#").replace("right", "left").replace("#", "right")
        assert twins[name] == pytest.approx((-x1, y0, -x0, y1), abs=1e-9)

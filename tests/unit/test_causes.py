"""What takes detection away in a gap, and what to do about it: range, the leaf in between, a loop too near."""

from math import radians, tan

import pytest

from kettlewharf import changed, dock_door, scanner
from sillcast import Planner

PLANNER = Planner()


def comparison(answer, zone):
    return next(c for c in answer.comparisons if c.zone == zone)


def folding_door(**changes):
    """The dock door with four panels that fold to the jambs on the near side, and the head behind the open ones."""
    slow = {"speed_m_per_s": 0.6}
    folding = {"kind": "folding", "panels": 4, "opens_towards": "near", "opening": slow, "closing": slow}
    return dock_door(**{"/door/motion": folding, "/traffic": [], **changes})


def test_the_leaf_that_stands_in_between_is_named_as_the_cause():
    """The folded panels hide the threshold from a head beside them, and not from one in front of them."""
    hidden = comparison(PLANNER.assess(folding_door()), "protection:near:leaf_path")
    assert hidden.worst_state == 1.0
    assert [u.cause for u in hidden.gaps[0].culprits] == ["leaf_shadow"]
    assert hidden.gaps[0].culprits[0].area_m2 > 0.9 * hidden.gaps[0].area_m2
    answer = PLANNER.assess(folding_door())
    told = next(f for f in answer.findings if f.zone == hidden.zone)
    assert told.remedy == _IN_BETWEEN
    open_air = comparison(
        PLANNER.assess(folding_door(**{"/sensors/0/mount/position/y_m": -1.6})), "protection:near:leaf_path"
    )
    assert "leaf_shadow" not in {u.cause for g in open_air.gaps for u in g.culprits}


_IN_BETWEEN = "Mount a sensor where the leaf does not stand in between: higher, beyond the open leaf, or on it."


def test_no_field_is_asked_to_end_before_a_leaf_that_turns_over_the_place():
    """Before a leaf that comes down it can end."""
    slow = {"speed_m_per_s": 0.6}
    swing = {"kind": "swing", "leaves": 2, "opens_towards": "near", "opening": slow, "closing": slow}
    lift = dock_door(**{"/traffic": [], "/sensors/0/device/plane_tilts_deg": [-4.0, -3.0]})
    head = scanner("head", 0.0, plane_tilts_deg=[-4.0, -3.0, -2.0], sweep_end_deg=90.0)
    words = ("End the field for protection before the leaf", "The leaf itself comes here")
    for request, own in ((lift, words[0]), (changed(lift, {"/door/motion": swing, "/sensors": [head]}), words[1])):
        remedies = [f.remedy for f in PLANNER.assess(request).findings if f.code == "core.protection_gap"]
        assert {w for w in words for remedy in remedies if w in remedy} == {own}


def test_the_range_is_named_as_the_cause_at_a_head_that_looks_along_the_floor_too():
    """From 4.6 m up 2.5 m end above a body of 0.7 m; the sweep's level rays must not widen the spots beyond use."""
    wide = {"sweep_start_deg": -90.0, "sweep_end_deg": 90.0, "range_m": 2.5}
    answer = PLANNER.assess(dock_door(**{"/sensors": [scanner("head", -2.1, **wide)]}))
    near = comparison(answer, "protection:near:near_strip")
    assert [(u.cause, u.area_m2) for u in near.gaps[0].culprits] == [("range", near.gap_m2)]
    told = next(f for f in answer.findings if f.zone == near.zone)
    assert told.remedy == "Use a longer range or a mount nearer to the gap."


def loop_at(y_m, approach_deg=0.0):
    loop = {
        "name": "loop", "purposes": ["activation"], "device": {"family": "induction_loop", "width_m": 6.0, "depth_m": 1.2},
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": y_m, "z_m": 0.0}},
    }  # fmt: skip
    request = dock_door(**{"/sensors": [loop], "/traffic/0/approach_deg": approach_deg})
    request["traffic"][0]["body"] = "vehicle_front"
    return request


def test_a_loop_on_the_other_side_is_not_too_near_but_on_the_wrong_side():
    answer = PLANNER.assess(loop_at(4.0))
    gaps = comparison(answer, "activation:near:fork truck").gaps
    assert {c.cause for gap in gaps for c in gap.culprits} == {"aim"}
    assert "core.head_on_other_side" in {f.code for f in answer.findings}


@pytest.mark.parametrize("approach_deg", [0.0, 20.0])
def test_a_loop_too_near_the_door_is_told_how_far_out_it_must_lie(approach_deg):
    """Moved so far along the course it finds in time, a centimetre less and it does not."""
    request = loop_at(-2.0, approach_deg)
    door = comparison(PLANNER.assess(request), "activation:near:fork truck")
    (told,) = door.gaps[0].culprits
    assert (told.cause, told.area_m2) == ("too_near", pytest.approx(door.gap_m2, rel=0.02))
    move = float(told.name.split(": ")[1].removesuffix(" m farther out"))
    assert move == pytest.approx(1.5, abs=1.0)
    for out, verdict in ((move, "met"), (move - 0.02, "not_met")):
        place = {"x_m": out * tan(radians(approach_deg)), "y_m": -2.0 - out, "z_m": 0.0}
        moved = changed(request, {"/sensors/0/mount/position": place})
        assert comparison(PLANNER.assess(moved), door.zone).verdict == verdict
    remedy = next(f.remedy for f in PLANNER.assess(request).findings if f.zone == door.zone)
    assert remedy == f"Move it along the course, or add one out there: {told.name}."

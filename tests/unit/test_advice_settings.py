"""Advice on settings: proven by assessing the patched request, honest where nothing helps."""

import json
from dataclasses import replace

import msgspec
import pytest

from ablation.small import small_door, task_of
from kettlewharf import changed
from sillcast import Planner, advice
from sillcast.advice.places import ZoneScore
from sillcast.advice.pointers import patch_step, value_at, with_value
from sillcast.advice.reach import reach_of
from sillcast.advice.relax import is_vehicle
from sillcast.advice.robust import mount_errors, robust
from sillcast.advice.settings import settings_of
from sillcast.advice.standing import is_worth_it, of_scores
from sillcast.errors import FamilyError
from sillcast.family import Tunable

PLANNER = Planner()
QUICK = advice.Budget(tried=60, kept=2, assessed=1, relaxed=1)


def pinned(request):
    """Ranges that hold every setting that has a value where it is."""
    task = task_of(PLANNER, request)
    held = [s for s in settings_of(task.request, task.placed, task.zones) if s.current is not None]
    return {s.variable.pointer: (s.current, s.current) for s in held}


def patched(request, steps):
    """An independent reading of RFC 6902 for `add` and `replace` on objects, `replace` and `-` on arrays."""
    request = json.loads(json.dumps(request))
    for step in steps:
        *path, last = step.path.strip("/").split("/")
        at = request
        for token in path:
            at = at[int(token)] if isinstance(at, list) else at[token]
        if isinstance(at, list):
            assert (step.op, last) == ("add", "-") or (step.op == "replace" and int(last) < len(at))
            at.append(step.value) if last == "-" else at.__setitem__(int(last), step.value)
        else:
            assert step.op == "add"
            at[last] = step.value
    return request


def activation_only(**changes):
    """The small door with its protection left to a second sensor that sees all of both strips."""
    mat = {
        "name": "mat", "purposes": ["protection"],
        "device": {"family": "pressure_mat", "width_m": 1.4, "depth_m": 1.4},
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": 0.0, "z_m": 0.0}},
    }  # fmt: skip
    request = small_door()
    request["sensors"].append(mat)
    return changed(request, changes)


def test_pointers_read_and_write_without_touching_the_rest():
    request = PLANNER._taken(small_door())
    pointer = "/sensors/0/device/plane_tilts_deg/1"
    other = with_value(request, pointer, 33.0)
    assert (value_at(request, pointer), value_at(other, pointer)) == (6.5, 33.0)
    assert other.door is request.door
    for nothing in ("/sensors/4/mount", "/sensors/0/device/colour", "/sensors/x"):
        with pytest.raises(KeyError):
            value_at(request, nothing)


def test_patch_adds_members_and_replaces_items():
    request = PLANNER._taken(small_door())
    steps = [patch_step(request, p, 7.0) for p in ("/sensors/0/mount/tilt_deg", "/sensors/0/device/plane_tilts_deg/1")]
    assert [s.op for s in steps] == ["add", "replace"]
    decoded = PLANNER._taken(patched(small_door(), steps))
    assert (decoded.sensors[0].mount.tilt_deg, decoded.sensors[0].device.plane_tilts_deg) == (
        7.0,
        (0.5, 7.0, 14.5, 23.0),
    )


def test_a_proposal_turns_the_zone_to_met_and_its_patch_proves_it():
    request = activation_only()
    found = advice.advise(task_of(PLANNER, request, budget=advice.Budget(tried=150, kept=3, assessed=2, relaxed=0)))
    assert found.proposals, found.note
    first = found.proposals[0]
    effect = next(e for e in first.effects if e.zone.startswith("activation"))
    assert (effect.before.verdict, effect.after.verdict) == ("not_met", "met")
    again = PLANNER.assess(patched(request, first.patch))
    got = {c.zone: (c.verdict, c.share, c.gap_m2, c.margin_m) for c in again.comparisons}
    for e in first.effects:
        assert got[e.zone] == (e.after.verdict, e.after.share, e.after.gap_m2, e.after.margin_m)
    for p in found.proposals:
        assert p.least <= p.proposed <= p.most
        assert p.setting not in p.together
        assert {p.setting, *p.together} == {q.setting for q in found.proposals}
        assert value_at(PLANNER._taken(patched(request, p.patch)), p.setting) == p.proposed


def test_advice_does_not_depend_on_the_run():
    task = [task_of(Planner(), activation_only(), budget=QUICK) for _ in range(2)]
    first, second = (advice.advise(t) for t in task)
    parts = [(f.proposals, f.note, f.search, f.relaxations) for f in (first, second)]
    assert msgspec.json.encode(parts[0]) == msgspec.json.encode(parts[1])


def test_the_budget_bounds_what_is_tried_and_assessed():
    calls = []
    task = task_of(PLANNER, activation_only(), budget=QUICK)

    def counted(request):
        calls.append(request)
        return PLANNER._exact(request)

    found = advice.advise(replace(task, grids={}, evaluate=counted))
    assert found.search.tried <= QUICK.tried
    assert found.search.assessed <= QUICK.assessed + QUICK.polished
    assert len(calls) <= found.search.assessed + QUICK.relaxed
    assert found.search.stopped == "budget"
    assert not found.search.optimal


def test_without_a_sensor_the_note_says_so_and_names_the_zone_that_binds():
    found = advice.advise(task_of(PLANNER, small_door(**{"/sensors": []})))
    assert found.proposals == []
    assert found.search.stopped == "nothing_tunable"
    assert "There is no sensor to set." in found.note
    assert "stays unmet" in found.note


SHORT = {
    "/sensors/0/device/plane_tilts_deg": [0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 24.0, 28.0, 32.0, 36.0],
    "/traffic/0/speed_m_per_s": 1.5, "/sensors/0/mount/tilt_deg": 0.0,
}  # fmt: skip


def short_of_reach(**more):
    """The last plane ends the view too near for who comes at 1.5 m/s, and everything is held."""
    request = activation_only(**(SHORT | more))
    return request, advice.advise(task_of(PLANNER, request, ranges=pinned(request)))


def verdict_of(request, zone="activation:near:person"):
    return {c.zone: c.verdict for c in PLANNER.assess(request).comparisons}[zone]


def test_a_vehicle_is_offered_a_speed_limit_where_the_reach_is_too_short():
    request, found = short_of_reach(**{"/traffic/0/front_overhang_m": 0.01})
    assert (found.search.stopped, found.search.candidates) == ("all_tried", 1.0)
    assert found.proposals == []
    slower = next(r for r in found.relaxations if r.kind == "speed")
    assert slower.proven
    assert 0.5 <= slower.proposed < 1.5 == slower.current
    assert f"speed limit of {slower.proposed:.1f} m/s for person instead of 1.5 m/s" in slower.text
    assert verdict_of(patched(request, slower.patch)) == "met"
    a_step_faster = patched(request, slower.patch)
    a_step_faster["traffic"][0]["speed_m_per_s"] = round(slower.proposed + 0.1, 6)
    grid = task_of(PLANNER, a_step_faster)
    assert any(s.gap_m2 > 0 for s in grid.fine.scores(grid.placed) if s.zone.kind == "activation")


def test_nobody_orders_a_person_to_walk_slower_the_door_opens_faster_instead():
    request, found = short_of_reach(**{"/traffic/0/speed_m_per_s": 0.7, "/door/motion/opening/speed_m_per_s": 0.6})
    kinds = [r.kind for r in found.relaxations]
    assert "speed" not in kinds
    faster = next(r for r in found.relaxations if r.kind == "opening_speed")
    assert 0.6 == faster.current < faster.proposed <= 1.2
    assert f"opens at {faster.proposed:.1f} m/s instead of 0.6 m/s" in faster.text
    assert verdict_of(request) == "not_met"
    assert verdict_of(patched(request, faster.patch)) == "met"


@pytest.mark.parametrize(
    ("traveller", "metal", "vehicle"),
    [
        ({"width_m": 0.6}, False, False),
        ({"width_m": 1.3}, False, True),
        ({"width_m": 0.8, "front_overhang_m": 1.1}, False, True),
        ({"width_m": 0.8}, True, True),
    ],
)
def test_who_can_be_given_a_speed_limit(traveller, metal, vehicle):
    struct = PLANNER._taken(changed(small_door(), {f"/traffic/0/{k}": v for k, v in traveller.items()})).traffic[0]
    assert is_vehicle(struct, replace(task_of(PLANNER, small_door()).zones[0].body, metal=metal)) is vehicle


@pytest.mark.parametrize(
    "request_",
    [
        activation_only(**SHORT),
        activation_only(**(SHORT | {"/traffic/0/front_overhang_m": 0.2})),
        small_door(**{"/sensors/0/purposes": ["activation", "protection"]}),
        small_door(**{"/sensors/0/mount/position/z_m": 2.3, "/traffic/0/speed_m_per_s": 0.6}),
    ],
    ids=["person", "vehicle", "both purposes", "low"],
)
def test_each_relaxation_really_turns_its_zones_to_met_and_loses_none(request_):
    found = advice.advise(task_of(PLANNER, request_, ranges=pinned(request_)))
    before = {c.zone for c in PLANNER.assess(request_).comparisons if c.verdict == "met"}
    assert found.relaxations or "that were tried helps: vehicles as slow as 0.5 m/s" in found.note
    for relaxation in found.relaxations:
        after = {c.zone for c in PLANNER.assess(patched(request_, relaxation.patch)).comparisons if c.verdict == "met"}
        assert after >= before | set(relaxation.zones), relaxation.text
        assert relaxation.proven


def test_zones_out_of_sight_are_not_searched_for_and_the_note_says_why():
    """A near head never sees the far strip: with everything else met there is nothing to search for."""
    request = activation_only(**{"/traffic/0/speed_m_per_s": 0.3, "/sensors/0/mount/tilt_deg": 0.0})
    request["traffic"].append({**request["traffic"][0], "name": "visitor", "from_sides": ["far"]})
    task = task_of(PLANNER, request)
    reach = reach_of(task, settings_of(task.request, task.placed, task.zones))
    assert {"activation:far:visitor"} & set().union(*reach.values()) == set()
    found = advice.advise(task)
    assert (found.search.stopped, found.search.tried, found.search.optimal) == ("nothing_to_gain", 1, True)
    assert "it is out of sight of head, whichever way they look" in found.note


def test_a_zone_that_another_tilt_would_show_is_not_taken_for_hidden():
    """Tilted against the wall the head sees nothing of what is before it, and a setting can mend that."""
    request = activation_only(**{"/sensors/0/mount/tilt_deg": -60.0})
    task = task_of(PLANNER, request)
    (zone,) = [c for c in task.comparisons if c.zone.startswith("activation")]
    assert zone.share == 0.0
    reach = reach_of(task, settings_of(task.request, task.placed, task.zones))
    assert zone.zone in reach[0]


def test_an_activation_field_is_proposed_against_crossing_traffic():
    request = activation_only(**{
        "/sensors/0/device/plane_tilts_deg": [0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 24.0, 28.0, 32.0, 36.0, 40.0],
        "/sensors/0/device/step_deg": 1.0,
    })  # fmt: skip
    request["traffic"].append({
        "name": "passer-by", "from_sides": ["near"], "speed_m_per_s": 1.0, "width_m": 0.6, "clear_height_m": 2.0,
        "passes": "by", "lane": {"out_from_m": 1.7, "out_to_m": 2.4},
    })  # fmt: skip
    found = advice.advise(task_of(PLANNER, request, ranges=pinned(request), budget=advice.Budget(relaxed=0)))
    assert found.search.optimal
    (proposal,) = [p for p in found.proposals if "fields" in p.setting]
    spill = next(e for e in proposal.effects if e.zone.startswith("exclusion"))
    assert spill.after.overspill_m2 < spill.before.overspill_m2
    again = PLANNER._taken(patched(request, proposal.patch))
    assert [f.purpose for f in again.sensors[0].device.fields] == ["activation"]


def test_mounting_errors_are_judged_exactly_and_the_failing_one_is_named():
    names = [words for words, _ in mount_errors(PLANNER._taken(small_door()), 0)]
    assert len(names) == 12
    assert "head: tilt -1 deg" in names
    assert "head: height +0.02 m" in names
    request = activation_only()
    found = advice.advise(task_of(PLANNER, request, budget=QUICK), robustness=True)
    assert found.proposals
    after = PLANNER._taken(patched(request, found.proposals[0].patch))
    met = {e.zone for e in found.proposals[0].effects if e.after.verdict == "met"}
    fails = [words for words, wrong in mount_errors(after, 0) if lost(wrong, met)]
    for p in found.proposals:
        assert p.robust is (not fails)
        assert p.robust is (p.failing_case == "")
        assert p.robust or p.failing_case.split(": '")[0] in fails
        assert "of 12 mounting errors of head assessed" in p.errors_judged


def lost(request, met):
    return any(c.zone in met and c.verdict != "met" for c in PLANNER._exact(request))


def test_errors_beyond_the_budget_are_said_to_be_judged_on_a_grid():
    request = activation_only()
    task = task_of(PLANNER, request, budget=replace(QUICK, robust=3))
    found = robust(task, task.request, [], [0])
    assert (found.holds, found.failing_case) == (True, "")
    assert found.judged == (
        "3 of 12 mounting errors of head assessed with exact regions; the others show no loss on a grid."
    )


def test_a_tunable_that_is_not_in_the_request_is_the_familys_fault():
    task = task_of(PLANNER, small_door(), budget=QUICK)
    family = type(task.placed[0].family)

    class Wrong(family):
        def tunables(self, params, scene):
            yield Tunable(f"{scene.pointer}/device/colour", "1", 0.0, 1.0, 0.1, "colour")

    sensor = replace(task.placed[0], family=Wrong())
    with pytest.raises(FamilyError, match="the tunable /sensors/0/device/colour is no number"):
        advice.advise(replace(task, grids={}, placed=[sensor]))


def test_proposals_come_with_the_assessment_where_they_are_wanted():
    request = activation_only(**{"/output/proposals": True})
    answer = PLANNER.assess(request)
    assert answer.search is not None
    assert answer.search.tried > 1
    assert {r.setting for r in answer.search.ranges} >= {"/sensors/0/mount/tilt_deg", "/sensors/0/mount/yaw_deg"}
    assert PLANNER.assess(activation_only()).search is None


def test_bounds_of_a_field_never_cross_in_a_proposal():
    """A field so narrow that its bounds can pass each other: what would be refused is never proposed."""
    field = {"purpose": "activation", "x_from_m": -0.1, "x_to_m": 0.1, "out_from_m": 0.1, "out_to_m": 0.4}
    request = activation_only(**{"/sensors/0/device/fields": [field], "/sensors/0/mount/tilt_deg": 0.0})
    found = advice.advise(task_of(PLANNER, request))
    for proposal in found.proposals:
        head = PLANNER._taken(patched(request, proposal.patch)).sensors[0].device.fields[0]
        assert head.x_from_m < head.x_to_m
        assert head.out_from_m < head.out_to_m
    assert any("fields/0" in p.setting for p in found.proposals), found.note


def test_a_changed_request_that_would_be_refused_is_no_assessment():
    task = task_of(PLANNER, small_door())
    assert task.assessed(task.request) is not None
    for pointer, value in (("/sensors/0/mount/tilt_deg", 500.0), ("/sensors/0/mount/position/y_m", 0.0)):
        in_the_lintel = with_value(task.request, pointer, value)
        assert task.assessed(in_the_lintel) is None


@pytest.mark.parametrize(
    ("after", "worth"),
    [
        ((1, 1, 0, 20, 7, 0, 0), True),  # a zone more is met
        ((2, 1, 0, 18, 7, 0, 0), False),  # 0.02 m2 of protection
        ((2, 1, 0, 15, 7, 0, 0), True),  # 0.05 m2 of protection
        ((2, 1, 0, 20, 7, 0, -3), True),  # margin at equal areas
    ],
)
def test_nobody_climbs_a_ladder_for_a_sliver(after, worth):
    assert is_worth_it((2, 1, 0, 20, 7, 0, 0), after) is worth


def standing_of(protection, activation, now):
    """Standing of zones with these unseen areas, each met where it is 0. [m2]"""
    door = task_of(PLANNER, small_door())
    kinds = {kind: next(z for z in door.zones if z.kind == kind) for kind in ("protection", "activation")}
    zones = [replace(kinds["protection"], id=f"protection:near:{i}") for i in range(len(protection))]
    zones += [replace(kinds["activation"], id=f"activation:near:{i}") for i in range(len(activation))]
    gaps = (*protection, *activation)
    return of_scores(
        [ZoneScore(z, gap, 0.0, 0.0) for z, gap in zip(zones, gaps, strict=True)],
        {z.id: was for z, was in zip(zones, now, strict=True)},
    )


def test_no_gain_makes_up_for_a_zone_for_protection_that_is_met_now():
    now = (0.0, 0.3, 0.3, 2.0)
    assert standing_of((0.0, 0.3, 0.3), (2.0,), now) < standing_of((0.01, 0.0, 0.0), (0.0,), now)
    assert standing_of((0.0, 0.3, 0.0), (2.0,), now) < standing_of((0.0, 0.3, 0.3), (0.0,), now)  # protection first


def test_giving_up_a_sliver_of_an_unmet_zone_is_no_loss_and_more_is():
    now = (0.3, 0.3, 2.0)
    same, sliver, more = (standing_of((0.3 + g, 0.1), (2.0,), now) for g in (0.0, 0.04, 0.10))
    assert sliver[2] == same[2] == 0 < more[2]
    assert standing_of((0.3, 0.3), (2.0,), now) < more
    assert sliver < standing_of((0.3, 0.3), (2.0,), now)


def test_the_order_that_was_used_is_stated_and_rejected_neighbours_say_why():
    found = advice.advise(task_of(PLANNER, activation_only()))
    order = found.search.note.split("Order: ")[1]
    wanted = (
        "zones for protection unmet",
        "zones for activation unmet",
        "area given up",
        "overspill",
        "margin",
        "changes",
    )
    assert [order.index(part) for part in wanted] == sorted(order.index(part) for part in wanted)
    for rejected in found.search.rejected:
        assert rejected.settings
        assert "instead of" in rejected.reason or "would be lost" in rejected.reason


def test_reasons_and_notes_use_labels_and_units_not_ids():
    found = advice.advise(task_of(PLANNER, activation_only()), robustness=True)
    for text in (found.note, *(p.reason for p in found.proposals), *(p.failing_case for p in found.proposals)):
        assert "activation:" not in text
        assert "protection:" not in text
    assert all(p.unit in ("deg", "m", "s", "dB", "1") for p in found.proposals)

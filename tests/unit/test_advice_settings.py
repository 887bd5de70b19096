"""Advice on settings: proven by assessing the patched request, honest where nothing helps."""

import importlib
from dataclasses import replace

import msgspec
import pytest

from ablation.small import activation_only, patched, pinned, small_door, task_of
from kettlewharf import changed, dock_door
from sillcast import Planner, advice
from sillcast.advice.places import OnGrid, ZoneScore
from sillcast.advice.pointers import patch_step, value_at, with_value
from sillcast.advice.reach import reach_of
from sillcast.advice.settings import settings_of
from sillcast.advice.standing import best_possible, is_worth_it, of_comparisons, of_scores
from sillcast.errors import FamilyError
from sillcast.family import Tunable

advise_module = importlib.import_module("sillcast.advice.advise")  # the package names its function alike
PLANNER = Planner()
QUICK = advice.Budget(tried=60, kept=2, assessed=1, relaxed=1)


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


def test_zones_out_of_sight_are_not_searched_for_and_the_note_says_why():
    """A near head never sees the far strip: with everything else met there is nothing to search for."""
    request = activation_only(**{"/traffic/0/speed_m_per_s": 0.3, "/sensors/0/mount/tilt_deg": 0.0})
    request["traffic"].append({**request["traffic"][0], "name": "visitor", "from_sides": ["far"]})
    task = task_of(PLANNER, request)
    reach = reach_of(task, settings_of(task.request, task.placed, task.zones))
    assert {"activation:far:visitor"} & set().union(*reach.values()) == set()
    found = advice.advise(task)
    assert (found.search.stopped, found.search.tried, found.search.optimal) == ("nothing_to_gain", 1, True)
    assert "no sensor serves activation on the far side; head cannot see there, whichever way it looks" in found.note


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
    found = advice.advise(task_of(PLANNER, request, ranges=pinned(PLANNER, request), budget=advice.Budget(relaxed=0)))
    assert found.search.optimal
    (proposal,) = [p for p in found.proposals if "fields" in p.setting]
    spill = next(e for e in proposal.effects if e.zone.startswith("exclusion"))
    assert spill.after.overspill_m2 < spill.before.overspill_m2
    again = PLANNER._taken(patched(request, proposal.patch))
    assert [f.purpose for f in again.sensors[0].device.fields] == ["activation"]


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
    request = small_door(**{"/sensors/0/purposes": ["activation", "protection"], "/sensors/0/mount/tilt_deg": 2.0})
    found = advice.advise(task_of(PLANNER, request))
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
    assert found.search.rejected
    told = ("instead of", "would be lost", "equal in all counts, with more change")
    for rejected in found.search.rejected:
        assert rejected.settings
        assert any(words in rejected.reason for words in told)
    assert any("instead of" in r.reason for r in found.search.rejected)


def test_reasons_and_notes_use_labels_and_units_not_ids():
    request = small_door(**{"/sensors/0/purposes": ["activation", "protection"], "/traffic/0/speed_m_per_s": 0.3})
    found = advice.advise(task_of(PLANNER, request), robustness=True)
    texts = {kind: [getattr(p, kind) for p in found.proposals] for kind in ("reason", "failing_case")}
    assert all(all(some) and some for some in texts.values()), texts
    for text in (found.note, *texts["reason"], *texts["failing_case"], *(r.text for r in found.relaxations)):
        assert "'strip beside the leaf" in text or "'person from" in text
        assert "activation:" not in text
        assert "protection:" not in text
    assert {p.unit for p in found.proposals} <= {"deg", "m", "s", "dB", "1"}


def _fine(task, tried=40):
    """A judge of the small door, and candidates with their standing on the fine grid."""
    settings = settings_of(task.request, task.placed, task.zones)
    judge = advise_module._Judge(task, settings)
    found = advise_module._searched(judge, tried, best_possible())
    few = found.ranked()[:8]
    return judge, replace(found, standings={c: judge.fine(c) for c in few})


def test_the_reserve_decides_as_if_it_were_always_worked_out():
    judge, fine = _fine(task_of(PLANNER, activation_only()))
    lazily = advise_module._carefully(judge, fine)
    plainly = sorted(
        fine.standings, key=lambda c: (advise_module._with_reserve(judge, c, fine.standings[c]), fine.order(c))
    )
    assert lazily == plainly
    for one in fine.standings.items():
        for other in fine.standings.items():
            mine, theirs = (advise_module._with_reserve(judge, *pair) for pair in (one, other))
            assert advise_module._is_no_worse(judge, one, other) == (mine <= theirs)


def test_what_a_first_look_leaves_out_is_met_on_no_fine_grid():
    task = task_of(PLANNER, activation_only())
    judge, fine = _fine(task)
    first = OnGrid(task.site, task.zones, fineness=task.budget.glimpse, certain=False)
    met = 0
    for candidate in fine.standings:
        sensors = judge.sensors(candidate)
        seems = {s.zone.id for s in first.scores(sensors) if s.gap_m2 == 0.0}
        holds = {s.zone.id for s in task.fine.scores(sensors) if s.gap_m2 == 0.0}
        assert holds <= seems
        met += len(holds)
    assert met > 0


LEAN = {
    "/sensors/0/mount/tilt_deg": 6.7, "/sensors/0/mount/yaw_deg": 5.0, "/sensors/0/mount/position/x_m": 0.34,
}  # fmt: skip


def test_each_change_is_needed_also_where_all_was_tried():
    """What meets no zone and gains less than 0.05 m2 is taken back, as long as what is left is worth a ladder."""
    request = small_door(**LEAN)
    free = ("/sensors/0/mount/tilt_deg", "/sensors/0/mount/yaw_deg", "/sensors/0/device/plane_tilts_deg/0")
    task = task_of(PLANNER, request)
    ranges = pinned(PLANNER, request)
    for setting in settings_of(task.request, task.placed, task.zones):
        if setting.variable.pointer in free:
            two = 2 * setting.step
            ranges[setting.variable.pointer] = (setting.current - two, setting.current + two)
    whole, lean = (
        advice.advise(task_of(PLANNER, request, ranges=ranges, budget=advice.Budget(relaxed=0, taken_back=n)))
        for n in (0, 8)
    )
    assert whole.search.stopped == lean.search.stopped == "all_tried"
    assert {p.setting for p in whole.proposals} == set(free)
    assert {p.setting for p in lean.proposals} == set(free[:2])
    rejected = lean.search.rejected[0]
    assert rejected.settings == {p.setting: p.proposed for p in whole.proposals}
    assert rejected.reason == (
        "Exact regions: unseen area of activation 0.21 m2 instead of 0.22 m2, which is not worth the further change."
    )
    assert (whole.search.optimal, lean.search.optimal) == (True, False)
    now = of_comparisons(task.zones, task.comparisons)
    best = {e.zone: e.after for e in lean.proposals[0].effects}
    for change in lean.proposals:
        rest = [step for step in lean.proposals[0].patch if step.path != change.setting]
        without = PLANNER.assess(patched(request, rest)).comparisons
        worse = any(best[c.zone].verdict == "met" != c.verdict for c in without)
        lost = sum(c.gap_m2 - best[c.zone].gap_m2 for c in without)
        assert worse or lost >= 0.05 or not is_worth_it(now, of_comparisons(task.zones, without))


@pytest.mark.parametrize(("pitch", "off"), [(-0.06, 0.1), (0.06, 0.04)])
def test_a_proposed_field_for_protection_begins_before_all_panels(pitch, off):
    """0.02 m before the face of the nearest panel, which is 0.06 + 0.02 m before the leaf plane or 0.02 m."""
    phases = {"opening": {"speed_m_per_s": 0.5}, "closing": {"speed_m_per_s": 0.5}}
    motion = {"kind": "sliding", "panels": 2, "panel_pitch_m": pitch, **phases}
    task = task_of(PLANNER, small_door(**{"/door/motion": motion, "/sensors/0/purposes": ["protection"]}))
    setting = next(
        s
        for s in settings_of(task.request, task.placed, task.zones)
        if s.variable.pointer == "/sensors/0/device/fields/protection"
    )
    (field,) = setting.write(task.request, 0.3).sensors[0].device.fields
    assert field.out_from_m == pytest.approx(off)


def test_without_a_zone_nothing_is_said_to_be_met():
    answer = PLANNER.assess(changed(small_door(), {"/rules": {"set": "site_defined"}, "/output/proposals": True}))
    assert answer.zones == []
    assert answer.proposals_note == "No zone is laid out, so there is nothing to set for."


def test_a_head_that_looks_the_wrong_way_is_to_be_put_right_before_settings_work_round_it():
    request = dock_door()
    device, name = request["sensors"][0]["device"], request["sensors"][0]["name"]
    swapped = {
        "/sensors/0/device/sweep_start_deg": -device["sweep_end_deg"],
        "/sensors/0/device/sweep_end_deg": -device["sweep_start_deg"],
        "/output/proposals": True,
    }
    first = f"First put right what the findings call critical of {name}. "
    assert PLANNER.assess(changed(request, swapped)).proposals_note.startswith(first)
    assert not PLANNER.assess(changed(request, {"/output/proposals": True})).proposals_note.startswith("First")


def test_what_a_proposal_gives_up_is_told_with_what_it_gains():
    request = activation_only()
    task = task_of(PLANNER, request)
    zone, other = (replace(task.zones[0], id=n, label=f"zone {n}") for n in "ab")
    (now,) = (c for c in task.comparisons if c.zone == task.zones[0].id)

    def of(zone, verdict, gap_m2):
        return msgspec.structs.replace(now, zone=zone, verdict=verdict, gap_m2=gap_m2)

    before = replace(task, zones=[zone, other], comparisons=[of("a", "not_met", 0.3), of("b", "not_met", 0.2)])
    said = {gap: advise_module._reason(before, [of("a", "met", 0.0), of("b", "not_met", gap)]) for gap in (0.24, 0.6)}
    assert said[0.24] == "Then 'zone a' is met."
    assert said[0.6] == "Then 'zone a' is met; but of 'zone b' 0.60 m2 stay unseen instead of 0.20 m2."

"""What would have to give way: each kind of change by name, two together, the nearest miss; and mounting errors."""

from dataclasses import replace

import pytest

from ablation.small import activation_only, patched, pinned, small_door, task_of
from kettlewharf import changed
from sillcast import Planner, advice
from sillcast.advice.changes import is_vehicle
from sillcast.advice.pointers import value_at
from sillcast.advice.reach import reach_of
from sillcast.advice.relax import relaxations
from sillcast.advice.robust import mount_errors, robust
from sillcast.contract import Comparison, PatchStep

PLANNER = Planner()
QUICK = advice.Budget(tried=60, kept=2, assessed=1, relaxed=1)
PLANES, SPEED = "/sensors/0/device/plane_tilts_deg", "/traffic/0/speed_m_per_s"
DOOR, HEIGHT = "/door/motion/opening/speed_m_per_s", "/sensors/0/mount/position/z_m"
PERSON = "activation:near:person"

SHORT = {PLANES: [4.0 * i for i in range(10)], SPEED: 1.5, "/sensors/0/mount/tilt_deg": 0.0}
DENSE = SHORT | {PLANES: [2.0 * i for i in range(19)]}
NARROW = {"/sensors/0/device/sweep_start_deg": -6.0, "/sensors/0/device/sweep_end_deg": 6.0}
VEHICLE = {"/traffic/0/front_overhang_m": 0.01}
SLOW = {SPEED: 0.7, DOOR: 0.6}
LOW = {SPEED: 0.8, HEIGHT: 2.4}
BOTH = {SPEED: 1.0, DOOR: 0.6}
FAR = {"/traffic/0/from_sides": ["near", "far"], SPEED: 0.3}


def held(changes, **more):
    """The short-sighted door with changes, and its advice with every setting held where it is."""
    request = activation_only(**(SHORT | changes))
    return request, advice.advise(task_of(PLANNER, request, ranges=pinned(PLANNER, request), **more))


def verdicts(request):
    return {c.zone: c.verdict for c in PLANNER.assess(request).comparisons}


CASES = [
    (VEHICLE, "speed"),
    (SLOW, "opening_speed"),
    (LOW, "mount_height"),
    (FAR, "second_sensor"),
    (SHORT | NARROW | {SPEED: 0.4}, "combination"),
    (DENSE | BOTH, "combination"),
]


@pytest.mark.parametrize(
    ("changes", "kind"), CASES, ids=["limit", "faster drive", "higher", "far twin", "two twins", "higher and faster"]
)
def test_each_kind_turns_its_zones_to_met_loses_none_and_tells_exact_numbers(changes, kind):
    request, found = held(changes)
    relaxation = next(r for r in found.relaxations if r.kind == kind)
    assert relaxation.proven
    assert relaxation.zones
    before, after = verdicts(request), PLANNER.assess(patched(request, relaxation.patch)).comparisons
    assert {before[z] for z in relaxation.zones} == {"not_met"}
    met = {c.zone for c in after if c.verdict == "met"}
    assert met >= {z for z, v in before.items() if v == "met"} | set(relaxation.zones)
    told = {e.zone: e.after for e in relaxation.effects}
    assert {c.zone: (c.verdict, c.gap_m2, c.margin_m) for c in after} == {
        z: (n.verdict, n.gap_m2, n.margin_m) for z, n in told.items()
    }
    assert "met by changes beyond the settings: see the relaxations." in found.note


def test_a_vehicle_is_offered_the_least_limit_that_helps():
    request, found = held(VEHICLE)
    assert (found.search.stopped, found.search.candidates) == ("all_tried", 1.0)
    assert found.proposals == []
    slower = next(r for r in found.relaxations if r.kind == "speed")
    assert 0.5 <= slower.proposed < 1.5 == slower.current
    assert f"speed limit of {slower.proposed:.1f} m/s for person instead of 1.5 m/s, 'person" in slower.text
    a_step_faster = patched(request, slower.patch)
    a_step_faster["traffic"][0]["speed_m_per_s"] = round(slower.proposed + 0.1, 6)
    grid = task_of(PLANNER, a_step_faster)
    assert any(s.gap_m2 > 0 for s in grid.fine.scores(grid.placed) if s.zone.kind == "activation")


def test_nobody_orders_a_person_to_walk_slower_the_door_opens_faster_instead():
    _, found = held(SLOW)
    assert "speed" not in [r.kind for r in found.relaxations]
    faster = next(r for r in found.relaxations if r.kind == "opening_speed")
    assert 0.6 == faster.current < faster.proposed <= 1.2
    assert f"opens at {faster.proposed:.1f} m/s instead of 0.6 m/s, 'person" in faster.text


def test_the_least_rise_is_offered_with_the_height_it_leads_to():
    request, found = held(LOW)
    higher = next(r for r in found.relaxations if r.kind == "mount_height")
    assert higher.current == 2.4
    assert f"head mounted {higher.proposed - 2.4:.1f} m higher, at {higher.proposed:.2f} m, 'person" in higher.text
    lower = changed(request, {HEIGHT: round(higher.proposed - 0.1, 6)})
    assert verdicts(lower)[PERSON] == "not_met"


def test_a_rise_beyond_proposed_settings_counts_from_the_request_that_was_sent():
    """As where a family lets its height be set: 0.2 m of the rise are among the proposals."""
    request = activation_only(**(SHORT | LOW))
    lower = changed(request, {HEIGHT: 2.2})
    settled, sent = (task_of(PLANNER, r, ranges=pinned(PLANNER, r)) for r in (request, lower))
    first = [PatchStep(op="add", path=HEIGHT, value=2.4)]
    found = relaxations(settled, reach_of(settled, []), first, sent).found
    higher = next(r for r in found if r.kind == "mount_height")
    assert higher.current == 2.2
    assert higher.proposed > 2.4
    assert f"head mounted {higher.proposed - 2.2:.1f} m higher, at {higher.proposed:.2f} m" in higher.text
    assert [step.path for step in higher.patch] == [HEIGHT, HEIGHT]


def test_a_second_sensor_is_told_with_side_height_and_distance_from_the_wall():
    _, found = held(FAR)
    second = next(r for r in found.relaxations if r.kind == "second_sensor")
    assert (second.current, second.proposed) == (None, 1.0)
    assert (
        "With a second sensor like head (far side, x = 0.00 m, 2.50 m high, 0.05 m out from the wall), "
        "'person from the far side' is met." in second.text
    )


def test_two_changes_are_offered_where_neither_alone_helps():
    for changes, words in ((SHORT | NARROW | {SPEED: 0.4}, "two more sensors, one like head"), (DENSE | BOTH, "door")):
        request, found = held(changes)
        both = next(r for r in found.relaxations if r.kind == "combination")
        assert words in both.text
        assert both.proposed == len(both.patch) == 2
        for step in both.patch:
            assert verdicts(patched(request, [step]))[PERSON] == "not_met"


def lopsided(width, sweep):
    """A wide door with a head that looks to one side of the near side, and traffic from the far side."""
    return held({
        "/door/opening/width_m": width, "/sensors/1/device/width_m": width, "/sensors/0/device/sweep_start_deg": sweep,
        "/sensors/0/device/sweep_end_deg": 0.0, "/traffic/0/from_sides": ["far"], SPEED: 0.3,
    })  # fmt: skip


def test_a_pair_left_and_right_of_the_door_is_offered_in_mirror_image_where_one_does_not_do():
    request, found = lopsided(3.6, -46.0)
    (both,) = [r for r in found.relaxations if r.proven]
    assert (both.kind, both.zones) == ("combination", ["activation:far:person"])
    left, right = (step.value for step in both.patch)
    places = [sensor["mount"]["position"] for sensor in (left, right)]
    assert [p["x_m"] for p in places] == [-1.8, 1.8]
    assert places[0]["z_m"] == places[1]["z_m"] == 2.5
    assert left["mount"]["side"] == right["mount"]["side"] == "far"
    sweeps = [(s["device"]["sweep_start_deg"], s["device"]["sweep_end_deg"]) for s in (left, right)]
    assert sorted(sweeps) == [(-46.0, 0.0), (0.0, 46.0)]
    for step in both.patch:
        assert verdicts(patched(request, [step]))["activation:far:person"] == "not_met"
    assert verdicts(patched(request, both.patch))["activation:far:person"] == "met"


def test_no_pair_is_offered_where_one_sensor_is_enough():
    _, found = lopsided(3.0, -50.0)
    (one,) = [r for r in found.relaxations if r.proven]
    assert (one.kind, len(one.patch)) == ("second_sensor", 1)


def test_a_nearest_miss_is_told_with_its_numbers_and_claims_no_zone():
    request, found = held({SPEED: 1.0})
    (miss,) = found.relaxations
    assert (miss.proven, miss.zones, miss.kind) == (False, [], "mount_height")
    effect = next(e for e in miss.effects if e.zone == PERSON)
    assert effect.after.verdict == "not_met"
    assert effect.after.gap_m2 <= effect.before.gap_m2 / 2
    again = next(c for c in PLANNER.assess(patched(request, miss.patch)).comparisons if c.zone == PERSON)
    assert again.gap_m2 == effect.after.gap_m2
    numbers = f"{effect.after.gap_m2:.3g} m2 unseen instead of {effect.before.gap_m2:.3g} m2"
    assert f"'person from the near side' ({numbers}) stays unmet all the same" in miss.text
    assert miss.text.startswith("Nearest miss: with head mounted ")


def from_the_client():
    """A head for both purposes, tilted out too far: settings mend one side, and the far side is out of sight."""
    return small_door(**{"/sensors/0/purposes": ["activation", "protection"], SPEED: 0.3})


def test_a_relaxation_starts_from_what_the_client_sent_and_takes_the_proposals_along():
    request = from_the_client()
    found = advice.advise(task_of(PLANNER, request))
    assert found.proposals
    proven = [r for r in found.relaxations if r.proven]
    assert proven
    for relaxation in proven:
        count = len(found.proposals[0].patch)
        assert relaxation.patch[:count] == found.proposals[0].patch
        assert len(relaxation.patch) > count
        assert relaxation.text.startswith("With the proposed settings")
        after = verdicts(patched(request, relaxation.patch))
        assert {after[z] for z in relaxation.zones} == {"met"}
        assert {e.zone: e.before.gap_m2 for e in relaxation.effects} == {
            c.zone: c.gap_m2 for c in PLANNER.assess(request).comparisons
        }


def test_the_proposals_and_the_note_name_the_same_zone_though_it_is_out_of_sight():
    request = from_the_client()
    found = advice.advise(task_of(PLANNER, request, budget=advice.Budget(relaxed=0)))
    after = {e.zone: e.after for e in found.proposals[0].effects}
    unmet = [z for z, n in after.items() if z.startswith("protection") and n.verdict == "not_met"]
    worst = max(unmet, key=lambda z: after[z].gap_m2)
    assert "far" in worst
    assert {p.binding_zone for p in found.proposals} == {worst}
    label = next(z.label for z in task_of(PLANNER, request).zones if z.id == worst)
    assert found.note.split(". ")[1].startswith(f"'{label}'")
    changed_ = [z for z, n in after.items() if n.verdict == "not_met" and "near" in z]
    assert changed_
    for zone in changed_:
        assert f"{after[zone].gap_m2:.3g} of" in found.note


def test_what_was_not_tried_is_not_said_to_be_of_no_help():
    _, none = held(SHORT, budget=advice.Budget(relaxed=0))
    assert "No changes beyond the settings were tried." in none.note
    assert "None of" not in none.note
    _, few = held(VEHICLE | LOW, budget=advice.Budget(relaxed=1))
    assert [r.kind for r in few.relaxations] == ["speed"]
    assert "Not assessed, though a grid shows them to help: head mounted 0.4 m higher, at 2.80 m." in few.note
    _, found = held({SPEED: 1.0})
    assert (
        "that were tried turns a zone to met: a door that opens up to 2 times as fast, one sensor up to" in found.note
    )
    assert "vehicles" not in found.note


def test_without_a_sensor_the_note_says_which_to_add_by_purpose_and_side():
    found = advice.advise(task_of(PLANNER, small_door(**{"/sensors": []})))
    assert (found.proposals, found.relaxations) == ([], [])
    assert found.search.stopped == "nothing_tunable"
    assert found.note == (
        "There is no sensor to set. 'leaf line, both sides', 'strip beside the leaf, near side' and 'strip beside the "
        "leaf, far side' stay unmet: no sensor serves protection. 'person from the near side' stays unmet: no sensor "
        "serves activation. Add a sensor that serves protection on the near side, a sensor that serves protection on the "
        "far side and a sensor that serves activation on the near side."
    )


def test_the_note_names_what_stands_in_the_way():
    post = {"name": "guard post", "ring_m": [[-0.2, -0.9], [0.2, -0.9], [0.2, -0.7], [-0.2, -0.7]], "top_m": 1.6}
    request, found = held({SPEED: 0.6, "/traffic/0/from_sides": ["near", "far"], "/site/obstacles": [post]})
    near, far = (
        next(c for c in PLANNER.assess(request).comparisons if f":{s}:person" in c.zone) for s in ("near", "far")
    )
    shadow = sum(c.area_m2 for g in near.gaps for c in g.culprits if c.cause == "shadow")
    assert shadow > 0.005
    assert f"{near.gap_m2:.3g} of {near.required_m2:.3g} m2 stay unseen" in found.note
    assert f"the shadow of guard post takes {shadow:.2f} m2" in found.note
    assert far.verdict == "not_met"
    assert "'person from the far side' stays unmet: no sensor serves activation on the far side" in found.note


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


# ---------------------------------------------------------------------- mounting errors


def lost(request, met):
    return {c.zone for c in PLANNER._exact(request) if c.zone in met and c.verdict != "met"}


def test_mounting_errors_are_judged_exactly_and_the_failing_one_is_named_with_all_it_loses():
    names = [words for words, _ in mount_errors(PLANNER._taken(small_door()), 0)]
    assert len(names) == 12
    assert "head: tilt -1 deg" in names
    assert "head: height +0.02 m" in names
    request = activation_only()
    found = advice.advise(task_of(PLANNER, request, budget=QUICK), robustness=True)
    assert found.proposals
    after = PLANNER._taken(patched(request, found.proposals[0].patch))
    met = {e.zone for e in found.proposals[0].effects if e.after.verdict == "met"}
    fails = {words: lost(wrong, met) for words, wrong in mount_errors(after, 0)}
    assert met
    for p in found.proposals:
        assert p.robust is (not any(fails.values()))
        assert p.robust is (p.failing_case == "")
        assert p.robust or fails[p.failing_case.split(": '")[0]]
        assert "of 12 mounting errors of head assessed" in p.errors_judged


def of(zone, verdict, gap_m2=0.0):
    """A comparison of a zone by hand."""
    return Comparison(
        zone=zone, verdict=verdict, reason="", worst_state=0.0, share=1.0, shares=[], required_m2=1.0, blocked_m2=0.0,
        gaps=[], gap_m2=gap_m2, width_reached_m=0.0, depth_reached_m=0.0, overspill_m2=0.0, margin_m=None,
        contributing=[],
    )  # fmt: skip


def test_an_error_that_loses_two_zones_is_told_with_both():
    task = task_of(PLANNER, activation_only())
    ids = [z.id for z in task.zones][:3]
    labels = {z.id: z.label for z in task.zones}
    after = [of(ids[0], "not_met", 0.02), of(ids[1], "not_met", 0.31), of(ids[2], "met")]
    found = robust(replace(task, evaluate=lambda _: after), task.request, [of(z, "met") for z in ids], [0])
    assert found.holds is False
    assert found.failing_case.endswith(
        f": '{labels[ids[1]]}' and '{labels[ids[0]]}' are no longer met, 0.31 and 0.02 m2 stay unseen."
    )
    assert found.judged == "1 of 12 mounting errors of head assessed, then one failed."


def test_errors_beyond_the_budget_are_said_to_be_judged_on_a_grid():
    """A head that shows no loss; the one zone that counts is met by the mat, whatever the head does."""
    task = task_of(PLANNER, activation_only(), budget=replace(QUICK, robust=3))
    (met,) = [c for c in task.comparisons if c.zone == "protection:near:near_strip"]
    assert met.verdict == "met"
    calls = []

    def counted(request):
        calls.append(value_at(request, "/sensors/0/mount/tilt_deg"))
        return PLANNER._exact(request)

    found = robust(replace(task, evaluate=counted), task.request, [met], [0])
    assert (found.holds, found.failing_case, len(calls)) == (True, "", 3)
    assert found.judged == (
        "3 of 12 mounting errors of head assessed with exact regions; the others show no loss on a grid."
    )


def test_where_no_zone_is_met_nothing_can_be_lost_and_nothing_is_called_robust():
    request = small_door(**{"/sensors/0/purposes": ["activation", "protection"], SPEED: 3.0})
    found = advice.advise(task_of(PLANNER, request, budget=QUICK), robustness=True)
    assert found.proposals
    for p in found.proposals:
        assert all(e.after.verdict != "met" for e in p.effects)
        assert (p.robust, p.failing_case) == (None, "")
        assert p.errors_judged == "No zone is met with the proposals, so there is nothing to lose by a mounting error."


LOW_ENERGY = {
    "door": {
        "opening": {"width_m": 1.8, "height_m": 2.1},
        "leaf": {"mass_kg": 45.0},
        "motion": {
            "kind": "swing", "leaves": 2, "opens_towards": "far", "angle_deg": 90.0, "stopping_time_s": 0.3,
            "hold_open_s": 5.0, "opening": {"time_s": 5.0}, "closing": {"time_s": 6.0},
        },
    },
    "traffic": [
        {"name": "person", "from_sides": ["near"], "speed_m_per_s": 1.2, "width_m": 0.6, "clear_height_m": 2.1}
    ],
    "sensors": [
        {
            "name": "mat", "purposes": ["activation"], "device": {"family": "pressure_mat", "width_m": 1.6, "depth_m": 1.4},
            "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.9, "z_m": 0.0}},
        }
    ],
    "rules": {"set": "low_energy_swing"},
}  # fmt: skip
OPENING_S = "/door/motion/opening/time_s"


def faster(answer):
    return [r for r in answer.relaxations if any(step.path == OPENING_S for step in r.patch)]


def demands(answer):
    return {z.id for z in answer.zones} | {f.code for f in answer.findings if f.severity == "critical"}


def test_no_faster_drive_is_offered_that_the_rules_forbid():
    """A leaf 0.9 m wide and of 45 kg may open through 90 deg in 4.5 s there, not sooner, or it brings zones of its own."""
    answer = PLANNER.assess(LOW_ENERGY)
    assert faster(answer) == []
    assert demands(PLANNER.assess(changed(LOW_ENERGY, {OPENING_S: 2.5}))) > demands(answer)
    free = changed(LOW_ENERGY, {"/rules/set": "pedestrian_door_eu"})
    offered = faster(PLANNER.assess(free))
    assert offered
    for each in offered:
        assert demands(PLANNER.assess(patched(free, each.patch))) <= demands(PLANNER.assess(free))

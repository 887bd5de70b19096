"""The main job on the dock door: verdicts, culprits, findings, marks and checks that a technician can act on."""

import base64
from dataclasses import replace
from itertools import pairwise
from math import asin, atan2, ceil, degrees, floor, hypot, radians, sqrt, tan
from pathlib import Path
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from kettlewharf import changed, dock_door, scanner
from sillcast import Planner
from sillcast.compare import compare, is_met
from sillcast.contract import Counts, TapeDistances
from sillcast.errors import GeometryError
from sillcast.kernel import Region, TestBody
from sillcast.kernel.kept import Kept
from sillcast.needs import ZoneNeed
from sillcast.onsite import tape
from sillcast.render import finite

PLANNER = Planner()
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"


def codes(answer):
    return [f.code for f in answer.findings]


def comparison(answer, zone):
    return next(c for c in answer.comparisons if c.zone == zone)


def test_far_strip_stays_unmet_with_near_side_heads_and_says_what_to_do():
    answer = PLANNER.assess(dock_door())
    far = comparison(answer, "protection:far:far_strip")
    assert far.verdict == "not_met"
    gap = next(f for f in answer.findings if f.zone == far.zone)
    assert gap.severity == "critical"
    assert "far side" in gap.remedy


def test_two_interleaved_heads_meet_the_near_strip_that_one_head_with_wide_gaps_does_not():
    wide = {"plane_tilts_deg": [4.0, 12.0, 24.0, 36.0, 46.0]}
    one = comparison(
        PLANNER.assess(dock_door(**{"/sensors": [scanner("left head", -2.1, **wide)]})), "protection:near:near_strip"
    )
    assert one.verdict == "not_met"
    two = [scanner("left head", -2.1), scanner("right head", 2.1, plane_tilts_deg=[-0.4, 1.9, 4.2, 7.4, 12.0, 18.5])]
    assert comparison(PLANNER.assess(dock_door(**{"/sensors": two})), "protection:near:near_strip").verdict == "met"


def test_planes_far_apart_leave_body_deep_strips_that_the_answer_shows():
    """Planes at 4, 12, 24, 36, 46 deg from 4.6 m: strips of (M - H) tan t' - M tan t - b, arithmetic of plane geometry."""
    tilts = [4.0, 12.0, 24.0, 36.0, 46.0]
    request = dock_door(
        **{"/sensors": [scanner("left head", -2.1, plane_tilts_deg=tilts, least_hits=1, floor_margin_m=0.0)]}
    )
    answer = PLANNER.assess(request)
    m, h, b = 4.6, 0.7, 0.2
    gaps = [(m - h) * tan(radians(v)) - m * tan(radians(u)) - b for u, v in pairwise(tilts)]
    told = next(f.values for f in answer.findings if f.code == "laser_scan.plane_gap")
    assert told["gap_m"] == pytest.approx(max(gaps), abs=1e-9)
    assert told["strips"] == 4
    zone = next(c for c in answer.comparisons if c.zone.startswith("activation:near"))
    strips = [g for g in zone.gaps if g.area_m2 > 0.3]
    assert strips, "the strips are gaps of the zone"
    assert {u.cause for g in strips for u in g.culprits[:1]} <= {"planes", "aim"}


def test_sweep_on_the_wrong_side_is_told_with_its_mirror():
    wrong = {"sweep_start_deg": 10.0, "sweep_end_deg": 90.0}
    answer = PLANNER.assess(dock_door(**{"/sensors": [scanner("left head", -2.1, **wrong)]}))
    finding = next(f for f in answer.findings if f.code == "laser_scan.sweep_outside")
    assert finding.values["inside_m2"] == 0.0
    assert (finding.values["mirror_start_deg"], finding.values["mirror_end_deg"]) == (-90.0, -10.0)
    right = {"sweep_start_deg": -90.0, "sweep_end_deg": -10.0}
    assert "laser_scan.sweep_outside" not in codes(
        PLANNER.assess(dock_door(**{"/sensors": [scanner("left head", -2.1, **right)]}))
    )


def test_a_guard_post_casts_a_shadow_that_is_named():
    post = {"name": "guard post", "ring_m": [[0.4, -1.4], [0.7, -1.4], [0.7, -1.1], [0.4, -1.1]], "top_m": 1.6}
    answer = PLANNER.assess(dock_door(**{"/site/obstacles": [post]}))
    shadow = next(f for f in answer.findings if f.code == "core.shadow" and f.zone.startswith("activation"))
    assert shadow.subjects == ["/site/obstacles/0"]
    assert shadow.values["area_m2"] > 0.05
    culprits = {u.name for c in answer.comparisons for g in c.gaps for u in g.culprits if u.cause == "shadow"}
    assert culprits == {"guard post"}


def test_corner_head_covers_a_square_of_its_usual_reach_only_if_the_range_reaches_the_far_corner():
    """1.2 x the mounting height both ways (common practice, no source): the far corner is sqrt(M2 + w2 + d2) away."""
    m, h, b = 4.0, 0.7, 0.2
    side = 1.2 * m
    tilts, t = [0.0], 0.0
    while t < 50.2:  # gap-free ladder for a body 0.04 m less deep
        t = min(50.2, np.rad2deg(np.arctan((m * tan(radians(t)) + b - 0.04) / (m - h))))
        tilts.append(float(t))
    corner = sqrt(m**2 + (side - 0.15) ** 2 + (side - 0.1) ** 2)

    def unseen(range_m):
        head = scanner(
            "head", -2.0, plane_tilts_deg=tilts, step_deg=0.1, least_hits=1, floor_margin_m=0.0, range_m=range_m
        )
        head["mount"]["position"].update(y_m=-0.15, z_m=m)
        request = dock_door(**{
            "/door/opening/width_m": 4.0, "/sensors": [head],
            "/output": {"counts": [{"body": "reference_body_upright", "cell_m": 0.05}]},
        })  # fmt: skip
        counts = PLANNER.coverage(request).sensors[0].counts[0]
        grid = np.frombuffer(counts.data, dtype=np.uint8).reshape(counts.shape)
        x = counts.origin_m[0] + counts.cell_m * np.arange(counts.shape[1])
        y = counts.origin_m[1] + counts.cell_m * np.arange(counts.shape[0])
        inside = grid[np.ix_((y < -0.4) & (y > -side), (x > -1.9) & (x < side - 2.1))]
        return int((inside == 0).sum())

    assert unseen(corner + 0.05) == 0
    assert unseen(corner - 0.6) > 0


def test_wanted_area_beyond_the_usual_reach_or_range_is_cautioned():
    answer = PLANNER.assess(dock_door(**{"/traffic/0/speed_m_per_s": 3.0, "/sensors/0/device/range_m": 6.0}))
    assert {"laser_scan.beyond_usual", "laser_scan.range_short"} <= set(codes(answer))
    near = PLANNER.assess(dock_door(**{"/traffic": []}))
    assert "laser_scan.beyond_usual" not in codes(near)


def test_nobody_watching_is_critical_and_not_a_silent_pass():
    answer = PLANNER.assess(dock_door(**{"/sensors/0/purposes": ["activation"]}))
    unwatched = [f for f in answer.findings if f.code == "core.not_watched"]
    assert {f.zone for f in unwatched} == {c.zone for c in answer.comparisons if c.zone.startswith("protection")}
    assert all(f.severity == "critical" for f in unwatched)


def test_photobeam_sees_across_the_opening_and_a_blocked_one_detects_nothing():
    beam = {
        "name": "beam", "purposes": ["protection"], "device": {"family": "photobeam"},
        "mount": {"side": "near", "position": {"x_m": -2.0, "y_m": -0.2, "z_m": 0.15}},
        "counterpart": {"position": {"x_m": 2.0, "y_m": -0.2, "z_m": 0.15}},
    }  # fmt: skip
    output = {"detections": [{"body": "reference_body_upright"}]}
    clear = PLANNER.assess(dock_door(**{"/sensors": [beam], "/output": output}))
    # beam of 10 mm wholly blocked: footprint 0.3 x 0.2 less 5 mm all round, over 4 m between the heads
    expected = (4.0 + 0.29) * 0.19
    assert clear.sensors[0].detection[0].area_m2 == pytest.approx(expected, rel=0.08)
    post = {"name": "post", "ring_m": [[0, -0.3], [0.1, -0.3], [0.1, -0.18], [0, -0.18]], "top_m": 1.0}
    shut = PLANNER.assess(dock_door(**{"/sensors": [beam], "/output": output, "/site/obstacles": [post]}))
    assert shut.sensors[0].detection[0].area_m2 == 0.0
    blocked = next(f for f in shut.findings if f.code == "photobeam.blocked")
    assert blocked.values == {"beam": 1, "by": "post"}


def test_pressure_mat_detects_where_a_foot_is_on_it():
    mat = {
        "name": "mat", "purposes": ["protection"],
        "device": {"family": "pressure_mat", "width_m": 2.0, "depth_m": 1.0, "dead_edge_m": 0, "least_overlap_m": 0},
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -1.0, "z_m": 0.0}},
    }  # fmt: skip
    answer = PLANNER.assess(
        dock_door(**{"/sensors": [mat], "/output": {"detections": [{"body": "reference_body_upright"}]}})
    )
    assert answer.sensors[0].detection[0].area_m2 == pytest.approx(
        2.3 * 1.2, abs=1e-3
    )  # rounded to 1e-4 m2, 1 mm rings


def test_aim_marks_lie_on_the_planes_and_are_taped_from_the_jambs():
    answer = PLANNER.assess(dock_door())
    marks = [m for m in answer.aim_marks if m.label == "plane 5 below the head"]
    assert len(marks) == 1
    mark = marks[0]
    assert mark.y_m == pytest.approx(-0.20 - 4.6 * tan(radians(9.2)), abs=2e-3)  # rounded to 1 mm
    assert mark.tape.from_wall_face_m == pytest.approx(-0.15 - mark.y_m, abs=1e-3)
    assert mark.tape.from_left_jamb_m == pytest.approx(hypot(mark.x_m + 2.0, mark.y_m + 0.15), abs=1e-3)
    assert mark.tape.from_right_jamb_m == pytest.approx(hypot(mark.x_m - 2.0, mark.y_m + 0.15), abs=1e-3)


def test_site_checks_are_twelve_at_most_and_true():
    answer = PLANNER.assess(dock_door())
    assert 4 <= len(answer.site_checks) <= 12
    assert {c.expected for c in answer.site_checks} == {"detected", "not_detected"}
    for check in answer.site_checks:
        assert (check.expected == "detected") == bool(check.sensors)
        gaps = [g for c in answer.comparisons if c.zone == check.zone for g in c.gaps]
        if check.expected == "not_detected":
            assert gaps


def test_worst_leaf_state_is_named_and_its_share_is_the_least():
    for c in PLANNER.assess(dock_door()).comparisons:
        if c.verdict in ("met", "not_met"):
            assert c.share == min(s.share for s in c.shares)
            assert c.worst_state in [s.state for s in c.shares if s.share == c.share]


def test_numbers_in_messages_are_in_values():
    for finding in PLANNER.assess(dock_door()).findings:
        assert finding.code.partition(".")[0] in {"core", "laser_scan", "needs"} or "." in finding.code
        assert "{" not in finding.message + finding.remedy


def test_counts_survive_json_as_base64():
    answer = PLANNER.coverage(
        dock_door(**{"/output": {"counts": [{"body": "reference_body_upright", "cell_m": 0.25}]}})
    )
    plain = msgspec.json.decode(msgspec.json.encode(answer))["sensors"][0]["counts"][0]
    assert len(base64.b64decode(plain["data"])) == plain["shape"][0] * plain["shape"][1]
    assert answer.sensors[0].counts[0].data.count(0) < len(answer.sensors[0].counts[0].data)


def test_needs_alone_ignores_sensors_and_coverage_alone_ignores_rules():
    needs = PLANNER.needs(dock_door(**{"/sensors": []}))
    assert {z.kind for z in needs.zones} == {"activation", "protection"}
    assert PLANNER.coverage(dock_door()).sensors[0].coverage[0].lines_m


def test_margin_of_a_met_zone_is_the_least_over_the_leaf_states():
    """What a lobe sees depends on the leaf, so its margin does; the answer must not take a good one."""
    request = msgspec.json.decode((EXAMPLES / "ultrasonic.json").read_bytes())
    plan = PLANNER._plan(PLANNER._taken(request | {"output": {"proposals": False}}))
    zone = replace(next(z for z in plan.needs.zones if z.id == "protection:near:near_strip"), kind="activation")
    whole = compare(zone, plan.sensing, plan.bodies, explain=False).answer
    alone = {s: compare(replace(zone, states=(s,)), plan.sensing, plan.bodies).answer.margin_m for s in zone.states}
    assert whole.verdict == "met"
    assert len(set(alone.values())) > 1
    assert whole.margin_m == min(alone.values()) == alone[whole.worst_state]


def test_lobe_that_hears_the_leaf_covers_nothing_for_protection():
    """An echo of the leaf is one of a body to it; past a leaf that stays out of the lobe it protects."""
    sonar = {
        "name": "sonar", "purposes": ["protection"],
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.3, "z_m": 3.0}},
        "device": {"family": "ultrasonic", "width_deg": 30.0, "depth_deg": 30.0, "range_m": 20.0},
    }  # fmt: skip

    def covered(**mount):
        answer = PLANNER.assess(dock_door(**{"/sensors": [sonar | {"mount": sonar["mount"] | mount}], "/traffic": []}))
        near = next(c for c in answer.comparisons if c.zone == "protection:near:near_strip")
        told = next(f for f in answer.findings if f.code == "core.protection_gap" and f.zone == near.zone)
        causes = [(u.cause, u.area_m2) for u in near.gaps[0].culprits]
        return near, "core.leaf_no_cover" in codes(answer), told.values["advice"], causes

    near, hears, advice, causes = covered()
    assert (near.share, near.contributing, hears) == (0.0, [], True)
    assert causes[0][0] == "leaf"
    assert causes[0][1] > 0.1 * near.required_m2
    assert advice.startswith("Add a sensor that does not look at the leaf there; ")
    near, hears, advice, causes = covered(tilt_deg=26.0)
    assert near.share > 0.1
    assert near.contributing == ["sonar"]
    assert not hears
    assert "leaf" not in {cause for cause, _ in causes}


def test_variants_of_a_request_that_share_what_is_known_get_the_answers_of_fresh_ones():
    """What one variant found out must serve another only where nothing that matters differs."""
    base = dock_door(**{"/sensors": [scanner("left head", -2.1), scanner("right head", 2.1)]})
    changes = [
        {},
        {"/sensors": [scanner("left head", -2.1), scanner("right head", 2.1, least_hits=9)]},
        {"/sensors": [scanner("left head", -2.1), scanner("right head", 2.1, range_m=4.0)]},
        {"/sensors": [scanner("left head", -2.0), scanner("right head", 2.1)]},
        {"/sensors": [scanner("left head", -2.1)], "/site/obstacles": []},
        {},
    ]
    kept, seen = Kept(), []
    for change in changes:
        request = PLANNER._taken(dock_door(**({"/sensors": base["sensors"]} | change)))
        known, fresh = PLANNER._exact(request, kept), PLANNER._exact(request)
        assert known == fresh
        seen.append(msgspec.json.encode(known))
    assert seen[0] == seen[-1]
    assert len(set(seen)) > 3


@pytest.mark.parametrize("name", ["kettlewharf-dock-door", "passive_infrared", "microwave"])
def test_verdict_alone_is_that_of_the_comparison(name):
    plan = PLANNER._plan(PLANNER._taken((EXAMPLES / f"{name}.json").read_bytes()))
    verdicts = [compare(zone, plan.sensing, plan.bodies).answer.verdict for zone in plan.needs.zones]
    assert [is_met(zone, plan.sensing) for zone in plan.needs.zones] == [v == "met" for v in verdicts]
    assert len(set(verdicts)) > 1 or name != "kettlewharf-dock-door"


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf")])
@pytest.mark.parametrize("field", ["area_m2", "polygons_m"])
def test_a_number_that_is_not_finite_is_refused_by_its_place(number, field):
    answer = PLANNER.assess(dock_door())
    assert finite(answer) is answer
    bad = {"area_m2": number, "polygons_m": [[[(0.0, 1.0), (number, 2.0)]]]}[field]
    zone = msgspec.structs.replace(answer.zones[-1], **{field: bad})
    with pytest.raises(GeometryError, match=f"at /zones/{field}$"):
        finite(msgspec.structs.replace(answer, zones=[*answer.zones[:-1], zone]))


def test_counts_that_look_like_a_number_that_is_not_finite_pass():
    """On the wire such a number is 0xcb and 8 bytes that begin like these."""
    like = {"data": b"\xcb\x7f\xf0", "shape": (1, 3), "origin_m": (0.0, 0.0), "cell_m": 0.1}
    counts = Counts(body="box", angle_deg=0.0, state=0.0, **like)
    assert finite(counts) is counts
    with pytest.raises(GeometryError, match=r"at /cell_m$"):
        finite(msgspec.structs.replace(counts, cell_m=float("inf")))


def box(name, x0, x1, y0, y1, top_m, **more):
    return {"name": name, "ring_m": [[x0, y0], [x1, y0], [x1, y1], [x0, y1]], "top_m": top_m, **more}


STRIP = "protection:near:near_strip"


@pytest.mark.parametrize("gives_way", [{"material": "strips"}, {"moves": True}, {"top_m": 0.49}])
def test_what_gives_way_or_is_stepped_on_leaves_the_zone_as_it_is(gives_way):
    def required(**more):
        screen = box("screen", -2.0, 2.0, -0.35, -0.10, **{"top_m": 2.0, **more})
        return comparison(PLANNER.assess(dock_door(**{"/site/obstacles": [screen]})), STRIP).required_m2

    free = comparison(PLANNER.assess(dock_door()), STRIP).required_m2
    assert required(**gives_way) == free
    assert required() < 0.5 * free
    assert required(top_m=0.5) < 0.5 * free


def test_height_of_an_obstacle_counts_from_the_floor_it_stands_on():
    """Top at -0.6 m in the door frame, on a floor 1.2 m below the sill: 0.6 m high, more than a step."""
    bollard = box("bollard", -0.5, 0.5, 1.0, 2.0, -0.6, base_m=-1.2)
    request = dock_door(**{"/site/obstacles": [bollard], "/site/floor": {"far": {"level_m": -1.2}}})
    request["traffic"][0]["from_sides"] = ["far"]
    found = comparison(PLANNER.assess(request), "activation:far:fork truck")
    assert found.blocked_m2 > 1.0


def test_an_obstacle_in_the_way_of_the_leaf_and_one_that_takes_a_zone_are_told():
    crate = box("crate", 0.0, 1.2, -0.3, 0.3, 1.2)
    answer = PLANNER.assess(dock_door(**{"/site/obstacles": [crate], "/sensors": []}))
    met = next(f for f in answer.findings if f.code == "core.in_leaf_path")
    assert (met.severity, met.subjects) == ("critical", ["/site/obstacles/0"])
    # The leaf's edge is under 1.2 m of the 4.5 m that it opens up to 26.7 %.
    assert (met.values["from_percent"], met.values["to_percent"]) == (0.0, 26.0)
    taken = next(f for f in answer.findings if f.code == "core.zone_taken" and f.zone == STRIP)
    assert taken.values["blocked_m2"] == comparison(answer, STRIP).blocked_m2
    beside = PLANNER.assess(dock_door(**{"/site/obstacles": [box("crate", 2.5, 3.0, -0.9, -0.4, 1.2)]}))
    assert not {"core.in_leaf_path", "core.zone_taken"} & set(codes(beside))


def test_an_obstacle_between_the_leaf_positions_tried_is_told_with_the_part_of_the_travel():
    """Corners 0.6 m along and 0.4 m out from the hinge, 0.2 and 0.7 m: 33.7 and 74.1 deg, and 2 deg of half the leaf."""
    swing = {
        "kind": "swing",
        "leaves": 2,
        "opens_towards": "near",
        "opening": {"time_s": 3.5},
        "closing": {"time_s": 5.0},
    }
    door = {"opening": {"width_m": 1.8, "height_m": 2.2}, "motion": swing, "leaf": {"thickness_m": 0.05}}
    crate = box("bin", 0.3, 0.7, -0.7, -0.4, 0.9)

    def told(**more):
        request = dock_door(**{"/door": door, "/site/obstacles": [crate], "/sensors": [], "/traffic": []})
        answer = PLANNER.assess(changed(request, {f"/door/motion/{name}": value for name, value in more.items()}))
        return [f.values for f in answer.findings if f.code == "core.in_leaf_path"]

    near_leaf, far_leaf = (
        atan2(0.4, 0.6) - asin(0.025 / hypot(0.6, 0.4)),
        atan2(0.7, 0.2) + asin(0.025 / hypot(0.7, 0.2)),
    )
    (values,) = told()
    assert (values["from_percent"], values["to_percent"]) == (
        ceil(degrees(near_leaf) / 0.9),
        floor(degrees(far_leaf) / 0.9),
    )
    assert told(partial_opening=0.3) == []


def behind(**mirror):
    """Fields for both purposes, as those before the door are or by the bounds given."""
    bounds = {"x_from_m": -2.0, "x_to_m": 2.0, "out_from_m": 0.03, "out_to_m": 5.0} | mirror
    return [{"purpose": purpose, **bounds} for purpose in ("activation", "protection")]


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        (behind(), 0),
        (behind(out_from_m=-0.5), 0),
        (behind(out_from_m=-5.0, out_to_m=-0.03), 2),
        ([{"purpose": "activation", "ring_m": [[-2.0, 0.1], [2.0, 0.1], [2.0, 5.0]]}], 1),
        ([{"purpose": "activation", "ring_m": [[-2.0, -5.0], [2.0, -0.1], [2.0, 0.1]]}], 0),
    ],
)
def test_a_field_behind_the_leaf_is_told_and_not_to_be_widened(fields, told):
    answer = PLANNER.assess(dock_door(**{"/sensors/0/device/fields": fields}))
    found = [f for f in answer.findings if f.code == "core.field_behind_leaf"]
    assert [f.subjects for f in found] == [[f"/sensors/0/device/fields/{i}"] for i in range(told)]
    remedies = " ".join(f.remedy for f in answer.findings if f.code.endswith("_gap"))
    assert ("Check the signs of the field's bounds." in remedies) == bool(told)
    assert not (told and "Widen the field" in remedies)


def radar(**mount):
    mount = {"side": "near", "position": {"x_m": 0.0, "y_m": -0.22, "z_m": 3.0}, "tilt_deg": 42.0, **mount}
    return {
        "name": "radar",
        "purposes": ["activation"],
        "mount": mount,
        "device": {"family": "microwave", "range_m": 6.0},
    }


def test_what_a_sensor_without_fields_can_do_about_unwanted_detection_is_told():
    def remedy(*sensors):
        request = dock_door(**{"/sensors": list(sensors)})
        request["traffic"][0] |= {"name": "passer", "passes": "by", "lane": {"out_from_m": 1.5, "out_to_m": 2.2}}
        return next(f.remedy for f in PLANNER.assess(request).findings if f.code == "core.unwanted_detection")

    assert remedy(scanner("left head", -2.1)).startswith("Limit the sensor's area with a field")
    assert remedy(radar()).startswith("radar has no fields: change tilt of the lobe or yaw of the lobe or sensitivity")


@pytest.mark.parametrize(("tilt", "is_told"), [(0.7, True), (-0.5, True), (1.0, False), (0.0, False), (7.5, False)])
def test_a_tilt_that_looks_like_radians_is_doubted(tilt, is_told):
    answer = PLANNER.assess(dock_door(**{"/sensors": [radar(tilt_deg=tilt)]}))
    found = [f for f in answer.findings if f.code == "core.tilt_in_radians"]
    assert [(f.severity, f.values["tilt_deg"]) for f in found] == ([("info", pytest.approx(tilt))] if is_told else [])
    scan = PLANNER.assess(dock_door(**{"/sensors/0/mount/tilt_deg": tilt}))  # its planes are set finely
    assert "core.tilt_in_radians" not in codes(scan)


def test_rays_of_all_bands_that_meet_the_leaf_are_one_remark():
    camera = {
        "name": "camera", "purposes": ["protection"],
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.25, "z_m": 4.6}, "tilt_deg": 0.0},
        "device": {"family": "depth_camera", "columns": 40, "rows": 30, "field_width_deg": 80.0, "field_height_deg": 60.0},
    }  # fmt: skip
    plan = PLANNER._plan(PLANNER._taken(dock_door(**{"/sensors": [camera]})))
    bands = plan.sensing.rays_on_leaf(plan.sensing.placed[0])
    assert sum(met > 0 for met, _ in bands) > 1
    found = [f for f in PLANNER.assess(dock_door(**{"/sensors": [camera]})).findings if f.code == "core.meets_leaf"]
    assert [(f.values["rays"], f.values["of"]) for f in found] == [(sum(met for met, _ in bands), 40 * 30)]


def test_a_loop_or_mat_on_the_other_side_of_the_door_is_told():
    def told(y, side, **device):
        mount = {"side": side, "position": {"x_m": 0.0, "y_m": y, "z_m": 0.0}}
        sensor = {"name": "floor", "purposes": ["activation"], "mount": mount, "device": device}
        found = PLANNER.assess(dock_door(**{"/sensors": [sensor]})).findings
        return [f.values["beyond_m"] for f in found if f.code == "core.head_on_other_side"]

    mat = {"family": "pressure_mat", "width_m": 1.6, "depth_m": 1.5, "dead_edge_m": 0.02}
    loop = {"family": "induction_loop", "width_m": 3.0, "depth_m": 1.5}
    assert told(4.0, "near", **loop) == [pytest.approx(4.0 - 0.75)]
    assert told(-1.3, "far", **mat) == [pytest.approx(1.3 - 0.75 + 0.02)]
    assert told(-4.0, "near", **loop) == told(1.3, "far", **mat) == []
    assert told(0.5, "near", **loop) == []  # it reaches over the leaf plane


def curtain(**mount):
    return {
        "name": "curtain", "purposes": ["protection"],
        "mount": {"side": "near", "position": {"x_m": -2.0, "y_m": -0.1, "z_m": 0.05}, **mount},
        "counterpart": {"position": {"x_m": 2.0, "y_m": -0.1, "z_m": 0.05}},
        "device": {"family": "light_curtain", "beams": 50, "pitch_m": 0.03},
    }  # fmt: skip


def test_a_sensor_protects_nothing_at_the_leaf_states_at_which_it_is_muted():
    def found(*muting):
        request = dock_door(**{"/sensors": [curtain()], "/door/muting": list(muting)})
        return comparison(PLANNER.assess(request), "protection:near:leaf_line")

    def muted(low, high, during="closing"):
        return {"sensor": "curtain", "during": during, "from_state": low, "to_state": high}

    whole = found()
    assert whole.share > 0.4
    assert found(muted(0.0, 1.0, "opening")) == whole
    shares = {s.state: s.share for s in found(muted(0.2, 0.6)).shares}
    assert shares == {1.0: whole.share, 0.75: whole.share, 0.5: 0.0, 0.25: 0.0}
    between = found(muted(0.35, 0.3))  # holds none of the states at which the zone is judged
    assert (between.verdict, between.worst_state, between.share) == ("not_met", pytest.approx(0.325), 0.0)
    assert [c.cause for c in between.gaps[0].culprits] == ["aim", "muting"]


class Loops:
    """Loops that find what is over them."""

    def __init__(self, *over):
        self.placed = tuple(
            SimpleNamespace(
                name=str(i), side="near", purposes=("activation",), muted=(), emissions=(), over=Region.box(-1.0, 1.0, *y),
                family=SimpleNamespace(name="induction_loop", sits="floor", never_alone=set()),
            )
            for i, y in enumerate(over)
        )  # fmt: skip

    def blocked(self, body, angle_deg, state):
        return Region()

    def detected(self, sensors, body, **how):
        return Region.union(s.over for s in sensors)

    def region(self, sensor, body, **how):
        return sensor.over


@pytest.mark.parametrize(
    ("loops", "first_s", "last_s", "unseen"),
    [
        ([(-6.0, -5.0)], 4.0, 2.0, None),  # from -6.0 m on the door is open for 8 m
        ([(-6.0, -5.0)], 2.5, 1.0, (-1.0, -0.3)),  # for 5 m from the first signal
        ([(-6.0, -5.0)], 0.0, 2.2, (-0.6, -0.3)),  # for 4.4 m from the last one
        ([(-5.8, -5.0)], 4.0, 2.0, (-5.9, -5.8)),  # found too late
        ([(-9.5, -9.0), (-6.0, -5.0)], 4.0, 2.0, (-1.0, -0.3)),  # opened at -9.5 m, kept open from -5.0 m
    ],
)
def test_a_loop_serves_activation_where_the_door_is_open_to_who_passed_it(loops, first_s, last_s, unseen):
    """Ways at 2 m/s, by hand."""
    zone = replace(
        REST, id="activation:near:truck", kind="activation", region=Region.box(-1.0, 1.0, -5.9, -0.3), states=(0.0,),
        velocities_m_per_s=((0.0, 2.0),), stays_open_s=(first_s, last_s),
    )  # fmt: skip
    found = compare(zone, Loops(*loops), {}, explain=False)
    assert found.answer.verdict == ("met" if unseen is None else "not_met")
    assert found.gap.is_empty if unseen is None else found.gap.bounds[1::2] == pytest.approx(unseen, abs=1e-6)


def test_advice_leaves_a_loop_alone_that_finds_trucks_in_time():
    """Found from 0.1 m before the distance on; the area between loop and door is not watched, and need not be."""
    request = msgspec.json.decode((EXAMPLES / "induction_loop.json").read_bytes())
    answer = PLANNER.assess(request)
    assert [c.verdict for c in answer.comparisons if c.zone.startswith("activation")] == ["met"]


class Everywhere:
    """Sensors that detect everything but a slit."""

    def __init__(self, *sensors, slit=None):
        self.placed = sensors
        self.slit = slit or Region()

    def blocked(self, body, angle_deg, state):
        return Region()

    def detected(self, sensors, body, **how):
        return Region.box(-5.0, 5.0, -5.0, 5.0) - self.slit

    def region(self, sensor, body, **how):
        return self.detected((sensor,), body, **how)


def ear(name, family, never_alone=()):
    return SimpleNamespace(
        name=name,
        side="near",
        purposes=("protection",),
        muted=(),
        emissions=(),
        family=SimpleNamespace(name=family, never_alone=set(never_alone)),
    )


REST = ZoneNeed(
    "protection:near:rest", "protection", "near", "rest", Region.box(-1.0, 1.0, -0.5, -0.1),
    TestBody("box", 0.3, 0.2, 0.7), (1.0,), (), "",
)  # fmt: skip


def test_a_zone_that_only_sensors_see_which_must_not_protect_alone_cannot_be_told():
    timid, bold = ear("ear", "ultrasonic", {"protection"}), ear("eye", "eye")
    found = compare(REST, Everywhere(timid), {}).answer
    assert (found.verdict, found.gaps, found.share) == ("cannot_tell", [], 1.0)
    assert found.reason == "Only ear detects the body here, and no ultrasonic may serve protection alone."
    assert not is_met(REST, Everywhere(timid))
    assert compare(REST, Everywhere(timid, bold), {}).answer.verdict == "met"
    assert is_met(REST, Everywhere(timid, bold))


@pytest.mark.parametrize(("half_m", "verdict"), [(0.0022, "met"), (0.0028, "not_met")])
def test_a_gap_is_what_a_disc_of_5_mm_fits_into_and_the_share_counts_all_that_is_missing(half_m, verdict):
    slit = Region.box(-0.5, 0.5, -0.3 - half_m, -0.3 + half_m)
    bold = ear("eye", "eye")
    found = compare(REST, Everywhere(bold, slit=slit), {}, explain=False).answer
    assert found.verdict == verdict
    assert found.share == pytest.approx(1.0 - 2.0 * half_m / 0.8, abs=1e-4)
    assert verdict == "not_met" or "strips narrower than 5 mm" in found.reason


def test_rays_that_meet_the_leaf_are_named_as_the_cause():
    request = dock_door(**{"/sensors/0/device/plane_tilts_deg": [-4.0, -3.0]})
    gap = comparison(PLANNER.assess(request), "protection:near:leaf_line").gaps[0]
    assert gap.culprits[0].cause == "leaf"


def test_motion_across_the_line_of_sight_is_named_as_the_cause():
    """A beam that looks straight down on a walker sees next to no speed along its line of sight: v sin(tilt)."""
    radar = {
        "name": "radar", "purposes": ["activation"],
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -1.5, "z_m": 4.0}},
        "device": {"family": "microwave", "width_deg": 60.0, "depth_deg": 60.0, "least_speed_m_per_s": 1.4},
    }  # fmt: skip
    gap = comparison(PLANNER.assess(dock_door(**{"/sensors": [radar]})), "activation:near:fork truck").gaps[0]
    assert "speed" in {c.cause for c in gap.culprits}


def test_the_cause_is_sought_at_the_angle_at_which_the_place_is_missed():
    """A low wall hides the body that stands along it, and not the one that stands across and looks over its end."""
    wall = box("wall", -1.0, 1.0, -1.6, -1.5, 2.0)
    answer = PLANNER.assess(dock_door(**{"/site/obstacles": [wall]}))
    gaps = comparison(answer, "activation:near:fork truck").gaps
    assert any(c.cause == "shadow" and c.name == "wall" for g in gaps for c in g.culprits)


def marks_of(request):
    return {m.label: m for m in PLANNER.assess(request).aim_marks}


def test_a_mark_is_called_below_the_head_only_where_it_is():
    """A shelf beside the wall takes the plane's rays below the head; the nearest one on the floor is 0.5 m beside."""
    shelf = box("shelf", -2.4, -1.6, -1.1, -0.7, 3.0)
    marks = marks_of(dock_door(**{"/site/obstacles": [shelf]}))
    assert "plane 5 below the head" not in marks
    assert abs(marks["plane 5 nearest to the head"].x_m + 2.1) > 0.1
    assert "plane 5 below the head" in marks_of(dock_door())


def test_the_farthest_plane_is_marked_at_both_ends_of_its_sweep():
    marks = marks_of(dock_door())
    ends = [m.x_m for label, m in marks.items() if label.startswith("plane 12 ") and "ray" in label]
    assert len(ends) == 2
    assert max(ends) - min(ends) > 1.0


def test_of_beams_above_one_place_the_lowest_and_the_highest_are_marked():
    marks = marks_of(dock_door(**{"/sensors": [curtain()]}))
    assert sorted(m.z_m for m in marks.values()) == pytest.approx([0.05, 0.05 + 49 * 0.03])


def test_the_axis_of_a_lobe_and_the_corners_of_a_field_are_marked():
    """Axis at 30 deg from 4 m up: h tan 30 deg out."""
    radar = {
        "name": "radar", "purposes": ["activation"], "device": {"family": "microwave"},
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.2, "z_m": 4.0}, "tilt_deg": 30.0},
    }  # fmt: skip
    axis = marks_of(dock_door(**{"/sensors": [radar]}))["axis"]
    assert (axis.x_m, axis.y_m, axis.z_m) == pytest.approx((0.0, -0.2 - 4.0 * tan(radians(30.0)), 0.0), abs=1e-3)
    field = {"purpose": "activation", "x_from_m": -1.0, "x_to_m": 1.0, "out_from_m": 0.0, "out_to_m": 3.0}
    marks = marks_of(dock_door(**{"/sensors/0/device/fields": [field]}))
    corners = {(m.x_m, m.y_m) for label, m in marks.items() if label.startswith("field 1, corner ")}
    assert corners == {(-1.0, 0.0), (1.0, 0.0), (-1.0, -3.0), (1.0, -3.0)}


def test_a_place_within_the_wall_says_from_which_face_it_is_taped():
    """Walls from -0.15 to 0.15 m: 0.05 m beyond the leaf plane is 0.10 m into the wall from the far face."""
    door = PLANNER.decode(msgspec.json.encode(dock_door())).door
    assert tape(door, 0.0, 0.05) == TapeDistances(
        face="far", from_left_jamb_m=2.002, from_right_jamb_m=2.002, from_wall_face_m=-0.1
    )
    assert tape(door, 0.0, -0.05).face == "near"


def low_energy_door(opening_s):
    leaf = {"mass_kg": 40.0}
    closing = {"time_s": 10.0, "creep_distance_m": 0.2, "creep_speed_m_per_s": 0.05}
    motion = {"kind": "swing", "opening": {"time_s": opening_s}, "closing": closing, "hold_open_s": 5.0}
    door = {"opening": {"width_m": 1.0, "height_m": 2.1}, "leaf": leaf, "motion": motion}
    return {"door": door, "rules": {"set": "low_energy_swing"}, "output": {"proposals": False}}


def test_summary_names_the_first_critical_finding_that_no_unmet_zone_tells():
    assert PLANNER.assess(low_energy_door(4.5)).summary == (
        "No zone is laid out. Where one is wanted, give the traffic or a rule set that asks for it."
    )
    assert PLANNER.assess(low_energy_door(4.0)).summary == (
        "No zone is laid out. Critical: Opening to 90 deg takes 4.000 s; for a leaf of 1.00 m and 40 kg the least time is "
        "4.50 s."
    )
    gaps_alone = PLANNER.assess(dock_door())
    assert any(f.severity == "critical" for f in gaps_alone.findings)
    assert "Critical" not in gaps_alone.summary
    in_the_way = PLANNER.assess(dock_door(**{"/sensors/0/mount/position": {"x_m": 0.0, "y_m": 0.0, "z_m": 2.0}}))
    assert in_the_way.summary.endswith(
        "% covered. Critical: left head sits in the way of the leaf at leaf state 0.00 (share of travel, open is 1)."
    )


def sliding_door(device=None, **changes):
    """A sliding leaf that runs along the far wall, and one head on the near side that sees the place behind its edge."""
    request = dock_door(**{"/traffic": [], **changes})
    request["door"] |= {
        "opening": {"width_m": 2.0, "height_m": 2.4},
        "wall": {"near_face_y_m": 0.05, "far_face_y_m": 0.25},
        "motion": {
            "kind": "sliding", "opens_to": "right",
            "opening": {"speed_m_per_s": 0.5}, "closing": {"speed_m_per_s": 0.3},
        },
    }  # fmt: skip
    field = {"purpose": "protection", "x_from_m": -3.0, "x_to_m": 4.0, "out_from_m": 0.03, "out_to_m": 2.0}
    head = scanner("head", 0.8, plane_tilts_deg=[0.5, 2.0, 4.0, 6.0, 8.0, 10.0, 13.0, 16.0], least_hits=1)
    head["mount"]["position"] = {"x_m": 0.8, "y_m": -0.12, "z_m": 2.6}
    head["device"] |= {"sweep_start_deg": -75.0, "sweep_end_deg": 75.0, "fields": [field | (device or {})]}
    return request | {"sensors": [head | {"purposes": ["protection"]}]}


BEHIND = "protection:near:right_trailing_edge"


def test_what_protects_from_the_opening_leaf_must_act_while_it_opens():
    assert comparison(PLANNER.assess(sliding_door()), BEHIND).verdict == "met"
    for movement, verdict in (("opening", "not_met"), ("closing", "met")):
        muting = {"sensor": "head", "during": movement, "from_state": 0.0, "to_state": 1.0}
        assert comparison(PLANNER.assess(sliding_door(**{"/door/muting": [muting]})), BEHIND).verdict == verdict
    for movement, verdict in (("opening", "met"), ("closing", "not_met")):
        found = comparison(PLANNER.assess(sliding_door({"acts_while": [movement]})), BEHIND)
        assert found.verdict == verdict
    assert found.gaps[0].culprits[0].cause == "field"


def test_unwanted_detection_goes_through_glass_and_not_through_a_wall():
    def spill(material):
        pane = box("pane", -4.0, 4.0, -1.1, -1.08, 3.0, material=material)
        request = dock_door(**{"/site/obstacles": [pane]})
        lane = {"out_from_m": 1.5, "out_to_m": 2.2}
        request["traffic"][0] |= {"name": "passer", "passes": "by", "lane": lane}
        return comparison(PLANNER.assess(request), "exclusion:near:passer").overspill_m2

    assert spill("glass") > spill("solid") + 1.0


def test_a_field_that_takes_nothing_away_is_no_cause():
    """Its rays meet the leaf, with the field and without."""
    field = {"purpose": "protection", "x_from_m": -4.0, "x_to_m": 4.0, "out_from_m": -2.0, "out_to_m": 3.0}
    request = dock_door(**{"/sensors/0/device/plane_tilts_deg": [-4.0, -3.0], "/sensors/0/device/fields": [field]})
    gap = comparison(PLANNER.assess(request), "protection:near:leaf_line").gaps[0]
    assert "leaf" in {c.cause for c in gap.culprits}
    assert "field" not in {c.cause for c in gap.culprits}


def test_a_loop_far_from_its_mount_is_shown_whole():
    """Places at which a vehicle's front, 1.2 by 0.4 m, is over a loop of 2 by 2 m: the sum of both."""
    ring = [[-1.0, -9.0], [1.0, -9.0], [1.0, -7.0], [-1.0, -7.0]]
    loop = {
        "name": "loop", "purposes": ["activation"], "device": {"family": "induction_loop", "ring_m": ring},
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -1.0, "z_m": 0.0}},
    }  # fmt: skip
    request = dock_door(**{"/sensors": [loop], "/output/detections": [{"body": "vehicle_front"}]})
    shown = PLANNER.coverage(request).sensors[0].detection[0]
    xs, ys = zip(*(point for rings in shown.polygons_m for point in rings[0]), strict=True)
    assert min(xs) < -1.0
    assert max(xs) > 1.0
    assert min(ys) < -9.0
    assert max(ys) > -7.0


def test_margin_is_that_of_each_leaf_state_also_at_one_angle():
    """One angle and nothing that blocks: the required area is the same at all states, what is seen is not."""

    class ByState(Everywhere):
        def detected(self, sensors, body, *, state, **how):
            return Region.box(-5.0, 5.0, -5.0, 0.1 if state < 0.7 else 5.0)

    bold = ear("eye", "eye")
    zone = replace(REST, states=(1.0, 0.5), angles_deg=(0.0,))
    found = compare(zone, ByState(bold), {}).answer
    assert (found.margin_m, found.worst_state) == (pytest.approx(0.2, abs=1e-3), 0.5)

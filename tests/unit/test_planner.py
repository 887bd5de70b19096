"""The main job on the dock door: verdicts, culprits, findings, marks and checks that a technician can act on."""

import base64
from dataclasses import replace
from itertools import pairwise
from math import hypot, radians, sqrt, tan
from pathlib import Path

import msgspec
import numpy as np
import pytest

from kettlewharf import dock_door, scanner
from sillcast import Planner
from sillcast.compare import compare, is_met
from sillcast.errors import GeometryError
from sillcast.kernel.kept import Kept
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
    """An ultrasonic head hears the leaf, so its margin depends on the state; the answer must not take a good one."""
    request = msgspec.json.decode((EXAMPLES / "ultrasonic.json").read_bytes())
    plan = PLANNER._plan(PLANNER._taken(request | {"output": {"proposals": False}}))
    zone = next(z for z in plan.needs.zones if z.id == "protection:near:near_strip")
    whole = compare(zone, plan.sensing, plan.bodies, explain=False).answer
    alone = {s: compare(replace(zone, states=(s,)), plan.sensing, plan.bodies).answer.margin_m for s in zone.states}
    assert whole.verdict == "met"
    assert len(set(alone.values())) > 1
    assert whole.margin_m == min(alone.values()) == alone[whole.worst_state]


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

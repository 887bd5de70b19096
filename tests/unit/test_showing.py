"""What the coverage answer shows beside regions: bands, ideal outlines, smallest bodies, combined sensors, shadows."""

from math import radians, tan

import numpy as np
import pytest

from kettlewharf import dock_door, scanner
from sillcast import Planner, UncomputableError

PLANNER = Planner()
BOXES = [{"name": f"box {s}", "width_m": s / 100, "height_m": s / 100} for s in (5, 10, 20, 40)]
HEAD = scanner("left head", -2.1)
TWO = [HEAD, scanner("right head", 2.1)]


def coverage(**changes):
    return PLANNER.coverage(dock_door(**changes))


def test_band_is_what_a_plane_sweeps_between_two_heights():
    """A plane at t from 4.6 m: y from (M - high) tan t to (M - low) tan t, arithmetic of plane geometry."""
    one = scanner("left head", -2.1, plane_tilts_deg=[30.0], range_m=60.0, sweep_start_deg=-20.0, sweep_end_deg=0.0)
    band = coverage(**{"/sensors": [one], "/output/bands": [{"low_m": 0.2, "high_m": 0.7}]}).sensors[0].bands[0]
    ys = [y for rings in band.polygons_m for _, y in rings[0]]
    near, far = -0.20 - (4.6 - 0.7) * tan(radians(30)), -0.20 - (4.6 - 0.2) * tan(radians(30))
    assert max(ys) == pytest.approx(near, abs=2e-3)  # rings are rounded inwards to 1 mm
    assert min(ys) == pytest.approx(far, abs=2e-3)


UPRIGHT = {"detections": [{"body": "reference_body_upright"}], "outlines": True}


def test_ideal_outline_of_a_plane_is_its_band_and_half_the_body_around_it():
    """A plane at t from 4.6 m: y from (M - H) tan t - b to (M - f) tan t + b, body H high, 2 b deep, floor margin f."""
    one = scanner("left head", -2.1, plane_tilts_deg=[30.0], range_m=60.0, sweep_start_deg=-20.0, sweep_end_deg=0.0)
    (outline,) = coverage(**{"/sensors": [one], "/output": UPRIGHT}).sensors[0].outlines
    ys = [y for rings in outline.polygons_m for _, y in rings[0]]
    assert max(ys) == pytest.approx(-0.20 - (4.6 - 0.7) * tan(radians(30)) + 0.10, abs=2e-3)  # rounded inwards to 1 mm
    assert min(ys) == pytest.approx(-0.20 - (4.6 - 0.05) * tan(radians(30)) - 0.10, abs=2e-3)


def test_denser_rays_come_nearer_to_the_same_ideal_outline():
    def shown(step_deg):
        head = scanner("left head", -2.1, plane_tilts_deg=[12.0, 30.0], step_deg=step_deg, least_hits=3)
        return coverage(**{"/sensors": [head], "/output": UPRIGHT}).sensors[0]

    coarse, fine = shown(2.0), shown(0.125)
    ideals = [sensor.outlines[0].area_m2 for sensor in (coarse, fine)]
    assert ideals[0] == pytest.approx(ideals[1], abs=1e-3)
    assert coarse.outlines[0].short_m2 > 10.0 * fine.outlines[0].short_m2 > 0.0
    for sensor in (coarse, fine):
        # what is detected lies inside, but for the chords of the range arc (0.5 mm)
        detected = sensor.detection[0].area_m2
        assert detected + sensor.outlines[0].short_m2 == pytest.approx(sensor.outlines[0].area_m2, abs=0.02)


def test_no_ideal_outline_where_it_has_no_meaning():
    ball = {"name": "ball", "shape": "sphere", "width_m": 0.3}
    output = {"detections": [{"body": "ball"}], "outlines": True}
    assert coverage(**{"/bodies": [ball], "/output": output}).sensors[0].outlines == []
    slope = {"/output": UPRIGHT, "/site/floor/near": {"slope_deg": 2.0}}
    assert coverage(**slope).sensors[0].outlines == []
    assert coverage(**{"/output": {**UPRIGHT, "outlines": False}}).sensors[0].outlines == []


def test_nothing_rests_on_ideal_outlines():
    output = {"detections": [{"body": "reference_body_upright"}], "proposals": False}
    without, asked = (PLANNER.assess(dock_door(**{"/output": {**output, "outlines": on}})) for on in (False, True))
    assert all(sensor.outlines for sensor in asked.sensors)
    for part in ("comparisons", "findings", "proposals", "site_checks", "combined"):
        assert getattr(asked, part, None) == getattr(without, part, None)


def test_smallest_body_agrees_with_the_counts_of_each_size():
    names = [b["name"] for b in BOXES]
    output = {
        "smallest": [{"bodies": names, "cell_m": 0.2}],
        "counts": [{"body": name, "cell_m": 0.2} for name in names],
    }
    sensor = coverage(**{"/bodies": BOXES, "/output": output}).sensors[0]
    smallest = np.frombuffer(sensor.smallest[0].data, dtype=np.uint8)
    hits = np.stack([np.frombuffer(c.data, dtype=np.uint8) for c in sensor.counts])
    first = np.where((hits >= 3).any(axis=0), (hits >= 3).argmax(axis=0), len(names))
    assert np.array_equal(smallest, first)
    assert set(range(1, 5)) <= set(first.tolist())


def test_bodies_that_are_not_nested_are_refused_at_their_place():
    output = {"smallest": [{"bodies": ["box 20", "box 10"]}]}
    with pytest.raises(UncomputableError) as refusal:
        coverage(**{"/bodies": BOXES, "/output": output})
    assert [(f.pointer, f.code) for f in refusal.value.faults] == [("/output/smallest/0/bodies", "not_nested")]


def test_union_and_redundancy_of_two_heads_add_up():
    output = {"detections": [{"body": "reference_body_upright"}]}
    answer = coverage(**{"/sensors": TWO, "/output": output})
    alone = sum(s.detection[0].area_m2 for s in answer.sensors)
    either, both = (c.area_m2 for c in answer.combined)
    assert [c.at_least for c in answer.combined] == [1, 2]
    # |A| + |B| = |A or B| + |A and B|; activation regions without fields, areas rounded to 1e-4
    assert either + both == pytest.approx(alone, abs=1e-2)
    assert both > 0.5 * either


def test_removing_an_obstacle_gives_back_what_its_shadow_says():
    post = {"name": "guard post", "ring_m": [[0.4, -1.4], [0.7, -1.4], [0.7, -1.1], [0.4, -1.1]], "top_m": 1.6}
    output = {"detections": [{"body": "reference_body_upright"}], "shadows": True}
    here = coverage(**{"/site/obstacles": [post], "/output": output})
    free = coverage(**{"/output": output})
    gained = free.sensors[0].detection[0].area_m2 - here.sensors[0].detection[0].area_m2
    assert [s.obstacle for s in here.shadows] == ["guard post"]
    assert here.shadows[0].area_m2 == pytest.approx(gained, abs=0.02)  # slivers below 5 mm are not shown
    assert free.shadows == []


def test_redundant_share_of_a_zone_needs_two_sensors():
    def share(sensors):
        answer = PLANNER.assess(dock_door(**{"/sensors": sensors}))
        return next(c.redundant_share for c in answer.comparisons if c.zone == "protection:near:near_strip")

    assert share([HEAD]) == 0.0
    assert share(TWO) > 0.8


def test_a_motion_sensor_needs_a_heading_and_sees_only_what_moves():
    lobe = {
        "name": "radar", "purposes": ["activation"], "device": dict(PLANNER.family("microwave").example),
        "mount": {"side": "near", "position": {"x_m": 0.0, "y_m": -0.2, "z_m": 4.0}, "tilt_deg": 30.0},
    }  # fmt: skip
    still, going = {"body": "person_standing"}, {"body": "person_standing", "heading_deg": 90.0, "speed_m_per_s": 1.2}
    seen = coverage(**{"/sensors": [lobe], "/output": {"detections": [still, going]}}).sensors[0].detection
    assert seen[0].area_m2 == 0.0
    assert seen[1].area_m2 > 1.0
    with pytest.raises(UncomputableError) as refusal:
        coverage(**{"/sensors": [lobe], "/output": {"detections": [{**still, "heading_deg": 90.0}]}})
    assert refusal.value.faults[0].pointer == "/output/detections/0"


def test_sections_are_those_of_each_leaf_state():
    """States at which rays end alike share their sections; a leaf that stops rays parts them."""
    head = scanner("left head", -2.1, plane_tilts_deg=[-5.0, 20.0])
    how = {"/sensors": [head], "/output/states": [0.0, 0.5, 1.0], "/output/heights_m": [0.5]}
    closed, half, opened = coverage(**how).sensors[0].coverage
    assert (closed.state, half.state, opened.state) == (0.0, 0.5, 1.0)
    assert closed.lines_m != opened.lines_m
    alone = [coverage(**{**how, "/output/states": [state]}).sensors[0].coverage[0] for state in (0.0, 0.5, 1.0)]
    assert [closed, half, opened] == alone

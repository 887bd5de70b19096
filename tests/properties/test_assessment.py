"""What must hold whatever the numbers: mirror, more range, more obstacles, order, determinism."""

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kettlewharf import changed, dock_door, mirrored
from sillcast import Planner

PLANNER = Planner()
FEW = settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def scenes(draw):
    """A dock door with a turned head and up to two obstacles."""
    obstacles = []
    for i in range(draw(st.integers(0, 2))):
        x, y = draw(st.floats(-2.5, 2.5)), draw(st.floats(-4.0, -0.8))
        w, d = draw(st.floats(0.1, 0.8)), draw(st.floats(0.1, 0.8))
        ring = [[x, y], [x + w, y], [x + w, y + d], [x, y + d]]
        obstacles.append({"name": f"crate {i}", "ring_m": ring, "top_m": draw(st.floats(0.2, 3.0))})
    return dock_door(**{
        "/site/obstacles": obstacles,
        "/sensors/0/device/step_deg": 1.0,
        "/sensors/0/device/plane_tilts_deg": [-1.5, 4.0, 12.0, 22.0, 34.0],
        "/sensors/0/mount/tilt_deg": draw(st.floats(-2, 15)),
        "/sensors/0/mount/yaw_deg": draw(st.floats(-20, 20)),
        "/sensors/0/mount/roll_deg": draw(st.floats(-10, 10)),
        "/traffic/0/approach_deg": draw(st.floats(-30, 30)),
    })  # fmt: skip


def shares(request):
    return {c.zone: c.share for c in PLANNER.assess(request).comparisons}


@given(scenes())
@FEW
def test_a_mirrored_scene_gives_the_mirrored_answer(request):
    # 2e-3 of the zone: rays start and step from the other end of the sweep, all else is the mirror image
    assert shares(mirrored(request)) == pytest.approx(shares(request), abs=2e-3)


@given(scenes(), st.floats(2.0, 8.0), st.floats(0.5, 6.0))
@FEW
def test_more_range_never_covers_less(request, range_m, more_m):
    """With a beam of no width: a real spot is judged at the far end of its plane, where more range makes it wider."""
    request = changed(request, {"/sensors/0/device/beam_width_m": 0.0, "/sensors/0/device/divergence_deg": 0.0})
    short = shares(changed(request, {"/sensors/0/device/range_m": range_m}))
    long = shares(changed(request, {"/sensors/0/device/range_m": range_m + more_m}))
    assert all(long[zone] >= share - 1e-4 for zone, share in short.items())  # shares are rounded to 1e-4


@given(scenes(), st.floats(-2.0, 1.5), st.floats(-3.0, -0.8), st.floats(0.3, 3.0))
@FEW
def test_another_obstacle_never_adds_detection(request, x, y, top):
    request = changed(request, {"/output": {"detections": [{"body": "reference_body_upright"}]}})
    ring = [[x, y], [x + 0.4, y], [x + 0.4, y + 0.3], [x, y + 0.3]]
    post = {"name": "another", "ring_m": ring, "top_m": top}
    more = changed(request, {"/site/obstacles": [*request["site"]["obstacles"], post]})
    before, after = (PLANNER.coverage(r).sensors[0].detection[0].area_m2 for r in (request, more))
    assert after <= before + 2e-4  # areas are rounded to 1e-4


@given(scenes())
@FEW
def test_the_same_request_gives_the_same_bytes(request):
    first = msgspec.json.encode(PLANNER.assess(request))
    assert msgspec.json.encode(Planner().assess(msgspec.json.encode(request))) == first


@given(st.floats(0.4, 2.5))
@FEW
def test_faster_traffic_needs_a_longer_zone(speed):
    def depth(s):
        zones = PLANNER.needs(changed(dock_door(), {"/traffic/0/speed_m_per_s": s})).zones
        return max(-y for z in zones if z.kind == "activation" for ring in z.polygons_m[0] for _, y in ring)

    assert depth(speed * 1.2) > depth(speed)

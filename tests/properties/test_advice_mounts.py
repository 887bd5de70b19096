"""Mount search in a mirror: the mirrored request gets the mirrored mounts, in the same order, with the same numbers."""

import pytest

from kettlewharf import changed, mirrored
from sillcast import Planner

PLANNER = Planner()
POST = {"name": "post", "ring_m": [[0.3, -1.1], [0.52, -1.1], [0.52, -0.9], [0.3, -0.9]], "top_m": 1.3}
HEAD = {
    "family": "laser_scan", "plane_tilts_deg": [0.5, 6.5, 14.5, 23.0], "sweep_start_deg": -62.0, "sweep_end_deg": 38.0,
    "step_deg": 2.0, "range_m": 6.0, "least_hits": 2,
}  # fmt: skip
OTHER = {
    "left_corner": "right_corner",
    "right_corner": "left_corner",
    "left_jamb": "right_jamb",
    "right_jamb": "left_jamb",
}


def search(**changes):
    """A scanner whose sweep is not symmetric, at a hatch with a post to the right and a lane to the left."""
    request = {
        "door": {
            "opening": {"width_m": 1.43, "height_m": 2.2},
            "wall": {"near_face_y_m": -0.15, "far_face_y_m": 0.15},
            "motion": {
                "kind": "vertical_lift", "opening": {"speed_m_per_s": 2.0}, "closing": {"speed_m_per_s": 0.5},
            },
        },
        "site": {"obstacles": [POST]},
        "traffic": [{
            "name": "person", "from_sides": ["near"], "speed_m_per_s": 0.43, "width_m": 0.6, "clear_height_m": 2.0,
            "approach_deg": 11.0,
        }],
        "devices": [{"name": "head", "purposes": ["activation", "protection"], "device": HEAD}],
        "places": [
            {"kind": "left_corner", "height_m": {"least": 2.4, "most": 2.6, "step": 0.2}},
            {"kind": "right_corner", "height_m": {"least": 2.4, "most": 2.6, "step": 0.2}},
            {"kind": "lintel", "height_m": {"least": 2.4, "most": 2.4}, "stand_off_m": {"least": 0.05, "most": 0.05},
             "along_m": {"least": -0.31, "most": 0.53, "step": 0.21}},
        ],
        "angles": {
            "tilt_deg": {"least": -2.0, "most": 7.0, "step": 3.0},
            "yaw_deg": {"least": -7.0, "most": 13.0, "step": 10.0},
            "roll_deg": {"least": -1.0, "most": 2.0, "step": 3.0},
        },
        "limits": {"results": 6},
    }  # fmt: skip
    return changed(request, changes)


def turned(steps):
    return {**steps, "least": -steps["most"], "most": -steps["least"]}


def mirrored_search(request):
    """The search in a mirror in the plane x = 0: ranges of x, yaw and roll turn round, left and right change places."""
    as_assessment = mirrored({**request, "sensors": []})
    request = {**request, "site": as_assessment["site"], "traffic": as_assessment["traffic"]}
    request = changed(request, {"/devices/0/device/sweep_start_deg": -HEAD["sweep_end_deg"]})
    request = changed(request, {"/devices/0/device/sweep_end_deg": -HEAD["sweep_start_deg"]})
    for place in request["places"]:
        place["kind"] = OTHER.get(place["kind"], place["kind"])
        if "along_m" in place:
            place["along_m"] = turned(place["along_m"])
    for angle in ("yaw_deg", "roll_deg"):
        request["angles"][angle] = turned(request["angles"][angle])
    return request


def where(mount, sign):
    """Mounts of a plan, seen in a mirror where the sign is negative."""
    found = []
    for sensor in mount.request["sensors"]:
        at, device = sensor["mount"], sensor["device"]
        sweep = (device["sweep_start_deg"], device["sweep_end_deg"])
        x, y, z = at["position"].values()
        turns = at["tilt_deg"], sign * at["yaw_deg"], sign * at["roll_deg"]
        found.append((sign * x, y, z, *turns, *(sweep if sign > 0 else (-sweep[1], -sweep[0]))))
    return sorted(tuple(round(v, 6) + 0.0 for v in one) for one in found)


@pytest.mark.parametrize("per_side", [1, 2])
@pytest.mark.parametrize("sides", [["near"], ["near", "far"]])
def test_a_mirrored_search_gets_the_mirrored_mounts(per_side, sides):
    request = search(**{"/sensors_per_side": per_side, "/sides": sides})
    ours, theirs = PLANNER.mount_search(request), PLANNER.mount_search(mirrored_search(request))
    assert [where(m, 1.0) for m in ours.mounts] == [where(m, -1.0) for m in theirs.mounts]
    assert ours.pareto == theirs.pareto
    assert ours.binding_zone == theirs.binding_zone
    assert (ours.search.judged, ours.search.pairs) == (theirs.search.judged, theirs.search.pairs)
    for one, other in zip(ours.mounts, theirs.mounts, strict=True):
        assert {z: n.verdict for z, n in one.zones.items()} == {z: n.verdict for z, n in other.zones.items()}
        for zone, numbers in one.zones.items():
            # Rings are rounded to 1 mm on the way: 1 mm along 6 m of border.
            assert numbers.gap_m2 == pytest.approx(other.zones[zone].gap_m2, abs=0.006)

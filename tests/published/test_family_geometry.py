"""What the ray families send out, against closed forms and figures from outside."""

import json
from math import cos, radians, sqrt, tan

import numpy as np
import pytest

from reference.scene import BODY, seen
from sillcast.family import SensorView
from sillcast.planner import Planner
from sillcast.sensing import floors_of, scene_of
from sillcast_families.active_infrared import ActiveInfraredFamily
from sillcast_families.laser_scan import LaserScanFamily

PLANNER = Planner()


def emitted(device, position=(0.0, -0.2, 3.0), tilt=0.0, counterpart=None, near=None, door=None):
    sensor = {
        "name": "sensor",
        "purposes": ["protection"],
        "mount": {
            "side": "near",
            "position": dict(zip(("x_m", "y_m", "z_m"), position, strict=True)),
            "tilt_deg": tilt,
        },
        "device": device,
    }
    if counterpart:
        sensor["counterpart"] = {"position": dict(zip(("x_m", "y_m", "z_m"), counterpart, strict=True))}
    motion = {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"speed_m_per_s": 0.5}}
    request = PLANNER.decode(
        json.dumps(
            {
                "door": {"opening": {"width_m": 4.0, "height_m": 4.0}, "motion": {**motion, **(door or {})}},
                "site": {"conditions": {"near": near or {}}},
                "sensors": [sensor],
            }
        ).encode()
    )
    scene = scene_of(request.sensors[0], 0, request.door, request.site, floors_of(request.site))
    family = PLANNER.registry.of(request.sensors[0].device).family
    return family, request.sensors[0].device, scene, family.emit(request.sensors[0].device, scene)


def on_floor(emissions):
    """Where rays would meet a floor at z = 0: (n, 2), x to the right and distance outwards from the mount."""
    origins = np.concatenate([e.origins for e in emissions])
    directions = np.concatenate([e.directions for e in emissions])
    hits = origins - directions * (origins[:, 2] / directions[:, 2])[:, None]
    return np.stack([hits[:, 0], -(hits[:, 1] - origins[:, 1])], axis=1)


def test_camera_of_60_by_45_degrees_three_metres_up():
    # Pinhole: 2 H tan(a / 2) is 3.464 m by 2.485 m; the outermost pixels' middles are half a pixel inside.
    device = {"family": "depth_camera", "columns": 160, "rows": 120, "field_width_deg": 60.0, "field_height_deg": 45.0}
    *_, emissions = emitted(device)
    places = on_floor(emissions)
    widest, deepest = np.ptp(places, axis=0)
    assert len(places) == 160 * 120
    assert widest == pytest.approx(3.464 * 159 / 160, abs=5e-4)
    assert deepest == pytest.approx(2.485 * 119 / 120, abs=5e-4)


def test_camera_pixels_are_evenly_spaced_on_a_surface_square_on():
    *_, emissions = emitted({"family": "depth_camera", "columns": 32, "rows": 8})
    x = on_floor(emissions)[:32, 0]
    assert np.diff(x) == pytest.approx(np.full(31, np.diff(x)[0]), rel=1e-9)


def test_camera_tilted_by_40_degrees_looks_out_at_h_tan_40():
    *_, emissions = emitted({"family": "depth_camera", "columns": 5, "rows": 5, "field_height_deg": 20.0}, tilt=40.0)
    middle = on_floor(emissions)[12]
    assert middle == pytest.approx((0.0, 3.0 * tan(radians(40))), abs=1e-9)


def test_camera_margin_is_five_deviations_of_the_farthest_floor():
    # Straight down, dark, 10 mm at 3 m: the corner pixel sees the floor at 3 m / cos; noise goes with the distance.
    device = {"family": "depth_camera", "columns": 4, "rows": 4, "field_width_deg": 90.0, "field_height_deg": 90.0,
              "range_m": 9.0, "least_margin_m": 0.0}  # fmt: skip
    *_, emissions = emitted(device)
    corner = 3.0 * sqrt(1 + 2 * 0.75**2)  # outermost pixels' middles at three quarters of tan 45 deg
    assert emissions[0].floor_margin_m == pytest.approx(5 * 0.01 * corner / 3.0, rel=1e-9)


@pytest.mark.parametrize("tilts", [(2.6, 8.2), (-10.0, 10.0), (-25.0, -5.0)])
def test_strip_between_planes_is_where_a_body_goes_through_the_section_untouched(tilts):
    # Body of 0.20 x 0.70 m in steps of 1 mm under a head 4 m up; a plane in the section is (4 - z) tan(tilt).
    told = seen(LaserScanFamily(), device={"plane_tilts_deg": tilts}, at=(0.0, -0.3, 4.0)).remarks()["plane_gap"]
    planes = [(4.0 - np.linspace(0.0, 0.7, 201)) * tan(radians(tilt)) for tilt in tilts]
    middles = np.arange(planes[0].mean(), planes[1].mean(), 0.001)
    free = [y for y in middles if all((abs(plane - y) >= 0.1).all() for plane in planes)]
    assert told.values["gap_m"] == pytest.approx(max(free) - min(free), abs=0.0025)
    assert told.values["out_m"] == pytest.approx(min(free) + 0.3, abs=0.0015)


def test_camera_counts_pixels_of_one_row():
    device = {"family": "depth_camera", "columns": 40, "rows": 30, "least_pixels": 3}
    *_, emissions = emitted(device)
    assert {(e.least_hits, e.hits_within) for e in emissions} == {(3, "plane")}
    assert np.array_equal(np.concatenate([e.group for e in emissions]), np.repeat(np.arange(30), 40))


def test_spots_on_a_floor_too_dark_for_their_way_have_no_background():
    # Lambert's law: 5 m at 18 % are 5 sqrt(2 / 18) = 1.667 m at 2 %.
    one = seen(ActiveInfraredFamily(), conditions={"floor_reflectance": 0.02})
    view = SensorView((1.66, 1.67, 2.0), ("floor", "floor", "post"), (), 1.0, None, BODY)
    told = {f.code: f.values for f in one.family.review(one.params, one.scene, view)}["active_infrared.background_far"]
    assert (told["spots"], told["of"], told["range_m"]) == (1, 3, pytest.approx(5.0 / 3.0))


@pytest.mark.parametrize(("tilt", "reach"), [(0, 0.0), (15, 0.8038), (30, 1.7321), (45, 3.0)])
def test_rows_of_spots_meet_the_floor_at_h_tan_tilt(tilt, reach):
    # H tan t for H = 3 m, four decimals.
    device = {"family": "active_infrared", "rows": 1, "columns": 1, "first_row_deg": tilt, "range_m": 10.0}
    *_, emissions = emitted(device)
    assert on_floor(emissions)[0] == pytest.approx((0.0, reach), abs=5e-5)


def test_grid_of_spots_has_its_corners_where_the_angles_say():
    device = {
        "family": "active_infrared", "rows": 3, "columns": 5, "first_row_deg": 10.0, "rows_spread_deg": 20.0,
        "columns_spread_deg": 60.0,
    }  # fmt: skip
    *_, emissions = emitted(device)
    places = on_floor(emissions)
    # The last row is a plane tilted by 30 deg; its end is 30 deg off within the plane: x = (H / cos t) tan f.
    assert len(places) == 15
    assert sorted(abs(places[[10, 14], 0])) == pytest.approx([3 / cos(radians(30)) * tan(radians(30))] * 2, rel=1e-9)
    assert places[10:, 1] == pytest.approx(np.full(5, 3 * tan(radians(30))), rel=1e-9)


def test_spot_that_counts_has_the_share_of_the_area():
    # A quarter of the area is half of the diameter, at the head and at any distance.
    device = {"family": "active_infrared", "spot_width_m": 0.02, "spot_divergence_deg": 4.0, "least_share": 0.25}
    *_, (rays,) = emitted(device)
    assert rays.beam_width_m == pytest.approx(0.01)
    assert tan(radians(rays.divergence_deg) / 2) == pytest.approx(tan(radians(2.0)) / 2, rel=1e-12)


def test_edges_of_a_segment():
    # One segment 10 deg wide and 20 deg high around straight down, 3 m up: corners at H tan(10 deg) out and back,
    # and (H / cos(10 deg)) tan(5 deg) to the sides.
    device = {"family": "passive_infrared", "rows": 1, "columns": 1, "first_row_deg": 0.0, "segment_width_deg": 10.0,
              "segment_height_deg": 20.0}  # fmt: skip
    *_, emissions = emitted(device | {"range_m": 6.0})
    places = on_floor(emissions)
    assert np.abs(places[:, 1]).max() == pytest.approx(3 * tan(radians(10)), rel=1e-9)
    assert np.abs(places[:, 0]).max() == pytest.approx(3 / cos(radians(10)) * tan(radians(5)), rel=1e-9)
    assert (np.abs(np.degrees(np.arctan(places[:, 1] / 3))) <= 10 + 1e-9).all()
    inside = (np.abs(places[:, 0]) < 0.2) & (np.abs(places[:, 1]) < 0.4)
    assert not inside.any()


def test_scan_ray_at_20_degrees_in_a_plane_of_30():
    # Worked in the door frame by hand: near side (-1.681, -2.509) for a head at (0, -0.20, 4).
    device = {"family": "laser_scan", "plane_tilts_deg": [30.0], "sweep_start_deg": 20.0, "sweep_end_deg": 20.0,
              "step_deg": 1.0, "range_m": 9.0}  # fmt: skip
    *_, emissions = emitted(device, position=(0.0, -0.2, 4.0))
    x, out = on_floor(emissions)[0]
    assert (x, -0.2 - out) == pytest.approx((-1.681, -2.509), abs=5e-4)


@pytest.mark.parametrize(("tilt", "pitch_mm"), [(0, 10.47), (15, 11.22), (30, 13.96), (45, 20.94)])
def test_pitch_of_planes_on_the_floor(tilt, pitch_mm):
    # H delta / cos^2 t for H = 3 m and 0.2 deg between planes, hundredths of millimetres.
    device = {"family": "laser_scan", "plane_tilts_deg": [tilt - 0.1, tilt + 0.1], "sweep_start_deg": 0.0,
              "sweep_end_deg": 0.0, "step_deg": 1.0, "range_m": 9.0}  # fmt: skip
    *_, emissions = emitted(device)
    first, second = on_floor(emissions)[:, 1]
    assert 1000 * (second - first) == pytest.approx(pitch_mm, abs=0.006)


def test_curtain_of_44_beams():
    device = {"family": "light_curtain", "beams": 44, "pitch_m": 0.05, "range_m": 8.0}
    *_, (rays,) = emitted(device, position=(-2.0, -0.25, 0.05), counterpart=(2.0, -0.25, 0.05))
    assert rays.blocks
    assert rays.origins[:, 2] == pytest.approx(0.05 + 0.05 * np.arange(44))
    assert rays.range_m == pytest.approx(np.full(44, 4.0))
    assert rays.directions == pytest.approx(np.tile([1.0, 0.0, 0.0], (44, 1)))


def test_level_curtain_reaches_outwards():
    device = {"family": "light_curtain", "beams": 10, "pitch_m": 0.1, "stack": "out"}
    *_, (rays,) = emitted(device, position=(-2.0, -0.25, 0.3), counterpart=(2.0, -0.25, 0.3))
    assert rays.origins[:, 1] == pytest.approx(-0.25 - 0.1 * np.arange(10))
    assert rays.origins[:, 2] == pytest.approx(np.full(10, 0.3))


def said(family, params, scene, view):
    return {f.code.split(".")[1]: f.values for f in family.review(params, scene, view)}


class View:
    """What the kernel finds where nothing stands in the way."""

    stops, lengths_m, floor_points, inside_opening_m2, wanted = ("range",), (4.0,), (), 1.0, None

    class body:  # noqa: N801  # stands for an instance
        width_m, depth_m, height_m = 0.3, 0.2, 0.7

    far_corner_m = staticmethod(lambda scene: None)
    spans_m = staticmethod(lambda scene: (0.0, 0.0))


@pytest.mark.parametrize(("response", "slow"), [(0.0150, False), (0.0160, True)])
def test_beam_slower_than_the_test_rod_is_named(response, slow):
    # The rod of 16 CFR 1211.11(d) darkens a point 152 mm up for 19.8 ms; a beam 10 mm wide for 37.6 / 47.6 of that.
    device = {"family": "photobeam", "response_s": response, "beam_width_m": 0.01}
    family, params, scene, _ = emitted(device, position=(-2.0, -0.3, 0.152), counterpart=(2.0, -0.3, 0.152))
    assert ("slow" in said(family, params, scene, View)) is slow


@pytest.mark.parametrize(
    ("kind", "mirror", "near"), [("type_4", 0.18, False), ("type_4", 0.17, True), ("type_2", 0.34, True)]
)
def test_mirror_beside_a_curtain_from_memory(kind, mirror, near):
    # IEC 61496-2 from memory: 4 m tan 2.5 deg = 174.6 mm, 4 m tan 5 deg = 350.0 mm.
    device = {"family": "light_curtain", "kind": kind, "mirror_m": mirror}
    family, params, scene, _ = emitted(device, position=(-2.0, -0.3, 0.1), counterpart=(2.0, -0.3, 0.1))
    assert ("mirror_near" in said(family, params, scene, View)) is near


def test_curtain_capability_and_separation_from_memory():
    # d = 40 + 10 = 50 mm: 1.6 (0.02 + 0.3) + 0.85 = 1.362 m; it stands 0.30 - 0.02 m from the leaf's face.
    device = {"family": "light_curtain", "pitch_m": 0.04, "beam_width_m": 0.01, "response_s": 0.02}
    family, params, scene, _ = emitted(device, position=(-2.0, -0.3, 0.1), counterpart=(2.0, -0.3, 0.1))
    values = said(family, params, scene, View)["separation_short"]
    assert values["capability_m"] == pytest.approx(0.05)
    assert values["needed_m"] == pytest.approx(1.362)
    assert values["distance_m"] == pytest.approx(0.28)


def test_mat_reach_from_memory():
    # ISO 13855:2010 from memory: 1.6 (0.03 + 0.3) + 1.2 = 1.728 m; a mat of 1 m about 0.8 m out ends 1.28 m out.
    device = {"family": "pressure_mat", "width_m": 4.2, "depth_m": 1.0}
    family, params, scene, (area,) = emitted(device, position=(0.0, -0.8, 0.0))
    values = said(family, params, scene, View)["reach_short"]
    assert (values["reach_m"], values["needed_m"]) == (pytest.approx(1.28), pytest.approx(1.728))
    assert np.ptp(area.ring, axis=0) == pytest.approx((4.16, 0.96))  # less the dead edge on both sides


def test_usual_beam_heights_from_memory():
    # ISO 13855:2010 table E.1 from memory: three beams at 300, 700 and 1100 mm.
    at = {"position": (-2.0, -0.3, 0.3), "counterpart": (2.0, -0.3, 0.3)}
    good = emitted({"family": "photobeam", "beam_count": 3, "beam_pitch_m": 0.4}, **at)
    odd = emitted({"family": "photobeam", "beam_count": 3, "beam_pitch_m": 0.2}, **at)
    assert "heights_unusual" not in said(*good[:3], View)
    assert said(*odd[:3], View)["heights_unusual"]["beam"] == 2

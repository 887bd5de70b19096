"""Filters: one meaning for all families, and what they cost."""

import msgspec
import pytest

from sillcast.contract import Filters
from sillcast.family import asked, seen_through
from sillcast.kernel import TestBody
from sillcast_families.active_infrared import ActiveInfrared, ActiveInfraredFamily
from sillcast_families.depth_camera import DepthCamera, DepthCameraFamily
from sillcast_families.laser_scan import LaserScan, LaserScanFamily

BODY = TestBody("reference", 0.3, 0.2, 0.7)


def laser(**field):
    fields = [{"purpose": "activation", "x_from_m": -1.0, "x_to_m": 1.0, "out_from_m": 0.0, "out_to_m": 2.0, **field}]
    device = {
        "family": "laser_scan", "plane_tilts_deg": [5.0], "sweep_start_deg": -90.0, "sweep_end_deg": 0.0,
        "step_deg": 1.0, "range_m": 5.0, "response_s": 0.1, "scan_s": 0.05, "noise_m": 0.01, "fields": fields,
    }  # fmt: skip
    return msgspec.convert(device, LaserScan)


@pytest.mark.parametrize(
    ("filters", "motion", "seen"),
    [
        ({}, (0.0, 0.0), True),
        ({"direction": "towards"}, (1.0, 0.0), True),
        ({"direction": "towards"}, (1.0, 0.9), True),
        ({"direction": "towards"}, (1.0, 1.0), False),  # on the border: in doubt, so not seen
        ({"direction": "towards"}, (-1.0, 0.0), False),
        ({"direction": "away"}, (-1.0, 0.5), True),
        ({"direction": "across"}, (0.5, -1.0), True),
        ({"direction": "across"}, (1.0, 0.5), False),
        ({"direction": "across"}, (-1.0, 0.5), False),
        ({"direction": "towards"}, (0.0, 0.0), False),
        ({"least_speed_m_per_s": 0.5}, (0.3, 0.4), True),
        ({"least_speed_m_per_s": 0.51}, (0.3, 0.4), False),
        ({"least_size_m": 0.2}, (0.0, 0.0), True),
        ({"least_size_m": 0.21}, (0.0, 0.0), False),  # its narrow side may be all that is seen
    ],
)
def test_seen_through(filters, motion, seen):
    found = seen_through(Filters(**filters), BODY, towards_m_per_s=motion[0], along_m_per_s=motion[1])
    assert found is seen


def test_a_filter_that_the_family_cannot_apply_counts_as_not_set():
    filters = Filters(direction="towards", least_size_m=1.0)
    assert seen_through(filters, BODY, able={"above"}) is True
    assert asked(filters) == {"direction", "size"}


def test_a_direction_costs_the_scans_in_which_the_slowest_walker_leaves_the_noise():
    # 3 sqrt(2) * 0.01 m = 42.4 mm at 0.152 m/s and 0.05 s a scan: 5.58, so 6 scans, 0.3 s.
    params, family = laser(filters={"direction": "towards"}), LaserScanFamily()
    assert family.filter_scans(params, params.fields[0].filters) == 6
    assert family.response_s(params) == pytest.approx(0.1 + 0.3)


def test_a_faster_least_speed_costs_fewer_scans():
    # 42.4 mm at 1 m/s: 0.85 scans, so one for a speed and two for a direction.
    family = LaserScanFamily()
    speed = laser(filters={"least_speed_m_per_s": 1.0})
    both = laser(filters={"least_speed_m_per_s": 1.0, "direction": "away"})
    assert family.filter_scans(speed, speed.fields[0].filters) == 1
    assert family.filter_scans(both, both.fields[0].filters) == 2


def test_bounds_of_a_field_change_sides_in_a_mirror():
    bounds = {"purpose": "activation", "x_from_m": -2.0, "x_to_m": 0.5, "out_from_m": 0.3, "out_to_m": 1.0}
    example = {**LaserScanFamily.example, "fields": [bounds]}
    (field,) = LaserScanFamily().mirrored(msgspec.convert(example, LaserScan)).fields
    assert (field.x_from_m, field.x_to_m, field.out_from_m, field.out_to_m) == (-0.5, 2.0, 0.3, 1.0)


def test_size_and_height_cost_no_scans():
    params = laser(filters={"least_size_m": 0.3, "least_above_m": 0.2})
    assert LaserScanFamily().response_s(params) == pytest.approx(0.1)


def test_filters_that_a_family_cannot_apply_are_named_and_cost_nothing():
    field = {
        "purpose": "activation", "x_from_m": -1.0, "x_to_m": 1.0, "out_from_m": 0.0, "out_to_m": 2.0,
        "filters": {"least_size_m": 0.3, "least_speed_m_per_s": 0.5},
    }  # fmt: skip
    params = msgspec.convert({"family": "active_infrared", "fields": [field]}, ActiveInfrared)
    family = ActiveInfraredFamily()
    assert family.unsupported_filters(params) == ((0, ("size", "speed")),)
    assert family.filter_delay_s(params) == 0.0
    assert LaserScanFamily().unsupported_filters(laser(filters={"direction": "away"})) == ()


def test_place_of_a_body_in_a_picture_is_no_surer_than_a_pixel():
    # 70 deg over 160 pixels at 6 m: 52.5 mm apart, evenly spread 52.5 / sqrt(12) = 15.2 mm, more than 10 mm of noise.
    assert DepthCameraFamily().place_noise_m(DepthCamera()) == pytest.approx(0.01516, abs=1e-5)

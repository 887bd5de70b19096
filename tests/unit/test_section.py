"""Sections in cases that can be worked out by hand."""

import numpy as np
import pytest

from sillcast.kernel.clip import free_lengths
from sillcast.kernel.emission import FloorArea, Rays
from sillcast.kernel.frame import FloorPlane, Floors, Pose
from sillcast.kernel.section import band, section
from sillcast.kernel.solids import Prism, Surroundings

BARE = Surroundings(Floors(), ())
LEVEL = Floors()


def fan(*, tilts_deg=(30.0,), z_m=3.0, range_m=10.0, tilt_deg=0.0):
    at = Pose.of(side="near", x_m=0.0, y_m=-0.2, z_m=z_m, tilt_deg=tilt_deg)
    return Rays.scan_planes(
        at=at, plane_tilts_deg=list(tilts_deg), start_deg=-45, end_deg=45, step_deg=0.5, range_m=range_m
    )


@pytest.mark.parametrize("height_m", [0.0, 0.7, 1.5])
def test_trace_of_a_tilted_plane_is_a_line_along_the_door(height_m):
    """Roll 0, yaw 0: y = y0 - (z0 - h) tan t, half width (z0 - h) tan f / cos t (near side)."""
    rays = fan()
    found = section(rays, free_lengths(rays, BARE), height_m, LEVEL)
    assert found.areas.is_empty
    (line,) = found.lines
    drop, tilt = 3.0 - height_m, np.deg2rad(30.0)
    assert len(line) == 2
    assert [p[1] for p in line] == pytest.approx([-0.2 - drop * np.tan(tilt)] * 2, abs=1e-9)
    assert sorted(p[0] for p in line) == pytest.approx([-drop / np.cos(tilt), drop / np.cos(tilt)], abs=1e-9)


def test_trace_stops_at_a_post_and_goes_on_behind_its_shadow():
    post = Prism.box("post", -0.2, 0.2, -1.2, -1.0, 0.0, 3.0)
    rays = fan()
    lines = section(rays, free_lengths(rays, Surroundings(LEVEL, (post,))), 0.0, LEVEL).lines
    assert len(lines) == 2
    inner = sorted(min(abs(x) for x, _ in line) for line in lines)
    # the shadow's edge: the corner (0.2, -1.0) seen from (0, -0.2), on the line y = -0.2 - 3 tan 30 deg
    edge = 0.2 / 0.8 * 3.0 * np.tan(np.deg2rad(30.0))
    spacing = np.hypot(3.0, 3.0 * np.tan(np.deg2rad(30.0))) * np.deg2rad(0.5) * 1.1
    assert all(edge <= x <= edge + spacing for x in inner)


def test_trace_on_a_slope_meets_the_floor():
    floors = Floors(FloorPlane(0.0, 0.1), FloorPlane())
    rays = fan()
    lines = section(rays, free_lengths(rays, Surroundings(floors, ())), 0.0, floors).lines
    y = lines[0][0][1]
    assert 3.0 - (-0.2 - y) / np.tan(np.deg2rad(30.0)) == pytest.approx(-0.1 * y, abs=1e-9)


def test_plane_along_the_height_leaves_an_area():
    rays = fan(tilts_deg=(90.0,), z_m=0.5, range_m=2.0)
    found = section(rays, free_lengths(rays, BARE), 0.5, LEVEL)
    assert found.lines == []
    assert found.areas.area == pytest.approx(np.pi * 2.0**2 / 4.0, rel=1e-4)  # inscribed chords of half a degree
    assert section(rays, free_lengths(rays, BARE), 0.4, LEVEL).areas.is_empty


def test_spots_leave_no_line():
    spots = Rays(
        np.array([[0.0, -0.2, 3.0]] * 2),
        np.array([[0.0, -0.6, -0.8], [0.1, -0.6, -np.sqrt(1 - 0.37)]]),
        np.array([9.0, 9.0]),
        np.array([0, 1]),
    )
    assert section(spots, free_lengths(spots, BARE), 0.0, LEVEL).lines == []


def test_beam_leaves_its_line_within_its_thickness():
    beam = Rays.beams(starts=[[-2, -0.1, 0.3]], ends=[[2, -0.1, 0.3]], beam_width_m=0.02)
    clipped = free_lengths(beam, BARE)
    assert section(beam, clipped, 0.309, LEVEL).lines == [[(-2.0, -0.1), (2.0, -0.1)]]
    assert section(beam, clipped, 0.311, LEVEL).lines == []
    leaning = Rays.beams(starts=[[-2, 0, 0.5]], ends=[[2, 0, 2.5]], beam_width_m=0.02)
    (line,) = section(leaning, free_lengths(leaning, BARE), 1.0, LEVEL).lines
    assert [p[0] for p in line] == pytest.approx([-1.02, -0.98], abs=1e-6)


def test_floor_area_up_to_its_height():
    mat = FloorArea(np.array([[0.0, -1.0], [1.0, -1.0], [1.0, 0.0], [0.0, 0.0]]), 0.1)
    assert section(mat, None, 0.1, LEVEL).areas.area == pytest.approx(1.0)
    assert section(mat, None, 0.11, LEVEL).areas.is_empty
    assert band(mat, None, 0.0, 1.0, LEVEL).area == pytest.approx(1.0)
    assert band(mat, None, 0.2, 1.0, LEVEL).is_empty


def test_band_of_a_tilted_plane_is_a_trapezium():
    rays = fan()
    tilt = np.deg2rad(30.0)
    widths = [2.0 * (3.0 - h) / np.cos(tilt) for h in (0.0, 0.7)]
    found = band(rays, free_lengths(rays, BARE), 0.0, 0.7, LEVEL)
    assert found.area == pytest.approx(sum(widths) / 2.0 * 0.7 * np.tan(tilt), abs=1e-6)


def test_band_does_not_fill_a_shadow():
    post = Prism.box("post", -0.2, 0.2, -1.2, -1.0, 0.0, 3.0)
    rays = fan()
    found = band(rays, free_lengths(rays, Surroundings(LEVEL, (post,))), 0.0, 0.7, LEVEL)
    assert not found.holds(0.0, -1.8)
    assert found.holds(0.6, -1.8)
    assert band(rays, free_lengths(rays, BARE), 0.0, 0.7, LEVEL).holds(0.0, -1.8)

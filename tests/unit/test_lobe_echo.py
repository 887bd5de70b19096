"""Echoes of a solid's faces in a lobe, against what its edges and sight lines say."""

import numpy as np
import pytest

from sillcast.kernel import Floors, Pose, Prism, Surroundings
from sillcast.kernel.echo import echoing, faces
from sillcast.kernel.lobe import Lobe

OPEN = Surroundings(Floors(), ())
PLATE = Prism.box("plate", -2.0, 2.0, 0.0, 0.05, 0.0, 4.0)


def lobe(*, y=-1.0, tilt=0.0, x=0.0, edge=20.0, range_m=8.0):
    pose = Pose.of(side="near", x_m=x, y_m=y, z_m=3.0, tilt_deg=tilt)
    return Lobe.looking(pose, range_m=range_m, edge_width_deg=edge, edge_depth_deg=edge, presence=True)


def test_faces_are_told_apart_by_a_quarter_of_a_metre():
    points = faces(PLATE)
    assert points.min(axis=0) == pytest.approx([-2.0, 0.0, 0.0])
    assert points.max(axis=0) == pytest.approx([2.0, 0.05, 4.0])
    for axis, most in ((0, 0.25), (2, 0.25)):
        assert np.diff(np.unique(points[:, axis].round(6))).max() <= most + 1e-9


# 1 m off the plate the lobe straight down, edge 10 deg to either side, ends 3 tan(10 deg) = 0.53 m off its axis.
@pytest.mark.parametrize(("y", "heard"), [(-1.0, False), (-0.6, False), (-0.5, True)])
def test_lobe_straight_down_hears_the_plate_within_its_edge(y, heard):
    assert (len(echoing(lobe(y=y), PLATE, OPEN)) > 0) is heard


def test_thin_lobe_between_coarse_places_still_hears():
    """Edge of 5 deg to either side, 2 m off: it lights a spot of 0.35 m, less than five places along 4 m lie apart."""
    narrow = lobe(y=-2.0, x=0.5, tilt=-60.0, edge=10.0)
    points = echoing(narrow, PLATE, OPEN)
    assert len(points)
    assert np.abs(points[:, 0] - 0.5).max() < 0.25


def test_screen_between_head_and_plate():
    screen = Prism.box("screen", -2.0, 2.0, -0.5, -0.4, 0.0, 4.0)
    assert len(echoing(lobe(tilt=-60.0), PLATE, OPEN))
    assert not len(echoing(lobe(tilt=-60.0), PLATE, Surroundings(Floors(), (screen,))))


def test_plate_beyond_its_range_for_a_plate_gives_nothing():
    """10.3 m2 against a reference of 1 m2 reaches 10.3 ** 0.25 = 1.79 times as far."""
    assert len(echoing(lobe(y=-1.0, tilt=-90.0, range_m=0.6), PLATE, OPEN))
    assert not len(echoing(lobe(y=-1.0, tilt=-90.0, range_m=0.5), PLATE, OPEN))

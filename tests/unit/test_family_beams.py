"""Beams of curtains and photobeams: what blocks them for good, and at which heights they are usual."""

import pytest

from kettlewharf import dock_door
from sillcast import Planner

PLANNER = Planner()
POST = {"name": "post", "ring_m": [[0.0, -0.3], [0.1, -0.3], [0.1, 0.1], [0.0, 0.1]], "top_m": 1.0}


def said(device, *, y_m, z_m=0.1, obstacles=()):
    """Findings of the family by code."""
    ends = [{"position": {"x_m": x, "y_m": y_m, "z_m": z_m}} for x in (-2.0, 2.0)]
    beam = {"name": "beam", "purposes": ["protection"], "mount": {"side": "near", **ends[0]}, "counterpart": ends[1]}
    request = dock_door(
        **{"/sensors": [{**beam, "device": device}], "/site/obstacles": list(obstacles), "/traffic": []}
    )
    return {f.code: f for f in PLANNER.assess(request).findings}


@pytest.mark.parametrize("family", ["light_curtain", "photobeam"])
def test_a_leaf_that_passes_blocks_no_beam_for_good(family):
    """The door remarks on beams that the leaf crosses, with the states; the family on what stands there."""
    in_line = said({"family": family}, y_m=0.0)
    assert "core.beam_meets_leaf" in in_line
    assert f"{family}.blocked" not in in_line
    assert said({"family": family}, y_m=-0.2, obstacles=[POST])[f"{family}.blocked"].values["by"] == "post"


def test_a_curtain_is_as_far_from_the_leaf_as_from_its_nearest_panel():
    """0.3 m before the leaf plane; the rear panel's face is 0.06 + 0.02 m before it, or the leading one's 0.02 m."""
    ends = [{"position": {"x_m": x, "y_m": -0.3, "z_m": 0.1}} for x in (-2.0, 2.0)]
    curtain = {"name": "curtain", "purposes": ["protection"], "mount": {"side": "near", **ends[0]}}
    curtain |= {"counterpart": ends[1], "device": {"family": "light_curtain", "pitch_m": 0.04}}
    phases = {"opening": {"speed_m_per_s": 0.5}, "closing": {"speed_m_per_s": 0.5}}
    for pitch, off in ((-0.06, 0.08), (0.06, 0.02)):
        motion = {"kind": "sliding", "panels": 2, "panel_pitch_m": pitch, **phases}
        request = dock_door(**{"/sensors": [curtain], "/traffic": [], "/door/motion": motion, "/door/leaf": {}})
        found = {f.code: f for f in PLANNER.assess(request).findings}["light_curtain.separation_short"]
        assert found.values["distance_m"] == pytest.approx(0.3 - off)


@pytest.mark.parametrize(("short_m", "code"), [(-0.001, "separation_kept"), (0.001, "separation_short")])
@pytest.mark.parametrize("swing", [False, True])
def test_a_curtain_far_enough_out_is_said_to_be(swing, short_m, code):
    """d = 40 mm, T = 0.02 + 0.2 s: 1.6 T + 8 (d - 14 mm) = 0.56 m, from the leaf's face or the end of its sweep."""
    phases = {"opening": {"speed_m_per_s": 0.5}, "closing": {"speed_m_per_s": 0.5}, "stopping_time_s": 0.2}
    turning = {"kind": "swing", "leaves": 2, "opens_towards": "near"} if swing else {"kind": "vertical_lift"}
    out = 0.02 + (2.0 if swing else 0.0) + 0.56 - short_m
    ends = [{"position": {"x_m": x, "y_m": -out, "z_m": 0.1}} for x in (-2.0, 2.0)]
    curtain = {"name": "curtain", "purposes": ["protection"], "mount": {"side": "near", **ends[0]}}
    device = {"family": "light_curtain", "pitch_m": 0.03, "beam_width_m": 0.01, "beams": 40, "response_s": 0.02}
    curtain |= {"counterpart": ends[1], "device": device}
    request = dock_door(**{"/sensors": [curtain], "/traffic": [], "/door/motion": turning | phases, "/door/leaf": {}})
    found = {f.code: f for f in PLANNER.assess(request).findings if "separation_" in f.code}
    assert [c.split(".")[1] for c in found] == [code]
    assert found[f"light_curtain.{code}"].values["needed_m"] == pytest.approx(0.56)


@pytest.mark.parametrize(("z_m", "codes"), [(0.13, set()), (0.3, {"photobeam.high", "photobeam.heights_unusual"})])
def test_a_low_beam_in_the_line_of_the_leaf_is_not_told_to_be_a_high_one(z_m, codes):
    found = said({"family": "photobeam"}, y_m=-0.06, z_m=z_m)
    assert {"photobeam.high", "photobeam.heights_unusual"} & set(found) == codes

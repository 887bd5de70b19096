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


@pytest.mark.parametrize(("z_m", "codes"), [(0.13, set()), (0.3, {"photobeam.high", "photobeam.heights_unusual"})])
def test_a_low_beam_in_the_line_of_the_leaf_is_not_told_to_be_a_high_one(z_m, codes):
    found = said({"family": "photobeam"}, y_m=-0.06, z_m=z_m)
    assert {"photobeam.high", "photobeam.heights_unusual"} & set(found) == codes

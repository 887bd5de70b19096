"""Passive infrared: what its edges are called."""

from pathlib import Path

import numpy as np

from reference.scene import seen
from sillcast import Planner
from sillcast_families.passive_infrared import PassiveInfraredFamily


def test_edges_are_called_by_the_rows_of_the_device():
    """3 rows of 8 segments have 96 edges: the first 32 belong to row 1, the last 4 to segment 8 of row 3."""
    eye = seen(PassiveInfraredFamily(), device={"rows": 3, "columns": 8})
    groups = np.unique(eye.emitted().group).tolist()
    names = [eye.family.group_name(eye.params, group) for group in groups]
    assert len(names) == 96
    assert (names[0], names[3], names[4], names[31]) == (
        "segment 1 of row 1", "segment 1 of row 1", "segment 2 of row 1", "segment 8 of row 1",
    )  # fmt: skip
    assert (names[48], names[95]) == ("segment 5 of row 2", "segment 8 of row 3")


def test_marks_on_the_floor_name_rows_that_the_device_has():
    example = Path(__file__).parents[2] / "openapi" / "examples" / "passive_infrared.json"  # 5 rows of 12 segments
    labels = [m.label for m in Planner().assess(example.read_bytes()).aim_marks if m.sensor == "ice store eye"]
    rows = {int(label.partition(" of row ")[2].split()[0]) for label in labels}
    assert rows
    assert rows <= {1, 2, 3, 4, 5}

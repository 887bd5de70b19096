"""What generated requests once brought to light: each refused or answered as it should be since."""

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any, get_args

import pytest

from sillcast.advice import mounts
from sillcast.contract import Mount, Position
from web.conftest import EXAMPLE
from web.shape import problem

EXAMPLES = EXAMPLE.parent
CROSSING = [[0.0, -1.0], [2.0, -2.0], [2.0, -1.0], [0.0, -2.0]]
RECTANGLE = [[0.0, -1.0], [2.0, -1.0], [2.0, -2.0], [0.0, -2.0]]


def loops() -> dict[str, Any]:
    body: dict[str, Any] = json.loads((EXAMPLES / "induction_loop.json").read_bytes())
    body["sensors"] = [each for each in body["sensors"] if each["device"]["family"] == "induction_loop"][:1]
    return body


def inductances(client: Any, change: Callable[[dict[str, Any]], None]) -> list[dict[str, float]]:
    body = loops()
    change(body["sensors"][0])
    answer = client.post("/v1/coverage", json=body)
    assert answer.status_code == 200, answer.text
    return [each["values"] for each in answer.json()["findings"] if each["code"] == "induction_loop.inductance"]


def ring(*corners: list[float]) -> Callable[[dict[str, Any]], None]:
    return lambda sensor: sensor["device"].update(ring_m=list(corners))


def test_a_loop_may_be_given_closed_or_with_a_corner_twice(client: Any) -> None:
    (plain,) = inductances(client, ring(*RECTANGLE))
    for written in ([RECTANGLE[0], *RECTANGLE], [*RECTANGLE, RECTANGLE[0]], [*RECTANGLE, RECTANGLE[0], RECTANGLE[0]]):
        assert inductances(client, ring(*written)) == [plain]


def test_a_loop_no_wider_than_its_wires_has_no_inductance_to_tell(client: Any) -> None:
    assert inductances(client, ring([0.0, -1.0], [2.0, -1.0], [2.0, -1.0001])) == []


def test_a_loop_that_is_tilted_keeps_its_inductance_and_detects_nothing_upright(client: Any) -> None:
    flat = inductances(client, lambda _: None)
    assert inductances(client, lambda sensor: sensor["mount"].update(tilt_deg=90.0)) == flat
    body = loops()
    body["sensors"][0]["mount"]["tilt_deg"] = 90.0
    body["output"]["detections"] = [{"body": "vehicle_front"}]
    (shown,) = client.post("/v1/coverage", json=body).json()["sensors"][0]["detection"]
    assert shown["polygons_m"] == []


@pytest.mark.parametrize("angles", [{"tilt_deg": 90.0}, {"roll_deg": 180.0}, {"tilt_deg": 120.0, "roll_deg": 90.0}])
def test_a_mat_that_does_not_lie_detects_nothing_and_is_told(
    client: Any, door: dict[str, Any], angles: dict[str, float]
) -> None:
    body = deepcopy(door)
    body["sensors"][0]["mount"] |= angles
    body["output"]["detections"] = [{"body": "reference_body_upright"}]
    answer = client.post("/v1/coverage", json=body)
    assert answer.status_code == 200, answer.text
    assert answer.json()["sensors"][0]["detection"][0]["polygons_m"] == []
    assert "pressure_mat.not_flat" in [each["code"] for each in answer.json()["findings"]]


def test_neighbouring_doors_are_held_to_what_obstacles_are(client: Any, door: dict[str, Any]) -> None:
    def asked(*rings: list[list[float]], name: str = "other") -> Any:
        neighbours = [{"name": f"{name} {i}" if name else "same", "ring_m": each} for i, each in enumerate(rings)]
        return client.post("/v1/needs", json={**door, "site": {"neighbours": neighbours}})

    assert asked(RECTANGLE, RECTANGLE).status_code == 200
    problem(asked(RECTANGLE, CROSSING), "uncomputable", ("/site/neighbours/1/ring_m", "ring"))
    problem(asked(RECTANGLE, RECTANGLE, name=""), "uncomputable", ("/site/neighbours/1/name", "duplicate"))


def searched(client: Any, search: dict[str, Any], **changes: Any) -> Any:
    return client.post("/v1/mount-searches", json={**search, **changes})


def test_a_search_refuses_devices_that_an_assessment_would(client: Any, search: dict[str, Any]) -> None:
    scanner = {
        "plane_tilts_deg": [2.0],
        "sweep_start_deg": 5.0,
        "sweep_end_deg": -90.0,
        "step_deg": 5.0,
        "range_m": 5.0,
    }
    devices = [
        {"name": "beam", "purposes": ["protection"], "device": {"family": "photobeam", "beam_count": 1}},
        {"name": "head", "purposes": ["protection", "protection"], "device": {"family": "laser_scan", **scanner}},
    ]
    problem(
        searched(client, search, devices=devices),
        "uncomputable",
        ("/devices/0/device/family", "needs_counterpart"),
        ("/devices/1/purposes", "duplicate"),
        ("/devices/1/device/sweep_end_deg", "order"),
    )


def test_a_search_leaves_out_mounts_that_no_request_may_have(client: Any, search: dict[str, Any]) -> None:
    steep = searched(client, search, angles={"tilt_deg": {"least": 0.0, "most": 150.0, "step": 75.0}}).json()
    assert steep["skipped"] == {"tilted beyond what a mount may be": 1}
    place = {**search["places"][0], "height_m": {"least": 0.0, "most": 45.0, "step": 45.0}}
    high = searched(client, search, places=[place]).json()
    assert high["skipped"] == {"outside of the door frame's bounds": 1}


def test_the_search_knows_the_bounds_of_a_mount() -> None:
    def bounds(annotation: Any) -> tuple[float, float]:
        meta = get_args(annotation)[1]
        return meta.ge, meta.le

    assert bounds(Mount.__annotations__["tilt_deg"]) == (mounts.LEAST_TILT_DEG, mounts.MOST_TILT_DEG)
    assert bounds(Position.__annotations__["x_m"]) == (-mounts.FRAME_M, mounts.FRAME_M)
    assert bounds(Position.__annotations__["z_m"]) == (mounts.LOWEST_M, mounts.HIGHEST_M)

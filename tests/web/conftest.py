"""One application for the tests that only ask, and a way to build odd ones."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from litestar import Litestar
from litestar.testing import TestClient

from sillcast.planner import Planner
from sillcast.web.app import build_app
from sillcast.web.settings import Settings

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "openapi" / "examples" / "kettlewharf-dock-door.json"

Client = TestClient[Litestar]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--fuzz-minutes", type=float, default=60.0, help="how long the mutation tests run with --fuzz")
    parser.addoption("--fuzz-seed", type=int, default=0, help="their first seed; 0 takes one from the clock")


@contextmanager
def serving(planner: Planner, settings: Settings | None = None) -> Iterator[Client]:
    with TestClient(build_app(planner, settings), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture(scope="session")
def planner() -> Planner:
    return Planner()


@pytest.fixture(scope="session")
def client(planner: Planner) -> Iterator[Client]:
    with serving(planner) as client:
        until = time.monotonic() + 60
        while client.get("/health/ready").status_code != 200:
            assert time.monotonic() < until
            time.sleep(0.05)
        yield client


@pytest.fixture
def served() -> Callable[..., Any]:
    return serving


@pytest.fixture(scope="session")
def door() -> dict[str, Any]:
    """The dock door of the example with a mat for its only sensor: quick to answer, and something of everything."""
    example: dict[str, Any] = json.loads(EXAMPLE.read_bytes())
    mount = {"side": "near", "position": {"x_m": 0.0, "y_m": -0.8, "z_m": 0.0}}
    device = {"family": "pressure_mat", "width_m": 3.0, "depth_m": 1.0}
    mat = {"name": "mat", "purposes": ["protection"], "mount": mount, "device": device}
    return {**example, "sensors": [mat], "output": {"heights_m": [0.0], "proposals": False}}


@pytest.fixture(scope="session")
def search(door: dict[str, Any]) -> dict[str, Any]:
    """A mount search with a head of few rays in one place: quick to answer."""
    parts = {name: door[name] for name in ("door", "site", "traffic", "rules") if name in door}
    device = {"family": "active_infrared", "rows": 2, "columns": 4}
    head = {"name": "head", "purposes": ["protection"], "device": device}
    place = {
        "kind": "ceiling",
        "height_m": {"least": 3.0, "most": 3.0},
        "along_m": {"least": 0.0, "most": 0.0},
        "out_m": {"least": 1.0, "most": 1.0},
    }
    angles = {"tilt_deg": {"least": 0.0, "most": 0.0}}
    return {**parts, "devices": [head], "places": [place], "angles": angles, "limits": {"results": 1}}


@pytest.fixture(scope="session")
def door_bytes(door: dict[str, Any]) -> bytes:
    return json.dumps(door).encode()

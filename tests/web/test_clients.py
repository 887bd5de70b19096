"""Clients generated from the committed document compile and pass real calls to a served instance.

The Python one always runs. The TypeScript one runs on the node of a Python wheel, and needs the npm registry besides; it
is skipped where that cannot be reached. A Go client is not tried: its toolchain is no Python package.
"""

import json
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from web.nodes import installed, node, run
from web.servers import process

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "openapi" / "openapi.json"
REQUEST = ROOT / "openapi" / "examples" / "pressure_mat.json"
CLIENTS = ROOT / "tests" / "clients"
LOCK_FILES = sorted((ROOT / "tests").glob("*/package-lock.json"))


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with process(SILLCAST_BACK_END="numpy") as (_, url, _):
        yield url


def output(*command: object, **more: Any) -> str:
    done = run(*command, **more)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def expected(url: str) -> dict[str, Any]:
    """What a client without any types gets."""
    body = json.loads(REQUEST.read_bytes())
    needs, assessment = (
        httpx.post(f"{url}/v1/{path}", json=body, timeout=60).json() for path in ("needs", "assessments")
    )
    body["door"]["opening"]["width_m"] = 99.0
    refused = httpx.post(f"{url}/v1/assessments", json=body)
    assert refused.status_code == 400
    assert needs["zones"]
    assert assessment["comparisons"]
    assert refused.json()["errors"]
    return {
        "zones": [each["id"] for each in needs["zones"]],
        "verdicts": [[each["zone"], each["verdict"], each["share"]] for each in assessment["comparisons"]],
        "refused": [400, *([each["pointer"], each["allowed"]] for each in refused.json()["errors"])],
    }


def misspelt(program: Path) -> None:
    """Let a program ask for what no answer has; its compiler must refuse."""
    program.write_text(program.read_text().replace("zone.id", "zone.identity"))


def test_a_python_client(url: str, tmp_path: Path) -> None:
    package = tmp_path / "sillcast_client"
    generated = run(
        Path(sys.executable).with_name("openapi-python-client"), "generate", "--path", DOCUMENT, "--output-path", package,
        "--meta", "none", "--config", CLIENTS / "python.yaml",
    )  # fmt: skip
    # The generator knows no MessagePack, and says so of each of the four bodies; there is nothing else that it leaves out.
    assert generated.returncode == 0, generated.stderr
    warnings = re.findall(r"^WARNING .*\n\n(.*)$", generated.stderr, re.M)
    assert warnings == ["Unsupported content type application/msgpack"] * 4
    program = shutil.copy(CLIENTS / "call.py", tmp_path)
    check = (sys.executable, "-m", "mypy", "--strict", "--config-file=", "sillcast_client", "call.py")
    output(*check, cwd=tmp_path)
    assert json.loads(output(sys.executable, program, url, REQUEST)) == expected(url)
    misspelt(Path(program))
    assert '"Zone" has no attribute "identity"' in run(*check, cwd=tmp_path).stdout


@pytest.fixture(scope="module")
def tools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the program and the tools of the npm lock file."""
    files = ("package.json", "package-lock.json", ".npmrc", "tsconfig.json", "call.ts")
    return installed(tmp_path_factory.mktemp("typescript"), [CLIENTS / name for name in files])


def test_a_typescript_client(url: str, tools: Path) -> None:
    generate = tools / "node_modules" / "openapi-typescript" / "bin" / "cli.js"
    # Fields with a default may be left out of a request.
    made = node(tools, generate, DOCUMENT, "-o", "schema.ts", "--default-non-nullable=false")
    assert made.returncode == 0, made.stdout + made.stderr
    check = (tools / "node_modules" / "typescript" / "bin" / "tsc", "-p", "tsconfig.json")
    checked = node(tools, *check)
    assert checked.returncode == 0, checked.stdout
    called = node(tools, "call.ts", url, REQUEST)
    assert called.returncode == 0, called.stderr
    width_m = json.loads(REQUEST.read_bytes())["sensors"][0]["device"]["width_m"]
    assert json.loads(called.stdout) == {**expected(url), "mats": [width_m]}
    misspelt(tools / "call.ts")
    assert "Property 'identity' does not exist" in node(tools, *check).stdout


@pytest.mark.parametrize("lock_file", LOCK_FILES, ids=lambda path: path.parent.name)
def test_the_lock_files_of_the_tools_name_no_registry(lock_file: Path) -> None:
    lock = json.loads(lock_file.read_bytes())
    for name, package in lock["packages"].items():
        assert "resolved" not in package, name
        assert not name or package["integrity"], name

"""The linter of OpenAPI documents, with the rules of `.spectral.yaml`, has nothing to say of the committed one.

It needs the npm registry, and is skipped where that cannot be reached.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from web.nodes import installed, node

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "openapi" / "openapi.json"
TOOLS = ROOT / "tests" / "spectral"


@pytest.fixture(scope="module")
def tools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    files = [TOOLS / name for name in ("package.json", "package-lock.json", ".npmrc")]
    return installed(tmp_path_factory.mktemp("spectral"), [*files, ROOT / ".spectral.yaml"])


def broken() -> dict[str, Any]:
    """The document with one break of each of our own rules."""
    document: dict[str, Any] = json.loads(DOCUMENT.read_bytes())
    document["paths"]["/v1/needs"]["post"]["operationId"] = "requireZones"
    del document["components"]["schemas"]["MountLimits"]["properties"]["results"]["maximum"]
    content = document["components"]["responses"]["Problem500"]["content"]
    content["application/json"] = content.pop("application/problem+json")
    return document


def test_the_linter_finds_nothing_but_what_was_broken(tools: Path) -> None:
    good, bad = tools / "good.json", tools / "bad.json"
    good.write_bytes(DOCUMENT.read_bytes())
    bad.write_text(json.dumps(broken()))
    program = tools / "node_modules" / "@stoplight" / "spectral-cli" / "dist" / "index.js"
    options = ("--ruleset", ".spectral.yaml", "--format", "json", "--quiet", "--fail-severity", "warn")
    done = node(tools, program, "lint", good, bad, *options)
    assert done.returncode == 1, done.stderr
    found = json.loads(done.stdout)
    assert [each for each in found if each["source"] != str(bad)] == []
    assert sorted(each["code"] for each in found) == [
        "problems-are-problems",
        "snake-case-operation-ids",
        "strict-requests",
    ]

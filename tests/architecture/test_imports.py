"""What may import what, what is public, and that the domain runs where the web framework cannot be imported."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import sillcast

ROOT = Path(__file__).parents[2]
SOURCES = sorted([*(ROOT / "service").rglob("*.py"), *(ROOT / "plugins").rglob("*.py")])
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "service", "plugins", "openapi", "tests", "deploy", "Makefile",
    "requirements.lock", "LICENSE", "CHANGELOG.md",
}  # fmt: skip


def test_public_names_are_sorted_and_there():
    assert sillcast.__all__ == sorted(sillcast.__all__)
    assert all(hasattr(sillcast, name) for name in sillcast.__all__)


def test_planner_works_where_litestar_cannot_be_imported():
    script = """
import sys
class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("litestar", "uvicorn"):
            raise ImportError(name)
sys.meta_path.insert(0, Refuse())
import msgspec
from sillcast import Planner
from sillcast.render import WARM_UP
planner = Planner()
body = msgspec.json.encode(WARM_UP)
answers = [planner.assess(body), planner.assess(WARM_UP), planner.assess(planner.decode(body))]
encoded = {msgspec.json.encode(a) for a in answers}
assert len(encoded) == 1, "bytes, mapping and struct give one answer"
assert not any(m.split(".")[0] in ("litestar", "uvicorn") for m in sys.modules)
print(len(encoded.pop()))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 1000


def _bodies(path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            if body:
                yield node.name, body[-1].end_lineno - body[0].lineno + 1


def test_functions_are_short():
    lengths = [(n, f"{p.name}:{name}") for p in SOURCES for name, n in _bodies(p)]
    long = [where for n, where in lengths if n > 60]
    assert not long
    assert sum(n > 35 for n, _ in lengths) <= 0.1 * len(lengths)


def test_modules_are_of_a_size_to_read():
    sizes = {p.name: len(p.read_text().splitlines()) for p in SOURCES}
    assert not {name: n for name, n in sizes.items() if n > 800}
    assert sum(n > 600 for n in sizes.values()) <= 0.1 * len(sizes)


def test_top_level_is_as_designed():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    assert {n for n in names if not n.startswith(".")} <= TOP_LEVEL


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_public_name_has_a_docstring(path):
    tree = ast.parse(path.read_text())
    assert ast.get_docstring(tree), "module"
    assert not [name for name, node in _public(tree, "") if not ast.get_docstring(node)]


def _public(parent, prefix):
    """Public functions, classes and methods of public classes; what is inside a function is its own affair."""
    for node in parent.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("_"):
            yield prefix + node.name, node
            if isinstance(node, ast.ClassDef):
                yield from _public(node, node.name + ".")

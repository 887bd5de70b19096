"""The family that plugins/README.md shows is a whole one and keeps the contract."""

import importlib
import re
import sys
from pathlib import Path

PAGE = Path(__file__).parents[2] / "plugins" / "README.md"


def test_the_family_of_the_page_keeps_the_contract(tmp_path, monkeypatch):
    module, test = re.findall(r"```python\n(.*?)```", PAGE.read_text(), re.DOTALL)
    (tmp_path / "sill_line.py").write_text(module)
    (tmp_path / "sill_line_test.py").write_text(test)
    monkeypatch.syspath_prepend(str(tmp_path))
    try:
        importlib.import_module("sill_line_test").test_contract()
        assert importlib.import_module("sill_line").sillcast_families()[0].name == "sill_line"
    finally:
        for name in ("sill_line", "sill_line_test"):
            sys.modules.pop(name, None)

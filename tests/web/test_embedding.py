"""The example of a door-design tool runs as its page says, both ways, with the same words."""

import re
import subprocess
import sys
from pathlib import Path

from web.servers import process

ROOT = Path(__file__).parents[2]
PROGRAMS = ROOT / "openapi" / "examples" / "embedding"


def told(program: str, *arguments: str) -> list[str]:
    command = [sys.executable, str(PROGRAMS / program), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.splitlines()


def test_the_tool_says_the_same_over_http_and_in_process() -> None:
    inside = told("in_process.py")
    with process() as (_, url, _):
        assert told("over_http.py", url) == inside
    heads = [line for line in inside if not line.startswith("  ")]
    assert [line.partition(" = ")[0] for line in heads[:-1]] == [
        "/door/opening/width_m", "/door/opening/width_m", "/door/motion/opening/speed_m_per_s", "/sensors/0/device/depth_m"
    ]  # fmt: skip
    text = "\n".join(inside)
    # The wide door is refused at its field, and the change after it is one of the last good door.
    refused = text.partition("= 99.0\n")[2].splitlines()[0]
    assert refused.startswith("  beside the field /door/opening/width_m: ")
    first, _, last, *_ = (re.findall(r"([0-9.]+) m2", part) for part in re.split(r"^/.*$", text, flags=re.M)[1:])
    assert len(first) == len(last) > 0
    assert first != last
    assert re.search(r"^saved: .+(\n  .+: (met|not_met|cannot_tell))+$", text, re.M)


def test_the_page_names_the_programs() -> None:
    page = (ROOT / "openapi" / "embedding.md").read_text()
    for program in PROGRAMS.glob("*.py"):
        assert f"examples/embedding/{program.name}" in page

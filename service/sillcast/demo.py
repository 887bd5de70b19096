"""The dock door of the Kettlewharf Cold Store, assessed over HTTP: `python -m sillcast.demo [--out DIR]`.

Starts the service on loopback, posts the example, prints what a technician needs, writes the full answer and the
picture, and stops the service, whatever happens in between.
"""

import argparse
import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

import msgspec

from sillcast.contract import Assessment, Comparison, Door, Finding, Gap, Proposal, TapeDistances, Zone
from sillcast.draw import VERDICT_WORDS, cause_words
from sillcast.onsite import tape

__all__ = ["main", "report"]

EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "kettlewharf-dock-door.json"
COLUMNS = 100
START_LIMIT_S = 180.0  # the first start on a machine compiles the kernels
ANSWER_LIMIT_S = 60.0
STOP_LIMIT_S = 15.0
MOST_MARKS = 6


class DemoError(Exception):
    """The demonstration cannot go on; the text says why."""


def main(arguments: Sequence[str]) -> int:
    """Run the demonstration; 0 if it came to its end."""
    parser = argparse.ArgumentParser(prog="python -m sillcast.demo", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("out"), help="folder for the answer and the picture")
    options = parser.parse_args(arguments)
    try:
        request = json.loads(EXAMPLE.read_bytes())
        request["output"]["picture"] = True
        with service() as address:
            answer = msgspec.json.decode(post(address, json.dumps(request).encode()), type=Assessment)
        files = _written(options.out, answer)
    except (DemoError, OSError) as error:
        sys.stderr.write(f"The demonstration stopped: {error}\n")
        return 1
    print("\n".join(report(answer, msgspec.convert(request["door"], Door), files)))
    return 0


# ------------------------------------------------------------------ the service and its client


@contextmanager
def service() -> Iterator[str]:
    """Address of a service of our own on loopback, ready; stopped at the end, also after an error.

    Raises
    ------
    DemoError
        If it does not start in time.
    """
    command = [sys.executable, "-m", "sillcast.web", "--host", "127.0.0.1", "--port", "0"]
    limits = {"SILLCAST_DEADLINE_S": f"{ANSWER_LIMIT_S:g}", "SILLCAST_DRAIN_S": "0", "SILLCAST_LOG": "off"}
    settings = {**os.environ, **limits}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=settings)
    try:
        address = _address(process)
        _wait_until_ready(address, process)
        yield address
    finally:
        process.terminate()
        try:
            process.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout:
            process.stdout.close()


def _address(process: "subprocess.Popen[str]") -> str:
    """Address that the service prints once it listens; a watchdog ends the wait."""
    watchdog = threading.Timer(START_LIMIT_S, process.kill)
    watchdog.start()
    try:
        for line in process.stdout or ():
            _, found, address = line.strip().partition(" listens on ")
            if found:
                return address
    finally:
        watchdog.cancel()
    raise DemoError(f"the service ended before it listened (exit code {process.wait()})")


def _wait_until_ready(address: str, process: "subprocess.Popen[str]") -> None:
    end = time.monotonic() + START_LIMIT_S
    while process.poll() is None and time.monotonic() < end:
        try:
            with urlopen(f"{address}/health/ready", timeout=5.0):
                return
        except URLError:  # not ready yet is a 503, which is an HTTPError, which is one of these
            time.sleep(0.05)
    raise DemoError("the service did not become ready")


def post(address: str, body: bytes) -> bytes:
    """Answer to an assessment.

    Raises
    ------
    DemoError
        With the service's own words, if it refuses.
    """
    headers = {"Content-Type": "application/json", "Accept": "application/json"}
    try:
        with urlopen(Request(f"{address}/v1/assessments", body, headers), timeout=ANSWER_LIMIT_S) as response:
            return bytes(response.read())
    except HTTPError as error:
        raise DemoError(f"the service answered {error.code}: {error.read().decode(errors='replace')}") from error


def _written(folder: Path, answer: Assessment) -> list[Path]:
    """The answer and, apart from it, its picture."""
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / "assessment.json", folder / "plan.svg"]
    plain = msgspec.structs.replace(answer, picture_svg=msgspec.UNSET)
    files[0].write_bytes(msgspec.json.format(msgspec.json.encode(plain), indent=2))
    files[1].write_text(answer.picture_svg or "", encoding="utf-8")
    return files


# ------------------------------------------------------------------ the summary


def report(answer: Assessment, door: Door, files: Sequence[Path] = ()) -> Iterator[str]:
    """Summary of an assessment for a technician, line by line, at most 100 columns wide."""
    kind = str(type(door.motion).__struct_config__.tag).replace("_", " ")
    heading = f"Kettlewharf Cold Store: {kind} door, opening {door.opening.width_m:.2f} x {door.opening.height_m:.2f} m"
    yield from (heading, "=" * len(heading), *_wrapped(answer.summary))
    zones = {zone.id: zone for zone in answer.zones}
    yield from _section("Zones, each at its worst position of the leaf")
    for comparison in answer.comparisons:
        yield from _zone_lines(comparison, zones[comparison.zone], door)
    yield from _section("Findings, most severe first")
    yield from _finding_lines(answer.findings)
    yield from _section("Aim marks: where planes meet the floor, by tape")
    yield from _mark_lines(answer)
    yield from _section("Site checks: put the body there and see")
    yield from _check_lines(answer)
    yield from _section("Settings")
    for proposal in answer.proposals:
        yield from _wrapped(_proposal_words(proposal), rest="    ")
    yield from _wrapped(answer.proposals_note)
    if answer.relaxations:
        yield from _section("Changes beyond the settings")
    for relaxation in answer.relaxations:
        yield from _wrapped(relaxation.text, first="- ", rest="  ")
    yield from _section("Cautions")
    for caution in answer.cautions:
        yield from _wrapped(caution, first="- ", rest="  ")
    if files:
        yield from _section("Files")
        yield from (f"{path}" for path in files)


def _section(title: str) -> Iterable[str]:
    return ("", title, "-" * len(title))


def _wrapped(words: str, *, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(words, COLUMNS, initial_indent=first, subsequent_indent=rest or first)


def _zone_lines(comparison: Comparison, zone: Zone, door: Door) -> Iterator[str]:
    verdict = VERDICT_WORDS.get(comparison.verdict, comparison.verdict)
    share = int(comparison.share * 1000 + 1e-6) / 10  # never rounded up
    told = f"{zone.kind}: {zone.label}; {share:.1f} % of {comparison.required_m2:.2f} m2 covered"
    if comparison.blocked_m2 > 0.0:
        told += f"; in {comparison.blocked_m2:.2f} m2 more no body can stand"
    yield from _wrapped(f"{verdict:<16}{told}", rest=" " * 16)
    if comparison.verdict == "cannot_tell":
        yield from _wrapped(comparison.reason, first=" " * 16)
    if comparison.gaps:
        worst = max(comparison.gaps, key=lambda gap: gap.largest_circle.radius_m)
        yield from _wrapped(_gap_words(worst, comparison, door), first=" " * 16)


def _gap_words(gap: Gap, comparison: Comparison, door: Door) -> str:
    circle = gap.largest_circle
    place = _tape_words(tape(door, circle.x_m, circle.y_m))
    words = (
        f"Worst gap: circle of {circle.radius_m:.2f} m radius, middle {place}; {_leaf_words(comparison.worst_state)}"
    )
    causes = "; ".join(cause_words(culprit) for culprit in gap.culprits)
    return f"{words}. Cause: {causes}." if causes else f"{words}."


def _tape_words(lengths: TapeDistances) -> str:
    jambs = f"{lengths.from_left_jamb_m:.2f} m from the left jamb, {lengths.from_right_jamb_m:.2f} m from the right"
    out = lengths.from_wall_face_m
    way = f"{out:.2f} m out from" if out >= 0.0 else f"{-out:.2f} m into the wall from"
    return f"{jambs}, {way} the {lengths.face} wall face"


def _leaf_words(state: float) -> str:
    return "leaf closed" if state == 0.0 else f"leaf {state:.0%} open"


def _finding_lines(findings: Sequence[Finding]) -> Iterator[str]:
    """Each finding with its remedy; of those for information the first of each kind."""
    kinds = Counter(finding.code for finding in findings if finding.severity == "info")
    told = set()
    for finding in findings:
        if finding.severity == "info" and finding.code in told:
            continue
        told.add(finding.code)
        yield from _wrapped(f"{finding.severity:<10}{finding.message}", rest=" " * 10)
        if finding.remedy:
            yield from _wrapped(f"Remedy: {finding.remedy}", first=" " * 10)
        if kinds[finding.code] > 1:
            yield f"{'':<10}({kinds[finding.code] - 1} more of this kind in the answer)"


def _mark_lines(answer: Assessment) -> Iterator[str]:
    """The first marks of each sensor as a table; a negative distance from the wall is within its thickness."""
    yield f"{'':<48}{'left jamb':>12}{'right jamb':>12}{'wall face':>12}"
    for name in dict.fromkeys(mark.sensor for mark in answer.aim_marks):
        marks = [mark for mark in answer.aim_marks if mark.sensor == name]
        for mark in marks[:MOST_MARKS]:
            lengths = (mark.tape.from_left_jamb_m, mark.tape.from_right_jamb_m, mark.tape.from_wall_face_m)
            what = textwrap.shorten(f"{name}: {mark.label}", 48, placeholder=" ...")
            yield f"{what:<48}" + "".join(f"{length:>10.2f} m" for length in lengths)
        if len(marks) > MOST_MARKS:
            yield f"({len(marks) - MOST_MARKS} more of {name} in the answer)"


def _proposal_words(proposal: Proposal) -> str:
    now = "none" if proposal.current is None else f"{proposal.current:g}"
    change = f"{proposal.label} from {now} to {proposal.proposed:g} {proposal.unit}".rstrip()
    return f"{proposal.sensor}: {change}. {proposal.reason}"


def _check_lines(answer: Assessment) -> Iterator[str]:
    for number, check in enumerate(answer.site_checks, start=1):
        expected = {"detected": "detected", "not_detected": "NOT DETECTED"}.get(check.expected, check.expected)
        by = f" by {' and '.join(check.sensors)}" if check.sensors else ""
        yield from _wrapped(f"{number:>2}. {expected}{by}: {check.label}", rest="    ")
        yield from _wrapped(f"{_tape_words(check.tape)}; {_leaf_words(check.state)}", first="    ")


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # leave through `finally`, which stops the service
    raise SystemExit(main(sys.argv[1:]))

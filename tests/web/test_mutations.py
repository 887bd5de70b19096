"""Mutated examples: whatever is asked, the answer keeps its promises, and is refused only where it must be.

In the suite a fixed number of seeds; `pytest tests/web/test_mutations.py --fuzz --fuzz-minutes 60` goes on with fresh
ones. A case that fails is cut down to the mutations that make it fail, and printed with the command that repeats it:
`python tests/web/test_mutations.py SEED MUTATIONS`.
"""

import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from sillcast.planner import Planner
from sillcast.web.app import build_app
from sillcast.web.operations import COMPUTED
from sillcast.web.settings import Settings
from web import shapes
from web.conftest import Client, serving
from web.doubles import Quick
from web.invariants import answer_faults, problem_faults
from web.mutations import Case, build
from web.refusals import LISTED_MOST, Refusals, refusals

SEEDS = range(170)
QUICK_S = 0.05  # what took longer is asked again one time in four
SHOWN_MOST = 3  # failures that one run prints
ELSEWHERE = range(0, 40, 2)  # seeds that a second process answers too

SETTINGS = Settings(deadline_s=600.0)
CALLS = {each.path: each.call for each in COMPUTED}
DOCUMENTED = {path: set(shapes.DOCUMENT["paths"][path]["post"]["responses"]) for path in CALLS}
JSON = {"content-type": "application/json"}


@dataclass
class Tally:
    """What became of all cases."""

    statuses: Counter[int] = field(default_factory=Counter)
    fitting: Counter[int] = field(default_factory=Counter)
    routes: Counter[str] = field(default_factory=Counter)
    sound: int = 0
    seconds: float = 0.0
    slowest: tuple[float, int] = (0.0, -1)
    failures: list[str] = field(default_factory=list)
    digests: dict[int, str] = field(default_factory=dict)

    def __str__(self) -> str:
        fitting, done = self.fitting.total(), self.statuses.total()
        return (
            f"{done} requests in {self.seconds:.0f} s, statuses {dict(self.statuses)}; of {fitting} that fit the schema "
            f"{self.fitting[200] / max(fitting, 1):.1%} are answered; {self.sound} contradict nothing; accepted by route "
            f"{dict(self.routes)}; slowest {self.slowest[0]:.1f} s, seed {self.slowest[1]}"
        )


def plain(content: bytes) -> Any:
    """What a strict reader of JSON makes of the bytes.

    Raises
    ------
    ValueError
        Not UTF-8, no JSON, a key twice, half a surrogate pair, or nested without end.
    """

    def single(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len({key for key, _ in pairs}) < len(pairs):
            raise ValueError("a key twice")
        return dict(pairs)

    def no_number(text: str) -> None:
        raise ValueError(text)

    try:
        value = json.loads(content.decode("utf-8"), object_pairs_hook=single, parse_constant=no_number)
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except RecursionError:
        raise ValueError("nested without end") from None
    return value


def faults_of(client: Client, case: Case, tally: Tally | None = None) -> Iterator[str]:
    """What is wrong with the answer to one case."""
    begun = time.perf_counter()
    response = client.post(case.route, content=case.body, headers=JSON)
    passed = time.perf_counter() - begun
    try:
        sent = plain(case.body)
    except ValueError:
        sent = None
    fits = sent is not None and shapes.fits(case.route, sent)
    if tally is not None:
        tally.statuses[response.status_code] += 1
        tally.fitting[response.status_code] += fits
        tally.routes[case.route] += response.status_code == 200
        tally.slowest = max(tally.slowest, (passed, case.seed))
        tally.digests[case.seed] = sha256(response.content).hexdigest()
    if str(response.status_code) not in DOCUMENTED[case.route]:
        yield f"status {response.status_code} is not documented"
    if response.status_code == 200:
        yield from answer_faults(case.route, response.content)
    else:
        yield from problem_faults(response, sent if sent is not None else _lenient(case.body))
    yield from _status_faults(case, response, sent, fits, tally)
    if passed < QUICK_S or case.seed % 4 == 0:
        again = client.post(case.route, content=case.body, headers=JSON)
        if again.content != response.content:
            yield "asked again, it answers other bytes"


def _lenient(content: bytes) -> Any:
    """Plain values of what only a generous reader takes: the pointers into it must lead somewhere all the same."""
    try:
        return json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError):
        return None


def _status_faults(case: Case, response: Any, sent: Any, fits: bool, tally: Tally | None) -> Iterator[str]:
    """Whether the status is the one that the schema and the rules ask for."""
    if len(case.body) > SETTINGS.body_limit_bytes:
        if response.status_code != 413:
            yield f"{len(case.body)} bytes are answered with {response.status_code}"
        return
    if fits is (response.status_code == 400):
        yield f"what {'fits' if fits else 'does not fit'} the published schema is answered with {response.status_code}"
    if not fits or response.status_code == 400:
        return
    yield from _rule_faults(response, refusals(sent, case.route), tally)


def _rule_faults(response: Any, known: Refusals, tally: Tally | None) -> Iterator[str]:
    """Whether what fits the schema is refused exactly where a rule is broken, and for that."""
    if response.status_code == 200 and known.certain:
        yield f"answered, but {sorted(known.certain)}"
    if tally is not None:
        tally.sound += not known.certain
    if response.status_code == 422:
        told = {(each["code"], each["pointer"]) for each in response.json()["errors"]}
        if told - known.allowed:
            yield f"refused for {sorted(told - known.allowed)}, where no rule is broken"
        if known.at_once - told and len(told) < LISTED_MOST:
            yield f"refused, but {sorted(known.at_once - told)} is not told"


def cut_down(client: Client, case: Case) -> Case:
    """The case with the fewest of its mutations that still fails."""
    kept = list(case.kept)
    for each in reversed(case.kept):
        fewer = [other for other in kept if other != each]
        if any(faults_of(client, build(case.seed, fewer))):
            kept = fewer
    return build(case.seed, kept)


def judge(client: Client, seed: int, tally: Tally) -> None:
    case = build(seed)
    if any([*faults_of(client, case, tally)]) and len(tally.failures) < SHOWN_MOST:
        least = cut_down(client, case)
        tally.failures.append("\n".join([str(least), *faults_of(client, least)]))


@pytest.fixture(scope="module")
def patient(planner: Planner) -> Iterator[Client]:
    """A service that may take as long as the machine needs."""
    with serving(planner, SETTINGS) as client:
        yield client


@pytest.fixture(scope="module")
def tally(request: pytest.FixtureRequest, patient: Client) -> Tally:
    """All seeds, judged: so many in the suite, for so long with --fuzz."""
    found, begun = Tally(), time.monotonic()
    if request.config.getoption("--fuzz", default=False):
        minutes = request.config.getoption("--fuzz-minutes")
        seed = request.config.getoption("--fuzz-seed") or time.time_ns() % 10**9
        while time.monotonic() - begun < 60 * minutes and len(found.failures) < SHOWN_MOST:
            judge(patient, seed, found)
            seed += 1
    else:
        for seed in SEEDS:
            judge(patient, seed, found)
    found.seconds = time.monotonic() - begun
    print(found)
    return found


def test_every_answer_keeps_its_promises(tally: Tally) -> None:
    assert not tally.failures, "\n\n".join(tally.failures)


def test_most_of_what_fits_the_schema_is_answered(tally: Tally) -> None:
    assert tally.fitting[200] >= 0.8 * tally.fitting.total(), tally


def test_each_route_is_reached(tally: Tally) -> None:
    assert all(tally.routes[path] for path in CALLS), tally
    assert {200, 400, 422} <= set(tally.statuses), tally


ANSWER = """
import json, sys
from hashlib import sha256
from sillcast.planner import Planner
from sillcast.web.compute import Computer, Done, Job
from web.mutations import build
from web.test_mutations import CALLS
import msgspec
computer = Computer(Planner())
for seed in json.loads(sys.argv[1]):
    case = build(seed)
    reply = computer.answer(
        Job(call=CALLS[case.route], body=case.body, sent="json", media="application/json", within_s=60.0)
    )
    content = reply.content if isinstance(reply, Done) else msgspec.json.encode(reply.problem)
    print(seed, sha256(content).hexdigest())
"""


def test_another_process_answers_the_same_bytes(tally: Tally) -> None:
    seeds = [each for each in ELSEWHERE if each in tally.digests]
    environment = {
        **os.environ,
        "PYTHONHASHSEED": "4711",
        "PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]),
    }
    done = subprocess.run(
        [sys.executable, "-c", ANSWER, json.dumps(seeds)],
        capture_output=True, text=True, env=environment, timeout=300, check=True,
    )  # fmt: skip
    found = dict(line.split() for line in done.stdout.splitlines())
    assert found == {str(seed): tally.digests[seed] for seed in seeds}


if __name__ == "__main__":
    from litestar.testing import TestClient

    with TestClient(build_app(Quick(), SETTINGS), raise_server_exceptions=False) as asked:
        again = build(
            int(sys.argv[1]), [int(each) for each in sys.argv[2].split(",") if each] if sys.argv[2:] else None
        )
        print(again, *faults_of(asked, again), sep="\n")

"""Load on servers of our own, on loopback, for some minutes: `make load`. Writes tests/load/RESULTS.md.

A load generator of the trade would do for the second half, but the small ones are no packages of Python and the large
one brings thirty others. What is asked of a tool here is little: keep N connections busy, honour Retry-After, report
its own share of the processor. `http.client` adds less per request than any asynchronous client.
"""

import http.client
import json
import os
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import balancer

ROOT = Path(__file__).parents[2]
EXAMPLE = json.loads((ROOT / "openapi" / "examples" / "kettlewharf-dock-door.json").read_bytes())
JSON = {"content-type": "application/json"}
KINDS = ("less work", "canned in turns", "canned in a row", "ratio in turns", "ratio in a row")

LATENCY_WORDS = (
    "`less work` is the round trip less the steps in the answer's Server-Timing, which begin with the bytes of the",
    "request and end with those of the answer. The canned answer has the same headers and content, is served by the same",
    "stack, and is asked for in turns with the service, so that both come back to caches that a computation has just",
    "filled; and again and again in a row.",
)


def started(arguments: list[str], **settings: str) -> tuple[subprocess.Popen[str], int]:
    environment = {**os.environ, "SILLCAST_PORT": "0", "SILLCAST_LOG": "off", **settings}
    process = subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, text=True, env=environment, cwd=ROOT
    )
    assert process.stdout is not None
    return process, int(process.stdout.readline().rsplit(":", 1)[1])


@contextmanager
def service(workers: int) -> Iterator[tuple[int, int]]:
    """Port and process number of a warm service."""
    process, port = started(["-m", "sillcast.web"], SILLCAST_WORKERS=str(workers), SILLCAST_DRAIN_S="0")
    try:
        until = time.monotonic() + 120
        while ask(port, "GET", "/health/ready")[0].status != 200:
            assert time.monotonic() < until
            time.sleep(0.2)
        yield port, process.pid
    finally:
        process.terminate()
        process.wait(30)


def ask(port: int, method: str, path: str, body: bytes | None = None) -> tuple[http.client.HTTPResponse, bytes]:
    """The answer to one request on a line of its own, and its content."""
    line = line_to(port)
    line.request(method, path, body, JSON)
    answer = line.getresponse()
    content = answer.read()
    line.close()
    return answer, content


def answered(port: int, path: str, body: bytes) -> tuple[dict[str, str], bytes]:
    """An answer's own headers, without those that the same stack gives all answers; and its content."""
    answer, content = ask(port, "POST", path, body)
    own = ("cache-control", "content-digest", "content-length", "content-type", "server-timing", "vary")
    return {name: str(answer.headers[name]) for name in own}, content


def line_to(port: int) -> http.client.HTTPConnection:
    return http.client.HTTPConnection("127.0.0.1", port, timeout=120)


def round_trip(line: http.client.HTTPConnection, path: str, body: bytes) -> tuple[float, float]:
    """Round trip, and the work that the server says it did: from the bytes of the request to those of the answer. [s]"""
    begun = time.perf_counter()
    line.request("POST", path, body, JSON)
    answer = line.getresponse()
    answer.read()
    passed = time.perf_counter() - begun
    assert answer.status == 200
    return passed, sum(float(ms) for ms in re.findall(r"dur=([0-9.]+)", answer.headers.get("server-timing", ""))) / 1e3


@dataclass
class Tally:
    """What some clients got in a while."""

    seconds: float = 0.0
    own_cpu_s: float = 0.0
    answered: list[float] = field(default_factory=list)
    refused: list[float] = field(default_factory=list)
    lost: int = 0

    @property
    def per_s(self) -> float:
        return len(self.answered) / self.seconds


def pressed(port: int, path: str, body: bytes, clients: int, seconds: float) -> Tally:
    """Clients that each ask again at once, or after Retry-After where they were refused."""
    tally, end = Tally(), time.monotonic() + seconds

    def client() -> None:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        while time.monotonic() < end:
            begun = time.perf_counter()
            try:
                line.request("POST", path, body, JSON)
                answer = line.getresponse()
                answer.read()
            except (OSError, http.client.HTTPException):
                tally.lost += 1
                line.close()
                continue
            passed = time.perf_counter() - begun
            if answer.status == 200:
                tally.answered.append(passed)
            else:
                assert answer.status == 503
                tally.refused.append(passed)
                time.sleep(float(answer.headers["retry-after"]))

    threads = [threading.Thread(target=client) for _ in range(clients)]
    begun, cpu = time.monotonic(), _own_cpu_s()
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    tally.seconds, tally.own_cpu_s = time.monotonic() - begun, _own_cpu_s() - cpu
    return tally


def _own_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def percentile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def memory_mb(pid: int) -> list[tuple[str, float]]:
    """Proportional set size of the service and of the processes under it: shared pages are counted once. [MiB]"""
    found = []
    todo, names = [(pid, 0)], ("event loop", "nursery", "worker")
    while todo:
        one, depth = todo.pop(0)
        rollup = Path(f"/proc/{one}/smaps_rollup")
        text = rollup.read_text() if rollup.exists() else Path(f"/proc/{one}/status").read_text()
        match = re.search(r"^(?:Pss|VmRSS):\s+(\d+) kB", text, re.M)
        found.append((names[depth], int(match[1]) / 1024 if match else float("nan")))
        below = subprocess.run(["ps", "-o", "pid=", "--ppid", str(one)], capture_output=True, text=True, check=False)
        todo += [(int(each), depth + 1) for each in below.stdout.split() if depth < 2]
    return found


def latency(port: int, lines: list[str]) -> None:
    """Round trip less work, beside the same stack with a canned answer of equal size.

    The canned answer is asked for in two ways: again and again, when the caches hold nothing but its path; and in turns
    with the service, when client and server come back to a machine that has computed meanwhile, as the service's do.
    """
    standard = json.loads((ROOT / "openapi" / "examples" / "standard.json").read_bytes())
    cases = {
        "needs": ("/v1/needs", standard, 400),
        "assessment": ("/v1/assessments", without_proposals(standard), 200),
        "assessment of the dock door": ("/v1/assessments", without_proposals(EXAMPLE), 30),
    }
    lines += [f"| request | answer | n | round trip p50 | {' | '.join(f'{each} p50 | p99' for each in KINDS)} |"]
    lines += ["| --- " * (4 + 2 * len(KINDS)) + "|"]
    for name, (path, request, count) in cases.items():
        body = json.dumps(request).encode()
        headers, answer = answered(port, path, body)
        with tempfile.NamedTemporaryFile() as file:
            file.write(json.dumps(headers).encode() + b"\n" + answer)
            file.flush()
            canned, canned_port = started(["tests/load/canned.py", file.name])
            try:
                whole, times = measured(port, canned_port, path, body, count)
            finally:
                canned.terminate()
                canned.wait(10)
        figures = [f"{1e3 * percentile(each, share):.2f} ms" for each in times for share in (0.5, 0.99)]
        figures += [
            f"{percentile(times[0], share) / percentile(each, share):.2f}"
            for each in times[1:]
            for share in (0.5, 0.99)
        ]
        lines.append(
            f"| {name} | {len(answer)} B | {len(whole)} | {1e3 * statistics.median(whole):.1f} ms | "
            + " | ".join(figures)
            + " |"
        )


def without_proposals(request: dict[str, Any]) -> dict[str, Any]:
    return {**request, "output": {**request.get("output", {}), "proposals": False}}


def measured(
    port: int, canned_port: int, path: str, body: bytes, count: int
) -> tuple[list[float], tuple[list[float], list[float], list[float]]]:
    """Round trips of the service; the same less its work; canned ones in turns with them; canned ones in a row. [s]"""
    whole: list[float] = []
    rest: list[float] = []
    paced: list[float] = []
    in_a_row: list[float] = []
    service_line, canned_line = line_to(port), line_to(canned_port)
    for _ in range(10):
        in_a_row += [round_trip(canned_line, "/canned", body)[0] for _ in range(max(count // 10, 30))]
        for _ in range(count // 10):
            passed, worked = round_trip(service_line, path, body)
            whole, rest = [*whole, passed], [*rest, passed - worked]
            paced.append(round_trip(canned_line, "/canned", body)[0])
    return whole, (rest, paced, in_a_row)


def saturation(lines: list[str]) -> None:
    """Throughput with one and two workers, at the peak and at ten times the clients."""
    body = json.dumps(without_proposals(EXAMPLE)).encode()
    lines += ["Two clients per worker, then twenty; a queue of 16; who is refused waits for Retry-After.", ""]
    lines += ["| workers | clients | answered/s | p50 | refused | refused p99 | lost | load tool's share of one core |"]
    lines += ["| --- " * 8 + "|"]
    for workers in (1, 2):
        with service(workers) as (port, pid):
            pressed(port, "/v1/assessments", body, workers, 2)
            for clients in (2 * workers, 20 * workers):
                tally = pressed(port, "/v1/assessments", body, clients, 12)
                refused = f"{1e3 * percentile(tally.refused, 0.99):.1f} ms" if tally.refused else "none"
                lines.append(
                    f"| {workers} | {clients} | {tally.per_s:.2f} | {statistics.median(tally.answered or [0]):.2f} s | "
                    f"{len(tally.refused)} | {refused} | {tally.lost} | {tally.own_cpu_s / tally.seconds:.1%} |"
                )
            memory = ", ".join(f"{name} {size:.0f} MiB" for name, size in memory_mb(pid))
            lines.append(f"| {workers} | memory after that | {memory} |" + " |" * 5)


def restarts(lines: list[str]) -> None:
    """Twenty restarts of two replicas in turn behind the balancer, under load."""
    body = json.dumps(without_proposals(EXAMPLE)).encode()
    tls = balancer.has_nginx()
    with tempfile.TemporaryDirectory() as folder, balancer.replicas(2, SILLCAST_DRAIN_S="2") as found:
        ports = [each.port for each in found]
        with balancer.nginx(Path(folder), ports) if tls else balancer.stand_in(ports) as port:
            outcome = balancer.rolled(found, port, body, restarts=20, tls=tls)
    lines += [
        f"Two replicas behind {'nginx with the configuration of `deploy/`' if tls else 'a stand-in for nginx'}, TLS"
    ]
    lines += [
        "and keys included, the rate limit raised; three clients ask for needs all the time, 20 requests on a connection.",
        "",
    ]
    lines += ["| restarts | answered | lost | longest answer | exit codes | time in all |", "| --- " * 6 + "|"]
    lines.append(
        f"| {outcome.restarts} | {outcome.answered} | {len(outcome.lost)} | {outcome.longest_s:.2f} s | "
        f"{sorted(outcome.exit_codes)} | {outcome.seconds:.0f} s |"
    )
    lines += [f"* {each}" for each in outcome.lost[:10]]


def latencies(lines: list[str]) -> None:
    with service(1) as (port, _):
        latency(port, lines)
    lines += ["", *LATENCY_WORDS]


PARTS = {"Latency, one client": latencies, "Saturation": saturation, "Rolling restarts": restarts}


def main(wanted: list[str]) -> None:
    """Measure all parts, or those whose names begin so; the others keep what was measured before."""
    file = Path(__file__).with_name("RESULTS.md")
    kept = dict(re.findall(r"^## (.+)\n\n((?:(?!## ).*\n)*)", file.read_text(), re.M)) if file.exists() else {}
    text = ["# Load on loopback", "", "Written by `make load`; figures of one machine on one day.", ""]
    for name, measure in PARTS.items():
        if not wanted or any(name.lower().startswith(each.lower()) for each in wanted):
            begun, load, lines = time.monotonic(), os.getloadavg()[0], list[str]()
            measure(lines)
            lines += [
                "",
                f"{os.cpu_count()} cores, load average {load:.1f} before and {os.getloadavg()[0]:.1f} after; ",
            ]
            lines[-1] += f"{time.monotonic() - begun:.0f} s."
            kept[name] = "\n".join(lines) + "\n\n"
        if name in kept:
            text += [f"## {name}", "", kept[name].rstrip("\n"), ""]
    file.write_text("\n".join(text))
    print("\n".join(text))


if __name__ == "__main__":
    main(sys.argv[1:])

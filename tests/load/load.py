"""Load on a server of our own, on loopback, for about two minutes: `make load`. Writes tests/load/RESULTS.md.

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

ROOT = Path(__file__).parents[2]
EXAMPLE = json.loads((ROOT / "openapi" / "examples" / "kettlewharf-dock-door.json").read_bytes())
JSON = {"content-type": "application/json"}


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
        while ask(port, "GET", "/health/ready")[0] != 200:
            assert time.monotonic() < until
            time.sleep(0.2)
        yield port, process.pid
    finally:
        process.terminate()
        process.wait(30)


def ask(port: int, method: str, path: str, body: bytes | None = None) -> tuple[int, bytes]:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    line.request(method, path, body, JSON)
    answer = line.getresponse()
    content = answer.read()
    line.close()
    return answer.status, content


def round_trips(port: int, path: str, body: bytes, count: int) -> tuple[list[float], list[float]]:
    """Round trips on one connection, and the same less the work that the server says it did. [s]"""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    whole, rest = [], []
    for _ in range(count):
        begun = time.perf_counter()
        line.request("POST", path, body, JSON)
        answer = line.getresponse()
        answer.read()
        passed = time.perf_counter() - begun
        assert answer.status == 200
        worked = sum(float(ms) for ms in re.findall(r"dur=([0-9.]+)", answer.headers.get("server-timing", ""))) / 1e3
        whole.append(passed)
        rest.append(passed - worked)
    line.close()
    return whole, rest


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
    """Round trip less work, beside the same stack with a canned answer of equal size."""
    cases = {
        "needs": ("/v1/needs", EXAMPLE, 300),
        "assessment": ("/v1/assessments", {**EXAMPLE, "output": {**EXAMPLE.get("output", {}), "proposals": False}}, 40),
    }
    lines += ["| request | answer | n | round trip p50 | less work p50 | p99 | canned p50 | p99 | ratio p50 | p99 |"]
    lines += ["| --- " * 10 + "|"]
    for name, (path, request, count) in cases.items():
        body = json.dumps(request).encode()
        _, answer = ask(port, "POST", path, body)
        with tempfile.NamedTemporaryFile() as file:
            file.write(answer)
            file.flush()
            canned, canned_port = started(["tests/load/canned.py", file.name])
            try:
                round_trips(canned_port, "/canned", body, 50)
                # In turns, so that both meet the same neighbours.
                whole: list[float] = []
                rest: list[float] = []
                plain: list[float] = []
                for _ in range(10):
                    more, less = round_trips(port, path, body, count // 10)
                    whole, rest = whole + more, rest + less
                    plain += round_trips(canned_port, "/canned", body, max(count // 10, 30))[0]
            finally:
                canned.terminate()
                canned.wait(10)
        figures = [percentile(rest, 0.5), percentile(rest, 0.99), percentile(plain, 0.5), percentile(plain, 0.99)]
        ratios = [figures[0] / figures[2], figures[1] / figures[3]]
        lines.append(
            f"| {name} | {len(answer)} B | {len(whole)} | {1e3 * statistics.median(whole):.1f} ms | "
            + " | ".join(f"{1e3 * each:.2f} ms" for each in figures)
            + " | "
            + " | ".join(f"{each:.2f}" for each in ratios)
            + " |"
        )


def saturation(lines: list[str]) -> None:
    """Throughput with one and two workers, at the peak and at ten times the clients."""
    request = {**EXAMPLE, "output": {**EXAMPLE.get("output", {}), "proposals": False}}
    body = json.dumps(request).encode()
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


def main() -> None:
    begun = time.monotonic()
    lines = ["# Load on loopback", "", "Written by `make load`; figures of one machine on one day.", ""]
    lines += [f"{os.cpu_count()} cores, load average at the start {os.getloadavg()[0]:.1f}.", ""]
    lines += ["## Latency, one client", ""]
    with service(1) as (port, _):
        latency(port, lines)
    lines += ["", "`less work` is the round trip less the steps in the answer's Server-Timing.", ""]
    lines += ["## Saturation", "", "Queue of 16; who is refused waits for Retry-After.", ""]
    saturation(lines)
    lines += ["", f"Load average at the end {os.getloadavg()[0]:.1f}; {time.monotonic() - begun:.0f} s in all.", ""]
    Path(__file__).with_name("RESULTS.md").write_text("\n".join(lines))
    print("\n".join(lines))


if __name__ == "__main__":
    main()

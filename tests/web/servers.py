"""Servers as they are started in earnest, on ports of their own."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import httpx

START = [sys.executable, "-m", "sillcast.web"]


@contextmanager
def process(**settings: str) -> Iterator[tuple[subprocess.Popen[str], str, int]]:
    """A server of its own on a port of its own; ended whatever happens."""
    environment = {**os.environ, "SILLCAST_PORT": "0", "SILLCAST_LOG": "off", "SILLCAST_WARM_UP": "off", **settings}
    started = subprocess.Popen(START, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    assert started.stdout is not None
    try:
        line = started.stdout.readline()
        assert line.startswith("sillcast listens on http://127.0.0.1:"), line
        port = int(line.rsplit(":", 1)[1])
        until = time.monotonic() + 60
        while httpx.get(f"http://127.0.0.1:{port}/health/ready").status_code != 200:
            assert time.monotonic() < until
            time.sleep(0.05)
        yield started, f"http://127.0.0.1:{port}", port
    finally:
        started.kill()
        started.wait(10)
        started.stdout.close()

"""The processes that compute. Run by the service: `python -m sillcast.web.nursery '{"control": 7, ...}'`.

The nursery loads the families, warms the kernels once, and then only forks: each child is a worker that is warm from
its first request on and shares the memory of what was loaded. It has no event loop and no threads of its own, so that
forking is safe, and it never sees a request. It ends when the service does, since its control line is closed then.
"""

import gc
import os
import resource
import signal
import socket
import struct
import sys
import time
import traceback
import warnings
from functools import partial
from types import FrameType
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from sillcast.planner import Planner
from sillcast.registry import Registry
from sillcast.web.compute import Computer, Job, Progress, Reply, StopError, Stopped, Tell

__all__ = ["FAILED", "FRAME", "GC_THRESHOLDS", "STOP", "WARM", "Hatched", "Orders", "main"]

FRAME = struct.Struct("!I")
"""Length of a message, before each message on the line of a worker."""

STOP = signal.SIGUSR1
"""Asks a worker to leave the job at hand."""

WARM, FAILED = b"+", b"-"
"""First byte that the nursery says: workers can be had, or never will be; the class of the error follows."""

GC_THRESHOLDS = (50_000, 20, 100)
"""New objects until the garbage collector looks at the youngest; rounds of it until the next older."""

_OVERDUE_S = 3.0


class Orders(Struct, frozen=True, kw_only=True):
    """What the service tells its nursery at start."""

    control: int
    plugins: Literal["skip", "strict"]
    memory_mb: Annotated[int, Meta(gt=0)]
    warm_up: Literal["off", "on"]


class Hatched(Struct, frozen=True, tag=True):
    """First message of a worker: its process number."""

    pid: int


def main(arguments: list[str]) -> int:
    """Serve until the control line is closed; 3 if the kernels cannot be warmed."""
    orders = msgspec.json.decode(arguments[0], type=Orders)
    for each in (signal.SIGINT, signal.SIGTERM):
        signal.signal(each, signal.SIG_IGN)  # meant for the service, which ends us once all is answered
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # children are reaped by the system
    # Native libraries keep sleeping threads, which survive no fork and are not needed after it.
    warnings.filterwarnings("ignore", message=".*multi-threaded", category=DeprecationWarning)
    control = socket.socket(fileno=orders.control)
    try:
        planner = Planner(Registry.find(orders.plugins))
        if orders.warm_up == "on":
            planner.warm_up()
        computer = Computer(planner)
    except Exception as error:
        traceback.print_exc()
        control.sendall(FAILED + type(error).__name__.encode())
        return 3
    gc.collect()
    gc.freeze()  # or the collector of each child would touch, and so copy, every page
    control.sendall(WARM)
    while True:
        said, lines, _, _ = socket.recv_fds(control, 1, 1)
        if not said:
            return 0
        if os.fork() == 0:
            control.close()
            _work(computer, socket.socket(fileno=lines[0]), orders.memory_mb)
            os._exit(0)
        os.close(lines[0])


class _Stopper:
    """Turns the stop signal into an exception; one that comes between the sending of a job and its begin as well."""

    def __init__(self) -> None:
        self._working = False
        self._asked_s = 0.0
        signal.signal(STOP, self._stop)

    def _stop(self, _: int, __: FrameType | None) -> None:
        self._asked_s = time.monotonic()
        if self._working:
            self._working = False
            raise StopError

    def answer(self, computer: Computer, job: Job, tell: Tell) -> Reply:
        try:
            self._working = True
            try:
                return Stopped() if self._asked_s > job.sent_s else computer.answer(job, self._whole(tell, job))
            finally:
                self._working = False
        except StopError:  # came before or after the answer's making
            return Stopped()

    def _whole(self, tell: Tell, job: Job) -> Tell:
        """Tell, but with no stop in the middle of the telling, which would leave half a message on the line."""

        def told(progress: Progress) -> None:
            self._working = False
            tell(progress)
            self._working = True
            if self._asked_s > job.sent_s:
                raise StopError

        return told


def _work(computer: Computer, line: socket.socket, memory_mb: int) -> None:
    """Answer jobs until the line is closed."""
    resource.setrlimit(resource.RLIMIT_AS, (memory_mb << 20, memory_mb << 20))
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    # Answers are many small objects in few cycles: at the usual thresholds the collector walks them for nothing.
    gc.set_threshold(*GC_THRESHOLDS)
    stopper = _Stopper()
    decoder = msgspec.msgpack.Decoder(Job)
    _send(line, Hatched(os.getpid()))
    while (message := _received(line)) is not None:
        job = decoder.decode(message)
        # Ends this process even in the middle of a library's loop, should there be no service any more to do it.
        signal.setitimer(signal.ITIMER_REAL, job.within_s + _OVERDUE_S)
        _send(line, stopper.answer(computer, job, partial(_send, line)))
        signal.setitimer(signal.ITIMER_REAL, 0)
        computer.forget()


def _send(line: socket.socket, said: Reply | Progress | Hatched) -> None:
    message = msgspec.msgpack.encode(said)
    line.sendall(FRAME.pack(len(message)) + message)


def _received(line: socket.socket) -> bytes | None:
    head = _exactly(line, FRAME.size)
    return None if head is None else _exactly(line, FRAME.unpack(head)[0])


def _exactly(line: socket.socket, count: int) -> bytes | None:
    """That many bytes; None if the line ends before."""
    try:
        got = line.recv(count, socket.MSG_WAITALL)
        while got and len(got) < count:  # a signal came in between
            more = line.recv(count - len(got), socket.MSG_WAITALL)
            if not more:
                return None
            got += more
    except ConnectionError:
        return None
    return got or None


if __name__ == "__main__":
    sys.stdout = sys.stderr
    raise SystemExit(main(sys.argv[1:]))

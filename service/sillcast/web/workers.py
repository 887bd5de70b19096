"""What computes for the event loop: threads over a planner that the caller made, or processes that can be stopped.

Why processes. A thread that loops, or fills the memory, holds its place for ever and takes the service with it; Python
can stop no thread. So the service computes in one process per place: past the deadline, or once the client has left,
the process is asked to stop (an exception between two steps of Python, which names the family at work), and one second
later it is killed and replaced. An address-space limit turns hunger for memory into a refusal of that request alone.
Measured on 2 busy cores, median of 500: a job handed to a process and back takes 0.14 ms, to a thread 0.11 ms. A killed
worker is replaced in 12 ms, since it is forked from a nursery that is warm already; to start one anew takes seconds.
The event loop answers health checks while a request computes. Costs: a nursery of 100 MiB, shared with its workers.
Threads remain for a program that embeds the application with a planner of its own, and for tests.
"""

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any, Protocol

import msgspec

from sillcast.planner import Planner
from sillcast.web import nursery
from sillcast.web.compute import Computer, Done, Failed, Job, Progress, Reply, Stopped, Tell
from sillcast.web.problems import RefusedError, problem_of
from sillcast.web.settings import Settings

__all__ = ["Nursery", "ProcessWorker", "ThreadWorker", "WarmUpError", "Worker"]

KILL_AFTER_S = 1.0
"""What was asked to stop and has not after this time is killed."""


class WarmUpError(Exception):
    """The kernels cannot be warmed, so nothing will ever be computed; the text names the class of the error."""


Heard = Callable[[Reply], None]
"""Is told the reply to a job, once."""


class Worker(Protocol):
    """Computes one job at a time."""

    async def ready(self) -> None:
        """Return once jobs will be begun at once."""

    def hand(self, job: Job, tell: Tell, heard: Heard) -> None:
        """Begin a job, now if that can be; `heard` is called once, whatever becomes of it."""

    def leave(self) -> None:
        """Stop the job at hand, if there is one; `heard` is called once it has been stopped or has ended."""

    def close(self) -> None:
        """Let go of all resources."""


class ThreadWorker:
    """A thread over a planner; work that has begun ends at the planner's next step, once it is not wanted any more."""

    def __init__(self, planner: Planner) -> None:
        self._computer = Computer(planner)
        self._thread: ThreadPoolExecutor | None = None
        self._left = False

    async def ready(self) -> None:
        """Nothing to wait for."""

    def hand(self, job: Job, tell: Tell, heard: Heard) -> None:
        """Begin a job in the thread."""
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, thread_name_prefix="compute")
        loop = asyncio.get_running_loop()
        self._left = False

        def told(progress: Progress) -> None:
            loop.call_soon_threadsafe(tell, progress)

        def done(end: asyncio.Future[Reply]) -> None:
            self._computer.forget()
            if end.cancelled():
                heard(Stopped())
            elif error := end.exception():
                heard(_broken(error))
            else:
                reply = end.result()
                heard(Stopped() if self._left and not isinstance(reply, Stopped) else reply)

        loop.run_in_executor(self._thread, self._computer.answer, job, told).add_done_callback(done)

    def leave(self) -> None:
        """End the work at its next step."""
        self._left = True
        self._computer.leave()

    def close(self) -> None:
        """Forget the thread; what is being computed ends by itself. The worker may be used again."""
        if self._thread is not None:
            self._thread.shutdown(wait=False, cancel_futures=True)
            self._thread = None


_Said = Reply | Progress | nursery.Hatched
_SAID: msgspec.msgpack.Decoder[_Said] = msgspec.msgpack.Decoder(_Said)

_BUFFER_BYTES = 1 << 18
"""Room for most messages; longer ones make room for themselves while they come."""


def _unheard(_: _Said | None) -> None:
    """Nobody listens any more."""


class _Line(asyncio.BufferedProtocol):
    """One end of the line to a worker: bytes are read into a buffer that stays, and decoded out of it.

    Parameters
    ----------
    heard : callable
        Is told each message, and None once the line has ended.
    """

    def __init__(self, heard: Callable[[_Said | None], None]) -> None:
        self._heard = heard
        self._buffer = bytearray(_BUFFER_BYTES)
        self._filled = 0
        self.lost = False

    def connection_made(self, transport: Any) -> None:
        self._transport = transport

    def get_buffer(self, sizehint: int) -> memoryview:
        if self._filled == len(self._buffer):
            self._buffer = self._buffer + bytearray(self._filled)
        return memoryview(self._buffer)[self._filled :]

    def buffer_updated(self, nbytes: int) -> None:
        self._filled += nbytes
        head, begin = nursery.FRAME.size, 0
        while self._filled >= begin + head:
            end = begin + head + nursery.FRAME.unpack_from(self._buffer, begin)[0]
            if self._filled < end:
                break
            said = _SAID.decode(memoryview(self._buffer)[begin + head : end])
            begin = end
            self._heard(said)
        if begin:
            rest = self._buffer[begin : self._filled]
            # Never resized in place: whoever reads into it still holds it.
            self._buffer = self._buffer if len(self._buffer) == _BUFFER_BYTES else bytearray(_BUFFER_BYTES + len(rest))
            self._buffer[: len(rest)] = rest
            self._filled = len(rest)

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost = True
        self._heard(None)

    def send(self, job: Job) -> None:
        message = msgspec.msgpack.encode(msgspec.structs.replace(job, sent_s=time.monotonic()))
        self._transport.write(nursery.FRAME.pack(len(message)) + message)

    def close(self) -> None:
        self._heard = _unheard
        self._transport.close()


class ProcessWorker:
    """A process of its own, with a bound on its memory; ended and replaced if it does not leave off.

    Parameters
    ----------
    home : Nursery
        Where the process comes from.
    """

    def __init__(self, home: "Nursery") -> None:
        self._home = home
        self._line: _Line | None = None
        self._pid = 0
        self._hatched: asyncio.Future[None]
        self._starting: asyncio.Task[None] | None = None
        self._job: tuple[Job, Tell, Heard] | None = None
        self._left = False
        self._killing: asyncio.TimerHandle | None = None

    async def ready(self) -> None:
        """Return once there is a process.

        Raises
        ------
        WarmUpError
            If there never will be one.
        """
        if self._line is None:
            self._hatched = asyncio.get_running_loop().create_future()
            line = await self._home.hatch(self._heard)
            await self._hatched
            if line.lost:
                raise ConnectionResetError
            self._line = line

    def hand(self, job: Job, tell: Tell, heard: Heard) -> None:
        """Begin a job in the process, now if there is one."""
        self._job, self._left = (job, tell, heard), False
        if self._line is not None:
            self._line.send(job)
        else:
            self._starting = asyncio.create_task(self._start(job))

    def leave(self) -> None:
        """Ask the process to stop, and kill it if it does not."""
        if self._job is None or self._left:
            return
        self._left = True
        if self._line is not None:
            self._signal(nursery.STOP)
            self._killing = asyncio.get_running_loop().call_later(KILL_AFTER_S, self._kill)

    def close(self) -> None:
        """End the process: at once if it works, for nobody waits any more."""
        if self._starting is not None:
            self._starting.cancel()
        self._signal(signal.SIGKILL)
        self._drop()
        self._end(_lost())

    async def _start(self, job: Job) -> None:
        try:
            await self.ready()
        except (ConnectionError, WarmUpError):
            self._end(_lost())
        except Exception as error:
            self._end(_broken(error))
        else:
            assert self._line is not None
            if self._left:
                self._end(Stopped())
            else:
                self._line.send(job)

    def _heard(self, said: _Said | None) -> None:
        """Take what comes on the line."""
        match said:
            case Stopped() if self._line is not None and self._job is not None and not self._left:
                self._line.send(self._job[0])  # once more: a stop was meant for the job before and came late
            case Done() | Failed() | Stopped():
                self._end(said)
            case Progress():
                if self._job is not None:
                    self._job[1](said)
            case nursery.Hatched(pid=pid):
                self._pid = pid
                if not self._hatched.done():  # given up meanwhile
                    self._hatched.set_result(None)
            case None:
                self._lose()

    def _lose(self) -> None:
        """The process has ended by itself, or by another's hand."""
        if self._line is not None:
            self._drop()
            self._end(Stopped(killed=True) if self._left else _lost())
        elif not self._hatched.done():
            self._hatched.set_exception(ConnectionResetError())

    def _kill(self) -> None:
        self._signal(signal.SIGKILL)
        self._drop()
        self._end(Stopped(killed=True))

    def _end(self, reply: Reply) -> None:
        """Tell the reply, if there is a job that it is to."""
        if self._killing is not None:
            self._killing.cancel()
            self._killing = None
        if self._job is not None:
            heard, self._job = self._job[2], None
            heard(reply)

    def _signal(self, how: signal.Signals) -> None:
        # The line is open, so the process is there and its number is no other's.
        if self._line is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, how)

    def _drop(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None


def _broken(error: BaseException) -> Failed:
    """What is our own fault, and no worker's reply."""
    return Failed(problem=problem_of(RuntimeError()), trace="".join(traceback.format_exception(error)))


def _lost() -> Failed:
    words = "The process that computed this has ended; a new one takes its place."
    return Failed(problem=problem_of(RefusedError("interrupted", words)))


class Nursery:
    """The process that workers are forked from; started again if it ends.

    Parameters
    ----------
    settings : Settings
        What families to load, whether to warm up, what memory a worker may have.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._process: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None
        self._starting = asyncio.Lock()

    async def hatch(self, heard: Callable[[_Said | None], None]) -> _Line:
        """Line to a new worker, whose first message is its process number; `heard` is told what comes on it.

        Raises
        ------
        WarmUpError
            If the nursery cannot be made warm.
        """
        async with self._starting:
            if self._process is None or self._process.poll() is not None:
                await self._start()
        assert self._control is not None
        ours, theirs = socket.socketpair()
        with theirs:
            socket.send_fds(self._control, [b"w"], [theirs.fileno()])
        ours.setblocking(False)
        loop = asyncio.get_running_loop()
        _, line = await loop.create_unix_connection(partial(_Line, heard), sock=ours)
        return line

    async def _start(self) -> None:
        self.close()
        ours, theirs = socket.socketpair()
        orders = nursery.Orders(
            control=theirs.fileno(),
            plugins=self._settings.plugins,
            memory_mb=self._settings.memory_mb,
            warm_up=self._settings.warm_up,
        )
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "sillcast.web.nursery", msgspec.json.encode(orders).decode()],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            )
        ours.setblocking(False)
        self._control = ours
        said = await asyncio.get_running_loop().sock_recv(ours, 200)
        if not said.startswith(nursery.WARM):
            raise WarmUpError(said[1:].decode() or "the process ended")

    def close(self) -> None:
        """Let the nursery end, which it does once its line is closed."""
        if self._control is not None:
            self._control.close()
            self._control = None
        if self._process is not None:
            try:
                self._process.wait(2)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None

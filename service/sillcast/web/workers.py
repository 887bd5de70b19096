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
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

import msgspec

from sillcast.planner import Planner
from sillcast.web import nursery
from sillcast.web.compute import Computer, Failed, Job, Progress, Reply, Stopped, Tell, untold
from sillcast.web.problems import RefusedError, problem_of
from sillcast.web.settings import Settings

__all__ = ["Nursery", "ProcessWorker", "ThreadWorker", "WarmUpError", "Worker"]

KILL_AFTER_S = 1.0
"""What was asked to stop and has not after this time is killed."""


class WarmUpError(Exception):
    """The kernels cannot be warmed, so nothing will ever be computed; the text names the class of the error."""


class Worker(Protocol):
    """Computes one job at a time."""

    async def ready(self) -> None:
        """Return once jobs will be begun at once."""

    def hand(self, job: Job, tell: Tell) -> None:
        """Begin a job, now if that can be; `reply` is to be awaited next."""

    async def reply(self) -> Reply:
        """The reply to what was handed over; if cancelled, return once the work has been stopped or has ended."""

    def close(self) -> None:
        """Let go of all resources."""


class ThreadWorker:
    """A thread over a planner; work that has begun ends at the planner's next step, once it is not wanted any more."""

    def __init__(self, planner: Planner) -> None:
        self._computer = Computer(planner)
        self._thread: ThreadPoolExecutor | None = None

    async def ready(self) -> None:
        """Nothing to wait for."""

    def hand(self, job: Job, tell: Tell) -> None:
        """Begin a job in the thread."""
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, thread_name_prefix="compute")
        loop = asyncio.get_running_loop()

        def told(progress: Progress) -> None:
            loop.call_soon_threadsafe(tell, progress)

        self._work = loop.run_in_executor(self._thread, self._computer.answer, job, told)

    async def reply(self) -> Reply:
        """The reply of the thread."""
        try:
            return await asyncio.shield(self._work)
        except asyncio.CancelledError:
            self._computer.leave()
            await asyncio.wait({self._work})
            return self._work.result() if isinstance(self._work.result(), Stopped) else Stopped()
        finally:
            self._computer.forget()

    def close(self) -> None:
        """Forget the thread; what is being computed ends by itself. The worker may be used again."""
        if self._thread is not None:
            self._thread.shutdown(wait=False, cancel_futures=True)
            self._thread = None


_SAID: msgspec.msgpack.Decoder[Reply | Progress | nursery.Hatched] = msgspec.msgpack.Decoder(
    Reply | Progress | nursery.Hatched
)


class _Line(asyncio.Protocol):
    """One end of the line to a worker: progress goes to who is told, anything else is the one message expected."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._got = bytearray()
        self.lost = False
        self.tell: Tell = untold
        self.message: asyncio.Future[Any] = self._loop.create_future()

    def connection_made(self, transport: Any) -> None:
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._got += data
        head = nursery.FRAME.size
        while len(self._got) >= head and len(self._got) >= (end := head + nursery.FRAME.unpack_from(self._got)[0]):
            said = _SAID.decode(memoryview(self._got)[head:end].tobytes())
            del self._got[:end]
            if isinstance(said, Progress):
                self.tell(said)
            else:
                self.expect().set_result(said)

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost = True
        self.expect().set_exception(ConnectionResetError())
        self.message.exception()  # looked at here, as nobody may be waiting

    def expect(self) -> asyncio.Future[Any]:
        """The message that is to come; one that was taken already, or given up, is not awaited again."""
        if self.message.done():
            self.message = self._loop.create_future()
        return self.message

    def send(self, job: Job, tell: Tell) -> None:
        self.tell = tell
        self.expect()
        message = msgspec.msgpack.encode(msgspec.structs.replace(job, sent_s=time.monotonic()))
        self._transport.write(nursery.FRAME.pack(len(message)) + message)

    def close(self) -> None:
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
        self._job: tuple[Job, Tell] | None = None
        self._sent = False

    async def ready(self) -> None:
        """Return once there is a process.

        Raises
        ------
        WarmUpError
            If there never will be one.
        """
        if self._line is not None and not self._line.lost:
            return
        line = await self._home.hatch()
        self._pid = (await line.message).pid
        self._line = line

    def hand(self, job: Job, tell: Tell) -> None:
        """Begin a job in the process, now if there is one."""
        self._job = job, tell
        self._sent = self._line is not None and not self._line.lost
        if self._sent:
            self._send()

    async def reply(self) -> Reply:
        """The reply of the process."""
        try:
            if not self._sent:
                await self.ready()
                self._send()
        except (ConnectionError, WarmUpError):
            return _lost()
        assert self._line is not None
        try:
            while isinstance(reply := await self._line.message, Stopped):
                self._send()  # once more: a stop was meant for the job before and came late
            return reply  # type: ignore[no-any-return]
        except ConnectionError:
            self._drop()
            return _lost()
        except asyncio.CancelledError:
            return await self._stopped(self._line)

    def _send(self) -> None:
        assert self._line is not None
        assert self._job is not None
        self._line.send(*self._job)

    async def _stopped(self, line: _Line) -> Reply:
        self._signal(nursery.STOP)
        if line.message.cancelled():  # with the task that waited for it
            line.expect()
        await asyncio.wait({line.message}, timeout=KILL_AFTER_S)
        if line.message.done() and line.message.exception() is None:
            return line.message.result()  # type: ignore[no-any-return]
        self._signal(signal.SIGKILL)
        self._drop()
        return Stopped(killed=True)

    def _signal(self, how: signal.Signals) -> None:
        # The line is open, so the process is there and its number is no other's.
        if self._line is not None and not self._line.lost:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, how)

    def _drop(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def close(self) -> None:
        """End the process: at once if it works, for nobody waits any more."""
        self._signal(signal.SIGKILL)
        self._drop()


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

    async def hatch(self) -> _Line:
        """Line to a new worker, whose first message is its process number.

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
        _, line = await loop.create_unix_connection(_Line, sock=ours)
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

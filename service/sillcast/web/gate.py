"""Computing off the event loop: few workers, a bounded queue, a deadline, and nothing for a client that has left."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from typing import Any
from weakref import WeakSet

from sillcast.web.compute import Job, Reply, Stopped, Tell, untold
from sillcast.web.problems import RefusedError
from sillcast.web.workers import Worker

__all__ = ["Gate"]

_NAMING_S = 0.25


class Gate:
    """Lets in as many requests as can be computed or may wait; refuses the rest at once.

    Work that nobody wants any more is never begun if it still waits. Once begun it is stopped, and keeps its place
    until it has been, so that what is refused meanwhile is refused rightly.

    Parameters
    ----------
    workers : sequence of Worker
        Each computes one request at a time.
    queue : int
        Requests that may wait.
    ended : callable
        Is told each reply, also those that came too late.
    """

    def __init__(self, workers: Sequence[Worker], queue: int, ended: Callable[[Reply], None]) -> None:
        self.workers = workers
        self._ended = ended
        self._most = len(workers) + queue
        self._free: asyncio.Queue[Worker] = asyncio.Queue()
        for worker in workers:
            self._free.put_nowait(worker)
        self._held: set[asyncio.Task[Reply]] = set()
        self._begun: WeakSet[asyncio.Task[Any]] = WeakSet()

    @property
    def held(self) -> int:
        """Requests that are being computed or wait."""
        return len(self._held)

    def waits(self, task: asyncio.Task[Reply]) -> bool:
        """Whether no worker has begun with a task."""
        return task in self._held and task not in self._begun

    def begin(self, job: Job, tell: Tell = untold) -> asyncio.Task[Reply]:
        """The reply to a job as a task, to be left when it is not wanted any more; `tell` is told how it gets on.

        Raises
        ------
        RefusedError
            `busy` if the queue is full.
        """
        if len(self._held) >= self._most:
            raise RefusedError("busy", "All places are taken; try again.", retry_after="1")
        worker = None if self._free.empty() else self._free.get_nowait()
        if worker is not None:
            worker.hand(job, tell)  # first of all: what is to be done here is done while it computes
        task = asyncio.create_task(self._placed(job, tell, worker))
        self._held.add(task)
        task.add_done_callback(self._held.discard)
        return task

    async def run(self, job: Job, gone: Coroutine[Any, Any, None]) -> Reply:
        """The reply to a job, unless its deadline comes first or the client leaves, which is when `gone` returns.

        Raises
        ------
        RefusedError
            `busy`, `deadline` or `client_left`.
        """
        leaving = asyncio.ensure_future(gone)
        try:
            task = self.begin(job)
            try:
                await asyncio.wait({task, leaving}, timeout=job.within_s, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self.leave(task)
            if not task.done() and leaving.done():
                raise RefusedError("client_left", "The connection ended before the answer was there.")
            return await self.last_words(task, job.within_s)
        finally:
            leaving.cancel()

    def leave(self, task: asyncio.Task[Reply]) -> None:
        """End a task that is not wanted any more; not before its first step, which takes charge of its worker."""
        if not task.done():
            asyncio.get_running_loop().call_soon(task.cancel)

    async def last_words(self, task: asyncio.Task[Reply], within_s: float) -> Reply:
        """The reply of a task that is done or was left.

        Raises
        ------
        RefusedError
            `deadline`, naming the family that was at work if that is known soon.
        """
        if not task.done():
            await asyncio.wait({task}, timeout=_NAMING_S)
        reply = task.result() if task.done() and not task.cancelled() else Stopped()
        if not isinstance(reply, Stopped):
            return reply
        at_work = f"; the family {reply.family} was at work" if reply.family else ""
        raise RefusedError("deadline", f"Not done within {within_s:g} s{at_work}.", retry_after="5")

    async def _placed(self, job: Job, tell: Tell, worker: Worker | None) -> Reply:
        if worker is None:
            worker = await self._free.get()
            worker.hand(job, tell)
        task = asyncio.current_task()
        assert task is not None
        self._begun.add(task)
        try:
            reply = await worker.reply()
            self._ended(reply)
            return reply
        finally:
            self._free.put_nowait(worker)

    def close(self) -> None:
        """Forget what waits and end what computes."""
        for worker in self.workers:
            worker.close()

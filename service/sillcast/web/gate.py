"""Computing off the event loop: few workers, a bounded queue, a deadline, and nothing for a client that has left."""

import asyncio
from collections import deque
from collections.abc import Callable, Coroutine, Sequence
from functools import partial
from typing import Any

from sillcast.web.compute import Done, Failed, Job, Progress, Reply, Stopped, Tell, untold
from sillcast.web.problems import RefusedError
from sillcast.web.workers import Worker

__all__ = ["Gate", "Place", "client_left"]

_NAMING_S = 0.25
"""How long after the deadline the answer waits for the name of the family that was at work. [s]"""


class Place:
    """One job that was let in: it waits, is computed, or is done with; `reply` is there at the deadline at latest."""

    def __init__(self, job: Job, tell: Tell) -> None:
        self.job = job
        self.told: Progress | None = None
        self._tell = tell
        self.worker: Worker | None = None
        self.is_begun = False
        self.reply: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self.clock: asyncio.TimerHandle | None = None

    @property
    def waits(self) -> bool:
        """Whether no worker has begun with it."""
        return self.worker is None and not self.reply.done()

    def tell(self, progress: Progress) -> None:
        """Pass on how the job gets on, and remember it."""
        self.told = progress
        self._tell(progress)

    def settle(self, reply: Reply) -> None:
        """Reply to whoever still waits; the first reply counts."""
        if not self.reply.done():
            self.reply.set_result(reply)
        if self.clock is not None:
            self.clock.cancel()

    def answer(self) -> Done | Failed:
        """The reply, once it is there.

        Raises
        ------
        RefusedError
            `deadline`, saying how far it had come and which family was at work, as far as that is known. To try again
            helps only who had to queue: the same work takes the same time.
        """
        reply, within = self.reply.result(), f"within {self.job.within_s:g} s"
        if not isinstance(reply, Stopped):
            return reply
        if not self.is_begun:
            raise RefusedError("deadline", f"Not begun {within}; all places were taken. Try again.", retry_after="5")
        at_work = f"; the family {reply.family} was at work" if reply.family else ""
        far = f"; {self.told.stage} was at {self.told.done} of {self.told.of}" if self.told and self.told.of > 1 else ""
        words = f"Not done {within}{far}{at_work}. Allow more time with Prefer: wait, or ask for less."
        raise RefusedError("deadline", words)


class Gate:
    """Lets in as many requests as can be computed or may wait; refuses the rest at once.

    Work that nobody wants any more is never begun if it still waits. Once begun it is stopped, and keeps its worker
    until it has been, so that what is refused meanwhile is refused rightly.

    A reply goes from the line of its worker to the task that waits for it with no task in between: each would be
    another round of the event loop, at a moment when the caches hold nothing of this path.

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
        self._free = deque(workers)
        self._waiting: deque[Place] = deque()

    @property
    def held(self) -> int:
        """Requests that are being computed or wait."""
        return len(self.workers) - len(self._free) + len(self._waiting)

    def begin(self, job: Job, tell: Tell = untold) -> Place:
        """A place for a job, to be left when it is not wanted any more; `tell` is told how it gets on.

        Raises
        ------
        RefusedError
            `busy` if the queue is full.
        """
        if self.held >= self._most:
            raise RefusedError("busy", "All places are taken; try again.", retry_after="1")
        place = Place(job, tell)
        if self._free:
            self._hand(place, self._free.popleft())  # first of all: what is to be done here is done while it computes
        else:
            self._waiting.append(place)
        place.clock = asyncio.get_running_loop().call_later(job.within_s, self._overdue, place)
        return place

    async def run(self, job: Job, gone: Callable[[], Coroutine[Any, Any, None]]) -> Done | Failed:
        """The reply to a job, unless its deadline comes first or the client leaves, which is when `gone` ends.

        Raises
        ------
        RefusedError
            `busy`, `deadline` or `client_left`.
        """
        place = self.begin(job)
        leaving = asyncio.create_task(gone())
        leaving.add_done_callback(partial(_has_left, place))
        try:
            await place.reply
            return place.answer()
        finally:
            leaving.cancel()
            self.leave(place)

    def leave(self, place: Place) -> None:
        """Give up a place that is not wanted any more."""
        if place in self._waiting:
            self._waiting.remove(place)
            place.settle(Stopped())
        elif place.worker is not None:
            place.worker.leave()

    def close(self) -> None:
        """Forget what waits and end what computes."""
        for place in [*self._waiting]:
            self.leave(place)
        for worker in self.workers:
            worker.close()

    def _hand(self, place: Place, worker: Worker) -> None:
        place.worker, place.is_begun = worker, True
        worker.hand(place.job, place.tell, partial(self._heard, place, worker))

    def _heard(self, place: Place, worker: Worker, reply: Reply) -> None:
        place.worker = None
        place.settle(reply)
        if self._waiting:
            self._hand(self._waiting.popleft(), worker)
        else:
            self._free.append(worker)
        asyncio.get_running_loop().call_soon(self._ended, reply)  # after whoever waits has gone on

    def _overdue(self, place: Place) -> None:
        self.leave(place)
        if not place.reply.done():
            place.clock = asyncio.get_running_loop().call_later(_NAMING_S, place.settle, Stopped())


def _has_left(place: Place, leaving: asyncio.Task[None]) -> None:
    if not leaving.cancelled() and leaving.exception() is None and not place.reply.done():
        place.reply.set_exception(client_left())


def client_left() -> RefusedError:
    """What is told of a request whose client has left: to the log, since nobody else listens."""
    return RefusedError("client_left", "The connection ended before the answer was there.")

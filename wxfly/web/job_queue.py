"""The queue of jobs: questions worked on in a few threads, the same one only once, and one at a time for each place."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from wxfly.errors import WxflyError

WORKERS = 4
"""How many questions are worked on at once."""
MOST_WAITING = 32
"""How many may be unanswered."""
KEPT_SECONDS = 60.0
"""How long an answer is given again to who asks the same [s]."""
FAULT_KEPT_SECONDS = 4.0
"""How long a fault is repeated: long enough for a page that waits for it [s]."""
_MOST_KEPT = 100


class BusyError(WxflyError):
    """Too many questions are waiting."""


class BrokenOffError(BaseException):
    """Somebody broke the question off; nothing that mends faults of services catches it."""


@dataclass
class Job:
    """A question that is worked on, or was.

    Attributes
    ----------
    future : concurrent.futures.Future
        Its answer.
    progress : str
        What is being done.
    ended : float
        When it was answered, on the monotonic clock [s]; 0 before.
    page : str
        Its page, once somebody has opened it.
    is_broken_off : bool
        Whether its work is to end at its next step.
    """

    future: Future[Any] = field(default_factory=Future)
    progress: str = ""
    ended: float = 0.0
    page: str = ""
    is_broken_off: bool = False

    def say(self, message: str) -> None:
        """Note what is being done next, or end it where the question was broken off."""
        if self.is_broken_off:
            raise BrokenOffError
        self.progress = message

    async def wait(self, seconds: float) -> bool:
        """Wait for the answer; return whether it is there."""
        if not self.future.done():
            waited = asyncio.wrap_future(self.future)
            waited.add_done_callback(lambda one: one.cancelled() or one.exception())  # others read the fault too
            await asyncio.wait([waited], timeout=seconds)
        return self.future.done()


class JobQueue:
    """Takes questions and shares their answers."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(WORKERS, thread_name_prefix="question")
        self._lock = Lock()
        self._jobs: dict[Hashable, Job] = {}
        self._places: dict[str, Lock] = {}

    def has(self, key: Hashable) -> bool:
        """Return whether the answer to a question is there, or being made."""
        with self._lock:
            self._forget()
            return key in self._jobs

    def ask(self, key: Hashable, places: Sequence[str], work: Callable[[Callable[[str], None]], Any]) -> Job:
        """Return the job of a question, a new one where nobody asked it before.

        Parameters
        ----------
        key : hashable
            Equal for equal questions.
        places : sequence of str
            Its places: of two questions with a place in common the second waits for the first.
        work : callable
            Answers it; it is given what notes its progress.

        Raises
        ------
        BusyError
            When `MOST_WAITING` questions are unanswered.
        """
        with self._lock:
            self._forget()
            job = self._jobs.get(key)
            if job is not None:
                return job
            if sum(not one.ended for one in self._jobs.values()) >= MOST_WAITING:
                raise BusyError(f"{MOST_WAITING} questions are waiting for their answer; ask again in a moment")
            locks = [self._places.setdefault(place, Lock()) for place in sorted(set(places))]
            job = self._jobs[key] = Job()
        self._pool.submit(self._work, job, locks, work)
        return job

    def break_off(self, key: Hashable) -> None:
        """Let the work on a question end at its next step; what was fetched before is kept."""
        with self._lock:
            job = self._jobs.get(key)
        if job is not None:
            job.is_broken_off = True

    def close(self) -> None:
        """Give up what was not begun."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    @staticmethod
    def _work(job: Job, locks: Sequence[Lock], work: Callable[[Callable[[str], None]], Any]) -> None:
        try:
            with contextlib.ExitStack() as held:
                for lock in locks:
                    held.enter_context(lock)
                answer = work(job.say)
        except BrokenOffError:
            job.ended = time.monotonic()
            job.future.set_exception(WxflyError("this question was broken off; ask it again when you like"))
        except Exception as fault:  # whoever waits for the answer gets the fault
            job.ended = time.monotonic()
            job.future.set_exception(fault)
        else:
            job.ended = time.monotonic()
            job.future.set_result(answer)

    def _forget(self) -> None:
        """Drop answers that are too old to be given again; the caller holds the lock."""
        now = time.monotonic()

        def is_old(job: Job) -> bool:
            kept = FAULT_KEPT_SECONDS if job.future.done() and job.future.exception() else KEPT_SECONDS
            return bool(job.ended) and now - job.ended > kept

        self._jobs = {key: job for key, job in self._jobs.items() if not is_old(job)}
        done = [key for key, job in self._jobs.items() if job.ended]
        for key in done[: max(0, len(done) - _MOST_KEPT)]:
            del self._jobs[key]
        if len(self._places) > 1000 and all(job.ended for job in self._jobs.values()):
            self._places.clear()

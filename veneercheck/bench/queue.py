"""Checks waiting and running: one a core, each in a process of its own."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from typing import Any

from veneercheck.bench.store import Job, Store

LONGEST_QUEUE = 20
"""More than a day's bridges; beyond that somebody leans on the button."""

LONGEST_CHECK_S = 1800.0
"""No bridge takes a tenth of it: what runs longer hangs."""


class Queue:
    """Runs checks one after the other on every core.

    Parameters
    ----------
    store : Store
    slots : int, optional
        How many at once; one a core.
    """

    def __init__(self, store: Store, slots: int | None = None) -> None:
        self.store = store
        self._slots = asyncio.Semaphore(slots or os.cpu_count() or 1)
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._running: set[str] = set()

    def tidy(self) -> None:
        """What was under way when the program last ended is marked as such."""
        for job in self.store.jobs():
            if job.end() is None:
                job.tell(end="interrupted")

    @property
    def full(self) -> bool:
        """Whether another check would wait too long."""
        return len(self._tasks) >= LONGEST_QUEUE

    def add(self, job: Job) -> None:
        """Have a check done as soon as a core is free."""
        task = asyncio.create_task(self._wait_and_run(job))
        self._tasks[job.number] = task
        task.add_done_callback(lambda _: self._tasks.pop(job.number, None))

    def state(self, job: Job) -> str:
        """`waiting`, `running`, or how it ended."""
        ended = job.end()
        if ended is not None:
            return str(ended["end"])
        return "running" if job.number in self._running else "waiting"

    def ahead(self, job: Job) -> int:
        """How many checks stand before this one."""
        waiting = [number for number in self._tasks if number not in self._running]
        return waiting.index(job.number) if job.number in waiting else 0

    async def cancel(self, job: Job) -> None:
        """Stop a check wherever it is."""
        task = self._tasks.get(job.number)
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        if job.end() is None:
            job.tell(end="cancelled")

    async def close(self) -> None:
        """Stop all of them: the program ends."""
        tasks = list(self._tasks.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self.tidy()

    async def _wait_and_run(self, job: Job) -> None:
        async with self._slots:
            self._running.add(job.number)
            try:
                code = await _in_a_process(job)
            finally:
                self._running.discard(job.number)
        if job.end() is None:
            job.tell(end="fault", what=_how_it_died(code))


async def _in_a_process(job: Job) -> int | None:
    """Exit code of the check's process; None where it took too long and was ended."""
    settings: dict[str, Any] = {"start_new_session": True} if os.name == "posix" else {}
    quiet = asyncio.subprocess.DEVNULL
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "veneercheck.bench.worker", str(job.folder),
        stdin=quiet, stdout=quiet, stderr=quiet, **settings,
    )  # fmt: skip
    try:
        return await asyncio.wait_for(process.wait(), LONGEST_CHECK_S)
    except TimeoutError:
        return None
    finally:
        if process.returncode is None:
            _kill(process)
            await process.wait()


def _kill(process: asyncio.subprocess.Process) -> None:
    """End the process and whatever it started."""
    try:
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    except ProcessLookupError:
        pass


def _how_it_died(code: int | None) -> str:
    if code is None:
        return "took too long"
    return f"signal {-code}" if code < 0 else f"exit code {code}"

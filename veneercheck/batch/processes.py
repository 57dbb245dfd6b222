"""Local processes that stay warm: each checks many cases, and one that dies takes none along.

Notes
-----
Processes of our own, each with a line to who asked. A mesh may end its process, and what is left
must know which case that was. Choice: one case at a time over a pipe; a line that breaks names the
case, which gets two more attempts in a fresh process. A process is replaced after 500 cases. Where
who asked is killed, the line ends, and so does the process after its case. Instead of:
`concurrent.futures`, whose pool breaks as a whole; a library for that alone. Cost: a hundred lines.
"""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import cast

from veneercheck.batch.task import Done, Task, do, failed
from veneercheck.case.exits import Exit

ATTEMPTS = 3
"""A case that ended its process, or could not be fetched, gets two more attempts."""

_CASES_A_PROCESS = 500
"""Then a fresh process takes over: whatever a library may hold on to is given back. A start
costs about a second."""

_LEAVE_S = 2.0
"""How long a process that was told to end may take before it is ended."""

_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


@dataclasses.dataclass(slots=True)
class _Worker:
    process: BaseProcess
    line: Connection
    task: Task | None = None
    cases: int = 0


class Processes:
    """Some processes that check cases one after another."""

    def __init__(self, count: int) -> None:
        self._count = max(1, count)
        self._workers: list[_Worker] = []

    def __enter__(self) -> Processes:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for worker in self._workers:
            _dismiss(worker, at_once=error is not None)
        self._workers.clear()

    def check(self, tasks: Iterable[Task]) -> Iterator[Done]:
        """Check cases; what became of each comes as soon as it is known."""
        waiting, again = iter(tasks), deque[Task]()
        while True:
            self._hand_out(waiting, again)
            busy = [worker for worker in self._workers if worker.task is not None]
            if not busy:
                return
            for line in wait([worker.line for worker in busy]):
                worker = next(one for one in busy if one.line is line)
                task, done = self._answer(worker)
                if done.passing and task.attempt < ATTEMPTS:
                    again.append(dataclasses.replace(task, attempt=task.attempt + 1))
                else:
                    yield done

    def _hand_out(self, waiting: Iterator[Task], again: deque[Task]) -> None:
        """Give every idle process a case; more processes are started only for more cases."""
        busy = sum(worker.task is not None for worker in self._workers)
        for _ in range(self._count - busy):
            task = next(waiting, None) or (again.popleft() if again else None)
            if task is None:
                return
            worker = self._idle()
            worker.task = task
            worker.cases += 1
            with suppress(OSError):  # it died while idle: the answer will tell
                worker.line.send(task)

    def _idle(self) -> _Worker:
        for worker in self._workers:
            if worker.task is None and worker.cases < _CASES_A_PROCESS:
                return worker
        spent = next((worker for worker in self._workers if worker.task is None), None)
        if spent is not None:
            self._workers.remove(spent)
            _dismiss(spent)
        fresh = _started()
        self._workers.append(fresh)
        return fresh

    def _answer(self, worker: _Worker) -> tuple[Task, Done]:
        task = worker.task
        assert task is not None
        worker.task = None
        try:
            return task, cast("Done", worker.line.recv())
        except (EOFError, OSError):
            self._workers.remove(worker)
            _dismiss(worker)
            cause = f"the process that checked it ended ({_how(worker.process)})"
            return task, failed(task, cause, Exit.PROGRAM_FAULT, passing=True)


def _started() -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs,), daemon=True)
    with _one_thread_each(), _deaf_to_ctrl_c():
        process.start()
    theirs.close()
    return _Worker(process, ours)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """On several threads the last digits of a long sum are others; processes are many already."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """What is started here never hears of Ctrl-C, not even while it loads; we do, right after."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # its own start, amid that of the first process, unblocks
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(line: Connection) -> None:
    """Check what comes until nothing more does; also where who asked was killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who asked decides when to stop
    with suppress(EOFError, OSError):
        while True:
            line.send(do(line.recv()))


def _dismiss(worker: _Worker, *, at_once: bool = False) -> None:
    worker.line.close()
    if not at_once:
        worker.process.join(_LEAVE_S)
    if worker.process.is_alive():
        worker.process.terminate()
    worker.process.join(_LEAVE_S)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()


def _how(process: BaseProcess) -> str:
    code = process.exitcode
    if code is None:
        return "its line broke"
    if code < 0:
        return f"signal {-code}; out of memory?" if code == -signal.SIGKILL else f"signal {-code}"
    return f"exit code {code}"

"""Processes that stay warm: each checks many cases, and one that dies takes no other case along.

Notes
-----
Processes of our own, each with a line to who asked. A mesh may end its process, and what is left
must know which case that was. Choice: one case at a time over a pipe; a line that breaks names the
case, which gets two more attempts in a fresh process. A process is replaced after 500 cases. Where
who asked is killed, the line ends, and so does the process after its case. A Dask worker, too, has
its cases checked so. Instead of: `concurrent.futures`, whose pool breaks as a whole; a library for
that alone. Cost: a hundred lines.
"""

from __future__ import annotations

import dataclasses
import math
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
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

_LOOK_S = 1.0
"""How often a case's memory is looked at where it has a limit."""

_LEAVE_S = 2.0
"""How long a process that was told to end may take before it is ended."""

_SAYS_TO_LIBRARIES = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
    "MALLOC_TRIM_THRESHOLD_": None,
}
"""What a process finds in its environment; None is taken out.

On several threads the last digits of a long sum are others, and processes are many already. A Dask
worker has its memory trimmed at every turn: a process that inherits this spends a third of a case
on asking the system for the same memory again.
"""


@dataclasses.dataclass(slots=True)
class _Worker:
    process: BaseProcess
    line: Connection
    task: Task | None = None
    cases: int = 0

    @property
    def spent(self) -> bool:
        """Whether it ended, or has had its cases."""
        return self.cases >= _CASES_A_PROCESS or self.process.exitcode is not None


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
                task, done = _answer(worker)
                if worker.spent:
                    self._workers.remove(worker)
                    _dismiss(worker)
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
            _give(self._idle(), task)

    def _idle(self) -> _Worker:
        for worker in self._workers:
            if worker.task is None:
                return worker
        fresh = _started()
        self._workers.append(fresh)
        return fresh


_KEPT: list[_Worker] = []
"""Those of `apart` that wait for a case: as many as have ever been at work at once."""

_ONE_AT_A_TIME = threading.Lock()
"""A worker may have several threads, and a start changes the environment for a moment."""


def apart(task: Task, most_b: float = math.inf) -> Done:
    """As `do`, in a process that stays warm while this one waits; it ends above so many bytes.

    For the threads of a Dask worker, where a small case costs half as much again: it shares the
    interpreter with the worker's messages, and the heap with its other threads.
    """
    with _ONE_AT_A_TIME:
        multiprocessing.current_process().daemon = False  # Dask's may have no children: they stayed
        worker = _KEPT.pop() if _KEPT else _started()
    _give(worker, task)
    while not worker.line.poll(_LOOK_S):
        if _held_b(worker) > most_b:
            worker.process.kill()
    _, done = _answer(worker)
    if worker.spent:
        _dismiss(worker)
    else:
        _KEPT.append(worker)
    return done


def _held_b(worker: _Worker) -> float:
    import psutil

    try:
        return float(psutil.Process(worker.process.pid).memory_info().rss)
    except psutil.NoSuchProcess:
        return 0.0


def _give(worker: _Worker, task: Task) -> None:
    worker.task = task
    worker.cases += 1
    with suppress(OSError):  # it died while idle: the answer will tell
        worker.line.send(task)


def _answer(worker: _Worker) -> tuple[Task, Done]:
    """What became of its case."""
    task, worker.task = worker.task, None
    assert task is not None
    try:
        done = cast("Done", worker.line.recv())
    except (EOFError, OSError):
        _dismiss(worker)
        cause = f"the process that checked it ended ({_how(worker.process)})"
        return task, failed(task, cause, Exit.PROGRAM_FAULT, passing=True)
    return task, done


def _started() -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs,), daemon=True)
    with _for_libraries(), _deaf_to_ctrl_c():
        process.start()
    theirs.close()
    return _Worker(process, ours)


@contextmanager
def _for_libraries() -> Iterator[None]:
    """What is started meanwhile finds `_SAYS_TO_LIBRARIES` in its environment."""
    before = {name: os.environ.get(name) for name in _SAYS_TO_LIBRARIES}
    _put(_SAYS_TO_LIBRARIES)
    try:
        yield
    finally:
        _put(before)


def _put(values: Mapping[str, str | None]) -> None:
    for name, value in values.items():
        if value is None:
            os.environ.pop(name, None)
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

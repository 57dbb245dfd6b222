"""A Dask cluster: cases out to its workers, answers back, whatever becomes of a worker.

Notes
-----
On a cluster the worker files its own case. Results must be the bytes of a single run, and 20 MB
each are too much for a scheduler. Choice: the worker writes into the shared store and enters the
register itself; a row of the summary comes back. Three cases a thread are out at once. A straggler
is given to a second worker: both make the same folder, the first rename holds. Instead of: results
through Dask. Cost: a shared file system; a worker that does not see it, or has another version,
refuses.
"""

from __future__ import annotations

import dataclasses
import math
import statistics
import time
from collections import deque
from collections.abc import Iterable, Iterator
from typing import Any

from veneercheck.batch.processes import ATTEMPTS, apart
from veneercheck.batch.task import Done, Task, failed
from veneercheck.case.exits import Exit
from veneercheck.core.errors import RecordError, Told

_CONNECT_S = 30
_LOOK_S = 2.0
"""How often stragglers are looked for."""

_AHEAD = 3
"""Cases a thread of the cluster is given at once: it never waits for the next one, and a list of
a hundred thousand does not lie on the scheduler."""

_STRAGGLES = 6.0
"""A case that takes this many times the usual time is given to another worker as well. What it
costs if it was merely large is one check done twice; both make the same folder."""

_STRAGGLES_AT_LEAST_S = 60.0

_NEARLY = 0.95
"""The share of a worker's memory above which Dask itself ends it."""


@dataclasses.dataclass(slots=True)
class _Given:
    task: Task
    since: float
    twin: bool = False


class Cluster:
    """The workers of a Dask scheduler.

    Parameters
    ----------
    scheduler : str
        Its address, such as `tcp://host:8786`.
    straggles_s : float
        No case is given to a second worker before this time.
    threads : int
        So many are supplied with cases although fewer are there: a cluster grows by what waits.
    wait_s : float, optional
        How long to wait for the first worker; as long as it takes where nothing is said.

    Raises
    ------
    RecordError
        If Dask is not installed, no scheduler answers, or no worker comes.
    """

    def __init__(
        self,
        scheduler: str,
        straggles_s: float = _STRAGGLES_AT_LEAST_S,
        *,
        threads: int = 1,
        wait_s: float | None = None,
    ) -> None:
        self._client = _client(scheduler)
        self._straggles_s, self._threads = straggles_s, threads
        if wait_s is not None:
            self._wait_for_one(wait_s)
        self._took_s = deque[float](maxlen=200)
        self._given: dict[Any, _Given] = {}

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def check(self, tasks: Iterable[Task]) -> Iterator[Done]:
        """Check cases; what became of each comes once, as soon as it is known."""
        waiting, answered = iter(tasks), set[int]()
        self._fill(waiting)
        while self._given:
            try:
                finished = _wait(list(self._given))
            except TimeoutError:
                self._double_stragglers()
                continue
            for future in finished.done:
                given = self._given.pop(future)
                if given.task.at in answered:
                    continue
                done = self._answer(future, given)
                if done is not None:
                    answered.add(given.task.at)
                    self._drop_twins(given.task.at)
                    yield done
            self._double_stragglers()
            self._fill(waiting)

    def _wait_for_one(self, wait_s: float) -> None:
        try:
            self._client.wait_for_workers(1, timeout=wait_s)
        except TimeoutError:
            self._client.close()
            raise RecordError(
                Told("no worker came within {wait_s:g} s.", wait_s=wait_s),
                where="the cluster",
                next_step="Look at what its workers say; their memory, image and folders must be "
                "there.",
            ) from None

    def _fill(self, waiting: Iterator[Task]) -> None:
        """Keep every thread supplied; where there is no worker yet, some cases wait for one."""
        threads = max(self._threads, sum(self._client.nthreads().values()))
        while len(self._given) < _AHEAD * threads:
            task = next(waiting, None)
            if task is None:
                return
            self._give(task)

    def _give(self, task: Task, *, not_to: frozenset[str] = frozenset()) -> None:
        others = [name for name in self._client.nthreads() if name not in not_to]
        future = self._client.submit(
            _on_a_worker,
            task,
            key=f"veneercheck-{id(self)}-{task.at}-{task.attempt}-{time.monotonic_ns()}",
            workers=others if not_to else None,
            pure=False,
        )
        self._given[future] = _Given(task, time.monotonic(), twin=bool(not_to))

    def _answer(self, future: Any, given: _Given) -> Done | None:
        """What came back; None where the case is tried again, or its twin still runs."""
        task = given.task
        try:
            done: Done = future.result()
        except Exception as error:  # a lost worker, a lost scheduler: each has errors of its own
            words = f"the cluster lost it ({type(error).__name__}: {error})"
            done = failed(task, words, Exit.PROGRAM_FAULT, passing=True)
        else:
            self._took_s.append(time.monotonic() - given.since)
        if not done.passing:
            return done
        if any(other.task.at == task.at for other in self._given.values()):
            return None
        if task.attempt >= ATTEMPTS or self._client.status != "running":
            return done
        self._give(dataclasses.replace(task, attempt=task.attempt + 1))
        return None

    def _double_stragglers(self) -> None:
        usual_s = statistics.median(self._took_s) if self._took_s else 0.0
        late_s = max(self._straggles_s, _STRAGGLES * usual_s)
        now = time.monotonic()
        late = [
            (future, given)
            for future, given in self._given.items()
            if not given.twin and now - given.since > late_s
        ]
        if not late:
            return
        at_work = self._client.processing()
        for future, given in late:
            holders = frozenset(name for name, keys in at_work.items() if future.key in keys)
            if holders and len(self._client.nthreads()) > len(holders):
                given.twin = True
                self._give(given.task, not_to=holders)

    def _drop_twins(self, at: int) -> None:
        for future in [one for one, given in self._given.items() if given.task.at == at]:
            del self._given[future]
            future.cancel()


def _on_a_worker(task: Task) -> Done:
    """There: Dask sees what its worker holds, not its children, so the limit is looked after."""
    import distributed

    untyped: Any = distributed
    most_b = untyped.get_worker().memory_manager.memory_limit
    return apart(task, _NEARLY * most_b if most_b else math.inf)


def _wait(futures: list[Any]) -> Any:
    import distributed

    untyped: Any = distributed
    return untyped.wait(futures, timeout=_LOOK_S, return_when="FIRST_COMPLETED")


def _client(scheduler: str) -> Any:
    try:
        import distributed
    except ModuleNotFoundError as error:
        raise RecordError(
            Told("a cluster needs what is not installed ({name}).", name=error.name),
            next_step="Install it: pip install 'veneercheck[batch]'.",
        ) from None
    untyped: Any = distributed
    try:
        return untyped.Client(scheduler, timeout=_CONNECT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise RecordError(
            Told("no scheduler answers ({name}).", name=type(error).__name__),
            where=scheduler,
            next_step="Start one with «dask scheduler», workers with «dask worker», and give its "
            "address as tcp://host:port.",
        ) from None

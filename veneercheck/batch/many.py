"""Many cases, each into a folder of its own: one that fails stops none of the others.

Notes
-----
Many cases keep no journal. A run is killed, repeated, extended, or runs twice at once. Choice: what
is finished is what lies there: `filing` names a folder by the hash of scans, case, limits and
version, makes it aside and renames it. Instead of: a list of what was done, which can differ from
what is there. Cost: a restart reads every scan once to hash it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from veneercheck.batch.again import finished_folders
from veneercheck.batch.cluster import Cluster
from veneercheck.batch.listing import tasks_of
from veneercheck.batch.pairing import lone_words, look_through
from veneercheck.batch.processes import Processes
from veneercheck.batch.start import read_start, started
from veneercheck.batch.summary import Summary
from veneercheck.batch.task import Asked, Task
from veneercheck.core.errors import ProfileError, RecordError, Told
from veneercheck.machine.aside import ASIDE, leave_aside
from veneercheck.record.filing import initials

Say = Callable[[str], None]

_SAY_EVERY_S = 2.0
_WRITE_EVERY_S = 30.0


def check_many(
    cases: Path,
    asked: Asked,
    *,
    processes: int,
    scheduler: str | None = None,
    cluster: Path | None = None,
    say: Say,
) -> Summary:
    """Check every case of a list or a folder.

    Parameters
    ----------
    cases : Path
        A list (TOML or CSV), or a folder.
    processes : int
        On this machine.
    scheduler : str, optional
        Address of a Dask scheduler; its workers check in place of processes here.
    cluster : Path, optional
        File of a cluster (`batch.start`) that is started for this, and ended after it.
    say : callable
        Told how far it is.

    Returns
    -------
    Summary
        Written to `summary.csv` too, also where it was stopped.

    Raises
    ------
    VeneerCheckError
        If the list, the store, the register or the cluster cannot be used. A case that is
        refused is a row of the summary.
    """
    tasks = _tasks(cases, asked, say)
    prepare(asked)
    summary = Summary(len(tasks), asked.store)
    try:
        with _hands(asked, min(processes, len(tasks)), scheduler, cluster) as hands:
            _gather(summary, hands, tasks, say)
    except KeyboardInterrupt:
        raise KeyboardInterrupt(summary.so_far()) from None
    finally:
        leave_aside(asked.store)
        summary.write()
    return summary


@contextmanager
def _hands(
    asked: Asked, processes: int, scheduler: str | None, cluster: Path | None
) -> Iterator[Cluster | Processes]:
    """Who checks: processes here, the workers of a scheduler, or those of a cluster of our own."""
    if cluster is None:
        with Cluster(scheduler) if scheduler else Processes(processes) as hands:
            yield hands
        return
    if scheduler is not None:
        raise ProfileError(
            "one cluster is asked for, and another one is to be started.",
            where="--cluster and --scheduler",
            next_step="Give one of them.",
        )
    start = read_start(cluster)
    if start.where != "here" and asked.register is not None and "://" not in asked.register:
        raise ProfileError(
            "a register in a file is not for several machines.",
            where=asked.register,
            next_step="Give --register postgresql://user@host/name.",
        )
    with (
        started(start) as address,
        Cluster(address, threads=start.most, wait_s=start.wait_s) as hands,
    ):
        yield hands


def prepare(asked: Asked) -> None:
    """Refuse what no case could be filed under; lay the store and the register."""
    if asked.who is not None:
        initials(asked.who)
    try:
        (asked.store / ASIDE).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(
            Told("nothing can be written there ({why}).", why=error.strerror or error),
            where=str(asked.store),
            next_step="Choose another folder with --out.",
        ) from None
    if asked.register is not None:
        from veneercheck.record import Register

        Register(asked.register).close()


def _gather(summary: Summary, hands: Cluster | Processes, tasks: list[Task], say: Say) -> None:
    began = said = written = time.monotonic()
    for done in hands.check(tasks):
        summary.add(done)
        now = time.monotonic()
        if now - said > _SAY_EVERY_S or len(summary.done) == len(tasks):
            said = now
            say(summary.progress(now - began))
        if now - written > _WRITE_EVERY_S:
            written = now
            summary.write()


def _tasks(cases: Path, asked: Asked, say: Say) -> list[Task]:
    """The cases of a list, a folder or an archive; what could not be paired is told."""
    if asked.again:
        return _archived(cases, asked)
    if not cases.is_dir():
        return tasks_of(cases, asked)
    found, lone = look_through(cases, asked.store)
    tasks = [one.task(at, asked) for at, one in enumerate(found)]
    if not tasks:
        told = "; ".join(lone_words(lone[:3])) or Told("no scan and no case file")
        raise RecordError(
            Told("there is no case in it ({told}).", told=told),
            where=str(cases),
            next_step="Name scans D-0001_framework.stl and D-0001_waxup.stl, or write case files.",
        )
    for words in lone_words(lone):
        say(words)
    return tasks


def _archived(archive: Path, asked: Asked) -> list[Task]:
    if asked.unit or asked.stage or asked.aligned:
        raise ProfileError(
            "a finished check keeps its own unit, stage and frame.",
            where="--again",
            next_step="Leave --unit, --stage and --aligned out; --profile may be another.",
        )
    if asked.store.resolve() == archive.resolve():
        raise RecordError(
            "the results in it would be held against themselves.",
            where=str(archive),
            next_step="Give --out another folder for the new results.",
        )
    folders = finished_folders(archive, asked.store)
    if not folders:
        raise RecordError(
            "there is no finished check in it.",
            where=str(archive),
            next_step="Give a folder that holds case folders, as --out of check, batch or watch.",
        )
    return [Task(at, asked, finished=str(folder)) for at, folder in enumerate(folders)]

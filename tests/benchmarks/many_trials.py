"""Long trials of many cases; each prints what it found, and goes on where it was stopped.

``OPENBLAS_NUM_THREADS=1 python tests/benchmarks/many_trials.py rate FOLDER [--cases 200]``
    processor time of a case among many against the same case checked alone in a warm process;
    start-up told apart; one thread for both, as the program itself sets it
``python tests/benchmarks/many_trials.py cluster FOLDER [--cases 200]``
    the same cases by local processes and by two Dask workers, one of them killed midway
``python tests/benchmarks/many_trials.py dask FOLDER [--cases 100]``
    the rate again, with a cluster of one worker in place of a local process
``python tests/benchmarks/many_trials.py crowd FOLDER [--cases 10000] [--kills 60] [--real]``
    so many through two Dask workers, one of which is killed at random every few seconds; the check
    itself is a stand-in, so that handing out, filing and the register are what is tried; with
    ``--real`` each is checked; with ``--postgresql`` in a database started for it, not in SQLite
``python tests/benchmarks/many_trials.py slow FOLDER [--cases 40]``
    the same with one worker that is merely slow, most of whose cases are given to the other too
``python tests/benchmarks/many_trials.py kills FOLDER [--kills 100]``
    kills at random moments of batch and watch: nothing lost, doubled or half there
``python tests/benchmarks/many_trials.py flat FOLDER [--cases 10000]``
    memory of the process that asks and of those that check, over many cases
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import csv
import dataclasses
import json
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil

import many_cases
import record_trials
from veneercheck.batch import Asked, check_many
from veneercheck.batch import cluster as workers_of_dask
from veneercheck.batch.cluster import Cluster
from veneercheck.batch.listing import tasks_of
from veneercheck.batch.many import prepare
from veneercheck.batch.processes import Processes, apart
from veneercheck.batch.task import CHECKED, FAILED, Task, do
from veneercheck.case.order import Order, settle
from veneercheck.case.run import carry_out
from veneercheck.machine.aside import ASIDE
from veneercheck.record import Register
from veneercheck.record.confirm import confirm

RUNS, EVERY_S = 1 / 40, 0.4
"""Share of the time in which a slow worker runs, and how often it does."""

IDLE_WITHIN_S = 300.0

ROUND = 10
"""Kills before a list is let finish and its register confirmed."""

KILL_WITHIN_S = 5.0

CASES_A_KILL = 20
"""At least so many are done between two kills, however slow the machine is."""

CASES_A_ROUND = 24


def silent(_: str) -> None:
    pass


def case_folders(store: Path) -> list[Path]:
    return sorted(path for path in store.glob("*") if path.is_dir() and path.name != ASIDE)


def without_times(folder: Path) -> dict[str, Any]:
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    del result["checked_at_utc"]
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    kept = {"result.json": result}
    for path in files:
        if path.name != "result.json":
            kept[path.relative_to(folder).as_posix()] = path.read_bytes()
    return kept


def rate(folder: Path, cases: int) -> None:
    """Each case both ways in turn, so that what else the machine does weighs on both alike.

    Processor time, not the clock. What is not alone is among many: the start of its process, the
    first case that is slower, what the asking process does for it, and its end.
    """
    listing = many_cases.write_cases(folder / "cases", cases)
    for name in ("alone", "many"):
        shutil.rmtree(folder / name, ignore_errors=True)
    asked = Asked(folder / "many", with_report=False)
    tasks = tasks_of(listing, asked)
    prepare(asked)
    alone_cpu_s(tasks[0], folder / "warm")
    began, alone_s, many_s = os.times(), [], []
    with Processes(1) as hands:
        for done in hands.check(tasks):
            if done.state != CHECKED:
                raise SystemExit(f"{done.case} tells no rate: {done.state} {done.cause}")
            many_s.append(done.cpu_s)
            alone_s.append(alone_cpu_s(tasks[done.at], folder / "alone"))
    ended = os.times()
    spent = sum(ended[:4]) - sum(began[:4]) - sum(alone_s)
    print(f"{len(many_s)} cases, processor time a case, in s:")
    print(f"  alone, warm:            {sum(alone_s) / cases:.4f}")
    print(f"  among many:             {sum(many_s[1:]) / (cases - 1):.4f} (first {many_s[0]:.3f})")
    print(f"  with start, asking, end: {spent / cases:.4f}")
    print(f"  rate a core against alone, warm: {sum(alone_s[1:]) / sum(many_s[1:]):.3f}")
    print(f"  rate a core against alone, start and all: {sum(alone_s) / spent:.3f}")


def alone_cpu_s(task: Task, out: Path) -> float:
    """Check one case in this process."""
    began = time.process_time()
    order = Order(Path(str(task.framework)), Path(str(task.waxup)), unit="mm", aligned=True)
    carry_out(settle(order), out=out / str(task.number), with_report=False)
    return time.process_time() - began


def dask_rate(folder: Path, cases: int) -> None:
    """As `rate`, by one Dask worker; scheduler and nanny count as what the case costs, too.

    Each case is checked alone as its answer comes, so that both meet the machine alike.
    """
    import distributed

    listing = many_cases.write_cases(folder / "cases", cases)
    for name in ("alone", "dask"):
        shutil.rmtree(folder / name, ignore_errors=True)
    asked = Asked(folder / "dask", with_report=False)
    tasks = tasks_of(listing, asked)
    prepare(asked)
    alone_cpu_s(tasks[0], folder / "warm")
    many_s, alone_s = [], []
    began = os.times()
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=":0") as here,
        Cluster(here.scheduler_address) as hands,
    ):
        for done in hands.check(tasks):
            if done.state != CHECKED:
                raise SystemExit(f"{done.case} tells no rate: {done.state} {done.cause}")
            many_s.append(done.cpu_s)
            alone_s.append(alone_cpu_s(tasks[done.at], folder / "alone"))
    ended = os.times()
    spent = sum(ended[:4]) - sum(began[:4]) - sum(alone_s)
    print(f"{cases} cases, processor time a case, in s:")
    print(f"  alone, warm:             {sum(alone_s) / cases:.4f}")
    print(f"  in the worker:           {sum(many_s[1:]) / (cases - 1):.4f} (first {many_s[0]:.3f})")
    print(f"  with cluster, start, end: {spent / cases:.4f}")
    print(f"  rate against alone: {sum(alone_s[1:]) / sum(many_s[1:]):.3f}")


def cluster(folder: Path, cases: int) -> None:
    listing = many_cases.write_cases(folder / "cases", cases)
    here, there = folder / "local", folder / "cluster"
    clock = time.perf_counter()
    local = check_many(listing, Asked(here, with_report=False), processes=2, say=print)
    print(f"local, two processes: {time.perf_counter() - clock:.1f} s")
    shutil.rmtree(there, ignore_errors=True)
    there.mkdir(parents=True)
    with many_cases.two_workers(folder) as workers:

        def kill_midway() -> None:
            while len(case_folders(there)) < cases // 2:
                time.sleep(0.05)
            victim = next(iter(workers.workers.values())).pid
            os.kill(victim, signal.SIGKILL)
            print(f"killed worker {victim} after {len(case_folders(there))} cases")

        thread = threading.Thread(target=kill_midway)
        thread.start()
        clock = time.perf_counter()
        far = check_many(
            listing,
            Asked(there, with_report=False),
            processes=1,
            scheduler=workers.scheduler_address,
            say=print,
        )
        print(f"cluster: {time.perf_counter() - clock:.1f} s")
        thread.join()
    names = [path.name for path in case_folders(here)]
    alike = sum(without_times(here / name) == without_times(there / name) for name in names)
    print(f"failed: {sum(d.state == FAILED for s in (local, far) for d in s.done.values())}")
    print(f"cases: {len(names)} local, {len(case_folders(there))} cluster; equal: {alike}")


class Watched(Cluster):
    """A cluster that counts the cases it gave to a second worker."""

    doubled = 0

    def _give(self, task: Task, *, not_to: frozenset[str] = frozenset()) -> None:
        self.doubled += bool(not_to)
        super()._give(task, not_to=not_to)


@contextlib.contextmanager
def throttled(process: int) -> Iterator[None]:
    """Let a worker and the process that checks for it run for a small part of the time only."""
    end = threading.Event()

    def throttle() -> None:
        with contextlib.suppress(psutil.NoSuchProcess):
            while not end.is_set():
                own = psutil.Process(process)
                held = [own, *own.children()]
                for one in held:
                    one.suspend()
                end.wait((1.0 - RUNS) * EVERY_S)
                for one in held:
                    one.resume()
                end.wait(RUNS * EVERY_S)

    thread = threading.Thread(target=throttle)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join()


def slow_worker(folder: Path, cases: int) -> dict[str, int]:
    """Cases by two workers, one of them throttled, into a register; then the same ones here.

    The slow one goes on with what was given to the other as well, until it is done too.
    """
    listing = many_cases.write_cases(folder / "cases", cases)
    asked = Asked(folder / "slow", with_report=False, register=str(folder / "r.sqlite"))
    tasks = tasks_of(listing, asked)
    prepare(asked)
    with many_cases.two_workers(folder) as local:
        slow = next(iter(local.workers.values()))
        with Watched(local.scheduler_address, straggles_s=1.0) as hands:
            hands._client.run(warm)
            with throttled(slow.pid):
                found = list(hands.check(tasks))
            hands._client.run(idle)
            doubled = hands.doubled
    here = Asked(folder / "here", with_report=False)
    check_many(listing, here, processes=1, say=silent)
    names = [path.name for path in case_folders(here.store)]
    with Register(str(asked.register)) as register:
        on_record = [row["case_number"] for row in register.list_checks()]
        faults = confirm(register, repeat=False).differences
    there = [path.name for path in case_folders(asked.store)]
    return {
        "cases": cases,
        "given_twice": doubled,
        "answers": len({done.at for done in found}),
        "failed": sum(done.state == FAILED for done in found),
        "folders": len(there),
        "equal": sum(
            without_times(here.store / n) == without_times(asked.store / n) for n in names
        ),
        "on_record": len(on_record),
        "doubled_on_record": len(on_record) - len(set(on_record)),
        "faults": len(faults),
        "left_aside": len(list((asked.store / ASIDE).glob("*"))),
    }


class StandIn:
    """Set up in every worker that comes: a check that was made once, under each case's number.

    It also takes the time of what the register does with a case. Without what was made, checks are
    made as they are. All of it in the worker itself, where what is set up is seen.
    """

    name = "stand-in"

    def __init__(self, made: Path | None, times: Path) -> None:
        self.made, self.times = made, times

    def setup(self, worker: Any) -> None:
        """Put the stand-in where the check would be made."""
        vars(workers_of_dask)["apart"] = lambda task, _: do(task)
        if self.made is not None:
            self._replace_the_check(self.made)
        append, place = Register.append, self.times / f"{worker.id}-{os.getpid()}.csv"

        def timed(own: Register, *args: Any, **more: Any) -> Any:
            began, cpu = time.perf_counter(), time.process_time()
            entry = append(own, *args, **more)
            took = (time.perf_counter() - began, time.process_time() - cpu)
            with place.open("a", encoding="utf-8") as file:
                file.write(f"{took[0]},{took[1]}\n")
            return entry

        # The trial's own worker ends with it: what it times is the very method that files.
        Register.append = timed  # type: ignore[method-assign]  # put in for the trial alone

    @staticmethod
    def _replace_the_check(made: Path) -> None:
        from veneercheck.record import filing

        result = json.loads((made / "result.json").read_text(encoding="utf-8"))

        def carry_out(work: Any, *, out: Path, **_: Any) -> None:
            result["case"]["number"] = work.case.number
            (out / "result.json").write_text(json.dumps(result), encoding="utf-8")
            for name in ("space.ply", "zones.csv"):
                shutil.copyfile(made / name, out / name)

        vars(filing)["carry_out"] = carry_out


def crowd(folder: Path, cases: int, kills: int, place: str, *, real: bool) -> dict[str, Any]:
    """Many cases through two workers, one of which is killed again and again."""
    folder.mkdir(parents=True, exist_ok=True)
    listing = folder / "cases" / "cases.csv"
    if not listing.exists():
        many_cases.write_cases(folder / "cases", cases)
    asked = Asked(folder / "out", with_report=False, register=place)
    made, times = folder / "made", folder / "times"
    times.mkdir(exist_ok=True)
    first = tasks_of(listing, asked)[0]
    order = Order(Path(str(first.framework)), Path(str(first.waxup)), unit="mm", aligned=True)
    carry_out(settle(order), out=made, with_report=False)
    killed = threading.Event()
    count, began = [0], time.perf_counter()
    with many_cases.two_workers(folder) as local:
        with Cluster(local.scheduler_address) as own:
            own._client.register_plugin(_plugin(None if real else made, times))

        def kill() -> None:
            chance, done = random.Random(9), 0
            while count[0] < kills and not killed.wait(chance.uniform(1.0, 20.0)):
                # one that is only just starting is not begun again by Dask, and none would be left
                known = local.scheduler.workers
                running = [one for one in local.workers.values() if one.worker_address in known]
                victim = chance.choice(running).pid if running else None
                there = len(case_folders(asked.store))
                if victim is not None and there >= done + CASES_A_KILL:
                    done = there
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(victim, signal.SIGKILL)
                        count[0] += 1

        thread = threading.Thread(target=kill)
        thread.start()
        try:
            summary = check_many(
                listing, asked, processes=1, scheduler=local.scheduler_address, say=print
            )
        finally:
            killed.set()
            thread.join()
    took = {"kills": count[0], "took_s": round(time.perf_counter() - began)}
    return {**took, **_of_a_crowd(asked, cases, summary), **_spent(times)}


@contextlib.contextmanager
def register_for(folder: Path, *, postgresql: bool) -> Iterator[str]:
    """A place for a register: a file in the folder, or a database started for it."""
    programs = record_trials.programs_of_postgresql() if postgresql else None
    if not postgresql:
        yield str(folder / "r.sqlite")
    elif programs is None:
        raise SystemExit("PostgreSQL is not installed")
    else:
        with record_trials.postgresql(programs) as server:
            yield record_trials.new_database(server, "crowd")


def _plugin(made: Path | None, times: Path) -> Any:
    import distributed

    base: Any = distributed.WorkerPlugin

    class Plugin(StandIn, base):  # type: ignore[misc]  # distributed tells no types
        pass

    return Plugin(made, times)


def _of_a_crowd(asked: Asked, cases: int, summary: Any) -> dict[str, Any]:
    """What is lost, doubled, out of order or not as it was filed."""
    expected = [f"C-{at:06d}" for at in range(cases)]
    with (asked.store / "summary.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with Register(str(asked.register)) as register:
        on_record = [row["case_number"] for row in register.list_checks()]
        faults = confirm(register, repeat=False).differences
    folders = [path.name.rpartition("-")[0] for path in case_folders(asked.store)]
    return {
        "cases": cases,
        "failed": sum(done.state == FAILED for done in summary.done.values()),
        "in_order": [row["case"] for row in rows] == expected,
        "lost": len(set(expected) - set(on_record)) + len(set(expected) - set(folders)),
        "doubled": len(on_record) + len(folders) - len(set(on_record)) - len(set(folders)),
        "faults": len(faults),
        "left_aside": len(list((asked.store / ASIDE).glob("*"))),
        "tried_again": sum(int(row["attempts"]) > 1 for row in rows),
        "was_there": sum(row["state"] == "was there" for row in rows),
    }


def _spent(times: Path) -> dict[str, float]:
    """What an entry in the register took, in ms: by the clock (median) and of the processor."""
    lines = [line for path in times.glob("*.csv") for line in path.read_text("utf-8").split()]
    both = [tuple(map(float, line.split(","))) for line in lines if line.count(",") == 1]
    clock, cpu = zip(*both, strict=True)
    return {
        "entry_ms": round(1e3 * statistics.median(clock), 2),
        "entry_cpu_ms": round(1e3 * statistics.fmean(cpu), 2),
    }


def warm() -> None:
    """Have a worker start the process that checks, so that starting it is not what is slow."""
    apart(Task(0, Asked(Path()), version="a case that is refused"))


async def idle(dask_worker: Any) -> None:
    """Wait until a worker has nothing left in hand, though nobody waits for it any more."""
    end = time.monotonic() + IDLE_WITHIN_S
    while dask_worker.active_threads and time.monotonic() < end:
        await asyncio.sleep(0.05)


@dataclasses.dataclass
class Tally:
    """What was found so far."""

    kills: int = 0
    rounds: int = 0
    faults: list[str] = dataclasses.field(default_factory=list)


def kills(folder: Path, count: int) -> None:
    state = folder / "tally.json"
    tally = Tally(**json.loads(state.read_text("utf-8"))) if state.exists() else Tally()
    while tally.kills < count:
        kind = ("batch", "watch")[tally.rounds % 2]
        rng = random.Random(tally.rounds)
        place = folder / f"round {tally.rounds}"
        shutil.rmtree(place, ignore_errors=True)
        for _ in range(ROUND):
            killed(kind, place, rng)
            tally.faults += list(half_there(place / "out"))
        tally.faults += list(finished(kind, place))
        tally.kills += ROUND
        tally.rounds += 1
        state.write_text(json.dumps(dataclasses.asdict(tally)), encoding="utf-8")
        print(f"{tally.kills} kills, {tally.rounds} rounds, faults: {tally.faults}", flush=True)
        shutil.rmtree(place)


def command(kind: str, place: Path) -> list[str]:
    if not place.exists():
        if kind == "batch":
            many_cases.write_cases(place, CASES_A_ROUND)
        else:
            for at in range(CASES_A_ROUND):
                many_cases.write_case(place / "in", f"C-{at:06d}", many_cases.depth_of(at))
    own = ["cases.csv"] if kind == "batch" else ["in", "--once", "--still", "0.1"]
    every = ["--unit", "mm", "--aligned", "--no-report", "--register", "r.sqlite", "--out", "out"]
    return [sys.executable, "-m", "veneercheck", kind, *own, *every, "--processes", "1"]


def killed(kind: str, place: Path, rng: random.Random) -> None:
    """Kill the one who asks, or all of them, at a random moment."""
    quiet = subprocess.DEVNULL
    words = command(kind, place)
    process = subprocess.Popen(words, cwd=place, stdout=quiet, stderr=quiet, start_new_session=True)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(rng.uniform(0.3, KILL_WITHIN_S))
    if rng.random() < 0.5:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.wait()


def half_there(store: Path) -> Iterator[str]:
    for path in case_folders(store):
        names = {one.name for one in path.iterdir()}
        if not {"order.json", "result.json", "space.ply", "zones.csv", "scans"} <= names:
            yield f"{path} is half there: {sorted(names)}"


def finished(kind: str, place: Path) -> Iterator[str]:
    """Let it finish; every case must be there once, on record once, and as it was filed."""
    code = subprocess.run(
        command(kind, place), cwd=place, capture_output=True, check=False
    ).returncode
    if code != 1:
        yield f"{place}: ended with {code}"
    expected = [f"C-{at:06d}" for at in range(CASES_A_ROUND)]
    with Register(place / "r.sqlite") as register:
        on_record = sorted(row["case_number"] for row in register.list_checks())
        for difference in confirm(register, repeat=False).differences:
            yield str(difference)
    there = [path.name.rpartition("-")[0] for path in case_folders(place / "out")]
    for what, names in (("record", on_record), ("folders", there)):
        if names != expected:
            yield f"{place}: {what}: {names}"
    left = list((place / "out" / ASIDE).glob("*"))
    if left:
        yield f"{place}: left aside: {left}"


def flat(folder: Path, cases: int) -> None:
    listing = folder / "cases" / "cases.csv"
    if not listing.exists():
        many_cases.write_cases(folder / "cases", cases)
    began, said = time.perf_counter(), [0.0]

    def say(words: str) -> None:
        now = time.perf_counter() - began
        if now - said[0] > 30.0:
            said[0] = now
            print(f"{now:.0f} s: {words}; asking process {own_mb():.0f} MB", flush=True)

    check_many(listing, Asked(folder / "out", with_report=False), processes=1, say=say)
    memory_told(folder / "out" / "summary.csv")


def own_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def memory_told(table: Path) -> None:
    """Greatest memory of a process that checks, by hundred cases; each process has 500."""
    with table.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["state"] == "checked"]
    print(f"{len(rows)} checked in this run")
    for at in range(0, len(rows), 100):
        some = rows[at : at + 100]
        cpu = sum(float(row["cpu_s"]) for row in some) / len(some)
        print(f"{at:6d}: {max(float(r['peak_mb']) for r in some):6.1f} MB, {cpu:.3f} s a case")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "what", choices=("rate", "dask", "cluster", "crowd", "slow", "kills", "flat")
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cases", type=int)
    parser.add_argument("--kills", type=int)
    parser.add_argument("--real", action="store_true")
    parser.add_argument("--postgresql", action="store_true")
    told = parser.parse_args()
    if told.what == "kills":
        kills(told.folder, told.kills or 100)
    elif told.what == "crowd":
        with register_for(told.folder, postgresql=told.postgresql) as place:
            print(crowd(told.folder, told.cases or 10000, told.kills or 60, place, real=told.real))
    elif told.what == "dask":
        dask_rate(told.folder, told.cases or 100)
    elif told.what == "rate":
        rate(told.folder, told.cases or 200)
    elif told.what == "slow":
        print(slow_worker(told.folder, told.cases or 40))
    elif told.what == "cluster":
        cluster(told.folder, told.cases or 200)
    else:
        flat(told.folder, told.cases or 10000)


if __name__ == "__main__":
    main()

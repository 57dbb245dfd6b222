"""Many cases: one that fails stops none, kills lose and double nothing, results are those of one.

Expected values: verdicts by construction (depth of the cut less 0.2 mm of opaquer, against 1.0 and
2.0 mm); results of many against those of the same case checked alone.
"""

from __future__ import annotations

import contextlib
import csv
import dataclasses
import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import psutil
import pytest

import many_cases
import many_trials
import program
from veneercheck.batch import Asked, check_many, processes
from veneercheck.batch.listing import tasks_of
from veneercheck.batch.many import prepare
from veneercheck.batch.processes import ATTEMPTS, Processes
from veneercheck.batch.summary import Summary
from veneercheck.batch.task import CHECKED, FAILED, THERE, Done, Task, do
from veneercheck.case.exits import Exit, gravest
from veneercheck.case.order import Order, settle
from veneercheck.case.run import carry_out
from veneercheck.core.errors import ProfileError, RecordError
from veneercheck.machine.aside import ASIDE
from veneercheck.record import Register


def silent(_: str) -> None:
    pass


def asked(folder: Path, **more: Any) -> Asked:
    return Asked(folder / "out", with_report=False, **more)


def check_here(listing: Path, told: Asked) -> None:
    """All cases of a list, in this process."""
    prepare(told)
    for task in tasks_of(listing, told):
        done = do(task)
        assert done.state == CHECKED, done.cause


def rows_of(folder: Path) -> list[dict[str, str]]:
    with (folder / "out" / "summary.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def folders(store: Path) -> list[Path]:
    return sorted(path for path in store.iterdir() if path.is_dir() and path.name != ASIDE)


def without_times(folder: Path) -> dict[str, Any]:
    """What a case folder says; of its result everything but when it was checked."""
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    del result["checked_at_utc"]
    names = ("space.ply", "contour.ply", "zones.csv")
    return {"result": result, **{name: (folder / name).read_bytes() for name in names}}


def alone(folder: Path, name: str, out: Path, number: str | None = None) -> dict[str, Any]:
    """The same case by a check of its own."""
    framework, waxup = folder / f"{name}_framework.stl", folder / f"{name}_waxup.stl"
    work = settle(Order(framework, waxup, unit="mm", aligned=True))
    named = dataclasses.replace(work.case, number=number)
    carry_out(dataclasses.replace(work, case=named), out=out, with_report=False)
    return without_times(out)


def write_list(folder: Path, rows: list[str]) -> Path:
    listing = folder / "cases.csv"
    listing.write_text("\n".join(["framework,waxup,unit,aligned", *rows]) + "\n", encoding="utf-8")
    return listing


def test_one_that_fails_stops_none_and_results_are_those_of_one(tmp_path: Path) -> None:
    rows = []
    for name, depth_mm in (("thin", 0.9), ("good", 1.6)):
        many_cases.write_case(tmp_path, name, depth_mm)
        rows.append(f"{name}_framework.stl,{name}_waxup.stl,mm,yes")
    (tmp_path / "cut.stl").write_bytes((tmp_path / "thin_framework.stl").read_bytes()[:9000])
    rows[1:1] = ["cut.stl,thin_waxup.stl,mm,yes", "none.stl,thin_waxup.stl,mm,yes"]
    summary = check_many(write_list(tmp_path, rows), asked(tmp_path), processes=2, say=silent)
    told = rows_of(tmp_path)
    assert [row["state"] for row in told] == [CHECKED, FAILED, FAILED, CHECKED]
    assert [int(row["code"]) for row in told] == [1, 3, 3, 0]
    assert [row["verdict"] for row in told] == ["findings", "", "", "no findings"]
    assert "its header names 320 triangles" in told[1]["cause"]
    assert "none.stl" in told[2]["cause"]
    assert summary.code is Exit.REFUSED
    assert "2  failed" in summary.words()
    assert len(folders(tmp_path / "out")) == 2
    assert not (tmp_path / "out" / ASIDE).exists(), "nothing is left of the work"
    for row, name in ((told[0], "thin"), (told[3], "good")):
        assert without_times(Path(row["folder"])) == alone(tmp_path, name, tmp_path / name)


def test_finished_work_is_not_done_again(tmp_path: Path) -> None:
    """The same scans with the same settings are finished; a changed scan or limit is not."""
    listing = many_cases.write_cases(tmp_path, 2)
    check_here(listing, asked(tmp_path))
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "out").rglob("result.json")}
    again = check_many(listing, asked(tmp_path), processes=1, say=silent)
    assert [done.state for done in again.done.values()] == [THERE, THERE]
    assert {p: p.stat().st_mtime_ns for p in (tmp_path / "out").rglob("result.json")} == before
    (tmp_path / "own.toml").write_text('name = "own"\n[layer]\nleast_mm = 0.4\n', "utf-8")
    own = asked(tmp_path, profile=str(tmp_path / "own.toml"))
    assert do(tasks_of(listing, own)[0]).state == CHECKED
    many_cases.write_case(tmp_path / "000", "C-000001", 1.6)
    changed = [do(task) for task in tasks_of(listing, asked(tmp_path))]
    assert [done.state for done in changed] == [THERE, CHECKED]
    assert [done.code for done in changed] == [1, 0]
    assert len(folders(tmp_path / "out")) == 4


def test_an_archive_is_checked_again_and_tells_what_changed(tmp_path: Path) -> None:
    """The same limits say the same to the last digit; a lower least layer lets a thin one pass."""
    listing = many_cases.write_cases(tmp_path, 3)
    check_here(listing, asked(tmp_path))
    archive = folders(tmp_path / "out")
    before = {path: path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()}
    told = Asked(tmp_path / "same", with_report=False, again=True)
    same = check_many(tmp_path / "out", told, processes=1, say=silent)
    assert [done.change for done in same.done.values()] == ["the same"] * 3
    assert "3  the same to the last digit" in same.words()
    (tmp_path / "own.toml").write_text('name = "own"\n[layer]\nleast_mm = 0.2\n', "utf-8")
    (archive[1] / "scans" / "waxup.stl").write_bytes(b"another")
    (archive[2] / "order.json").write_text("{", encoding="utf-8")
    own = dataclasses.replace(
        told, store=tmp_path / "own", profile=str(tmp_path / "own.toml"), register=None
    )
    found = check_many(tmp_path / "out", own, processes=1, say=silent)
    first, second, third = found.done.values()
    assert (first.before, first.verdict) == ("findings", "no findings")
    assert "verdict was findings, is no findings" in first.change
    assert "profile.layer.least_mm was 1.0, is 0.2" in first.change
    assert "its SHA-256 differs" in second.cause and "cannot be read" in third.cause
    assert "1  with another verdict" in found.words()
    assert before[archive[0] / "result.json"] == (archive[0] / "result.json").read_bytes()
    with pytest.raises(ProfileError, match="keeps its own unit"):
        check_many(tmp_path, dataclasses.replace(told, unit="mm"), processes=1, say=silent)
    with pytest.raises(RecordError, match="against themselves"):
        check_many(told.store, told, processes=1, say=silent)
    with pytest.raises(RecordError, match="no finished check"):
        check_many(tmp_path / "000", told, processes=1, say=silent)


def test_a_process_that_dies_takes_no_case_along(tmp_path: Path) -> None:
    tasks = tasks_of(many_cases.write_cases(tmp_path, 3), asked(tmp_path))
    (tmp_path / "out").mkdir()
    found = []
    with Processes(2) as hands:
        for done in hands.check(tasks):
            if not found:
                for child in multiprocessing.active_children():
                    child.kill()
            found.append(done)
    assert sorted(done.at for done in found) == [0, 1, 2]
    assert all(done.state in (CHECKED, THERE) for done in found)
    assert max(done.attempts for done in found) == 2, "whoever was killed was tried again"


def test_a_case_that_always_ends_its_process_is_given_up_with_a_cause(tmp_path: Path) -> None:
    tasks = tasks_of(many_cases.write_cases(tmp_path, 1), asked(tmp_path))
    ended = threading.Event()

    def killer() -> None:
        while not ended.wait(0.02):
            for child in multiprocessing.active_children():
                child.kill()

    thread = threading.Thread(target=killer)
    thread.start()
    try:
        with Processes(1) as hands:
            (done,) = hands.check(tasks)
    finally:
        ended.set()
        thread.join()
    assert (done.state, done.attempts, done.code) == (FAILED, ATTEMPTS, Exit.PROGRAM_FAULT)
    assert "signal 9" in done.cause


def test_a_case_apart_has_a_process_that_stays_and_one_that_fills_up_is_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a Dask worker, whose environment has memory given back at every turn."""
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", "65536")
    monkeypatch.setattr(processes, "_KEPT", [])
    monkeypatch.setattr(processes, "_LOOK_S", 0.01)
    tasks = tasks_of(many_cases.write_cases(tmp_path, 4), asked(tmp_path))
    (tmp_path / "out").mkdir()
    held = []
    for task in tasks[:2]:
        assert processes.apart(task).state == CHECKED
        held.append([worker.process.pid for worker in processes._KEPT])
    assert held[0] == held[1] and len(held[0]) == 1
    assert "MALLOC_TRIM_THRESHOLD_" not in psutil.Process(held[0][0]).environ()
    assert os.environ["MALLOC_TRIM_THRESHOLD_"] == "65536"
    full = processes.apart(tasks[2], most_b=1.0)
    assert (full.state, full.passing, processes._KEPT) == (FAILED, True, [])
    assert "out of memory?" in full.cause
    assert processes.apart(tasks[3], most_b=1e12).state == CHECKED


def start(folder: Path, *words: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "veneercheck", *words],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def test_kills_lose_and_double_nothing(tmp_path: Path) -> None:
    """Killed at random moments, then let finish: every case once, every folder whole."""
    many_cases.write_cases(tmp_path, 4)
    words = ("batch", "cases.csv", "--no-report", "--processes", "1", "--register", "r.sqlite")
    rng = random.Random(8)
    for _ in range(2):
        process = start(tmp_path, *words, "--out", "out")
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(rng.uniform(0.8, 2.5))
        process.kill()
        process.wait()
        for path in folders(tmp_path / "out") if (tmp_path / "out").exists() else []:
            assert {"order.json", "result.json", "space.ply"} <= {p.name for p in path.iterdir()}
    assert start(tmp_path, *words, "--out", "out").wait() == Exit.FINDINGS
    with Register(tmp_path / "r.sqlite") as register:
        on_record = [row["case_number"] for row in register.list_checks()]
    expected = [f"C-{at:06d}" for at in range(4)]
    assert sorted(on_record) == expected
    assert [path.name.rpartition("-")[0] for path in folders(tmp_path / "out")] == expected
    words = ("records", "confirm", "--no-repeat", "--register", "r.sqlite")
    assert program.run(*words, folder=tmp_path).code == 0


def test_a_cluster_of_two_workers_one_of_them_killed(tmp_path: Path) -> None:
    listing = many_cases.write_cases(tmp_path, 4)
    told: list[str] = []
    ended = threading.Event()
    with many_cases.two_workers(tmp_path) as cluster:

        def kill_one() -> None:
            while not folders(tmp_path / "out") and not ended.wait(0.02):
                pass
            os.kill(next(iter(cluster.workers.values())).pid, 9)

        (tmp_path / "out").mkdir()
        thread = threading.Thread(target=kill_one)
        thread.start()
        summary = check_many(
            listing,
            asked(tmp_path),
            processes=1,
            scheduler=cluster.scheduler_address,
            say=told.append,
        )
        ended.set()
        thread.join()
    assert [row["case"] for row in rows_of(tmp_path)] == [f"C-{at:06d}" for at in range(4)]
    assert all(done.state in (CHECKED, THERE) for done in summary.done.values()), summary.words()
    assert told
    for done in summary.done.values():
        own = alone(tmp_path / "000", done.case, tmp_path / f"alone {done.at}", done.case)
        assert without_times(Path(done.folder)) == own


def stop_amid_a_case(store: Path, held: list[int]) -> None:
    """Have a process stand still while it has a case in hand: its place for it lies aside."""
    while not held:
        for path in (store / ASIDE).glob("*"):
            process = int(path.name.split("-")[-2])
            os.kill(process, signal.SIGSTOP)
            if path.exists():
                held.append(process)
                return
            os.kill(process, signal.SIGCONT)
        time.sleep(0.005)


@pytest.mark.long
def test_what_a_worker_hangs_on_is_given_to_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that stands still amid a case keeps it; the other one checks it, too.

    Once it goes on, as one that was merely slow, the same case is filed already: equal to one
    that was checked alone, and on record once.
    """
    monkeypatch.setattr("veneercheck.batch.cluster._STRAGGLES", 2.0)  # sooner than for users
    told = asked(tmp_path, register=str(tmp_path / "r.sqlite"))
    tasks = tasks_of(many_cases.write_cases(tmp_path, 4), told)
    many_trials.prepare(told)
    with many_cases.two_workers(tmp_path) as local:
        held: list[int] = []
        stopping = threading.Thread(target=stop_amid_a_case, args=(told.store, held), daemon=True)
        stopping.start()
        waited_for = threading.Event()

        def go_on() -> None:
            waited_for.set()
            go_on_now()

        def go_on_now() -> None:
            for process in held:
                os.kill(process, signal.SIGCONT)

        rescue = threading.Timer(180.0, go_on)  # else a cluster that waits would never end
        rescue.start()
        with many_trials.Watched(local.scheduler_address, straggles_s=1.0) as hands:
            hands._client.run(many_trials.warm)
            try:
                found = list(hands.check(tasks))
            finally:
                rescue.cancel()
                go_on_now()
            assert not waited_for.is_set(), "nobody else took the case"
            assert not stopping.is_alive() and hands.doubled, "it stood still with a case in hand"
            hands._client.run(many_trials.idle)
    assert sorted(done.at for done in found) == [0, 1, 2, 3]
    assert {done.state for done in found} <= {CHECKED, THERE}, [done.cause for done in found]
    for done, folder in zip(
        sorted(found, key=lambda one: one.at), folders(told.store), strict=True
    ):
        own = alone(tmp_path / "000", done.case, tmp_path / f"alone {done.at}", done.case)
        assert without_times(folder) == own
    with Register(tmp_path / "r.sqlite") as register:
        on_record = sorted(row["case_number"] for row in register.list_checks())
    assert on_record == [f"C-{at:06d}" for at in range(4)]
    assert not (told.store / ASIDE).exists()


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("l.csv", "framework,wax\na,b\n", "waxup"),
        ("l.csv", "framework,waxup\n", "names no case"),
        ("l.csv", "framework,waxup\na.stl,b.stl,c.stl\n", "more fields"),
        ("l.csv", "framework,waxup,aligned\na.stl,b.stl,perhaps\n", "neither yes nor no"),
        ("l.toml", "[[case]]\nframwork = 'a'\n", "framework"),
        ("l.toml", "[[case]]\nunit = 'mm'\n", "neither scans nor"),
        ("l.toml", "[[case]]\nframework = 1\n", "is not text"),
        ("l.toml", "case = 1\n", "something else"),
        ("l.toml", "[[case\n", "not valid TOML"),
    ],
)
def test_a_list_that_is_wrong_is_refused(tmp_path: Path, name: str, text: str, says: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError, match=says):
        tasks_of(tmp_path / name, asked(tmp_path))


def test_a_list_in_toml_and_one_with_semicolons_say_the_same(tmp_path: Path) -> None:
    (tmp_path / "l.toml").write_text(
        '[[case]]\nnumber = "A"\nframework = "f.stl"\nwaxup = "w.stl"\naligned = true\n',
        "utf-8",
    )
    (tmp_path / "l.csv").write_text(
        "number;framework;waxup;aligned\r\nA;f.stl;w.stl;yes\r\n", "utf-8"
    )
    first, other = (tasks_of(tmp_path / name, asked(tmp_path)) for name in ("l.toml", "l.csv"))
    assert first == other
    assert first[0].framework == str(tmp_path / "f.stl")
    assert first[0].waxup == str(tmp_path / "w.stl")
    assert first[0].aligned is True


def test_the_summary_tells_rate_and_time_left(tmp_path: Path) -> None:
    """Ten cases, two finished earlier, four checked in 8 s: 0.5 a second, 4 left take 8 s."""
    summary = Summary(10, tmp_path)
    for at in range(6):
        summary.add(Done(at, "=SUM(A1)", THERE if at < 2 else CHECKED, 0, "no findings"))
    assert summary.progress(8.0) == "6 of 10; 30.0 a minute, 8 s left"
    summary.write()
    assert "'=SUM(A1)" in summary.path.read_text("utf-8"), "no formula for a spreadsheet"
    assert "4  not reached" in summary.words()


def test_the_gravest_code_stands_for_all() -> None:
    """The chapter of `veneercheck.cli`: what was not checked weighs more than what was found."""
    assert gravest([0, 0]) == Exit.NO_FINDINGS
    assert gravest([0, 4, 1]) == Exit.FINDINGS
    assert gravest([0, 4]) == Exit.UNDECIDED
    assert gravest([1, 3, 4]) == Exit.REFUSED
    assert gravest([1, 3, 5]) == Exit.PROGRAM_FAULT


def test_a_list_that_is_refused_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text("framework,waxpu\na,b\n", encoding="utf-8")
    with pytest.raises(ProfileError, match="waxpu"):
        check_many(tmp_path / "l.csv", asked(tmp_path), processes=1, say=silent)
    assert [path.name for path in tmp_path.iterdir()] == ["l.csv"]


def test_another_version_and_an_unseen_folder_are_refused(tmp_path: Path) -> None:
    task = Task(0, asked(tmp_path), None, None, "f.stl", "w.stl")
    assert "does not see" in do(task).cause
    assert "version 0.0.0" not in do(task).cause
    assert "0.0.0 was asked" in do(Task(0, asked(tmp_path), version="0.0.0")).cause
    with pytest.raises(RecordError, match="no case in it"):
        check_many(tmp_path, asked(tmp_path), processes=1, say=silent)

"""A watched folder: exports are paired once they are whole; nothing is checked twice.

Expected values: what the test itself writes, and when.
"""

from __future__ import annotations

import contextlib
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import many_cases
from veneercheck.batch import Asked, check_many, watch
from veneercheck.batch.pairing import look_through
from veneercheck.batch.summary import Summary
from veneercheck.batch.task import CHECKED, FAILED, THERE
from veneercheck.core.errors import RecordError
from veneercheck.machine.aside import ASIDE
from veneercheck.record import Register

STILL_S = 0.4
PATIENCE_S = 300.0
"""Longest that anything is waited for: a busy machine is no fault."""


@pytest.fixture
def export(tmp_path: Path) -> Path:
    folder = tmp_path / "export"
    folder.mkdir()
    return folder


def asked(folder: Path) -> Asked:
    return Asked(folder / "out", unit="mm", aligned=True, with_report=False)


def once(export: Path, tmp_path: Path, still_s: float = STILL_S) -> tuple[Summary, list[str]]:
    said: list[str] = []
    told = watch(export, asked(tmp_path), processes=1, once=True, still_s=still_s, say=said.append)
    return told, said


def made(store: Path) -> list[str]:
    there = [path.name for path in store.iterdir() if path.is_dir() and path.name != ASIDE]
    return sorted(name.rpartition("-")[0] for name in there)


def test_what_lies_there_is_checked_once(export: Path, tmp_path: Path) -> None:
    """A pair, its copies, and a scan that lacks its other."""
    one, _ = many_cases.write_case(export, "D-0001", 0.9)
    shutil.copy(one, export / "D-0001_framework (1).stl")
    lone, _ = many_cases.write_case(export, "D-0002", 1.6)
    lone.unlink()
    summary, said = once(export, tmp_path)
    assert [(done.case, done.state, done.code) for done in summary.done.values()] == [
        ("D-0001", CHECKED, 1)
    ]
    assert any("D-0002: its framework is not there yet" in words for words in said)
    again, _ = once(export, tmp_path)
    assert [done.state for done in again.done.values()] == [THERE]
    assert made(tmp_path / "out") == ["D-0001"]


def test_what_is_being_written_is_waited_for(export: Path, tmp_path: Path) -> None:
    """The second half comes after twice the time in which a file must stand still.

    A file that lacks bytes is waited for twelve times as long: room for a machine that stalls.
    """
    still_s = 2 * STILL_S
    framework, _ = many_cases.write_case(export, "D-1", 1.6)
    whole = framework.read_bytes()
    framework.write_bytes(whole[: len(whole) // 2])

    def rest() -> None:
        time.sleep(2 * still_s)
        with framework.open("ab") as file:
            file.write(whole[len(whole) // 2 :])

    writer = threading.Thread(target=rest)
    writer.start()
    summary, _ = once(export, tmp_path, still_s)
    writer.join()
    assert [(done.state, done.verdict) for done in summary.done.values()] == [
        (CHECKED, "no findings")
    ]


def test_a_watch_takes_what_comes_and_a_changed_scan_anew(export: Path, tmp_path: Path) -> None:
    """Scans of a case come one after the other, so that one of them may be told as alone first."""
    stop, said = threading.Event(), list[str]()

    def results() -> list[str]:
        return [words for words in said if not words.startswith("not paired")]

    watching = threading.Thread(
        target=watch,
        args=(export, asked(tmp_path)),
        kwargs={"processes": 1, "still_s": STILL_S, "stop": stop, "say": said.append},
    )
    watching.start()

    def until(count: int) -> None:
        end = time.monotonic() + PATIENCE_S
        while len(results()) < count and time.monotonic() < end:
            time.sleep(0.05)

    try:
        many_cases.write_case(export, "D-7", 0.9)
        until(1)
        (export / "D-8_framework.stl").write_bytes(b"solid no scan at all")
        shutil.copy(export / "D-7_waxup.stl", export / "D-8_waxup.stl")
        until(2)
        other, _ = many_cases.write_case(tmp_path / "anew", "D-7", 1.6)
        other.replace(export / other.name)  # the framework alone: both at once there is no way
        until(3)
    finally:
        stop.set()
        watching.join()
    assert [words.split(":")[:2] for words in results()] == [
        ["D-7", " findings"],
        ["D-8", " FAILED, framework.stl"],
        ["D-7", " no findings"],
    ]
    assert made(tmp_path / "out") == ["D-7", "D-7"]


def test_a_killed_watch_starts_again_where_it_was(export: Path, tmp_path: Path) -> None:
    for at in range(4):
        many_cases.write_case(export, f"K-{at}", many_cases.depth_of(at))
    words = [sys.executable, "-m", "veneercheck", "watch", "export", "--once", "--still", "0.1"]
    words += ["--aligned", "--unit", "mm", "--no-report", "--register", "r.sqlite", "--out", "out"]

    def start() -> subprocess.Popen[bytes]:
        quiet = subprocess.DEVNULL
        return subprocess.Popen(words, cwd=tmp_path, stdout=quiet, stderr=quiet)

    rng = random.Random(6)
    for _ in range(2):
        process = start()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(rng.uniform(1.0, 2.5))
        process.kill()
        process.wait()
    assert start().wait() == 1
    with Register(tmp_path / "r.sqlite") as register:
        on_record = sorted(row["case_number"] for row in register.list_checks())
    assert on_record == made(tmp_path / "out") == [f"K-{at}" for at in range(4)]


def test_a_watch_that_is_stopped_tells_what_it_did(export: Path, tmp_path: Path) -> None:
    """Ctrl-C is how a watch ends: with its summary, and the gravest code of its cases."""
    many_cases.write_case(export, "D-1", 0.9)
    words = [sys.executable, "-u", "-m", "veneercheck", "watch", "export", "--still", "0.1"]
    words += ["--aligned", "--unit", "mm", "--no-report", "--out", "out"]
    with subprocess.Popen(
        words, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        while "D-1: findings" not in process.stderr.readline():
            assert process.poll() is None, "it ended by itself"
        process.send_signal(signal.SIGINT)
        told, more = process.communicate()
    assert process.returncode == 1 and "1  findings" in told, more
    assert [path.name for path in (tmp_path / "out").iterdir() if path.is_file()] == ["summary.csv"]


@pytest.mark.parametrize(
    ("framework", "waxup", "number"),
    [
        ("D-0001_framework.stl", "D-0001_waxup.stl", "D-0001"),
        ("D-0001 Framework.STL", "d-0001 wax-up.ply", "D-0001"),
        ("framework_17.stl", "wax_up_17.obj", "17"),
        ("A/framework.stl", "A/waxup.stl", "A"),
        ("9-framework.stl.gz", "9-waxup.stl (1).gz", None),
        ("9-framework.stl", "10-waxup.stl", None),
        ("9-framework.stl", ".9-waxup.stl", None),
        ("9-framework.stl", "9-waxup.stl.part", None),
    ],
)
def test_names_that_belong_together(
    export: Path, tmp_path: Path, framework: str, waxup: str, number: str | None
) -> None:
    for name in (framework, waxup):
        (export / name).parent.mkdir(exist_ok=True)
        (export / name).write_bytes(name.encode())
    found, _ = look_through(export, tmp_path / "out")
    assert [one.number for one in found] == ([] if number is None else [number])


def test_a_case_file_pairs_what_it_names(export: Path, tmp_path: Path) -> None:
    (export / "case.toml").write_text(
        'case = "T-5"\n[scans]\nframework = "a.stl"\nwaxup = "b.stl"\n', encoding="utf-8"
    )
    (export / "a.stl").write_bytes(b"a")
    found, lone = look_through(export, tmp_path)
    assert not found
    assert lone[0].why == "b.stl: not there yet"
    (export / "b.stl").write_bytes(b"b")
    found, lone = look_through(export, tmp_path)
    assert [(one.number, one.case) for one in found] == [("T-5", export / "case.toml")]
    (export / "T-6.toml").write_text("units = [46]\n", encoding="utf-8")
    for role in ("framework", "waxup"):
        (export / f"T-6_{role}.stl").write_bytes(role.encode())
    found, lone = look_through(export, tmp_path)
    assert [one.case for one in found] == [export / "case.toml", export / "T-6.toml"]
    (export / "T-6_framework.ply").write_bytes(b"another")
    found, lone = look_through(export, tmp_path)
    assert "more than one framework" in lone[0].why


def test_a_batch_tells_what_it_could_not_pair(export: Path, tmp_path: Path) -> None:
    """Source: by construction; of two cases one lacks its wax-up, and the other cannot be read."""
    (export / "x.toml").write_text("unit = [46]\n", encoding="utf-8")
    (export / "T-9_framework.stl").write_bytes(b"a")
    said: list[str] = []
    summary = check_many(export, asked(tmp_path), processes=1, say=said.append)
    assert [done.state for done in summary.done.values()] == [FAILED]
    assert said[0].startswith("not paired: T-9_framework.stl; ")


def test_a_broken_case_file_fails_with_its_cause(export: Path, tmp_path: Path) -> None:
    (export / "x.toml").write_text("unit = [46]\n", encoding="utf-8")
    summary, said = once(export, tmp_path)
    assert [done.state for done in summary.done.values()] == [FAILED]
    assert "units" in said[0]


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such folder"):
        once(tmp_path / "none", tmp_path)

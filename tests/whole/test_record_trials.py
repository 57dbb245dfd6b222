"""Cases under kills, tampering and full disks: a short form of the long trials."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

import kill_trials
import record_trials as trials


def test_killed_checks_leave_no_half_folder_and_no_second_record(tmp_path: Path) -> None:
    """SIGKILL at moments drawn by chance over a whole check, then each case to its end."""
    place = str(tmp_path / "register.sqlite")
    told = trials.killed_checks(tmp_path, place, random.Random(5), 1)
    assert told.pop("kills") == 1 and told.pop("cases") >= 1
    assert set(told.values()) == {0}, told


def test_a_flipped_bit_in_a_case_folder_or_a_bundle_is_named(tmp_path: Path) -> None:
    """Places drawn by chance over every file of a case, and over its bundle and its frame."""
    (tmp_path / "case").mkdir()
    (tmp_path / "bundle").mkdir()
    told = trials.tampered_reports(tmp_path / "case", random.Random(6), 15, with_report=False)
    assert told == {"places": 15, "found": 15, "named": 15}
    told = trials.tampered_bundle(tmp_path / "bundle", random.Random(7), 30)
    assert told["found"] == told["named"] + told["in_file_only"] == 30


def test_a_disk_that_fills_up_leaves_nothing_half(tmp_path: Path) -> None:
    """Files that may not grow beyond a size; once there is room, each case is filed once."""
    told = trials.full_disk(tmp_path, random.Random(1), 1)
    assert told.pop("times") == told.pop("refused") == 1
    assert set(told.values()) == {0}, told


@pytest.mark.filterwarnings(  # a browser whose line is cut leaves its end of it open
    "ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning"
)
@pytest.mark.parametrize(("kind", "kills"), [("decide", 1), ("export", 1), ("bench", 1)])
def test_kills_of_what_else_writes_lose_and_alter_nothing(
    tmp_path: Path, kind: str, kills: int
) -> None:
    """SIGKILL at moments drawn by chance; what is done, is all there, and said once."""
    trial, _ = kill_trials.TRIALS[kind]
    told = trial(tmp_path, random.Random(8), kills)
    assert told.pop("kills") == kills
    for counted in ("decisions", "jobs", "amid"):
        told.pop(counted, None)
    assert set(told.values()) == {0}, told

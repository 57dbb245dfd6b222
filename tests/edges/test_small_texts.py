"""Case files, profiles and lists that are none, or hold what no number is: refused in words.

Expected: a refusal, by construction of each file; RFC 8259 and TOML 1.0 for what may stand there.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from veneercheck.batch.listing import tasks_of
from veneercheck.batch.task import Asked
from veneercheck.batch.watching import watch
from veneercheck.core.errors import ProfileError, VeneerCheckError
from veneercheck.machine.texts import LONGEST_BYTES, small_text
from veneercheck.profile import load_case, load_profile, parse_case, parse_profile

ASKED = Asked(Path("cases"))
READERS: dict[str, Callable[[Path], object]] = {
    "case file": load_case,
    "profile": load_profile,
    "list": lambda path: tasks_of(path, ASKED),
    "text": small_text,
}
PATIENCE_S = 60.0


def within_patience(work: Callable[[], None]) -> None:
    """Fail, rather than hang, where something waits for ever."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    assert not thread.is_alive(), "it waits for ever"


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes among the files of this system")
def test_what_is_no_regular_file_is_refused_at_once(tmp_path: Path, reader: str) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    (tmp_path / "endless.toml").symlink_to("/dev/zero")

    def read() -> None:
        for path in (pipe, tmp_path / "endless.toml"):
            with pytest.raises(ProfileError, match="is no regular file"):
                READERS[reader](path)

    told: list[BaseException] = []

    def watched() -> None:
        try:
            read()
        except BaseException as fault:
            told.append(fault)

    within_patience(watched)
    assert not told


@pytest.mark.parametrize("reader", READERS)
def test_a_text_of_more_than_a_megabyte_is_refused(tmp_path: Path, reader: str) -> None:
    long = tmp_path / "long.toml"
    long.write_bytes(b"#" * (LONGEST_BYTES + 1))
    with pytest.raises(ProfileError, match="longer than 1,000 kB"):
        READERS[reader](long)
    long.write_bytes(b"#" * LONGEST_BYTES)
    if reader != "list":  # a list must name a case
        READERS[reader](long)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device")
def test_profiles_check_of_a_device_ends_in_words() -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "veneercheck", "profiles", "check", "/dev/zero"],
        capture_output=True, text=True, check=False, timeout=PATIENCE_S,
    )  # fmt: skip
    assert ended.returncode == 3 and "is no regular file" in ended.stderr


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes among the files of this system")
def test_a_pipe_in_a_watched_folder_holds_nothing_up(tmp_path: Path) -> None:
    for name in ("D-1_framework.stl", "D-1_waxup.stl", "case.toml"):
        os.mkfifo(tmp_path / name)
    said: list[str] = []

    def look() -> None:
        watch(
            tmp_path, Asked(tmp_path / "out"), processes=1, once=True, still_s=0.1, say=said.append
        )

    began = time.monotonic()
    within_patience(look)
    assert time.monotonic() - began < PATIENCE_S
    assert any("FAILED" in words for words in said), said


HUGE = 10**400
NUMBERS = {"nan": float("nan"), "infinite": float("inf"), "401 digits": HUGE, "less": -HUGE}


@pytest.mark.parametrize("name", NUMBERS)
def test_what_is_no_length_or_place_is_refused(name: str) -> None:
    value = NUMBERS[name]
    with pytest.raises(ProfileError, match="is not between 0 and 20"):
        parse_profile({"layer": {"least_mm": value}})
    with pytest.raises(ProfileError, match="is not a point"):
        parse_case({"units": [46], "frame": {"teeth": {"46": [1, value, 2]}}})
    pair = {"framework": [0, 0, 0], "waxup": [0, 0, value]}
    with pytest.raises(ProfileError, match="is no point"):
        parse_case({"landmarks": [pair] * 3})


@pytest.mark.parametrize(
    "text",
    [
        "units = [1" + "0" * 400 + "]",
        "units = [0x" + "f" * 5000 + "]",
        "case = 0x" + "f" * 5000,
        "notes = 1" + "0" * 5000,
        "stage = [[1]]",
        "stage = {a = 1}",
        "profile = nan",
        "scanner_checked = 1e400",
        "[veneered]\nsurfaces = [[1]]",
        "[veneered]\nsurfaces = [{a = 1}]",
        "[frame]\nocclusal = [1]",
        "[lots]\nalloy = 0x" + "f" * 5000,
        "x" * 50_000 + " = 1",
        "a = " + "[" * 5000,
    ],
)
def test_a_case_file_of_wild_values_is_refused_in_a_few_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError) as refusal:
        load_case(path)
    assert len(str(refusal.value)) < 600


@pytest.mark.parametrize(
    "text", ["case = [1]", "case = 1", "[[case]]\nframework = 0x" + "f" * 5000, "case = [[[]]]"]
)
def test_a_list_of_wild_values_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "list.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(VeneerCheckError):
        tasks_of(path, ASKED)

"""Holding, disposing, backing up and restoring, through the real command and both databases."""

from __future__ import annotations

import json
import random
import shutil
import zipfile
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import find_trials
import record_trials as trials
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.record import Register, canonical, sha256_of
from veneercheck.record.confirm import confirm
from veneercheck.record.keeping import restore
from veneercheck.record.located import file_hashes

YEARS = {"D-1": "2001-05-05", "D-2": "2002-05-05", "D-3": "2026-01-01"}
"""When each case was checked: two long ago, one this year."""


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A register with three checks, each with a folder of two files."""
    if request.param == "sqlite":
        where = str(tmp_path / "lab" / "register.sqlite")
        (tmp_path / "lab").mkdir()
    else:
        server = str(request.getfixturevalue("server"))
        where = trials.new_database(server, f"k{sha256_of(str(tmp_path))[:20]}")
    with Register(where) as register:
        for number, day in YEARS.items():
            folder = tmp_path / "lab" / "cases" / number
            (folder / "scans").mkdir(parents=True)
            body = find_trials.made_up_check(int(number[2:]), random.Random(2))
            body["result"]["case"]["number"] = number
            body["result"]["checked_at_utc"] = f"{day}T10:00:00+00:00"
            (folder / "result.json").write_text(json.dumps(body["result"]), encoding="utf-8")
            (folder / "scans" / "framework.stl").write_bytes(random.Random(3).randbytes(5000))
            told = f"cases/{number}" if "://" not in where else str(folder)
            body |= {"folder": told, "files": file_hashes(folder)}
            register.append(sha256_of(canonical(body)), body)
    return where


def ran(place: str, *words: str) -> Any:
    """The command's end and words."""
    return CliRunner().invoke(app, ["records", *words, "--register", place])


def folder(tmp_path: Path, number: str) -> Path:
    """Where a case lies."""
    return tmp_path / "lab" / "cases" / number


def test_what_is_old_goes_and_what_is_held_stays(place: str, tmp_path: Path) -> None:
    held = ran(place, "hold", "D-1", "--who", "AB", "--why", "complaint")
    assert held.exit_code == 0, held.exception
    assert "already held" in str(ran(place, "hold", "D-1", "--who", "AB", "--why", "x").exception)
    listed = ran(place, "expire", "--years", "10").output.splitlines()
    assert [line.split()[0] + " " + line.split()[2] for line in listed] == [
        "held D-1",
        "expired D-2",
    ]
    assert folder(tmp_path, "D-2").exists(), "listing removes nothing"
    words = ("expire", "--years", "10", "--dispose", "--who", "AB", "--why", "ten years")
    done = ran(place, *words)
    assert done.exit_code == 0 and not folder(tmp_path, "D-2").exists(), done.exception
    assert folder(tmp_path, "D-1").exists() and folder(tmp_path, "D-3").exists()
    with Register(place) as register:
        assert confirm(register, repeat=False).differences == ()
        gone = next(one for one in register.entries() if one.body["kind"] == "disposal")
        assert set(gone.body["disposed"]) == {"result.json", "scans/framework.stl"}
        folder(tmp_path, "D-2").mkdir()  # as if the removal had been stopped
        told = [str(one) for one in confirm(register, repeat=False).differences]
    assert len(told) == 1 and "its disposal is on record" in told[0]
    assert ran(place, *words).exit_code == 0 and not folder(tmp_path, "D-2").exists()
    ran(place, "hold", "D-1", "--release", "--who", "AB", "--why", "settled")
    ran(place, *words)
    assert not folder(tmp_path, "D-1").exists()
    with Register(place) as register:
        assert confirm(register, repeat=False).differences == ()


def backed_up(place: str, tmp_path: Path) -> Path:
    """A backup of the register."""
    done = ran(place, "backup", "--out", str(tmp_path / "backup.zip"))
    assert done.exit_code == 0, done.exception
    assert "3 entries, 3 cases, 6 files" in done.output
    return tmp_path / "backup.zip"


def test_everything_comes_back_after_the_disk_is_lost(
    place: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """From PostgreSQL into another database, in SQLite elsewhere; every hash is the same."""
    source = backed_up(place, tmp_path)
    with Register(place) as register:
        entries = list(register.entries())
    before = file_hashes(tmp_path / "lab" / "cases")
    shutil.rmtree(tmp_path / "lab")
    where, more = str(tmp_path / "new" / "register.sqlite"), []
    (tmp_path / "new").mkdir()
    if "://" in place:
        where = trials.new_database(str(request.getfixturevalue("server")), "back_again")
        more = ["--anywhere"]
        assert "--anywhere" in str(ran(where, "restore", str(source)).exception)
    done = ran(where, "restore", str(source), *more)
    assert done.exit_code == 0, done.exception
    with Register(where) as register:
        assert list(register.entries()) == entries
        assert confirm(register, repeat=False).differences == ()
    lies = tmp_path / ("lab" if "://" in place else "new") / "cases"
    assert file_hashes(lies) == before
    again = ran(where, "restore", str(source), *more)
    assert "with entries" in str(again.exception)


def test_an_altered_file_is_not_backed_up(place: str, tmp_path: Path) -> None:
    (folder(tmp_path, "D-2") / "result.json").write_text("{}", encoding="utf-8")
    done = ran(place, "backup", "--out", str(tmp_path / "backup.zip"))
    assert isinstance(done.exception, RecordError) and not (tmp_path / "backup.zip").exists()


def test_a_damaged_backup_is_refused_or_gives_back_the_same(tmp_path: Path) -> None:
    """A hundred bytes flipped, and the file cut off: never another record than the one kept."""
    where = tmp_path / "lab" / "register.sqlite"
    (tmp_path / "lab" / "cases" / "D-1").mkdir(parents=True)
    (tmp_path / "lab" / "cases" / "D-1" / "result.json").write_text("{}", encoding="utf-8")
    body = find_trials.made_up_check(1, random.Random(2))
    body |= {"folder": "cases/D-1", "files": file_hashes(tmp_path / "lab" / "cases" / "D-1")}
    with Register(where) as register:
        entry = register.append(sha256_of("D-1"), body)
    source = tmp_path / "backup.zip"
    assert ran(str(where), "backup", "--out", str(source)).exit_code == 0
    whole, chance, refused = source.read_bytes(), random.Random(5), 0
    packed = whole.index(b"PK\x01\x02") + 11  # how a file is packed, as the list of files has it
    for number in range(100):
        broken = bytearray(whole)
        at = chance.randrange(len(whole)) if number > 1 else packed
        broken[at] ^= 1 << chance.randrange(8)
        source.write_bytes(bytes(broken) if number else whole[: len(whole) // 2])
        target = tmp_path / f"back{number}" / "register.sqlite"
        target.parent.mkdir()
        try:
            restore(source, str(target))
        except RecordError:
            refused += 1
            with Register(target) as register:
                assert list(register.entries()) == [], "nothing half"
        else:
            with Register(target) as register:
                assert list(register.entries()) == [entry]
            assert (target.parent / "cases" / "D-1" / "result.json").read_text() == "{}"
    assert refused > 50


def test_a_backup_that_leads_elsewhere_writes_nothing_there(tmp_path: Path) -> None:
    """Names that climb out of their folder, put into a backup that is whole by its own hashes."""
    where = tmp_path / "lab" / "register.sqlite"
    (tmp_path / "lab").mkdir()
    body = find_trials.made_up_check(1, random.Random(2))
    evil = {"../../evil": sha256_of("evil")}
    with Register(where) as register:
        entry = register.append(sha256_of("D-1"), body | {"folder": "cases/D-1", "files": evil})
    kept = {"entries": 1, "folders": 1, "files": 1, "head": entry.hash}
    line = {"seq": 1, "key": entry.key, "text": entry.text, "previous": entry.previous,
            "hash": entry.hash}  # fmt: skip
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as archive:
        archive.writestr("backup.json", json.dumps({"schema": "veneercheck backup 1", **kept}))
        archive.writestr("entries.jsonl", json.dumps(line) + "\n")
        archive.writestr(f"cases/{entry.key}/../../evil", "evil")
    (tmp_path / "new").mkdir()
    with pytest.raises(RecordError, match="damaged"):
        restore(tmp_path / "evil.zip", str(tmp_path / "new" / "register.sqlite"))
    assert not list(tmp_path.rglob("evil"))

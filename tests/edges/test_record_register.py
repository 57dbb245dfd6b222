"""The register in SQLite and in PostgreSQL: whole whoever writes, dies or tampers."""

from __future__ import annotations

import contextlib
import gzip
import random
import shutil
import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

import record_trials as trials
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.record import Entry, Register, renewing, sha256_of
from veneercheck.record.audit import audit, first_page_faults
from veneercheck.record.finding import Wanted, find
from veneercheck.record.register import FIRST

decision = trials.decision


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a register of the test's own lies."""
    if request.param == "sqlite":
        return str(tmp_path / "register.sqlite")
    server = str(request.getfixturevalue("server"))
    return trials.new_database(server, f"t{sha256_of(str(tmp_path))[:20]}")


def test_entries_are_chained_and_read_back(place: str) -> None:
    """By the rule of the chain: each entry carries the hash of the one before."""
    written = [decision(number, "grün — 橋") for number in range(7)]
    with Register(place) as register:
        entries = [register.append(*one) for one in written]
    with Register(place) as register:
        assert list(register.entries()) == entries
        assert audit(register) == []
    assert [entry.seq for entry in entries] == list(range(1, 8))
    assert [entry.previous for entry in entries] == [FIRST, *(e.hash for e in entries[:-1])]
    assert [entry.body for entry in entries] == [body for _, body in written]


def test_the_same_entry_is_on_record_once(place: str) -> None:
    with Register(place) as register:
        first = register.append(*decision(1))
        register.append(*decision(2))
        assert register.append(*decision(1)) == first
        assert len(list(register.entries())) == 2


def test_the_database_itself_refuses_to_change_an_entry(place: str) -> None:
    with Register(place) as register:
        register.append(*decision(1))
        for words in ("UPDATE entries SET body = '{}'", "DELETE FROM entries"):
            with (
                pytest.raises(sa.exc.DBAPIError, match="only grows"),
                register._engine.begin() as c,
            ):
                c.execute(sa.text(words))
        assert audit(register) == []


TAMPERED = {
    "UPDATE entries SET body = replace(body, 'accepted', 'remake') WHERE seq = 3": "entry 3",
    "UPDATE entries SET key = 'x' WHERE seq = 2": "entry 2",
    "UPDATE entries SET previous = hash WHERE seq = 4": "entry 4",
    "DELETE FROM decisions WHERE seq = 2": "table decisions, entry 2",
    "UPDATE decisions SET who = 'ZZ' WHERE seq = 5": "table decisions, entry 5",
}


@pytest.mark.parametrize("words", TAMPERED)
def test_what_is_tampered_with_is_named(place: str, words: str) -> None:
    with Register(place) as register:
        for number in range(6):
            register.append(*decision(number))
        with register._engine.begin() as c:
            if c.dialect.name == "postgresql":
                c.execute(sa.text("ALTER TABLE entries DISABLE TRIGGER ALL"))
            else:
                c.execute(sa.text("DROP TRIGGER entries_no_update"))
            c.execute(sa.text(words))
        told = [str(difference) for difference in audit(register)]
    assert any(TAMPERED[words] in line for line in told), told


def test_a_hole_in_the_chain_is_named(place: str) -> None:
    with Register(place) as register:
        for number in range(6):
            register.append(*decision(number))
        with register._engine.begin() as c:
            if c.dialect.name == "postgresql":
                c.execute(sa.text("ALTER TABLE entries DISABLE TRIGGER ALL"))
            else:
                c.execute(sa.text("DROP TRIGGER entries_no_delete"))
            c.execute(sa.text("DELETE FROM decisions WHERE seq = 3"))
            c.execute(sa.text("DELETE FROM marks WHERE seq = 3"))
            c.execute(sa.text("DELETE FROM entries WHERE seq = 3"))
        told = " ".join(str(difference) for difference in audit(register))
    assert "entry 4: follows entry 2" in told


def test_one_flipped_bit_anywhere_in_the_file_is_found_and_named(tmp_path: Path) -> None:
    """Places drawn by chance over the whole file; free space and its header included."""
    told = trials.tampered_register(tmp_path, random.Random(8), 20)
    assert told == {"places": 20, "found": 20, "named": 20, "in_file_only": 0, "wrong_byte": 0}


def test_one_flipped_bit_in_what_says_how_to_read_the_file_is_named(tmp_path: Path) -> None:
    """SQLite's file format: the first 100 bytes and the tables' form after them; where the file
    cannot be opened any more, the byte is told all the same."""
    told = trials.tampered_register(tmp_path, random.Random(3), 15, within=100)
    assert told == {"places": 15, "found": 15, "named": 15, "in_file_only": 0, "wrong_byte": 0}


def test_one_flipped_bit_in_the_head_of_a_page_is_named(tmp_path: Path) -> None:
    """Then a table or an index cannot be read at all: where the entries are whole, the byte is
    told; where a page of theirs is broken, the first entry in it."""
    told = trials.tampered_register(tmp_path, random.Random(5), 12, heads=True)
    assert told == {"places": 12, "found": 12, "named": 12, "in_file_only": 0, "wrong_byte": 0}


@pytest.mark.parametrize("form", [b"0102", b"000!", b"\xb0002"])
def test_an_altered_number_of_the_form_is_refused_and_its_byte_named(
    tmp_path: Path, form: bytes
) -> None:
    """A form that a newer program may have, one that never was, and one that is no text."""
    file = tmp_path / "register.sqlite"
    with Register(file) as register:
        register.append(*decision(0))
    whole = file.read_bytes()
    at = whole.index(b"0002", 4096)
    file.write_bytes(whole[:at] + form + whole[at + 4 :])
    byte = at + next(place for place in range(4) if form[place] != b"0002"[place])
    done = CliRunner().invoke(app, ["records", "confirm", "--register", str(file)])
    assert done.exit_code == 1 and f"ALTERED register.sqlite, byte {byte}:" in done.output


def test_a_register_of_another_form_is_not_called_altered(tmp_path: Path) -> None:
    """A newer program lays other tables under another number: both differ, and it is refused."""
    file = tmp_path / "register.sqlite"
    with Register(file) as register, register._engine.begin() as c:
        c.execute(sa.text("CREATE TABLE more (seq INTEGER)"))
        c.execute(sa.text("UPDATE alembic_version SET version_num = '0009'"))
    done = CliRunner().invoke(app, ["records", "confirm", "--register", str(file)])
    assert "ALTERED" not in done.output and isinstance(done.exception, RecordError)


def test_confirm_names_the_byte_of_a_register_that_cannot_be_opened(tmp_path: Path) -> None:
    """SQLite's file format: without its first sixteen bytes it is no database."""
    file = tmp_path / "register.sqlite"
    with Register(file) as register:
        register.append(*decision(0))
    whole = file.read_bytes()
    file.write_bytes(whole[:6] + b"_" + whole[7:])
    done = CliRunner().invoke(app, ["records", "confirm", "--register", str(file)])
    assert done.exit_code == 1 and "ALTERED register.sqlite, byte 6:" in done.output
    (tmp_path / "letter").write_text("Dear Sir or Madam,\n" * 300, encoding="utf-8")
    done = CliRunner().invoke(app, ["records", "confirm", "--register", str(tmp_path / "letter")])
    assert "ALTERED" not in done.output and isinstance(done.exception, RecordError)


def test_one_altered_sign_in_a_row_is_found_and_named(server: str) -> None:
    place = trials.new_database(server, "signs")
    told = trials.tampered_rows(place, random.Random(9), 15)
    assert told == {"places": 15, "found": 15, "named": 15}


def test_writers_at_once_lose_nothing(place: str) -> None:
    """Three processes that also race to create the register; the long form is a benchmark."""
    told = trials.crowd_of_writers(place, 3, 15)
    assert told.pop("entries") == told.pop("said") == 45
    assert set(told.values()) == {0}


def test_killed_writers_lose_nothing_they_said(place: str) -> None:
    """SIGKILL at moments drawn by chance; one that is repeated doubles nothing."""
    told = trials.killed_writers(place, random.Random(4), 3)
    assert told["entries"] >= told["said"] >= 2 * trials.SAID_FIRST
    assert (told["lost"], told["doubled"], told["faults"]) == (0, 0, 0)


def test_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    """SQLite's own limit on pages raises what a full disk raises."""
    file = tmp_path / "register.sqlite"
    with Register(file) as register:
        register.append(*decision(0))
        with contextlib.closing(sqlite3.connect(file)) as raw:
            pages = raw.execute("PRAGMA page_count").fetchone()[0]
        sa.event.listen(
            register._engine,
            "checkout",
            lambda raw, *_: raw.execute(f"PRAGMA max_page_count={pages + 2}"),
        )
        with pytest.raises(RecordError, match="full"):
            for number in range(1, 50):
                register.append(*decision(number, "x" * 2000))
    with Register(file) as register:
        assert audit(register) == []
        assert [e.body["case_number"] for e in register.entries()][:1] == ["T-0"]


def test_a_place_that_is_no_register_is_refused(tmp_path: Path) -> None:
    (tmp_path / "letter.sqlite").write_text("Dear Sir or Madam,\n" * 100, encoding="utf-8")
    for bad in (tmp_path / "letter.sqlite", tmp_path / "no" / "folder.sqlite", "nonsense://x"):
        with pytest.raises(RecordError):
            Register(bad)


OLDER = Path(__file__).with_name("register_0001.sqlite.gz")
"""A register that the program wrote while its tables had their first form: a check, a decision on
it, five more."""


def older_register(place: str, folder: Path) -> tuple[str, list[Entry]]:
    """That register: its file, or its entries as the first form keeps them in PostgreSQL."""
    file = folder / "older.sqlite"
    file.write_bytes(gzip.decompress(OLDER.read_bytes()))
    copy = folder / "copy.sqlite"
    shutil.copy(file, copy)
    with Register(copy, form="0001") as register:
        entries = list(register.entries())
    if "://" not in place:
        return str(file), entries
    with Register(place, form="0001") as register:
        register.take_over(entries)
    return place, entries


def test_an_older_register_is_brought_to_this_form_whole(place: str, tmp_path: Path) -> None:
    """Every hash stays, every byte is accounted for, and what was there is found by its words."""
    where, entries = older_register(place, tmp_path)
    with Register(where) as register:
        assert list(register.entries()) == entries and len(entries) == 7
        assert audit(register) == []
        assert [one.case for one in find(register, Wanted(words="measured"))] == ["T-1"]
        for number in range(20, 26):
            register.append(*decision(number, "after"))
        assert audit(register) == []
    with Register(where) as register:  # a second opening changes nothing
        assert audit(register) == [] and len(list(register.entries())) == 13


def test_an_altered_older_register_is_not_brought_to_this_form(place: str, tmp_path: Path) -> None:
    """Else what was altered would be written anew as if it were right."""
    where, _ = older_register(place, tmp_path)
    with Register(where, form="0001") as register, register._engine.begin() as c:
        c.execute(sa.text("UPDATE decisions SET who = 'ZZ' WHERE seq = 4"))
    with pytest.raises(RecordError, match="entry 4"):
        Register(where)
    with Register(where, form="0001") as register:
        assert len(list(register.entries())) == 7, "it stays as it was"


def test_an_older_register_is_brought_here_by_several_at_once(place: str, tmp_path: Path) -> None:
    where, _ = older_register(place, tmp_path)
    told = trials.crowd_of_writers(where, 2, 5)
    assert (told["lost"], told["doubled"], told["faults"], told["failed"]) == (0, 0, 0, 0)
    assert told["entries"] == 7 + 10


def test_one_that_another_brings_here_meanwhile_is_not_refused(
    server: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process is done between the first look at the form and the look at all of it.

    In PostgreSQL alone: with a file, all of it is looked at while the others are held off.
    """
    own = trials.new_database(server, f"t{sha256_of(str(tmp_path))[:20]}")
    where, entries = older_register(own, tmp_path)
    look = renewing._look_whole

    def overtaken(*words: str) -> None:
        monkeypatch.setattr(renewing, "_look_whole", look)
        Register(where).close()
        look(*words)

    monkeypatch.setattr(renewing, "_look_whole", overtaken)
    with Register(where) as register:
        assert list(register.entries()) == entries and audit(register) == []


def test_what_was_stopped_while_it_was_brought_here_goes_on(tmp_path: Path) -> None:
    """Between the trigger that holds writers off and the pages laid over: the entries are there."""
    where, entries = older_register("", tmp_path)
    with contextlib.closing(sqlite3.connect(where)) as raw:
        raw.execute(renewing._NO_MORE)
    with Register(where, form="0001") as old, pytest.raises(RecordError, match="newer form"):
        old.append(*decision(9))
    with Register(where) as register:
        assert list(register.entries()) == entries and audit(register) == []


def test_one_flipped_bit_in_a_register_brought_here_is_found_and_named(tmp_path: Path) -> None:
    """Its first page bears the mark of where it came from: a flip there is named, too."""
    where, _ = older_register("", tmp_path)
    Register(where).close()
    whole, chance = Path(where).read_bytes(), random.Random(6)
    places = [*range(60, 64), 27, 43, *(chance.randrange(len(whole)) for _ in range(20))]
    for at in places:
        broken = bytearray(whole)
        broken[at] ^= 1 << chance.randrange(8)
        Path(where).write_bytes(bytes(broken))
        try:
            with Register(where) as register:
                found = [str(one) for one in audit(register)]
        except RecordError:
            found = [str(one) for one in first_page_faults(Path(where))]
        assert found, at
        assert at >= 100 or any(f"byte {at}:" in words for words in found), (at, found)


def test_a_newer_form_is_refused(place: str) -> None:
    with Register(place) as register, register._engine.begin() as c:
        c.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RecordError, match="newer program"):
        Register(place)

"""The register in SQLite and in PostgreSQL: whole whoever writes, dies or tampers."""

from __future__ import annotations

import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from veneercheck.core.errors import RecordError
from veneercheck.record import Register, canonical, sha256_of
from veneercheck.record.audit import audit
from veneercheck.record.register import FIRST

WRITER = """
import sys
from veneercheck.record import Register, sha256_of
place, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
with Register(place) as register:
    for number in range(count):
        key = sha256_of(f"{name} {number}")
        body = {"kind": "decision", "check_key": sha256_of(name), "case_number": name,
                "who": "AB", "what": "accepted", "why": str(number), "decided_at_utc": "2026",
                "files": {}}
        register.append(key, body)
        print(key, flush=True)
"""
"""Appends decisions, and says each key once it is on record."""


def decision(number: int, why: str = "") -> tuple[str, dict[str, Any]]:
    body = {
        "kind": "decision",
        "check_key": sha256_of("check"),
        "case_number": f"T-{number}",
        "who": "AB",
        "what": "accepted",
        "why": why,
        "decided_at_utc": "2026-03-31T10:00:00+00:00",
        "files": {},
    }
    return sha256_of(canonical(body)), body


def programs_of_postgresql() -> Path | None:
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    found = shutil.which("initdb")
    return places[-1].parent if places else Path(found).parent if found else None


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """PostgreSQL as Debian brings it, started on a folder of its own; it refuses to run as root."""
    programs = programs_of_postgresql()
    if programs is None:
        pytest.skip("PostgreSQL is not installed: apt install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="veneercheck-pg-"))
    user = "postgres" if os.geteuid() == 0 else None
    if user:
        shutil.chown(folder, user)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    data = folder / "data"

    def call(program: str, *words: str) -> None:
        command = [str(programs / program), "-D", str(data), *words]
        subprocess.run(command, user=user, cwd=folder, check=True, capture_output=True)

    call("initdb", "-U", "lab", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C")
    settings = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1"
    call("pg_ctl", "-w", "-l", str(folder / "log"), "-o", settings, "start")
    try:
        yield f"postgresql+pg8000://lab@127.0.0.1:{port}"
    finally:
        call("pg_ctl", "-m", "immediate", "stop")
        shutil.rmtree(folder)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a register of the test's own lies."""
    if request.param == "sqlite":
        return str(tmp_path / "register.sqlite")
    server = str(request.getfixturevalue("server"))
    name = f"t{sha256_of(str(tmp_path))[:20]}"
    engine = sa.create_engine(f"{server}/postgres", isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return f"{server}/{name}"


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
            c.execute(sa.text("DELETE FROM entries WHERE seq = 3"))
        told = " ".join(str(difference) for difference in audit(register))
    assert "entry 4: follows entry 2" in told


def test_one_flipped_bit_anywhere_in_the_file_is_found(tmp_path: Path) -> None:
    """Places drawn by chance over the whole file; free space and its header included."""
    file = tmp_path / "register.sqlite"
    with Register(file) as register:
        for number in range(12):
            register.append(*decision(number, "why " * 200))
        assert audit(register) == []
    whole = file.read_bytes()
    chance = random.Random(8)
    for _ in range(40):
        at = chance.randrange(len(whole))
        broken = bytearray(whole)
        broken[at] ^= 1 << chance.randrange(8)
        file.write_bytes(broken)
        try:
            with Register(file) as register:
                told = [str(difference) for difference in audit(register)]
        except RecordError as refusal:
            told = [str(refusal)]
        assert told, f"byte {at} of {len(whole)}"


def start(place: str, name: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, place, name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_writers_at_once_lose_nothing(place: str) -> None:
    """Three processes that also race to create the register; the long form is a benchmark."""
    writers = [start(place, f"W{number}", 15) for number in range(3)]
    said = [line for writer in writers for line in writer.communicate()[0].split()]
    assert [writer.returncode for writer in writers] == [0, 0, 0]
    with Register(place) as register:
        assert audit(register) == []
        assert sorted(entry.key for entry in register.entries()) == sorted(said)
    assert len(set(said)) == 45


def test_killed_writers_lose_nothing_they_said(place: str) -> None:
    """SIGKILL at moments drawn by chance; one that is repeated doubles nothing."""
    with Register(place):
        pass
    chance, said = random.Random(4), set()
    for number in range(3):
        writer = start(place, f"K{number % 2}", 1000)
        assert writer.stdout is not None
        said.add(writer.stdout.readline().strip())
        time.sleep(chance.uniform(0.0, 0.2))
        writer.send_signal(signal.SIGKILL)
        said |= {line.strip() for line in writer.communicate()[0].split("\n") if len(line) == 64}
    with Register(place) as register:
        assert audit(register) == []
        keys = [entry.key for entry in register.entries()]
    assert said - {""} <= set(keys)
    assert len(keys) == len(set(keys)) > 3


def test_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    """SQLite's own limit on pages raises what a full disk raises."""
    file = tmp_path / "register.sqlite"
    with Register(file) as register:
        register.append(*decision(0))
        pages = sqlite3.connect(file).execute("PRAGMA page_count").fetchone()[0]
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


def test_a_newer_form_is_refused(place: str) -> None:
    with Register(place) as register, register._engine.begin() as c:
        c.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RecordError, match="newer program"):
        Register(place)

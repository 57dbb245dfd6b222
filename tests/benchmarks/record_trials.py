"""Whether records are lost, doubled, left half or altered unseen: kills, crowds, flipped bytes.

    python tests/benchmarks/record_trials.py STATE.json [ROUNDS, default 4]

Each trial runs in rounds of its own folder and seed; STATE.json holds what every finished round
gave, so that a run that is cut short goes on where it was. PostgreSQL is Debian's, started here on
a folder of its own. At the end the counts are printed, summed over the rounds:

    kills, lost, doubled, half, faults      what SIGKILL at random moments left behind
    entries, lost, doubled, faults          what writers at once left behind
    places, found, named, in_file_only      flipped bits: found at all; the right place named; found
                                            but told of the file as a whole, since none of it could
                                            be read
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import itertools
import json
import os
import random
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

import program
from many_cases import uneven
from veneercheck.case.order import Settled
from veneercheck.core.errors import RecordError
from veneercheck.core.types import Case, TriangleMesh
from veneercheck.machine.aside import ASIDE
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.profile import built_in
from veneercheck.record import Entry, Register, canonical, filing, sha256_of
from veneercheck.record.audit import audit, first_page_faults
from veneercheck.record.bundle import bundle_faults
from veneercheck.record.confirm import confirm
from veneercheck.record.deciding import decide
from veneercheck.record.export import export_bundle
from veneercheck.record.located import file_hashes, files_on_record, folder_of
from veneercheck.record.tables import DRAWN
from veneercheck.scan import write_stl

Counts = dict[str, int]

ROUNDS = 4
NOW = datetime(2026, 3, 31, 10, 0, tzinfo=UTC)

RADIUS_MM = 3.7
"""Of the lump that is checked: so large that its unit is clear, and no larger, for speed."""

SAID_FIRST = 3
"""Entries that a writer has said before it is killed, however slow the machine is."""

_PAGE_BYTES = 4096
_HEAD_BYTES = 12
"""What says how a page is to be read, and where its first row lies (SQLite's file format, 1.6)."""


_PORTS_TRIED, _LONGEST_START_S = 5, 300

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


def programs_of_postgresql() -> Path | None:
    """Where PostgreSQL's programs lie."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    found = shutil.which("initdb")
    return places[-1].parent if places else Path(found).parent if found else None


@contextlib.contextmanager
def postgresql(programs: Path) -> Iterator[str]:
    """PostgreSQL as Debian brings it, started on a folder of its own; it refuses to run as root."""
    folder = Path(tempfile.mkdtemp(prefix="veneercheck-pg-"))
    user = "postgres" if os.geteuid() == 0 else None
    if user:
        shutil.chown(folder, user)
    data = folder / "data"

    def call(program: str, *words: str) -> bool:
        command = [str(programs / program), "-D", str(data), *words]
        done = subprocess.run(command, user=user, cwd=folder, check=False, capture_output=True)
        return done.returncode == 0

    def started(port: int) -> bool:
        settings = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1"
        wait = ("-w", "-t", str(_LONGEST_START_S))
        return call("pg_ctl", *wait, "-l", str(folder / "log"), "-o", settings, "start")

    try:
        call("initdb", "-U", "lab", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C")
        # a port that is free may be taken by another program before PostgreSQL has it
        ports = (_free_port() for _ in range(_PORTS_TRIED))
        port = next((port for port in ports if started(port)), None)
        if port is None:
            log = folder / "log"
            raise RuntimeError(log.read_text("utf-8") if log.exists() else "initdb failed")
        yield f"postgresql+pg8000://lab@127.0.0.1:{port}"
    finally:
        call("pg_ctl", "-m", "immediate", "stop")
        shutil.rmtree(folder)


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
        return port


def new_database(server: str, name: str) -> str:
    """A database of its own; its address."""
    engine = sa.create_engine(f"{server}/postgres", isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return f"{server}/{name}"


def decision(number: int, why: str = "") -> tuple[str, dict[str, Any]]:
    """An entry that needs no check: its key and its body."""
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


def scans(
    folder: Path, depth_mm: float = 0.9, number: str = "T-1", edge_mm: float = 1.8
) -> Settled:
    """A lump whose upper cap is cut back: too thin after 0.2 mm of opaquer."""
    ball = concentric_spheres(edge_mm).inner
    way = ball.points_mm / 4.0
    size = RADIUS_MM * uneven(way)
    cut = depth_mm * np.clip((way[:, 2] + 0.1) / 0.1, 0.0, 1.0)
    folder.mkdir(exist_ok=True)
    write_stl(folder / "f.stl", TriangleMesh(way * (size - cut)[:, None], ball.faces))
    write_stl(folder / "w.stl", TriangleMesh(way * size[:, None], ball.faces))
    case = Case(number, (45, 46), lots={"composite": "0815"})
    return Settled(folder / "f.stl", folder / "w.stl", case, built_in(), None, aligned=True)


def filed(folder: Path, *, with_report: bool = False) -> tuple[Register, Entry]:
    """A register with one check on record; places in it are its own, so that it may be copied."""
    shutil.copytree(_filed_once(with_report), folder, dirs_exist_ok=True)
    register = Register(folder / "register.sqlite")
    (entry,) = register.entries()
    return register, entry


@functools.cache
def _filed_once(with_report: bool) -> Path:
    """Checked and filed once in a process, whoever asks."""
    folder = Path(tempfile.mkdtemp(prefix="veneercheck-filed-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    work = scans(folder / "scans")
    made = filing.make_case_folder(work, folder / "cases", with_report=with_report, now=NOW)
    with Register(folder / "register.sqlite") as register:
        filing.put_on_record(register, made, who="AB")
    return folder


def writer(place: str, name: str, count: int) -> subprocess.Popen[str]:
    """A process that appends entries and says each."""
    command = [sys.executable, "-c", WRITER, place, name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def _on_record(place: str, said: set[str]) -> Counts:
    """What is wrong with a register, beside the keys that writers said were on record."""
    with Register(place) as register:
        faults = len(audit(register))
        keys = [entry.key for entry in register.entries()]
    return {
        "entries": len(keys),
        "said": len(said),
        "lost": len(said - set(keys)),
        "doubled": len(keys) - len(set(keys)),
        "faults": faults,
    }


def killed_writers(place: str, chance: random.Random, kills: int) -> Counts:
    """SIGKILL while entries are written; two names in turn, so that entries are written again."""
    with Register(place):
        pass
    said: set[str] = set()
    for number in range(kills):
        one = writer(place, f"K{number % 2}", 100_000)
        assert one.stdout is not None
        said |= {one.stdout.readline().strip() for _ in range(SAID_FIRST)}
        time.sleep(chance.uniform(0.0, 0.3))
        one.send_signal(signal.SIGKILL)
        said |= {line.strip() for line in one.communicate()[0].split("\n") if len(line) == 64}
    return {"kills": kills, **_on_record(place, said - {""})}


def crowd_of_writers(place: str, writers: int, each: int) -> Counts:
    """Processes that all append at once, and race to create the register too."""
    crowd = [writer(place, f"W{number}", each) for number in range(writers)]
    said = [line for one in crowd for line in one.communicate()[0].split()]
    failed = sum(one.returncode != 0 for one in crowd)
    told = _on_record(place, set(said))
    return {**told, "missing": writers * each - told["entries"], "failed": failed}


_CASE = """
case = "{number}"
units = [45, 46]

[scans]
framework = "f.stl"
waxup = "w.stl"
"""


def _order(folder: Path, place: str, number: int, *, with_report: bool) -> list[str]:
    """The command that checks one of the cases into the register."""
    room = folder / f"scans-{number}"
    if not room.exists():
        scans(room, 0.7 + 0.01 * number)
        (room / "case.toml").write_text(_CASE.format(number=f"T-{number}"), encoding="utf-8")
    words = ["check", "--case", str(room / "case.toml"), "--aligned", "--who", "AB"]
    words += ["--register", place, "--out", str(folder / "cases")]
    return [sys.executable, "-m", "veneercheck", *words, *([] if with_report else ["--no-report"])]


def _run(command: list[str]) -> float:
    """Seconds that a whole check takes in a process of its own."""
    start = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1, 4):
        raise RuntimeError(done.stderr)
    return time.monotonic() - start


def _done(command: list[str]) -> None:
    """The same check where nothing is timed or killed: an interpreter costs as much as it does."""
    ended = program.run(*command[3:], folder=Path.cwd())
    if ended.code not in (0, 1, 4):
        raise RuntimeError(ended.told)


def _killed(command: list[str], after_s: float) -> tuple[bool, float]:
    """Whether SIGKILL came before the check was through, and how long it ran."""
    start = time.monotonic()
    one = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        one.wait(after_s)
    except subprocess.TimeoutExpired:
        one.send_signal(signal.SIGKILL)
        one.wait()
    return one.returncode == -signal.SIGKILL, time.monotonic() - start


def half_folders(store: Path, register: Register) -> list[Path]:
    """Case folders in which a file is missing or is not as it is on record.

    A folder that is not on record yet must hold the files of one that is.
    """
    known = {}
    for entry in register.entries():
        if entry.body["kind"] == "check":
            folder = folder_of(register, entry)
            known[folder.resolve()] = files_on_record(register, entry)
    usual = set().union(*known.values()) if known else {"order.json", "result.json", "space.ply"}
    found = []
    for folder in store.iterdir():
        if folder.name == ASIDE:
            continue
        files = file_hashes(folder)
        on_record = known.get(folder.resolve())
        whole = files == on_record if on_record else set(files) >= usual
        found += [] if whole else [folder]
    return found


def killed_checks(
    folder: Path, place: str, chance: random.Random, kills: int, *, with_report: bool = False
) -> Counts:
    """SIGKILL while a case is checked and filed, again and again until it is through.

    Then the next case is taken; the last one is checked to its end.
    """
    whole_s = _run(_order(folder, place, 0, with_report=with_report))
    hit, half, number = 0, 0, 1
    with Register(place) as register:
        while hit < kills:
            # every other moment falls late, where folder and entry are written
            earliest = 0.0 if hit % 2 else 0.6 * whole_s
            order = _order(folder, place, number, with_report=with_report)
            killed, ran_s = _killed(order, chance.uniform(earliest, whole_s))
            hit += killed
            number += not killed
            whole_s = whole_s if killed else ran_s
            half += len(half_folders(folder / "cases", register))
        _done(order if killed else _order(folder, place, number, with_report=with_report))
        half += len(half_folders(folder / "cases", register))
        faults = confirm(register, repeat=False).differences
        numbers = Counter(row["case_number"] for row in register.list_checks())
    left = list((folder / "cases" / ASIDE).glob("*"))
    return {
        "kills": kills,
        "cases": number + 1,
        "half": half,
        "left_aside": len(left),
        "lost": number + 1 - len(numbers),
        "doubled": sum(numbers.values()) - len(numbers),
        "faults": len(faults),
    }


def _flipped(whole: bytes, at: int, chance: random.Random) -> bytes:
    broken = bytearray(whole)
    broken[at] ^= 1 << chance.randrange(8)
    return bytes(broken)


def tampered_register(
    folder: Path,
    chance: random.Random,
    places: int,
    *,
    within: int | None = None,
    heads: bool = False,
) -> Counts:
    """One flipped bit in the file of a register in SQLite: the entry, row or byte is named.

    All over the file, within its first bytes, or within the heads of its pages.
    """
    register, entry = filed(folder)
    with register:
        for number in range(4):
            register.append(sha256_of(f"{number}"), {**entry.body, "folder": f"F-{number}"})
        for number in range(5, _ENTRIES):
            register.append(*decision(number, "why " * 200))
        assert audit(register) == []
    file = folder / "register.sqlite"
    whole, rows = file.read_bytes(), _rows_of(file, _ENTRIES)
    told = Counter(places=places)
    for _ in range(places):
        at = chance.randrange(within or len(whole))
        at -= at % _PAGE_BYTES - chance.randrange(_HEAD_BYTES) if heads else 0
        file.write_bytes(_flipped(whole, at, chance))
        try:
            with Register(file) as opened:
                found = [str(difference) for difference in audit(opened)]
        except RecordError as refusal:
            found = [str(refusal), *(str(fault) for fault in first_page_faults(file))]
        told["found"] += bool(found)
        named = _named(found, at, rows, _rows_of(file, _ENTRIES))
        told["named"] += named
        told["in_file_only"] += bool(found) and not named
        told["wrong_byte"] += any(", byte " in w and f"byte {at}:" not in w for w in found)
    file.write_bytes(whole)
    return dict(told)


_ENTRIES = 17
_KEPT = ("entries", *(table.name for table in DRAWN))
Rows = dict[tuple[str, int], Any]


def _rows_of(file: Path, entries: int) -> Rows:
    """What SQLite itself reads in a register, by table and entry; None where it cannot."""
    found: Rows = {}
    with contextlib.closing(sqlite3.connect(file)) as opened:
        opened.text_factory = lambda raw: ("text", raw)  # an altered byte may make it a blob
        for table, seq in itertools.product(_KEPT, range(1, entries + 1)):
            try:
                wanted = f"SELECT * FROM {table} WHERE seq = {seq}"
                found[table, seq] = opened.execute(wanted).fetchall()
            except (sqlite3.DatabaseError, UnicodeDecodeError):  # a fault told in altered words
                found[table, seq] = None
    return found


def _named(found: list[str], at: int, rows: Rows, broken: Rows) -> bool:
    """Whether the right place is told: the byte, its page, or an entry or row that became another.

    Where a leaf of the entries cannot be read any more, the first entry in it is told.
    """
    size = "bytes 28 to 31" if 28 <= at < 32 else f"byte {at}:"
    page = re.compile(rf"\b[Pp]age {at // _PAGE_BYTES + 1}\b")
    if any(size in words or page.search(words) for words in found):
        return True
    altered = [key for key in rows if rows[key] != broken[key]]
    places = [f"register, entry {seq}:" for table, seq in altered if table == "entries"]
    places += [f"register, table {table}, entry {seq}:" for table, seq in altered]
    places += [f"follows entry {seq - 1}:" for table, seq in altered if table == "entries"]
    return any(place in words for words in found for place in places)


def tampered_bundle(folder: Path, chance: random.Random, places: int) -> Counts:
    """One flipped bit in a bundle: the file within it, or the byte, is named."""
    register, _ = filed(folder)
    with register:
        decide(register, "T-1", who="QA", what="accepted", why="", now=NOW)
        (bundle,) = export_bundle(register, "T-1", folder / "one.zip")
    assert bundle_faults(bundle) == []
    whole = bundle.read_bytes()
    with zipfile.ZipFile(bundle) as archive:
        members = archive.infolist()
    told = Counter(places=places)
    for number in range(places):
        # a third of the places fall on the frame of the archive, which is small
        at = chance.randrange(len(whole)) if number % 3 else -1 - chance.randrange(2000)
        at %= len(whole)
        bundle.write_bytes(_flipped(whole, at, chance))
        found = [str(fault) for fault in bundle_faults(bundle)]
        told["found"] += bool(found)
        within = [m.filename for m in members if _within(m, at)]
        named = any(w in words for words in found for w in [*within, f"byte {at}:"])
        told["named"] += named
        told["in_file_only"] += bool(found) and not named
        told["in_frame"] += not within
    return dict(told)


def _within(member: zipfile.ZipInfo, at: int) -> bool:
    """Whether a place belongs to a file of the archive, its own header included."""
    length = 30 + len(member.filename.encode()) + member.file_size
    return member.header_offset <= at < member.header_offset + length


def tampered_reports(
    folder: Path, chance: random.Random, places: int, *, with_report: bool = True
) -> Counts:
    """One flipped bit in a file of a case folder, report included: that file is named."""
    register, entry = filed(folder, with_report=with_report)
    with register:
        case = folder_of(register, entry)
        names = sorted(files_on_record(register, entry))
        told = Counter(places=places)
        for _ in range(places):
            file = case / chance.choice(names)
            whole = file.read_bytes()
            file.write_bytes(_flipped(whole, chance.randrange(len(whole)), chance))
            found = [one.place for one in confirm(register, repeat=False).differences]
            file.write_bytes(whole)
            told["found"] += bool(found)
            told["named"] += found == [str(file)]
        assert confirm(register, repeat=False).differences == ()
    return dict(told)


_COLUMNS = ("entries.body", "entries.key", "entries.previous", "entries.hash", "decisions.who",
            "decisions.what", "decisions.case_number", "decisions.check_key")  # fmt: skip


def tampered_rows(place: str, chance: random.Random, places: int) -> Counts:
    """One altered sign in a row of a register in PostgreSQL: that entry is named."""
    told = Counter(places=places)
    with Register(place) as register:
        for number in range(12):
            register.append(*decision(number, "why " * 50))
        with register._engine.begin() as connection:
            for table in ("entries", "decisions"):
                connection.execute(sa.text(f"ALTER TABLE {table} DISABLE TRIGGER ALL"))
        for _ in range(places):
            table, column = chance.choice(_COLUMNS).split(".")
            seq = chance.randrange(1, 13)
            whole = _cell(register, table, column, seq)
            at = chance.randrange(len(whole))
            sign = chr(ord(whole[at]) ^ 1)
            _put_cell(register, table, column, seq, whole[:at] + sign + whole[at + 1 :])
            found = [str(difference) for difference in audit(register)]
            _put_cell(register, table, column, seq, whole)
            told["found"] += bool(found)
            told["named"] += any(f"entry {seq}:" in words for words in found)
        assert audit(register) == []
    return dict(told)


def _cell(register: Register, table: str, column: str, seq: int) -> str:
    wanted = sa.text(f"SELECT {column} FROM {table} WHERE seq = {seq}")
    with register._engine.connect() as connection:
        return str(connection.execute(wanted).scalar())


def _put_cell(register: Register, table: str, column: str, seq: int, value: str) -> None:
    wanted = sa.text(f"UPDATE {table} SET {column} = :value WHERE seq = {seq}")
    with register._engine.begin() as connection:
        connection.execute(wanted, {"value": value})


_BOUNDED = """
import resource, runpy, sys
size = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
sys.dont_write_bytecode = True
sys.argv = ["veneercheck", *sys.argv[2:]]
runpy.run_module("veneercheck", run_name="__main__")
"""
"""The program, with no file allowed to grow beyond a size: what a full disk does to it. Nor may it
leave half of a compiled module to those after it."""


def full_disk(folder: Path, chance: random.Random, times: int) -> Counts:
    """Files that cannot grow any more, at sizes drawn by chance: nothing half, nothing lost."""
    place = str(folder / "register.sqlite")
    _done(_order(folder, place, 0, with_report=False))
    refused = half = told = 0
    with Register(place) as register:
        for number in range(1, times + 1):
            words = _order(folder, place, number, with_report=False)[3:]
            size = int(10 ** chance.uniform(3.0, 5.5))
            command = [sys.executable, "-c", _BOUNDED, str(size), *words]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            refused += done.returncode == 3
            told += done.returncode not in (0, 1, 3, 4)
            half += len(half_folders(folder / "cases", register))
        for number in range(1, times + 1):
            _done(_order(folder, place, number, with_report=False))
        faults = len(confirm(register, repeat=False).differences)
        numbers = [row["case_number"] for row in register.list_checks()]
    return {
        "times": times,
        "refused": refused,
        "half": half,
        "crashed": told,
        "lost": times + 1 - len(set(numbers)),
        "doubled": len(numbers) - len(set(numbers)),
        "faults": faults,
    }


def confirmed_elsewhere(folder: Path, seed: int) -> Counts:
    """The sample, fitted and filed with its report; repeated by other processes elsewhere."""
    command = [sys.executable, "-m", "veneercheck"]
    sample, place = folder / "sample", folder / "register.sqlite"
    subprocess.run([*command, "demo", "--out", str(sample)], check=True, capture_output=True)
    case = next(sample.glob("case.toml"))
    words = ["check", "--case", str(case), "--register", str(place), "--out", str(folder / "cases")]
    _run([*command, *words])
    away = folder / "else where"
    away.mkdir()
    again = [*command, "records", "confirm", "--register", os.path.relpath(place, away)]
    same = 0
    for threads in ("1", "2"):
        env = {**os.environ, "PYTHONHASHSEED": str(seed + 1), "OMP_NUM_THREADS": threads}
        env |= {"LC_ALL": "C", "TZ": "Pacific/Chatham"}
        done = subprocess.run(again, cwd=away, env=env, capture_output=True, text=True, check=False)
        same += done.returncode == 0 and "1 checks repeated to the last digit" in done.stdout
    return {"repeated": 2, "same": same}


Trial = Callable[[Path, str, random.Random], Counts]

TRIALS: dict[str, Trial] = {
    "kills of writers, SQLite": lambda f, _, c: killed_writers(str(f / "r.sqlite"), c, 5),
    "kills of writers, PostgreSQL": lambda _, p, c: killed_writers(p, c, 5),
    "kills of checks, SQLite": lambda f, _, c: killed_checks(f, str(f / "r.sqlite"), c, 5),
    "kills of checks, PostgreSQL": lambda f, p, c: killed_checks(f, p, c, 5),
    "kills of checks with report": lambda f, _, c: killed_checks(
        f, str(f / "r.sqlite"), c, 5, with_report=True
    ),
    "flipped bits, register": lambda f, _, c: tampered_register(f, c, 100),
    "flipped bits, first bytes": lambda f, _, c: tampered_register(f, c, 50, within=100),
    "flipped bits, heads of pages": lambda f, _, c: tampered_register(f, c, 50, heads=True),
    "flipped bits, bundle": lambda f, _, c: tampered_bundle(f, c, 100),
    "flipped bits, case folder": lambda f, _, c: tampered_reports(f, c, 100),
    "altered signs, PostgreSQL": lambda _, p, c: tampered_rows(p, c, 20),
    "files that cannot grow": lambda f, _, c: full_disk(f, c, 4),
}
ONCE: dict[str, Trial] = {
    "8 writers x 500, SQLite": lambda f, _, __: crowd_of_writers(str(f / "r.sqlite"), 8, 500),
    "8 writers x 500, PostgreSQL": lambda _, p, __: crowd_of_writers(p, 8, 500),
    "confirmed elsewhere": lambda f, _, __: confirmed_elsewhere(f, 0),
}


def main() -> None:
    """Carry out what is still to do, and print the sums."""
    state = Path(sys.argv[1])
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else ROUNDS
    done: dict[str, Counts] = json.loads(state.read_text()) if state.exists() else {}
    wanted = [(name, 0, trial) for name, trial in ONCE.items()]
    wanted += [(name, r, trial) for r in range(rounds) for name, trial in TRIALS.items()]
    programs = programs_of_postgresql()
    if programs is None:
        raise SystemExit("PostgreSQL is not installed: apt install postgresql")
    with postgresql(programs) as server:
        for name, number, trial in wanted:
            told = f"{name} #{number}"
            if told in done:
                continue
            database = new_database(server, f"t{sha256_of(told)[:20]}")
            with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
                done[told] = trial(Path(room), database, random.Random(told))
            state.write_text(json.dumps(done, indent=1))
            print(told, done[told], flush=True)
    sums: dict[str, Counter[str]] = {}
    for told, counts in done.items():
        sums.setdefault(told.partition(" #")[0], Counter()).update(counts)
    for name, counts in sums.items():
        print(f"{name:<32}", "  ".join(f"{key} {value}" for key, value in counts.items()))


if __name__ == "__main__":
    main()

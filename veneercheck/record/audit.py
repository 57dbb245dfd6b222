"""What was altered in a register: every link, every row for searching, every byte of its file."""

from __future__ import annotations

import dataclasses
import itertools
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from veneercheck.core.errors import RecordError
from veneercheck.record.register import FIRST, Entry, Register, limits_sha256, link
from veneercheck.record.tables import DRAWN, rows_of

_AT_ONCE = 200
"""Entries whose rows are compared together."""

_BLOCK_BYTES = 4096

_SIZE_AT = 28
"""Where the first page says in how many pages the file is."""

_COUNTERS = (range(24, 32), range(92, 100))
"""Bytes of the first page that change with every entry, or with the library that writes (SQLite's
file format, 1.3)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Difference:
    """Something that is not as it was put on record.

    Parameters
    ----------
    place : str
        Where: an entry, a row, a byte of a file.
    what : str
        What is wrong there, in words.
    """

    place: str
    what: str

    def __str__(self) -> str:
        return f"{self.place}: {self.what}"


def audit(register: Register) -> list[Difference]:
    """Compare a register with what its own entries say it must be.

    Parameters
    ----------
    register : Register

    Returns
    -------
    list of Difference
        Empty where every link of the chain, every row and, in SQLite, every byte of the file is
        what writing these entries leaves. Entries cut off at the end leave no trace in the chain:
        keep the last hash elsewhere, or compare with the case folders.
    """
    found = [Difference("register", fault) for fault in _engine_faults(register)]
    try:
        found += _chain(register)
        found += [
            Difference(f"register, table {table}, entry {seq}", "belongs to no entry")
            for table, seq in register.strangers()
        ]
    except (RecordError, TypeError, ValueError) as error:
        found.append(Difference("register", f"cannot be read through: {error}"))
    if register.file is not None:
        found += first_page_faults(register.file) if found else _bytes(register, register.file)
    return found


def first_page_faults(file: Path) -> list[Difference]:
    """Where the first page of a register in SQLite is not what laying its tables leaves.

    Parameters
    ----------
    file : Path
        One that cannot be opened: its first page says how all the others are read.

    Returns
    -------
    list of Difference
        Empty where the fault lies elsewhere, or the file is none of this program's.
    """
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        empty = Path(room) / "register.sqlite"
        Register(empty, lasting=False).close()
        pages = [next(_blocks(one), b"").ljust(_BLOCK_BYTES, b"\0") for one in (file, empty)]
    unlike = [at for at, (one, other) in enumerate(zip(*pages, strict=True)) if one != other]
    told = [at for at in unlike if not any(at in counter for counter in _COUNTERS)]
    if told:
        # a page that has little in common with ours belongs to another file
        ours = len(told) <= _BLOCK_BYTES // 2
        words = "is not what laying the tables leaves there"
        return [Difference(f"{file.name}, byte {told[0]}", words)] if ours else []
    size = int.from_bytes(pages[0][_SIZE_AT : _SIZE_AT + 4], "big") * _BLOCK_BYTES
    if size == file.stat().st_size:
        return []
    place = f"{file.name}, bytes {_SIZE_AT} to {_SIZE_AT + 3}"
    return [Difference(place, "do not hold the size of the file")]


def _engine_faults(register: Register) -> list[str]:
    try:
        return register.engine_faults()
    except RecordError as error:
        return [error.what]


def _chain(register: Register) -> Iterator[Difference]:
    previous, seq = FIRST, 0
    entries = register.entries()
    while some := list(itertools.islice(entries, _AT_ONCE)):
        for entry in some:
            seq += 1
            yield from _link_faults(entry, seq, previous)
            previous, seq = entry.hash, entry.seq
        yield from _row_faults(register, some)


def _link_faults(entry: Entry, seq: int, previous: str) -> Iterator[Difference]:
    place = f"register, entry {entry.seq}"
    if entry.seq != seq:
        yield Difference(place, f"follows entry {seq - 1}: what lay between is gone")
    if entry.previous != previous:
        yield Difference(place, "does not carry the hash of the entry before it")
    if entry.hash != link(entry.seq, entry.key, entry.text, entry.previous):
        yield Difference(place, "its content does not match its hash: it was altered")


def _row_faults(register: Register, entries: list[Entry]) -> Iterator[Difference]:
    stored = register.drawn_rows(entries[0].seq, entries[-1].seq)
    for table in DRAWN:
        wanted = [row for entry in entries for row in _rows(entry, table.name)]
        if stored[table.name] == wanted:
            continue
        told = {_as_text(row) for row in wanted} ^ {_as_text(row) for row in stored[table.name]}
        for seq in sorted({text.partition("|")[0] for text in told}, key=int):
            yield Difference(f"register, table {table.name}, entry {seq}", "differs from its entry")


def _as_text(row: dict[str, object]) -> str:
    return f"{row['seq']}|{sorted(row.items())!r}"  # an altered value may be of any kind


def _rows(entry: Entry, table: str) -> list[dict[str, object]]:
    try:
        return rows_of(entry.seq, entry.body, limits_sha256(entry.body)).get(table, [])
    except (KeyError, TypeError):  # an altered body is told by its hash
        return []


def _bytes(register: Register, file: Path) -> list[Difference]:
    """Write the entries anew and compare the files: what no row holds may be altered too."""
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        copy = Path(room) / "register.sqlite"
        with Register(copy, lasting=False) as anew:
            for entry in register.entries():
                anew.append(entry.key, entry.body)
        return list(_unlike(file, _blocks(file), _blocks(copy)))


def _blocks(file: Path) -> Iterator[bytes]:
    with file.open("rb") as stream:
        while block := stream.read(_BLOCK_BYTES):
            yield block


def _unlike(file: Path, ours: Iterable[bytes], anew: Iterable[bytes]) -> Iterator[Difference]:
    pairs = itertools.zip_longest(ours, anew, fillvalue=b"")
    for number, (one, other) in enumerate(pairs):
        if one != other:
            byte = next(
                (at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b),
                min(len(one), len(other)),
            )
            yield Difference(
                f"{file.name}, byte {number * _BLOCK_BYTES + byte}",
                "is not what writing these entries leaves, though every entry reads whole",
            )

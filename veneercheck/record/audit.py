"""What was altered in a register: every link, every row for searching, every byte of its file.

Notes
-----
A register in SQLite is confirmed byte by byte. A flipped byte in free space or in the header
changes no row. Choice: write the entries anew into a fresh file and compare the two. That needs a
deterministic form: indexes are laid one by one, nothing is ever deleted. Where a page is broken so
that a table or an index cannot be read any more, the entries are read one by one: if all of them
are whole the byte is told all the same, else the first that cannot be read. The number of the
tables' form is compared with that of an empty register. Instead of: checksums of pages, which need
an extension of SQLite. Cost: confirming takes as long as writing; a `VACUUM`, or another version of
SQLite, shows as a difference in the file though every entry reads whole.
"""

from __future__ import annotations

import dataclasses
import itertools
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from veneercheck.core.errors import RecordError
from veneercheck.record.engine import HEAD
from veneercheck.record.register import FIRST, Entry, Register, limits_sha256, link
from veneercheck.record.renewing import FIRST_FORM, MARK_AT, RENEWED, forms_of_file, laid_as
from veneercheck.record.tables import rows_of

_AT_ONCE = 200
"""Entries whose rows are compared together."""

_BLOCK_BYTES = 4096

_LAID_PAGES = 3
"""The tables' form, then its number, and the index of that: later entries leave them alone."""

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
    of_entries, of_rows = _gone_through(register)
    found += of_entries + of_rows
    if not found:  # where pages lead round in a circle, there would be no end of rows
        found += _strangers(register)
    if register.file is not None:
        # whatever else is broken: where every entry is whole, the file can be written anew
        whole = not of_entries
        found += _bytes(register, register.file) if whole else first_page_faults(register.file)
    return list(dict.fromkeys(found))


def first_page_faults(file: Path) -> list[Difference]:
    """Where the first pages of a register in SQLite are not what laying its tables leaves.

    Parameters
    ----------
    file : Path
        One that cannot be opened: its first page says how all the others are read, the two after
        it hold the number of the tables' form.

    Returns
    -------
    list of Difference
        Empty where the fault lies elsewhere, or the file is none of this program's.
    """
    pages = [_laid_pages(file), _pages_of_nearest(file)]
    unlike = [at for at, (one, other) in enumerate(zip(*pages, strict=True)) if one != other]
    told = [at for at in unlike if not any(at in counter for counter in _COUNTERS)]
    if told:
        words = "is not what laying the tables leaves there"
        found = [Difference(f"{file.name}, byte {told[0]}", words)]
        return [] if _another_programs(told) else found
    size = int.from_bytes(pages[0][_SIZE_AT : _SIZE_AT + 4], "big") * _BLOCK_BYTES
    if size == file.stat().st_size:
        return []
    place = f"{file.name}, bytes {_SIZE_AT} to {_SIZE_AT + 3}"
    return [Difference(place, "do not hold the size of the file")]


def _pages_of_nearest(file: Path) -> bytes:
    """The first pages that laying the tables leaves, in the way that comes nearest to a file's."""
    own, found = _laid_pages(file), list[bytes]()
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        for number, way in enumerate(forms_of_file()):
            empty = Path(room) / f"{number}.sqlite"
            laid_as(empty, way).close()
            found.append(_laid_pages(empty))
    return min(found, key=lambda other: sum(a != b for a, b in zip(own, other, strict=True)))


def _laid_pages(file: Path) -> bytes:
    pages = b"".join(itertools.islice(_blocks(file), _LAID_PAGES))
    return pages.ljust(_LAID_PAGES * _BLOCK_BYTES, b"\0")


def _another_programs(unlike: list[int]) -> bool:
    """Whether tables and number of their form are both others, or little is as in ours at all."""
    of_tables = sum(at < _BLOCK_BYTES for at in unlike)
    return 0 < of_tables < len(unlike) or of_tables > _BLOCK_BYTES // 2


def _engine_faults(register: Register) -> list[str]:
    try:
        return register.engine_faults()
    except RecordError as error:
        return [error.what]


def _gone_through(register: Register) -> tuple[list[Difference], list[Difference]]:
    """What is wrong with the entries themselves, and with the rows drawn from them."""
    of_entries, of_rows, some = list[Difference](), list[Difference](), list[Entry]()
    previous, seq = FIRST, 0
    try:
        for entry in _entries(register):
            if not isinstance(entry.seq, int):  # the form of the tables was altered
                raise TypeError(f"its place is {entry.seq!r}")
            of_entries += _link_faults(entry, seq + 1, previous)
            previous, seq = entry.hash, entry.seq
            some.append(entry)
            if len(some) == _AT_ONCE:
                of_rows += _row_faults(register, some)
                some.clear()
    except (RecordError, TypeError, ValueError) as error:
        words = f"cannot be read, nor what comes after it ({_cause(error)})"
        of_entries.append(Difference(f"register, entry {seq + 1}", words))
    if not of_entries and _is_cut_off(register, seq):
        words = "is not found, though a row drawn from it is there"
        of_entries.append(Difference(f"register, entry {seq + 1}", words))
    if some:
        of_rows += _row_faults(register, some)
    return of_entries, of_rows


def _entries(register: Register) -> Iterator[Entry]:
    """Every entry; many at once, and singly up to the first one that cannot be read."""
    seq = 0
    try:
        for entry in register.entries():
            yield entry
            seq = entry.seq
    except RecordError:
        while (single := register.entry_at(seq + 1)) is not None:
            yield single
            seq += 1


def _is_cut_off(register: Register, seq: int) -> bool:
    """Whether an entry is missing after the last one that was found; not one that just came."""
    # a row whose own number was altered leaves a gap where it was
    if not register.is_drawn(seq + 1) or (seq > 0 and not register.is_drawn(seq)):
        return False
    try:
        return register.entry_at(seq + 1) is None
    except RecordError:
        return True


def _cause(error: Exception) -> str:
    return error.what.rstrip(".") if isinstance(error, RecordError) else str(error)


def _link_faults(entry: Entry, seq: int, previous: str) -> Iterator[Difference]:
    place = f"register, entry {entry.seq}"
    if entry.seq != seq:
        yield Difference(place, f"follows entry {seq - 1}: what lay between is gone")
    if entry.previous != previous:
        yield Difference(place, "does not carry the hash of the entry before it")
    if entry.hash != link(entry.seq, entry.key, entry.text, entry.previous):
        yield Difference(place, "its content does not match its hash: it was altered")


def _row_faults(register: Register, entries: list[Entry]) -> Iterator[Difference]:
    for table in register.drawn:
        wanted = [row for entry in entries for row in _rows(entry, table.name)]
        try:
            most = len(wanted) + 1  # pages that lead round in a circle have no end of rows
            stored = register.drawn_rows(table, entries[0].seq, entries[-1].seq, most)
        except RecordError as error:
            yield Difference(f"register, table {table.name}", f"cannot be read ({_cause(error)})")
            continue
        if len(stored) == len(wanted) and stored == wanted:
            continue
        told = {_as_text(row) for row in wanted} ^ {_as_text(row) for row in stored}
        for seq in sorted({text.partition("|")[0] for text in told}, key=int):
            yield Difference(f"register, table {table.name}, entry {seq}", "differs from its entry")


def _strangers(register: Register) -> Iterator[Difference]:
    for table in register.drawn:
        for seq in register.strangers(table):
            yield Difference(f"register, table {table.name}, entry {seq}", "belongs to no entry")


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
        with laid_as(copy, _way_of(file, register.form)) as anew:
            anew.take_over(_entries(register))
        return list(_unlike(file, _blocks(file), _blocks(copy)))


def _way_of(file: Path, form: str) -> tuple[str, str | None]:
    """How the tables of a file came to their form: laid so, or brought there from an older one."""
    with file.open("rb") as stream:
        head = stream.read(MARK_AT.stop)
    if form == HEAD and sum(a != b for a, b in zip(head[MARK_AT], RENEWED, strict=True)) < 2:
        return form, FIRST_FORM
    return form, None


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

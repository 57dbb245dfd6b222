"""The register: entries in a chain of hashes that only grows, in SQLite or PostgreSQL."""

from __future__ import annotations

import dataclasses
import itertools
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from veneercheck.core.errors import RecordError, Told
from veneercheck.record.canonical import canonical, sha256_of
from veneercheck.record.engine import HEAD, as_text, engine_of, form_there, lay, lock, shown
from veneercheck.record.tables import (
    CHECKS,
    DECISIONS,
    ENTRIES,
    FORMS,
    MARKS,
    SCANS,
    rows_of,
)

FIRST = "0" * 64
"""What stands for the hash before the first entry."""

_PG_MESSAGE = "M"
"""Field of an error that holds its message (PostgreSQL's protocol, error fields)."""

_PAGE = 500
"""Entries read at once, so that a long register needs no more memory than a short one."""


class OvertakenError(RecordError):
    """Another entry came first, and what was to be put on record did not know of it."""


@dataclasses.dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the chain.

    Parameters
    ----------
    seq : int
        Its place, from 1.
    key : str
        What makes it the same entry: it can be on record only once.
    body : mapping
        What is on record.
    previous, hash : str
        Links of the chain.
    text : str
        The body as it is stored.
    """

    seq: int
    key: str
    body: Mapping[str, Any]
    previous: str
    hash: str
    text: str


class Register:
    """A register at a path (SQLite) or a database URL.

    Parameters
    ----------
    place : str or Path
        Created if missing.
    lasting : bool
        Every entry is on the disk before the next one; without it, a power cut may lose some.
    form : str
        Of the tables; an older one than the program's own only to compare with what an older
        program wrote.

    Raises
    ------
    RecordError
        If it cannot be opened, belongs to a newer program, or was altered before it could be
        brought to this form.
    """

    def __init__(self, place: str | Path, *, lasting: bool = True, form: str = HEAD) -> None:
        self.place, self.form = str(place), form
        self._engine = engine_of(self.place, lasting)
        try:
            with self._told():
                there = form_there(self._engine, self.place)
                if there is None:
                    lay(self._engine, form)
                elif there != form:
                    from veneercheck.record.renewing import renew

                    renew(self, there)
        except RecordError:
            self.close()
            raise

    def __enter__(self) -> Register:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @property
    def shown(self) -> str:
        """The place without a password."""
        return shown(self.place)

    @property
    def file(self) -> Path | None:
        """The file of a register in SQLite; None elsewhere."""
        url = self._engine.url
        return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Nobody else writes meanwhile, in this process or another, here or elsewhere."""
        with self._told(), self._engine.begin() as connection:
            lock(connection)
            yield

    def append(
        self, key: str, body: Mapping[str, Any], *, seen: Sequence[str] | None = None
    ) -> Entry:
        """Put an entry at the end of the chain; one whose key is on record stays as it is.

        Parameters
        ----------
        key : str
            Hash of what makes the entry the same.
        body : mapping
            Its `kind` is `check` or `decision`.
        seen : sequence of str, optional
            Of a decision: the keys of all decisions on the check that it was taken after.

        Returns
        -------
        Entry
            The new entry, or the one that was there.

        Raises
        ------
        OvertakenError
            If another decision on the same check came first; nothing is put on record.
        """
        text = canonical(body)
        with self._told(), self._engine.begin() as connection:
            lock(connection)
            there = connection.execute(sa.select(ENTRIES).where(ENTRIES.c.key == key)).first()
            if there is not None:
                return _entry(there)
            if seen is not None and self._decided(connection, body["check_key"]) != list(seen):
                raise OvertakenError(
                    "another decision on this check was put on record at the same moment.",
                    where=self.shown,
                    next_step="Decide again.",
                )
            last = connection.execute(
                sa.select(ENTRIES.c.seq, ENTRIES.c.hash).order_by(ENTRIES.c.seq.desc()).limit(1)
            ).first()
            seq, previous = (last.seq + 1, last.hash) if last else (1, FIRST)
            entry = Entry(
                seq, key, json.loads(text), previous, link(seq, key, text, previous), text
            )
            self._insert(connection, entry)
        return entry

    def take_over(self, entries: Iterable[Entry], *, at_once: int = 1) -> int:
        """Put entries at the end as they are, each with its own hash; how many there were.

        One transaction an entry, as they were written: it shows in the file of SQLite. Where that
        does not matter, many at once are faster.
        """
        count, rest = 0, iter(entries)
        while some := list(itertools.islice(rest, at_once)):
            with self._told(), self._engine.begin() as connection:
                for entry in some:
                    self._insert(connection, entry)
            count += len(some)
        return count

    def _insert(self, connection: sa.Connection, entry: Entry) -> None:
        connection.execute(ENTRIES.insert(), _row(entry))
        self.draw(connection, entry, self.drawn)

    @property
    def drawn(self) -> tuple[sa.Table, ...]:
        """The tables drawn from the entries."""
        return FORMS[self.form]

    @staticmethod
    def draw(connection: sa.Connection, entry: Entry, tables: Iterable[sa.Table]) -> None:
        """Put the rows that an entry gives into some of the tables for searching."""
        rows = rows_of(entry.seq, entry.body, limits_sha256(entry.body))
        for table in tables:
            if rows.get(table.name):
                connection.execute(table.insert(), rows[table.name])

    @staticmethod
    def _decided(connection: sa.Connection, check_key: str) -> list[str]:
        """Keys of the decisions on a check, as they stand while nobody else writes."""
        joined = sa.select(ENTRIES.c.key).join(DECISIONS, DECISIONS.c.seq == ENTRIES.c.seq)
        wanted = joined.where(DECISIONS.c.check_key == check_key).order_by(ENTRIES.c.seq)
        return [row.key for row in connection.execute(wanted)]

    def entries(self, after: int = 0) -> Iterator[Entry]:
        """Every entry, the oldest first; only those after a place, where one is given."""
        last = after
        while True:
            wanted = sa.select(ENTRIES).where(ENTRIES.c.seq > last).order_by(ENTRIES.c.seq)
            page = self._read(wanted.limit(_PAGE))
            if not page:
                return
            yield from map(_entry, page)
            if page[-1].seq <= last:
                raise RecordError("its entries lead round in a circle.", where=shown(self.place))
            last = page[-1].seq

    def entry_at(self, seq: int) -> Entry | None:
        """The entry at a place, if there is one."""
        found = self._read(sa.select(ENTRIES).where(ENTRIES.c.seq == seq))
        return _entry(found[0]) if found else None

    def with_key(self, key: str) -> Entry | None:
        """The entry of a key, if it is on record."""
        found = self._read(sa.select(ENTRIES).where(ENTRIES.c.key == key))
        return _entry(found[0]) if found else None

    def with_hash(self, sha: str) -> Entry | None:
        """The entry of a hash, if it is in the chain."""
        found = self._read(sa.select(ENTRIES).where(ENTRIES.c.hash == sha))
        return _entry(found[0]) if found else None

    def checks_of(self, number: str) -> list[Entry]:
        """The checks of a case number, the oldest first."""
        return self._checks(CHECKS.c.case_number == number)

    def checks_with_key(self, start: str) -> list[Entry]:
        """The checks whose key begins so, the oldest first."""
        return self._checks(ENTRIES.c.key.startswith(start, autoescape=True))

    def _checks(self, which: sa.ColumnElement[bool]) -> list[Entry]:
        joined = sa.select(ENTRIES).join(CHECKS, CHECKS.c.seq == ENTRIES.c.seq)
        return [_entry(row) for row in self._read(joined.where(which).order_by(ENTRIES.c.seq))]

    def decisions_on(self, check_key: str) -> list[Entry]:
        """The decisions on a check, the oldest first."""
        joined = sa.select(ENTRIES).join(DECISIONS, DECISIONS.c.seq == ENTRIES.c.seq)
        wanted = joined.where(DECISIONS.c.check_key == check_key).order_by(ENTRIES.c.seq)
        return [_entry(row) for row in self._read(wanted)]

    def list_checks(
        self,
        *,
        verdict: str | None = None,
        scan_sha256: str | None = None,
        since_utc: str | None = None,
    ) -> list[Mapping[str, Any]]:
        """Rows of the table of checks, the oldest first, narrowed down as asked."""
        wanted = sa.select(CHECKS, ENTRIES.c.key).join(ENTRIES, ENTRIES.c.seq == CHECKS.c.seq)
        if verdict is not None:
            wanted = wanted.where(CHECKS.c.verdict == verdict)
        if since_utc is not None:
            wanted = wanted.where(CHECKS.c.checked_at_utc >= since_utc)
        if scan_sha256 is not None:
            these = sa.select(SCANS.c.seq).where(
                SCANS.c.sha256.startswith(scan_sha256, autoescape=True)
            )
            wanted = wanted.where(CHECKS.c.seq.in_(these))
        return [dict(row._mapping) for row in self._read(wanted.order_by(CHECKS.c.seq))]

    def rows(self, wanted: sa.Select[Any]) -> list[dict[str, Any]]:
        """What a question to the tables for searching gives."""
        return [dict(row._mapping) for row in self._read(wanted)]

    def is_drawn(self, seq: int) -> bool:
        """Whether rows for searching tell of an entry: each has one in one of these tables."""
        tables = [one for one in (CHECKS, DECISIONS, MARKS) if one in self.drawn]
        wanted = [sa.select(table.c.seq).where(table.c.seq == seq).limit(1) for table in tables]
        found = False
        for one in wanted:
            with suppress(RecordError):  # a table that is broken tells of nothing
                found = found or bool(self._read(one))
        return found

    def drawn_rows(self, table: sa.Table, first: int, last: int, most: int) -> list[dict[str, Any]]:
        """Rows of a table for searching that belong to a range of entries, so many at most."""
        wanted = sa.select(table).where(table.c.seq.between(first, last))
        rows = self._read(wanted.order_by(*table.primary_key.columns).limit(most))
        return [dict(row._mapping) for row in rows]

    def strangers(self, table: sa.Table) -> list[int]:
        """Places of rows in a table for searching that belong to no entry."""
        known = sa.select(ENTRIES.c.seq)
        wanted = sa.select(table.c.seq).where(table.c.seq.not_in(known))
        return [row.seq for row in self._read(wanted)]

    def engine_faults(self) -> list[str]:
        """What the database engine itself finds broken in its file (SQLite)."""
        if self.file is None:
            return []
        found = [str(row[0]) for row in self._read(sa.text("PRAGMA integrity_check"))]
        return [] if found == ["ok"] else found

    def _read(self, wanted: Any) -> list[Any]:
        with self._told(), self._engine.connect() as connection:
            reading = connection.execution_options(reads=True)
            return list(reading.execute(wanted).all())

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what a database driver raises into a refusal of ours."""
        try:
            yield
        except RecordError:
            raise
        except (SQLAlchemyError, ValueError, KeyError, TypeError) as error:
            raise RecordError(
                Told("the register cannot be used ({error}).", error=_cause(error)),
                where=shown(self.place),
                next_step="Check the place, its free space and permissions; nothing was changed.",
            ) from error


def _cause(error: Exception) -> str:
    """What a driver says, in its words alone: PostgreSQL's comes with fields of its own."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    told = cause.args[0] if cause.args else ""
    if isinstance(told, Mapping):
        told = told.get(_PG_MESSAGE, "")
        return str(told) or type(cause).__name__
    return str(cause)


def standing(decisions: Iterable[Entry]) -> list[Entry]:
    """The decisions that hold: neither taken back by a later one nor such a later one."""
    some = list(decisions)
    back = {entry.body["takes_back"] for entry in some if "takes_back" in entry.body}
    return [one for one in some if one.key not in back and "takes_back" not in one.body]


def link(seq: int, key: str, text: str, previous: str) -> str:
    """The hash of an entry: of its place, its key, its body and the hash before it."""
    return sha256_of(canonical({"seq": seq, "key": key, "body": text, "previous": previous}))


def limits_sha256(body: Mapping[str, Any]) -> str:
    """Hash of the limits that a check was judged by; empty for any other entry."""
    return sha256_of(canonical(body["result"]["profile"])) if body["kind"] == "check" else ""


def _row(entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "key": entry.key,
        "body": entry.text,
        "previous": entry.previous,
        "hash": entry.hash,
    }


def _entry(row: Any) -> Entry:
    text = as_text(row.body)
    try:
        body = json.loads(text)
    except ValueError:
        body = {}
    kept = body if isinstance(body, dict) else {}
    links = (as_text(row.previous), as_text(row.hash))
    return Entry(row.seq, as_text(row.key), kept, *links, text)

"""The register: entries in a chain of hashes that only grows, in SQLite or PostgreSQL."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, NoSuchModuleError, SQLAlchemyError

from veneercheck.core.errors import RecordError
from veneercheck.record.canonical import canonical, sha256_of
from veneercheck.record.tables import CHECKS, DECISIONS, DRAWN, ENTRIES, SCANS, rows_of

HEAD = "0001"
"""The form of the tables that this program writes."""

FIRST = "0" * 64
"""What stands for the hash before the first entry."""

_WAIT_S = 120.0
"""How long a writer waits for the others: each holds the register for some milliseconds."""

_PAGE = 500
"""Entries read at once, so that a long register needs no more memory than a short one."""


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

    Raises
    ------
    RecordError
        If it cannot be opened, or belongs to a newer program.
    """

    def __init__(self, place: str | Path, *, lasting: bool = True) -> None:
        self.place = str(place)
        self._engine = _engine(self.place, lasting)
        try:
            with self._told():
                _bring_up_to_date(self._engine, self.place)
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
    def file(self) -> Path | None:
        """The file of a register in SQLite; None elsewhere."""
        url = self._engine.url
        return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None

    def append(self, key: str, body: Mapping[str, Any]) -> Entry:
        """Put an entry at the end of the chain; one whose key is on record stays as it is.

        Parameters
        ----------
        key : str
            Hash of what makes the entry the same.
        body : mapping
            Its `kind` is `check` or `decision`.

        Returns
        -------
        Entry
            The new entry, or the one that was there.
        """
        text = canonical(body)
        with self._told(), self._engine.begin() as connection:
            _lock(connection)
            there = connection.execute(sa.select(ENTRIES).where(ENTRIES.c.key == key)).first()
            if there is not None:
                return _entry(there)
            last = connection.execute(
                sa.select(ENTRIES.c.seq, ENTRIES.c.hash).order_by(ENTRIES.c.seq.desc()).limit(1)
            ).first()
            seq, previous = (last.seq + 1, last.hash) if last else (1, FIRST)
            entry = Entry(
                seq, key, json.loads(text), previous, link(seq, key, text, previous), text
            )
            connection.execute(ENTRIES.insert(), _row(entry))
            drawn = rows_of(seq, entry.body, limits_sha256(body))
            for table in DRAWN:
                if drawn.get(table.name):
                    connection.execute(table.insert(), drawn[table.name])
        return entry

    def entries(self) -> Iterator[Entry]:
        """Every entry, the oldest first."""
        last = 0
        while True:
            wanted = sa.select(ENTRIES).where(ENTRIES.c.seq > last).order_by(ENTRIES.c.seq)
            page = self._read(wanted.limit(_PAGE))
            if not page:
                return
            yield from map(_entry, page)
            if page[-1].seq <= last:
                raise RecordError("its entries lead round in a circle.", where=_shown(self.place))
            last = page[-1].seq

    def entry_at(self, seq: int) -> Entry | None:
        """The entry at a place, if there is one."""
        found = self._read(sa.select(ENTRIES).where(ENTRIES.c.seq == seq))
        return _entry(found[0]) if found else None

    def with_key(self, key: str) -> Entry | None:
        """The entry of a key, if it is on record."""
        found = self._read(sa.select(ENTRIES).where(ENTRIES.c.key == key))
        return _entry(found[0]) if found else None

    def checks_of(self, case: str) -> list[Entry]:
        """The checks of a case, the oldest first; `case` may also be the start of a key."""
        joined = sa.select(ENTRIES).join(CHECKS, CHECKS.c.seq == ENTRIES.c.seq)
        named = joined.where(CHECKS.c.case_number == case).order_by(ENTRIES.c.seq)
        found = self._read(named)
        if not found:
            keyed = joined.where(ENTRIES.c.key.startswith(case, autoescape=True))
            found = self._read(keyed.order_by(ENTRIES.c.seq))
        return [_entry(row) for row in found]

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

    def is_drawn(self, seq: int) -> bool:
        """Whether rows for searching tell of an entry: each has one in one of these two tables."""
        wanted = [sa.select(table.c.seq).where(table.c.seq == seq) for table in (CHECKS, DECISIONS)]
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
            cause = error.orig if isinstance(error, DBAPIError) else error
            raise RecordError(
                f"the register cannot be used ({cause}).",
                where=_shown(self.place),
                next_step="Check the place, its free space and permissions; nothing was changed.",
            ) from error


def link(seq: int, key: str, text: str, previous: str) -> str:
    """The hash of an entry: of its place, its key, its body and the hash before it."""
    return sha256_of(canonical({"seq": seq, "key": key, "body": text, "previous": previous}))


def limits_sha256(body: Mapping[str, Any]) -> str:
    """Hash of the limits that a check was judged by; empty for a decision."""
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
    text = _as_text(row.body)
    try:
        body = json.loads(text)
    except ValueError:
        body = {}
    kept = body if isinstance(body, dict) else {}
    links = (_as_text(row.previous), _as_text(row.hash))
    return Entry(row.seq, _as_text(row.key), kept, *links, text)


def _as_text(value: Any) -> str:
    """Text as it is stored; where a byte was altered, SQLite may give another kind of value."""
    return value if isinstance(value, str) else repr(value)


def _engine(place: str, lasting: bool) -> sa.Engine:
    url = place if "://" in place else f"sqlite:///{Path(place).absolute()}"
    if url.startswith("postgresql://"):
        url = url.replace("postgresql://", "postgresql+pg8000://", 1)
    try:
        if not url.startswith("sqlite"):
            return sa.create_engine(url, pool_pre_ping=True)
        engine = sa.create_engine(url, connect_args={"timeout": _WAIT_S})
    except (SQLAlchemyError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise RecordError(
            f"this is no database that can be used ({error}).",
            where=_shown(place),
            next_step="Give a file, or postgresql://user@host/name with extra [record].",
        ) from None
    sa.event.listen(engine, "connect", lambda raw, _: _prepare_sqlite(raw, lasting))
    sa.event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, lasting: bool) -> None:
    """Transactions are begun by us, so that tables too are laid wholly or not at all."""
    connection.isolation_level = None
    # An altered byte must not keep the entry that it lies in from being read and named.
    connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute(f"PRAGMA synchronous={'FULL' if lasting else 'OFF'}")


def _begin_sqlite(connection: sa.Connection) -> None:
    reads = connection.get_execution_options().get("reads", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


def _lock(connection: sa.Connection) -> None:
    """One writer at a time; SQLite holds the others off from the transaction's begin."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("LOCK TABLE entries IN SHARE ROW EXCLUSIVE MODE"))


_CREATING = 0x76656E65
"""Number of the lock that PostgreSQL holds while the tables are laid."""


def _form(connection: sa.Connection) -> str | None:
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else ascii(_as_text(found)).strip("'")


def _bring_up_to_date(engine: sa.Engine, place: str) -> None:
    """Lay the tables, or change them from an older form; one process at a time."""
    with engine.connect() as connection:
        if _form(connection.execution_options(reads=True)) == HEAD:
            return
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_CREATING})"))
        form = _form(connection)
        if form is not None and form > HEAD:
            raise RecordError(
                f"its form is {form}, and this program knows only {HEAD}.",
                where=_shown(place),
                next_step="Use the newer program that wrote it.",
            )
        if form != HEAD:
            _upgrade(connection)


def _upgrade(connection: sa.Connection) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", "veneercheck.record:migrations")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
    except CommandError as error:  # a form that never was
        raise ValueError(error) from None


def _shown(place: str) -> str:
    """The place without a password."""
    return place if "@" not in place else f"…@{place.rsplit('@', 1)[1]}"

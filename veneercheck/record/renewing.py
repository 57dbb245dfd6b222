"""An older register brought to this program's form: whole as before, or not at all.

In PostgreSQL the new tables are laid and filled in one transaction. A register in SQLite is
compared byte by byte with what writing its entries leaves, so there the file is written anew aside,
entry by entry with the hashes they have, and its pages are laid over the old ones in one
transaction of SQLite's own (its online backup): what is stopped in between leaves the old file.
"""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

import sqlalchemy as sa

from veneercheck.core.errors import RecordError, Told
from veneercheck.record.engine import HEAD, form_there, lay
from veneercheck.record.register import Register
from veneercheck.record.tables import FORMS

FIRST_FORM = "0001"

RENEWED = b"from"
"""What a file bears that was brought here from an older form (`user_version`)."""

MARK_AT = slice(60, 64)
"""Where it stands (SQLite's file format, 1.3)."""

_WAIT_S = 600.0
"""How long another process may take to bring a large register to this form."""

_NO_MORE = (
    "CREATE TRIGGER IF NOT EXISTS entries_moving BEFORE INSERT ON entries BEGIN SELECT RAISE("
    "ABORT, 'it is being brought to a newer form: open it with the newer program'); END"
)

Way = tuple[str, str | None]
"""The form of the tables, and the one that they were brought from, if any."""


def renew(register: Register, there: str) -> None:
    """Bring a register to the form that it was opened for.

    Raises
    ------
    RecordError
        If it was altered: bringing it here would write the alteration anew, as if it were right.
    """
    if there not in FORMS or register.form != HEAD:
        raise ValueError(f"its form is {there}")
    if register.file is not None:
        _renew_file(register.file, there)
        return
    try:
        _look_whole(register.place, there)
    except RecordError:
        if form_there(register._engine, register.place) != HEAD:
            raise
        return  # somebody else looked, and brought it here meanwhile

    def fill(connection: sa.Connection, old: str) -> None:
        new = [table for table in FORMS[HEAD] if table not in FORMS[old]]
        for entry in register.entries():
            register.draw(connection, entry, new)

    lay(register._engine, HEAD, fill)


def forms_of_file() -> Iterator[Way]:
    """Every way in which a file of this program may have come to its tables."""
    yield from ((form, None) for form in FORMS)
    yield HEAD, FIRST_FORM


def laid_as(file: Path, way: Way) -> Register:
    """An empty register whose file came to its form in this way."""
    form, before = way
    if before is not None:
        Register(file, lasting=False, form=before).close()
        _renew_file(file, before, whole=True)
    return Register(file, lasting=False, form=form)


def _look_whole(place: str, form: str) -> None:
    from veneercheck.record.audit import audit

    with Register(place, form=form) as old:
        found = audit(old)
        if found:
            raise RecordError(
                Told(
                    "it was altered, and so is not brought to a newer form ({found}).",
                    found=found[0],
                ),
                where=old.shown,
                next_step="Bring back a copy that is whole.",
            )


def _renew_file(file: Path, form: str, *, whole: bool = False) -> None:
    """Write the file anew aside and lay it over the old one; one process at a time."""
    turn = file.with_name(f".{file.name}.renewing")
    with contextlib.closing(sqlite3.connect(turn, timeout=_WAIT_S, isolation_level=None)) as mine:
        mine.execute("BEGIN EXCLUSIVE")
        with Register(file, form=form) if _has(file, form) else contextlib.nullcontext() as old:
            if old is not None:
                _lay_over(old, file, whole=whole)
        mine.execute("COMMIT")
    turn.unlink(missing_ok=True)


def _has(file: Path, form: str) -> bool:
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(file)))
    try:
        return form_there(engine, str(file)) == form
    finally:
        engine.dispose()


def _lay_over(old: Register, file: Path, *, whole: bool) -> None:
    with contextlib.closing(sqlite3.connect(file, timeout=_WAIT_S, isolation_level=None)) as live:
        stopped = "SELECT 1 FROM sqlite_master WHERE name = 'entries_moving'"
        if not whole and live.execute(stopped).fetchone() is None:
            _look_whole(old.place, old.form)
        live.execute(_NO_MORE)  # from here on nobody adds an entry that would be lost
        with tempfile.TemporaryDirectory(prefix=".veneercheck-", dir=file.parent) as room:
            copy = Path(room) / file.name
            with Register(copy, lasting=False) as anew:
                anew.take_over(old.entries())
            with contextlib.closing(sqlite3.connect(copy, isolation_level=None)) as aside:
                number = int.from_bytes(RENEWED, "big")
                aside.execute(f"PRAGMA user_version = {number}")
                aside.backup(live)

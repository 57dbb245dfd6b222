"""The database behind a register: how it is reached, laid, locked and brought up to date.

Notes
-----
An older register is written anew and laid over. Tables added in place would leave pages that no
replay of the entries gives. Choice: in SQLite the file is written aside, its entries with the
hashes they have, and laid over the old one by SQLite's own online backup, in one transaction, under
a mark in the header; a trigger holds writers off meanwhile; an altered register is refused, for
else the alteration would be written anew as right. In PostgreSQL, Alembic in place. Cost: minutes
for a large register, once.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import NoSuchModuleError, SQLAlchemyError

from veneercheck.core.errors import RecordError, Told

HEAD = "0002"
"""The form of the tables that this program writes."""

_WAIT_S = 120.0
"""How long a writer waits for the others: each holds the register for some milliseconds."""


def engine_of(place: str, lasting: bool) -> sa.Engine:
    # put together from parts: in a text, «?» and «%» of a file's name would mean something
    url: str | sa.URL = sa.URL.create("sqlite", database=str(Path(place).absolute()))
    if "://" in place:
        url = place.replace("postgresql://", "postgresql+pg8000://", 1)
    try:
        if sa.make_url(url).get_backend_name() != "sqlite":
            engine = sa.create_engine(url, pool_pre_ping=True)
            sa.event.listen(engine, "connect", _prepare_postgresql)
            return engine
        engine = sa.create_engine(url, connect_args={"timeout": _WAIT_S})
    except (SQLAlchemyError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise RecordError(
            Told("this is no database that can be used ({error}).", error=error),
            where=shown(place),
            next_step="Give a file, or postgresql://user@host/name with extra [record].",
        ) from None
    sa.event.listen(engine, "connect", lambda raw, _: _prepare_sqlite(raw, lasting))
    sa.event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_postgresql(connection: Any, _: Any) -> None:
    """Questions are short: to compile one takes a quarter of a second, longer than the answer."""
    cursor = connection.cursor()
    cursor.execute("SET jit = off")
    cursor.close()
    connection.commit()  # else it would be undone with the first transaction that is


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


def lock(connection: sa.Connection) -> None:
    """One writer at a time; SQLite holds the others off from the transaction's begin."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("LOCK TABLE entries IN SHARE ROW EXCLUSIVE MODE"))


_CREATING = 0x76656E65
"""Number of the lock that PostgreSQL holds while the tables are laid."""


def form_of(connection: sa.Connection) -> str | None:
    """The form of a register's tables; None where there are none."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else ascii(as_text(found)).strip("'")


def form_there(engine: sa.Engine, place: str) -> str | None:
    """The form of the tables that are there; one that a newer program made is refused."""
    with engine.connect() as connection:
        form = form_of(connection.execution_options(reads=True))
    if form is not None and form > HEAD:
        raise RecordError(
            Told("its form is {form}, and this program knows only {head}.", form=form, head=HEAD),
            where=shown(place),
            next_step="Use the newer program that wrote it.",
        )
    return form


def lay(
    engine: sa.Engine, form: str, fill: Callable[[sa.Connection, str], None] | None = None
) -> None:
    """Lay the tables, or change them from an older form, at once or not at all.

    Parameters
    ----------
    engine : Engine
    form : str
        Up to which form.
    fill : callable, optional
        Draws rows into what is new, given the form that was there; writers wait meanwhile.
    """
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_CREATING})"))
        there = form_of(connection)
        if there is not None and there >= form:
            return
        if there is not None:
            lock(connection)
        _upgrade(connection, form)
        if there is not None and fill is not None:
            fill(connection, there)


def _upgrade(connection: sa.Connection, form: str) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", "veneercheck.record:migrations")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, form)
    except CommandError as error:  # a form that never was
        raise ValueError(error) from None


def shown(place: str) -> str:
    """The place without a password; a file's name is shown whole."""
    return f"…@{place.rsplit('@', 1)[1]}" if "://" in place and "@" in place else place


def as_text(value: Any) -> str:
    """Text as it is stored; where a byte was altered, SQLite may give another kind of value."""
    return value if isinstance(value, str) else repr(value)

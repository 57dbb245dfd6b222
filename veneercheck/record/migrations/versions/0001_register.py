"""The first form: entries in a chain that can only grow, and the tables for searching."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_SEARCHED = (
    ("checks", "case_number"),
    ("checks", "checked_at_utc"),
    ("scans", "sha256"),
    ("decisions", "check_key"),
    ("decisions", "case_number"),
)


def upgrade() -> None:
    """Lay the tables and the triggers that refuse any change."""
    _entries()
    _drawn()
    postgresql = op.get_bind().dialect.name == "postgresql"
    if postgresql:
        op.execute(
            "CREATE FUNCTION entries_only_grow() RETURNS trigger AS "
            "$$ BEGIN RAISE EXCEPTION 'the register only grows'; END $$ LANGUAGE plpgsql"
        )
    for event in ("UPDATE", "DELETE"):
        name = f"entries_no_{event.lower()}"
        if postgresql:
            act = "FOR EACH STATEMENT EXECUTE FUNCTION entries_only_grow()"
        else:
            act = "BEGIN SELECT RAISE(ABORT, 'the register only grows'); END"
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON entries {act}")


def _entries() -> None:
    op.create_table(
        "entries",
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("key", sa.String(64), nullable=False, unique=True),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False, unique=True),
    )


def _seq() -> sa.Column[int]:
    return sa.Column(
        "seq", sa.Integer, sa.ForeignKey("entries.seq"), primary_key=True, autoincrement=False
    )


def _drawn() -> None:
    op.create_table(
        "checks",
        _seq(),
        sa.Column("case_number", sa.Text),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("alignment", sa.Text, nullable=False),
        sa.Column("profile", sa.Text, nullable=False),
        sa.Column("limits_sha256", sa.String(64), nullable=False),
        sa.Column("stage", sa.Text, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("who", sa.Text),
        sa.Column("checked_at_utc", sa.Text, nullable=False),
        sa.Column("folder", sa.Text, nullable=False),
    )
    op.create_table(
        "scans",
        _seq(),
        sa.Column("role", sa.String(20), primary_key=True),
        sa.Column("file", sa.Text, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
    )
    op.create_table(
        "zones",
        _seq(),
        sa.Column("zone", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("finding", sa.Text, nullable=False),
        sa.Column("decision", sa.Text, nullable=False),
        sa.Column("tooth", sa.Text),
        sa.Column("surface", sa.Text),
        sa.Column("area_mm2", sa.Float),
        sa.Column("extreme_mm", sa.Float),
        sa.Column("u_mm", sa.Float),
    )
    op.create_table(
        "decisions",
        _seq(),
        sa.Column("check_key", sa.String(64), nullable=False),
        sa.Column("case_number", sa.Text),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("decided_at_utc", sa.Text, nullable=False),
    )
    # Each by its own statement: an order that may differ would give the file other bytes.
    for table, column in _SEARCHED:
        op.create_index(f"ix_{table}_{column}", table, [column])

"""The second form: marks, by which any entry is found, whatever its kind."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Lay the table of marks; its rows are drawn from the entries by the program itself."""
    text = sa.Text(collation="C") if op.get_bind().dialect.name == "postgresql" else sa.Text()
    op.create_table(
        "marks",
        sa.Column(
            "seq", sa.Integer, sa.ForeignKey("entries.seq"), primary_key=True, autoincrement=False
        ),
        sa.Column("name", sa.String(20), primary_key=True),
        sa.Column("value", text, primary_key=True),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_marks", "marks", ["name", "value", "seq"])

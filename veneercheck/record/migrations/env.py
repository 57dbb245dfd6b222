"""Where Alembic meets the register: on its own connection, in a transaction."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()

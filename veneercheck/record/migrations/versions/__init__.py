"""Steps from one form of the register to the next, carried out by Alembic."""

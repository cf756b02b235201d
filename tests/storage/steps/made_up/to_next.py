"""A new table filled from an old one, a new column, and a column made wider, which on SQLite copies its table."""

import sqlalchemy as sa
from alembic import op

from app.storage.migrations import STEPS
from app.storage.migrations import revision as named

revision = named(STEPS.newest + 1)
down_revision = named(STEPS.newest)


def upgrade() -> None:
    """Take the newest version to one that exists in tests only."""
    op.create_table(
        "made_up", sa.Column("ledger", sa.Text(), primary_key=True), sa.Column("entries", sa.Integer(), nullable=False)
    )
    op.execute("INSERT INTO made_up SELECT ledger, COUNT(*) FROM entry GROUP BY ledger")
    op.add_column("person", sa.Column("language", sa.Text(), nullable=False, server_default="en"))
    op.execute("UPDATE person SET language = 'de' WHERE role = 'lead'")
    with op.batch_alter_table("session") as session:
        session.alter_column("tablet", type_=sa.Text(), existing_type=sa.String(), existing_nullable=False)

"""Version 1: the tables of 0.1.0 and 0.2.0. Written out in full, so that it stays as it was whatever the tables become.

A new database does not come this way: a test holds that this gives the same.
"""

import sqlalchemy as sa
from alembic import op

revision = "changeout_0001"
down_revision = None


def upgrade() -> None:
    """Make the seven tables."""
    op.create_table(
        "entry",
        sa.Column("ledger", sa.Text(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("leaf", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("ledger", "seq"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "head",
        sa.Column("ledger", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("root", sa.LargeBinary(), nullable=False),
        sa.Column("at", sa.String(), nullable=False),
        sa.Column("key_id", sa.String(), nullable=False),
        sa.Column("signature", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("ledger", "size"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "request",
        sa.Column("token", sa.String(), nullable=False),
        sa.Column("ledger", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("token"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "person",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("must_change", sa.Boolean(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("failed", sa.Integer(), nullable=False),
        sa.Column("locked_until", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "session",
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("person", sa.String(), nullable=False),
        sa.Column("tablet", sa.String(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("seen_at", sa.String(), nullable=False),
        sa.Column("ended_at", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["person"], ["person.id"]),
        sa.PrimaryKeyConstraint("token_hash"),
    )
    op.create_index("ix_session_person", "session", ["person"])
    op.create_table(
        "photo",
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("stored_at", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("sha256"),
    )
    op.create_table(
        "ledger_name",
        sa.Column("ledger", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("ledger"),
    )

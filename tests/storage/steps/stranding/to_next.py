"""Delete the people that sessions point to."""

from alembic import op

from app.storage.migrations import STEPS
from app.storage.migrations import revision as named

revision = named(STEPS.newest + 1)
down_revision = named(STEPS.newest)


def upgrade() -> None:
    """Be a bad step."""
    op.execute("DELETE FROM person")

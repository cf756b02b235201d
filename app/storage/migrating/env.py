"""What Alembic runs to take a database up: inside the transaction of whoever handed the connection in.

Rules kept here: nothing is committed here, no settings file is read, and no connection is made.
"""

from alembic import context


def _run() -> None:
    connection = context.config.attributes["connection"]
    context.configure(
        connection=connection,
        render_as_batch=connection.dialect.name == "sqlite",  # which alters a column by copying its table
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()


_run()

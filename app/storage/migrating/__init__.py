"""Alembic's environment: run by `app.storage.migrations` on the connection it is handed, never by itself."""

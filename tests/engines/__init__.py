"""The same on both engines: a PostgreSQL server of the tests' own, and what is compared between it and SQLite."""

"""Databases of released versions, brought back as they were, and looked at without the program that is tested."""

import gzip
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine, text

from app.ledger.heads import Head
from app.storage.engine import open_engine, reader
from tests.engines.server import PostgresServer, name_in
from tests.storage.small_site import dumped

FROZEN = Path(__file__).resolve().parent / "frozen"
DATABASE = "changeout.sqlite3"
Ledgers = dict[str, tuple[list[bytes], list[Head]]]


@dataclass(frozen=True)
class Place:
    """Where databases of one kind of engine are made. server: None for SQLite."""

    folder: Path
    server: PostgresServer | None

    @property
    def kind(self) -> str:
        """The engine's name, as in the names of frozen files."""
        return "sqlite" if self.server is None else "postgresql"

    def empty(self, name: str) -> "Kept":
        """Return a database with nothing in it."""
        path = self.folder / name / DATABASE
        path.parent.mkdir(parents=True)
        return Kept(path, None if self.server is None else self.server.fresh(), self.server)

    def thawed(self, version: int, name: str = "thawed") -> "Kept":
        """Return the frozen database of a version."""
        kept = self.empty(name)
        if self.server is None or kept.address is None:
            kept.path.write_bytes(gzip.decompress((FROZEN / f"schema-{version}.sqlite3.gz").read_bytes()))
        else:
            script = gzip.decompress((FROZEN / f"schema-{version}.postgresql.sql.gz").read_bytes()).decode()
            self.server.run("psql", "-q", "-v", "ON_ERROR_STOP=1", "-d", name_in(kept.address), text=script)
        return kept

    def certificate(self, version: int) -> str:
        """Return the certificate of the site in the frozen database of a version."""
        kind = "" if self.server is None else ".postgresql"
        return (FROZEN / f"schema-{version}{kind}.crt").read_text("ascii")


@dataclass(frozen=True)
class Kept:
    """One database."""

    path: Path
    address: str | None
    server: PostgresServer | None

    def engine(self) -> Engine:
        """Open it as the program does."""
        return open_engine(self.path, self.address)

    def contents(self) -> list[str]:
        """Return every row and definition, and the version mark, by the engine's own tools."""
        if self.server is not None and self.address is not None:
            return dumped(self.server, self.address).split("\n")
        with closing(sqlite3.connect(self.path)) as driver:
            (version,) = driver.execute("PRAGMA user_version").fetchone()
            assert driver.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            return [f"version {version}", *driver.iterdump()]

    def definitions(self) -> list[str]:
        """Return what the database consists of."""
        if self.server is not None and self.address is not None:
            return dumped(self.server, self.address, "--schema-only").split("\n")
        with closing(sqlite3.connect(self.path)) as driver:
            return [str(row) for row in driver.execute("SELECT type, name, sql FROM sqlite_master ORDER BY name")]

    def ledgers(self) -> Ledgers:
        """Return payloads and heads of every ledger."""
        engine = self.engine()
        try:
            with reader(engine).connect() as connection:
                names = connection.execute(text("SELECT DISTINCT ledger FROM entry")).scalars().all()
                entries = text("SELECT payload FROM entry WHERE ledger = :name ORDER BY seq")
                heads = text(
                    "SELECT ledger, size, root, at, key_id, signature FROM head WHERE ledger = :name ORDER BY size"
                )
                return {
                    name: (
                        list(connection.execute(entries, {"name": name}).scalars()),
                        [Head(*row) for row in connection.execute(heads, {"name": name})],
                    )
                    for name in names
                }
        finally:
            engine.dispose()

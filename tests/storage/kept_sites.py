"""Copies of one small site for tests of backups, and hands that damage a copy in ways its makers did not foresee."""

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

from app.ledger.canonical import canonical
from app.storage.backup import MANIFEST, SIGNATURE, Examined, make_backup
from app.storage.durable import DATABASE
from app.storage.keys import load_site_key
from tests.storage.small_site import minutes

PROGRAM = "Changeout Ledger, tested"


def copied(folder: Path, to: Path) -> Path:
    """Copy a folder whole, as a disk image would be."""
    shutil.copytree(folder, to, copy_function=shutil.copy2)
    return to


def backup_of(data: Path, to: Path, *, with_keys: bool = False, after: int = 60) -> Examined:
    """Make a backup an hour after the site was made, or so many minutes."""
    return make_backup(data, to, with_keys=with_keys, program=PROGRAM, clock=minutes(after))


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder, by its path."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def manifest_of(copy: Path) -> dict[str, Any]:
    """Return the manifest as JSON values."""
    value: dict[str, Any] = json.loads((copy / MANIFEST).read_bytes())
    return value


def sign_again(copy: Path, data: Path, change: Callable[[dict[str, Any]], object] = lambda _: None) -> None:
    """Make the manifest fit what lies in the copy now, change it, and sign it with the site's own key."""
    value = manifest_of(copy)
    for line in value["files"]:
        if (path := copy / line["path"]).is_file():
            line |= {"size": path.stat().st_size, "sha256": sha256(path.read_bytes()).hexdigest()}
    value["files"] = [line for line in value["files"] if (copy / line["path"]).is_file()]
    change(value)
    (copy / MANIFEST).write_bytes(canonical(value))
    (copy / SIGNATURE).write_bytes(load_site_key(data).sign(canonical(value)))


def run_sql(copy: Path, *statements: str) -> None:
    """Change a copied database as somebody with a database tool would, triggers taken away."""
    with closing(sqlite3.connect(copy / DATABASE)) as driver, driver:
        for (name,) in driver.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            driver.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            driver.execute(statement)
    with closing(sqlite3.connect(copy / DATABASE)) as driver:
        driver.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def entries_of(data: Path, ledger: str = "site") -> list[dict[str, Any]]:
    """Return a ledger's entries as JSON values."""
    with closing(sqlite3.connect(data / DATABASE)) as driver:
        rows = driver.execute("SELECT payload FROM entry WHERE ledger = ? ORDER BY seq", (ledger,)).fetchall()
    return [json.loads(row[0]) for row in rows]

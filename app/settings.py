"""Settings, with default and meaning beside each; made once by the command line and handed in."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Settings:
    """How one site's server runs."""

    data: Path = field(default=Path(".changeout"), metadata={"help": "the site's folder: database, keys, photos"})
    host: str = field(default="127.0.0.1", metadata={"help": "address to listen on"})
    port: int = field(default=8321, metadata={"help": "port to listen on"})
    site: str = field(default="Sample Works", metadata={"help": "the site's name, on screens and records"})
    zone: str = field(default="UTC", metadata={"help": "the site's time zone, such as Europe/Berlin"})
    session_hours: int = field(default=12, metadata={"help": "a session ends after this long in any case"})
    secure_cookie: bool = field(default=False, metadata={"help": "set the Secure mark on cookies (behind TLS)"})
    database: str | None = field(
        default=None,
        repr=False,  # it may hold a password
        metadata={"help": "address of a PostgreSQL database; none for SQLite in the data folder"},
    )


def database_of(environment: Mapping[str, str]) -> str | None:
    """Return the address in DATABASE_URL, or None where it is unset or empty."""
    return environment.get("DATABASE_URL", "").strip() or None

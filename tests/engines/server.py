"""A PostgreSQL server for tests: from the system's own binaries, in a temporary folder, on a socket, flushing."""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from threading import Thread
from typing import IO

from tests.needed import missing

PLACES = ("/usr/lib/postgresql", "/usr/pgsql", "/usr/local/pgsql", "/opt/homebrew/opt/postgresql")
USER = "postgres"
MISSING = "no PostgreSQL server is installed here (on Debian: apt-get install postgresql)"


def binaries() -> Path | None:
    """Return the folder with the newest server's programs, or None where there is none."""
    found = [path.parent for place in PLACES for path in Path(place).glob("**/bin/initdb")]
    on_path = shutil.which("initdb")
    found += [Path(on_path).parent] if on_path else []
    return max(found, key=_number, default=None)


def found() -> Path:
    """Return the folder with the newest server's programs, or end the test that asks."""
    return binaries() or missing(MISSING)


def _number(folder: Path) -> tuple[int, ...]:
    return tuple(int(part) for part in folder.parts if part.isdigit())


def _as_user() -> list[str]:
    """Return what to put before a command, since the server refuses to run as root."""
    if os.geteuid() != 0:
        return []
    return ["setpriv", f"--reuid={USER}", f"--regid={USER}", "--clear-groups", "--pdeathsig", "KILL"]


@dataclass
class PostgresServer:
    """One running server. Every database made on it has a name of its own."""

    folder: Path
    programs: Path
    process: subprocess.Popen[bytes]
    _numbers: Iterator[int] = field(default_factory=count)

    def address(self, database: str, *, user: str = USER) -> str:
        """Return the address of a database as DATABASE_URL takes it."""
        return f"postgresql+psycopg://{user}@/{database}?host={self.folder}"

    def fresh(self, *options: str) -> str:
        """Make an empty database and return its address. options: as after CREATE DATABASE name."""
        name = f"test_{next(self._numbers)}"
        self.sql(f"CREATE DATABASE {name} {' '.join(options)}")
        return self.address(name)

    def copy_of(self, address: str) -> str:
        """Make a database with the contents of another that nobody is connected to, and return its address."""
        return self.fresh("TEMPLATE", name_in(address))

    def sql(self, statement: str, *, database: str = "postgres") -> list[tuple[object, ...]]:
        """Run a statement as the server's administrator and return its rows, if it has any."""
        import psycopg

        with psycopg.connect(host=str(self.folder), user=USER, dbname=database, autocommit=True) as connection:
            cursor = connection.execute(statement)
            return list(cursor.fetchall()) if cursor.description else []

    def run(self, program: str, *arguments: str, text: str | None = None) -> str:
        """Run one of the server's own programs against it and return what it prints."""
        command = [str(self.programs / program), "-h", str(self.folder), "-U", USER, *arguments]
        return subprocess.run(command, input=text, capture_output=True, text=True, check=True).stdout


def name_in(address: str) -> str:
    """Return the database's name in an address."""
    return address.partition("@/")[2].partition("?")[0]


@contextmanager
def running(*settings: str, programs: Path) -> Iterator[PostgresServer]:
    """Make a cluster, run a server on it, and end it. settings: such as `fsync=off`."""
    folder = Path(tempfile.mkdtemp(prefix="cpg-", dir="/tmp"))  # a socket's path is short, which tmp_path is not
    before = _as_user()
    try:
        if before:
            shutil.chown(folder, USER)
            folder.chmod(0o711)  # the tests, which are another user, reach the socket in it
        data = folder / "data"
        initdb = [str(programs / "initdb"), "-D", str(data), "-U", USER, "-A", "trust", "-E", "UTF8", "--locale=C"]
        subprocess.run([*before, *initdb, "--no-sync"], cwd=folder, check=True, capture_output=True)
        process = _started([*before, str(programs / "postgres")], data, folder, settings)
        try:
            yield PostgresServer(folder, programs, process)
        finally:
            process.send_signal(signal.SIGQUIT)  # at once: nobody needs what it holds
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _drain(output: IO[bytes]) -> None:
    with output:
        for _ in output:
            pass


def _started(command: list[str], data: Path, folder: Path, settings: Sequence[str]) -> "subprocess.Popen[bytes]":
    """Start the server and wait until it says that it is ready."""
    given = [f"unix_socket_directories={folder}", "listen_addresses=", "max_connections=200", *settings]
    options = [part for setting in given for part in ("-c", setting)]
    process = subprocess.Popen(
        [*command, "-D", str(data), *options], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    said: list[bytes] = []
    assert process.stdout is not None
    for line in process.stdout:
        said.append(line)
        if b"ready to accept connections" in line:
            Thread(target=_drain, args=(process.stdout,), daemon=True).start()  # so that it never waits to be read
            return process
    process.wait()
    process.stdout.close()
    raise AssertionError(f"the server did not start: {b''.join(said).decode(errors='replace')}")

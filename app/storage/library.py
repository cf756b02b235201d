"""The site's housings and procedures: TOML files in the data folder, read again when they change."""

from hashlib import sha256
from pathlib import Path

from app.calc.errors import ChangeoutError, Invalid
from app.domain.housing import Housing, read_housing
from app.domain.procedure import Procedure, read_procedure
from app.domain.writing_rules import findings


class FileLibrary:
    """Housings in `housings/`, procedures in `procedures/`, one TOML file each."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seen: dict[Path, tuple[int, object]] = {}

    def housings(self) -> tuple[Housing, ...]:
        """Return every housing that can be read, by tag."""
        found = [item for item in self._read("housings") if isinstance(item, Housing)]
        return tuple(sorted(found, key=lambda housing: housing.tag))

    def procedures(self) -> tuple[tuple[Procedure, str], ...]:
        """Return every procedure that keeps the writing rules, with the SHA-256 of its file."""
        return tuple(item for item in self._read("procedures") if isinstance(item, tuple))

    def faults(self) -> tuple[str, ...]:
        """Return a sentence for every file that cannot be used."""
        return tuple(item for kind in ("housings", "procedures") for item in self._read(kind) if isinstance(item, str))

    def _read(self, kind: str) -> list[object]:
        found = []
        for path in sorted((self._folder / kind).glob("*.toml")):
            stamp = path.stat().st_mtime_ns
            known = self._seen.get(path)
            if known is None or known[0] != stamp:
                known = (stamp, _housing(path) if kind == "housings" else _procedure(path))
                self._seen[path] = known
            found.append(known[1])
        return found


def read_text(path: Path) -> str:
    """Return a file's text; raise Invalid with a sentence if it cannot be read."""
    try:
        return path.read_text("utf-8")
    except OSError as fault:
        raise Invalid(f"{path} cannot be read: {fault.strerror}. Give the path of a readable file.") from None
    except UnicodeDecodeError:
        raise Invalid(f"{path} is not UTF-8 text. Save it as UTF-8 and try again.") from None


def _housing(path: Path) -> Housing | str:
    try:
        return read_housing(read_text(path), name=path.name)
    except ChangeoutError as fault:
        return str(fault)


def _procedure(path: Path) -> tuple[Procedure, str] | str:
    try:
        text = read_text(path)
        procedure = read_procedure(text, name=path.name)
    except ChangeoutError as fault:
        return str(fault)
    if broken := findings(procedure):
        return f"{path.name} breaks the writing rules at {broken[0].step}: {broken[0].sentence}. It cannot be used."
    return procedure, sha256(text.encode()).hexdigest()

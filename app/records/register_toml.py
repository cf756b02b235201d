"""Nameplates as TOML: one housing, or a ZIP archive with one file for each; all that a nameplate has, filters not."""

import zlib
from collections.abc import Callable, Iterable, Iterator
from io import BytesIO
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile, ZipInfo

from app.calc.errors import Invalid
from app.domain.housed import Housed
from app.domain.housing import Housing, read_housing
from app.domain.housing_text import housing_text
from app.records.register_check import MOST_HOUSINGS, Checked, Fault, Gathered, Known, compared

MOST_TEXT = 200_000
MOST_UNPACKED = 100_000_000
"""Above any nameplate, and above any archive of as many as are taken (our figures)."""
_BEGINS = b"PK\x03\x04"
_MADE = (1980, 1, 1, 0, 0, 0)


def register_zip(housings: Iterable[Housing], name_of: Callable[[str], str]) -> bytes:
    """Return an archive with one TOML file for each housing; the same housings give the same bytes."""
    made = BytesIO()
    with ZipFile(made, "w", ZIP_DEFLATED) as archive:
        for housing in housings:
            archive.writestr(ZipInfo(name_of(housing.tag), _MADE), housing_text(housing), ZIP_DEFLATED)
    return made.getvalue()


def checked_toml(
    data: bytes, known: Known, tags: Iterable[str], register: Housed, *, unprintable: Callable[[str], str | None]
) -> Checked:
    """Return what nameplates would do to the register."""
    found = Gathered()
    seen: dict[str, str] = {}
    try:
        for name, content in _files(data):
            _read(name, content, found, seen, unprintable)
    except Invalid as fault:
        found.faults.append(Fault("The file", str(fault)))
    return compared(found, known, tags, register)


def _files(data: bytes) -> Iterator[tuple[str, bytes]]:
    if not data.startswith(_BEGINS):
        if not data.strip():
            raise Invalid("it is empty. Send one TOML file, or a ZIP archive of them.")
        yield "The file", data
        return
    try:
        with ZipFile(BytesIO(data)) as archive:
            lines = [line for line in archive.infolist() if not line.is_dir()]
            if len(lines) > MOST_HOUSINGS or sum(line.file_size for line in lines) > MOST_UNPACKED:
                raise Invalid(f"it holds more than {MOST_HOUSINGS} files or {MOST_UNPACKED // 10**6} MB. Part it.")
            for line in lines:
                with archive.open(line) as file:
                    yield line.filename, file.read(MOST_TEXT + 1)
    except (BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, UnicodeDecodeError):
        raise Invalid("it is no archive that can be read to its end. Make the ZIP anew, without a password.") from None


def _read(
    name: str, content: bytes, found: Gathered, seen: dict[str, str], unprintable: Callable[[str], str | None]
) -> None:
    try:
        housing = _housing_in(name, content, unprintable)
    except UnicodeDecodeError:
        found.faults.append(Fault(name, "it is not UTF-8 text. Save it as UTF-8."))
    except Invalid as fault:
        found.faults.append(Fault(name, str(fault)))
    else:
        if (other := seen.setdefault(housing.tag, name)) != name:
            found.faults.append(Fault(name, f"“{housing.tag}” stands in {other} too. Keep one of the two."))
        else:
            found.housings.append((name, housing))


def _housing_in(name: str, content: bytes, unprintable: Callable[[str], str | None]) -> Housing:
    if name != "The file" and not name.endswith(".toml"):
        raise Invalid("only TOML files are taken, with names that end in .toml. Take it out of the archive.")
    if len(content) > MOST_TEXT:
        raise Invalid(f"it has more than {MOST_TEXT} bytes. A nameplate is shorter; look what is in it.")
    text = content.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    if told := unprintable(text.replace("\t", " ").replace("\r", " ")):
        raise Invalid(told)
    return read_housing(text, name="this text")

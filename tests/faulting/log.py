"""The system calls of one life, read from the log of `strace -f -y -xx -s BIG`, as what they did to a folder.

Rules kept here:
- A write counts when its call has returned; a flush counts from its beginning, and makes durable only what had been
  written by then; an acknowledgement counts from its beginning.
- What cannot be read, or is not foreseen (a shortened text, a rename), raises: a log half understood proves nothing.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

CALLS = "openat,pwrite64,pwritev,write,ftruncate,fdatasync,fsync,unlink,unlinkat,rename,renameat,renameat2"
"""What is to be recorded."""
LONGEST_TEXT = 4_000_000
"""Bytes of one write that strace tells; a longer one makes the log unreadable."""


@dataclass(frozen=True, slots=True)
class Wrote:
    """Bytes were written to a file."""

    path: str
    offset: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Cut:
    """A file was given this size, in bytes."""

    path: str
    size: int


@dataclass(frozen=True, slots=True)
class FlushBegan:
    """A flush of a file or folder was asked for."""

    path: str


@dataclass(frozen=True, slots=True)
class FlushEnded:
    """A flush of a file or folder returned.  good: without an error."""

    path: str
    good: bool


@dataclass(frozen=True, slots=True)
class Made:
    """A name was made, if it was not there."""

    path: str


@dataclass(frozen=True, slots=True)
class Removed:
    """A name was taken away."""

    path: str


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """The life told that a mark is kept."""

    token: str


Event: TypeAlias = Wrote | Cut | FlushBegan | FlushEnded | Made | Removed | Acknowledged

_LINE = re.compile(r"(\d+) +(.*)", re.DOTALL)
_UNFINISHED = " <unfinished ...>"
_RESUMED = re.compile(r"<\.\.\. (\w+) resumed>(.*)", re.DOTALL)
_CALL = re.compile(r"(\w+)\((.*)\) += (-?\d+|\?)(.*)", re.DOTALL)
_BEGUN = re.compile(r"(\w+)\((.*)", re.DOTALL)
_ON_FILE = re.compile(r"\d+<((?:\\x[0-9a-f]{2})*)>(\(deleted\))?")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')
_FLUSHES = ("fdatasync", "fsync")
_FOLDER_FLAGS = "O_DIRECTORY"


class UnreadableLogError(Exception):
    """The log holds something that this reader was not made for."""


def read_log(lines: Iterable[str], folder: Path) -> Iterator[Event]:
    """Return what the calls did to files directly in a folder, and the acknowledgements, in order."""
    waiting: dict[str, str] = {}
    inside = f"{folder}/"
    for line in lines:
        found = _LINE.fullmatch(line.rstrip("\n"))
        if found is None:
            raise UnreadableLogError(f"no process number in {line[:80]!r}")
        process, told = found.groups()
        if told.startswith(("+++", "---")):
            continue
        if told.endswith(_UNFINISHED):
            waiting[process] = told.removesuffix(_UNFINISHED)
            yield from _begun(waiting[process], folder)
            continue
        whole = _RESUMED.fullmatch(told)
        if whole is not None:
            told = waiting.pop(process) + whole.group(2)
        else:
            yield from _begun(told, folder)
        yield from (event for event in _ended(told, folder) if _within(event, inside, str(folder)))


def _within(event: Event, inside: str, folder: str) -> bool:
    if isinstance(event, Acknowledged):
        return True
    return event.path == folder or (event.path.startswith(inside) and "/" not in event.path[len(inside) :])


def _begun(told: str, folder: Path) -> Iterator[Event]:
    """What counts from the beginning of a call."""
    found = _BEGUN.fullmatch(told)
    if found is None:
        return
    call, rest = found.groups()
    if call in _FLUSHES and (path := _file(rest)) is not None and _within(FlushBegan(path), f"{folder}/", str(folder)):
        yield FlushBegan(path)
    elif call == "write" and (data := _text(rest)).startswith(b"ack "):
        for row in data.decode().splitlines():
            yield Acknowledged(row.removeprefix("ack "))


def _ended(told: str, folder: Path) -> Iterator[Event]:
    """What counts from the end of a call; a call that failed did nothing, but for a flush."""
    found = _CALL.fullmatch(told)
    if found is None:
        raise UnreadableLogError(f"no call in {told[:80]!r}")
    call, rest, result, more = found.groups()
    if call in _FLUSHES:
        if (path := _file(rest)) is not None and result != "?":
            yield FlushEnded(path, good=result == "0")
        return
    if result == "?" or result.startswith("-"):
        return
    match call:
        case "pwrite64" if (path := _file(rest)) is not None:
            yield Wrote(path, int(rest.rpartition(", ")[2]), _text(rest)[: int(result)])
        case "ftruncate" if (path := _file(rest)) is not None:
            yield Cut(path, int(rest.rpartition(", ")[2]))
        case "openat" if "O_CREAT" in rest and (made := _file(f"{result}{more}")) is not None:
            yield Made(made)
        case "unlink" | "unlinkat":
            yield Removed(_absolute(_text(rest), folder))
        case "write" if (path := _file(rest)) is not None and path.startswith(f"{folder}/"):
            raise UnreadableLogError(f"{path} was written to without an offset")
        case "rename" | "renameat" | "renameat2" | "pwritev":
            raise UnreadableLogError(f"{call} was not foreseen")
        case _:
            return


def _file(rest: str) -> str | None:
    """Return the path of the file in the first place of the arguments; None for one that has no name any more."""
    found = _ON_FILE.match(rest)
    if found is None:
        raise UnreadableLogError(f"no file in {rest[:80]!r}")
    path = _plain(found.group(1)).decode("utf-8", "surrogateescape")
    return None if found.group(2) or path.endswith(" (deleted)") else path


def _text(rest: str) -> bytes:
    found = _TEXT.search(rest)
    if found is None or found.group(2):
        raise UnreadableLogError(f"no whole text in {rest[:80]!r}")
    return _plain(found.group(1))


def _plain(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))


def _absolute(path: bytes, folder: Path) -> str:
    return str(folder / path.decode("utf-8", "surrogateescape"))

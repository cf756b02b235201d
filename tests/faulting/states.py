"""What a disk may hold after the power went: everything flushed, and any part of what was not.

The model, harsher than one file system and kinder than none:
- A write that was flushed is kept.  One that was not is kept, lost, or torn at a multiple of 512 bytes (either side of
  the tear may be the one that is kept), each by itself, and they reach the disk in any order.
- After a flush that failed, what it was to flush is no longer waiting: no later flush makes it durable, and only a
  later write to the same bytes does away with it (as measured on common file systems by a published study of 2020).
- A name that was made or removed is sure once its folder was flushed; until then the names may be those of any moment
  since.
- Nothing beside the bytes that a write covers is touched: disks are taken to keep neighbouring bytes whole.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import TypeAlias

from tests.faulting.log import Acknowledged, Cut, Event, FlushBegan, FlushEnded, Made, Removed, Wrote

SECTOR_BYTES = 512
KEPT_SHARES = (0.05, 0.5, 0.95)
"""How likely an unflushed write of a file is kept, drawn for each file and state: mostly lost, even, mostly kept."""
TORN_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes on their way to the disk.  orphan: their flush has failed."""

    offset: int
    data: bytes
    orphan: bool = False

    @property
    def end(self) -> int:
        """The first offset behind them."""
        return self.offset + len(self.data)

    def without(self, start: int, end: int) -> "list[Piece]":
        """Return what is left of it outside a range."""
        before = Piece(self.offset, self.data[: max(0, start - self.offset)], self.orphan)
        after = Piece(max(end, self.offset), self.data[max(0, end - self.offset) :], self.orphan)
        return [piece for piece in (before, after) if piece.data]


@dataclass(frozen=True, slots=True)
class Size:
    """A size on its way to the disk."""

    bytes: int


Loose: TypeAlias = Piece | Size


@dataclass(slots=True)
class File:
    """One file.  durable: surely on the disk.  loose: not so, in order.  flushing: how many of them a flush is at."""

    durable: bytearray = field(default_factory=bytearray)
    loose: list[Loose] = field(default_factory=list)
    flushing: int = 0

    def flushed(self) -> None:
        """A flush returned without error."""
        covered, later = self.loose[: self.flushing], self.loose[self.flushing :]
        orphans: list[Loose] = []
        for item in covered:
            if isinstance(item, Piece) and item.orphan:
                orphans.append(item)
                continue
            put(self.durable, item)
            orphans = _less(orphans, item)
        self.loose, self.flushing = orphans + later, 0

    def failed(self) -> None:
        """A flush returned with an error."""
        for place, item in enumerate(self.loose[: self.flushing]):
            if isinstance(item, Piece):
                self.loose[place] = Piece(item.offset, item.data, orphan=True)
        self.flushing = 0


def _less(orphans: list[Loose], item: Loose) -> list[Loose]:
    """Return the orphans without what a later write or cut has replaced for good."""
    start, end = (item.offset, item.end) if isinstance(item, Piece) else (item.bytes, 1 << 62)
    return [left for orphan in orphans if isinstance(orphan, Piece) for left in orphan.without(start, end)]


def put(image: bytearray, item: Loose) -> None:
    """Let something reach the image of a file."""
    if isinstance(item, Size):
        if item.bytes < len(image):
            del image[item.bytes :]
        else:
            image.extend(bytes(item.bytes - len(image)))
        return
    if item.offset > len(image):
        image.extend(bytes(item.offset - len(image)))
    image[item.offset : item.end] = item.data


class Disk:
    """One folder on a disk, moved on by the events of a log."""

    def __init__(self, held: dict[str, bytes]) -> None:
        self._files = [File(bytearray(content)) for content in held.values()]
        self._sure = {name: number for number, name in enumerate(held)}
        self._now = dict(self._sure)
        self._names: list[tuple[str, int | None]] = []
        self._names_flushing = 0
        self.acknowledged: list[str] = []

    def move(self, event: Event, folder: str) -> None:
        """Take one event in."""
        if isinstance(event, Acknowledged):
            self.acknowledged.append(event.token)
        elif event.path == folder:
            self._folder(event)
        else:
            self._file(event, event.path.rpartition("/")[2])

    def _folder(self, event: Event) -> None:
        if isinstance(event, FlushBegan):
            self._names_flushing = len(self._names)
        elif isinstance(event, FlushEnded):
            if event.good:
                for name, number in self._names[: self._names_flushing]:
                    _rename(self._sure, name, number)
                del self._names[: self._names_flushing]
            self._names_flushing = 0

    def _file(self, event: Event, name: str) -> None:
        if isinstance(event, Made):
            if name not in self._now:
                self._files.append(File())
                self._name(name, len(self._files) - 1)
            return
        if isinstance(event, Removed):
            self._name(name, None)
            return
        file = self._files[self._now[name]]
        if isinstance(event, Wrote):
            file.loose.append(Piece(event.offset, event.data))
        elif isinstance(event, Cut):
            file.loose.append(Size(event.size))
        elif isinstance(event, FlushBegan):
            file.flushing = len(file.loose)
        elif isinstance(event, FlushEnded):
            if event.good:
                file.flushed()
            else:
                file.failed()

    def _name(self, name: str, number: int | None) -> None:
        _rename(self._now, name, number)
        self._names.append((name, number))

    def after_power_loss(self, chance: Random) -> dict[str, bytes]:
        """Return one state that the folder may be found in, as contents by name."""
        names = dict(self._sure)
        for name, number in self._names[: chance.randint(0, len(self._names))]:
            _rename(names, name, number)
        return {name: _survived(self._files[number], chance) for name, number in names.items()}


def _rename(names: dict[str, int], name: str, number: int | None) -> None:
    if number is None:
        names.pop(name, None)
    else:
        names[name] = number


def _survived(file: File, chance: Random) -> bytes:
    image = bytearray(file.durable)
    loose = list(file.loose)
    chance.shuffle(loose)
    share = chance.choice(KEPT_SHARES)
    for item in loose:
        for left in survivors(item, chance, share):
            put(image, left)
    return bytes(image)


def survivors(item: Loose, chance: Random, share: float) -> list[Loose]:
    """Return what is kept of something unflushed: all, nothing, or one side of a tear at a multiple of 512 bytes."""
    if isinstance(item, Piece) and chance.random() < TORN_SHARE:
        tears = range((item.offset // SECTOR_BYTES + 1) * SECTOR_BYTES, item.end, SECTOR_BYTES)
        if tears:
            tear = chance.choice(tears)
            return list(item.without(tear, item.end) if chance.random() < 0.5 else item.without(item.offset, tear))
    return [item] if chance.random() < share else []


def read_folder(folder: Path, names: Iterable[str]) -> dict[str, bytes]:
    """Return the contents of those files of a folder that are there."""
    return {name: (folder / name).read_bytes() for name in names if (folder / name).exists()}

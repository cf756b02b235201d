"""The site's housings and procedures: TOML files in the data folder, each parsed once and again when it changes.

Rules kept here:
- A file is known by its stamp (time, size, inode); one that keeps its stamp is not read again.
- The stamps of a folder are looked at anew when a name in it changed, else so seldom that looking takes at most a
  twentieth of the time: with a few files that is at each request.
- Where looking takes long, it is done beside the requests, which meanwhile get what is known, and takes at most a
  hundredth of the time: with 10,000 files every few seconds.
- The page of one housing looks at the stamp of its own file in any case.
"""

import os
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import accumulate
from pathlib import Path
from threading import RLock, Thread
from time import monotonic
from typing import Any, TypeVar

from app.calc.errors import ChangeoutError, Invalid
from app.domain.housing import Housing, read_housing
from app.domain.procedure import Procedure, read_procedure
from app.domain.writing_rules import misworded
from app.services.collector import MANY, spare_what_stays

T = TypeVar("T")
REST, REST_BESIDE = 20, 100
"""For so many times as long as looking took, within a request or beside them, a folder is not looked at again (our
figures): beside them nobody waits, but it takes its time from the one processor that they run on."""
BESIDE_S = 0.02
"""A folder that took longer to look through is looked through beside the requests, not within one (our figure)."""
BESIDE = "changeout-library"
"""The thread's name."""
MOST_LOOKED = 100
"""What so many searches found is kept until a file changes (our figure)."""
_Stamp = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class HousingFile:
    """One housing as its file has it.  sha256: of the text.  found_by: what a search looks through."""

    housing: Housing
    name: str
    sha256: str
    found_by: str


class FileLibrary:
    """Housings in `housings/`, procedures in `procedures/`, one TOML file each.  Any thread may ask."""

    def __init__(self, folder: Path) -> None:
        self._housings = _Shelf(folder / "housings", _housing)
        self._procedure_folder = folder / "procedures"
        self._procedures = _Shelf(self._procedure_folder, _procedure)
        self._lock = RLock()
        self._seen: Sequence[object] = ()
        self._by_tag: dict[str, HousingFile] = {}
        self._all: tuple[Housing, ...] = ()
        self._twice: tuple[str, ...] = ()
        self._faulty: tuple[str, ...] = ()
        self._text, self._starts = "", [0]
        self._looked: dict[tuple[str, ...], tuple[Housing, ...]] = {}
        self._made: dict[Callable[[tuple[Housing, ...]], Any], Any] = {}

    def housings(self) -> tuple[Housing, ...]:
        """Return every housing that can be read, by tag; the same object for as long as nothing changes."""
        with self._lock:
            self._arrange(self._housings.items())
            return self._all

    def housing(self, tag: str) -> Housing | None:
        """Return the housing with this tag as its file is now, or None."""
        found = self.file(tag)
        return found.housing if found else None

    def file(self, tag: str) -> HousingFile | None:
        """Return the file of a housing as it is now, or None."""
        with self._lock:
            self._arrange(self._housings.items())
            known = self._by_tag.get(tag)
            if known is not None and self._housings.moved(known.name):
                self._arrange(self._housings.items(again=True))
                known = self._by_tag.get(tag)
            return known

    def holding(self, words: str) -> tuple[Housing, ...]:
        """Return the housings whose tag, place or service hold every one of these words, by tag."""
        wanted = tuple(sorted({*words.casefold().split()}))
        with self._lock:
            self._arrange(self._housings.items())
            if not wanted:
                return self._all
            if wanted not in self._looked:
                if len(self._looked) >= MOST_LOOKED:
                    self._looked.pop(next(iter(self._looked)))
                self._looked[wanted] = self._found(wanted)
            return self._looked[wanted]

    def _found(self, wanted: tuple[str, ...]) -> tuple[Housing, ...]:
        """Return what holds every word: the rarest is looked for in one text of all, the others where that was found.

        A word holds no white space, so that none reaches from one housing into the next.
        """
        first, *others = sorted(wanted, key=self._text.count) if len(wanted) > 1 else wanted
        found = []
        at = self._text.find(first)
        while at >= 0:
            place = bisect_right(self._starts, at) - 1
            end = self._starts[place + 1]
            if all(self._text.find(word, self._starts[place], end) >= 0 for word in others):
                found.append(self._all[place])
            at = self._text.find(first, end)
        return tuple(found)

    def made_of(self, make: Callable[[tuple[Housing, ...]], T]) -> T:
        """Return what a function makes of all housings: made once and kept for as long as nothing changes."""
        with self._lock:
            self._arrange(self._housings.items())
            if make not in self._made:
                self._made[make] = make(self._all)
            found: T = self._made[make]
            return found

    def look_again(self) -> None:
        """Look at the housings' files now: the program has just written some."""
        with self._lock:
            self._arrange(self._housings.items(again=True))

    def procedures(self) -> tuple[tuple[Procedure, str], ...]:
        """Return every procedure that keeps the writing rules, with the SHA-256 of its file."""
        return tuple(item for item in self._procedures.items() if isinstance(item, tuple))

    def procedure_text(self, digest: str) -> str:
        """Return the text of a procedure by its SHA-256, as its file is now; Invalid if there is none such."""
        for path in sorted(self._procedure_folder.glob("*.toml")):
            text = read_text(path)
            if sha256(text.encode()).hexdigest() == digest:
                return text
        raise Invalid("No procedure has this text any more. Reload the page of the procedures and choose one of those.")

    def faults(self) -> tuple[str, ...]:
        """Return a sentence for every file that cannot be used."""
        with self._lock:
            self._arrange(self._housings.items())
            return (*self._faulty, *(item for item in self._procedures.items() if isinstance(item, str)), *self._twice)

    def _arrange(self, items: Sequence[object]) -> None:
        """Put housings in order, once for each change; of two files with one tag the first by name counts."""
        if items is self._seen:
            return
        by_tag: dict[str, HousingFile] = {}
        twice = []
        for item in items:
            if isinstance(item, HousingFile):
                first = by_tag.setdefault(item.housing.tag, item)
                if first is not item:
                    twice.append(
                        f"{item.name} holds {item.housing.tag}, as {first.name} does. It is not used; keep one of the "
                        "two."
                    )
        self._seen, self._by_tag, self._twice = items, by_tag, tuple(twice)
        self._faulty = tuple(item for item in items if isinstance(item, str))
        texts = [f"{by_tag[tag].found_by}\n" for tag in sorted(by_tag)]
        self._text, self._starts, self._looked = "".join(texts), [0, *accumulate(map(len, texts))], {}
        self._all = tuple(by_tag[tag].housing for tag in sorted(by_tag))
        self._made = {}


class _Shelf:
    """The files of one folder, in the order of their names, each with what was read from it."""

    def __init__(self, folder: Path, read: Callable[[Path], object]) -> None:
        self._folder = folder
        self._read = read
        self._known: dict[str, tuple[_Stamp, object]] = {}
        self._items: tuple[object, ...] = ()
        self._folder_stamp: _Stamp | None = None
        self._rest_until = 0.0
        self._looking_s = 0.0
        self._beside = False
        self._lock = RLock()

    def items(self, *, again: bool = False) -> tuple[object, ...]:
        """Return what the files hold; the same object for as long as no stamp changes."""
        with self._lock:
            rested = monotonic() >= self._rest_until
            if again or _stamp_of(self._folder) != self._folder_stamp or (rested and self._looking_s <= BESIDE_S):
                self._take(*self._look())
            elif rested and not self._beside:
                self._beside = True
                Thread(target=self._look_beside, name=BESIDE, daemon=True).start()
            return self._items

    def _look_beside(self) -> None:
        """Look without holding anybody up.  Stamps that are behind only have files read again, as they are then."""
        try:
            looked = self._look()
            with self._lock:
                self._take(*looked)
        finally:
            self._rest_until = max(self._rest_until, self._rested(self._looking_s))  # also after a look that fails
            self._beside = False

    def _look(self) -> tuple[_Stamp | None, list[tuple[str, _Stamp]], float]:
        """Return the stamps of the folder and of its files, and how long it took."""
        begun = monotonic()
        stamp = _stamp_of(self._folder)
        return stamp, sorted(_stamps(self._folder)), monotonic() - begun

    def _take(self, stamp: _Stamp | None, found: list[tuple[str, _Stamp]], looked: float) -> None:
        before = self._known
        if [(name, mark) for name, (mark, _) in before.items()] != found:
            self._known = {name: self._kept(name, mark) for name, mark in found}
            self._items = tuple(item for _, item in self._known.values())
            if sum(before.get(name) is not known for name, known in self._known.items()) >= MANY:
                spare_what_stays()
        self._folder_stamp, self._looking_s, self._rest_until = stamp, looked, self._rested(looked)

    @staticmethod
    def _rested(looked: float) -> float:
        """Return until when a folder rests after a look that took so long."""
        return monotonic() + (REST if looked <= BESIDE_S else REST_BESIDE) * looked

    def moved(self, name: str) -> bool:
        """Whether a file is no longer the one that was read."""
        known = self._known.get(name)
        return known is None or known[0] != _stamp_of(self._folder / name)

    def _kept(self, name: str, stamp: _Stamp) -> tuple[_Stamp, object]:
        known = self._known.get(name)
        return known if known is not None and known[0] == stamp else (stamp, self._read(self._folder / name))


def _stamps(folder: Path) -> list[tuple[str, _Stamp]]:
    """Return the files of a folder, hidden ones left out: an editor's lock is none, and may lead nowhere."""
    try:
        with os.scandir(folder) as entries:
            named = [entry for entry in entries if entry.name.endswith(".toml") and not entry.name.startswith(".")]
    except FileNotFoundError:
        return []
    return [(entry.name, found) for entry in named if (found := _stamp_of(entry)) is not None]


def _stamp_of(place: "Path | os.DirEntry[str]") -> _Stamp | None:
    try:
        return _stamp(place.stat())
    except FileNotFoundError:
        return None


def _stamp(found: os.stat_result) -> _Stamp:
    return found.st_mtime_ns, found.st_size, found.st_ino


def read_text(path: Path) -> str:
    """Return a file's text; raise Invalid with a sentence if it cannot be read."""
    try:
        return path.read_text("utf-8")
    except OSError as fault:
        raise Invalid(f"{path} cannot be read: {fault.strerror}. Give the path of a readable file.") from None
    except UnicodeDecodeError:
        raise Invalid(f"{path} is not UTF-8 text. Save it as UTF-8 and try again.") from None


def _housing(path: Path) -> HousingFile | str:
    try:
        text = read_text(path)
        housing = read_housing(text, name=path.name)
    except ChangeoutError as fault:
        return str(fault)
    found_by = f"{housing.tag}\n{housing.location}\n{housing.service.replace('_', ' ')}".casefold()
    return HousingFile(housing, path.name, sha256(text.encode()).hexdigest(), found_by)


def _procedure(path: Path) -> tuple[Procedure, str] | str:
    try:
        text = read_text(path)
        procedure = read_procedure(text, name=path.name)
    except ChangeoutError as fault:
        return str(fault)
    if broken := misworded(procedure):
        return f"{path.name} breaks the writing rules at {broken[0].step}: {broken[0].sentence}. It cannot be used."
    return procedure, sha256(text.encode()).hexdigest()

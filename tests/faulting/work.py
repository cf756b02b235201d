"""The prepared folder, and the job of a hundred marks that a life is given, or a sitting of ten of them."""

import json
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import cycle
from pathlib import Path
from random import Random

from app.bootstrap import start
from app.domain.commands import Begin, Finish
from app.settings import Settings
from app.storage.durable import DATABASE
from tests.benching.site import prepare
from tests.faulting.child import WAIT_S, Mark

MARKS = 100
ROUNDS = (1, 1, 3, 1, 4)
"""So many marks meet in one transaction, over and over."""


@dataclass(frozen=True)
class Work:
    """folder: a prepared site, closed.  file: the rounds as a life reads them.  marks: all of them in order.

    earlier: tokens of marks that stand in the folder already, and are to stand there whatever comes.  closes: whether
    a life ends by closing the folder, which writes a good deal, or leaves it as it is after the last mark.
    """

    folder: Path
    file: Path
    marks: tuple[Mark, ...]
    certificate_pem: str
    earlier: tuple[str, ...] = ()
    closes: bool = True

    def copy_to(self, folder: Path, *, start: Path | None = None) -> Path:
        """Copy the prepared folder, or another one, for one life."""
        shutil.copytree(start or self.folder, folder)
        return folder

    def sittings(self, place: Path) -> Iterator["Work"]:
        """Do the work in sittings of one turn of the rounds each, and yield each with the folder it begins on."""
        place.mkdir()
        each, start_folder = sum(ROUNDS), self.folder
        for first in range(0, len(self.marks), each):
            marks, name = self.marks[first : first + each], f"{first:03}"
            earlier = tuple(mark.token for mark in self.marks[:first])
            sitting = Work(
                start_folder, _filed(place / f"{name}.json", marks), marks, self.certificate_pem, earlier, closes=False
            )
            yield sitting
            start_folder = _done(sitting, place / name)


def prepare_work(folder: Path, seed: int) -> Work:
    """Make a site with two jobs ready for a long stretch, and deal out a hundred marks of it with fresh tokens."""
    site = prepare(folder / "site", 2, finished=False)
    running = start(Settings(data=site.folder))
    try:
        pem = running.key.certificate_pem
    finally:
        running.close()
    chance = Random(seed)
    marks = []
    for job, command, by in [(job, command, by) for job in site.jobs for command, by in site.stretch][:MARKS]:
        assert isinstance(command, Begin | Finish), "the stretch holds only these two"
        who, act = by, "finish" if isinstance(command, Finish) else "begin"
        answers = dict(command.answers)
        marks.append(
            Mark(job, act, command.step, answers, (who.id, who.name, str(who.role.value)),
                 f"{chance.getrandbits(128):032x}")
        )  # fmt: skip
    return Work(site.folder, _filed(folder / "work.json", marks), tuple(marks), pem)


def _filed(file: Path, marks: Sequence[Mark]) -> Path:
    file.write_text(json.dumps([[asdict(mark) for mark in dealt] for dealt in _rounds(marks)]), "utf-8")
    return file


def _done(sitting: Work, folder: Path) -> Path:
    """Do the marks of a sitting undisturbed, in a copy of its folder, and close it."""
    running = start(Settings(data=sitting.copy_to(folder)))
    try:
        for mark in sitting.marks:
            done = running.site.jobs.record(mark.job, mark.command, mark.asked).result(WAIT_S)
            assert done.refused is None, f"the sitting's mark at {mark.step} is refused: {done.refused}"
    finally:
        running.close()
    return folder


def _rounds(marks: Sequence[Mark]) -> list[list[Mark]]:
    dealt, sizes = [], cycle(ROUNDS)
    left = list(marks)
    while left:
        size = next(sizes)
        dealt.append(left[:size])
        left = left[size:]
    return dealt


__all__ = ["DATABASE", "MARKS", "Work", "prepare_work"]

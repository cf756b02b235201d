"""The prepared folder, and the job of a hundred marks that every life is given."""

import json
import shutil
from dataclasses import asdict, dataclass
from itertools import cycle
from pathlib import Path
from random import Random

from app.bootstrap import start
from app.domain.commands import Begin, Finish
from app.settings import Settings
from app.storage.durable import DATABASE
from tests.benching.site import prepare
from tests.faulting.child import Mark

MARKS = 100
ROUNDS = (1, 1, 3, 1, 4)
"""So many marks meet in one transaction, over and over."""


@dataclass(frozen=True)
class Work:
    """folder: a prepared site, closed.  file: the rounds as a life reads them.  marks: all of them in order."""

    folder: Path
    file: Path
    marks: tuple[Mark, ...]
    certificate_pem: str

    def copy_to(self, folder: Path, *, start: Path | None = None) -> Path:
        """Copy the prepared folder, or another one, for one life."""
        shutil.copytree(start or self.folder, folder)
        return folder


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
    file = folder / "work.json"
    file.write_text(json.dumps([[asdict(mark) for mark in marks] for marks in _rounds(marks)]), "utf-8")
    return Work(site.folder, file, tuple(marks), pem)


def _rounds(marks: list[Mark]) -> list[list[Mark]]:
    dealt, sizes = [], cycle(ROUNDS)
    left = list(marks)
    while left:
        size = next(sizes)
        dealt.append(left[:size])
        left = left[size:]
    return dealt


__all__ = ["DATABASE", "MARKS", "Work", "prepare_work"]

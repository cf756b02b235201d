"""The site that is soaked: people of three shifts and their secrets, instruments, housings."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path

from app.bootstrap import Running, ship_sample_housings, start
from app.domain.event_base import Who
from app.domain.procedure import Role
from app.domain.site import QualificationNoted
from app.domain.site_settings import IDLE_LOCK, MARKS_APART
from app.services.rehearsal import Cast
from app.settings import Settings
from tests.builders import NEEDS, issue_texts, keep_made_up_instruments
from tests.soaking.crew import Shift

SHIFTS = ("morning", "late", "night")
PARTS = (("opening", Role.LEAD), ("releasing", Role.LEAD), ("hands", Role.TECHNICIAN), ("eyes", Role.TECHNICIAN),
         ("officer", Role.SAFETY_OFFICER))  # fmt: skip
FAR_OFF = date(9999, 12, 31)
DISK_MB = 600


def furnish(folder: Path) -> tuple[list[Shift], dict[str, str]]:
    """Make the site; return its shifts, and each person's secret by their id."""
    settings = Settings(data=folder)
    ship_sample_housings(settings)
    running = start(settings)
    try:
        keep_made_up_instruments(running.site.jobs)
        secrets: dict[str, str] = {}
        shifts = [_shift(running, name, secrets) for name in SHIFTS]
        lead = shifts[0].opener
        issue_texts(running)
        running.site.watching.choose(MARKS_APART.name, "0", "worked by a machine", by=lead).result()
        running.site.watching.choose(IDLE_LOCK.name, str(IDLE_LOCK.high), "worked by a machine", by=lead).result()
        return shifts, secrets
    finally:
        running.close()


def _shift(running: Running, shift: str, secrets: dict[str, str]) -> Shift:
    people: dict[str, Who] = {}
    for part, role in PARTS:
        secret = f"made up secret of {shift} {part}"
        person, _ = running.people.add(
            f"{shift} {part}".title(), role, by=None, identity="made up for the soak", secret=secret
        )
        people[part] = person.who
        secrets[person.id] = secret
        for need in NEEDS:
            noted = partial(QualificationNoted, person=person.id, what=need, until=FAR_OFF)
            running.site.jobs.write_site(lambda _, seq, at, noted=noted: noted(seq=seq, at=at)).result()  # type: ignore[misc]
    cast = Cast(hands=people["hands"], eyes=people["eyes"], officer=people["officer"], lead=people["releasing"])
    return Shift(people["opening"], cast)


@contextmanager
def small_disk(place: Path) -> Iterator[str]:
    """Lay a small file system over a folder; yield nothing, or why there is none."""
    place.mkdir(parents=True)
    try:
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "none", str(place)], capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        why = "" if made.returncode == 0 else made.stderr.strip()[:120]
    except OSError as error:
        why = str(error)
    try:
        yield why
    finally:
        if not why:
            subprocess.run(["umount", "-l", str(place)], check=False)

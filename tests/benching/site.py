"""A site to be measured: people, and jobs advanced to a long stretch of work that no hold point or pause interrupts."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from random import Random
from uuid import uuid4

from app.bootstrap import Running, ship_sample_housings, start
from app.cli import DEMO_PEOPLE
from app.domain.commands import Accept, Begin, Command, Finish, Open, OpenException, Submit
from app.domain.event_base import Who
from app.domain.job import JobState
from app.domain.procedure import Role
from app.domain.site_settings import MARKS_APART, with_limits
from app.domain.steps import Step
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.planning import Plan, find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import Cast, commands_for
from app.settings import Settings
from tests.builders import Bench, account_for_packages, issue_texts, keep_made_up_instruments

HOUSING, PROCEDURE = "EF-11", "change-out"
PHOTOS, PHOTO_BYTES = 10, 700_000
Mark = tuple[str, str, str, str, dict[str, str]]
"""Job, cookie, step, act, answers."""


@dataclass
class Site:
    """A prepared folder.  stretch: the work that every job is ready for."""

    folder: Path
    cookies: dict[str, str]
    stretch: list[tuple[Command, Who]]
    jobs: list[str]
    finished: str = ""
    _used: int = field(default=0)

    def marks(self, tablets: int, each: int) -> list[list[Mark]]:
        """Deal out work: for each tablet jobs of its own, `each` marks in all; no job is dealt twice."""
        return [list(self._tablet(each)) for _ in range(tablets)]

    def _tablet(self, each: int) -> Iterator[Mark]:
        while each > 0:
            job, self._used = self.jobs[self._used], self._used + 1
            for command, by in self.stretch[:each]:
                assert isinstance(command, Begin | Finish)
                act = "begin" if isinstance(command, Begin) else "finish"
                yield job, self.cookies[by.id], command.step, act, dict(command.answers)
            each -= len(self.stretch)


def prepare(folder: Path, jobs: int, *, finished: bool = True) -> Site:
    """Make a site with so many jobs and, unless told otherwise, one finished one with ten photos."""
    settings = Settings(data=folder)
    ship_sample_housings(settings)
    running = start(settings)
    try:
        for name, role, secret in DEMO_PEOPLE:
            running.people.add(name, role, by=None, identity="known to us", secret=secret)
        issue_texts(running)
        keep_made_up_instruments(running.site.jobs)
        cast = cast_of(running)
        running.site.watching.choose(MARKS_APART.name, "0", "made by a machine", by=cast.lead).result()
        made = ready_for_marks(folder, running, jobs)
        return replace(made, finished=_finish(running, _plan(running), cast)) if finished else made
    finally:
        running.close()


def ready_for_marks(folder: Path, running: Running, jobs: int) -> Site:
    """Open so many jobs, each done up to the longest stretch without a hold, and sign the two of the crew in."""
    made, cast = _plan(running), cast_of(running)
    chosen = {step.only_if.step for step in made.steps if step.only_if}
    holds = [place for place, step in enumerate(made.steps)
             if step.kind == "hold" or step.says or step.table or step.only_if or step.id in chosen]  # fmt: skip
    before, after = max(pairwise(holds), key=lambda pair: pair[1] - pair[0])
    opened = [_open(running, made, cast, made.steps[before + 1].id) for _ in range(jobs)]
    stretch = _stretch(running.site.jobs.state(opened[0]), cast, made.steps[after].id) if opened else []
    cookies = {by.id: running.site.sessions.begin(by, "bench") for by in (cast.hands, cast.eyes)}
    return Site(folder, cookies, stretch, opened)


def _plan(running: Running) -> Plan:
    library = running.site.library
    procedure, sha256 = find_procedure(library, PROCEDURE)
    # With the site's limits from the start: a job whose housing lacks them has its steps laid anew when it is opened.
    housing = with_limits(find_housing(library, HOUSING), procedure, running.site.jobs.site())
    made = plan(housing, procedure, sha256)
    # Proving a second person's secret takes its time on purpose; what is measured are marks of one person.
    return replace(made, steps=tuple(step.model_copy(update={"second": None}) for step in made.steps))


def cast_of(running: Running) -> Cast:
    """Who of the site plays which part."""
    roles: dict[Role, list[Who]] = {}
    for person in running.people.everyone():
        roles.setdefault(person.role, []).append(person.who)
    hands, eyes = roles[Role.TECHNICIAN]
    return Cast(hands=hands, eyes=eyes, officer=roles[Role.SAFETY_OFFICER][0], lead=roles[Role.LEAD][0])


def _stretch(state: JobState, cast: Cast, until: str) -> list[tuple[Command, Who]]:
    """Return the work up to a step, tried on a job that is not kept."""
    bench = Bench(state, ledger="tried")
    done: list[tuple[Command, Who]] = []
    while bench.state.due is not None and bench.state.due.id != until:
        for command, by in commands_for(bench.state, cast):
            bench.do(command, by)
            assert isinstance(command, Begin | Finish), f"the stretch holds only these two, and not {command}"
            done.append((command, by))
    return done


def _do(running: Running, job: str, command: Command, by: Who) -> None:
    running.site.jobs.record(job, command, Asked(by=by, tablet="bench", token=uuid4().hex)).result()


def _open(running: Running, made: Plan, cast: Cast, until: str) -> str:
    """Open a job and do its steps up to this one; those of a branch not chosen are passed over."""
    draft = first_entry(
        made, site=running.site.jobs.site(), by=cast.lead, at=utc_text(running.site.clock()),
        crew=(cast.hands, cast.eyes), rehearsal=False,
    ).model_copy(update={"repeated": None})  # fmt: skip
    # A repeated reading falls due by the clock, not by the work: none is asked for while marks are measured.
    _do(running, draft.ledger, Open(draft), cast.lead)
    while (due := running.site.jobs.state(draft.ledger).due) is not None and due.id != until:
        for command, by in commands_for(running.site.jobs.state(draft.ledger), cast):
            _do(running, draft.ledger, command, by)
    return draft.ledger


def _finish(running: Running, made: Plan, cast: Cast) -> str:
    """Carry a job through to acceptance, with ten photos: first attempts that failed carry one, too."""
    job = _open(running, made, cast, made.steps[0].id)
    photos = [running.site.photos.keep(photo(number)).sha256 for number in range(PHOTOS)]
    while (step := running.site.jobs.state(job).due) is not None:
        for command, by in commands_for(running.site.jobs.state(job), cast):
            for told in _with_photos(step, command, photos):
                _do(running, job, told, by)
    assert not photos, f"{len(photos)} photos found no step that asks for one"
    for command, by in commands_for(running.site.jobs.state(job), cast):
        _do(running, job, command, by)
    account_for_packages(running.site.waste, job)
    _do(running, job, Submit(), cast.lead)
    for notable in running.site.jobs.state(job).unread:
        _do(running, job, OpenException(notable.seq), cast.officer)
    _do(running, job, Accept(), cast.officer)
    return job


def _with_photos(step: Step, command: Command, photos: list[str]) -> Iterator[Command]:
    """Yield the command with a photo where the step asks for one, after a photographed attempt outside its limit."""
    wanted = next((asked.ask.id for asked in step.asks if asked.ask.kind == "photo"), None)
    choice = next((asked.ask for asked in step.asks if asked.ask.good), None)
    if wanted is None or choice is None or not isinstance(command, Finish):
        yield command
        return
    bad = next(option for option in choice.options if option not in choice.good)
    for answers in ({choice.id: bad}, {}):
        if photos:
            yield Finish(command.step, {**command.answers, **answers, wanted: photos.pop()})
        elif not answers:
            yield command


def photo(number: int) -> bytes:
    """Return a JPEG of about 0.7 MB: grain, as a camera in poor light makes it."""
    from PIL import Image

    noise = Random(number)
    grain = Image.frombytes("RGB", (1000, 760), noise.randbytes(1000 * 760 * 3)).resize((1600, 1216))
    for quality in range(95, 20, -3):
        held = BytesIO()
        grain.save(held, "JPEG", quality=quality)
        if held.tell() <= PHOTO_BYTES:
            return held.getvalue()
    raise AssertionError("no quality gives a photo of the size wanted")

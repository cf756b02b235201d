"""Jobs over a real store: idempotent tokens, refusals kept, two tablets on one step, text the record cannot print."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from app.bootstrap import Running, ship_sample_housings, start
from app.calc.errors import Invalid
from app.domain.commands import Begin, Finish, Open, Release, WriteNote
from app.domain.crew import Acknowledge
from app.domain.event_base import Who
from app.domain.events import AttemptRefused
from app.domain.refused import Refused
from app.records.moments import utc_text
from app.services.jobs import LAST_ALIKE, MOST_ALIKE, Asked, Recorded
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import commands_for
from app.settings import Settings
from app.storage.durable import RESTORED_NOTE
from app.storage.faults import StorageFault
from tests.builders import CAST, EYES, HANDS, LEAD, OFFICER, keep_made_up_instruments, let_texts_in


class ToldClock:
    """A clock that goes on a second each time it is asked."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        """Return the next second."""
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Running]:
    """A site with the sample housings and a told clock."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings, ToldClock())
    let_texts_in(running.site.jobs)
    keep_made_up_instruments(running.site.jobs)
    yield running
    running.close()


AT_FIRST = 3
"""Entries of a job that has just been opened, its crew of two briefed."""


def open_job(site: Running, tag: str = "EF-03") -> str:
    """Open a job and return its ledger."""
    library = site.site.library
    made = plan(find_housing(library, tag), *find_procedure(library, "change-out"))
    draft = first_entry(
        made, site=site.site.jobs.site(), by=LEAD, at=utc_text(site.site.clock()), crew=(), rehearsal=False
    )
    site.site.jobs.record(draft.ledger, Open(draft), Asked(LEAD)).result()
    for who in (HANDS, EYES):
        do(site, draft.ledger, Acknowledge("work", "I know the cuts and when to stop."), who)
    return draft.ledger


def do(site: Running, job: str, command: object, by: Who, token: str | None = None) -> Recorded:
    """Carry out one command."""
    return site.site.jobs.record(job, command, Asked(by, "tablet 1", token=token)).result()  # type: ignore[arg-type]


def first_answers(site: Running, job: str) -> tuple[str, dict[str, str]]:
    """Return the due step and answers that let it pass."""
    due = site.site.jobs.state(job).due
    assert due is not None
    command = [command for command, _ in commands_for(site.site.jobs.state(job))][-1]
    assert isinstance(command, Finish)
    return due.id, dict(command.answers)


def test_a_token_writes_once_however_often_it_is_sent(site: Running) -> None:
    """The same token with the same content gives the same state and no new entry."""
    job = open_job(site)
    step, answers = first_answers(site, job)

    first = do(site, job, Finish(step, answers), HANDS, token="t1")
    again = do(site, job, Finish(step, answers), HANDS, token="t1")

    assert again.repeated
    assert again.state == first.state
    assert len(site.store.read_payloads(job)) == AT_FIRST + 1


def test_a_token_with_other_content_is_refused_and_writes_nothing(site: Running) -> None:
    """The same token with other content, or by somebody else, is refused."""
    job = open_job(site)
    step, answers = first_answers(site, job)
    do(site, job, Finish(step, answers), HANDS, token="t1")

    with pytest.raises(Refused, match="sent before with other content"):
        do(site, job, Finish(step, answers, "with a note"), HANDS, token="t1")
    with pytest.raises(Refused, match="sent before"):
        do(site, job, Finish(step, answers), EYES, token="t1")

    assert len(site.store.read_payloads(job)) == AT_FIRST + 1


def test_tokens_survive_a_restart(tmp_path: Path) -> None:
    """A token is used up for the life of the database, not of the process."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings, ToldClock())
    let_texts_in(running.site.jobs)
    keep_made_up_instruments(running.site.jobs)
    job = open_job(running)
    step, answers = first_answers(running, job)
    do(running, job, Finish(step, answers), HANDS, token="t1")
    running.close()
    running = start(settings, ToldClock())

    again = do(running, job, Finish(step, answers), HANDS, token="t1")

    assert again.repeated
    assert len(running.store.read_payloads(job)) == AT_FIRST + 1
    running.close()


def test_the_second_tablet_loses_cleanly_and_hears_who_was_first(site: Running) -> None:
    """Two tablets finish one step: one mark stands, the other hears the first person's name."""
    job = open_job(site)
    step, answers = first_answers(site, job)
    do(site, job, Finish(step, answers), HANDS, token="t1")

    with pytest.raises(Refused, match=HANDS.name):
        do(site, job, Finish(step, answers), EYES, token="t2")

    assert len(site.store.read_payloads(job)) == AT_FIRST + 1


def test_a_refused_release_is_kept_in_the_record(site: Running) -> None:
    """The performer's own secret at a hold is refused, and the refusal is an entry."""
    job = open_job(site)
    while (due := site.site.jobs.state(job).due) and due.kind != "hold":
        for command, by in commands_for(site.site.jobs.state(job), CAST):
            do(site, job, command, by)
    assert due is not None

    recorded = do(site, job, Release(due.id), HANDS)

    assert recorded.refused is not None
    kept = site.site.jobs.events(job)[-1]
    assert isinstance(kept, AttemptRefused)
    assert HANDS.name in kept.sentence
    assert site.site.jobs.state(job).due == due
    assert do(site, job, Release(due.id), OFFICER).refused is None


def test_the_same_refusal_again_and_again_ends_in_the_record_and_not_at_the_screen(site: Running) -> None:
    """So many of one person by one rule are kept; anybody else's, another rule's, and those after an entry are too."""
    job = open_job(site)
    step = site.site.jobs.state(job).steps[-1].id

    def tried(by: Who, command: object) -> bool:
        before = site.site.jobs.state(job).size
        try:
            refused = do(site, job, command, by).refused
        except Refused as no:
            refused = no
        assert refused is not None
        return site.site.jobs.state(job).size > before

    alike = [tried(HANDS, Finish(step)) for _ in range(MOST_ALIKE + 5)]
    others = [tried(EYES, Finish(step)), tried(LEAD, Finish(step))]
    do(site, job, WriteNote("The order is known now."), HANDS)
    after = tried(HANDS, Finish(step))

    assert alike == [True] * MOST_ALIKE + [False] * 5
    assert others == [True, True]
    assert after
    kept = [event for event in site.site.jobs.events(job) if isinstance(event, AttemptRefused)]
    assert [LAST_ALIKE in event.sentence for event in kept] == [False] * (MOST_ALIKE - 1) + [True] + [False] * 3


def test_text_that_the_record_cannot_print_is_found_when_it_is_entered(site: Running) -> None:
    """A note with a character outside the shipped fonts is refused with a sentence; nothing is written."""
    job = open_job(site)

    with pytest.raises(Invalid, match="U\\+1F9EA"):
        do(site, job, WriteNote("lamp flickers \U0001f9ea"), HANDS)

    assert len(site.store.read_payloads(job)) == AT_FIRST
    assert do(site, job, WriteNote("Żółć, Ελλάδα, 过滤器, مرشح"), HANDS).state.size == AT_FIRST + 1


def test_a_photo_that_was_never_stored_cannot_be_named(site: Running) -> None:
    """An answer that names a photo by a made-up hash is refused."""
    job = open_job(site)
    while (due := site.site.jobs.state(job).due) and not due.id.endswith("tape-stub"):
        for command, by in commands_for(site.site.jobs.state(job), CAST):
            do(site, job, command, by)
    assert due is not None
    do(site, job, Begin(due.id), HANDS)
    answers = {"seen": "edge covered all round, tape holding", "photo": "ab" * 32}

    with pytest.raises(Invalid, match=r"Photo abababababab is not here\. Take it anew"):
        do(site, job, Finish(due.id, answers), HANDS)


def test_no_job_is_opened_with_a_text_that_nobody_issued(tmp_path: Path) -> None:
    """At a site that has issued nothing yet, whatever asks for it."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings, ToldClock())

    with pytest.raises(Refused, match="Its approver signs it and a lead issues it under Procedures"):
        open_job(running)

    assert not list(running.site.jobs.site().jobs)
    running.close()


def test_the_site_ledger_knows_every_job_by_its_first_head(site: Running) -> None:
    """Opening a job writes its head into the site's own ledger, in the same transaction."""
    job = open_job(site)

    (line,) = site.site.jobs.site().jobs
    assert (line.job, line.housing, line.closed) == (job, "EF-03", False)
    assert site.store.read_heads(job)[0].root.hex() in site.store.read_payloads("site")[-1].decode()


def test_a_folder_without_its_keys_is_not_given_new_ones(tmp_path: Path) -> None:
    """A database whose keys are gone is refused: a new key could not go on with the old record."""
    settings = Settings(data=tmp_path)
    start(settings, ToldClock()).close()
    (tmp_path / "keys").rename(tmp_path / "elsewhere")

    with pytest.raises(Invalid, match="keys"):
        start(settings, ToldClock())


def test_a_start_that_fails_late_leaves_nothing_running(tmp_path: Path) -> None:
    """With the store open already, its thread ends and its connections close; the next start finds the folder free."""
    settings = Settings(data=tmp_path)
    start(settings, ToldClock()).close()
    before = writers()
    (tmp_path / RESTORED_NOTE).write_text("no note", "utf-8")

    with pytest.raises(StorageFault, match="restore the backup again"):
        start(settings, ToldClock())

    assert writers() == before
    (tmp_path / RESTORED_NOTE).unlink()
    start(settings, ToldClock()).close()


def writers() -> set[int | None]:
    """Return the writer threads of this process."""
    return {thread.ident for thread in threading.enumerate() if thread.name == "changeout-writer"}

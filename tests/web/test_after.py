"""After a job: its figures from the entries themselves, a suggestion from what it taught, answered by somebody else."""

import re

import pytest

from app.domain.commands import Accept, ExplainStop, OpenException, Reopen, StopWork, Submit
from app.domain.store import KitLine, KitStaged
from app.services.figures import Figures
from app.web.routes import after
from app.web.views.after import SHOWN_AT_ONCE
from tests.web.desk import Desk
from tests.web.test_every_form import sentence_on


def _accepted(desk: Desk) -> str:
    """Carry a job with one stop, explained and led on, to an accepted record."""
    job, officer, lead = desk.open_job("EF-07"), desk.named("safety officer"), desk.named("lead", 1)
    desk.work_until(job, "Twist the bag into")
    desk.do(job, StopWork(), officer)
    desk.do(job, ExplainStop("interrupted", "a crane over the roof"), officer)
    desk.go_on(job)
    state = desk.work_until(job, "no step has these words")
    state = desk.do(job, Submit(), lead)
    for item in state.unread:
        desk.do(job, OpenException(item.seq), officer)
    desk.do(job, Accept(), officer)
    return job


def test_the_figures_of_a_job_are_those_of_its_entries(desk: Desk) -> None:
    """One stop by its cause, the leak test met, the take-off used as counted; nobody is named."""
    job, lead = _accepted(desk), desk.named("lead")
    early = desk.get(lead, "/figures/years.csv")
    assert (early.status_code, "0 of 1 records of 2026 have been read so far" in early.text) == (422, True)
    reading = desk.get(lead, "/figures/years").text
    assert "Being read: 2026, 0 of 1 records." in reading
    assert "years.csv" not in reading
    figures, jobs, left_out = desk.running.site.figures.of_year(2026)
    rows = {figure.id: [(row.what, row.told) for row in figure.rows] for figure in figures}
    state = desk.running.site.jobs.state(job)
    assert state.opened is not None
    page = desk.get(lead, "/figures").text

    assert (jobs, left_out) == (1, 0)
    assert rows["stops"] == [("the work was interrupted (shift end, alarm, missing part)", "1")]
    assert rows["tests"] == [("HEPA bank", "1 of 1")]
    assert ("new bags", "1 used, 1 counted; by the steps") in rows["used"]
    assert [title for title, _ in rows["time"]] == list(dict.fromkeys(
        step.title for step in state.steps if step.title in dict(rows["time"])
    ))  # fmt: skip
    assert "From 1 record accepted in 2026" in page
    several, table = desk.get(lead, "/figures/years"), desk.get(lead, "/figures/years.csv")
    assert "2026: 1 record." in several.text
    assert "Being read" not in several.text
    assert re.search(
        r'<th scope="row">HEPA bank</th><td><svg class="column".*?</svg><span class="line">1 of 1</span></td>',
        several.text,
    )
    assert table.headers["content-disposition"] == 'attachment; filename="figures.csv"'
    assert "Leak tests met at the first attempt,HEPA bank,2026,1,tests met,1,tests," in table.text
    assert not [who for who in (desk.cast().eyes, desk.cast().hands) if who.name in page]


def test_the_years_are_read_a_part_at_a_time_and_shown_when_whole(desk: Desk) -> None:
    """What was not read is counted; a year of which a part is read is not shown by that part."""
    jobs = desk.running.site.jobs
    for _ in range(2):
        _accepted(desk)
    figures = Figures(jobs)

    told = []
    for most in (0, 1, 5):
        figures.read((2026,), most)
        found = figures.at_hand(6)
        told.append((dict(found.waiting), [item[1] for item in found.found.values()], found.count))

    assert told == [({2026: (0, 2)}, [], 1), ({2026: (1, 2)}, [], 1), ({}, [2], 1)]
    assert figures.at_hand(6).found[2026] == figures.of_year(2026) == Figures(jobs).of_year(2026)
    assert figures.at_hand(0).found == {}


def test_a_year_of_many_records_is_read_behind_its_page(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks is told how far it is, and finds the year when they look again."""
    _accepted(desk)
    lead = desk.named("lead")
    monkeypatch.setattr(after, "AT_ONCE", 0)

    first, second = (desk.get(lead, "/figures?year=2026").text for _ in range(2))

    assert "Being read: 0 of 1 records of 2026." in first
    assert "From 0 records" not in first
    assert "From 1 record accepted in 2026" in second
    assert "Being read" not in second


def test_a_year_that_is_drawn_is_shown_without_asking_after_its_records(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two thousand of them took as long as the page; once a further job ends they are asked after again."""
    figures = desk.running.site.figures
    _accepted(desk)
    drawn = figures.of_year(2026)

    with monkeypatch.context() as never:
        never.setattr(Figures, "_key", None)
        assert figures.unread(2026) == (0, 1)
        assert figures.at_hand(6).found == {2026: drawn}
        assert figures.of_year(2026) == drawn

    _accepted(desk)
    assert figures.unread(2026) == (1, 2)
    assert figures.at_hand(6).waiting == {2026: (1, 2)}


def test_a_kit_that_is_settled_after_the_record_changes_its_figures(desk: Desk) -> None:
    """EF-07 takes one bag; two of three are gone, and the figures that were drawn before are drawn anew."""
    job, hands, site = _accepted(desk), desk.named("technician"), desk.running.site
    desk.post(hands, "/stock", id="B-1", kind="bag", what="ring 660", count="9")
    staged = (KitLine(lot="B-1", count=3),)
    site.jobs.write_site(lambda _, seq, at: KitStaged(seq=seq, at=at, by=hands, job=job, lines=staged)).result()
    before = site.figures.of_year(2026)[0]
    settled = desk.post(hands, f"/kits/{job}/settled", **{"back.B-1": "1", "explained": "one tore on unfolding"})
    after = site.figures.of_year(2026)[0]

    assert settled.status_code == 303
    told = [
        next(row.told for item in drawn for row in item.rows if row.what == "new bags") for drawn in (before, after)
    ]
    assert told == ["1 used, 1 counted; by the steps", "2 used, 1 counted; by settled kits"]


def test_a_lesson_becomes_a_suggestion_that_somebody_else_answers(desk: Desk) -> None:
    """From the page of lessons to accepted and carried out; a second one from the same deviation is refused."""
    job, hands, lead, officer = (
        _accepted(desk),
        desk.named("technician"),
        desk.named("lead"),
        desk.named("safety officer"),
    )
    entry, given = next(iter(desk.running.site.jobs.state(job).lessons.answered.items()))
    assert f"{given.change}</textarea>" in desk.get(hands, "/lessons").text
    fields = {"about": "procedure", "what": "change-out", "text": given.change, "job": job, "entry": str(entry)}

    for odd in ({"job": "job-2026-0099"}, {"entry": "1"}, {"job": "site"}):
        refused = desk.post(hands, "/suggestions", **fields | odd)
        assert "no answer about a deviation" in sentence_on(refused.text), odd
    assert desk.post(hands, "/suggestions", **fields).status_code == 303
    again = desk.post(hands, "/suggestions", **fields)
    number = str(next(iter(desk.running.site.jobs.site().suggestions.all)))
    assert "led to suggestion" in again.text
    assert f"Suggestion {number} came of it" in desk.get(hands, "/lessons").text
    assert desk.post(hands, "/suggestions/answer", suggestion=number).status_code == 403

    kept = desk.post(lead, "/suggestions/answer", suggestion=number, answer="accepted", reason="x")
    assert "1 characters were given" in sentence_on(kept.text)
    assert ">x</textarea>" in kept.text
    assert (
        desk.post(lead, "/suggestions/answer", suggestion=number, answer="accepted", reason="it is").status_code == 303
    )
    assert "accepted by" in desk.get(hands, "/suggestions").text
    done = {"suggestion": number, "how": "change-out revision 5"}
    assert desk.post(officer, "/suggestions/done", **done).status_code == 303
    assert "carried out, says" in desk.get(hands, "/suggestions").text
    assert "was carried out: change-out revision 5" in desk.get(officer, "/trail").text


def test_every_settled_suggestion_is_reached_however_many_there_are(desk: Desk) -> None:
    """The newest first, older ones a tap away, each on one page; an odd count of what was passed by is none."""
    hands, registers = desk.named("technician"), desk.running.site.registers
    for place in range(SHOWN_AT_ONCE + 2):
        registers.suggest("procedure", f"step {place}", "Say it in fewer words.", by=hands).result()
    numbers = sorted(desk.running.site.jobs.site().suggestions.all)
    for number in numbers:
        registers.answer_suggestion(number, "declined", "as it is", by=desk.named("lead")).result()

    first = desk.get(hands, "/suggestions").text
    assert f'href="/suggestions?past={SHOWN_AT_ONCE}#settled"' in first
    assert f"{SHOWN_AT_ONCE} of {SHOWN_AT_ONCE + 2} settled" in first
    older = desk.get(hands, f"/suggestions?past={SHOWN_AT_ONCE}").text
    pages = [re.findall(r'id="suggestion-(\d+)"', page) for page in (first, older)]
    assert [int(number) for page in pages for number in page] == numbers[::-1]
    assert "Older suggestions" not in older
    assert "No more are settled." in desk.get(hands, "/suggestions?past=99").text
    assert "step 26" in desk.get(hands, "/suggestions?past=x").text


def test_a_rehearsal_and_a_job_taken_up_again_give_no_figures(desk: Desk) -> None:
    """What is re-opened is not an accepted record until it is accepted again."""
    job, lead = _accepted(desk), desk.named("lead")
    desk.do(job, Reopen("The torque is read again."), lead)

    assert desk.running.site.figures.of_year(2026)[1] == 0
    assert "From 0 records" in desk.get(lead, "/figures?year=2026").text

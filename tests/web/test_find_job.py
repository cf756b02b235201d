"""Jobs in lists: those in hand with what is due, those that ended by their line, any of them by number or housing."""

from app.domain.commands import Accept, OpenException, Reopen, Submit
from app.domain.site import JobClosed, JobTakenUp
from tests.web.desk import Desk


def _accepted(desk: Desk, tag: str) -> str:
    """Carry a job to an accepted record."""
    job, officer = desk.open_job(tag), desk.named("safety officer")
    state = desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), desk.named("lead", 1))
    for item in state.unread:
        desk.do(job, OpenException(item.seq), officer)
    desk.do(job, Accept(), officer)
    return job


def test_an_accepted_job_leaves_the_lists_of_work_and_comes_back_when_it_is_re_opened(desk: Desk) -> None:
    """The site's ledger says that the job was closed and that it was taken up anew, each at its head."""
    job, lead, site = _accepted(desk, "EF-07"), desk.named("lead"), desk.running.site.jobs
    lists = [desk.get(lead, path).text for path in ("/", "/housings/EF-07", "/jobs")]
    assert [line.job for line, _ in site.in_hand()] == []
    assert all("accepted" in page for page in lists)
    assert "Job 2026-0001 on EF-07 is not finished" not in desk.get(lead, "/plan/EF-07").text

    desk.do(job, Reopen("The torque is read again."), lead)

    assert [line.job for line, _ in site.in_hand()] == [job]
    assert "No other job is in hand." not in desk.get(lead, "/").text
    closed, taken_up = (item for item in site.site_events() if isinstance(item, JobClosed | JobTakenUp))
    assert isinstance(taken_up, JobTakenUp)
    head = site.head_at(job, taken_up.size)
    assert head is not None
    assert (taken_up.job, taken_up.size, taken_up.root) == (job, closed.size + 1, head.root.hex())
    assert "was re-opened at" in desk.get(desk.named("safety officer"), "/trail").text


def test_a_job_is_found_by_its_number_and_by_its_housing(desk: Desk) -> None:
    """Whole numbers and whole tags find, in small letters too; what finds nothing says what to give."""
    job, hands = desk.open_job("EF-03"), desk.named("technician")
    other = desk.open_job("EF-11")

    for asked, found in (("2026-0001", [job]), ("ef-11", [other]), ("job-2026-0002", [other]), ("", [other, job])):
        page = desk.get(hands, f"/jobs?find={asked}").text
        assert [name for name in (other, job) if f'href="/jobs/{name}/now"' in page] == found, asked
    assert "None" not in page
    assert "Give the number as it stands on the record" in desk.get(hands, "/jobs?find=<b>").text
    assert "&lt;b&gt;" in desk.get(hands, "/jobs?find=<b>").text


def test_long_lists_are_read_page_by_page(desk: Desk) -> None:
    """Twenty-five on a page; the next page has the older ones; a count that is none is taken for the beginning."""
    hands = desk.named("technician")
    jobs = [desk.open_job("EF-03", briefed=False) for _ in range(27)]

    first, second = (desk.get(hands, f"/jobs?past={past}").text for past in ("", "25"))

    assert [name for name in jobs if f'href="/jobs/{name}/now"' in first] == jobs[2:]
    assert [name for name in jobs if f'href="/jobs/{name}/now"' in second] == jobs[:2]
    assert "Older ones" in first
    assert "Older ones" not in second
    assert desk.get(hands, "/jobs?past=-1").text.count('class="job-line"') == 25

"""A housing without a limit of its own: told on its pages, no job before the site has one, then held against it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.domain.crew import Acknowledge
from tests.paper.tools import pages
from tests.web.desk import Clock, Desk
from tests.web.test_planned import planned

WHY = "figure of the plant <2026>"


@pytest.fixture
def bare(tmp_path: Path, clock: Clock) -> Iterator[Desk]:
    """A site that has chosen no limits yet."""
    made = Desk.at(tmp_path, clock, limits=False)
    yield made
    made.running.close()


def choose(desk: Desk, name: str, low: str, high: str, source: str = WHY) -> int:
    """Send the form of a limit."""
    return desk.post(desk.named("lead"), "/site", limit=name, low=low, high=high, source=source).status_code


def told(desk: Desk, path: str) -> str:
    """Return a page as a lead reads it."""
    return desk.get(desk.named("lead"), path).text


NONE = (
    "EF-11 has no limit of its own for the air speed in the duct once it is isolated nor for the pressure of the "
    "housing against the room, and the site has chosen none for such housings."
)
HOLDS = (
    "EF-11 has no limit of its own for the air speed in the duct once it is isolated; the site&#39;s for such housings "
    "holds: 0 to 0.05 m/s (figure of the plant &lt;2026&gt;)"
)


def test_without_any_limit_every_page_says_so_and_no_job_is_opened(bare: Desk) -> None:
    """Housing, plan and readiness name each gap and who ends it; a form that is sent all the same is refused."""
    lead = bare.named("lead")
    planned(bare, housing="EF-11")
    pages = ["/housings/EF-11", "/plan/EF-11", "/planned/PL-0001", "/plan/EF-11?plan=PL-0001"]

    assert all(NONE in told(bare, page) for page in pages)
    assert "Open the job" not in told(bare, "/plan/EF-11")
    assert 'href="/site"' in told(bare, "/plan/EF-11")
    assert told(bare, "/site").count("None chosen.") == 2
    crew = {f"crew.{bare.named('technician').id}": "on"}
    refused = bare.post(lead, "/plan/EF-11", procedure="change-out", **crew)
    assert refused.status_code == 409
    assert NONE in refused.text
    assert not bare.running.site.jobs.in_hand()
    assert "no limit of its own" not in told(bare, "/plan/EF-03")


def test_with_the_sites_limit_the_gap_is_told_with_its_source_and_the_record_has_it(bare: Desk) -> None:
    """What the site chose stands on every page of the housing, beside the reading, in review and in the trail."""
    lead, hands = bare.named("lead"), bare.named("technician")
    planned(bare, housing="EF-11")

    assert choose(bare, "no_flow", "0", "0.05") == choose(bare, "housing_pressure", "-50", "0") == 303
    assert all(HOLDS in told(bare, page) for page in ("/housings/EF-11", "/plan/EF-11", "/planned/PL-0001"))
    assert "Open the job" in told(bare, "/plan/EF-11")
    assert "was none, now 0 to 0.05 m/s (figure of the plant &lt;2026&gt;)" in told(bare, "/trail?kind=settings")
    opened = bare.post(lead, "/plan/EF-11", procedure="change-out", **{f"crew.{hands.id}": "on"})
    assert opened.status_code == 303
    ((line, _),) = bare.running.site.jobs.in_hand()
    job = line.job
    bare.do(job, Acknowledge("work", "I know the cuts and when to stop."), hands)
    bare.do(job, Acknowledge("work", "I know the cuts and when to stop."), bare.named("technician", 1))
    bare.work_until(job, "Read the pressure of the housing")
    basis = "the site&#39;s for housings without their own: figure of the plant &lt;2026&gt;"
    assert f"<b>-50 to 0 Pa</b> — {basis}" in bare.get(hands, f"/jobs/{job}/now").text
    bare.answer(job, hands, pressure="-20")
    assert f"limit -50 to 0 Pa ({basis})" in told(bare, f"/jobs/{job}/review")


def test_a_refused_limit_comes_back_with_what_was_typed(bare: Desk) -> None:
    """Each field, in its own form, and nothing is chosen; nobody but lead and safety officer chooses."""
    refused = bare.post(bare.named("lead"), "/site", limit="no_flow", low="2", high="1", source=WHY)
    by_hands = bare.post(bare.named("technician"), "/site", limit="no_flow", low="0", high="1", source=WHY)

    assert (refused.status_code, by_hands.status_code) == (422, 403)
    assert "is above the highest" in refused.text
    for held in (
        'name="low" value="2"',
        'name="high" value="1"',
        'name="source" value="figure of the plant &lt;2026&gt;"',
    ):
        assert refused.text.count(held) == 1
    assert not bare.running.site.jobs.site().watch.limits


def test_the_sheet_of_readiness_has_the_gap(bare: Desk, tmp_path: Path) -> None:
    """As the page has it, also once the site's limit holds."""
    planned(bare, housing="EF-11")
    printed = []
    for _ in range(2):
        sheet = bare.get(bare.named("lead"), "/planned/PL-0001/sheet.pdf").content
        printed.append(" ".join(pages(sheet, tmp_path)))
        choose(bare, "no_flow", "0", "0.05", "figure of the plant")

    assert NONE in printed[0]
    assert "EF-11 has no limit of its own for the pressure of the housing against the room, and" in printed[1]
    assert "the site's for such housings holds: 0 to 0.05 m/s (figure of the plant)" in printed[1]

"""After the jobs by those who use the pages: a kit settled, a change suggested and answered, figures of two years."""

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from app.bootstrap import Running
from app.domain.commands import ExplainStop, StopWork
from app.domain.events import STOP_REASONS
from app.domain.store import Kind
from app.domain.storing import receipt_items
from app.records.figures import JobFigures, yearly
from app.services.figures import YearsAtHand
from app.web.views.after import MOST_BESIDE
from tests.browser.driver import DESK, EYES, HANDS, LEAD, OFFICER, UPRIGHT, SignIn, follow, served
from tests.browser.stage import Staged
from tests.browser.test_register import faults_at_both_sizes

DAYS = {2026: datetime(2026, 11, 3, 7, 15, tzinfo=UTC), 2027: datetime(2027, 3, 2, 7, 15, tzinfo=UTC)}
FIGURES = {
    "Leak tests met at the first attempt", "Stops by cause", "Time by section", "Used against the take-off",
    "Life of filters by housing",
}  # fmt: skip
MOST_LOOKS = 20
"""At a page of figures until its records have been read behind it."""


class Told:
    """A clock that is told.  step: how far it goes on each time it is asked."""

    now, step = DAYS[2026], timedelta(seconds=5)

    def __call__(self) -> datetime:
        """Return what was told."""
        self.now += self.step
        return self.now


@dataclass(frozen=True)
class Set:
    """A site where one housing was changed in two years, each time with stops; a kit is staged of the later job.

    The later job is at its end, and its record not accepted yet.
    """

    address: str
    running: Running
    later: Staged


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Set]:
    """Serve the site."""
    clock = Told()
    with served(tmp_path_factory.mktemp("after"), clock=clock) as (address, running):
        stopped(running, 1).accept()
        clock.now = DAYS[2027]
        later = stopped(running, 2)
        hands, room = later.who(HANDS), running.site.store_room
        for lot, kind, what, count in (("B-1", Kind.BAG, "ring 660", "3"), ("T-1", Kind.TIE_STRAP, "300 mm", "40")):
            room.receive({"id": lot, "kind": kind, "what": what, "count": count}, by=hands).result()
            seen = {name: item.good for name, item in receipt_items(kind).items()}
            room.inspect(lot, seen, verdict="accepted", reason="", photo="", by=hands).result()
        room.stage(later.job, {"B-1": "3", "T-1": "12"}, by=hands).result()
        later.do_until("no step has these words")
        clock.now, clock.step = DAYS[2027] + timedelta(hours=9), timedelta()
        yield Set(address, running, later)


def stopped(running: Running, times: int) -> Staged:
    """Bring a job of EF-07 past its cut, stopped so many times on the way."""
    made = Staged(running, "EF-07").do_until("Twist the bag into")
    for _ in range(times):
        made.do(StopWork(), EYES)
        made.do(ExplainStop("interrupted", "a crane over the roof"), EYES)
        made.go_on()
    return made


def test_a_lead_settles_a_kit_and_says_why_it_differs(site: Set, at: SignIn) -> None:
    """More than the steps used is gone: refused with both numbers, nothing typed is lost, taken with a reason."""
    lead, job = at(site.address, LEAD, DESK), site.later.job
    page = lead.page
    lead.go(f"/jobs/{job}")
    follow(page, page.get_by_role("link", name="Kit and pick list"))
    back, said = page.get_by_label("Came back of lot B-1"), page.get_by_role("alert")
    page.get_by_label("Came back of lot T-1").fill("10")
    back.fill("4")
    lead.send("Settle the kit")
    expect(said).to_contain_text("Of lot B-1 3 were staged and 4 are said to have come back. Count again.")
    back.fill("1")
    lead.send("Settle the kit")
    expect(said).to_have_text("2 of bag are gone and the steps used 1. Count again, or say why.")
    expect(back).to_have_value("1")
    expect(page.get_by_label("Came back of lot T-1")).to_have_value("10")
    faults = faults_at_both_sizes(page)
    page.get_by_label("Why the counts differ").fill("one tore on unfolding")
    lead.send("Settle the kit")

    expect(page.locator(".told")).to_contain_text("one tore on unfolding")
    expect(page.get_by_role("button", name="Settle the kit")).to_have_count(0)
    lead.go("/stock/B-1")
    expect(page.locator("dl.facts")).to_contain_text("1 left, 2 used in job 2027-0001 on EF-07")
    assert faults + faults_at_both_sizes(page) == []


def test_a_suggestion_from_a_job_is_answered_by_somebody_else_by_name(site: Set, at: SignIn) -> None:
    """A technician makes two from what jobs taught and answers none; a lead and the officer do, with a reason."""
    hands, lead, officer = (
        at(site.address, HANDS, UPRIGHT),
        at(site.address, LEAD, DESK),
        at(site.address, OFFICER, UPRIGHT),
    )
    page, faults = hands.page, []
    for place, text in enumerate(("Say which crane to ask about.", "Name a place for the crane's hook.")):
        hands.go("/lessons")
        page.locator("summary", has_text="Suggest a change from this").first.click()
        form = page.locator("form[action='/suggestions']").first
        form.get_by_role("radio", name="procedure").check(force=True)
        form.get_by_label("Which").fill(f"change-out, part {place + 1}")
        form.get_by_label("What should change").fill("x")
        faults += faults_at_both_sizes(page) if place else []
        with page.expect_navigation():
            form.get_by_role("button", name="Suggest").click()
        expect(page.get_by_role("alert")).to_contain_text("1 characters were given")
        page.get_by_label("What should change").fill(text)
        hands.send("Suggest")
        expect(page.get_by_role("heading", name=f"procedure: change-out, part {place + 1}")).to_be_visible()
        expect(page.get_by_text("Answer it")).to_have_count(0)

    for who, part, answer, words in (
        (lead, 1, "accepted", "it stood here twice"),
        (officer, 2, "declined", "it moves"),
    ):
        who.go("/suggestions")
        told = who.page.locator("section", has_text=f"change-out, part {part}")
        faults += faults_at_both_sizes(who.page)
        told.locator("summary").click()
        told.get_by_role("radio", name=answer).check(force=True)
        told.get_by_label("Why").fill("x")
        with who.page.expect_navigation():
            told.get_by_role("button", name="Record the answer").click()
        expect(who.page.get_by_role("alert")).to_contain_text("1 characters were given")
        expect(told.get_by_label("Why")).to_have_value("x")
        expect(told.get_by_role("radio", name=answer)).to_be_checked()
        told.get_by_label("Why").fill(words)
        with who.page.expect_navigation():
            told.get_by_role("button", name="Record the answer").click()

    hands.go("/suggestions")
    expect(page.locator("section", has_text="part 1")).to_contain_text(
        f"accepted by {LEAD}, 2027-03-02 16:15: it stood"
    )
    expect(page.locator("section", has_text="part 2")).to_contain_text(
        f"declined by {OFFICER}, 2027-03-02 16:15: it moves"
    )
    hands.go("/lessons")
    with page.expect_navigation():
        page.get_by_role("link", name="Look at it").first.click()
    assert re.search(r"/suggestions#suggestion-\d+$", page.url)
    assert faults + faults_at_both_sizes(page) == []


WORDS = {
    "tests met": "{Value} of {Of}", "stops": "{Value}", "minutes": "{Value} min, {Of} job",
    "pieces used": "{Value} used, {Of} counted", "days": "{Value} days",
}  # fmt: skip
"""How a row of the table reads on the pages, by its unit."""


def shown(page: Page) -> Iterator[tuple[str, str, list[str]]]:
    """Yield each line of a page of figures: the figure, what, and the words of its cells."""
    for part in page.locator("main section").all():
        title = part.locator("h2").inner_text()
        for row in part.locator("tbody tr").all():
            cells = [", ".join(text.strip().splitlines()) for text in row.locator("td").all_inner_texts()]
            yield title, row.locator("th").inner_text(), cells


def test_figures_of_two_years_are_those_of_their_pages_and_their_table(site: Set, at: SignIn, tmp_path: Path) -> None:
    """The safety officer sees each year by itself, both with their columns beside each other, and takes them along."""
    site.later.accept()
    officer = at(site.address, OFFICER, UPRIGHT)
    page, known = officer.page, {}
    officer.go("/figures/years")
    for _ in range(MOST_LOOKS):
        if not page.get_by_text("Being read: ").count():
            break
        follow(page, page.get_by_role("link", name="Look again"))
    beside = {(title, what): cells for title, what, cells in shown(page)}
    faults = faults_at_both_sizes(page)
    heights = page.locator("tr", has_text="the work was interrupted").locator(".column .bar-length")
    assert [bar.get_attribute("height") for bar in heights.all()] == ["50", "100"]
    with page.expect_download() as taken:
        page.get_by_role("link", name="As a table (CSV)").click()
    with Path(taken.value.path()).open(encoding="utf-8-sig", newline="") as file:
        for row in csv.DictReader(file):
            known[row["Figure"], row["What"], row["Year"]] = WORDS[row["Unit"]].format_map(row), row["Told by"]
    for place, year in enumerate(("2026", "2027")):
        officer.go("/figures/years")
        follow(page, page.get_by_role("link", name=year, exact=True).first)
        expect(page.get_by_role("heading", level=1)).to_have_text(f"Figures of {year}")
        faults += faults_at_both_sizes(page)
        alone = {(title, what): cells[-1] for title, what, cells in shown(page)}
        told = {
            (title, what): ", ".join(filter(None, words)) for (title, what, of), words in known.items() if of == year
        }
        both = {line: cells[place] for line, cells in beside.items() if cells[place] != "none"}
        assert alone == told
        assert both == {(title, what): words for (title, what, of), (words, _) in known.items() if of == year}

    assert {title for title, _, _ in known} == FIGURES
    assert {of for _, _, of in known} == {"2026", "2027"}
    assert faults == []


def test_as_many_years_as_are_shown_fit_with_the_longest_words(
    site: Set, at: SignIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Six years of a busy site, of which kits told a part: nothing sticks out at either size, in either scheme."""
    years = range(2021, 2021 + MOST_BESIDE)
    found = {year: (yearly(tuple(busy(year))), 120, 3) for year in years}
    for name, answer in (
        ("at_hand", YearsAtHand(found, {}, 9)), ("of_year", found[2026]), ("years", tuple(years)), ("unread", (0, 120)),
    ):  # fmt: skip
        monkeypatch.setattr(site.running.site.figures, name, lambda *_, answer=answer: answer)
    lead, faults = at(site.address, LEAD, DESK), []
    for path in ("/figures/years", "/figures?year=2026"):
        lead.go(path)
        expect(lead.page.get_by_text("by the steps in the others" if "=" in path else "Older years")).to_be_visible()
        faults += faults_at_both_sizes(lead.page)

    assert faults == []


def busy(year: int) -> Iterator[JobFigures]:
    """Yield the jobs of a made-up year with many of everything."""
    sections = ("Cut and remove the spent filter of port P1", "Close, test and return to service")
    for number in range(2):
        yield JobFigures(
            job=f"job-{year}-{number:04}", number=f"{year}-{number:04}", housing="ABC-0123456789-WM",
            kind="change_out", procedure="change-out revision 4", on=date(year, 3, 1), tests=(("HEPA", True),) * 60,
            stops=dict.fromkeys(STOP_REASONS.values(), 108), minutes=dict.fromkeys(sections, 1080.0),
            used={"new bags": (1080, 1188), "packages with a spent filter": (108, 108)},
            by_kit=frozenset({"new bags"} if number else ()), new=(("HEPA bank", date(year, 2 + number, 3)),),
        )  # fmt: skip

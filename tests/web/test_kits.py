"""Pick lists and kits through the pages: chosen, printed, taken as tables, staged, settled, told to the reviewer."""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from app.domain.commands import Accept, Open, OpenException, Submit
from app.domain.crew import Acknowledge
from app.domain.planned import PlanDropped
from app.domain.readying import prepared
from app.domain.refused import Refused
from app.domain.store import Kind, Store
from app.domain.storing import receipt_items
from app.records.moments import utc_text
from app.services.jobs import findings_of
from app.services.planning import find_housing, find_procedure, first_entry, plan
from tests.web.desk import Clock, Desk


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A site with bags, ties and a tool, and work planned for two housings."""
    made = Desk.at(tmp_path_factory.mktemp("kits"), Clock())
    hands, lead = made.named("technician"), made.named("lead")
    for lot, kind, what, count in (
        ("B-1", Kind.BAG, "ring 660", "9"), ("T-1", Kind.TIE_STRAP, "=2+5", "40"),
        ("W-1", Kind.TOOL, "banding tool", "1"),
    ):  # fmt: skip
        made.post(hands, "/stock", id=lot, kind=kind, what=what, count=count, place="@cage")
        seen = {f"a.{name}": item.good for name, item in receipt_items(kind).items()}
        made.post(hands, f"/stock/{lot}/inspections", **seen, verdict="accepted", reason="")
    for tag, day in (("EF-03", "09"), ("EF-11", "10"), ("EF-07", "11")):
        made.post(lead, "/planned", housing=tag, procedure="change-out", begins=f"2026-03-{day}T07:30",
                  ends=f"2026-03-{day}T15:00", lead=lead.id, why="outage")  # fmt: skip
    yield made
    made.running.close()


def store(desk: Desk) -> Store:
    """Return the store room as it stands."""
    return desk.running.site.jobs.site().store


def rows(data: bytes) -> list[dict[str, str]]:
    """Return a table as a spreadsheet reads it."""
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_the_lists_are_chosen_printed_and_taken_as_tables(desk: Desk) -> None:
    """All that waits, or what is ticked; the earliest work is served first; no cell is a formula."""
    hands = desk.named("technician")
    page = desk.get(hands, "/picking").text
    one = desk.get(hands, "/picking?of=PL-0002").text
    table = rows(desk.get(hands, "/picking/pick-list.csv").content)
    orders = rows(desk.get(hands, "/picking/order-list.csv?of=PL-0002").content)
    printed = desk.get(hands, "/picking/lists.pdf?of=PL-0001&of=PL-0002")
    none = desk.get(hands, "/picking?of=PL-0099")

    assert all(f"PL-000{number}: Change-out through bags" in page for number in (1, 2, 3))
    assert "PL-0001: Change-out" not in one
    bags = [(row["For"], row["Lot"], row["Count"], row["State"]) for row in table if row["Material"] == "bag"]
    assert bags == [("PL-0001", "B-1", "4", "take"), ("PL-0002", "B-1", "5", "take"), ("PL-0002", "", "5", "SHORT"),
                    ("PL-0003", "", "2", "SHORT")]  # fmt: skip
    assert all(row[name].isdigit() for row in table for name in ("Needed", "Of them spare", "Count"))
    assert {row["By its label"] for row in table if row["Lot"] == "T-1"} == {"'=2+5"}
    assert {row["Kept at"] for row in table if row["Lot"]} == {"'@cage"}
    assert next(row for row in orders if row["Material"] == "bag") | {"Ordered": ""} == {
        "Ordered": "", "Material": "bag", "Needed": "10", "There": "9", "Short": "1", "First for": "PL-0002",
        "Needed on": "2026-03-10", "Order by": "", "Days late": "0", "Lead time": "not known", "State": "",
    }  # fmt: skip
    assert printed.content.startswith(b"%PDF")
    assert (none.status_code, "waits for material" in none.text) == (422, True)


def test_a_kit_is_proposed_staged_and_there_for_no_other_work(desk: Desk) -> None:
    """Proposed is what the pick list deals to it; what is dealt to other work may be taken, and the page says so."""
    hands = desk.named("technician")
    pages = [desk.get(hands, f"/kits/PL-000{number}").text for number in (1, 2, 3)]
    too_many = desk.post(hands, "/kits/PL-0003/staged", **{"lot.B-1": "10", "lot.T-1": "4", "other": ""})
    before = store(desk).lots["B-1"].left

    staged = desk.post(hands, "/kits/PL-0003/staged", **{"lot.B-1": "2", "other": "w-1", "other_count": "1"})
    after = desk.get(hands, staged.headers["location"]).text
    later = desk.get(hands, "/kits/PL-0003?took=B-1:PL-0099&took=T-1:PL-0001&took=").text
    own = desk.post(hands, "/kits/PL-0003/staged", **{"lot.T-1": "8"}).headers["location"]
    nobody = desk.post(hands, "/kits/PL-0099/staged", **{"lot.B-1": "1"})

    for page, count in zip(pages, ("4", "5", ""), strict=True):
        assert f'id="lot-B-1" name="lot.B-1" inputmode="numeric" maxlength="7" value="{count}"' in page
    assert "4 dealt to PL-0001, 5 dealt to PL-0002" in pages[2]
    assert "Dealt to other work until now: B-1 (PL-0001, PL-0002), W-1 (PL-0001, PL-0002)." in after
    assert not any("until now" in page for page in (*pages, later))
    assert own == "/kits/PL-0003"
    assert (too_many.status_code, before) == (422, 9)
    assert "Of lot B-1 9 are left and 10 were asked" in too_many.text
    assert 'value="10"' in too_many.text
    assert (staged.status_code, nobody.status_code) == (303, 422)
    assert "2 of bag ring 660" in after
    assert dict(store(desk).lots["W-1"].staged) == {"PL-0003": 1}
    assert "2 staged for PL-0003" in desk.get(hands, "/stock/B-1").text


@pytest.mark.parametrize(
    ("other", "count", "told"),
    [
        ("b-1", "1", "Lot B-1 has a count in the list and another below it. Give one of the two."),
        ("w-1", " ", "Lot W-1 was given as another lot, without how many of it. Give the count too."),
        (" ", "1", "was given as the count of another lot, and no lot. Give its number too."),
    ],
)
def test_another_lot_is_taken_as_typed_or_refused_with_all_that_was_typed(
    desk: Desk, other: str, count: str, told: str
) -> None:
    """It neither replaces a count typed in the list nor falls away without a word."""
    hands, before = desk.named("technician"), store(desk)
    refused = desk.post(
        hands, "/kits/PL-0003/staged", **{"lot.B-1": "2", "lot.T-1": "7", "other": other, "other_count": count}
    )

    assert refused.status_code == 422
    assert told in refused.text
    assert all(f'value="{typed}"' in refused.text for typed in ("2", "7", other, count))
    assert store(desk).lots == before.lots


def test_a_planned_work_that_is_not_done_gives_its_kit_back(desk: Desk) -> None:
    """Everything comes back, or somebody says why."""
    hands, lead = desk.named("technician"), desk.named("lead")
    desk.post(hands, "/kits/PL-0002/staged", **{"lot.B-1": "3"})
    early = desk.post(lead, "/planned/PL-0002/dropped", reason="outage moved")

    lacking = desk.post(hands, "/kits/PL-0002/settled", **{"back.B-1": "2", "explained": ""})
    settled = desk.post(hands, "/kits/PL-0002/settled", **{"back.B-1": "2", "explained": "one torn on the way"})
    dropped = desk.post(lead, "/planned/PL-0002/dropped", reason="outage moved")
    more = desk.post(hands, "/kits/PL-0002/staged", **{"lot.B-1": "1"})

    assert (early.status_code, dropped.status_code) == (422, 303)
    assert "A kit stands staged for PL-0002. Put it back" in early.text
    assert '<a href="/kits/PL-0002">Put back the kit of PL-0002</a>' in early.text
    assert (more.status_code, lacking.status_code, settled.status_code) == (422, 422, 303)
    assert "1 of bag is gone and the steps used 0" in lacking.text
    assert 'value="2"' in lacking.text
    assert "one torn on the way" in desk.get(hands, "/kits/PL-0002").text
    assert not store(desk).is_open("PL-0002")
    assert led_to_lists(desk, "PL-0002") == "/picking"


def test_the_kit_of_a_plan_is_settled_against_what_its_job_used_and_the_reviewer_hears(desk: Desk) -> None:
    """Staged for the plan, used in its job; not settled it is an exception, settled with a reason another."""
    hands, lead, officer = desk.named("technician"), desk.named("lead", 1), desk.named("safety officer")
    desk.post(hands, "/kits/PL-0001/staged", **{"lot.B-1": "4", "lot.T-1": "8"})
    job = opened_from(desk, "PL-0001")
    early = desk.post(hands, f"/kits/{job}/settled", **{"back.B-1": "4", "back.T-1": "8", "explained": ""})
    desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), lead)
    review = desk.get(officer, f"/jobs/{job}/review").text
    listed, over = desk.get(hands, "/picking").text, desk.get(hands, f"/kits/{job}").text
    with pytest.raises(Refused, match="exceptions have not been opened"):
        desk.do(job, Accept(), officer)
    (unsettled,) = (item for item in findings(desk, job) if item[0] == "kit not settled")

    odd = desk.post(hands, f"/kits/{job}/settled", **{"back.B-1": "0", "back.T-1": "2", "explained": ""})
    even = desk.post(
        hands, f"/kits/{job}/settled", **{"back.B-1": "0", "back.T-1": "2", "explained": "one bag lent to EF-07"}
    )
    settled = desk.get(hands, f"/kits/{job}").text
    (differs,) = (item for item in findings(desk, job) if "kit" in item[0])
    outside = [(item[1], True) for item in findings(desk, job)]
    for seq, of_site in [*((item.seq, False) for item in desk.running.site.jobs.state(job).unread), *outside]:
        desk.do(job, OpenException(seq, of_site=of_site), officer)
    accepted = desk.do(job, Accept(), officer).accepted

    assert "The job is not finished" in early.text
    assert "Kit not settled" in review
    assert f'value="{job}"' not in listed
    assert "Every step stands, so nothing is missing." in over
    assert "The kit has been settled. What is staged now opens it again" in settled
    assert not any("what is still missing" in page or 'name="lot.' in page for page in (over, settled))
    assert unsettled[0] == "kit not settled"
    assert (odd.status_code, even.status_code) == (422, 303)
    assert "4 of bag are gone and the steps used 3" in odd.text
    assert (differs[0], differs[2]) == (
        "kit differs", "bag: 4 used, 3 accounted for by the steps. Said of it: one bag lent to EF-07"
    )  # fmt: skip
    assert accepted is not None
    assert dict(store(desk).lots["T-1"].used) == {job: 6}
    assert [led_to_lists(desk, work) for work in (job, "PL-0001", "PL-0003")] == [
        "/picking", "/picking", "/picking?of=PL-0003"
    ]  # fmt: skip
    assert "The kit has been settled already" in desk.post(
        hands, f"/kits/{job}/settled", **{"back.B-1": "0", "explained": ""}
    ).text.replace(f"The kit of {job}", "The kit")


def led_to_lists(desk: Desk, work: str) -> str:
    """Return where a kit's page leads for the pick list, which answers."""
    hands = desk.named("technician")
    found = re.search(r'href="(/picking[^"]*)">Pick list', desk.get(hands, f"/kits/{work}").text)
    assert found is not None
    assert desk.get(hands, found[1]).status_code == 200
    return found[1]


def findings(desk: Desk, job: str) -> list[tuple[str, int, str]]:
    """Return what the site's ledger holds for the reviewer of a job."""
    jobs = desk.running.site.jobs
    return [(item.kind, item.seq, item.sentence) for item in findings_of(jobs.site(), job, jobs.state(job))]


def opened_from(desk: Desk, planned: str) -> str:
    """Open a job from a planned work, its crew briefed."""
    site, lead = desk.running.site, desk.named("lead")
    made = plan(find_housing(site.library, "EF-03"), *find_procedure(site.library, "change-out"))
    crew = (desk.named("technician"), desk.named("technician", 1))
    known = site.jobs.site()
    draft = first_entry(
        made, site=known, by=lead, at=utc_text(site.clock()), crew=crew, rehearsal=False,
        prepared=prepared(known, planned, made.housing, "in the test", at=utc_text(site.clock())),
    )  # fmt: skip
    desk.do(draft.ledger, Open(draft), lead)
    for who in crew:
        desk.do(draft.ledger, Acknowledge("work", "I know the cuts and when to stop."), who)
    return draft.ledger


def test_a_kit_takes_only_what_is_good_on_the_day_of_the_work(desk: Desk) -> None:
    """Good today and run out on the day: neither offered nor staged."""
    hands = desk.named("technician")
    desk.post(hands, "/stock", id="G-1", kind=Kind.GREASE, what="thin film", count="2", use_by="2026-03-10")
    seen = {f"a.{name}": item.good for name, item in receipt_items(Kind.GREASE).items()}
    desk.post(hands, "/stock/G-1/inspections", **seen, verdict="accepted", reason="")

    page = desk.get(hands, "/kits/PL-0003").text
    refused = desk.post(hands, "/kits/PL-0003/staged", other="g-1", other_count="1")

    assert 'name="lot.G-1"' not in page
    assert "The lot G-1 was to be used by 2026-03-10, before 2026-03-11" in refused.text
    assert store(desk).lots["G-1"].left == 2


def test_every_page_leads_to_the_kit(desk: Desk) -> None:
    """From the job and from the planned work."""
    hands = desk.named("technician")
    job = desk.running.site.jobs.site().jobs.newest(1)[0].job

    assert f'href="/kits/{job}"' in desk.get(hands, f"/jobs/{job}").text
    assert 'href="/kits/PL-0003"' in desk.get(hands, "/planned/PL-0003").text
    assert re.search(r"<h1>Kit of Job \S+</h1>", desk.get(hands, f"/kits/{job}").text)
    assert desk.get(hands, "/kits/nothing").status_code == 422


def test_a_kit_whose_work_is_gone_is_named_in_the_store_room(desk: Desk) -> None:
    """Dropped by a program that did not ask for the kit: store room and plan lead to it until it is put back."""
    hands, lead = desk.named("technician"), desk.named("lead")
    desk.post(lead, "/planned", housing="EF-11", procedure="change-out", begins="2026-04-09T07:30",
              ends="2026-04-09T15:00", lead=lead.id, why="outage")  # fmt: skip
    desk.post(hands, "/kits/PL-0004/staged", **{"lot.T-1": "1"})
    waiting = desk.get(hands, "/stock").text
    site = desk.running.site.jobs
    site.write_site(lambda _, seq, at: PlanDropped(seq=seq, at=at, by=lead, plan="PL-0004", reason="off")).result()

    named, page = desk.get(hands, "/stock").text, desk.get(hands, "/planned/PL-0004").text
    desk.post(hands, "/kits/PL-0004/settled", **{"back.T-1": "1", "explained": ""})

    assert "A kit still stands staged for PL-0004, which was dropped" in named
    assert '<a href="/kits/PL-0004">Say what of it came back</a>' in named
    assert "A kit still stands staged for it" in page
    assert not any("still stands staged" in told for told in (waiting, desk.get(hands, "/stock").text))


def test_a_job_without_a_kit_says_that_nothing_was_moved_until_its_lots_are_settled(desk: Desk) -> None:
    """In its review, once its work is done; a lead enters the lots on the page of its kit, and settles it there."""
    hands, lead, officer = desk.named("technician"), desk.named("lead", 1), desk.named("safety officer")
    desk.post(hands, "/stock", id="B-2", kind=Kind.BAG, what="ring 660", count="9")
    seen = {f"a.{name}": item.good for name, item in receipt_items(Kind.BAG).items()}
    desk.post(hands, "/stock/B-2/inspections", **seen, verdict="accepted", reason="")
    job = desk.open_job("EF-07")
    desk.work_until(job, "Read the serial number")
    amid = findings(desk, job)
    desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), lead)
    (told,) = findings(desk, job)
    review = desk.get(officer, f"/jobs/{job}/review").text
    with pytest.raises(Refused, match="not been opened"):
        desk.do(job, Accept(), officer)
    page = desk.get(lead, f"/kits/{job}").text

    staged = desk.post(lead, f"/kits/{job}/staged", **{"lot.B-2": "3", "lot.T-1": "8"})
    back = {"back.B-2": "2", "back.T-1": "6", "explained": ""}
    settled = desk.post(lead, f"/kits/{job}/settled", **back)
    after = desk.get(lead, f"/kits/{job}").text

    assert amid == []
    line = desk.running.site.jobs.site().jobs.get(job)
    assert line is not None
    assert told == ("no kit staged", line.entry, (
        "No kit was staged for this job, so nothing was moved in the store room: its steps used 1 of bag, 2 of tie "
        "strap. A lead says on the page of its kit which lots that came from, and settles it there."
    ))  # fmt: skip
    assert "No kit staged" in review
    assert "so nothing was moved in the store room: the steps used 1 of bag, 2 of tie strap." in page
    assert 'name="lot.T-1" inputmode="numeric" maxlength="7" value="2"' in page, "the one lot of its kind"
    assert 'name="lot.B-2" inputmode="numeric" maxlength="7" value=""' in page, "it may be of another lot"
    assert (staged.status_code, settled.status_code) == (303, 303)
    assert dict(store(desk).lots["B-2"].used) == {job: 1}
    assert "nothing was moved" not in after
    assert findings(desk, job) == []


def test_a_job_that_was_not_ready_and_had_no_kit_is_one_exception_with_both(desk: Desk) -> None:
    """Both stand at the entry that registered the job, and one opening shows both."""
    job = desk.open_job("EF-07")
    desk.work_until(job, "no step has these words")
    jobs = desk.running.site.jobs
    line = jobs.site().jobs.get(job)
    assert line is not None
    unready = replace(line, unready="It was opened before it was agreed.")
    site = replace(jobs.site(), jobs=jobs.site().jobs.opened(unready))
    (found,) = findings_of(site, job, jobs.state(job))

    assert found.kind == "opened before it was ready"
    assert found.sentence.startswith("It was opened before it was agreed. No kit was staged for this job")

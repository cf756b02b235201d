"""The pages of readiness: answered by whoever may, signed by two with their secrets, void after any change."""

import re
from datetime import UTC, datetime
from pathlib import Path

from app.domain.commands import Submit
from app.domain.crew import Acknowledge
from app.domain.event_base import Who
from app.domain.housing import Service
from app.domain.readiness import Item
from app.domain.readiness_items import applies
from app.domain.surveying import DIFFERS
from tests.domain.test_readiness import answers
from tests.paper.tools import pages
from tests.web.desk import SECRETS, Clock, Desk
from tests.web.test_planned import PLAN, planned
from tests.web.test_survey import looked, signed

PAGE = "/planned/PL-0001"


def secret(who: Who) -> dict[str, str]:
    """Return what somebody gives to sign."""
    return {"secret": SECRETS[who.name]}


def answer(desk: Desk, who: Who, item: Item, service: Service = Service.RADIOACTIVE, **typed: str) -> int:
    """Answer an item and return the status."""
    fields = {f"a.{name}": text for name, text in (answers(item, service) | typed).items()}
    return desk.post(who, f"{PAGE}/{item}/answered", **fields).status_code


def answer_all(desk: Desk, service: Service = Service.RADIOACTIVE) -> None:
    """Have the safety officer answer everything."""
    for item in applies(service):
        assert answer(desk, desk.named("safety officer"), item, service) == 303


def sign(desk: Desk, who: Who, seen: str = "") -> int:
    """Sign what the page shows, and return the status."""
    shown = re.search(r'name="seen" value="(\d+)"', desk.get(who, PAGE).text)
    return desk.post(who, f"{PAGE}/agreed", seen=seen or (shown[1] if shown else "0"), **secret(who)).status_code


def agree(desk: Desk) -> None:
    """Have both sign."""
    assert [sign(desk, desk.named("lead")), sign(desk, desk.named("safety officer"))] == [303, 303]


def test_a_survey_that_differs_stands_on_the_plan_and_opens_what_it_concerns(desk: Desk) -> None:
    """On plan, kit and sheet until a lead decides it; the item of the waste is open again with the sentence."""
    planned(desk)
    answer_all(desk)
    agree(desk)
    lead, hands = desk.named("lead"), desk.named("technician")
    signed(desk, hands, **looked(desk, **{"f.bag.P1": "bag 700", "p.fan": DIFFERS, "f.fan": "F-9"}))

    page, item = desk.get(lead, PAGE).text, desk.get(lead, f"{PAGE}/waste").text
    told = "The survey of 2026-03-02 found “bag 700” for P1: bag size; the take-off still knows none."
    for shown in (page, desk.get(lead, "/kits/PL-0001").text):
        assert told in shown
        assert "The survey of 2026-03-02 found “F-9” for Fan; the isolation still uses “fan F-31”." in shown
        assert 'href="/surveys"' in shown
    assert "Not ready: 3 of 8 items are open." in page
    assert (
        "Open again: The survey of 2026-03-02 found “bag 700” for P1: bag size, where the register had nothing." in item
    )
    assert "A lead decides it on the register" in desk.get(hands, PAGE).text

    entry = str(desk.running.site.jobs.site().housed.surveys["EF-03"][0].seq)
    for point in ("bag.P1", "fan"):
        desk.post(lead, "/surveys", entry=entry, point=point, outcome="register right", reason="read it myself")
    after = desk.get(lead, PAGE).text
    assert "The survey of" not in after
    assert "Ready: agreed by" in after


def test_one_page_shows_what_is_open_who_owes_it_and_by_when(desk: Desk) -> None:
    """Every item that the service asks for, late ones so named, and no form to sign while anything is open."""
    planned(desk)
    page = desk.get(desk.named("technician"), PAGE).text

    assert "Not ready: 8 of 8 items are open." in page
    assert "Owed by the safety officer, by 2026-03-08" in page
    assert "Owed by the lead, by 2026-02-23, and that day is past" in page
    assert "Decontamination" not in page
    assert "Sign that it is ready" not in desk.get(desk.named("lead"), PAGE).text
    assert desk.get(desk.named("lead"), f"{PAGE}/paint").status_code == 422


def test_answers_come_back_on_the_page_with_what_follows_from_them(desk: Desk) -> None:
    """The figures, their sources, who and when; a refused one holds what was typed."""
    planned(desk)
    officer = desk.named("safety officer")
    assert answer(desk, officer, Item.LIMITS) == 303
    refused = desk.post(officer, f"{PAGE}/ppe/answered", **{"a.clothing": "coverall & hood", "a.mask": "half-mask"})
    page = desk.get(officer, PAGE).text

    assert "Stay time 90 min, rounded down: (1 − 0.25) mSv / 0.5 mSv/h" in page
    assert f"{officer.name}, safety officer, 2026-03-02 07:15" in page
    assert refused.status_code == 422
    assert 'value="coverall &amp; hood"' in refused.text
    assert '<option value="half-mask" selected>' in refused.text
    assert "Limits and stay time was answered" in desk.get(officer, "/trail?kind=plans").text


def test_the_confined_space_is_the_officers_and_a_technician_answers_what_they_owe(desk: Desk) -> None:
    """Nobody else is shown the form, and a form sent all the same is refused."""
    planned(desk)
    lead, officer, hands = desk.named("lead"), desk.named("safety officer"), desk.named("technician")

    assert "Enter the answer" not in desk.get(lead, f"{PAGE}/confined-space").text
    assert "Enter the answer" in desk.get(officer, f"{PAGE}/confined-space").text
    assert answer(desk, lead, Item.SPACE) == 403
    assert answer(desk, hands, Item.WASTE) == 403
    owed = desk.post(lead, f"{PAGE}/waste/owed", person=hands.id, until="2026-03-04")
    refused = desk.post(lead, f"{PAGE}/waste/owed", person=hands.id, until="2026-04-04")
    assert (owed.status_code, refused.status_code) == (303, 422)
    assert 'value="2026-04-04"' in refused.text
    assert f"Owed by {hands.name}, by 2026-03-04" in desk.get(hands, PAGE).text
    assert "Enter the answer" in desk.get(hands, f"{PAGE}/waste").text
    assert answer(desk, hands, Item.WASTE) == 303


def test_not_needed_is_the_officers_word_and_is_opened_again(desk: Desk) -> None:
    """With a reason on the page; a biological housing's decontamination is no lead's to leave out."""
    planned(desk, housing="EF-07")
    lead, officer = desk.named("lead"), desk.named("safety officer")

    assert "It is not needed" not in desk.get(lead, f"{PAGE}/decontamination").text
    assert desk.post(lead, f"{PAGE}/decontamination/not-needed", reason="new housing").status_code == 403
    assert desk.post(officer, f"{PAGE}/decontamination/not-needed", reason="").status_code == 422
    assert desk.post(officer, f"{PAGE}/decontamination/not-needed", reason="never in service").status_code == 303
    assert "Not needed: never in service." in desk.get(lead, PAGE).text
    assert desk.post(lead, f"{PAGE}/decontamination/open", reason="").status_code == 422
    assert desk.post(lead, f"{PAGE}/decontamination/open", reason="it was").status_code == 303
    assert "Open again: it was." in desk.get(officer, f"{PAGE}/decontamination").text


def test_two_sign_and_any_change_leaves_both_void_in_plain_sight(desk: Desk) -> None:
    """Agreed with names and times; after a change the page says what changed, by whom, and that both are void."""
    planned(desk)
    lead, officer = desk.named("lead"), desk.named("safety officer")
    answer_all(desk)
    assert sign(desk, desk.named("lead", 1)) == 403
    assert sign(desk, lead, seen="1") == 409
    wrong = desk.post(lead, f"{PAGE}/agreed", seen="1", secret="not the one")
    assert sign(desk, lead) == 303
    half = desk.get(officer, PAGE).text
    assert sign(desk, officer) == 303
    both = desk.get(lead, PAGE).text
    assert answer(desk, lead, Item.WASTE, container="box") == 303
    after = desk.get(lead, PAGE).text

    assert wrong.status_code == 403
    assert "not the one" not in wrong.text
    assert "nothing is open, and the safety officer has yet to agree" in half
    assert f"Ready: agreed by {lead.name}, lead, " in both
    assert "Sign that it is ready" not in both
    assert "I have gone through the readiness of this work" in both
    assert "Ready: agreed by" not in after
    assert after.count("<b>VOID</b> since Way of the waste changed by " + lead.name) == 2
    assert "Sign that it is ready" in after
    assert "What was signed before is void: see the earlier signatures." in after
    agree(desk)
    anew = desk.get(lead, PAGE).text
    assert anew.index("Signed over this plan as it stands") < anew.index("Earlier signatures") < anew.index("VOID")
    assert "is void" not in anew
    moved = PLAN | {"lead": lead.id, "ends": "2026-03-09T16:00", "reason": "longer"}
    moved.pop("housing")
    assert desk.post(lead, f"{PAGE}/changed", **moved).status_code == 303
    assert "<b>VOID</b> since the plan itself changed" in desk.get(officer, PAGE).text
    for item in (Item.WINDOW, Item.WASTE):
        assert answer(desk, lead, item) == 303
    agree(desk)
    assert desk.post(lead, f"{PAGE}/dropped", reason="line stays on").status_code == 303
    dropped = desk.get(lead, PAGE).text
    assert "Dropped, and so not ready." in dropped
    assert "Ready: agreed" not in dropped


def test_a_plan_that_is_moved_asks_again_for_what_fitted_its_old_hours(desk: Desk) -> None:
    """Open on the page with the reason, on the first page of whoever owes it, in list and calendar; no form to sign."""
    planned(desk)
    lead, officer = desk.named("lead"), desk.named("safety officer")
    answer_all(desk)
    agree(desk)
    moved = PLAN | {"lead": lead.id, "begins": "2026-03-12T07:30", "ends": "2026-03-12T15:00", "reason": "fan"}
    moved.pop("housing")
    crew = {f"crew.{desk.named('technician', place).id}": "on" for place in (0, 1)}
    assert desk.post(lead, f"{PAGE}/changed", **moved | crew).status_code == 303
    page, item = desk.get(lead, PAGE).text, desk.get(officer, f"{PAGE}/permit").text

    assert "Not ready: 4 of 8 items are open." in page
    assert "Owed by the safety officer, by 2026-03-11. Open again: The permit runs out on 2026-03-09, before" in page
    assert "Sign that it is ready" not in page
    assert "Open again: The permit runs out on 2026-03-09" in item
    assert "It does not hold any more" not in item
    assert f'<a href="{PAGE}/permit">' in desk.get(officer, "/").text
    assert f'<a href="{PAGE}/window">' in desk.get(lead, "/").text
    assert "not ready, 4 open" in desk.get(lead, "/planned").text
    file = desk.get(lead, "/planned/calendar/housing/EF-03.ics").content.replace(b"\r\n ", b"")
    told = b"Hours without the system\\, Permit\\, Way of the waste\\, Medical and induction"
    assert b"STATUS:TENTATIVE" in file
    assert told in file


def test_earlier_signatures_stand_below_with_every_change_on_page_and_sheet(desk: Desk, tmp_path: Path) -> None:
    """Who agreed now stands above; of each signature before it is told all that changed until the next was given."""
    planned(desk)
    lead, officer = desk.named("lead"), desk.named("safety officer")
    answer_all(desk)
    agree(desk)
    assert answer(desk, lead, Item.WASTE, container="box") == 303
    assert answer(desk, officer, Item.LIFT, weight_kg="33") == 303
    assert sign(desk, lead) == 303
    assert answer(desk, lead, Item.WINDOW, agreed="control room, 1 March") == 303
    agree(desk)
    page = desk.get(lead, PAGE).text
    (sheet,) = pages(desk.get(lead, f"{PAGE}/sheet.pdf").content, tmp_path)

    at = "2026-03-02 07:15"
    both = (
        f"VOID since Way of the waste changed by {lead.name}, {at}; Lift plan changed by {officer.name}, {at}: signed"
    )
    once = f"VOID since Hours without the system changed by {lead.name}, {at}: signed by {lead.name}, lead, {at}."
    for told in (page.replace("<b>VOID</b>", "VOID"), " ".join(sheet.split())):
        assert told.count(both) == 2
        assert told.count(once) == told.count("VOID since Hours") == 1
        assert told.index("Ready: agreed by") < told.index("Limits and stay time") < told.index("VOID since")
        assert told.index("I have gone through the readiness") < told.index("VOID since")


def test_page_and_sheet_say_what_the_kit_is_short_of(desk: Desk, tmp_path: Path) -> None:
    """A statement with its link, also where all is agreed; the day to order once a lead time is known."""
    planned(desk)
    lead = desk.named("lead")
    before = desk.get(lead, PAGE).text
    chosen = {"lead_kind": "bag", "days": "4", "lead_reason": "as quoted"}
    assert desk.post(lead, "/stock/lead-times", **chosen).status_code == 303
    page = desk.get(lead, PAGE).text
    (sheet,) = pages(desk.get(lead, f"{PAGE}/sheet.pdf").content, tmp_path)

    assert re.search(r"Kit: \d+ materials short, no lead time is known", before)
    told = re.search(r"Kit: (\d+ materials short, order by 2026-03-05)\. <a href=\"/kits/PL-0001\">", page)
    assert told is not None
    assert told[1] in " ".join(sheet.split())


def opening(desk: Desk, **fields: str) -> tuple[int, str]:
    """Open the job of the first plan, and return the status and what came back."""
    crew = {f"crew.{desk.named('technician', place).id}": "on" for place in (0, 1)}
    fields = {"procedure": "change-out", "plan": "PL-0001"} | crew | fields
    answered = desk.post(desk.named("lead"), "/plan/EF-03", **fields)
    return answered.status_code, answered.text


def test_a_job_opened_before_it_is_ready_takes_a_reason_and_is_an_exception_in_its_review(desk: Desk) -> None:
    """The page says so plainly; the reason is asked, and nothing is accepted before the officer has read of it."""
    planned(desk)
    lead, officer = desk.named("lead"), desk.named("safety officer")
    page = desk.get(lead, "/plan/EF-03?plan=PL-0001").text
    assert "PL-0001 is NOT READY: open: Hours without the system" in page
    assert opening(desk)[0] == 422
    status, again = opening(desk, unready="an al\u202earm")
    assert (status, "unready" in again) == (422, True)
    assert opening(desk, unready="an alarm in the laboratory")[0] == 303

    job = desk.running.site.jobs.site().jobs.newest(1)[0].job
    assert "NOT READY (open: Hours" in desk.get(lead, f"/jobs/{job}").text
    desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), lead)
    review = desk.get(officer, f"/jobs/{job}/review").text
    assert "Opened before it was ready" in review
    entry = str(desk.running.site.jobs.site().jobs.newest(1)[0].entry)
    assert desk.post(officer, f"/jobs/{job}/exceptions", entry=entry, of="site").status_code == 303
    read = desk.get(officer, f"/jobs/{job}/review").text
    assert f"Opened all the same by {lead.name}: an alarm in the laboratory." in read


def test_a_job_opened_in_its_hours_is_asked_for_nothing(desk: Desk, clock: Clock) -> None:
    """On its day the page shows no such field."""
    planned(desk)
    answer_all(desk)
    agree(desk)
    clock.now = datetime(2026, 3, 9, 5, 0, tzinfo=UTC)
    desk.clients.clear()
    page = desk.get(desk.named("lead"), "/plan/EF-03?plan=PL-0001").text
    assert 'name="unready"' not in page
    assert "its hours" not in page
    assert opening(desk)[0] == 303


def test_a_job_opened_from_agreed_work_names_it_and_fills_in_nothing(desk: Desk) -> None:
    """A reason is asked for its hours alone; beside the questions for permit and PPE stands what the plan names."""
    planned(desk)
    answer_all(desk)
    agree(desk)
    lead, hands = desk.named("lead"), desk.named("technician")
    page = desk.get(lead, "/plan/EF-03?plan=PL-0001").text
    assert f"ready: agreed by {lead.name}, lead, " in page
    assert "Today is 7 days before its hours, 2026-03-09 07:30 to 15:00." in page
    assert "Why the job is opened all the same" not in page
    status, again = opening(desk)
    assert (status, "PL-0001 would be opened 7 days before its hours" in again) == (422, True)
    assert opening(desk, unready="the duct is shut now")[0] == 303

    job = desk.running.site.jobs.site().jobs.newest(1)[0].job
    whole = desk.get(hands, f"/jobs/{job}").text
    assert "From PL-0001, its readiness agreed by" in whole
    assert "opened 7 days before its hours, 2026-03-09 07:30 to 15:00, because: the duct is shut now." in whole
    for place in (0, 1):
        desk.do(job, Acknowledge("work", "I know the cuts and when to stop."), desk.named("technician", place))
    desk.work_until(job, "Record the PPE")
    step = desk.get(hands, f"/jobs/{job}/now").text
    assert "PL-0001 names: P-4711. Enter what holds here." in step
    assert 'value="P-4711"' not in step


def test_the_sheet_to_print_is_one_page_and_says_how_it_stands(desk: Desk, tmp_path: Path) -> None:
    """With every item answered, and with most of them open; the head of the site's ledger stands at its foot."""
    planned(desk)
    planned(desk, housing="EF-07")
    answer_all(desk)
    agree(desk)
    hands, officer = desk.named("technician"), desk.named("safety officer")
    left = "/planned/PL-0002/decontamination/not-needed"
    assert desk.post(officer, left, reason="never in service").status_code == 303
    sheets = [desk.get(hands, f"/planned/{plan}/sheet.pdf") for plan in ("PL-0001", "PL-0002")]

    assert [sheet.headers["content-type"] for sheet in sheets] == ["application/pdf"] * 2
    (ready,), (open_still,) = (pages(sheet.content, tmp_path) for sheet in sheets)
    assert f"Ready: agreed by {desk.named('lead').name}, lead" in ready
    assert "Permit number: P-4711" in ready
    assert "Stay time 90 min, rounded down: (1 − 0.25) mSv / 0.5 mSv/h" in ready
    assert "Not ready: 7 of 8 items are open." in open_still
    assert "Owed by the lead, by 2026-02-23. That day is past." in open_still
    assert "never in service" in open_still
    assert desk.get(hands, "/planned/PL-0009/sheet.pdf").status_code == 422


def test_a_form_that_was_refused_stays_open(desk: Desk) -> None:
    """The sentence is about fields that can be seen; the other forms stay folded."""
    planned(desk)
    officer, lead = desk.named("safety officer"), desk.named("lead")
    answer(desk, officer, Item.WASTE)
    shown = desk.get(lead, f"{PAGE}/waste").text
    owed = desk.post(lead, f"{PAGE}/waste/owed", person=lead.id, until="2026-03-10").text
    opened = desk.post(lead, f"{PAGE}/waste/open", reason="").text
    left = desk.post(officer, f"{PAGE}/waste/not-needed", reason="").text

    folded = '<details class="more apart"><summary>'
    unfolded = '<details class="more apart" open><summary>'
    assert unfolded not in shown
    for page, about in ((owed, "Who owes it"), (opened, "It does not hold"), (left, "It is not needed for")):
        assert f"{unfolded}{about}" in page
        assert page.count(unfolded) == 1
    assert f"{folded}Who owes it" in opened

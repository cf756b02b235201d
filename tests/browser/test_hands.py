"""What a gloved hand does to a tablet: taps twice, slides off, types what is refused, has no scripts, shares a step."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from app.bootstrap import Running
from app.domain.commands import Finish
from app.domain.job import Stage
from app.services.rehearsal import made_up_answers
from tests.browser.driver import ADMIN, EYES, HANDS, NIGHT_LEAD, OFFICER, SECRETS, Tablet, served
from tests.browser.stage import Staged

DEADLINE_MS = 10_000
DOUBLE_TAP_MS = 300
TabletFor = Callable[..., Tablet]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[tuple[str, Running]]:
    """Serve one sample site for all of these tests; each opens a job of its own."""
    with served(tmp_path_factory.mktemp("hands")) as found:
        yield found


@pytest.fixture
def tablet_for(site: tuple[str, Running], browser: Browser) -> Iterator[TabletFor]:
    """Yield a maker of tablets, each with somebody signed in."""
    contexts = []

    def made(name: str, *, scripts: bool = True) -> Tablet:
        context = browser.new_context(viewport={"width": 1280, "height": 800}, java_script_enabled=scripts)
        context.set_default_timeout(DEADLINE_MS)
        contexts.append(context)
        tablet = Tablet(context.new_page(), site[0])
        tablet.sign_in(name)
        return tablet

    yield made
    for context in contexts:
        context.close()


def at(tablet: Tablet, staged: Staged) -> Page:
    """Open the work on a job at a tablet."""
    tablet.go(f"/jobs/{staged.job}/now")
    return tablet.page


def entries(site: tuple[str, Running], staged: Staged) -> int:
    """Return how many entries the job's ledger holds."""
    return site[1].site.jobs.state(staged.job).size


def test_double_tap_makes_one_entry(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """Two taps within 300 ms on a mark make one entry, and the step after it is not marked unseen."""
    staged = Staged(site[1]).do_until("Tie one tie strap on the package side")
    tablet = tablet_for(HANDS)
    page = at(tablet, staged)
    before = entries(site, staged)
    token = page.locator("input[name=token]").first.get_attribute("value")
    page.locator(".work-controls .primary").dblclick(delay=10)
    page.wait_for_function("was => document.querySelector('input[name=token]').value !== was", arg=token)
    page.wait_for_load_state("networkidle")

    assert entries(site, staged) == before + 1
    assert tablet.action == "Tie one tie strap on the ring side of the neck."


def test_a_late_second_tap_cannot_reach_the_next_step(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """A second tap that falls on the freshly shown step, still within 300 ms of the first, does nothing."""
    staged = Staged(site[1]).do_until("Tie one tie strap on the package side")
    page = at(tablet_for(HANDS), staged)
    before = entries(site, staged)
    page.evaluate(
        """late => new Promise(done => {
          const press = () => document.querySelector(".work-controls .primary").click();
          let now = performance.now() + 10_000;  // the page's own clock is told, so that no machine is too slow
          performance.now = () => now;
          let second = false;
          new MutationObserver(() => {
            if (second || !document.querySelector(".action")?.textContent.includes("ring side")) return;
            second = true;
            now += late;
            press();
            done();
          }).observe(document.body, { childList: true, subtree: true });
          press();
        })""",
        DOUBLE_TAP_MS,
    )
    page.wait_for_load_state("networkidle")

    assert entries(site, staged) == before + 1


def test_stop_is_never_held_back(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """A stop pressed right after a mark, within the time that guards against a double tap, stops the job."""
    staged = Staged(site[1]).do_until("Tie one tie strap on the package side")
    tablet = tablet_for(HANDS)
    page = at(tablet, staged)
    page.evaluate("""() => new Promise(done => {
      new MutationObserver(() => {
        if (!document.querySelector(".action")?.textContent.includes("ring side")) return;
        document.querySelector(".work-controls .stop").click();
        done();
      }).observe(document.body, { childList: true, subtree: true });
      document.querySelector(".work-controls .primary").click();
    })""")

    expect(page.get_by_role("heading", name=f"Stopped by {HANDS}")).to_be_visible()


def test_somebody_who_does_not_work_on_jobs_stops_one_with_one_tap(
    site: tuple[str, Running], tablet_for: TabletFor
) -> None:
    """An administrator who sees something presses STOP on the page of jobs in hand, and is asked why there."""
    staged = Staged(site[1]).do_until("Tie one tie strap on the package side")
    page = tablet_for(ADMIN).page
    page.get_by_role("link", name="Jobs in hand").click()
    of_this_job = page.locator(f"section[aria-labelledby='{staged.job}']")
    of_this_job.get_by_role("button", name="STOP WORK on EF-03").click()

    expect(of_this_job).to_contain_text(f"Stopped by {ADMIN}")
    of_this_job.get_by_label("something unexpected was seen or read").check()
    of_this_job.get_by_role("button", name="Record the reason").click()
    expect(of_this_job.get_by_role("button")).to_have_count(0)
    assert site[1].site.jobs.state(staged.job).stage is Stage.STOPPED


@pytest.mark.parametrize(("scanned", "taken"), [("EF-03", True), ("EF%2D03", True), ("EF-04", False)])
def test_a_scanner_types_the_code_and_the_field_shows_what_the_label_reads(
    site: tuple[str, Running], tablet_for: TabletFor, scanned: str, taken: bool
) -> None:
    """A scanner ends with Enter; the right label begins the step, a look-alike's is refused by what it reads."""
    staged = Staged(site[1]).do_until("Take the door off")
    tablet = tablet_for(HANDS)
    page = at(tablet, staged)
    tablet.second_person()
    field = page.locator("[data-label]")
    field.press_sequentially(f"https://10.0.0.5:8443/at/housing/{scanned}")
    field.press("Enter")

    if taken:
        expect(page.get_by_role("button", name="Done")).to_be_visible()
    else:
        expect(page.locator("[data-told]")).to_contain_text("'EF-04' is EF-04, not this one")
        assert page.locator("[data-label]").input_value() == "EF-04"


def test_sliding_off_a_control_does_nothing(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """A finger put down on a control and lifted beside it marks nothing and stops nothing."""
    staged = Staged(site[1]).do_until("Tie one tie strap on the package side")
    page = at(tablet_for(HANDS), staged)
    before = entries(site, staged)
    for control in (".work-controls .primary", ".work-controls .stop"):
        box = page.locator(control).bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] - 120, steps=4)
        page.mouse.up()
    page.wait_for_load_state("networkidle")

    assert entries(site, staged) == before
    assert page.locator(".work-step").count() == 1


def test_missing_answer_keeps_what_was_typed(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """An answer left out is refused by the server in words, and what was typed beside it is still there."""
    staged = Staged(site[1]).do_until("Count the new bags")
    tablet = tablet_for(HANDS)
    page = at(tablet, staged)
    page.locator("summary", has_text="Add a note").click()
    page.get_by_label("Note", exact=True).fill("One bag has a creased hem.")
    page.locator("#ask-count").fill("4")
    page.evaluate("document.querySelector('#mark').noValidate = true")
    tablet.press("Record")

    expect(page.locator("[data-told]")).to_be_focused()
    assert page.locator("#ask-count").input_value() == "4"
    assert page.get_by_label("Note", exact=True).input_value() == "One bag has a creased hem."


def test_unreadable_number_keeps_what_was_typed(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """A number that cannot be read is named in the refusal and stays in its field; the choice stays chosen."""
    staged = Staged(site[1]).do_until("Count the new bags")
    tablet = tablet_for(HANDS)
    page = at(tablet, staged)
    page.locator("#ask-count").fill("four or 5")
    page.locator("input[type=radio]").first.check(force=True)
    tablet.press("Record")

    assert "four or 5" in tablet.told
    assert page.locator("#ask-count").input_value() == "four or 5"
    assert page.locator("input[type=radio]").first.is_checked()


def test_wrong_secret_at_a_hold_keeps_the_name(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """The performer's own secret under the officer's name releases nothing; the name chosen stays chosen."""
    staged = Staged(site[1]).do_until("Agree the PPE")
    tablet = tablet_for(HANDS)
    page = at(tablet, staged)
    page.locator("#hold-person").select_option(label=OFFICER)
    page.locator("#hold-secret").fill(SECRETS[HANDS])
    tablet.press("Sign and release")

    assert tablet.action == "Agree the PPE, permit and limits for EF-03."
    assert "secret" in tablet.told
    assert page.locator("#hold-person option:checked").inner_text() == OFFICER
    assert page.locator("#hold-secret").input_value() == ""


def press_plain(page: Page, name: str) -> None:
    """Press a button on a tablet without scripts and wait for the page that answers."""
    with page.expect_navigation():
        page.get_by_role("button", name=name, exact=True).first.click()


def test_works_without_scripts(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """With scripts off: marks of one and two presses, a hold, a stop with its reason, re-opening and the looks."""
    staged = Staged(site[1]).do_until("Record the PPE")
    tablet = tablet_for(HANDS, scripts=False)
    page = at(tablet, staged)
    tablet.answer_all()
    press_plain(page, "Record")
    page.locator("#hold-person").select_option(label=OFFICER)
    page.locator("#hold-secret").fill(SECRETS[HANDS])
    press_plain(page, "Sign and release")
    assert "secret" in tablet.told
    page.locator("#hold-secret").fill(SECRETS[OFFICER])
    press_plain(page, "Sign and release")
    tablet.answer_all()
    press_plain(page, "Record")
    assert tablet.action == "Stop fan F-31."
    tablet.answer_all()
    press_plain(page, "Begin")
    press_plain(page, "STOP WORK")
    assert tablet.action == f"Stopped by {HANDS}"
    page.locator("input[name=reason]").last.check(force=True)
    page.get_by_label("In words").fill("Shift end.")
    press_plain(page, "Record the reason")
    tablet.sign_in(NIGHT_LEAD)
    tablet.go(f"/jobs/{staged.job}/reopen")
    page.get_by_label("Your written answer to the stop").fill("Day shift takes over.")
    tablet.give_secret("#secret")
    press_plain(page, "Sign and re-open")
    assert page.get_by_role("link", name="Read the brief first").count() == 1, "the lead has not been briefed"
    tablet.sign_in(HANDS)
    at(tablet, staged)
    for _ in range(9):
        if page.locator("#look").count() == 0:
            break
        tablet.fill_look(site[1].site.jobs.state(staged.job).rechecks)
        press_plain(page, "Record what was seen")
    assert tablet.action == "Stop fan F-31."
    press_plain(page, "Done")

    assert tablet.action == "Shut the upstream damper D-301."


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_second_tablet_hears_who_did_the_step(
    site: tuple[str, Running], tablet_for: TabletFor, *, scripts: bool
) -> None:
    """Two tablets on one step: the second hears who did it and when, sees the next step, and writes nothing."""
    staged = Staged(site[1]).do_until("Read the pressure")
    assert staged.state.due is not None
    due = staged.state.due
    first, second = tablet_for(HANDS), tablet_for(EYES, scripts=scripts)
    at(first, staged)
    page = at(second, staged)
    first.answer_all(pressure="-17")
    second.answer_all(pressure="-18")
    first.press("Record")
    before = entries(site, staged)
    if scripts:
        second.press("Record")
    else:
        press_plain(page, "Record")

    assert HANDS in second.told
    assert "done" in second.told
    assert second.action == "Choose what was found at the shut dampers."
    assert entries(site, staged) == before
    state = site[1].site.jobs.state(staged.job)
    kept = {name: answer.text for name, answer in state.mark(due.id).evidence.answers.items()}
    assert kept == {"actuators": "vented and disconnected, springs at rest", "pressure": "-17"}


def test_second_tablet_on_a_step_with_two_marks(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """A step begun on one tablet and pressed Begin on another is begun once; the other hears who has it in hand."""
    staged = Staged(site[1]).do_until("Stop fan F-31")
    first, second = tablet_for(HANDS), tablet_for(EYES)
    at(first, staged)
    at(second, staged)
    first.answer_all()
    second.answer_all()
    first.press("Begin")
    before = entries(site, staged)
    second.press("Begin")

    assert HANDS in second.told
    assert entries(site, staged) == before


def test_steps_done_elsewhere_show_on_the_next_page(site: tuple[str, Running], tablet_for: TabletFor) -> None:
    """A tablet that comes back to the job sees what another did meanwhile."""
    staged = Staged(site[1]).do_until("Count the tie straps")
    tablet = tablet_for(HANDS)
    at(tablet, staged)
    due = staged.state.due
    assert due is not None
    staged.do(Finish(due.id, made_up_answers(due)), EYES)
    page = at(tablet, staged)

    assert tablet.action == "Compare the new filters with the receipt inspection list."
    expect(page.locator(".places")).to_contain_text("Count the tie straps")

"""Goal 51 in Chromium: the screen is covered when nobody touches it; nothing typed is lost, and stop stays in reach."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, ViewportSize, expect

from app.domain.commands import Accept, OpenException, Submit
from tests.browser.driver import ADMIN, DESK, HANDS, NIGHT_LEAD, OFFICER, SECRETS, UPRIGHT, Tablet, served
from tests.browser.stage import Staged

TYPED = "SN 4711-08"
HELD = "() => caches.open('changeout-pages').then(pages => pages.match(location.href)).then(Boolean)"
NAMES = (HANDS, "EF-03", "2026-0001")
"""Who is signed in, the housing and the job: on the screen until it is covered."""


def at_a_tablet(browser: Browser, address: str, name: str, size: ViewportSize) -> Tablet:
    """Sign somebody in at a tablet of this size, whose clock is told."""
    page = browser.new_context(viewport=size).new_page()
    page.clock.install()
    tablet = Tablet(page, address)
    tablet.sign_in(name)
    return tablet


def uncover(page: Page, secret: str) -> None:
    """Give a secret on the covered screen."""
    page.locator("#cover-secret").fill(secret)
    page.get_by_role("button", name="Uncover").click()


def read_in_another_tab(page: Page) -> None:
    """Read where the work stands without a secret, from the cover, and come back."""
    with page.context.expect_page() as another:
        page.get_by_role("link", name="Read the work in hand, in another tab").click()
    another.value.get_by_role("link", name="Read where EF-03, job 2026-0001, stands").click()
    expect(another.value.get_by_text("Next thing to do")).to_be_visible()
    another.value.close()


def test_row_51_an_untouched_screen_is_covered_and_keeps_what_was_typed(browser: Browser, tmp_path: Path) -> None:
    """Row 51: after 5 minutes neither names nor job show, the server refuses, text and place are kept; stop works."""
    with served(tmp_path) as (address, running):
        job = Staged(running).do_until("Read the serial number of the new filter").job
        tablet = at_a_tablet(browser, address, HANDS, DESK)
        page, context = tablet.page, tablet.page.context
        tablet.go(f"/jobs/{job}/now")
        field = page.locator("#mark input.entry").first
        field.fill(TYPED)
        soon, screen = page.locator("[data-cover-soon]"), page.locator("[data-cover-screen]")
        for shown in NAMES:
            expect(page.get_by_text(shown).filter(visible=True).first).to_be_visible()

        page.clock.fast_forward("04:45")
        expect(soon).to_contain_text("Touch it anywhere to stay")
        page.mouse.move(5, 5)
        page.mouse.down()
        page.mouse.up()
        expect(soon).to_be_hidden()
        field.focus()
        with page.expect_response(re.compile("/lock$")) as told:
            page.clock.fast_forward("05:01")
        expect(screen).to_be_visible()
        assert told.value.status == 204
        assert page.title() == "Covered"
        for shown in NAMES:
            assert not any(item.is_visible() for item in page.get_by_text(shown).all())
        for refused in (f"/jobs/{job}/now", "/"):
            assert page.request.get(address + refused, max_redirects=0).headers["location"].startswith("/locked?")
        page.keyboard.press("Escape")
        page.keyboard.press("Escape")
        expect(screen).to_be_visible()
        uncover(page, "not the one")
        expect(page.locator("[data-cover-told]")).to_contain_text("do not belong together")
        read_in_another_tab(page)
        expect(screen).to_be_visible()
        uncover(page, SECRETS[HANDS])
        expect(screen).to_be_hidden()
        assert field.input_value() == TYPED
        assert field.evaluate("field => field === document.activeElement")

        with page.expect_response(re.compile("/lock$")):
            page.clock.fast_forward("05:01")
        page.reload()
        expect(page.get_by_role("heading", name="This screen is covered")).to_be_visible()
        page.get_by_role("button", name="STOP WORK").click()
        expect(page.get_by_text("The job is STOPPED")).to_be_visible()
        context.close()
        stop = running.site.jobs.state(job).stop
        event = running.site.jobs.events(job)[-1]

    assert stop is not None
    assert event.device is not None
    assert event.device.covered


def test_row_51_a_covered_screen_stays_so_out_of_reach_and_stops_in_one_tap(browser: Browser, tmp_path: Path) -> None:
    """Row 51: one tap stops without a secret; after a reload out of reach the screen is still covered."""
    with served(tmp_path) as (address, running):
        job = Staged(running).do_until("Read the serial number of the new filter").job
        tablet = at_a_tablet(browser, address, HANDS, UPRIGHT)
        page, context = tablet.page, tablet.page.context
        tablet.go(f"/jobs/{job}/now")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.reload()
        page.wait_for_function(HELD)
        with page.expect_response(re.compile("/lock$")):
            page.clock.fast_forward("05:01")

        context.set_offline(True)
        page.reload()
        expect(page.locator("[data-cover-screen]")).to_be_visible()
        uncover(page, SECRETS[HANDS])
        expect(page.locator("[data-cover-told]")).to_contain_text("out of reach")
        context.set_offline(False)
        page.get_by_role("button", name="STOP WORK").click()
        expect(page.locator("[data-cover-told]")).to_contain_text("The job is STOPPED")
        uncover(page, SECRETS[HANDS])
        expect(page.locator("h1.action")).to_contain_text(f"Stopped by {HANDS}")
        context.close()
        event = next(item for item in running.site.jobs.events(job) if item.type == "job_stopped")

    assert event.device is not None
    assert event.device.covered


@pytest.mark.parametrize("lost", [0, 1])
def test_row_51_a_stop_from_the_cover_takes_no_typed_note_away(browser: Browser, tmp_path: Path, lost: int) -> None:
    """Row 51: the note stands after STOP, sent at once or again by the page, and goes into the record of the stop."""
    refused: list[str] = []

    def first(route: Route) -> None:
        if len(refused) == lost:
            return route.continue_()
        refused.append(route.request.url)
        return route.abort()

    with served(tmp_path) as (address, running):
        job = Staged(running).do_until("Read the serial number of the new filter").job
        tablet = at_a_tablet(browser, address, HANDS, DESK)
        page, context = tablet.page, tablet.page.context
        tablet.go(f"/jobs/{job}/log")
        note = page.get_by_label("Note", exact=True)
        note.fill(TYPED)
        with page.expect_response(re.compile("/lock$")):
            page.clock.fast_forward("05:01")

        page.route("**/stop", first)
        with page.expect_response(re.compile("/stop$")):
            page.locator("[data-cover-stop]").click()
        expect(page.locator("[data-cover-told]")).to_contain_text("STOPPED")
        uncover(page, SECRETS[HANDS])
        expect(page.locator("[data-cover-screen]")).to_be_hidden()
        expect(note).to_be_visible()
        assert note.input_value() == TYPED
        expect(page.locator("main > .told")).to_have_text("The job is STOPPED. Give the reason")
        reason = page.get_by_role("link", name="Give the reason").get_attribute("href")
        stops = page.get_by_role("button", name="STOP WORK").count()
        page.clock.fast_forward("00:01")  # two presses so close together would be a double tap
        page.get_by_role("button", name="Put it in the record").click()
        expect(page.locator("ul.marks")).to_contain_text(TYPED)
        context.close()
        stop, written = running.site.jobs.events(job)[-2:]

    assert reason == f"{address}/jobs/{job}/now"
    assert stops == 0
    assert len(refused) == lost
    assert (stop.type, written.type) == ("job_stopped", "note_written")
    assert stop.device is not None
    assert stop.device.covered


def test_row_51_on_a_page_of_several_jobs_a_covered_screen_stops_none(browser: Browser, tmp_path: Path) -> None:
    """Row 51: where nobody could say which job is meant, the cover has no STOP; with one job on the page it has."""
    with served(tmp_path) as (address, running):
        tablet = at_a_tablet(browser, address, HANDS, DESK)
        page, context = tablet.page, tablet.page.context
        shown = []
        for _ in range(2):
            Staged(running)
            tablet.go("/in-hand")
            with page.expect_response(re.compile("/lock$")):
                page.clock.fast_forward("05:01")
            shown.append(page.locator("[data-cover-stop]").is_visible())
            uncover(page, SECRETS[HANDS])
            expect(page.locator("[data-cover-screen]")).to_be_hidden()
        context.close()

    assert shown == [True, False]


def test_row_51_the_only_job_in_hand_is_stopped_from_any_page_and_never_from_its_cover(
    browser: Browser, tmp_path: Path
) -> None:
    """Row 51: one tap at the head of a page about no job; the cover over such a page could not say which job it is."""
    with served(tmp_path) as (address, running):
        job = Staged(running).job
        tablet = at_a_tablet(browser, address, ADMIN, DESK)
        page, context = tablet.page, tablet.page.context
        tablet.go("/people")
        with page.expect_response(re.compile("/lock$")):
            page.clock.fast_forward("05:01")
        on_cover = page.locator("[data-cover-stop]").is_visible()
        uncover(page, SECRETS[ADMIN])
        expect(page.locator("[data-cover-screen]")).to_be_hidden()

        page.get_by_role("button", name=re.compile("^STOP WORK on EF-03, job ")).click()
        expect(page.get_by_role("heading", name="Jobs in hand")).to_be_visible()
        expect(page.get_by_text("Why was it stopped?")).to_be_visible()
        tablet.go("/people")
        left = page.get_by_role("button", name=re.compile("^STOP WORK")).count()
        context.close()
        stop = running.site.jobs.state(job).stop

    assert not on_cover
    assert left == 0
    assert stop is not None
    assert stop.stamp.by.name == ADMIN


def test_row_51_a_covered_screen_claims_no_stop_that_was_not_written(browser: Browser, tmp_path: Path) -> None:
    """Row 51: a session that is over and a record accepted meanwhile are said; the next cover begins anew."""
    with served(tmp_path) as (address, running):
        staged = Staged(running).do_until("no such step")
        job, hands = staged.job, staged.who(HANDS)
        tablet = at_a_tablet(browser, address, HANDS, DESK)
        page, context = tablet.page, tablet.page.context
        tablet.go(f"/jobs/{job}/now")
        told, stop = page.locator("[data-cover-told]"), page.locator("[data-cover-stop]")
        with page.expect_response(re.compile("/lock$")):
            page.clock.fast_forward("05:01")
        greeting = told.inner_text()

        staged.do(Submit(), NIGHT_LEAD)
        for item in staged.state.unread:
            staged.do(OpenException(item.seq), OFFICER)
        staged.do(Accept(), OFFICER)
        stop.click()
        expect(told).to_contain_text("The record has been accepted")
        assert stop.is_visible()
        uncover(page, SECRETS[HANDS])
        expect(page.locator("[data-cover-screen]")).to_be_hidden()
        with page.expect_response(re.compile("/lock$")):
            page.clock.fast_forward("05:01")
        assert told.inner_text() == greeting

        running.site.sessions.end_all_of(hands.id)
        stop.click()
        expect(told).to_contain_text("NOTHING was recorded")
        context.close()
        stops = [event for event in running.site.jobs.events(job) if event.type == "job_stopped"]

    assert not stops

"""A tablet out of reach of the server: marks are kept, survive a reload, arrive once and in order, and lose nothing."""

from collections.abc import Callable, Iterator
from functools import partial
from hashlib import sha256
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Route, expect

from app.bootstrap import Running, finish_restore
from app.domain.commands import ExplainStop, Reopen, StopWork
from app.domain.events import MarkContested, MarkJoined, StepBegun, StepDone
from app.domain.job import JobState, Stage
from app.services.rehearsal import commands_for
from app.storage.backup import make_backup
from app.storage.restore import restore
from tests.benching.site import photo
from tests.browser.driver import EYES, HANDS, NIGHT_LEAD, Tablet, served, tick
from tests.browser.stage import Staged

CARRIED = """() => new Promise(done => {
  const { job, step, act, size } = document.getElementById("work").dataset;
  const asked = indexedDB.open("changeout-kept");
  asked.onsuccess = () => {
    const db = asked.result;
    const held = db.objectStoreNames.contains("packs") ? db.transaction("packs").objectStore("packs").get(job) : null;
    if (!held) return done(false);
    held.onsuccess = () => {
      const panels = held.result?.panels ?? [];
      const place = panels.findIndex(panel => panel.step === step && panel.act === act);
      const fresh = held.result?.size === Number(size) || panels.at(-1)?.waits || place < panels.length - 6;
      done(place >= 0 && fresh);
    };
  };
})"""
HELD = "least => new Promise(done => { const asked = indexedDB.open('changeout-kept'); asked.onsuccess = () => { const all = asked.result.transaction('marks').objectStore('marks').getAll(); all.onsuccess = () => done(all.result.filter(mark => mark.state === 'taken').length >= least); }; })"  # noqa: E501
READY = "() => navigator.serviceWorker.ready.then(() => Boolean(navigator.serviceWorker.controller))"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Running]]:
    """One served site for this file."""
    with served(tmp_path_factory.mktemp("kept")) as found:
        yield found


@pytest.fixture
def tablet_for(site: tuple[str, Running], browser: Browser) -> Iterator[Callable[[str], Tablet]]:
    """Give tablets, each with a browser profile of its own."""
    contexts: list[BrowserContext] = []

    def made(name: str) -> Tablet:
        contexts.append(browser.new_context(viewport={"width": 1280, "height": 800}))
        tablet = Tablet(contexts[-1].new_page(), site[0])
        tablet.sign_in(name)
        return tablet

    yield made
    for context in contexts:
        context.close()


def carry(tablet: Tablet, staged: Staged) -> None:
    """Open the job and wait until the tablet carries its next panels and can load the page without the server."""
    tablet.go(f"/jobs/{staged.job}/now")
    tablet.page.wait_for_function(READY)
    tablet.page.wait_for_function(CARRIED)
    tablet.page.wait_for_function(
        "() => caches.open('changeout-pages').then(pages => pages.match(location.href)).then(Boolean)"
    )


def carried(site: tuple[str, Running], tablet_for: Callable[[str], Tablet], words: str) -> tuple[Staged, Tablet]:
    """Bring a job to the step with these words and carry it on the first technician's tablet."""
    staged = Staged(site[1]).do_until(words)
    tablet = tablet_for(HANDS)
    carry(tablet, staged)
    return staged, tablet


def arrived(tablet: Tablet) -> None:
    """Wait until nothing is left on the tablet."""
    tablet.page.wait_for_function("() => document.querySelectorAll('[data-kept]').length === 0")


def state(site: tuple[str, Running], staged: Staged) -> JobState:
    """Return the job as the server has it."""
    return site[1].site.jobs.state(staged.job)


def kept_line(tablet: Tablet) -> str:
    """What the tablet says of kept marks."""
    return tablet.page.locator("[data-kept] p").first.inner_text()


def test_marks_made_out_of_reach_survive_a_reload_and_arrive_once_and_in_order(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """Six marks with the network off, a reload in the middle, then back: each arrives once with its own time."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    before = site[1].site.jobs.events(staged.job)
    tablet.page.context.set_offline(True)
    for _ in range(3):
        tablet.do_step()
    here = tablet.action

    tablet.page.reload()
    tablet.page.wait_for_selector("[data-kept]")
    after_reload = tablet.action
    tablet.do_step()
    told = kept_line(tablet)
    unchanged = site[1].site.jobs.events(staged.job)
    tablet.page.context.set_offline(False)
    arrived(tablet)

    assert after_reload == here
    assert told.startswith(("4", "5", "6", "7", "8"))
    assert told.endswith("kept on this tablet, not yet on the server.")
    assert unchanged == before
    fresh = site[1].site.jobs.events(staged.job)[len(before) :]
    marks = [event for event in fresh if isinstance(event, StepBegun | StepDone)]
    assert len({event.request for event in fresh}) == len(fresh) == len(marks) == int(told.split()[0])
    shown = [state(site, staged).step(event.step).hazards_sha256 for event in marks]  # type: ignore[union-attr]
    assert [event.hazards or "" for event in marks] == shown
    assert any(shown)
    numbers = [event.device.number for event in fresh if event.device]
    assert numbers == sorted(set(numbers))  # type: ignore[type-var]
    assert all(event.device and event.device.late_ms is not None for event in fresh)
    assert tablet.action == state(site, staged).due.text  # type: ignore[union-attr]


def test_panels_from_before_the_step_on_the_screen_are_not_gone_on_with(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """Where the panels at hand do not hold the step that was marked, no earlier step is shown as the next one."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.page.route("**/ahead", lambda route: route.abort())
    staged.do_until("Slide the new filter")
    tablet.go(f"/jobs/{staged.job}/now")
    tablet.page.wait_for_load_state("networkidle")
    tablet.page.context.set_offline(True)

    tablet.press("Begin")
    heading, told, left = tablet.action, tablet.page.locator("main").inner_text(), kept_line(tablet)
    tablet.page.context.set_offline(False)
    arrived(tablet)

    assert heading == "Wait for the server"
    assert "This tablet carries no further steps." in told
    assert left.startswith("1 mark is kept")
    assert tablet.action.startswith("Slide the new filter")


def test_what_only_the_server_can_judge_waits_and_says_so(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """At a verification the tablet stops going on, and names the reason; nothing is pretended."""
    _, tablet = carried(site, tablet_for, "Crimp one metal band on the ring side")
    tablet.page.context.set_offline(True)

    tablet.do_step(gap="6")

    assert tablet.action == "Wait for the server"
    assert "Somebody else verifies this" in tablet.page.locator("main").inner_text()
    tablet.page.context.set_offline(False)
    arrived(tablet)
    assert tablet.action == "Count the ties, then the bands, on both sides of the place to cut."


FULL = """() => {
  const refuse = () => { throw new DOMException("no room", "QuotaExceededError"); };
  IDBObjectStore.prototype.add = IDBObjectStore.prototype.put = refuse;
}"""


def test_a_tablet_that_cannot_keep_a_mark_says_so_and_goes_on_with_nothing(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """With the browser's storage full and no server, a mark is not pretended, nor a stop; in reach all goes on."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    begun, here = len(site[1].site.jobs.events(staged.job)), tablet.action
    tablet.page.context.set_offline(True)
    tablet.page.evaluate(FULL)
    told = tablet.page.locator("[data-said]")
    tablet.answer_all(length="210")
    tablet.page.evaluate("window.handMoved()")
    tablet.page.get_by_role("button", name="Record", exact=True).click()
    expect(told).to_contain_text("Not recorded: this tablet could not keep the mark (QuotaExceededError).")
    tablet.page.get_by_role("button", name="STOP WORK").click()
    expect(told).to_contain_text("STOP by voice: this tablet could not keep the stop (QuotaExceededError).")
    stands, left = tablet.action, tablet.page.locator("[data-kept]").count()
    tablet.page.context.set_offline(False)
    tablet.do_step(length="210")

    assert stands == here
    assert left == 0
    assert tablet.action != here
    assert all(isinstance(event, StepBegun | StepDone) for event in site[1].site.jobs.events(staged.job)[begun:])


def test_a_reading_outside_its_limit_goes_no_further_on_the_tablet(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """An answer outside its limit is kept as an attempt; the tablet shows no later step."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.page.context.set_offline(True)

    tablet.do_step(length="420")

    assert tablet.action == "Wait for the server"
    assert "420 lies outside its limit" in tablet.page.locator("main").inner_text()
    tablet.page.context.set_offline(False)
    arrived(tablet)
    due = state(site, staged).due
    assert due is not None
    assert len(state(site, staged).mark(due.id).attempts) == 1
    assert state(site, staged).stage is Stage.STOPPED


def test_stop_works_out_of_reach(site: tuple[str, Running], tablet_for: Callable[[str], Tablet]) -> None:
    """One tap stops the work on the tablet at once, and the job as soon as the server is back."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.page.context.set_offline(True)

    tablet.page.evaluate("window.handMoved()")
    tablet.page.get_by_role("button", name="STOP WORK").click()
    tablet.page.wait_for_selector("[data-kept]")
    heading, told = tablet.action, tablet.page.locator("main").inner_text()
    drawn = tablet.page.locator("main svg.port-section").count()
    tablet.page.context.set_offline(False)
    arrived(tablet)

    assert heading == "STOPPED on this tablet"
    assert "NOT at rest." in told
    assert "cut between the closures on P1" in told
    assert drawn == 1
    assert state(site, staged).stage is Stage.STOPPED


@pytest.mark.parametrize("page", ["suspend", "handover", "log"])
@pytest.mark.parametrize("offline", [True, False])
def test_stop_is_kept_on_every_page_of_a_job(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet], page: str, offline: bool
) -> None:
    """Off the step screen, too, STOP stands on the tablet when no answer comes, and on the server afterwards."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.go(f"/jobs/{staged.job}/{page}")
    tablet.page.wait_for_load_state("networkidle")
    if offline:
        tablet.page.context.set_offline(True)
    else:
        for address in ("**/stop", "**/kept"):
            tablet.page.context.route(address, lambda route: route.abort())

    tablet.page.get_by_role("button", name="STOP WORK").click()
    tablet.page.wait_for_selector("[data-kept]")
    told, before = tablet.page.locator("[data-said]").inner_text(), state(site, staged).stage
    tablet.page.context.set_offline(False)
    tablet.page.context.unroute("**/kept")
    arrived(tablet)

    assert told.startswith("STOPPED on this tablet.")
    assert (before, state(site, staged).stage) == (Stage.OPEN, Stage.STOPPED)
    assert tablet.page.locator("[data-said]").inner_text().startswith("The server has the stop now.")


@pytest.mark.parametrize("page", ["suspend", "log"])
def test_a_stop_that_the_server_answers_shows_the_stopped_job(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet], page: str
) -> None:
    """In reach the same button leads to the stop screen."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.go(f"/jobs/{staged.job}/{page}")
    tablet.page.get_by_role("button", name="STOP WORK").click()
    tablet.page.wait_for_url("**/now")

    assert tablet.action.startswith(f"Stopped by {HANDS}")
    assert state(site, staged).stage is Stage.STOPPED


def test_an_answer_lost_on_its_way_back_makes_no_second_mark(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """The server commits and the line breaks: the tablet keeps the mark, sends it again, and it stands once."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    cut = []

    def swallow(route: object) -> None:
        cut.append(route.fetch().status)  # type: ignore[attr-defined]
        route.abort()  # type: ignore[attr-defined]

    tablet.page.route("**/marks", swallow)
    begun = len(site[1].site.jobs.events(staged.job))
    tablet.do_step()
    tablet.page.unroute("**/marks")
    arrived(tablet)

    fresh = site[1].site.jobs.events(staged.job)[begun:]
    assert cut == [200] * len(cut)
    assert len({event.request for event in fresh}) == len(fresh)
    assert all(isinstance(event, StepBegun | StepDone) for event in fresh)


BUSY = """() => new Promise(done => {
  const asked = indexedDB.open("changeout-kept");
  asked.onsuccess = () => {
    const packs = asked.result.transaction("packs", "readwrite").objectStore("packs");
    const again = () => { if (!window.freed) packs.get("nothing").onsuccess = again; };
    again();
    done();
  };
})"""
"""Keeps the panels that a tablet carries to itself until `window.freed`; whoever reads or writes them waits."""


def test_panels_that_come_while_they_are_looked_for_are_not_forgotten(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """A look at what is carried, begun before they came and ended after it, found nothing: they stay all the same."""
    staged = Staged(site[1]).do_until("Twist the bag into")
    tablet = tablet_for(HANDS)
    page = tablet.page
    held: list[Route] = []
    page.route("**/ahead", lambda route: route.abort() if held else held.append(route))
    page.goto(tablet.address + f"/jobs/{staged.job}/now")
    page.wait_for_function(READY)
    while not held:
        page.wait_for_timeout(20)
    page.evaluate(BUSY)
    page.evaluate("document.dispatchEvent(new CustomEvent('htmx:after:swap'))")
    with page.expect_response("**/ahead") as came:
        held[0].continue_()
    came.value.finished()
    page.evaluate("() => new Promise(done => setTimeout(done, 0))")
    page.context.set_offline(True)
    page.evaluate("window.freed = true")
    page.wait_for_function(CARRIED)  # written behind the look, which has ended by then

    tablet.do_step()

    assert tablet.action != "Wait for the server"


def test_the_same_mark_from_two_tablets_names_both_and_another_waits_for_the_lead(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """Out of reach one tablet marks what another marks meanwhile: the same is joined, what differs is contested."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.page.context.set_offline(True)
    first, second = staged.state.steps[staged.state.place : staged.state.place + 2]
    tablet.do_step(length="210")
    tablet.do_step()
    for _ in (first, second):
        for command, _by in commands_for(staged.state, staged.cast()):
            staged.do(command, EYES)
    tablet.page.context.set_offline(False)
    arrived(tablet)

    events = site[1].site.jobs.events(staged.job)
    contested = [event for event in events if isinstance(event, MarkContested)]
    assert [event.step for event in contested][:1] == [first.id]
    assert any(isinstance(event, MarkJoined) and event.step == second.id for event in events)
    assert state(site, staged).stage is Stage.CONTESTED
    lead = tablet_for(NIGHT_LEAD)
    lead.go(f"/jobs/{staged.job}/now")
    told = lead.page.locator("main").inner_text()
    assert "210" in told
    assert EYES in told
    assert HANDS in told
    tick(lead.page.get_by_label("what stands holds"))
    lead.page.get_by_label("What was seen, and why").fill("Measured again: 150 mm.")
    lead.press("Settle what is ticked")
    assert state(site, staged).stage is Stage.OPEN


def test_marks_from_before_a_re_opening_are_contested(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """A job stopped and re-opened while a tablet was away takes nothing from before in silence."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.page.context.set_offline(True)
    tablet.do_step()
    staged.do(StopWork(), EYES)
    staged.do(ExplainStop("unexpected", "a sound"), EYES)
    staged.do(Reopen("All looked at, nothing changed."), NIGHT_LEAD)
    staged.go_on()
    tablet.page.context.set_offline(False)
    arrived(tablet)

    assert state(site, staged).stage is Stage.CONTESTED
    assert "re-opened" in state(site, staged).contests[0].why


def test_marks_wait_for_their_maker(site: tuple[str, Running], tablet_for: Callable[[str], Tablet]) -> None:
    """Somebody else signed in on the tablet does not send them in their own name; their maker does, later."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.page.context.set_offline(True)
    tablet.do_step()
    begun = len(site[1].site.jobs.events(staged.job))
    maker = next(person.id for person in site[1].people.everyone() if person.name == HANDS)
    site[1].site.sessions.end_all_of(maker)  # so that neither the page nor its worker can send in the maker's name
    tablet.page.context.set_offline(False)
    tablet.sign_in(EYES)
    tablet.go(f"/jobs/{staged.job}")
    tablet.page.wait_for_selector("[data-kept]")
    tablet.page.reload()
    tablet.page.wait_for_selector("[data-kept]")
    meanwhile = len(site[1].site.jobs.events(staged.job))
    tablet.sign_in(HANDS)
    tablet.go(f"/jobs/{staged.job}/now")
    arrived(tablet)

    assert meanwhile == begun
    fresh = site[1].site.jobs.events(staged.job)[begun:]
    assert fresh
    assert {event.by.name for event in fresh} == {HANDS}


def test_the_next_person_does_not_find_the_last_ones_pages(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """Somebody signs in over somebody else, without a sign-out: out of reach, the page of the former is not shown."""
    staged, tablet = carried(site, tablet_for, "Twist the bag into")
    tablet.sign_in(EYES)
    tablet.page.context.set_offline(True)

    tablet.page.goto(f"{site[0]}/jobs/{staged.job}/now")
    told = tablet.page.locator("body").inner_text()
    tablet.page.context.set_offline(False)

    assert "The server is out of reach" in told
    assert HANDS not in told


def test_a_photo_taken_out_of_reach_goes_on_where_it_was_cut(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet]
) -> None:
    """Its parts arrive over a line that breaks at every second one, and the mark that names it only after the whole."""
    staged = Staged(site[1]).do_until("Tape the raw edge of the stub")
    picture = photo(1)
    tablet = tablet_for(HANDS)
    carry(tablet, staged)
    tablet.page.context.set_offline(True)
    if tablet.page.get_by_role("button", name="Begin", exact=True).count():
        tablet.press("Begin")
    tablet.page.locator("input[type=file]").set_input_files(
        {"name": "stub.jpg", "mimeType": "image/jpeg", "buffer": picture}
    )
    tablet.answer_all()
    tablet.press("Record")
    asked = []

    def break_every_second(route: object) -> None:
        asked.append(route)
        if len(asked) % 2 == 0:
            route.abort()  # type: ignore[attr-defined]
        else:
            route.continue_()  # type: ignore[attr-defined]

    tablet.page.context.route("**/part?*", break_every_second)
    tablet.page.context.set_offline(False)
    arrived(tablet)

    name = sha256(picture).hexdigest()
    done = [event for event in site[1].site.jobs.events(staged.job) if isinstance(event, StepDone)]
    assert [answer.text for event in done[-1:] for answer in event.evidence.answers.values()].count(name) == 1
    assert site[1].site.photos.read(name) == picture
    assert len(asked) >= len(picture) // (256 * 1024) + 1


def test_a_restore_of_an_older_backup_gets_back_what_the_tablet_still_holds(tmp_path: Path, browser: Browser) -> None:
    """The drill: job, backup, marks out of reach and in reach, restore; the tablet signs in and gives them back."""
    folder, copy = tmp_path / "site", tmp_path / "copy"
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    with served(folder) as (address, running):
        staged = Staged(running).do_until("Twist the bag into")
        tablet = Tablet(context.new_page(), address)
        tablet.sign_in(HANDS)
        carry(tablet, staged)
        tablet.do_step()
        make_backup(folder, copy, with_keys=True, program="tested", clock=running.site.clock)
        in_backup = len(running.site.jobs.events(staged.job))
        tablet.do_step()
        tablet.page.wait_for_function(HELD, arg=len(running.site.jobs.events(staged.job)) - in_backup + 1)
        tablet.page.context.set_offline(True)
        tablet.do_step()
        tablet.page.context.set_offline(False)
        arrived(tablet)
        before = running.site.jobs.events(staged.job)
    clock, port = running.site.clock, int(address.rsplit(":", 1)[1])
    restore(copy, folder, replace=True, keys=None, clock=clock, finish=partial(finish_restore, clock=clock))

    with served(folder, port) as (address, running):
        tablet.who = ""
        tablet.sign_in(HANDS)
        tablet.page.wait_for_selector("[data-said]")
        told = tablet.page.locator("[data-said]").inner_text()
        events = running.site.jobs.events(staged.job)
        tablet.go(f"/jobs/{staged.job}")
        trail = tablet.page.locator("main").inner_text()
        tablet.page.reload()
        arrived(tablet)
        again = running.site.jobs.events(staged.job)
    context.close()

    lost = [event.request for event in before[in_backup:]]
    assert len(lost) >= 2
    assert [event.request for event in events[in_backup:]] == lost
    assert all(event.device and event.device.recovered for event in events[in_backup:])
    assert not any(event.device and event.device.recovered for event in events[:in_backup])
    assert "The server went on from a backup" in told
    assert "Recovered: tablet 1, roof gave it back after a restore" in trail
    assert again == events


def test_the_scripts_are_small(site: tuple[str, Running]) -> None:
    """What keeps marks on a tablet stays readable: a few hundred lines in all."""
    root = Path(__file__).parents[2] / "static" / "js"
    lines = sum(len(path.read_text().splitlines()) for path in [*root.glob("kept/*.js"), root / "tablet.js"])

    assert lines < 600

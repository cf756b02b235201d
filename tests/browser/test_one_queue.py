"""One browser, one queue: two tabs never send it twice, and a browser killed right after a tap still holds the mark.

CHANGEOUT_BROWSER_KILLS says how often the browser is killed.  Killing a process is no power cut: what the browser has
handed to the system stays.  That a mark is flushed, too, is seen here only in what the browser is asked for.
"""

import os
import signal
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from threading import Event
from time import sleep

import pytest
from playwright.sync_api import Browser, BrowserContext, Error

from app.bootstrap import Running
from app.domain.commands import Command, Late
from app.domain.job import JobState
from app.domain.job_lines import JobLine
from app.services.jobs import Asked, Recorded
from app.web import static
from tests.browser.driver import FLAGS, HANDS, Tablet, chromium_path, served
from tests.browser.stage import Staged
from tests.browser.test_kept import arrived, carry

KILLS = int(os.environ.get("CHANGEOUT_BROWSER_KILLS", "3"))
SLOW_S = 0.1
LONGEST_S = 30
STORED = """() => new Promise(done => {
  const asked = indexedDB.open("changeout-kept");
  asked.onsuccess = () => {
    const all = asked.result.transaction("marks").objectStore("marks").getAll();
    all.onsuccess = () => done(all.result.map(mark => [mark.token, mark.state]));
  };
})"""
NOTE_DURABILITY = """
const begin = IDBDatabase.prototype.transaction;
window.durabilities = [];
IDBDatabase.prototype.transaction = function (...given) {
  const made = begin.apply(this, given);
  if (made.mode === "readwrite") window.durabilities.push(made.durability);
  return made;
};
"""
LOCKED = ('navigator.locks.request("changeout-drain", { ifAvailable: true }, async (lock) => {', "(async (lock) => {")
UNLOCKED_END = ("    return result;\n  });\n}", "    return result;\n  })({});\n}")
KEPT_FIRST = ("mark.n = await keep(mark);", "mark.n = 1; setTimeout(() => keep({ ...mark, n: undefined }), 1000);")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Running]]:
    """One served site for this file."""
    with served(tmp_path_factory.mktemp("queue")) as found:
        yield found


@pytest.fixture
def seeded(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Serve a script of the tablet's side with a fault in it."""

    def seed(name: str, *changes: tuple[str, str]) -> None:
        found = static._file(name)
        assert found is not None
        text = found[0].decode()
        for old, new in changes:
            assert text.count(old) == 1
            text = text.replace(old, new)
        good = static._file
        monkeypatch.setattr(
            static, "_file", lambda asked: (text.encode(), None, found[2]) if asked == name else good(asked)
        )

    return seed


@pytest.mark.parametrize("fault", [(), (LOCKED, UNLOCKED_END)], ids=["as it is", "seeded: no lock"])
def test_two_tabs_send_one_queue_once(
    site: tuple[str, Running],
    browser: Browser,
    seeded: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
    fault: tuple[tuple[str, str], ...],
) -> None:
    """Two tabs and the service worker find the same marks when a slow server is back: each mark is sent once."""
    seeded("js/kept/drain.js", *fault)
    jobs, sent = site[1].site.jobs, Counter[str]()
    record = jobs.record

    def slowly(job: str, command: Command, asked: Asked) -> "Future[Recorded]":
        if isinstance(command, Late):
            sent[asked.token or ""] += 1
            sleep(SLOW_S)
        return record(job, command, asked)

    staged = Staged(site[1]).do_until("Twist the bag into")
    begun = len(jobs.events(staged.job))
    monkeypatch.setattr(jobs, "record", slowly)
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    one, other = (Tablet(context.new_page(), site[0]) for _ in range(2))
    one.sign_in(HANDS)
    carry(one, staged)
    context.set_offline(True)
    for _ in range(3):
        one.do_step()
    other.page.goto(one.page.url)
    other.page.wait_for_selector("[data-kept]")
    told = [tablet.page.locator("[data-kept]").get_attribute("data-kept") for tablet in (one, other)]
    context.set_offline(False)
    for tablet in (one, other):
        arrived(tablet)
    stored = one.page.evaluate(STORED)
    context.close()

    fresh = jobs.events(staged.job)[begun:]
    assert told == ["3", "3"]
    assert sorted(event.request or "" for event in fresh) == sorted(token for token, _ in stored) == sorted(sent)
    assert {state for _, state in stored} == {"taken"}
    if fault:
        assert max(sent.values()) > 1, "without the lock the tabs must have sent the same marks"
    else:
        assert set(sent.values()) == {1}


def test_a_page_without_a_copy_is_waited_for_while_the_server_is_busy(
    site: tuple[str, Running], browser: Browser, seeded: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worker gives up on a page early only where it has a copy; a busy server is not called out of reach."""
    seeded("js/tablet.js", ("const PATIENCE_MS = 4_000", "const PATIENCE_MS = 50"))
    jobs, asked, go_on = site[1].site.jobs, Event(), Event()
    read = jobs.with_states

    def slowly(lines: Iterable[JobLine]) -> tuple[tuple[JobLine, JobState], ...]:
        asked.set()
        assert go_on.wait(LONGEST_S)
        return read(lines)

    context = browser.new_context(viewport={"width": 1280, "height": 800})
    tablet = Tablet(context.new_page(), site[0])
    tablet.sign_in(HANDS)
    tablet.page.wait_for_function("navigator.serviceWorker.controller")
    monkeypatch.setattr(jobs, "with_states", slowly)
    tablet.page.evaluate("() => { location.href = '/lessons'; }")
    assert asked.wait(LONGEST_S)
    tablet.page.wait_for_timeout(500)  # ten times as long as a page with a copy is waited for
    go_on.set()
    tablet.page.wait_for_url("**/lessons")
    told = tablet.page.locator("h1").first.inner_text()
    context.close()

    assert told == "What jobs taught, by procedure"


def opened(browser: Browser, profile: Path, address: str) -> Tablet:
    """Open a browser on a profile that outlives it."""
    context = browser.browser_type.launch_persistent_context(
        profile, executable_path=chromium_path(), args=FLAGS, viewport={"width": 1280, "height": 800}
    )
    context.add_init_script(NOTE_DURABILITY)
    return Tablet(context.pages[0], address)


def killed(context: BrowserContext, profile: Path) -> None:
    """Kill every process of the browser on this profile at once."""
    parents = {}
    own = set()
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            number = int(folder.name)
            parents[number] = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if f"--user-data-dir={profile}" in (folder / "cmdline").read_text().split("\0"):
                own.add(number)
    while more := {number for number, parent in parents.items() if parent in own} - own:
        own |= more
    assert own
    for number in sorted(own):
        with suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
    with suppress(Error):
        context.close()


def tap_and_kill(tablet: Tablet, staged: Staged, profile: Path) -> str:
    """Out of reach, make one mark; kill the browser when the next step shows; return the token of the mark."""
    carry(tablet, staged)
    tablet.page.context.set_offline(True)
    tablet.answer_all()
    token = tablet.page.locator("#mark input[name=token]").get_attribute("value")
    tablet.press("Done")
    asked = tablet.page.evaluate("window.durabilities")
    killed(tablet.page.context, profile)
    assert set(asked) == {"strict"}
    return token or ""


def found_again(tablet: Tablet, site: tuple[str, Running]) -> dict[str, str]:
    """Return what the profile holds after the kill, before anybody has signed in to send it."""
    maker = next(person.id for person in site[1].people.everyone() if person.name == HANDS)
    site[1].site.sessions.end_all_of(maker)
    tablet.page.goto(f"{site[0]}/signin")
    return dict(tablet.page.evaluate(STORED))


@pytest.mark.skipif(sys.platform != "linux", reason="finds the browser's processes where Linux lists them")
def test_a_browser_killed_right_after_a_tap_still_holds_the_mark(
    site: tuple[str, Running], browser: Browser, tmp_path: Path
) -> None:
    """Killed as soon as the next step shows and opened again, the profile has the mark queued; it arrives once."""
    tablet = opened(browser, tmp_path, site[0])
    for _ in range(KILLS):
        staged = Staged(site[1], "EF-07").do_until("Tie one tie strap on the package side")
        tablet.sign_in(HANDS)
        token = tap_and_kill(tablet, staged, tmp_path)
        tablet = opened(browser, tmp_path, site[0])
        held = found_again(tablet, site)
        unsent = [event.request for event in site[1].site.jobs.events(staged.job)]
        tablet.sign_in(HANDS)
        tablet.go(f"/jobs/{staged.job}/now")
        arrived(tablet)

        assert held[token] == "kept"
        assert token not in unsent
        assert [event.request for event in site[1].site.jobs.events(staged.job)].count(token) == 1
    tablet.page.context.close()


@pytest.mark.skipif(sys.platform != "linux", reason="finds the browser's processes where Linux lists them")
def test_a_mark_shown_before_it_is_kept_would_be_noticed(
    site: tuple[str, Running], browser: Browser, tmp_path: Path, seeded: Callable[..., None]
) -> None:
    """Seeded: the next step shows, and the mark is kept a moment later; after the kill it is gone."""
    seeded("js/kept/keep.js", KEPT_FIRST)
    staged = Staged(site[1], "EF-07").do_until("Tie one tie strap on the package side")
    tablet = opened(browser, tmp_path, site[0])
    tablet.sign_in(HANDS)
    token = tap_and_kill(tablet, staged, tmp_path)
    tablet = opened(browser, tmp_path, site[0])
    held = found_again(tablet, site)
    tablet.page.context.close()

    assert token not in held

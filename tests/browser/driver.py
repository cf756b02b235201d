"""A person at a tablet, as a script: sign in, read the step on the screen, answer it, mark it."""

import re
import shutil
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import uvicorn
from playwright.sync_api import Browser, Locator, Page, ViewportSize, sync_playwright

from app.bootstrap import Running, clock_now, ship_sample_housings, start
from app.cli import DEMO_PEOPLE
from app.domain.judging import AGAIN
from app.domain.leaving import Recheck
from app.domain.site_settings import MARKS_APART
from app.services.rehearsal import looks_as_recorded
from app.settings import Settings
from tests.builders import issue_texts, keep_made_up_instruments

DESK: ViewportSize = {"width": 1280, "height": 800}
UPRIGHT: ViewportSize = {"width": 800, "height": 1280}
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
SECRETS = {name: secret for name, _, secret in DEMO_PEOPLE}
LEAD, NIGHT_LEAD, HANDS, EYES, OFFICER, ADMIN = (name for name, _, _ in DEMO_PEOPLE)
# A person's hand takes longer from one control to the next than the guard against double taps lasts. This hand
# does not wait: it moves the page's stopwatch on instead (the clock that entries are stamped with stays true).
QUICK_HAND = """
const stopwatch = performance.now.bind(performance);
let skipped = 0;
performance.now = () => stopwatch() + skipped;
window.handMoved = () => { skipped += 1000; };
"""
SignIn = Callable[[str, str, ViewportSize], "Tablet"]
"""Gives whoever is named a tablet of their own, of this size and signed in to the site of this address."""
RENDERED_AGAIN = """before => {
  if (document.readyState !== "complete") return false;
  const token = document.querySelector("input[name=token]");
  return !token || token.value !== before;
}"""


def chromium_path() -> str | None:
    """Return where a Chromium is, if there is one: that without windows first, half the work for the processor."""
    names = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
    return next((path for name in names if (path := shutil.which(name))), None)


def people(running: Running) -> None:
    """Let the sample people in, with instruments, at a site where there is nobody yet."""
    if running.people.everyone():
        return
    for name, role, secret in DEMO_PEOPLE:
        running.people.add(name, role, by=None, identity="known to us", secret=secret)
    issue_texts(running)
    keep_made_up_instruments(running.site.jobs)
    lead = next(person.who for person in running.people.everyone() if person.name == LEAD)
    running.site.watching.choose(MARKS_APART.name, "0", "this hand is quicker than any person", by=lead).result()


@contextmanager
def served(
    folder: Path, port: int = 0, clock: Callable[[], datetime] = clock_now
) -> Iterator[tuple[str, Running]]:  # fmt: skip
    """Serve a sample site on a free port, or on the one given, and yield its address."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(("127.0.0.1", port))
        port = probe.getsockname()[1]
    settings = Settings(data=folder, port=port)
    ship_sample_housings(settings)
    running = start(settings, clock)
    people(running)
    server = uvicorn.Server(uvicorn.Config(running.app, port=port, log_level="error", http="httptools"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started and thread.is_alive():
        thread.join(0.02)
    try:
        yield f"http://127.0.0.1:{port}", running
    finally:
        server.should_exit = True
        thread.join()
        running.close()


@contextmanager
def a_browser() -> Iterator[Browser]:
    """Yield Debian's Chromium, driven without any download."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Tablet:
    """One tablet and whoever is signed in at it."""

    def __init__(self, page: Page, address: str, name: str = "tablet 1, roof") -> None:
        self.name = name
        self.page = page
        page.add_init_script(QUICK_HAND)
        self.address = address
        self.who = ""
        self.taps = 0
        self.numbers = 0

    def sign_in(self, name: str) -> None:
        """Switch to this person: two actions from wherever the tablet is, plus the secret."""
        if self.who == name:
            return
        self.page.goto(f"{self.address}/signin")
        self.page.get_by_label(re.compile(name)).check(force=True)
        self.page.get_by_label("Secret", exact=True).fill(SECRETS[name])
        self.page.get_by_label("This tablet's name").fill(self.name)
        self.page.get_by_role("button", name="Sign in").click()
        self.page.wait_for_url(f"{self.address}/**")
        self.page.wait_for_selector("h1")
        self.who = name

    def give_secret(self, field: str) -> None:
        """Sign as who is signed in: the own name where the form asks for it, and the secret."""
        own = self.page.get_by_label("Own id")
        if own.count():
            own.fill(self.who)
        self.page.locator(field).fill(SECRETS[self.who])

    def go(self, path: str) -> None:
        """Open a page of the site."""
        self.page.goto(self.address + path)

    def press(self, name: str) -> None:
        """Press a button and wait until what it changes has been rendered again, known by its fresh request token."""
        self.taps += 1
        before = self.page.locator("input[name=token]").first.get_attribute("value")
        self.page.evaluate("window.handMoved()")
        self.page.get_by_role("button", name=name, exact=True).first.click()
        self.page.wait_for_function(RENDERED_AGAIN, arg=before)

    def send(self, name: str, form: str = "") -> None:
        """Press a button that sends a form and wait for the page after it.  form: how the form's address ends."""
        self.page.evaluate("window.handMoved()")
        held = self.page.locator(f"form[action$='{form}']") if form else self.page
        with self.page.expect_navigation():
            held.get_by_role("button", name=name, exact=True).click()

    def open_up(self, words: str) -> None:
        """Unfold a part of the page by the words that stand on it."""
        self.page.locator("summary", has_text=words).click()

    @property
    def place(self) -> str:
        """Which step of how many."""
        return self.page.locator(".title-block strong").nth(1).inner_text()

    @property
    def told(self) -> str:
        """What the tool says back."""
        return self.page.locator("[data-told]").inner_text()

    def do_until(self, words: str, **given: str) -> None:
        """Do every step before the one whose action holds these words."""
        while words not in self.action:
            before = self.place, self.action
            self.do_step(**given)
            assert (self.place, self.action) != before, f"{before} stands: {self.page.locator('main').inner_text()}"

    @property
    def action(self) -> str:
        """The one action on the screen."""
        return self.page.locator("h1.action").inner_text()

    @property
    def kind(self) -> str:
        """What kind of step it is."""
        kind = self.page.locator(".kind").first
        return kind.inner_text() if kind.count() else ""

    def answer_all(self, **given: str) -> None:
        """Answer everything on the screen, within its limits unless an answer is given."""
        form = self.page.locator("#mark")
        for group in form.locator("fieldset.ask:has(input[type=radio])").all():
            tick(group.locator("input[type=radio]").first)
            self.taps += 1
        self.second_person()
        for choice in form.locator("select.entry:not(#second):not([data-worker])").all():
            choice.select_option(
                value=choice.locator("option:not([disabled]):not([value=''])").first.get_attribute("value")
            )
            self.taps += 2
        counting = COUNTS if form.locator("[name='a.gross']").count() else {}
        job = JOB.search(self.page.url)
        counting = {**counting, "serial": f"serial in {job.group(1)}"} if job else counting
        for box in form.locator("input.entry:not([type=password])").all():
            name = (box.get_attribute("name") or "").removeprefix("a.").removesuffix(AGAIN)
            asked = box.locator("xpath=ancestor::div[contains(@class,'ask')][1]")
            limit = asked.locator(".limit b")
            told = limit.inner_text() if limit.count() else ""
            if name in {"upstream-after", "temperature"}:
                continue
            wanted = told if box.get_attribute("data-label") is not None else None
            box.fill(wanted or given.get(name, counting.get(name, within(name, told))))
            self.taps += 1

    def brief(self, job: str, *names: str, part: str = "work") -> None:
        """Let these people acknowledge the brief of a job, one after the other on this tablet."""
        for name in names:
            self.go(f"{job}/brief")
            self.page.locator("#person").select_option(label=next(
                text for text in self.page.locator("#person option").all_inner_texts() if text.startswith(name)
            ))  # fmt: skip
            self.page.locator(f"input[name=part][value={part}]").check(force=True)
            self.page.locator("#words").fill("I watch the ring and call the stop.")
            self.page.locator("#secret").fill(SECRETS[name])
            self.page.evaluate("window.handMoved()")
            with self.page.expect_navigation():
                self.page.get_by_role("button", name="Sign the brief").click()

    def _speak(self) -> None:
        """Everybody says it aloud; whoever holds the tablet records it."""
        for box in self.page.locator("#mark input[type=checkbox]").all():
            tick(box)
            self.taps += 1
        self.press("Record who has spoken")

    def do_step(self, other: str = EYES, **given: str) -> None:
        """Do the step on the screen, with whoever it takes."""
        kind = self.kind
        if self.page.get_by_role("button", name="Record who has spoken").count():
            self._speak()
            return
        if "Hold" in kind:
            self._release()
            return
        if "Verify" in kind and self.who != other:
            back, path = self.who, self.page.url.removeprefix(self.address)
            self.sign_in(other)
            self.go(path)
            self._mark(given)
            self.sign_in(back)
            self.go(path)
            return
        self._mark(given)

    def second_person(self) -> None:
        """Have the second person choose their name and enter their own secret, where the step takes two."""
        if self.page.locator("#second").count():
            name = HANDS if self.who == EYES else EYES
            self.page.locator("#second").select_option(label=name)
            self.page.locator("#second-secret").fill(SECRETS[name])
            self.taps += 3

    def fill_look(self, looks: Sequence[Recheck]) -> None:
        """Type in at the look on the screen, the first group of what is left, what the record has."""
        for look in (item for item in looks if item.group == looks[0].group):
            field, seen = f'#look [name="a.{look.id}"]', looks_as_recorded([look])[look.id]
            if look.kind == "choice":
                self.page.locator(f'{field}[value="{seen}"]').check(force=True)
            else:
                self.page.locator(field).fill(seen)

    def _mark(self, given: dict[str, str]) -> None:
        if self.page.locator(".work-locks").count():
            self._rows()
            return
        if self.page.get_by_role("button", name="Begin", exact=True).count():
            self.answer_all(**given)
            self.press("Begin")
        self.answer_all(**given)
        name = "Record" if self.page.get_by_role("button", name="Record", exact=True).count() else "Done"
        self.press(name)

    def _rows(self) -> None:
        """Record every row of the step: the position as it is to be, a lock and a tag; or each lock off."""
        step = self.place
        while self.page.locator(".work-locks").count() and self.place == step:
            for group in self.page.locator("#mark fieldset.ask").all():
                group.locator("input[type=radio]").first.check(force=True)
                self.taps += 1
            for box in self.page.locator("#mark input.entry").all():
                self.numbers += 1
                box.fill(f"number {self.numbers}")
                self.taps += 1
            self.press(self.page.locator(".work-controls .primary").inner_text())

    def _release(self) -> None:
        path = self.page.url.removeprefix(self.address)
        if self.page.locator("#hold-person option").count() == 1:
            self.brief(path.removesuffix("/now"), NIGHT_LEAD, part="release")
            self.go(path)
        names = self.page.locator("#hold-person option").all_inner_texts()
        able = [name for name in names if name in SECRETS]
        self.page.locator("#hold-person").select_option(label=able[-1])
        self.page.locator("#hold-secret").fill(SECRETS[able[-1]])
        self.press("Sign and release")


def tick(box: Locator) -> None:
    """Tick a box as a hand does: scroll it out from under the foot of the page, then press it."""
    box.evaluate("box => box.scrollIntoView({ block: 'center' })")
    box.check(force=True)


def follow(page: Page, link: Locator) -> None:
    """Press a link and wait until its page is there: a click by itself ends while the old page is still going."""
    with page.expect_navigation():
        link.click()


JOB = re.compile("/jobs/([^/]+)")
COUNTS = {"gross": "1", "minutes": "10", "background": "10", "background-minutes": "100"}


def within(name: str, told: str) -> str:
    """Return an answer that meets the limit as the screen words it."""
    plain = {"made": "2026-01-01", "flow": "1700", "permit-until": "9999-12-31"}
    if name in plain and not told:
        return plain[name]
    leak = {"upstream": "25.0", "downstream": "0.0085", "background": "0.0010"}
    if name in leak and not told:
        return leak[name]
    number = re.search(r"-?\d+(?:\.\d+)?", told)
    if number:
        return number.group()
    return "1" if name in {"length", "gap", "pressure", "flow", "drop", "upper", "lower"} else f"{name} seen"

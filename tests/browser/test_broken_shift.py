"""A whole job over a line that keeps breaking and a server that keeps dying: every mark stands once."""

import socket
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess
from pathlib import Path
from random import Random
from signal import SIGKILL
from time import sleep

import pytest
from playwright.sync_api import Browser, Request

from app.bootstrap import Running, ship_sample_housings, start
from app.domain.crew import Acknowledge, Part
from app.domain.events import MarkContested, MarkJoined, StepBegun, StepDone
from app.domain.job import Stage
from app.settings import Settings
from tests.browser.driver import EYES, HANDS, NIGHT_LEAD, Tablet, people
from tests.browser.stage import Staged
from tests.browser.test_kept import arrived, carry
from tests.browser.test_story import accept, hand_over, open_every_exception, verified
from tests.web.test_kill_job import a_life

DEADLINE_MS = 30_000
CUTS = {
    "Shut the upstream damper": HANDS,
    "Draw the spent filter": HANDS,
    "Tape the raw edge of the stub": EYES,
    "Fit the bag with the new filter": HANDS,
    "Open the upstream damper": HANDS,
}
"""Where whose tablet loses the server; the first of these marks is made with it, the next ones without."""
RELOADED, DIED_UNSEEN, DIED_TAKING = list(CUTS)[1:4]
DIED_ANSWERING = "Inspect the bag on the ring"
OUT_OF_REACH = 3
MOMENT = Random(20261125)
HELD = "() => new Promise(done => { const asked = indexedDB.open('changeout-kept'); asked.onsuccess = () => { const all = asked.result.transaction('marks').objectStore('marks').getAll(); all.onsuccess = () => done(all.result.map(mark => [mark.token, mark.state, !mark.direct])); }; })"  # noqa: E501

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and fork servers are not found on Windows")


@dataclass
class Server:
    """The program in a process of its own, on a socket that outlives it, so that who calls meanwhile waits."""

    folder: Path
    door: socket.socket
    lives: list[BaseProcess] = field(default_factory=list)

    def live(self) -> None:
        """Start it."""
        self.lives.append(a_life(self.folder, self.door))

    def die(self) -> None:
        """Kill it."""
        self.lives[-1].kill()
        self.lives[-1].join()
        assert self.lives[-1].exitcode == -SIGKILL

    def dies_at_a_mark(self, tablet: Tablet) -> None:
        """Do the step at a tablet; kill the server and start it again while it has the first mark of it in hand."""
        seen: list[str] = []

        def die(request: Request) -> None:
            if request.url.endswith("/marks") and not seen:
                seen.append(request.url)
                self.die()
                self.live()

        tablet.page.on("request", die)
        tablet.do_step()
        arrived(tablet)
        tablet.page.remove_listener("request", die)
        assert seen, "no mark was sent"


@contextmanager
def opened(folder: Path) -> Iterator[Running]:
    """Open the folder in this process, while no server runs on it."""
    running = start(Settings(data=folder))
    try:
        yield running
    finally:
        running.close()


def kept_by(tablet: Tablet) -> int:
    """Return how many marks the tablet has kept instead of sending them at once, those sent since included."""
    return sum(kept for _, _, kept in tablet.page.evaluate(HELD))


MOST_ACTS = 600
"""Far more than the steps of the job with what is done at each of them."""


def out_of_reach(tablet: Tablet, server: Server, at: str) -> int:
    """Make marks without the server, lose the page or the server meanwhile, come back; return how many were kept."""
    before = kept_by(tablet)
    tablet.page.context.set_offline(True)
    for done in range(OUT_OF_REACH):
        if tablet.action == "Wait for the server":
            break
        tablet.do_step()
        if at == RELOADED and done == 0:
            here = tablet.action
            tablet.page.reload()
            tablet.page.wait_for_selector("[data-kept]")
            assert tablet.action == here
    kept = kept_by(tablet) - before
    if at == DIED_UNSEEN:
        server.die()
        server.live()
    tablet.page.context.set_offline(False)
    if at == DIED_TAKING:  # who sends, the page or its worker, and when, is not seen from here
        sleep(MOMENT.random() * 0.03)
        server.die()
        server.live()
    arrived(tablet)
    return kept


@dataclass
class Shift:
    """Two people with a tablet each, on one job."""

    staged: Staged
    server: Server
    tablets: dict[str, Tablet]
    kept: dict[str, int] = field(default_factory=dict)

    def work(self) -> None:
        """Do every step, at the tablet of whoever does it."""
        tablet = self.tablets[HANDS]
        tablet.go(f"/jobs/{self.staged.job}/now")
        for _ in range(MOST_ACTS):
            if "Every step is done" in tablet.action:
                return
            at = next((words for words in CUTS if words in tablet.action and words not in self.kept), "")
            whose = self.tablets[EYES if "Verify" in tablet.kind else CUTS.get(at, HANDS)]
            if at:
                carry(whose, self.staged)
                whose.page.wait_for_load_state("networkidle")
                self.kept[at] = out_of_reach(whose, self.server, at)
            elif whose is not tablet:
                whose.go(f"/jobs/{self.staged.job}/now")
            elif DIED_ANSWERING in tablet.action:
                self.server.dies_at_a_mark(tablet)
            else:
                tablet.do_step()
            tablet = whose
        raise AssertionError(f"The job does not come past “{tablet.action}”.")

    def held(self) -> list[tuple[str, str]]:
        """Return token and state of every mark that the tablets hold."""
        return [(token, state) for tablet in self.tablets.values() for token, state, _ in tablet.page.evaluate(HELD)]


@pytest.fixture
def shift(browser: Browser, tmp_path: Path) -> Iterator[Shift]:
    """Open a job on the housing with one filter, serve it from a process of its own, and sign both people in."""
    ship_sample_housings(Settings(data=tmp_path))
    with opened(tmp_path) as running:
        people(running)
        staged = Staged(running, "EF-07")
        staged.do(Acknowledge(Part.RELEASE, "I know the cuts and when to stop."), NIGHT_LEAD)
    with ExitStack() as stack:
        server = Server(tmp_path, stack.enter_context(socket.create_server(("127.0.0.1", 0))))
        server.live()
        stack.callback(lambda: server.lives[-1].kill())  # noqa: PLW0108  (the last one then, not now)
        tablets = {}
        for name in (HANDS, EYES):
            context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)
            stack.callback(context.close)
            context.set_default_timeout(DEADLINE_MS)
            address = f"http://127.0.0.1:{server.door.getsockname()[1]}"
            tablets[name] = Tablet(context.new_page(), address, f"tablet of {name}")
            tablets[name].sign_in(name)
        yield Shift(staged, server, tablets)


def test_a_job_ends_accepted_with_each_mark_once_whatever_breaks(shift: Shift, tmp_path: Path) -> None:
    """Two people, two tablets, the server killed three times, the network cut five times, a page reloaded amid it."""
    shift.work()
    held = shift.held()
    tablet, job = shift.tablets[HANDS], f"/jobs/{shift.staged.job}"
    hand_over(tablet, job)
    open_every_exception(tablet, job)
    accept(tablet)
    checked = verified(tablet, tmp_path / "record")
    shift.server.die()
    with opened(tmp_path) as running:
        events = running.site.jobs.events(shift.staged.job)
        state = running.site.jobs.state(shift.staged.job)

    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert state.stage is Stage.ACCEPTED
    assert len(shift.server.lives) == 4
    assert shift.kept.keys() == CUTS.keys()
    assert min(shift.kept.values()) >= OUT_OF_REACH
    marks = [event for event in events if isinstance(event, StepBegun | StepDone)]
    requests = Counter(event.request for event in marks)
    assert [request for request, times in requests.items() if times > 1] == []
    steps = Counter((event.type, event.step) for event in marks)
    assert [step for step, times in steps.items() if times > 1] == []
    assert [event.type for event in events if isinstance(event, MarkContested | MarkJoined)] == []
    assert {mark for mark in held if mark[1] != "taken"} == set()
    tokens = Counter(token for token, _ in held)
    assert sum(tokens.values()) == len(tokens) > sum(shift.kept.values())
    assert tokens.keys() - requests.keys() == set()

"""A page that stays open for a long shift does not grow: neither its memory nor what hangs in its document.

The panels are those of a real job, in its order; they come from the test instead of the server, each with a new token,
so that hundreds of marks take seconds.  All that the page does at a mark it does here.  CHANGEOUT_SHIFT_MARKS says how
many marks are made.
"""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import cycle
from uuid import uuid4

import pytest
from playwright.sync_api import Browser, Route

from app.services.rehearsal import commands_for
from tests.browser.driver import HANDS, Tablet, served
from tests.browser.stage import Staged

MARKS = int(os.environ.get("CHANGEOUT_SHIFT_MARKS", "200"))
DEADLINE_MS, QUIET_MS = 120_000, 1_000
MOST_BYTES, OVER_MARKS = 10_000_000, 2_000
MOST_NODES = MOST_LISTENERS = 100
TOKEN = re.compile(r'name="token" value="[^"]*"')
MAKE_MARKS = """async marks => {
  for (let made = 0; made < marks; made += 1) {
    const form = document.querySelector("#mark");
    form.noValidate = true;
    window.handMoved();
    const next = new Promise(done => document.addEventListener("htmx:after:process", done, { once: true }));
    form.requestSubmit();
    await next;
    if (document.querySelector("#mark") === form) throw new Error("the same panel is shown again");
  }
}"""
HELD = """least => new Promise(done => {
  const asked = indexedDB.open("changeout-kept");
  asked.onsuccess = () => {
    const all = asked.result.transaction("marks").objectStore("marks").count();
    all.onsuccess = () => done(all.result >= least);
  };
})"""
LEAK = """
window.removed = [];
new MutationObserver(changes => {
  for (const node of changes.flatMap(change => [...change.removedNodes])) {
    if (node.id === "work") window.removed.push(node, [...node.outerHTML]);
  }
}).observe(document, { childList: true, subtree: true });
"""


@dataclass(frozen=True)
class Played:
    """A job as it went.  panels: each that a mark is sent from.  fresh: a job of which nothing is done."""

    address: str
    fresh: str
    panels: list[str]
    ahead: str


@dataclass(frozen=True)
class Size:
    """What a page holds after everything that nothing refers to is let go."""

    heap: float
    nodes: float
    listeners: float


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Played]:
    """Go through a job once, keeping its panels."""
    with served(tmp_path_factory.mktemp("shift")) as (address, running):
        staged, panels = Staged(running, "EF-07"), []
        context = browser.new_context()
        tablet = Tablet(context.new_page(), address)
        tablet.sign_in(HANDS)
        path = f"{address}/jobs/{staged.job}"
        ahead = tablet.page.request.get(f"{path}/ahead").text()
        while staged.state.due is not None:
            for command, by in commands_for(staged.state, staged.cast()):
                panel = tablet.page.request.get(f"{path}/now", headers={"HX-Request": "true"}).text()
                panels += [panel] if "/marks" in panel else []
                staged.do(command, by.name)
        context.close()
        yield Played(address, Staged(running, "EF-07").job, panels, ahead)


def grown(browser: Browser, played: Played, marks: int, script: str = "") -> Size:
    """Make marks on one page, whole jobs long; return by how much it grew after the first job."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    turn = cycle(played.panels)

    def answer(route: Route) -> None:
        route.fulfill(content_type="text/html", body=TOKEN.sub(f'name="token" value="{uuid4().hex}"', next(turn)))

    page = context.new_page()
    tablet = Tablet(page, played.address)
    tablet.sign_in(HANDS)
    page.add_init_script(script)
    page.route("**/marks", answer)
    page.route("**/ahead", lambda route: route.fulfill(content_type="application/json", body=played.ahead))
    tablet.go(f"/jobs/{played.fresh}/now")
    talk = context.new_cdp_session(page)
    talk.send("Performance.enable")

    def size() -> Size:
        for _ in range(3):
            talk.send("HeapProfiler.collectGarbage")
        told = {item["name"]: item["value"] for item in talk.send("Performance.getMetrics")["metrics"]}
        return Size(told["JSHeapUsedSize"], told["Nodes"], told["JSEventListeners"])

    def at_rest(held: int) -> Size:
        """Return the size once all marks are kept and what was under way for them, which holds panels, is over."""
        page.wait_for_function(HELD, arg=held, timeout=DEADLINE_MS)
        before, now = None, size()
        while now.nodes != before:
            page.wait_for_timeout(QUIET_MS)
            before, now = now.nodes, size()
        return now

    page.wait_for_load_state("networkidle")
    page.evaluate(MAKE_MARKS, len(played.panels))
    first = at_rest(len(played.panels))
    page.evaluate(MAKE_MARKS, marks)
    last = at_rest(len(played.panels) + marks)
    context.close()
    return Size(last.heap - first.heap, last.nodes - first.nodes, last.listeners - first.listeners)


def test_a_page_open_for_a_long_shift_does_not_grow(
    browser: Browser, played: Played, capsys: pytest.CaptureFixture[str]
) -> None:
    """After job upon job of marks on one page the heap, the nodes and the listeners are those after the first job."""
    marks = -(-MARKS // len(played.panels)) * len(played.panels)
    size = grown(browser, played, marks)
    with capsys.disabled():
        print(f"\n{marks} marks on one page: {size.heap / 1000:.0f} kB, {size.nodes:.0f} nodes, "
              f"{size.listeners:.0f} listeners more than after the first job")  # fmt: skip

    assert size.heap < MOST_BYTES * marks / OVER_MARKS
    assert size.nodes < MOST_NODES
    assert size.listeners < MOST_LISTENERS


def test_panels_that_are_never_let_go_would_be_noticed(browser: Browser, played: Played) -> None:
    """Seeded: a script that holds on to each panel that was taken away, and to what stood in it."""
    size = grown(browser, played, len(played.panels), LEAK)

    assert size.nodes > MOST_NODES
    assert size.heap > MOST_BYTES * len(played.panels) / OVER_MARKS

"""How many taps a change-out takes: counted in the browser, and told beforehand from the procedure's steps alone."""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from app.domain.crew import Acknowledge, Part
from app.domain.job import Stage
from app.domain.procedure import Second, StepKind
from app.domain.steps import Step
from tests.browser.driver import EYES, HANDS, NIGHT_LEAD, Tablet, served
from tests.browser.stage import Staged

DEADLINE_MS = 20_000
COUNTS = """
window.addEventListener("submit", event => {
  const form = event.target;
  if (!form.matches("form[data-mark]")) return;
  const controls = [...form.elements].filter(item => !item.disabled && item.type !== "hidden");
  const ticked = controls.filter(item => ["radio", "checkbox"].includes(item.type) && item.checked);
  const picked = controls.filter(item => item.matches("select:not([data-worker])") && item.value);
  const typed = controls.filter(item => ["text", "date", "password", "textarea"].includes(item.type) && item.value);
  window.counted(ticked.length + picked.length, typed.length);
}, true);
"""


@dataclass(frozen=True)
class Taps:
    """Forms sent, each with one tap of its button; answers chosen; fields typed into."""

    sent: int = 0
    chosen: int = 0
    typed: int = 0

    def __add__(self, other: "Taps") -> "Taps":
        return Taps(self.sent + other.sent, self.chosen + other.chosen, self.typed + other.typed)

    @property
    def all(self) -> int:
        """Every touch of the glass, a field counted as one."""
        return self.sent + self.chosen + self.typed


def needed(step: Step, points: int, crew: int) -> Taps:
    """Return what a step needs: its marks, its second person's name and secret at each, its evidence."""
    if step.kind is StepKind.HOLD:
        return Taps(sent=1, chosen=1, typed=1)
    if step.says:
        return Taps(sent=1, chosen=crew)
    if step.table == "locks_on":
        return Taps(sent=points, chosen=points, typed=2 * points)
    if step.table == "locks_off":
        return Taps(sent=points)
    beside = {None: 0, Second.WITNESS: 1, Second.CONCURRENT: step.marks}[step.second]
    asked = [item.ask for item in step.asks if item.ask.required and item.ask.kind != "photo"]
    chosen = [ask for ask in asked if ask.kind in {"choice", "instrument"}]
    twice = sum(1 for ask in asked if ask.twice)
    return Taps(step.marks, len(chosen) + beside, len(asked) - len(chosen) + twice + beside)


def applies(step: Step, steps: tuple[Step, ...]) -> bool:
    """Whether a step lies on the branch that the first good answer of each decision leads to."""
    if step.only_if is None:
        return True
    decision = next(item for item in steps if item.id == step.only_if.step)
    ask = next(item.ask for item in decision.asks if step.only_if.option in item.ask.options)
    return step.only_if.option == (ask.good or ask.options)[0]


@pytest.fixture
def staged(tmp_path: Path) -> Iterator[tuple[str, Staged]]:
    """Serve a site with a fresh job on the housing with one filter, of which everybody has read the brief."""
    with served(tmp_path) as (address, running):
        job = Staged(running, "EF-07")
        job.do(Acknowledge(Part.RELEASE, "I know the cuts and when to stop."), NIGHT_LEAD)
        yield address, job


def test_an_ordinary_change_out_takes_the_taps_that_its_steps_need(
    staged: tuple[str, Staged], browser: Browser, capsys: pytest.CaptureFixture[str]
) -> None:
    """One filter, a crew of two with a tablet each: no screen asks for a tap that no step, mark or evidence needs."""
    address, job = staged
    opened, model = job.state.opened, job.state.model
    assert opened is not None
    assert model is not None
    assert [len(port.positions) for port in model.ports] == [1]
    counted: dict[str, Taps] = {}
    due = ""

    def count(_: Any, chosen: int, typed: int) -> None:
        counted[due] = counted.get(due, Taps()) + Taps(1, chosen, typed)

    with ExitStack() as stack:
        tablets = {}
        for name in (HANDS, EYES):
            context = browser.new_context(viewport={"width": 1280, "height": 800})
            stack.callback(context.close)
            context.set_default_timeout(DEADLINE_MS)
            context.expose_binding("counted", count)
            context.add_init_script(COUNTS)
            tablets[name] = Tablet(context.new_page(), address)
            tablets[name].sign_in(name)
        at = ""
        while (step := job.running.site.jobs.state(job.job).due) is not None:
            due = step.id
            name = EYES if step.kind is StepKind.VERIFY else HANDS
            if name != at:
                tablets[name].go(f"/jobs/{job.job}/now")
            at = name
            tablets[name].do_step()

    state = job.running.site.jobs.state(job.job)
    assert state.stage is Stage.WORK_DONE
    points = len(opened.housing.points)
    expected = {step.id: needed(step, points, len(opened.crew)) for step in opened.steps if applies(step, opened.steps)}
    total = sum(counted.values(), Taps())
    with capsys.disabled():
        print(
            f"\n{opened.housing.tag}, one filter, {len(expected)} steps: {total.all} taps, of which {total.sent} send "
            f"a form, {total.chosen} choose and {total.typed} begin a field"
        )
    assert counted == expected

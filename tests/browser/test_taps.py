"""How many taps a change-out takes: counted in the browser, and told beforehand from the procedure's steps alone."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
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
const OF_A_FORM = "form[data-mark], form[action='/signin']";
window.addEventListener("click", event => {
  if (!event.isTrusted) return;
  const at = event.target.closest("a, button, summary");
  if (at && !at.form?.matches(OF_A_FORM)) window.counted(0, 0, 0, 1);
}, true);
window.addEventListener("submit", event => {
  const form = event.target;
  if (!form.matches(OF_A_FORM)) return;
  const controls = [...form.elements].filter(item => !item.disabled && item.type !== "hidden");
  const ticked = controls.filter(item => ["radio", "checkbox"].includes(item.type) && item.checked);
  const picked = controls.filter(item => item.matches("select:not([data-worker])") && item.value);
  const typed = controls.filter(item => ["text", "date", "password", "textarea"].includes(item.type) && item.value);
  window.counted(1, ticked.length + picked.length, typed.length, 0);
}, true);
"""


@dataclass(frozen=True)
class Taps:
    """Forms sent, each with one tap of its button; answers chosen; fields typed into; links and all else pressed."""

    sent: int = 0
    chosen: int = 0
    typed: int = 0
    links: int = 0

    def __add__(self, other: "Taps") -> "Taps":
        return Taps(
            self.sent + other.sent, self.chosen + other.chosen, self.typed + other.typed, self.links + other.links
        )

    @property
    def all(self) -> int:
        """Every touch of the glass, a field counted as one."""
        return self.sent + self.chosen + self.typed + self.links


SIGN_IN = Taps(sent=1, chosen=1, typed=2)
"""The own name, the secret, the name of the tablet, and the button."""


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


def beyond(counted: Mapping[str, Taps], needs: Mapping[str, Taps]) -> dict[str, int]:
    """Return every step, or what comes before them, that took more taps than it needs, with how many more."""
    more = {name: taps.all - needs.get(name, Taps()).all for name, taps in counted.items()}
    return {name: count for name, count in more.items() if count > 0}


def what_for(step: Step) -> str:
    """Say what the taps of a step are for, but for those of a second person."""
    if step.kind is StepKind.HOLD:
        return "holds"
    if step.says:
        return "pauses"
    return "rows of locks" if step.table else "marks with their evidence"


@dataclass
class Shift:
    """Two people with a tablet each, and what every touch of theirs was for."""

    job: Staged
    tablets: dict[str, Tablet]
    counted: dict[str, Taps] = field(default_factory=dict)
    doing: str = "sign in"
    at: str = ""

    def count(self, _: Any, sent: int, chosen: int, typed: int, links: int) -> None:
        """Count a touch for what is being done."""
        self.counted[self.doing] = self.counted.get(self.doing, Taps()) + Taps(sent, chosen, typed, links)

    def sign_in(self) -> None:
        """Let both sign in; each tablet then stands on the first page."""
        for name, tablet in self.tablets.items():
            tablet.sign_in(name)

    def do_step(self, step: Step) -> None:
        """Let whoever does a step do it; a tablet that was not in use is led to the job by one link."""
        self.doing = step.id
        name = doer(step)
        tablet = self.tablets[name]
        if name != self.at:
            with tablet.page.expect_navigation():
                tablet.page.locator(f'a[href="/jobs/{self.job.job}/now"]').first.click()
        self.at = name
        tablet.do_step()


def doer(step: Step) -> str:
    """Return at whose tablet a step is done."""
    return EYES if step.kind is StepKind.VERIFY else HANDS


def needs_of(steps: Sequence[Step], points: int, crew: int) -> dict[str, Taps]:
    """Return what a change-out needs: two sign-ins, each step, and one link wherever the other tablet goes on."""
    found, at = {"sign in": SIGN_IN + SIGN_IN}, ""
    for step in steps:
        found[step.id] = needed(step, points, crew) + Taps(links=doer(step) != at)
        at = doer(step)
    return found


@pytest.fixture
def shift(tmp_path: Path, browser: Browser) -> Iterator[Shift]:
    """Serve a site with a fresh job on the housing with one filter, of which everybody has read the brief."""
    with served(tmp_path) as (address, running), ExitStack() as stack:
        job = Staged(running, "EF-07")
        job.do(Acknowledge(Part.RELEASE, "I know the cuts and when to stop."), NIGHT_LEAD)
        found = Shift(job, {})
        for name in (HANDS, EYES):
            context = browser.new_context(viewport={"width": 1280, "height": 800})
            stack.callback(context.close)
            context.set_default_timeout(DEADLINE_MS)
            context.expose_binding("counted", found.count)
            context.add_init_script(COUNTS)
            found.tablets[name] = Tablet(context.new_page(), address)
        yield found


def due(job: Staged) -> Step | None:
    """Return the step that is due."""
    return job.running.site.jobs.state(job.job).due


def test_an_ordinary_change_out_takes_the_taps_that_its_steps_need(
    shift: Shift, capsys: pytest.CaptureFixture[str]
) -> None:
    """One filter, a crew of two with a tablet each: no screen asks for a tap that no step, mark or evidence needs.

    From the sign-in on, links included; the brief, the packages and the review have taps of their own.
    """
    opened, model = shift.job.state.opened, shift.job.state.model
    assert opened is not None
    assert model is not None
    assert [len(port.positions) for port in model.ports] == [1]

    shift.sign_in()
    while (step := due(shift.job)) is not None:
        shift.do_step(step)

    state = shift.job.running.site.jobs.state(shift.job.job)
    assert state.stage is Stage.WORK_DONE
    steps = [step for step in opened.steps if applies(step, opened.steps)]
    points = len(opened.housing.points)
    expected = needs_of(steps, points, len(opened.crew))
    assert beyond(shift.counted, expected) == {}
    assert shift.counted == expected
    with capsys.disabled():
        print(told(opened.housing.tag, steps, shift.counted))


def told(tag: str, steps: Sequence[Step], counted: Mapping[str, Taps]) -> str:
    """Say how many taps there were, by what the hand does and by what they are for."""
    total = sum(counted.values(), Taps())
    for_what: Counter[str] = Counter({"signing in": counted["sign in"].all, "links": total.links})
    for step in steps:
        beside = {None: 0, Second.WITNESS: 1, Second.CONCURRENT: step.marks}[step.second]
        for_what["second persons"] += 2 * beside
        for_what[what_for(step)] += counted[step.id].all - counted[step.id].links - 2 * beside
    assert for_what.total() == total.all
    listed = ", ".join(f"{name} {count}" for name, count in for_what.most_common())
    return (
        f"\n{tag}, one filter, {len(steps)} steps: {total.all} taps, of which {total.sent} send a form, {total.chosen} "
        f"choose, {total.typed} begin a field and {total.links} follow a link; for {listed}"
    )


def test_a_tap_more_than_a_step_needs_is_counted_and_its_step_is_named(shift: Shift) -> None:
    """A look at another page and the way back are two taps, whatever they touch; so is a folded part of the form."""
    shift.sign_in()
    first = due(shift.job)
    assert first is not None
    page = shift.tablets[HANDS].page
    shift.do_step(first)
    second = due(shift.job)
    assert second is not None
    shift.doing = second.id
    with page.expect_navigation():
        page.get_by_role("link", name="Log", exact=True).first.click()
    with page.expect_navigation():
        page.locator(f'a[href="/jobs/{shift.job.job}/now"]').first.click()
    page.locator("details.more summary").first.click()
    shift.do_step(second)

    expected = needs_of([first, second], 3, 2)

    assert beyond(shift.counted, expected) == {second.id: 3}

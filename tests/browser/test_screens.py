"""Every page at both sizes of tablet and in both colour schemes: nothing cut off, large enough, enough contrast."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Request

from app.bootstrap import Running
from app.cli import furnish
from app.domain.commands import Begin, Correct, ExplainStop, Finish, Reopen, StopWork, Submit, WriteNote
from app.domain.deciding.leaving import suspend_looks
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, ReturnToWork, SignHandover, Suspend, TakeOver
from app.domain.paper import PrintBlank
from app.domain.procedure import StepKind
from app.services.rehearsal import commands_for, looks_as_recorded, made_up_answers
from tests.browser.driver import ADMIN, EYES, HANDS, LEAD, OFFICER, Tablet, served
from tests.browser.stage import Staged

EXAMINE = (Path(__file__).parent / "examine.js").read_text("utf-8")
MM = 132 / 25.4  # CSS pixels in a millimetre of a 10-inch tablet
CONTROL_PX, OTHER_PX, WORK_TEXT_PX, TEXT_PX = 20 * MM, 44, 26, 18
SIZES = ((1280, 800), (800, 1280))
SCHEMES = ("bright", "dim")
FIRST_VISIT_BYTES = 150_000

# Panels by what the step due asks; the hazards before the door are the longest.
PANELS = {
    "nothing but a mark": "Tape the raw edge of the package",
    "reading and choice": "Count the new bags",
    "several readings": "Test the HEPA bank",
    "text": "Apply a lock",
    "two hazards, begin": "Take the door off",
    "photo": "Tape the raw edge of the stub",
    "hold": "Release the opening",
    "verify": "Count the ties",
    "pause": "Pause with the crew before EF-03",
    "pause before a cut": "Pause with the crew before the first cut",
    "pause before service": "returns to service",
    "drawn neck": "Cut the neck midway",
    "stub in a bag": "Draw the stub off",
    "limit": "Read the torque",
    "three ports": "",
}


@dataclass(frozen=True)
class Shown:
    """One page to examine: its name, path, who looks, and whether it is a work screen."""

    name: str
    path: str
    who: str
    work: bool = False


@dataclass(frozen=True)
class Set:
    """The site and all its pages."""

    address: str
    pages: tuple[Shown, ...]


def panels(running: Running) -> Iterator[Shown]:
    """Bring one job to each kind of panel of the step that is due."""
    for name, words in PANELS.items():
        staged = Staged(running, "EF-11" if name == "three ports" else "EF-03")
        staged.do_until(words)
        if name in ("photo", "limit", "text") and staged.state.due and staged.state.due.marks == 2:
            staged.do(Begin(staged.state.due.id), HANDS)
        yield Shown(f"step: {name}", f"/jobs/{staged.job}/now", HANDS, work=True)


def stages(running: Running) -> Iterator[Shown]:
    """Bring jobs to each stage other than a step that is due."""
    fresh = Staged(running, briefed=False)
    yield Shown("to be briefed", f"/jobs/{fresh.job}/now", HANDS, work=True)
    yield Shown("brief", f"/jobs/{fresh.job}/brief", HANDS)
    stopped = Staged(running).do_until("Crimp one metal band on the ring side")
    stopped.do(StopWork(), HANDS)
    yield Shown("stopped", f"/jobs/{stopped.job}/now", HANDS, work=True)
    told = Staged(running, "EF-07").do_until("Cut the neck midway")
    told.do(StopWork(), HANDS)
    told.do(ExplainStop("interrupted", "Evacuation alarm in the plant room, nobody hurt."), HANDS)
    yield Shown("stopped, explained", f"/jobs/{told.job}/now", LEAD, work=True)
    yield Shown("reopen", f"/jobs/{told.job}/reopen", LEAD)
    looking = Staged(running).do_until("Cut the neck midway")
    looking.do(StopWork(), HANDS)
    looking.do(ExplainStop("unexpected", "a sound"), HANDS)
    looking.do(Reopen("Look at all of it first."), LEAD)
    yield Shown("looks", f"/jobs/{looking.job}/now", HANDS, work=True)
    yield from leaving(running)
    outside = Staged(running).do_until("Test the HEPA bank")
    assert outside.state.due is not None
    answers = made_up_answers(outside.state.due) | {"downstream": "0.0085", "downstream.again": "0.0086"}
    outside.do(Finish(outside.state.due.id, answers, second=outside.who(EYES)), HANDS)
    yield Shown("two entries differ", f"/jobs/{outside.job}/now", HANDS, work=True)
    answers |= {"downstream": "0.9", "downstream.again": "0.9"}
    outside.do(Finish(outside.state.due.id, answers, second=outside.who(EYES), reconciled="range switch"), HANDS)
    yield Shown("stopped by a reading", f"/jobs/{outside.job}/now", LEAD, work=True)
    outside.go_on()
    yield Shown("attempt outside", f"/jobs/{outside.job}/now", HANDS, work=True)
    full = Staged(running).do_until("Verify that the filter clamp")
    torque = next(step for step in full.state.steps if step.text.startswith("Read the torque"))
    full.do_until("Roll the last bag")
    full.do(Correct(torque.id, "upper", "9.4", "Read off the wrong line of the scale."), HANDS)
    yield Shown("due again", f"/jobs/{full.job}/now", HANDS, work=True)
    yield Shown("overview", f"/jobs/{full.job}", HANDS)
    number = full.state.index[torque.id] + 1
    yield Shown("read ahead", f"/jobs/{full.job}/steps/{number}", HANDS)
    door = full.state.index["port/P1/open/door"] + 1
    yield Shown("read ahead, hazards", f"/jobs/{full.job}/steps/{door}", HANDS)
    yield Shown("change", f"/jobs/{full.job}/steps/{number}/change", HANDS)
    done = Staged(running).do_until("Read the torque")
    done.do(StopWork(), HANDS)
    done.do(ExplainStop("unexpected", "a sound"), HANDS)
    done.do(Reopen("Go on after the look."), LEAD)
    while done.state.due is not None:
        for command, by in commands_for(done.state, done.cast()):
            done.do(command, by.name)
    yield Shown("end, to answer", f"/jobs/{done.job}/now", LEAD, work=True)
    yield Shown("questions", f"/jobs/{done.job}/questions", HANDS)
    done.do(WriteNote("The lamp at the upstream damper flickers."), HANDS)
    yield Shown("log", f"/jobs/{done.job}/log", HANDS)
    review = Staged(running).do_until("Draw the spent filter")
    review.do(StopWork(), HANDS)
    review.do(ExplainStop("unexpected", "a sound"), HANDS)
    review.do(Reopen("Go on after the look."), LEAD)
    review.do_until("no step has these words")
    yield Shown("lessons", "/lessons", LEAD)
    ended = Staged(running).do_until("no step has these words")
    yield Shown("end, to hand over", f"/jobs/{ended.job}/now", LEAD, work=True)
    review.do(Submit(), LEAD)
    yield Shown("in review", f"/jobs/{review.job}/now", OFFICER, work=True)
    yield Shown("review", f"/jobs/{review.job}/review", OFFICER)
    yield Shown("record", f"/jobs/{review.job}/record", OFFICER)
    yield Shown("certificate", f"/jobs/{review.job}/certificate/hepa", OFFICER)
    yield Shown("certificate, test failed", f"/jobs/{outside.job}/certificate/hepa", HANDS)


def leaving(running: Running) -> Iterator[Shown]:
    """Bring jobs to each screen of leaving, coming back, handing over and paper."""
    rest, amid = (
        Staged(running).do_until(words) for words in ("Draw the spent filter", "Tape the raw edge of the stub")
    )
    yield Shown("suspend", f"/jobs/{rest.job}/suspend", HANDS, work=True)
    yield Shown("suspend, not at rest", f"/jobs/{amid.job}/suspend", HANDS, work=True)
    yield Shown("suspend, not at rest, lead", f"/jobs/{amid.job}/suspend", LEAD, work=True)
    suspended, unread, looking, signing = (suspended_at(running, "Draw the spent filter") for _ in range(4))
    yield Shown("suspended", f"/jobs/{suspended.job}/now", HANDS, work=True)
    yield Shown("take over", f"/jobs/{suspended.job}/handover", EYES, work=True)
    yield Shown("sheet to hand over", f"/jobs/{suspended.job}/sheet", HANDS)
    yield Shown("where a job stands, to read", f"/read/{suspended.job}", "")
    unread.do(ReturnToWork(), HANDS)
    yield Shown("next thing", f"/jobs/{unread.job}/now", HANDS, work=True)
    looking.do(ReturnToWork(), HANDS)
    looking.do(ReadNext(), HANDS)
    elsewhere = [look for look in looking.state.rechecks if look.group != "Port P1"]
    looking.do(AnswerLooks(looks_as_recorded(elsewhere)), HANDS)
    yield Shown("looks at a port", f"/jobs/{looking.job}/now", HANDS, work=True)
    signing.do(TakeOver(signing.who(HANDS), tuple(DOCUMENTS)), EYES)
    signing.do(ReadNext(), EYES)
    yield Shown("walk-down of somebody else", f"/jobs/{signing.job}/now", HANDS, work=True)
    signed = suspended_at(running, "Draw the spent filter")
    signed.do(TakeOver(signed.who(HANDS), tuple(DOCUMENTS)), EYES)
    signed.do(ReadNext(), EYES)
    signed.do(AnswerLooks(looks_as_recorded(signed.state.rechecks)), EYES)
    yield Shown("hand-over to sign", f"/jobs/{signed.job}/now", EYES, work=True)
    over = suspended_at(running, "Remove the locks")
    over.do(TakeOver(over.who(HANDS), tuple(DOCUMENTS)), EYES)
    over.do(ReadNext(), EYES)
    over.do(AnswerLooks(looks_as_recorded(over.state.rechecks)), EYES)
    over.do(SignHandover(), HANDS)
    over.do(SignHandover(), EYES)
    yield Shown("handed over, own locks still on", f"/jobs/{over.job}/now", HANDS, work=True)
    amid.do(PrintBlank(), HANDS)
    yield Shown("paper", f"/jobs/{amid.job}/paper", HANDS)
    yield Shown("from paper", f"/jobs/{amid.job}/blanks/1/entry", HANDS)
    yield Shown("from paper, beside the steps", f"/jobs/{amid.job}/blanks/1/beside", HANDS)


def suspended_at(running: Running, words: str) -> Staged:
    """Bring a job to the step whose action holds these words, and leave it there."""
    made = Staged(running).do_until(words)
    seen = looks_as_recorded(suspend_looks(made.state))
    made.do(Suspend("shift_end", seen, "control room, by radio", "Draw the spent filter, then gather the neck."), HANDS)
    return made


@pytest.fixture(scope="module")
def staged(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Set]:
    """Serve a site with a job in every state, and list its pages."""
    with served(tmp_path_factory.mktemp("screens")) as (address, running):
        furnish(running)
        plain = (
            Shown("signin", "/signin", ""),
            Shown("legend", "/legend", ""),
            Shown("front", "/", HANDS),
            Shown("front, officer", "/", OFFICER),
            Shown("housing", "/housings/EF-11", LEAD),
            Shown("plan", "/plan/EF-03", LEAD),
            Shown("plan, three ports", "/plan/EF-11", LEAD),
            Shown("about", "/about", HANDS),
            Shown("own secret", "/secret", HANDS),
            Shown("message", "/housings/none", HANDS),
            Shown("people", "/people", ADMIN),
            Shown("jobs in hand", "/in-hand", ADMIN),
            Shown("find a job", "/jobs", HANDS),
            Shown("labels", "/labels", HANDS),
            Shown("label of a housing", "/at/housing/EF-07", HANDS),
            Shown("suggested changes", "/suggestions", LEAD),
            Shown("figures", "/figures", LEAD),
            Shown("figures, years", "/figures/years", LEAD),
            Shown("access", "/access", LEAD),
            Shown("trail", "/trail", OFFICER),
            Shown("site settings", "/site", OFFICER),
            Shown("instruments", "/instruments", LEAD),
            Shown("instruments, read", "/instruments", HANDS),
            Shown("qualifications", "/qualifications", LEAD),
            Shown("due", "/due", HANDS),
            Shown("due, to plan", "/due", LEAD),
            Shown("history", "/housings/EF-03/history", LEAD),
            Shown("history, three banks", "/housings/EF-11/history", HANDS),
            Shown("locks by year", "/housings/EF-11/locks", HANDS),
            Shown("work in hand, to read", "/read", ""),
        )
        yield Set(address, (*panels(running), *stages(running), *plain))


def contexts(browser: Browser, staged: Set) -> Iterator[tuple[Page, Shown]]:
    """Give every page with the tablet of whoever looks at it, which has chosen the dim scheme."""
    made: dict[str, tuple[BrowserContext, Page]] = {}
    for shown in staged.pages:
        if shown.who not in made:
            context = browser.new_context(viewport={"width": SIZES[0][0], "height": SIZES[0][1]})
            context.add_cookies([{"name": "changeout_scheme", "value": "dim", "url": staged.address}])
            page = context.new_page()
            made[shown.who] = context, page
            if shown.who:
                Tablet(page, staged.address).sign_in(shown.who)
        yield made[shown.who][1], shown
    for context, _ in made.values():
        context.close()


@dataclass
class Walked:
    """What one walk over all pages found."""

    looks: list[str] = field(default_factory=list)
    says: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def walked(browser: Browser, staged: Set) -> Walked:
    """Open every page once, listen to it, and look at it in each size and scheme: its styles know no other source."""
    found = Walked()
    heard: set[Page] = set()
    for page, shown in contexts(browser, staged):
        if page not in heard:
            heard.add(page)
            listen(page, staged, found.says)
        before = len(found.says)
        page.goto(staged.address + shown.path)
        told = [fault for fault in found.says[before:] if shown.name != "message" or "status of 422" not in fault]
        found.says[before:] = [f"{shown.name}: {fault}" for fault in told]
        if page.locator("html").get_attribute("data-scheme") != "dim":
            found.looks.append(f"{shown.name}: not in the scheme that this tablet has chosen")
        least = WORK_TEXT_PX if shown.work else TEXT_PX
        wanted = {"work": shown.work, "controlPx": CONTROL_PX, "otherPx": OTHER_PX, "leastTextPx": least}
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            for scheme in SCHEMES:
                page.evaluate("scheme => { document.documentElement.dataset.scheme = scheme; }", scheme)
                faults = page.evaluate(EXAMINE, wanted)
                found.looks += [f"{shown.name}, {width}x{height}, {scheme}: {fault}" for fault in faults]
        page.set_viewport_size({"width": SIZES[0][0], "height": SIZES[0][1]})
    return found


def listen(page: Page, staged: Set, faults: list[str]) -> None:
    """Take down what a page complains of, and every request that leaves the site."""
    page.on("console", lambda said: faults.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("requestfailed", lambda request: faults.extend(failure(request)))
    page.on("request", lambda request: None if inside(request.url, staged) else faults.append(request.url))
    page.add_init_script("addEventListener('securitypolicyviolation', e => console.error(e.violatedDirective))")


def test_every_page_fits_and_can_be_read(walked: Walked) -> None:
    """Nothing scrolls sideways or is cut off; text has 7:1; controls are in reach; ids are unique; hazards in view."""
    assert not walked.looks, "\n".join(walked.looks)


def test_no_page_breaks_its_own_policy_or_leaves_the_site(walked: Walked) -> None:
    """No console error, no policy violation, no failed request, and no request to any other origin, on any page."""
    assert not walked.says, "\n".join(walked.says)


def failure(request: Request) -> list[str]:
    """Why a request failed; one given up because the next page was opened is no failure."""
    return [] if request.failure == "net::ERR_ABORTED" else [f"failed: {request.url} {request.failure}"]


def inside(url: str, staged: Set) -> bool:
    """Whether an address is of this site, or made by the page itself."""
    return url.startswith((staged.address, "data:", "blob:"))


def test_first_visit_is_small(browser: Browser, staged: Set) -> None:
    """All that a tablet loads on its first visit, sign-in and a step with its drawing, is at most 150 kB compressed."""
    context = browser.new_context()
    page = context.new_page()
    talk = context.new_cdp_session(page)
    sizes: list[float] = []
    talk.on("Network.loadingFinished", lambda told: sizes.append(told["encodedDataLength"]))
    talk.send("Network.enable")
    Tablet(page, staged.address).sign_in(HANDS)
    step = next(shown for shown in staged.pages if shown.work)
    page.goto(staged.address + step.path)
    page.wait_for_load_state("networkidle")
    scheme = page.locator("html").get_attribute("data-scheme")
    context.close()

    assert scheme == "bright", "what a tablet has that chose none"
    assert len(sizes) > 5
    assert sum(sizes) <= FIRST_VISIT_BYTES, sizes


def test_every_kind_of_step_was_shown(staged: Set) -> None:
    """The stage holds a panel for each kind of step that a screen distinguishes by what it asks."""
    names = {shown.name for shown in staged.pages}

    assert len(names) == len(staged.pages)
    assert {StepKind.HOLD, StepKind.VERIFY, StepKind.PAUSE} <= {name.removeprefix("step: ") for name in names}

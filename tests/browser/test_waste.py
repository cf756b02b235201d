"""Packages by hand: weighed at a tablet, put into a container, handed over at the desk, gone with the certificate."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from app.bootstrap import Running
from tests.browser.driver import DESK, HANDS, LEAD, OFFICER, UPRIGHT, SignIn, Tablet, served
from tests.browser.stage import Staged
from tests.browser.test_register import faults_at_both_sizes
from tests.browser.test_screens import CONTROL_PX, EXAMINE, OTHER_PX, SCHEMES, SIZES, TEXT_PX
from tests.builders import account_for_packages

DEADLINE_MS = 10_000


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[tuple[str, Running, str]]:
    """Serve a sample site with a job amid its work, one package made."""
    with served(tmp_path_factory.mktemp("waste")) as (address, running):
        yield address, running, Staged(running).do_until("Tape the raw edge of the stub").job


@pytest.fixture
def tablet(site: tuple[str, Running, str], browser: Browser) -> Iterator[Tablet]:
    """Yield a tablet at which nobody is signed in yet."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(DEADLINE_MS)
    yield Tablet(context.new_page(), site[0])
    context.close()


def test_a_package_is_weighed_at_the_tablet(site: tuple[str, Running, str], tablet: Tablet) -> None:
    """By a technician at the job; what is refused comes back with what was typed."""
    job, page = site[2], tablet.page
    name = f"{job.removeprefix('job-')}/1"
    tablet.sign_in(HANDS)
    tablet.go(f"/jobs/{job}")
    page.get_by_role("link", name="Packages", exact=True).click()
    expect(page.get_by_text("1 package, 1 not accounted for yet.")).to_be_visible()
    facts = page.locator("form[action$='/facts']")
    expect(facts.get_by_role("checkbox", name=name)).to_be_checked()
    facts.get_by_label("Gross weight, kg").fill("21.4")
    facts.get_by_label("Dose rate at contact").fill("60")
    tablet.send("Enter it", "/facts")
    expect(page.get_by_role("alert")).to_contain_text("Unit of the dose rates is missing")
    facts.get_by_label("Dose rate at 1 m").fill("0.8")
    facts.get_by_label("Unit of the dose rates").fill("mrem/h")
    facts.get_by_label("Dose rate meter").fill("RM-4")
    tablet.send("Enter it", "/facts")
    page.get_by_text("Label", exact=True).click()
    expect(page.locator(".label-text")).to_contain_text("Gross weight: 21.4 kg")
    expect(page.locator(".label-text")).to_contain_text("Transport label: YELLOW-III")


def test_a_package_goes_from_a_container_to_its_certificate(site: tuple[str, Running, str], tablet: Tablet) -> None:
    """By the lead at the desk, then by the safety officer; a wrong secret costs nothing that was typed."""
    _, running, job = site
    page, name = tablet.page, f"{job.removeprefix('job-')}/1"
    lead = next(person.who for person in running.people.everyone() if person.name == LEAD)
    running.site.waste.tell((name,), {"weight": "21.5"}, by=lead).result()
    tablet.sign_in(LEAD)
    tablet.go("/waste")
    box = page.locator("form[action$='/containers']")
    for label, told in {
        "Id on it": "B-1", "Inside in mm": "1800 x 1200 x 1200", "Empty, kg": "90", "Greatest gross": "900",
        "Where that weight": "its plate", "Where it stands": "yard", "Who answers": "B. Okafor",
    }.items():  # fmt: skip
        box.get_by_label(label).fill(told)
    box.get_by_label("Shape").select_option("box")
    tablet.send("Enter it", "/containers")
    page.get_by_role("link", name="B-1").click()
    page.get_by_role("checkbox", name=name).check(force=True)
    tablet.send("They are in it", "/B-1")
    expect(page.get_by_text("111.5 kg with what was weighed, 900 kg allowed, so 788.5 kg left.")).to_be_visible()

    tablet.go("/waste")
    give = page.locator("form[action$='/handovers']")
    give.get_by_role("checkbox", name="B-1").check(force=True)
    give.get_by_label("Received by").fill("D. Roos")
    give.get_by_label("Of (organisation)").fill("the carrier")
    give.get_by_label("Own id").fill(LEAD)
    give.get_by_label("Own secret").fill("not the one")
    tablet.send("Sign and hand over", "/handovers")
    expect(page.get_by_role("alert")).to_be_visible()
    expect(give.get_by_label("Received by")).to_have_value("D. Roos")
    expect(give.get_by_role("checkbox", name="B-1")).to_be_checked()
    tablet.give_secret("#handover-secret")
    tablet.send("Sign and hand over", "/handovers")
    expect(page.get_by_text(f"Out: {name}")).to_be_visible()

    tablet.sign_in(OFFICER)
    tablet.go("/waste")
    page.get_by_label("Hand-over").first.select_option("H-0001")
    page.get_by_label("Certificate's number").fill("C-77")
    page.get_by_label("Day on it").fill(running.site.clock().date().isoformat())
    tablet.send("It has come: the packages are gone", "/certificates")
    expect(page.get_by_text("Certificate C-77 of")).to_be_visible()
    expect(page.get_by_text("No package of any job is here.")).to_be_visible()


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_of_waste_fit_and_can_be_read(site: tuple[str, Running, str], browser: Browser, scheme: str) -> None:
    """As every page: nothing sideways or cut off, 7:1, controls in reach, ids unique; both sizes, all opened."""
    address, running, _ = site
    staged = Staged(running).do_until("no step has these words")
    number, waste, lead = staged.job.removeprefix("job-"), running.site.waste, staged.who(LEAD)
    box = f"A-{scheme}"
    told = {"container": box, "shape": "box", "inside": "1800 1200 1200", "empty_kg": "90", "most_kg": "900"}
    waste.keep_container(told | {"basis": "its plate", "place": "yard", "answers": "B. Okafor"}, by=lead).result()
    waste.place((f"{number}/1",), {"container": box}, by=lead).result()
    sent = waste.hand_over((f"{number}/2",), (), {"receiver": "D. Roos", "organisation": "it"}, by=lead, both=True)
    handover = max(sent.result().waste.handovers)
    faults: list[str] = []
    for width, height in SIZES:
        context = browser.new_context(viewport={"width": width, "height": height})
        context.add_cookies([{"name": "changeout_scheme", "value": scheme, "url": address}])
        tablet = Tablet(context.new_page(), address)
        tablet.sign_in(LEAD)
        for path in (f"/jobs/{staged.job}/packages", "/waste", f"/waste/{box}", f"/waste/handovers/{handover}"):
            tablet.go(path)
            tablet.page.evaluate("document.querySelectorAll('details').forEach(more => more.open = true)")
            wanted = {"work": False, "controlPx": CONTROL_PX, "otherPx": OTHER_PX, "leastTextPx": TEXT_PX}
            faults += [f"{path} {width}: {fault}" for fault in tablet.page.evaluate(EXAMINE, wanted)]
        context.close()

    assert not faults, "\n".join(faults)


def test_packages_are_added_by_a_technician_and_one_is_lost_by_the_lead(
    site: tuple[str, Running, str], at: SignIn
) -> None:
    """What is in it must be said; whoever worked there cannot enter a loss; what happened to it must be said, too."""
    address, running, _ = site
    staged = Staged(running, "EF-07").do_until("Tape the raw edge of the stub")
    path, number = f"/jobs/{staged.job}/packages", staged.job.removeprefix("job-")
    hands = at(address, HANDS, UPRIGHT)
    page = hands.page
    for what in ("", "suits and gloves", "wipes"):
        hands.go(path)
        form = page.locator("form[action$='/added']")
        form.get_by_label("What it is").select_option("ppe")
        form.get_by_label("What is in it").fill(what)
        hands.send("Enter the package", "/added")
        if not what:
            expect(page.get_by_role("alert")).to_contain_text("What is in the package")
            expect(form.get_by_label("What it is")).to_have_value("ppe")
        else:
            expect(page.locator("main")).to_contain_text(f"protective clothing: {what}")
    expect(page.get_by_role("heading", name=f"{number}/W2")).to_be_visible()
    expect(page.get_by_role("heading", name="Lost, or never made")).to_have_count(0)
    faults = faults_at_both_sizes(page)

    lead = at(address, LEAD, DESK)
    page = lead.page
    lead.go(path)
    form = page.locator("form[action$='/missing']")
    form.get_by_label("Package", exact=True).select_option(f"{number}/W2")
    form.get_by_label("What is so").select_option("lost")
    form.get_by_label("Who answers for it").fill(LEAD)
    form.get_by_label("What happened").fill("x")
    lead.send("Enter it for review", "/missing")
    expect(page.get_by_role("alert")).to_contain_text("1 characters were given")
    expect(form.get_by_label("Who answers for it")).to_have_value(LEAD)
    form.get_by_label("What happened").fill("not on the cart at the gate")
    faults += faults_at_both_sizes(page)
    lead.send("Enter it for review", "/missing")
    expect(page.locator("section", has_text=f"{number}/W2")).to_contain_text("LOST: not on the cart at the gate")
    assert faults == []


def test_a_package_that_comes_back_is_entered_by_the_safety_officer(
    site: tuple[str, Running, str], at: SignIn
) -> None:  # fmt: skip
    """None chosen is refused with all that was typed still there; then it waits with whoever answers for it."""
    address, running, _ = site
    staged = Staged(running, "EF-07").do_until("Release the opening")
    number = staged.job.removeprefix("job-")
    running.site.waste.add(staged.job, {"kind": "ppe", "what": "suits"}, by=staged.who(HANDS)).result()
    account_for_packages(running.site.waste, staged.job)
    given = {"receiver": "D. Roos", "organisation": "the carrier"}
    by = staged.who(LEAD)
    running.site.waste.hand_over((f"{number}/W1",), (), given, by=by, both=True).result()
    officer = at(address, OFFICER, UPRIGHT)
    page, faults = officer.page, []
    officer.go("/waste")
    handover = page.locator("section", has_text=f"Out: {number}/W1").locator("h3 a").inner_text()
    officer.open_up("Something came back")
    form = page.locator("form[action$='/returns']")
    form.get_by_label("Hand-over").select_option(handover)
    for label, told in {
        "Why": "its papers were another's", "Where it is now": "the waste point", "Who answers": OFFICER
    }.items():  # fmt: skip
        form.get_by_label(label).fill(told)
    officer.send("It is back", "/returns")
    expect(page.get_by_role("alert")).to_be_visible()
    expect(form.get_by_label("Why")).to_have_value("its papers were another's")
    form.get_by_role("checkbox", name=f"{number}/W1").check(force=True)
    faults += faults_at_both_sizes(page)
    officer.send("It is back", "/returns")
    expect(page.locator("ul.story li", has_text=f"{number}/W1")).to_contain_text("the waste point")
    expect(page.get_by_text(f"Out: {number}/W1")).to_have_count(0)
    assert faults == []

"""The pages of packages, from the step that makes them to the certificate, as people use them."""

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from app.domain.commands import Submit
from app.domain.refused import Refused
from tests.paper.tools import pages, unspaced
from tests.web.desk import SECRETS, Clock, Desk

FIRST_CUT = "Tape the raw edge of the stub"
END = "no step has these words"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A site with the sample people."""
    made = Desk.at(Path(tmp_path_factory.mktemp("waste")), Clock())
    yield made
    made.running.close()


@pytest.fixture(scope="module")
def job(desk: Desk) -> str:
    """A job whose work is done."""
    opened = desk.open_job()
    desk.work_until(opened, END, accounted=False)
    return opened


TRANSPORT = (
    "Transport label: YELLOW-III by 60 mrem/h at the surface and transport index 0.8 (49 CFR 172.403 label categories "
    "(read in the text itself or the copy named); 49 CFR 173.403 transport index, rounded up to 0.1 (from memory, not "
    "confirmed)); the safety officer decides\n"
)


def enter(
    desk: Desk, job: str, form: str, fields: Mapping[str, str], role: str = "technician", nth: int = 1
) -> tuple[int, str]:
    """Send one form of the page of packages."""
    answer = desk.post(desk.named(role, nth), f"/jobs/{job}/packages/{form}", **fields)
    return answer.status_code, answer.text


def test_a_package_has_its_number_as_soon_as_the_cut_is_made(desk: Desk) -> None:
    """Before the cut there is none; after it there is one, with where it comes from and what is open."""
    job = desk.open_job("EF-07")
    hands = desk.named("technician")
    desk.work_until(job, "Cut the neck midway")
    before = desk.get(hands, f"/jobs/{job}/packages").text

    desk.work_until(job, FIRST_CUT)
    after = desk.get(hands, f"/jobs/{job}/packages").text

    number = job.removeprefix("job-")
    assert "No cut has made a package yet" in before
    assert f"{number}/1</span> spent filter; an earlier stub in it is not known here" in after
    assert "weight, or why it was not weighed; place and owner" in after
    assert f"{number}/2" not in after


def test_the_step_that_labels_a_package_says_its_number(desk: Desk) -> None:
    """The number that the record gives is on the screen where the label is written."""
    job = desk.open_job("EF-07")
    desk.work_until(job, "Label the package")

    panel = desk.get(desk.named("technician"), f"/jobs/{job}/now").text

    assert f"This package is {job.removeprefix('job-')}/1: that number goes on its label." in panel


def test_what_the_steps_told_is_not_asked_again(desk: Desk, job: str) -> None:
    """Closure and receiver come from the job; only the weight is open at its end."""
    page = desk.get(desk.named("technician"), f"/jobs/{job}/packages").text

    assert page.count('<span class="verdict verdict-overdue">open</span> weight, or why it was not weighed</p>') == 3
    assert "3 packages, 3 not accounted for yet" in page
    assert "Closure checked by: Tomé Silva, both sides tied and banded, gap clear" in page
    assert "1 stub in the bag on the ring now" in page


def test_weights_readings_and_label(desk: Desk, job: str) -> None:
    """What is entered stands on the label, with the transport label that the dose rates ask for."""
    number = job.removeprefix("job-")
    one = {f"p.{number}/1": "on"}

    assert (
        enter(desk, job, "facts", one | {"weight": "21,4", "scale": "scale W-2", "sides": "640 x 640 x 320"})[0] == 303
    )
    read = {"contact": "60", "one_metre": "0,8", "dose_unit": "mrem/h", "dose_meter": "RM-4"}
    assert (
        enter(desk, job, "facts", one | read | {"serial": "A-3301", "hazard": "Cs-137", "stream": "solid, pressed"})[0]
        == 303
    )
    page = desk.get(desk.named("technician"), f"/jobs/{job}/packages").text

    for told in (
        "Gross weight: 21.4 kg, scale W-2", "Volume: 0.131072 m³ (640 x 640 x 320 mm outside)",
        "Dose rate: 60 mrem/h at contact, 0.8 mrem/h at 1 m (RM-4)", TRANSPORT,
        "Filter serial: A-3301", "Waste stream: solid, pressed", "Sealed by: Noor Haddad",
    ):  # fmt: skip
        assert told in page, told
    assert "Service and hazard: radioactive; Cs-137" in page


@pytest.mark.parametrize(
    ("form", "fields", "sentence"),
    [
        ("facts", {"p.1": "on", "weight": "heavy"}, "none of this job"),
        ("facts", {"p.{1}": "on", "weight": "heavy"}, "Gross weight"),
        ("facts", {"p.{1}": "on", "weight": "0"}, "Gross weight"),
        ("facts", {"p.{1}": "on"}, "Nothing new was given"),
        ("facts", {"weight": "20"}, "No package was chosen"),
        ("facts", {"p.{2}": "on", "weight": "20", "no_scale": "none here"}, "Leave one of them empty"),
        ("facts", {"p.{2}": "on", "contact": "5"}, "Unit of the dose rates is missing"),
        ("facts", {"p.{2}": "on", "p.{3}": "on", "serial": "X-1"}, "one package at a time"),
        ("facts", {"p.{2}": "on", "sides": "640 x 640"}, "give three"),
        ("weights", {"kg.{1}": "12.5", "kg.{2}": "heavy"}, "No weight of this form was entered"),
        ("weights", {"kg.{1}": "", "scale": "W-2"}, "No weight was given"),
        ("weights", {"kg.1": "12.5"}, "none of this job"),
        ("placed", {"p.{2}": "on", "place": "store", "answers": ""}, "Who answers for it"),
        ("placed", {"p.{2}": "on", "container": "B-9"}, "no container"),
        ("closure", {"package": "{2}", "whole": "perhaps", "seen": "taped"}, "Choose one of the two"),
        ("added", {"kind": "gold", "what": "a bar"}, "no kind of package"),
        ("added", {"kind": "ppe", "what": "gloves", "port": "P9"}, "no port"),
    ],
)
def test_a_refusal_is_told_on_the_page_with_what_was_typed(
    desk: Desk, job: str, form: str, fields: dict[str, str], sentence: str
) -> None:
    """One sentence, nothing written, what was typed is still there."""
    number, before = job.removeprefix("job-"), desk.running.site.jobs.site().size
    sent = {key: value for name, text in fields.items() for key, value in [_named(number, name, text)]}

    status, page = enter(desk, job, form, sent)

    assert status in (409, 422)
    assert sentence in page
    assert desk.running.site.jobs.site().size == before
    assert all(
        f'value="{text}"' in page
        for name, text in sent.items()
        if name in ("weight", "contact", "place") or name.startswith(f"kg.{number}/")
    )


def _named(number: str, name: str, text: str) -> tuple[str, str]:
    for n in "123":
        name, text = name.replace(f"{{{n}}}", f"{number}/{n}"), text.replace(f"{{{n}}}", f"{number}/{n}")
    return name, text


def test_whoever_sealed_a_package_does_not_check_it(desk: Desk, job: str) -> None:
    """The closure is looked at by another pair of eyes."""
    number = job.removeprefix("job-")
    seen = {"package": f"{number}/1", "whole": "yes", "seen": "taped all round"}

    refused = enter(desk, job, "closure", seen, nth=0)
    taken = enter(desk, job, "closure", seen)
    again = enter(desk, job, "closure", seen)

    assert (refused[0], taken[0], again[0]) == (422, 303, 422)
    assert "sealed package" in refused[1]
    assert "entered already" in again[1]


def test_the_job_goes_to_review_when_every_package_is_accounted_for(desk: Desk, job: str) -> None:
    """Refused with one sentence that names the package, until each has its weight or the reason why not."""
    lead, number = desk.named("lead"), job.removeprefix("job-")

    with pytest.raises(Refused, match=rf"Package {number}/2 \(.*\) lacks: weight.*\(1 more package open.\)"):
        desk.do(job, Submit(), lead)
    names = {f"p.{number}/2": "on", f"p.{number}/3": "on"}
    assert enter(desk, job, "facts", names | {"no_scale": "scale is out for calibration"})[0] == 303
    page = desk.get(lead, f"/jobs/{job}/packages").text

    assert "the account is even" in page
    assert desk.do(job, Submit(), lead).submitted is not None


def test_the_next_job_knows_of_the_stub_that_the_last_one_left(desk: Desk, job: str) -> None:
    """Opened on the same housing, it says so in its first entry and on its first package, and names the filter."""
    second = desk.open_job()
    opened = desk.running.site.jobs.state(second).opened
    desk.work_until(second, FIRST_CUT)
    page = desk.get(desk.named("technician"), f"/jobs/{second}/packages").text

    assert opened is not None
    assert [(item.port, item.stubs, item.job) for item in opened.rings or ()] == [("P1", 1, job.removeprefix("job-"))]
    assert "spent filter with 1 stub" in page
    assert f"as fitted by job {job.removeprefix('job-')}" in page


def test_a_job_beside_another_that_is_amid_its_work_claims_nothing_of_the_rings(desk: Desk) -> None:
    """Whichever cuts first takes the stub along; once the other's work is done, the next job knows again."""
    first = desk.open_job("EF-11")
    desk.work_until(first, END, accounted=False)
    one = desk.open_job("EF-11")
    beside = desk.open_job("EF-11")
    desk.work_until(one, END, accounted=False)
    desk.work_until(beside, END, accounted=False)
    after = desk.open_job("EF-11")

    rings = [opened.rings for job in (one, beside, after) if (opened := desk.running.site.jobs.state(job).opened)]
    assert [bool(found) for found in rings] == [True, False, True]
    assert rings[1] == ()


def test_an_added_package_is_accounted_for_like_the_others(desk: Desk) -> None:
    """Clothing has its number, its own closure check by somebody else, and a place; then nothing of it is open."""
    job = desk.open_job("EF-11")
    number = job.removeprefix("job-")
    desk.work_until(job, END)
    assert enter(desk, job, "added", {"kind": "ppe", "what": "hoods and gloves", "port": ""}, nth=0)[0] == 303
    with pytest.raises(Refused, match=rf"{number}/W1 .*closure check, weight.*place and owner"):
        desk.do(job, Submit(), desk.named("lead"))
    mine, looked = {f"p.{number}/W1": "on"}, {"package": f"{number}/W1"}
    assert enter(desk, job, "facts", mine | {"weight": "3.2"})[0] == 303
    assert enter(desk, job, "placed", mine | {"place": "bay 4", "answers": "N. Haddad"})[0] == 303
    assert enter(desk, job, "closure", looked | {"whole": "no", "seen": "neck open"})[0] == 303
    with pytest.raises(Refused, match="closure check"):
        desk.do(job, Submit(), desk.named("lead"))
    assert enter(desk, job, "closure", looked | {"whole": "yes", "seen": "taped again"})[0] == 303

    assert desk.do(job, Submit(), desk.named("lead")).submitted is not None


def test_what_a_lead_lets_pass_is_opened_in_review(desk: Desk) -> None:
    """An exception with its reason lets the job through; the safety officer cannot accept without opening it."""
    job = desk.open_job("EF-11")
    number, lead, officer = job.removeprefix("job-"), desk.named("lead", 1), desk.named("safety officer")
    desk.work_until(job, END, accounted=False)
    count = len(desk.running.site.waste.of_job(job)[2])
    for n in range(1, count):
        excused = {"package": f"{number}/{n}", "reason": "the scale is at the maker's"}
        assert enter(desk, job, "excused", excused, "lead", 1)[0] == 303
    waiting = desk.get(lead, f"/jobs/{job}/packages").text
    lost = {"package": f"{number}/{count}", "how": "never made", "reason": "ticked twice", "answers": "I. Varga"}
    assert enter(desk, job, "missing", lost, "lead", 1)[0] == 303
    page = desk.get(lead, f"/jobs/{job}/packages").text
    assert desk.do(job, Submit(), lead).submitted is not None

    assert (
        f"{count} packages, 1 not accounted for yet. The job goes to review when none is left. "
        f"{count - 1} left open by a lead, lost or never made: the safety officer opens these in review."
    ) in waiting
    assert (
        f"{count} packages, {count} left open by a lead, lost or never made: the safety officer opens these in review."
    ) in page
    assert "the account is even" not in page
    review = desk.get(officer, f"/jobs/{job}/review").text

    assert review.count("<b>Package left open</b>") == count - 1
    assert "<b>Package never made</b>" in review


# --- the desk -----------------------------------------------------------------------------------------

BOX = {
    "container": "B-1", "shape": "box", "inside": "1800 x 1200 x 1200", "empty_kg": "90", "most_kg": "150",
    "basis": "its plate", "place": "yard", "answers": "B. Okafor",
}  # fmt: skip


@pytest.fixture(scope="module")
def stored(desk: Desk) -> str:
    """A finished job of seven packages, each 20 kg and 640 x 640 x 320 mm, and the box B-1."""
    job = desk.open_job("EF-11")
    desk.work_until(job, END, accounted=False)
    names = {f"p.{name}": "on" for name in names_of(desk, job)}
    assert enter(desk, job, "facts", names | {"weight": "20", "sides": "640 640 320"})[0] == 303
    assert desk.post(desk.named("lead"), "/waste/containers", **BOX).status_code == 303
    return job


def names_of(desk: Desk, job: str) -> list[str]:
    """Return the numbers of a job's packages."""
    return [item.name for item in desk.running.site.waste.of_job(job)[2]]


def test_a_container_says_what_is_left_and_takes_no_more_than_it_may(desk: Desk, stored: str) -> None:
    """By rows 2 x 1 x 3 of 640 x 640 x 320 fit, counted by hand; three packages are the most by weight."""
    lead, names = desk.named("lead"), names_of(desk, stored)

    for name in names[:2]:
        assert desk.post(lead, "/waste/B-1", **{f"p.{name}": "on"}).status_code == 303
    page = desk.get(lead, "/waste/B-1").text
    rest = {f"p.{name}": "on" for name in names[2:]}
    refused = desk.post(lead, "/waste/B-1", **rest)

    assert "2 in it; 6 fit in whole rows counted as 320 × 640 × 640 mm each, so room for 4 more." in page
    assert "130 kg with what was weighed, 150 kg allowed, so 20 kg left." in page
    assert len(rest) >= 2
    assert refused.status_code == 422
    assert "more than the 150 kg that the site allows" in refused.text
    assert desk.post(lead, "/waste/B-1", **dict(list(rest.items())[:1])).status_code == 303
    too_big = {f"p.{names[-1]}": "on"}
    assert enter(desk, stored, "facts", too_big | {"sides": "1900 1900 100"})[0] == 303
    assert "does not go into B-1" in desk.post(lead, "/waste/B-1", **too_big).text


def test_what_is_not_ready_goes_nowhere(desk: Desk, stored: str) -> None:
    """A package without weight is put into no container and handed over to nobody."""
    job = desk.open_job("EF-11")
    desk.work_until(job, END, accounted=False)
    name, lead = names_of(desk, job)[0], desk.named("lead")

    put = desk.post(lead, "/waste/B-1", **{f"p.{name}": "on"})
    given = desk.post(
        lead, "/waste/handovers", **{f"p.{name}": "on"}, receiver="D. Roos", organisation="the carrier",
        secret=SECRETS[lead.name],
    )  # fmt: skip

    assert (put.status_code, given.status_code) == (422, 422)
    assert "lacks: weight" in put.text
    assert "lacks: weight" in given.text
    assert f'name="p.{name}"' not in desk.get(lead, "/waste").text


def test_hand_over_needs_the_giver_s_secret_and_the_receiver_s_name(desk: Desk, stored: str) -> None:
    """A wrong secret, no receiver, a package out of its container: refused; else signed and gone from the list."""
    lead, names = desk.named("lead"), names_of(desk, stored)
    taker = {"receiver": "D. Roos", "organisation": "the carrier"}

    def give(**fields: str) -> tuple[int, str]:
        answer = desk.post(lead, "/waste/handovers", **fields)
        return answer.status_code, answer.text

    assert give(**{"c.B-1": "on"}, **taker, secret="not the one")[0] == 403
    assert (
        "s name: 0 characters" in give(**{"c.B-1": "on"}, receiver="", organisation="x", secret=SECRETS[lead.name])[1]
    )
    assert "lies in container B-1" in give(**{f"p.{names[0]}": "on"}, **taker, secret=SECRETS[lead.name])[1]
    assert "Nothing was chosen" in give(**taker, secret=SECRETS[lead.name])[1]
    assert give(**{"c.B-1": "on"}, **taker, secret=SECRETS[lead.name])[0] == 303

    page, sheet = desk.get(lead, "/waste").text, desk.get(lead, "/waste/handovers/H-0001").text
    assert f"Out: {', '.join(names[:3])}" in page
    assert f'name="p.{names[0]}"' in page, "it may come back"
    assert '<a href="/waste/B-1">B-1</a>' not in page
    for told in ("D. Roos, the carrier", "I hand this waste over", "secret entered at signing", f"Package: {names[0]}"):
        assert told in sheet
    assert "is no longer here: handed over" in enter(desk, stored, "facts", {f"p.{names[0]}": "on", "weight": "9"})[1]


def test_what_came_back_has_an_owner_and_the_rest_goes_with_its_certificate(desk: Desk, stored: str) -> None:
    """One package returns to a place; with the certificate the others are gone from every list."""
    officer, names = desk.named("safety officer"), names_of(desk, stored)
    back = {"handover": "H-0001", f"p.{names[1]}": "on", "reason": "label came off", "place": "bay 4"}

    assert desk.post(officer, "/waste/returns", **back, answers="K. Roth").status_code == 303
    assert desk.post(officer, "/waste/returns", **back, answers="K. Roth").status_code == 422
    paid = {"handover": "H-0001", "certificate": "C-2026-77", "dated": "2026-03-02"}
    assert "after today" in desk.post(officer, "/waste/certificates", **{**paid, "dated": "2026-03-09"}).text
    assert desk.post(officer, "/waste/certificates", **paid).status_code == 303
    assert desk.post(officer, "/waste/certificates", **paid).status_code == 422
    page = desk.get(officer, "/waste").text
    own = desk.get(officer, f"/jobs/{stored}/packages").text

    left = desk.get(officer, "/waste/B-1").text

    assert "Left in it: 3" in left
    assert all(f"<b>{name}</b>" in left for name in names[:3])
    assert left.count("<p>Gone with H-0001, certificate C-2026-77</p>") == 2
    assert "<p>At bay 4</p>" in left
    assert "K. Roth answers for 1" in page
    assert f"<b>{names[0]}</b>" not in page
    assert "Certificate C-2026-77 of 2026-03-02." in page
    assert "Gone with H-0001, certificate C-2026-77; <b>D. Roos, the carrier</b>" in own


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"inside": "1800 1200"}, "needs three sides"),
        ({"shape": "drum"}, "needs bore and height"),
        ({"shape": "sphere"}, "no shape of a container"),
        ({"most_kg": "80"}, "Greatest gross weight"),
        ({"container": "a/b"}, "give an id of 1 to 40"),
        ({"container": "handovers"}, "an address of this program"),
        ({"basis": ""}, "Where the greatest weight comes from"),
        ({"container": "B-1"}, "left with H-0001"),
    ],
)
def test_a_container_that_cannot_be_is_refused(desk: Desk, stored: str, changed: dict[str, str], sentence: str) -> None:
    """One sentence, with what was typed still there."""
    answer = desk.post(desk.named("lead"), "/waste/containers", **(BOX | {"container": "B-2"} | changed))

    assert answer.status_code in (409, 422)
    assert sentence in answer.text
    assert 'value="yard"' in answer.text


def test_the_sheets_carry_the_labels_and_the_cautions(desk: Desk, stored: str, tmp_path: Path) -> None:
    """The list of a container and the sheet of a hand-over, read back by another program."""
    lead, name = desk.named("lead"), names_of(desk, stored)[1]
    drum = {"container": "D 7", "shape": "drum", "inside": "572 851", "empty_kg": "18", "most_kg": "400"}
    assert desk.post(lead, "/waste/containers", **(BOX | drum)).status_code == 303
    assert enter(desk, stored, "facts", {f"p.{name}": "on", "sides": "330 330 180"})[0] == 303
    assert desk.post(lead, "/waste/D%207", **{f"p.{name}": "on"}).status_code == 303

    listed = unspaced(" ".join(pages(desk.get(lead, "/waste/D%207/list.pdf").content, tmp_path)))
    sheet = unspaced(" ".join(pages(desk.get(lead, "/waste/handovers/H-0001/sheet.pdf").content, tmp_path)))

    gone = unspaced(" ".join(pages(desk.get(lead, "/waste/B-1/list.pdf").content, tmp_path)))
    page = desk.get(lead, "/waste/handovers/H-0001").text
    three = ", ".join(names_of(desk, stored)[:3])

    assert f"<dt>In container B-1</dt><dd>{three}</dd>" in page
    assert unspaced(three) in sheet
    assert all(unspaced(told) in gone for told in (*names_of(desk, stored)[:3], "3 packages", "H-0001"))
    for told in (name, "drum, bore and height 572 x 851 mm inside", "Gross weight", "The site's own instructions",
                 "A filter-less bag holds a stub"):  # fmt: skip
        assert unspaced(told) in listed, told
    for told in ("H-0001", "D. Roos, the carrier", "I hand this waste over", "C-2026-77", "Came back", "Sealed by",
                 "Weight of the packages", "all 3 weighed", "Container B-1 empty"):  # fmt: skip
        assert unspaced(told) in sheet, told


def test_the_trail_tells_every_entry_about_waste(desk: Desk, stored: str) -> None:
    """Each kind of entry has its sentence among the site's."""
    page = desk.get(desk.named("safety officer"), "/trail?kind=waste").text

    for told in ("Container B-1 was entered: box", "into container B-1", "handed over to D. Roos", "came back to bay 4",
                 "certificate C-2026-77", "was left open:", "never made", "NOT whole", "hoods and gloves"):  # fmt: skip
        assert told in page, told


def test_all_packages_are_weighed_on_one_form(desk: Desk) -> None:
    """Each gets its own weight and the scale's number; the form goes when one package at most is left."""
    job = desk.open_job()
    desk.work_until(job, END, accounted=False)
    number = job.removeprefix("job-")
    shown = desk.get(desk.named("technician"), f"/jobs/{job}/packages").text

    status, _ = enter(
        desk, job, "weights", {f"kg.{number}/1": "21,4", f"kg.{number}/2": "", f"kg.{number}/3": "3.2", "scale": "W-2"}
    )

    told = desk.running.site.jobs.site().waste.told
    page = desk.get(desk.named("technician"), f"/jobs/{job}/packages").text
    assert status == 303
    assert [shown.count(f'name="kg.{number}/{n}"') for n in (1, 2, 3)] == [1, 1, 1]
    assert [{name: fact.text for name, fact in told(f"{number}/{n}").items()} for n in (1, 2, 3)] == [
        {"weight": "21.4", "scale": "W-2"}, {}, {"weight": "3.2", "scale": "W-2"}
    ]  # fmt: skip
    assert "Enter the weights" in shown
    assert "Enter the weights" not in page

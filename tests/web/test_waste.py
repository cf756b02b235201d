"""The pages of packages, from the step that makes them to the certificate, as people use them."""

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from app.domain.commands import Submit
from app.domain.refused import Refused
from tests.web.desk import Clock, Desk

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
    """Closure, label, receiver come from the job; only the weight is open at its end."""
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
    read = {"contact": "60", "one_metre": "0.8", "dose_unit": "mrem/h", "dose_meter": "RM-4"}
    assert (
        enter(desk, job, "facts", one | read | {"serial": "A-3301", "hazard": "Cs-137", "stream": "solid, pressed"})[0]
        == 303
    )
    page = desk.get(desk.named("technician"), f"/jobs/{job}/packages").text

    for told in (
        "Gross weight: 21.4 kg, scale W-2", "Volume: 0.131072 m³ (640 x 640 x 320 mm outside)",
        "Dose rate: 60 mrem/h at contact, 0.8 mrem/h at 1 m (RM-4)", "Transport label: YELLOW-III",
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
    assert all(f'value="{text}"' in page for name, text in sent.items() if name in ("weight", "contact", "place"))


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
    lost = {"package": f"{number}/{count}", "how": "never made", "reason": "ticked twice", "answers": "I. Varga"}
    assert enter(desk, job, "missing", lost, "lead", 1)[0] == 303
    assert desk.do(job, Submit(), lead).submitted is not None

    review = desk.get(officer, f"/jobs/{job}/review").text

    assert review.count("<b>Package left open</b>") == count - 1
    assert "<b>Package never made</b>" in review

"""The pages of the store room: what comes in is entered and inspected on them, what is refused comes back as typed."""

import re
from collections.abc import Iterator
from io import BytesIO

import pytest
from PIL import Image

from app.domain.event_base import Who
from app.domain.store import Kind, Store
from app.domain.storing import receipt_items
from tests.web.desk import Clock, Desk

FILTER = {"id": "f-1", "kind": "filter", "what": "24 x 24 x 11.5 in HEPA, gasket, 305 mm deep", "serial": "SN <1>",
          "count": "1", "made": "2025-06-01", "use_by": "", "maker_lot": "", "place": "shelf 2"}  # fmt: skip
BAGS = {"id": "B-1", "kind": "bag", "what": "ring 660", "count": "10", "use_by": "2027-01-01"}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """One sample site for all of these tests; each enters lots of its own."""
    made = Desk.at(tmp_path_factory.mktemp("store"), Clock())
    yield made
    made.running.close()


def store(desk: Desk) -> Store:
    """Return the store room as it stands."""
    return desk.running.site.jobs.site().store


def seen(kind: Kind, **other: str) -> dict[str, str]:
    """Return the fields of an inspection that found everything as asked, but for those given."""
    return {f"a.{name}": item.good for name, item in receipt_items(kind).items()} | other


def inspect(desk: Desk, who: Who, lot: str, kind: Kind, **other: str) -> int:
    """Enter an inspection and return the status of the answer."""
    return desk.post(who, f"/stock/{lot}/inspections", **seen(kind, verdict="accepted", reason="") | other).status_code


def test_a_lot_comes_in_is_inspected_and_may_be_used(desk: Desk) -> None:
    """Entering it leads to its inspection; before that it is not to be used, after it it is."""
    hands = desk.named("technician")
    sent = desk.post(hands, "/stock", **FILTER)
    before = desk.get(hands, "/stock").text

    answered = inspect(desk, hands, "F-1", Kind.FILTER)
    page = desk.get(hands, "/stock/F-1").text

    assert (sent.status_code, sent.headers["location"], answered) == (303, "/stock/F-1", 303)
    assert "1 lot waits to be inspected" in before
    assert "The filter SN &lt;1&gt; has not been inspected." in before
    assert "May be used." in page
    assert "made 2025-06-01" in page
    assert store(desk).lots["F-1"].verdict == "accepted"


def test_a_refused_inspection_comes_back_with_every_answer_and_the_photo(desk: Desk) -> None:
    """What is not as asked is not accepted; nothing of the form is lost, and the photo need not be taken again."""
    hands = desk.named("technician")
    desk.post(hands, "/stock", **FILTER | {"id": "F-2", "serial": "SN-2"})
    bad = receipt_items(Kind.FILTER)["media"].bad
    picture = BytesIO()
    Image.new("RGB", (8, 8)).save(picture, "JPEG")

    refused = desk.client(hands).post(
        "/stock/F-2/inspections",
        data=seen(Kind.FILTER, **{"a.media": bad, "verdict": "accepted", "reason": "as it is"}),
        files={"photo": ("a.jpg", picture.getvalue(), "image/jpeg")},
    )  # fmt: skip
    kept = re.search(r'name="photo_kept" value="([0-9a-f]{64})"', refused.text)
    assert kept is not None
    rejected = inspect(desk, hands, "F-2", Kind.FILTER, **{"a.media": bad, "verdict": "rejected", "reason": "torn",
                                                           "photo_kept": kept.group(1)})  # fmt: skip
    page = desk.get(hands, "/stock/F-2").text

    assert refused.status_code == 422
    assert f"Media is “{bad}”, so it is not accepted" in refused.text
    assert f'value="{bad}" checked' in refused.text
    assert 'value="as it is"' in refused.text
    assert rejected == 303
    assert "red label" in page
    assert f"/photos/{kept.group(1)}" in page
    assert desk.get(hands, f"/photos/{kept.group(1)}").status_code == 200


def test_an_inspection_that_names_a_photo_nobody_sent_is_refused(desk: Desk) -> None:
    """No entry names a picture that is not kept."""
    hands = desk.named("technician")
    desk.post(hands, "/stock", **BAGS | {"id": "B-2"})

    assert inspect(desk, hands, "B-2", Kind.BAG, photo_kept="ab" * 32) >= 400
    assert store(desk).lots["B-2"].inspected == ()


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"id": "a b"}, "Lot A B: id"),
        ({"kind": "rope"}, "is no kind of material"),
        ({"count": "many"}, "is no count"),
        ({"serial": ""}, "has a serial number of its own"),
        ({"place": "shelf \u202e two"}, ""),
    ],
)
def test_a_refused_lot_comes_back_as_typed(desk: Desk, typed: dict[str, str], told: str) -> None:
    """One sentence, and every field as it was."""
    new = FILTER | {"id": "F-3", "serial": "SN-3"}
    refused = desk.post(desk.named("technician"), "/stock", **new | typed)

    assert refused.status_code == 422
    assert told in refused.text
    assert 'value="2025-06-01"' in refused.text
    assert "F-3" not in store(desk).lots


def test_counts_and_lead_times_say_what_and_why(desk: Desk) -> None:
    """A count by anybody who works, a lead time by a lead or safety officer; both stand in the trail in sentences."""
    hands, lead = desk.named("technician"), desk.named("lead")
    desk.post(hands, "/stock", **BAGS)

    counted = desk.post(hands, "/stock/B-1/counts", now="8", count_reason="two torn & thrown away")
    without = desk.post(hands, "/stock/B-1/counts", now="7", count_reason="")
    set_by_hands = desk.post(hands, "/stock/lead-times", lead_kind="bag", days="30", lead_reason="quoted")
    chosen = desk.post(lead, "/stock/lead-times", lead_kind="bag", days="30", lead_reason="quoted")
    odd = desk.post(lead, "/stock/lead-times", lead_kind="bag", days="30 days", lead_reason="quoted")
    trail = desk.get(lead, "/trail?kind=store").text

    assert (counted.status_code, without.status_code, set_by_hands.status_code) == (303, 422, 403)
    assert (chosen.status_code, odd.status_code) == (303, 422)
    assert "<dt>Bag</dt><dd>30 days</dd>" in desk.get(hands, "/stock").text
    assert store(desk).lots["B-1"].left == 8
    for told in ("Lot B-1 was received: 10 of bag, ring 660.", "Lot B-1 was 10 and is 8: two torn &amp; thrown away.",
                 "Lead time of bag: was not known, now 30 days. quoted."):  # fmt: skip
        assert told in trail


def test_a_lot_that_is_not_there_is_said_so(desk: Desk) -> None:
    """An address of no lot is answered by a sentence."""
    answer = desk.get(desk.named("technician"), "/stock/NONE")

    assert answer.status_code == 422
    assert "There is no lot" in answer.text


def test_a_job_takes_only_filters_that_are_fit_and_no_other_job_gets_them(desk: Desk) -> None:
    """Refused on the panel with a sentence; what was read stands used in the store room and in the trail."""
    hands, lead = desk.named("technician"), desk.named("lead")
    one, two = desk.open_job(), desk.open_job()
    for job in (one, two):
        desk.work_until(job, "Read the serial number of the new")
    for lot, verdict in (("F-8", "rejected"), ("F-9", "accepted")):
        made = FILTER | {"id": lot, "serial": f"SN-{lot}", "what": "24x24x11.5 gasket"}
        assert desk.post(hands, "/stock", **made).status_code == 303
        assert inspect(desk, hands, lot, Kind.FILTER, verdict=verdict, reason="seen so") == 303

    desk.answer(one, hands, serial="SN-F-8")
    refused = desk.running.site.jobs.state(one).notables[-1].sentence
    before = [desk.get(lead, page).text for page in ("/stock", "/stock/F-9")]
    stands = desk.answer(one, hands, serial="sn-f-9").place
    unseen = [desk.get(lead, page).text for page in ("/stock", "/stock/F-9")]
    desk.answer(two, hands, serial="SN-F-9")
    desk.answer(one, desk.cast().eyes, serial="SN-F-9")

    assert "was rejected on inspection: seen so. Take another." in refused
    assert stands > desk.running.site.jobs.state(two).place
    assert f"went into {one}" in desk.running.site.jobs.state(two).notables[-1].sentence
    gone = desk.get(hands, "/stock/F-9").text
    assert "0 left, 1 used in job 2026-0001 on EF-03" in gone
    assert "Nothing of it is left here." in gone
    assert "May be used" not in gone
    assert f"of {one} a filter of the store room is at its housing." in desk.get(lead, "/trail?kind=store").text
    assert [plain(page) for page in unseen] == [plain(page) for page in before], "nobody reads here what they verify"


def plain(page: str) -> str:
    """Return a page without what is made anew with each showing of it."""
    return re.sub(r'value="[0-9a-zA-Z_-]{20,}"', "", page)


def test_what_a_label_says_is_corrected_on_the_lots_page(desk: Desk) -> None:
    """A filter that came without its maker's date gets it, is inspected and may be used; the page says what changed."""
    hands, lead = desk.named("technician"), desk.named("lead")
    desk.post(hands, "/stock", **FILTER | {"id": "F-20", "serial": "SN-20", "made": "", "what": "24 x 24 HEPA"})
    assert inspect(desk, hands, "F-20", Kind.FILTER) == 422
    fields = {"what": FILTER["what"], "serial": "SN-20", "made": "2025-06-01", "use_by": "", "maker_lot": "",
              "place": "shelf 4"}  # fmt: skip
    refused = desk.post(hands, "/stock/F-20/label", **fields | {"made": "2026-04-01"}, label_reason="report & carton")
    without = desk.post(hands, "/stock/F-20/label", **fields, label_reason="")
    sent = desk.post(hands, "/stock/F-20/label", **fields, label_reason="maker's report <2>")
    page = desk.get(hands, "/stock/F-20").text
    trail = desk.get(lead, "/trail?kind=store").text

    assert (refused.status_code, without.status_code, sent.status_code) == (422, 422, 303)
    assert 'value="2026-04-01"' in refused.text
    assert 'value="report &amp; carton"' in refused.text
    assert '<details class="more apart" open><summary>Correct what its label says' in refused.text
    assert "Corrections of its label" in page
    told = (
        f"type {FILTER['what']}, was 24 x 24 HEPA; made on 2025-06-01, was not given; kept at shelf 4, was shelf 2: "
        "maker&#39;s report &lt;2&gt;"
    )
    assert told in page
    assert f"Lot F-20 was corrected: {told}." in trail
    assert "has not been inspected." in page
    assert inspect(desk, hands, "F-20", Kind.FILTER) == 303
    assert "May be used." in desk.get(hands, "/stock/F-20").text
    moved = desk.post(hands, "/stock/F-20/label", place="shelf 9", label_reason="more room")
    assert moved.status_code == 303
    assert store(desk).lots["F-20"].verdict == "accepted"


def test_the_makers_test_report_is_entered_shown_and_corrected(desk: Desk) -> None:
    """At receipt or later; a refused form keeps it, and bags are not asked for one."""
    hands, lead = desk.named("technician"), desk.named("lead")
    report = {"report": "TR <7>", "tested_on": "2025-06-03", "efficiency": "99.97 %"}
    sent = FILTER | {"id": "F-40", "serial": "SN-40"} | report
    refused = desk.post(hands, "/stock", **sent | {"tested_on": "2025-05-01"})
    entered = desk.post(hands, "/stock", **sent)
    page = desk.get(hands, "/stock/F-40").text
    later = desk.post(hands, "/stock/F-40/label", efficiency="99.995 %", label_reason="the second page")
    desk.post(hands, "/stock", **BAGS | {"id": "B-40"})

    assert (refused.status_code, entered.status_code, later.status_code) == (422, 303, 303)
    assert 'value="TR &lt;7&gt;"' in refused.text
    assert "<dt>Maker&#39;s test report</dt><dd>TR &lt;7&gt; of 2025-06-03, 99.97 %</dd>" in page
    assert "TR &lt;7&gt; of 2025-06-03, 99.995 %" in desk.get(hands, "/stock/F-40").text
    trail = desk.get(lead, "/trail?kind=store").text
    assert "test report TR &lt;7&gt; of 2025-06-03, 99.97 %." in trail
    assert "efficiency 99.995 %, was 99.97 %" in trail
    assert 'name="report"' not in desk.get(hands, "/stock/B-40").text


def test_the_label_of_what_comes_in_many_has_no_serial_number_to_correct(desk: Desk) -> None:
    """Bags have none; a page that is sent one all the same is refused with what was typed."""
    hands = desk.named("technician")
    desk.post(hands, "/stock", **BAGS | {"id": "B-20"})
    page = desk.get(hands, "/stock/B-20").text
    refused = desk.post(hands, "/stock/B-20/label", serial="SN-20", label_reason="read again")

    assert 'name="serial"' not in page
    assert 'list="known"' in page
    assert refused.status_code == 422
    assert "has a serial number of its own" in refused.text


def test_the_registers_types_are_offered_and_one_that_no_housing_takes_is_told(desk: Desk) -> None:
    """Another may be typed; the page of the lot then says that no housing takes it."""
    hands = desk.named("technician")
    assert '<option value="24x24x11.5 gel"></option>' in desk.get(hands, "/stock").text
    for lot, what in (("F-30", "24 X 24 × 11.5 gel"), ("F-31", "24x24x11.5 jelly")):
        desk.post(hands, "/stock", **FILTER | {"id": lot, "serial": f"SN-{lot}", "what": what})
    told = "no housing on the register takes this type"
    assert [told in desk.get(hands, f"/stock/{lot}").text for lot in ("F-30", "F-31")] == [False, True]
    assert '<option value="24x24x11.5 gel"></option>' in desk.get(hands, "/stock/F-31").text


def test_a_lot_of_the_kit_that_may_not_be_used_is_told_at_the_step_that_uses_its_kind(desk: Desk) -> None:
    """Before it is in hand, among others that are good; at an earlier step and once it is accepted again, nothing."""
    hands, lead, room = desk.named("technician"), desk.named("lead"), desk.running.site.store_room
    job = desk.open_job("EF-07")
    seen = {name: item.good for name, item in receipt_items(Kind.TIE_STRAP).items()}
    for lot in ("T-1", "T-2"):
        room.receive({"id": lot, "kind": "tie strap", "what": "ties", "count": "40"}, by=hands).result()
        room.inspect(lot, seen, verdict="accepted", reason="", photo="", by=hands).result()
    room.stage(job, {"T-1": "10", "T-2": "10"}, by=hands).result()
    room.inspect("T-2", seen, verdict="held back", reason="brittle", photo="", by=lead).result()
    told = "The lot T-2 is held back: brittle. Take another."
    step = desk.running.site.jobs.state(job).step("port/P1/out-1/tie-package")
    assert step is not None

    desk.work_until(job, "Stop fan")
    before = desk.get(hands, f"/jobs/{job}/now").text
    desk.work_until(job, step.text)
    there = desk.get(hands, f"/jobs/{job}/now").text
    room.inspect("T-2", seen, verdict="accepted", reason="only one was", photo="", by=lead).result()
    after = desk.get(hands, f"/jobs/{job}/now").text

    assert [told in page for page in (before, there, after)] == [False, True, False]
    assert "T-1" not in there

"""Deciding over packages without storage: each refusal, each sum, and the account that keeps a record open."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import pytest

from app.calc.errors import ChangeoutError, Invalid
from app.domain.commands import Accept, Submit, Withdraw
from app.domain.decide import decide
from app.domain.event_base import Who
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import stamp_of
from app.domain.job_lines import JobLine, JobLines
from app.domain.packages import Told, WastePackage, packages_of
from app.domain.packing import room_in, total_words
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.site import InstrumentPutAside, SiteEvent, SiteState, evolve_site
from app.domain.waste import Whereabouts, waste_findings
from app.domain.wasting import (
    certificate_received,
    closure_checked,
    container_kept,
    handed_over,
    lacks,
    open_account,
    package_added,
    package_excused,
    package_missing,
    packages_placed,
    packages_told,
    waste_returned,
    where_of,
)
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, opened

AT, TODAY = "2026-03-02T07:15:00.000Z", date(2026, 3, 2)
ONE, TWO, BARE = "2026-0001/1", "2026-0001/2", "2026-0001/W1"
WHOLE = Told("both sides tied", "Tomé Silva", AT)


def package(name: str, closure: Told | None = WHOLE) -> WastePackage:
    """Return a spent filter in its bag, cut off by the technician."""
    return WastePackage(
        name=name, job="job-2026-0001", number="2026-0001", housing="EF-03", contents="spent filter",
        sealed=Told("cut", HANDS.name, AT), sealed_by=frozenset({HANDS.id}), lead=LEAD.name, closure=closure,
    )  # fmt: skip


KNOWN = {ONE: package(ONE), TWO: package(TWO), BARE: package(BARE, None)}
BOX = {
    "container": "B-1", "shape": "box", "inside": "1800 x 1200 x 1200", "empty_kg": "90", "most_kg": "150",
    "basis": "its plate", "place": "yard", "answers": "B. Okafor",
}  # fmt: skip
TAKER = {"receiver": "D. Roos", "organisation": "the carrier"}
COUNTER = Instrument(
    id="C-3", kind=InstrumentKind.COUNTER, description="counter", calibrated_on=date(2025, 1, 1), due=date(2026, 1, 1),
    efficiency="0.3",
)  # fmt: skip


class Site:
    """A site's ledger in memory."""

    def __init__(self) -> None:
        """Begin it, with a counter out of calibration."""
        self.state = replace(SiteState(), instruments={"C-3": COUNTER})
        self.today = TODAY

    def moment(self, by: Who = OTHER_LEAD) -> SiteMoment:
        """Return this person now."""
        return SiteMoment(self.state.size, AT, self.today, by)

    def keep(self, event: SiteEvent) -> None:
        """Append an entry."""
        self.state = evolve_site(self.state, event)

    def tell(self, *names: str, **facts: str) -> None:
        """Enter facts."""
        self.keep(packages_told(self.state, self.moment(), KNOWN, names, facts))

    def put(self, *names: str, **where: str) -> None:
        """Put packages somewhere."""
        self.keep(packages_placed(self.state, self.moment(), KNOWN, names, where))

    def box(self, **changed: str) -> None:
        """Enter the box."""
        self.keep(container_kept(self.state, self.moment(), BOX | changed))

    def give(self, *names: str, boxes: tuple[str, ...] = (), typed: Mapping[str, str] = TAKER) -> None:
        """Hand over."""
        self.keep(handed_over(self.state, self.moment(), KNOWN, names, boxes, typed, local_time=AT, both=True))

    def look(self, name: str, *, whole: bool = True, by: Who = EYES, seen: str = "taped and whole") -> None:
        """Check a closure."""
        self.keep(closure_checked(self.state, self.moment(by), KNOWN, name, seen=seen, whole=whole))


@pytest.fixture
def site() -> Site:
    """An empty one."""
    return Site()


@pytest.fixture
def ready(site: Site) -> Site:
    """One with the box, and two packages that were weighed."""
    site.box()
    site.tell(ONE, TWO, weight="20", sides="640 640 320")
    return site


def test_what_a_package_lacks_is_named_until_nothing_is(site: Site) -> None:
    """Closure, weight and owner, one after the other; the lead of the job answers until somebody else does."""
    assert lacks(site.state.waste, KNOWN[BARE]) == (
        "closure check", "weight, or why it was not weighed", "place and owner",
    )  # fmt: skip
    assert where_of(site.state.waste, KNOWN[BARE]).answers == LEAD.name
    site.look(BARE, whole=False, seen="neck open")
    site.tell(BARE, no_scale="no scale here")
    assert lacks(site.state.waste, KNOWN[BARE]) == ("closure check", "place and owner")
    site.look(BARE)
    site.put(BARE, place="bay 4", answers="N. Haddad")

    assert lacks(site.state.waste, KNOWN[BARE]) == ()
    assert where_of(site.state.waste, KNOWN[BARE]).answers == "N. Haddad"
    assert [told.partition(" (")[0] for told in open_account(site.state.waste, KNOWN.values())] == [
        f"Package {ONE}", f"Package {TWO}",
    ]  # fmt: skip


def test_a_closure_is_told_by_its_own_verification_or_not_at_all() -> None:
    """Taken back, it leaves nothing told; what was verified before it, here a serial number, is no closure."""
    bench = opened("EF-03")
    bench.run_to("in-2/cut")
    bench.run_to(steps=1)
    told = [item.closure for item in packages_of(bench.state)]
    bench.do(Withdraw("port/P1/in-2/closures", "looked at the other side"), EYES)
    after = [item.closure for item in packages_of(bench.state)]

    assert [item.text for item in told if item] == ["both sides tied and banded, gap clear"] * 3
    assert after == [*told[:2], None]


def test_who_took_the_packages_over_at_the_job_s_own_step_owns_them(site: Site) -> None:
    """The step's receiver answers at the waste point; nobody is asked again."""
    taken = replace(KNOWN[ONE], taken=Told("K. Roth", HANDS.name, AT))

    where = where_of(site.state.waste, taken)

    assert (where.kind, where.place, where.answers) == (Whereabouts.PLACE, "the waste point", "K. Roth")
    assert lacks(site.state.waste, taken) == ("weight, or why it was not weighed",)


def test_a_weight_takes_the_place_of_the_reason_and_back(site: Site) -> None:
    """The newest counts, and only one of the two."""
    site.tell(ONE, no_scale="no scale here")
    site.tell(ONE, weight="21.4", scale="W-2")
    assert set(site.state.waste.told(ONE)) == {"weight", "scale"}
    site.tell(ONE, no_scale="scale was wrong")

    assert set(site.state.waste.told(ONE)) == {"no_scale"}


@pytest.mark.parametrize(
    ("facts", "sentence"),
    [
        ({}, "Nothing new was given"),
        ({"weight": "20"}, "Nothing new was given"),
        ({"weight": "0"}, "must be more than 0"),
        ({"weight": "5001"}, "at most 5000"),
        ({"weight": "21", "no_scale": "none"}, "Leave one of them empty"),
        ({"no_scale": "x"}, "characters were given"),
        ({"sides": "640 640"}, "give three"),
        ({"hazard": "x" * 121}, "120 is the most"),
        ({"contact": "5"}, "Unit of the dose rates is missing"),
        ({"contact": "5", "dose_unit": "mrem/h"}, "Dose rate meter is missing"),
        ({"contact": "-5", "dose_unit": "mrem/h", "dose_meter": "RM-4"}, "Dose rate at contact -5 is outside 0 to"),
        ({"one_metre": "-0.1", "dose_unit": "mrem/h", "dose_meter": "RM-4"}, "Dose rate at 1 m -0.1 is outside 0 to"),
        ({"contact": "1,234", "dose_unit": "mrem/h", "dose_meter": "RM-4"}, "thousands or a decimal comma"),
        ({"smear": "OL", "smear_unit": "dpm", "smear_counter": "C-1"}, "off-scale"),
        ({"smear": "12", "smear_unit": "dpm", "smear_counter": "C-3"}, "calibration of C-3 was due"),
    ],
)
def test_facts_that_cannot_be_are_refused(ready: Site, facts: dict[str, str], sentence: str) -> None:
    """One sentence each, and nothing is entered."""
    with pytest.raises(ChangeoutError, match=sentence):
        ready.tell(ONE, **facts)


DOSE = {"contact": "60", "one_metre": "0.8", "dose_unit": "mrem/h", "dose_meter": "RM-4"}
SMEAR = {"smear": "12", "smear_unit": "dpm", "smear_counter": "C-1"}


@pytest.mark.parametrize(
    ("facts", "sentence"),
    [
        ({"dose_unit": "mSv/h"}, "mSv/h: Dose rate at contact of package 2026-0001/1 was read in another unit"),
        ({"dose_meter": "RM-5"}, "RM-5: Dose rate at contact .* with another instrument; enter it again"),
        (
            {"contact": "0.6", "dose_unit": "mSv/h", "dose_meter": "RM-4"},
            "mSv/h: Dose rate at 1 m of package 2026-0001/1 was read",
        ),
        ({"smear_unit": "Bq"}, "Bq: Smear of package 2026-0001/1 was read"),
        ({"smear_counter": "C-2"}, "C-2: Smear of package 2026-0001/1 was read"),
    ],
)
def test_a_reading_keeps_its_unit_and_its_instrument(site: Site, facts: dict[str, str], sentence: str) -> None:
    """Neither is changed under a reading that stands, of any package chosen; with the reading both may change."""
    site.tell(ONE, **DOSE, **SMEAR)
    with pytest.raises(Invalid, match=sentence):
        site.tell(TWO, ONE, **facts)
    again = {"contact": "0.6", "one_metre": "0.008", "smear": "3"}
    site.tell(ONE, **(again | {"dose_unit": "mrem/h", "smear_unit": "dpm"} | facts))

    told = site.state.waste.told(ONE)
    assert {name: told[name].text for name in facts} == facts


def test_a_reading_is_stored_with_a_decimal_point(site: Site) -> None:
    """So that the label can be worked out from it; a smear may lie below its background, a dose rate may be 0."""
    site.tell(ONE, **(DOSE | {"contact": "0", "one_metre": "0,80"}), **(SMEAR | {"smear": "\N{MINUS SIGN}1,5"}))

    told = site.state.waste.told(ONE)
    assert [told[name].text for name in ("contact", "one_metre", "smear")] == ["0", "0.80", "-1.5"]


@pytest.mark.parametrize(
    ("told", "again", "sentence"),
    [
        (SMEAR | {"smear_counter": "C-4"}, {"smear": "14"}, "calibration of C-4 was due on 2026-03-02, before"),
        (DOSE | {"dose_meter": "C-4"}, {"one_metre": "0.9"}, "calibration of C-4 was due"),
        ({"weight": "20", "scale": "C-4"}, {"weight": "21"}, "calibration of C-4 was due"),
        ({"weight": "20"}, {"scale": "C-5"}, "C-5 was put aside: dropped. Read again with an instrument in use."),
        (SMEAR | {"smear_counter": "C-5"}, {"smear": "14"}, "C-5 was put aside"),
        (SMEAR, {"smear": "14", "smear_counter": "C-6"}, "C-6 was calibrated on 2026-03-05, after the reading"),
    ],
)
def test_the_instrument_of_a_reading_is_in_use_and_in_calibration(
    site: Site, told: dict[str, str], again: dict[str, str], sentence: str
) -> None:
    """Whether it is named with the reading or stands beside it already, with any of the packages."""
    site.tell(ONE, **told)
    due = COUNTER.model_copy(update={"id": "C-4", "due": TODAY})
    late = COUNTER.model_copy(update={"id": "C-6", "calibrated_on": date(2026, 3, 5), "due": date(2027, 3, 5)})
    aside = InstrumentPutAside(seq=site.state.size, at=AT, by=OFFICER, instrument="C-5", reason="dropped")
    site.state = replace(site.state, instruments={"C-4": due, "C-6": late}, put_aside={"C-5": aside})
    site.today = TODAY + timedelta(days=1)

    with pytest.raises(Invalid, match=sentence):
        site.tell(*([TWO, ONE] if again.keys() == {"weight"} else [ONE]), **again)


def test_facts_of_several_packages_hold_no_serial(site: Site) -> None:
    """A serial is one filter's."""
    with pytest.raises(Invalid, match="one package at a time"):
        site.tell(ONE, TWO, serial="A-1")


@pytest.mark.parametrize("names", [(), ("2026-0001/9",), (ONE, "2026-0002/1")])
def test_no_package_is_invented(site: Site, names: tuple[str, ...]) -> None:
    """What no job has made is spoken of by nobody."""
    with pytest.raises(Invalid, match=r"[Nn]o package"):
        site.tell(*names, weight="20")


def test_the_closure_is_checked_by_somebody_else_and_once(site: Site) -> None:
    """Whoever sealed it does not; the same look again enters nothing."""
    with pytest.raises(Invalid, match="sealed package"):
        site.look(BARE, by=HANDS)
    site.look(BARE)
    with pytest.raises(Invalid, match="entered already"):
        site.look(BARE)


def test_a_container_takes_what_fits_and_may_be_carried(ready: Site) -> None:
    """By hand: 2 x 1 x 3 rows of 640 x 640 x 320 in 1800 x 1200 x 1200; 90 + 3 x 20 = 150 kg."""
    ready.put(ONE, TWO, container="B-1")
    room = room_in(ready.state.waste.containers["B-1"], ready.state.waste.within("B-1"), ready.state.waste.facts)

    assert (room.rows, room.rows_left) == (6, 4)
    assert (float(room.known), float(room.weight_left)) == (130.0, 20.0)
    ready.look(BARE)
    ready.tell(BARE, weight="20.1")
    with pytest.raises(Invalid, match="more than the 150 kg"):
        ready.put(BARE, container="B-1")
    ready.tell(BARE, weight="20", sides="1900 300 300")
    with pytest.raises(Invalid, match="does not go into B-1"):
        ready.put(BARE, container="B-1")
    ready.tell(BARE, sides="300 300 300")
    ready.put(BARE, container="B-1")
    with pytest.raises(Invalid, match="in container B-1 already"):
        ready.put(BARE, container="B-1")


def test_what_was_not_weighed_leaves_the_gross_weight_unknown(site: Site) -> None:
    """It may go in, and the room says so; without a reason it may not."""
    site.box()
    with pytest.raises(Invalid, match="lacks: weight"):
        site.put(ONE, container="B-1")
    site.tell(ONE, no_scale="no scale here")
    site.put(ONE, container="B-1")
    room = room_in(site.state.waste.containers["B-1"], (ONE,), site.state.waste.facts)

    assert room.unweighed == (ONE,)
    assert "GROSS NOT KNOWN" in room.words[1]
    assert "not known" in room.words[0]


def test_what_has_no_sides_leaves_the_rest_counted(ready: Site) -> None:
    """Two of 640 x 640 x 320 fit six times in whole rows, so four more, less what the soft one takes up."""
    ready.put(ONE, TWO, container="B-1")
    ready.look(BARE)
    ready.tell(BARE, weight="2")
    ready.put(BARE, container="B-1")
    room = room_in(ready.state.waste.containers["B-1"], ready.state.waste.within("B-1"), ready.state.waste.facts)

    assert (room.rows, room.rows_left, room.unmeasured) == (6, 4, (BARE,))
    assert room.words[0] == (
        "3 in it, 2 of them with sides; 6 fit in whole rows counted as 320 × 640 × 640 mm each, so room for 4 more, "
        f"less what {BARE} takes up: no sides."
    )


def test_a_total_names_what_was_not_weighed(ready: Site) -> None:
    """What is known is added up, and how many and which are missing from it."""
    facts = ready.state.waste.facts
    assert total_words((ONE, TWO), facts) == "40 kg, all 2 weighed"
    assert total_words((ONE, BARE), facts) == f"20 kg of 1 weighed; TOTAL NOT KNOWN: 1 not weighed ({BARE})"
    assert total_words((BARE,), facts) == f"not known; TOTAL NOT KNOWN: 1 not weighed ({BARE})"


def test_a_drum_takes_by_its_bore(site: Site) -> None:
    """A 24 x 24 filter fits no drum of 572 mm bore uncut; a 330 x 330 x 180 one does, four times in 851 mm."""
    site.keep(container_kept(site.state, site.moment(), BOX | {"shape": "drum", "inside": "572 851"}))
    site.tell(ONE, weight="20", sides="610 610 292")
    site.tell(TWO, weight="9", sides="330 330 180")
    with pytest.raises(Invalid, match="does not go into"):
        site.put(ONE, container="B-1")
    site.put(TWO, container="B-1")
    room = room_in(site.state.waste.containers["B-1"], (TWO,), site.state.waste.facts)

    assert room.rows == 4


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"container": ""}, "give an id"),
        ({"container": "returns"}, "an address of this program"),
        ({"shape": "cone"}, "no shape"),
        ({"inside": "1800 1200"}, "needs three sides"),
        ({"inside": "1800 1200 0"}, "outside 0.001"),
        ({"most_kg": "90"}, "must be more than 90"),
        ({"place": " "}, "The place"),
        ({}, "entered just so"),
    ],
)
def test_a_container_that_cannot_be_is_refused(site: Site, changed: dict[str, str], sentence: str) -> None:
    """One sentence each; the same once more enters nothing."""
    site.box()
    with pytest.raises(ChangeoutError, match=sentence):
        site.box(**changed)


def test_a_container_in_use_keeps_its_size(ready: Site) -> None:
    """Its owner may change, and with it that of what is in it; its size and weights only while it is empty."""
    ready.put(ONE, container="B-1")
    assert where_of(ready.state.waste, KNOWN[ONE]).answers == "B. Okafor"
    ready.box(answers="K. Roth")
    with pytest.raises(Invalid, match="its size and weights stay"):
        ready.box(most_kg="160")

    assert where_of(ready.state.waste, KNOWN[ONE]).answers == "K. Roth"


def test_places_are_entered_once_and_need_an_owner(site: Site) -> None:
    """Nothing is left without somebody who answers for it."""
    with pytest.raises(Invalid, match="Who answers"):
        site.put(ONE, place="bay 4")
    with pytest.raises(Invalid, match="no container"):
        site.put(ONE, container="B-7")
    site.put(ONE, place="bay 4", answers="K. Roth")
    with pytest.raises(Invalid, match="at bay 4 already"):
        site.put(ONE, place="bay 4", answers="K. Roth")


def test_a_hand_over_takes_whole_containers_of_closed_packages(ready: Site) -> None:
    """Nothing chosen, an empty box, a package out of its box, one that lacks something, no receiver: refused."""
    with pytest.raises(Invalid, match="Nothing was chosen"):
        ready.give()
    with pytest.raises(Invalid, match="is empty"):
        ready.give(boxes=("B-1",))
    ready.put(ONE, container="B-1")
    with pytest.raises(Invalid, match="lies in container B-1"):
        ready.give(ONE)
    with pytest.raises(Invalid, match="lacks: closure check"):
        ready.give(BARE)
    with pytest.raises(Invalid, match="The receiver's name"):
        ready.give(TWO, typed={"organisation": "the carrier"})
    ready.give(TWO, boxes=("B-1",))

    sent = ready.state.waste.handovers["H-0001"]
    assert sent.event.packages == (TWO, ONE)
    assert sent.event.by == OTHER_LEAD
    assert {where_of(ready.state.waste, KNOWN[name]).kind for name in (ONE, TWO)} == {Whereabouts.HANDED_OVER}
    with pytest.raises(Invalid, match="no longer here"):
        ready.tell(ONE, weight="9")
    with pytest.raises(Invalid, match="no longer here"):
        ready.put(ONE, place="bay", answers="K. Roth")
    with pytest.raises(Invalid, match="left with H-0001"):
        ready.put(BARE, container="B-1")
    with pytest.raises(Invalid, match="left with H-0001"):
        ready.box(answers="K. Roth")


def test_a_container_that_became_too_heavy_does_not_leave(ready: Site) -> None:
    """Weighed anew inside it: 90 + 20 + 45.5 kg are 5.5 kg more than the 150 that it may weigh."""
    ready.put(ONE, TWO, container="B-1")
    ready.tell(ONE, weight="45.5")
    waste = ready.state.waste

    words = room_in(waste.containers["B-1"], waste.within("B-1"), waste.facts).words[1]
    assert words == "155.5 kg with what was weighed, 150 kg allowed, so 5.5 kg too much."
    with pytest.raises(Invalid, match=r"B-1 weighs 155.5 kg, more than the 150 kg .* Take packages out first."):
        ready.give(boxes=("B-1",))
    ready.tell(TWO, no_scale="the scale is at its maker's")
    ready.tell(ONE, weight="60.5")
    waste = ready.state.waste
    words = room_in(waste.containers["B-1"], waste.within("B-1"), waste.facts).words[1]
    assert words.startswith("150.5 kg with what was weighed, 150 kg allowed, so 0.5 kg too much. GROSS NOT KNOWN")
    ready.tell(ONE, weight="60")
    ready.give(boxes=("B-1",))


def test_what_comes_back_and_what_is_gone(ready: Site) -> None:
    """A return needs a package that is out; a certificate comes once, not from the future, and ends it."""
    ready.give(ONE, TWO)
    back = {"reason": "label came off", "place": "bay 4", "answers": "K. Roth"}

    def returned(handover: str, *names: str) -> SiteEvent:
        return waste_returned(ready.state, ready.moment(), handover, names, back)

    def paid(handover: str, dated: str = "2026-03-02") -> SiteEvent:
        return certificate_received(ready.state, ready.moment(), handover, "C-77", dated)

    for handover, names in (("H-0009", (ONE,)), ("H-0001", ()), ("H-0001", (BARE,))):
        with pytest.raises(Invalid, match="Choose"):
            returned(handover, *names)
    ready.keep(returned("H-0001", ONE))
    with pytest.raises(Invalid, match="is not out"):
        returned("H-0001", ONE)
    with pytest.raises(Invalid, match=r"[Nn]o hand-over"):
        paid("H-0009")
    with pytest.raises(Invalid, match="after today"):
        paid("H-0001", "2026-03-03")
    ready.keep(paid("H-0001"))
    with pytest.raises(Invalid, match="has come"):
        paid("H-0001")
    with pytest.raises(Invalid, match="No hand-over"):
        returned("H-0001", TWO)

    kinds = [where_of(ready.state.waste, KNOWN[name]).kind for name in (ONE, TWO)]
    assert kinds == [Whereabouts.PLACE, Whereabouts.GONE]


def test_a_lost_package_is_searched_for_and_never_handed_over_unfound(ready: Site) -> None:
    """Lost closes the account, with an owner; before it leaves it must be found."""
    told = {"how": "lost", "reason": "not on the pallet", "answers": "K. Roth"}
    with pytest.raises(Invalid, match="lost or was never made"):
        package_missing(ready.state, ready.moment(), KNOWN, ONE, told | {"how": "eaten"})
    ready.keep(package_missing(ready.state, ready.moment(), KNOWN, ONE, told))
    with pytest.raises(Invalid, match="entered already"):
        package_missing(ready.state, ready.moment(), KNOWN, ONE, told)
    assert lacks(ready.state.waste, KNOWN[ONE]) == ()
    with pytest.raises(Invalid, match="where it was found"):
        ready.give(ONE)
    ready.put(ONE, place="bay 4", answers="K. Roth")
    ready.give(ONE)


def test_a_lost_package_stays_a_finding_after_it_was_found(ready: Site) -> None:
    """The reviewer opens every time it was entered; those of another job are not the reviewer's."""
    told = {"how": "lost", "reason": "Not on the pallet.", "answers": "K. Roth"}
    first, second = ready.state.size, ready.state.size + 2
    ready.keep(package_missing(ready.state, ready.moment(), KNOWN, ONE, told))
    ready.put(ONE, place="bay 4", answers="K. Roth")
    ready.keep(package_missing(ready.state, ready.moment(), KNOWN, ONE, told | {"reason": "Not in bay 4."}))
    ready.put(ONE, place="bay 4", answers="K. Roth")

    assert list(waste_findings(ready.state.waste, "2026-0001")) == [
        (first, "package lost", f"Package {ONE}: Not on the pallet. K. Roth answers for it."),
        (second, "package lost", f"Package {ONE}: Not in bay 4. K. Roth answers for it."),
    ]
    assert list(waste_findings(ready.state.waste, "2026-0002")) == []


def test_a_package_of_an_accepted_record_was_made(ready: Site) -> None:
    """While the job is in hand a step may have been marked by mistake; afterwards the package can only be lost."""
    told = {"how": "never made", "reason": "ticked twice", "answers": "K. Roth"}
    line = JobLine("job-2026-0001", "2026-0001", "EF-03", "change_out", AT)

    def missing(jobs: JobLines, **changed: str) -> SiteEvent:
        state = replace(ready.state, jobs=jobs)
        return package_missing(state, ready.moment(), KNOWN, ONE, told | changed)

    in_hand = JobLines().opened(line)
    accepted = in_hand.closed(line.job, size=9, at=AT)
    with pytest.raises(Invalid, match=r"The record of job 2026-0001 is accepted .* Enter the package as lost"):
        missing(accepted)
    assert missing(accepted, how="lost")
    assert missing(in_hand)
    assert missing(accepted.taken_up(line.job))


def test_an_exception_is_for_what_is_open_and_given_once(site: Site) -> None:
    """It ends the account's complaint about that package, and nothing else."""
    with pytest.raises(Invalid, match="characters were given"):
        package_excused(site.state, site.moment(), KNOWN, BARE, "x")
    site.keep(package_excused(site.state, site.moment(), KNOWN, BARE, "the scale is at its maker's"))
    with pytest.raises(Invalid, match="has an exception already"):
        package_excused(site.state, site.moment(), KNOWN, BARE, "the scale is at its maker's")
    site.tell(ONE, weight="20")
    site.put(ONE, place="bay 4", answers="K. Roth")
    with pytest.raises(Invalid, match="needs no exception"):
        package_excused(site.state, site.moment(), KNOWN, ONE, "the scale is at its maker's")

    assert len(open_account(site.state.waste, KNOWN.values())) == 1


def test_further_packages_have_numbers_of_their_own(site: Site) -> None:
    """Counted in the job; no kind, port or content that is not there."""
    bench = opened()

    def added(**changed: str) -> SiteEvent:
        return package_added(
            site.state, site.moment(), bench.state, {"kind": "ppe", "what": "hoods", "port": ""} | changed
        )

    for changed, sentence in (({"kind": "gold"}, "no kind"), ({"port": "P9"}, "no port"), ({"what": ""}, "What is")):
        with pytest.raises(Invalid, match=sentence):
            added(**changed)
    site.keep(added())
    site.keep(added(kind="tape", port="P1"))
    assert sorted(site.state.waste.added) == ["2026-0001/W1", "2026-0001/W2"]
    bench.state = replace(bench.state, accepted=stamp_of(bench.events[0]))
    with pytest.raises(Invalid, match="is accepted"):
        added()


def test_a_record_is_not_closed_over_an_open_package() -> None:
    """Submission and acceptance are refused with the first package by name, and with how many more there are."""
    bench = opened()
    bench.run_to()
    told = (f"Package {ONE} (spent filter) lacks: weight. Enter it under Packages.", "Package 2026-0001/2 lacks: it.")
    for packages, more in ((told[:1], ""), (told, " (1 more package open.)")):
        with pytest.raises(Refused) as refusal:
            decide(bench.state, Submit(), replace(bench.moment(LEAD), packages=packages))
        assert refusal.value.sentence == told[0] + more
    bench.do(Submit(), LEAD)
    with pytest.raises(Refused, match="lacks: weight"):
        decide(bench.state, Accept(), replace(bench.moment(OFFICER), packages=told))

"""The store room: receipt, inspection, kits and what is short, by examples worked out by hand."""

from collections.abc import Mapping
from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.store import (
    FilterTaken,
    Kind,
    KitSettled,
    Lot,
    Store,
    StoreEvent,
    evolve_store,
    kit_of_job,
    why_not,
)
from app.domain.storing import (
    kit_settled,
    kit_staged,
    lead_time_chosen,
    lot_corrected,
    lot_counted,
    lot_inspected,
    lot_received,
    not_moved,
    receipt_items,
)
from tests.builders import HANDS, LEAD

TODAY = date(2026, 3, 2)
FILTER = {"kind": "filter", "what": "24x24x11.5 gasket", "serial": "SN-1", "made": "2025-06-01"}
BAG = {"kind": "bag", "what": "ring 660", "count": "10", "use_by": "2027-01-01"}


def moment(on: date = TODAY, by: Who = HANDS) -> SiteMoment:
    """Return a moment of the site."""
    return SiteMoment(seq=9, at=f"{on}T08:00:00.000Z", today=on, by=by)


def all_good(kind: Kind) -> Mapping[str, str]:
    """Return the answers of a lot that is as asked."""
    return {name: item.good for name, item in receipt_items(kind).items()}


def received(store: Store, name: str, **typed: str) -> Store:
    """Receive a lot."""
    return evolve_store(store, lot_received(store, moment(), {"id": name, **typed}))


def accepted(store: Store, name: str, **typed: str) -> Store:
    """Receive a lot and accept it."""
    store = received(store, name, **typed)
    seen = all_good(store.lots[name].lot.kind)
    return evolve_store(store, lot_inspected(store, moment(), lot=name, seen=seen, verdict="accepted", reason=""))


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"report": "TR  7", "tested_on": "2025-06-03", "efficiency": "99.97 %"}, "TR 7 of 2025-06-03, 99.97 %"),
        ({"report": "TR 7", "efficiency": "99.97 %"}, "TR 7, 99.97 %"), ({"tested_on": "2025-06-03"}, "of 2025-06-03"),
        ({"report": "x" * 40, "tested_on": "2025-06-03", "efficiency": "9" * 24},
         f"{'x' * 40} of 2025-06-03, {'9' * 24}"),
        ({}, ""),
    ],
)  # fmt: skip
def test_a_filter_keeps_its_makers_test_report(typed: dict[str, str], told: str) -> None:
    """As far as it is known; in words it fits the register's field; without one the entry reads as it always did."""
    lot = received(Store(), "F1", **FILTER, **typed).lots["F1"].lot

    assert lot.test_report == told
    assert len(told) <= 80
    assert set(lot.model_dump(exclude_none=True)) - set(Lot(**BASE).model_dump(exclude_none=True)) == {*typed, "made"}


BASE = {"id": "F1", "kind": "filter", "what": "x", "count": 1, "received_on": TODAY, "serial": "S"}


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (FILTER | {"tested_on": "2025-05-31"}, "tested on 2025-05-31, which does not lie between its making and its"),
        (FILTER | {"tested_on": "2026-03-03"}, "tested on 2026-03-03, which does not lie between"),
        (FILTER | {"tested_on": "June"}, "Tested on"), (FILTER | {"report": "x" * 41}, "40"),
        (FILTER | {"efficiency": "9" * 25}, "24"),
        (BAG | {"report": "TR 7"}, "a test report .TR 7. belongs to a filter; leave it empty here"),
    ],
)  # fmt: skip
def test_a_test_report_that_cannot_be_is_refused_with_one_sentence(typed: dict[str, str], told: str) -> None:
    """Too long, of another day, or of something that has none."""
    with pytest.raises(Invalid, match=told):
        received(Store(), "F1", **typed)


def test_nothing_is_used_before_it_was_accepted() -> None:
    """A lot that only came in, one held back and one rejected serve no job; an accepted one does."""
    store = received(Store(), "L1", **BAG)
    before = why_not(store.lots["L1"], on=TODAY)

    for verdict in ("held back", "rejected"):
        entry = lot_inspected(store, moment(), lot="L1", seen=all_good(Kind.BAG), verdict=verdict, reason="cord loose")
        assert "cord loose" in why_not(evolve_store(store, entry).lots["L1"], on=TODAY)
    store = accepted(Store(), "L1", **BAG)

    assert "has not been inspected" in before
    assert why_not(store.lots["L1"], on=TODAY) == ""


@pytest.mark.parametrize("item", list(receipt_items(Kind.FILTER)))
def test_a_filter_with_one_thing_not_as_asked_cannot_be_accepted(item: str) -> None:
    """Whatever of the receipt items is not as asked, the lot is held back or rejected."""
    store = received(Store(), "F1", **FILTER)
    seen = {**all_good(Kind.FILTER), item: receipt_items(Kind.FILTER)[item].bad}

    with pytest.raises(Invalid, match="is not accepted"):
        lot_inspected(store, moment(), lot="F1", seen=seen, verdict="accepted", reason="")

    entry = lot_inspected(store, moment(), lot="F1", seen=seen, verdict="rejected", reason="goes back")
    assert [finding.as_asked for finding in entry.findings].count(False) == 1


def test_an_item_that_was_not_looked_at_is_named() -> None:
    """No inspection is complete with an answer missing or made up."""
    store = received(Store(), "F1", **FILTER)

    for seen in ({}, {**all_good(Kind.FILTER), "media": "ok"}):
        with pytest.raises(Invalid, match="nothing of what may be seen"):
            lot_inspected(store, moment(), lot="F1", seen=seen, verdict="accepted", reason="")


def test_a_filter_of_unknown_age_or_ten_years_old_serves_no_job() -> None:
    """Age counts from the making, to the day: on its tenth birthday it may not be used any more."""
    unknown = received(Store(), "F1", **{name: text for name, text in FILTER.items() if name != "made"})
    old = accepted(Store(), "F1", **(FILTER | {"made": "2016-03-03"}))

    with pytest.raises(Invalid, match="not known"):
        lot_inspected(unknown, moment(), lot="F1", seen=all_good(Kind.FILTER), verdict="accepted", reason="")
    assert why_not(old.lots["F1"], on=date(2026, 3, 2)) == ""
    assert "10 years or more before" in why_not(old.lots["F1"], on=date(2026, 3, 3))


def test_a_bag_is_good_on_its_last_day_and_not_after() -> None:
    """`Use by` includes the day."""
    store = accepted(Store(), "L1", **BAG)

    assert why_not(store.lots["L1"], on=date(2027, 1, 1)) == ""
    assert "2027-01-01" in why_not(store.lots["L1"], on=date(2027, 1, 2))


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (FILTER | {"id": "F1"}, "entered before"),
        (FILTER | {"id": "F2", "serial": " sn-1 "}, "entered before as lot F1"),
        (FILTER | {"id": "F3", "serial": ""}, "serial number"),
        (
            FILTER | {"id": "F3", "serial": "SN-3", "count": "2"},
            (
                r"^Lot F3: 2 were given, and the serial number SN-3 stands for one filter; enter each filter by "
                r"itself, as a lot of 1\. Correct it and try again\.$"
            ),
        ),
        (BAG | {"id": "L1", "count": "0"}, "holds nothing"),
        (BAG | {"id": "L1", "count": "-3"}, "no count"),
        (BAG | {"id": "L1", "count": "999999999999"}, "no count"),
        (BAG | {"id": "L1", "serial": "SN-9"}, "serial number"),
        (BAG | {"id": "L1", "kind": "rope"}, "no kind of material"),
        (BAG | {"id": "l/1"}, "pattern"),
        (BAG | {"id": " "}, "no number"),
        ({"kind": "tool", "id": "T1", "what": "hammer"}, "no tool of the list"),
        (FILTER | {"id": "F3", "serial": "SN-3", "made": "1990-01-01"}, "more than 30 years"),
        (FILTER | {"id": "F3", "serial": "SN-3", "made": "2026-03-03"}, "after it was received"),
        (BAG | {"id": "L1", "use_by": "soon"}, "not a date"),
    ],
)
def test_what_cannot_be_received_is_told_in_a_sentence(typed: dict[str, str], told: str) -> None:
    """Numbers and serials given twice, counts that are none, days that cannot be."""
    store = accepted(Store(), "F1", **FILTER)

    with pytest.raises(Invalid, match=told):
        lot_received(store, moment(), typed)


def test_what_is_staged_for_one_job_is_not_there_for_another() -> None:
    """Ten bags, seven staged: three are left, and four cannot be staged for the next."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "7"}))

    with pytest.raises(Invalid, match="3 are left and 4 were asked"):
        kit_staged(store, moment(), job="job-2", lines={"L1": "4"})

    assert store.lots["L1"].left == 3
    assert [(item.lot.id, count) for item, count in store.kit("job-1")] == [("L1", 7)]


def test_what_runs_out_before_the_day_of_the_work_is_not_staged_for_it() -> None:
    """The bag is good today and not on the day; a day that is past is today."""
    store = accepted(Store(), "L1", **(BAG | {"use_by": "2026-03-08"}))

    assert kit_staged(store, moment(), job="PL-0001", lines={"L1": "1"}, on=date(2026, 3, 8)).lines
    with pytest.raises(Invalid, match="was to be used by 2026-03-08, before 2026-03-09"):
        kit_staged(store, moment(), job="PL-0001", lines={"L1": "1"}, on=date(2026, 3, 9))
    with pytest.raises(Invalid, match="was to be used by 2026-03-08, before 2026-03-10"):
        kit_staged(store, moment(date(2026, 3, 10)), job="PL-0001", lines={"L1": "1"}, on=date(2026, 3, 7))


def test_a_kit_is_settled_when_what_is_gone_is_what_the_steps_used() -> None:
    """Seven staged, five used, two back: even. One more gone asks for a reason, and keeps it."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "7"}))
    used = {Kind.BAG: 5}

    even = kit_settled(store, moment(), job="job-1", back={"L1": "2"}, used=used, explained="")
    with pytest.raises(Invalid, match="6 of bag are gone and the steps used 5"):
        kit_settled(store, moment(), job="job-1", back={"L1": "1"}, used=used, explained="")
    told = kit_settled(store, moment(), job="job-1", back={"L1": "1"}, used=used, explained="one tore on unfolding")

    assert evolve_store(store, even).lots["L1"].left == 5
    assert told.explained == "one tore on unfolding"
    assert evolve_store(store, told).lots["L1"].left == 4
    with pytest.raises(Invalid, match="has been settled"):
        kit_settled(evolve_store(store, even), moment(), job="job-1", back={"L1": "2"}, used=used, explained="")


def test_a_kit_is_settled_before_the_end_of_its_job_only_with_a_reason() -> None:
    """Even counts may yet change while steps are due."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "7"}))
    back = {"L1": "7"}

    with pytest.raises(Invalid, match="The job is not finished"):
        kit_settled(store, moment(), job="job-1", back=back, used={Kind.BAG: 0}, explained="", finished=False)
    early = kit_settled(
        store, moment(), job="job-1", back=back, used={Kind.BAG: 0}, explained="job given up", finished=False
    )

    assert early.explained == "job given up"


def test_what_a_job_without_a_kit_used_was_not_moved() -> None:
    """Of the kinds that the store room has; a filter is moved where its number is read, and a kit is accounted for."""
    used = {Kind.FILTER: 1, Kind.BAG: 3, Kind.TIE_STRAP: 8, Kind.METAL_BAND: 0}
    store = accepted(accepted(accepted(Store(), "L1", **BAG), "F1", **FILTER), "M1", **(BAG | {"kind": "metal band"}))

    assert not_moved(Store(), "job-1", used) == {}
    assert not_moved(store, "job-1", used) == {Kind.BAG: 3}
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "3"}))
    assert not_moved(store, "job-1", used) == {}
    assert not_moved(store, "job-2", used) == {Kind.BAG: 3}


def test_what_may_no_longer_be_used_comes_back_or_somebody_says_where_it_went() -> None:
    """Rejected or run out since it was staged: even counts do not do, and what was said is kept with why."""
    store = accepted(Store(), "L1", **(BAG | {"use_by": "2026-03-04"}))
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "7"}))
    entry = lot_inspected(store, moment(), lot="L1", seen=all_good(Kind.BAG), verdict="rejected", reason="pinholes")
    rejected = evolve_store(store, entry)

    def settle(store: Store, back: str, explained: str = "", on: date | None = None) -> KitSettled:
        used = {Kind.BAG: 7 - int(back)}
        return kit_settled(
            store, moment(date(2026, 3, 9)), job="job-1", back={"L1": back}, used=used, explained=explained, on=on
        )

    with pytest.raises(Invalid, match=r"was rejected on inspection: pinholes, and 2 did not come back\. Count again"):
        settle(rejected, "5")
    with pytest.raises(Invalid, match="was to be used by 2026-03-04, before 2026-03-05, and 2 did not come back"):
        settle(store, "5", on=date(2026, 3, 5))
    told = settle(rejected, "5", "both went on P1 before it was known")

    assert told.unfit == ("The lot L1 was rejected on inspection: pinholes, and 2 did not come back",)
    assert told.explained == "both went on P1 before it was known"
    assert settle(rejected, "7").unfit is None
    assert settle(store, "5", on=date(2026, 3, 4)).explained == "", "the day of the work counts, not that of counting"


def test_more_cannot_come_back_than_went_out() -> None:
    """Eight of seven is a slip."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "7"}))

    with pytest.raises(Invalid, match="7 were staged and 8"):
        kit_settled(store, moment(), job="job-1", back={"L1": "8"}, used={}, explained="")


def test_a_kit_is_settled_only_as_it_was_shown() -> None:
    """A lot that was staged meanwhile is not used up because no form asked for it; one that went in comes not back."""
    store = accepted(accepted(Store(), "L1", **BAG), "F1", **FILTER)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "7"}))
    more = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"F1": "1"}))
    read = evolve_store(more, taken(lot="F1"))

    for known, back in (
        (store, {}),
        (store, {"L1": "7", "F1": "0"}),
        (more, {"L1": "7"}),
        (read, {"L1": "7", "F1": "1"}),
    ):
        with pytest.raises(Refused, match=r"^The kit has changed since this page was shown\. Count again\.$"):
            kit_settled(known, moment(), job="job-1", back=back, used={}, explained="all counted")
    for back in ({"L1": "7"}, {"L1": "7", "F1": "0"}):
        entry = kit_settled(read, moment(), job="job-1", back=back, used={Kind.FILTER: 1}, explained="")
        assert [(line.lot, line.count) for line in entry.back] == [("L1", 7)]


def test_a_count_needs_a_reason_and_must_change_something() -> None:
    """Counting the same is no entry; a filter is one or none."""
    store = accepted(accepted(Store(), "L1", **BAG), "F1", **FILTER)

    entry = lot_counted(store, moment(), lot="L1", now="8", reason="two found torn")

    assert (entry.was, entry.now) == (10, 8)
    for lot, now, told in (("L1", "10", "stands at 10"), ("F1", "2", "is one"), ("L9", "1", "no lot")):
        with pytest.raises(Invalid, match=told):
            lot_counted(store, moment(), lot=lot, now=now, reason="counted")


def test_what_was_rejected_or_held_back_is_accepted_by_a_lead_only() -> None:
    """Whoever comes next does not overrule a verdict; the newest counts, and the earlier ones stay."""
    store = received(Store(), "L1", **BAG)
    seen = all_good(Kind.BAG)
    entry = lot_inspected(store, moment(), lot="L1", seen=seen, verdict="rejected", reason="cord loose")
    store = evolve_store(store, entry)

    with pytest.raises(Refused, match="A lead or safety officer accepts it"):
        lot_inspected(store, moment(), lot="L1", seen=seen, verdict="accepted", reason="")
    again = lot_inspected(store, moment(by=LEAD), lot="L1", seen=seen, verdict="accepted", reason="")
    store = evolve_store(store, again)

    assert [event.verdict for event in store.lots["L1"].inspected] == ["rejected", "accepted"]
    assert why_not(store.lots["L1"], on=TODAY) == ""


def test_a_site_may_let_filters_grow_older_or_less_old() -> None:
    """The life that its banks give a type of filter takes the place of the ten years."""
    store = received(Store(), "F1", **(FILTER | {"made": "2014-06-01"}))
    seen = all_good(Kind.FILTER)

    with pytest.raises(Invalid, match="10 years or more"):
        lot_inspected(store, moment(), lot="F1", seen=seen, verdict="accepted", reason="")
    entry = lot_inspected(
        store, moment(), lot="F1", seen=seen, verdict="accepted", reason="", lives={"24X24x11.5  gasket": 15}
    )

    assert entry.verdict == "accepted"
    with pytest.raises(Invalid, match="11 years or more"):
        lot_inspected(store, moment(), lot="F1", seen=seen, verdict="accepted", reason="", lives={FILTER["what"]: 11})


def test_lead_times_are_the_sites_own_and_known_only_if_entered() -> None:
    """None by default; entered, changed and taken back with a reason, and no number that is none."""
    store = Store()
    entry = lead_time_chosen(store, moment(), kind="filter", days="84", reason="quoted in January")
    after = evolve_store(store, entry)
    gone = evolve_store(after, lead_time_chosen(after, moment(), kind="filter", days=" ", reason="maker changed"))

    assert [dict(item.lead_days) for item in (store, after, gone)] == [{}, {Kind.FILTER: 84}, {}]
    for kind, days, told in (
        ("filter", "84", "84 days already"),
        ("bag", "", "not known already"),
        ("bag", "731", "no lead time"),
        ("bag", "-1", "no lead time"),
        ("rope", "1", "no kind"),
    ):
        with pytest.raises(Invalid, match=told):
            lead_time_chosen(after, moment(), kind=kind, days=days, reason="so it is")


def test_a_filter_read_at_a_housing_leaves_kit_or_store_room() -> None:
    """From the kit it goes first; one that was read by mistake is back where it was, and to be looked at again."""
    store = accepted(accepted(Store(), "F1", **FILTER), "F2", **(FILTER | {"serial": "SN-2"}))
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"F1": "1"}))
    store = evolve_store(store, taken(lot="F1"))
    in_kit = store.lots["F1"]
    store = evolve_store(store, taken(lot="F2", instead="F1"))

    assert (in_kit.left, dict(in_kit.staged), dict(in_kit.used)) == (0, {}, {"job-1": 1})
    assert (store.lots["F2"].left, dict(store.lots["F2"].used)) == (0, {"job-1": 1})
    assert (store.lots["F1"].left, dict(store.lots["F1"].staged), dict(store.lots["F1"].used)) == (0, {"job-1": 1}, {})
    assert "has not been inspected again" in why_not(store.lots["F1"], on=TODAY)
    with pytest.raises(Invalid, match="staged or used"):
        lot_counted(store, moment(), lot="F2", now="1", reason="found one")
    settled = kit_settled(store, moment(), job="job-1", back={"F1": "1"}, used={Kind.FILTER: 1}, explained="")
    assert evolve_store(store, settled).lots["F1"].left == 1


@pytest.mark.parametrize("verdict", ["held back", "rejected"])
def test_a_verdict_against_a_filter_stays_when_it_is_given_back(verdict: str) -> None:
    """Inspected after it was read, then found to be elsewhere: a technician does not accept it all the same."""
    store = accepted(accepted(Store(), "F1", **FILTER), "F2", **(FILTER | {"serial": "SN-2"}))
    store = evolve_store(store, taken(lot="F1"))
    seen = all_good(Kind.FILTER)
    against = lot_inspected(store, moment(), lot="F1", seen=seen, verdict=verdict, reason="media torn")
    store = evolve_store(evolve_store(store, against), taken(lot="F2", instead="F1"))

    assert (store.lots["F1"].left, store.lots["F1"].verdict, store.lots["F1"].reason) == (1, verdict, "media torn")
    with pytest.raises(Refused, match="A lead or safety officer accepts it"):
        lot_inspected(store, moment(), lot="F1", seen=seen, verdict="accepted", reason="")


def taken(**lots: str) -> FilterTaken:
    """Return the entry of a filter that job-1 read."""
    return FilterTaken(seq=9, at="2026-03-02T08:00:00.000Z", job="job-1", step="in/serial", entry=40, **lots)


def test_tools_come_back_or_somebody_says_why() -> None:
    """Nothing of the kind is used up by a job."""
    store = accepted(Store(), "T1", kind="tool", what="banding tool")
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"T1": "1"}))

    with pytest.raises(Invalid, match="1 of tool is gone and the steps used 0"):
        kit_settled(store, moment(), job="job-1", back={"T1": "0"}, used={Kind.BAG: 3}, explained="")
    assert kit_settled(store, moment(), job="job-1", back={"T1": "1"}, used={Kind.BAG: 3}, explained="").used == {}


def test_a_kit_that_is_added_to_after_it_was_settled_is_settled_again_over_all() -> None:
    """A job that is re-opened needs more; what the steps used is held against all that went."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "4"}))
    store = evolve_store(
        store, kit_settled(store, moment(), job="job-1", back={"L1": "1"}, used={Kind.BAG: 3}, explained="")
    )
    assert not store.is_open("job-1")
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "2"}))

    assert store.is_open("job-1")
    entry = kit_settled(store, moment(), job="job-1", back={"L1": "0"}, used={Kind.BAG: 5}, explained="")
    assert dict(evolve_store(store, entry).lots["L1"].used) == {"job-1": 5}


def test_the_kit_of_a_planned_work_is_that_of_its_job_once_it_is_open() -> None:
    """What was staged under the number of the plan stands staged for the job, and for nothing else."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="PL-0001", lines={"L1": "4"}))

    after = kit_of_job(store, "PL-0001", "job-1")

    assert (dict(after.lots["L1"].staged), after.lots["L1"].left) == ({"job-1": 4}, 6)
    assert (after.is_open("job-1"), after.is_open("PL-0001")) == (True, False)
    assert kit_of_job(after, "PL-0001", "job-2") is after


def test_entries_survive_json_and_back() -> None:
    """What the ledger keeps of the store room reads back as it was."""
    from app.domain.site import site_event_from_bytes

    store = accepted(Store(), "L1", **BAG)
    entries: list[StoreEvent] = [lot_received(store, moment(), {"id": "F1", **FILTER}),
                                 kit_staged(store, moment(), job="job-1", lines={"L1": "1"})]  # fmt: skip

    assert [site_event_from_bytes(entry.model_dump_json(exclude_none=True).encode()) for entry in entries] == entries


def corrected(store: Store, name: str, reason: str = "read again", **typed: str) -> Store:
    """Correct what a label says."""
    return evolve_store(store, lot_corrected(store, moment(), lot=name, typed=typed, reason=reason))


def test_a_filter_that_came_without_its_makers_date_is_used_once_that_was_found() -> None:
    """The date is entered, the filter inspected again, and only then it serves a job; what was not given stays."""
    store = received(Store(), "F1", **{name: text for name, text in FILTER.items() if name != "made"})
    store = corrected(store, "F1", made="2025-06-01", what="", place=" ")
    entry = store.lots["F1"].corrected[0]

    assert entry.now.given == {"made": date(2025, 6, 1)}
    assert entry.told == "made on 2025-06-01, was not given"
    assert (entry.by, entry.reason) == (HANDS, "read again")
    assert store.lots["F1"].lot == accepted(Store(), "F1", **FILTER).lots["F1"].lot
    assert "has not been inspected." in why_not(store.lots["F1"], on=TODAY)
    seen = all_good(Kind.FILTER)
    store = evolve_store(store, lot_inspected(store, moment(), lot="F1", seen=seen, verdict="accepted", reason=""))
    assert why_not(store.lots["F1"], on=TODAY) == ""


@pytest.mark.parametrize(
    "typed", [{"what": "24x24x11.5 gel"}, {"serial": "SN-7"}, {"made": "2024-06-01"}, {"use_by": "2027-01-01"},
              {"maker_lot": "M 4"}, {"place": "shelf 3", "maker_lot": "M 4"}],
)  # fmt: skip
def test_a_lot_is_inspected_again_after_its_label_was_corrected(typed: dict[str, str]) -> None:
    """Accepted as something else it was not inspected as what it is."""
    store = corrected(accepted(Store(), "F1", **FILTER), "F1", **typed)

    assert "has not been inspected again" in why_not(store.lots["F1"], on=TODAY)
    assert set(store.to_inspect) == {"F1"}


def test_another_place_leaves_the_verdict_and_so_does_a_lot_that_was_barred() -> None:
    """Moving it is no new look at it, and a correction does not undo what was held back."""
    moved = corrected(accepted(Store(), "F1", **FILTER), "F1", place="shelf 3")
    assert (moved.lots["F1"].verdict, moved.lots["F1"].lot.place) == ("accepted", "shelf 3")
    store = received(Store(), "L1", **BAG)
    entry = lot_inspected(store, moment(), lot="L1", seen=all_good(Kind.BAG), verdict="held back", reason="cord loose")
    barred = corrected(evolve_store(store, entry), "L1", use_by="2026-12-01")
    assert (barred.lots["L1"].verdict, barred.lots["L1"].reason) == ("held back", "cord loose")


def test_a_corrected_serial_number_is_found_and_the_wrong_one_is_free() -> None:
    """A number stands in one lot, before and after."""
    store = received(accepted(Store(), "F1", **FILTER), "F2", **(FILTER | {"serial": "SN-2"}))
    with pytest.raises(Invalid, match="sn-2 was entered before as lot F2"):
        corrected(store, "F1", serial="sn-2")
    store = corrected(store, "F1", serial="SN-7")
    found = store.of_serial("sn-7")

    assert store.of_serial("SN-1") is None
    assert found is not None
    assert found.lot.id == "F1"
    assert corrected(store, "F2", serial="SN-1").of_serial("SN-1") is not None
    assert corrected(store, "F1", serial="S N-7").of_serial("SN-7") is not None


@pytest.mark.parametrize(
    ("lot", "typed", "reason", "told"),
    [
        ("F1", {"serial": "SN-1", "place": ""}, "read again", "what stands of lot F1"),
        ("F1", {}, "read again", "what stands of lot F1"),
        ("F1", {"made": "2026-03-03"}, "read again", "after it was received"),
        ("F1", {"made": "June"}, "read again", "is not a date"),
        ("F1", {"made": "1990-01-01"}, "read again", "more than 30 years"),
        ("F1", {"what": "x" * 81}, "read again", "at most 80"),
        ("F1", {"serial": "SN-7"}, "", "Why lot F1 is corrected"),
        ("L1", {"serial": "SN-7"}, "read again", "has a serial number of its own"),
        ("T1", {"what": "hammer"}, "read again", "no tool of the list"),
        ("L9", {"what": "ring"}, "read again", "no lot 'L9'"),
    ],
)
def test_a_correction_that_will_not_do_is_refused(lot: str, typed: dict[str, str], reason: str, told: str) -> None:
    """As it would be for a lot that comes in, and where nothing changes or nobody says why."""
    store = received(accepted(Store(), "F1", **FILTER), "L1", **BAG)
    store = received(store, "T1", kind="tool", what="bag cutter")

    with pytest.raises(Invalid, match=told):
        corrected(store, lot, reason, **typed)


def test_what_went_into_a_job_keeps_its_label() -> None:
    """The record of the job holds it; what is left of a lot may still lie elsewhere."""
    taken = FilterTaken(seq=9, at="2026-03-02T08:00:00.000Z", by=HANDS, job="job-1", step="s", entry=4, lot="F1")
    store = evolve_store(accepted(Store(), "F1", **FILTER), taken)
    for typed in ({"made": "2024-06-01"}, {"place": "shelf 3"}):
        with pytest.raises(Refused, match=r"The filter SN-1 went into a job, whose record holds its label\. It stays"):
            corrected(store, "F1", **typed)
    store = accepted(store, "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "4"}))
    used = kit_settled(store, moment(), job="job-1", back={"L1": "1"}, used={Kind.BAG: 3, Kind.FILTER: 1}, explained="")
    store = evolve_store(store, used)
    with pytest.raises(Refused, match="lot L1 went into a job"):
        corrected(store, "L1", what="ring 610")
    assert corrected(store, "L1", place="shelf 3").lots["L1"].lot.place == "shelf 3"

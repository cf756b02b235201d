"""From take-off to pick list, by examples worked out by hand."""

from datetime import date
from unittest.mock import Mock

import pytest

from app.domain.deciding.filters import filter_moved
from app.domain.housing import Bank, BankDesign, Housing
from app.domain.job_lines import JobLine
from app.domain.picking import (
    KIT_RULE,
    Need,
    PickList,
    Wanted,
    bank_life,
    lives_at,
    needs_of_job,
    picked,
    used_of,
    wanted_of_job,
)
from app.domain.site import SiteState
from app.domain.store import Kind, Store, evolve_store, life_of
from app.domain.storing import kit_staged, lead_time_chosen
from app.records.pick_sheet import material, order_rows, order_table, pick_parts, pick_table
from app.records.table import csv_of
from app.services.kits import work_of
from app.services.planning import plan
from app.services.store_room import lives_of
from tests.builders import housing, opened, procedure
from tests.domain.test_store import BAG, FILTER, TODAY, accepted, moment

BAGS = Need(Kind.BAG, "ring 660", 6)


def needs(tag: str, **changed: int) -> dict[tuple[Kind, str], Need]:
    """Return the needs of a change-out of a sample housing."""
    made = plan(housing(tag), procedure(), "0" * 64)
    return {(need.kind, need.what): need for need in needs_of_job(made.steps, made.housing, made.start, **changed)}


def with_lead(store: Store, kind: str, days: int) -> Store:
    """Enter a lead time."""
    return evolve_store(store, lead_time_chosen(store, moment(), kind=kind, days=str(days), reason="as quoted"))


def deal(jobs: list[Wanted], store: Store, today: date = TODAY) -> PickList:
    """Deal the store room out."""
    return picked(jobs, store, today=today)


def test_the_needs_of_a_job_are_its_take_off_with_spares() -> None:
    """EF-03, two filters behind one port: 3 bags, 6 ties, 6 bands (closed forms 2N-1 and 2(2N-1)), spares on top."""
    found = needs("EF-03")

    assert found[Kind.FILTER, "24x24x11.5 gasket"] == Need(Kind.FILTER, "24x24x11.5 gasket", 2)
    assert found[Kind.BAG, ""] == Need(Kind.BAG, "", 3, 1)
    assert found[Kind.TIE_STRAP, ""] == Need(Kind.TIE_STRAP, "", 6, 2)
    assert found[Kind.METAL_BAND, ""] == Need(Kind.METAL_BAND, "", 6, 2)
    assert found[Kind.WASTE_PACKAGING, ""].whole == 3
    assert found[Kind.AEROSOL, ""].whole == found[Kind.GREASE, ""].whole == 1
    assert found[Kind.PPE, ""] == Need(Kind.PPE, "", 3, 1)
    assert {what: need.whole for (kind, what), need in found.items() if kind is Kind.TOOL} == {
        "filter shelf": 1, "ratchet and socket": 1, "torque wrench": 1, "banding tool": 1, "bag cutter": 1,
        "sample fittings": 1,
    }  # fmt: skip
    assert needs("EF-03", crew=5)[Kind.PPE, ""].whole == 6
    assert "of whom 3 are assumed where nobody is named (common practice, no source)" in KIT_RULE


@pytest.mark.parametrize(
    ("kind", "what", "told"),
    [
        (Kind.TIE_STRAP, "tie strap", "tie strap"),
        (Kind.METAL_BAND, "Metal  band", "Metal  band"),
        (Kind.TAPE_ROLL, "tape roll, 50 mm", "tape roll, 50 mm"),
        (Kind.TAPE_ROLL, "", "tape roll"),
        (Kind.BAG, "bagging ring 660", "bag bagging ring 660"),
        (Kind.FILTER, "24x24x11.5 gel", "filter 24x24x11.5 gel"),
        (Kind.TOOL, "bag cutter", "bag cutter"),
    ],
)
def test_a_material_is_named_once(kind: Kind, what: str, told: str) -> None:
    """By its kind and its type or size; a type that says the kind is enough."""
    assert material(kind, what) == told


def test_a_gel_seal_takes_a_lamp_and_no_grease_and_each_bank_its_fittings() -> None:
    """EF-07 seals in gel; EF-11 has three banks, of which two are tested in place."""
    gel, three = needs("EF-07"), needs("EF-11")

    assert (Kind.GREASE, "") not in gel
    assert (Kind.TOOL, "ratchet and socket") not in gel
    assert gel[Kind.TOOL, "inspection lamp"].whole == 1
    assert three[Kind.TOOL, "sample fittings"].whole == 2
    assert three[Kind.BAG, ""] == Need(Kind.BAG, "", 7, 3)


def test_bags_are_asked_by_the_size_that_the_port_takes() -> None:
    """The site's word for the bag counts, else that for the ring; without either any bag does."""
    plain = housing("EF-03")
    ports = [port.model_copy(update={"ring": "ring 660", "bag": None}) for port in plain.ports]
    made = plan(plain.model_copy(update={"ports": tuple(ports)}), procedure(), "0" * 64)
    own = plan(
        plain.model_copy(update={"ports": tuple(port.model_copy(update={"bag": "bag 24"}) for port in ports)}),
        procedure(), "0" * 64,
    )  # fmt: skip

    sizes = [
        [need.what for need in needs_of_job(item.steps, item.housing, item.start) if need.kind is Kind.BAG]
        for item in (made, own)
    ]

    assert sizes == [["ring 660"], ["bag 24"]]


def test_what_is_short_belongs_to_the_first_job_without_it() -> None:
    """Ten bags, jobs that need 6 and 6: the second lacks two, to be ordered its lead time before its day."""
    store = accepted(Store(), "L1", **BAG)
    jobs = [Wanted("late", date(2026, 5, 1), (BAGS,)),
            Wanted("early", date(2026, 4, 1), (Need(Kind.BAG, "ring 660", 5, 1),))]  # fmt: skip
    known = with_lead(store, "bag", 30)

    found = deal(jobs, known)
    (line,) = found.lines

    assert [(pick.job, pick.count) for pick in found.picks] == [("early", 6), ("late", 4)]
    assert (line.needed, line.there, line.short, line.first, line.on) == (12, 10, 2, "late", date(2026, 5, 1))
    assert (line.order_by, line.overdue) == (date(2026, 4, 1), False)
    assert deal(jobs, known, date(2026, 4, 2)).lines[0].overdue
    assert deal(jobs, store).lines[0].order_by is None


def test_a_lot_that_runs_out_before_the_day_does_not_serve_it() -> None:
    """Bags good until January serve a job in December and none in February; the earlier lot goes first."""
    store = accepted(accepted(Store(), "L2", **(BAG | {"use_by": "2028-01-01"})), "L1", **BAG)
    need = (Need(Kind.BAG, "Ring  660", 8),)

    found = deal([Wanted("winter", date(2026, 12, 1), need), Wanted("spring", date(2027, 2, 1), need)], store)

    assert [(pick.job, pick.lot, pick.count) for pick in found.picks] == [("winter", "L1", 8), ("spring", "L2", 8)]
    assert found.lines[0].short == 0


def test_what_is_staged_for_a_job_counts_for_it_first_but_only_while_it_is_fit() -> None:
    """A kit that stands ready is not asked for again; bags that run out before its day do not count."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": "6"}))

    ready = deal([Wanted("job-1", TODAY, (BAGS,))], store)
    later = deal([Wanted("job-1", date(2027, 2, 1), (BAGS,))], store)

    assert (ready.picks, ready.shares[0].put_aside, ready.lines[0].there) == ((), 6, 6)
    assert (later.shares[0].put_aside, later.lines[0].short) == (0, 6)


def test_a_bank_without_a_life_of_its_own_counts_with_the_default() -> None:
    """At the step it is the default as well: a longer life of another housing or bank is none of its own."""
    long, plain = with_life("EF-03", 15), housing("EF-03")
    short = with_life("EF-03", 5)

    def lives(*of: Housing) -> dict[str, int]:
        library = Mock(spec=["made_of"])
        library.made_of.side_effect = lambda make: make(of)
        return lives_of(library)

    assert lives(plain) == lives(plain, short) == {FILTER["what"]: 10}
    assert (lives(short), lives(long, plain)) == ({FILTER["what"]: 5}, {FILTER["what"]: 15})
    assert [bank_life(item, Bank.HEPA) for item in (long, plain, short)] == [15, 10, 5]


@pytest.mark.parametrize("what", ["24 x 24 x 11.5 gasket", "24×24×11.5  GASKET", "24X24X11.5gasket"])
def test_a_type_typed_with_other_spaces_capitals_or_crosses_serves_the_same_need(what: str) -> None:
    """Nobody measures a space on a label; another figure or seal is another type."""
    store = accepted(accepted(Store(), "F1", **(FILTER | {"what": what})), "F2", **(FILTER | {"serial": "SN-2"}))
    need = Need(Kind.FILTER, FILTER["what"], 3)
    other = accepted(Store(), "F3", **(FILTER | {"what": what.lower().replace("gasket", "gel")}))

    assert deal([Wanted("job-1", TODAY, (need,))], store).lines[0].there == 2
    assert deal([Wanted("job-1", TODAY, (need,))], other).lines[0].there == 0
    assert life_of(store.lots["F1"].lot, {FILTER["what"]: 5}) == 5


def test_a_type_that_housings_write_differently_has_one_life() -> None:
    """The longest of the site on receipt, the shortest of the housing for its work."""
    short, long = with_life("EF-03", 5), with_life("EF-03", 15)
    spaced = [port.model_copy(update={"filter": port.filter.replace("x", " × ")}) for port in long.ports]
    library = Mock(spec=["made_of"])
    library.made_of.side_effect = lambda make: make((short, long.model_copy(update={"ports": tuple(spaced)})))

    assert lives_of(library) == {FILTER["what"]: 15, FILTER["what"].replace("x", " × "): 15}


def with_life(tag: str, years: int) -> Housing:
    """Return a sample housing whose HEPA bank gives its filters a life of their own."""
    known = housing(tag)
    design = known.design.get(Bank.HEPA, BankDesign()).model_copy(update={"life_years": years})
    return known.model_copy(update={"design": {**known.design, Bank.HEPA: design}})


def test_a_job_whose_day_is_past_is_dealt_what_is_good_today() -> None:
    """The bags ran out since; they serve no work any more."""
    store = accepted(Store(), "L1", **(BAG | {"use_by": "2026-03-08"}))
    jobs = [Wanted("PL-0001", date(2026, 3, 7), (BAGS,))]

    assert deal(jobs, store, date(2026, 3, 8)).picks
    assert not deal(jobs, store, date(2026, 3, 9)).picks


def test_filters_have_the_life_that_their_bank_gives_them() -> None:
    """An eleven-year-old filter serves a bank that lets it grow to fifteen."""
    store = accepted(Store(), "F1", **FILTER)
    old = Wanted("job-1", date(2036, 6, 2), (Need(Kind.FILTER, FILTER["what"], 1),))
    older = Wanted("job-1", date(2036, 6, 2), (Need(Kind.FILTER, FILTER["what"], 1, life_years=15),))

    assert (deal([old], store).lines[0].short, deal([older], store).lines[0].short) == (1, 0)


def test_tools_come_back_and_serve_another_day() -> None:
    """Two shelves serve two jobs of one day and two of the next; a third job of a day lacks one."""
    store = accepted(Store(), "T1", kind="tool", what="filter shelf", count="2")
    need = (Need(Kind.TOOL, "filter shelf", 1),)
    days = [date(2026, 4, 1)] * 2 + [date(2026, 4, 2)] * 3
    jobs = [Wanted(f"job-{number}", day, need) for number, day in enumerate(days)]

    (line,) = deal(jobs, store).lines

    assert (line.needed, line.there, line.first) == (3, 2, "job-4")


def test_what_the_steps_used_is_told_by_the_model() -> None:
    """Nothing at the start; after a whole job at EF-03 its take-off without spares."""
    bench = opened()
    before = used_of(bench.state)
    bench.run_to()

    assert set(before.values()) == {0}
    assert used_of(bench.state) == {
        Kind.FILTER: 2, Kind.BAG: 3, Kind.TIE_STRAP: 6, Kind.METAL_BAND: 6, Kind.WASTE_PACKAGING: 3
    }  # fmt: skip


def test_a_job_in_hand_needs_what_its_steps_to_come_use() -> None:
    """EF-03 after the first of three cuts: two bags, four ties and bands, two packages, nothing that is on site."""
    bench = opened()
    whole = {(need.kind, need.what): need for need in wanted_of_job("job-1", bench.state, TODAY).needs}
    bench.run_to("agree/ppe")
    laid_out = wanted_of_job("job-1", bench.state, TODAY)
    bench.run_to("out-2/draw")
    half = wanted_of_job("job-1", bench.state, TODAY)
    bench.run_to("leak/aerosol")
    tested = wanted_of_job("job-1", bench.state, TODAY)
    bench.run_to()

    assert whole == needs("EF-03", crew=2)
    assert [need.what for need in laid_out.needs if need.kind is Kind.TOOL] == ["sample fittings"]
    assert len(laid_out.on_site) == 5
    assert set(half.needs) == {
        Need(Kind.FILTER, "24x24x11.5 gasket", 2), Need(Kind.BAG, "", 2, 1), Need(Kind.TIE_STRAP, "", 4, 2),
        Need(Kind.METAL_BAND, "", 4, 2), Need(Kind.GREASE, "", 1), Need(Kind.AEROSOL, "", 1),
        Need(Kind.WASTE_PACKAGING, "", 2), Need(Kind.TOOL, "sample fittings", 1),
    }  # fmt: skip
    assert {(need.kind, need.count) for need in half.spent} == {
        (Kind.BAG, 1), (Kind.TIE_STRAP, 2), (Kind.METAL_BAND, 2), (Kind.WASTE_PACKAGING, 1)
    }  # fmt: skip
    assert {need.kind for need in tested.needs} == {Kind.AEROSOL, Kind.TOOL}
    assert wanted_of_job("job-1", bench.state, TODAY).needs == ()


def test_filters_staged_after_the_last_step_have_the_life_of_their_bank() -> None:
    """A job that needs nothing more says still how old a filter may be for it; it may be returned from review."""
    bench = opened()
    bench.run_to()
    line = JobLine("job-1", "2026-0001", "EF-03", "change_out", "2026-03-02T07:00:00.000Z")

    work = work_of("job-1", SiteState(), [(line, bench.state)], Mock(), TODAY)

    assert work.wanted is not None
    assert (work.waits, work.wanted.needs, work.lives) == (False, (), {FILTER["what"]: 10})
    assert lives_at(with_life("EF-03", 5)) == {FILTER["what"]: 5}


@pytest.mark.parametrize(("staged", "left"), [("4", 3), ("2", 1), ("1", 0)])
def test_what_the_steps_have_used_of_a_kit_is_not_there_for_those_to_come(staged: str, left: int) -> None:
    """One bag has been used: of four that were staged three are there, of one none."""
    store = accepted(Store(), "L1", **BAG)
    store = evolve_store(store, kit_staged(store, moment(), job="job-1", lines={"L1": staged}))
    wanted = Wanted("job-1", TODAY, (Need(Kind.BAG, "ring 660", 2, 1),), spent=(Need(Kind.BAG, "ring 660", 1),))

    found = deal([wanted], store)

    assert (found.shares[0].put_aside, sum(pick.count for pick in found.picks)) == (left, 3 - left)


def test_tools_at_one_housing_are_not_short_there_and_serve_no_other_that_day() -> None:
    """The only shelf is in use: not asked for again, and another job of the day goes without."""
    store = accepted(Store(), "T1", kind="tool", what="filter shelf", count="1")
    need = (Need(Kind.TOOL, "filter shelf", 1),)

    found = deal([Wanted("job-1", TODAY, (), on_site=need), Wanted("job-2", TODAY, need)], store)
    alone = deal([Wanted("job-1", TODAY, (), on_site=need)], Store())

    assert [(share.job, share.short) for share in found.shares] == [("job-2", 1)]
    assert (alone.shares, alone.lines) == ((), ())


def test_the_lists_name_every_lot_and_every_shortage() -> None:
    """A row for each lot to take and one for what is missing; what is to be ordered first stands first."""
    store = with_lead(with_lead(accepted(Store(), "L1", **(BAG | {"place": "cage 2"})), "bag", 10), "filter", 90)
    jobs = [Wanted("PL-0001", date(2026, 4, 1), (Need(Kind.FILTER, "gasket", 1), Need(Kind.BAG, "ring 660", 12, 3)))]
    found = deal(jobs, store)

    (part,) = pick_parts(found, [("PL-0001", "PL-0001", "EF-03")], store, TODAY)
    orders = order_rows(found, {"PL-0001": "PL-0001"}, TODAY)

    assert [(row.what, row.lot, row.count, row.missing, row.needed) for row in part.rows] == [
        ("filter gasket", "", 1, True, "1"), ("bag ring 660", "L1", 10, False, "15, 3 of them spare"),
        ("bag ring 660", "", 5, True, "15, 3 of them spare"),
    ]  # fmt: skip
    assert part.rows[1].label == "use by 2027-01-01"
    assert [(row.what, row.short, row.by, row.overdue) for row in orders] == [
        ("filter gasket", 1, "2026-01-01, 60 days ago", True), ("bag ring 660", 5, "2026-03-22", False)
    ]  # fmt: skip
    assert [row[4:6] for row in pick_table([part])[1:]] == [(1, 0), (15, 3), (15, 3)]
    assert [row[7:10] for row in order_table(orders)[1:]] == [("2026-01-01", 60, "known"), ("2026-03-22", 0, "known")]
    assert [row[-1] for row in pick_table([part])] == ["State", "SHORT", "take", "SHORT"]
    assert [row[-1] for row in order_table(orders)] == ["State", "LATE", ""]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "\r=1", "\n=1"])
def test_no_cell_of_a_table_is_a_formula(text: str) -> None:
    """A text that a spreadsheet would compute gets an apostrophe; counts stay numbers, commas and quotes stay text."""
    import csv
    import io

    made = csv_of([("a", "b"), (text, 7), ('5" wide, whole', -3)]).decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(made, newline="")))

    assert rows == [["a", "b"], [f"'{text}", "7"], ['5" wide, whole', "-3"]]


def test_no_filter_is_moved_where_nothing_is_known() -> None:
    """An entry of another kind moves nothing."""
    bench = opened()

    assert all(filter_moved(bench.state, event, Store(), 0) is None for event in bench.events)

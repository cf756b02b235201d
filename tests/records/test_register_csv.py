"""The register as a table: what is faulty is told by row and column, and what is written is read back as the same."""

from datetime import date
from io import BytesIO
from zipfile import ZipFile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.housed import Housed, evolve_housed
from app.domain.housed_events import Filter, FiltersPlaced, Placed
from app.domain.housing import Housing
from app.domain.housing_text import housing_text
from app.domain.registers import SiteMoment
from app.domain.store import Store, evolve_store
from app.domain.storing import lot_counted, lot_received
from app.paper.fonts import unprintable
from app.paths import FONTS
from app.records.csv_text import rows_of, runs, table_text, unguarded
from app.records.register_check import MOST_HOUSINGS, Checked
from app.records.register_csv import NAMES, checked_csv, register_csv
from app.records.register_toml import checked_toml, register_zip
from tests.builders import LEAD, housing
from tests.laws.made_housings import housings, words
from tests.records.faulty_tables import FAULTY, SECOND, WHOLE, Faulty, table

TODAY = date(2026, 3, 2)
AT = "2026-03-02T07:00:00.000Z"


def checked(data: bytes, *known: Housing, register: Housed | None = None, store: Store | None = None) -> Checked:
    """Check a table against a register of these housings."""
    by_tag = {item.tag: item for item in known}
    return checked_csv(
        data, by_tag.get, by_tag, register or Housed(), today=TODAY, store=store or Store(),
        unprintable=lambda text: unprintable(text, FONTS),
    )  # fmt: skip


def filled(*places: tuple[str, str, int, Filter]) -> Housed:
    """Return a register with these filters in place."""
    placed = tuple(
        Placed(housing=tag, port=port, position=position, since=AT, filter=found)
        for tag, port, position, found in places
    )
    return evolve_housed(Housed(), FiltersPlaced(seq=0, at=AT, by=LEAD, how="desk", places=placed, why="seen"))


@pytest.mark.parametrize("faulty", FAULTY, ids=lambda item: item.name)
def test_a_faulty_file_is_told_by_row_and_column(faulty: Faulty) -> None:
    """The place, what was given, what is wrong and what to do; nothing of the file counts as good."""
    found = checked(faulty.data)

    told = {item.where: item.sentence for item in found.faults}
    assert faulty.where in told, told
    assert faulty.words in told[faulty.where]
    assert told[faulty.where].endswith(".")
    assert not found.good


def test_there_are_faulty_files_of_thirty_kinds_and_more() -> None:
    """Each has a name of its own."""
    assert len({item.name for item in FAULTY}) == len(FAULTY) > 60


def test_every_fault_of_a_file_is_told_at_once() -> None:
    """Nobody mends one only to meet the next."""
    data = table({"service": "steam", "made": "soon"}, SECOND | {"service": "steam", "position": "7"}).encode()

    places = [item.where for item in checked(data).faults]
    assert places == ["Row 2, column service", "Row 2, column made", "Row 3, column position"]


def test_too_many_rows_are_told_at_the_first_that_is_too_many() -> None:
    """The rest is not read."""
    found = checked((table() + ("x" + "," * (len(NAMES) - 1) + "\r\n") * (MOST_HOUSINGS + 2)).encode())

    (fault,) = found.faults
    assert fault.told == (
        f"Row {MOST_HOUSINGS + 2}, column tag: there are more than {MOST_HOUSINGS} rows. Part the file, housings whole."
    )


@pytest.mark.parametrize(
    "data",
    [
        WHOLE.encode(),
        b"\xef\xbb\xbf" + WHOLE.encode(),
        table({}, SECOND, separator=";").encode(),
        WHOLE.replace("\r\n", "\n").encode(),
        WHOLE.rstrip().encode(),
        (WHOLE + "," * (len(NAMES) - 1) + "\r\n\r\n").encode(),
        table({}, SECOND, names=NAMES[::-1]).encode(),
        WHOLE.replace("Annex bay 1", '"Annex bay 1"').replace(",gel", ',"gel"').encode(),
    ],
    ids=["plain", "mark", "semicolons", "line feeds", "no end", "empty rows", "other order", "quotes"],
)
def test_a_good_table_is_read_in_every_allowed_form(data: bytes) -> None:
    """The same housing and the same filters come of all of them."""
    found = checked(data)

    assert found.faults == ()
    (added,) = found.added
    assert (added.after.tag, added.after.location) == ("EH-1", "Annex bay 1")
    assert [(item.position, item.filter and item.filter.serial) for item in found.fillings] == [(1, "S-1"), (2, "S-2")]
    assert found.good


def test_what_is_no_column_stays_as_it_is() -> None:
    """Limits, design values and practice of a housing outlive an import."""
    before = housing("EF-03")
    text = register_csv([before], Housed()).replace("bay 2", "bay 9")
    (changed,) = checked(text.encode(), before).changed

    assert changed.words == "location"
    assert (changed.after.limits, changed.after.design) == (before.limits, before.design)
    assert changed.after.isolation_points == before.isolation_points


def test_a_number_that_another_housing_holds_is_refused_unless_the_file_empties_it() -> None:
    """Two housings may change filters in one file, and not take one from a third."""
    register = filled(("EF-07", "P1", 1, Filter(serial="s-1")))
    found = checked(WHOLE.encode(), housing("EF-07"), register=register)
    (told,) = (item.told for item in found.faults)
    assert told == (
        "Row 2, column serial: “S-1” is in place at EF-07, P1 position 1 by the register, and no filter is in two "
        "places. Read the label again, or take it out there first."
    )
    emptied = register_csv([housing("EF-07")], Housed()).split("\r\n", 1)[1]
    assert checked((WHOLE + emptied).encode(), housing("EF-07"), register=register).faults == ()


def test_a_number_that_the_store_room_holds_is_told_by_row_and_column() -> None:
    """Each of them; what was counted as gone from there may be in place, and the same file is then good."""
    moment = SiteMoment(seq=1, at=f"{TODAY}T07:00:00.000Z", today=TODAY, by=LEAD)
    store = Store()
    for lot, serial in (("F-1", "s-1"), ("F-2", "S - 2")):
        typed = {"id": lot, "kind": "filter", "what": "24x24x11.5 gel", "serial": serial, "made": "2024-05-01"}
        store = evolve_store(store, lot_received(store, moment, typed))
    found = checked(WHOLE.encode(), store=store)

    told = "and no filter is in two places. Read the label again, or count that lot there first."
    assert [(item.where, item.sentence) for item in found.faults] == [
        ("Row 2, column serial", f"“S-1” is in the store room as lot F-1, {told}"),
        ("Row 3, column serial", f"“S-2” is in the store room as lot F-2, {told}"),
    ]
    for lot in ("F-1", "F-2"):
        store = evolve_store(store, lot_counted(store, moment, lot=lot, now="0", reason="in place at EH-1"))
    assert checked(WHOLE.encode(), store=store).good


def test_a_row_without_a_position_leaves_filters_alone() -> None:
    """The port is described and what is in it stays."""
    register = filled(("EH-1", "P1", 1, Filter(serial="s-1")))
    data = table({"position": "", "serial": "", "made": "", "installed": ""}).encode()

    found = checked(data, register=register)
    assert found.faults == ()
    assert found.fillings == ()


def test_a_position_that_is_no_more_loses_its_filter() -> None:
    """A port with fewer filters than before cannot hold what it held."""
    register = filled(("EH-1", "P1", 2, Filter(serial="S-2")))
    found = checked(table({"filters": "1", "made": "", "installed": ""}).encode(), register=register)

    assert [(item.spot, item.filter) for item in found.fillings] == [
        (("P1", 1), Filter(serial="S-1")), (("P1", 2), None),
    ]  # fmt: skip


@given(st.lists(st.lists(words(12) | st.sampled_from(("", "'", "''", "'=", "=1", "-", "a,b", 'a"b', "x\r\ny")),
                         min_size=2, max_size=4), min_size=1, max_size=4))  # fmt: skip
def test_any_cells_are_read_back_and_none_would_run(rows: list[list[str]]) -> None:
    """Whatever stands in a cell comes back as it was, and no spreadsheet takes it for a formula."""
    text = table_text(rows)
    read = [row.cells for row in rows_of(text, ",")]

    assert [[unguarded(cell) for cell in cells] for cells in read] == rows
    assert not any(runs(cell) for cells in read for cell in cells)


@st.composite
def registers(draw: st.DrawFn) -> tuple[list[Housing], Housed]:
    """Housings with filters in some positions."""
    plates = [draw(housings(tag=tag)) for tag in ("EH-1", "EH-2")[: draw(st.integers(1, 2))]]
    spots = [
        (plate.tag, port.id, place) for plate in plates for port in plate.ports for place in range(1, port.filters + 1)
    ]
    days = st.none() | st.dates(date(1990, 1, 1), TODAY)
    places = tuple(
        Placed(
            housing=tag, port=port, position=position, since=AT,
            filter=Filter(
                serial=" ".join(f"{draw(words(8))} {number}".split()), made=draw(days),
                report=draw(st.none() | st.just("=TR 1")),
            ),
        )
        for number, (tag, port, position) in enumerate(spots) if draw(st.booleans())
    )  # fmt: skip
    event = FiltersPlaced(seq=0, at=AT, by=LEAD, how="desk", places=places, why="seen")
    return plates, evolve_housed(Housed(), event) if places else Housed()


@given(registers())
def test_a_table_that_is_read_back_is_the_same_register(made: tuple[list[Housing], Housed]) -> None:
    """Against the register it came from nothing changes; into an empty one, the same table comes out of it."""
    plates, register = made
    data = register_csv(plates, register).encode()

    again = checked(data, *plates, register=register)
    assert (again.faults, again.changing, again.fillings, again.same) == ((), (), (), len(plates))

    fresh = checked(data)
    assert fresh.faults == ()
    there = [item.after for item in fresh.changing]
    placed = tuple(
        Placed(housing=item.housing, port=item.port, position=item.position, since=AT, filter=item.filter)
        for item in fresh.fillings
    )
    event = FiltersPlaced(seq=0, at=AT, by=LEAD, how="import", places=placed, why="read back")
    assert register_csv(there, evolve_housed(Housed(), event)).encode() == data


# --- TOML ---------------------------------------------------------------------------------------


def checked_plates(data: bytes, *known: Housing) -> Checked:
    """Check TOML against a register of these housings."""
    by_tag = {item.tag: item for item in known}
    return checked_toml(data, by_tag.get, by_tag, Housed(), unprintable=lambda text: unprintable(text, FONTS))


def archive(**files: str | bytes) -> bytes:
    """Return an archive; a double underscore in a name stands for a point."""
    made = BytesIO()
    with ZipFile(made, "w") as written:
        for name, content in files.items():
            written.writestr(name.replace("__", "."), content)
    return made.getvalue()


def test_an_archive_of_nameplates_is_read_back_as_the_same() -> None:
    """All that a nameplate has is in it, limits and design values too."""
    plates = [housing(tag) for tag in ("EF-03", "EF-07", "EF-11")]
    data = register_zip(plates, lambda tag: f"{tag}.toml")

    assert checked_plates(data, *plates).same == 3
    assert [item.after for item in checked_plates(data).added] == plates
    assert data == register_zip(plates, lambda tag: f"{tag}.toml")
    assert [item.after for item in checked_plates(housing_text(plates[0]).encode()).added] == plates[:1]


ONE = housing_text(housing("EF-03"))


@pytest.mark.parametrize(
    ("data", "where", "words"),
    [
        (b"", "The file", "it is empty"),
        (b"PK\x03\x04 and no more", "The file", "it is no archive that can be read"),
        (archive(a__toml=ONE)[:-30], "The file", "it is no archive that can be read"),
        (archive(a__txt=ONE), "a.txt", "only TOML files are taken"),
        (archive(a__toml=ONE, b__toml=ONE), "b.toml", "“EF-03” stands in a.toml too"),
        (archive(a__toml=ONE.replace('"gasket"', '"glue"', 1)), "a.toml", "seal: Input should be 'gasket' or 'gel'"),
        (archive(a__toml=b"\xff"), "a.toml", "it is not UTF-8 text"),
        (archive(a__toml="tag = "), "a.toml", "is not TOML"),
        (archive(a__toml="#" * 200_001), "a.toml", "more than 200000 bytes"),
        (archive(a__toml=ONE.replace("bay 2", "bay \u202e2")), "a.toml", "U+202E"),
    ],
)
def test_faulty_nameplates_are_told_by_file(data: bytes, where: str, words: str) -> None:
    """Each with the name of its file."""
    found = checked_plates(data)

    assert [item.where for item in found.faults] == [where]
    assert words in found.faults[0].sentence
    assert not found.good

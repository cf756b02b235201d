"""The housing register through its pages: files in and out, one nameplate, all or nothing."""

import re
from hashlib import sha256
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from app.bootstrap import start
from app.domain.housed_events import HousingEntered
from app.domain.housing_text import housing_text
from app.settings import Settings
from app.storage.faults import StorageFault
from app.storage.library import FileLibrary
from app.storage.plates import PlateFiles
from tests.records.faulty_tables import OTHER, SECOND, WHOLE, table
from tests.web.desk import Clock, Desk

TYPED = {
    "tag": "EH-5", "location": "Annex", "service": "chemical", "seal": "gel", "upstream_damper": "D-1",
    "downstream_damper": "D-2", "hazards": "low beam\r\nhot pipe; left", "port.1.port": "P1", "port.1.bank": "hepa",
    "port.1.filters": "2", "port.1.filter": "24x24x11.5 gel", "why": "new unit",
}  # fmt: skip


def send(desk: Desk, data: bytes, kind: str = "csv"):  # type: ignore[no-untyped-def]  # noqa: ANN201
    """Send a file to be checked, as the lead."""
    client = desk.client(desk.named("lead"))
    return client.post("/register/check", data={"kind": kind}, files={"file": ("any name", data)})


def digest_on(page: str) -> str:
    """Return the digest that the page would enter."""
    found = re.search(r'name="digest" value="([0-9a-f]{64})"', page)
    assert found is not None
    return found[1]


def seen_on(page: str) -> dict[str, str]:
    """Return the size of the site's ledger on which the page says what would be."""
    found = re.search(r'name="seen" value="(\d+)"', page)
    assert found is not None
    return {"seen": found[1]}


def shown_on(page: str) -> dict[str, str]:
    """Return the digest of the nameplate from which the form was filled."""
    found = re.search(r'name="shown" value="([0-9a-f]{64})"', page)
    assert found is not None
    return {"shown": found[1]}


def entered(desk: Desk) -> list[HousingEntered]:
    """Return what was entered about nameplates."""
    return [event for event in desk.running.site.jobs.site_events() if isinstance(event, HousingEntered)]


def test_a_table_is_looked_at_first_and_entered_whole_by_a_second_word(desk: Desk) -> None:
    """The first page writes nothing and says what would be; the second enters all, with the digest."""
    lead = desk.named("lead")
    data = (WHOLE + table(OTHER).split("\r\n", 1)[1]).encode()
    looked = send(desk, data)
    assert looked.status_code == 200
    assert "No fault was found. Nothing has been entered yet." in looked.text
    assert "<dt>Housings added</dt><dd>2</dd>" in looked.text
    assert "<dt>Filters put in place</dt><dd>3</dd>" in looked.text
    assert desk.running.site.library.housing("EH-1") is None

    digest, seen = digest_on(looked.text), seen_on(looked.text)
    sent = desk.post(lead, "/register/enter", digest=digest, kind="csv", why="first survey of the annex", **seen)

    assert (sent.status_code, sent.headers["location"]) == (303, "/register")
    housed = desk.running.site.jobs.site().housed
    assert housed.where("S-2") == ("EH-1", ("P1", 2))
    (event,) = entered(desk)
    assert (event.source, event.why, event.by) == (sha256(data).hexdigest(), "first survey of the annex", lead)
    for plate in event.plates:
        path = desk.running.site.settings.data / "housings" / f"{plate.tag}.toml"
        assert sha256(path.read_bytes()).hexdigest() == plate.sha256
    assert "EH-2" in desk.get(lead, "/?q=annex").text

    again = send(desk, data)
    assert "The register has all of this already" in again.text
    trail = desk.get(lead, "/trail?kind=housings").text
    assert "The nameplate of EH-1, EH-2 was entered, from a file with SHA-256" in trail


def test_a_faulty_file_shows_every_fault_and_no_way_to_enter_it(desk: Desk) -> None:
    """By row and column; nothing is kept of it."""
    looked = send(desk, table({"service": "steam", "made": "soon"}, SECOND | {"service": "steam"}).encode())

    assert looked.status_code == 422
    assert "2 faults. Nothing of this file can be entered" in looked.text
    assert "Row 2, column service: “steam” is not one of" in looked.text
    assert "Row 2, column made: &#39;soon&#39; is not a date" in looked.text
    assert "Enter all of it" not in looked.text


def test_no_file_and_no_kind_are_told(desk: Desk) -> None:
    """The page comes back with the sentence."""
    client = desk.client(desk.named("lead"))

    for answer, words in (
        (client.post("/register/check", data={"kind": "csv"}), "No file was chosen"),
        (send(desk, WHOLE.encode(), "xls"), "Choose whether a table (CSV) or nameplates (TOML) are sent"),
        (send(desk, b""), "it is empty"),
        (send(desk, b"a = " + b"[" * 9_000, "toml"), "its lists stand too deep"),
    ):
        assert answer.status_code == 422
        assert words in answer.text


def test_what_was_checked_is_checked_again_before_it_is_entered(desk: Desk) -> None:
    """A filter that came elsewhere meanwhile, other bytes, a digest of nothing: refused, and nothing written."""
    lead = desk.named("lead")
    looked = send(desk, WHOLE.encode()).text
    digest, seen = digest_on(looked), seen_on(looked)
    placed = {"port": "P1", "position": "1", "serial": "S-2", "why": "read"}
    desk.running.site.housing_register.place_filter("EF-03", placed, by=lead).result()

    refused = desk.post(lead, "/register/enter", digest=digest, kind="csv", why="as planned", **seen)
    assert refused.status_code == 422
    assert "“S-2” is in place at EF-03, P1 position 1 by the register" in refused.text
    assert "Enter all of it" not in refused.text

    good = digest_on(send(desk, table(OTHER).encode()).text)
    without = desk.post(lead, "/register/enter", digest=good, kind="csv", why="", **seen)
    assert without.status_code == 422
    assert "Why it is entered: 0 characters were given" in without.text
    kept = desk.running.site.settings.data / "incoming" / good
    kept.write_bytes(kept.read_bytes().replace(b"Annex", b"Cellar"))
    for name in (good, "0" * 64, "../housings/EF-03.toml"):
        answer = desk.post(lead, "/register/enter", digest=name, kind="csv", why="as planned", **seen)
        assert answer.status_code == 422
        assert "is not here any more" in answer.text
    assert entered(desk) == []


def test_the_table_and_the_archive_come_back_as_nothing_new(desk: Desk) -> None:
    """What is taken away may be sent again, by a spreadsheet's mark and all."""
    hands = desk.named("technician")
    send_back = {"csv": desk.get(hands, "/register.csv"), "toml": desk.get(hands, "/register.zip")}

    for kind, taken in send_back.items():
        assert taken.headers["content-disposition"].startswith("attachment; filename=")
        answer = send(desk, taken.content, kind)
        assert answer.status_code == 200
        assert "The register has all of this already" in answer.text
        assert "<dt>Housings as they were</dt><dd>3</dd>" in answer.text


def test_a_nameplate_is_entered_and_changed_by_its_form(desk: Desk) -> None:
    """Lists take a line for each; the earlier text is kept, and both entries name their digests."""
    lead, folder = desk.named("lead"), desk.running.site.settings.data / "housings"
    sent = desk.post(lead, "/register/new", **TYPED)
    assert (sent.status_code, sent.headers["location"]) == (303, "/housings/EH-5")
    form = desk.get(lead, "/housings/EH-5/change").text
    assert ">low beam\nhot pipe; left</textarea>" in form
    first = (folder / "EH-5.toml").read_bytes()

    moved = {"location": "Annex, bay 2", "why": "moved"}
    changed = desk.post(lead, "/housings/EH-5/change", **TYPED | moved | shown_on(form))
    assert changed.status_code == 303
    plate = desk.running.site.library.housing("EH-5")
    assert plate is not None
    assert plate.location == "Annex, bay 2"
    new, old = entered(desk)[1], entered(desk)[0]
    assert (new.plates[0].was, new.plates[0].changed) == (old.plates[0].sha256, ("location",))
    (kept,) = (folder / "earlier").iterdir()
    assert kept.read_bytes() == first


REFUSED: tuple[tuple[dict[str, str], str], ...] = (
    ({"service": ""}, "Service: nothing was given"),
    ({"port.1.filters": "9"}, "Filters in series of port P1: “9” is no whole number from 1 to 6"),
    ({"tag": "EF-03"}, "EF-03 is on the register. Change it on its own page"),
    ({"tag": "ef-03"}, "“ef-03” is EF-03 written otherwise"),
    ({"why": " "}, "Why it is entered: 0 characters"),
    ({"location": "a\u202eb"}, "U+202E"),
    ({"port.1.port": "", "port.1.bank": "", "port.1.filters": "", "port.1.filter": ""}, "0 ports were given"),
    ({"port.2.port": "P1", "port.2.bank": "hepa", "port.2.filters": "1", "port.2.filter": "x"}, "“P1” is there twice"),
)


def test_a_refused_nameplate_comes_back_as_it_was_typed(desk: Desk) -> None:
    """With a sentence that names the field, and nothing written."""
    for typed, words in REFUSED:
        refused = desk.post(desk.named("lead"), "/register/new", **TYPED | {"hazards": "low beam"} | typed)

        assert refused.status_code == 422
        assert words in refused.text.replace("&#39;", "'")
        assert ">low beam</textarea>" in refused.text
    assert entered(desk) == []


def test_two_leads_who_change_one_housing_do_not_undo_each_other(desk: Desk) -> None:
    """Whoever planned on the register of before is told so, though both came at one moment."""
    lead, register = desk.named("lead"), desk.running.site.housing_register
    desk.post(lead, "/register/new", **TYPED | {"hazards": ""})
    state = desk.running.site.jobs.site()
    shown = shown_on(desk.get(lead, "/housings/EH-5/change").text)
    desk.post(lead, "/housings/EH-5/change", **TYPED | {"hazards": "", "location": "Cellar"} | shown)
    checked = register._checked(WHOLE.replace("EH-1", "EH-5").encode(), "csv", desk.running.site.jobs.site())

    with pytest.raises(Exception, match="EH-5 was changed by somebody meanwhile"):
        register._write(checked, state.size, "late", by=lead)
    plate = desk.running.site.library.housing("EH-5")
    assert plate is not None
    assert plate.location == "Cellar"
    assert list((desk.running.site.settings.data / "housings").glob(".entering*")) == []


def test_a_nameplate_that_was_changed_after_its_form_was_shown_is_not_written_over(desk: Desk) -> None:
    """Two forms of one housing: the second is refused with what was typed, again too, until it is shown anew."""
    first, second, path = desk.named("lead"), desk.named("lead", 1), "/housings/EH-5/change"
    desk.post(first, "/register/new", **TYPED)
    shown = shown_on(desk.get(first, path).text)
    assert shown == shown_on(desk.get(second, path).text)
    assert desk.post(first, path, **TYPED | {"location": "Cellar"} | shown).status_code == 303

    typed = TYPED | {"service": "general", "hazards": "hot pipe"}
    for _ in range(2):
        refused = desk.post(second, path, **typed | shown)
        assert refused.status_code == 422
        assert "The nameplate of EH-5 was changed by somebody meanwhile. Reload the page" in refused.text
        assert ">hot pipe</textarea>" in refused.text
        shown = shown_on(refused.text)
    assert len(entered(desk)) == 2
    anew = desk.get(second, path).text
    assert 'value="Cellar"' in anew
    assert desk.post(second, path, **typed | {"location": "Cellar"} | shown_on(anew)).status_code == 303


def test_a_file_is_entered_as_it_was_shown_or_not_at_all(desk: Desk) -> None:
    """What another lead entered after the check is not undone; the page then shows what the file would do now."""
    lead, other = desk.named("lead"), desk.named("lead", 1)
    desk.post(lead, "/register/new", **TYPED | {"tag": "EH-1"})
    looked = send(desk, WHOLE.encode()).text
    asked = {"digest": digest_on(looked), "kind": "csv", "why": "as planned"}
    path = "/housings/EH-1/change"
    changed = TYPED | {"tag": "EH-1", "location": "Cellar"} | shown_on(desk.get(other, path).text)
    assert desk.post(other, path, **changed).status_code == 303

    refused = desk.post(lead, "/register/enter", **asked, **seen_on(looked))
    assert refused.status_code == 422
    assert "EH-1 was changed by somebody meanwhile. Nothing was entered" in refused.text
    plate = desk.running.site.library.housing("EH-1")
    assert plate is not None
    assert plate.location == "Cellar"
    for odd in ("soon", "9" * 30, "-1", "²"):
        assert desk.post(lead, "/register/enter", **asked, seen=odd).status_code == 422
    assert desk.post(lead, "/register/enter", **asked, **seen_on(refused.text)).status_code == 303


def test_a_tag_that_needs_a_long_name_has_its_file_and_its_pages(desk: Desk) -> None:
    """Forty letters of twelve bytes each when quoted; signs that mean something in an address; a start after it."""
    lead, data = desk.named("lead"), desk.running.site.settings.data
    for tag in ("\N{CJK UNIFIED IDEOGRAPH-6FFE}" * 40, "A#1?x=4"):
        assert desk.post(lead, "/register/new", **TYPED | {"tag": tag, "hazards": ""}).status_code == 303
        form = desk.get(lead, f"/housings/{quote(tag, safe='')}/change").text
        assert f'action="/housings/{quote(tag, safe="")}/change"' in unescape(form)
        assert len(max((path.name.encode() for path in (data / "housings").iterdir()), key=len)) < 200
    desk.running.close()
    again = start(Settings(data=data), Clock())
    assert len(again.site.library.housings()) == 5
    again.close()


def test_texts_wait_for_a_start_where_nobody_knows_whether_they_were_entered(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A commit that is refused may stand after a start, which then puts its texts in place; a refusal drops them."""
    lead, register = desk.named("lead"), desk.running.site.housing_register
    folder = desk.running.site.settings.data / "housings"

    def failing(*_: object) -> object:
        raise StorageFault("The disk failed.")

    with monkeypatch.context() as patched:
        patched.setattr(register, "_entered", failing)
        desk.post(lead, "/register/new", **TYPED | {"hazards": ""})
    assert len(list(folder.glob(".entering*"))) == 1
    desk.post(lead, "/register/new", **TYPED | {"hazards": "", "why": " "})
    assert len(list(folder.glob(".entering*"))) == 1


def test_a_power_cut_between_entry_and_files_is_made_good_at_the_next_start(tmp_path: Path) -> None:
    """Texts that the ledger speaks of are put in their place; those of an entry that never was are not."""
    desk = Desk.at(tmp_path, Clock())
    plates, lead = PlateFiles(tmp_path, FileLibrary(tmp_path)), desk.named("lead")
    plate = desk.running.site.library.housing("EF-03")
    assert plate is not None
    made = {tag: housing_text(plate.model_copy(update={"tag": tag})) for tag in ("EH-7", "EH-8")}
    lost = plates.ready({"EH-8": made["EH-8"]})
    desk.post(lead, "/register/new", **TYPED | {"tag": "EH-7", "hazards": ""})
    text = (tmp_path / "housings" / "EH-7.toml").read_text("utf-8")
    plates.ready({"EH-7": text})
    (tmp_path / "housings" / "EH-7.toml").unlink()
    (tmp_path / "housings" / ".entering-cut.json").write_bytes(b'{"EH-9": "tag')
    desk.running.close()

    running = start(Settings(data=tmp_path), Clock())
    found = [housing.tag for housing in running.site.library.housings()]
    running.close()
    assert found == ["EF-03", "EF-07", "EF-11", "EH-7"]
    assert (tmp_path / "housings" / "EH-7.toml").read_text("utf-8") == text
    assert lost.path.exists()  # it may be another server's, just before its commit

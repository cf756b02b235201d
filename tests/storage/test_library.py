"""The library: a file is parsed once, what changes is seen, and a housing is found among thousands."""

import threading
from pathlib import Path

import pytest

from app.domain.housing import Housing, read_housing
from app.storage import library as module
from app.storage.library import FileLibrary
from tests.builders import SEED

TEXT = (SEED / "housings" / "EF-03.toml").read_text("utf-8")


def put(folder: Path, tag: str, location: str = "Roof plant room, bay 2", name: str = "") -> Path:
    """Write a housing's file."""
    path = folder / "housings" / (name or f"{tag}.toml")
    path.parent.mkdir(exist_ok=True)
    path.write_text(TEXT.replace('"EF-03"', f'"{tag}"').replace("Roof plant room, bay 2", location), "utf-8")
    return path


def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Count what is parsed, by the names of the files."""
    parsed: list[str] = []

    def counting(text: str, *, name: str) -> Housing:
        parsed.append(name)
        return read_housing(text, name=name)

    monkeypatch.setattr(module, "read_housing", counting)
    return parsed


def test_a_file_is_parsed_once_and_again_only_when_it_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many looks parse nothing; a changed, a new and a removed file are seen at the next."""
    parsed = counted(monkeypatch)
    for number in range(30):
        put(tmp_path, f"EH-{number}")
    library = FileLibrary(tmp_path)

    for _ in range(5):
        assert len(library.housings()) == 30
        assert library.housing("EH-7") is not None
    assert len(parsed) == 30

    put(tmp_path, "EH-7", "Cellar")
    changed = library.housing("EH-7")
    assert changed is not None
    assert changed.location == "Cellar"
    put(tmp_path, "EH-30")
    (tmp_path / "housings" / "EH-0.toml").unlink()
    library.look_again()
    assert (len(library.housings()), library.housing("EH-0"), library.housing("EH-30") is not None) == (30, None, True)
    assert len(parsed) == 32


def test_a_link_that_leads_nowhere_hides_no_housing(tmp_path: Path) -> None:
    """An editor's lock is such a link; so is a name whose file was taken away meanwhile."""
    put(tmp_path, "EH-1")
    for name in (".#EH-1.toml", "EH-2.toml"):
        (tmp_path / "housings" / name).symlink_to(tmp_path / "gone")

    assert [housing.tag for housing in FileLibrary(tmp_path).housings()] == ["EH-1"]


def test_the_same_housings_are_the_same_object(tmp_path: Path) -> None:
    """So that what is made from them may be kept for as long as they stay."""
    put(tmp_path, "EH-1")
    library = FileLibrary(tmp_path)

    assert library.housings() is library.housings()


def test_every_word_must_be_held_by_tag_place_or_service(tmp_path: Path) -> None:
    """Upper and lower case are one; no word finds all."""
    put(tmp_path, "EH-1", "Roof, bay 2")
    put(tmp_path, "EH-2", "Cellar, bay 2")
    library = FileLibrary(tmp_path)

    def tags(words: str) -> list[str]:
        return [item.tag for item in library.holding(words)]

    assert tags("") == tags("BAY") == tags("radioactive") == ["EH-1", "EH-2"]
    assert tags("bay cellar") == tags("eh-2") == ["EH-2"]
    assert tags("bay attic") == []


def test_two_files_with_one_tag_are_told_and_the_first_by_name_counts(tmp_path: Path) -> None:
    """Nobody wonders which of the two is used."""
    put(tmp_path, "EH-1", "Roof", name="a.toml")
    put(tmp_path, "EH-1", "Cellar", name="b.toml")
    library = FileLibrary(tmp_path)

    assert [item.location for item in library.housings()] == ["Roof"]
    assert library.faults() == ("b.toml holds EH-1, as a.toml does. It is not used; keep one of the two.",)


def test_a_site_without_the_folder_has_no_housings(tmp_path: Path) -> None:
    """Nothing is raised; the page says so."""
    assert FileLibrary(tmp_path).housings() == ()
    assert FileLibrary(tmp_path).housing("EH-1") is None


def test_words_are_found_in_one_housing_and_not_across_two(tmp_path: Path) -> None:
    """As by looking through each for itself, whichever word is the longest, asked once or again."""
    places = ("Roof, bay 1", "Roof, bay 12", "Cellar, bay 1", "Attic 12 roofs", "bay")
    for number, place in enumerate(places):
        put(tmp_path, f"EH-{number}", place)
    library = FileLibrary(tmp_path)

    for words in ("bay 1", "roof 12", "12 bay roof", "eh-1 bay", "1 2", "y e", "active", "roof roofs", "ring"):
        plain = [
            item.tag for item in library.housings()
            if all(word in f"{item.tag}\n{item.location}\n{item.service}".casefold() for word in words.split())
        ]  # fmt: skip
        assert [item.tag for item in library.holding(words)] == plain, words
        assert library.holding(words) is library.holding(words)
    put(tmp_path, "EH-9", "Roof 12")
    assert [item.tag for item in library.holding("roof 12")] == ["EH-1", "EH-3", "EH-9"]


def joined() -> None:
    """Wait until nobody looks beside the requests any more."""
    for thread in threading.enumerate():
        if thread.name == module.BESIDE:
            thread.join(10)
            assert not thread.is_alive()


def test_a_large_folder_is_looked_through_beside_the_requests(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is known is given at once; a file changed in place is seen after the look that a request began."""
    monkeypatch.setattr(module, "BESIDE_S", -1.0)
    monkeypatch.setattr(module, "REST_BESIDE", 0)
    put(tmp_path, "EH-1", "Roof")
    library = FileLibrary(tmp_path)
    assert [item.location for item in library.housings()] == ["Roof"]

    put(tmp_path, "EH-1", "Cellar, far side")
    stamps, go_on = module._stamps, threading.Event()

    def held_up(folder: Path) -> list[tuple[str, tuple[int, int, int]]]:
        if threading.current_thread().name == module.BESIDE:
            assert go_on.wait(10)
        return stamps(folder)

    monkeypatch.setattr(module, "_stamps", held_up)
    given = [item.location for item in library.housings()]
    go_on.set()
    joined()
    assert given == ["Roof"]
    assert [item.location for item in library.housings()] == ["Cellar, far side"]
    joined()


@pytest.mark.parametrize(("beside_s", "seen"), [(-1.0, "Roof"), (1e9, "Cellar, far side")])
def test_a_folder_looked_through_beside_the_requests_rests_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, beside_s: float, seen: str
) -> None:
    """A file changed in place waits for the end of that rest; of a folder looked at within a request it is seen."""
    monkeypatch.setattr(module, "BESIDE_S", beside_s)
    monkeypatch.setattr(module, "REST", 0)
    monkeypatch.setattr(module, "REST_BESIDE", 10**12)
    put(tmp_path, "EH-1", "Roof")
    library = FileLibrary(tmp_path)
    library.housings()

    put(tmp_path, "EH-1", "Cellar, far side")
    library.housings()
    joined()

    assert [item.location for item in library.housings()] == [seen]
    joined()


def test_a_look_that_was_overtaken_takes_nothing_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the program wrote and looked at while another looked stays, and so does what it took away."""
    monkeypatch.setattr(module, "BESIDE_S", -1.0)
    monkeypatch.setattr(module, "REST_BESIDE", 0)
    put(tmp_path, "EH-1")
    put(tmp_path, "EH-3")
    library = FileLibrary(tmp_path)
    library.housings()
    stamps = module._stamps

    def overtaken(folder: Path) -> list[tuple[str, tuple[int, int, int]]]:
        found = stamps(folder)
        if threading.current_thread().name == module.BESIDE:
            monkeypatch.setattr(module, "_stamps", stamps)
            put(tmp_path, "EH-1", "Cellar, far side")
            put(tmp_path, "EH-2")
            (tmp_path / "housings" / "EH-3.toml").unlink()
            library.look_again()
        return found

    monkeypatch.setattr(module, "_stamps", overtaken)
    library.housings()
    joined()
    assert [item.location for item in library.housings()] == ["Cellar, far side", "Roof plant room, bay 2"]
    assert library.faults() == ()
    joined()

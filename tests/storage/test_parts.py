"""A photo in parts: cut anywhere, repeated, out of place, it ends as the same bytes, and half a photo never counts."""

import os
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.calc.errors import Invalid
from app.storage.faults import StorageFault
from app.storage.parts import LARGEST_PART, PhotoParts
from app.storage.photos import LARGEST_PHOTO_BYTES, PhotoStore
from tests.storage.pictures import jpeg

NOW = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)
PHOTO = jpeg(40, 30)
NAME = sha256(PHOTO).hexdigest()


@pytest.fixture
def parts(tmp_path: Path) -> PhotoParts:
    """An empty shelf."""
    return PhotoParts(tmp_path, PhotoStore(tmp_path))


def shelf(folder: Path) -> PhotoParts:
    """Open a shelf as a restarted program does."""
    return PhotoParts(folder, PhotoStore(folder))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(cuts=st.lists(st.integers(0, len(PHOTO)), max_size=6), again=st.booleans())
def test_a_photo_cut_anywhere_goes_on_where_the_disk_stands(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], again: bool
) -> None:
    """However the line breaks, each try goes on at the stored offset; the whole has the SHA-256 it was named by."""
    folder = tmp_path_factory.mktemp("parts")
    for cut in sorted(cuts):
        held, whole = shelf(folder).held(NAME)
        if cut > held and not whole:
            told = shelf(folder).add(NAME, PHOTO[held:cut], at=held, of=len(PHOTO), now=NOW)
            assert told == (cut, cut == len(PHOTO))
            if again:
                assert shelf(folder).add(NAME, PHOTO[held:cut], at=held, of=len(PHOTO), now=NOW)[0] == cut
    held, whole = shelf(folder).held(NAME)
    if not whole:
        with pytest.raises(StorageFault):
            PhotoStore(folder).read(NAME)
        shelf(folder).add(NAME, PHOTO[held:], at=held, of=len(PHOTO), now=NOW)

    assert PhotoStore(folder).read(NAME) == PHOTO
    assert shelf(folder).held(NAME) == (len(PHOTO), True)
    assert list((folder / "photos" / ".parts").iterdir()) == []


def test_a_photo_that_was_all_there_when_the_program_was_killed_is_finished_by_the_next_try(
    parts: PhotoParts, tmp_path: Path
) -> None:
    """Its last part was on the disk and the photo not yet kept: the tablet has nothing left to send but an end."""
    parts.add(NAME, PHOTO[:10], at=0, of=len(PHOTO), now=NOW)
    (unfinished,) = (tmp_path / "photos" / ".parts").iterdir()
    unfinished.write_bytes(PHOTO)
    held, whole = shelf(tmp_path).held(NAME)

    told = shelf(tmp_path).add(NAME, PHOTO[held:], at=held, of=len(PHOTO), now=NOW)

    assert (held, whole) == (len(PHOTO), False)
    assert told == (len(PHOTO), True)
    assert PhotoStore(tmp_path).read(NAME) == PHOTO
    assert not unfinished.exists()


def test_a_part_at_another_place_is_not_taken(parts: PhotoParts) -> None:
    """The answer says where to go on; nothing is written."""
    parts.add(NAME, PHOTO[:10], at=0, of=len(PHOTO), now=NOW)

    assert parts.add(NAME, PHOTO[20:30], at=20, of=len(PHOTO), now=NOW) == (10, False)
    assert parts.add(NAME, PHOTO[:10], at=0, of=len(PHOTO), now=NOW) == (10, False)


def test_a_whole_that_is_not_what_its_name_says_is_thrown_away(parts: PhotoParts) -> None:
    """It is sent again from the beginning."""
    parts.add(NAME, PHOTO[:10], at=0, of=len(PHOTO), now=NOW)
    with pytest.raises(Invalid, match="sent again from the beginning"):
        parts.add(NAME, b"x" * (len(PHOTO) - 10), at=10, of=len(PHOTO), now=NOW)

    assert parts.held(NAME) == (0, False)


def test_what_is_no_picture_is_never_kept(parts: PhotoParts) -> None:
    """A right SHA-256 is not enough: the bytes must be a picture."""
    text = b"<svg onload=alert(1)>"
    with pytest.raises(Invalid, match="not a whole JPEG"):
        parts.add(sha256(text).hexdigest(), text, at=0, of=len(text), now=NOW)

    assert parts.held(sha256(text).hexdigest()) == (0, False)


@pytest.mark.parametrize(
    ("size", "at", "of"),
    [(1, 0, 0), (1, 0, LARGEST_PHOTO_BYTES + 1), (0, 0, 5), (LARGEST_PART + 1, 0, LARGEST_PART + 1), (5, 3, 7)],
)
def test_parts_that_cannot_be_are_refused(parts: PhotoParts, size: int, at: int, of: int) -> None:
    """Nothing, too much, or more than was announced."""
    with pytest.raises(Invalid):
        parts.add(NAME, b"x" * size, at=at, of=of, now=NOW)


@pytest.mark.parametrize("name", ["../../etc/passwd", "A" * 64, "", "0" * 63])
def test_a_name_is_a_digest_and_nothing_else(parts: PhotoParts, name: str) -> None:
    """No name ever leads out of the folder."""
    with pytest.raises(Invalid, match="64 hex digits"):
        parts.held(name)


def test_what_nobody_goes_on_with_for_a_day_is_thrown_away(parts: PhotoParts, tmp_path: Path) -> None:
    """A day after its last byte an unfinished photo is gone; a younger one stays."""
    other = sha256(b"other").hexdigest()
    parts.add(NAME, PHOTO[:10], at=0, of=len(PHOTO), now=NOW)
    parts.add(other, b"othe", at=0, of=5, now=NOW)
    (old,) = [path for path in (tmp_path / "photos" / ".parts").iterdir() if path.name.endswith(NAME)]
    os.utime(old, (NOW.timestamp(), NOW.timestamp()))
    (young,) = [path for path in (tmp_path / "photos" / ".parts").iterdir() if path.name.endswith(other)]
    later = NOW + timedelta(hours=25)
    os.utime(young, (later.timestamp(), later.timestamp()))

    parts.add(sha256(b"third").hexdigest(), b"thi", at=0, of=5, now=later)

    assert parts.held(NAME) == (0, False)
    assert parts.held(other) == (4, False)

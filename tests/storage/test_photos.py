"""Photos are what their bytes say, are whole or absent, and are rehashed at every read."""

import os
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from app.calc.errors import Invalid
from app.storage.faults import StorageFault
from app.storage.image_headers import image_header
from app.storage.photos import LARGEST_PHOTO_BYTES, PhotoStore
from tests.storage.pictures import jpeg, png, webp_extended, webp_lossless, webp_simple

MAKERS = [png, jpeg, webp_simple, webp_lossless, webp_extended]


@pytest.fixture
def kept(tmp_path: Path) -> PhotoStore:
    """Open an empty photo store."""
    return PhotoStore(tmp_path)


def files_in(folder: Path) -> list[str]:
    """Return every file below a folder."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_a_photo_is_kept_under_its_hash_and_read_back(kept: PhotoStore, tmp_path: Path) -> None:
    """Its place, type and size follow from its bytes alone, and nothing else is left."""
    data = jpeg()
    digest = sha256(data).hexdigest()

    photo = kept.keep(data)

    assert (photo.sha256, photo.media_type, photo.size) == (digest, "image/jpeg", len(data))
    assert files_in(tmp_path) == [f"photos/{digest[:2]}/{digest}"]
    assert kept.read(digest) == data


def test_the_same_photo_twice_is_one_file(kept: PhotoStore, tmp_path: Path) -> None:
    """A photo sent again after a lost answer is the same photo."""
    assert kept.keep(png()) == kept.keep(png())
    assert len(files_in(tmp_path)) == 1


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("size", [(1, 1), (640, 480), (4032, 3024), (16383, 2)])
def test_size_is_read_from_the_header(make: Callable[[int, int], bytes], size: tuple[int, int]) -> None:
    """Every format's width and height come out in that order."""
    header = image_header(make(*size))

    assert header is not None
    assert (header.width_px, header.height_px) == size


@pytest.mark.parametrize(
    ("kind", "options"), [("JPEG", {"progressive": True}), ("PNG", {}), ("WEBP", {}), ("WEBP", {"lossless": True})]
)
def test_pictures_of_another_program_are_read(tmp_path: Path, kind: str, options: dict[str, Any]) -> None:
    """What an independent library writes is understood the same way."""
    Image.new("RGB", (123, 45), "green").save(tmp_path / "picture", kind, **options)

    header = image_header((tmp_path / "picture").read_bytes())

    assert header is not None
    assert (header.media_type, header.width_px, header.height_px) == (f"image/{kind.lower()}", 123, 45)


@pytest.mark.parametrize("frame", [0xC1, 0xC2, 0xCF])
def test_a_jpeg_frame_is_found_behind_anything_allowed(frame: int) -> None:
    """Tables, fill bytes, bare markers and a thumbnail's own frame inside a segment are passed over."""
    between = b"\xff\xc4\x00\x04\x00\x00" + b"\xff\xff\xff\xdb\x00\x03\x00" + b"\xff\xd0"

    header = image_header(jpeg(640, 480, frame=frame, before=between))

    assert header is not None
    assert (header.width_px, header.height_px) == (640, 480)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"GIF89a" + b"\0" * 60,
        b"<svg xmlns='http://www.w3.org/2000/svg'/>" + b" " * 60,
        b"%PDF-1.7" + b"\0" * 60,
        b"\x89PNG\r\n\x1a\n",
        png()[:30],
        png(0, 5),
        jpeg(5, 0),
        jpeg()[:20],
        b"\xff\xd8\xff\xda\x00\x08" + b"\0" * 60,
        b"\xff\xd8\xff\xe0\x00\x00" * 20,
        b"RIFF\0\0\0\0WAVEVP8X" + b"\0" * 60,
        webp_simple()[:25],
    ],
)
def test_what_is_no_whole_picture_is_refused(kept: PhotoStore, tmp_path: Path, data: bytes) -> None:
    """Other formats, cut headers and pictures without area are refused, and nothing is written."""
    with pytest.raises(Invalid, match="JPEG, PNG or WebP"):
        kept.keep(data)

    assert files_in(tmp_path) == []


@given(st.sampled_from(MAKERS), st.data())
def test_no_cut_or_changed_header_breaks_the_reader(make: Callable[[], bytes], data: st.DataObject) -> None:
    """Whatever arrives, the answer is a header with an area or none."""
    whole = make()
    cut = bytearray(whole[: data.draw(st.integers(0, len(whole)))])
    for at in data.draw(st.lists(st.integers(0, max(len(cut) - 1, 0)), max_size=4)) if cut else []:
        cut[at] = data.draw(st.integers(0, 255))

    header = image_header(bytes(cut))

    assert header is None or header.width_px * header.height_px > 0


def test_the_limits_are_exactly_where_they_are_said_to_be(kept: PhotoStore) -> None:
    """Twelve million bytes and sixty megapixels are kept; one more of either is not."""
    largest = png() + b"\0" * (LARGEST_PHOTO_BYTES - len(png()))

    assert kept.keep(largest).size == 12_000_000
    assert kept.keep(png(10_000, 6_000)).size == len(png())
    with pytest.raises(Invalid, match="12 MB"):
        kept.keep(largest + b"\0")
    with pytest.raises(Invalid, match="60 megapixels"):
        kept.keep(png(10_000, 6_001))


def test_a_photo_changed_on_the_disk_is_not_shown(kept: PhotoStore, tmp_path: Path) -> None:
    """A flipped byte is told at the next read, and the true photo sent again puts it right."""
    photo = kept.keep(png())
    path = tmp_path / "photos" / photo.sha256[:2] / photo.sha256
    path.write_bytes(png()[:-1] + b"x")

    with pytest.raises(StorageFault, match="changed on the disk"):
        kept.read(photo.sha256)
    kept.keep(png())

    assert kept.read(photo.sha256) == png()


def test_a_missing_photo_is_told(kept: PhotoStore) -> None:
    """No foreign error passes the edge."""
    with pytest.raises(StorageFault, match="missing"):
        kept.read("0" * 64)


@pytest.mark.parametrize("name", ["", "../../site.key", "0" * 63, "0" * 65, "A" * 64, "0" * 63 + "\n", "/etc/passwd"])
def test_only_a_hash_names_a_photo(kept: PhotoStore, name: str) -> None:
    """No other text ever becomes a path."""
    with pytest.raises(Invalid, match="64 hex digits"):
        kept.read(name)


def test_file_and_folder_are_flushed_in_order(
    kept: PhotoStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The photo is flushed before it has its name, and the folder after."""
    story: list[str] = []
    digest = sha256(png()).hexdigest()
    path = tmp_path / "photos" / digest[:2] / digest
    flush = os.fsync

    def noted(handle: int) -> None:
        kind = "folder" if os.path.isdir(f"/dev/fd/{handle}") else "file"  # noqa: PTH112
        story.append(f"{kind} {'named' if path.exists() else 'unnamed'}")
        flush(handle)

    monkeypatch.setattr(os, "fsync", noted)

    kept.keep(png())

    assert story == ["folder unnamed", "folder unnamed", "file unnamed", "folder named"]


def test_a_full_disk_leaves_no_half_photo(kept: PhotoStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flush that fails is told, and neither the photo nor its beginnings stay behind."""
    flush = os.fsync

    def full(handle: int) -> None:
        if os.path.isfile(f"/dev/fd/{handle}"):  # noqa: PTH113
            raise OSError(28, "No space left on device")
        flush(handle)

    kept.keep(jpeg())
    before = files_in(tmp_path)
    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(StorageFault, match="No space left"):
        kept.keep(png())

    assert files_in(tmp_path) == before

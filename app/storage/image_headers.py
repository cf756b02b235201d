"""What kind of picture some bytes are, and how large, from the bytes themselves.

Only the format's own signature counts, never a file name or what the sender called it. Sources (clauses not
confirmed): JPEG, ITU-T T.81 annex B; PNG, W3C PNG specification, signature and IHDR; WebP, RFC 9649 and RFC 6386.
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

MediaType: TypeAlias = Literal["image/jpeg", "image/png", "image/webp"]

_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""JPEG markers that open a frame; C4, C8 and CC in their midst mean tables and extensions."""
_JPEG_BARE = frozenset({0x01, *range(0xD0, 0xD8)})
"""JPEG markers without a length."""
_JPEG_PICTURE_OVER = frozenset({0xD9, 0xDA})


@dataclass(frozen=True, slots=True)
class ImageHeader:
    """Kind and size in pixels."""

    media_type: MediaType
    width_px: int
    height_px: int


def image_header(data: bytes) -> ImageHeader | None:
    """Return kind and size of a JPEG, PNG or WebP picture, or None when it is no such picture."""
    if data.startswith(b"\xff\xd8\xff"):
        return _measured("image/jpeg", _jpeg_size(data))
    if data.startswith(_PNG):
        return _measured("image/png", _png_size(data))
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _measured("image/webp", _webp_size(data))
    return None


def _measured(media_type: MediaType, size: tuple[int, int] | None) -> ImageHeader | None:
    return None if size is None or 0 in size else ImageHeader(media_type, *size)


def _jpeg_size(data: bytes) -> tuple[int, int] | None:
    """Walk the segments up to the frame header, which holds height and width."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF or marker in _JPEG_BARE:  # fill byte, or a marker that stands alone
            at += 1 if marker == 0xFF else 2
            continue
        length = _big(data, at + 2, 2)
        if marker in _JPEG_PICTURE_OVER:
            return None
        if marker in _JPEG_FRAMES:
            return (_big(data, at + 7, 2), _big(data, at + 5, 2)) if at + 9 <= len(data) else None
        at += 2 + length
    return None


def _png_size(data: bytes) -> tuple[int, int] | None:
    whole = len(data) >= 33 and data[8:16] == b"\x00\x00\x00\x0dIHDR"
    return (_big(data, 16, 4), _big(data, 20, 4)) if whole else None


def _webp_size(data: bytes) -> tuple[int, int] | None:
    kind = data[12:16]
    if len(data) < 30:
        return None
    if kind == b"VP8X":
        return _little(data, 24, 3) + 1, _little(data, 27, 3) + 1
    if kind == b"VP8L" and data[20] == 0x2F:
        bits = _little(data, 21, 4)
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    if kind == b"VP8 " and data[23:26] == b"\x9d\x01\x2a":
        return _little(data, 26, 2) & 0x3FFF, _little(data, 28, 2) & 0x3FFF
    return None


def _big(data: bytes, at: int, count: int) -> int:
    return int.from_bytes(data[at : at + count], "big")


def _little(data: bytes, at: int, count: int) -> int:
    return int.from_bytes(data[at : at + count], "little")

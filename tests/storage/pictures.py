"""Small pictures made byte by byte, whole as far as their headers go."""

import struct
import zlib


def png(width: int = 4, height: int = 3) -> bytes:
    """Return a PNG that claims this size."""
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunk = b"IHDR" + header
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk)) + b"rest"


def jpeg(width: int = 4, height: int = 3, *, frame: int = 0xC0, before: bytes = b"") -> bytes:
    """Return a JPEG that claims this size, with any segments before its frame."""
    application = b"\xff\xe1" + struct.pack(">H", 10) + b"\xff\xc0\x00\x11\x08\x00\x01\x00"
    sizes = struct.pack(">HBHHB", 11, 8, height, width, 1)
    return b"\xff\xd8" + application + before + bytes([0xFF, frame]) + sizes + b"\x01\x11\x00" + b"\xff\xda rest"


def webp_simple(width: int = 4, height: int = 3) -> bytes:
    """Return a lossy WebP that claims this size; the two top bits of each number are a scale and not part of it."""
    body = b"\x30\x01\x00\x9d\x01\x2a" + struct.pack("<HH", width | 0x4000, height | 0x8000)
    return _riff(b"VP8 ", body)


def webp_lossless(width: int = 4, height: int = 3) -> bytes:
    """Return a lossless WebP that claims this size."""
    return _riff(b"VP8L", b"\x2f" + struct.pack("<I", (width - 1) | (height - 1) << 14) + b"\0" * 8)


def webp_extended(width: int = 4, height: int = 3) -> bytes:
    """Return an extended WebP that claims this size."""
    return _riff(b"VP8X", b"\0\0\0\0" + (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little"))


def _riff(kind: bytes, body: bytes) -> bytes:
    chunk = kind + struct.pack("<I", len(body)) + body
    return b"RIFF" + struct.pack("<I", len(chunk) + 4) + b"WEBP" + chunk

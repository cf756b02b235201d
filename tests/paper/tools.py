"""Other people's programs that read PDFs; a test that needs a missing one says its name (see tests/needed.py)."""

import re
import shutil
import subprocess
import unicodedata
from pathlib import Path

from tests.needed import missing

_UNSEEN = re.compile("[\u200b-\u200f\u202a-\u202e\u2066-\u2069]")


def run(tool: str, *arguments: str | Path, folder: Path | None = None) -> str:
    """Run a program, return what it says on standard output; its failure fails the test."""
    if shutil.which(tool) is None:
        missing(f"{tool} is not installed")
    done = subprocess.run([tool, *arguments], cwd=folder, capture_output=True, check=False, timeout=60)
    said = done.stdout.decode("utf-8", "replace")
    assert done.returncode == 0, f"{tool} ended with {done.returncode}: {said}{done.stderr.decode('utf-8', 'replace')}"
    return said


def pages(pdf: bytes, folder: Path) -> list[str]:
    """Return the text of each page in reading order, without line breaks or unseen characters."""
    path = folder / "read.pdf"
    path.write_bytes(pdf)
    text = run("pdftotext", "-enc", "UTF-8", path, "-")
    return [closed_up(page) for page in text.removesuffix("\f").split("\f")]


def closed_up(text: str) -> str:
    """Return text with every run of white space as one space and no unseen characters."""
    return " ".join(unicodedata.normalize("NFC", _UNSEEN.sub("", text)).split())


def unspaced(text: str) -> str:
    """Return text without any white space or unseen characters, for what may break over lines."""
    return closed_up(text).replace(" ", "")

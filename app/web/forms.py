"""From a posted form to a command.  Bad text stops here or in the domain, with a sentence."""

from collections.abc import Mapping
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request

from app.calc.errors import Invalid
from app.web.context import site_of

ANSWER = "a."
MOST_FIELDS, MOST_FILES = 80, 4
LIST_FIELDS = 2_000
"""For a form with a field for each step, package or lot; above what the largest housing makes of them."""
MOST_TEXT = 20_000
LARGEST_PHOTO = 12_000_000
MOST_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Posted:
    """A posted form: plain fields, and the answers to a step's questions with photos already stored.

    fault: a photo that cannot be kept; its field is empty, and whoever asked for such forms has yet to complain of it.
    """

    fields: Mapping[str, str]
    answers: Mapping[str, str]
    fault: Invalid | None = None

    def complain(self) -> None:
        """Raise the fault of a photo, if there is one, once what was typed is in safety."""
        if self.fault is not None:
            raise self.fault

    def need(self, name: str) -> str:
        """Return a field; raise Invalid if the form lacks it."""
        if name not in self.fields:
            raise Invalid(f"The form lacks the field {name!r}. Reload the page and send it again.")
        return self.fields[name]

    def get(self, name: str) -> str:
        """Return a field, or nothing."""
        return self.fields.get(name, "")


async def posted(request: Request, *, most: int = MOST_FIELDS, faults_later: bool = False) -> Posted:
    """Read the form of a request; photos are stored by their SHA-256 before anything names them.

    most: fields.  faults_later: a photo that cannot be kept is told by `complain`, so that the page is shown again with
    all that was typed; else the whole form is refused for it.
    """
    form = await request.form(max_files=MOST_FILES, max_fields=most, max_part_size=MOST_TEXT)
    try:
        read = await _read(request, form)
        request.state.fields = read.fields
        if not faults_later:
            read.complain()
        return read
    finally:
        await form.close()


async def sent_file(request: Request, name: str) -> tuple[bytes, dict[str, str]]:
    """Return the bytes of the one file of a form, and its other fields; Invalid where no file was chosen."""
    form = await request.form(max_files=1, max_fields=8, max_part_size=MOST_TEXT)
    try:
        upload = form.get(name)
        data = await upload.read() if isinstance(upload, UploadFile) else b""
        fields = {key: text for key, text in form.multi_items() if isinstance(text, str)}
    finally:
        await form.close()
    if not isinstance(upload, UploadFile) or not (data or upload.filename):
        raise Invalid("No file was chosen. Choose one on this machine, then send it.")
    return data, fields


async def _read(request: Request, form: FormData) -> Posted:
    fields: dict[str, str] = {}
    answers: dict[str, str] = {}
    fault: Invalid | None = None
    for name, value in form.multi_items():
        try:
            text = await _stored(request, value) if isinstance(value, UploadFile) else value
        except Invalid as no_photo:
            text, fault = "", no_photo
        target, key = (answers, name.removeprefix(ANSWER)) if name.startswith(ANSWER) else (fields, name)
        if key in target and text != target[key]:
            raise Invalid(f"The form gives {key!r} twice. Reload the page and send it once.")
        target[key] = text
    return Posted(fields, answers, fault)


async def _stored(request: Request, upload: UploadFile) -> str:
    data = await upload.read(LARGEST_PHOTO + 1)
    if not data:
        return ""
    kept = await run_in_threadpool(site_of(request).photos.keep, data)
    return kept.sha256


def passed_by(request: Request) -> int:
    """Return how many lines of a long list were passed by: `past` in the address."""
    return count_in(request, "past")


def count_in(request: Request, name: str) -> int:
    """Return a count in the address; 0 for anything that is none."""
    text = request.query_params.get(name, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < MOST_DIGITS else 0

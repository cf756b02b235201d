"""Every form of a page, as a browser would read it."""

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class Form:
    """A form: where it goes, and its fields as they stand on the page (those without a value hold a made-up one)."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.by_id: dict[str, Form] = {}
        self._open: Form | None = None
        self._select: tuple[Form, str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take up forms and what lies in them."""
        given = {name: value or "" for name, value in attrs}
        match tag:
            case "form" if given.get("method", "").lower() == "post":
                self._open = Form(given["action"])
                self.forms.append(self._open)
                self.by_id[given.get("id", "")] = self._open
            case "input" | "textarea" if given.get("name"):
                self._put(given, given.get("value", "") or "x")
            case "select" if given.get("name"):
                form = self._put(given, "x")
                self._select = (form, given["name"]) if form is not None else None
            case "option" if self._select is not None and given.get("value"):
                form, name = self._select
                if form.fields[name] == "x":
                    form.fields[name] = given["value"]
            case _:
                pass

    def _put(self, given: dict[str, str], value: str) -> Form | None:
        form = self.by_id.get(given.get("form", "")) or self._open
        if form is not None:
            form.fields.setdefault(given["name"], value)
        return form

    def handle_endtag(self, tag: str) -> None:
        """Leave a form or a list of options."""
        if tag == "form":
            self._open = None
        if tag == "select":
            self._select = None


def forms_of(page: str) -> list[Form]:
    """Return the forms of a page that post."""
    reader = _Reader()
    reader.feed(page)
    return reader.forms

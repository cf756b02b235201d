"""What leaves the building is noted with the head that stands on it, whatever is written meanwhile."""

import json
from collections.abc import Callable
from typing import Any, TypeVar

import pytest

from app.domain.commands import WriteNote
from app.domain.site import RecordExported
from tests.web.desk import Desk

T = TypeVar("T")


def meanwhile(desk: Desk, job: str, made: Callable[..., T]) -> Callable[..., T]:
    """Return the same, but somebody writes a note before and after it is made."""
    eyes = desk.named("technician", 1)

    def with_notes(*given: Any) -> T:
        desk.do(job, WriteNote("the lamp flickers"), eyes)
        value = made(*given)
        desk.do(job, WriteNote("the lamp is out"), eyes)
        return value

    return with_notes


def noted(desk: Desk) -> int:
    """Return how many entries the newest noted head stands for."""
    return [event for event in desk.running.site.jobs.site_events() if isinstance(event, RecordExported)][-1].size


@pytest.mark.parametrize("kind", ["record.json", "record.zip", "sheet.pdf"])
def test_the_head_that_is_noted_is_the_one_that_was_printed(desk: Desk, kind: str) -> None:
    """An entry that comes while a file is made is neither in the file nor in the note about it, or in both."""
    job, hands, site = desk.open_job(), desk.named("technician"), desk.running.site
    printed: list[int] = []
    printer = site.print_handover

    def sheet(value: dict[str, Any], *more: Any) -> bytes:
        printed.append(value["head"]["size"])
        return meanwhile(desk, job, printer)(value, *more)

    object.__setattr__(site, "material", meanwhile(desk, job, site.material))
    object.__setattr__(site, "print_handover", sheet)

    given = desk.get(hands, f"/jobs/{job}/{kind}")
    if kind == "record.json":
        printed.append(len(json.loads(given.content)["entries"]))

    assert given.status_code == 200
    assert noted(desk) == (printed[0] if printed else len(site.jobs.events(job)) - 1)


def test_a_blank_printed_again_is_noted_with_its_own_head(desk: Desk) -> None:
    """A blank is made from the entries up to its own, however many have come since."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.post(hands, f"/jobs/{job}/blanks")
    size = len(desk.running.site.jobs.events(job))
    desk.do(job, WriteNote("the lamp flickers"), hands)

    assert desk.get(hands, f"/jobs/{job}/blanks/1.pdf").status_code == 200
    assert noted(desk) == size

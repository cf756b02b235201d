"""Planned work as a calendar file (RFC 5545) that ordinary calendars read.

Rules kept here:
- every instant is in UTC, so that the file needs no time zone of its own and no reader guesses one;
- lines end in CRLF and are folded at 75 octets, never inside a character;
- an event keeps its UID for ever; SEQUENCE rises with every entry about its plan, what becomes of its job included;
  its times come from the entries, so that the same ledger gives the same file;
- work whose job is closed is no longer shown as coming: it stands from the job's opening to the acceptance of its
  record and keeps nobody's time; left out it would stay, as planned, in every calendar that had read it before;
- work that was dropped, and work from whose crew somebody was taken, stays in their file as cancelled;
- nothing about a person but the name.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime

from app.domain.housing import Housing
from app.domain.job_lines import JobLine
from app.domain.planned import Planned
from app.domain.readiness_items import is_ready, still_open
from app.domain.site import SiteState
from app.domain.zones import instant_shown
from app.records.moments import local_text

PRODUCT = "-//Changeout Ledger//Planned work//EN"
LONGEST_LINE = 75
"""Octets, without the line's end (RFC 5545, 3.1)."""


def of_person(state: SiteState, person: str) -> list[Planned]:
    """Return the plans that a person takes part in or once did, by their beginning."""
    return _by_day(plan for plan in state.planned.values() if person in plan.once)


def of_housing(state: SiteState, tag: str) -> list[Planned]:
    """Return the plans of a housing, by their beginning."""
    return _by_day(plan for plan in state.planned.values() if plan.housing == tag)


def by_tag(housings: tuple[Housing, ...]) -> dict[str, Housing]:
    """Return housings by their tags."""
    return {item.tag: item for item in housings}


def calendar(
    state: SiteState, plans: Iterable[Planned], housings: Mapping[str, Housing], titles: Mapping[str, str],
    *, name: str, key_id: str, person: str = "",
) -> bytes:  # fmt: skip
    """Return the file with these plans.

    name: of the calendar.  key_id: of the site, so that two sites never give the same UID.  person: whose file it is;
    to somebody who is no longer named in a plan it is cancelled.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{PRODUCT}", "CALSCALE:GREGORIAN", "METHOD:PUBLISH",
             f"X-WR-CALNAME:{escaped(name)}"]  # fmt: skip
    for plan in plans:
        lines += _event(state, plan, housings.get(plan.housing), titles, key_id, person)
    lines.append("END:VCALENDAR")
    return b"".join(folded(line) for line in lines)


def _event(
    state: SiteState, plan: Planned, housing: Housing | None, titles: Mapping[str, str], key_id: str, person: str
) -> Iterator[str]:
    planned_at, job = _stamp(plan.first_at), state.jobs.numbered(plan.job)
    status, closed = _status(plan, housing, person), job is not None and not state.jobs.is_in_hand(job.job)
    begins, ends = _instant(plan.begins, state.zone), _instant(plan.ends, state.zone)
    if job is not None and closed:
        begins, ends = _stamp(job.opened_at), _stamp(job.closed_at)
    yield "BEGIN:VEVENT"
    yield f"UID:{plan.plan}.{planned_at}.{key_id}"
    yield f"DTSTAMP:{_stamp(plan.last_at)}"
    yield f"CREATED:{planned_at}"
    yield f"LAST-MODIFIED:{_stamp(plan.last_at)}"
    yield f"DTSTART:{begins}"
    if begins < ends:
        yield f"DTEND:{ends}"
    yield f"SEQUENCE:{plan.entries - 1}"
    yield f"STATUS:{status}"
    yield f"TRANSP:{'TRANSPARENT' if closed or status == 'CANCELLED' else 'OPAQUE'}"
    standing = f"Job {job.number} {'closed' if closed else 'in hand'}, " if job is not None else ""
    what = f"{plan.housing}: {titles.get(plan.procedure, plan.procedure)} ({plan.plan})"
    yield f"SUMMARY:{escaped(standing + what)}"
    yield f"LOCATION:{escaped(f'{plan.housing}, {housing.location}' if housing else plan.housing)}"
    yield f"DESCRIPTION:{escaped(_described(state, plan, housing, job if closed else None))}"
    yield "END:VEVENT"


def _status(plan: Planned, housing: Housing | None, person: str) -> str:
    if plan.dropped or (person and person not in plan.intent.people):
        return "CANCELLED"
    ready = housing is not None and is_ready(plan, housing.service)
    return "CONFIRMED" if plan.job or ready else "TENTATIVE"


def _described(state: SiteState, plan: Planned, housing: Housing | None, closed: JobLine | None) -> str:
    name = state.watch.name
    told = [plan.intent.why, f"Lead: {name(plan.intent.lead)}"]
    if crew := ", ".join(name(person) for person in plan.intent.crew):
        told.append(f"Crew: {crew}")
    if plan.dropped:
        told.append(f"Dropped: {plan.dropped}")
    elif closed is not None:
        opened, accepted = (local_text(at, state.zone) for at in (closed.opened_at, closed.closed_at))
        told.append(f"Opened as job {closed.number} on {opened}; its record was accepted on {accepted}.")
        told.append(f"Planned from {plan.begins.replace('T', ' ')} to {plan.ends.replace('T', ' ')}.")
    elif plan.job:
        told.append(f"Opened as job {plan.job}")
    elif housing is not None and is_ready(plan, housing.service):
        told.append("Agreed to be ready when this file was made; look again before the day.")
    elif housing is not None:
        left = ", ".join(item.words for item in still_open(plan, housing.service))
        told.append(f"Not ready when this file was made: {left or 'yet to be signed'}")
    return "\n".join(told)


def escaped(text: str) -> str:
    """Write text as a value of the type TEXT (RFC 5545, 3.3.11); control characters have no place there."""
    plain = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    lines = ("".join(char for char in line if char >= " " and char != "\x7f") for line in plain.splitlines())
    return "\\n".join(lines)


def folded(line: str) -> bytes:
    """Return a line as octets, folded where it is longer than 75, with its CRLF (RFC 5545, 3.1)."""
    pieces: list[bytes] = []
    piece = b""
    for char in line:
        octets = char.encode("utf-8")
        room = LONGEST_LINE - (1 if pieces else 0)
        if len(piece) + len(octets) > room:
            pieces.append(piece)
            piece = b""
        piece += octets
    return b"\r\n ".join([*pieces, piece]) + b"\r\n"


def _by_day(plans: Iterable[Planned]) -> list[Planned]:
    return sorted(plans, key=lambda plan: (plan.begins, plan.plan))


def _stamp(at: str) -> str:
    return datetime.fromisoformat(at).astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _instant(minute: str, zone: str) -> str:
    """Return a minute of the site's clock in UTC; it was looked at when it was planned."""
    shown = instant_shown(minute, zone)
    return (shown or datetime.fromisoformat(minute).replace(tzinfo=UTC)).astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")

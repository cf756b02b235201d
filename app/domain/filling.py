"""Deciding over filters in place: what the desk types, and what an accepted job put in or took out.

Typed text and the committed register give one entry or one sentence.  What a job did is taken over when its record is
accepted and is never refused as a whole: a serial number that would then be in two places is left out of the register
and flagged to a lead, for a record that was signed is not held up by a list.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from app.calc.errors import Invalid
from app.domain.containment.effects import Act
from app.domain.event_base import Who
from app.domain.events import AnswerCorrected, Event, StepDone
from app.domain.fitting import reads_filter
from app.domain.housed import Housed, InPlace, Spot, serial_key
from app.domain.housed_events import Doubt, Filter, FiltersPlaced, How, Placed
from app.domain.housing import Housing
from app.domain.job import JobState
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteState
from app.domain.store import Store
from app.domain.zones import local_day

SERIAL_ASK, MADE_ASK = "serial", "made"
"""The questions of the step that reads a new filter's label, in every procedure that computes its age."""
EARLIEST = date(1950, 1, 1)
LONGEST_SERIAL = 60
NOT_KNOWN = "no filter known"
EMPTY = Store()
"""A store room with nothing in it."""


def filter_from(typed: Mapping[str, str], today: date) -> Filter:
    """Return the filter that was typed: serial, made, report, installed; Invalid with one sentence for bad text."""
    serial = serial_from(typed.get("serial", ""))
    made = past_day(typed.get("made", ""), "Maker's date", today)
    installed = past_day(typed.get("installed", ""), "Installed on", today)
    if made is not None and installed is not None and installed < made:
        raise Invalid(
            f"Installed on: {installed} lies before {made}, the day on which {serial} was made. Correct one of them."
        )
    report = " ".join(typed.get("report", "").split())
    if len(report) > 80:
        raise Invalid(
            f"Test report: {len(report)} characters were given; 80 is the most this program takes. Give its number."
        )
    return Filter(serial=serial, made=made, report=report or None, installed=installed)


def serial_from(text: str) -> str:
    """Return a serial number in one line of 1 to 60 characters; Invalid else."""
    serial = " ".join(text.split())
    if not serial:
        raise Invalid("Serial number: nothing was given. Read it from the label or the test report.")
    if len(serial) > LONGEST_SERIAL:
        raise Invalid(
            f"Serial number: {len(serial)} characters were given; {LONGEST_SERIAL} is the most this program takes."
            " Read it again."
        )
    return serial


def past_day(text: str, label: str, today: date) -> date | None:
    """Return a day as year-month-day up to today, or None where nothing was given; Invalid else."""
    typed = text.strip()
    if not typed:
        return None
    try:
        found = date.fromisoformat(typed) if len(typed) == 10 else None
    except ValueError:
        found = None
    if found is None:
        raise Invalid(f"{label}: {typed[:20]!r} is not a date. Enter it as year-month-day, such as {today}.")
    if not EARLIEST <= found <= today:
        raise Invalid(f"{label}: {found} does not lie between {EARLIEST} and today, {today}. Read it again.")
    return found


def spot_of(housing: Housing, port: str, position: str) -> Spot:
    """Return a position of a housing as typed; Invalid where its nameplate has none such."""
    found = housing.port(port)
    if not (position.isascii() and position.isdigit() and 1 <= int(position[:9]) <= found.filters):
        raise Invalid(f"Port {port} has no position {position[:9]!r}; give 1 to {found.filters}.")
    return port, int(position)


def elsewhere(register: Housed, serial: str, housing: str, spot: Spot) -> str:
    """Say where a serial number stands if that is not here; nothing if it stands nowhere else."""
    where = register.where(serial)
    if where is None or where == (housing, spot):
        return ""
    tag, (port, position) = where
    return f"{tag}, {port} position {position}"


def in_store_room(store: Store, serial: str) -> str:
    """Say as which lot a serial number lies in the store room or stands staged; nothing if it does not."""
    found = store.of_serial(serial)
    return f"lot {found.lot.id}" if found is not None and (found.left or found.staged) else ""


def filter_placed(
    state: SiteState, moment: SiteMoment, housing: Housing, *, port: str, position: str, typed: Mapping[str, str],
    why: str, how: How = "desk",
) -> FiltersPlaced:  # fmt: skip
    """Return the entry that a filter is in a position.  Invalid for bad text, a repetition, one elsewhere."""
    spot, found = spot_of(housing, port, position), filter_from(typed, moment.today)
    now = state.housed.at(housing.tag, *spot)
    if now is not None and now.filter == found:
        raise Invalid(f"{found.serial} stands at {port} position {spot[1]} just so. Nothing was entered again.")
    if told := elsewhere(state.housed, found.serial, housing.tag, spot):
        raise Invalid(
            f"Filter {found.serial} is in place at {told}, and no filter is in two places. Read the label again, or "
            "take it out there first."
        )
    if told := in_store_room(state.store, found.serial):
        raise Invalid(
            f"Filter {found.serial} is in the store room as {told}, and no filter is in two places. Read the "
            "label again, or count that lot there first."
        )
    place = Placed(housing=housing.tag, port=port, position=spot[1], since=moment.at, filter=found)
    return FiltersPlaced(
        seq=moment.seq, at=moment.at, by=moment.by, how=how, places=(place,),
        why=reason_from(why, "How it is known"),
    )  # fmt: skip


def filter_taken_out(
    state: SiteState, moment: SiteMoment, tag: str, *, port: str, position: str, why: str
) -> FiltersPlaced:
    """Return the entry that what was in a position is there no more; Invalid where the register has nothing there."""
    number = int(position) if position.isascii() and position.isdigit() and len(position) < 4 else 0
    now = state.housed.at(tag, port, number)
    if now is None or now.filter is None:
        raise Invalid(f"The register has no filter at {port[:40]} position {position[:9]} of {tag}. Choose one it has.")
    place = Placed(housing=tag, port=port, position=number, since=moment.at)
    return FiltersPlaced(
        seq=moment.seq, at=moment.at, by=moment.by, how="desk", places=(place,), why=reason_from(why, "Why it left")
    )


# --- what a job did -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Moved:
    """The last that a job did to a position: what it slid in (none if nothing was read of it), or drew out."""

    port: str
    position: int
    at: str
    filter: Filter | None


def moved_by(job: JobState, store: Store = EMPTY) -> tuple[Moved, ...]:
    """Return what became of each position that a job drew a filter from or slid one into, in the order of the acts.

    store: has the test report that came with a filter.
    """
    last: dict[Spot, tuple[int, str, Act]] = {}
    for step in job.steps:
        mark = job.mark(step.id)
        if mark.done is None or mark.not_applicable:
            continue
        for effect in step.effects:
            if effect.act in (Act.DRAW_OUT, Act.SLIDE_IN) and effect.port is not None and effect.position is not None:
                spot, act = (effect.port, effect.position), (mark.done.seq, mark.done.at, effect.act)
                last[spot] = max(last.get(spot, act), act)
    return tuple(
        Moved(*spot, at, _read_before(job, spot, seq, store) if act is Act.SLIDE_IN else None)
        for spot, (seq, at, act) in sorted(last.items(), key=lambda item: item[1][0])
    )


def _read_before(job: JobState, spot: Spot, seq: int, store: Store) -> Filter | None:
    """Return the filter whose label was read last for this position before it was slid in."""
    read: dict[int, Filter] = {}
    for step in job.steps:
        mark = job.mark(step.id)
        if step.computes != "filter_age" or (step.port, step.position) != spot or mark.not_applicable:
            continue
        answers, done = mark.evidence.answers, mark.done
        if done is not None and done.seq < seq and SERIAL_ASK in answers:
            made = answers[MADE_ASK].text if MADE_ASK in answers else None
            serial = " ".join(answers[SERIAL_ASK].text.split())
            lot = store.of_serial(serial)
            read[done.seq] = Filter(serial=serial, made=made, report=(lot and lot.lot.test_report) or None)
    return read[max(read)] if read else None


def placed_by_job(
    register: Housed, job: JobState, *, seq: int, at: str, by: Who | None, zone: str, store: Store = EMPTY
) -> FiltersPlaced | None:
    """Return the entry that takes over what a job did, or None where the register has all of it already.

    zone: of the site, by whose calendar a filter was installed.  store: what it holds is in place nowhere.  A rehearsal
    moves nothing.
    """
    if job.opened is None or job.opened.rehearsal:
        return None
    tag, ledger = job.opened.housing.tag, job.opened.ledger
    moves = moved_by(job, store)
    leaving = {(tag, (move.port, move.position)) for move in moves}
    places, doubts, taken = [], [], set[str]()
    for move in moves:
        now = register.at(tag, move.port, move.position)
        found = move.filter and move.filter.model_copy(update={"installed": local_day(move.at, zone)})
        told = ""
        if now is not None and now.since > move.at and now.filter != found:
            if not _same_serial(now, found):
                doubts.append(_doubt(tag, move, now, "an entry made later than the job has something else there"))
            continue
        if found is not None:
            where = register.where(found.serial)
            if serial_key(found.serial) in taken:
                told = "this job read the same number for another position"
            elif where is not None and where not in leaving:
                told = f"the register has it at {elsewhere(register, found.serial, tag, (move.port, move.position))}"
            elif lot := in_store_room(store, found.serial):
                told = f"the store room has it as {lot}"
            taken.add(serial_key(found.serial))
        if told:
            doubts.append(_doubt(tag, move, now, told))
        kept = None if told else found
        if (now.filter if now else None) != kept or (kept is not None and now is not None and now.job != ledger):
            places.append(Placed(housing=tag, port=move.port, position=move.position, since=move.at, filter=kept))
    fresh = tuple(_not_yet_told(register, doubts))
    if not places and not fresh:
        return None
    return FiltersPlaced(
        seq=seq, at=at, by=by, how="job", places=tuple(places), why=f"Job {job.opened.number} was accepted",
        job=ledger, doubts=fresh or None,
    )  # fmt: skip


def read_otherwise(register: Housed, job: JobState, event: Event, *, seq: int) -> FiltersPlaced | None:
    """Return the entry that a filter is not where an accepted record had put it, for it reads another there now.

    job: as it was before the entry.  What it reads now comes in when the record is accepted again; until then the
    position is known to hold none, and nobody is told that the other one is there.
    """
    if not isinstance(event, StepDone | AnswerCorrected) or job.opened is None or job.opened.rehearsal:
        return None
    step, answer = job.step(event.step), event.evidence.answers.get(SERIAL_ASK)
    if step is None or answer is None or not reads_filter(step) or step.port is None or step.position is None:
        return None
    tag, now = job.opened.housing.tag, register.at(job.opened.housing.tag, step.port, step.position)
    if now is None or now.filter is None or now.job != event.ledger:
        return None
    if serial_key(now.filter.serial) == serial_key(answer.text):
        return None
    # since: as the record has it, so that nothing that was entered after the work looks older than this
    place = Placed(housing=tag, port=step.port, position=step.position, since=now.since)
    return FiltersPlaced(
        seq=seq, at=event.at, by=event.by, how="job", places=(place,), job=event.ledger,
        why=f"Job {job.opened.number}, open again, reads another filter there now; it comes in when that is accepted",
    )  # fmt: skip


def _same_serial(now: InPlace, found: Filter | None) -> bool:
    return now.filter is not None and found is not None and serial_key(now.filter.serial) == serial_key(found.serial)


def _doubt(tag: str, move: Moved, now: InPlace | None, told: str) -> Doubt:
    read = move.filter.serial if move.filter else "taken out"
    return Doubt(
        housing=tag, port=move.port, position=move.position, read=read,
        stood=now.filter.serial if now is not None and now.filter is not None else NOT_KNOWN,
        sentence=f"The accepted job has {read} at {move.port} position {move.position}, and {told}",
    )  # fmt: skip


def _not_yet_told(register: Housed, doubts: Sequence[Doubt]) -> Iterator[Doubt]:
    for doubt in doubts:
        if not any(
            (item.found, item.sentence) == (doubt.read, doubt.sentence) for item in register.open_at(doubt.housing)
        ):
            yield doubt

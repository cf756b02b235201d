"""The history of one housing in the order of time: jobs, tests with their attempts, readings, struck ones included.

Beside them what was entered of the housing itself: its nameplate, surveys with what differed, photos, the waste left.

Pure: from the housing's file, the states of its jobs and the site's state.  What failed stays in sight, what was
taken back or struck is shown as such.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import assert_never

from app.calc.life import FILTER_LIFE_YEARS, expiry
from app.domain.event_base import Result, Who
from app.domain.fitting import SERIAL
from app.domain.housed import InPlace, Past
from app.domain.housed_events import SurveyTaken
from app.domain.housing import Bank, Housing
from app.domain.job import JobState, Stage
from app.domain.job_lines import JobLine
from app.domain.packages import job_number
from app.domain.steps import BANK_WORDS
from app.domain.told import AGE, LEAK, RESISTANCE, Marked, marked
from app.domain.words import unit_words
from app.records.drops import Known, Point, changed_at, design_of, read_point
from app.records.moments import local_text, site_day
from app.records.wording import limit_of_result, limit_words

FLOW_UNIT = "m3/h"
KINDS = {"change_out": "Change-out", "first_fit_out": "First fit-out"}
TESTS = {
    LEAK: "Leak test", RESISTANCE: "Resistance at rated flow", "capacity/1": "Air flow against design",
    AGE: "Age of a filter", "smear/1": "Smear",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened.  verdict: within, outside, no limit, taken back, struck, or none; why: it was struck."""

    moment: str
    shown: str
    what: str
    where: str
    text: str
    verdict: str = ""
    why: str = ""
    job: str = ""
    seq: int = 0


@dataclass(frozen=True, slots=True)
class LeakTest:
    """One leak test of a bank: passed (True), failed (False) or not judged for want of a limit (None)."""

    moment: str
    seq: int
    on: date
    passed: bool | None
    number: str
    basis: str


@dataclass(frozen=True, slots=True)
class FilterAge:
    """The day on which the age of the filter at a port and position runs out, and whose rule that is."""

    port: str
    position: int
    on: date
    from_site: bool


@dataclass(frozen=True, slots=True)
class StoryPart:
    """Some of what happened, newest first.  older: from where it goes on, or nothing."""

    items: tuple[Happening, ...]
    older: str = ""


_Place = tuple[str, int]


def story(known: Known) -> tuple[Happening, ...]:
    """Return everything that happened at this housing, newest first."""
    found = [item for line, state in known.real_jobs for item in _of_job(known, line, state)]
    return tuple(item for _, item in sorted([*found, *_beside(known)], key=_newest, reverse=True))


def story_part(known: Known, state_of: Callable[[JobLine], JobState], *, until: str, count: int) -> StoryPart:
    """Return about so many things that happened, the newest before `until` (as `older` gave it), or of all.

    A job is asked for only if something of it may be among them, so that the cost is that of what is shown.  What
    stands at one place stays together.
    """
    before = _place_in(until)
    found = [(place, item) for place, item in _beside(known) if before is None or place < before]
    lines = [line for line in known.lines if before is None or line.opened_at <= before[0]]
    lines.sort(key=lambda line: _end(known, line))
    while True:
        found.sort(key=_newest, reverse=True)
        if not lines or (len(found) >= count and found[count - 1][0][0] > _end(known, lines[-1])):
            break
        line = lines.pop()
        state = state_of(line)
        if state.opened is not None and not state.opened.rehearsal:
            told = _of_job(known, line, state)
            found += [(place, item) for place, item in told if before is None or place < before]
    shown = [(place, item) for place, item in found if len(found) < count or place >= found[count - 1][0]]
    more = bool(lines) or len(shown) < len(found)
    return StoryPart(tuple(item for _, item in shown), f"{shown[-1][0][0]}/{shown[-1][0][1]}" if more else "")


_LAST = "9"
"""After every time that is written down."""
ENTRY_DIGITS = 10
"""No ledger has more entries than so many digits count."""


def _end(known: Known, line: JobLine) -> str:
    """After this time nothing of a job is placed."""
    ended = line.closed and not known.site.jobs.is_in_hand(line.job)
    return max(line.closed_at, line.opened_at) if ended else _LAST


def _newest(found: tuple[_Place, Happening]) -> _Place:
    return found[0]


def _place_in(until: str) -> _Place | None:
    moment, _, seq = until.rpartition("/")
    return (moment, int(seq)) if seq.isascii() and seq.isdigit() and len(seq) <= ENTRY_DIGITS else None


def _beside(known: Known) -> Iterator[tuple[_Place, Happening]]:
    """What happened beside the jobs, each with its place."""
    for item in (*_readings(known), *_surveys(known), *_register(known), *_waste(known)):
        yield (item.moment, item.seq), item


def _of_job(known: Known, line: JobLine, state: JobState) -> Iterator[tuple[_Place, Happening]]:
    """What happened in a job, each with its place: between opening and closing, also by a clock that was put back."""
    for item in (*_turns(known, line, state), *_tests(known, line, state)):
        yield (min(max(item.moment, line.opened_at), _end(known, line)), item.seq), item


def _turns(known: Known, line: JobLine, state: JobState) -> Iterator[Happening]:
    zone, kind = known.site.zone, KINDS.get(line.kind, line.kind)
    told = "accepted" if state.stage is Stage.ACCEPTED else f"not accepted: {state.stage}"
    yield Happening(
        line.opened_at, local_text(line.opened_at, zone)[:16], f"{kind} opened", "", f"Job {line.number}, {told}.",
        job=line.job,
    )  # fmt: skip
    if state.accepted is not None:
        text, at = f"Job {line.number}, by {state.accepted.by.name}.", state.accepted.at
        seq = state.accepted.seq
        yield Happening(at, local_text(at, zone)[:16], f"{kind} accepted", "", text, job=line.job, seq=seq)


def _tests(known: Known, line: JobLine, state: JobState) -> Iterator[Happening]:
    for found in marked(state):
        if found.evidence.result is not None:
            yield _happening(known, line, state, found, found.evidence.result)
        if found.evidence.result is None or not found.evidence.result.inputs.get("flow_m3_h"):
            yield from _flows(known, line, state, found)


def _happening(known: Known, line: JobLine, state: JobState, found: Marked, result: Result) -> Happening:
    said = limit_of_result(found.step) or limit_words(None, result.limit, result.op or "<=", result.unit)
    limit = f", limit {said}" if said else ""
    told = f" ({result.basis})" if limit and result.basis else ""
    verdict = "no limit" if result.within is None else "within" if result.within else "outside"
    text = f"{result.shown[:1].upper()}{result.shown[1:]}{'' if result.method == AGE else limit + told}."
    text += _filter_words(known, state, found) if result.method == AGE else ""
    return _marked(known, line, state, found, TESTS.get(result.method, result.method), text, verdict)


def _filter_words(known: Known, state: JobState, found: Marked) -> str:
    """Name a filter that went in, with its test report; once the record is accepted, for it is verified unseen."""
    serial = found.evidence.answers.get(SERIAL)
    if serial is None or state.stage is not Stage.ACCEPTED:
        return ""
    lot = known.site.store.of_serial(serial.text)
    report = f", test report {lot.lot.test_report}" if lot is not None and lot.lot.test_report else ""
    return f" Filter {serial.text}{report}."


def _flows(known: Known, line: JobLine, state: JobState, found: Marked) -> Iterator[Happening]:
    """Air flows and pressure drops that were read without anything being computed from them."""
    verdicts = {item.ask: item.verdict for item in found.evidence.judged}
    labels = {asked.ask.id: asked.ask.label for asked in found.step.asks}
    for name, answer in found.evidence.answers.items():
        if answer.unit == FLOW_UNIT or (name == "drop" and answer.unit == "Pa"):
            text = f"{answer.text} {unit_words(answer.unit)}."
            yield _marked(known, line, state, found, labels.get(name, name), text, verdicts.get(name, ""))


def _marked(
    known: Known, line: JobLine, state: JobState, found: Marked, what: str, text: str, verdict: str
) -> Happening:
    step = found.step
    place = BANK_WORDS[step.bank] if step.bank else known.housing.tag
    place += f", {step.port}" if step.port else ""
    place += f" position {step.position}" if step.position else ""
    return Happening(
        moment=found.stamp.at,
        shown=local_text(found.stamp.at, known.site.zone)[:16],
        what=what,
        where=place,
        text=f"{text} Job {line.number}, step {state.index[step.id] + 1}, {found.stamp.by.name}.",
        verdict="taken back" if found.state == "taken back" else verdict,
        job=line.job,
        seq=found.stamp.seq,
    )


def _readings(known: Known) -> Iterator[Happening]:
    taken = [(item, "") for item in known.readings]
    zone = known.site.zone
    for item, struck in (known.site.struck[entry] for entry in known.site.struck_at.get(known.housing.tag, ())):
        by = struck.by.name if struck.by else "the site"
        taken.append((item, f"Struck by {by}, {local_text(struck.at, zone)[:10]}: {struck.reason}"))
    for item, struck_words in taken:
        point = read_point(item, known)
        yield Happening(
            point.moment, str(point.on), "Pressure drop read", BANK_WORDS[item.reading.bank],
            f"{drop_words(point)}; {point.origin}.{f' {point.note}.' if point.note else ''}",
            verdict="struck" if struck_words else "", why=struck_words,
        )  # fmt: skip


def drop_words(point: Point) -> str:
    """Say a pressure drop: as read, and at rated flow if that is known."""
    parts = [f"{point.read_pa:g} Pa"]
    parts += [f"at {point.flow_m3_h:g} m³/h"] if point.flow_m3_h is not None else []
    parts += [f"= {point.at_rated_pa:.0f} Pa at rated flow"] if point.at_rated_pa is not None else []
    return " ".join(parts)


# --- what was entered of the housing itself -------------------------------------------------------


def _surveys(known: Known) -> Iterator[Happening]:
    for survey in known.site.housed.surveys.get(known.housing.tag, ()):
        parts = [_survey_words(survey)]
        parts += [
            f"{item.what}: {item.value}{f' {unit_words(item.unit)}' if item.unit else ''}."
            for item in survey.measured or ()
        ]
        parts += [f"Note: {survey.note}."] if survey.note else []
        count = len(survey.photos or ())
        parts += [f"{count} photo{'' if count == 1 else 's'}."] if count else []
        yield _entered(known, survey.at, survey.seq, "Surveyed", f"{' '.join(parts)} Signed by {_name(survey.by)}.")


def _survey_words(survey: SurveyTaken) -> str:
    differ = [
        f"{item.label}: the register had {f'“{item.register_has}”' if item.register_has else 'nothing'}, "
        f"found “{item.found}”"
        for item in survey.seen
        if item.found is not None
    ]
    unseen = sum(bool(item.unseen) for item in survey.seen)
    same = len(survey.seen) - len(differ) - unseen
    told = f"{same} of {len(survey.seen)} points were as on the register"
    told += f", {unseen} could not be seen" if unseen else ""
    return f"{told}. Differed: {'; '.join(differ)}." if differ else f"{told}; nothing differed."


def _register(known: Known) -> Iterator[Happening]:
    for past in known.site.housed.past.get(known.housing.tag, ()):
        what, text = _past_words(past)
        by = f"{_name(past.by)}{f': {past.why}' if past.why else ''}."
        yield _entered(known, past.at, past.entry, what, f"{text}, by {by}" if text else f"By {by}")


def _past_words(past: Past) -> tuple[str, str]:
    """Say what was entered, and of what; by whom and why follow."""
    match past.turn:
        case "plate":
            fields = ", ".join(name.replace("_", " ") for name in past.told)
            if past.first:
                return "Nameplate entered", "Entered in the register"
            return "Nameplate changed", f"Changed: {fields}" if fields else "Entered anew"
        case "filters":
            return "Filters entered in the register", "; ".join(past.told)
        case "doubt":
            return "Filters not taken over into the register", "; ".join(past.told)
        case "answer":
            label, had, found, outcome = past.told
            told = "the register was changed" if outcome == "register changed" else "the register is right"
            has = f"“{had}”" if had else "nothing"
            return "Difference answered", f"{label}, register {has}, found “{found}”: {told}"
        case "off":
            return "Taken off the register", ""
        case "back":
            return "Put back on the register", ""
        case "photo":
            return "Photo put on the register", f"It shows “{past.told[0]}”"
        case "photo down":
            return "Photo taken down", f"It showed “{past.told[0]}”" if past.told else ""
        case _:
            assert_never(past.turn)


def _waste(known: Known) -> Iterator[Happening]:
    """The packages that left the site, by job and hand-over."""
    waste = known.site.waste
    for line in known.lines:
        for name in waste.handed.get(line.number, ()):
            gone = waste.handovers[name]
            names = [item for item in gone.event.packages if job_number(item) == line.number]
            text = f"{package_words(names)} to {gone.event.receiver}, {gone.event.organisation}, by hand-over {name}."
            back = [item for item in names if item in gone.back]
            text += f" Came back: {', '.join(back)}." if back else ""
            if gone.certificate is not None:
                text += f" Certificate {gone.certificate.certificate} of {gone.certificate.dated}."
            elif len(back) < len(names):
                text += " No certificate has come yet."
            yield _entered(known, gone.event.at, gone.event.seq, "Waste left", text, job=line.job)


def package_words(names: Sequence[str]) -> str:
    """Name packages."""
    return f"Package{'' if len(names) == 1 else 's'} {', '.join(names)}"


def _name(by: Who | None) -> str:
    return by.name if by else "the site"


def _entered(known: Known, at: str, seq: int, what: str, text: str, *, job: str = "") -> Happening:
    return Happening(at, local_text(at, known.site.zone)[:16], what, "", text, job=job, seq=seq)


# --- what falls due asks ------------------------------------------------------------------------


def leak_tests(known: Known, bank: Bank) -> tuple[LeakTest, ...]:
    """Return the leak tests of the filters that this bank holds now, oldest first; taken-back ones do not count."""
    changed = changed_at(known, bank)
    found = [
        LeakTest(
            test.at, test.seq, site_day(test.at, known.site.zone), test.passed, line.number, test.basis or "site value"
        )
        for line, told in known.tells
        for test in told.tests
        if test.bank is bank and (changed is None or (test.at, test.seq) > changed)
    ]
    return tuple(sorted(found, key=lambda test: (test.moment, test.seq)))


def filter_ages(known: Known, bank: Bank) -> tuple[FilterAge, ...]:
    """Return when the age of each filter of a bank runs out: by the newest mark of each position, or by the register.

    The register counts where its entry is younger than the mark, such as a filter entered at the desk.
    """
    newest: dict[tuple[str, int], tuple[tuple[str, int], FilterAge]] = {}
    for item in (item for _, told in known.tells for item in told.ages if item.bank is bank):
        place, moment = (item.port, item.position), (item.at, item.seq)
        if place not in newest or moment > newest[place][0]:
            newest[place] = moment, FilterAge(item.port, item.position, item.on, item.from_site)
    for place, now in known.site.housed.spots(known.housing.tag).items():
        if _bank_of(known, place[0]) is not bank or (place in newest and newest[place][0][0] > now.since):
            continue
        in_place = age_in_place(known.housing, place, now)
        if in_place is not None:
            newest[place] = (now.since, 0), in_place
        elif now.how != "job":
            newest.pop(place, None)
    return tuple(age for _, (_, age) in sorted(newest.items()))


def age_in_place(housing: Housing, place: tuple[str, int], now: InPlace) -> FilterAge | None:
    """Return when the age of a filter in place runs out; None without a filter, or where its making is not known."""
    port = next((item for item in housing.ports if item.id == place[0]), None)
    made = now.filter.made if now.filter else None
    if made is None or port is None:
        return None
    years = design_of(housing, port.bank).life_years
    due = expiry(manufactured=made, on=made, life_years=years or FILTER_LIFE_YEARS)
    return FilterAge(*place, due.on, years is not None)


def _bank_of(known: Known, port: str) -> Bank | None:
    return next((item.bank for item in known.housing.ports if item.id == port), None)

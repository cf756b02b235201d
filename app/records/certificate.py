"""The test certificate of one bank of filters: its filters, its tests with every attempt, and the verdict in force.

Rules kept here:
- a certificate is a reading of one job's entries up to one head, which it names; it adds nothing to them;
- what failed, what was overtaken and what was corrected is on it, beside what is in force;
- of a job that is not accepted it says so before anything else;
- it says what it is not: no factory certificate of a filter, no proof of time, no word for a limit's source.
"""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from app.calc.errors import Invalid
from app.domain.events import Event, JobOpened, JobSubmitted, RecordAccepted, WayOutTaken
from app.domain.housing import Bank
from app.domain.job import JobState, Stage
from app.domain.steps import BANK_WORDS, Step
from app.records.attempts import DIFFERS, FAILED, IN_FORCE, Attempt, attempts_of
from app.records.bank_work import FilterRead, PutIn, filters, left_in, put_in
from app.records.cautions import CAUTIONS, NO_COMPLIANCE, REHEARSAL
from app.records.findings import MET, NO_LIMIT, NOT_MET, Outcome
from app.records.moments import local_text
from app.records.signatures import signatures_of
from app.records.wording import limit_of_result

FORMAT = "changeout-certificate/1"
TITLES = {
    "capacity": "Air flow against design",
    "resistance_at_rated": "Resistance at rated flow",
    "leak_test": "Leak test in place",
    "uniformity": "Evenness over the face",
    "pressure_decay": "Leak rate of the closed housing",
}
NO_TESTS = frozenset({"filter_age", "smear"})
"""Computed at a step, but of one filter or of one cut, and not of the bank."""
NOT_DONE, DUE_AGAIN, CONTESTED, NOT_COMPUTED = "NOT DONE", "DUE AGAIN", "TWO ACCOUNTS DIFFER", "not computed"
SETTLED = frozenset({MET, NO_LIMIT, NOT_COMPUTED})
HONEST = (
    (
        "A test in place finds leaks at filters, seals and frames as they stand. It is no efficiency certificate of a "
        "filter: a factory tests with another aerosol, at another size of particle, and the two are not comparable."
    ),
    "Times are the server's clock at this site, not externally proven.",
    (
        "Limits are those of the procedure and of the site, with their sources as given there. A result without a "
        "limit was recorded and is not judged here."
    ),
    "Readings stand as they were typed. Results were computed from them by the methods named; anyone can do so again.",
)


@dataclass(frozen=True, slots=True)
class Test:
    """One test of the bank: its limit with where it comes from, how it stands now, and every attempt, oldest first."""

    step: int
    title: str
    text: str
    limit: str
    basis: str
    methods: tuple[str, ...]
    verdict: str
    attempts: tuple[Attempt, ...]

    @property
    def in_force(self) -> Attempt | None:
        """The attempt that counts now, if one does."""
        return next((attempt for attempt in self.attempts if attempt.standing == IN_FORCE), None)


@dataclass(frozen=True, slots=True)
class Certificate:
    """A test certificate.  Shapes: texts in words; `utc` texts RFC 3339; root in hex; nested as its parts say.

    state: accepted, in review or unfinished, and state_told: the same in a sentence.  passed: whether every test of
    the bank stands and none lies outside its limit.  size, root: the head of the ledger that it was made from.
    """

    format: str
    title: str
    rehearsal: str
    bank: str
    bank_words: str
    number: str
    housing: str
    state: str
    state_told: str
    passed: bool
    verdict: str
    facts: tuple[tuple[str, str], ...]
    tests: tuple[Test, ...]
    filters: tuple[FilterRead, ...]
    left_in: tuple[str, ...]
    put_in: tuple[PutIn, ...]
    signatures: tuple[dict[str, str], ...]
    honest: tuple[str, ...]
    cautions: tuple[str, ...]
    size: int
    root: str
    newest: str


def banks_with_tests(state: JobState) -> tuple[Bank, ...]:
    """Return the banks for which the job computes a test, in the order of the housing's ports."""
    found = {step.bank for step in state.steps if step.computes and step.computes not in NO_TESTS}
    return tuple(bank for bank in (state.opened.housing.banks if state.opened else ()) if bank in found)


def certificate_of(state: JobState, events: Sequence[Event], bank: Bank, *, root: str, made_at: str) -> Certificate:
    """Return the certificate of a bank from a job's state and all its events; `root` is their head's, in hex.

    Raises Invalid where the job computes no test of this bank.
    """
    opened = state.opened
    if opened is None or bank not in banks_with_tests(state):
        raise Invalid(f"This job computes no test of the {BANK_WORDS[bank]}, so there is no certificate of it.")
    words, tests = BANK_WORDS[bank], tuple(_tests(state, events, bank))
    standing, told = _state(state)
    return Certificate(
        format=FORMAT,
        title=f"Test certificate: {words} of {opened.housing.tag}, job {opened.number}",
        rehearsal=REHEARSAL if opened.rehearsal else "",
        bank=str(bank),
        bank_words=words,
        number=opened.number,
        housing=opened.housing.tag,
        state=standing,
        state_told=told,
        passed=all(test.verdict in SETTLED for test in tests),
        verdict=_verdict(tests),
        facts=tuple(_facts(opened, bank, made_at)),
        tests=tests,
        filters=tuple(filters(state, events, opened, bank)),
        left_in=tuple(left_in(state, opened, bank)),
        put_in=tuple(put_in(state, events, bank)),
        signatures=tuple(
            signatures_of(
                state, [item for item in events if isinstance(item, JobSubmitted | RecordAccepted)], opened.zone
            )
        ),
        honest=HONEST,
        cautions=(*CAUTIONS, NO_COMPLIANCE),
        size=len(events),
        root=root,
        newest=local_text(state.last_at, opened.zone),
    )


def certificates_of(state: JobState, events: Sequence[Event], *, root: str, made_at: str) -> list[dict[str, Any]]:
    """Return the certificates of all banks that have computed tests, as JSON values."""
    return [
        value_of(certificate_of(state, events, bank, root=root, made_at=made_at)) for bank in banks_with_tests(state)
    ]  # fmt: skip


def value_of(certificate: Certificate) -> dict[str, Any]:
    """Return a certificate as JSON values, the same for screen, paper and attachment."""
    value: dict[str, Any] = _listed(asdict(certificate))
    return value


def _listed(value: Any) -> Any:
    match value:
        case dict():
            return {key: _listed(item) for key, item in value.items()}
        case list() | tuple():
            return [_listed(item) for item in value]
        case _:
            return value


# --- how it stands ------------------------------------------------------------------------------


def _state(state: JobState) -> tuple[str, str]:
    """Whether the record is accepted, in review or unfinished, in a word and in a sentence."""
    zone = state.opened.zone if state.opened else "UTC"
    if state.accepted is not None:
        by, at = state.accepted.by.name, local_text(state.accepted.at, zone)
        return "accepted", f"The record was accepted by {by}, {at}, and holds for this version."
    before = f" The acceptance of entry {state.voided[-1]} no longer counts." if state.voided else ""
    if state.stage is Stage.IN_REVIEW:
        return "in review", f"IN REVIEW: the work is handed over, the record is NOT accepted.{before}"
    done = f"{state.done_count} of {len(state.steps)} steps stand"
    return "unfinished", f"UNFINISHED. State of the job: {state.stage}; {done}. The record is NOT accepted.{before}"


def _verdict(tests: Sequence[Test]) -> str:
    """Say in one or two sentences how the tests of the bank stand now."""
    open_ones = [f"{test.title}, step {test.step}: {test.verdict}" for test in tests if test.verdict not in SETTLED]
    if open_ones:
        return f"NOT PASSED. {'; '.join(open_ones)}."
    met = [test.title for test in tests if test.verdict == MET]
    unjudged = [f"{test.title} ({test.verdict})" for test in tests if test.verdict != MET]
    told = [f"Within its limit: {'; '.join(met)}."] if met else ["Nothing was judged."]
    told += [f"Recorded, not judged: {'; '.join(unjudged)}."] if unjudged else []
    return " ".join(told)


def _test_verdict(step: Step, state: JobState, attempts: Sequence[Attempt], events: Sequence[Event]) -> str:
    mark = state.mark(step.id)
    made = [attempt for attempt in attempts if attempt.standing != DIFFERS]
    if any(item.step == step.id for item in state.contests):
        return CONTESTED
    if not made:
        return NOT_DONE
    if mark.stands:
        outcome = made[-1].outcome
        return NOT_MET if not mark.evidence.within else outcome.verdict if outcome else NOT_COMPUTED
    ways = [event.seq for event in events if isinstance(event, WayOutTaken) and event.step == step.id]
    failed_last = made[-1].standing == FAILED and made[-1].entry > max(ways, default=-1)
    return FAILED.upper() if failed_last else DUE_AGAIN


# --- its parts ----------------------------------------------------------------------------------


def _facts(opened: JobOpened, bank: Bank, made_at: str) -> Iterator[tuple[str, str]]:
    housing, zone = opened.housing, opened.zone
    yield "Housing", f"{housing.tag}, {housing.location}"
    yield "Bank", BANK_WORDS[bank]
    for port in housing.ports:
        if port.bank is bank:
            yield f"Port {port.id}", f"{port.filters} × {port.filter}"
    yield "Service and seal", f"{housing.service.replace('_', ' ')}, {housing.seal} seal"
    yield "Job", f"{opened.number}, opened {local_text(opened.at, zone)} by {opened.by.name}, {opened.by.role.words}"
    yield "Procedure", f"{opened.procedure_title} ({opened.procedure} revision {opened.revision})"
    yield "Procedure SHA-256", opened.procedure_sha256
    yield "Site", f"{opened.site}, time zone {zone}"
    yield "This copy made", local_text(made_at, zone)


def _method(outcome: Outcome) -> str:
    return f"{outcome.method}: {outcome.source}" if outcome.source else outcome.method


def _tests(state: JobState, events: Sequence[Event], bank: Bank) -> Iterator[Test]:
    for number, step in enumerate(state.steps, start=1):
        if step.computes and step.computes not in NO_TESTS and step.bank in (bank, None):
            attempts = attempts_of(step, state, events)
            yield Test(
                step=number,
                title=TITLES.get(step.computes, step.computes.replace("_", " ")),
                text=step.text,
                limit=limit_of_result(step),
                basis=step.result_limit.basis if step.result_limit else "neither the procedure nor the site gives one",
                methods=tuple(dict.fromkeys(_method(item.outcome) for item in attempts if item.outcome)),
                verdict=_test_verdict(step, state, attempts, events),
                attempts=attempts,
            )

"""A whole job told through `decide`: people of many scripts, a correction, an attempt, a stop, a photo.

Nothing here is written into the record by hand but one refused attempt, which the use cases write.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

from app.domain.applicability import PERMIT_UNTIL
from app.domain.commands import (
    Accept,
    Begin,
    Command,
    Correct,
    ExplainStop,
    Finish,
    Moment,
    Open,
    OpenException,
    Release,
    Reopen,
    StopWork,
    Submit,
    WriteNote,
)
from app.domain.decide import decide
from app.domain.event_base import Device, Who
from app.domain.events import AttemptRefused, Event, JobOpened, payload_of
from app.domain.housing import AccessPort, Housing, read_housing
from app.domain.job import JobState, Stage, fold
from app.domain.judging import AGAIN
from app.domain.leaving import AnswerLooks
from app.domain.procedure import Procedure, Role, StepKind, read_procedure
from app.domain.steps import AskedFor, Step, closure_rule, expand, repeated_over, ways_out
from app.ledger.canonical import canonical
from app.ledger.tree import EMPTY, leaf_hash
from app.records.moments import local_text, utc_text
from app.records.report import report_of
from app.services.rehearsal import (
    MADE_UP_INSTRUMENTS,
    Cast,
    about_locks,
    labels_of,
    looks_as_recorded,
    made_up_answers,
)

ROOT = Path(__file__).resolve().parents[2]
FONTS = ROOT / "static" / "fonts"
SEEDS = ROOT / "seed_data"
START = datetime(2026, 3, 2, 6, 15, tzinfo=UTC)
MADE_AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
ZONE = "Europe/Warsaw"
LEDGER = "job-sample"

POLISH = Who(id="zofia", name="Zofia Wiśniewska-Łącka", role=Role.LEAD)
GREEK = Who(id="eleni", name="Ελένη Παπαδοπούλου", role=Role.TECHNICIAN)
CYRILLIC = Who(id="dmitry", name="Дмитрий Щербаков", role=Role.TECHNICIAN)
VIETNAMESE = Who(id="phuong", name="Nguyễn Thị Phượng", role=Role.TECHNICIAN)
CHINESE = Who(id="li", name="李小雨", role=Role.SAFETY_OFFICER)
ARABIC = Who(id="karmi", name="أحمد الكرمي", role=Role.LEAD)
SECOND_LEAD = Who(id="bront", name="Żaneta Brońt", role=Role.LEAD)
CREW = (POLISH, GREEK, CYRILLIC, VIETNAMESE, CHINESE, ARABIC, SECOND_LEAD)
PARTS = Cast(hands=GREEK, eyes=VIETNAMESE, officer=CHINESE, lead=SECOND_LEAD)

HOSTILE = '<script>alert(1)</script> #panic("x") $a$ *b* _c_ @ref \\ ] [ // --- `d` {{7*7}} \\u{41}'
"""Text that would act if any part of the way took it for code or markup."""

PHOTO = Path(__file__).with_name("stub.jpg").read_bytes()
Answerer = Callable[[Step, AskedFor], str]


@dataclass(frozen=True, slots=True)
class Sample:
    """A job with what its record is made from."""

    events: tuple[Event, ...]
    state: JobState
    root: str
    photos: dict[str, bytes]

    @property
    def record_json(self) -> bytes:
        """Return the entries as canonical JSON."""
        return canonical({"entries": [payload_of(event) for event in self.events]})

    def report(self) -> dict[str, Any]:
        """Return the report that is printed."""
        return report_of(self.state, self.events, root=self.root, made_at=utc_text(MADE_AT))


def seed_housing(*, filters: int | None = None, ports: int = 1) -> Housing:
    """Return EF-03, with as many filters and ports as asked."""
    housing = read_housing((SEEDS / "housings" / "EF-03.toml").read_text("utf-8"), name="EF-03.toml")
    if filters is None:
        return housing
    kind = housing.ports[0].filter
    wanted = tuple(AccessPort(id=f"P{n}", filters=filters, filter=kind) for n in range(1, ports + 1))
    return housing.model_copy(update={"ports": wanted})


def seed_procedure() -> tuple[Procedure, str]:
    """Return the change-out procedure with the SHA-256 of its file."""
    data = (SEEDS / "procedures" / "change-out.toml").read_bytes()
    return read_procedure(data.decode(), name="change-out.toml"), sha256(data).hexdigest()


@dataclass(slots=True)
class Teller:
    """Tells a job: each command one minute after the last, on a tablet, folded as it goes."""

    housing: Housing
    rehearsal: bool = False
    photo: Callable[[int], bytes] = lambda _number: PHOTO
    events: list[Event] = field(default_factory=list)
    state: JobState = field(default_factory=JobState)
    photos: dict[str, bytes] = field(default_factory=dict)
    tree: Any = EMPTY

    def moment(self, who: Who) -> Moment:
        """Return the next moment."""
        at = utc_text(START + timedelta(minutes=len(self.events)))
        device = Device(tablet="tablet 2", at=at, offset_ms=140)
        return Moment(LEDGER, at, who, local_text(at, ZONE), self.tree.root().hex(), device, None, MADE_UP_INSTRUMENTS)

    def add(self, *events: Event) -> None:
        """Append events."""
        for event in events:
            self.events.append(event)
            self.tree = self.tree.append(leaf_hash(canonical(payload_of(event))))
        self.state = fold(events, self.state)

    def say(self, command: Command, who: Who) -> None:
        """Give a command and keep what follows."""
        self.add(*decide(self.state, command, self.moment(who)))

    def open(self) -> None:
        """Open the job."""
        procedure, digest = seed_procedure()
        rule = closure_rule(procedure, self.housing)
        moment = self.moment(POLISH)
        draft = JobOpened(
            ledger=LEDGER,
            seq=0,
            at=moment.at,
            by=POLISH,
            number="2026-014",
            site="Sample works, building 4",
            zone=ZONE,
            housing=self.housing,
            procedure=procedure.id,
            revision=procedure.revision,
            procedure_title=procedure.title,
            procedure_sha256=digest,
            kind=procedure.kind,
            signal_words=procedure.signal_words,
            steps=(line := expand(procedure, self.housing)),
            ways_out=ways_out(procedure, self.housing, line) or None,
            ties_each_side=rule.ties_each_side,
            bands_each_side=rule.bands_each_side,
            crew=CREW,
            rehearsal=self.rehearsal,
            repeated=repeated_over(procedure, self.housing),
        )
        self.say(Open(draft), POLISH)

    def answer(self, asked: AskedFor) -> str:
        """Return a plausible answer within its limit; photos are put on the shelf."""
        ask, limit = asked.ask, asked.limit
        match ask.kind:
            case "choice":
                return ask.good[0] if ask.good else ask.options[0]
            case "text":
                return "as agreed, 17-B"
            case "instrument":
                return f"rehearsal {ask.measures}"
            case "date":
                return "9999-12-31" if ask.id == PERMIT_UNTIL else "2026-01-01"
            case "tag":
                return ask.expects or ""
            case "photo":
                picture = self.photo(len(self.photos))
                digest = sha256(picture).hexdigest()
                self.photos[digest] = picture
                return digest
            case "reading":
                known = {"upstream": "24.0", "downstream": "0.0041", "background": "0.0007", "floor": "0.00001"}
                if ask.id in known and limit is None:
                    return known[ask.id]
                if limit is None:
                    return "248"
                ends = [float(end) for end in (limit.low, limit.high) if end is not None]
                return f"{sum(ends) / len(ends):g}"

    def do(self, **overrides: str) -> None:
        """Do the step that is due, as somebody who may."""
        step = self.state.due
        assert step is not None
        if step.kind is StepKind.HOLD:
            self.say(Release(step.id), CHINESE if step.role is Role.SAFETY_OFFICER else SECOND_LEAD)
            return
        who = VIETNAMESE if step.kind is StepKind.VERIFY else (GREEK if len(self.events) % 2 else CYRILLIC)
        for command, by in about_locks(self.state, step, PARTS):
            self.say(command, by)
        if step.table is not None:
            return
        if step.marks == 2 and self.state.mark(step.id).begun is None:
            self.say(Begin(step.id, second=VIETNAMESE if step.second else None, answers=labels_of(step)), who)
        answers = {item.ask.id: self.answer(item) for item in step.asks_at("finish")}
        if step.computes is not None:
            answers = made_up_answers(step)
        for item in step.asks:
            if item.same_as is not None:
                answers[item.ask.id] = self.state.mark(item.same_as.step).evidence.answers[item.same_as.ask].text
        answers |= overrides
        answers |= {
            f"{item.ask.id}{AGAIN}": answers[item.ask.id] for item in step.asks if item.ask.twice and item.ask.required
        }
        self.say(Finish(step.id, answers, second=VIETNAMESE if step.second else None), who)
        if self.state.stage is Stage.STOPPED:
            self.go_on("Looked at the instrument and the port. Go on.")

    def go_on(self, words: str) -> None:
        """Re-open the stopped job and find everything as recorded."""
        self.say(Reopen(words), ARABIC)
        self.say(AnswerLooks(looks_as_recorded(self.state.rechecks)), VIETNAMESE)

    def do_until(self, ending: str) -> None:
        """Do steps until one whose id ends so is due."""
        while self.state.due is not None and not self.state.due.id.endswith(ending):
            self.do()

    def done(self) -> Sample:
        """Return what was told."""
        return Sample(tuple(self.events), self.state, self.tree.root().hex(), self.photos)


def eventful(*, rehearsal: bool = False, note: str = HOSTILE) -> Sample:
    """Return an accepted job with every kind of exception in it."""
    teller = Teller(seed_housing(), rehearsal=rehearsal)
    teller.open()
    teller.do_until("/gather")
    teller.do(length="420")
    teller.do()
    teller.say(WriteNote(note), GREEK)
    teller.do_until("/cut")
    _stop_and_reopen(teller)
    teller.do_until("/torque")
    teller.do(upper="9.1", lower="9.2")
    torque = next(step for step in teller.state.steps if step.id.endswith("/torque"))
    by = teller.state.mark(torque.id).done
    assert by is not None
    teller.say(Correct(torque.id, "lower", "9.4", "Read the wrong scale of the wrench; the photo shows 9.4."), by.by)
    while teller.state.due is not None:
        teller.do()
    _review(teller)
    return teller.done()


def _stop_and_reopen(teller: Teller) -> None:
    step = teller.state.due
    assert step is not None
    teller.say(Begin(step.id, second=VIETNAMESE if step.second else None, answers=labels_of(step)), GREEK)
    moment = teller.moment(CYRILLIC)
    refused = f"“{step.text}” is not due for Дмитрий Щербаков. Ask who began it."
    teller.add(
        AttemptRefused(
            ledger=LEDGER, seq=teller.state.size, at=moment.at, by=CYRILLIC, step=step.id, code="x", sentence=refused
        )
    )
    teller.say(StopWork(), GREEK)
    teller.say(ExplainStop("interrupted", "Sirène d’alarme; left the room."), GREEK)
    teller.go_on("Alarm was a test. Look at the neck, then go on.")


def _review(teller: Teller) -> None:
    teller.say(Submit(), POLISH)
    for notable in teller.state.unread:
        teller.say(OpenException(notable.seq), CHINESE)
    teller.say(Accept(), CHINESE)


def unfinished() -> Sample:
    """Return a job that was only begun."""
    teller = Teller(seed_housing())
    teller.open()
    teller.do_until("agree/brief")
    return teller.done()


def long_job(*, filters: int, ports: int, photo: Callable[[int], bytes]) -> Sample:
    """Return a finished job over many filters, each photo different."""
    teller = Teller(seed_housing(filters=filters, ports=ports), photo=photo)
    teller.open()
    while teller.state.due is not None:
        teller.do()
    _review(teller)
    return teller.done()

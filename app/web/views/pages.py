"""The other pages: the list of housings, a housing, a plan, a job's overview, review, record."""

from dataclasses import asdict, dataclass, replace

from app.domain.containment.rest import nearest_rest, rests
from app.domain.events import Event
from app.domain.housing import Housing
from app.domain.job import JobState, Notable, Stage
from app.domain.job_lines import JobLine
from app.domain.killers import permit_line
from app.domain.leaving import Recheck
from app.domain.procedure import Role, StepKind
from app.domain.reopening import rechecks_for
from app.domain.site import SiteState
from app.domain.site_settings import without_own
from app.domain.steps import BANK_WORDS
from app.domain.words import effect_words
from app.ledger.heads import Head, short_root
from app.records.moments import local_text
from app.records.trail import trail_of
from app.records.wording import USE_WORDS, limit_gaps, prepared_words, stopper_words, transcribed_words, use_words
from app.services.planning import Plan
from app.services.ports import Person, Session
from app.web.views.step import Around, StepView, new_token, section_words, step_view
from app.web.views.work import HeadLine, Picture, head_line, pictures

ENDED_AT_ONCE = 6
"""So many of the jobs opened last are looked at for those that ended, on the first page (this program's figure)."""
LONGEST_SEARCH = 80
SHOWN_AT_ONCE = 25
"""So many jobs stand on one page of a list; older ones are a tap away (this program's figure)."""


@dataclass(frozen=True, slots=True)
class JobRow:
    """One job in a list: what is due in it and who it waits for."""

    job: str
    number: str
    tag: str
    kind: str
    stage: str
    due: str
    waits_for: str
    progress: str
    mine: bool
    opened: str
    ended: str = ""


@dataclass(frozen=True, slots=True)
class HousingRow:
    """One housing in the list."""

    tag: str
    location: str
    service: str
    seal: str
    ports: str
    in_hand: str
    last: str
    off: bool


MOST_CHOSEN = 50
"""From more housings than this none is chosen by a list: its tag is typed (our figure)."""
HOUSINGS_AT_ONCE = 50
"""So many housings stand on one page (our figure)."""


@dataclass(frozen=True, slots=True)
class Looked:
    """A bounded page of the housings that hold the words looked for.  before, after: other pages, 0 where none is."""

    words: str
    rows: tuple[HousingRow, ...]
    count: int
    first: int
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Front:
    """The first page.  many: there are so many housings that one looks for words."""

    waiting: tuple[JobRow, ...]
    others: tuple[JobRow, ...]
    ended: tuple[JobRow, ...]
    housings: Looked
    many: bool
    faults: tuple[str, ...]
    role: str


WAITS: dict[Stage, str] = {
    Stage.BRIEFING: "the crew, to be briefed",
    Stage.STOPPED: "a lead, to re-open it",
    Stage.SUSPENDED: "the crew, to return",
    Stage.LOOKING: "the crew, to look first",
    Stage.HANDING_OVER: "two crews, to sign the hand-over",
    Stage.CONTESTED: "a lead, to settle two accounts",
    Stage.WORK_DONE: "a lead, to hand it to review",
    Stage.IN_REVIEW: "a safety officer, to review it",
    Stage.RETURNED: "a lead, to settle what was returned",
    Stage.ACCEPTED: "nobody",
}
AT_WORK = (Stage.OPEN, Stage.SUSPENDED, Stage.LOOKING, Stage.HANDING_OVER)
KINDS = {"change_out": "change-out", "first_fit_out": "first fit-out"}


def waits_for(state: JobState) -> str:
    """Say whom a job waits for."""
    due = state.due
    if state.stage is Stage.WORK_DONE and state.unanswered:
        return "the crew, to answer about what differed"
    if state.stage is Stage.OPEN and due is not None:
        if due.kind is StepKind.HOLD:
            return f"a {due.role.words}, to release a hold"
        if due.kind is StepKind.VERIFY:
            return "somebody else, to verify"
        return "the crew"
    return WAITS.get(state.stage, "nobody")


def _is_mine(state: JobState, role: Role) -> bool:
    match role:
        case Role.LEAD:
            return "a lead" in waits_for(state)
        case Role.SAFETY_OFFICER:
            return "a safety officer" in waits_for(state)
        case Role.TECHNICIAN:
            if "the crew" in waits_for(state):
                return True
            return state.stage in AT_WORK and "a safety officer" not in waits_for(state)
        case _:
            return False


def job_row(line: JobLine, state: JobState, role: Role) -> JobRow:
    """Return one job as a list shows it."""
    due = state.due
    zone = state.opened.zone if state.opened else "UTC"
    return JobRow(
        job=line.job,
        number=line.number,
        tag=line.housing,
        kind=KINDS.get(line.kind, line.kind) + (", rehearsal" if state.opened and state.opened.rehearsal else ""),
        stage=str(state.stage),
        due=due.text if due else "",
        waits_for=waits_for(state),
        progress=f"{state.done_count} of {len(state.steps)}",
        mine=_is_mine(state, role),
        opened=local_text(line.opened_at, zone)[:16],
    )


def ended_row(line: JobLine, zone: str) -> JobRow:
    """Return an accepted job as a list shows it, from its line alone."""
    return JobRow(
        job=line.job,
        number=line.number,
        tag=line.housing,
        kind=KINDS.get(line.kind, line.kind),
        stage=str(Stage.ACCEPTED),
        due="",
        waits_for=WAITS[Stage.ACCEPTED],
        progress="",
        mine=False,
        opened=local_text(line.opened_at, zone)[:16],
        ended=local_text(line.closed_at, zone)[:10],
    )


def line_row(line: JobLine, zone: str) -> JobRow:
    """Return a job in hand as a list shows it from its line alone; its own page says how far it is."""
    return replace(ended_row(line, zone), stage="in hand", waits_for="", ended="")


def front_page(
    jobs: tuple[tuple[JobLine, JobState], ...], known: SiteState, found: tuple[Housing, ...],
    faults: tuple[str, ...], session: Session, *, words: str = "", page: int = 1, all_of_them: int = 0,
) -> Front:  # fmt: skip
    """Return the first page as this person sees it: the jobs in hand, those that ended last, housings looked for.

    jobs: those in hand with their states.  known: the site, whose list of jobs has all of them.  found: the housings
    that hold the words, of `all_of_them`.
    """
    role = session.who.role
    rows = [job_row(line, state, role) for line, state in jobs]
    return Front(
        waiting=tuple(row for row in rows if row.mine),
        others=tuple(row for row in rows if not row.mine),
        ended=tuple(
            ended_row(line, known.zone)
            for line in known.jobs.newest(ENDED_AT_ONCE)
            if not known.jobs.is_in_hand(line.job)
        ),
        housings=_looked(found, known, words, page),
        many=all_of_them > SEEN_AT_A_GLANCE,
        faults=faults,
        role=role.words,
    )


SEEN_AT_A_GLANCE = 8
"""With more housings than this, one looks for words (our figure)."""


def _looked(found: tuple[Housing, ...], known: SiteState, words: str, page: int) -> Looked:
    last = max(1, -(-len(found) // HOUSINGS_AT_ONCE))
    page = min(max(page, 1), last)
    first = (page - 1) * HOUSINGS_AT_ONCE
    shown = found[first : first + HOUSINGS_AT_ONCE]
    return Looked(
        words=words,
        rows=tuple(_housing_row(housing, known) for housing in shown),
        count=len(found),
        first=first + 1,
        before=page - 1,
        after=page + 1 if page < last else 0,
    )


def _housing_row(housing: Housing, known: SiteState) -> HousingRow:
    own = known.jobs.of_housing(housing.tag)
    in_hand = [line for line in own if known.jobs.is_in_hand(line.job)]
    return HousingRow(
        tag=housing.tag,
        location=housing.location,
        service=housing.service.replace("_", " "),
        seal=str(housing.seal),
        ports="; ".join(f"{port.id} {port.bank}: {port.filters} × {port.filter}" for port in housing.ports),
        in_hand=in_hand[0].number if in_hand else "",
        last=local_text(own[0].opened_at, known.zone)[:16] if own else "",
        off=housing.tag in known.housed.off,
    )


@dataclass(frozen=True, slots=True)
class PlanPage:
    """A plan before it is opened."""

    tag: str
    procedure: str
    title: str
    revision: int
    procedures: tuple[tuple[str, str], ...]
    ports: tuple[tuple[str, int, int], ...]
    takeoff: tuple[tuple[str, tuple[str, ...]], ...]
    takeoff_ports: tuple[str, ...]
    filters: tuple[tuple[str, int], ...]
    tools: tuple[str, ...]
    grease: str
    spares: str
    figures: tuple[tuple[str, str, str], ...]
    breaches: tuple[str, ...]
    gaps: tuple[str, ...]
    unlimited: bool
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    crew: tuple[tuple[str, str, str, str], ...]
    needs: tuple[str, ...]
    token: str
    planned: str
    named: tuple[str, ...]


def plan_page(
    made: Plan, site: SiteState, procedures: tuple[tuple[str, str], ...], crew: tuple[tuple[str, str, str, str], ...],
    *, planned: str = "", named: tuple[str, ...] = (),
) -> PlanPage:  # fmt: skip
    """Return the planning page; crew: id, name, role, and how they stand to the qualifications needed.

    planned: the number of the planned work that the job is opened from, with who was named for its crew (ids).
    site: what limits it gives for readings for which neither housing nor procedure has one.
    """
    ports = tuple(made.takeoff.per_port)
    rows = tuple(
        (USE_WORDS[use], (*(str(made.takeoff.per_port[port][use]) for port in ports), str(count)))
        for use, count in made.takeoff.total.items()
    )
    sections: dict[str, list[str]] = {}
    for number, step in enumerate(made.steps, start=1):
        sections.setdefault(section_words(step), []).append(f"{number}. {step.text}")
    spares = ", ".join(f"{count} {use_words(name, count)}" for name, count in made.takeoff.spares.items())
    return PlanPage(
        tag=made.housing.tag,
        procedure=made.procedure.id,
        title=made.procedure.title,
        revision=made.procedure.revision,
        procedures=procedures,
        ports=tuple((port.id, port.filters, port.replaced) for port in made.housing.ports),
        takeoff=rows,
        takeoff_ports=ports,
        filters=tuple(made.takeoff.filters.items()),
        tools=made.takeoff.tools,
        grease="thin film on new gaskets, where the filter's maker permits it" if made.takeoff.grease else "none",
        spares=f"{spares} ({made.takeoff.spares_rule}; common practice, no source)",
        figures=tuple(
            (name.replace("_", " "), figure.value, figure.basis) for name, figure in made.procedure.figures.items()
        ),
        breaches=tuple(f"{item.rule} at {item.step}: {item.sentence}" for item in made.breaches),
        gaps=limit_gaps(made.housing, site, made.procedure),
        unlimited=any(item.name not in site.watch.limits for item in without_own(made.housing, made.procedure)),
        sections=tuple((title, tuple(texts)) for title, texts in sections.items()),
        crew=crew,
        needs=made.procedure.needs,
        token=new_token(),
        planned=planned,
        named=named,
    )


@dataclass(frozen=True, slots=True)
class Overview:
    """A job as a whole."""

    head: HeadLine
    pictures: tuple[Picture, ...]
    sections: tuple[tuple[str, tuple[tuple[int, str, str, str], ...]], ...]
    trail: tuple[tuple[int, str, str], ...]
    waits_for: str
    remaining: tuple[tuple[str, str], ...]
    planned: str
    plan: str
    permit: str


def overview(
    job: str, state: JobState, events: tuple[Event, ...], session: Session, remaining: dict[str, int]
) -> Overview:
    """Return the overview: every step with its mark, and the trail, newest first."""
    zone = state.opened.zone if state.opened else "UTC"
    due = state.due
    sections: dict[str, list[tuple[int, str, str, str]]] = {}
    for number, step in enumerate(state.steps, start=1):
        mark = state.mark(step.id)
        if mark.not_applicable:
            sign, told = "not applicable", mark.not_applicable
        elif mark.stands and mark.done:
            paper = f", from paper {mark.done.paper.serial}" if mark.done.paper else ""
            sign, told = "done", f"{mark.done.by.name} {local_text(mark.done.when, zone)[11:19]}{paper}"
        elif mark.due_again:
            sign, told = "due again", state.by_number(mark.due_again)
        elif mark.begun:
            sign, told = "begun", mark.begun.by.name
        else:
            sign, told = ("due now", "") if due and due.id == step.id else ("", "")
        sections.setdefault(section_words(step), []).append((number, step.text, sign, told))
    return Overview(
        head=head_line(job, state, session),
        pictures=pictures(state, ()),
        sections=tuple((title, tuple(rows)) for title, rows in sections.items()),
        trail=tuple(reversed(trail_of(state, events))),
        waits_for=waits_for(state),
        remaining=tuple((use_words(name, count), str(count)) for name, count in remaining.items() if count),
        planned=prepared_words(state.opened.prepared) if state.opened and state.opened.prepared else "",
        plan=state.opened.prepared.plan if state.opened and state.opened.prepared else "",
        permit=permit_line(state) if state.leaving.permit else "",
    )


@dataclass(frozen=True, slots=True)
class ReadAhead:
    """One step looked at without moving the place.  twice: what was answered and is entered twice, label by id.

    beside: who may read such a number too, id and name, where two people answer for it.
    """

    head: HeadLine
    step: StepView
    done: str
    answers: tuple[tuple[str, str, str], ...]
    twice: dict[str, str]
    beside: tuple[tuple[str, str], ...]
    before: int
    after: int
    is_due: bool
    may_change: bool
    flags: tuple[str, ...]


def read_ahead(job: str, state: JobState, number: int, session: Session, people: tuple[Person, ...] = ()) -> ReadAhead:
    """Return a step by its number, for reading only.  people: of whom one may be beside whoever corrects it."""
    step = state.steps[number - 1]
    mark, due = state.mark(step.id), state.due
    zone = state.opened.zone if state.opened else "UTC"
    labels = {asked.ask.id: asked.ask.label for asked in step.asks}
    done = f"{mark.done.by.name} ({mark.done.by.role.words}), {local_text(mark.done.when, zone)}" if mark.done else ""
    if mark.done and mark.done.paper and mark.done.entered_by:
        entered = f"entered {local_text(mark.done.at, zone)}"
        done = f"{done}; {transcribed_words(mark.done.paper, mark.done.entered_by.name)}; {entered}"
    owner = mark.done or mark.begun
    return ReadAhead(
        head=head_line(job, state, session),
        step=step_view(state, step, session, Around()),
        done=done,
        answers=tuple((name, labels.get(name, name), answer.text) for name, answer in mark.evidence.answers.items()),
        twice={name: labels[name] for name, answer in mark.evidence.answers.items() if answer.twice},
        beside=tuple(
            (who.id, who.name)
            for who in people
            if step.second is not None and who.role is not Role.ADMINISTRATOR and who.id != session.who.id
        ),
        before=number - 1,
        after=number + 1 if number < len(state.steps) else 0,
        is_due=bool(due and due.id == step.id),
        may_change=owner is not None and (owner.by.id == session.who.id or session.who.role is Role.LEAD),
        flags=tuple(
            state.by_number(flag)
            for flag in (*mark.flags, *((f"due again: {mark.due_again}",) if mark.due_again else ()))
        ),
    )


@dataclass(frozen=True, slots=True)
class ReopenPage:
    """What a lead sees before re-opening: where it stands, what holds, the way to rest, what to look at."""

    head: HeadLine
    pictures: tuple[Picture, ...]
    stopped: str
    reason: str
    bare: bool
    due: str
    begun: str
    at_rest: bool
    to_rest: tuple[str, ...]
    rechecks: tuple[Recheck, ...]
    done_steps: tuple[tuple[str, str], ...]
    remaining: tuple[tuple[str, str], ...]
    token: str


def reopen_page(job: str, state: JobState, session: Session, remaining: dict[str, int]) -> ReopenPage:
    """Return the page on which a lead re-opens a job."""
    zone = state.opened.zone if state.opened else "UTC"
    stop, due, model = state.stop, state.due, state.model
    path = nearest_rest(model) if model else ()
    begun = state.mark(due.id).begun if due else None
    return ReopenPage(
        head=head_line(job, state, session),
        pictures=pictures(state, ()),
        stopped=f"{stopper_words(stop)}, {local_text(stop.stamp.at, zone)}" if stop else str(state.stage),
        reason=(stop.text or stop.reason or "no reason given yet") if stop else (state.returned or ""),
        bare=stop is not None and not stop.reason,
        due=due.text if due else "no step is due",
        begun=f"begun by {begun.by.name}, {local_text(begun.at, zone)}, not done" if begun else "not begun",
        at_rest=bool(model and rests(model)),
        to_rest=tuple(effect_words(effect) for effect in path or ()),
        rechecks=rechecks_for(state),
        done_steps=tuple(
            (step.id, f"{number}. {step.text}")
            for number, step in enumerate(state.steps, start=1)
            if state.mark(step.id).stands
        ),
        remaining=tuple((use_words(name, count), str(count)) for name, count in remaining.items() if count),
        token=new_token(),
    )


@dataclass(frozen=True, slots=True)
class ReviewPage:
    """The record as the reviewer reads it."""

    head: HeadLine
    report: dict[str, object]
    exceptions: tuple[dict[str, object], ...]
    of_site: tuple[dict[str, object], ...]
    unread: int
    may_review: bool
    meaning: str
    local_now: str
    token: str


def review_page(
    job: str,
    state: JobState,
    events: tuple[Event, ...],
    session: Session,
    *,
    root: str,
    now: str,
    meaning: str,
    findings: tuple[Notable, ...],
) -> ReviewPage:
    """Return the review page; `findings` are those of the site's ledger since the job was opened."""
    from app.records.report import report_of

    zone = state.opened.zone if state.opened else "UTC"
    numbers = {step.id: place + 1 for place, step in enumerate(state.steps)}
    exceptions = tuple(
        {**asdict(item), "number": numbers.get(item.step or "", 0), "read": item.seq in state.read}
        for item in state.notables
    )
    of_site = tuple(
        {**asdict(item), "read": item.seq in state.read_site}
        for item in findings
        if state.accepted is None or item.seq in state.read_site
    )
    return ReviewPage(
        head=head_line(job, state, session),
        report=report_of(state, events, root=root, made_at=now),
        exceptions=exceptions,
        of_site=of_site,
        unread=len(state.unread) + sum(1 for item in of_site if not item["read"]),
        may_review=session.who.role is Role.SAFETY_OFFICER and state.stage is Stage.IN_REVIEW,
        meaning=meaning,
        local_now=local_text(now, zone),
        token=new_token(),
    )


@dataclass(frozen=True, slots=True)
class RecordPage:
    """Where a record can be taken away, and the head to write down. certificates: banks, and what they are called."""

    head: HeadLine
    signed: bool
    size: int
    root: str
    short: str
    signatures: tuple[dict[str, str], ...]
    certificates: tuple[tuple[str, str], ...]


def record_page(
    job: str, state: JobState, head: Head, session: Session, signatures: list[dict[str, str]]
) -> RecordPage:
    """Return the record page."""
    from app.records.certificate import banks_with_tests

    return RecordPage(
        head=head_line(job, state, session),
        signed=state.accepted is not None,
        size=head.size,
        root=head.root.hex(),
        short=short_root(head.root),
        signatures=tuple(signatures),
        certificates=tuple((str(bank), BANK_WORDS[bank]) for bank in banks_with_tests(state)),
    )

"""The work panel: the step that is due, or why no step is due, with the drawing and the line that stays in view."""

from dataclasses import dataclass, replace

from app.domain.containment.rest import nearest_rest, rests
from app.domain.containment.state import PortState
from app.domain.deciding.leaving import handed_over
from app.domain.events import STOP_REASONS
from app.domain.job import JobState, Stage
from app.domain.killers import permit_on_record
from app.domain.procedure import Role
from app.domain.words import effect_words
from app.records.cautions import REHEARSAL
from app.records.drawing import draw_port, picture_words
from app.records.moments import local_text
from app.records.wording import stopper_words
from app.services.ports import Session
from app.web.views.contests import CONTESTS, ContestsView, contests_view
from app.web.views.crew import BriefPanel, brief_panel, has_no_brief
from app.web.views.leaving import (
    LooksView,
    NextView,
    SigningView,
    SuspendedView,
    looks_view,
    next_view,
    signing_view,
    suspended_view,
)
from app.web.views.locks import LocksView, WatchView, rows_view, shows_rows, watch_view
from app.web.views.step import Around, Refill, StepView, begun_words, new_token, section_words, step_view


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence that answers what was just done. tone: good, refused or outside."""

    tone: str
    text: str


@dataclass(frozen=True, slots=True)
class HeadLine:
    """What stays in view on every page of a job: which job, where in it, who is signed in.

    no_brief: they have been briefed in neither part.  gone: that they handed the job over, while the crew goes on.
    """

    job: str
    number: str
    tag: str
    procedure: str
    stage: str
    section: str
    place: str
    who: str
    role: str
    rehearsal: str
    may_stop: bool
    may_suspend: bool = False
    no_brief: bool = False
    gone: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """The drawing of one port, and in words what it has no room to letter."""

    svg: str
    words: str


@dataclass(frozen=True, slots=True)
class StoppedView:
    """A job at rest or not: who stopped it, why, and the nearest place to leave it."""

    by: str
    at: str
    step: str
    reason: str
    text: str
    explained: bool
    reasons: tuple[tuple[str, str], ...]
    at_rest: bool
    to_rest: tuple[str, ...]
    begun: str
    may_reopen: bool
    own: bool
    token: str
    chosen: str = ""
    typed: str = ""


@dataclass(frozen=True, slots=True)
class EndView:
    """No step is due: the work is done, in review, returned or accepted.

    permit: its number where it is on record; whoever submits then says to whom it went back, `typed` before a refusal.
    """

    heading: str
    text: str
    may_submit: bool
    may_review: bool
    token: str
    questions: int = 0
    unsigned: str = ""
    permit: str = ""
    typed: str = ""


SUBMITTED = "submit"
"""As what the form that hands a job to review is filled in again."""


@dataclass(frozen=True, slots=True)
class Work:
    """The page of the step that is due. panel names the template of the middle part.

    size, unsettled: how far the job has come, for a tablet that has to go on without the server.
    """

    head: HeadLine
    panel: str
    pictures: tuple[Picture, ...]
    notice: Notice | None = None
    step: StepView | None = None
    stopped: StoppedView | None = None
    looks: LooksView | None = None
    end: EndView | None = None
    contests: ContestsView | None = None
    brief: BriefPanel | None = None
    suspended: SuspendedView | None = None
    first: NextView | None = None
    signing: SigningView | None = None
    locks: LocksView | None = None
    watch: WatchView | None = None
    locks_on: int = 0
    size: int = 0
    unsettled: int = -1
    newer: str = ""
    person: str = ""


def head_line(job: str, state: JobState, session: Session) -> HeadLine:
    """Return what stays in view on every page of this job."""
    opened, due = state.opened, state.due
    number = state.index.get(due.id, 0) + 1 if due else len(state.steps)
    gone = handed_over(state, session.who)
    return HeadLine(
        job=job,
        number=opened.number if opened else "",
        tag=opened.housing.tag if opened else "",
        procedure=f"{opened.procedure_title}, revision {opened.revision}" if opened else "",
        stage=str(state.stage),
        section=section_words(due) if due else "all steps done",
        place=f"step {number} of {len(state.steps)}",
        who=session.who.name,
        role=session.who.role.words,
        rehearsal=REHEARSAL if opened and opened.rehearsal else "",
        may_stop=state.stage not in (Stage.STOPPED, Stage.ACCEPTED),
        may_suspend=state.stage is Stage.OPEN and not gone,
        no_brief=has_no_brief(state, session),
        gone=gone if state.stage in (Stage.OPEN, Stage.LOOKING) else "",
    )


def work_view(
    job: str,
    state: JobState,
    session: Session,
    around: Around,
    *,
    notice: Notice | None = None,
    refill: Refill | None = None,
) -> Work:
    """Return the work page of a job as this person sees it."""
    shown = _panel_of(job, state, session, around, notice, refill)
    newer = around.newer if session.who.role is Role.LEAD else ""
    locks_on = sum(1 for lock in state.locks.hung if lock.on)
    return replace(
        shown, newer=newer, size=state.size, unsettled=state.unsettled_at, person=session.who.id,
        watch=watch_view(state), locks_on=locks_on,
    )  # fmt: skip


def _panel_of(
    job: str, state: JobState, session: Session, around: Around, notice: Notice | None, refill: Refill | None
) -> Work:
    head = head_line(job, state, session)
    due = state.due
    ports = (due.port,) if due and due.port else ()
    match state.stage:
        case Stage.STOPPED:
            return Work(head, "stopped", pictures(state, ()), notice, stopped=_stopped(state, session, refill))
        case Stage.SUSPENDED:
            left = suspended_view(state, session)
            return Work(head, "suspended", pictures(state, ()), notice, suspended=left)
        case Stage.LOOKING if state.leaving.unread:
            return Work(head, "next", (), notice, first=next_view(state, session))
        case Stage.LOOKING:
            typed = refill.answers if refill and refill.step == "looks" else {}
            return Work(head, "looks", (), notice, looks=looks_view(state, session, typed))
        case Stage.HANDING_OVER:
            return Work(head, "signing", pictures(state, ()), notice, signing=signing_view(state))
        case Stage.CONTESTED:
            typed = refill.answers if refill and refill.step == CONTESTS else {}
            shown = contests_view(state, session, new_token(), typed)
            return Work(head, "contests", pictures(state, ()), notice, contests=shown)
        case Stage.BRIEFING:
            return Work(head, "brief", pictures(state, ()), notice, brief=brief_panel(state))
        case Stage.OPEN if shows_rows(state):
            return Work(head, "locks", (), notice, locks=rows_view(state, session, refill))
        case Stage.OPEN if due is not None:
            return Work(
                head, "step", pictures(state, ports), notice, step=step_view(state, due, session, around, refill)
            )
        case _:
            return Work(head, "end", pictures(state, ()), notice, end=_end(state, session, refill))


def pictures(state: JobState, ports: tuple[str, ...]) -> tuple[Picture, ...]:
    """Return the drawings of the ports named, or of all."""
    if state.model is None or state.opened is None:
        return ()
    shown = [port for port in state.model.ports if not ports or port.id in ports]
    return tuple(_picture(state, port) for port in shown)


def _picture(state: JobState, port: PortState) -> Picture:
    assert state.model is not None
    assert state.opened is not None
    housing = state.opened.housing
    svg = draw_port(
        state.model,
        port,
        upstream=housing.upstream_damper,
        downstream=housing.downstream_damper,
        doubtful=bool(state.doubtful),
    )
    return Picture(svg, picture_words(state.model, port))


def _stopped(state: JobState, session: Session, refill: Refill | None) -> StoppedView:
    typed = refill.answers if refill and refill.step == "stop" else {}
    stop = state.stop
    assert stop is not None
    assert state.model is not None
    zone = state.opened.zone if state.opened else "UTC"
    due = state.due
    path = nearest_rest(state.model)
    return StoppedView(
        by=stopper_words(stop),
        at=local_text(stop.stamp.at, zone),
        step=due.text if due else "",
        reason=STOP_REASONS.get(stop.reason or "", ""),
        text=stop.text,
        explained=stop.reason is not None,
        reasons=tuple(STOP_REASONS.items()),
        at_rest=rests(state.model),
        to_rest=tuple(effect_words(effect) for effect in path or ()),
        begun=begun_words(state.mark(due.id), zone) if due else "",
        chosen=typed.get("reason", ""),
        typed=typed.get("text", ""),
        may_reopen=session.who.role is Role.LEAD and not stop.is_by(session.who),
        own=session.who.role is Role.LEAD,
        token=new_token(),
    )


END_WORDS = {
    Stage.WORK_DONE: ("Every step is done", "A lead hands the job to review with a signature."),
    Stage.IN_REVIEW: ("In review", "A safety officer reads the record and every exception in it."),
    Stage.RETURNED: ("Returned by the safety officer", ""),
    Stage.ACCEPTED: ("Accepted", "The record is signed for this version."),
}


def _end(state: JobState, session: Session, refill: Refill | None) -> EndView:
    heading, text = END_WORDS.get(state.stage, (str(state.stage), ""))
    role = session.who.role
    return EndView(
        heading=heading,
        text=state.returned or text,
        may_submit=role is Role.LEAD and state.stage in (Stage.WORK_DONE, Stage.RETURNED) and not state.unanswered,
        questions=len(state.unanswered),
        may_review=role is Role.SAFETY_OFFICER and state.stage is Stage.IN_REVIEW,
        token=new_token(),
        unsigned="".join(
            f"{item.sender.name} has yet to sign the release by radio of entry {item.seq}. " for item in state.unsigned
        ),
        permit=permit_on_record(state)[0] if state.permit_until else "",
        typed=refill.answers.get("permit_back", "") if refill and refill.step == SUBMITTED else "",
    )

"""Jobs in hand as anybody sees them, whatever their role: which work goes on, and a way to stop it."""

from dataclasses import dataclass

from app.domain.events import STOP_REASONS
from app.domain.job import JobState, Stage
from app.domain.job_lines import JobLine
from app.records.moments import local_text
from app.records.wording import stopper_words
from app.web.views.pages import KINDS
from app.web.views.step import new_token


@dataclass(frozen=True, slots=True)
class InHand:
    """One job that has not ended.  stopped: by whom and when, or nothing.  bare: nobody has said yet why."""

    job: str
    number: str
    tag: str
    kind: str
    stage: str
    stopped: str
    bare: bool
    token: str


REASONS = tuple(STOP_REASONS.items())


def jobs_in_hand(jobs: tuple[tuple[JobLine, JobState], ...]) -> tuple[InHand, ...]:
    """Return the jobs whose record has not been accepted; nothing of their content but who stopped them."""
    return tuple(_row(line, state) for line, state in jobs if state.stage is not Stage.ACCEPTED)


def _row(line: JobLine, state: JobState) -> InHand:
    stop, zone = state.stop, state.opened.zone if state.opened else "UTC"
    return InHand(
        job=line.job,
        number=line.number,
        tag=line.housing,
        kind=KINDS.get(line.kind, line.kind),
        stage=str(state.stage),
        stopped=f"Stopped by {stopper_words(stop)}, {local_text(stop.stamp.at, zone)}" if stop else "",
        bare=stop is not None and not stop.reason,
        token=new_token(),
    )

"""The plain model of a schedule: the tablets' own rules over a server in a few numbers, for schedules by the 100,000.

The tablets, the play and the laws are those of `tests.scheduling.play`; what a tablet's word is worth is judged by the
program's own rule (`app.domain.deciding.remembered`).  Only the job behind it is plain: acts in one row, each done
once with one answer, some of them by the desk alone.  What is cut away so is played on the real service, by fewer.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from app.calc.errors import Invalid
from app.domain.commands import Begin, Knowledge, StopWork
from app.domain.deciding import late
from app.domain.restores import Restore
from tests.builders import START
from tests.scheduling.server import Entry, Server
from tests.scheduling.tablets import KeptMark, Tablet

ACTS = 60
DESK_EVERY = 9
"""Each so many acts is one that waits for the server, as a hold does."""
BACK_AFTER_REOPENING = 2
"""So many acts are due again after a re-opening."""
TABLET_ACT = "act"


@dataclass(frozen=True, slots=True)
class Row:
    """The job: who did what of it.  answers: of the acts done, in their order.  unsettled_at: the last that unsettled.

    size: how many entries it has, by which the tablets' word is judged.
    """

    size: int = 0
    answers: tuple[str, ...] = ()
    stopped: bool = False
    unsettled_at: int = -1

    @property
    def due(self) -> int | None:
        """The act that is due, from 0."""
        return len(self.answers) if len(self.answers) < ACTS else None


@dataclass(frozen=True, slots=True)
class PlainKept:
    """Everything that a backup holds."""

    row: Row = Row()
    entries: tuple[Entry, ...] = ()
    requests: dict[str, str | None] = field(default_factory=dict)
    restores: tuple[Restore, ...] = ()


def waits(act: int) -> bool:
    """Whether an act is the desk's."""
    return act % DESK_EVERY == DESK_EVERY - 1


class PlainServer(Server):
    """A server in a few numbers.  What it answers a token once, it answers always."""

    if TYPE_CHECKING:
        backups: list[Any]

    def __init__(self) -> None:
        self.kept = PlainKept()
        self.now = START
        self.backups = []
        self.restores = self.made = 0

    @property
    def line(self) -> str:
        """The line of entries that the site is on."""
        return self.kept.restores[-1].line if self.kept.restores else ""

    @property
    def state(self) -> Row:  # type: ignore[override]
        """The job."""
        return self.kept.row

    @property
    def payloads(self) -> tuple[Any, ...]:
        """The job's entries."""
        return self.kept.entries

    @property
    def requests(self) -> dict[str, str | None]:
        """The tokens that are used up, each with its answer."""
        return self.kept.requests

    def entries(self) -> tuple[Entry, ...]:
        """The job's entries."""
        return self.kept.entries

    def lines(self) -> set[str]:
        """Every line that the record knows."""
        return {"", *(restore.line for restore in self.kept.restores)}

    def unsound(self) -> Iterator[str]:
        """A row that is not what its entries came to."""
        if self.kept.row.size != len(self.kept.entries):
            yield f"the row counts {self.kept.row.size} entries and has {len(self.kept.entries)}"

    def back_up(self) -> None:
        """Copy everything."""
        self.backups.append(self.kept)

    def restore(self, which: int) -> frozenset[str]:
        """Go on from a backup; return the tokens that were lost."""
        kept: PlainKept = self.backups[which]
        lost = frozenset(self.kept.requests) - frozenset(kept.requests)
        self.restores += 1
        line = Restore(f"line {self.restores}", kept.row.size)
        self.kept = replace(kept, restores=(*kept.restores, line))
        return lost

    def at_the_desk(self, act: str) -> None:
        """Somebody at the desk goes on, stops or re-opens."""
        row = self.kept.row
        match act:
            case "stop" if not row.stopped:
                self._write("stop", replace(row, stopped=True))
            case "re-open" if row.stopped:
                back = row.answers[:-BACK_AFTER_REOPENING]
                self._write("re-open", replace(row, stopped=False, answers=back))
            case "server goes on" if not row.stopped and row.due is not None:
                self._write("done", replace(row, answers=(*row.answers, "desk")))

    def take_plain(self, mark: KeptMark, tablet: str, *, kept: bool) -> str | None:
        """Take one mark, straight or kept; None if it is taken, else the sentence."""
        if mark.token in self.kept.requests:
            return self.kept.requests[mark.token]
        try:
            became, recovered = self._judged(mark, kept=kept)
        except Invalid as no:
            return str(no)  # its token is not used up
        row = self.kept.row
        if became == "done":
            row = replace(row, answers=(*row.answers, mark.act.step.partition(":")[2]))  # type: ignore[union-attr]
        if became == "stop":
            row = replace(row, stopped=True)
        if became:
            number = mark.n if kept else None
            self._write(became, row, request=mark.token, tablet=tablet, number=number, recovered=recovered)
        self.kept = replace(self.kept, requests={**self.kept.requests, mark.token: None})
        return None

    def _judged(self, mark: KeptMark, *, kept: bool) -> tuple[str, bool]:
        """What becomes of a mark, nothing for a second stop, and whether it is a recovered one."""
        row, recovered, doubt = self.kept.row, False, False
        if mark.poison:
            raise Invalid("This job has no such act.")
        if kept:
            told = Knowledge(mark.line, mark.acknowledged, mark.before, mark.before_token)
            moment: Any = SimpleNamespace(restores=self.kept.restores)
            known = late.remembered(row, mark.seen, told, moment)  # type: ignore[attr-defined, arg-type]
            recovered, doubt = known.recovered, bool(known.doubt) or known.seen <= row.unsettled_at
        if isinstance(mark.act, StopWork):
            return "" if row.stopped else "stop", recovered
        place, _, answer = mark.act.step.partition(":")
        act = int(place)
        if not doubt and not row.stopped and act == row.due and not waits(act):
            return "done", recovered
        if not kept:
            raise Invalid("That is not due now.")
        same = not doubt and row.answers[act : act + 1] == (answer,)
        return "joined" if same else "contested", recovered

    def _write(
        self, kind: str, row: Row, *, request: str | None = None, tablet: str = "", number: int | None = None,
        recovered: bool = False,
    ) -> None:  # fmt: skip
        self.made += 1
        seq, unsettles = len(self.kept.entries), kind in {"stop", "re-open"}
        # `made` is in the kind: what is written again after a restore is another entry, as its time would make it.
        entry = Entry(
            seq, f"{kind} {self.made}", request, tablet, number, recovered=recovered,
            outcome=kind in {"done", "joined", "contested"}, contested=kind == "contested", unsettles=unsettles,
        )  # fmt: skip
        row = replace(row, size=seq + 1, unsettled_at=seq if unsettles else row.unsettled_at)
        self.kept = replace(self.kept, row=row, entries=(*self.kept.entries, entry))


class PlainTablet(Tablet):
    """A tablet whose job is such a row; how it keeps, sends and puts back is not its own."""

    server: PlainServer
    state: Row  # type: ignore[assignment]

    def mark(self, *, otherwise: bool = False) -> None:
        """Mark the act that this tablet takes for due, unless it waits for the server."""
        act = self.state.due
        if act is None or self.state.stopped or waits(act):
            return
        answer = "222" if otherwise else TABLET_ACT
        self.keep(Begin(f"{act}:{answer}"))
        if self.waiting:
            self.state = replace(self.state, answers=(*self.state.answers, answer))

    def stop(self) -> None:
        """Press STOP while the job runs, as far as this tablet knows."""
        if not self.state.stopped:
            self.keep(StopWork())

    def _post(self, mark: KeptMark) -> str | None:
        return self.server.take_plain(mark, self.name, kept=False)

    def _taken(self, mark: KeptMark) -> str | None:
        return self.server.take_plain(mark, self.name, kept=True)

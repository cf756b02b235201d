"""Crews that work jobs as people would: open, carry out, go on when interrupted, hand over, submit, accept, export."""

import http.client
import re
from dataclasses import dataclass, field, replace
from hashlib import sha256
from itertools import islice
from random import Random
from threading import Event, Thread
from time import monotonic, sleep
from urllib.parse import urlencode

from app.domain.commands import Begin, Command, DecideContest, Finish, Reopen, Submit
from app.domain.crew import Acknowledge, Part
from app.domain.deciding.leaving import on_the_job, suspend_looks
from app.domain.event_base import Who
from app.domain.events import JobOpened
from app.domain.job import JobState, Stage
from app.domain.leaving import AnswerLooks, ReadNext, ReturnToWork, Suspend, TakeOver
from app.domain.paper import PrintBlank
from app.domain.procedure import Role
from app.domain.steps import Step
from app.services.rehearsal import Cast, commands_for, looks_as_recorded
from app.web.views.ahead import ahead
from tests.soaking.forms import soaked_form
from tests.soaking.history import FORM, OPENING, Outcome
from tests.soaking.ledgers import Ledgers, OutOfReachError
from tests.soaking.tablet import AwayError, Tablet
from tests.storage.pictures import png

TAG = "EF-07"
BRIEFED = (Suspend, ReturnToWork, ReadNext, AnswerLooks, TakeOver, PrintBlank)
"""What is refused to somebody who has had no brief of the job."""
PAUSE_S = 0.2
"""Between two tries of a tablet that has no answer; a tablet of the site waits longer."""
STUCK_S = 60
MOST_KEPT = 12
SENDS_AGAIN = 8
PHOTO_BYTES = 300_000
PACKAGES = re.compile(r'name="(p\.[^"]+)"')
UNREAD = re.compile(r'(name="of" value="site">)?<input type="hidden" name="entry" value="(\d+)">')


@dataclass(frozen=True, slots=True)
class Shift:
    """The people of one shift: who opens jobs, and the parts they play."""

    opener: Who
    cast: Cast


@dataclass
class Site:
    """What all crews share.  shift: the number of the one at work; over: nobody begins anything new."""

    ledgers: Ledgers
    secrets: dict[str, str]
    shifts: list[Shift]
    over: Event = field(default_factory=Event)
    shift: int = 0
    think_s: float = 0.02
    counted: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def count(self, what: str) -> None:
        """Count something that was done."""
        self.counted[what] = self.counted.get(what, 0) + 1


@dataclass
class Crew:
    """Two tablets and the job that they work on: one for the hands, one for everybody else."""

    site: Site
    hand: Tablet
    other: Tablet
    chance: Random
    job: str = ""
    shift: Shift | None = None
    opened: JobOpened | None = None
    press_stop: bool = False
    since: float = field(default_factory=monotonic)
    thread: Thread | None = None

    def start(self) -> None:
        """Begin to work, in a thread."""
        self.thread = Thread(target=self.work, daemon=True)
        self.thread.start()

    def work(self) -> None:
        """Work job after job until it is over; what went wrong by the harness's own fault is told."""
        while not self.site.over.is_set():
            try:
                self.turn()
            except (AwayError, OutOfReachError):
                sleep(PAUSE_S)
            except Exception as fault:  # noqa: BLE001  (a thread that ends in silence would look like rest)
                self.site.wrong.append(f"{self.hand.name}: {type(fault).__name__}: {fault}")
                self.job = ""
                sleep(1)

    # --- one turn ------------------------------------------------------------------------------------

    def turn(self) -> None:
        """Look at the job and do what people would do next."""
        if self.shift is None:
            self.shift = self.site.shifts[self.site.shift % len(self.site.shifts)]
        if not self.job:
            self.open()
            return
        state = self.seen()
        if state is None:
            self.keep_on()
            return
        self.opened = self.opened or state.opened
        if state.opened != self.opened:
            self.job = ""  # its number is another job's since a restore
            return
        if state.accepted is not None:
            self.put_by()
            return
        self.complain_if_stuck(state)
        if self.press_stop and state.stage is Stage.OPEN and state.due is not None:
            self.press_stop = False
            self.other.mark(self.cast.eyes, self.job, None, state.size)
            return
        if state.contests:
            entries = tuple(item.seq for item in state.contests)
            self.do(DecideContest(entries, holds=True, reason="looked at, what stands holds"), self.cast.lead, state)
        elif self.relieved(state) or self.finished(state):
            return
        else:
            self.go_on(state)

    @property
    def cast(self) -> Cast:
        """Who plays which part now."""
        assert self.shift is not None
        return self.shift.cast

    def seen(self) -> JobState | None:
        """Return the job as the hands' tablet sees it; None if that tablet has no server."""
        try:
            if not self.hand.drain():
                return None
            self.other.drain()
            status, _ = self.hand.look(self.cast.hands, f"/jobs/{self.job}/now")
        except AwayError:
            return None
        if status == http.HTTPStatus.UNPROCESSABLE_ENTITY:
            self.job = ""  # a restored backup does not hold it
            raise AwayError("no such job")
        return self.site.ledgers.state(self.job)

    def complain_if_stuck(self, state: JobState) -> None:
        """Tell of a job on which nothing has been taken for long, and leave it."""
        if monotonic() - self.since > STUCK_S:
            due = state.due.id if state.due else "no step"
            told = [deed.told for deed in list(self.hand.history.deeds.values())
                    if deed.job == self.job and deed.outcome is Outcome.REFUSED]  # fmt: skip
            self.site.wrong.append(f"{self.job} is stuck: {state.stage}, {due}, {state.size} entries; {told[-2:]}")
            self.job = ""
            raise AwayError("stuck")

    def open(self) -> None:
        """Open a job and find out which it became, whatever became of the answer."""
        assert self.shift is not None
        token, lead = self.other.token(), self.shift.opener
        fields = {"procedure": "change-out", "beside": "on", f"crew.{self.cast.hands.id}": "on"}
        self.other.look(lead, f"/plan/{TAG}")
        self.other.give(lead, "", f"/plan/{TAG}", fields, token)
        self.other.look(lead, "/")
        self.job, self.opened = self.site.ledgers.job_of(token), None
        self.since = monotonic()
        if self.job:
            self.site.count("jobs opened")
        else:
            sleep(PAUSE_S)

    def go_on(self, state: JobState) -> None:
        """Do what leads to the next step, as far as it is answered; whoever came with the shift is briefed first."""
        if state.stage is Stage.OPEN and state.place and state.crew.member(self.cast.eyes.id) is None:
            self.do(Acknowledge(Part.WORK, "I know the cuts and when to stop."), self.cast.eyes, state)
        for command, by in commands_for(state, self.cast):
            sleep(self.site.think_s)
            if self.do(command, by, state) is not Outcome.OK:
                return
        if state.due is None and state.submitted is None:
            self.account()
            self.do(Submit("the permit desk"), self.cast.lead, state)

    def account(self) -> None:
        """Enter why the packages were not weighed: in the site's ledger, so that no mark of a job tells of it."""
        path, by = f"/jobs/{self.job}/packages", self.cast.lead
        status, page = self.other.look(by, path)
        names = PACKAGES.findall(page.decode()) if status == http.HTTPStatus.OK else []
        form = urlencode({**dict.fromkeys(names, "on"), "no_scale": "no scale in the soak"})
        self.other.ask(by, "POST", f"{path}/facts", form, "application/x-www-form-urlencoded")

    def do(self, command: Command, by: Who, state: JobState) -> Outcome:
        """Let a person do something at their tablet, and note when it was taken."""
        outcome = self._done(command, by, state)
        if outcome is Outcome.OK:
            self.since = monotonic()
        return outcome

    def _done(self, command: Command, by: Who, state: JobState) -> Outcome:
        tablet = self.hand if by.id == self.cast.hands.id else self.other
        crew = state.crew
        if isinstance(command, BRIEFED) and crew.enforced and not (crew.member(by.id) or by.id in crew.signers):
            part = Part.RELEASE if by.role is Role.LEAD else Part.WORK
            self._done(Acknowledge(part, "I know where the work may rest."), by, state)
        if isinstance(command, Finish) and (step := state.step(command.step)) is not None:
            command = replace(command, answers=self._with_photos(step, command, tablet))
        if isinstance(command, Begin | Finish) and command.second is None:
            return tablet.mark(by, self.job, command, state.size)
        if isinstance(command, Reopen):
            self.site.count("re-openings")
        if isinstance(command, Finish) and not tablet.photos_there(by, command):
            return Outcome.UNKNOWN
        path, fields = soaked_form(command, by, self.site.secrets, state)
        return self.surely(tablet, by, f"/jobs/{self.job}/{path}", fields)

    def surely(self, tablet: Tablet, by: Who, path: str, fields: dict[str, str], *, kind: str = FORM) -> Outcome:
        """Send a form; without an answer every second time the same once more, else the page is loaded anew."""
        tablet.try_in(by)
        token = tablet.token()
        outcome = tablet.give(by, self.job, path, fields, token, kind=kind)
        again = self.chance.random() < 0.5
        for _ in range(SENDS_AGAIN):
            if outcome is not Outcome.UNKNOWN or not again or self.site.over.is_set():
                break
            sleep(PAUSE_S)
            outcome = tablet.give(by, self.job, path, fields, token, kind=kind)
        return outcome

    def _with_photos(self, step: Step, command: Finish, tablet: Tablet) -> dict[str, str]:
        answers = dict(command.answers)
        for asked in step.asks_at("finish"):
            if asked.ask.kind == "photo" and (asked.ask.required or self.chance.random() < 0.5):
                picture = png(4, 3) + self.chance.randbytes(PHOTO_BYTES)
                name = sha256(picture).hexdigest()
                tablet.pictures[name] = picture
                answers[asked.ask.id] = name
                self.site.count("photos")
        return answers

    # --- out of reach ---------------------------------------------------------------------------------

    def keep_on(self) -> None:
        """Go on without the server as far as the panels that were taken along lead, then wait for it."""
        try:
            state = self.site.ledgers.read[self.job][1]
        except KeyError:
            raise AwayError("nothing of the job was seen yet") from None
        if any(mark.job == self.job for mark in self.hand.waiting()):
            raise AwayError("what waits goes first")  # marks of an earlier absence: how the job stands is not known
        for panel in islice(ahead(state, self.cast.hands), MOST_KEPT):
            if panel.waits or len(self.hand.waiting()) >= MOST_KEPT:
                break
            step = panel.state.step(panel.step)
            assert step is not None
            by_hand = [command for command, by in commands_for(panel.state, self.cast)
                       if isinstance(command, Begin | Finish) and by.id == self.cast.hands.id]  # fmt: skip
            command = next((item for item in by_hand if isinstance(item, Begin) == (panel.act == "begin")), None)
            if command is None:
                break
            if isinstance(command, Finish):
                command = replace(command, answers=self._with_photos(step, command, self.hand))
            self.hand.mark(self.cast.hands, self.job, command, state.size)
            if not self.hand.waiting():
                return
            self.site.count("marks kept")
            sleep(PAUSE_S)
        raise AwayError("the server is out of reach")

    # --- shifts, ends ---------------------------------------------------------------------------------

    def relieved(self, state: JobState) -> bool:
        """At the end of a shift leave the work and let the next one take it over."""
        assert self.shift is not None
        now = self.site.shifts[self.site.shift % len(self.site.shifts)]
        if now is self.shift:
            return False
        if state.stage is Stage.OPEN and state.due is not None:
            seen = looks_as_recorded(suspend_looks(state))
            permit = ("suspended", "the permit desk") if state.permit_until else ("", "")
            self.do(
                Suspend("shift_end", seen, "the next shift", "Go on with the step that is due.", *permit),
                self.cast.lead, state,
            )  # fmt: skip
            return True
        if state.stage is not Stage.SUSPENDED:
            return False  # whoever has the work ends what is under way
        there = [one.cast.hands for one in self.site.shifts if one.cast.hands.id in on_the_job(state)]
        leaving = [who for who in there if who.id not in {*state.leaving.gone, now.cast.hands.id}]
        if not leaving and now.cast.hands.id in state.leaving.gone:
            return False
        self.shift = now
        if leaving and self.do(TakeOver(leaving[-1], ()), self.cast.hands, state) is Outcome.OK:
            self.site.count("hand-overs")
        return True

    def finished(self, state: JobState) -> bool:
        """Carry a job whose steps are done through review; keep its record."""
        if state.submitted is None:
            if state.due is not None and not state.paper.blanks and self.chance.random() < 0.01:
                self.do(PrintBlank(), self.cast.hands, state)
                self.site.count("blanks")
            return False
        officer = self.cast.officer
        status, page = self.other.look(officer, f"/jobs/{self.job}/review")
        for of_site, entry in UNREAD.findall(page.decode()) if status == http.HTTPStatus.OK else ():
            fields = {"entry": entry, **({"of": "site"} if of_site else {})}
            self.surely(self.other, officer, f"/jobs/{self.job}/exceptions", fields, kind=OPENING)
        signed = {"person": officer.id, "secret": self.site.secrets[officer.id]}
        if self.surely(self.other, officer, f"/jobs/{self.job}/accept", signed) is Outcome.OK:
            self.put_by()
        return True

    def put_by(self) -> None:
        """Be done with a job whose record is signed: the tablets let go of their copies."""
        self.site.count("jobs accepted")
        for tablet in (self.hand, self.other):
            tablet.drain()
            tablet.forget(self.job)
        self.job = ""

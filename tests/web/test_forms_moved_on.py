"""Forms that were shown before the job moved on, and forms with ids of another job: refused, and nothing is written."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest
from httpx2 import Response

from app.domain.commands import (
    Begin,
    Command,
    ExplainStop,
    Finish,
    Late,
    OpenException,
    Release,
    Reopen,
    StopWork,
    Submit,
)
from app.domain.crew import Acknowledge, ConfirmPause, Part
from app.domain.event_base import Who
from app.domain.field_change import NewWords, ProposeChange
from app.domain.job import JobState, Stage
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, ReturnToWork, TakeOver
from app.domain.locks import LockPoint, PutOwnLockOn, UnlockPoint
from app.domain.paper import PrintBlank
from app.domain.radio import ReleaseByRadio
from app.domain.steps import Step
from app.services.rehearsal import commands_for, looks_as_recorded, made_up_answers
from tests.web.desk import SECRETS, TOKENS, Clock, Desk
from tests.web.forms import forms_of
from tests.web.test_every_form import changing, leaving, sentence_on, written

WENT, REFUSED = 303, (403, 409, 422)
MOVED_ON = (
    "done already",
    "was begun by",
    "locked already",
    "spoken at this pause already",
    "No lock is on",
    "no step is due",
)
"""What is said of a form of the step in hand that was quicker elsewhere."""
BY_THE_PANEL = ("marks", "release", "pause", "rows")


def state_of(desk: Desk, job: str) -> JobState:
    """Return the job as it stands."""
    return desk.running.site.jobs.state(job)


def due(desk: Desk, job: str) -> str:
    """Return the id of the step that is due."""
    step = state_of(desk, job).due
    assert step is not None
    return step.id


def refused(desk: Desk, jobs: list[str], send: Callable[[], Response], words: tuple[str, ...] = ("",)) -> str:
    """Send what must be refused with a sentence; return what is wrong with the answer, or nothing.

    words: of which the sentence has to hold some.
    """
    before = written(desk, {job: job for job in jobs})
    answer = send()
    told = sentence_on(answer.text)
    if answer.status_code not in REFUSED or len(told) < 15 or not any(word in told for word in words):
        return f"{answer.status_code} {sentence_on(answer.text)!r}"
    if written(desk, {job: job for job in jobs}) != before:
        return f"written: {written(desk, {job: job for job in jobs})[len(before) :]}"
    return ""


# --- the panel: the same form open on two screens, one of which was quicker ------------------------------------


def typed(command: Command) -> dict[str, str]:
    """Return what people enter into the form of the step in hand."""
    match command:
        case Begin() | Finish():
            answers = {f"a.{name}": text for name, text in command.answers.items()}
            second = command.second
            told = {"second": second.id, "second_secret": SECRETS[second.name]} if second else {}
            return answers | told
        case LockPoint():
            return {
                "point": command.point,
                "seen": command.seen,
                "lock": command.lock,
                "tag_number": command.tag_number,
            }
        case UnlockPoint():
            return {"point": command.point}
        case ConfirmPause():
            return {f"aloud.{person}": "on" for person in command.aloud}
        case _:
            return {}


def shown(desk: Desk, job: str, by: Who, command: Command) -> dict[str, str]:
    """Return the form of the step in hand as this person is shown it now and fills it in, with where it goes."""
    page = desk.get(by, f"/jobs/{job}/now").text
    (form,) = [form for form in forms_of(page) if form.action.rsplit("/", 1)[-1] in BY_THE_PANEL]
    fields: dict[str, str] = {}
    fields |= {name: form.fields[name] for name in ("token", "step", "act", "point") if name in form.fields}
    fields |= {"device_at": "", "note": ""}
    if isinstance(command, Release):
        return fields | {"to": form.action, "person": by.id, "secret": SECRETS[by.name]}
    return fields | {"to": form.action} | typed(command)


def send(desk: Desk, by: Who, form: dict[str, str]) -> Response:
    """Send a form that was shown."""
    return desk.client(by).post(form["to"], data={name: text for name, text in form.items() if name != "to"})


def of_the_panel(command: Command) -> bool:
    """Whether a command is given with the form of the step in hand."""
    return isinstance(command, Begin | Finish | Release | ConfirmPause | LockPoint | UnlockPoint)


@pytest.mark.parametrize("tag", ["EF-07"])
def test_a_form_of_the_step_in_hand_is_good_once_and_refused_when_the_job_has_moved_on(desk: Desk, tag: str) -> None:
    """Through a whole change-out each form is open twice: the first moves the job on, the second is told so."""
    job, sent, wrong = desk.open_job(tag), set[str](), []
    while (state := state_of(desk, job)).due is not None:
        for command, by in commands_for(state, desk.cast()):
            if not of_the_panel(command):
                desk.do(job, command, by)
                continue
            first, again = shown(desk, job, by, command), shown(desk, job, by, command)
            assert first["token"] != again["token"]
            answer = send(desk, by, first)
            assert answer.status_code == WENT, (command, sentence_on(answer.text))
            sent.add(first["to"].rsplit("/", 1)[-1])
            if told := refused(desk, [job], partial(send, desk, by, again), MOVED_ON):
                wrong.append((command, told))
        assert state_of(desk, job).size < 2_000

    assert wrong == []
    assert sent == set(BY_THE_PANEL)


# --- every other form of a job: sent as people send it, then once more ------------------------------------------


@dataclass(frozen=True)
class Sent:
    """One form of a job as a person sends it: by whom, where below the job, and its fields."""

    by: Who
    place: str
    fields: dict[str, str]

    def to(self, desk: Desk, job: str) -> Response:
        """Send it to a job, with a token of its own."""
        return desk.client(self.by).post(
            f"/jobs/{job}/{self.place}", data={"token": f"{next(TOKENS):032}", **self.fields}
        )


def secret(who: Who) -> dict[str, str]:
    """Return what somebody signs with."""
    return {"person": who.id, "secret": SECRETS[who.name]}


@dataclass(frozen=True)
class Ways:
    """How a job of a site is brought to where a form is shown, and what a person sends there."""

    desk: Desk

    @property
    def hands(self) -> Who:
        """The technician who works."""
        return self.desk.cast().hands

    @property
    def lead(self) -> Who:
        """The lead who did not open the jobs."""
        return self.desk.cast().lead

    def due(self, job: str) -> Step:
        """Return the step that is due."""
        step = state_of(self.desk, job).due
        assert step is not None
        return step

    def nothing(self, job: str) -> None:
        """Leave a job as it was opened."""

    def bare(self, job: str) -> None:
        """Stop a job and say nothing."""
        self.desk.do(job, StopWork(), self.hands)

    def stopped(self, job: str) -> None:
        """Stop a job at the bag and say why."""
        self.desk.work_until(job, "Twist the bag")
        self.bare(job)
        self.desk.do(job, ExplainStop("unexpected", "a sound"), self.hands)

    def left(self, job: str) -> None:
        """Leave a job."""
        self.desk.work_until(job, "Agree the PPE")
        self.desk.do(job, leaving(self.desk, job), self.hands)

    def to_read(self, job: str) -> None:
        """Leave a job and come back."""
        self.left(job)
        self.desk.do(job, ReturnToWork(), self.hands)

    def walked_down(self, job: str) -> None:
        """Hand a job over as far as the signatures."""
        self.left(job)
        eyes = self.desk.cast().eyes
        self.desk.do(job, TakeOver(self.hands, tuple(DOCUMENTS)), eyes)
        state = self.desk.do(job, ReadNext(), eyes)
        self.desk.do(job, AnswerLooks(looks_as_recorded(state.rechecks)), eyes)

    def owned(self, job: str) -> None:
        """Let somebody put their own lock on."""
        self.desk.do(job, PutOwnLockOn("P-7"), self.desk.cast().eyes)

    def finished(self, job: str) -> None:
        """Do all the work."""
        self.desk.work_until(job, "no step has these words")

    def in_review(self, job: str) -> None:
        """Do all the work, hand the record to review and open every exception."""
        self.finished(job)
        for item in self.desk.do(job, Submit(), self.lead).unread:
            self.desk.do(job, OpenException(item.seq), self.desk.cast().officer)

    def looks(self, job: str) -> Sent:
        """Re-open a job; what is looked at then, all of one screen."""
        self.stopped(job)
        state = self.desk.do(job, Reopen("a lift"), self.lead)
        together = [item for item in state.rechecks if item.group == state.rechecks[0].group]
        return Sent(self.hands, "looks", {f"a.{name}": text for name, text in looks_as_recorded(together).items()})

    def suspend(self, job: str) -> Sent:
        """What is said when the work is left."""
        self.desk.work_until(job, "Agree the PPE")
        seen = {f"a.{name}": text for name, text in leaving(self.desk, job).seen.items()}
        fields = {"reason": "break", "told": "control room", "next_thing": "agree", "permit": "in_force"}
        return Sent(self.hands, "suspend", fields | seen)

    def change(self, job: str) -> Sent:
        """Other words for the step in hand."""
        self.desk.work_until(job, "Stop fan")
        words = {"text": "Stop the fan at its starter.", "note": "", "reason": "no remote stop"}
        return Sent(self.hands, "changes", {"step": self.due(job).id, **words})

    def settled(self, job: str, place: str, **fields: str) -> Sent:
        """A change that waits, approved or declined."""
        self.desk.work_until(job, "Stop fan")
        self.desk.do(job, changing(self.desk, job), self.hands)
        number = state_of(self.desk, job).changes.all[-1].proposed.number
        return Sent(self.lead, place, {"number": number, **fields})

    def aside(self, job: str) -> Sent:
        """A step that does not apply."""
        self.desk.work_until(job, "Compare the new filters")
        return Sent(self.lead, "aside", {"step": self.due(job).id, "reason": "no other type", **secret(self.lead)})

    def radio(self, job: str) -> Sent:
        """A release by voice."""
        sender, step = self.desk.named("lead"), self.due_at(job, "Release the closing")
        self.desk.do(job, Acknowledge(Part.RELEASE, "I release it once the bag is rolled."), sender)
        fields = {"step": step.id, "housing": "EF-03", "port": step.port or "", "confirmed": "yes"}
        return Sent(self.lead, "radio", {**fields, "person": sender.id})

    def due_at(self, job: str, words: str) -> Step:
        """Work up to a step and return it."""
        self.desk.work_until(job, words)
        return self.due(job)

    def radio_sign(self, job: str) -> Sent:
        """The signature under a release by voice."""
        sender, said = self.desk.named("lead"), self.radio(job).fields
        self.desk.do(job, ReleaseByRadio(said["step"], sender, "EF-03", said["port"], confirmed=True), self.lead)
        entry = str(state_of(self.desk, job).unsigned[0].seq)
        return Sent(sender, "radio/sign", {"entry": entry, **secret(sender)})

    def way_out(self, job: str) -> Sent:
        """The steps kept ready for a failed test."""
        self.desk.work_until(job, "Test the HEPA")
        self.desk.answer(job, self.hands, downstream="0.9")
        opened = self.desk.go_on(job).opened
        assert opened is not None
        ways = opened.ways_out or ()
        return Sent(self.lead, "way-out", {"way_out": ways[0].id, "reason": "an uneven mark"})

    def contests(self, job: str) -> Sent:
        """Two accounts that differ, settled."""
        step = self.due_at(job, "Twist the bag")
        answers = made_up_answers(step)
        self.desk.do(job, Finish(step.id, answers), self.hands)
        late = Late(Finish(step.id, answers | {"length": "222"}), state_of(self.desk, job).size)
        state = self.desk.do(job, late, self.desk.cast().eyes)
        assert state.contests
        entries = {f"entry.{item.seq}": "on" for item in state.contests}
        return Sent(self.lead, "contests", {"holds": "yes", "reason": "looked at both", **entries})

    def blank(self, job: str) -> Sent:
        """A blank that is accounted for."""
        self.desk.work_until(job, "Stop fan")
        self.desk.do(job, PrintBlank(), self.hands)
        return Sent(self.hands, "blanks/1/reconciled", {"how": "voided", "reason": "rained on", "photo": ""})

    def question(self, job: str) -> Sent:
        """The answer about a deviation."""
        self.stopped(job)
        self.desk.go_on(job)
        step = self.due_at(job, "Ask the crew")
        state = self.desk.do(job, Finish(step.id, made_up_answers(step)), self.hands)
        told = {"differed": "a sound", "why": "a lift", "change": "none"}
        return Sent(self.hands, "questions", {"entry": str(state.unanswered[0].seq), **told})

    def trial(self, job: str) -> Sent:
        """A damper that is to be moved."""
        self.desk.work_until(job, "Verify that fan")
        fields = {"part": "clear", "point": "upstream", "seen": "nobody near"}
        return Sent(self.desk.named("lead"), "trial", fields)

    def after(self, acts: Callable[[str], None], by: Who, place: str, **fields: str) -> Callable[[str], Sent]:
        """Return what is sent after these acts."""

        def bring(job: str) -> Sent:
            acts(job)
            return Sent(by, place, fields)

        return bring

    def all(self) -> dict[str, Callable[[str], Sent]]:
        """Return every way by its name."""
        hands, lead, opener = self.hands, self.lead, self.desk.named("lead")
        eyes, officer, after = self.desk.cast().eyes, self.desk.cast().officer, self.after
        seen = {f"document.{name}": "on" for name in DOCUMENTS}
        away = {
            "lock": "P-7", "off_site": "badge", "telling": "by phone", "attempt-1-at": "2026-03-02T07:05",
            "attempt-1-how": "rang", "officer": officer.id, "officer_secret": SECRETS[officer.name], **secret(lead),
        }  # fmt: skip
        torn = {"chosen": "bag-torn|P1|", "reason": "a tear", **secret(lead)}
        return {
            "stop reason": after(self.bare, hands, "stop-reason", reason="unexpected", text="a sound"),
            "re-open": after(self.stopped, lead, "reopen", answer="a lift", extra="", **secret(lead)),
            "contingency": after(self.stopped, lead, "contingencies", **torn),
            "looks": self.looks,
            "suspend": self.suspend,
            "resume": after(self.left, hands, "resume"),
            "read next": after(self.to_read, hands, "next-read"),
            "hand over": after(self.left, eyes, "handover", outgoing=hands.id, **seen),
            "sign hand-over": after(
                self.walked_down, eyes, "handover-signature", part="outgoing", **secret(hands)
            ),
            "change": self.change,
            "approve": partial(self.settled, place="changes/approve", **secret(lead)),
            "decline": partial(self.settled, place="changes/decline", reason="the tape has come"),
            "set aside": self.aside,
            "radio": self.radio,
            "sign radio": self.radio_sign,
            "way out": self.way_out,
            "accounts differ": self.contests,
            "blank": self.blank,
            "own lock off": after(self.owned, eyes, "own-locks", act="off", lock="P-7"),
            "own lock on": after(self.finished, eyes, "own-locks", act="on", lock="P-8"),
            "removal": after(self.owned, lead, "removals", **away),
            "trial": self.trial,
            "question": self.question,
            "submit": after(self.finished, lead, "submit", permit_back="the permit desk", **secret(lead)),
            "accept": after(self.in_review, officer, "accept", **secret(officer)),
            "return": after(self.in_review, officer, "return", reason="an instrument number is missing"),
            "brief": after(self.nothing, lead, "brief", part="work", words="I watch the ring.", **secret(lead)),
            "leave crew": after(self.nothing, opener, "crew/left", person=eyes.id, reason="called away"),
        }  # fmt: skip


TWICE = (
    "stop reason", "re-open", "contingency", "looks", "suspend", "resume", "read next", "hand over", "sign hand-over",
    "change", "approve", "decline", "set aside", "radio", "sign radio", "way out", "accounts differ", "blank",
    "own lock off", "own lock on", "removal", "trial", "question", "submit", "accept", "return", "brief", "leave crew",
)  # fmt: skip


@pytest.fixture(scope="module")
def moved(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Desk, dict[str, tuple[str, Sent, int]]]]:
    """A site where each of these forms was sent once, by a person as it is meant, to a job of its own."""
    desk = Desk.at(Path(tmp_path_factory.mktemp("moved")), Clock())
    found = {}
    for name, bring in Ways(desk).all().items():
        job = desk.open_job()
        form = bring(job)
        found[name] = (job, form, form.to(desk, job).status_code)
    for number in desk.running.site.jobs.site().lock_notices:
        assert desk.post(desk.cast().eyes, "/notices", notice=str(number)).status_code == WENT
    yield desk, found
    desk.running.close()


def test_each_of_these_forms_is_taken_when_it_is_meant(
    moved: tuple[Desk, dict[str, tuple[str, Sent, int]]],
) -> None:
    """Otherwise a refusal of what comes later would prove nothing."""
    _, found = moved

    assert {name: status for name, (_, _, status) in found.items() if status != WENT} == {}
    assert tuple(found) == TWICE


@pytest.mark.parametrize("name", TWICE)
def test_a_form_that_was_shown_before_the_job_moved_on_is_refused(
    moved: tuple[Desk, dict[str, tuple[str, Sent, int]]], name: str
) -> None:
    """The same form from another screen, filled in alike: the job is elsewhere now, and the sentence says so."""
    desk, found = moved
    job, form, _ = found[name]

    assert refused(desk, [job], partial(form.to, desk, job)) == ""


def test_none_of_these_forms_is_taken_by_an_accepted_record_or_by_another_jobs_stage(
    moved: tuple[Desk, dict[str, tuple[str, Sent, int]]],
) -> None:
    """Sent to a job whose record was accepted, with ids of the job that it was shown for."""
    desk, found = moved
    accepted, _, _ = found["accept"]
    assert state_of(desk, accepted).stage is Stage.ACCEPTED
    good_there = {"re-open"}  # an accepted record is re-opened by a lead, with a signature

    wrong = {
        name: told
        for name, (_, form, _) in found.items()
        if name not in good_there and (told := refused(desk, [accepted], partial(form.to, desk, accepted)))
    }

    assert wrong == {}


# --- ids of another job in a body ------------------------------------------------------------------------------


def test_an_id_of_another_job_in_a_form_is_refused_and_touches_neither(desk: Desk) -> None:
    """Two jobs at the same stage; what names the first one's change, entry, lock, blank or package is no good here."""
    hands, eyes, lead = desk.cast().hands, desk.cast().eyes, desk.cast().lead
    mine, other = desk.open_job(), desk.open_job("EF-07")
    desk.do(mine, PutOwnLockOn("P-7"), eyes)
    for job in (mine, other):
        desk.work_until(job, "Stop fan")
        desk.do(job, PrintBlank(), hands)
        desk.do(job, changing(desk, job), hands)
    for _ in range(3):
        desk.do(other, StopWork(), hands)
        desk.do(other, ExplainStop("unexpected", "a sound"), hands)
        desk.go_on(other)
    theirs = state_of(desk, mine)
    number = theirs.changes.all[-1].proposed.number
    step = next(step.id for step in theirs.steps if state_of(desk, other).step(step.id) is None)
    entry = next(item.seq for item in state_of(desk, other).notables if item.seq >= theirs.size)
    jobs = [mine, other]
    sent = {
        "approve": Sent(lead, "changes/approve", {"number": number, **secret(lead)}),
        "decline": Sent(lead, "changes/decline", {"number": number, "reason": "not here"}),
        "own lock off": Sent(eyes, "own-locks", {"act": "off", "lock": "P-7"}),
        "mark": Sent(hands, "marks", {"step": step, "act": "begin"}),
        "set aside": Sent(lead, "aside", {"step": step, "reason": "not needed", **secret(lead)}),
        "row": Sent(hands, "rows", {"act": "off", "step": step, "point": "upstream"}),
        "correction": Sent(hands, "corrections", {"step": step, "ask": "seen", "now": "1", "reason": "no"}),
        "taken back": Sent(hands, "withdrawals", {"step": step, "reason": "no"}),
        "change": Sent(hands, "changes", {"step": step, "text": "Stop it.", "note": "", "reason": "no"}),
        "note at a step": Sent(hands, "log", {"text": "a lamp flickers", "step": step}),
    }  # fmt: skip
    wrong = {name: told for name, form in sent.items() if (told := refused(desk, jobs, partial(form.to, desk, other)))}

    late = {
        "question": Sent(hands, "questions", {"entry": str(entry), "differed": "a", "why": "b", "change": "c"}),
        "note after": Sent(hands, "log", {"text": "a lamp flickers", "follows": str(entry)}),
        "sign radio": Sent(lead, "radio/sign", {"entry": str(entry), **secret(lead)}),
        "contests": Sent(lead, "contests", {f"entry.{entry}": "on", "holds": "yes", "reason": "both"}),
        "blank": Sent(hands, "blanks/2/reconciled", {"how": "voided", "reason": "rained on", "photo": ""}),
    }
    wrong |= {name: told for name, form in late.items() if (told := refused(desk, jobs, partial(form.to, desk, mine)))}

    assert wrong == {}


def test_a_package_or_an_exception_of_another_job_is_refused(desk: Desk) -> None:
    """Weights, closures, places and what is lost are entered at the job whose package it is; exceptions likewise.

    Each form is then sent to its own job and taken, so that nothing but the job was wrong with it.
    """
    hands, eyes, lead = desk.named("technician"), desk.named("technician", 1), desk.named("lead", 1)
    mine, other = desk.open_job(), desk.open_job("EF-07")
    desk.work_until(mine, "Stop fan")
    desk.do(mine, StopWork(), hands)
    desk.do(mine, ExplainStop("unexpected", "a sound"), hands)
    desk.go_on(mine)
    for job in (mine, other):
        desk.work_until(job, "no step has these words", accounted=job == other)
    desk.do(other, Submit(), lead)
    package = f"{mine.removeprefix('job-')}/1"
    others = {item.seq for item in state_of(desk, other).notables}
    entry = next(item.seq for item in state_of(desk, mine).notables if item.seq not in others)
    lost = {"package": package, "how": "lost", "reason": "not on the cart", "answers": "B. Okafor"}
    sent = {
        "excused": Sent(lead, "packages/excused", {"package": package, "reason": "no scale that day"}),
        "facts": Sent(hands, "packages/facts", {f"p.{package}": "on", "weight": "12.5"}),
        "weights": Sent(hands, "packages/weights", {f"kg.{package}": "13.5"}),
        "closure": Sent(eyes, "packages/closure", {"package": package, "whole": "yes", "seen": "taped"}),
        "placed": Sent(hands, "packages/placed", {f"p.{package}": "on", "place": "the yard", "answers": "B. Okafor"}),
        "missing": Sent(lead, "packages/missing", lost),
        "exception": Sent(desk.named("safety officer"), "exceptions", {"entry": str(entry)}),
    }

    wrong = {
        name: told
        for name, form in sent.items()
        if (told := refused(desk, [mine, other], partial(form.to, desk, other)))
    }
    taken = {name: sent[name].to(desk, mine).status_code for name in sent if name != "exception"}
    number = mine.removeprefix("job-")
    for place in range(2, 9):
        excuse = Sent(lead, "packages/excused", {"package": f"{number}/{place}", "reason": "no scale that day"})
        excuse.to(desk, mine)
    desk.do(mine, Submit(), lead)
    taken["exception"] = sent["exception"].to(desk, mine).status_code

    assert wrong == {}
    assert taken == dict.fromkeys(sent, WENT)


def test_a_form_filled_in_before_the_day_ended_is_refused_by_the_permit_of_that_day(desk: Desk, clock: Clock) -> None:
    """A release that was shown while the permit held and is sent after it ran out releases nothing."""
    hands, officer, job = desk.named("technician"), desk.named("safety officer"), desk.open_job()
    desk.work_until(job, "Record the PPE")
    desk.answer(job, hands, **{"permit-until": "2026-03-02"})
    desk.work_until(job, "Release the opening")
    form = shown(desk, job, officer, Release(due(desk, job)))
    clock.now += timedelta(days=1)
    desk.clients.clear()  # sessions have locked meanwhile

    assert refused(desk, [job], partial(send, desk, officer, form)) == ""


def test_words_changed_meanwhile_are_shown_before_the_old_form_is_taken(desk: Desk) -> None:
    """A mark whose form was shown before a change of the step waited is refused until the change is settled."""
    hands, job = desk.named("technician"), desk.open_job()
    desk.work_until(job, "Twist the bag")
    step = state_of(desk, job).due
    assert step is not None
    form = shown(desk, job, hands, Finish(step.id, made_up_answers(step)))
    desk.do(job, ProposeChange(step.id, NewWords(text="Twist the bag above the fold."), "the fold"), desk.cast().eyes)

    assert refused(desk, [job], partial(send, desk, hands, form)) == ""

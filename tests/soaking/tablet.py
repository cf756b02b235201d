"""A tablet by the rules of `static/js/kept`, over a real line: what it sends, keeps, sends again and puts back."""

import http.client
import json
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from random import Random
from time import monotonic
from typing import Any
from urllib.parse import urlencode

from app.domain.commands import Begin, Finish
from app.domain.event_base import Who
from app.records.moments import utc_text
from tests.soaking.history import FORM, KEPT, MARK, STOP, History, Outcome
from tests.soaking.line import HOST
from tests.spacing.talk import Talk

BATCH = 50
PART = 256 * 1024
PATIENCE_S = 8
LINE_NAME = re.compile(rb'<body data-line="([^"]*)"')
TOLD = re.compile(r"data-told>([^<]+)")
AWAY = ("/signin", "/locked", "/notices", "/secret")
FORM_KIND = "application/x-www-form-urlencoded"


class AwayError(Exception):
    """The server is out of reach of this tablet, or has no answer for it now."""


@dataclass(frozen=True, slots=True)
class KeptMark:
    """A mark on the tablet, with what `static/js/kept/keep.js` keeps of it.  act: begin, finish or stop."""

    n: int
    job: str
    who: Who
    act: str
    step: str
    answers: dict[str, str]
    token: str
    device_at: str
    seen: int
    line: str
    before: int
    before_token: str
    photos: tuple[str, ...] = ()
    state: str = "kept"
    told: str = ""
    under: str = ""
    acknowledged: bool = False

    @property
    def sent(self) -> dict[str, Any]:
        """What is sent of it."""
        return {"n": self.n, "act": self.act, "step": self.step, "answers": self.answers, "token": self.token,
                "device_at": self.device_at, "seen": self.seen, "line": self.line, "acknowledged": self.acknowledged,
                "before": self.before, "before_token": self.before_token}  # fmt: skip


@dataclass
class Acks:
    """When answers came, by tablet, and how long those to marks and to an empty page (pulse) took; of all threads."""

    times: list[tuple[float, str]] = field(default_factory=list)
    marks: list[tuple[float, float]] = field(default_factory=list)
    pulse: list[tuple[float, float]] = field(default_factory=list)

    def after(self, moment: float, tablets: frozenset[str]) -> float | None:
        """Return how long after a moment one of these tablets had its first answer; None if none has."""
        found = (at - moment for at, tablet in reversed(self.times) if at >= moment and tablet in tablets)
        return min(found, default=None)


@dataclass
class Tablet:
    """One tablet: sessions of the people who use it, the marks it keeps, its clock and its line."""

    name: str
    port: int
    secrets: dict[str, str]
    history: History
    acks: Acks
    chance: Random
    clock_off: timedelta = timedelta()
    line: str = ""
    counter: int = 0
    marks: list[KeptMark] = field(default_factory=list)
    talks: dict[str, Talk] = field(default_factory=dict)
    pictures: dict[str, bytes] = field(default_factory=dict)

    def clock(self) -> str:
        """What its clock says."""
        return utc_text(datetime.now(UTC) + self.clock_off)

    def token(self) -> str:
        """Make a token for one form."""
        return f"{self.chance.getrandbits(128):032x}"

    def waiting(self) -> list[KeptMark]:
        """Return what is not on the server, oldest first."""
        return [mark for mark in self.marks if mark.state == "kept"]

    # --- talking ------------------------------------------------------------------------------------

    def ask(
        self, who: Who, method: str, path: str, body: bytes | str | None = None, kind: str = ""
    ) -> tuple[int, bytes, str]:
        """Ask once in a person's session, signing in first where there is none; raise AwayError without an answer.

        Return status, body and where the answer leads.
        """
        talk = self.talks.get(who.id) or Talk(HOST, self.port, self.name, timeout_s=PATIENCE_S)
        self.talks[who.id] = talk
        if not talk.cookie:
            self._sign_in(talk, who)
        try:
            status, data = talk.ask(method, path, body, kind)
        except (OSError, http.client.HTTPException) as error:
            raise AwayError(str(error)) from error
        if status == http.HTTPStatus.LOCKED or (status == http.HTTPStatus.SEE_OTHER and talk.led_to.startswith(AWAY)):
            talk.cookie = ""
        elif status < http.HTTPStatus.INTERNAL_SERVER_ERROR:
            self.acks.times.append((monotonic(), self.name))
        self._learn_line(data)
        return status, data, talk.led_to

    def _sign_in(self, talk: Talk, who: Who) -> None:
        form = urlencode({"person": who.id, "secret": self.secrets[who.id], "tablet": self.name})
        try:
            status, _ = talk.ask("POST", "/signin", form, FORM_KIND)
            if status != http.HTTPStatus.SEE_OTHER or not talk.cookie:
                raise AwayError(f"sign-in: {status}")
            first, page = talk.ask("GET", "/")
        except (OSError, http.client.HTTPException) as error:
            talk.cookie = ""
            raise AwayError(str(error)) from error
        if first != http.HTTPStatus.OK:
            talk.cookie = ""
            raise AwayError(f"first page: {first}")
        self._learn_line(page)

    def _learn_line(self, page: bytes) -> None:
        """Put what was acknowledged on another line of entries among what waits, as `recover.js` does with a page."""
        found = LINE_NAME.search(page)
        if found is None or (line := found[1].decode()) == self.line:
            return
        self.line = line
        self.marks = [
            replace(mark, state="kept", acknowledged=True) if mark.state == "taken" and mark.under != self.line
            else mark for mark in self.marks
        ]  # fmt: skip

    def look(self, who: Who, path: str) -> tuple[int, bytes]:
        """Open a page, signing in again if the session is over; raise AwayError for no answer or none of use.

        A browser asks once more where the server had closed a line that rested, and so does this.
        """
        for turn in range(3):
            try:
                status, data, led_to = self.ask(who, "GET", path)
            except AwayError:
                if turn:
                    raise
                continue
            if status >= http.HTTPStatus.INTERNAL_SERVER_ERROR:
                raise AwayError(f"{path}: {status}")
            if not (status == http.HTTPStatus.SEE_OTHER and led_to.startswith(AWAY)) and status != LOCKED:
                return status, data
        raise AwayError(f"{path} leads to {led_to}")

    def try_in(self, who: Who) -> None:
        """See a page before anything is marked, if nobody is signed in here, and send first what that puts back."""
        if who.id not in self.talks or not self.talks[who.id].cookie:
            with suppress(AwayError):
                self.look(who, "/")
                self.drain()

    # --- asking for something ------------------------------------------------------------------------

    def give(self, who: Who, job: str, path: str, fields: dict[str, str], token: str, *, kind: str = FORM) -> Outcome:
        """Send a form once and note in the history what came of it."""
        self.history.asked(self.name, job, token, kind)
        form = urlencode({**fields, "token": token, "device_at": self.clock()})
        begun = monotonic()
        try:
            status, data, led_to = self.ask(who, "POST", path, form, FORM_KIND)
        except AwayError:
            self.history.told(token, Outcome.UNKNOWN)
            return Outcome.UNKNOWN
        if status >= http.HTTPStatus.INTERNAL_SERVER_ERROR:
            self.history.told(token, Outcome.UNKNOWN, f"{status}")
            return Outcome.UNKNOWN
        if status == http.HTTPStatus.SEE_OTHER and not led_to.startswith(AWAY):
            if kind == MARK:
                self.acks.marks.append((begun, monotonic() - begun))
            self.history.told(token, Outcome.OK, held=kind in {MARK, STOP})
            return Outcome.OK
        told = " ".join(TOLD.findall(data.decode("utf-8", "replace"))) or _told(data)
        self.history.told(token, Outcome.REFUSED, f"{status} {led_to} {told}".strip())
        return Outcome.REFUSED

    def mark(self, who: Who, job: str, act: Begin | Finish | None, seen: int) -> Outcome:
        """Make a mark, or press STOP (None): straight to the server, kept if others wait or no answer comes."""
        self.try_in(who)
        kept = self._kept(who, job, act, seen)
        waits = any(mark.job == job for mark in self.waiting())
        if not waits:
            path, fields = f"/jobs/{job}/stop", {}
            if act is not None:
                path = f"/jobs/{job}/marks"
                fields = {
                    "act": kept.act,
                    "step": kept.step,
                    **{f"a.{name}": told for name, told in kept.answers.items()},
                }
            outcome = Outcome.UNKNOWN
            if self._photos_there(who, kept.photos):
                outcome = self.give(who, job, path, fields, kept.token, kind=STOP if act is None else MARK)
            if outcome is Outcome.REFUSED:
                return outcome
            if outcome is Outcome.OK:
                self.marks.append(replace(kept, n=self._count(), state="taken", under=kept.line))
                return outcome
        self.history.asked(self.name, job, kept.token, STOP if act is None else KEPT)
        self.marks.append(replace(kept, n=self._count()))
        return Outcome.UNKNOWN

    def _kept(self, who: Who, job: str, act: Begin | Finish | None, seen: int) -> KeptMark:
        last = next((mark for mark in reversed(self.marks) if mark.job == job), None)
        answers = dict(act.answers) if act is not None else {}
        return KeptMark(
            0, job, who, "stop" if act is None else "begin" if isinstance(act, Begin) else "finish",
            act.step if act is not None else "", answers, self.token(), self.clock(), seen, self.line,
            last.n if last else 0, last.token if last else "",
            tuple(told for told in answers.values() if told in self.pictures),
        )  # fmt: skip

    def _count(self) -> int:
        self.counter += 1
        return self.counter

    # --- sending what was kept ------------------------------------------------------------------------

    def drain(self) -> bool:
        """Send what waits, oldest first, in batches of one job and person; False if something is left."""
        return all(self._send(batch) for batch in batches(self.waiting()))

    def _send(self, batch: list[KeptMark]) -> bool:
        who, job = batch[0].who, batch[0].job
        body = json.dumps({"sent_at": self.clock(), "person": who.id, "marks": [mark.sent for mark in batch]})
        try:
            if not self._photos_there(who, tuple(name for mark in batch for name in mark.photos)):
                return False
            status, data, _ = self.ask(who, "POST", f"/jobs/{job}/kept", body, "application/json")
        except AwayError:
            return False
        if status == http.HTTPStatus.UNPROCESSABLE_ENTITY and len(batch) > 1:
            return all(self._send([mark]) for mark in batch)
        if status == http.HTTPStatus.UNPROCESSABLE_ENTITY:
            self._put(replace(batch[0], state="aside", told="The server cannot read this mark."))
            self.history.told(batch[0].token, Outcome.REFUSED, _told(data))
            return True
        if status != http.HTTPStatus.OK:
            return False
        answer = json.loads(data)
        told = {item["n"]: item for item in answer["results"]}
        for mark in batch:
            item = told[mark.n]
            self._put(
                replace(mark, state="taken" if item["taken"] else "aside", told=item["told"], under=answer["line"])
            )
            self.history.told(
                mark.token, Outcome.OK if item["taken"] else Outcome.REFUSED, item["told"], held=item["taken"]
            )
        return True

    def photos_there(self, who: Who, command: Finish) -> bool:
        """Send the photos that answers name before the answers; False if one is not whole at the server."""
        return self._photos_there(who, tuple(told for told in command.answers.values() if told in self.pictures))

    def _photos_there(self, who: Who, names: tuple[str, ...]) -> bool:
        """Send photos in parts, from wherever the server stands; False if one is not whole there."""
        try:
            return all(self._photo_there(who, name) for name in names)
        except AwayError:
            return False

    def _photo_there(self, who: Who, name: str) -> bool:
        data = self.pictures[name]
        status, answer, _ = self.ask(who, "GET", f"/photos/{name}/held")
        while status == http.HTTPStatus.OK and not (held := json.loads(answer))["whole"]:
            at = held["held"]
            status, answer, _ = self.ask(
                who, "POST", f"/photos/{name}/part?at={at}&of={len(data)}", data[at : at + PART]
            )
        return status == http.HTTPStatus.OK

    def _put(self, mark: KeptMark) -> None:
        self.marks = [mark if other.token == mark.token else other for other in self.marks]

    def forget(self, job: str) -> None:
        """Let go of the copies of a job whose record is signed."""
        self.history.forgot([mark.token for mark in self.marks if mark.job == job and mark.state != "kept"])
        self.marks = [mark for mark in self.marks if mark.job != job or mark.state == "kept"]

    def end(self) -> None:
        """Close its lines."""
        for talk in self.talks.values():
            if talk.line is not None:
                talk.line.close()


LOCKED = http.HTTPStatus.LOCKED


def batches(marks: list[KeptMark]) -> Iterator[list[KeptMark]]:
    """Yield neighbours of one job and one person."""
    batch: list[KeptMark] = []
    for mark in marks:
        if batch and ((batch[0].job, batch[0].who.id) != (mark.job, mark.who.id) or len(batch) == BATCH):
            yield batch
            batch = []
        batch.append(mark)
    if batch:
        yield batch


def _told(data: bytes) -> str:
    """Return the words of an answer, cut short, for whoever reads the history."""
    return " ".join(re.sub(r"<[^>]*>", " ", data.decode("utf-8", "replace")).split())[:300]

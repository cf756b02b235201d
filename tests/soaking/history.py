"""What tablets asked and were told, and what the ledger must hold of it.

"Unknown" is an outcome of its own: whoever got no answer knows nothing; the entry may stand or not, but once at most.
"""

import json
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from threading import Lock
from typing import Self

from app.domain.events import Event


class Outcome(StrEnum):
    """What whoever asked was told at last."""

    OK = "ok"
    REFUSED = "refused"
    UNKNOWN = "unknown"


MARK, KEPT, STOP, OPENING, FORM = "mark", "kept", "stop", "opening of an exception", "form"
MAY_CHANGE_NOTHING = frozenset({STOP, OPENING})
"""A second stop, or an exception opened again, is answered and changes nothing."""
ONE_OF = ("step_begun", "step_done", "step_outside", "mark_joined", "mark_contested")
"""What a mark becomes; exactly one of them."""
EXPLAINS = ("attempt_refused", "mark_contested")
"""What may stand of a request that was refused."""


@dataclass(frozen=True, slots=True)
class Deed:
    """One request of a tablet.  n: its place among those of the tablet.

    held: the tablet keeps a copy.  owed: a restore took its entry away, and the tablet has yet to give it back.
    unanswered: it was sent once without an answer, and may have arrived then.
    """

    n: int
    tablet: str
    job: str
    token: str
    kind: str
    outcome: Outcome = Outcome.UNKNOWN
    told: str = ""
    held: bool = False
    owed: bool = False
    unanswered: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a job's ledger; body: all of it but its place and time."""

    ledger: str
    seq: int
    type: str
    token: str
    body: str

    @classmethod
    def of(cls, event: Event) -> Self:
        """Return what matters of an event."""
        body = event.model_dump_json(exclude={"seq", "at"})
        return cls(event.ledger, event.seq, event.type, event.request or "", body)


@dataclass
class History:
    """The deeds of all tablets, in memory and, a line each, in a file; used from several threads."""

    path: Path
    deeds: dict[str, Deed] = field(default_factory=dict)
    counted: Counter[str] = field(default_factory=Counter)
    _lock: Lock = field(default_factory=Lock)

    def asked(self, tablet: str, job: str, token: str, kind: str) -> None:
        """Note a request before it is sent; sent again it is the same one, perhaps kept meanwhile."""
        with self._lock:
            if (known := self.deeds.get(token)) is not None:
                self._note(replace(known, kind=kind), "asked again")
                return
            self.counted[tablet] += 1
            self._note(Deed(self.counted[tablet], tablet, job, token, kind), "asked")

    def told(self, token: str, outcome: Outcome, told: str = "", *, held: bool = False) -> None:
        """Note an answer, or that none came; what is known by an earlier answer stays known.

        A form that is refused when it is sent again may be refused because it had arrived before: that stays unknown.
        """
        with self._lock:
            known = self.deeds[token]
            if outcome is Outcome.UNKNOWN:
                self._note(replace(known, unanswered=True), str(outcome))
                return
            if outcome is Outcome.REFUSED and known.unanswered and known.kind in {FORM, OPENING}:
                self._note(replace(known, told=told), "refused when sent again")
                return
            self._note(replace(known, outcome=outcome, told=told, held=held or known.held, owed=False), str(outcome))

    def forgot(self, tokens: Iterable[str]) -> None:
        """Note that the tablets hold no copy of these any more, their record being signed."""
        with self._lock:
            for token in tokens:
                self._note(replace(self.deeds[token], held=False), "forgotten")

    def restored(self, standing: Collection[str]) -> int:
        """Note a restore: only these tokens still stand.  Return how many marks tablets owe now."""
        with self._lock:
            gone = [deed for deed in self.deeds.values()
                    if deed.outcome is Outcome.OK and deed.token not in standing]  # fmt: skip
            for deed in gone:
                self._note(replace(deed, outcome=Outcome.UNKNOWN, owed=deed.held), "taken away by a restore")
            return sum(deed.held for deed in gone)

    def _note(self, deed: Deed, what: str) -> None:
        self.deeds[deed.token] = deed
        with self.path.open("a", encoding="utf-8") as file:
            told = {"tablet": deed.tablet, "n": deed.n, "job": deed.job, "kind": deed.kind, "token": deed.token}
            file.write(json.dumps({"what": what, **told, "told": deed.told}, ensure_ascii=False) + "\n")


def wrong_in(deeds: Sequence[Deed], entries: Sequence[Entry]) -> list[str]:
    """Hold the ledger against the history; return a sentence for everything that does not fit."""
    by_token: dict[str, list[Entry]] = {}
    for entry in entries:
        if entry.token:
            by_token.setdefault(entry.token, []).append(entry)
    known = {deed.token for deed in deeds}
    found = [f"entry {item.seq} of {item.ledger} was asked for by no tablet"
             for item in entries if item.token and item.token not in known]  # fmt: skip
    for deed in deeds:
        found += _wrong_with(deed, by_token.get(deed.token, []))
    return found + list(_out_of_order(deeds, by_token))


def _wrong_with(deed: Deed, standing: list[Entry]) -> Iterator[str]:
    name = f"{deed.kind} {deed.n} of {deed.tablet} ({deed.token})"
    if deed.owed:
        yield f"{name} was taken away by a restore and never given back"
    if deed.outcome is Outcome.REFUSED:
        yield from (f"{name} was refused and stands as {item.type}" for item in standing if item.type not in EXPLAINS)
        return
    if not standing:
        if deed.outcome is Outcome.OK and deed.kind not in MAY_CHANGE_NOTHING:
            yield f"{name} was acknowledged and is not there"
        return
    if deed.job and {item.ledger for item in standing} != {deed.job}:
        yield f"{name} stands in another job"
    places = [item.seq for item in standing]
    if places != list(range(places[0], places[0] + len(places))) or len({item.body for item in standing}) < len(places):
        yield f"{name} stands more than once, as entries {places}"
    if deed.kind in {MARK, KEPT} and (deed.outcome is Outcome.OK or standing[0].type not in EXPLAINS):
        outcomes = sum(item.type in ONE_OF for item in standing)
        if outcomes != 1:
            yield f"{name} is told of by {outcomes} entries and not by one"


def _out_of_order(deeds: Sequence[Deed], by_token: dict[str, list[Entry]]) -> Iterator[str]:
    """Yield what was answered and stands before what was answered earlier; the unanswered may arrive at any time."""
    last: dict[tuple[str, str], int] = {}
    for deed in sorted((item for item in deeds if item.outcome is Outcome.OK), key=lambda item: (item.tablet, item.n)):
        for item in by_token.get(deed.token, [])[:1]:
            place = deed.tablet, item.ledger
            if item.seq < last.get(place, -1):
                yield f"{deed.kind} {deed.n} of {deed.tablet} stands before one that was made earlier"
            last[place] = item.seq

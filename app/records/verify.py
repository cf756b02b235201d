"""Verify a record without trusting the server that made it.

The checks, by number:
 1  the record can be read: strict JSON, canonical form, the format known here;
 2  the certificate holds a P-256 key, and is the one the caller expects, where the caller gave one;
 3  the detached signature over the record's bytes is that key's;
 4  every entry stands in its place, and every signed head proves the entries up to it;
 5  heads noted outside (on paper, in mail) prove as earlier states of this record;
 6  every entry is an event that this version understands;
 7  the photos that the entries name are there and unchanged;
 8  signatures of people cover the head that stood before them, in this job and no other;
 9  the order of work held: only due steps were marked, holds were released by their role;
10  the containment model finds no breach in the steps as laid down;
11  computed results come out the same from their inputs, and every judgement from its limit;
12  the summary is what the entries add up to.

Which certificate to trust, and which old heads to hold against the record, is the caller's part.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from itertools import accumulate
from typing import Any

from pydantic import ValidationError

from app.calc.errors import ChangeoutError
from app.domain.event_base import Evidence
from app.domain.events import Event, StepDone, StepOutside, event_from
from app.domain.examine import breaches
from app.domain.history import signature_of, unlawful
from app.domain.job import JobState, came_from, evolve, start_of
from app.domain.judging import result_of, verdict_of
from app.domain.signing import MEANINGS
from app.domain.steps import Step
from app.ledger.canonical import read_with_items
from app.ledger.check import check_entries
from app.ledger.heads import Head, key_id_of, verify_signature
from app.ledger.tree import leaf_hash, roots_at
from app.records.assemble import RECORD_FORMAT, photos_named, summary_of
from app.records.moments import site_day

TITLES = {
    1: "the record can be read",
    2: "the certificate is the expected one",
    3: "the file's signature holds",
    4: "entries and heads hold",
    5: "older heads prove",
    6: "every entry is understood",
    7: "photos are unchanged",
    8: "people's signatures cover this record",
    9: "the order of work held",
    10: "no containment rule is broken",
    11: "results come out the same",
    12: "the summary is right",
}


@dataclass(frozen=True, slots=True)
class Check:
    """One numbered check and what is wrong; no faults means that it holds. `skipped` says why it was not made."""

    number: int
    faults: tuple[str, ...] = ()
    skipped: str = ""
    note: str = ""

    @property
    def title(self) -> str:
        """What the check is about."""
        return TITLES[self.number]


@dataclass(frozen=True, slots=True)
class Verdict:
    """All checks of one record."""

    checks: tuple[Check, ...]
    number: str = ""
    size: int = 0
    root: str = ""
    rehearsal: bool = False
    signed: bool = False

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return not any(check.faults for check in self.checks)


def verify_record(
    data: bytes,
    *,
    signature: bytes | None,
    photo: Callable[[str], bytes] | None,
    expected_certificate: str | None = None,
    known_heads: Sequence[str] = (),
) -> Verdict:
    """Run every check over a record's bytes; raises nothing on a bad record.

    signature: the detached signature, None if it did not come along.  photo: gives a photo's bytes by SHA-256,
    raising a ChangeoutError where it is missing; None if the photos did not come along.
    """
    try:
        value, payloads = read_with_items(data, "entries")
    except ChangeoutError as fault:
        return Verdict((Check(1, (str(fault),)),))
    if told := _misshapen(value):
        return Verdict((Check(1, (told,)),))
    assert isinstance(value, dict)
    record: dict[str, Any] = value
    checks = [Check(1), *_certificate(record, data, signature, expected_certificate)]
    checks += _ledger(record, payloads, known_heads)
    events, unread = _events(record["entries"])
    checks.append(Check(6, unread))
    root = roots_at(map(leaf_hash, payloads), {len(payloads)}).get(len(payloads), b"").hex()
    if unread:
        checks += [Check(number, skipped="an entry is not understood") for number in range(7, 13)]
        return Verdict(tuple(checks), size=len(payloads), root=root)
    try:
        states = tuple(accumulate(events, evolve, initial=JobState()))
        story, state = list(_story(record, events, states, payloads, photo)), states[-1]
    except (ChangeoutError, ValueError, KeyError, TypeError) as fault:
        # Readable events that speak of ports, positions or values which this job cannot have.
        checks[-1] = Check(6, (f"The entries contradict each other ({fault}).",))
        checks += [Check(number, skipped="the entries contradict each other") for number in range(7, 13)]
        return Verdict(tuple(checks), size=len(payloads), root=root)
    checks += story
    return Verdict(
        tuple(checks),
        number=state.opened.number if state.opened else "",
        size=len(payloads),
        root=root,
        rehearsal=bool(state.opened and state.opened.rehearsal),
        signed=state.accepted is not None,
    )


def _misshapen(value: object) -> str:
    if not isinstance(value, dict) or value.get("format") != RECORD_FORMAT:
        return f"The file is not a record of the format {RECORD_FORMAT}. Give the record.json of an export."
    wanted = {"ledger": str, "entries": list, "heads": list, "photos": list, "certificate": str, "summary": dict,
              "rehearsal": str, "made": dict, "cautions": list, "authority": str}  # fmt: skip
    for name, kind in wanted.items():
        if not isinstance(value.get(name), kind):
            return f"The record has no proper part {name!r}. It was damaged or made by something else."
    if extra := sorted(set(value) - set(wanted) - {"format"}):
        return f"The record has a part {extra[0]!r} that does not belong there."
    if not all(isinstance(entry, dict) for entry in value["entries"]):
        return "An entry of the record is not an object. It was damaged."
    return ""


def _certificate(record: dict[str, Any], data: bytes, signature: bytes | None, expected: str | None) -> Iterable[Check]:
    pem = record["certificate"]
    try:
        key = key_id_of(pem)
    except ChangeoutError as fault:
        yield Check(2, (str(fault),))
        yield Check(3, skipped="the certificate cannot be used")
        return
    if expected is None:
        note = f"key {key}, taken from the record itself: compare it with the site's printed key"
        yield Check(2, note=note)
    else:
        same = expected.split() == pem.split()
        yield Check(
            2, () if same else ("The record carries another certificate than the one given.",), note=f"key {key}"
        )
    if signature is None:
        yield Check(3, skipped="no detached signature came along")
        return
    holds = verify_signature(certificate_pem=expected or pem, message=data, signature=signature)
    yield Check(3, () if holds else ("The signature is not that key's over these bytes: the file was changed.",))


def _ledger(record: dict[str, Any], payloads: list[bytes], known: Sequence[str]) -> Iterable[Check]:
    try:
        heads = [_head(record["ledger"], item) for item in record["heads"]]
    except (KeyError, TypeError, ValueError):
        yield Check(4, ("A head of the record cannot be read. It was damaged.",))
        yield Check(5, skipped="the heads cannot be read")
        return
    found = check_entries(
        ledger=record["ledger"], payloads=payloads, heads=heads, certificate_pem=record["certificate"], known=known,
        values=record["entries"],
    )  # fmt: skip
    faults = tuple(fault.sentence for fault in found if not fault.rule.startswith("known"))
    old = tuple(fault.sentence for fault in found if fault.rule.startswith("known"))
    empty = () if payloads else ("The record has no entries.",)
    yield Check(4, (*empty, *faults), note=f"{len(payloads)} entries, {len(heads)} heads")
    yield Check(5, old, skipped="" if known else "no older head was given")


def _head(ledger: str, item: Mapping[str, Any]) -> Head:
    if set(item) != {"size", "root", "at", "key", "signature"}:
        raise ValueError("parts")
    head = Head(
        ledger=ledger,
        size=item["size"],
        root=bytes.fromhex(item["root"]),
        at=item["at"],
        key_id=item["key"],
        signature=bytes.fromhex(item["signature"]),
    )
    if (head.root.hex(), head.signature.hex()) != (item["root"], item["signature"]):
        raise ValueError("digits")  # capitals and spaces read the same, and were never exported
    return head


def _events(entries: Sequence[object]) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    events: list[Event] = []
    for place, entry in enumerate(entries):
        try:
            events.append(event_from(entry))
        except ValidationError:
            return (), (f"Entry {place} is not an event that this version understands.",)
    return tuple(events), ()


def _story(
    record: dict[str, Any],
    events: tuple[Event, ...],
    states: tuple[JobState, ...],
    payloads: list[bytes],
    photo: Callable[[str], bytes] | None,
) -> Iterable[Check]:
    state = states[-1]
    yield _photos(record, events, photo)
    yield Check(8, tuple(_signature_faults(events, payloads)))
    yield Check(9, unlawful(events, states))
    yield Check(10, tuple(_breach_sentences(state)))
    yield Check(11, tuple(_result_faults(states, events)))
    expected = summary_of(state, events)
    if "signatures" not in record["summary"]:
        expected.pop("signatures", None)  # version 0.1 had them in the entries only
    same = record["summary"] == expected
    marked = bool(record["rehearsal"]) == bool(state.opened and state.opened.rehearsal)
    wrong = () if same else ("The summary does not agree with the entries.",)
    yield Check(12, wrong if marked else (*wrong, "The record's rehearsal mark does not agree with its first entry."))


def _photos(record: dict[str, Any], events: tuple[Event, ...], photo: Callable[[str], bytes] | None) -> Check:
    named = photos_named(events)
    listed = [item.get("sha256") if isinstance(item, dict) else None for item in record["photos"]]
    faults = [] if list(named) == listed else ["The list of photos does not agree with the entries."]
    if photo is None:
        return Check(7, tuple(faults), skipped="the photos did not come along" if named else "")
    for name in named:
        try:
            if sha256(photo(name)).hexdigest() != name:
                faults.append(f"Photo {name[:12]} is not the one that the entries name.")
        except ChangeoutError as fault:
            faults.append(str(fault))
    return Check(7, tuple(faults), note=f"{len(named)} photos")


def _signature_faults(events: tuple[Event, ...], payloads: list[bytes]) -> Iterable[str]:
    signed = [(event, signature) for event in events if (signature := signature_of(event)) is not None]
    roots = roots_at(map(leaf_hash, payloads), {signature.size for _, signature in signed})
    for event, signature in signed:
        if signature.size != event.seq or roots.get(signature.size, b"").hex() != signature.root:
            yield f"Entry {event.seq}: the signature of {event.by.name} covers another record than this one."
        if signature.meaning not in MEANINGS:
            yield f"Entry {event.seq}: {event.by.name} signs under words that are none of the known meanings."


def _breach_sentences(state: JobState) -> Iterable[str]:
    opened = state.opened
    if opened is None:
        yield "The record does not begin with the opening of a job."
        return
    for found in breaches(state.walked, start_of(opened)):
        yield f"Rule {found.rule} at {found.step}: {found.sentence}."


def _result_faults(states: tuple[JobState, ...], events: tuple[Event, ...]) -> Iterable[str]:
    opened = states[-1].opened
    zone = opened.zone if opened else "UTC"
    first: dict[str, str] = {}  # when each step was done last: a correction is judged by that day
    for event, before in zip(events, states, strict=False):  # limits may change on the way
        if not isinstance(event, StepDone | StepOutside) and event.type != "answer_corrected":
            continue
        step = before.step(event.step)
        if step is None:
            yield f"Entry {event.seq} speaks of the step {event.step}, which this job does not have."
            continue
        came = came_from(event)
        happened = came.happened if came else event.at
        if isinstance(event, StepDone):
            first[step.id] = happened
        on = site_day(first.get(step.id, event.at) if event.type == "answer_corrected" else happened, zone)
        yield from (f"Entry {event.seq}: {told}" for told in _evidence_faults(event.evidence, step, on))


def _evidence_faults(evidence: Evidence, step: Step, on: date) -> Iterable[str]:
    limits = {asked.ask.id: asked.limit for asked in step.asks}
    try:
        for instrument in evidence.instruments or ():
            instrument.check(on=on)
        for judged in evidence.judged:
            answer = evidence.answers.get(judged.ask)
            numeric = answer is not None and answer.unit is not None
            if answer is not None and numeric and verdict_of(judged.ask, answer.text, limits.get(judged.ask)) != judged:
                yield f"the judgement of {judged.ask} does not follow from {answer.text} and its limit."
        if result_of(step, evidence.answers, evidence.instruments or (), on=on) != evidence.result:
            told = evidence.result.shown if evidence.result else "that is missing"
            yield f"the result {told} does not follow from the answers."
    except (ChangeoutError, KeyError) as fault:
        yield f"a value cannot be computed again ({fault})."

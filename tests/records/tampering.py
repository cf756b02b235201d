"""Records altered on purpose, one thing at a time: the verifier must notice each, and name the first entry in doubt.

Bits are flipped anywhere in an exported record; each flip breaks the file's signature, and one among the entries or
heads is found without that signature, too.  Alterations with a plan (`KINDS`) are made by somebody without the site's
key, who is given the file's signature all the same, and by somebody who has the key and seals all anew.  Each says
which check must find it and which entry that check must name: the first that no head covers which still holds.

The harness is tried with verifiers that lack one check, and with one that names the next entry.
"""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache, partial
from hashlib import sha256
from itertools import cycle
from random import Random
from typing import Any, TypeAlias
from unittest.mock import patch

from app.calc.errors import Invalid
from app.domain.events import event_from
from app.domain.job import fold
from app.ledger import check
from app.ledger.canonical import canonical
from app.ledger.heads import head_message
from app.ledger.tree import EMPTY, leaf_hash
from app.records.assemble import summary_of
from app.records.verify import TITLES, Verdict, verify_record
from app.services.export import Material, record_json
from app.services.planning import plan
from app.services.rehearsal import rehearse
from tests.builders import housing, procedure
from tests.faulting.told import Notice, Told, ranges, shared_out
from tests.ledger.signing import TestSigner, new_signer

AT = "2026-03-02T12:00:00.000Z"
PHOTO = b"a photo of a stub"
SHORT = 24
"""The short record, in which most bits are flipped, has at most so many entries; the whole one has the rest."""
WHOLE_EACH = 10
FLIPS_AT_ONCE, EDITS_AT_ONCE = 500, 50
ENTRY = re.compile(r"(?:from entry|Entry) (\d+)")

Entries: TypeAlias = list[dict[str, Any]]


class AlarmError(Exception):
    """The verifier raised something."""


@dataclass(frozen=True)
class Honest:
    """An honest record.  sizes: of its heads."""

    data: bytes
    signer: TestSigner
    sizes: tuple[int, ...]

    @property
    def value(self) -> dict[str, Any]:
        """A copy of it, to be altered."""
        value: dict[str, Any] = json.loads(self.data)
        return value

    def covered(self, entry: int) -> int:
        """The first entry in doubt where this one is altered: what heads up to here prove still holds."""
        return max((size for size in self.sizes if size <= entry), default=0)


@dataclass(frozen=True)
class Altered:
    """An altered record.  number: the check that must find it.  entry: what it must name; word: what else it must say.

    signature: the file's, None where it does not come along.
    """

    kind: str
    data: bytes
    signature: bytes | None
    number: int
    entry: int | None = None
    word: str = ""
    known: tuple[str, ...] = ()
    certificate: str | None = None
    photo: bytes = PHOTO

    def verdict(self) -> Verdict:
        """Verify it; raise AlarmError where the verifier raises anything, which it never may."""
        try:
            return self._verified()
        except Exception as error:
            raise AlarmError(f"{self.kind}: the verifier raises {error!r}") from error

    def _verified(self) -> Verdict:
        return verify_record(
            self.data, signature=self.signature, photo=self._photo, expected_certificate=self.certificate,
            known_heads=self.known,
        )  # fmt: skip

    def _photo(self, name: str) -> bytes:
        if name != sha256(PHOTO).hexdigest():
            raise Invalid(f"There is no photo {name}.")
        return self.photo

    def complaint(self, verdict: Verdict) -> str:
        """Say what is wrong with the verdict on it, or nothing."""
        faults = [fault for found in verdict.checks if found.number == self.number for fault in found.faults]
        told = " ".join(faults)
        if verdict.good:
            return f"{self.kind}: nothing is wrong, says the verifier"
        if not faults:
            return f"{self.kind}: check {self.number} finds nothing, but {sorted(faulty(verdict))} do"
        named = min((int(found) for found in ENTRY.findall(told)), default=None)
        if self.entry is not None and named != self.entry:
            return f"{self.kind}: entry {self.entry} is the first in doubt, and {named} is named: {told[:200]}"
        if self.word not in told:
            return f"{self.kind}: {self.word!r} is not named: {told[:200]}"
        return ""


def faulty(verdict: Verdict) -> frozenset[int]:
    """Return the numbers of the checks that found something."""
    return frozenset(found.number for found in verdict.checks if found.faults)


# --- honest records ------------------------------------------------------------------------------


@lru_cache
def signer() -> TestSigner:
    """One key for all records of a process."""
    return new_signer()


@lru_cache
def honest(begin: int = 1) -> Honest:
    """Return the record of a rehearsed job with one photo; `begin` tells two such jobs apart."""
    made = plan(housing("EF-07"), procedure(), "0" * 64)
    run = rehearse(made, signer(), begin=datetime(2026, 3, begin, tzinfo=UTC))
    pem = signer().certificate_pem
    material = Material(tuple(run.events), tuple(run.heads), {}, pem, pem, AT, "test")
    value: dict[str, Any] = json.loads(record_json(material))
    asked = [(step["id"], ask["ask"]["id"]) for step in value["entries"][0]["steps"] for ask in step.get("asks", ())
             if ask["ask"]["kind"] == "photo"]  # fmt: skip
    name = sha256(PHOTO).hexdigest()
    for entry in value["entries"]:
        for step, ask in asked:
            if entry["type"] == "step_done" and entry["step"] == step:
                entry["evidence"]["answers"][ask] = {"text": name}
    value["photos"] = [{"sha256": name, "bytes": len(PHOTO)}]
    sizes = tuple(head.size for head in run.heads)
    return Honest(canonical(sealed(value, value["entries"], sizes)), signer(), sizes)


@lru_cache
def short() -> Honest:
    """Return the record of a job that has just begun, without what its opening says of mishaps: small and so quick."""
    whole = honest()
    value = whole.value
    value["entries"][0] |= {"contingencies": [], "ways_out": []}
    sizes = tuple(size for size in whole.sizes if size <= SHORT)
    value["photos"] = []
    return Honest(canonical(sealed(value, value["entries"][: sizes[-1]], sizes)), signer(), sizes)


def sealed(
    value: dict[str, Any], entries: Entries, sizes: Sequence[int], *, key: TestSigner | None = None
) -> dict[str, Any]:
    """Return the record with these entries, sealed as only who has the key can: signatures, heads and summary agree."""
    key = key or signer()
    frontier, heads = EMPTY, []
    for place, entry in enumerate(entries):
        if isinstance(entry.get("signature"), dict):
            entry["signature"] |= {"size": place, "root": frontier.root().hex()}
        frontier = frontier.append(leaf_hash(canonical(entry)))
        if place + 1 in sizes or place + 1 == len(entries):
            root, at = frontier.root(), entry["at"]
            told = head_message(ledger=value["ledger"], size=place + 1, root=root, at=at, key_id=key.key_id)
            heads.append({"size": place + 1, "root": root.hex(), "at": at, "key": key.key_id,
                          "signature": key.sign(told).hex()})  # fmt: skip
    value |= {"entries": entries, "heads": heads, "certificate": key.certificate_pem}
    try:
        events = [event_from(entry) for entry in entries]
        value["summary"] = summary_of(fold(events), events)
    except (ValueError, KeyError, TypeError):
        pass  # what cannot be read adds up to nothing
    return value


# --- alterations by somebody without the key -----------------------------------------------------


def _without_key(kind: str, value: dict[str, Any], number: int, entry: int | None = None, **more: Any) -> Altered:
    data = canonical(value)
    return Altered(kind, data, signer().sign(data), number, entry, **more)


def _texts(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The places of all texts in a JSON value."""
    if isinstance(value, str):
        return [path]
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for name, part in inside for found in _texts(part, (*path, name))]


def _changed(text: str, chance: Random) -> str:
    """Return a text with one character put in, taken out or changed."""
    place = chance.randint(0, len(text))
    return text[:place] + chance.choice("abcXYZ 019-") + text[place + chance.randint(0, 1) :]


def _edit_text(value: Any, chance: Random) -> None:
    """Change one text of a JSON value to another."""
    *way, last = chance.choice(_texts(value))
    for name in way:
        value = value[name]
    was = value[last]
    while value[last] == was:
        value[last] = _changed(was, chance)


def _edited(chance: Random) -> Altered:
    value, base = honest().value, honest()
    place = chance.randrange(len(value["entries"]))
    _edit_text(value["entries"][place], chance)
    return _without_key("an entry edited", value, 4, base.covered(place))


def _swapped(chance: Random) -> Altered:
    value = honest().value
    first, second = sorted(chance.sample(range(len(value["entries"])), 2))
    entries = value["entries"]
    entries[first], entries[second] = entries[second], entries[first]
    return _without_key("two entries swapped", value, 4, honest().covered(first))


def _deleted(chance: Random) -> Altered:
    value = honest().value
    place = chance.randrange(len(value["entries"]))
    del value["entries"][place]
    return _without_key("an entry deleted", value, 4, honest().covered(place))


def _inserted(chance: Random) -> Altered:
    value = honest().value
    place = chance.randint(1, len(value["entries"]))
    value["entries"].insert(place, deepcopy(chance.choice(value["entries"])))
    return _without_key("an entry inserted", value, 4, honest().covered(place))


def _tail_cut(chance: Random) -> Altered:
    value = honest().value
    place = chance.randrange(1, len(value["entries"]))
    del value["entries"][place:]
    return _without_key("the tail cut, the heads left", value, 4, honest().covered(place))


def _spliced(chance: Random) -> Altered:
    value, other = honest().value, honest(9).value
    place = chance.randrange(1, len(value["entries"]))
    value["entries"][place:] = other["entries"][place:]
    value["heads"] = [head for head in value["heads"] if head["size"] <= place] + [
        head for head in other["heads"] if head["size"] > place
    ]
    return _without_key("two jobs spliced, with the heads of each", value, 4, honest().covered(place))


def _flipped(text: str, chance: Random) -> str:
    """Return hexadecimal digits with one bit flipped."""
    raw = bytearray.fromhex(text)
    raw[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
    return raw.hex()


def _head_altered(part: str, chance: Random) -> Altered:
    value, sizes = honest().value, honest().sizes
    place = chance.randrange(len(sizes))
    value["heads"][place][part] = _flipped(value["heads"][place][part], chance)
    last = place == len(sizes) - 1
    return _without_key(f"the {part} of a head changed", value, 4, sizes[place - 1] if last else sizes[place] - 1)


def _head_root_changed(chance: Random) -> Altered:
    return _head_altered("root", chance)


def _head_signature_changed(chance: Random) -> Altered:
    return _head_altered("signature", chance)


def _last_heads_dropped(chance: Random) -> Altered:
    value, sizes = honest().value, honest().sizes
    place = chance.randrange(1, len(sizes))
    del value["heads"][place:]
    return _without_key("the last heads dropped", value, 4, sizes[place - 1])


def _photo_swapped(chance: Random) -> Altered:
    base = honest()
    other = chance.randbytes(chance.randint(0, 40))
    name = sha256(PHOTO).hexdigest()[:12]
    return replace(_without_key("a photo swapped", base.value, 7), photo=other, word=f"Photo {name}")


def _file_signature_changed(chance: Random) -> Altered:
    base = honest()
    return Altered(
        "the file's signature changed", base.data, bytes.fromhex(_flipped(signer().sign(base.data).hex(), chance)), 3
    )


def _other_part_edited(chance: Random) -> Altered:
    base = honest()
    value = base.value
    _edit_text(value[chance.choice(("made", "cautions"))], chance)
    return Altered("words beside the entries edited", canonical(value), signer().sign(base.data), 3)


def _another_format(chance: Random) -> Altered:
    value = honest().value
    value["format"] = f"changeout-record/{chance.randint(2, 99)}"
    return _without_key("another format", value, 1)


def _forged(chance: Random) -> Altered:
    value = honest().value
    by = value["entries"][chance.randrange(1, len(value["entries"]))]["by"]
    by["name"] = _changed(by["name"], chance) + "."
    forged = sealed(value, value["entries"], honest().sizes, key=_forger())
    return Altered("all sealed with another key", canonical(forged), None, 2, certificate=signer().certificate_pem)


@lru_cache
def _forger() -> TestSigner:
    return new_signer()


# --- alterations by somebody with the key --------------------------------------------------------


def _with_key(kind: str, entries: Entries, number: int, entry: int | None = None, **more: Any) -> Altered:
    return _without_key(kind, sealed(honest().value, entries, honest().sizes), number, entry, **more)


def _noted(*sizes: int) -> tuple[str, ...]:
    """Heads of the honest record as noted on paper."""
    return tuple(f"{head['size']}:{head['root']}" for head in honest().value["heads"] if head["size"] in sizes)


def _tail_cut_sealed(chance: Random) -> Altered:
    place = chance.choice(honest().sizes[:-1])
    entries = honest().value["entries"][:place]
    return _with_key("the tail cut and sealed", entries, 5, place, known=_noted(len(honest().value["entries"])))


def _rewritten(chance: Random) -> Altered:
    entries = honest().value["entries"]
    place = chance.randrange(1, len(entries))
    entries[place]["by"]["name"] = _changed(entries[place]["by"]["name"], chance) + "."
    known = sorted(chance.sample(honest().sizes, 5))
    last = len(entries)
    held = max((size for size in known if size <= place), default=0)
    return _with_key("rewritten and sealed, older heads noted", entries, 5, held, known=_noted(*known, last))


def _signed_places(entries: Entries) -> list[int]:
    return [place for place, entry in enumerate(entries) if isinstance(entry.get("signature"), dict)]


def _signature_altered(chance: Random) -> Altered:
    """The words or the cover of one person's signature, with everything after it sealed anew."""
    entries = honest().value["entries"]
    place = chance.choice(_signed_places(entries))
    if chance.random() < 0.5:
        entries[place]["signature"]["meaning"] = _changed(entries[place]["signature"]["meaning"], chance) + "."
        return _with_key("the words of a signature changed", entries, 8, place)
    # A signature from the other job covers nothing here; only the seal after it is made anew.
    stolen = honest(9).value["entries"][place]["signature"]
    value = sealed(honest().value, entries, honest().sizes)
    value["entries"][place]["signature"] = stolen
    return _without_key("a signature of another job", _sealed_as_it_is(value), 8, place)


def _sealed_as_it_is(value: dict[str, Any]) -> dict[str, Any]:
    """Seal the entries anew without making their signatures agree, but those that come later."""
    entries = value["entries"]
    before = deepcopy([entry.get("signature") for entry in entries])
    value = sealed(value, entries, honest().sizes)
    changed = next(
        place for place, (was, entry) in enumerate(zip(before, entries, strict=True))
        if was is not None and was != entry["signature"]
    )  # fmt: skip
    frontier, key = EMPTY, signer()
    heads = {head["size"]: head for head in value["heads"]}
    entries[changed]["signature"] = before[changed]
    for place, entry in enumerate(entries):
        if place > changed and isinstance(entry.get("signature"), dict):
            entry["signature"] |= {"size": place, "root": frontier.root().hex()}
        frontier = frontier.append(leaf_hash(canonical(entry)))
        if (head := heads.get(place + 1)) is not None:
            root = frontier.root()
            told = head_message(ledger=value["ledger"], size=place + 1, root=root, at=head["at"], key_id=key.key_id)
            head |= {"root": root.hex(), "signature": key.sign(told).hex()}
    events = [event_from(entry) for entry in entries]
    value["summary"] = summary_of(fold(events), events)
    return value


def _unknown_event(chance: Random) -> Altered:
    entries = honest().value["entries"]
    place = chance.randrange(1, len(entries))
    entries[place]["type"] = _changed(entries[place]["type"], chance) + "_x"
    return _with_key("an event of no known kind, sealed", entries, 6, place)


def _hold_by_another_role(chance: Random) -> Altered:
    entries = honest().value["entries"]
    place = chance.choice([place for place, entry in enumerate(entries) if entry["type"] == "hold_released"])
    entries[place]["by"]["role"] = "technician"
    return _with_key("a hold released by another role, sealed", entries, 9, place)


def _barrier_left_out(chance: Random) -> Altered:
    entries = honest().value["entries"]
    barriers = {"tie", "band", "fit_bag", "gather_bag"}
    steps = [step for step in entries[0]["steps"] if barriers & {act["act"] for act in step.get("effects", ())}]
    step = chance.choice(steps)
    step["effects"] = []
    return _with_key("a barrier left out of the steps, sealed", entries, 10, word="Rule ")


def _result_bettered(chance: Random) -> Altered:
    entries = honest().value["entries"]
    place = chance.choice([place for place, entry in enumerate(entries) if entry.get("evidence", {}).get("result")])
    result = entries[place]["evidence"]["result"]
    result["shown"] = _changed(result["shown"], chance) + "."
    return _with_key("a result bettered, sealed", entries, 11, place)


def _summary_bettered(chance: Random) -> Altered:
    value = honest().value
    value["summary"]["exceptions"] += chance.randint(1, 9)
    return _without_key("the summary embellished", value, 12)


KINDS: tuple[Callable[[Random], Altered], ...] = (
    _edited, _swapped, _deleted, _inserted, _tail_cut, _spliced, _head_root_changed, _head_signature_changed,
    _last_heads_dropped, _photo_swapped, _file_signature_changed, _other_part_edited, _another_format, _forged,
    _tail_cut_sealed, _rewritten, _signature_altered, _unknown_event, _hold_by_another_role, _barrier_left_out,
    _result_bettered, _summary_bettered,
)  # fmt: skip


# --- verifiers with a fault ----------------------------------------------------------------------


def without(verdict: Verdict, number: int) -> Verdict:
    """Return what a verifier would have said that lacks one check."""
    return replace(verdict, checks=tuple(found for found in verdict.checks if found.number != number))


def naming_the_next(verdict: Verdict) -> Verdict:
    """Return what a verifier would have said that names the entry after the first in doubt."""

    def next_one(found: re.Match[str]) -> str:
        return found[0].replace(found[1], str(int(found[1]) + 1))

    checks = (replace(one, faults=tuple(ENTRY.sub(next_one, fault) for fault in one.faults)) for one in verdict.checks)
    return replace(verdict, checks=tuple(checks))


SEEDED: dict[str, Callable[[Verdict], Verdict]] = {
    **{f"without check {number}, whether {title}": partial(without, number=number) for number, title in TITLES.items()},
    "the entry after the first in doubt is named": naming_the_next,
}
BELIEVED = "the signatures of heads are believed"


# --- the run -------------------------------------------------------------------------------------


@dataclass
class Seen:
    """What was found in a share.  noticed: what was said of each seeded fault that was noticed."""

    tried: int = 0
    wrong: list[str] = field(default_factory=list)
    noticed: dict[str, str] = field(default_factory=dict)
    inside: int = 0
    kinds: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Share:
    """Some flips or alterations to try."""

    seed: int
    numbers: range


def flip(share: Share) -> Seen:
    """Flip bits, one at a time, and verify."""
    seen = Seen()
    bases = {base: (base.data, base.signer.sign(base.data), _inside(base.data)) for base in (short(), honest())}
    for number in share.numbers:
        chance = Random(f"flips/{share.seed}/{number}")
        data, signature, inside = bases[honest() if number % WHOLE_EACH == 0 else short()]
        place = chance.randrange(len(data) * 8)
        bad = bytearray(data)
        bad[place // 8] ^= 1 << place % 8
        seen.tried += 1
        name = f"bit {place} of {len(data)} bytes"
        try:
            verdict = Altered(name, bytes(bad), signature, 3).verdict()
        except AlarmError as alarm:
            seen.wrong.append(str(alarm))
            continue
        if verdict.good:
            seen.wrong.append(f"{name} is not noticed")
        if any(place // 8 in part for part in inside):
            seen.inside += 1
            if without(verdict, 3).good:
                seen.wrong.append(f"{name}, among entries and heads, is noticed by the file's signature only")
    return seen


def _inside(data: bytes) -> tuple[range, range]:
    """Where entries and heads stand in a canonical record, whose parts are in the order of their names."""
    first, second = data.index(b'"entries":['), data.index(b'],"format":"changeout-record/')
    third, last = data.index(b'"heads":['), data.index(b'],"ledger":', data.index(b'"heads":['))
    return range(first + 10, second + 1), range(third + 8, last + 1)


def alter(share: Share) -> Seen:
    """Alter the record by each kind in turn, and verify, with the seeded verifiers as well."""
    seen = Seen()
    kinds = cycle(KINDS[share.numbers.start % len(KINDS) :] + KINDS[: share.numbers.start % len(KINDS)])
    for number, kind in zip(share.numbers, kinds, strict=False):
        altered = kind(Random(f"{kind.__name__}/{share.seed}/{number}"))
        seen.tried += 1
        try:
            verdict = altered.verdict()
        except AlarmError as alarm:
            seen.wrong.append(f"number {number}: {alarm}")
            continue
        seen.kinds[altered.kind] = seen.kinds.get(altered.kind, 0) + 1
        if told := altered.complaint(verdict):
            seen.wrong.append(f"number {number}: {told}")
            continue
        for name, sick in SEEDED.items():
            if name not in seen.noticed and (told := _of_seeded(altered, sick(verdict))):
                seen.noticed[name] = told
        if BELIEVED not in seen.noticed and kind is _head_signature_changed:
            with patch.object(check, "_signed", lambda *_: True):
                told = altered.complaint(altered.verdict())
            if told:
                seen.noticed[BELIEVED] = told
    return seen


def _of_seeded(altered: Altered, verdict: Verdict) -> str:
    """A verifier that lacks a check is noticed by what it lets through; what another check finds is no notice."""
    told = altered.complaint(verdict)
    return told if verdict.good or "is named" in told else ""


def prove(seed: int, *, flips: int, edits: int) -> Told:
    """Flip so many bits, make so many alterations, and see that each seeded fault lets something through."""
    flipped = shared_out(flip, [Share(seed, numbers) for numbers in ranges(flips, FLIPS_AT_ONCE)])
    altered = shared_out(alter, [Share(seed, numbers) for numbers in ranges(edits, EDITS_AT_ONCE)])
    told = Told("tampering", wrong=[wrong for seen in (*flipped, *altered) for wrong in seen.wrong])
    tried = sum(seen.tried for seen in altered)
    told.cases = f"{sum(seen.tried for seen in flipped)} flipped bits and {tried} alterations"
    kinds = {kind for seen in altered for kind in seen.kinds}
    told.worst = f"{len(told.wrong)} not noticed or named wrongly"
    told.facts = [
        f"{sum(seen.inside for seen in flipped)} bits among entries and heads, found without the file's signature, too",
        f"{len(kinds)} kinds of alterations",
    ]
    noticed: Mapping[str, str] = {name: what for seen in reversed(altered) for name, what in seen.noticed.items()}
    told.notices = [Notice(name, noticed.get(name, "")) for name in (*SEEDED, BELIEVED)]
    return told

"""From typed answers to evidence: is everything there, can it be read, and does it lie within its limits.

Numbers are compared exactly as typed, never as binary floats.  The server judges; the person decides.
"""

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import Literal

from app.calc.errors import ChangeoutError, Invalid
from app.calc.exact import exact
from app.domain.computing import Setting, compute, inputs_for, lies_within
from app.domain.event_base import Answer, Evidence, Judged, Result
from app.domain.fitting import SERIAL
from app.domain.housing import BankDesign, SiteLimit
from app.domain.instruments import Instrument
from app.domain.labels import told_apart
from app.domain.procedure import Ask
from app.domain.refused import Refused
from app.domain.steps import AskedFor, Named, Step

LONGEST_ANSWER = 500
MOST_PIECES = 10_000
LARGEST_READING = 10**9
"""More is a slip of the hand (this program's bounds, no source)."""
AGAIN = ".again"
"""Added to the id of what is entered twice, for the second entry."""
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+")


class EntriesDiffer(Refused):
    """Numbers that were entered twice, and not alike.  pairs: question, first entry, second entry."""

    def __init__(self, step: Step, pairs: tuple[tuple[str, str, str], ...]) -> None:
        labels = {asked.ask.id: asked.ask.label for asked in step.asks}
        told = ", ".join(labels[ask] for ask, _, _ in pairs)
        super().__init__(
            "entries_differ",
            f"{told}: the two entries differ. Read the instrument again and enter it anew in both places.",
            step=step.id,
        )
        self.pairs = pairs


def evidence_from(step: Step, answers: Mapping[str, str], note: str, setting: Setting) -> Evidence:
    """Read the answers to a step; raise Invalid with one sentence if one is missing or cannot be read.

    Raises EntriesDiffer where two entries of one number differ, and Refused, worth an entry, where an instrument or a
    filter may not be used.
    """
    asks = step.asks_at("finish")
    known = {asked.ask.id for asked in asks}
    known |= {asked.ask.id + AGAIN for asked in asks if asked.ask.twice}
    if stray := sorted(set(answers) - known):
        raise Invalid(f"The step does not ask for {stray[0]!r}; send only what it asks for.")
    if len(note) > LONGEST_ANSWER:
        raise Invalid(
            f"The note has {len(note)} characters; {LONGEST_ANSWER} is the most this program takes. Shorten it."
        )
    kept: dict[str, Answer] = {}
    judged: list[Judged] = []
    used: list[Instrument] = []
    differ: list[tuple[str, str, str]] = []
    for asked in asks:
        text = answers.get(asked.ask.id, "").strip()
        if not text:
            if asked.ask.required:
                raise Invalid(f"{asked.ask.label}: nothing was given. Enter what was seen.")
            if answers.get(asked.ask.id + AGAIN, "").strip():
                raise Invalid(
                    f"{asked.ask.label}: only its second entry was given. Enter it in both places, or in none."
                )
            continue
        kept[asked.ask.id], verdict = _read(asked, text, step, setting)
        if asked.ask.twice:
            differ += _not_alike(asked.ask, kept[asked.ask.id].text, answers.get(asked.ask.id + AGAIN, ""))
        if asked.same_as is not None:
            verdict = _stated_anew(asked.ask, kept[asked.ask.id].text, setting.stated, asked.same_as)
        judged += [verdict] if verdict else []
        used += [_instrument(asked, text, step, setting)] if asked.ask.kind == "instrument" else []
    if differ:
        raise EntriesDiffer(step, tuple(differ))
    return Evidence(
        answers=kept, instruments=tuple(used) or None, judged=tuple(judged),
        result=result_of(step, kept, used, on=setting.on), note=note.strip(),
    )  # fmt: skip


def result_of(step: Step, kept: Mapping[str, Answer], used: Sequence[Instrument], *, on: date) -> Result | None:
    """Compute what a step computes from the answers kept; None where it computes nothing or the site lacks a value.

    used: the instruments as they were kept with the answers.  on: the day at the site.
    """
    if step.computes is None:
        return None
    given = {name: answer.text for name, answer in kept.items()}
    inputs = inputs_for(step.computes, given, used, design=step.design or BankDesign(), on=on)
    return compute(f"{step.computes}/1", inputs, step.result_limit) if inputs is not None else None


def _read(asked: AskedFor, text: str, step: Step, setting: Setting) -> tuple[Answer, Judged | None]:
    ask = asked.ask
    if len(text) > LONGEST_ANSWER:
        raise Invalid(
            f"{ask.label}: {len(text)} characters were given; {LONGEST_ANSWER} is the most this program takes."
            " Shorten it."
        )
    match ask.kind:
        case "reading":
            plain = number_text(text, ask.label)
            _plausible(plain, ask.label, ask.unit)
            answer = Answer(text=plain, unit=ask.unit, twice=ask.twice or None)
            return answer, verdict_of(ask.id, plain, asked.limit)
        case "choice":
            if text not in ask.options:
                raise Invalid(f"{ask.label}: {text!r} is not one of the answers. Choose one of those shown.")
            verdict = "outside" if ask.good and text not in ask.good else "within"
            judged = Judged(ask=ask.id, verdict=verdict) if ask.good else None
            return Answer(text=text), judged
        case "date":
            return Answer(text=_day(text, ask.label)), None
        case "text" if ask.id == SERIAL and setting.fitness is not None:
            return Answer(text=text), _fit(asked, text, step, setting)
        case "photo" | "text" | "instrument":
            return Answer(text=text), None
        case "tag":
            return _label(asked, text, step, setting.neighbours), None


def _fit(asked: AskedFor, text: str, step: Step, setting: Setting) -> Judged | None:
    """The serial number of a new filter: one that may not go in is refused, or kept as not fit if it may be in."""
    judged = setting.fitness.judged(text, on=setting.on) if setting.fitness else None
    if judged is not None and judged.why and setting.fitness and setting.fitness.refuses:
        raise Refused("filter", f"{asked.ask.label}: {judged.why}", step=step.id, logged=True)
    return judged


def _label(asked: AskedFor, text: str, step: Step, neighbours: Sequence[str]) -> Answer:
    """A label read at the mark itself, where a step takes one mark only."""
    expects = asked.ask.expects or ""
    if not told_apart(text, expects, neighbours):
        told = f"“{step.text}” is for {expects}: {text!r} is not what its label reads. Go to {expects} and read it."
        raise Refused("wrong_tag", told, step=step.id, logged=True)
    return Answer(text=text)


def _not_alike(ask: Ask, first: str, again: str) -> list[tuple[str, str, str]]:
    """Two entries of one number, made unseen of each other, must agree."""
    if not again.strip():
        raise Invalid(f"{ask.label}: it is to be entered twice. Read the instrument again and enter it in both places.")
    second = number_text(again.strip(), ask.label)
    return [] if same_answer(ask.kind, first, second) else [(ask.id, first, second)]


def _stated_anew(ask: Ask, text: str, stated: Mapping[tuple[str, str], str], named: Named) -> Judged:
    """Hold what a verification states against what was entered first and is shown only now."""
    before = stated.get((named.step, named.ask), "")
    verdict: Literal["within", "outside"] = "within" if same_answer(ask.kind, before, text) else "outside"
    return Judged(ask=ask.id, verdict=verdict, basis=f"entered first: {before or 'nothing'}")


def same_answer(kind: str, one: str, other: str) -> bool:
    """Whether two answers say the same: numbers by value, words without regard to capitals and spaces."""
    if kind == "reading" and one:
        return exact(one, name="The first entry") == exact(other, name="The second entry")
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()


def _plausible(text: str, label: str, unit: str | None) -> None:
    """Refuse what nobody can have read or counted; pieces are whole."""
    value = exact(text, name=label)
    if unit == "pcs" and (value.denominator != 1 or not 0 <= value <= MOST_PIECES):
        raise Invalid(
            f"{label}: {text} is no count of pieces; whole numbers from 0 to {MOST_PIECES} are taken (this program's "
            "bound). Count again."
        )
    if abs(value) > LARGEST_READING:
        raise Invalid(
            f"{label}: {text} is beyond {LARGEST_READING} (this program's bound). Look at the reading and its unit."
        )


def _day(text: str, label: str) -> str:
    with suppress(ValueError):
        if _DATE.fullmatch(text):
            return date.fromisoformat(text).isoformat()
    raise Invalid(f"{label}: {text!r} is not a date. Give year, month and day, such as 2026-03-31.")


def _instrument(asked: AskedFor, name: str, step: Step, setting: Setting) -> Instrument:
    """Return the register's entry for an instrument, if it may be used for this today."""
    found, wanted = setting.instruments.get(name), asked.ask.measures
    told = ""
    if found is None:
        told = (
            f"{asked.ask.label}: there is no instrument {name!r} in the register. Choose one that is, or have it kept."
        )
    elif found.kind != wanted:
        told = f"{asked.ask.label}: {name} is for another use ({found.kind}); needed: {wanted}. Choose one."
    else:
        try:
            found.check(on=setting.on)
        except ChangeoutError as fault:
            told = str(fault)
    if told or found is None:
        raise Refused("instrument", told, step=step.id, logged=True)
    return found


def number_text(text: str, label: str) -> str:
    """Return a typed number with a decimal point; digits and zeros stay as typed.

    A decimal comma is taken as a point unless it could part thousands; then the number is refused.
    """
    typed = text.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", "").strip()
    if _GROUPED.fullmatch(typed):
        raise Invalid(f"{label}: {text!r} may mean thousands or a decimal comma. Type it with a decimal point.")
    if _COMMA.fullmatch(typed):
        typed = typed.replace(",", ".")
    exact(typed, name=label)
    return typed


def verdict_of(ask_id: str, text: str, limit: SiteLimit | None) -> Judged:
    """Compare a typed number with its limit, exactly."""
    if limit is None:
        return Judged(ask=ask_id, verdict="no limit")
    value = exact(text, name="The reading")
    return Judged(
        ask=ask_id,
        verdict="within" if lies_within(value, limit) else "outside",
        low=limit.low,
        high=limit.high,
        op=limit.op,
        unit=limit.unit,
        basis=limit.basis,
    )

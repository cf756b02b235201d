"""From typed answers to evidence: is everything there, can it be read, and does it lie within its limits.

Numbers are compared exactly as typed, never as binary floats.  The server judges; the person decides.
"""

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date

from app.calc.errors import ChangeoutError, Invalid
from app.calc.exact import exact
from app.domain.computing import Setting, compute, inputs_for, lies_within
from app.domain.event_base import Answer, Evidence, Judged, Result
from app.domain.housing import BankDesign, SiteLimit
from app.domain.instruments import Instrument
from app.domain.labels import reads_as
from app.domain.refused import Refused
from app.domain.steps import AskedFor, Step

LONGEST_ANSWER = 500
AGAIN = ".again"
"""Added to the id of what is entered twice, for the second entry."""
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+")


def evidence_from(step: Step, answers: Mapping[str, str], note: str, setting: Setting) -> Evidence:
    """Read the answers to a step; raise Invalid with one sentence if one is missing or cannot be read.

    Raises Refused, worth an entry, where two entries of one number differ or an instrument may not be used.
    """
    asks = step.asks_at("finish")
    known = {asked.ask.id for asked in asks}
    known |= {asked.ask.id + AGAIN for asked in asks if asked.ask.twice}
    if stray := sorted(set(answers) - known):
        raise Invalid(f"The step does not ask for {stray[0]!r}; send only what it asks for.")
    if len(note) > LONGEST_ANSWER:
        raise Invalid(f"The note has {len(note)} characters; {LONGEST_ANSWER} is the most. Shorten it.")
    kept: dict[str, Answer] = {}
    judged: list[Judged] = []
    used: list[Instrument] = []
    for asked in asks:
        text = answers.get(asked.ask.id, "").strip()
        if not text:
            if asked.ask.required:
                raise Invalid(f"{asked.ask.label}: nothing was given. Enter what was seen.")
            continue
        kept[asked.ask.id], verdict = _read(asked, text, answers.get(asked.ask.id + AGAIN, ""), step)
        judged += [verdict] if verdict else []
        used += [_instrument(asked, text, step, setting)] if asked.ask.kind == "instrument" else []
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


def _read(asked: AskedFor, text: str, again: str, step: Step) -> tuple[Answer, Judged | None]:
    ask = asked.ask
    if len(text) > LONGEST_ANSWER:
        raise Invalid(f"{ask.label}: {len(text)} characters were given; {LONGEST_ANSWER} is the most. Shorten it.")
    match ask.kind:
        case "reading":
            plain = number_text(text, ask.label)
            if ask.twice:
                _same_twice(ask.label, plain, again, step)
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
        case "photo" | "text" | "instrument":
            return Answer(text=text), None
        case "tag":
            return _label(asked, text, step), None


def _label(asked: AskedFor, text: str, step: Step) -> Answer:
    """A label read at the mark itself, where a step takes one mark only."""
    expects = asked.ask.expects or ""
    if not reads_as(text, expects):
        told = f"“{step.text}” is for {expects}: {text!r} is not what its label reads. Go to {expects} and read it."
        raise Refused("wrong_tag", told, step=step.id, logged=True)
    return Answer(text=text)


def _same_twice(label: str, first: str, again: str, step: Step) -> None:
    """Two entries of one number, made unseen of each other, must agree; neither is told."""
    if not again.strip():
        raise Invalid(f"{label}: it is to be entered twice. Read the instrument again and enter it in both places.")
    if exact(number_text(again.strip(), label), name=label) != exact(first, name=label):
        raise Refused(
            "entries_differ",
            f"{label}: the two entries differ. Read the instrument again and enter it anew in both places.",
            step=step.id,
            logged=True,
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

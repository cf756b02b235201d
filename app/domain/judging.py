"""From typed answers to evidence: is everything there, can it be read, and does it lie within its limits.

Numbers are compared exactly as typed, never as binary floats.  The server judges; the person decides.
"""

import re
from collections.abc import Mapping
from fractions import Fraction

from app.calc.errors import Invalid
from app.calc.exact import Limit, exact, meets
from app.calc.leak_test import Penetration, judge, penetration
from app.domain.events import Answer, Evidence, Judged, Result
from app.domain.housing import SiteLimit
from app.domain.steps import AskedFor, Step

LONGEST_ANSWER = 500
LEAK_METHOD = "leak_test/1"
DIGITS = 6
_COMMA = re.compile(r"[+-]?\d+,\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+")


def evidence_from(step: Step, answers: Mapping[str, str], note: str) -> Evidence:
    """Read the answers to a step; raise Invalid with one sentence if one is missing or cannot be read."""
    known = {asked.ask.id for asked in step.asks}
    if stray := sorted(set(answers) - known):
        raise Invalid(f"The step does not ask for {stray[0]!r}; send only what it asks for.")
    if len(note) > LONGEST_ANSWER:
        raise Invalid(f"The note has {len(note)} characters; {LONGEST_ANSWER} is the most. Shorten it.")
    kept: dict[str, Answer] = {}
    judged: list[Judged] = []
    for asked in step.asks:
        text = answers.get(asked.ask.id, "").strip()
        if not text:
            if asked.ask.required:
                raise Invalid(f"{asked.ask.label}: nothing was given. Enter what was seen.")
            continue
        kept[asked.ask.id], verdict = _read(asked, text)
        judged += [verdict] if verdict else []
    result = leak_result(step, kept) if step.computes else None
    return Evidence(answers=kept, judged=tuple(judged), result=result, note=note.strip())


def _read(asked: AskedFor, text: str) -> tuple[Answer, Judged | None]:
    ask = asked.ask
    if len(text) > LONGEST_ANSWER:
        raise Invalid(f"{ask.label}: {len(text)} characters were given; {LONGEST_ANSWER} is the most. Shorten it.")
    match ask.kind:
        case "reading":
            plain = number_text(text, ask.label)
            return Answer(text=plain, unit=ask.unit), verdict_of(ask.id, plain, asked.limit)
        case "choice":
            if text not in ask.options:
                raise Invalid(f"{ask.label}: {text!r} is not one of the answers. Choose one of those shown.")
            verdict = "outside" if ask.good and text not in ask.good else "within"
            judged = Judged(ask=ask.id, verdict=verdict) if ask.good else None
            return Answer(text=text), judged
        case "photo" | "text":
            return Answer(text=text), None


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
    low_ok = limit.low is None or value >= exact(limit.low, name="The lower limit")
    high_ok = limit.high is None or meets(value, _upper(limit))
    return Judged(
        ask=ask_id,
        verdict="within" if low_ok and high_ok else "outside",
        low=limit.low,
        high=limit.high,
        op=limit.op,
        unit=limit.unit,
        basis=limit.basis,
    )


def _upper(limit: SiteLimit) -> Limit:
    return Limit(exact(limit.high or "", name="The upper limit"), limit.op, limit.basis)


def leak_result(step: Step, answers: Mapping[str, Answer]) -> Result:
    """Compute the penetration of an in-place leak test from the typed readings (calc.leak_test)."""
    inputs = {name: answers[name].text for name in ("upstream", "downstream", "background", "floor") if name in answers}
    return penetration_result(inputs, step.result_limit)


def penetration_result(inputs: Mapping[str, str], limit: SiteLimit | None) -> Result:
    """Compute and judge a penetration; the value is kept to six significant digits, judged unrounded."""
    found = penetration(
        upstream=inputs["upstream"],
        downstream=inputs["downstream"],
        background=inputs["background"],
        floor_fraction=inputs.get("floor"),
    )
    within = judge(found, _upper(limit)).passed if limit is not None and limit.high is not None else None
    return Result(
        method=LEAK_METHOD,
        inputs=dict(inputs),
        value=significant(found.upper_pct),
        unit="pct",
        shown=_shown(found),
        limit=limit.high if limit else None,
        op=limit.op if limit else None,
        basis=limit.basis if limit else None,
        within=within,
    )


def _shown(found: Penetration) -> str:
    return f"{'below ' if found.below_floor else ''}{significant(found.upper_pct)} %"


def significant(value: Fraction) -> str:
    """Write a fraction in plain decimals with six significant digits, trailing zeros dropped."""
    if value == 0:
        return "0"
    size, exponent = abs(value), 0
    while size >= 10:
        size, exponent = size / 10, exponent + 1
    while size < 1:
        size, exponent = size * 10, exponent - 1
    places = max(DIGITS - 1 - exponent, 0)
    scaled = round(value * 10**places)
    digits = str(abs(scaled)).rjust(places + 1, "0")
    whole, part = (digits[:-places], digits[-places:].rstrip("0")) if places else (digits, "")
    return f"{'-' if scaled < 0 else ''}{whole}{'.' + part if part else ''}"

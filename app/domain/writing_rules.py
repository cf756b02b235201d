"""The writing rules for procedures, and where they ask for a second pair of eyes, as a lint that names the step.

A step is a command: verb first, one action, condition before action.  A hazard is a statement with no
action hidden inside.  A note informs and carries neither action nor limit.  The rules follow a published
writer's guide for technical procedures (DOE-STD-1029-92, read in part); the verb list is our own.

Two people cut and take a door off, whoever verifies the isolation is another than who made it, and it is made with a
table of locks: the model knows what is done and not by whom, so a text that does not ask for it is found here.

Laid over a housing, a section is split into parts of a few steps (W14): Degani and Wiener, Human Factors of
Flight-Deck Checklists, NASA CR-177549 (1990), whose guidelines split long checklists into chunks.  They give no number;
nine is this program's figure.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from app.domain.containment.effects import Act
from app.domain.containment.mishaps import Mishap
from app.domain.procedure import Procedure, Second, StepKind, WrittenStep, read_effect
from app.domain.steps import Step

VERBS = frozenset({
    "account", "agree", "apply", "ask", "attach", "back", "band", "bring", "brief", "check", "choose", "close",
    "collect", "compare", "confirm", "count", "crimp", "cut", "draw", "extend", "fit", "fold", "gather", "hand",
    "hold", "inspect", "label", "latch", "lay", "lift", "load", "lock", "measure", "notify", "open", "pause", "press",
    "pull", "push", "put", "read", "record", "refit", "release", "remove", "return", "roll", "seal", "set", "shut",
    "slide", "start", "stop", "strap", "take", "tape", "tell", "test", "tie", "turn", "twist", "unlatch", "verify",
    "wait", "weigh", "wipe",
})  # fmt: skip
CONDITIONS = ("If ", "When ", "While ", "Before ", "After ")
LIMIT_SIGN = re.compile(
    r"[<>≤≥±]|\bat (?:least|most)\b|\b(?:no|not) more than\b|\bmaximum\b|\bminimum\b", re.IGNORECASE
)
LONGEST_TEXT = 160
LONGEST_PART = 9
BY_TWO = {Act.CUT: "cuts", Act.TAKE_DOOR_OFF: "takes a door off"}


@dataclass(frozen=True, slots=True)
class Finding:
    """A step that breaks a writing rule, or lacks the second pair of eyes that it needs."""

    step: str
    rule: str
    sentence: str


def findings(procedure: Procedure) -> tuple[Finding, ...]:
    """Return everything that keeps a procedure from being issued, but what the model finds over a housing."""
    return (*misworded(procedure), *unwatched(procedure))


def unwatched(procedure: Procedure) -> tuple[Finding, ...]:
    """Return each step that lacks the second pair of eyes it needs.

    A text is not issued with one; one that was issued before this was asked is still used.
    """
    found: list[Finding] = []
    for where, step in procedure.written():
        if step.block is None:
            found += [Finding(where, rule, sentence) for rule, sentence in _alone(step)]
            found += [Finding(where, "W12", told) for told in _unlocked(procedure, step)]
    return tuple(found)


def overlong(steps: tuple[Step, ...]) -> Iterator[Finding]:
    """Yield each part of a section, as it is laid over a housing, with more steps in a row than a list should have."""
    for (section, part), run in groupby(steps, lambda step: (step.section, step.part)):
        if (count := len(tuple(run))) > LONGEST_PART:
            what = f"the part {part!r}" if part else "what stands under the section's title alone"
            told = f"{what} has {count} steps in a row; {LONGEST_PART} is the most, so begin another part in it"
            yield Finding(section, "W14", told)


def misworded(procedure: Procedure) -> tuple[Finding, ...]:
    """Return every break of the rules of wording; a text with one is not even read."""
    found: list[Finding] = []
    for where, step in procedure.written():
        if step.block is None:
            found += [Finding(where, rule, sentence) for rule, sentence in _faults(step)]
    for name, hazard in procedure.hazards.items():
        if verb := _imperative(hazard.text):
            found.append(Finding(f"hazard {name}", "W4", f"the hazard hides the action {verb!r}; make that a step"))
        if hazard.text.isupper():
            found.append(Finding(f"hazard {name}", "W4", "the hazard runs in capitals; only the signal word does"))
    return tuple(found)


def text_faults(text: str) -> tuple[str, ...]:
    """Return what is wrong with the words of an action: no verb first, two actions, a condition behind, too long."""
    return tuple(sentence for _, sentence in _text_faults(text))


def _text_faults(text: str) -> list[tuple[str, str]]:
    found = [*_verb_first(text), *_one_action(text), *_condition_first(text)]
    if len(text) > LONGEST_TEXT:
        found.append(("W2", f"the text has {len(text)} characters; {LONGEST_TEXT} is the most for one action"))
    return found


def _faults(step: WrittenStep) -> list[tuple[str, str]]:
    found = _text_faults(step.text)
    if step.note and (verb := _imperative(step.note)):
        found.append(("W5", f"the note hides the action {verb!r}; a note only informs"))
    if step.note and LIMIT_SIGN.search(step.note):
        found.append(("W5", "the note carries a limit; put it with the reading it limits"))
    if step.kind is StepKind.DECIDE and not any(ask.kind == "choice" for ask in step.asks):
        found.append(("W6", "a decision needs a choice between two options or more"))
    if "one of" in step.text.lower() and not any(ask.kind == "choice" for ask in step.asks):
        found.append(("W7", "'one of' needs a choice that records which one was done"))
    if step.kind is StepKind.CHECK and step.effects:
        found.append(("W8", "a check only compares; it cannot change the housing"))
    if bare := [option for ask in step.asks for option in ask.options if _says_nothing(option)]:
        found.append(("W9", f"the answer {bare[0]!r} does not state what was seen"))
    return found


UNLOCKED = 'the step isolates the housing without its table of locks; give it table = "locks_on"'
NO_FURTHER = "the step isolates what leaks by without naming a further point; give it further = true"


def _acts(step: WrittenStep) -> frozenset[Act]:
    return frozenset(read_effect(effect)[0] for effect in step.effects)


def _alone(step: WrittenStep) -> list[tuple[str, str]]:
    """Say what one person could do here alone that takes two."""
    acts = _acts(step)
    found = []
    if step.second is not Second.CONCURRENT and (by_two := [words for act, words in BY_TWO.items() if act in acts]):
        found.append(("W10", f'the step {by_two[0]} and takes one person; give it marks = 2 and second = "concurrent"'))
    if Act.VERIFY_ISOLATION in acts and step.kind is not StepKind.VERIFY:
        found.append(("W11", 'whoever isolates could verify it here; give the step kind = "verify"'))
    return found


def _unlocked(procedure: Procedure, step: WrittenStep) -> Iterator[str]:
    """Say where a step isolates the housing without its table of locks, or once more without a further point."""
    if Act.ISOLATE not in _acts(step):
        return
    if step.table != "locks_on":
        yield UNLOCKED
    leaks = [kept for kept in procedure.contingencies.values() if kept.occurs is Mishap.LEAK_BY]
    sections = [section for kept in leaks for stage in kept.stages for section in stage.sections]
    if not step.further and any(other is step for section in sections for other in section.steps):
        yield NO_FURTHER


def _verb_first(text: str) -> list[tuple[str, str]]:
    words = _after_condition(text).split()
    first = words[0].strip(",.").lower() if words else ""
    return [] if first in VERBS else [("W1", f"{first!r} is not a verb of the list; begin with what is to be done")]


def _one_action(text: str) -> list[tuple[str, str]]:
    main = _after_condition(text)
    second = re.findall(r"(?:\band(?: then)?|[;.]|,? then)\s+([A-Za-z]+)", main)
    verbs = [word.lower() for word in second if word.lower() in VERBS]
    return [("W2", f"a second action {verbs[0]!r} stands in the same step; give it a step of its own")] if verbs else []


def _condition_first(text: str) -> list[tuple[str, str]]:
    if text.startswith(CONDITIONS):
        return [] if "," in text else [("W3", "a comma is missing between the condition and the action")]
    late = re.search(r"\b(if|when|unless)\b", text)
    return [("W3", f"the condition {late.group(1)!r} stands after the action; put it first")] if late else []


def _after_condition(text: str) -> str:
    return text.partition(",")[2].strip() if text.startswith(CONDITIONS) else text


def _imperative(text: str) -> str | None:
    """Return an approved verb that opens a sentence or clause of the text, if one does."""
    for clause in re.split(r"[.;:]\s+", text):
        words = clause.split()
        if words and words[0].strip(",").lower() in VERBS:
            return words[0].lower()
    return None


def _says_nothing(option: str) -> bool:
    return option.strip(" .!").lower() in {
        "ok",
        "okay",
        "checked",
        "done",
        "set",
        "yes",
        "no",
        "good",
        "fine",
        "pass",
        "passed",
    }

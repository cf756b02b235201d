"""Words that several records share: limits, answers, instruments, who and when."""

from collections.abc import Mapping, Sequence

from app.domain.event_base import Answer, Transcribed
from app.domain.housing import Housing
from app.domain.instruments import Instrument
from app.domain.job import JobState, Stamp, Stop
from app.domain.procedure import Procedure
from app.domain.readiness import Prepared
from app.domain.site import SiteState
from app.domain.site_settings import no_limit_words, without_own
from app.domain.steps import Step
from app.domain.words import unit_words
from app.records.moments import local_text

USE_WORDS = {
    "new_bags": "new bags", "cuts": "cuts", "tie_straps": "tie straps", "metal_bands": "metal bands",
    "edges_to_tape": "edges to tape", "spent_packages": "spent-filter packages",
    "filterless_packages": "filter-less packages", "filters": "filters", "grease_applications": "grease applications",
}  # fmt: skip


def use_words(name: str, count: int) -> str:
    """Name what is used up as its number wants it: `new bag` for one, `new bags` for any other."""
    many = USE_WORDS.get(name, name.replace("_", " "))
    return many.replace("edges ", "edge ").removesuffix("s") if count == 1 else many


def stopper_words(stop: Stop) -> str:
    """Say who stopped a job: whoever pressed STOP or entered what could not stay, else the program."""
    return f"the program, when {stop.stamp.by.name} acted or looked" if stop.noticed else stop.stamp.by.name


def limit_words(low: str | None, high: str | None, op: str, unit: str | None) -> str:
    """Say a limit in absolute values: `8.5 to 10.5 N·m`, `below 0.05 %`, `at least 3 pcs`; empty if none."""
    shown = unit_words(unit)
    if low is not None and high is not None:
        same = low == high
        told = f"exactly {low} {shown}" if same else f"{low} to {high} {shown}"
    elif high is not None:
        told = f"{'below' if op == '<' else 'at most'} {high} {shown}"
    elif low is not None:
        told = f"at least {low} {shown}"
    else:
        return ""
    return told.strip()


def limit_gaps(housing: Housing, state: SiteState, procedure: Procedure | None = None) -> tuple[str, ...]:
    """Say for which readings a housing has no limit of its own, and what holds there; procedure: of those it takes."""
    lacking, chosen = without_own(housing, procedure), state.watch.limits
    missing = [setting for setting in lacking if setting.name not in chosen]
    told = [no_limit_words(housing.tag, missing).removesuffix(".")] if missing else []
    for setting in lacking:
        if (limit := chosen.get(setting.name)) is not None:
            holds = limit_words(limit.low, limit.high, limit.op, limit.unit)
            told.append(
                f"{housing.tag} has no limit of its own for the {setting.reading}; the site's for such housings holds: "
                f"{holds} ({limit.basis})"
            )
    return tuple(told)


def limit_of_result(step: Step) -> str:
    """Say the limit of a step's result, both ends; nothing if it has none."""
    limit = step.result_limit
    return limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else ""


def instrument_words(instrument: Instrument) -> str:
    """Say which instrument it was and from when to when its calibration held, as it was in the register then."""
    paper = f", certificate {instrument.certificate}" if instrument.certificate else ""
    return (
        f"{instrument.id} ({instrument.description}; calibrated {instrument.calibrated_on}, good until "
        f"{instrument.due}{paper})"
    )


def answer_words(answer: Answer, instruments: Mapping[str, Instrument]) -> str:
    """Say an answer as typed, with its unit; an instrument with its calibration."""
    if answer.text in instruments:
        return instrument_words(instruments[answer.text])
    told = f"{answer.text} {unit_words(answer.unit)}".strip()
    return f"{told} (entered twice)" if answer.twice else told


def who_words(stamp: Stamp, zone: str) -> str:
    """Say who made a mark, in which role, on which tablet, when by the site's zone, and for whom it was recorded."""
    tablet = f", {stamp.tablet}" if stamp.tablet else ""
    worked = stamp.worker
    second = ""
    if stamp.second:
        second = f" with {stamp.second.name} ({stamp.second.role.words}, {second_words(stamp.paper)})"
    by = f"{stamp.by.name} ({stamp.by.role.words}{tablet})"
    whose = f"worker {worked.name} ({worked.role.words}), reader {by}" if worked else by
    told = f"{whose}{second} {local_text(stamp.at, zone)}"
    if stamp.paper is None or stamp.entered_by is None:
        return told
    return f"{told}, {transcribed_words(stamp.paper, stamp.entered_by.name)}"


def second_words(came: Transcribed | None) -> str:
    """Say what shows that a second person was there: their own secret, or that the paper names them."""
    written = came is not None and came.second_on_paper
    return "as written on paper, no secret given" if written else "own secret"


def part_words(step: Step) -> str:
    """Say behind the title of a section in which part of it a step stands; nothing where it has none."""
    return f" — {step.part}" if step.part else ""


def part_begun(steps: Sequence[Step], place: int) -> dict[str, str]:
    """Say which part of its section begins at a step of a record; nothing where none does."""
    here, before = steps[place], steps[max(place - 1, 0)]
    goes_on = place > 0 and (before.section, before.part) == (here.section, here.part)
    return {"part": here.part} if here.part and not goes_on else {}


def complete_words(state: JobState, section: str, zone: str, part: str | None = None) -> str:
    """Say that a section, or this part of it, is complete, with how many steps and the last time; else nothing."""
    there = (step for step in state.steps if step.section == section and part in (step.part, None))
    marks = [state.mark(step.id) for step in there]
    stamps = [mark.done for mark in marks if mark.stands and mark.done is not None]
    if not marks or len(stamps) < len(marks):
        return ""
    last = local_text(max(stamp.at for stamp in stamps), zone)[11:16]
    return f"complete: {len(marks)} step{'' if len(marks) == 1 else 's'}{f', last at {last}' if last else ''}"


def transcribed_words(came: Transcribed, entered_by: str) -> str:
    """Say where a mark came from that was written on paper first."""
    return (
        f"transcribed from paper {came.serial}: done by {came.hand.name} {came.happened[:16].replace('T', ' ')} "
        f"{came.happened[-6:]}, entered by {entered_by}, compared by {came.compared_by.name}, photo {came.photo[:12]}; "
        f"late because: {came.why_late}"
    )


def prepared_words(prepared: Prepared) -> str:
    """Say from which planned work a job was opened, whether that was ready, and whether in its hours."""
    off = f"opened {prepared.off_hours}" if prepared.off_hours else ""
    if prepared.agreed:
        why = f"; {off}, because: {prepared.reason}" if off else ""
        return f"From {prepared.plan}, its readiness {prepared.told}{why}."
    how = off or "opened all the same"
    return f"From {prepared.plan}, NOT READY ({prepared.told}), {how}: {prepared.reason}."

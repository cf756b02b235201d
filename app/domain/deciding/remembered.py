"""What a tablet says it knew when it made a mark, held against the record: believed, cut back, or doubted.

Rules kept here:
- The size that a tablet names counts on the line of entries that it names, and never beyond the last restore since.
- A size beyond the record, or a confirmed mark that the record never had, is only explained by a restore that the
  site's own ledger tells of.  Else it is a false word, and the mark waits for a lead.
"""

from dataclasses import dataclass, replace

from app.calc.errors import Invalid
from app.domain.commands import Knowledge, Moment
from app.domain.job import JobState
from app.domain.restores import Restore


@dataclass(frozen=True, slots=True)
class Remembered:
    """What may be believed.  seen: of the entries that the record has.  doubt: why the tablet is not believed."""

    seen: int
    recovered: bool = False
    doubt: str = ""


def remembered(state: JobState, seen: int, told: Knowledge, moment: Moment) -> Remembered:
    """Judge what the tablet says; raise Invalid where the job that it speaks of is another by now."""
    lines = {restore.line for restore in moment.restores}
    since = _since(moment.restores, told.line)
    if any(restore.size is None for restore in since):
        raise Invalid(
            "This mark was made on a job that the restored backup did not hold; its number belongs to another job "
            "now. The mark stays on the tablet; show it to a lead."
        )
    if since:
        held = min(restore.size or 0 for restore in since) if told.line in {"", *lines} else 0
        return Remembered(min(seen, held), recovered=told.acknowledged or seen > held)
    if told.line not in {"", *lines}:
        return Remembered(seen, doubt="The tablet speaks of a restore that this site's record does not know.")
    return Remembered(seen, doubt=_doubt(state, seen, told))


def noted(moment: Moment, known: Remembered, seen: int) -> Moment:
    """Return the moment with what its device has to say of the mark: recovered, and a mark missing before it."""
    if moment.device is None:
        return moment
    told: dict[str, object] = {"missing": moment.missing}
    if known.recovered:
        told |= {"recovered": True, "knew": seen}
    return replace(moment, device=moment.device.model_copy(update=told))


def _since(restores: tuple[Restore, ...], line: str) -> tuple[Restore, ...]:
    """The restores that the tablet did not know of: after its line, or all if that line is not in the record."""
    for place, restore in enumerate(restores):
        if restore.line == line:
            return restores[place + 1 :]
    return restores


def _doubt(state: JobState, seen: int, told: Knowledge) -> str:
    if seen > state.size:
        return (
            f"The tablet says that it knew {seen} entries of this job; the record has {state.size}, and no restore "
            "explains the rest."
        )
    if told.acknowledged:
        return "The tablet says that the server had this mark; the record never had it, and no restore explains that."
    return ""

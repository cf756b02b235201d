"""Labels: choosing what to print, and what somebody sees who follows the code on one."""

from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

from app.domain.housing import Housing
from app.domain.job import JobState, Stage
from app.domain.job_lines import JobLine
from app.domain.labels import same_tag
from app.records.labels import PAPERS, LabelPaper

KINDS = {
    "housing": ("housings", "tags, parted by commas; none for every housing"),
    "points": ("housings with their points of isolation", "tags, parted by commas; none for every housing"),
    "filter": (
        "filters in the store room",
        "lots, parted by commas; none for every filter there that was not rejected",
    ),
    "package": ("waste packages of a job", "the number of the job"),
    "blank": ("controlled blanks of a job", "the number of the job"),
}
"""What labels are printed for: in words, and what tells which."""
ROOMY = {"package": "a4-2x2"}
"""The paper that is chosen at first for what has much text; else the first of all."""


@dataclass(frozen=True, slots=True)
class LabelsPage:
    """The choice before labels are printed.

    paper: the one chosen at first.  alone: the address means the server's own machine, which no tablet is.
    """

    kinds: tuple[tuple[str, str, str], ...]
    kind: str
    of: str
    papers: tuple[LabelPaper, ...]
    paper: str
    address: str
    alone: bool


def labels_page(kind: str, of: str, address: str) -> LabelsPage:
    """Return the page; address: how this tablet reached the server."""
    kinds = tuple((name, words, hint) for name, (words, hint) in KINDS.items())
    chosen = kind if kind in KINDS else "housing"
    paper = ROOMY.get(chosen, PAPERS[0].id)
    return LabelsPage(kinds, chosen, of, PAPERS, paper, address, _means_itself(address))


def _means_itself(address: str) -> bool:
    try:
        name = urlsplit(address).hostname or ""
        return name == "localhost" or ip_address(name).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class Held:
    """The label held against one job of this person: right, apart (of this housing, not asked for now), or wrong."""

    verdict: str
    sentence: str
    job: str


@dataclass(frozen=True, slots=True)
class AtLabel:
    """What stands under a label of a component.  housings: that it belongs to.  others: jobs there of other people."""

    reads: str
    what: str
    housings: tuple[Housing, ...]
    held: tuple[Held, ...]
    others: tuple[tuple[str, str, str], ...]


def at_component(
    reads: str, kind: str, housings: tuple[Housing, ...], jobs: tuple[tuple[JobLine, JobState], ...], person: str
) -> AtLabel:
    """Hold a label against the jobs in hand of this person, and list the others on its housing."""
    mine = [(line, state) for line, state in jobs if state.crew.member(person) is not None]
    tags = {housing.tag for housing in housings}
    others = [line for line, state in jobs if line.housing in tags and (line, state) not in mine]
    what = "a housing" if kind == "housing" else "a point of isolation"
    return AtLabel(
        reads=reads,
        what=what,
        housings=housings,
        held=tuple(_held(reads, line, state) for line, state in mine),
        others=tuple((line.job, line.number, line.housing) for line in others),
    )


def labels_asked(state: JobState) -> tuple[str, ...]:
    """Return what the labels read that the step in hand asks for, where it asks for any now."""
    due = state.due
    if due is None or state.stage is not Stage.OPEN:
        return ()
    act = "finish" if due.marks == 1 or state.mark(due.id).begun is not None else "begin"
    asked = due.asks_at("finish" if act == "finish" else "begin")
    return tuple(item.ask.expects for item in asked if item.ask.kind == "tag" and item.ask.expects)


def _held(reads: str, line: JobLine, state: JobState) -> Held:
    asked, due = labels_asked(state), state.due
    step = due.text if due else "no step is due"
    if any(same_tag(reads, tag) for tag in asked):
        told = f"This is the label that job {line.number} asks for now: {step}"
        return Held("right", f"{told} Read what it says with your own eyes as well.", line.job)
    own = {line.housing, *(point.tag for point in state.points)}
    if not any(same_tag(reads, tag) for tag in own):
        told = f"NOT YOUR HOUSING: job {line.number} is on {line.housing}, and this label reads {reads}."
        return Held("wrong", f"{told} Do not go on here.", line.job)
    if asked:
        told = f"NOT THIS ONE: job {line.number} asks for {' or '.join(asked)} now, and this label reads {reads}."
        return Held("wrong", f"{told} {step}", line.job)
    return Held(
        "apart", f"It belongs to {line.housing}, job {line.number}. No label is asked for now: {step}", line.job
    )

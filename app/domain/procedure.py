"""A procedure as it is written and reviewed: stages, sections, steps, hazards, limits, figures.

A procedure is data in TOML.  A misspelt key is an error; conditions are a closed list of facts and never
expressions; placeholders are a closed set, so that nothing else can be reached through a text.
"""

import string
import tomllib
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from app.calc.errors import Invalid
from app.domain.containment.effects import SIDED_ACTS, Act, Side
from app.domain.containment.mishaps import Mishap
from app.domain.housing import SiteLimit
from app.domain.instruments import InstrumentKind
from app.domain.text import Kept, sentence_from

Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]


class Role(StrEnum):
    """Who somebody is on the site."""

    TECHNICIAN = "technician"
    SAFETY_OFFICER = "safety_officer"
    LEAD = "lead"
    ADMINISTRATOR = "administrator"

    @property
    def words(self) -> str:
        """The role as it stands in a sentence."""
        return self.replace("_", " ")


class StepKind(StrEnum):
    """What a step asks of a person."""

    ACTION = "action"
    CHECK = "check"
    VERIFY = "verify"
    READING = "reading"
    NOTIFY = "notify"
    DECIDE = "decide"
    HOLD = "hold"
    PAUSE = "pause"


class Second(StrEnum):
    """A second person at a step, there with the first and proven by their own secret.

    concurrent: both before it is begun and both when it is done.  witness: makes the second of two entries.
    """

    CONCURRENT = "concurrent"
    WITNESS = "witness"


class Signal(StrEnum):
    """Signal words by severity of injury, the scheme of ANSI Z535.4 (meanings read in a secondary text)."""

    DANGER = "danger"
    WARNING = "warning"
    CAUTION = "caution"
    NOTICE = "notice"


class Use(StrEnum):
    """How closely a section is to be followed."""

    STEP_IN_HAND = "step_in_hand"
    REFER_BACK = "refer_back"
    INFORMATION = "information"

    @property
    def words(self) -> str:
        """How a section is used, as it stands on pages and records."""
        return {"step_in_hand": "followed step by step", "refer_back": "referred back to"}.get(self, "for information")


class Say(StrEnum):
    """What a team pause says aloud, with its value: the few things whose omission alone can cause the accident."""

    LOCKS = "locks"
    PERMIT = "permit"
    BAGS = "bags"
    CLOSURES = "closures"
    STUBS = "stubs"
    CLAMPS = "clamps"
    DOORS = "doors"


class Fact(StrEnum):
    """The closed list of conditions under which a step applies."""

    GASKET = "gasket"
    GEL = "gel"
    RADIOACTIVE = "radioactive"
    BIOLOGICAL = "biological"
    POTENT_COMPOUND = "potent_compound"
    CHEMICAL = "chemical"
    GENERAL = "general"
    NEEDS_DECONTAMINATION = "needs_decontamination"
    PREFILTER = "prefilter"
    HEPA = "hepa"
    CARBON = "carbon"
    ONE_FILTER = "one_filter"
    SEVERAL_FILTERS = "several_filters"
    MORE_TO_COME_OUT = "more_to_come_out"
    LAST_OUT = "last_out"
    MORE_TO_GO_IN = "more_to_go_in"
    LAST_IN = "last_in"
    FIRST_CUT = "first_cut"


class Hazard(Kept):
    """A warning that stands before its step: what may happen and what it would do, no action hidden inside."""

    signal: Signal
    text: str = Field(min_length=10, max_length=300)


class Limit(SiteLimit):
    """A limit of the procedure with its basis; a site value of the same name replaces it."""

    basis: str


class Figure(Kept):
    """A target of the trade, such as a length of bag; a site value of the same name replaces it."""

    value: str
    unit: str
    basis: str


class Ask(Kept):
    """One piece of evidence that a step asks for.

    reading: a number as typed, in `unit`, judged against the limit named `limit` if there is one.
    choice: one of `options`, each stating what was seen; those in `good` let the work go on.
    text: words.  photo: a picture from the tablet.  date: a day.
    instrument: one of the register's instruments of the kind `measures`, in calibration.
    twice: a number that decides something, entered twice without the first entry in sight.
    same_as: `step/ask`, an earlier answer that a verification states anew before it is shown.
    tag: what the label on the component reads, before anybody acts on it; `expects` is what it has to read.
    """

    id: Id
    label: str = Field(min_length=2, max_length=160)
    kind: Literal["reading", "choice", "text", "photo", "date", "instrument", "tag"]
    unit: str | None = None
    options: tuple[str, ...] = ()
    good: tuple[str, ...] = ()
    limit: str | None = None
    required: bool = True
    measures: InstrumentKind | None = None
    twice: bool = False
    same_as: str | None = Field(default=None, pattern=r"^[a-z0-9-]+/[a-z0-9-]+$")
    expects: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> "Ask":
        if (self.kind == "tag") != (self.expects is not None):
            raise ValueError(f"{self.id}: a label, and nothing else, says what it is expected to read")
        if (self.kind == "instrument") != (self.measures is not None):
            raise ValueError(f"{self.id}: an instrument, and nothing else, says what it measures")
        if self.twice and self.kind != "reading":
            raise ValueError(f"{self.id} is no reading, so it is not entered twice")
        if self.same_as is not None and self.kind not in {"reading", "text"}:
            raise ValueError(f"{self.id} is neither a reading nor a text, so it cannot be compared with an earlier one")
        if self.kind == "reading" and not self.unit:
            raise ValueError(f"the reading {self.id} needs a unit")
        if self.kind == "choice" and len(self.options) < 2:
            raise ValueError(f"the choice {self.id} needs two options or more")
        if stray := [word for word in self.good if word not in self.options]:
            raise ValueError(f"the choice {self.id} calls {stray[0]!r} good, which is not among its options")
        return self


RESULT_UNITS = {
    "leak_test": "pct", "capacity": "pct", "resistance_at_rated": "Pa", "filter_age": "date", "smear": "dpm/100cm2",
    "pressure_decay": "pct/min", "uniformity": "pct",
}  # fmt: skip
"""What a step may compute, and the unit of the value, which is also that of its limit."""
DECIDING = {
    "leak_test": frozenset({"background", "upstream", "downstream", "upstream-after"}),
    "smear": frozenset({"gross", "background"}),
}
"""By what a step computes, the readings that decide it: they are entered twice, whether its text says so or not."""


class OnlyIf(Kept):
    """A branch: the step applies only if this option was chosen at that decision, which stands before it."""

    step: str
    option: str


class WrittenStep(Kept):
    """A step as its author wrote it, or `block`: the place where a named block of steps is repeated.

    way_out: the name of the steps that a lead may put in when a result here lies outside its limit.
    second: a second person who is there, where an act cannot be taken back or a number decides.
    says: makes the step a team pause, at which the crew says these things and each of them confirms.
    only_if: the decision of the same section, and the option there, under which the step applies; it changes nothing
    at the housing.  by_radio: a hold that may be released by a voice that repeats what it is about.
    table: the step is done row by row, one for each point of isolation; it stands when the last row does.
    further: points of isolation beyond the nameplate are named at this table, one at least; it stands when its mark
    does.
    veils: earlier steps (`step` of the same section, or `section/step`) whose answers nobody is shown before this
    verification is entered; a block may name what only stands at some of its places.
    shown_because: why what the work verified here had answered may be seen before, where it is not veiled.
    part: the title of the part of the section that begins here; it goes on to the next one or the section's end.
    """

    id: Id | None = None
    block: Id | None = None
    part: str | None = Field(default=None, min_length=2, max_length=40)
    text: str = ""
    kind: StepKind = StepKind.ACTION
    role: Role = Role.TECHNICIAN
    effects: tuple[str, ...] = ()
    hazards: tuple[Id, ...] = ()
    asks: tuple[Ask, ...] = ()
    when: tuple[Fact, ...] = ()
    marks: Literal[1, 2] = 1
    final: bool = False
    note: str = ""
    computes: str | None = None
    result_limit: str | None = None
    relied_on_by: tuple[str, ...] = ()
    way_out: Id | None = None
    table: Literal["locks_on", "locks_off"] | None = None
    further: bool = False
    only_if: OnlyIf | None = None
    by_radio: bool = False
    second: Second | None = None
    says: tuple[Say, ...] = ()
    veils: tuple[str, ...] = ()
    shown_because: str = ""

    @model_validator(mode="after")
    def _pause_alone(self) -> "WrittenStep":
        if self.says and (self.kind is not StepKind.PAUSE or self.asks or self.effects or self.marks == 2):
            raise ValueError(f"{self.id} says something aloud: it is a pause that asks nothing and changes nothing")
        return self

    @model_validator(mode="after")
    def _step_or_block(self) -> "WrittenStep":
        if (self.block is None) == (self.id is None):
            raise ValueError("a step has either an id with a text, or the name of a block")
        if self.id is not None and not self.text:
            raise ValueError(f"the step {self.id} has no text")
        if self.computes is not None and self.computes not in RESULT_UNITS:
            raise ValueError(f"{self.computes!r} is not something that a step can compute")
        if self.second is Second.CONCURRENT and self.marks != 2:
            raise ValueError(f"the step {self.id} has two people from its beginning, so it takes two marks")
        if self.second is Second.WITNESS and not any(ask.twice for ask in self.asks):
            raise ValueError(f"the step {self.id} has a witness but no number that is entered twice")
        if self.kind is not StepKind.VERIFY and any(ask.same_as for ask in self.asks):
            raise ValueError(f"the step {self.id} compares with an earlier answer but is no verification")
        if self.kind is not StepKind.VERIFY and (self.veils or self.shown_because):
            raise ValueError(f"the step {self.id} is no verification, so it neither veils answers nor says why not")
        for effect in self.effects:
            read_effect(effect)
        if self.only_if is not None and self.effects:
            raise ValueError(f"the step {self.id} depends on a choice, so it cannot change the housing")
        if self.by_radio and self.kind is not StepKind.HOLD:
            raise ValueError(f"the step {self.id} is no hold point, so nobody releases it by radio")
        if self.further and self.table != "locks_on":
            raise ValueError(f'the step {self.id} names further points of isolation; give it table = "locks_on"')
        branch = self.further and self.only_if is not None
        acts = self.table is None or branch or TABLE_ACTS[self.table] in self.effects
        if self.table is not None and (self.marks != 1 or self.asks or not acts):
            raise ValueError(
                f"the step {self.id} is done row by row: give it one mark, no questions and {TABLE_ACTS[self.table]}"
            )
        return self


TABLE_ACTS = {"locks_on": "isolate", "locks_off": "remove_locks"}
"""What a step that is done row by row does to the housing."""


def read_effect(text: str) -> tuple[Act, Side | None]:
    """Read `act` or `act:side`; raise ValueError with a sentence otherwise."""
    name, _, side = text.partition(":")
    if name not in tuple(Act):
        raise ValueError(f"{name!r} is not an act that the containment model knows")
    act = Act(name)
    if (act in SIDED_ACTS) != bool(side) or (side and side not in tuple(Side)):
        raise ValueError(
            f"{text!r}: {name} {'is written with :ring or :package' if act in SIDED_ACTS else 'has no side'}"
        )
    return act, Side(side) if side else None


class RepeatedReading(Kept):
    """A reading taken again and again while a door is off.  minutes: the longest time between two.

    limit: the name of a limit of the site or the procedure.  basis: where the interval comes from.
    """

    label: str = Field(min_length=2, max_length=80)
    minutes: int = Field(ge=1, le=480)
    unit: str
    limit: str | None = None
    basis: str


class Section(Kept):
    """A short run of steps with one purpose; repeated per filter where `each` says so."""

    id: Id
    title: str
    use: Use
    each: Literal["once", "filter_out", "filter_in"] = "once"
    steps: tuple[WrittenStep, ...] = Field(min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _says_its_use(cls, given: object) -> object:
        if isinstance(given, dict) and "use" not in given:
            name = f"{given.get('id', '?')}, “{given.get('title', '?')}”"
            raise ValueError(f"the section {name} does not say how closely it is followed; give it a use")
        return given


class Stage(Kept):
    """A part of the job: once, or finished at one port before the next, or once for each bank."""

    id: Id
    title: str
    each: Literal["job", "port", "bank"] = "job"
    sections: tuple[Section, ...] = Field(min_length=1)


class WayOut(Kept):
    """Steps beside the main line: put in before a test that failed, so that it can be made again.

    A stage for each port is laid over the ports of the bank that failed.
    """

    title: str
    stages: tuple[Stage, ...] = Field(min_length=1)


class Contingency(Kept):
    """What to do when something goes wrong: steps beside the main line, put in by a lead where it happened.

    occurs: what went wrong, as the model knows it; where it can be entered follows from that.  A stage for each port
    is laid at the port where it happened.  returns: where the main line goes on, in the order of preference: `due`
    for the step that was in hand, `next` for the one after it if the steps put in have done it, or an earlier step of
    its section, done again with what follows it.
    """

    title: str
    occurs: Mishap
    returns: tuple[str, ...] = Field(default=("due",), min_length=1)
    stages: tuple[Stage, ...] = Field(min_length=1)


class Procedure(Kept):
    """A revision of a procedure.  needs: the qualifications that everybody at work on it holds, in the site's words."""

    id: Id
    revision: int = Field(ge=1)
    title: str
    kind: Literal["change_out", "first_fit_out"]
    purpose: str
    author: str
    approver: str
    signal_words: Literal["severity of injury"]
    needs: tuple[str, ...] = ()
    hazards: dict[Id, Hazard] = Field(default_factory=dict)
    limits: dict[str, Limit] = Field(default_factory=dict)
    figures: dict[str, Figure] = Field(default_factory=dict)
    blocks: dict[Id, tuple[WrittenStep, ...]] = Field(default_factory=dict)
    stages: tuple[Stage, ...] = Field(min_length=1)
    ways_out: dict[Id, WayOut] = Field(default_factory=dict)
    contingencies: dict[Id, Contingency] = Field(default_factory=dict)
    repeated: RepeatedReading | None = None

    @model_validator(mode="after")
    def _hangs_together(self) -> "Procedure":
        known = {step.id for _, step in self.written()}
        for where, step in self.written():
            if stray := [name for name in step.hazards if name not in self.hazards]:
                raise ValueError(f"{where}: hazard {stray[0]!r} is not written anywhere in this procedure")
            for text in (step.text, step.note, *(told for ask in step.asks for told in (ask.label, ask.expects or ""))):
                if stray_names := placeholders(text) - PLACEHOLDERS:
                    raise ValueError(f"{where}: {{{min(stray_names)}}} is not a name that a step may use")
            if step.way_out is not None and step.way_out not in self.ways_out:
                raise ValueError(f"{where}: there is no way out {step.way_out!r}")
            if step.block is not None and step.block not in self.blocks:
                raise ValueError(f"{where}: there is no block {step.block!r}")
            if stray := [name for name in step.veils if name.rpartition("/")[2] not in known]:
                raise ValueError(f"{where}: it veils {stray[0]!r}, which is no step of this procedure")
        return self

    def _beside(self) -> tuple[WayOut | Contingency, ...]:
        return (*self.ways_out.values(), *self.contingencies.values())

    def written(self) -> tuple[tuple[str, WrittenStep], ...]:
        """List every step as written, blocks included, with the place where it stands."""
        return tuple(
            [(f"block {name}, {step.id}", step) for name, steps in self.blocks.items() for step in steps]
            + [
                (f"{stage.id}/{section.id}/{step.id or 'block'}", step)
                for stage in (*self.stages, *(stage for way in self._beside() for stage in way.stages))
                for section in stage.sections
                for step in section.steps
            ]
        )

    @property
    def fits(self) -> bool:
        """Whether this procedure starts from a fitted (contaminated) housing."""
        return self.kind == "change_out"


PLACEHOLDERS = frozenset({
    "housing", "location", "port", "position", "filters", "filter_type", "upstream_damper", "downstream_damper",
    "fan", "fan_label", "bank", "clamp", "ties", "bands", "gathered_length", "band_gap", "service",
})  # fmt: skip
MEMBERLESS = string.Formatter()


def placeholders(text: str) -> frozenset[str]:
    """Return the names in braces; raise ValueError for braces that hold anything but a plain name."""
    found: set[str] = set()
    for _, name, spec, conversion in MEMBERLESS.parse(text):
        if name is None:
            continue
        if spec or conversion or not name.isidentifier():
            raise ValueError(f"{{{name}}} holds more than a plain name")
        found.add(name)
    return frozenset(found)


@lru_cache(maxsize=8)
def read_procedure(text: str, *, name: str) -> Procedure:
    """Read a procedure from TOML text; `name` stands in the sentence when it cannot be read."""
    try:
        return Procedure.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as fault:
        raise Invalid(f"{name} is not TOML: {fault}. Correct that line and try again.") from None
    except RecursionError:
        raise Invalid(f"{name} is nested too deeply to be read. Write it flat and try again.") from None
    except ValidationError as fault:
        raise sentence_from(fault, what=name) from None

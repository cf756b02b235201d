"""A procedure laid over a housing: the steps of one job, in order, each complete in itself.

The steps are kept in the first entry of the job's ledger, so that a record explains itself for ever.
"""

import json
from collections import Counter, defaultdict
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Literal

from app.calc.errors import Invalid
from app.domain.containment.effects import HOUSING_ACTS, POSITION_ACTS, Act, Effect, uses
from app.domain.containment.effects import Use as Used
from app.domain.containment.mishaps import Mishap, Spot, happen
from app.domain.containment.rules import attempt
from app.domain.containment.state import ClosureRule, HousingState, starting_state
from app.domain.housing import AccessPort, Bank, BankDesign, FurtherPoint, Housing, Point, Service, SiteLimit
from app.domain.procedure import (
    DECIDING,
    RESULT_UNITS,
    Ask,
    Fact,
    Hazard,
    OnlyIf,
    Procedure,
    Role,
    Say,
    Second,
    Section,
    Signal,
    Stage,
    StepKind,
    Use,
    WrittenStep,
    read_effect,
)
from app.domain.text import Kept

BANK_WORDS = {Bank.PREFILTER: "prefilter bank", Bank.HEPA: "HEPA bank", Bank.CARBON: "carbon bank"}
AS_NO_LOCK = "no lock, no tag or another position"
"""What a verifier says of a point that is not isolated."""
DECONTAMINATED_FIRST = (Service.BIOLOGICAL, Service.POTENT_COMPOUND)


class Named(Kept):
    """One answer of one step."""

    step: str
    ask: str


class AskedFor(Kept):
    """Evidence asked by a step, with the limit that applies here, or the earlier answer that it states anew."""

    ask: Ask
    limit: SiteLimit | None = None
    same_as: Named | None = None


class Occurrence(Kept):
    """What went wrong before a step was put in, and where."""

    mishap: Mishap
    port: str | None = None
    position: int | None = None


class Step(Kept):
    """One step of one job.  design: the site values of its bank, where it computes something from them.

    occurs: what went wrong just before this step, the first of those put in for it.  only_if: the step applies only
    if that option was chosen.  veils: the steps whose answers are not shown before this verification is entered;
    shown_because: why those of the work that it looks at are.  further: at its table further points are named.
    part: the title of the part of the section in which it stands.
    """

    id: str
    stage: str
    section: str
    title: str
    use: Use
    text: str
    kind: StepKind
    role: Role
    effects: tuple[Effect, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    asks: tuple[AskedFor, ...] = ()
    marks: int = 1
    final: bool = False
    note: str = ""
    computes: str | None = None
    result_limit: SiteLimit | None = None
    port: str | None = None
    position: int | None = None
    bank: Bank | None = None
    relied_on_by: tuple[str, ...] = ()
    way_out: str | None = None
    design: BankDesign | None = None
    second: Second | None = None
    says: tuple[Say, ...] | None = None
    only_if: OnlyIf | None = None
    by_radio: bool | None = None
    occurs: Occurrence | None = None
    table: Literal["locks_on", "locks_off"] | None = None
    further: bool | None = None
    veils: tuple[str, ...] | None = None
    shown_because: str | None = None
    part: str | None = None

    @property
    def hazards_sha256(self) -> str:
        """SHA-256 of signal words and texts in their order (as RFC 8785 writes these); nothing where there are none."""
        told = [[hazard.signal.value, hazard.text] for hazard in self.hazards]
        written = json.dumps(told, ensure_ascii=False, separators=(",", ":"))
        return sha256(written.encode()).hexdigest() if told else ""

    def asks_at(self, act: Literal["begin", "finish"]) -> tuple[AskedFor, ...]:
        """Return what is asked at a mark: labels before anybody acts, all else when it is done."""
        if self.marks == 1:
            return () if act == "begin" else self.asks
        return tuple(asked for asked in self.asks if (asked.ask.kind == "tag") == (act == "begin"))


class Repeated(Kept):
    """The reading that is repeated while a door is off.  minutes: the longest time between two."""

    label: str
    minutes: int
    unit: str
    limit: SiteLimit | None = None
    basis: str


def renamed(step: Step, prefix: str) -> Step:
    """Return the step with its id, and every id in it, under a prefix: for steps that are put in."""
    only_if = step.only_if
    return step.model_copy(update={
        "id": f"{prefix}/{step.id}",
        "section": f"{prefix}/{step.section}",
        "relied_on_by": tuple(f"{prefix}/{name}" for name in step.relied_on_by),
        "asks": tuple(_renamed_ask(asked, prefix) for asked in step.asks),
        "only_if": only_if and only_if.model_copy(update={"step": f"{prefix}/{only_if.step}"}),
        "veils": step.veils and tuple(f"{prefix}/{name}" for name in step.veils),
    })  # fmt: skip


def _renamed_ask(asked: AskedFor, prefix: str) -> AskedFor:
    same = asked.same_as and asked.same_as.model_copy(update={"step": f"{prefix}/{asked.same_as.step}"})
    return asked.model_copy(update={"same_as": same})


class LaidWayOut(Kept):
    """Steps kept ready beside the main line, for when the test step `at` fails."""

    id: str
    at: str
    title: str
    steps: tuple[Step, ...]

    def numbered(self, turn: int) -> tuple[Step, ...]:
        """Return the steps with ids of their own for this turn, counted from 1."""
        return tuple(renamed(step, f"{self.id}-{turn}") for step in self.steps)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the housing a written step is being laid.

    first: at the port that is opened first.  template: at no port yet, filled in later.
    """

    port: AccessPort | None = None
    position: int | None = None
    bank: Bank | None = None
    facts: frozenset[Fact] = frozenset()
    first: bool = False
    template: bool = False


def closure_rule(procedure: Procedure, housing: Housing) -> ClosureRule:
    """Return how many ties and bands stand on each side of a cut: half of those per cut."""
    return ClosureRule(
        ties_each_side=_each_side(procedure, housing, "ties_per_cut"),
        bands_each_side=_each_side(procedure, housing, "bands_per_cut"),
    )


def _each_side(procedure: Procedure, housing: Housing, name: str) -> int:
    text = _figure(procedure, housing, name)
    if not text.isdigit() or int(text) % 2 or not 2 <= int(text) <= 8:
        raise Invalid(f"{name} is {text!r}; give an even number from 2 to 8, half of them for each side of the cut.")
    return int(text) // 2


def _figure(procedure: Procedure, housing: Housing, name: str) -> str:
    if name in housing.practice:
        return housing.practice[name]
    if name not in procedure.figures:
        raise Invalid(f"Procedure {procedure.id} has no figure {name}; add it under [figures.{name}].")
    return procedure.figures[name].value


def begin_with(procedure: Procedure, housing: Housing) -> HousingState:
    """Return the model's state before the first step."""
    return starting_state(housing, fitted=procedure.fits, rule=closure_rule(procedure, housing))


def expand(procedure: Procedure, housing: Housing) -> tuple[Step, ...]:
    """Lay the procedure over the housing: one port after the other, filters out nearest first, in deepest first.

    Raises Invalid if the procedure names a figure, limit or step that is not there.
    """
    laid = _resolved(_counted(_laid(procedure, housing, procedure.stages), procedure, housing))
    rows = _rows(laid)
    laid = tuple(_point_by_point(step, rows, housing) for step in laid)
    _complain_of_radio(laid)
    ids = Counter(step.id for step in laid)
    if twice := [name for name, count in ids.items() if count > 1]:
        raise Invalid(f"Procedure {procedure.id} has two steps {twice[0]}; give each step of a section its own id.")
    return laid


def _rows(laid: tuple[Step, ...]) -> frozenset[str]:
    """Return the ids of the steps that hold the table of locks put on."""
    return frozenset(step.id for step in laid if step.table == "locks_on")


def _point_by_point(step: Step, rows: frozenset[str], housing: Housing, *, template: bool = False) -> Step:
    """Have whoever verifies the isolation unseen say of each point whose lock stands in the table how it is found."""
    if rows.isdisjoint(step.veils or ()) or all(effect.act is not Act.VERIFY_ISOLATION for effect in step.effects):
        return step
    found = [_as_found(f"{AT_POINT}{number}", point) for number, point in enumerate(housing.points, start=1)]
    if template:
        found = [_labelled(asked, _escaped(asked.ask.label)) for asked in found]
    return step.model_copy(update={"asks": (*found, *step.asks)})


AT_POINT, FURTHER = "point-", "further-"
"""Before the id of a question about a point of isolation, and before the id of a point that a job has named."""


def _as_found(name: str, point: Point) -> AskedFor:
    locked = f"{point.safe}, a lock and its tag on it"
    ask = Ask(id=name, label=f"{point.tag} as found", kind="choice", options=(locked, AS_NO_LOCK), good=(locked,))
    return AskedFor(ask=ask)


def _labelled(asked: AskedFor, label: str) -> AskedFor:
    return asked.model_copy(update={"ask": asked.ask.model_copy(update={"label": label})})


def asked_further(step: Step, further: Sequence[FurtherPoint]) -> Step:
    """Have whoever verifies point by point look at the points that the job has named as well, and at no others."""
    if all(effect.act is not Act.VERIFY_ISOLATION for effect in step.effects):
        return step
    known = [asked for asked in step.asks if asked.ask.id.startswith(AT_POINT)]
    plate = [asked for asked in known if not asked.ask.id.startswith(AT_POINT + FURTHER)]
    wanted = [*plate, *(_as_found(AT_POINT + point.id, point) for point in further)]
    if not plate or [asked.ask.id for asked in wanted] == [asked.ask.id for asked in known]:
        return step
    others = [asked for asked in step.asks if asked not in known]
    return step.model_copy(update={"asks": (*wanted, *others)})


def ways_out(procedure: Procedure, housing: Housing, line: tuple[Step, ...]) -> tuple[LaidWayOut, ...]:
    """Lay every way out that a step of the line names, over the ports of that step's bank."""
    found = []
    for step in line:
        if step.way_out is not None:
            way = procedure.ways_out[step.way_out.rpartition("-")[0]]
            laid = _laid(procedure, housing, way.stages, step.bank)
            found.append(LaidWayOut(id=step.way_out, at=step.id, title=way.title, steps=_resolved(laid, beside=True)))
    return tuple(found)


def put_in(line: tuple[Step, ...], way: LaidWayOut, turn: int) -> tuple[Step, ...]:
    """Return the line with a way out before the section that holds the failed step, so that all of it comes again."""
    section = next(step.section for step in line if step.id == way.at)
    place = next(number for number, step in enumerate(line) if step.section == section)
    return (*line[:place], *way.numbered(turn), *line[place:])


def lay_template(procedure: Procedure, housing: Housing, stages: tuple[Stage, ...]) -> tuple[Step, ...]:
    """Lay stages for a port that is not known yet: `{port}` and its like stay in the texts for `str.format_map`."""
    common = {Fact(housing.seal), Fact(housing.service)}
    laid = []
    for stage in stages:
        at_port = stage.each == "port"
        place = Place(SOME_PORT if at_port else None, 1 if at_port else None, None, frozenset(common), template=True)
        for section in stage.sections:
            if section.each != "once" or stage.each == "bank":
                raise Invalid(f"Section {section.id} of a contingency is laid once, at the port where it happened.")
            written, names = _unblocked(procedure, section.steps, place), _names(procedure, housing, place)
            laid += [_lay(procedure, housing, stage, section, place, step, names) for step in written]
    steps = _resolved(tuple(laid), beside=True)
    rows = _rows(steps)
    return tuple(_point_by_point(step, rows, housing, template=True) for step in steps)


def _laid(
    procedure: Procedure, housing: Housing, stages: tuple[Stage, ...], only: Bank | None = None
) -> tuple[Step, ...]:
    return tuple(
        _lay(procedure, housing, stage, section, place, written, names)
        for stage in stages
        for stage_place in _stage_places(stage, housing, procedure)
        if only is None or stage_place.bank in (only, None)
        for section in stage.sections
        for place in _section_places(section, stage_place)
        for names in [_names(procedure, housing, place)]
        for written in _unblocked(procedure, section.steps, place)
    )


def _stage_places(stage: Stage, housing: Housing, procedure: Procedure) -> Iterator[Place]:
    common = {Fact(housing.seal), Fact(housing.service)}
    if housing.service in DECONTAMINATED_FIRST and procedure.fits:
        common.add(Fact.NEEDS_DECONTAMINATION)
    match stage.each:
        case "job":
            yield Place(facts=frozenset(common))
        case "bank":
            for bank in housing.banks:
                yield Place(bank=bank, facts=frozenset({*common, Fact(bank)}))
        case "port":
            for port in housing.ports:
                many = Fact.ONE_FILTER if port.filters == 1 else Fact.SEVERAL_FILTERS
                facts = frozenset({*common, Fact(port.bank), many})
                yield Place(port=port, bank=port.bank, facts=facts, first=port is housing.ports[0])


def _section_places(section: Section, place: Place) -> Iterator[Place]:
    if section.each == "once":
        yield place
        return
    if place.port is None:
        raise Invalid(f"Section {section.id} repeats for each filter but does not stand in a stage for each port.")
    replaced = place.port.replaced
    out = section.each == "filter_out"
    for position in range(1, replaced + 1) if out else range(replaced, 0, -1):
        if out:
            turn = {Fact.MORE_TO_COME_OUT if position < replaced else Fact.LAST_OUT}
            turn |= {Fact.FIRST_CUT} if position == 1 and place.first else set()
        else:
            turn = {Fact.MORE_TO_GO_IN if position > 1 else Fact.LAST_IN}
        yield Place(place.port, position, place.bank, place.facts | turn)


def _unblocked(
    procedure: Procedure, steps: tuple[WrittenStep, ...], place: Place, part: str | None = None
) -> Generator[WrittenStep, None, str | None]:
    """Yield what applies here, each with the part it stands in; return the last part.

    A part begins where the text says so, also where the step that says it does not apply.
    """
    for written in steps:
        part = written.part or part
        if not place.facts.issuperset(written.when):
            continue
        if written.block is None:
            yield written if written.part == part else written.model_copy(update={"part": part})
        else:
            part = yield from _unblocked(procedure, procedure.blocks[written.block], place, part)
    return part


def _lay(
    procedure: Procedure,
    housing: Housing,
    stage: Stage,
    section: Section,
    place: Place,
    written: WrittenStep,
    names: dict[str, str],
) -> Step:
    parts = [stage.id]
    parts += (
        []
        if place.template
        else [place.port.id]
        if place.port
        else [place.bank]
        if stage.each == "bank" and place.bank
        else []
    )
    parts.append(section.id if place.position is None or place.template else f"{section.id}-{place.position}")
    return Step(
        id="/".join([*parts, written.id or ""]),
        stage=stage.title,
        section="/".join(parts),
        title=section.title,
        use=section.use,
        text=written.text.format_map(names),
        kind=written.kind,
        role=written.role,
        effects=tuple(_effect(text, place, section) for text in written.effects),
        hazards=tuple(sorted((procedure.hazards[name] for name in written.hazards), key=_gravest_first)),
        asks=tuple(_asked(procedure, housing, ask, names, written.computes) for ask in written.asks),
        marks=written.marks,
        final=written.final,
        note=written.note.format_map(names),
        computes=written.computes,
        result_limit=_limit(procedure, housing, written.result_limit, RESULT_UNITS.get(written.computes or "")),
        port=place.port.id if place.port else None,
        position=place.position,
        bank=place.bank,
        relied_on_by=written.relied_on_by,
        design=housing.design.get(place.bank) if written.computes and place.bank else None,
        second=written.second,
        table=written.table,
        further=written.further or None,
        way_out=None if written.way_out is None else f"{written.way_out}-{place.bank or 'all'}",
        says=written.says or None,
        only_if=written.only_if
        and written.only_if.model_copy(update={"step": "/".join([*parts, written.only_if.step])}),
        by_radio=written.by_radio or None,
        veils=written.veils or None,
        shown_because=written.shown_because or None,
        part=written.part,
    )


def _gravest_first(hazard: Hazard) -> int:
    return tuple(Signal).index(hazard.signal)


def _names(procedure: Procedure, housing: Housing, place: Place) -> dict[str, str]:
    rule = closure_rule(procedure, housing)
    names = {
        "housing": housing.tag,
        "location": housing.location,
        "service": housing.service.replace("_", " "),
        "upstream_damper": housing.upstream_damper,
        "downstream_damper": housing.downstream_damper,
        "fan": housing.fan,
        "fan_label": housing.fan_label,
        "ties": _count(rule.ties_each_side, "tie strap"),
        "bands": _count(rule.bands_each_side, "metal band"),
        "gathered_length": _figure(procedure, housing, "gathered_length"),
        "band_gap": _figure(procedure, housing, "band_gap"),
        "bank": BANK_WORDS[place.bank] if place.bank else "filter bank",
    }
    if place.port is not None:
        names |= {
            "port": place.port.id,
            "filters": str(place.port.filters),
            "filter_type": place.port.filter,
            "clamp": place.port.clamp,
        }
    if place.position is not None:
        names["position"] = str(place.position)
    if place.template:
        return _Names({name: _escaped(text) for name, text in names.items()} | AT_PORT)
    return _Names(names)


AT_PORT = {name: f"{{{name}}}" for name in ("port", "filters", "filter_type", "clamp", "position")}
SOME_PORT = AccessPort(id="PORT", filters=1, filter="any")


def _escaped(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def port_names(housing: Housing, port: str | None, position: int | None) -> dict[str, str]:
    """Return what stands for the names of a port in a template; empty for the housing as a whole."""
    if port is None:
        return {}
    there = housing.port(port)
    return {
        "port": there.id, "filters": str(there.filters), "filter_type": there.filter, "clamp": there.clamp,
        "position": str(position or ""),
    }  # fmt: skip


class _Names(dict[str, str]):
    """Names for a text; a name that has no meaning here is the author's fault and is told as such."""

    def __missing__(self, name: str) -> str:
        raise Invalid(f"{{{name}}} has no meaning where the procedure uses it; move the step or drop the name.")


def _count(number: int, thing: str) -> str:
    return f"one {thing}" if number == 1 else f"{number} {thing}s"


def _effect(text: str, place: Place, section: Section) -> Effect:
    act, side = read_effect(text)
    if act in HOUSING_ACTS:
        return Effect(act=act)
    if place.port is None:
        raise Invalid(f"Section {section.id} has the act {act}, which needs a port, outside a stage for each port.")
    if act in POSITION_ACTS and place.position is None:
        raise Invalid(f"Section {section.id} has the act {act}, which needs a filter position; repeat it per filter.")
    return Effect(act=act, port=place.port.id, position=place.position if act in POSITION_ACTS else None, side=side)


def _asked(procedure: Procedure, housing: Housing, ask: Ask, names: dict[str, str], computes: str | None) -> AskedFor:
    label = ask.label.format_map(names)
    expects = None if ask.expects is None else ask.expects.format_map(names)
    twice = ask.twice or (ask.kind == "reading" and ask.id in DECIDING.get(computes or "", ()))
    resolved = ask.model_copy(update={"label": label, "expects": expects, "twice": twice})
    if ask.limit is None or ask.limit.startswith("takeoff."):
        return AskedFor(ask=resolved)
    return AskedFor(ask=resolved, limit=_limit(procedure, housing, ask.limit, ask.unit))


def _limit(procedure: Procedure, housing: Housing, name: str | None, unit: str | None) -> SiteLimit | None:
    """Return the site's own limit, else the procedure's, else none: a step without one says so on the screen."""
    limit = None if name is None else housing.limits.get(name) or procedure.limits.get(name)
    if limit is None:
        return None
    if limit.unit != unit:
        raise Invalid(f"The limit {name} is given in {limit.unit}, but read in {unit}; give it in {unit}.")
    return SiteLimit(low=limit.low, high=limit.high, op=limit.op, unit=limit.unit, basis=limit.basis)


def repeated_over(procedure: Procedure, housing: Housing) -> Repeated | None:
    """Return the reading that is repeated while a door is off, with the limit that applies here."""
    asked = procedure.repeated
    if asked is None:
        return None
    limit = _limit(procedure, housing, asked.limit, asked.unit)
    return Repeated(label=asked.label, minutes=asked.minutes, unit=asked.unit, limit=limit, basis=asked.basis)


def _counted(laid: tuple[Step, ...], procedure: Procedure, housing: Housing) -> tuple[Step, ...]:
    """Put the take-off's counts into the limits of the steps that count material."""
    total = total_uses(laid, begin_with(procedure, housing))
    packages = total[Used.SPENT_PACKAGES] + total[Used.FILTERLESS_PACKAGES]
    counts = {f"takeoff.{use}": total[use] for use in Used} | {"takeoff.packages": packages}
    exact = {"takeoff.packages"}

    def with_count(asked: AskedFor) -> AskedFor:
        name = asked.ask.limit or ""
        if name not in counts:
            return asked
        number = str(counts[name])
        limit = SiteLimit(
            low=number, high=number if name in exact else None, unit=asked.ask.unit or "", basis="take-off of this job"
        )
        return asked.model_copy(update={"limit": limit})

    return tuple(step.model_copy(update={"asks": tuple(with_count(asked) for asked in step.asks)}) for step in laid)


def total_uses(steps: tuple[Step, ...], state: HousingState) -> Counter[Used]:
    """Sum what the effects of these steps use up, from this state on."""
    total: Counter[Used] = Counter()
    for _, counted in uses_by_effect(steps, state):
        total += counted
    return total


def uses_by_effect(steps: tuple[Step, ...], state: HousingState) -> Iterator[tuple[Effect, Counter[Used]]]:
    """Walk the steps through the model, with what went wrong before them; yield each effect with what it uses up."""
    for step in steps:
        if step.occurs is not None:
            state = happen(state, step.occurs.mishap, Spot(step.occurs.port, step.occurs.position))
        for effect in step.effects:
            yield effect, uses(state, effect)
            state = attempt(state, effect).state


def _resolved(steps: tuple[Step, ...], *, beside: bool = False) -> tuple[Step, ...]:
    """Turn `relied_on_by` names (section, or section/step, of the same port or of the job) into step ids.

    Whatever stands later in the same section relies on a step without being named.  Steps beside the main line
    may name what only stands there.
    """
    _complain_of_branches(steps)
    steps = tuple(_with_veil(step, steps[:number]) for number, step in enumerate(steps))
    places: dict[str, list[int]] = defaultdict(list)
    for number, step in enumerate(steps):
        for name in {step.section, *_short_names(step)}:
            places[name].append(number)
    return tuple(
        step.model_copy(update={
            "relied_on_by": _relying(step, number, steps, places, beside=beside),
            "asks": tuple(_compared(asked, step, steps[:number]) for asked in step.asks),
        })
        for number, step in enumerate(steps)
    )  # fmt: skip


def _compared(asked: AskedFor, step: Step, earlier: tuple[Step, ...]) -> AskedFor:
    """Find the answer that a verification states anew: the nearest earlier one of that name at the same place."""
    if asked.ask.same_as is None:
        return asked
    name, _, ask = asked.ask.same_as.partition("/")
    for other in reversed(earlier):
        here = other.port in (step.port, None) and (other.position in (step.position, None))
        if here and other.id.rsplit("/", 1)[-1] == name and any(item.ask.id == ask for item in other.asks):
            return asked.model_copy(update={"same_as": Named(step=other.id, ask=ask)})
    raise Invalid(f"Step {step.id} compares with {asked.ask.same_as!r}, which no earlier step at its place asks for.")


def _with_veil(step: Step, earlier: tuple[Step, ...]) -> Step:
    """Find the steps that a verification veils: in its section, or the nearest earlier `section/step` at its place."""
    if not step.veils:
        return step
    found = (
        next((other.id for other in reversed(earlier) if _is_named(other, name, step)), None) for name in step.veils
    )
    return step.model_copy(update={"veils": tuple(name for name in found if name is not None) or None})


def _is_named(other: Step, name: str, step: Step) -> bool:
    if "/" not in name:
        return other.section == step.section and other.id.rsplit("/", 1)[-1] == name
    here = other.port in (step.port, None) and other.position in (step.position, None)
    return here and _short_names(other)[1] == name


def looked_at(step: Step, before: Sequence[Step]) -> tuple[Step, ...]:
    """Return the steps that a verification looks at: those whose answers it states anew, and those that it veils.

    Where it states none anew, the work before it in its section, or in the one before, too.
    """
    if named := {asked.same_as.step for asked in step.asks if asked.same_as is not None}:
        return tuple(other for other in before if other.id in named | set(step.veils or ()))
    work = [other for other in before if other.section == step.section and other.effects]
    if not work:
        there = [other for other in before if other.port == step.port and other.effects]
        work = [other for other in there if other.section == there[-1].section]
    ids = {other.id for other in work} | set(step.veils or ())
    return tuple(other for other in before if other.id in ids)


def answers(step: Step) -> bool:
    """Whether a step holds what somebody found or typed; a label that is read only repeats what is known."""
    return step.table == "locks_on" or any(asked.ask.kind != "tag" for asked in step.asks)


def shown_before(steps: tuple[Step, ...]) -> Iterator[tuple[str, str]]:
    """Yield each verification of something that would be seen before, and what to do: a text is not issued with one.

    A verification that somebody answered before veils that answer, states it anew, or says why it may be seen.  What
    was answered is looked for in its section, and for an act such as proving the isolation in the one before.  A text
    that was issued before this was asked stays good for the jobs that it was issued for.
    """
    for number, step in enumerate(steps):
        if step.kind is not StepKind.VERIFY or step.shown_because:
            continue
        unseen = {*(step.veils or ()), *(asked.same_as.step for asked in step.asks if asked.same_as is not None)}
        work = (other for other in looked_at(step, steps[:number]) if other.section == step.section or step.effects)
        shown = (other.id for other in work if answers(other) and other.id not in unseen)
        if (seen := next(shown, None)) is not None:
            name = seen.rsplit("/", 1)[-1]
            told = f"it verifies what is answered at {seen}, which would be seen before; add {name!r} to its veils, or"
            yield step.id, f"{told} say under shown_because why it may be seen"


def _complain_of_radio(steps: tuple[Step, ...]) -> None:
    """An opening is never released by voice: no such hold between the verified isolation and the first door off."""
    opening = False
    for step in steps:
        acts = {effect.act for effect in step.effects}
        opening = (opening or Act.VERIFY_ISOLATION in acts) and Act.TAKE_DOOR_OFF not in acts
        if opening and step.by_radio:
            raise Invalid(f"Step {step.id} releases an opening; not by radio. Strike by_radio there.")


def _complain_of_branches(steps: tuple[Step, ...]) -> None:
    """A step that depends on a choice stands behind it, in the same section, and names an option that is there."""
    options: dict[str, tuple[str, ...]] = {}
    for step in steps:
        if step.only_if is not None and step.only_if.option not in options.get(step.only_if.step, ()):
            raise Invalid(
                f"Step {step.id} applies only if {step.only_if.option!r} was chosen at {step.only_if.step}, which is "
                "no option of a decision that stands before it in its section."
            )
        if step.kind is StepKind.DECIDE:
            options[step.id] = tuple(option for asked in step.asks for option in asked.ask.options)


def _relying(
    step: Step, number: int, steps: tuple[Step, ...], places: dict[str, list[int]], *, beside: bool
) -> tuple[str, ...]:
    if stray := [name for name in step.relied_on_by if name not in places and not beside]:
        raise Invalid(f"Step {step.id} is relied on by {stray[0]!r}, which is no step or section of this procedure.")
    later = sorted(
        {other for name in (step.section, *step.relied_on_by) for other in places.get(name, ()) if other > number}
    )
    return tuple(steps[other].id for other in later if step.port is None or steps[other].port in (step.port, None))


def _short_names(step: Step) -> tuple[str, str]:
    section = step.section.rsplit("/", 1)[-1]
    if step.position is not None:
        section = section.removesuffix(f"-{step.position}")
    return section, f"{section}/{step.id.rsplit('/', 1)[-1]}"

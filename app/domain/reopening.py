"""What to look at before work goes on after a stop, a suspension or a hand-over: the one gate for all of them.

From the model and the record, never from memory.  Whatever can be read is typed again and compared by the server;
nobody is shown what the record believes before they have answered.
"""

from collections.abc import Iterator

from app.domain.containment.state import Door, Filling, HousingState, Isolation, Kind, PortState
from app.domain.event_base import Answer
from app.domain.housing import SiteLimit
from app.domain.job import JobState
from app.domain.killers import permit_on_record
from app.domain.leaving import PERMIT_LOOKS, Recheck
from app.domain.locks import OTHERWISE, Hung
from app.domain.steps import Step
from app.domain.words import unit_words

PRESSURE_LIMIT = "housing_pressure"
"""The name of the limit of the housing's pressure against the room, as procedures and housings give it."""
LOCK_POINTS = ("upstream", "downstream", "fan")
BARE, TORN = "bare ring, nothing on it", "a torn bag or stub"
ON_RING = (
    BARE, "a bag, strapped", "a bag, not strapped", "a bag over a stub, strapped", "a bag over a stub, not strapped",
    "a stub, its edge taped", "a stub, its edge raw", TORN,
)  # fmt: skip
IN_BAG = ("nothing", "a spent filter", "a new filter", "a stub", "a spent filter and a stub", "a new filter and a stub")
READINGS = "Readings"


def rechecks_for(state: JobState) -> tuple[Recheck, ...]:
    """List what the housing must be compared with, each with what the record believes."""
    model, opened = state.model, state.opened
    if model is None or opened is None:
        return ()
    housing = opened.housing
    points = (
        ("upstream", f"Damper {housing.upstream_damper}", str(model.upstream), ("open", "shut")),
        ("downstream", f"Damper {housing.downstream_damper}", str(model.downstream), ("open", "shut")),
        ("fan", housing.fan, str(model.fan), ("running", "stopped")),
    )
    locks = lock_numbers(state)
    found = permit_looks(state)
    found.append(Recheck(id="tag", text="Tag on the housing", expected=housing.tag, kind="same", group="The housing"))
    for name, text, position, options in points:
        found.append(
            Recheck(id=name, text=text, expected=position, kind="choice", options=options, group=text)
        )  # fmt: skip
        if number := locks.get(name):
            lock = f"{text}: number of the lock on it"
            found.append(Recheck(id=f"lock-{name}", text=lock, expected=number, kind="same", group=text))
    for item in state.locks.points:
        if item.point not in LOCK_POINTS:
            found += _other_point(item)
    for item in state.locks.own:
        lock = f"Own lock of {item.by.name}: its number"
        found.append(Recheck(id=item.look, text=lock, expected=item.lock, kind="same", group="Own locks"))
    for port in model.ports:
        found += port_looks(port)
    return (*found, *_readings(state, model))


def permit_looks(state: JobState) -> list[Recheck]:
    """List what is read anew of a permit that is away: what of it is on record."""
    if state.leaving.permit is None:
        return []
    return [
        Recheck(id=name, text=text, expected=told, kind="same", group="The permit")
        for (name, text), told in zip(PERMIT_LOOKS.items(), permit_on_record(state), strict=True)
        if told
    ]


def _other_point(row: Hung) -> Iterator[Recheck]:
    """List what can be seen at a point of isolation that the model does not know, such as a purge or sample line."""
    text, options = f"{row.tag}: its position", (row.seen, OTHERWISE)
    yield Recheck(id=f"point-{row.point}", text=text, expected=row.seen, kind="choice", options=options, group=row.tag)
    lock = f"{row.tag}: number of the lock on it"
    yield Recheck(id=f"lock-{row.point}", text=lock, expected=row.lock, kind="same", group=row.tag)


def port_looks(port: PortState) -> list[Recheck]:
    """List what can be seen at one port: the door and, with the door off, ring, bag, neck and clamp."""
    group = f"Port {port.id}"

    def choice(name: str, text: str, expected: str, options: tuple[str, ...]) -> Recheck:
        return Recheck(
            id=f"{name}-{port.id}",
            text=f"{group}: {text}",
            expected=expected,
            kind="choice",
            options=options,
            group=group,
        )

    found = [choice("door", "the door", _door(port.door), ("shut", "off"))]
    if port.door is Door.SHUT:
        return found
    found.append(choice("ring", "on the ring", _on_ring(port), ON_RING))
    outer = port.outer
    if outer is not None and outer.kind is Kind.BAG and outer.extended:
        found.append(choice("bag", "in the bag", _in_bag(outer.filter, outer.stubs), IN_BAG))
    if outer is not None and outer.closure is not None:
        closed = outer.closure
        count = closed.ring_ties + closed.ring_bands
        if outer.kind is Kind.BAG:  # the package took its own side along when it was cut off
            count += closed.package_ties + closed.package_bands
        found.append(
            Recheck(
                id=f"neck-{port.id}", text=f"{group}: ties and bands on the neck, counted", expected=str(count),
                kind="count", group=group,
            )
        )  # fmt: skip
    found.append(choice("clamp", "the clamp", "set" if port.clamp_set else "released", ("set", "released")))
    return found


def _door(door: Door) -> str:
    return "shut" if door is Door.SHUT else "off"


def _on_ring(port: PortState) -> str:
    outer = port.outer
    if outer is None:
        return BARE
    if not outer.intact:
        return TORN
    if outer.kind is Kind.STUB:
        return f"a stub, its edge {'taped' if outer.taped else 'raw'}"
    over = " over a stub" if port.stub else ""
    return f"a bag{over}, {'strapped' if outer.strapped else 'not strapped'}"


def _in_bag(filling: Filling, stubs: int) -> str:
    held = {Filling.EMPTY: "", Filling.SPENT: "a spent filter", Filling.NEW: "a new filter"}[filling]
    return " and ".join(part for part in (held, "a stub" if stubs else "") if part) or "nothing"


def _readings(state: JobState, model: HousingState) -> list[Recheck]:
    if model.isolation is Isolation.NONE:
        return []
    found = []
    if read := _pressure_ask(state):
        step, ask = read
        asked = next(item for item in step.asks if item.ask.id == ask)
        answer = state.mark(step.id).evidence.answers.get(ask)
        found.append(_reading("pressure", asked.ask.label, answer, asked.ask.unit, asked.limit))
    worked = any(port.door is Door.OFF or port.cuts for port in model.ports)
    smear = next((step for step in state.steps if step.computes == "smear"), None)
    if worked and smear is not None:
        limit = smear.result_limit
        unit = limit.unit if limit else "dpm/100cm2"
        found.append(_reading("contamination", "Contamination around the ports", _last_smear(state), unit, limit))
    return found


def _reading(name: str, text: str, last: Answer | None, unit: str | None, limit: SiteLimit | None) -> Recheck:
    told = f"{last.text} {unit_words(last.unit)} when last read".strip() if last else "not read yet in this job"
    return Recheck(id=name, text=text, expected=told, kind="reading", group=READINGS, unit=unit, limit=limit)


def _pressure_ask(state: JobState) -> tuple[Step, str] | None:
    """The newest step that stands and read the pressure of the housing, else the first that will; and its question."""
    found = [(step, item.ask.id) for step in state.steps for item in step.asks if item.ask.limit == PRESSURE_LIMIT]
    done = [pair for pair in found if state.mark(pair[0].id).stands]
    return done[-1] if done else found[0] if found else None


def _last_smear(state: JobState) -> Answer | None:
    results = [state.mark(step.id).evidence.result for step in state.steps if step.computes == "smear"]
    made = [result for result in results if result is not None]
    return Answer(text=made[-1].value, unit=made[-1].unit) if made else None


def lock_numbers(state: JobState) -> dict[str, str]:
    """Return the number of the lock on each isolation point, by the point's id, while the locks are on."""
    if state.locks.points:
        return {item.point: item.lock for item in state.locks.points}
    if state.model is None or state.model.isolation is Isolation.NONE:
        return {}
    applied = [step for step in state.steps if any(effect.act == "isolate" for effect in step.effects)]
    standing = [step for step in applied if state.mark(step.id).stands]
    if not standing:
        return {}
    answers = state.mark(standing[-1].id).evidence.answers
    return {name: answers[name].text for name in LOCK_POINTS if name in answers}

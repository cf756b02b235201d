"""What follows from the answers to the items of readiness, and what does not fit together in them.

Every sentence with a figure carries its source, or says that it is the site's own.  Numbers are taken as typed.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

from app.calc import contamination, lifting
from app.calc.bounds import above, plain, within
from app.calc.counting import stay_time_min
from app.calc.errors import Invalid
from app.calc.exact import exact
from app.calc.respirators import greatest_concentration, protection_factor
from app.calc.sources import source
from app.domain.housing import Service
from app.domain.planned import Planned
from app.domain.readiness import Item
from app.domain.readiness_items import DOSES, HAZARDS, MASKS, NO, NO_MASK, YES
from app.domain.registers import day_from


@dataclass(frozen=True, slots=True)
class Setting:
    """What an answer is looked at against: the plan, the service, the day, and the crew's gaps in the register."""

    plan: Planned
    service: Service
    today: date
    standing: tuple[str, ...] = ()

    @property
    def begins(self) -> date:
        """The first day of the work."""
        return date.fromisoformat(self.plan.begins[:10])

    @property
    def ends(self) -> date:
        """The last day of the work."""
        return date.fromisoformat(self.plan.ends[:10])


def computed(item: Item, given: Mapping[str, str], setting: Setting) -> tuple[str, ...]:
    """Return what follows from an answer, in sentences with their sources; raise Invalid or OutOfRange if it cannot be.

    given: as `read_fields` returns it.
    """
    work = _COMPUTING.get(item)
    return tuple(work(given, setting)) if work else ()


def _ppe(given: Mapping[str, str], _: Setting) -> list[str]:
    mask, rules = given["mask"], given.get("rules", "")
    if mask != NO_MASK and not rules:
        raise Invalid("A respirator was chosen without the rule set by which its factor counts. Choose that too.")
    told, factor, basis = [], 1, "limit: the site's own"
    if mask != NO_MASK:
        found = protection_factor(respirator=mask, rule_set=rules)
        factor = found.factor
        told.append(f"Assigned protection factor of {MASKS[mask]}: {factor}. Source: {source(found.source_id).shown}.")
        basis += f"; factor: {source(found.source_id).shown}"
    together = [name for name in ("limit", "expected", "unit") if name in given]
    if not together:
        return told
    if len(together) < 3:
        raise Invalid("Exposure limit, concentration to expect and their unit go together. Give all three or none.")
    limit, unit = given["limit"], given["unit"]
    expected = within(exact(given["expected"], name="Concentration"), 0, 1e9, name="Concentration", unit=unit)
    most = above(exact(limit, name="Exposure limit"), 0, 1e9, name="Exposure limit", unit=unit) * factor
    if mask != NO_MASK:
        most = greatest_concentration(factor=found, exposure_limit=limit)
    worked = f"{factor} × {limit} = {plain(most)} {unit}"
    if expected > most:
        raise Invalid(
            f"{given['expected']} {unit} is to be expected, and {MASKS[mask]} is good up to {worked} ({basis}): "
            "choose a respirator with a larger factor, or bring the concentration down."
        )
    return [*told, f"Good up to {worked}; {given['expected']} {unit} is to be expected ({basis})."]


def _permit(given: Mapping[str, str], setting: Setting) -> list[str]:
    until = day_from(given["until"], "Good until the end of", setting.today)
    if until < setting.begins:
        raise Invalid(
            f"The permit runs out on {until}, before the work begins on {setting.begins}. Get one that is good then."
        )
    if until < setting.ends:
        return [f"It runs out on {until}, before the work ends on {setting.ends}: another is needed for the rest."]
    return []


def _space(given: Mapping[str, str], _: Setting) -> list[str]:
    shown = source("29cfr1910.146-b").shown
    against = []
    if given["enter"] == NO:
        against.append("nobody can enter it bodily and work in it")
    if given["exit"] == NO:
        against.append("its ways in and out are not restricted")
    if given["occupied"] == YES:
        against.append("it is designed for people to be in it continuously")
    if against:
        return [f"By these answers it is no confined space: {', '.join(against)}. Source: {shown}."]
    if left := [text for name, text in HAZARDS.items() if name not in given]:
        raise Invalid(f"By the first three answers it is a confined space, so the hazards count: {left[0]} Answer it.")
    hazards = [name for name in HAZARDS if given[name] == YES]
    if not hazards:
        return [
            f"By these answers it is a confined space without a hazard that asks for an entry permit. Source: {shown}."
        ]
    if "entry" not in given:
        raise Invalid(
            "By these answers it is a confined space that needs an entry permit. Give its number, the attendant and "
            "the rescue, or see that nobody enters and answer the questions for that work."
        )
    words = {"other": "another serious hazard", "walls": "walls or floor that trap"}
    named = ", ".join(words.get(name, name) for name in hazards)
    return [f"By these answers it is a confined space that needs an entry permit: {named}. Source: {shown}."]


def _decon(given: Mapping[str, str], setting: Setting) -> list[str]:
    on = day_from(given["on"], "Day on which it is done", setting.today)
    if on > setting.ends:
        raise Invalid(f"It would be done on {on}, after the work ends on {setting.ends}. Give a day before opening.")
    if on > setting.today:
        return [f"NOT DONE YET: planned for {on}. The job asks for its result before the housing is opened."]
    return [f"Done on {on}, by the site's own method and evidence."]


def _limits(given: Mapping[str, str], setting: Setting) -> list[str]:
    if setting.service is not Service.RADIOACTIVE:
        return []
    group, stop_at = given["group"], given["stop_at"]
    judged = contamination.judge(group=group, kind="removable", dpm_100cm2=stop_at)
    above(exact(stop_at, name="Removable contamination"), 0, 1e12, name="Removable contamination")
    nuclides = contamination.APPENDIX_D[group].nuclides
    beside = "which is less" if judged.above else "which it does not exceed"
    told = [
        f"Work stops at {stop_at} dpm/100 cm² removable (the site's own).",
        f"The value for {nuclides} is {judged.value_dpm} dpm/100 cm², {beside}. Source: {judged.source}.",
    ]
    together = [field.name for field in DOSES if field.name in given]
    if not together:
        return told
    if len(together) < len(DOSES):
        raise Invalid("Dose allowed, dose received, dose rate and their unit go together. Give all four or none.")
    unit = given["dose_unit"]
    minutes = stay_time_min(
        allowed=_figure(given, "allowed", "Dose allowed"), received=_figure(given, "received", "Dose received"),
        rate_per_h=_figure(given, "rate", "Dose rate"),
    )  # fmt: skip
    worked = f"({given['allowed']} − {given['received']}) {unit} / {given['rate']} {unit}/h"
    return [*told, f"Stay time {int(minutes)} min, rounded down: {worked}. Source: {source('stay-time').shown}."]


_GEOMETRY = ("h_cm", "v_cm", "d_cm", "a_deg", "freq_per_min", "duration_h", "coupling")


def _lift(given: Mapping[str, str], _: Setting) -> list[str]:
    weight = _figure(given, "weight_kg", "Heaviest element")
    above(weight, 0.0, 1000.0, name="Heaviest element", unit="kg")
    shown, together = source("niosh-94-110").shown, [name for name in _GEOMETRY if name in given]
    best = lifting.METRIC.load
    if not together:
        how = "more than" if weight > best else "not more than"
        return [f"{given['weight_kg']} kg is {how} the {plain(best)} kg for one person at best. Source: {shown}."]
    if len(together) < len(_GEOMETRY):
        raise Invalid("Reach, height, travel, twist, lifts a minute, hours and grip go together. Give all or none.")
    found = lifting.metric_multipliers(
        h_cm=_figure(given, "h_cm", "Reach"), v_cm=_figure(given, "v_cm", "Height of the hands"),
        d_cm=_figure(given, "d_cm", "Travel"), a_deg=_figure(given, "a_deg", "Twist"),
        freq_per_min=_figure(given, "freq_per_min", "Lifts a minute"),
        duration_h=_figure(given, "duration_h", "Hours of lifting"),
        coupling=lifting.coupling_from_text(given["coupling"]),
    )  # fmt: skip
    limit = lifting.weight_limit_kg(found)
    index = lifting.lifting_index(load=weight, limit=limit)
    told = "above 1.0, so not for one person by hand" if index > 1.0 else "not above 1.0"
    worked = f"Recommended weight limit {limit:.1f} kg; lifting index of {given['weight_kg']} kg {index:.2f}"
    return [f"{worked}, {told}. Source: {shown}.", *found.notes]


def _people(_: Mapping[str, str], setting: Setting) -> list[str]:
    if not setting.standing:
        return [f"The register holds all that the procedure needs of everybody named, up to {setting.ends}."]
    return [f"By the register, for {setting.ends}: {'; '.join(setting.standing)}."]


_COMPUTING: dict[Item, Callable[[Mapping[str, str], Setting], list[str]]] = {
    Item.PPE: _ppe, Item.PERMIT: _permit, Item.SPACE: _space, Item.DECON: _decon, Item.LIMITS: _limits,
    Item.LIFT: _lift, Item.PEOPLE: _people,
}  # fmt: skip


OF_THE_SETTING = frozenset({Item.PERMIT, Item.DECON, Item.LIMITS, Item.PEOPLE})
"""Items from whose answer something follows that changes with the plan, its people or the register."""


def _figure(given: Mapping[str, str], name: str, label: str) -> float:
    return float(exact(given[name], name=label))

"""The items of readiness: which apply to which service, who owes them by when, and what each asks.

The days and the choice of what is asked are this program's own, and named so where they are shown.  What is chosen,
agreed or limited is the site's own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from app.calc.contamination import APPENDIX_D
from app.calc.errors import Invalid
from app.calc.respirators import RESPIRATORS
from app.domain.housing import Service
from app.domain.judging import number_text
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness import Item, Standing
from app.domain.readiness_fit import no_longer_fits

LONGEST_TEXT = 300
YES, NO = "yes", "no"
NO_MASK = "none"
Kind = Literal["text", "number", "date", "choice"]


@dataclass(frozen=True, slots=True)
class Field:
    """One thing that an item asks.  options: value and words; needed: whether it must be given; hint: below it."""

    name: str
    label: str
    kind: Kind = "text"
    needed: bool = True
    options: tuple[tuple[str, str], ...] = ()
    hint: str = ""


# --- which apply, who owes them -------------------------------------------------------------------

GRAVE = frozenset({Service.BIOLOGICAL, Service.POTENT_COMPOUND})
"""Services that are decontaminated, with evidence of it, before a housing is opened."""
LIMITED = frozenset({Service.RADIOACTIVE, Service.POTENT_COMPOUND, Service.CHEMICAL})
OWES = {
    Item.WINDOW: Role.LEAD, Item.PERMIT: Role.SAFETY_OFFICER, Item.PPE: Role.SAFETY_OFFICER,
    Item.SPACE: Role.SAFETY_OFFICER, Item.DECON: Role.SAFETY_OFFICER, Item.LIMITS: Role.SAFETY_OFFICER,
    Item.LIFT: Role.LEAD, Item.WASTE: Role.LEAD, Item.PEOPLE: Role.LEAD,
}  # fmt: skip
DAYS_AHEAD = {
    Item.WINDOW: 14, Item.PERMIT: 1, Item.PPE: 7, Item.SPACE: 7, Item.DECON: 1, Item.LIMITS: 7, Item.LIFT: 7,
    Item.WASTE: 14, Item.PEOPLE: 14,
}  # fmt: skip
"""How many days before the work begins an answer is owed unless a lead names a day (this program's figures)."""
OFFICERS_OWN = frozenset({Item.SPACE})
"""Items that nobody but a safety officer answers."""


def applies(service: Service) -> tuple[Item, ...]:
    """Return the items that work on a housing of this service has, in the order of the page."""
    return tuple(
        item
        for item in Item
        if (item is not Item.DECON or service in GRAVE) and (item is not Item.LIMITS or service in LIMITED)
    )


def settled(plan: Planned, item: Item) -> bool:
    """Whether an item is not needed, or answered in a way that fits the plan as it stands now."""
    return plan.readiness.of(item).standing is not Standing.OPEN and not no_longer_fits(plan, item)


def still_open(plan: Planned, service: Service) -> tuple[Item, ...]:
    """Return the items that are open."""
    return tuple(item for item in applies(service) if not settled(plan, item))


def is_ready(plan: Planned, service: Service) -> bool:
    """Whether the work is ready: not dropped, nothing open for this service, signed by both over what stands."""
    return not plan.dropped and not still_open(plan, service) and plan.readiness.signed


def owed_by(plan: Planned, item: Item) -> tuple[str, Role, date]:
    """Return who owes an item: the person's id or nothing, the role that owes it else, and the day."""
    state = plan.readiness.of(item)
    usual = date.fromisoformat(plan.begins[:10]) - timedelta(days=DAYS_AHEAD[item])
    return state.person, OWES[item], state.until or usual


# --- what is asked --------------------------------------------------------------------------------

_YES_NO = ((YES, "yes"), (NO, "no"))
MASKS = {
    NO_MASK: "none", "half-mask": "half mask", "full-facepiece": "full facepiece",
    "papr-half": "powered, half mask", "papr-full": "powered, full facepiece", "papr-hood": "powered, hood",
    "papr-loose": "powered, loose-fitting", "airline-half-continuous": "airline half mask, continuous flow",
    "airline-half-pressure-demand": "airline half mask, pressure demand",
    "airline-full-demand": "airline full facepiece, demand",
    "airline-full-continuous": "airline full facepiece, continuous flow",
    "airline-full-pressure-demand": "airline full facepiece, pressure demand",
    "scba-full-demand": "self-contained full facepiece, demand",
    "scba-full-pressure-demand": "self-contained full facepiece, pressure demand",
}  # fmt: skip
RULES = {"osha": "29 CFR 1910.134", "10cfr20": "10 CFR 20 Appendix A"}
_PPE = {
    Service.RADIOACTIVE: "Coveralls in one set or two, gloves over liners, shoe covers, overshoes, dosimeters.",
    Service.BIOLOGICAL: "Closed gown or coverall, two pairs of gloves, eyes covered; vaccination where the site asks.",
    Service.POTENT_COMPOUND: "Coverall that sheds nothing, two pairs of gloves, no skin bare at wrist or neck.",
    Service.CHEMICAL: "Gloves and eyes for this chemical; a particle filter alone stops no vapour.",
    Service.GENERAL: "Coverall, gloves, eyes, dust mask or better by the site's assessment.",
}  # fmt: skip
HAZARDS = {
    "atmosphere": "Does it hold, or may it hold, a hazardous atmosphere?",
    "engulfment": "Does it hold anything that could engulf whoever is inside?",
    "walls": "Could its walls or floor trap somebody, converging or sloping to a narrow place?",
    "other": "Does it hold any other serious hazard?",
}


def fields_of(item: Item, service: Service) -> tuple[Field, ...]:
    """Return what an item asks at a housing of this service."""
    if item is Item.LIMITS and service is not Service.RADIOACTIVE:
        return _OTHER_LIMITS
    if item is Item.PPE:
        return (Field("clothing", "Clothing, gloves, eyes, feet", hint=f"{_PPE[service]} {PRACTICE}"), *_MASK_FIELDS)
    return _FIELDS[item]


PRACTICE = "Common practice, no source; the site's assessment decides."
_MASK_FIELDS = (
    Field("mask", "Respirator", "choice", options=tuple((name, MASKS[name]) for name in (NO_MASK, *RESPIRATORS))),
    Field(
        "rules", "Rule set by which its factor counts", "choice", needed=False, options=tuple(RULES.items()),
        hint="One mask has two numbers, so none is given without its rule set.",
    ),
    Field("basis", "Assessment by which all this was chosen", hint="The site's own document and its number."),
    Field("limit", "Exposure limit, if a concentration is known", "number", needed=False),
    Field("expected", "Concentration to expect, same unit", "number", needed=False),
    Field("unit", "Unit of both", needed=False),
)  # fmt: skip
_OTHER_LIMITS = (
    Field("stop_at", "Limit at which work stops, with its unit", hint="The site's own, in air or on surfaces."),
    Field("basis", "Where that limit comes from"),
    Field("measured", "How it is measured, and by whom"),
)
DOSES = (
    Field("allowed", "Dose allowed to one person for this work", "number", needed=False, hint="The site's own."),
    Field("received", "Of it, already received by whoever has most", "number", needed=False),
    Field("rate", "Dose rate to expect, per hour", "number", needed=False),
    Field("dose_unit", "Unit of the doses", "choice", needed=False, options=(("mSv", "mSv"), ("mrem", "mrem"))),
)
_FIELDS = {
    Item.WINDOW: (
        Field("agreed", "Who of those that need the system agreed to these hours, and when"),
        Field("stays", "What must stay in service meanwhile, and how", needed=False),
    ),
    Item.PERMIT: (
        Field("number", "Permit number"),
        Field("kind", "Kind of permit", hint="Such as containment entry, work at height, hot work."),
        Field("until", "Good until the end of", "date"),
    ),
    Item.SPACE: (
        Field(
            "enter", "Is it large enough, and so made, that somebody can enter bodily and work in it?", "choice",
            options=_YES_NO,
        ),
        Field("exit", "Are its ways in and out limited or restricted?", "choice", options=_YES_NO),
        Field("occupied", "Is it designed for people to be in it continuously?", "choice", options=_YES_NO),
        *(Field(name, text, "choice", needed=False, options=_YES_NO) for name, text in HAZARDS.items()),
        Field("reasoning", "Your reasoning for this housing and this work"),
        Field("entry", "If it needs an entry permit: its number, the attendant, the rescue", needed=False),
    ),
    Item.DECON: (
        Field("method", "Method"),
        Field("contact", "Agent, strength and contact time, or the validation it rests on", hint="The site's own."),
        Field("on", "Day on which it is done", "date"),
        Field("who", "Who does it"),
        Field("evidence", "Evidence: indicators or certificate with their number, or where they will stand"),
    ),
    Item.LIMITS: (
        Field(
            "group", "Nuclides", "choice",
            options=tuple((name, item.nuclides) for name, item in APPENDIX_D.items()),
        ),
        Field(
            "stop_at", "Removable contamination at which work stops, dpm/100 cm²", "number",
            hint="The site's own; the value of 10 CFR 835 Appendix D is shown beside it.",
        ),
        *DOSES,
    ),
    Item.LIFT: (
        Field("weight_kg", "Heaviest element in its bag, kg", "number"),
        Field("who", "Who lifts, with which aid"),
        Field("h_cm", "Reach from ankles to hands, cm", "number", needed=False),
        Field("v_cm", "Height of the hands, cm", "number", needed=False),
        Field("d_cm", "Travel up or down, cm", "number", needed=False),
        Field("a_deg", "Twist, degrees", "number", needed=False),
        Field("freq_per_min", "Lifts a minute", "number", needed=False),
        Field("duration_h", "Hours of lifting", "number", needed=False),
        Field(
            "coupling", "Grip", "choice", needed=False,
            options=(("good", "good"), ("fair", "fair"), ("poor", "poor")),
        ),
    ),
    Item.WASTE: (
        Field("taker", "Who takes the packages, and when"),
        Field("container", "Container"),
        Field("papers", "Papers that go with it"),
    ),
    Item.PEOPLE: (
        Field("medical", "Medical clearance and fit tests: who was asked, what came of it"),
        Field("induction", "Site induction and training still to be given, to whom and when"),
    ),
}  # fmt: skip


def read_fields(item: Item, service: Service, typed: Mapping[str, str]) -> dict[str, str]:
    """Return what was typed for an item, read and in order; Invalid with one sentence for what is missing or no good.

    Fields left empty that need not be given are left out.
    """
    found: dict[str, str] = {}
    for asked in fields_of(item, service):
        text = " ".join(typed.get(asked.name, "").split())
        if not text:
            if asked.needed:
                raise Invalid(f"{asked.label}: nothing was given. Say it, or leave the item open.")
            continue
        if len(text) > LONGEST_TEXT:
            most = f"{LONGEST_TEXT} is the most (this program's bound)"
            raise Invalid(f"{asked.label}: {len(text)} characters; {most}. Shorten it.")
        if asked.kind == "number":
            text = number_text(text, asked.label)
        if asked.kind == "choice" and text not in {value for value, _ in asked.options}:
            raise Invalid(f"{asked.label}: {text[:20]!r} is none of the choices. Choose one of those shown.")
        found[asked.name] = text
    return found

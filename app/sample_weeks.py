"""The weeks around the work of the sample site: store room, planned work made ready, a survey, suggestions.

Everything is made up; people of the site enter it through its services, so that each rule is asked.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING

from app.domain.housing import Service
from app.domain.procedure import Role
from app.domain.readiness import Item
from app.domain.readiness_items import applies
from app.domain.store import Kind
from app.domain.storing import receipt_items
from app.domain.surveying import AS_ON_REGISTER, DIFFERS, UNSEEN, points_of
from app.services.planning import find_housing

if TYPE_CHECKING:
    from app.sample_site import Maker

STOCK: tuple[tuple[Kind, str, int, str], ...] = (
    (Kind.BAG, "24 in", 24, "rack 1"), (Kind.TIE_STRAP, "tie strap", 200, "drawer 3"),
    (Kind.METAL_BAND, "metal band", 120, "drawer 3"), (Kind.TAPE_ROLL, "cloth tape, 50 mm", 12, "drawer 4"),
    (Kind.GREASE, "clamp grease", 4, "drawer 4"), (Kind.AEROSOL, "aerosol oil for the leak test", 6, "rack 2"),
    (Kind.WASTE_PACKAGING, "drum liner, 200 litres", 30, "rack 5"),
    (Kind.PPE, "coverall, gloves, shoe covers: one set", 30, "changing room"),
    (Kind.TOOL, "filter shelf", 2, "tool crib"), (Kind.TOOL, "ratchet and socket", 3, "tool crib"),
    (Kind.TOOL, "torque wrench", 2, "tool crib"), (Kind.TOOL, "inspection lamp", 2, "tool crib"),
    (Kind.TOOL, "banding tool", 2, "tool crib"), (Kind.TOOL, "bag cutter", 2, "tool crib"),
    (Kind.TOOL, "sample fittings", 4, "tool crib"),
)  # fmt: skip
LEAD_TIMES = {
    Kind.FILTER: 42, Kind.BAG: 28, Kind.TIE_STRAP: 14, Kind.METAL_BAND: 14, Kind.TAPE_ROLL: 7, Kind.GREASE: 14,
    Kind.AEROSOL: 21, Kind.WASTE_PACKAGING: 10, Kind.PPE: 14, Kind.TOOL: 30,
}  # fmt: skip
"""Days from order to receipt, made up."""
SUGGESTED = (
    ("procedure", "change-out", "Say before the door is opened where the waste liner stands ready."),
    ("kit rule", "tape", "One more roll of tape where two ports are worked on in one day."),
)


def stock(maker: "Maker", tags: Sequence[str]) -> None:
    """Fill the store room: lots inspected and accepted, a filter held back, one that nobody looked at yet."""
    room, hands, lead = maker.running.site.store_room, maker.of(Role.TECHNICIAN)[0], maker.of(Role.LEAD)[0]
    made = str(maker.clock().date() - timedelta(days=150))
    for kind, days in LEAD_TIMES.items():
        room.choose_lead_time(str(kind), str(days), "what the last orders took", by=lead).result()
    for number, (kind, what, count, place) in enumerate(STOCK, start=1):
        name = f"L-{number:03}"
        lot = {"id": name, "kind": str(kind), "what": what, "count": str(count), "made": made, "place": place}
        room.receive(lot, by=hands).result()
        _inspect(maker, name, kind, "accepted")
    library = maker.running.site.library
    types = [port.filter for tag in tags[:12] for port in find_housing(library, tag).ports for _ in range(port.filters)]
    for number, what in enumerate(types, start=1):
        name = f"F-{number:04}"
        lot = {"id": name, "kind": "filter", "what": what, "serial": f"S-NEW-{number:04}", "made": made}
        room.receive({**lot, "place": "filter rack"}, by=hands).result()
        if number != len(types):
            _inspect(maker, name, Kind.FILTER, "held back" if number == 3 else "accepted")


def _inspect(maker: "Maker", lot: str, kind: Kind, verdict: str) -> None:
    items = receipt_items(kind)
    seen = {name: item.good for name, item in items.items()}
    if verdict != "accepted":
        first = next(iter(items))
        seen[first] = items[first].bad
    reason = "" if verdict == "accepted" else "The carton is crushed at one corner; the maker was asked."
    maker.running.site.store_room.inspect(
        lot, seen, verdict=verdict, reason=reason, photo="", by=maker.of(Role.TECHNICIAN)[0]
    ).result()  # fmt: skip


def plans(maker: "Maker", tags: Sequence[str]) -> None:
    """Plan work for the weeks to come: the first ready and signed, the next half answered, the last just planned."""
    book, lead, officer = maker.running.site.plans, maker.of(Role.LEAD)[0], maker.of(Role.SAFETY_OFFICER)[0]
    hands, eyes = maker.of(Role.TECHNICIAN)[:2]
    for place, tag in enumerate(tags, start=1):
        day = maker.clock().date() + timedelta(days=9 * place)
        typed = {
            "housing": tag, "procedure": "change-out", "begins": f"{day}T08:00", "ends": f"{day}T15:00",
            "lead": lead.id, "why": "its resistance nears the change-out value",
        }  # fmt: skip
        plan = max(book.plan(typed, [hands.id, eyes.id], by=lead).result().planned)
        service = book.service(plan)
        asked = applies(service)
        for item in {1: asked, 2: asked[: len(asked) // 2]}.get(place, ()):
            book.answer(plan, item, answer(item, service, day), by=officer).result()
        if place == 1:
            for who in (lead, officer):
                book.agree(plan, _newest(maker, plan), both=True, by=who).result()


def _newest(maker: "Maker", plan: str) -> str:
    return str(maker.jobs.site().planned[plan].readiness.newest)


def answer(item: Item, service: Service, day: date) -> Mapping[str, str]:
    """Return what the sample site's people answer to an item.  day: of the work."""
    masked = "scba-full-pressure-demand" if service is Service.CHEMICAL else "papr-full"
    limit = {"stop_at": "5 µg/m³", "basis": "site exposure limit 12", "measured": "pump at the ring, by the officer"}
    if service is Service.RADIOACTIVE:
        limit = {"group": "beta-gamma", "stop_at": "500", "allowed": "0.5", "received": "0.1", "rate": "0.02",
                 "dose_unit": "mSv"}  # fmt: skip
    told: dict[Item, dict[str, str]] = {
        Item.WINDOW: {"agreed": "control room and both laboratories, by telephone", "stays": "the second exhaust"},
        Item.PERMIT: {"number": "PTW 5120", "kind": "containment entry", "until": str(day + timedelta(days=2))},
        Item.PPE: {"clothing": "coverall, two pairs of gloves taped, shoe covers", "mask": masked, "rules": "osha",
                   "basis": "risk assessment RA-17"},
        Item.SPACE: {"enter": "no", "exit": "yes", "occupied": "no", "reasoning": "all work is done through the bag"},
        Item.DECON: {"method": "vapour, sealed system", "contact": "35 % for 40 min, validation V-3",
                     "on": str(day - timedelta(days=1)), "who": "the hygiene group", "evidence": "indicators BI-22"},
        Item.LIMITS: limit,
        Item.LIFT: {"weight_kg": "24", "who": "two people, lift table"},
        Item.WASTE: {"taker": "the licensed carrier of the site", "container": "drum, 200 litres", "papers": "W-90"},
        Item.PEOPLE: {"medical": "both cleared", "induction": "none left"},
    }  # fmt: skip
    return told[item]


def survey(maker: "Maker", tag: str) -> None:
    """Look at a housing some weeks ahead: one tag is another than on the register, and a lead has not decided yet."""
    points = points_of(find_housing(maker.running.site.library, tag), maker.jobs.site().housed)
    seen: dict[str, str] = {}
    for point in points:
        seen[f"shown.{point.id}"] = point.register_has
        seen[f"p.{point.id}"] = AS_ON_REGISTER if point.register_has else UNSEEN
    seen |= {"p.fan": DIFFERS, "f.fan": f"{next(point.register_has for point in points if point.id == 'fan')}A"}
    by = maker.of(Role.TECHNICIAN)[1]
    maker.running.site.housing_register.survey(tag, seen, (), proof="secret entered at signing", by=by).result()


def suggest(maker: "Maker") -> None:
    """Carry on what jobs taught: one suggestion accepted, one not answered yet."""
    book, hands, lead = maker.running.site.registers, maker.of(Role.TECHNICIAN)[0], maker.of(Role.LEAD)[0]
    for about, what, text in SUGGESTED:
        state = book.suggest(about, what, text, by=hands).result()
    book.answer_suggestion(max(state.suggestions.all), "accepted", "It was looked for on two jobs.", by=lead).result()

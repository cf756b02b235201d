"""The label of a package: every field with what is known of it, one text for screen, paper and label printer.  Pure.

What is not known stands as NOT ENTERED, so that a gap is seen; left out is only what a package of its service has none
of (dose rate and smear where nothing is radioactive), unless it was entered all the same.
"""

from collections.abc import Mapping
from fractions import Fraction

from app.calc.errors import ChangeoutError
from app.calc.exact import exact
from app.calc.sources import shown
from app.calc.waste import label, transport_index
from app.domain.containment.state import Filling
from app.domain.packages import Told, WastePackage
from app.domain.packing import sides_of, volume_words
from app.domain.waste import Waste, Whereabouts
from app.domain.wasting import closure_of, where_of
from app.records.moments import local_text

NOT_ENTERED = "NOT ENTERED"
RATES = {"mrem/h": Fraction(1), "mSv/h": Fraction(100), "µSv/h": Fraction(1, 10), "uSv/h": Fraction(1, 10)}
"""Units of dose rate that are known, in mrem/h (1 mSv is 100 mrem)."""
HAZARDS = {
    "radioactive": "nuclides", "biological": "agent", "potent compound": "compound", "chemical": "compound",
    "general": "",
}  # fmt: skip
"""By service, what is to be told of the hazard; of an unknown one nuclides or compound."""
RADIATION = frozenset({"", "radioactive"})
"""Services whose packages have a dose rate and a smear; a package of unknown service may be one of them."""
Serials = Mapping[tuple[str, int], tuple[str, str]]


def label_lines(package: WastePackage, waste: Waste, serials: Serials, zone: str) -> tuple[tuple[str, str], ...]:
    """Return the fields of a label with their texts; serials: what earlier jobs tell of the filters."""
    facts = waste.told(package.name)
    closure, radiates = closure_of(waste, package), package.service in RADIATION
    return (
        ("Package", package.name),
        ("Contents", contents_words(package)),
        ("Filter serial", serial_words(package, facts, serials)),
        ("From", from_words(package)),
        ("Made", local_text(package.sealed.at, zone)),
        ("Service and hazard", _hazard(package, facts)),
        *((("Decontamination on record", told),) if (told := _decontamination(package, zone)) else ()),
        *((("Dose rate", _dose(facts)),) if radiates or _any(facts, "contact", "one_metre") else ()),
        *((("Transport label", told),) if (told := transport_words(facts)) else ()),
        *((("Smear", _smear(package, facts)),) if radiates or package.smear or "smear" in facts else ()),
        ("Gross weight", weight_words(facts)),
        ("Volume", _volume(facts)),
        ("Sealed by", package.sealed.by),
        ("Closure checked by", f"{closure.by}, {closure.text}" if closure else NOT_ENTERED),
        ("Waste stream", _text(facts, "stream", NOT_ENTERED)),
    )


def printed_lines(
    package: WastePackage, waste: Waste, serials: Serials, zone: str, *, generator: str
) -> tuple[tuple[str, str], ...]:
    """Return the fields of a label that is stuck on: whose waste it is first, and where it goes where that is known.

    The sums of the transport label stand on the page and in the sheets, for there is no room for them.
    """
    going = _going(waste, package)
    lines = (
        (name, f"{text.partition(' by ')[0]}; the safety officer decides" if name == "Transport label" else text)
        for name, text in label_lines(package, waste, serials, zone)[1:]
    )
    return ("Package", package.name), ("Generator", generator), *lines, *((going,) if going else ())


def _going(waste: Waste, package: WastePackage) -> tuple[str, str] | None:
    """Say where a package was put or went, by the ledger or its job; nothing while it is where it was made."""
    where = where_of(waste, package)
    match where.kind:
        case Whereabouts.CONTAINER:
            return "Kept", f"in container {where.place}; {where.answers} answers for it"
        case Whereabouts.PLACE:
            return "Kept", f"at {where.place}; {where.answers} answers for it"
        case Whereabouts.HANDED_OVER | Whereabouts.GONE if (event := waste.handovers.get(where.place)) is not None:
            return "Destination", f"{event.event.receiver}, {event.event.organisation}, by hand-over {where.place}"
        case _:
            return None


def label_text(lines: tuple[tuple[str, str], ...]) -> str:
    """Return a label as plain text, one field a line."""
    return "\n".join(f"{name}: {text}" for name, text in lines)


def contents_words(package: WastePackage) -> str:
    """Say what a package holds; a filter-less bag is never called clean."""
    return package.contents if package.stub_known else f"{package.contents}; an earlier stub in it is not known here"


def from_words(package: WastePackage) -> str:
    """Say where a package comes from."""
    port = f", port {package.port}" if package.port else ""
    place = f", position {package.position}" if package.position is not None else ""
    return f"{package.housing}{port}{place}"


def serial_words(package: WastePackage, facts: Mapping[str, Told], serials: Serials) -> str:
    """Say the serial number of the filter inside: as typed, else as this job or an earlier one has it."""
    if "serial" in facts:
        return facts["serial"].text
    if package.serial is not None:
        return package.serial.text
    if package.filling is not Filling.SPENT:
        return "no filter inside"
    known = serials.get((package.port, package.position or 0))
    return f"{known[0]}, as fitted by job {known[1]}" if known else NOT_ENTERED


def weight_words(facts: Mapping[str, Told]) -> str:
    """Say the gross weight, or why there is none."""
    if "weight" in facts:
        scale = f", {facts['scale'].text}" if "scale" in facts else ""
        return f"{facts['weight'].text} kg{scale}"
    return f"NOT WEIGHED: {facts['no_scale'].text}" if "no_scale" in facts else NOT_ENTERED


def transport_words(facts: Mapping[str, Told]) -> str:
    """Say which transport label the dose rates ask for, with the sums; nothing where they do not suffice for it."""
    unit = RATES.get(facts["dose_unit"].text) if "dose_unit" in facts else None
    if unit is None or "contact" not in facts or "one_metre" not in facts:
        return ""
    try:
        surface = exact(facts["contact"].text, name="Dose rate at contact") * unit
        index = transport_index(mrem_h_at_1m=exact(facts["one_metre"].text, name="Dose rate at 1 m") * unit)
        kind = label(surface_mrem_h=surface, index=index)
    except ChangeoutError as fault:
        return str(fault)
    by = shown("49cfr172.403", "49cfr173.403")
    return (
        f"{kind} by {float(surface):g} mrem/h at the surface and transport index {float(index):g} ({by}); "
        "the safety officer decides"
    )


def _text(facts: Mapping[str, Told], name: str, missing: str) -> str:
    return facts[name].text if name in facts else missing


def _any(facts: Mapping[str, Told], *names: str) -> bool:
    return any(name in facts for name in names)


def _hazard(package: WastePackage, facts: Mapping[str, Told]) -> str:
    asked = HAZARDS.get(package.service, "nuclides or compound")
    told = _text(facts, "hazard", f"{asked} {NOT_ENTERED}" if asked else "")
    return "; ".join(part for part in (package.service, told) if part)


def _decontamination(package: WastePackage, zone: str) -> str:
    """Say how and when, as the step has it; the label never says that what is inside is clean."""
    told = package.decontaminated
    return f"{told.text}, {local_text(told.at, zone)}" if told else ""


def _dose(facts: Mapping[str, Told]) -> str:
    unit = _text(facts, "dose_unit", "")
    read = [
        f"{_text(facts, name, NOT_ENTERED)}{f' {unit}' if name in facts else ''} at {where}"
        for name, where in (("contact", "contact"), ("one_metre", "1 m"))
    ]
    meter = f" ({facts['dose_meter'].text})" if "dose_meter" in facts else ""
    return f"{', '.join(read)}{meter}"


def _smear(package: WastePackage, facts: Mapping[str, Told]) -> str:
    if "smear" in facts:
        return f"{facts['smear'].text} {_text(facts, 'smear_unit', '')} ({_text(facts, 'smear_counter', '')})"
    return f"{package.smear.text}, by step of the job" if package.smear else NOT_ENTERED


def _volume(facts: Mapping[str, Told]) -> str:
    sides = sides_of(facts)
    return f"{volume_words(sides)} ({facts['sides'].text} mm outside)" if sides else NOT_ENTERED

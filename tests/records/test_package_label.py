"""The label of a package: what stands on it for each service, and that a gap is seen."""

from dataclasses import replace

import pytest
from immutables import Map

from app.domain.housing import Service
from app.domain.packages import Told, WastePackage
from app.domain.waste import Handover, Waste, WasteHandedOver, Where, Whereabouts
from app.records.package_label import HAZARDS, label_lines, printed_lines
from tests.domain.test_waste import AT, ONE, package

MADE = package(ONE)
DONE = Told("vapour, cycle 4; all passed", "Noor Haddad", AT)


def lines_of(service: str, decontaminated: Told | None = None, **facts: str) -> dict[str, str]:
    """Return the label of a package of this service of which these facts are entered."""
    told = {name: Told(text, "Noor Haddad", AT) for name, text in facts.items()}
    waste = replace(Waste(), facts=Waste().facts.set(ONE, Map(told)))
    return dict(label_lines(replace(MADE, service=service, decontaminated=decontaminated), waste, {}, "UTC"))


@pytest.mark.parametrize(
    ("service", "hazard"),
    [
        ("radioactive", "radioactive; nuclides NOT ENTERED"),
        ("biological", "biological; agent NOT ENTERED"),
        ("potent compound", "potent compound; compound NOT ENTERED"),
        ("chemical", "chemical; compound NOT ENTERED"),
        ("general", "general"),
        ("", "nuclides or compound NOT ENTERED"),
    ],
)
def test_a_gap_is_shown_for_what_the_service_has(service: str, hazard: str) -> None:
    """Dose rate and smear are asked for where something may be radioactive, the hazard by what it is."""
    lines = lines_of(service)
    radiates = service in ("", "radioactive")

    assert lines["Service and hazard"] == hazard
    assert ("Dose rate" in lines, "Smear" in lines) == (radiates, radiates)
    assert lines["Gross weight"] == lines["Waste stream"] == "NOT ENTERED"
    assert "Decontamination on record" not in lines


def test_every_service_has_its_hazard() -> None:
    """A new service is noticed here."""
    assert set(HAZARDS) == {str(service).replace("_", " ") for service in Service}


def test_what_was_entered_stands_there_whatever_the_service() -> None:
    """Readings of a package that should have none are not hidden."""
    lines = lines_of("biological", contact="5", dose_unit="µSv/h", smear="12", hazard="spores")

    assert lines["Dose rate"] == "5 µSv/h at contact, NOT ENTERED at 1 m"
    assert lines["Smear"].startswith("12")
    assert lines["Service and hazard"] == "biological; spores"


def test_the_printed_label_has_every_field_and_whose_waste_it_is_and_where_it_goes() -> None:
    """In place of the sums of the transport label, for which there is no room, who decides."""
    facts = {"contact": "60", "one_metre": "0.8", "dose_unit": "mrem/h", "weight": "12.5", "sides": "640 640 320"}
    told = {name: Told(text, "Noor Haddad", AT) for name, text in facts.items()}
    waste = replace(Waste(), facts=Waste().facts.set(ONE, Map(told)))
    plain = replace(MADE, service="radioactive", taken=None)

    def printed(waste: Waste, package: WastePackage = plain) -> dict[str, str]:
        return dict(printed_lines(package, waste, {}, "UTC", generator="Sample Works"))

    lines, held = printed(waste), dict(label_lines(plain, waste, {}, "UTC"))
    differs = {name: text for name, text in lines.items() if held.get(name) != text}
    assert set(held) <= set(lines)
    assert differs == {
        "Generator": "Sample Works", "Transport label": "YELLOW-III; the safety officer decides"
    }  # fmt: skip
    taken = printed(waste, replace(plain, taken=Told("Olga Brandt", "Noor Haddad", AT)))
    assert taken["Kept"] == "at the waste point; Olga Brandt answers for it"
    put = Where(Whereabouts.CONTAINER, "D-1", "Olga Brandt", AT)
    boxed = printed(replace(waste, where=waste.where.set(ONE, put)))
    assert boxed["Kept"] == "in container D-1; Olga Brandt answers for it"
    event = WasteHandedOver(
        seq=9, at=AT, handover="H-0001", packages=(ONE,), receiver="Ada Lind", organisation="Waste works",
        meaning="handed over", local_time=AT, proof="secret",
    )  # fmt: skip
    gone = replace(
        waste, where=waste.where.set(ONE, Where(Whereabouts.HANDED_OVER, "H-0001", "Ada Lind", AT)),
        handovers=waste.handovers.set("H-0001", Handover(event)),
    )  # fmt: skip
    assert printed(gone)["Destination"] == "Ada Lind, Waste works, by hand-over H-0001"


def test_decontamination_is_told_as_its_step_has_it() -> None:
    """How and when."""
    assert lines_of("biological", DONE)["Decontamination on record"] == (
        "vapour, cycle 4; all passed, 2026-03-02 07:15:00 +00:00"
    )

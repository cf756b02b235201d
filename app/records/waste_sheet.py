"""What a container holds and what was handed over, as sheets to print.  Pure; the site's ledger proves it."""

from collections.abc import Mapping, Sequence
from typing import Any

from app.domain.packages import WastePackage
from app.domain.packing import room_in, sides_of, total_words, volume_words
from app.domain.site import SiteState
from app.domain.waste import ContainerKept, Handover
from app.ledger.heads import Head
from app.records.cautions import CAUTIONS, NO_COMPLIANCE
from app.records.moments import local_text
from app.records.package_label import (
    NOT_ENTERED,
    Serials,
    contents_words,
    from_words,
    label_lines,
    serial_words,
    weight_words,
)

OF_WASTE = (
    "Weights and readings stand here as they were typed. The program weighs and measures nothing.",
    (
        "The class of the waste, its transport and its papers are the safety officer's and the carrier's, "
        "by the rules that hold here."
    ),
    "A filter-less bag holds a stub of the bag before it and is as contaminated as the filter was.",
)
SerialsOf = Mapping[str, Serials]
"""Serials by job, as earlier jobs tell of them."""


def container_sheet(
    site: SiteState, container: ContainerKept, packages: Sequence[WastePackage], serials: SerialsOf, head: Head,
    made_at: str,
) -> dict[str, Any]:  # fmt: skip
    """Return the list of a container.

    Keys: title, kind, facts and signed (pairs), columns, rows, labels (each of pairs), cautions, head.
    """
    names = tuple(item.name for item in packages)
    room = room_in(container, names, site.waste.facts)
    sent = site.waste.sent.get(container.container, "")
    facts = [
        ["Container", f"{container.container}, {container_words(container)}"],
        ["Where", f"{container.place}; {container.answers} answers for it"],
        ["Handed over", sent or "not yet"],
        *(["Room", told] for told in room.words),
        ["Weights allowed", f"empty {container.empty_kg} kg, at most {container.most_kg} kg ({container.basis})"],
        ["This sheet made", local_text(made_at, site.zone)],
    ]
    return _sheet(
        f"Container {container.container}: {len(names)} package{'' if len(names) == 1 else 's'}", "CONTAINER LIST",
        site, facts, [], packages, serials, head,
    )  # fmt: skip


def handover_sheet(
    site: SiteState, handover: Handover, packages: Sequence[WastePackage], serials: SerialsOf, head: Head, made_at: str
) -> dict[str, Any]:
    """Return the sheet of a hand-over, with the same keys."""
    event = handover.event
    giver = f"{event.by.name} ({event.by.role.words})" if event.by else "the server"
    back = [name for name in event.packages if name in handover.back]
    paid = handover.certificate
    facts = [
        ["Hand-over", f"{event.handover}, {event.local_time}"],
        ["Given by", giver],
        ["Received by", f"{event.receiver}, {event.organisation}"],
        ["Containers", ", ".join(event.containers) or "none"],
        *([f"In container {name}", ", ".join(site.waste.contents(name))] for name in event.containers),
        ["Packages", str(len(event.packages))],
        ["Weight of the packages", total_words(event.packages, site.waste.facts)],
        *(
            [f"Container {name} empty", f"{kept.empty_kg} kg ({kept.basis})"]
            for name in event.containers
            if (kept := site.waste.containers.get(name)) is not None
        ),
        ["Came back", ", ".join(back) or "none"],
        ["Certificate", f"{paid.certificate} of {paid.dated}" if paid else "not received yet"],
        *([["Remark", event.remark]] if event.remark else []),
        ["This sheet made", local_text(made_at, site.zone)],
    ]
    signed = [
        ["Given by", giver], ["Meaning", f"“{event.meaning}”"], ["When", event.local_time], ["How", event.proof],
        ["Entry of the site's ledger", str(event.seq)],
    ]  # fmt: skip
    return _sheet(f"Hand-over of waste {event.handover}", "HAND-OVER", site, facts, signed, packages, serials, head)


def container_words(container: ContainerKept) -> str:
    """Say a container's shape and inside."""
    inside = " x ".join(container.inside)
    return f"box, {inside} mm inside" if container.shape == "box" else f"drum, bore and height {inside} mm inside"


COLUMNS = ("Package", "Contents", "From", "Filter serial", "Gross weight", "Volume")


def _sheet(
    title: str, kind: str, site: SiteState, facts: list[list[str]], signed: list[list[str]],
    packages: Sequence[WastePackage], serials: SerialsOf, head: Head,
) -> dict[str, Any]:  # fmt: skip
    return {
        "title": title,
        "kind": kind,
        "facts": facts,
        "signed": signed,
        "columns": list(COLUMNS),
        "rows": [_row(item, site, serials.get(item.job, {})) for item in packages],
        "labels": [
            [list(pair) for pair in label_lines(item, site.waste, serials.get(item.job, {}), site.zone)]
            for item in packages
        ],
        "cautions": [*OF_WASTE, *CAUTIONS, NO_COMPLIANCE],
        "head": {"size": head.size, "root": head.root.hex(), "at": local_text(head.at, site.zone)},
    }


def _row(item: WastePackage, site: SiteState, serials: Serials) -> list[str]:
    facts = site.waste.told(item.name)
    sides = sides_of(facts)
    return [
        item.name, contents_words(item), from_words(item), serial_words(item, facts, serials), weight_words(facts),
        volume_words(sides) if sides else NOT_ENTERED,
    ]  # fmt: skip

"""What departed from the main line, in words: contingencies, field changes, steps set aside, radio releases."""

from app.domain.contingency import ContingencyEntered

USE_WORDS = {
    "new_bags": "new bags", "cuts": "cuts", "tie_straps": "tie straps", "metal_bands": "metal bands",
    "edges_to_tape": "edges to tape", "spent_packages": "packages with a filter", "filterless_packages":
    "filter-less packages", "filters": "filters", "grease_applications": "grease applications",
}  # fmt: skip


def where_words(event: ContingencyEntered) -> str:
    """Say where something went wrong."""
    position = f", position {event.position}" if event.position else ""
    return f" at {event.port}{position}" if event.port else ""


def extra_words(extra: dict[str, int] | None) -> str:
    """Say what was used beyond the take-off."""
    return ", ".join(f"{count} {USE_WORDS.get(name, name)}" for name, count in (extra or {}).items())


def contingency_sentence(event: ContingencyEntered, step: str, returns_to: str) -> str:
    """Say what went wrong, what was put in, and where the work goes on."""
    told = [f"{event.by.name} entered the contingency “{event.title}”{where_words(event)} at {step}: {event.reason}"]
    told.append(f"The work goes on at {returns_to} afterwards")
    if event.due_again:
        told.append(f"{len(event.due_again)} steps before it are done again" if len(event.due_again) > 1
                    else "one step before it is done again")  # fmt: skip
    if extra := extra_words(event.extra):
        told.append(f"Beyond the take-off: {extra}")
    return ". ".join(part.rstrip(".") for part in told) + "."

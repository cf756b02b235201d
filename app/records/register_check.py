"""What a file would do to the housing register: what is added, changed and left, and every fault with its place.

Nothing here writes.  The same check runs on the same bytes when the file is entered, against the register of then.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from app.domain.filling import EMPTY, elsewhere, in_store_room
from app.domain.housed import Housed, Spot, serial_key
from app.domain.housed_events import Filter
from app.domain.housing import Housing
from app.domain.housing_text import changed_keys
from app.domain.store import Store

MOST_HOUSINGS = 20_000
"""So many housings or rows are taken at once (our figure)."""

Known = Callable[[str], Housing | None]


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, and where: `Row 3, column service`, or the name of a file."""

    where: str
    sentence: str

    @property
    def told(self) -> str:
        """The fault in one line."""
        return f"{self.where}: {self.sentence}"


@dataclass(frozen=True, slots=True)
class Filling:
    """What a position is to hold, and where the file says so."""

    housing: str
    port: str
    position: int
    filter: Filter | None
    where: str = ""

    @property
    def spot(self) -> Spot:
        """Port and position."""
        return self.port, self.position


@dataclass(frozen=True, slots=True)
class Changing:
    """A housing that is added (before: none) or changed."""

    before: Housing | None
    after: Housing

    @property
    def words(self) -> str:
        """Which fields differ."""
        return ", ".join(name.replace("_", " ") for name in changed_keys(self.before, self.after))


@dataclass(frozen=True, slots=True)
class Checked:
    """The outcome.  same: housings that are as they were.  fillings: positions that change."""

    faults: tuple[Fault, ...] = ()
    changing: tuple[Changing, ...] = ()
    same: int = 0
    fillings: tuple[Filling, ...] = ()

    @property
    def good(self) -> bool:
        """Whether it may be entered."""
        return not self.faults and bool(self.changing or self.fillings)

    @property
    def added(self) -> tuple[Changing, ...]:
        """The housings that are new."""
        return tuple(item for item in self.changing if item.before is None)

    @property
    def changed(self) -> tuple[Changing, ...]:
        """The housings that are there and differ."""
        return tuple(item for item in self.changing if item.before is not None)


@dataclass(slots=True)
class Gathered:
    """What was read from a file so far.  said: for each housing, what each position is to hold, where it says so."""

    faults: list[Fault] = field(default_factory=list)
    housings: list[tuple[str, Housing]] = field(default_factory=list)
    said: dict[str, list[Filling]] = field(default_factory=dict)


def compared(
    found: Gathered, known: Known, tags: Iterable[str], register: Housed, store: Store = EMPTY
) -> Checked:  # fmt: skip
    """Hold what a file has against the register and the store room.

    known: the housing of a tag.  tags: of every housing there is.
    """
    faults = [*found.faults, *_written_otherwise(found, tags)]
    changing, same = [], 0
    fillings: list[Filling] = []
    for _, after in found.housings:
        before = known(after.tag)
        if before == after:
            same += 1
        else:
            changing.append(Changing(before, after))
        fillings += _differing(after, found.said.get(after.tag, ()), register)
    faults += _in_two_places(found, fillings, register)
    faults += _in_store_room(fillings, store)
    return Checked(tuple(sorted(faults, key=_row)), tuple(changing), same, tuple(fillings))


def _row(fault: Fault) -> int:
    """The row that a fault is told of, so that they stand as a reader goes down the file; 0 for the file itself."""
    number = fault.where.removeprefix("Row ").partition(",")[0]
    return int(number) if number.isascii() and number.isdigit() else 0


def _written_otherwise(found: Gathered, tags: Iterable[str]) -> Iterator[Fault]:
    """Yield each new tag that differs from another only in case or spaces."""
    names: dict[str, str] = {}
    for tag in tags:
        names.setdefault(serial_key(tag), tag)
    known = set(names.values())
    for where, housing in found.housings:
        other = names.setdefault(serial_key(housing.tag), housing.tag)
        if other != housing.tag and housing.tag not in known:
            yield Fault(where, f"“{housing.tag}” is {other} written otherwise. Write it as the register has it.")


def _differing(housing: Housing, said: Sequence[Filling], register: Housed) -> Iterator[Filling]:
    """Yield what changes at the positions of a housing, those that its nameplate has no more among them."""
    there = {(port.id, place) for port in housing.ports for place in range(1, port.filters + 1)}
    for filling in said:
        now = register.at(housing.tag, *filling.spot)
        if (now.filter if now else None) != filling.filter:
            yield filling
    for spot, now in register.spots(housing.tag).items():
        if now.filter is not None and spot not in there:
            yield Filling(housing.tag, *spot, None)


def _in_store_room(fillings: Sequence[Filling], store: Store) -> Iterator[Fault]:
    """Yield every serial number that a file has in place and the store room has, too."""
    for filling in fillings:
        if filling.filter is not None and (lot := in_store_room(store, filling.filter.serial)):
            yield Fault(
                filling.where,
                f"“{filling.filter.serial}” is in the store room as {lot}, and no filter is in two places. Read the "
                "label again, or count that lot there first.",
            )


def _in_two_places(found: Gathered, fillings: Sequence[Filling], register: Housed) -> Iterator[Fault]:
    """Yield every serial number that would be in two places: twice in the file, or where the file does not empty it."""
    first: dict[str, Filling] = {}
    for said in found.said.values():
        for filling in said:
            if filling.filter is None:
                continue
            other = first.setdefault(serial_key(filling.filter.serial), filling)
            if other is not filling:
                yield Fault(
                    filling.where,
                    f"“{filling.filter.serial}” stands at {other.housing}, {other.port} position {other.position} too, "
                    f"and no filter is in two places. Read both labels again.",
                )
    changing = {(filling.housing, filling.spot) for filling in fillings}
    for filling in fillings:
        if filling.filter is None:
            continue
        where = register.where(filling.filter.serial)
        told = elsewhere(register, filling.filter.serial, filling.housing, filling.spot)
        if told and where not in changing:
            yield Fault(
                filling.where,
                f"“{filling.filter.serial}” is in place at {told} by the register, and no filter is in two places. "
                "Read the label again, or take it out there first.",
            )

"""How much of a container is taken and what is left: by rows of equal items, and by weight, with all that enters it.

The sums stand in `app.calc.waste`.  The rows are a lower bound: they are counted for an item as large as the largest
side of any package in each direction, so that a mixed load may hold more and never surely less.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from app.calc.bounds import plain
from app.calc.errors import Invalid
from app.calc.exact import exact
from app.calc.waste import Box, box, drum_count, packing_count
from app.domain.packages import Told
from app.domain.waste import ContainerKept

_PARTS = re.compile(r"\s*[x×*;]\s*|\s+", re.IGNORECASE)
CUBIC_M = Fraction(1, 10**9)


def box_from(text: str, name: str) -> Box:
    """Read three sides in mm such as 640 x 640 x 320."""
    return box([part for part in _PARTS.split(text.strip()) if part], name=name)


def volume_words(sides: Box) -> str:
    """Say the volume of sides in mm in cubic metres."""
    return f"{plain(round(sides.volume * CUBIC_M, 6))} m³"


def fits(item: Box, container: ContainerKept) -> int:
    """Return how many such items the empty container surely takes."""
    if container.shape == "drum":
        bore, height = container.inside
        return drum_count(item=item, bore=bore, height=height)
    return packing_count(item=item, container=box(container.inside, name="Container"))


@dataclass(frozen=True, slots=True)
class Room:
    """What a container holds and has left.  rows: as many of those with sides as surely fit; None where none has any.

    known: kg, empty weight included, of what was weighed.  unweighed, unmeasured: packages without weight or sides.
    """

    count: int
    rows: int | None
    largest: Box | None
    known: Fraction
    most: Fraction
    unweighed: tuple[str, ...]
    unmeasured: tuple[str, ...]

    @property
    def weight_left(self) -> Fraction:
        """What the weights known leave of the greatest gross weight, in kg; below 0 if they exceed it."""
        return self.most - self.known

    @property
    def rows_left(self) -> int | None:
        """How many more packages as large as the largest fit beside those with sides; 0 where more than that are in it.

        What has no sides, such as a soft bag, takes up room of which nothing is known; whoever says this says so, too.
        """
        return None if self.rows is None else max(0, self.rows - self.count + len(self.unmeasured))

    @property
    def words(self) -> tuple[str, ...]:
        """Say it, with what entered the sums."""
        return (self._by_rows(), self._by_weight())

    def _by_rows(self) -> str:
        if not self.count:
            return "Empty."
        if self.rows is None or self.largest is None:
            return f"{self.count} in it. Room by size is not known: no sides of {', '.join(self.unmeasured)}."
        sides = " × ".join(plain(side) for side in self.largest.sides)
        of_them = f", {self.count - len(self.unmeasured)} of them with sides" if self.unmeasured else ""
        told = (
            f"{self.count} in it{of_them}; {self.rows} fit in whole rows counted as {sides} mm each, "
            f"so room for {self.rows_left} more"
        )
        return f"{told}, less what {', '.join(self.unmeasured)} takes up: no sides." if self.unmeasured else f"{told}."

    def _by_weight(self) -> str:
        told = f"{plain(self.known)} kg with what was weighed, {plain(self.most)} kg allowed"
        over = f"{plain(-self.weight_left)} kg too much"
        if self.unweighed:
            told = f"{told}, so {over}" if self.weight_left < 0 else told
            return f"{told}. GROSS NOT KNOWN: {', '.join(self.unweighed)} not weighed; weigh the whole container."
        return f"{told}, so {over if self.weight_left < 0 else f'{plain(self.weight_left)} kg left'}."


def room_in(container: ContainerKept, inside: Iterable[str], facts: Mapping[str, Mapping[str, Told]]) -> Room:
    """Return the room in a container with these packages in it; facts: what is told of each."""
    names = tuple(inside)
    sides = {name: sides_of(facts.get(name, {})) for name in names}
    weights = {name: weight_of(facts.get(name, {})) for name in names}
    known = exact(container.empty_kg, name="Empty weight") + sum(item for item in weights.values() if item is not None)
    measured = [sorted(item.sides) for item in sides.values() if item is not None]
    largest = Box(*(max(side) for side in zip(*measured, strict=True))) if measured else None
    unweighed = tuple(name for name, item in weights.items() if item is None)
    unmeasured = tuple(name for name, item in sides.items() if item is None)
    return Room(
        count=len(names), rows=fits(largest, container) if largest else None, largest=largest,
        known=known, most=exact(container.most_kg, name="Greatest weight"),
        unweighed=unweighed, unmeasured=unmeasured,
    )  # fmt: skip


def total_words(names: Iterable[str], facts: Mapping[str, Mapping[str, Told]]) -> str:
    """Say what packages weigh together as far as they were weighed, and which were not."""
    weights = {name: weight_of(facts.get(name, {})) for name in names}
    known = [item for item in weights.values() if item is not None]
    left = [name for name, item in weights.items() if item is None]
    if not left:
        return f"{plain(sum(known, Fraction()))} kg, all {len(known)} weighed"
    told = f"{plain(sum(known, Fraction()))} kg of {len(known)} weighed" if known else "not known"
    return f"{told}; TOTAL NOT KNOWN: {len(left)} not weighed ({', '.join(left)})"


def sides_of(facts: Mapping[str, Told]) -> Box | None:
    """Return the sides of a package if they were told."""
    return box_from(facts["sides"].text, "Package") if "sides" in facts else None


def weight_of(facts: Mapping[str, Told]) -> Fraction | None:
    """Return the weight of a package in kg if it was weighed."""
    return exact(facts["weight"].text, name="Gross weight") if "weight" in facts else None


def container_box(shape: str, inside: tuple[str, ...]) -> None:
    """Raise Invalid or OutOfRange unless these are the inside of such a container, in mm."""
    wanted = {"box": 3, "drum": 2}.get(shape)
    if wanted is None:
        raise Invalid(f"{shape[:20]!r} is no shape of a container. Choose box or drum.")
    if len(inside) != wanted:
        what = "three sides, such as 1800 x 1200 x 1200" if shape == "box" else "bore and height, such as 570 x 850"
        raise Invalid(f"The inside of a {shape} needs {what}, in mm; {len(inside)} numbers were given.")
    box(inside if shape == "box" else (*inside, inside[0]), name="Container")


def inside_from(text: str) -> tuple[str, ...]:
    """Part typed inside dimensions into their numbers."""
    return tuple(part for part in _PARTS.split(text.strip()) if part)

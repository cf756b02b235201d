"""Names in the order in which they were put in last; a change costs the same at any length (persistent maps)."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from immutables import Map


@dataclass(frozen=True, slots=True)
class InOrder:
    """Names, each once."""

    _places: Map[str, int] = field(default_factory=Map)
    _names: Map[int, str] = field(default_factory=Map)
    _next: int = 0

    def put(self, name: str) -> "InOrder":
        """Return the list with this name at its end, wherever it stood before."""
        names = self._names.delete(self._places[name]) if name in self._places else self._names
        return InOrder(self._places.set(name, self._next), names.set(self._next, name), self._next + 1)

    def without(self, name: str) -> "InOrder":
        """Return the list without this name."""
        if name not in self._places:
            return self
        return InOrder(self._places.delete(name), self._names.delete(self._places[name]), self._next)

    def newest(self, count: int) -> tuple[str, ...]:
        """Return so many of the names put in last, newest first."""
        found = (self._names[place] for place in range(self._next - 1, -1, -1) if place in self._names)
        return tuple(name for _, name in zip(range(min(count, len(self))), found, strict=False))

    def __contains__(self, name: object) -> bool:
        """Tell whether a name is in the list."""
        return name in self._places

    def __iter__(self) -> Iterator[str]:
        """Yield every name, newest first."""
        return iter(self.newest(len(self)))

    def __len__(self) -> int:
        """Return how many names there are."""
        return len(self._places)

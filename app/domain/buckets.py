"""A frozen map of many keys from which another with a few changes is made cheaply."""

from collections.abc import Iterator, Mapping
from typing import Generic, TypeVar
from zlib import crc32

V = TypeVar("V")
COUNT = 256


class Buckets(Mapping[str, V], Generic[V]):
    """Texts to values.  Keys lie in 256 small maps, so that a change copies one of these and not all.

    A fold over thousands of entries, each of which changes one key of tens of thousands, stays quick.
    """

    __slots__ = ("_buckets", "_size")

    def __init__(self, buckets: tuple[dict[str, V], ...] | None = None, size: int = 0) -> None:
        self._buckets: tuple[dict[str, V], ...] = buckets or ({},) * COUNT
        self._size = size

    def __getitem__(self, key: str) -> V:
        return self._buckets[_place(key)][key]

    def __iter__(self) -> Iterator[str]:
        for bucket in self._buckets:
            yield from bucket

    def __len__(self) -> int:
        return self._size

    def changed(self, changes: Mapping[str, V | None]) -> "Buckets[V]":
        """Return the map with these values; None takes a key away."""
        buckets, copied, size = list(self._buckets), set[int](), self._size
        for key, value in changes.items():
            place = _place(key)
            if place not in copied:
                buckets[place] = dict(buckets[place])
                copied.add(place)
            bucket = buckets[place]
            size -= key in bucket
            if value is None:
                bucket.pop(key, None)
            else:
                bucket[key] = value
                size += 1
        return Buckets(tuple(buckets), size)


def _place(key: str) -> int:
    return crc32(key.encode("utf-8", "surrogatepass")) % COUNT

"""`replace` as the library has it: the same fields, the same refusal, for classes with slots and without."""

import dataclasses
from collections.abc import Iterator
from typing import TYPE_CHECKING, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.containment.state import Closure, Filling, HousingState, Package, PortState, Sleeve
from app.domain.events import Event
from app.domain.housing import Bank, Seal, Service
from app.domain.job import JobState, Mark
from app.domain.job_lines import JobLines
from app.domain.replacing import replace
from app.domain.site import SiteState

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


@dataclasses.dataclass(frozen=True, slots=True)
class Slotted:
    """A class with slots."""

    size: int = 0
    last_at: str = ""


@given(st.sampled_from([JobState(), SiteState(), Slotted()]), st.integers(), st.text())
def test_it_is_as_the_librarys_own(item: JobState | SiteState | Slotted, size: int, at: str) -> None:
    """The fields given are changed, the others and the one that it was made from stay as they were."""
    before = dataclasses.replace(item)

    made = replace(item, size=size, last_at=at)

    assert made == dataclasses.replace(item, size=size, last_at=at)
    assert (made.size, made.last_at) == (size, at)
    assert item == before


@pytest.mark.parametrize("item", [JobState(), SiteState(), Mark(), JobLines(), Slotted()])
def test_a_field_that_there_is_not_is_refused(item: object) -> None:
    """What is misspelt is not taken along in silence."""
    with pytest.raises(TypeError, match="sise"):
        replace(item, sise=1)  # type: ignore[type-var]


AT_THE_HOUSING = (
    HousingState(Seal.GEL, Service.BIOLOGICAL), PortState("P1", Bank.HEPA, ()), Sleeve(), Closure(),
    Package("P1", 1, Filling.SPENT, 0),
)  # fmt: skip


@pytest.mark.parametrize("item", [JobState(), SiteState(), Mark(), JobLines(), *AT_THE_HOUSING])
def test_the_classes_that_are_copied_as_a_whole_hold_their_fields_and_nothing_else(item: "DataclassInstance") -> None:
    """Something cached would be copied along, and what `__post_init__` sees to would not be seen to."""
    kind = type(item)
    assert not hasattr(kind, "__post_init__")
    assert set(vars(item)) == {field.name for field in dataclasses.fields(kind)}
    assert not any(type(item).__name__ == "cached_property" for item in vars(kind).values())


def kinds(union: object) -> Iterator[type]:
    """Yield the classes of a union of unions."""
    for part in get_args(union):
        yield from kinds(part) if get_args(part) else (part,)


def test_no_kind_of_entry_is_a_special_one_of_another() -> None:
    """A job is folded by asking of which class an entry is, and not whether it is of a class or one under it."""
    found = [*kinds(Event)]

    assert len(found) > 50
    assert not [(one, other) for one in found for other in found if one is not other and issubclass(one, other)]

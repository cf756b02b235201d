"""`replace` as the library has it: the same fields, the same refusal, for classes with slots and without."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.job import JobState, Mark
from app.domain.job_lines import JobLines
from app.domain.replacing import replace
from app.domain.site import SiteState


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


@pytest.mark.parametrize("kind", [JobState, SiteState, Mark, JobLines])
def test_the_classes_that_are_copied_as_a_whole_hold_their_fields_and_nothing_else(kind: type) -> None:
    """Something cached would be copied along, and what `__post_init__` sees to would not be seen to."""
    assert not hasattr(kind, "__post_init__")
    assert set(vars(kind())) == {item.name for item in dataclasses.fields(kind)}
    assert not any(type(item).__name__ == "cached_property" for item in vars(kind).values())

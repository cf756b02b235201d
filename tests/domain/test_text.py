"""What people read of values that cannot be kept."""

import pytest
from pydantic import ValidationError, model_validator

from app.domain.text import Kept, sentence_from


class Pair(Kept):
    """Two numbers, the second above the first."""

    low: int
    high: int

    @model_validator(mode="after")
    def _in_order(self) -> "Pair":
        if self.low >= self.high:
            raise ValueError(f"{self.low} is not below {self.high}")
        return self


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"low": 3, "high": 2}, "Pair 1: 3 is not below 2. Correct it and try again."),
        ({"low": "x", "high": 2}, "Pair 1: low: Input should be a valid integer, unable to parse string as an integer"),
        ({}, "Pair 1: low: Field required (1 more fault follows). Correct it and try again."),
    ],
)
def test_a_fault_names_its_key_and_one_of_the_whole_names_none(given: dict[str, object], told: str) -> None:
    """A lot typed on a page is no file, so a fault between its values speaks of none."""
    with pytest.raises(ValidationError) as caught:
        Pair.model_validate(given)

    assert str(sentence_from(caught.value, what="Pair 1")).startswith(told)

"""The base for everything that is read from files or kept in the ledger."""

from pydantic import BaseModel, ConfigDict, ValidationError

from app.calc.errors import Invalid


class Kept(BaseModel):
    """A frozen value that survives JSON and refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


def sentence_from(error: ValidationError, *, what: str) -> Invalid:
    """Turn a validation failure into one sentence naming the first key at fault, if any, and how many there are."""
    first, *others = error.errors(include_url=False, include_context=False)
    where = ".".join(str(part) for part in first["loc"])
    more = f" ({len(others)} more fault{'s follow' if len(others) > 1 else ' follows'})" if others else ""
    told = first["msg"].removeprefix("Value error, ").rstrip(".")
    return Invalid(f"{': '.join(part for part in (what, where, told) if part)}{more}. Correct it and try again.")

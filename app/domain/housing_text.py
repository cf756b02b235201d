"""A housing written as the TOML text that `read_housing` reads: the same housing gives the same bytes.

Fields that say nothing are left out, so that a text holds what somebody entered and no more.
"""

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from app.domain.housing import Housing

_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


def housing_text(housing: Housing) -> str:
    """Return the TOML text of a housing, ending with a line break."""
    return "\n".join(_table(housing.model_dump(mode="json", exclude_none=True), ())) + "\n"


def changed_keys(before: Housing | None, after: Housing) -> tuple[str, ...]:
    """Return the names of the fields that differ, `ports` and the like as a whole; for a new housing none."""
    if before is None:
        return ()
    return tuple(name for name in Housing.model_fields if getattr(before, name) != getattr(after, name))


def _table(values: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    """Yield the lines of a table: plain values first, since they belong to the heading before them."""
    for name, value in values.items():
        if value in ("", [], {}) or isinstance(value, dict) or _is_tables(value):
            continue
        yield f"{_key(name)} = {_value(value)}"
    for name, value in values.items():
        inner = (*path, name)
        heading = ".".join(_key(part) for part in inner)
        if isinstance(value, dict):
            if any(not isinstance(item, dict) for item in value.values()):
                yield from ("", f"[{heading}]")
            yield from _table(value, inner)
        elif _is_tables(value):
            for item in value:
                yield from ("", f"[[{heading}]]")
                yield from _table(item, inner)


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _value(name)


def _value(value: object) -> str:
    """Write a string, whole number or list of strings; what JSON escapes is escaped alike in TOML, but for DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")

"""`replace` as `dataclasses` has it, at an eighth of its time for a frozen class of many fields.

A job is read by replacing some fields of its state several times for each of its entries, and the library's own
function looks every field up and sets it again one by one.  A class that declares no slots is copied as a whole
instead; it must have neither `__post_init__` nor anything cached in it.
"""

import dataclasses
from typing import TYPE_CHECKING, Any

__all__ = ["replace"]

if TYPE_CHECKING:
    from dataclasses import replace
else:

    def replace(item: Any, /, **changes: Any) -> Any:
        """Return the same with other values in these fields; TypeError for a field that it has not."""
        known = getattr(item, "__dict__", None)
        if known is None:
            return dataclasses.replace(item, **changes)
        made = object.__new__(type(item))
        fields = made.__dict__
        fields.update(known)
        fields.update(changes)
        if len(fields) != len(known):
            raise TypeError(f"{type(item).__name__} has no field {', '.join(sorted(set(fields) - set(known)))}")
        return made

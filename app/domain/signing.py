"""What a person may sign for: a closed list.  Nobody signs under words of their own.

Every signature means one of these and nothing else; what is here stays here, since old records carry it.
"""

from app.domain.refused import Refused

HOLD = "I release this hold point"
SUBMIT = "The work is complete as recorded"
ACCEPT = "I have read this record with every exception in it, have reviewed its trail, and accept it"
ACCEPT_BEFORE_TRAIL = "I have read this record with every exception in it and accept it"
"""Signed by records of version 0.1 only."""
ACCESS_REVIEW = "I have reviewed who has access, in which role, and with which qualifications"
MEANINGS = frozenset({HOLD, SUBMIT, ACCEPT, ACCEPT_BEFORE_TRAIL, ACCESS_REVIEW})


def known_meaning(meaning: str) -> str:
    """Return a meaning of the closed list; raise Refused for any other words."""
    if meaning not in MEANINGS:
        raise Refused("meaning", f"Nobody signs for {meaning[:60]!r}. Sign under one of the meanings that are listed.")
    return meaning

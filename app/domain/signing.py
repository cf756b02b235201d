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
BRIEFED_TO_WORK = "I have been briefed for this job and take part in the work"
BRIEFED_TO_RELEASE = "I have been briefed for this job, release its holds and take no part in the work"
PAUSE = "I have heard what was said at this pause and it is so"
BY_VOICE = "I released this hold point by voice, as entered"
CHANGE = "I approve this change of the step for this job"
HAND_OVER = "I hand this job over as I left it"
TAKE_OVER = "I take this job over as I found it"
LOCK_REMOVAL = "I answer for the removal of this lock in its owner's absence"
REOPEN = "I answer as written and re-open this job"
PUT_IN = "I choose these steps for what went wrong"
ASIDE = "I answer for setting this step aside, as it does not apply here"
READY = "I have gone through the readiness of this work and agree to it as it stands here"
APPROVE = "I have read this procedure and approve exactly this text for use here"
SURVEYED = "I looked at this housing and found it as entered here"
WASTE_OVER = "I hand this waste over, closed and labelled as it is listed here"
BINDING = "What I sign here with my secret binds me as my signature on paper does; I give the secret to nobody"
"""What everybody accepts before their first signature (21 CFR 11.10(j), 11.100(b)); a statement, no meaning."""
MEANINGS = frozenset({
    HOLD, SUBMIT, ACCEPT, ACCEPT_BEFORE_TRAIL, ACCESS_REVIEW, BRIEFED_TO_WORK, BRIEFED_TO_RELEASE, PAUSE,
    BY_VOICE, CHANGE, HAND_OVER, TAKE_OVER, LOCK_REMOVAL, REOPEN, PUT_IN, ASIDE, READY, SURVEYED,
    WASTE_OVER, APPROVE,
})  # fmt: skip


def known_meaning(meaning: str) -> str:
    """Return a meaning of the closed list; raise Refused for any other words."""
    if meaning not in MEANINGS:
        raise Refused("meaning", f"Nobody signs for {meaning[:60]!r}. Sign under one of the meanings that are listed.")
    return meaning

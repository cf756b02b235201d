"""Who signs: being signed in is no signature.

Rules kept here (21 CFR 11.200(a)(1), as published practice asks it):
- the first signature of a session takes id and secret, each later one by the same person at least the secret; after a
  lock, a sign-out, a switch of person or a restart both are asked again;
- somebody else than who is signed in at the tablet gives both every time, and is not taken for signed in by it;
- whether both were given stands in the signature.
"""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from app.domain.event_base import Who
from app.domain.refused import Refused
from app.web.context import COOKIE, session_of, site_of
from app.web.forms import Posted
from app.web.views.step import SIGNER


async def signer(request: Request, form: Posted, person: str) -> Who:
    """Return the person whose secret was given for this signature.

    person: whose signature it must be, by id.  Raises Refused when the id is missing or another's, or the secret wrong.
    """
    site, session = site_of(request), session_of(request)
    named, own = form.get(SIGNER).strip(), person == session.who.id
    if own and not session.both and not named:
        raise Refused(
            "secret", "This is your first signature since you signed in or the screen was covered: give id and secret."
        )
    if own and named and named.casefold() not in (session.who.id, session.who.name.casefold()):
        raise Refused("secret", "That is not the id of who is signed in here. Whoever signs must be signed in.")
    by = await run_in_threadpool(site.people.prove_to_sign, person, form.need("secret"), tablet=session.tablet)
    request.state.both = bool(named)
    if own and named:
        site.sessions.signed(request.cookies.get(COOKIE))
    return by

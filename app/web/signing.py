"""Who signs: being signed in is no signature.

Rules kept here (21 CFR 11.200(a)(1), as published practice asks it):
- the first signature of a session takes id and secret, each later one by the same person at least the secret; after a
  lock, a sign-out, a switch of person or a restart both are asked again;
- somebody else than who is signed in at the tablet gives both every time, and is not taken for signed in by it;
- a one-time code signs nothing;
- whether both were given stands in the signature.
"""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from app.domain.event_base import Who
from app.domain.refused import Refused
from app.web.context import COOKIE, Site, session_of, site_of
from app.web.forms import Posted
from app.web.views.step import SIGNER


async def signer(request: Request, form: Posted, person: str) -> Who:
    """Return the person whose secret was given for this signature.

    person: whose signature it must be, by id.  Raises Refused when the id is missing or another's, or the secret wrong.
    """
    site, session = site_of(request), session_of(request)
    named, own = form.get(SIGNER).strip(), person == session.who.id
    if not named and not own:
        raise Refused("secret", "Somebody else than who is signed in here signs with id and secret. Give both.")
    if not named and not session.both:
        raise Refused(
            "secret", "This is your first signature since you signed in or the screen was covered: give id and secret."
        )
    found = session.who if own else await run_in_threadpool(_who, site, person)
    if named and found is not None and named.casefold() not in (found.id, found.name.casefold()):
        raise Refused("secret", f"“{named[:80]}” is not the id of {found.name}, who signs here. Give that id.")
    by = await beside(request, person, form.need("secret"))
    request.state.both = bool(named)
    if own and named:
        site.sessions.signed(request.cookies.get(COOKIE))
    return by


async def beside(request: Request, person: str, secret: str) -> Who:
    """Return a person who was named and gave their own secret, whoever is signed in; raises Refused if it is wrong."""
    site, session = site_of(request), session_of(request)
    return await run_in_threadpool(site.people.prove_to_sign, person, secret, tablet=session.tablet)


def _who(site: Site, person: str) -> Who | None:
    found = site.people.find(person)
    return found.who if found else None

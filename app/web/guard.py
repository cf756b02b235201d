"""The guard: who is asking, may they, and did the request come from our own pages.  Plain ASGI headers beside it."""

from ipaddress import ip_address
from urllib.parse import urlsplit

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.site import SiteState
from app.services.ports import Session
from app.services.tablets import tablet_of
from app.web.context import COOKIE, DEVICE_COOKIE, Site, site_of
from app.web.roles import ALLOWED

POLICY = (
    "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; object-src 'none'; "
    "base-uri 'none'; frame-ancestors 'none'; form-action 'self'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"permissions-policy", b"camera=(self), microphone=(), geolocation=()"),
    (b"cross-origin-opener-policy", b"same-origin"),
)
UNSAFE = frozenset({"POST", "PUT", "PATCH", "DELETE"})
COVER_PATHS = frozenset({"/lock", "/locked", "/unlock", "/here"})
CHANGE_SECRET_PATHS = COVER_PATHS | {
    "/secret", "/signout", "/in-hand", "/jobs/{job}/stop", "/jobs/{job}/stop-reason",
}  # fmt: skip
"""What a one-time code lets somebody do before their own secret is chosen: choose it, leave, and stop work."""
WHILE_LOCKED = frozenset({
    ("POST", "/jobs/{job}/stop"), ("POST", "/jobs/{job}/kept"), ("GET", "/photos/{sha256}/held"),
    ("POST", "/photos/{sha256}/part"), ("GET", "/locked"), ("POST", "/lock"), ("POST", "/unlock"), ("POST", "/signout"),
})  # fmt: skip
"""What a covered screen may ask: to stop, to send what it kept, to be uncovered or left."""
BY_ITSELF = frozenset({
    ("POST", "/jobs/{job}/kept"), ("GET", "/jobs/{job}/ahead"), ("GET", "/photos/{sha256}/held"),
    ("POST", "/photos/{sha256}/part"), ("POST", "/lock"),
})  # fmt: skip
"""What a tablet asks without anybody touching it; it keeps no session awake."""
READ_BY_ALL = frozenset({("GET", "/legend"), ("GET", "/trust")})
"""Pages for everybody which whoever is signed in reads as such, so that the way to STOP stays at their head."""
NOTICE_PATHS = COVER_PATHS | {
    "/notices", "/signout", "/secret", "/jobs/{job}/stop", "/jobs/{job}/stop-reason", "/jobs/{job}/kept",
}  # fmt: skip
"""What a notice never holds up: reading it, leaving, stopping work, the cover, and what a tablet kept before."""


class SignInFirst(Exception):  # noqa: N818  (named for what to do)
    """Nobody is signed in here."""


class UnlockFirst(Exception):  # noqa: N818  (named for what to do)
    """The session has not been used for longer than the site allows."""


class ReadNoticeFirst(Exception):  # noqa: N818  (named for what to do)
    """A lock of the person was removed in their absence; they must know before they go on."""


class ChooseSecretFirst(Exception):  # noqa: N818  (named for what to do)
    """The person signed in with a one-time code and must replace it."""


async def guard(request: Request) -> None:
    """Refuse foreign origins, find the session, look the role up in the table.  Runs before every route."""
    if not _our_name(request):
        raise Refused("origin", "This site is not known by that name. Use the address that its keeper gave you.")
    if request.method in UNSAFE and not _from_our_pages(request):
        raise Refused("origin", "The request did not come from this site's own pages. Open the page again and retry.")
    site_of(request).clock_watch.look()
    path = request.scope["route"].path
    asked = (request.method if request.method != "HEAD" else "GET", path)
    allowed = ALLOWED.get(asked, frozenset())
    if allowed is None and asked not in READ_BY_ALL:
        return
    state = await state_of_site(site_of(request))
    session = await _session_of(request, state)
    if allowed is None:
        if session is not None and not session.locked:
            request.state.session = session
            _in_use(request, session, asked)
        return
    if session is None:
        raise SignInFirst
    request.state.session = session
    _in_use(request, session, asked)
    if session.must_change and path not in CHANGE_SECRET_PATHS:
        raise ChooseSecretFirst
    if path not in NOTICE_PATHS and state.notices_for(session.who.id):
        raise ReadNoticeFirst
    if session.who.role not in allowed:
        raise Refused("role", _not_for(session.who.role, allowed))


def _not_for(role: Role, allowed: frozenset[Role]) -> str:
    """Say whose role shuts them out, and whose does not."""
    told = f"{role.words.capitalize()}s have no access to this"
    if not allowed:
        return f"{told}, nor has anybody else. Go back to the list of jobs."
    *others, last = (f"{other.words}s" for other in Role if other in allowed)
    return f"{told}, only {' and '.join((', '.join(others), last) if others else (last,))}. Switch to one of them."


async def _session_of(request: Request, state: SiteState) -> Session | None:
    """Return the session that this tablet names, if it is good here; a thread is asked if it is not in memory."""
    token = request.cookies.get(COOKIE)
    sessions = site_of(request).sessions
    session = sessions.at_hand(token) or await run_in_threadpool(sessions.find, token)
    return session if session is not None and _at_its_tablet(request, session, state) else None


def _in_use(request: Request, session: Session, asked: tuple[str, str]) -> None:
    """Refuse what a covered screen may not ask; else note that somebody is at the tablet."""
    if session.locked:
        if asked not in WHILE_LOCKED:
            raise UnlockFirst
    elif asked not in BY_ITSELF:
        site_of(request).sessions.touched(request.cookies.get(COOKIE))


async def state_of_site(site: Site) -> SiteState:
    """Return the committed state of the site; a thread is asked only where it is not in memory."""
    at_hand = site.jobs.site_at_hand()
    return await run_in_threadpool(site.jobs.site) if at_hand is None else at_hand


def _our_name(request: Request) -> bool:
    """Whether the name asked for is an address, a name without a dot, or one that this site is known by.

    A stranger's page can lead a browser here under the stranger's own name, which always has a dot.
    """
    name = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
    return "." not in name.rstrip(".") or _is_address(name) or name in site_of(request).names


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _at_its_tablet(request: Request, session: Session, state: SiteState) -> bool:
    """Once tablets are enrolled, a session is good only on the tablet where it began; an administrator's anywhere."""
    if not state.tablets or session.who.role is Role.ADMINISTRATOR:
        return True
    return tablet_of(state, request.cookies.get(DEVICE_COOKIE)) == session.tablet


def _from_our_pages(request: Request) -> bool:
    """A browser names the origin on every unsafe request; it must be the host that was asked."""
    origin, site = request.headers.get("origin"), request.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    return origin is not None and urlsplit(origin).netloc == request.headers.get("host")


class SafeHeaders:
    """Add the safety headers to every answer, `no-store` to pages and, behind TLS, `Secure` to every cookie."""

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self._app = app
        self._secure = secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and complete the headers of the answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def complete(message: Message) -> None:
            if message["type"] == "http.response.start":
                if self._secure:
                    message["headers"] = [_secured(*line) for line in message["headers"]]
                headers = message["headers"]
                headers.extend(HEADERS)
                if not any(name == b"cache-control" for name, _ in headers):
                    headers.append((b"cache-control", b"no-store"))
            await send(message)

        await self._app(scope, receive, complete)


def _secured(name: bytes, value: bytes) -> tuple[bytes, bytes]:
    if name == b"set-cookie" and b"; secure" not in value.lower():
        return name, value + b"; Secure"
    return name, value

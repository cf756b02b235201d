"""How a tablet comes to trust the site: the authority's certificate and what to do with it.  No session is needed."""

from fastapi import APIRouter, Request
from starlette.responses import PlainTextResponse, Response

from app.web.context import site_of
from app.web.render import html
from app.web.views.trust import HTTP_PORT, HTTPS_PORT, trust_page

router = APIRouter()
NO_AUTHORITY = (
    "This site has no certificate authority. Its keeper makes one with `changeout tls init` and starts the server "
    "again."
)


@router.get("/trust")
async def page(request: Request) -> Response:
    """Say what to do on each kind of tablet, with the fingerprint to compare and a code for the next tablet."""
    trust, url = site_of(request).trust, request.url
    safe = url.scheme == "https"
    port = url.port or (HTTPS_PORT if safe else HTTP_PORT)
    shown = trust_page(trust, host=(url.hostname or "").lower(), port=port, safe=safe) if trust else None
    return html(request, "trust.html", page=shown, no_authority=NO_AUTHORITY)


@router.get("/trust/authority.crt")
async def certificate(request: Request) -> Response:
    """Give the authority's certificate in the form that tablets offer to install."""
    trust = site_of(request).trust
    if trust is None:
        return PlainTextResponse(NO_AUTHORITY, status_code=404)
    return Response(
        trust.authority_pem,
        media_type="application/x-x509-ca-cert",
        headers={"Content-Disposition": 'attachment; filename="changeout-authority.crt"'},
    )

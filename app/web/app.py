"""The web app over one site: guard, routes, error table, headers."""

from fastapi import Depends, FastAPI
from starlette.routing import Route

from app.web import errors
from app.web.context import Site
from app.web.guard import SafeHeaders, guard
from app.web.routes import (
    after,
    certificates,
    cover,
    crew,
    departures,
    entry,
    history,
    housings,
    kept,
    kits,
    labels,
    leaving,
    locks,
    paper,
    people,
    planned,
    procedures,
    register,
    registers,
    review,
    store,
    survey,
    tablets,
    trust,
    waste,
    watch,
    work,
)
from app.web.static import serve_static, serve_tablet

LARGEST_BODY = 14_000_000


def make_app(site: Site) -> FastAPI:
    """Return the app; `site` holds everything from outside."""
    app = FastAPI(
        title="Changeout Ledger",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        dependencies=[Depends(guard)],
        max_body_size=LARGEST_BODY,
    )
    app.state.site = site
    for router in (  # looked through in this order, and made ready when first reached: marks, then the first page
        work.panel, entry.router, work.router, housings.router, crew.panel, crew.router, crew.site, review.router,
        review.photos, people.router, departures.router, procedures.router, history.router, registers.router,
        register.router, survey.router, store.router, kits.router, certificates.router, kept.router, kept.panel,
        kept.photos, tablets.router, trust.router, cover.router, watch.router, planned.router, leaving.panel,
        leaving.router, paper.router, locks.panel, locks.router, locks.notices, labels.router, after.router,
        waste.router, waste.desk,
    ):  # fmt: skip
        app.include_router(router)
    app.router.routes.append(Route("/static/{digest}/{name:path}", serve_static, methods=["GET"]))
    for path in ("/tablet.js", "/kept/{name:str}.js"):
        app.router.routes.append(Route(path, serve_tablet, methods=["GET"]))
    errors.install(app)
    app.add_middleware(SafeHeaders, secure=site.settings.secure_cookie)
    return app

"""The store room: lots, their inspection on receipt, counts, lead times."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.store import LABEL
from app.records.moments import site_day, utc_text
from app.records.veil import veiled_store
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, entered
from app.web.forms import posted
from app.web.render import html
from app.web.roles import KEEPERS

if TYPE_CHECKING:
    from app.web.views.store import LotPage, StockPage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter(prefix="/stock")
LOT_FIELDS = frozenset({
    "id", "kind", "what", "count", "serial", "made", "use_by", "maker_lot", "place", "report", "tested_on",
    "efficiency",
})  # fmt: skip


@router.get("")
async def stock(request: Request) -> Response:
    """Show the store room."""
    return await _stock(request)


async def _stock(request: Request, form: Refilled = NOTHING, setting: Refilled = NOTHING) -> Response:
    page = await run_in_threadpool(_stock_page, request, form, setting)
    return html(request, "stock.html", max(form.status, setting.status), page=page)


def _stock_page(request: Request, form: Refilled, setting: Refilled) -> "StockPage":
    from app.services.store_room import lives_of
    from app.web.views.store import known_kinds, stock_page

    site = site_of(request)
    state = site.jobs.site()
    return stock_page(
        state,
        veiled_store(state, site.jobs.state),
        site.library.made_of(known_kinds),
        site_day(utc_text(site.clock()), state.zone),
        lives=lives_of(site.library),
        may_set=session_of(request).who.role in KEEPERS,
        form=form,
        setting=setting,
    )


@router.post("")
async def receive(request: Request) -> Response:
    """Enter a lot that came in; its inspection comes next."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    typed = {name: text for name, text in form.fields.items() if name in LOT_FIELDS}
    refused = await entered(lambda: site.store_room.receive(typed, by=who), form)
    if refused.told:
        return await _stock(request, form=refused)
    return RedirectResponse(f"/stock/{' '.join(typed['id'].split()).upper()}", 303)


@router.post("/lead-times")
async def choose_lead_time(request: Request) -> Response:
    """Enter how long a kind takes from ordering to receipt inspection."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.store_room.choose_lead_time(
            form.need("lead_kind"), form.need("days"), form.need("lead_reason"), by=who
        ),
        form,
    )
    return await _stock(request, setting=refused) if refused.told else RedirectResponse("/stock", 303)


@router.get("/{lot}")
async def one(request: Request, lot: str) -> Response:
    """Show one lot, with the form of its inspection."""
    return await _one(request, lot)


async def _one(
    request: Request, lot: str, form: Refilled = NOTHING, counting: Refilled = NOTHING, correcting: Refilled = NOTHING
) -> Response:
    page = await run_in_threadpool(_lot_page, request, lot, form, counting, correcting)
    return html(request, "lot.html", max(form.status, counting.status, correcting.status), page=page)


def _lot_page(request: Request, lot: str, form: Refilled, counting: Refilled, correcting: Refilled) -> "LotPage":
    from app.services.store_room import lives_of
    from app.web.views.store import known_kinds, lot_page

    site = site_of(request)
    state = site.jobs.site()
    standing = veiled_store(state, site.jobs.state).lots.get(lot)
    if standing is None:
        raise Invalid(f"There is no lot {lot[:24]!r} in the store room. Choose one of those listed.")
    today = site_day(utc_text(site.clock()), state.zone)
    return lot_page(
        state, standing, site.library.made_of(known_kinds), today, lives=lives_of(site.library), form=form,
        counting=counting, correcting=correcting,
    )  # fmt: skip


@router.post("/{lot}/inspections")
async def inspect(request: Request, lot: str) -> Response:
    """Enter what was seen of a lot, and whether it may be used."""
    site, form, who = site_of(request), await posted(request, faults_later=True), session_of(request).who
    photo = form.get("photo") or form.get("photo_kept")
    refused = await entered(
        lambda: site.store_room.inspect(
            lot, form.answers, verdict=form.get("verdict"), reason=form.get("reason"), photo=photo, by=who
        ),
        form,
    )
    return await _one(request, lot, form=refused) if refused.told else RedirectResponse(f"/stock/{lot}", 303)


@router.post("/{lot}/counts")
async def count(request: Request, lot: str) -> Response:
    """Enter what was counted of a lot."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.store_room.count(lot, form.need("now"), form.need("count_reason"), by=who), form
    )
    return await _one(request, lot, counting=refused) if refused.told else RedirectResponse(f"/stock/{lot}", 303)


@router.post("/{lot}/label")
async def correct(request: Request, lot: str) -> Response:
    """Correct what was entered of a lot's label."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    typed = {name: text for name, text in form.fields.items() if name in LABEL}
    refused = await entered(lambda: site.store_room.correct(lot, typed, form.need("label_reason"), by=who), form)
    return await _one(request, lot, correcting=refused) if refused.told else RedirectResponse(f"/stock/{lot}", 303)

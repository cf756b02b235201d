"""What every entry of the site's ledger has: its place, its time by the server's clock in UTC, and who made it."""

from typing import Literal

from app.domain.event_base import Who
from app.domain.text import Kept


class SiteEntry(Kept):
    """One entry of the site's ledger. by: none where the server itself made it."""

    ledger: Literal["site"] = "site"
    seq: int
    at: str
    by: Who | None = None

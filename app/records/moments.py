"""Times as people read them: UTC in the ledger, shown with the site's zone and its offset."""

from datetime import UTC, date, datetime

from app.calc.errors import Invalid
from app.domain.zones import instant_shown, local_day, local_text, zone_named

__all__ = ["local_text", "site_day", "typed_instant", "utc_text", "zone_named"]


def utc_text(moment: datetime) -> str:
    """Write an aware instant as RFC 3339 in UTC with milliseconds, the form that the ledger keeps."""
    if moment.tzinfo is None:
        raise Invalid(f"The time {moment} has no offset. Give it with one.")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def typed_instant(day: str, time: str, zone: str) -> str:
    """Return a day and a time of the site's clock as RFC 3339 with its offset; raise Invalid for what cannot be.

    In the hour that a clock put back goes through twice, the first is meant.
    """
    typed = f"{day.strip()}T{time.strip()}"
    try:
        moment = instant_shown(typed, zone)
    except (ValueError, OverflowError):
        raise Invalid(f"{day} {time} is not a day and a time. Give them such as 2026-03-02 and 14:05.") from None
    if moment is None:
        raise Invalid(f"The clock at the site never showed {day} {time}: it was put forward. Read the paper again.")
    return moment.isoformat(timespec="seconds")


def site_day(at: str, zone: str) -> date:
    """Return the day, by the site's calendar, of an instant in UTC text."""
    return local_day(at, zone)

"""Times as people read them: UTC in the ledger, shown with the site's zone and its offset."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from app.calc.errors import Invalid


def zone_named(name: str) -> ZoneInfo:
    """Return the time zone with this name; raise Invalid if there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise Invalid(f"There is no time zone {name!r}. Give one such as Europe/Berlin or UTC.") from None


def utc_text(moment: datetime) -> str:
    """Write an aware instant as RFC 3339 in UTC with milliseconds, the form that the ledger keeps."""
    if moment.tzinfo is None:
        raise Invalid(f"The time {moment} has no offset. Give it with one.")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def local_text(at: str, zone: str) -> str:
    """Show an RFC 3339 instant as local date, time and offset: `2026-03-29 03:00:01 +02:00`."""
    if not at:
        return ""
    moment = datetime.fromisoformat(at).astimezone(zone_named(zone))
    offset = moment.isoformat()[-6:]
    return f"{moment:%Y-%m-%d %H:%M:%S} {offset}"


def site_day(at: str, zone: str) -> date:
    """Return the day, by the site's calendar, of an instant in UTC text."""
    return date.fromisoformat(local_text(at, zone)[:10])

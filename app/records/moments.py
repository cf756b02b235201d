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


def typed_instant(day: str, time: str, zone: str) -> str:
    """Return a day and a time of the site's clock as RFC 3339 with its offset; raise Invalid for what cannot be.

    In the hour that a clock put back goes through twice, the first is meant.
    """
    typed = f"{day.strip()}T{time.strip()}"
    try:
        local = datetime.strptime(typed, "%Y-%m-%dT%H:%M")  # noqa: DTZ007  (the zone follows)
        moment = local.replace(tzinfo=zone_named(zone))
        there = moment.astimezone(UTC).astimezone(moment.tzinfo).replace(tzinfo=None) == local
    except (ValueError, OverflowError):
        raise Invalid(f"{day} {time} is not a day and a time. Give them such as 2026-03-02 and 14:05.") from None
    if not there:
        raise Invalid(f"The clock at the site never showed {day} {time}: it was put forward. Read the paper again.")
    return moment.isoformat(timespec="seconds")


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

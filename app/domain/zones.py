"""Instants as the site's people read them: by the site's zone, with its offset."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from app.calc.errors import Invalid


def zone_named(name: str) -> ZoneInfo:
    """Return the time zone with this name; raise Invalid if there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise Invalid(f"There is no time zone {name!r}. Give one such as Europe/Berlin or UTC.") from None


def instant_shown(minute: str, zone: str) -> datetime | None:
    """Return the instant at which the clocks of a zone show `2026-03-02T07:30`; None if they never did.

    In the hour that a clock put back goes through twice, the first is meant.  Raises ValueError for other text.
    """
    local = datetime.strptime(minute, "%Y-%m-%dT%H:%M")  # noqa: DTZ007  (the zone follows)
    moment = local.replace(tzinfo=zone_named(zone))
    there = moment.astimezone(UTC).astimezone(moment.tzinfo).replace(tzinfo=None) == local
    return moment if there else None


def local_text(at: str, zone: str) -> str:
    """Show an RFC 3339 instant as local date, time and offset: `2026-03-29 03:00:01 +02:00`."""
    if not at:
        return ""
    moment = datetime.fromisoformat(at).astimezone(zone_named(zone))
    offset = moment.isoformat()[-6:]
    return f"{moment:%Y-%m-%d %H:%M:%S} {offset}"


def local_day(at: str, zone: str) -> date:
    """Return the day on which an RFC 3339 instant falls by a zone's calendar."""
    return date.fromisoformat(local_text(at, zone)[:10])


def local_or_as_kept(at: str, zone: str) -> str:
    """Show an instant in the same way; one that cannot be read, as in a forged record, as it stands there."""
    try:
        return local_text(at, zone)
    except (Invalid, ValueError, OverflowError):
        return at

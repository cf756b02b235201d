"""Instants as paper gives them: to the minute, whatever zone they are written in."""

from datetime import UTC, datetime


def readable(at: str) -> bool:
    """Whether a text says an instant, with its zone."""
    try:
        return datetime.fromisoformat(at).tzinfo is not None
    except ValueError:
        return False


def to_minute(at: str) -> datetime:
    """Return an instant (RFC 3339) in UTC without its seconds; ValueError or OverflowError for what is none."""
    return datetime.fromisoformat(at).astimezone(UTC).replace(second=0, microsecond=0)

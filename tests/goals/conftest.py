"""The site that these tests drive, by a clock that is told."""

from tests.web.conftest import clock, desk

__all__ = ["clock", "desk"]

"""The site that rows of the goal table are driven on."""

from tests.web.conftest import clock, desk

__all__ = ["clock", "desk"]

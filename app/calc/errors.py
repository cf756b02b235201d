"""The root of every error this project raises on purpose.

A message is one plain sentence: what was given, what is wrong, what to do.
"""


class ChangeoutError(Exception):
    """Root error; its text is shown to people as it stands."""


class OutOfRange(ChangeoutError):  # noqa: N818  (named for what happened, like the rest)
    """A quantity lies outside the range in which the calculation is valid."""


class Invalid(ChangeoutError):  # noqa: N818
    """Text or a file that cannot be understood."""

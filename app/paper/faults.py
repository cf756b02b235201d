"""What can go wrong on the way to paper, in one sentence."""

from app.calc.errors import ChangeoutError


class PaperFault(ChangeoutError):  # noqa: N818  (named for what happened, like the rest)
    """A record that cannot be printed or signed; the text says what to do."""

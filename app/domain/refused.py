"""A refusal: the rules of the job say no, why, and what to do next."""

from app.calc.errors import ChangeoutError


class Refused(ChangeoutError):  # noqa: N818  (named for what happened)
    """`code` is for programs and the record, the text for people; `logged` ones leave an entry in the ledger."""

    def __init__(self, code: str, sentence: str, *, step: str | None = None, logged: bool = False) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.step = step
        self.logged = logged

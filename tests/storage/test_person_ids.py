"""Ids made from names: Latin letters with marks keep their letter, and what is no Latin letter is left out."""

import pytest

from app.storage.people import plain_letters


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("Radek Nowák", "radek nowak"), ("Tomé Silva", "tome silva"), ("Łukasz Żółć", "lukasz zolc"),
        ("Bjørn Åse", "bjorn ase"), ("Jürgen Groß", "jurgen gross"), ("Đorđe Ћирић", "dorde "),
        ("Þóra Æsa", "thora aesa"), ("İpek Işık", "ipek isik"),
    ],
)  # fmt: skip
def test_letters_keep_their_plain_form(name: str, plain: str) -> None:
    """Marks fall off, letters that Unicode does not take apart are spelt, others are dropped."""
    assert plain_letters(name) == plain

"""What `python -m tests.faults` does to records by the ten thousand, in small; and that it sees a verifier's faults."""

from collections.abc import Callable
from dataclasses import replace
from random import Random

import pytest

from app.records.verify import Verdict
from tests.ledger.signing import new_signer
from tests.records import tampering
from tests.records.tampering import BELIEVED, KINDS, SEEDED, Altered, Share, alter, faulty, flip, honest, short


@pytest.mark.parametrize("base", [honest, short], ids=["whole", "short"])
def test_what_is_altered_is_a_record_in_which_nothing_is_wrong(base: Callable[[], tampering.Honest]) -> None:
    """Else whatever is found would prove nothing."""
    data = base().data

    assert faulty(Altered("", data, base().signer.sign(data), 1).verdict()) == set()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__.strip("_"))
def test_each_kind_of_alteration_is_found_and_the_first_bad_entry_named(kind: Callable[[Random], Altered]) -> None:
    """By the check that is there for it."""
    altered = kind(Random(20260302))

    assert altered.complaint(altered.verdict()) == ""


def test_every_fault_of_a_verifier_lets_one_of_the_alterations_through() -> None:
    """Each kind once: that is enough to notice every check that is taken out."""
    seen = alter(Share(1, range(2 * len(KINDS))))

    assert seen.wrong == []
    assert set(seen.noticed) == {*SEEDED, BELIEVED}


def test_bits_are_flipped_in_all_of_a_record() -> None:
    """Most of them among entries and heads, which hold without the file's signature as well."""
    seen = flip(Share(1, range(300)))

    assert (seen.tried, seen.wrong) == (300, [])
    assert 150 < seen.inside < 300


def test_a_bit_that_nobody_notices_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A verifier to which everything is good is found out at once."""
    monkeypatch.setattr(tampering, "verify_record", lambda *_, **__: Verdict(()))

    assert len(flip(Share(1, range(3))).wrong) >= 3


def test_an_alteration_that_is_found_by_another_check_is_told() -> None:
    """The harness asks for the check that is there for it."""
    altered = replace(KINDS[0](Random(1)), number=7)

    assert "check 7 finds nothing" in altered.complaint(altered.verdict())


def test_a_key_that_is_not_the_sites_seals_nothing() -> None:
    """The signature of a record by another key is found."""
    data = honest().data

    assert faulty(Altered("", data, new_signer().sign(data), 3).verdict()) == {3}


def test_a_verifier_that_raises_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each flip and each alteration that it raises on is wrong; the run goes on."""

    def raises(*_: object, **__: object) -> Verdict:
        raise KeyError("zone")

    monkeypatch.setattr(tampering, "verify_record", raises)

    assert [len(run(Share(1, range(3))).wrong) for run in (flip, alter)] == [3, 3]

"""Secrets are hashed by the published function, and weak ones are told apart from odd ones."""

import re

import pytest
from argon2.low_level import Type, hash_secret_raw
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

from app.storage.faults import StorageFault
from app.storage.secrets import CODE_ALPHABET, check_secret, hash_secret, is_outdated, new_one_time_code, weak_secret
from tests.conftest import FOR_PEOPLE

GOOD = "four odd socks in a drawer"


@pytest.fixture(autouse=True)
def as_for_people(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash secrets here as for people, not as for all other tests."""
    monkeypatch.setattr("argon2.profiles.RFC_9106_LOW_MEMORY", FOR_PEOPLE)


def test_argon2id_is_the_published_function() -> None:
    """RFC 9106, section 5.3, holds for one library, and ours agrees with that one where both can go."""
    vector = Argon2id(
        salt=b"\2" * 16, length=32, iterations=3, lanes=4, memory_cost=32, ad=b"\4" * 12, secret=b"\3" * 8
    )
    plain = Argon2id(salt=b"\2" * 16, length=32, iterations=3, lanes=4, memory_cost=32)

    assert vector.derive(b"\1" * 32).hex() == "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
    assert plain.derive(b"\1" * 32) == hash_secret_raw(b"\1" * 32, b"\2" * 16, 3, 32, 4, 32, Type.ID)


def test_the_hash_shows_the_recommended_parameters() -> None:
    """64 MiB, three passes, four lanes, a 16-byte salt and a 32-byte tag stand in the hash itself."""
    hashed = hash_secret(GOOD)

    assert re.fullmatch(r"\$argon2id\$v=19\$m=65536,t=3,p=4\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}", hashed)
    assert not is_outdated(hashed)
    assert hash_secret(GOOD) != hashed


def test_only_the_right_secret_checks() -> None:
    """Case and spaces count."""
    hashed = hash_secret(GOOD)

    assert check_secret(hashed, GOOD)
    assert [check_secret(hashed, wrong) for wrong in ("", GOOD.upper(), GOOD + " ", GOOD[:-1])] == [False] * 4


def test_two_keyboards_write_one_letter() -> None:
    """A composed and a decomposed letter are the same secret."""
    hashed = hash_secret("vier grüne Socken im Schrank")

    assert check_secret(hashed, "vier gru\u0308ne Socken im Schrank")


def test_an_older_hash_checks_and_is_told_to_be_old() -> None:
    """A hash with smaller parameters still works until it is made anew."""
    older = "$argon2id$v=19$m=16,t=2,p=1$MDEyMzQ1Njc4OWFiY2RlZg$JMwLshr3hxLNGhRNRq+qkg"

    assert is_outdated(older)
    assert not check_secret(older, GOOD)


@pytest.mark.parametrize("hashed", ["", "plain text", "$argon2id$v=19$m=65536,t=3,p=4$broken"])
def test_an_unreadable_hash_is_told(hashed: str) -> None:
    """A damaged row is not taken for a wrong secret."""
    with pytest.raises(StorageFault, match="cannot be read"):
        check_secret(hashed, GOOD)


@pytest.mark.parametrize(
    ("secret", "says"),
    [
        ("", "0 characters"),
        ("fourteen chars", "14 characters"),
        ("gru\u0308n gru\u0308n gru\u0308", "13 characters"),
        ("aaaaaaaaaaaaaaaaaaaa", "repeats"),
        ("ababababABABABABAB", "repeats"),
        ("password password", "well-known"),
        ("Password-2026-2026", "repeats|well-known"),
        ("PASSWORDPASSWORD1234", "well-known"),
        ("correct horse battery staple", "well-known"),
        ("qwertyuiopasdfghj", "well-known"),
        ("123456789012345", "well-known"),
        ("0123456789012345", "well-known"),
        ("changeout ledger filter", "well-known"),
        ("Hall South Hall South", "name from this site"),
        ("ida-mustermann-1987", "name from this site"),
        ("Ida Mustermann Hall South", "name from this site"),
    ],
)
def test_weak_secrets_are_told_why(secret: str, says: str) -> None:
    """Short, repeated, well known, or the site's own names: each has its sentence."""
    told = weak_secret(secret, ["Hall South", "Ida Mustermann", " - "])

    assert told is not None
    assert re.search(says, told)
    assert told.endswith(".")


@pytest.mark.parametrize(
    "secret",
    [
        GOOD,
        "x7$kQ-mmPw!aa93Z",
        "fifteen chars !",
        "my password is long",
        "837465019283746",
        "绿色的袜子在旧抽屉里放了三双半呢",
    ],
)
def test_long_and_odd_secrets_pass(secret: str) -> None:
    """No composition rules: length and oddness are enough."""
    assert weak_secret(secret, ["Hall South", "Ida Mustermann"]) is None


def test_no_secret_takes_long_to_judge() -> None:
    """A text made to confuse a pattern search is judged like any other."""
    assert weak_secret("abcd" * 49 + "!x") is None
    assert weak_secret("password" * 100_000) is None


def test_one_time_codes_can_be_read_aloud_and_are_strong_enough() -> None:
    """Four groups of four clear signs, never twice the same, and accepted as a first secret."""
    codes = {new_one_time_code() for _ in range(200)}

    assert len(codes) == 200
    assert all(re.fullmatch(rf"([{CODE_ALPHABET}]{{4}}-){{3}}[{CODE_ALPHABET}]{{4}}", code) for code in codes)
    assert not set("01OILU") & set(CODE_ALPHABET)
    assert all(weak_secret(code) is None for code in codes)


def test_a_code_comes_from_the_source_it_is_given() -> None:
    """Chance is handed in, so that a rehearsal can be repeated."""
    assert new_one_time_code(choose=lambda signs: signs[0]) == "2222-2222-2222-2222"

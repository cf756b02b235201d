"""What people sign in with: how it is hashed, what is too weak, and the code they get first.

Rules kept here:
- Argon2id with the second recommended set of RFC 9106, section 4 (64 MiB, 3 passes, 4 lanes); the parameters are in the
  hash, so that older hashes still check after a change.
- Length instead of composition rules: 15 characters, nothing well known, nothing about the site or the person.
- Text is compared in Unicode form NFC, since two keyboards may send one letter in two ways.
"""

import secrets
from collections.abc import Callable, Collection, Iterable, Sequence
from string import digits
from unicodedata import normalize

from app.storage.faults import StorageFault

SHORTEST_SECRET = 15
"""Least characters of a secret that stands alone (NIST SP 800-63B-4; final text not read, known through others)."""
FEWEST_DIFFERENT = 5
"""A secret with fewer different characters is a pattern, whatever its length (our choice)."""
LONGEST_PATTERN = 200
"""A longer secret is not searched for words: it has gone far beyond any list (our choice)."""
CODE_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Digits and capitals without those that are easily taken for one another: 0 O, 1 I L, U V."""
CODE_GROUPS, CODE_GROUP_LENGTH = 4, 4
"""Sixteen of thirty characters: 78 bits."""

WELL_KNOWN = frozenset({
    "password", "passwort", "passphrase", "passcode", "secret", "letmein", "welcome", "admin", "administrator", "login",
    "changeme", "default", "master", "iloveyou", "sunshine", "princess", "football", "baseball", "dragon", "monkey",
    "whatever", "trustno", "correcthorsebatterystaple", "thequickbrownfox",
    "tobeornottobe", "qwerty", "qwertyuiop", "qwertyuiopasdfghjklzxcvbnm", "asdfghjkl", "zxcvbnm", "qwertz", "azerty",
    "abcdefghijklmnopqrstuvwxyz", "abc", "abcd", "hello", "goodmorning", "technician", "safetyofficer", "supervisor",
    "changeout", "ledger", "filter", "hepa", "housing", "containment", "baginbagout", "1qaz2wsx3edc4rfv5tgb",
    "q1w2e3r4t5y6u7i8o9p0", "1q2w3e4r5t6y7u8i9o0p", "12345678901234567890", "01234567890123456789",
    "98765432109876543210",
})  # fmt: skip
"""Words and keyboard runs that are tried first; alone, repeated, or with digits at the ends (our selection)."""


def hash_secret(secret: str) -> str:
    """Return the Argon2id hash of a secret, with its parameters and a fresh salt inside."""
    from argon2 import PasswordHasher
    from argon2.profiles import RFC_9106_LOW_MEMORY

    return PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY).hash(normalize("NFC", secret))


def check_secret(hashed: str, secret: str) -> bool:
    """Tell whether this is the secret that was hashed.

    Raises StorageFault when the stored hash cannot be read.
    """
    from argon2 import PasswordHasher
    from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError

    try:
        return PasswordHasher().verify(hashed, normalize("NFC", secret))
    except VerifyMismatchError:
        return False
    except (InvalidHashError, VerificationError) as error:
        raise StorageFault("The stored secret cannot be read: have an administrator set a new one.") from error


def is_outdated(hashed: str) -> bool:
    """Tell whether a hash was made with other parameters than today's: hash the secret again when it is next given."""
    from argon2 import PasswordHasher
    from argon2.profiles import RFC_9106_LOW_MEMORY

    return PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY).check_needs_rehash(hashed)


def weak_secret(secret: str, words: Iterable[str] = ()) -> str | None:
    """Say in one sentence why a secret is too weak, or return None.

    words: names of the site, the person and the like, which others would try first.
    """
    text = normalize("NFC", secret)
    if len(text) < SHORTEST_SECRET:
        return (
            f"The secret has {len(text)} characters: use at least {SHORTEST_SECRET}, for example four unrelated words."
        )
    if len(set(text.casefold())) < FEWEST_DIFFERENT:
        return "The secret repeats a few characters: use several unrelated words."
    own = [closed for word in words for closed in (_closed_up(word),) if closed]
    if _is_made_of(_closed_up(text), own):
        return "The secret is a name from this site: use several unrelated words."
    if _is_made_of(_closed_up(text), WELL_KNOWN):
        return "The secret is a well-known one: use several unrelated words."
    return None


def new_one_time_code(*, choose: Callable[[Sequence[str]], str] = secrets.choice) -> str:
    """Return a code for the first sign-in, like 7KQM-2XHD-9RTB-C4WN, to be changed at once."""
    groups = ("".join(choose(CODE_ALPHABET) for _ in range(CODE_GROUP_LENGTH)) for _ in range(CODE_GROUPS))
    return "-".join(groups)


def _closed_up(text: str) -> str:
    return "".join(sign for sign in normalize("NFKC", text).casefold() if sign.isalnum())


def _is_made_of(text: str, words: Collection[str]) -> bool:
    """Tell whether nothing but these words, one after another, and digits at the ends make up the text.

    A long word cut off (a keyboard run, a sentence) counts too. Walks the text once, so that no text takes long.
    """
    if not text or len(text) > LONGEST_PATTERN:
        return False
    core = text.strip(digits) or text
    reached = {0}
    for at in range(len(core)):
        if at in reached:
            reached |= {at + len(word) for word in words if core.startswith(word, at)}
    return len(core) in reached or any(word.startswith(text) for word in words)

"""A head: what a ledger came to at one moment, signed by the site key.

Rules kept here:
- The signed message is canonical JSON that names its own format, the ledger, its size, its root, the time and the key,
  so that a head cannot be passed off as another ledger's, another size's or another kind of document.
- One algorithm only: ECDSA on P-256 with SHA-256, the form that a plain openssl verifies. Any other key is refused.
- A verifier takes the certificate from its caller, never from the record it is checking.
"""

from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Protocol

from app.calc.errors import Invalid
from app.ledger.canonical import canonical

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePublicKey

HEAD_FORMAT = "changeout-head/1"
KEY_ID_DIGITS = 16
SHORT_ROOT_DIGITS = 20
"""Hex digits printed on paper: 80 bits, far beyond a chance match and short enough to copy by hand (our choice)."""
ROOT_DIGITS = 64


@dataclass(frozen=True, slots=True)
class Head:
    """Size and root of one ledger at one moment, with the site's signature over `head_message`.

    ledger: the ledger's name. size: entries covered. root: 32 bytes. at: RFC 3339 time in UTC, by the site's own clock.
    key_id: see `key_id_of`. signature: DER ECDSA P-256 SHA-256.
    """

    ledger: str
    size: int
    root: bytes
    at: str
    key_id: str
    signature: bytes

    @property
    def message(self) -> bytes:
        """The bytes that `signature` signs."""
        return head_message(ledger=self.ledger, size=self.size, root=self.root, at=self.at, key_id=self.key_id)


class Signer(Protocol):
    """Whoever holds the site key."""

    @property
    def key_id(self) -> str:
        """First 16 hex digits of the SHA-256 of the public key (`key_id_of`)."""

    @property
    def certificate_pem(self) -> str:
        """The site certificate that belongs to the key."""

    def sign(self, message: bytes) -> bytes:
        """DER signature over `message`: ECDSA, P-256, SHA-256."""


def head_message(*, ledger: str, size: int, root: bytes, at: str, key_id: str) -> bytes:
    """Return the canonical JSON that is signed for a head.

    Raises Invalid when a part cannot be written as canonical JSON.
    """
    return canonical(
        {"format": HEAD_FORMAT, "ledger": ledger, "size": size, "root": root.hex(), "at": at, "key": key_id}
    )


def verify_signature(*, certificate_pem: str, message: bytes, signature: bytes) -> bool:
    """Tell whether the key of that certificate signed exactly this message.

    Raises Invalid when the certificate is unreadable or holds any key but an elliptic one on P-256.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
    from cryptography.hazmat.primitives.hashes import SHA256

    key = _public_key(certificate_pem)
    try:
        key.verify(signature, message, ECDSA(SHA256()))
    except InvalidSignature:
        return False
    return True


def key_id_of(certificate_pem: str) -> str:
    """Return the first 16 hex digits of the SHA-256 of the certificate's public key in DER (SubjectPublicKeyInfo).

    Raises Invalid when the certificate is unreadable or holds any key but an elliptic one on P-256.
    """
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    der = _public_key(certificate_pem).public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return sha256(der).hexdigest()[:KEY_ID_DIGITS]


def short_root(root: bytes) -> str:
    """Return the root as printed on paper: its first 20 hex digits in groups of four. `root.hex()` is the full text."""
    digits = root.hex()[:SHORT_ROOT_DIGITS]
    return " ".join(digits[start : start + 4] for start in range(0, SHORT_ROOT_DIGITS, 4))


def matches_root(text: str, root: bytes) -> bool:
    """Tell whether `text`, as copied from paper, names this root.

    Capitals, spaces and hyphens do not matter; 20 to 64 hex digits are needed, from the first digit on.
    """
    digits = root_digits(text)
    return digits is not None and root.hex().startswith(digits)


def root_digits(text: str) -> str | None:
    """Return the hex digits of a copied root, closed up in lower case; None unless there are 20 to 64."""
    digits = "".join(text.split()).replace("-", "").lower()
    fits = SHORT_ROOT_DIGITS <= len(digits) <= ROOT_DIGITS
    return digits if fits and set(digits) <= set("0123456789abcdef") else None


@lru_cache(maxsize=8)
def _public_key(certificate_pem: str) -> "EllipticCurvePublicKey":
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePublicKey
    from cryptography.x509 import load_pem_x509_certificate

    try:
        key = load_pem_x509_certificate(certificate_pem.encode()).public_key()
    except Exception as error:  # a hostile certificate can raise almost anything, and all of it means "unreadable"
        raise Invalid("The certificate cannot be read: give the site certificate as PEM text.") from error
    if not (isinstance(key, EllipticCurvePublicKey) and isinstance(key.curve, SECP256R1)):
        raise Invalid("The certificate's key is not ECDSA on P-256: give the site certificate that signed the record.")
    return key

"""A throw-away site key for tests, and ledgers written with it the honest way."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.types import CertificateIssuerPrivateKeyTypes
from cryptography.hazmat.primitives.serialization import Encoding

from app.ledger.canonical import canonical
from app.ledger.heads import Head, head_message, key_id_of
from app.ledger.tree import EMPTY, leaf_hash

AT = "2026-03-02T07:15:00.000Z"


def certificate_for(key: CertificateIssuerPrivateKeyTypes, *, digest: hashes.SHA256 | None) -> str:
    """Return a self-signed certificate in PEM for any kind of key."""
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "test")])
    start = datetime(2026, 1, 1, tzinfo=UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(start)
        .not_valid_after(start + timedelta(days=3650))
        .sign(key, digest)
    )
    return certificate.public_bytes(Encoding.PEM).decode()


@dataclass(frozen=True, slots=True)
class TestSigner:
    """A signer whose key lives only as long as the test run."""

    key: ec.EllipticCurvePrivateKey
    certificate_pem: str
    key_id: str

    __test__ = False

    def sign(self, message: bytes) -> bytes:
        """Sign with ECDSA, P-256, SHA-256."""
        return self.key.sign(message, ec.ECDSA(hashes.SHA256()))


def new_signer() -> TestSigner:
    """Make a key and its certificate."""
    key = ec.generate_private_key(ec.SECP256R1())
    pem = certificate_for(key, digest=hashes.SHA256())
    return TestSigner(key, pem, key_id_of(pem))


def entry_payload(ledger: str, seq: int, **more: object) -> bytes:
    """Return one well-formed entry."""
    return canonical({"ledger": ledger, "seq": seq, **more})


def signed_head(signer: TestSigner, *, ledger: str, payloads: Sequence[bytes]) -> Head:
    """Return the head of a whole list of payloads."""
    frontier = EMPTY
    for payload in payloads:
        frontier = frontier.append(leaf_hash(payload))
    root = frontier.root()
    message = head_message(ledger=ledger, size=len(payloads), root=root, at=AT, key_id=signer.key_id)
    return Head(ledger, len(payloads), root, AT, signer.key_id, signer.sign(message))


def signed_heads(signer: TestSigner, *, ledger: str, payloads: Sequence[bytes], sizes: Sequence[int]) -> list[Head]:
    """Return the heads that appending up to each size would have left."""
    return [signed_head(signer, ledger=ledger, payloads=payloads[:size]) for size in sizes]

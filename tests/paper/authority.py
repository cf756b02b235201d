"""A throw-away authority and site key for tests: P-256, alive only as long as the test run."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID

FROM = datetime(2026, 1, 1, tzinfo=UTC)
UNTIL = FROM + timedelta(days=70 * 365)
PURPOSES = (x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36"), ExtendedKeyUsageOID.EMAIL_PROTECTION)
"""Signing documents (RFC 9336); and mail, without which poppler's pdfsig calls no certificate trusted."""


@dataclass(frozen=True, slots=True)
class TestSite:
    """What a site's key folder holds."""

    key_pem: bytes
    certificate_pem: str
    authority_pem: str

    __test__ = False


def new_site(name: str = "Sample works", *, for_documents: bool = True) -> TestSite:
    """Make an authority and a site key under it, which may sign documents unless told otherwise."""
    above, own = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    root = _certificate(above.public_key(), above, f"{name} authority", f"{name} authority")
    leaf = _certificate(own.public_key(), above, f"{name} authority", name, for_documents=for_documents)
    private = own.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return TestSite(private, leaf, root)


def _certificate(
    public: ec.EllipticCurvePublicKey,
    key: ec.EllipticCurvePrivateKey,
    issuer: str,
    name: str,
    *,
    for_documents: bool | None = None,
) -> str:
    authority = for_documents is None
    usage = {
        "digital_signature": not authority,
        "content_commitment": bool(for_documents),
        "key_cert_sign": authority,
    } | dict.fromkeys(
        ("key_encipherment", "data_encipherment", "key_agreement", "crl_sign", "encipher_only", "decipher_only"), False
    )
    builder = (
        x509.CertificateBuilder()
        .subject_name(_named(name))
        .issuer_name(_named(issuer))
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(FROM)
        .not_valid_after(UNTIL)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=0 if authority else None), critical=True)
        .add_extension(x509.KeyUsage(**usage), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False)
    )
    if not authority:
        builder = builder.add_extension(x509.ExtendedKeyUsage(PURPOSES), critical=False)
    return builder.sign(key, hashes.SHA256()).public_bytes(Encoding.PEM).decode()


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])

"""What an authority of the site and its server's certificate consist of; nothing here touches a file.

A server certificate is good for 397 days in all. Browsers refuse longer ones of public authorities (398 days), and one
maker's tablets refuse any above 825, those of a site's own authority too (from memory).
"""

from datetime import datetime, timedelta
from ipaddress import ip_address, ip_network
from typing import TYPE_CHECKING

from app.storage.keys import CLOCK_SLACK
from app.storage.reached import PRIVATE_NETWORKS, Reached, is_private

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey, EllipticCurvePublicKey
    from cryptography.x509 import Certificate, CertificateBuilder, ExtensionType, Name

SERVER_DAYS = 397
AUTHORITY_DAYS = 3650
"""Ten years: every tablet must be visited when it ends (our choice)."""
LONGEST_COMMON_NAME = 64
"""RFC 5280, appendix A, ub-common-name."""


def authority_certificate(key: "EllipticCurvePrivateKey", reached: Reached, now: datetime) -> "Certificate":
    """Issue an authority to itself; it may vouch for these names, these addresses and all private ones."""
    from cryptography import x509
    from cryptography.hazmat.primitives.hashes import SHA256

    own = next((name for name in reached.names if name != "localhost"), "localhost")
    name = _named(f"Changeout Ledger authority of {own}")
    public = (ip_network(text) for text in reached.addresses if not is_private(text))
    permitted = [
        *(x509.DNSName(text) for text in reached.names),
        *(x509.IPAddress(network) for network in (*PRIVATE_NETWORKS, *public)),
    ]
    builder = _builder(name, name, key.public_key(), key.public_key(), now - CLOCK_SLACK)
    builder = builder.not_valid_after(now + timedelta(days=AUTHORITY_DAYS))
    for extension, critical in (
        (x509.BasicConstraints(ca=True, path_length=0), True),
        (_usage(for_authority=True), True),
        (x509.NameConstraints(permitted_subtrees=permitted, excluded_subtrees=None), True),
    ):
        builder = builder.add_extension(extension, critical=critical)
    return builder.sign(key, SHA256())


def server_pem(reached: Reached, authority: "Certificate", key: "EllipticCurvePrivateKey", now: datetime) -> bytes:
    """Return a new private key and its certificate, good for 397 days or for as long as the authority is."""
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
    from cryptography.hazmat.primitives.hashes import SHA256

    own = generate_private_key(SECP256R1())
    begin = now - CLOCK_SLACK
    alternatives = [
        *(x509.DNSName(text) for text in reached.names),
        *(x509.IPAddress(ip_address(text)) for text in reached.addresses),
    ]
    builder = _builder(authority.subject, _named("Changeout Ledger server"), own.public_key(), key.public_key(), begin)
    end = min(begin + timedelta(days=SERVER_DAYS) - timedelta(seconds=1), authority.not_valid_after_utc)
    builder = builder.not_valid_after(end)  # the last second counts, too (RFC 5280, section 4.1.2.5)
    for extension, critical in (
        (x509.BasicConstraints(ca=False, path_length=None), True),
        (_usage(for_authority=False), True),
        (x509.ExtendedKeyUsage([x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]), False),
        (x509.SubjectAlternativeName(alternatives), False),
    ):
        builder = builder.add_extension(extension, critical=critical)
    return key_pem(own) + pem(builder.sign(key, SHA256())).encode()


def _builder(
    issuer: "Name", subject: "Name", public: "EllipticCurvePublicKey", above: "EllipticCurvePublicKey", begin: datetime
) -> "CertificateBuilder":
    from cryptography import x509

    return (
        x509.CertificateBuilder(issuer, subject, public, x509.random_serial_number())
        .not_valid_before(begin)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(above), critical=False)
    )


def _usage(*, for_authority: bool) -> "ExtensionType":
    from cryptography.x509 import KeyUsage

    return KeyUsage(
        digital_signature=not for_authority,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=for_authority,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )


def _named(common_name: str) -> "Name":
    from cryptography.x509 import Name, NameAttribute, NameOID

    return Name([NameAttribute(NameOID.COMMON_NAME, common_name[:LONGEST_COMMON_NAME])])


def pem(certificate: "Certificate") -> str:
    """Return a certificate as PEM text."""
    from cryptography.hazmat.primitives.serialization import Encoding

    return certificate.public_bytes(Encoding.PEM).decode("ascii")


def key_pem(key: "EllipticCurvePrivateKey") -> bytes:
    """Return a private key as unencrypted PKCS 8 in PEM."""
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def fingerprint(certificate: "Certificate") -> str:
    """Return the SHA-256 over a certificate as pairs of hex digits with colons."""
    from cryptography.hazmat.primitives.hashes import SHA256

    return certificate.fingerprint(SHA256()).hex(":").upper()

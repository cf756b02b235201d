"""The site key: one ECDSA P-256 key with its certificate, in the data folder's `keys` folder.

Rules kept here:
- The folder appears whole or not at all, and an incomplete one is refused: a key is never replaced in silence.
- Nobody but the owner may read the key; a folder that others can read is refused at the start.
- The authority that signs the site certificate lives for that one signature. Its key is never written down, so nobody,
  ourselves included, can issue a second certificate under it.
- `cryptography` is loaded at the first use of the key, not at the start of the program.
"""

import shutil
import stat
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from app.ledger.heads import key_id_of
from app.storage.durable import sync_folder, write_new_file
from app.storage.faults import StorageFault

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey, EllipticCurvePublicKey
    from cryptography.x509 import Certificate, KeyUsage, Name

KEY_FOLDER = "keys"
KEY_NAME, CERTIFICATE_NAME, AUTHORITY_NAME = "site.key", "site.crt", "authority.crt"
VALID_DAYS = 20 * 365 + 5
"""Twenty years: a record must outlive the housing, and the site has no authority to renew from (our choice)."""
CLOCK_SLACK = timedelta(days=1)
"""The certificate begins a day early, so that a clock set back a little does not make it invalid (our choice)."""
LONGEST_NAME = 64
"""Longest name that fits a certificate's organisation field (RFC 5280, appendix A, ub-organization-name)."""
DOCUMENT_SIGNING = "1.3.6.1.5.5.7.3.36"
"""Extended key usage for signing documents (RFC 9336)."""


@dataclass(frozen=True)
class SiteKey:
    """Signs heads and records for the site; satisfies `app.ledger.heads.Signer`.

    certificate_pem and authority_pem are what auditors get; key_path is where the private key lies.
    """

    certificate_pem: str
    authority_pem: str
    key_path: Path

    @cached_property
    def key_id(self) -> str:
        """First 16 hex digits of the SHA-256 of the public key, computed from the certificate itself."""
        return key_id_of(self.certificate_pem)

    def sign(self, message: bytes) -> bytes:
        """Return the DER signature over `message`: ECDSA, P-256, SHA-256.

        Raises StorageFault when the key is unreadable or is not the certificate's.
        """
        from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
        from cryptography.hazmat.primitives.hashes import SHA256

        return self._private.sign(message, ECDSA(SHA256()))

    @cached_property
    def _private(self) -> "EllipticCurvePrivateKey":
        from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
        from cryptography.hazmat.primitives.serialization import load_pem_private_key
        from cryptography.x509 import load_pem_x509_certificate

        try:
            key = load_pem_private_key(self.key_path.read_bytes(), password=None)
            public = load_pem_x509_certificate(self.certificate_pem.encode()).public_key()
        except (OSError, ValueError, TypeError) as error:
            raise StorageFault(f"The site key {self.key_path} cannot be read: restore it from a backup.") from error
        if not isinstance(key, EllipticCurvePrivateKey) or key.public_key() != public:
            raise StorageFault(
                f"The site key {self.key_path} does not belong to its certificate: restore both from one backup."
            )
        return key


def load_or_make_site_key(folder: Path, *, site: str, clock: Callable[[], datetime]) -> SiteKey:
    """Return the site key of a data folder, made at the first start. Open the engine first: it holds the folder.

    folder: the data folder. site: the site's name for the certificate, 1 to 64 characters. clock: gives UTC.
    Raises StorageFault when others can read the key, when a file is missing, or when the name does not fit.
    """
    keys = folder / KEY_FOLDER
    if not keys.exists():
        _make(keys, site=site, now=clock())
    return load_site_key(folder)


def load_site_key(folder: Path) -> SiteKey:
    """Return the site key of a data folder that has one.

    Raises StorageFault when others can read the key or when a file is missing.
    """
    keys = folder / KEY_FOLDER
    if not keys.is_dir():
        raise StorageFault(f"{folder} has no folder {KEY_FOLDER}: restore it from a backup made with its keys.")
    _refuse_if_others_can_read(keys)
    missing = [name for name in (KEY_NAME, CERTIFICATE_NAME, AUTHORITY_NAME) if not (keys / name).is_file()]
    if missing:
        raise StorageFault(
            f"The folder {keys} lacks {', '.join(missing)}: restore it from a backup, since a new key could not "
            "continue the old record."
        )
    _refuse_if_others_can_read(keys / KEY_NAME)
    return SiteKey(
        certificate_pem=(keys / CERTIFICATE_NAME).read_text("ascii", errors="replace"),
        authority_pem=(keys / AUTHORITY_NAME).read_text("ascii", errors="replace"),
        key_path=keys / KEY_NAME,
    )


def _refuse_if_others_can_read(path: Path) -> None:
    """Windows keeps rights elsewhere; there the owner's profile folder protects the key."""
    if sys.platform != "win32" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise StorageFault(
            f"Others than the owner can reach {path}: take their rights away (chmod go-rwx) and restart."
        )


def _make(keys: Path, *, site: str, now: datetime) -> None:
    """Make key and certificates beside, flush them, and rename the finished folder into place."""
    if not 1 <= len(site) <= LONGEST_NAME:
        raise StorageFault(f"The site name has {len(site)} characters: give one of 1 to {LONGEST_NAME}.")
    beside = keys.with_name(f"{keys.name}.new")
    files = _fresh_files(site, now)
    try:
        shutil.rmtree(beside, ignore_errors=True)  # left by a start that was cut short: never used
        beside.mkdir(mode=0o700, parents=True)
        for name, content in files.items():
            write_new_file(beside / name, content, mode=0o600 if name == KEY_NAME else 0o644)
        sync_folder(beside)
        beside.rename(keys)
        sync_folder(keys.parent)
    except OSError as error:
        raise StorageFault(f"The site key could not be saved in {keys} ({error.strerror}): check the disk.") from error


def _fresh_files(site: str, now: datetime) -> dict[str, bytes]:
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    site_key, authority_key = generate_private_key(SECP256R1()), generate_private_key(SECP256R1())
    above, own = _named("Record authority", site), _named("Record key", site)
    authority = _certificate(authority_key.public_key(), authority_key, (above, above), now, for_authority=True)
    certificate = _certificate(site_key.public_key(), authority_key, (above, own), now, for_authority=False)
    private = site_key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return {
        KEY_NAME: private,
        CERTIFICATE_NAME: certificate.public_bytes(Encoding.PEM),
        AUTHORITY_NAME: authority.public_bytes(Encoding.PEM),
    }


def _named(what: str, site: str) -> "Name":
    from cryptography.x509 import Name, NameAttribute, NameOID

    return Name([NameAttribute(NameOID.ORGANIZATION_NAME, site), NameAttribute(NameOID.COMMON_NAME, what)])


def _certificate(
    public: "EllipticCurvePublicKey",
    issuer_key: "EllipticCurvePrivateKey",
    names: "tuple[Name, Name]",
    now: datetime,
    *,
    for_authority: bool,
) -> "Certificate":
    """Issue a certificate. names: issuer and subject. An authority may sign certificates only, a site key documents."""
    from cryptography import x509
    from cryptography.hazmat.primitives.hashes import SHA256

    builder = (
        x509.CertificateBuilder(names[0], names[1], public, x509.random_serial_number())
        .not_valid_before(now - CLOCK_SLACK)
        .not_valid_after(now + timedelta(days=VALID_DAYS))
        .add_extension(x509.BasicConstraints(ca=for_authority, path_length=0 if for_authority else None), critical=True)
        .add_extension(_usage(for_authority=for_authority), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_key.public_key()), critical=False)
    )
    if not for_authority:
        # Common PDF tools accept a signer for documents only if it may also sign mail, so both purposes are named.
        mail = x509.oid.ExtendedKeyUsageOID.EMAIL_PROTECTION
        purposes = x509.ExtendedKeyUsage([x509.ObjectIdentifier(DOCUMENT_SIGNING), mail])
        builder = builder.add_extension(purposes, critical=False)
    return builder.sign(issuer_key, SHA256())


def _usage(*, for_authority: bool) -> "KeyUsage":
    from cryptography.x509 import KeyUsage

    return KeyUsage(
        digital_signature=not for_authority,
        content_commitment=not for_authority,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=for_authority,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )

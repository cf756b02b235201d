"""The site key is made once, is nobody else's to read, and is what openssl accepts."""

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePublicKey
from cryptography.x509.oid import ExtendedKeyUsageOID

from app.ledger.heads import key_id_of, verify_signature
from app.storage.faults import StorageFault
from app.storage.keys import SiteKey, load_or_make_site_key

NOW = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)


def site_key(folder: Path, site: str = "Plant 7, Hall South") -> SiteKey:
    """Load or make the key of a folder at a fixed time."""
    return load_or_make_site_key(folder, site=site, clock=lambda: NOW)


def test_the_key_is_made_once_and_loaded_ever_after(tmp_path: Path) -> None:
    """A second start has the same certificate and a key that still belongs to it."""
    first, second = site_key(tmp_path), site_key(tmp_path, "another name")

    assert second.certificate_pem == first.certificate_pem
    assert first.key_id == second.key_id == key_id_of(first.certificate_pem)
    assert verify_signature(
        certificate_pem=first.certificate_pem, message=b"message", signature=second.sign(b"message")
    )


def test_only_the_owner_can_reach_the_key(tmp_path: Path) -> None:
    """Folder 0700 and key 0600, whatever the caller's umask."""
    before = os.umask(0)
    try:
        site_key(tmp_path)
    finally:
        os.umask(before)

    assert (tmp_path / "keys").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "keys" / "site.key").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(("name", "mode"), [("", 0o750), ("", 0o701), ("site.key", 0o640), ("site.key", 0o604)])
def test_a_key_that_others_can_reach_is_refused(tmp_path: Path, name: str, mode: int) -> None:
    """The program does not start with a key that somebody else may have copied."""
    site_key(tmp_path)
    (tmp_path / "keys" / name).chmod(mode)

    with pytest.raises(StorageFault, match="chmod"):
        site_key(tmp_path)


@pytest.mark.parametrize("name", ["site.key", "site.crt", "authority.crt"])
def test_an_incomplete_folder_is_refused_and_nothing_is_replaced(tmp_path: Path, name: str) -> None:
    """A missing file is a case for the backup: a new key could not continue the old record."""
    site_key(tmp_path)
    (tmp_path / "keys" / name).unlink()

    with pytest.raises(StorageFault, match=name):
        site_key(tmp_path)

    assert not (tmp_path / "keys" / name).exists()


def test_a_start_cut_short_leaves_no_half_key(tmp_path: Path) -> None:
    """What an earlier start left beside is thrown away, since it never signed anything."""
    (tmp_path / "keys.new").mkdir()
    (tmp_path / "keys.new" / "site.key").write_text("half")

    key = site_key(tmp_path)

    assert key.sign(b"message")
    assert not (tmp_path / "keys.new").exists()


def test_the_private_key_of_the_authority_is_nowhere(tmp_path: Path) -> None:
    """One private key is on the disk, and it is the site's."""
    site_key(tmp_path)

    files = {path.name: path.read_text() for path in (tmp_path / "keys").iterdir()}

    assert set(files) == {"site.key", "site.crt", "authority.crt"}
    assert [name for name, content in files.items() if "PRIVATE KEY" in content] == ["site.key"]


def test_the_certificate_says_what_a_document_signer_needs(tmp_path: Path) -> None:
    """No authority, signature and commitment only, document signing, both key identifiers, twenty years."""
    key = site_key(tmp_path)
    certificate = x509.load_pem_x509_certificate(key.certificate_pem.encode())
    authority = x509.load_pem_x509_certificate(key.authority_pem.encode())
    extensions = certificate.extensions

    constraints = extensions.get_extension_for_class(x509.BasicConstraints)
    usage = extensions.get_extension_for_class(x509.KeyUsage)
    purposes = extensions.get_extension_for_class(x509.ExtendedKeyUsage)
    own_id = extensions.get_extension_for_class(x509.SubjectKeyIdentifier)
    issuer_id = extensions.get_extension_for_class(x509.AuthorityKeyIdentifier)
    public = certificate.public_key()

    assert isinstance(public, EllipticCurvePublicKey)
    assert isinstance(public.curve, SECP256R1)
    assert (constraints.critical, constraints.value.ca) == (True, False)
    assert (usage.critical, usage.value.digital_signature, usage.value.content_commitment) == (True, True, True)
    assert not usage.value.key_cert_sign
    assert [purpose.dotted_string for purpose in purposes.value] == ["1.3.6.1.5.5.7.3.36", "1.3.6.1.5.5.7.3.4"]
    assert ExtendedKeyUsageOID.SERVER_AUTH not in purposes.value
    assert own_id.value == x509.SubjectKeyIdentifier.from_public_key(public)
    assert issuer_id.value.key_identifier == x509.SubjectKeyIdentifier.from_public_key(authority.public_key()).digest
    assert certificate.not_valid_before_utc <= NOW
    assert certificate.not_valid_after_utc >= NOW + timedelta(days=20 * 365)
    assert authority.extensions.get_extension_for_class(x509.BasicConstraints).value.path_length == 0
    certificate.verify_directly_issued_by(authority)


def test_plain_openssl_accepts_chain_and_signature(tmp_path: Path) -> None:
    """An auditor without our program verifies the certificate and what was signed with it."""
    key = site_key(tmp_path)
    (tmp_path / "message").write_bytes(b"message")
    (tmp_path / "message.sig").write_bytes(key.sign(b"message"))

    chain = subprocess.run(
        ["openssl", "verify", "-CAfile", "keys/authority.crt", "keys/site.crt"],
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    public = subprocess.run(
        ["openssl", "x509", "-in", "keys/site.crt", "-pubkey", "-noout"], cwd=tmp_path, capture_output=True, check=True
    )
    (tmp_path / "site.pub").write_bytes(public.stdout)
    told = subprocess.run(
        ["openssl", "dgst", "-sha256", "-verify", "site.pub", "-signature", "message.sig", "message"],
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )

    assert chain.stdout == b"keys/site.crt: OK\n"
    assert told.stdout == b"Verified OK\n"


def test_a_key_of_another_certificate_is_refused(tmp_path: Path) -> None:
    """Files of two backups mixed up are found before anything is signed."""
    mine = site_key(tmp_path / "mine")
    site_key(tmp_path / "other")
    (tmp_path / "other" / "keys" / "site.key").replace(tmp_path / "mine" / "keys" / "site.key")

    with pytest.raises(StorageFault, match="does not belong"):
        mine.sign(b"message")


def test_an_unreadable_key_is_told(tmp_path: Path) -> None:
    """A damaged file is named, and where to get it back."""
    key = site_key(tmp_path)
    (tmp_path / "keys" / "site.key").write_text("damaged")

    with pytest.raises(StorageFault, match="backup"):
        key.sign(b"message")


@pytest.mark.parametrize("site", ["", "x" * 65])
def test_a_name_that_does_not_fit_is_refused(tmp_path: Path, site: str) -> None:
    """The certificate's name field takes 1 to 64 characters, and nothing is left behind by a refusal."""
    with pytest.raises(StorageFault, match="64"):
        site_key(tmp_path, site)

    assert list(tmp_path.iterdir()) == []


def test_loading_does_not_load_the_cryptography_library(tmp_path: Path) -> None:
    """A start with an existing key stays quick: the library comes with the first signature."""
    site_key(tmp_path)
    program = (
        "import sys; from pathlib import Path; from datetime import datetime, UTC\n"
        "from app.storage.keys import load_or_make_site_key\n"
        "key = load_or_make_site_key(Path(sys.argv[1]), site='x', clock=lambda: datetime.now(UTC))\n"
        "before = 'cryptography' in sys.modules; key.sign(b''); print(before, 'cryptography' in sys.modules)\n"
    )

    told = subprocess.run([sys.executable, "-c", program, str(tmp_path)], capture_output=True, check=True, text=True)

    assert told.stdout == "False True\n"

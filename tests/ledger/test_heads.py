"""Signed heads: what is signed, who may sign it, and how a root is copied from paper."""

import subprocess
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.asymmetric.types import CertificateIssuerPrivateKeyTypes
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from app.calc.errors import Invalid
from app.ledger.heads import Head, head_message, key_id_of, matches_root, short_root, verify_signature
from tests.ledger.signing import AT, TestSigner, certificate_for, entry_payload, new_signer, signed_head

ROOT = bytes.fromhex("5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328")


@pytest.fixture(scope="module")
def signer() -> TestSigner:
    """Make one key for all tests here."""
    return new_signer()


@pytest.fixture
def head(signer: TestSigner) -> Head:
    """Sign the head of a ledger of one entry."""
    return signed_head(signer, ledger="job-1", payloads=[entry_payload("job-1", 0)])


def holds(head: Head, signer: TestSigner) -> bool:
    """Tell whether the head's signature is the signer's."""
    return verify_signature(certificate_pem=signer.certificate_pem, message=head.message, signature=head.signature)


def test_the_signed_message_is_exactly_this() -> None:
    """The message names its format and all that the head says, in canonical order."""
    message = head_message(ledger="job-1", size=8, root=ROOT, at=AT, key_id="00ff00ff00ff00ff")

    assert message == (
        b'{"at":"2026-03-02T07:15:00.000Z","format":"changeout-head/1","key":"00ff00ff00ff00ff",'
        b'"ledger":"job-1","root":"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328","size":8}'
    )


def test_an_honest_head_holds(head: Head, signer: TestSigner) -> None:
    """What the key signed verifies with its certificate."""
    assert holds(head, signer)


def test_no_part_of_a_head_can_be_changed(head: Head, signer: TestSigner) -> None:
    """Ledger, size, root, time and key are all under the signature."""
    changed = [
        replace(head, ledger="job-2"),
        replace(head, size=2),
        replace(head, root=ROOT),
        replace(head, at="2026-03-02T07:15:00.001Z"),
        replace(head, key_id="0" * 16),
        replace(head, signature=head.signature[:-1]),
        replace(head, signature=head.signature + b"\0"),
        replace(head, signature=b""),
    ]

    assert [holds(one, signer) for one in changed] == [False] * len(changed)


def test_every_flipped_bit_of_the_signature_is_seen(head: Head, signer: TestSigner) -> None:
    """No single-bit change of a signature verifies."""
    signature = head.signature
    flipped = [
        bytes([*signature[:at], signature[at] ^ 1 << bit, *signature[at + 1 :]])
        for at in range(len(signature))
        for bit in range(8)
    ]

    assert not any(holds(replace(head, signature=one), signer) for one in flipped)


def test_another_key_does_not_do(head: Head) -> None:
    """A head is checked with the certificate at hand and no other."""
    assert not holds(head, new_signer())


@pytest.mark.parametrize(
    ("key", "digest"),
    [
        (ec.generate_private_key(ec.SECP384R1()), hashes.SHA256()),
        (ec.generate_private_key(ec.SECP256K1()), hashes.SHA256()),
        (rsa.generate_private_key(65537, 2048), hashes.SHA256()),
        (ed25519.Ed25519PrivateKey.generate(), None),
    ],
    ids=["P-384", "secp256k1", "RSA", "Ed25519"],
)
def test_any_key_but_p_256_is_refused(key: CertificateIssuerPrivateKeyTypes, digest: hashes.SHA256 | None) -> None:
    """One algorithm only, so that nobody can talk the verifier into a weaker one."""
    pem = certificate_for(key, digest=digest)

    with pytest.raises(Invalid, match="P-256"):
        key_id_of(pem)
    with pytest.raises(Invalid, match="P-256"):
        verify_signature(certificate_pem=pem, message=b"", signature=b"")


@pytest.mark.parametrize("pem", ["", "nonsense", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"])
def test_an_unreadable_certificate_is_refused_in_our_words(pem: str) -> None:
    """A damaged certificate is said to be one."""
    with pytest.raises(Invalid, match="cannot be read"):
        key_id_of(pem)


def test_the_key_id_is_the_hash_of_the_public_key(signer: TestSigner) -> None:
    """The id is sixteen hex digits of SHA-256 over the DER public key, which any tool can recompute."""
    der = signer.key.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)

    assert signer.key_id == sha256(der).hexdigest()[:16]


def test_plain_openssl_verifies_a_head(head: Head, signer: TestSigner, tmp_path: Path) -> None:
    """An auditor with openssl and nothing of ours comes to the same answer."""
    (tmp_path / "site.crt").write_text(signer.certificate_pem)
    (tmp_path / "head.json").write_bytes(head.message)
    (tmp_path / "head.sig").write_bytes(head.signature)

    public = subprocess.run(
        ["openssl", "x509", "-in", "site.crt", "-pubkey", "-noout"], cwd=tmp_path, capture_output=True, check=True
    )
    (tmp_path / "site.pub").write_bytes(public.stdout)
    told = subprocess.run(
        ["openssl", "dgst", "-sha256", "-verify", "site.pub", "-signature", "head.sig", "head.json"],
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )

    assert (told.returncode, told.stdout) == (0, b"Verified OK\n")


def test_a_root_is_printed_short_enough_to_copy() -> None:
    """Twenty digits in groups of four."""
    assert short_root(ROOT) == "5dc9 da79 a706 59a9 ad55"


@pytest.mark.parametrize(
    "text",
    ["5dc9 da79 a706 59a9 ad55", "5DC9-DA79-A706-59A9-AD55", " 5dc9da79a70659a9ad559 ", ROOT.hex(), ROOT.hex().upper()],
)
def test_a_copied_root_is_known_again(text: str) -> None:
    """Capitals, spaces and hyphens do not matter, nor how many digits beyond twenty were copied."""
    assert matches_root(text, ROOT)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "5dc9 da79 a706 59a9 ad5",
        "5dc9 da79 a706 59a9 ad54",
        "dc9d a79a 7065 9a9a d559",
        "5dc9 da79 a706 59a9 ad5g",
        ROOT.hex() + "0",
        "٥dc9 da79 a706 59a9 ad55",
    ],
)
def test_another_root_or_too_little_of_it_does_not_match(text: str) -> None:
    """A wrong digit, too few, too many, or digits from the middle prove nothing."""
    assert not matches_root(text, ROOT)

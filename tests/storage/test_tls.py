"""The site's authority vouches for its own server and for little else; openssl agrees, and nothing is half written."""

import errno
import os
import socket
import stat
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey, generate_private_key
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from hypothesis import given
from hypothesis import strategies as some

from app.calc.errors import ChangeoutError, Invalid
from app.services.trust import Trust
from app.storage import reached as reached_module
from app.storage.faults import StorageFault
from app.storage.reached import Reached, host_name, this_machine
from app.storage.tls import AUTHORITY_CERTIFICATE, AUTHORITY_KEY, SERVER_FILE, load_trust, make_authority, renew

NOW = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)
REACHED = Reached(("localhost", "filters.example"), ("127.0.0.1", "192.168.1.20", "203.0.113.9"))


@pytest.fixture
def made(tmp_path: Path) -> Trust:
    """An authority with its server certificate in `tmp_path`."""
    return make_authority(tmp_path, REACHED, now=NOW, replace=False)


def openssl_verifies(folder: Path, server: Path, *more: str, at: datetime = NOW) -> bool:
    """Ask openssl, strictly, whether a server certificate holds under the authority alone."""
    done = subprocess.run(
        ["openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-no-CApath", "-no-CAstore",
         "-attime", str(int(at.timestamp())), "-CAfile", str(folder / "tls" / AUTHORITY_CERTIFICATE), *more,
         str(server)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode == 0


def issued_by(folder: Path, *names: str) -> Path:
    """Misuse the authority's key: issue a server certificate for anything."""
    key = load_pem_private_key((folder / "tls" / AUTHORITY_KEY).read_bytes(), password=None)
    authority = x509.load_pem_x509_certificate((folder / "tls" / AUTHORITY_CERTIFICATE).read_bytes())
    assert isinstance(key, EllipticCurvePrivateKey)
    return issued(folder, key, authority.subject, generate_private_key(SECP256R1()), *names)


def issued(
    folder: Path, key: EllipticCurvePrivateKey, issuer: x509.Name, own: EllipticCurvePrivateKey, *names: str
) -> Path:
    """Issue a certificate; one without names may issue more."""
    alternatives: list[x509.GeneralName] = [
        x509.IPAddress(ip_address(name)) if name[0].isdigit() else x509.DNSName(name) for name in names
    ]
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "misuse" if names else "below")])
    builder = (
        x509.CertificateBuilder(issuer, subject, own.public_key(), x509.random_serial_number())
        .not_valid_before(NOW)
        .not_valid_after(NOW + timedelta(days=10))
        .add_extension(x509.BasicConstraints(ca=not names, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(own.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False)
    )
    if names:
        builder = builder.add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
    path = folder / f"misuse-{len(list(folder.iterdir()))}.pem"
    path.write_bytes(builder.sign(key, SHA256()).public_bytes(Encoding.PEM))
    return path


@pytest.mark.usefixtures("made")
def test_openssl_accepts_the_chain_for_each_name_and_address_and_no_other(tmp_path: Path) -> None:
    """Under the authority alone the server holds for what it was made for, in its time, and for nothing else."""
    server = tmp_path / "tls" / SERVER_FILE

    for name in REACHED.names:
        assert openssl_verifies(tmp_path, server, "-verify_hostname", name)
    for address in REACHED.addresses:
        assert openssl_verifies(tmp_path, server, "-verify_ip", address)
    assert not openssl_verifies(tmp_path, server, "-verify_hostname", "elsewhere.example")
    assert not openssl_verifies(tmp_path, server, "-verify_ip", "192.168.1.21")
    assert openssl_verifies(tmp_path, server, at=NOW - timedelta(hours=23))
    assert openssl_verifies(tmp_path, server, at=NOW + timedelta(days=395))
    assert not openssl_verifies(tmp_path, server, at=NOW + timedelta(days=397))


@pytest.mark.usefixtures("made")
def test_the_authority_can_vouch_for_nothing_outside(tmp_path: Path) -> None:
    """Even with its key no certificate for another name, a public address or an authority below it verifies."""
    assert openssl_verifies(tmp_path, issued_by(tmp_path, "localhost", "10.1.2.3"))
    assert not openssl_verifies(tmp_path, issued_by(tmp_path, "bank.example"))
    assert not openssl_verifies(tmp_path, issued_by(tmp_path, "198.51.100.7"))


def test_the_authority_can_make_no_authority_below_it(made: Trust, tmp_path: Path) -> None:
    """A chain with one more authority between does not verify, even for a name that is permitted."""
    key = load_pem_private_key((tmp_path / "tls" / AUTHORITY_KEY).read_bytes(), password=None)
    assert isinstance(key, EllipticCurvePrivateKey)
    between = generate_private_key(SECP256R1())
    above = issued(tmp_path, key, x509.load_pem_x509_certificate(made.authority_pem.encode()).subject, between)
    name = x509.load_pem_x509_certificate(above.read_bytes()).subject

    server = issued(tmp_path, between, name, generate_private_key(SECP256R1()), "localhost")

    done = subprocess.run(
        ["openssl", "verify", "-no-CApath", "-no-CAstore", "-attime", str(int(NOW.timestamp())), "-CAfile",
         str(tmp_path / "tls" / AUTHORITY_CERTIFICATE), "-untrusted", str(above), str(server)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    assert "path length constraint exceeded" in done.stderr


def test_lifetimes_and_uses_are_what_browsers_accept(made: Trust, tmp_path: Path) -> None:
    """The server certificate lasts at most 397 days, names itself, and is for servers only."""
    server = x509.load_pem_x509_certificate((tmp_path / "tls" / SERVER_FILE).read_bytes())

    length = server.not_valid_after_utc - server.not_valid_before_utc + timedelta(seconds=1)
    purposes = server.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert timedelta(days=396) < length <= timedelta(days=397)
    assert list(purposes) == [x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]
    assert (made.names, made.addresses) == (REACHED.names, REACHED.addresses)
    assert made.until == server.not_valid_after_utc
    assert made.server_print == server.fingerprint(SHA256()).hex(":").upper()
    assert load_trust(tmp_path) == made


@pytest.mark.skipif(sys.platform == "win32", reason="rights are kept elsewhere there")
@pytest.mark.usefixtures("made")
def test_keys_are_the_owners_alone(tmp_path: Path) -> None:
    """Both private keys have mode 600 in a folder of mode 700, after a renewal as well."""
    renew(tmp_path, (), (), now=NOW)

    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "tls", *(tmp_path / "tls").iterdir())}
    assert modes == {"tls": 0o700, AUTHORITY_KEY: 0o600, SERVER_FILE: 0o600, AUTHORITY_CERTIFICATE: 0o644}


def test_a_renewal_keeps_the_authority_and_may_add_names(made: Trust, tmp_path: Path) -> None:
    """After a year a new key and certificate hold for the same and more, and tablets need nothing new."""
    later = NOW + timedelta(days=380)
    old = (tmp_path / "tls" / SERVER_FILE).read_bytes()

    new = renew(tmp_path, ("ahu.filters.example",), ("10.0.0.7",), now=later)

    assert (new.authority_print, new.authority_until) == (made.authority_print, made.authority_until)
    assert new.server_print != made.server_print
    assert new.until - made.until == timedelta(days=380)
    assert new.names == (*REACHED.names, "ahu.filters.example")
    assert (
        old.split(b"-----BEGIN CERT")[0] != (tmp_path / "tls" / SERVER_FILE).read_bytes().split(b"-----BEGIN CERT")[0]
    )
    server = tmp_path / "tls" / SERVER_FILE
    assert openssl_verifies(tmp_path, server, "-verify_hostname", "ahu.filters.example", at=later)


def test_a_renewal_near_the_authoritys_end_does_not_outlive_it(made: Trust, tmp_path: Path) -> None:
    """A certificate that outlived its authority would fail on a day that nobody was told."""
    new = renew(tmp_path, (), (), now=made.authority_until - timedelta(days=100))

    assert new.until == made.authority_until
    with pytest.raises(Invalid, match="has run out"):
        renew(tmp_path, (), (), now=made.authority_until)


def test_what_cannot_be_done_is_told_and_changes_nothing(made: Trust, tmp_path: Path) -> None:
    """A second authority, a name beyond the constraints, and no authority at all are refused."""
    with pytest.raises(Invalid, match="holds an authority already"):
        make_authority(tmp_path, REACHED, now=NOW, replace=False)
    for names, addresses in ((("elsewhere.example",), ()), ((), ("198.51.100.7",))):
        with pytest.raises(Invalid, match="may not vouch for"):
            renew(tmp_path, names, addresses, now=NOW)
    with pytest.raises(Invalid, match="no certificate authority"):
        renew(tmp_path / "elsewhere", (), (), now=NOW)

    assert load_trust(tmp_path) == made
    assert load_trust(tmp_path / "elsewhere") is None


def test_beginning_anew_sets_the_old_authority_aside(made: Trust, tmp_path: Path) -> None:
    """The old authority is under another name, whole."""
    new = make_authority(tmp_path, REACHED, now=NOW, replace=True)

    (aside,) = [path for path in tmp_path.iterdir() if path.name.startswith("tls.before-")]
    assert new.authority_print != made.authority_print
    assert (aside / AUTHORITY_CERTIFICATE).read_text() == made.authority_pem


@pytest.mark.parametrize("name", [AUTHORITY_CERTIFICATE, AUTHORITY_KEY, SERVER_FILE])
@pytest.mark.usefixtures("made")
def test_a_damaged_file_is_told(tmp_path: Path, name: str) -> None:
    """A file that is no key or no certificate ends a renewal in a sentence, with what to do."""
    (tmp_path / "tls" / name).write_bytes(b"-----BEGIN NOTHING-----")

    with pytest.raises(StorageFault, match=r"restore the folder|put authority\.key back"):
        renew(tmp_path, (), (), now=NOW)


@pytest.mark.usefixtures("made")
def test_a_key_of_another_authority_signs_nothing(tmp_path: Path) -> None:
    """A key that was mixed up would make certificates that no tablet accepts."""
    make_authority(tmp_path / "other", REACHED, now=NOW, replace=False)
    (tmp_path / "tls" / AUTHORITY_KEY).write_bytes((tmp_path / "other" / "tls" / AUTHORITY_KEY).read_bytes())

    with pytest.raises(StorageFault, match="is not its authority's"):
        renew(tmp_path, (), (), now=NOW)


def test_a_disk_that_fails_leaves_the_old_certificate(
    made: Trust, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A renewal that could not be flushed changes nothing and leaves nothing behind."""

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageFault, match="No space left"):
        renew(tmp_path, (), (), now=NOW)
    with pytest.raises(StorageFault, match="No space left"):
        make_authority(tmp_path, REACHED, now=NOW, replace=True)

    assert load_trust(tmp_path) == made
    assert sorted(path.name for path in (tmp_path / "tls").iterdir()) == sorted(
        (AUTHORITY_CERTIFICATE, AUTHORITY_KEY, SERVER_FILE)
    )


@pytest.mark.parametrize(("days", "told"), [(31, 0), (30, 1), (1, 1), (0, 1), (-1, 1)], ids=lambda value: f"{value}")
def test_a_certificate_that_runs_out_is_told_thirty_days_before(made: Trust, days: int, told: int) -> None:
    """Nothing is said 31 days before, and what to do is said from 30 days on and after the end."""
    sentences = made.warnings(made.until - timedelta(days=days))

    assert len(sentences) == told
    assert all("tls renew" in sentence for sentence in sentences)
    assert all((" ran out" in sentence) == (days <= 0) for sentence in sentences)


def test_an_authority_that_runs_out_is_told_too(made: Trust) -> None:
    """Ten years on both are spoken of, each with its own remedy."""
    sentences = made.warnings(made.authority_until - timedelta(days=5))

    assert ["tls renew" in sentences[0], "tls init --replace" in sentences[1]] == [True, True]


@given(some.text(max_size=80))
def test_any_text_is_a_host_name_or_refused(text: str) -> None:
    """What is taken as a host name can stand in a certificate; all else is refused in a sentence."""
    try:
        name = host_name(text)
    except ChangeoutError as refused:
        assert str(refused).endswith(".")
        return
    assert name.encode("ascii") == x509.DNSName(name).value.encode()
    assert host_name(name) == name


@pytest.mark.parametrize("text", ["", "-a", "a-", "a..b", "a b", "ä.example", "1.2.3.4", "*.example", "a" * 64, "a_b"])
def test_what_is_no_host_name_is_refused(text: str) -> None:
    """Empty parts, signs and addresses are no host names."""
    with pytest.raises(Invalid):
        host_name(text)


@pytest.mark.parametrize("text", ["", "192.168.1", "192.168.1.300", "fe80::1%eth0", "host"])
def test_what_is_no_address_is_refused(text: str) -> None:
    """Names, parts of addresses and addresses that mean something on one machine only are refused."""
    with pytest.raises(Invalid, match="is not an address"):
        Reached((), ()).joined((), (text,))


@pytest.mark.parametrize(
    ("own", "names"),
    [("Roof-PC", ("localhost", "roof-pc", "roof-pc.local")), ("pc.site.example", ("localhost", "pc.site.example")),
     ("not_a_name", ("localhost",))],
)  # fmt: skip
def test_this_machine_is_known_by_its_own_names(
    monkeypatch: pytest.MonkeyPatch, own: str, names: tuple[str, ...]
) -> None:
    """Its name, with the local ending if it has none, and each address once; no address is of one machine only."""
    monkeypatch.setattr(socket, "gethostname", lambda: own)
    found = [(0, 0, 0, "", (text, 0)) for text in ("127.0.1.1", "192.168.1.20", "fe80::1%eth0")]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_: found)
    monkeypatch.setattr(reached_module, "_on_the_way_out", lambda: ["192.168.1.20", "0.0.0.0"])

    assert this_machine() == Reached(names, ("127.0.0.1", "::1", "127.0.1.1", "192.168.1.20"))

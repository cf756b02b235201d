"""The site's own certificate authority for the local network, and the server certificate it signs.

Rules kept here:
- The authority may vouch only for servers on private addresses and under the names it was made for (critical name
  constraints, path length 0): a tablet that trusts it gives nothing else away.
- Its key stays in the data folder's `tls`, readable by the owner alone, because renewing needs it every year.
- Key and certificate of the server lie in one file that is replaced by a rename, so that they always belong together.
"""

import os
import shutil
import tempfile
from collections.abc import Sequence
from datetime import datetime
from ipaddress import IPv4Network, IPv6Network, ip_address
from pathlib import Path
from typing import TYPE_CHECKING

from app.calc.errors import Invalid
from app.services.trust import Trust
from app.storage.durable import sync_folder, write_new_file
from app.storage.faults import StorageFault
from app.storage.reached import Reached
from app.storage.tls_issue import authority_certificate, fingerprint, key_pem, pem, server_pem

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate

TLS_FOLDER = "tls"
AUTHORITY_KEY, AUTHORITY_CERTIFICATE, SERVER_FILE = "authority.key", "authority.crt", "server.pem"


def load_trust(data: Path) -> Trust | None:
    """Return what the data folder's certificates say; None when it has none.

    Raises StorageFault when a file is missing or unreadable.
    """
    folder = data / TLS_FOLDER
    if not folder.exists():
        return None
    authority, server = _read(folder)
    reached = _reached_by(server)
    return Trust(
        authority_pem=pem(authority),
        authority_print=fingerprint(authority),
        server_print=fingerprint(server),
        names=reached.names,
        addresses=reached.addresses,
        until=server.not_valid_after_utc,
        authority_until=authority.not_valid_after_utc,
    )


def server_file(data: Path) -> Path:
    """Return the file with the server's key and certificate, for whoever listens."""
    return data / TLS_FOLDER / SERVER_FILE


def make_authority(data: Path, reached: Reached, *, now: datetime, replace: bool) -> Trust:
    """Make an authority and a server certificate in a data folder.

    replace: set an authority that is there aside, under another name; tablets must then be visited again.
    Raises Invalid when there is one and it is not to be replaced, StorageFault when the disk refuses.
    """
    folder = data / TLS_FOLDER
    if folder.exists() and not replace:
        raise Invalid(
            f"{folder} holds an authority already: use `changeout tls renew`, or --replace to begin anew, after which "
            "every tablet must trust the new one."
        )
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    beside = folder.with_name(f"{TLS_FOLDER}.new")
    try:
        shutil.rmtree(beside, ignore_errors=True)  # left by a run that was cut short: never used
        beside.mkdir(mode=0o700)
        for name, content in _fresh_files(reached, now).items():
            write_new_file(beside / name, content, mode=0o644 if name == AUTHORITY_CERTIFICATE else 0o600)
        sync_folder(beside)
        if folder.exists():
            folder.rename(folder.with_name(f"{TLS_FOLDER}.before-{now:%Y%m%dT%H%M%S%f}"))
        beside.rename(folder)
        sync_folder(data)
    except OSError as error:
        raise StorageFault(f"{folder} could not be written ({error.strerror}): check the disk and retry.") from error
    return _loaded(data)


def renew(data: Path, names: Sequence[str], addresses: Sequence[str], *, now: datetime) -> Trust:
    """Make a new server key and certificate under the same authority; names and addresses are added to those it has.

    Raises Invalid when there is no authority or when it may not vouch for a name, StorageFault when the disk refuses.
    """
    folder = data / TLS_FOLDER
    if not folder.exists():
        raise Invalid(f"{data} has no certificate authority: make one with `changeout tls init`.")
    authority, server = _read(folder)
    reached = _reached_by(server).joined(names, addresses)
    _refuse_beyond(authority, reached)
    if authority.not_valid_after_utc <= now:
        raise Invalid(
            "The site's certificate authority has run out: make a new one with `changeout tls init --replace`."
        )
    content = server_pem(reached, authority, _authority_key(folder), now)
    try:
        _replace(folder / SERVER_FILE, content)
    except OSError as error:
        raise StorageFault(f"{folder} could not be written ({error.strerror}): check the disk and retry.") from error
    return _loaded(data)


def _loaded(data: Path) -> Trust:
    trust = load_trust(data)
    assert trust is not None
    return trust


def _replace(path: Path, content: bytes) -> None:
    handle, beside = tempfile.mkstemp(prefix=".incoming-", dir=path.parent)  # for the owner alone
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(path)
        sync_folder(path.parent)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _read(folder: Path) -> "tuple[Certificate, Certificate]":
    """Return the authority's and the server's certificate."""
    from cryptography.x509 import load_pem_x509_certificate

    try:
        return (
            load_pem_x509_certificate((folder / AUTHORITY_CERTIFICATE).read_bytes()),
            load_pem_x509_certificate((folder / SERVER_FILE).read_bytes()),
        )
    except (OSError, ValueError) as error:
        raise StorageFault(
            f"The certificates in {folder} cannot be read: restore the folder, or begin anew with "
            "`changeout tls init --replace`."
        ) from error


def _authority_key(folder: Path) -> "EllipticCurvePrivateKey":
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key((folder / AUTHORITY_KEY).read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as error:
        raise StorageFault(f"The authority's key in {folder} cannot be read: put {AUTHORITY_KEY} back.") from error
    if not isinstance(key, EllipticCurvePrivateKey) or key.public_key() != _read(folder)[0].public_key():
        raise StorageFault(f"The key in {folder} is not its authority's: put the right {AUTHORITY_KEY} back.")
    return key


def _fresh_files(reached: Reached, now: datetime) -> dict[str, bytes]:
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key

    key = generate_private_key(SECP256R1())
    authority = authority_certificate(key, reached, now)
    return {
        AUTHORITY_KEY: key_pem(key),
        AUTHORITY_CERTIFICATE: pem(authority).encode(),
        SERVER_FILE: server_pem(reached, authority, key, now),
    }


def _reached_by(server: "Certificate") -> Reached:
    from cryptography import x509

    found = server.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    addresses = found.get_values_for_type(x509.IPAddress)
    return Reached(tuple(found.get_values_for_type(x509.DNSName)), tuple(str(item) for item in addresses))


def _refuse_beyond(authority: "Certificate", reached: Reached) -> None:
    from cryptography import x509

    permitted = authority.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or []
    domains = [item.value for item in permitted if isinstance(item, x509.DNSName)]
    networks = [item.value for item in permitted if isinstance(item.value, IPv4Network | IPv6Network)]
    for name in reached.names:
        if not any(name == domain or name.endswith(f".{domain}") for domain in domains):
            raise Invalid(_beyond(name))
    for text in reached.addresses:
        if not any(ip_address(text) in network for network in networks):
            raise Invalid(_beyond(text))


def _beyond(text: str) -> str:
    return (
        f"The site's authority may not vouch for {text}: make one that may with `changeout tls init --replace`, and "
        "install it on every tablet."
    )

"""The site's certificate authority, as pages and notices need it; the files are storage's."""

from dataclasses import dataclass
from datetime import datetime, timedelta

WARNED_BEFORE = timedelta(days=30)
"""From then on a certificate that runs out is spoken of (our choice)."""


@dataclass(frozen=True, slots=True)
class Trust:
    """An authority of the site and the server certificate it has signed.

    authority_pem: what tablets install. authority_print, server_print: SHA-256 over the certificate, as pairs of hex
    digits with colons. names, addresses: what the server certificate holds good for. until, authority_until: last
    moments.
    """

    authority_pem: str
    authority_print: str
    server_print: str
    names: tuple[str, ...]
    addresses: tuple[str, ...]
    until: datetime
    authority_until: datetime

    def warnings(self, now: datetime) -> tuple[str, ...]:
        """Return a sentence for each certificate that has run out or will within 30 days."""
        told = (
            ("The server certificate", self.until, "Run `changeout tls renew`, then start the server again."),
            ("The site's certificate authority", self.authority_until,
             "Run `changeout tls init --replace` and install the new one on every tablet."),
        )  # fmt: skip
        return tuple(
            f"{what} {'ran' if end <= now else 'runs'} out on {end:%Y-%m-%d}. {remedy}"
            for what, end, remedy in told
            if end - now <= WARNED_BEFORE
        )

"""The page by which a tablet comes to trust the site's own authority."""

from dataclasses import dataclass
from ipaddress import ip_address

from app.services.trust import Trust

HTTPS_PORT, HTTP_PORT = 443, 80


@dataclass(frozen=True, slots=True)
class TrustPage:
    """What the page shows.

    address: of this page, for other tablets; the code shows the same. code: the QR code as a data address. others:
    further addresses. fingerprint: of the authority, in rows. until: last day of the authority. safe: whether this very
    request came over TLS.
    """

    address: str
    code: str
    others: tuple[str, ...]
    fingerprint: tuple[str, ...]
    until: str
    safe: bool


def trust_page(trust: Trust, *, host: str, port: int, safe: bool) -> TrustPage:
    """Return the page. host, port: what this request asked for; safe: whether over TLS.

    A tablet cannot use an address that means its own machine, so such a one gives way to another of the certificate.
    """
    known = [name for name in (*trust.addresses, *trust.names) if not _means_itself(name)]
    best = host if host in known or not known else known[0]
    addresses = [_address(name, port, safe=safe) for name in (best, *(name for name in known if name != best))]
    pairs = trust.authority_print.split(":")
    return TrustPage(
        address=addresses[0],
        code=_code(addresses[0]),
        others=tuple(addresses[1:]),
        fingerprint=tuple(" ".join(pairs[start : start + 8]) for start in range(0, len(pairs), 8)),
        until=f"{trust.authority_until:%Y-%m-%d}",
        safe=safe,
    )


def _means_itself(name: str) -> bool:
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return name == "localhost"


def _address(name: str, port: int, *, safe: bool) -> str:
    shown = f"[{name}]" if ":" in name else name
    scheme, usual = ("https", HTTPS_PORT) if safe else ("http", HTTP_PORT)
    return f"{scheme}://{shown}{'' if port == usual else f':{port}'}/trust"


def _code(address: str) -> str:
    import segno

    return str(segno.make(address, error="m", micro=False).svg_data_uri(scale=5, border=4, light="white"))

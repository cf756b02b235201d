"""By what a server is reached: names and addresses that can stand in its certificate."""

import re
import socket
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import TypeAlias

from app.calc.errors import Invalid

Address: TypeAlias = IPv4Address | IPv6Address
Network: TypeAlias = IPv4Network | IPv6Network

PRIVATE_NETWORKS: tuple[Network, ...] = tuple(
    ip_network(text)
    for text in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8", "fc00::/7",
                 "fe80::/10", "::1/128")
)  # fmt: skip
"""RFC 1918, RFC 3927, RFC 4193, RFC 4291 and the machine itself."""

_LABEL = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)")
_ANY_FAR_ADDRESS = (("10.255.255.255", socket.AF_INET), ("fd00::1", socket.AF_INET6))


@dataclass(frozen=True, slots=True)
class Reached:
    """By what a server is reached. names: host names in lower case. addresses: as text. Each without repeats."""

    names: tuple[str, ...]
    addresses: tuple[str, ...]

    def joined(self, names: Sequence[str], addresses: Sequence[str]) -> "Reached":
        """Return it with more names and addresses. Raises Invalid when one cannot stand in a certificate."""
        return Reached(
            tuple(dict.fromkeys((*self.names, *map(host_name, names)))),
            tuple(dict.fromkeys((*self.addresses, *(str(_address(text)) for text in addresses)))),
        )


def host_name(text: str) -> str:
    """Return a host name in lower case. Raises Invalid when it is not one (RFC 1123, section 2.1)."""
    name = text.strip().rstrip(".").lower()
    if len(name) > 253 or not all(_LABEL.fullmatch(part) for part in name.split(".")):
        raise Invalid(f"{text!r} is not a host name: give letters, digits and hyphens, with dots between the parts.")
    if name.replace(".", "").isdigit():
        raise Invalid(f"{text!r} looks like an address: give it with --address.")
    return name


def this_machine() -> Reached:
    """Return the names and addresses of this machine; `localhost` and the loopback addresses are always there."""
    own = socket.gethostname()
    names = ["localhost"]
    with suppress(Invalid):
        names.append(host_name(own))
        if "." not in names[-1]:
            names.append(f"{names[-1]}.local")  # how a name is announced in networks without a name server
    found = ["127.0.0.1", "::1", *_looked_up(own), *_on_the_way_out()]
    plain = [text for text in found if "%" not in text and not ip_address(text).is_unspecified]
    return Reached((), ()).joined(names, plain)


def _looked_up(name: str) -> list[str]:
    with suppress(OSError):
        return [str(line[4][0]) for line in socket.getaddrinfo(name, None)]
    return []


def _on_the_way_out() -> list[str]:
    """Ask which of our addresses would be used; nothing is sent."""
    found = []
    for far, family in _ANY_FAR_ADDRESS:
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((far, 9))
            found.append(str(probe.getsockname()[0]))
    return found


def is_private(text: str) -> bool:
    """Tell whether an address is of a kind that no public network uses."""
    return any(_address(text) in network for network in PRIVATE_NETWORKS)


def _address(text: str) -> Address:
    try:
        return ip_address("" if "%" in text else text.strip())  # a zone means something on one machine only
    except ValueError:
        raise Invalid(f"{text!r} is not an address: give one like 192.168.1.20.") from None

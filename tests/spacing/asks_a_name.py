"""A seeded fault: the sample site, served by a program that asks this machine's resolver for a name when it starts."""

import socket
import sys
from contextlib import suppress

from app.cli import main

ASKED = bytes.fromhex("0001 0100 0001 0000 0000 0000 07") + b"example" + bytes.fromhex("00 0001 0001")
"""A question for the address of `example`, as RFC 1035 writes it; that name is nobody's (RFC 2606)."""

if __name__ == "__main__":
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.sendto(ASKED, ("127.0.0.1", 53))
    sys.exit(main(sys.argv[1:]))

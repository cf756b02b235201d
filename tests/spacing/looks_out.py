"""A seeded fault: the sample site, served by a program that looks something up on the internet when it starts."""

import socket
import sys
from contextlib import suppress

from app.cli import main

if __name__ == "__main__":
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.2)
        probe.connect(("192.0.2.1", 80))  # RFC 5737: an address that is nobody's
    sys.exit(main(sys.argv[1:]))

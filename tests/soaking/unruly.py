"""A line that loses, doubles and delays whole requests, by a seeded chance; what it doubles may arrive much later."""

import asyncio
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from random import Random

from tests.soaking.line import HOST, doors

LOSES, DOUBLES = 0.2, 0.2
LATEST_S, DELAY_S = 0.5, 0.02
LENGTH = b"content-length:"


@dataclass
class Unruly:
    """One tablet's line to a server.  happened: how often it did what."""

    server_port: int
    chance: Random
    port: int = 0
    happened: Counter[str] = field(default_factory=Counter)
    late: set["asyncio.Task[None]"] = field(default_factory=set)

    async def take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Carry the requests of one connection; a lost one breaks it, so that the tablet need not wait."""
        with suppress(OSError, asyncio.IncompleteReadError):
            while request := await whole(reader):
                self.happened["requests"] += 1
                await asyncio.sleep(self.chance.random() * DELAY_S)
                lost = self.chance.random() < LOSES and self.chance.choice(("lost", "answers lost"))
                if self.chance.random() < DOUBLES:
                    self.happened["doubled"] += 1
                    again = asyncio.create_task(self._again(request))
                    self.late.add(again)
                    again.add_done_callback(self.late.discard)
                if lost:
                    self.happened[lost] += 1
                answer = b"" if lost == "lost" else await self._asked(request)
                if lost or not answer:
                    break
                writer.write(answer)
                await writer.drain()
        writer.transport.abort()

    async def _again(self, request: bytes) -> None:
        await asyncio.sleep(self.chance.random() * LATEST_S)
        await self._asked(request)

    async def _asked(self, request: bytes) -> bytes:
        """Send a request on a connection of its own; nothing if no whole answer comes."""
        with suppress(OSError, asyncio.IncompleteReadError):
            reader, writer = await asyncio.open_connection(HOST, self.server_port)
            try:
                writer.write(request)
                return await whole(reader)
            finally:
                writer.transport.abort()
        return b""


async def whole(reader: asyncio.StreamReader) -> bytes:
    """Read one request or answer with its body; nothing at the end of the connection."""
    try:
        head = await reader.readuntil(b"\r\n\r\n")
    except asyncio.IncompleteReadError:
        return b""
    length = next((int(line[len(LENGTH) :]) for line in head.lower().split(b"\r\n") if line.startswith(LENGTH)), 0)
    return head + await reader.readexactly(length)


@contextmanager
def unruly_lines(server_port: int, number: int, chance: Random) -> Iterator[list[Unruly]]:
    """Lay so many lines to a server."""
    made = [Unruly(server_port, Random(chance.random())) for _ in range(number)]
    with doors([line.take for line in made]) as (ports, _):
        for line, port in zip(made, ports, strict=True):
            line.port = port
        yield made

"""The lines between tablets and the server: small proxies on loopback that can be cut, or lose every answer."""

import asyncio
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from enum import StrEnum

HOST = "127.0.0.1"
READY_S = 10
PIECE = 65_536
Take = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class Way(StrEnum):
    """How a line is."""

    GOOD = "good"
    CUT = "cut"
    ANSWERS_LOST = "answers lost"


@dataclass
class Line:
    """One tablet's line.  port: where the tablet finds the server."""

    server_port: int
    port: int = 0
    way: Way = Way.GOOD
    loop: asyncio.AbstractEventLoop | None = None
    open: set[asyncio.StreamWriter] = field(default_factory=set)

    def be(self, way: Way) -> None:
        """Change how the line is; what is open on it breaks when it is cut."""
        self.way = way
        if way is Way.CUT and self.loop is not None:
            self.loop.call_soon_threadsafe(self._break)

    def _break(self) -> None:
        for writer in tuple(self.open):
            writer.transport.abort()

    async def take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Carry one connection."""
        if self.way is Way.CUT:
            writer.transport.abort()
            return
        try:
            server_reader, server_writer = await asyncio.open_connection(HOST, self.server_port)
        except OSError:
            writer.transport.abort()
            return
        both = {writer, server_writer}
        self.open |= both
        try:
            asked = asyncio.create_task(self._carry(reader, server_writer))
            await self._carry(server_reader, writer, answers=True)
            asked.cancel()
        finally:
            self.open -= both
            for end in both:
                end.transport.abort()

    async def _carry(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, answers: bool = False
    ) -> None:
        with suppress(OSError):
            while data := await reader.read(PIECE):
                if self.way is Way.CUT or (answers and self.way is Way.ANSWERS_LOST):
                    return
                writer.write(data)
                await writer.drain()


@contextmanager
def doors(takes: Sequence[Take]) -> Iterator[tuple[list[int], asyncio.AbstractEventLoop]]:
    """Open a door for each of these, in a loop of its own that ends with the block; yield their ports and the loop."""
    loop, ready = asyncio.new_event_loop(), threading.Event()
    opened: list[asyncio.Server] = []

    async def open_all() -> None:
        opened.extend([await asyncio.start_server(take, HOST, 0) for take in takes])
        ready.set()

    async def close_all() -> None:
        for door in opened:
            door.close()
        left = asyncio.all_tasks() - {asyncio.current_task()}
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)

    def run() -> None:
        loop.run_until_complete(open_all())
        loop.run_forever()
        loop.run_until_complete(close_all())
        loop.close()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(READY_S), "the doors could not be opened"
    try:
        yield [door.sockets[0].getsockname()[1] for door in opened], loop
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(READY_S)


@contextmanager
def lines(server_port: int, number: int) -> Iterator[list[Line]]:
    """Lay so many lines to a server."""
    made = [Line(server_port) for _ in range(number)]
    with doors([line.take for line in made]) as (ports, loop):
        for line, port in zip(made, ports, strict=True):
            line.port, line.loop = port, loop
        yield made


def free_port() -> int:
    """Return a port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port

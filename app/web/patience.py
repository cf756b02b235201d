"""How long and how much a connection may take to ask: half-sent requests are cut off, endless headers too.

The server library waits for ever for the rest of a request.  Two hundred connections that trickle a byte now and
then would hold it up; so headers must be whole within HEADERS_S and bodies within BODY_S of their first byte.
"""

import asyncio
from typing import Any

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

HEADERS_S = 10.0
BODY_S = 60.0
LARGEST_HEAD = 64 * 1024
"""Bytes of request line and headers; far more than any browser sends (this program's figures)."""


class Patient(HttpToolsProtocol):
    """The library's HTTP protocol with a clock for what is being received."""

    headers_s = HEADERS_S
    body_s = BODY_S

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._clock: asyncio.TimerHandle | None = None
        self._head = 0
        self._in_head = True

    def connection_made(self, transport: Any) -> None:
        """Wait for the first headers."""
        super().connection_made(transport)
        self._wait(self.headers_s)

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._wait(None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Count what belongs to the head of a request."""
        if self._in_head:
            self._head += len(data)
            if self._head > LARGEST_HEAD and not self._body_may_follow(data):
                self._cut()
                return
        super().data_received(data)

    def on_message_begin(self) -> None:
        """Wait for the rest of the headers."""
        self._in_head, self._head = True, 0
        self._wait(self.headers_s)
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        """Wait for the body."""
        self._in_head = False
        self._wait(self.body_s)
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        """Wait no more: from here on it is the answer that takes time."""
        self._wait(None)
        self._in_head, self._head = True, 0
        super().on_message_complete()

    def _body_may_follow(self, data: bytes) -> bool:
        """Whether the end of the head lies in these bytes, with the beginning of a body behind it."""
        return b"\r\n\r\n" in data

    def _wait(self, seconds: float | None) -> None:
        if self._clock is not None:
            self._clock.cancel()
        self._clock = None if seconds is None else self.loop.call_later(seconds, self._cut)

    def _cut(self) -> None:
        if self.transport is not None and not self.transport.is_closing():
            self.transport.close()

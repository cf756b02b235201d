"""Listening: a socket with a plain sentence when the port is taken, and the open port that only sends on to TLS."""

import socket
from collections.abc import Sequence
from threading import Thread
from typing import TYPE_CHECKING

from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from app.calc.errors import Invalid

if TYPE_CHECKING:
    from uvicorn import Server

SAFE_VERBS = ("GET", "HEAD")


def listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens. host: a name or address of this machine. Raises Invalid when that cannot be."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Named as TCP, or the event loop leaves the delay of small packets on, which costs 40 ms an answer.
    made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # on Windows the other option would let two servers share a port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(2048)
    except OSError as error:
        made.close()
        raise Invalid(
            f"Port {port} of {host} cannot be listened on ({error.strerror}): give another --port or --host, or stop "
            "what uses it."
        ) from None
    return made


def sends_on(port: int, names: Sequence[str]) -> ASGIApp:
    """Return an app that answers every page request with the same address over TLS, and does nothing else.

    port: where TLS is served. names: what the server is reached by; a request for any other is sent to the first, so
    that nobody is led to a stranger.
    """

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        host = _host(scope)
        name = host if host in names else names[0]
        shown = f"[{name}]" if ":" in name else name
        query = scope["query_string"].decode("latin-1")
        path = scope["raw_path"].decode("latin-1") + (f"?{query}" if query else "")
        if scope["method"] in SAFE_VERBS and path.startswith("/"):
            answer: Response = RedirectResponse(f"https://{shown}:{port}{path}", headers={"Cache-Control": "no-store"})
        else:
            told = f"Nothing is taken over an open line. Use https://{shown}:{port}/ instead.\n"
            answer = PlainTextResponse(told, status_code=403)
        await answer(scope, receive, send)

    return app


def _host(scope: Scope) -> str:
    """Return the name or address that was asked for, without its port."""
    asked = next((value for name, value in scope["headers"] if name == b"host"), b"").decode("latin-1").lower()
    if asked.startswith("["):
        return str(asked[1:].partition("]")[0])
    return str(asked.partition(":")[0])


def serve(app: ASGIApp, door: socket.socket, *, certificate: str | None, beside: "Sequence[Server]" = ()) -> None:
    """Serve until stopped by a signal. certificate: file with key and certificate for TLS. beside: see `in_thread`."""
    try:
        _server(app, certificate=certificate).run(sockets=[door])
    except KeyboardInterrupt:
        pass
    finally:
        for server in beside:
            server.should_exit = True


def in_thread(app: ASGIApp, door: socket.socket) -> "Server":
    """Serve in a thread that ends with the program, or when its `should_exit` is set."""
    server = _server(app, certificate=None)
    Thread(target=server.run, kwargs={"sockets": [door]}, name="changeout-open-port", daemon=True).start()
    return server


def _server(app: ASGIApp, *, certificate: str | None) -> "Server":
    import uvicorn

    from app.web.patience import Patient

    return uvicorn.Server(
        uvicorn.Config(app, log_level="warning", http=Patient, server_header=False, ssl_certfile=certificate)
    )

"""One life of the running program, which its parent ends with SIGKILL at a moment of its own choosing."""

import socket
from pathlib import Path

import uvicorn

from app.bootstrap import start
from app.settings import Settings


def live(folder: Path, listening: socket.socket) -> None:
    """Serve a data folder on a socket that outlives this process, as the service does, until killed."""
    running = start(Settings(data=folder))
    uvicorn.Server(uvicorn.Config(running.app, log_level="critical")).run(sockets=[listening])

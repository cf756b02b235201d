"""One life of the program as it is served, which its parent ends with SIGKILL; the door outlives it."""

import os
import socket
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path

from app.bootstrap import start
from app.settings import Settings
from app.web.serving import serve


def live(folder: Path, door: socket.socket, log: Path) -> None:
    """Serve a data folder until killed; what is complained of goes to the log."""
    with log.open("ab") as file:
        os.dup2(file.fileno(), 2)
    serve(start(Settings(data=folder)).app, door, certificate=None)


def a_life(folder: Path, door: socket.socket, log: Path) -> BaseProcess:
    """Begin one, in a process that has everything loaded already."""
    context = get_context("forkserver")
    context.set_forkserver_preload(["tests.soaking.life", "cryptography.x509", "uvicorn"])
    life = context.Process(target=live, args=(folder, door, log), daemon=True)
    life.start()
    return life

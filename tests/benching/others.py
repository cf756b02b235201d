"""What Changeout Ledger is measured against: an empty route, the naive post, a bare first page.

`python -m tests.benching.others KIND FOLDER PORT` serves one of them with the same server and options.
"""

import json
import sqlite3
import sys
from collections.abc import Callable
from functools import partial
from hashlib import sha256
from pathlib import Path
from threading import Lock
from typing import Annotated

import uvicorn
from fastapi import FastAPI, Form
from starlette.responses import HTMLResponse


def empty(_: Path) -> FastAPI:
    """Return an app whose one route reads nothing and writes nothing."""
    app = FastAPI()

    @app.post("/jobs/{job}/marks")
    async def mark(job: str) -> dict[str, str]:
        return {"job": job}

    return app


def naive(folder: Path, *, blocking: bool = False) -> FastAPI:
    """Return what somebody writes in an afternoon: durable, hash-chained, each token once; no rules, no page.

    A plain `def`, which FastAPI runs in a thread, as its documentation asks for code that waits for a disk.
    """
    app = FastAPI()
    db = sqlite3.connect(folder / "naive.sqlite3", isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("CREATE TABLE mark (job TEXT, seq INT, token TEXT UNIQUE, body TEXT, hash TEXT, PRIMARY KEY (job, seq))")
    one = Lock()
    newest = "SELECT seq, hash FROM mark WHERE job = ? ORDER BY seq DESC LIMIT 1"

    def append(job: str, act: str, step: str, token: str) -> dict[str, str]:
        with one:
            db.execute("BEGIN IMMEDIATE")
            seq, before = db.execute(newest, (job,)).fetchone() or (0, "")
            body = json.dumps({"job": job, "seq": seq + 1, "act": act, "step": step})
            chained = sha256((before + body).encode()).hexdigest()
            db.execute("INSERT INTO mark VALUES (?, ?, ?, ?, ?)", (job, seq + 1, token, body, chained))
            db.execute("COMMIT")
            return {"hash": chained}

    if blocking:

        @app.post("/jobs/{job}/marks")
        async def mark(
            job: str, act: Annotated[str, Form()], step: Annotated[str, Form()], token: Annotated[str, Form()]
        ) -> dict[str, str]:
            return append(job, act, step, token)
    else:

        @app.post("/jobs/{job}/marks")
        def mark_in_thread(
            job: str, act: Annotated[str, Form()], step: Annotated[str, Form()], token: Annotated[str, Form()]
        ) -> dict[str, str]:
            return append(job, act, step, token)

    return app


def bare(folder: Path) -> FastAPI:
    """Return a small FastAPI and SQLModel app: a table, a page of its rows, a route to add one and one to read one."""
    from sqlmodel import Field, Session, SQLModel, create_engine, select

    class Note(SQLModel, table=True):
        id: int = Field(primary_key=True)
        text: str

    engine = create_engine(f"sqlite:///{folder / 'bare.sqlite3'}")
    SQLModel.metadata.create_all(engine)
    app = FastAPI()

    @app.get("/signin")
    def page() -> HTMLResponse:
        with Session(engine) as session:
            return HTMLResponse(f"<p>{len(session.exec(select(Note)).all())} notes</p>")

    @app.post("/notes")
    def add(note: Note) -> Note:
        with Session(engine) as session:
            session.add(note)
            session.commit()
            session.refresh(note)
            return note

    @app.get("/notes/{number}")
    def read(number: int) -> Note | None:
        with Session(engine) as session:
            return session.get(Note, number)

    return app


KINDS: dict[str, Callable[[Path], FastAPI]] = {
    "empty": empty,
    "naive": naive,
    "blocking": partial(naive, blocking=True),
    "bare": bare,
}

if __name__ == "__main__":
    kind, where, port = sys.argv[1:]
    uvicorn.run(KINDS[kind](Path(where)), port=int(port), log_level="warning", http="httptools", server_header=False)

"""With the record on a server, no page keeps the others waiting while it asks the database."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Connection

from app.storage.writer import Store
from tests.engines.server import PostgresServer
from tests.web.desk import SECRETS, Clock, Desk


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Note every question that a store is asked on the loop that serves all."""
    found: list[str] = []
    reading = Store._reading

    def on_loop() -> bool:
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            return False
        return True

    @contextmanager
    def read(store: Store) -> Iterator[Connection]:
        found.extend(["read"] if on_loop() else [])
        with reading(store) as connection:
            yield connection

    monkeypatch.setattr(Store, "_reading", read)
    return found


def test_no_page_asks_the_database_on_the_loop(postgres: PostgresServer, tmp_path: Path, asked: list[str]) -> None:
    """Lists, a job's pages and the sign-in ask in a thread of their own."""
    desk = Desk.at(tmp_path / "site", Clock(), database=postgres.fresh())
    lead, job = desk.named("lead"), desk.open_job()
    client = desk.client(lead)
    asked.clear()

    pages = [client.get(path) for path in ("/", f"/jobs/{job}/now", f"/jobs/{job}", "/procedures", "/signin")]
    fields = {"person": lead.id, "secret": SECRETS[lead.name], "tablet": "tablet 3"}
    signed = desk.stranger().post("/signin", data=fields)
    desk.running.close()

    assert {page.status_code for page in pages} == {200}
    assert signed.status_code == 303
    assert asked == []

"""What is measured inside the bench's own process: commits, export, verification, rendering, the first visit."""

import re
import sqlite3
import time
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from statistics import median

from app.bootstrap import start
from app.ledger.canonical import canonical, read_canonical
from app.records.verify import verify_record
from app.services.export import export_files
from app.settings import Settings
from tests.benching.servers import Server
from tests.benching.site import HOUSING, Mark

Work = list[list[Mark]]


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def stand_ins(tablets: int, each: int) -> Work:
    """Return marks like ours for a server that knows no steps."""
    step, answers = "port/P1/out-1/tape-stub", {"seen": "taped all round"}
    return [[(f"job-{number}", "none", step, "finish", answers)] * each for number in range(tablets)]


def raw_commits(folder: Path, count: int = 500) -> float:
    """Return one-row commits a second of plain sqlite3, with the same durability as ours."""
    path = folder / "raw.sqlite3"
    path.unlink(missing_ok=True)
    database = sqlite3.connect(path, isolation_level=None)
    try:
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("PRAGMA synchronous=FULL")
        database.execute("CREATE TABLE entry (seq INTEGER PRIMARY KEY, payload BLOB)")

        def commit() -> None:
            for _ in range(count):
                database.execute("BEGIN IMMEDIATE")
                database.execute("INSERT INTO entry (payload) VALUES (?)", (b"x" * 400,))
                database.execute("COMMIT")

        return count / _seconds(commit)
    finally:
        database.close()


def export(folder: Path, job: str, rounds: int) -> list[str]:
    """Time a whole export: record, signed PDF with the record inside, photos; the first loads the libraries."""
    running = start(Settings(data=folder))
    try:
        site = running.site
        files: dict[str, bytes] = {}

        def work() -> None:
            files.update(export_files(site.material(job), running.key, site.make_pdf))

        first = _seconds(work)
        times = [_seconds(work) for _ in range(max(rounds, 2))]
        photos = [len(data) for name, data in files.items() if name.startswith("photos/")]
        steps = len(site.jobs.state(job).steps)
    finally:
        running.close()
    met = "met" if max(first, *times) <= 2 else "NOT met"
    return [
        (
            f"{HOUSING}, {steps} steps, {len(photos)} photos of {sum(photos) / len(photos) / 1e6:.2f} MB, "
            f"PDF {len(files['record.pdf']) / 1e6:.1f} MB, {len(files)} files"
        ),
        (
            f"first {first:.2f} s, later {median(times):.2f} s ({min(times):.2f} to {max(times):.2f})   "
            f"goal at most 2 s: {met}"
        ),
    ]


def verify(folder: Path, job: str, rounds: int) -> list[str]:
    """Time every check of a record beside plain SHA-256 over its entries' bytes."""
    running = start(Settings(data=folder))
    try:
        files = export_files(running.site.material(job), running.key, lambda *_: b"")
    finally:
        running.close()
    data = files["record.json"]
    value = read_canonical(data)
    assert isinstance(value, dict)
    listed = value["entries"]
    assert isinstance(listed, list)
    entries = [canonical(entry) for entry in listed]

    def whole() -> None:
        verdict = verify_record(data, signature=files["record.sig"], photo=lambda name: files[f"photos/{name}"])
        assert verdict.good, verdict.checks

    def hashes() -> None:
        for entry in entries:
            sha256(entry).digest()

    times = [_seconds(whole) for _ in range(3 * rounds)]
    plain = [_seconds(hashes) for _ in range(30 * rounds)]
    rate, bare = len(entries) / median(times), len(entries) / median(plain)
    photos = sum(len(content) for name, content in files.items() if name.startswith("photos/"))
    return [
        (
            f"{len(entries)} entries of {sum(map(len, entries)) / 1e3:.0f} kB, photos of {photos / 1e6:.1f} MB: "
            f"{rate:,.0f} entries a second, {median(times) * 1000:.0f} ms for all checks "
            f"({min(times) * 1000:.0f} to {max(times) * 1000:.0f})"
        ),
        f"plain SHA-256 of the same entries: {bare:,.0f} a second; ratio {bare / rate:,.0f} to 1",
    ]


def rendering(count: int) -> list[str]:
    """Time the view and the template of a step screen alone, halfway through a job."""
    from app.services.ports import Session
    from app.web.render import environment
    from app.web.views.step import Around
    from app.web.views.work import work_view
    from tests.builders import HANDS, START, opened

    bench = opened(HOUSING)
    state, session = bench.run_to(steps=60), Session(HANDS, "bench", False, START, START)
    template = environment().get_template("_work.html")

    def view() -> None:
        for _ in range(count):
            work_view("job", state, session, Around())

    page = work_view("job", state, session, Around())

    def render() -> None:
        for _ in range(count):
            template.render(work=page, site="bench", session=session, scheme="bright")

    made, drawn = _seconds(view) / count * 1e6, _seconds(render) / count * 1e6
    return [f"{'without HTTP':<28}view and drawing {made:.0f} µs, template {drawn:.0f} µs"]


def first_visit(server: Server) -> list[tuple[str, int]]:
    """Return what the sign-in page and everything it names weigh, as sent to a browser that takes gzip."""
    accepted = {"Accept-Encoding": "gzip, deflate"}
    status, _, page = server.get("/signin", **accepted)
    assert status == 200
    names = list(dict.fromkeys(re.findall(rb'(?:href|src)="(/static/[^"]+)"', page)))
    parts = [("/signin", len(page))]
    while names:
        name = names.pop(0).decode()
        status, _, data = server.get(name, **accepted)
        assert status == 200, name
        parts.append((name, len(data)))
        assert not name.endswith(".css") or b"url(" not in server.get(name)[2], f"{name} names further files"
    return parts

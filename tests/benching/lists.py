"""How board, lists and searches answer on a large site beside a small one, asked in turns over HTTP by one person."""

import http.client
import pickle
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from pathlib import Path
from random import Random
from urllib.parse import urlencode
from uuid import uuid4

from app.cli import DEMO_PEOPLE
from app.services.jobs import ENDED_KEPT
from app.storage.people import plain_letters
from tests.benching.large import Large, Mould, Size, make, moulds, verified
from tests.benching.load import HOST
from tests.benching.servers import OURS, Server, serving

GOAL = 1.5
LONGEST_S = 900
"""For a start or a page of the large site: nothing is given up before it is known how long it takes."""
SMALL = Size(housings=60, jobs=10, entries=800, plans=60, lots=60, worked=1)
"""Ten jobs, all on one housing, for on the large site each housing has ten; housings, past plans and lots enough to
fill a page of their lists: so the pages that are compared have as much on them."""
IDLE_S = 2.0
"""A connection that was idle for longer is opened anew before a page is timed: the server lets it go after five."""
CHECKED = 12
SEED = 8


def large_size(jobs: int) -> Size:
    """Return the size of the large site: a tenth as many housings, ten entries for each job."""
    housings, plans = jobs // 10, max(jobs // 50, 2)
    return Size(housings=housings, jobs=jobs, entries=10 * jobs, plans=plans, lots=plans, worked=housings)


Asking = Callable[[Large, Random], str]
BOARD: dict[str, Asking] = {
    "first page": lambda _, __: "/",
    "first page, words looked for": lambda site, chance: f"/?q=bay+{chance.randrange(1, len(site.tags))}",
    "jobs in hand": lambda _, __: "/in-hand",
    "jobs, newest first": lambda _, __: "/jobs",
    "a job by its number": lambda site, chance: f"/jobs?find={chance.choice(site.short).removeprefix('job-')}",
    "jobs of a housing": lambda site, chance: f"/jobs?find={chance.choice(site.worked)}",
    "due": lambda _, __: "/due",
    "due, one housing": lambda site, chance: f"/due?q={chance.choice(site.worked)}",
}
"""The board and every search: the goal is theirs."""
PAGES: dict[str, Asking] = {
    **BOARD,
    "housing register": lambda _, __: "/register",
    "a housing": lambda site, chance: f"/housings/{chance.choice(site.worked)}",
    "a housing's history": lambda site, chance: f"/housings/{chance.choice(site.worked)}/history",
    "planned work": lambda _, __: "/planned",
    "one plan": lambda site, _: f"/planned/{site.plan}",
    "store room": lambda _, __: "/stock",
    "pick list": lambda _, __: "/picking",
    "waste": lambda _, __: "/waste",
    "instruments": lambda _, __: "/instruments",
    "qualifications": lambda _, __: "/qualifications",
    "surveys": lambda _, __: "/surveys",
    "figures": lambda _, __: "/figures",
    "procedures": lambda _, __: "/procedures",
    "a job's step": lambda site, chance: f"/jobs/{chance.choice(site.jobs)}/now",
    "a job in hand, whole": lambda site, chance: f"/jobs/{chance.choice(site.jobs)}",
    "a short job that ended": lambda site, chance: f"/jobs/{chance.choice(site.short)}",
    "a change-out that ended": lambda site, chance: f"/jobs/{chance.choice(site.whole)}",
}
MARK = "a mark, next step back"


@dataclass
class Asked:
    """One server with its site and one kept-alive connection.  ms: what each page took, in order."""

    server: Server
    site: Large
    chance: Random
    line: http.client.HTTPConnection
    marks: Iterator[tuple[str, str, str, str, dict[str, str]]]
    ms: dict[str, list[float]] = field(default_factory=dict)
    last: float = 0.0

    def page(self, name: str) -> None:
        """Ask a page and keep the time it took."""
        cookie = f"changeout_session={next(iter(self.site.cookies.values()))}"
        self._timed(name, "GET", PAGES[name](self.site, self.chance), None, {"Cookie": cookie})

    def mark(self) -> None:
        """Send the next mark as the work panel does, and keep the time it took."""
        job, cookie, step, act, answers = next(self.marks)
        fields = {"act": act, "step": step, "token": uuid4().hex, "device_at": ""}
        fields |= {f"a.{name}": value for name, value in answers.items()}
        fields |= {"note": ""} if act == "finish" else {}
        host = f"{HOST}:{self.server.port}"
        self._timed(MARK, "POST", f"/jobs/{job}/marks", urlencode(fields).encode(), {
            "Cookie": f"changeout_session={cookie}; changeout_tablet=bench", "Origin": f"http://{host}",
            "Content-Type": "application/x-www-form-urlencoded", "HX-Request": "true", "HX-Target": "work",
        })  # fmt: skip

    def _timed(self, name: str, method: str, path: str, body: bytes | None, headers: dict[str, str]) -> None:
        if time.perf_counter() - self.last > IDLE_S:
            self.line.close()
            self.line.connect()
        begun = time.perf_counter()
        self.line.request(method, path, body, headers)
        answer = self.line.getresponse()
        told = answer.read()
        self.last = time.perf_counter()
        self.ms.setdefault(name, []).append((self.last - begun) * 1000)
        if answer.status != 200:
            raise RuntimeError(f"{name}: {method} {path} gave {answer.status}: {told[:600].decode(errors='replace')}")


def lists(folder: Path, jobs: int, times: int, keep: Path | None = None) -> Iterator[str]:
    """Make both sites, ask every page so many times on each in turns, and yield what came of it, row by row.

    keep: where the sites are kept as they were made, or were kept before; what is asked are copies of them.
    """
    sites = []
    kept, made = keep or folder / "made", list[tuple[Mould, Mould]]()
    for name, size in (("small", SMALL), ("large", large_size(jobs))):
        begun, note = time.perf_counter(), kept / f"{name}-{size.jobs}.pickle"
        if note.is_file():
            site = pickle.loads(note.read_bytes())  # what this bench wrote
            yield f"{name}: {site.told}; kept from before"
        else:
            made = made or [moulds(folder / "moulds")]
            site = make(kept / f"{name}-{size.jobs}", size, made[0], seed=SEED)
            note.write_bytes(pickle.dumps(site))
            yield f"{name}: {site.told}; made in {time.perf_counter() - begun:.0f} s"
        site.folder = folder / name
        (shutil.copytree if keep else shutil.move)(kept / f"{name}-{size.jobs}", site.folder)
        drawn = [*Random(SEED).sample(site.short, min(CHECKED, len(site.short)) - 2), *site.whole[:2]]
        yield f"{name}: {verified(site.folder, drawn)}"
        sites.append(site)
    with ExitStack() as stack:
        asked = [_begun(stack, site, times) for site in sites]
        for name, one in zip(("small", "large"), asked, strict=True):
            told = f"{name}: start to first page {one.server.first_page_s:.2f} s"
            yield f"{told}, resident memory {one.server.resident_mb:.0f} MB"
        for turn in range(times + 1):
            for name in (*PAGES, MARK):
                for one in asked if turn % 2 else reversed(asked):
                    one.mark() if name == MARK else one.page(name)
        yield from table(*asked)
        for name, one in zip(("small", "large"), asked, strict=True):
            yield f"{name}: resident memory at the end {one.server.resident_mb:.0f} MB"


def _begun(stack: ExitStack, site: Large, times: int) -> Asked:
    server = stack.enter_context(serving(OURS, site.folder, longest_s=LONGEST_S))
    line = http.client.HTTPConnection(HOST, server.port, timeout=LONGEST_S)
    stack.callback(line.close)
    site.cookies = {person: _signed_in(line, server, person) for person in site.cookies}
    [marks] = site.marks(1, times + 1)
    return Asked(server, site, Random(SEED), line, iter(marks))


def _signed_in(line: http.client.HTTPConnection, server: Server, person: str) -> str:
    """Sign a person in now: a session of the site's making would be locked by the time that both sites are made."""
    secret = next(secret for name, _, secret in DEMO_PEOPLE if "-".join(plain_letters(name).split()) == person)
    fields = urlencode({"person": person, "secret": secret, "tablet": "bench"})
    line.request("POST", "/signin", fields.encode(), {
        "Content-Type": "application/x-www-form-urlencoded", "Origin": f"http://{HOST}:{server.port}",
    })  # fmt: skip
    answer = line.getresponse()
    answer.read()
    cookie = SimpleCookie(answer.headers.get_all("set-cookie", [""])[0]).get("changeout_session")
    if cookie is None:
        raise RuntimeError(f"{person} could not sign in: {answer.status}")
    return cookie.value


def table(small: Asked, large: Asked) -> Iterator[str]:
    """Yield a row for each page: p50 and p95 on both sites without the first time, which stands by itself."""
    yield f"{'':<30}{'small p50':>10}{'p95':>8}{'large p50':>11}{'p95':>8} ms  growth of p50, p95    first time, ms"
    over = []
    for name in (*PAGES, MARK):
        (p50, p95), (later50, later95) = _middle(small.ms[name][1:]), _middle(large.ms[name][1:])
        growth = later95 / p95
        over += [name] if growth > GOAL else []
        first = f"{small.ms[name][0]:,.0f}, {large.ms[name][0]:,.0f}"
        told = f"{name:<30}{p50:>10.1f}{p95:>8.1f}{later50:>11.1f}{later95:>8.1f}   {later50 / p50:>7.2f}{growth:>7.2f}"
        yield f"{told}  {'over' if growth > GOAL else 'good':<5} {first:>16}"
    yield f"goal: growth of p95 at most {GOAL}; each asked {len(small.ms[MARK]) - 1} times on each site, in turns"
    for told, names in (("board and every search", [*BOARD]), ("all pages and marks", [*PAGES, MARK])):
        late = [name for name in names if name in over]
        yield f"{told}: {'over: ' + ', '.join(late) if late else 'good'}"
    yield (
        f"On both sites a housing that is asked for has had ten jobs. Of the small one all that was asked for stays in "
        f"memory; of the large one's ended jobs no more than {ENDED_KEPT} do, and the others are read from the disk."
    )


def _middle(ms: Sequence[float]) -> tuple[float, float]:
    ordered = sorted(ms)
    return ordered[len(ordered) // 2], ordered[min(len(ordered) - 1, int(len(ordered) * 0.95))]

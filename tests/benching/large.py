"""A site of any size, for the part `lists` of the bench: a few jobs made by the program, and casts of them in bulk.

What is real: every entry is canonical bytes that the program itself wrote for such a job, with another number,
housing, day and root put in; leaf hashes, roots and heads are computed anew and signed by the site's own key, one head
for each append, as the program signs them; every job can be opened, read and verified.  The jobs in hand, the people,
the instruments, the planned work that waits and the lots at hand are entered through the services.
What is not: nobody decided on a cast, so it is the first job of its housing in its own words, jobs of one day bear the
same times of day, and the digests in the table of requests stand for those of the forms.  Most jobs are short: a
reading and a leak test between two change-outs, of which there are as many whole ones as the entries allow.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Any, Self

from app.bootstrap import Running, ship_sample_housings, start
from app.cli import DEMO_PEOPLE
from app.domain.commands import Accept, Command, Open, OpenException, Submit
from app.domain.event_base import Who
from app.domain.housed_events import HousingEntered, Plate
from app.domain.housing import Bank, Housing
from app.domain.housing_text import housing_text
from app.domain.planned import PlanDropped, WorkPlanned
from app.domain.site import DropReading, ReadingTaken, SiteEvent
from app.domain.site_settings import MARKS_APART, with_limits
from app.domain.store import Kind, Lot, LotCounted, LotInspected, LotReceived
from app.domain.storing import receipt_items
from app.ledger.canonical import canonical, read_canonical
from app.ledger.heads import head_message
from app.ledger.tree import EMPTY, Frontier, leaf_hash
from app.records.moments import utc_text
from app.records.verify import verify_record
from app.sample_site import Told
from app.services.export import export_files
from app.services.jobs import Asked
from app.services.planning import Plan, find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import Cast, commands_for
from app.settings import Settings
from app.storage.durable import DATABASE
from app.storage.keys import SiteKey, load_site_key
from tests.benching.site import Site, cast_of, ready_for_marks
from tests.builders import account_for_packages, issue_texts, keep_made_up_instruments

PLATE, TAG, NUMBER, HANDOVER = "EF-07", "EH-00000", "2026-0001", "H-0001"
"""The nameplate that all housings are made of, and what a mould has where a cast has its own."""
DAY = date(2026, 3, 2)
YEARS = 12
"""For how long such a site has been at work."""
SHORT = ("resistance_at_rated", "leak_test")
"""What the steps of a short job compute."""
LONGEST_SHORT = 10
"""Entries of a short job in all: so many a site of `large_size` has for each."""
IN_HAND, WAITING, LOTS_AT_HAND = 5, 5, 20
"""In hand at once, on a small site and on a large one: so many crews there are."""
ROWS_AT_ONCE = 20_000


@dataclass(frozen=True)
class Size:
    """How large a site is.  entries: over all ledgers; readings: between jobs, at each housing.

    worked: the jobs are of so many of the housings, of each in turn.
    """

    housings: int
    jobs: int
    entries: int
    plans: int
    lots: int
    worked: int
    readings: int = 1


@dataclass(frozen=True)
class Mould:
    """One job as the program wrote it.

    payloads: of its ledger.  roots: in hex, after each entry.  heads: size and time.  tokens: of its requests, with
    the entry each led to.  site: what it brought the site's ledger.  years: how many years later it names its own day.
    """

    payloads: tuple[str, ...]
    roots: tuple[str, ...]
    heads: tuple[tuple[int, str], ...]
    tokens: tuple[tuple[str, int], ...]
    site: tuple[str, ...]
    years: tuple[int, ...]

    @property
    def entries(self) -> int:
        """How many entries a cast has, those in the site's ledger included."""
        return len(self.payloads) + len(self.site)


@dataclass
class Large(Site):
    """A prepared site.  tags: its housings; worked: those with jobs; short, whole: jobs with an accepted record.

    plan: planned work that waits.  told: the site in words.
    """

    tags: list[str] = field(default_factory=list)
    worked: list[str] = field(default_factory=list)
    short: list[str] = field(default_factory=list)
    whole: list[str] = field(default_factory=list)
    plan: str = ""
    told: str = ""


def make(folder: Path, size: Size, moulds: tuple[Mould, Mould], *, seed: int) -> Large:
    """Make a site of this size in a folder."""
    last = datetime.now(UTC).date() - timedelta(days=1)
    first = last - timedelta(days=365 * YEARS)
    clock = Told(datetime.combine(first - timedelta(days=1), datetime.min.time(), UTC))
    running = _begun(folder, clock)
    by, known = cast_of(running).lead, find_housing(running.site.library, PLATE)
    running.close()
    tags, texts = [], []
    for number in range(1, size.housings + 1):
        plate = _plate(known, f"EH-{number:05}", f"Annex {number % 97}, bay {number}")
        tags.append(plate.tag)
        texts.append(housing_text(plate))
        (folder / "housings" / f"{plate.tag}.toml").write_text(texts[-1], "utf-8")
    with _Writer(folder) as writer:
        writer.site(HousingEntered(
            seq=0, at=utc_text(clock()), by=by, how="import", why="the register as it was found",
            plates=tuple(Plate(tag=tag, sha256=sha256(text.encode()).hexdigest())
                         for tag, text in zip(tags, texts, strict=True)),
        ))  # fmt: skip
        for event in (*_past_plans(size.plans, tags, by, first), *_gone_lots(size.lots, by, first)):
            writer.site(event)
        short, whole = moulds
        readings = [*_readings(size.readings, tags, by, last)]
        left = size.entries - size.jobs * short.entries - writer.written - len(readings)
        whole_ones = min(size.jobs // 2, max(2, left // (whole.entries - short.entries)))
        short_jobs, whole_jobs = _jobs(writer, size.jobs, whole_ones, moulds, tags[: size.worked], first, seed)
        for event in readings:
            writer.site(event)
        counted = writer.written
    made = _in_hand(folder, tags)
    return Large(
        made.folder, made.cookies, made.stretch, made.jobs, tags=tags, worked=tags[: size.worked], short=short_jobs,
        whole=whole_jobs, plan=f"PL-{size.plans + 1:04}",
        told=f"{size.housings:,} housings, {size.jobs:,} jobs that ended on {size.worked:,} of them "
        f"({len(whole_jobs):,} whole change-outs) and "
        f"{IN_HAND} in hand, {counted:,} entries",
    )  # fmt: skip


def verified(folder: Path, jobs: Sequence[str]) -> str:
    """Open jobs with the program, fold and export each, and check every record; say how many hold."""
    running = start(Settings(data=folder))
    try:
        for job in jobs:
            state = running.site.jobs.state(job)
            assert state.accepted is not None, f"{job} is {state.stage}"
            files = export_files(running.site.material(job), running.key, lambda *_: b"")
            verdict = verify_record(files["record.json"], signature=files["record.sig"], photo=None)
            assert verdict.good, f"{job}: {verdict.checks}"
    finally:
        running.close()
    return f"{len(jobs)} jobs drawn from all: each opened, accepted, its record verified"


# --- moulds ------------------------------------------------------------------------------------------


def moulds(folder: Path) -> tuple[Mould, Mould]:
    """Let the program do a short job and a whole change-out, and return both as moulds."""
    short, whole = _mould(folder / "short", short=True), _mould(folder / "whole", short=False)
    assert short.entries <= LONGEST_SHORT, f"the short job has {short.entries} entries"
    return short, whole


def _mould(folder: Path, *, short: bool) -> Mould:
    clock = Told(datetime(DAY.year, DAY.month, DAY.day, 7, 15, tzinfo=UTC))
    running = _begun(folder, clock)
    try:
        plate = _plate(find_housing(running.site.library, PLATE), TAG, "the place")
        (folder / "housings" / f"{TAG}.toml").write_text(housing_text(plate), "utf-8")
        before = running.site.jobs.site().size
        made, cast = _plan(running, short=short), cast_of(running)
        job, tokens = _worked(running, made, cast, clock)
        if not short:
            _hand_over(running, job, cast.lead)
        payloads = [payload.decode() for payload in running.store.read_payloads(job)]
        site = [payload.decode() for payload in running.store.read_payloads("site")[before:]]
        heads = running.store.read_heads(job)
    finally:
        running.close()
    roots, frontier = [], EMPTY
    for text in payloads:
        frontier = frontier.append(leaf_hash(text.encode()))
        roots.append(frontier.root().hex())
    named = {int(text[at - 4 : at]) for text in (*payloads, *site) for at in _found(text, f"-{DAY:%m-%d}")}
    return Mould(
        tuple(payloads), tuple(roots), tuple((head.size, head.at) for head in heads), tuple(tokens), tuple(site),
        tuple(sorted(year - DAY.year for year in named)),
    )  # fmt: skip


def _found(text: str, words: str) -> Iterator[int]:
    at = text.find(words)
    while at >= 0:
        yield at
        at = text.find(words, at + 1)


def _begun(folder: Path, clock: Told) -> Running:
    settings = Settings(data=folder)
    ship_sample_housings(settings)
    running = start(settings, clock, clock.seconds)
    for name, role, secret in DEMO_PEOPLE:
        running.people.add(name, role, by=None, identity="known to us", secret=secret)
    issue_texts(running)
    keep_made_up_instruments(running.site.jobs)
    running.site.watching.choose(MARKS_APART.name, "0", "made by a machine", by=cast_of(running).lead).result()
    return running


def _plate(known: Housing, tag: str, location: str) -> Housing:
    return Housing.model_validate(known.model_dump() | {"tag": tag, "location": location})


def _plan(running: Running, *, short: bool) -> Plan:
    library = running.site.library
    procedure, digest = find_procedure(library, "change-out")
    # With the site's limits from the start: a job whose housing lacks them has its steps laid anew when it is opened.
    made = plan(with_limits(find_housing(library, TAG), procedure, running.site.jobs.site()), procedure, digest)
    if not short:
        return made
    steps = [step for step in made.steps if step.computes in SHORT]
    alone = {"relied_on_by": (), "way_out": None, "second": None, "only_if": None}
    return replace(made, steps=tuple(step.model_copy(update=alone) for step in steps), contingencies=())


def _worked(running: Running, made: Plan, cast: Cast, clock: Told) -> tuple[str, list[tuple[str, int]]]:
    """Carry a job through to acceptance, each command 40 seconds after the last; return it and its requests."""
    site, tokens = running.site, list[tuple[str, int]]()
    crew = (cast.hands, cast.eyes)
    draft = first_entry(
        made, site=site.jobs.site(), by=cast.lead, at=utc_text(clock()), crew=crew, rehearsal=False
    )  # fmt: skip
    if not made.contingencies:
        draft = draft.model_copy(update={"ways_out": None, "contingencies": None, "repeated": None})
    job = draft.ledger
    assert draft.number == NUMBER, draft.number

    def do(command: Command, by: Who) -> None:
        clock.be(clock() + timedelta(seconds=40))
        token = f"{draft.number}-{len(tokens):024}"
        state = site.jobs.record(job, command, Asked(by=by, tablet="bench", token=token)).result().state
        tokens.append((token, max(state.size - 1, 0)))

    do(Open(draft), cast.lead)
    while True:
        state = site.jobs.state(job)
        for command, by in commands_for(state, cast, made_on=DAY.isoformat()):
            do(command, by)
        if state.due is None:
            break
    account_for_packages(site.waste, job)
    do(Submit(), cast.lead)
    for notable in site.jobs.state(job).unread:
        do(OpenException(notable.seq), cast.officer)
    do(Accept(), cast.officer)
    return job, tokens


def _hand_over(running: Running, job: str, by: Who) -> None:
    """Let the packages of a job go, with their certificate."""
    waste = running.site.waste
    _, _, packages = waste.of_job(job)
    names = [item.name for item in packages]
    for name in names:
        waste.tell((name,), {"sides": "640 x 640 x 320"}, by=by).result()
    typed = {"receiver": "Olga Brandt", "organisation": "the waste store"}
    state = waste.hand_over(names, (), typed, by=by, both=True).result()
    handover = next(iter(state.waste.handovers))
    waste.certify(handover, f"W {NUMBER}", DAY.isoformat(), by=by).result()


# --- casts -------------------------------------------------------------------------------------------


def _jobs(
    writer: "_Writer", count: int, whole_ones: int, moulds: tuple[Mould, Mould], tags: Sequence[str], first: date,
    seed: int,
) -> tuple[list[str], list[str]]:  # fmt: skip
    """Write so many jobs in the order of their days, of each housing in turn; return the short and the whole ones."""
    short, whole = list[str](), list[str]()
    chosen = set(Random(seed).sample(range(count), whole_ones))
    in_year: dict[int, int] = {}
    for place in range(count):
        day = first + timedelta(days=365 * YEARS * place // count)
        day = day if (day.month, day.day) != (2, 29) else day - timedelta(days=1)
        in_year[day.year] = in_year.get(day.year, 0) + 1
        number = f"{day.year}-{in_year[day.year]:04}"
        (whole if place in chosen else short).append(f"job-{number}")
        handover = f"H-{len(whole):04}"
        tag = tags[place % len(tags)]
        writer.job(moulds[place in chosen], _swap(moulds[place in chosen], number, tag, day, handover), number)
    return short, whole


def _swap(mould: Mould, number: str, tag: str, day: date, handover: str) -> Callable[[str], str]:
    """Return what makes a mould's text the text of a cast."""
    days = [(f"{DAY.year + later}-{DAY:%m-%d}", f"{day.year + later}-{day:%m-%d}") for later in mould.years]

    def swapped(text: str) -> str:
        text = text.replace(HANDOVER, handover).replace(NUMBER, number).replace(TAG, tag)
        for was, now in days:
            text = text.replace(was, now)
        return text

    return swapped


class _Writer:
    """Rows straight into a site's database, in the program's own format; a site's ledger goes on where it ended."""

    def __init__(self, folder: Path) -> None:
        self._key: SiteKey = load_site_key(folder)
        self._database = sqlite3.connect(folder / DATABASE, isolation_level=None)
        for told in ("journal_mode=MEMORY", "synchronous=OFF", "cache_size=-200000"):
            self._database.execute(f"PRAGMA {told}")
        self._database.execute("BEGIN")
        leaves = self._database.execute("SELECT leaf FROM entry WHERE ledger = 'site' ORDER BY seq")
        self._site: Frontier = EMPTY
        for (leaf,) in leaves:
            self._site = self._site.append(leaf)
        self._entries: list[tuple[str, int, bytes, bytes]] = []
        self._heads: list[tuple[str, int, bytes, str, str, bytes]] = []
        self._requests: list[tuple[str, str, str, int]] = []
        self.written = self._site.size

    def __enter__(self) -> Self:
        """Write until left."""
        return self

    def __exit__(self, *_: object) -> None:
        """Write what waits, and leave the file as the program keeps it."""
        self._flush()
        self._database.execute("COMMIT")
        self._database.execute("PRAGMA journal_mode=WAL")
        self._database.close()

    def site(self, event: SiteEvent) -> None:
        """Append an event to the site's ledger; its place is put in here."""
        placed = event.model_copy(update={"seq": self._site.size})
        self._site_entry(canonical(placed.model_dump(mode="json", exclude_none=True)), placed.at)

    def job(self, mould: Mould, swapped: Callable[[str], str], number: str) -> None:
        """Write a cast of a mould: its ledger, its requests, and its entries in the site's ledger."""
        job, frontier, roots = f"job-{number}", EMPTY, list[bytes]()

        def rooted(text: str) -> str:
            for was, now in zip(mould.roots, roots, strict=False):
                text = text.replace(was, now.hex())
            return text

        for seq, text in enumerate(mould.payloads):
            cast = swapped(rooted(text) if '"root":' in text else text).encode()
            leaf = leaf_hash(cast)
            frontier = frontier.append(leaf)
            roots.append(frontier.root())
            self._entries.append((job, seq, cast, leaf))
        for size, at in mould.heads:
            self._head(job, size, roots[size - 1], swapped(at))
        for token, seq in mould.tokens:
            own = swapped(token)
            self._requests.append((own, job, sha256(own.encode()).hexdigest(), seq))
        self.written += len(mould.payloads)
        for text in mould.site:
            value = read_canonical(swapped(rooted(text)).encode())
            assert isinstance(value, dict)
            self._site_entry(canonical(value | {"seq": self._site.size}), str(value["at"]))
        if len(self._entries) >= ROWS_AT_ONCE:
            self._flush()

    def _site_entry(self, payload: bytes, at: str) -> None:
        leaf = leaf_hash(payload)
        self._entries.append(("site", self._site.size, payload, leaf))
        self._site = self._site.append(leaf)
        self._head("site", self._site.size, self._site.root(), at)
        self.written += 1

    def _head(self, ledger: str, size: int, root: bytes, at: str) -> None:
        key_id = self._key.key_id
        signature = self._key.sign(head_message(ledger=ledger, size=size, root=root, at=at, key_id=key_id))
        self._heads.append((ledger, size, root, at, key_id, signature))

    def _flush(self) -> None:
        for table, rows in (("entry", self._entries), ("head", self._heads), ("request", self._requests)):
            self._into(table, rows)
            rows.clear()

    def _into(self, table: str, rows: Sequence[tuple[Any, ...]]) -> None:
        if rows:
            self._database.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * len(rows[0]))})", rows)


def _past_plans(count: int, tags: Sequence[str], by: Who, first: date) -> Iterable[SiteEvent]:
    """Yield plans that were made and dropped."""
    for number in range(1, count + 1):
        day = first + timedelta(days=number % (365 * YEARS))
        at, name = f"{day}T06:00:00.000Z", f"PL-{number:04}"
        yield WorkPlanned(
            seq=0, at=at, by=by, plan=name, housing=tags[number % len(tags)], procedure="change-out",
            begins=f"{day}T07:30", ends=f"{day}T15:00", lead=by.id, why="the yearly round",
        )  # fmt: skip
        yield PlanDropped(seq=0, at=at, by=by, plan=name, reason="done with the next one")


def _gone_lots(count: int, by: Who, first: date) -> Iterable[SiteEvent]:
    """Yield lots that came in and of which nothing is left."""
    for number in range(1, count + 1):
        day = first + timedelta(days=number % (365 * YEARS))
        at, name = f"{day}T06:00:00.000Z", f"G-{number:05}"
        lot = Lot(id=name, kind=Kind.BAG, what="24 in", count=6, received_on=day)
        yield LotReceived(seq=0, at=at, by=by, lot=lot)
        yield LotInspected(seq=0, at=at, by=by, lot=name, findings=(), verdict="accepted")
        yield LotCounted(seq=0, at=at, by=by, lot=name, was=6, now=0, reason="used for training")


def _readings(each: int, tags: Sequence[str], by: Who, last: date) -> Iterable[SiteEvent]:
    """Yield pressure drops read between jobs, the newest last."""
    for back in range(each, 0, -1):
        day = last - timedelta(days=20 * back)
        for place, tag in enumerate(tags):
            reading = DropReading(housing=tag, bank=Bank.HEPA, on=day, drop_pa=str(240 + place % 50), flow_m3_h="1700")
            yield ReadingTaken(seq=0, at=f"{day}T06:00:00.000Z", by=by, reading=reading)


# --- what is in hand ---------------------------------------------------------------------------------


def _in_hand(folder: Path, tags: Sequence[str]) -> Site:
    """Enter through the program, by the real clock, what is the same on a site of any size."""
    running = start(Settings(data=folder))
    try:
        cast, site = cast_of(running), running.site
        made = ready_for_marks(folder, running, IN_HAND)
        for number in range(LOTS_AT_HAND):
            typed = {"id": f"B-{number:04}", "kind": str(Kind.BAG), "what": "24 in", "count": "12"}
            site.store_room.receive(typed, by=cast.hands).result()
            seen = {name: item.good for name, item in receipt_items(Kind.BAG).items()}
            site.store_room.inspect(typed["id"], seen, verdict="accepted", reason="", photo="", by=cast.hands).result()
        day = datetime.now(UTC).date() + timedelta(days=20)
        for tag in tags[IN_HAND : IN_HAND + WAITING]:
            typed = {"housing": tag, "procedure": "change-out", "begins": f"{day}T07:30", "ends": f"{day}T15:00",
                     "lead": cast.lead.id, "why": "the pressure drop"}  # fmt: skip
            site.plans.plan(typed, (cast.hands.id,), by=cast.lead).result()
        return made
    finally:
        running.close()

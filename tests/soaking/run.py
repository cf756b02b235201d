"""One soak: a served site, four crews of two tablets, what befalls them, and all of it held against the ledgers."""

import contextlib
import io
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from statistics import median, quantiles
from threading import Event, Thread
from time import monotonic, sleep

from app.bootstrap import start
from app.cli import main as changeout
from app.domain.site import SITE_LEDGER
from app.ledger.check import check_entries
from app.settings import Settings
from tests.soaking.befall import BACKUP, EVERY, EXPORT, FULL, KILL, QUIET, Fate
from tests.soaking.crew import Crew, Site
from tests.soaking.history import History, Outcome, wrong_in
from tests.soaking.ledgers import Ledgers
from tests.soaking.line import Way, free_port, lines
from tests.soaking.served import Sample, Server
from tests.soaking.site import furnish, small_disk
from tests.soaking.tablet import Acks, AwayError, Tablet

CREWS = 4
QUIET_PART = 1 / 3
"""The last part of a soak, in which the server is not killed, so that its memory and files can be watched."""
WARM_S = 10
PULSE_S = 0.2
LONGEST_END_S = 60
MOST_RECORDS = 60
BACK_S, STARTS = 3.0, 3
"""The goal, and what a busy machine is allowed: so many times of the run's middle start."""
MOST_WAL_MB = 64.0
MOST_FILES = 5
MOST_GROWN_MB = 16.0
"""With each 1,000 marks, some fifteen jobs, whose states stay in memory; judged only over 1,000 marks or more."""
WORST_P99, GOAL_P99 = 3.0, 1.5
LEAST = 20
"""Figures that a few marks or samples would give are not judged."""


@dataclass
class Soaked:
    """What came of it: lines to print, and a sentence for everything wrong."""

    told: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def soak(place: Path, *, seconds: float, seed: int) -> Soaked:
    """Soak a site in a folder of its own."""
    came = Soaked()
    with small_disk(place / "disk") as no_disk:
        data = place / "disk" / "site"
        shifts, secrets = furnish(data)
        server = Server(data, free_port(), place / "server.log")
        site = Site(Ledgers(data), secrets, shifts)
        history, acks, chance = History(place / "history.jsonl"), Acks(), Random(seed)
        with lines(server.port, 2 * CREWS) as laid:

            def tablet(name: str, port: int) -> Tablet:
                return Tablet(name, port, secrets, history, acks, Random(chance.random()))

            crews = [
                Crew(site, tablet(f"tablet {2 * n + 1}", laid[2 * n].port),
                     tablet(f"tablet {2 * n + 2}", laid[2 * n + 1].port), Random(chance.random()))
                for n in range(CREWS)
            ]  # fmt: skip
            office = tablet("office", server.port)
            fate = Fate(server, laid, crews, site, history, acks, place, chance, office)
            server.start()
            try:
                samples = _work(fate, seconds, no_disk, came)
                _end(fate, came)
                records = _records(fate, place / "records", came)
            finally:
                server.end()
        _judge(fate, samples, records, seconds, came)
        _hold_against(data, history, came)
    return came


def _work(fate: Fate, seconds: float, no_disk: str, came: Soaked) -> list[Sample]:
    """Let the crews work and things befall them; return what the server looked like, second by second."""
    samples: list[Sample] = []
    over = Event()

    def watch() -> None:
        while not over.wait(1):
            if (seen := fate.server.sample()) is not None:
                samples.append(seen)

    def beat() -> None:
        while not over.wait(PULSE_S):
            begun = monotonic()
            if fate.server.wanted and fate.server.answers():
                fate.acks.pulse.append((begun, monotonic() - begun))

    Thread(target=watch, daemon=True).start()
    Thread(target=beat, daemon=True).start()
    for crew in fate.crews:
        crew.start()
    begun, every = monotonic(), max(2.0, min(15.0, seconds / 60))
    sleep(every)
    for what in _order(fate.chance, begun, seconds, no_disk):
        fate.befall(what)
        sleep(every)
    fate.site.over.set()
    for crew in fate.crews:
        assert crew.thread is not None
        crew.thread.join(LONGEST_END_S)
        if crew.thread.is_alive():
            came.wrong.append(f"the crew of {crew.hand.name} does not end")
    over.set()
    if no_disk:
        came.told.append(f"full disk: skipped, no small file system can be laid here ({no_disk})")
    return samples


def _order(chance: Random, begun: float, seconds: float, no_disk: str) -> Iterator[str]:
    """Yield what befalls: all of it in an order of chance, again and again, and in the last part only what is quiet."""
    quiet_from = begun + seconds * (1 - QUIET_PART)
    yield from (KILL, BACKUP)
    quiet = False
    while monotonic() < begun + seconds:
        if not quiet and monotonic() > quiet_from:
            quiet = True
            yield EXPORT  # what makes a record is loaded with the first one; from then on memory is watched
        kinds = [what for what in (QUIET if quiet else EVERY) if not (what == FULL and no_disk)]
        for what in chance.sample(kinds, len(kinds)):
            if monotonic() > begun + seconds or (not quiet and monotonic() > quiet_from):
                break
            yield what


def _end(fate: Fate, came: Soaked) -> None:
    """Let every tablet send what it still holds."""
    tablets = [tablet for crew in fate.crews for tablet in (crew.hand, crew.other)]
    for line in fate.lines:
        line.be(Way.GOOD)
    end = monotonic() + LONGEST_END_S
    for one in tablets:
        while monotonic() < end:
            with contextlib.suppress(AwayError):
                one.look(fate.site.shifts[0].opener, "/")
                if one.drain() and not one.waiting():
                    break
            sleep(0.1)
        if one.waiting():
            came.wrong.append(f"{one.name} still waits with {len(one.waiting())} marks")
        one.end()


def _records(fate: Fate, folder: Path, came: Soaked) -> int:
    """Take the records of the jobs that were accepted and let the program's own command verify each."""
    ledgers, verified = fate.site.ledgers, 0
    accepted = [job for job in ledgers.jobs() if ledgers.state(job).accepted is not None]
    for job in accepted[-MOST_RECORDS:]:
        status, data = fate.office.look(fate.site.shifts[0].opener, f"/jobs/{job}/record.zip")
        if status != 200:
            came.wrong.append(f"the record of {job} was answered with {status}")
            continue
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            archive.extractall(folder / job)
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            status = changeout(["verify", str(folder / job)])
        verified += status == 0
        if status:
            came.wrong.append(f"the record of {job} does not verify: {said.getvalue()[-300:]}")
    fate.office.end()
    return verified


def _hold_against(data: Path, history: History, came: Soaked) -> None:
    """Start on the folder as after any crash; hold every ledger against its heads and against the history."""
    running = start(Settings(data=data))
    try:
        pem = running.key.certificate_pem
        jobs = [line.job for line in running.site.jobs.site().jobs]
        for ledger in (SITE_LEDGER, *jobs):
            payloads, heads = running.store.read_payloads(ledger), running.store.read_heads(ledger)
            faults = check_entries(ledger=ledger, payloads=payloads, heads=heads, certificate_pem=pem)
            came.wrong += [f"the ledger {ledger}: {fault}" for fault in faults[:3]]
        entries = Ledgers(data).entries()
    finally:
        running.close()
    deeds = tuple(history.deeds.values())
    came.wrong += wrong_in(deeds, entries)
    outcomes = {outcome: sum(deed.outcome is outcome for deed in deeds) for outcome in Outcome}
    came.told.append(
        f"{len(deeds)} requests of tablets: " + ", ".join(f"{number} {name}" for name, number in outcomes.items())
        + f"; {len(entries)} entries in {len(jobs)} jobs hold against them"
    )  # fmt: skip


def _judge(fate: Fate, samples: list[Sample], records: int, seconds: float, came: Soaked) -> None:
    site, told = fate.site, fate.told
    came.wrong += [*site.wrong, *told.wrong, *fate.server.deaths]
    if not site.counted.get("jobs accepted"):
        came.wrong.append("no job was accepted, so this proves little")
    log = fate.server.log.read_text("utf-8", "replace")
    came.wrong += (
        ["the server's log has a traceback: " + log[log.index("Traceback") :][:1500]] if "Traceback" in log else []
    )
    counted = ", ".join(f"{number} {what}" for what, number in sorted(site.counted.items()))
    starts = fate.server.starts
    came.told.append(f"{seconds:.0f} s, {len(starts)} lives of the server, begun within {max(starts):.2f} s: {counted}")
    came.told.append(f"{records} records verified; {told.owed} marks that restores took were owed by tablets")
    for what, back in sorted(told.back.items()):
        came.told.append(
            f"  {what}: {len(back)} times, first answer after {median(back):.2f} s, worst {max(back):.2f} s"
        )
        if max(back) > BACK_S:
            came.told.append(f"    goal of {BACK_S} s missed; the middle start of this run took {median(starts):.2f} s")
        if max(back) > max(BACK_S, STARTS * median(starts)):
            came.wrong.append(f"after {what} the first answer took {max(back):.2f} s")
    _judge_server(samples, fate.acks, fate.exported, came)
    _judge_speed(fate, came)


def _judge_server(samples: list[Sample], acks: Acks, exported: list[float], came: Soaked) -> None:
    """Memory, files and log of the server's last life, after its first record and a while more."""
    wal = max((item.wal_mb for item in samples), default=0.0)
    came.told.append(f"log of the database at most {wal:.1f} MB")
    if wal > MOST_WAL_MB:
        came.wrong.append(f"the log of the database grew to {wal:.1f} MB, more than {MOST_WAL_MB}")
    last = [item for item in samples if item.pid == samples[-1].pid]
    warm_from = min((at for at in exported if at > last[0].at), default=last[0].at) + WARM_S
    warm = [item for item in last if item.at > warm_from]
    if len(warm) < LEAST:
        came.told.append("memory and open files: the last life was too short to judge them")
        return
    third = len(warm) // 3
    files = median(item.files for item in warm[:third]), median(item.files for item in warm[-third:])
    connections = median(item.connections for item in warm[:third]), median(item.connections for item in warm[-third:])
    marks = sum(warm[0].at < at < warm[-1].at for at, _ in acks.marks)
    memory = median(item.resident_mb for item in warm[:third]), median(item.resident_mb for item in warm[-third:])
    thousands = marks / 1000
    came.told.append(
        f"last life, warm, {warm[-1].at - warm[0].at:.0f} s and {marks} marks: memory {memory[0]:.0f} to "
        f"{memory[1]:.0f} MB; files {files[0]:.0f} to {files[1]:.0f}, connections {connections[0]:.0f} to "
        f"{connections[1]:.0f}"
    )
    if thousands >= 1 and (memory[1] - memory[0]) / thousands > MOST_GROWN_MB:
        came.wrong.append(f"memory grew by {(memory[1] - memory[0]) / thousands:.1f} MB with each 1,000 marks")
    if abs(files[1] - files[0]) > MOST_FILES:
        came.wrong.append(f"open files went from {files[0]:.0f} to {files[1]:.0f}")


def _judge_speed(fate: Fate, came: Soaked) -> None:
    """Whether marks were answered as fast at the end as at the beginning, what befell the site left aside.

    A machine with other work slows an empty page as well; only where marks alone grew slower is it the program.
    """
    marks, pulse = (_quarters(_calm(fate, took)) for took in (fate.acks.marks, fate.acks.pulse))
    if marks is None or pulse is None:
        came.told.append("p99 of marks: too few between what befell the site to judge them")
        return
    ratio, machine = marks[1] / marks[0], pulse[1] / pulse[0]
    came.told.append(
        f"p99 in calm, first quarter to last: marks {1000 * marks[0]:.0f} to {1000 * marks[1]:.0f} ms, {ratio:.2f} "
        f"times; an empty page {1000 * pulse[0]:.0f} to {1000 * pulse[1]:.0f} ms, {machine:.2f} times"
        + (f" (goal of {GOAL_P99} missed)" if ratio > GOAL_P99 else "")
    )
    if ratio > WORST_P99 and ratio / machine > GOAL_P99:
        came.wrong.append(f"the p99 of marks went to {ratio:.2f} times of the beginning's")


def _calm(fate: Fate, took: list[tuple[float, float]]) -> list[float]:
    """Return how long things took that began while nothing befell the site."""
    windows = fate.told.windows
    return [seconds for at, seconds in took if not any(begun <= at <= end for begun, end in windows)]


def _quarters(took: list[float]) -> tuple[float, float] | None:
    """Return the p99 of the first and of the last quarter; None for too few."""
    fourth = len(took) // 4
    return (p99(took[:fourth]), p99(took[-fourth:])) if fourth >= LEAST else None


def p99(values: Sequence[float]) -> float:
    """Return the value that one in a hundred lies above."""
    return quantiles(values, n=100, method="inclusive")[98]

"""A sample site large enough to be real: 40 housings of four services, three years of work, made by a seeded generator.

Everything is entered through the same services as by people, by a told clock, so that every rule holds for it and
every record verifies.  The seed draws places, days, faults and numbers; the same seed and last day give the same
entries, byte for byte but for what a key of its own signs.  All of it is made up.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import TYPE_CHECKING

from app import sample_weeks
from app.domain.applicability import PERMIT_UNTIL
from app.domain.commands import (
    Accept,
    Command,
    ExplainStop,
    Finish,
    Open,
    OpenException,
    StopWork,
    Submit,
    TakeWayOut,
)
from app.domain.crew import Acknowledge, Part
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.job import JobState, Stage
from app.domain.judging import AGAIN
from app.domain.leaving import Suspend
from app.domain.procedure import Role, StepKind
from app.domain.wasting import lacks
from app.records.moments import utc_text
from app.services.issuing import issue_all
from app.services.jobs import Asked, findings_of
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import Cast, commands_for, looks_as_recorded
from app.settings import Settings

if TYPE_CHECKING:
    from app.bootstrap import Running

HOUSINGS, YEARS = 40, 3
LIMITS = (("no_flow", "0", "0.05"), ("housing_pressure", "-50", "0"))
SAMPLE_FIGURE = "the sample site's own figure, no source"
"""Name, lowest and highest value of what is read where a housing has no limit of its own, and where they come from."""
TABLET = "tablet of the sample site"
STAND = (0.6, 0.3, 0.4, 2.0)
"""How far the jobs of the last days are, as a share of their steps."""
HANDED_OVER_EVERY = 12
SERVICES = ("radioactive", "biological", "potent_compound", "chemical")
PLACES = ("Roof plant room", "Laboratory wing", "Service corridor", "Plant room north", "Pilot hall", "Basement")
PORTS = (
    (("hepa", 1, "24x24x11.5"),),
    (("hepa", 2, "24x24x11.5"),),
    (("prefilter", 1, "24x24x5-7/8"), ("hepa", 1, "24x24x11.5")),
    (("prefilter", 2, "24x24x5-7/8"), ("hepa", 2, "24x24x11.5")),
    (("hepa", 1, "24x24x11.5"), ("carbon", 1, "24x24x16 carbon tray")),
)
MORE_PEOPLE = (
    ("Ama Boateng", Role.TECHNICIAN), ("Kenji Mori", Role.TECHNICIAN), ("Lena Ahlgren", Role.TECHNICIAN),
    ("Paulo Teixeira", Role.SAFETY_OFFICER),
)  # fmt: skip
WORDS = {
    "receiver": "Olga Brandt, waste store", "who": "control room, by telephone", "told": "Nothing differed.",
    "ppe": "as agreed on the permit", "permit": "PTW 4471", "wrench": "TW-9",
}  # fmt: skip
"""What people of the sample site write where a step asks for words, by the name of the question."""
ACCESS = (
    "By the stair at the north end; two metres free before the doors.",
    "From the gallery, 1.2 m wide; filters come up by the goods lift.",
    "From the corridor; the fire door stays shut, so fetch the trolley round the yard.",
)
CLAMPS = {"gasket": "screw, by ratchet from the side", "gel": "cam lever, by hand to its stop"}
HAZARD = {
    "radioactive": "Activity on the filters and in the dust of the housing.",
    "biological": "What the filters caught may infect until it has been decontaminated.",
    "potent_compound": "Active substance in small amounts; skin and lungs.",
    "chemical": "Vapours that a filter has let go again.",
}
CONTROL = {
    "radioactive": "The bag stays whole; readings before the door and at each package.",
    "biological": "Evidence of decontamination before the door; the bag stays whole.",
    "potent_compound": "Wipe at the ring; two pairs of gloves, the outer ones stay in the bag.",
    "chemical": "Respirator for this vapour by the assessment, not one for dust alone.",
}
WHYS = (
    ("interrupted", "An alarm in the next bay; everybody out for ten minutes."),
    ("unexpected", "The bag had been folded the wrong way by whoever put it on last time."),
    ("cannot_as_written", "The step's reading point is behind a new cable tray."),
    ("conflict", "The permit named the other damper first."),
)


@dataclass
class Told:
    """A clock that is told, and seconds that pass with it."""

    now: datetime

    def __call__(self) -> datetime:
        """Return what was told."""
        return self.now

    def seconds(self) -> float:
        """Return the same as seconds."""
        return self.now.timestamp()

    def be(self, now: datetime) -> None:
        """Go on to a moment, never back."""
        self.now = max(self.now, now)


def housing_texts(chance: Random, count: int) -> dict[str, str]:
    """Return the TOML of so many housings by tag."""
    return dict(_housing(chance, number) for number in range(count))


def _housing(chance: Random, number: int) -> tuple[str, str]:
    tag, service = f"EF-{101 + number}", SERVICES[number % len(SERVICES)]
    seal = chance.choice(("gasket", "gel"))
    flow, clean = chance.choice(("1500", "1700", "2000")), chance.randrange(240, 330, 10)
    lines = [
        f'tag = "{tag}"', f'location = "{PLACES[number % len(PLACES)]}, bay {1 + number // len(PLACES)}"',
        f'service = "{service}"', f'seal = "{seal}"', f'upstream_damper = "D-{101 + number}1"',
        f'downstream_damper = "D-{101 + number}2"', f'fan = "fan F-{101 + number}"',
        f'hazards = ["{HAZARD[service]}", "{CONTROL[service]}"]',
        f'access = "{ACCESS[number % len(ACCESS)]}"',
        f'neighbours = ["EF-{100 + number}", "EF-{102 + number}"]',
        "[limits.clamp_torque]", 'low = "8.5"', 'high = "10.5"', 'unit = "N.m"', 'basis = "site value"',
        "[limits.housing_pressure]", 'low = "-50"', 'high = "0"', 'unit = "Pa"', 'basis = "site value"',
        "[design.hepa]", f'rated_flow_m3_h = "{flow}"', f'design_flow_m3_h = "{flow}"', f'clean_drop_pa = "{clean}"',
        f'change_drop_pa = "{2 * clean}"', "leak_interval_months = 12",
    ]  # fmt: skip
    lines += [
        "[[gauges]]", f'tag = "PI-{101 + number}"', 'reads = "pressure drop of the HEPA bank"',
        'scale = "0 to 1000 Pa"',
        "[[test_ports]]", f'tag = "TP-{101 + number}A"', 'at = "upstream of the HEPA bank, aerosol in"',
        "[[test_ports]]", f'tag = "TP-{101 + number}B"', 'at = "downstream, probe for the scan"',
    ]  # fmt: skip
    for place, (bank, filters, size) in enumerate(chance.choice(PORTS), start=1):
        kind = size if bank == "carbon" else f"{size} {seal}"
        lines += ["[[ports]]", f'id = "P{place}"', f'bank = "{bank}"', f"filters = {filters}", f'filter = "{kind}"']
        lines += ['ring = "24 in"', 'bag = "24 in"', f'clamp_type = "{CLAMPS[seal]}"']
    return tag, "\n".join(lines) + "\n"


class Maker:
    """Somebody who lives three years of a site in a minute."""

    def __init__(self, running: "Running", clock: Told, chance: Random, until: datetime) -> None:
        self.running, self.clock, self.chance, self.until = running, clock, chance, until
        self.jobs = running.site.jobs
        self.people = {person.name: person.who for person in running.people.everyone()}
        self.instruments: dict[str, str] = {}
        self.tokens = 0

    def of(self, role: Role) -> list[Who]:
        """Return everybody of a role, in the order of names."""
        return [who for _, who in sorted(self.people.items()) if who.role is role]

    # --- one job ---------------------------------------------------------------------------------

    def do(self, job: str, command: Command, by: Who) -> JobState:
        """Carry out one command, some time after the last."""
        self.clock.now += timedelta(seconds=self.chance.randrange(15, 75))
        self.tokens += 1
        asked = Asked(by=by, tablet=TABLET, token=f"sample-{self.tokens:020}")
        return self.jobs.record(job, command, asked).result().state

    def open(self, tag: str) -> tuple[str, Cast]:
        """Open a job on a housing with a crew of chance, briefed as it goes."""
        chance, site = self.chance, self.running.site
        hands, eyes = chance.sample(self.of(Role.TECHNICIAN), 2)
        opener, other = chance.sample(self.of(Role.LEAD), 2)
        made = plan(find_housing(site.library, tag), *find_procedure(site.library, "change-out"))
        draft = first_entry(
            made, site=self.jobs.site(), by=opener, at=utc_text(self.clock()), crew=(hands, eyes), rehearsal=False
        )
        self.do(draft.ledger, Open(draft), opener)
        return draft.ledger, Cast(hands, eyes, chance.choice(self.of(Role.SAFETY_OFFICER)), other)

    def work(self, job: str, cast: Cast, *, stop_at: int = 0, fails: bool = False, to: int = 10_000) -> JobState:
        """Do the steps up to one; stop before one, fail the first leak test, as told."""
        state = self.jobs.state(job)
        while state.due is not None and state.place < to:
            if stop_at and state.place == stop_at and state.stage is Stage.OPEN:
                stop_at = 0
                reason, text = self.chance.choice(WHYS)
                self.do(job, StopWork(), cast.officer)
                state = self.do(job, ExplainStop(reason, text), cast.officer)
            if state.way_out is not None and state.stage is Stage.OPEN:
                state = self.do(job, TakeWayOut(state.way_out.id, "The bank failed its leak test."), cast.lead)
            for command, by in commands_for(state, cast, made_on=str(self.clock().date() - timedelta(days=200))):
                spoilt = fails and isinstance(command, Finish) and state.due is not None
                if spoilt and state.due is not None and state.due.computes == "leak_test":
                    fails = False
                    state = self.do(job, self.failing(command), by)
                    break
                state = self.do(job, self.real(command, state), by)
        for command, by in commands_for(state, cast) if state.due is None else ():
            state = self.do(job, command, by)
        return state

    def failing(self, command: Command) -> Command:
        """Return a leak test that is not met."""
        assert isinstance(command, Finish)
        made = self.real(command, None)
        assert isinstance(made, Finish)
        again = {f"downstream{AGAIN}": "0.9"} if f"downstream{AGAIN}" in made.answers else {}
        return replace(made, answers={**made.answers, "downstream": "0.9", **again})

    def real(self, command: Command, state: JobState | None) -> Command:
        """Return a command with the site's instruments and words in place of those of a rehearsal."""
        if not isinstance(command, Finish):
            return command
        step = state.due if state is not None else None
        serial = state is not None and step is not None and step.kind is not StepKind.VERIFY
        return replace(
            command, answers={name: self._real(name, text, serial=serial) for name, text in command.answers.items()}
        )

    def _real(self, name: str, text: str, *, serial: bool) -> str:
        if name == PERMIT_UNTIL:
            return str(self.clock().date() + timedelta(days=2))
        if text in self.instruments:
            return self.instruments[text]
        if text.startswith("rehearsal, serial ") and serial:
            place = text.removeprefix("rehearsal, serial ").replace(" ", "-")
            return f"S-{place}"
        if not text.startswith("rehearsal, ") or name == "serial":
            return text
        return WORDS.get(name, "seen, in order")

    def close(self, job: str, cast: Cast) -> None:
        """Account for the packages, submit, review and accept."""
        self.account(job, cast)
        self.do(job, Submit(), cast.lead)
        state = self.jobs.state(job)
        for item in state.unread:
            self.do(job, OpenException(item.seq), cast.officer)
        for item in findings_of(self.jobs.site(), job, state):
            self.do(job, OpenException(item.seq, of_site=True), cast.officer)
        self.do(job, Accept(), cast.officer)

    def account(self, job: str, cast: Cast) -> None:
        """Weigh, look at and place what the steps left open of the packages."""
        waste = self.running.site.waste
        _, site, packages = waste.of_job(job)
        for item in packages:
            missing = lacks(site.waste, item)
            if any(told.startswith("weight") for told in missing):
                kilos = self.chance.randrange(4, 30)
                waste.tell([item.name], {"weight": str(kilos)}, by=cast.hands).result()
            if "closure check" in missing:
                waste.check_closure(item.name, seen="taped and whole", whole=True, by=cast.hands).result()
            if "place and owner" in missing:
                placed = {"place": "waste store, rack 2", "answers": cast.hands.name}
                waste.place([item.name], placed, by=cast.hands).result()

    def hand_over(self) -> None:
        """Have everything fetched that waits in the waste store, and its certificate come some days later."""
        waste, by = self.running.site.waste, self.of(Role.LEAD)[0]
        _, packages = waste.here()
        typed = {"receiver": "P. Okonjo", "organisation": "the licensed carrier of the site", "remark": ""}
        site = waste.hand_over([item.name for item in packages], (), typed, by=by, both=True).result()
        self.clock.now += timedelta(days=2)
        number = f"H-{len(site.waste.handovers):04d}"
        waste.certify(number, f"C-{number[2:]}", str(self.clock().date()), by=by).result()

    # --- around the jobs -------------------------------------------------------------------------

    def furnish(self) -> None:
        """Enter instruments and qualifications that hold until after the last day, and the site's limits."""
        registers, lead = self.running.site.registers, self.of(Role.LEAD)[0]
        far = str(self.until.date() + timedelta(days=200))
        from app.services.rehearsal import MADE_UP_INSTRUMENTS

        for place, (name, item) in enumerate(MADE_UP_INSTRUMENTS.items(), start=1):
            own = f"{''.join(word[0] for word in str(item.kind).split()).upper()}-{place}"
            typed = {
                "id": own, "kind": str(item.kind), "description": f"{item.kind} of the test group",
                "calibrated_on": str(self.clock().date()), "due": far,
            }  # fmt: skip
            numbers = {"floor_fraction": "0.00001", "u_pct": "5", "efficiency": "0.3"}
            registers.keep_instrument(typed | numbers, by=lead).result()
            self.instruments[name] = own
        for limit, low, high in LIMITS:
            self.running.site.watching.choose_limit(limit, low, high, SAMPLE_FIGURE, by=lead).result()
        for who in self.people.values():
            for need in ("bag-out training", "respirator fit test", "site induction"):
                if who.role is not Role.ADMINISTRATOR:
                    registers.note_qualification(who.id, need, far, by=lead).result()

    def read(self, tag: str, share: float) -> None:
        """Read the pressure drop of a housing in service; share: of its way from clean to due."""
        design = find_housing(self.running.site.library, tag).design
        bank = next(iter(design.values()))
        clean = float(bank.clean_drop_pa or 250)
        drop = clean * (1 + 0.8 * share) * self.chance.uniform(0.97, 1.03)
        typed = {
            "bank": "hepa", "on": str(self.clock().date()), "drop_pa": f"{drop:.0f}",
            "flow_m3_h": f"{float(bank.rated_flow_m3_h or 1700) * self.chance.uniform(0.98, 1.02):.0f}", "temp_c": "21",
        }  # fmt: skip
        hands = self.chance.choice(self.of(Role.TECHNICIAN))
        self.running.site.registers.take_reading(tag, typed, by=hands).result()


def calendar(chance: Random, tags: list[str], first: date, last: date) -> list[tuple[date, str, float]]:
    """Return what happens on which day: a change-out (1.0) or a reading with how far the filters are (0 to 1)."""
    found: list[tuple[date, str, float]] = []
    for tag in tags:
        day = first + timedelta(days=chance.randrange(10, 330))
        begun = day - timedelta(days=365)
        while day < last:
            span = (day - begun).days
            found += [
                (on, tag, (on - begun).days / span)
                for on in (begun + timedelta(days=91 * quarter) for quarter in range(1, 4))
                if first < on < day
            ]
            found.append((day, tag, 1.0))
            begun, day = day, day + timedelta(days=chance.randrange(300, 430))
    return sorted(found)


def make_sample_site(
    settings: Settings, *, seed: int = 1, until: datetime, count: int = HOUSINGS, years: int = YEARS,
    people: Sequence[tuple[str, Role, str]], say: Callable[[str], None], most: int | None = None,
) -> None:  # fmt: skip
    """Make a site in an empty data folder.

    people: name, role and secret; some more are made up beside them.  until: the day after the last of the history.
    most: of the days on which something happens so many are lived, evenly over the years; all of them for None.
    """
    from app.bootstrap import start

    chance, clock = Random(seed), Told((until - timedelta(days=365 * years)).astimezone(UTC))
    texts = housing_texts(chance, count)
    folder = settings.data / "housings"
    folder.mkdir(parents=True, exist_ok=True)
    for tag, text in texts.items():
        (folder / f"{tag}.toml").write_text(text, "utf-8")
    running = start(settings, clock, clock.seconds)
    try:
        more = ((name, role, f"sample {name}") for name, role in MORE_PEOPLE)
        for name, role, secret in (*people, *more):
            running.people.add(name, role, by=None, identity="made up for the sample site", secret=secret)
        maker = Maker(running, clock, chance, until)
        officer, lead = maker.of(Role.SAFETY_OFFICER)[0], maker.of(Role.LEAD)[0]
        issue_all(running.site.jobs, running.site.library.procedures(), approver=officer, lead=lead)
        maker.furnish()
        for line in _lived(maker, sorted(texts), most):
            say(line)
    finally:
        running.close()


def thinned(days: Sequence[tuple[date, str, float]], most: int | None) -> list[tuple[date, str, float]]:
    """Return at most so many of these days, the first and the last among them, evenly in between."""
    if most is None or len(days) <= most:
        return list(days)
    return [days[place * (len(days) - 1) // (most - 1)] for place in range(most)]


def _lived(maker: Maker, tags: list[str], most: int | None) -> Iterator[str]:
    clock, chance = maker.clock, maker.chance
    last = maker.until.date() - timedelta(days=4)
    days = thinned(calendar(chance, tags[:-4] if len(tags) > 4 else [], clock().date(), last), most)
    jobs = sum(share == 1.0 for _, _, share in days)
    yield f"{jobs} change-outs and {len(days) - jobs} readings between {clock().date()} and {last}"
    done = 0
    for day, tag, share in days:
        clock.be(datetime.combine(day, time(7, chance.randrange(60)), UTC))
        if share < 1.0:
            maker.read(tag, share)
            continue
        job, cast = maker.open(tag)
        stop_at = chance.randrange(8, 60) if chance.random() < 0.2 else 0
        maker.work(job, cast, stop_at=stop_at, fails=chance.random() < 0.1)
        maker.close(job, cast)
        done += 1
        if done % HANDED_OVER_EVERY == 0:
            maker.hand_over()
        if done % 20 == 0:
            yield f"{done} of {jobs} change-outs"
    if done % HANDED_OVER_EVERY:
        maker.hand_over()
    clock.be(datetime.combine(last + timedelta(days=1), time(7), UTC))
    for tag, share in zip(tags[-4:], STAND, strict=False):
        job, cast = maker.open(tag)
        state = maker.work(job, cast, to=int(share * len(maker.jobs.state(job).steps)))
        if tag == tags[-2]:
            looks = looks_as_recorded(suspend_looks(state))
            if not state.crew.may_release(cast.lead):
                maker.do(job, Acknowledge(Part.RELEASE, "I know where the work may rest and where not."), cast.lead)
            maker.do(
                job,
                Suspend("shift_end", looks, "control room, by telephone", "Go on at the step that is due."),
                cast.lead,
            )
        elif state.due is None:
            maker.account(job, cast)
            maker.do(job, Submit(), cast.lead)
    sample_weeks.stock(maker, tags)
    sample_weeks.survey(maker, tags[1])
    sample_weeks.plans(maker, tags[:3])
    sample_weeks.suggest(maker)
    yield "two jobs in hand, one suspended, one that waits for its review; a store room; planned work"

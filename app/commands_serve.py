"""`changeout serve` and `changeout demo`: settings from options, one start, one server until it is stopped."""

import argparse
import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from app.calc.errors import Invalid
from app.domain.procedure import Role
from app.settings import Settings, database_of

if TYPE_CHECKING:
    from app.bootstrap import Running

DEMO_PEOPLE = (
    ("Ines Varga", Role.LEAD, "sample lead of the day"),
    ("Radek Nowák", Role.LEAD, "sample lead of the night"),
    ("Noor Haddad", Role.TECHNICIAN, "sample technician one"),
    ("Tomé Silva", Role.TECHNICIAN, "sample technician two"),
    ("Aiko Lindqvist", Role.SAFETY_OFFICER, "sample safety officer"),
    ("Bram Okafor", Role.ADMINISTRATOR, "sample administrator"),
)
DEMO_INSTRUMENTS: tuple[tuple[str, str, str, int, int, dict[str, str]], ...] = (
    ("PH-1", "aerosol photometer", "forward-scatter photometer on a trolley", -120, 245,
     {"floor_fraction": "0.00001", "full_scale": "120", "u_pct": "5"}),
    ("GD-1", "challenge gas detector", "gas detector with two lines", -60, 305,
     {"floor_fraction": "0.0001", "u_pct": "4"}),
    ("MM-1", "manometer", "digital micromanometer, 0 to 2500 Pa", -350, 15, {"full_scale": "2500", "u_pct": "1"}),
    ("FM-1", "air flow meter", "thermal probe for ducts", -200, 165, {"u_pct": "3"}),
    ("TW-1", "torque wrench", "click wrench, 5 to 25 N·m", -90, 275, {"u_pct": "2"}),
    ("TW-2", "torque wrench", "click wrench, 5 to 25 N·m, spare", -400, -35, {"u_pct": "2"}),
    ("CC-1", "contamination counter", "alpha and beta scintillation counter", -30, 335, {"efficiency": "0.25"}),
)  # fmt: skip
"""Id, kind, description, calibrated and due in days from today, numbers.  Invented, like all of the sample site."""
MOST_YEARS = 5
DEMO_READINGS = (
    (-340, "556", "1712", "22"), (-300, "563", "1690", "23"), (-260, "581", "1705", "24"), (-220, "588", "1688", "22"),
    (-180, "612", "1710", "20"), (-140, "618", "1684", "19"), (-100, "645", "1702", "18"), (-60, "651", "1691", "19"),
    (-20, "679", "1707", "20"),
)  # fmt: skip
"""Day from today, pressure drop in Pa, air flow in m³/h, temperature in °C, of the HEPA bank of EF-03."""
DEMO_QUALIFICATIONS = (
    ("Noor Haddad", "respirator fit test", 140), ("Tomé Silva", "respirator fit test", 25),
    ("Tomé Silva", "confined entry, attendant", -10), ("Ines Varga", "bag-out training", 400),
    ("Noor Haddad", "bag-out training", 310), ("Tomé Silva", "bag-out training", 310),
    ("Noor Haddad", "site induction", 200), ("Tomé Silva", "site induction", 200),
    ("Radek Nowák", "bag-out training", 400), ("Radek Nowák", "site induction", 90),
    ("Radek Nowák", "respirator fit test", 60),
)  # fmt: skip
"""Name, qualification, last good day from today.  Ines Varga lacks two that a change-out needs: she leads, and is
refused at the brief if she would take part in the work."""


def add_options(made: argparse.ArgumentParser, defaults: Settings) -> None:
    """Add what both commands take."""
    from pathlib import Path

    made.add_argument("--host", default=defaults.host, help="address to listen on")
    made.add_argument("--port", type=int, default=defaults.port, help="port to listen on")
    made.add_argument("--data", type=Path, default=defaults.data, help="the site's folder")
    made.add_argument("--site", default=defaults.site, help="the site's name")
    made.add_argument("--zone", default=defaults.zone, help="the site's time zone, such as Europe/Berlin")
    made.add_argument("--tls", action="store_true", help="serve HTTPS with the certificate of `changeout tls init`")
    made.add_argument(
        "--http-port", type=int, help="with --tls: open port that only sends on to HTTPS (port + 1; 0 for none)"
    )


def serve(options: argparse.Namespace) -> int:
    """Serve the site of a data folder."""
    with _collector_resting():
        from app.bootstrap import first_administrator, start

        running = start(_settings(options))
    if code := first_administrator(running):
        print("First start: sign in as “First administrator” with this one-time code and choose a secret:")
        print(f"  {code}")
    return _run(running, options)


def demo(options: argparse.Namespace) -> int:
    """Make a sample site and serve it."""
    settings = _settings(options)
    with _collector_resting():
        from app.bootstrap import ship_sample_housings, start
        from app.storage.durable import DATABASE

        if options.years and not (settings.data / DATABASE).exists():
            _make_history(settings, options.years, options.until)
        elif not options.years:
            ship_sample_housings(settings)
        running = start(settings)
    if not running.people.everyone():
        for name, role, secret in DEMO_PEOPLE:
            running.people.add(name, role, by=None, identity="made up for the sample site", secret=secret)
        issue_texts(running)
        furnish(running)
    print(f"Sample site in {settings.data.resolve()}\n")
    print("Names and secrets to try:")
    for name, role, secret in DEMO_PEOPLE:
        print(f"  {name:<16} {role.words:<15} {secret}")
    return _run(running, options)


def _make_history(settings: Settings, years: int, until: str) -> None:
    """Make the large sample site, telling how far it is.  until: the day that it ends on, today where none is given."""
    from datetime import UTC, datetime, time

    from app.domain.filling import past_day
    from app.sample_site import make_sample_site

    today = datetime.now(UTC).date()
    last = past_day(until, "--until", today) or today
    if not 1 <= years <= MOST_YEARS:
        raise Invalid(f"--years {years}: give 1 to {MOST_YEARS}.")
    if settings.database is not None:
        raise Invalid("The large sample site is made in a folder of its own; unset DATABASE_URL for it.")
    print("Making 40 housings and their history; each year takes about half a minute.", flush=True)
    make_sample_site(
        settings,
        until=datetime.combine(last, time(), UTC),
        years=years,
        people=DEMO_PEOPLE,
        say=lambda line: print(f"  {line}", flush=True),
    )


def issue_texts(running: "Running") -> None:
    """Have the sample safety officer approve the procedures, and a sample lead issue them."""
    from app.services.issuing import issue_all

    people = {item.role: item.who for item in reversed(running.people.everyone())}
    officer, lead = people[Role.SAFETY_OFFICER], people[Role.LEAD]
    issue_all(running.site.jobs, running.site.library.procedures(), approver=officer, lead=lead)


def furnish(running: "Running") -> None:
    """Enter the sample site's instruments, readings and qualifications, counted from today."""
    from datetime import timedelta

    from app.records.moments import site_day, utc_text
    from app.sample_site import LIMITS, SAMPLE_FIGURE

    registers, people = running.site.registers, {item.name: item for item in running.people.everyone()}
    today = site_day(utc_text(running.site.clock()), running.settings.zone)

    def day(days: int) -> str:
        return str(today + timedelta(days=days))

    lead, hands = people[DEMO_PEOPLE[0][0]].who, people[DEMO_PEOPLE[2][0]].who
    for name, kind, description, made, due, numbers in DEMO_INSTRUMENTS:
        typed = {"id": name, "kind": kind, "description": description, "calibrated_on": day(made), "due": day(due)}
        registers.keep_instrument(typed | numbers, by=lead).result()
    for name, low, high in LIMITS:
        running.site.watching.choose_limit(name, low, high, SAMPLE_FIGURE, by=lead).result()
    for on, drop, flow, temp in DEMO_READINGS:
        read = {"bank": "hepa", "on": day(on), "drop_pa": drop, "flow_m3_h": flow, "temp_c": temp, "instrument": "MM-1"}
        registers.take_reading("EF-03", read, by=hands).result()
    for who, what, until in DEMO_QUALIFICATIONS:
        registers.note_qualification(people[who].id, what, day(until), by=lead).result()


def _settings(options: argparse.Namespace) -> Settings:
    for port in (options.port, open_port(options) or 1):
        if not 1 <= port <= 65535:
            raise Invalid(f"The port {port} is not one from 1 to 65535.")
    if options.http_port is not None and not options.tls:
        raise Invalid("The option --http-port belongs to --tls: without it the one port is open anyway.")
    return Settings(
        data=options.data, host=options.host, port=options.port, site=options.site, zone=options.zone,
        secure_cookie=options.tls, database=database_of(os.environ),
    )  # fmt: skip


def open_port(options: argparse.Namespace) -> int:
    """Return the port that sends on to HTTPS; 0 for none."""
    if not options.tls:
        return 0
    return options.port + 1 if options.http_port is None else int(options.http_port)


@contextmanager
def _collector_resting() -> Iterator[None]:
    """Rest the garbage collector during a start: what is made then stays, and walking it took a tenth of the time."""
    from app.services.collector import work_in_longer_rounds

    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        work_in_longer_rounds()
        gc.enable()


def _run(running: "Running", options: argparse.Namespace) -> int:
    from app.storage.tls import server_file
    from app.web.serving import in_thread, listening, sends_on, serve

    settings, trust = running.settings, running.site.trust
    try:
        if options.tls and trust is None:
            raise Invalid(
                f"{settings.data} has no certificate yet: make one with `changeout tls init`, then start again."
            )
        door = listening(settings.host, settings.port)
        beside = []
        if trust is not None and (port := open_port(options)):
            names = (*trust.names, *trust.addresses)
            beside = [in_thread(sends_on(settings.port, names), listening(settings.host, port))]
        _tell(running, options)
        serve(running.app, door, certificate=str(server_file(settings.data)) if options.tls else None, beside=beside)
    finally:
        running.close()
    return 0


def _tell(running: "Running", options: argparse.Namespace) -> None:
    settings, trust = running.settings, running.site.trust
    print()
    for notice in running.site.notices:
        print(notice)
    scheme = "https" if options.tls else "http"
    if trust is not None and options.tls:
        names = ", ".join((*trust.names, *trust.addresses))
        print(f"The certificate holds for {names}, until {trust.until:%Y-%m-%d}.")
        print(f"Tablets learn to trust it at /trust. Fingerprint of the authority: {trust.authority_print}")
    print(f"\nOpen {scheme}://{settings.host}:{settings.port}/  (end with Ctrl-C)", flush=True)

"""Clocks of tablets that are wrong, step, or cross odd days change no order and no state: only the server's counts.

CHANGEOUT_CLOCKS=1000 tries more cases by hand.
"""

import os
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.events import Event, payload_of
from app.domain.history import unlawful
from app.domain.job import JobState, fold
from app.records.report import report_of
from tests.builders import EYES, HANDS
from tests.scheduling.server import Server, fresh_server
from tests.scheduling.tablets import Line, Tablet

CASES = int(os.environ.get("CHANGEOUT_CLOCKS", "40"))
YEARS_S = 10 * 366 * 86_400
BEGINNINGS = (
    datetime(2026, 10, 25, 0, 59, 30, tzinfo=UTC),  # the hour that comes twice in Berlin
    datetime(2027, 3, 28, 0, 59, 30, tzinfo=UTC),  # the hour that is left out there
    datetime(2028, 2, 28, 22, 59, 30, tzinfo=UTC),  # into the 29th of February
    datetime(2028, 2, 29, 22, 59, 30, tzinfo=UTC),  # out of it
    datetime(2026, 12, 31, 22, 59, 30, tzinfo=UTC),
)
"""Half a minute before the site's day or offset changes."""
offsets = st.one_of(
    st.integers(-YEARS_S, YEARS_S), st.sampled_from([0, 3600, -3600, 86_400, -86_400, -YEARS_S, YEARS_S])
)
turns = st.lists(st.tuples(st.integers(0, 1), st.sampled_from(["mark", "keep", "send", "wait"]), offsets), max_size=14)


def played(beginning: datetime, acts: list[tuple[int, str, int]], *, true: bool) -> Server:
    """Play the acts; before each the tablet's clock steps to its offset, or stays true."""
    server = fresh_server("Europe/Berlin")
    server.now = beginning
    tablets = [Tablet(who, f"tablet {n}", server, lambda: Line.GOOD) for n, who in enumerate((HANDS, EYES))]
    for which, act, offset_s in acts:
        tablet = tablets[which]
        tablet.clock_off = timedelta() if true else timedelta(seconds=offset_s)
        tablet.way = (lambda: Line.NEVER_ARRIVES) if act == "keep" else (lambda: Line.GOOD)
        server.now += timedelta(seconds=20)
        match act:
            case "mark" | "keep":
                tablet.mark()
            case "send":
                tablet.drain()
            case _:
                server.now += timedelta(hours=1)
    for tablet in tablets:
        tablet.way = lambda: Line.GOOD
        tablet.drain()
    return server


def without_device(event: Event) -> object:
    """What an entry says, but for what the tablet's clock said."""
    told = payload_of(event)
    device = told.get("device")
    if isinstance(device, dict):
        told["device"] = {name: device[name] for name in ("tablet", "number") if name in device}
    return told


def plain(events: tuple[Event, ...]) -> JobState:
    """The state with what speaks of clocks left out: it is for people to read and decides nothing."""
    return fold(event.model_copy(update={"device": None}) for event in events)


@settings(max_examples=CASES)
@given(beginning=st.sampled_from(BEGINNINGS), acts=turns)
def test_order_and_state_are_those_of_a_true_clock(beginning: datetime, acts: list[tuple[int, str, int]]) -> None:
    """Wrong by up to ten years, stepping at every mark, over changes of offset and leap days: nothing moves."""
    true, wrong = played(beginning, acts, true=True), played(beginning, acts, true=False)

    assert list(map(without_device, wrong.events())) == list(map(without_device, true.events()))
    assert plain(wrong.events()) == plain(true.events())
    assert wrong.state.stage == true.state.stage
    assert unlawful(wrong.events()) == ()


@settings(max_examples=max(CASES // 4, 10))
@given(beginning=st.sampled_from(BEGINNINGS), offset_s=offsets)
def test_the_record_shows_both_times_and_how_far_they_are_apart(beginning: datetime, offset_s: int) -> None:
    """The tablet's time as it said it, the server's by the site's zone, and the milliseconds between them."""
    server = played(beginning, [(0, "mark", offset_s)] * 2, true=False)

    event = server.events()[-1]
    assert event.device is not None
    assert event.device.at is not None
    report = report_of(server.state, server.events(), root="00" * 32, made_at=event.at)
    marks = [line for section in report["sections"] for step in section["steps"] for line in step["marks"]]
    entered, said = datetime.fromisoformat(event.at), datetime.fromisoformat(event.device.at)
    apart = (said - entered) // timedelta(milliseconds=1)
    assert abs(apart - offset_s * 1000) <= 5, "as far as the clock was set off, and what the playing took"
    assert any(f"tablet clock {event.device.at}, {apart} ms from the server's" in line for line in marks)
    here = entered.astimezone(ZoneInfo("Europe/Berlin"))
    offset = "+02:00" if here.dst() else "+01:00"
    assert any(f"{here:%Y-%m-%d %H:%M:%S} {offset}" in line for line in marks)

"""What is read before a housing is opened is always held against a limit, and the record says whose it is."""

from itertools import product

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Open
from app.domain.event_base import Who
from app.domain.events import JobOpened, StepOutside
from app.domain.history import unlawful
from app.domain.housing import SiteLimit
from app.domain.job import Stage
from app.domain.procedure import Procedure
from app.domain.refused import Refused
from app.domain.site import SiteState, evolve_site, site_event_from_bytes
from app.domain.site_settings import LIMITS, complain_of_limits, limit_chosen, without_own
from app.domain.watch_events import LimitChosen
from app.ledger.canonical import canonical
from app.records.site_trail import site_trail
from app.services.planning import first_entry, plan
from tests.builders import EYES, HANDS, LEAD, LIMITS_OF_TESTS, Bench, housing, procedure
from tests.domain.test_planned import SITE, moment

SOURCE = "permit 41-B, figure of the plant"
THEIRS = "the site's for housings without their own"
AT = "2026-03-02T07:00:00.000Z"


def choose(
    state: SiteState, name: str = "no_flow", low: str = "0", high: str = "0,05", source: str = SOURCE
) -> SiteState:
    """Return the site after a lead chose a limit."""
    return evolve_site(state, limit_chosen(state, moment(state), name=name, low=low, high=high, source=source))


def chosen(state: SiteState = SITE) -> SiteState:
    """Return the site with both limits."""
    return choose(choose(state), "housing_pressure", "-50", "0")


def draft(state: SiteState, tag: str = "EF-11", text: Procedure | None = None, *, rehearsal: bool = False) -> JobOpened:
    """Return the first entry of a job at this site."""
    made = plan(housing(tag), text or procedure(), "0" * 64)
    return first_entry(made, site=state, by=LEAD, at=AT, crew=(HANDS, EYES), rehearsal=rehearsal)


def working(state: SiteState, tag: str = "EF-11") -> Bench:
    """Return a job opened at this site, its crew briefed."""
    first = draft(state, tag)
    complain_of_limits(first)
    bench = Bench(ledger=first.ledger)
    bench.do(Open(first), LEAD)
    bench.brief(HANDS, EYES)
    return bench


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"name": "no_flaw"}, "no limit 'no_flaw'"),
        ({"low": " "}, "Lowest value: nothing was given"),
        ({"high": ""}, "Highest value: nothing was given"),
        ({"high": "little"}, "cannot be read as a number"),
        ({"low": "1"}, "is above the highest"),
        ({"source": "no"}, "2 characters were given"),
    ],
)
def test_a_limit_has_both_its_ends_and_a_source(given: dict[str, str], told: str) -> None:
    """What is missing or wrong is told in a sentence, and nothing is entered."""
    with pytest.raises(Invalid, match=told):
        choose(SITE, **given)


def test_a_limit_that_holds_already_is_no_entry_and_another_source_is_one() -> None:
    """The source belongs to the limit."""
    state = choose(SITE)

    with pytest.raises(Invalid, match="holds already"):
        choose(state)
    assert choose(state, source="survey of 2026").watch.limits["no_flow"].basis == "survey of 2026"


def test_the_entry_reads_back_from_bytes_and_says_what_was_and_what_is() -> None:
    """With both ends and both sources."""
    first = limit_chosen(SITE, moment(SITE), name="no_flow", low="0", high="0.05", source=SOURCE)
    state = evolve_site(SITE, first)
    second = limit_chosen(state, moment(state), name="no_flow", low="0", high="0.1", source="survey of 2026")

    lines = list(site_trail([first, second], "UTC", state.watch))

    for event in (first, second):
        assert site_event_from_bytes(canonical(event.model_dump(mode="json", exclude_none=True))) == event
    assert isinstance(second, LimitChosen)
    assert [line.kind for line in lines] == ["settings", "settings"]
    assert lines[0].sentence.endswith(f"was none, now 0 to 0.05 m/s ({SOURCE}).")
    assert lines[1].sentence.endswith(f"was 0 to 0.05 m/s ({SOURCE}), now 0 to 0.1 m/s (survey of 2026).")


@pytest.mark.parametrize(("own", "texts", "sites"), list(product((False, True), repeat=3)))
def test_the_nearest_limit_holds_and_without_any_no_job_is_opened(*, own: bool, texts: bool, sites: bool) -> None:
    """The housing's before the procedure's before the site's, at every step that reads it, ways out and door too."""
    limits = {whose: SiteLimit(low="-1", high="1", unit="Pa", basis=whose) for whose in ("own", "text", "site")}
    there, text = housing("EF-11"), procedure()
    if own:
        there = there.model_copy(update={"limits": {**there.limits, "housing_pressure": limits["own"]}})
    if texts:
        text = text.model_copy(update={"limits": {**text.limits, "housing_pressure": limits["text"]}})
    state = choose(choose(SITE), "housing_pressure", "-1", "1", "site") if sites else choose(SITE)

    made = plan(there, text, "0" * 64)
    first = first_entry(made, site=state, by=LEAD, at=AT, crew=(HANDS, EYES), rehearsal=False)

    ways = [step for way in first.ways_out or () for step in way.steps]
    read = [
        asked.limit for step in (*first.steps, *ways) for asked in step.asks if asked.ask.limit == "housing_pressure"
    ]
    whose = "own" if own else "text" if texts else f"{THEIRS}: site" if sites else None
    assert len(read) == 3  # before the first door, and in the way out of each of two banks
    assert {limit.basis if limit else None for limit in read} == {whose}
    assert first.repeated is not None
    assert (first.repeated.limit.basis if first.repeated.limit else None) == whose
    lacking = {setting.name for setting in without_own(there, text)}
    assert lacking == {"no_flow"} | (set() if own or texts else {"housing_pressure"})
    if whose is None:
        with pytest.raises(Refused, match="EF-11 has no limit of its own for the pressure of the housing"):
            complain_of_limits(first)
    else:
        complain_of_limits(first)


def test_a_rehearsal_opens_nothing_and_needs_no_limit() -> None:
    """Texts are rehearsed before the site has chosen anything."""
    complain_of_limits(draft(SITE, rehearsal=True))
    with pytest.raises(Refused, match="nor for the pressure"):
        complain_of_limits(draft(SITE))


def test_the_first_entry_holds_what_held_and_a_housing_with_limits_of_its_own_is_as_it_was() -> None:
    """A limit chosen later changes no job that is open."""
    first = draft(chosen())

    assert set(LIMITS) <= set(first.housing.limits)
    assert draft(chosen(), "EF-03").housing == housing("EF-03")
    assert draft(chosen(), "EF-03").steps == draft(SITE, "EF-03").steps


@pytest.mark.parametrize(
    ("name", "ask", "value"), [("verify/pressure", "pressure", "3"), ("verify/isolation", "flow", "0.4")]
)
@pytest.mark.parametrize("tag", ["EF-07", "EF-11"])
def test_a_reading_beyond_the_sites_limit_stops_the_job_with_its_reason_preset(
    tag: str, name: str, ask: str, value: str
) -> None:
    """At a housing that has none of its own; the entry says whose limit it was, and where that comes from."""
    bench = working(chosen(), tag)
    bench.run_to(name)
    by: Who = HANDS
    if bench.state.due is not None and bench.state.due.marks == 2:
        (begin, by), *_ = bench.due_commands()
        bench.do(begin, by)

    outside, _ = bench.answer({ask: value}, by)

    assert isinstance(outside, StepOutside)
    judged = next(item for item in outside.evidence.judged if item.ask == ask)
    assert judged.verdict == "outside"
    assert judged.basis == ("site value" if (tag, ask) == ("EF-07", "pressure") else f"{THEIRS}: {SOURCE}")
    assert bench.state.stage is Stage.STOPPED
    assert bench.state.stop is not None
    assert bench.state.stop.reason == "unexpected"
    assert unlawful(bench.events) == ()


def test_the_limits_of_the_tests_are_of_those_that_a_site_may_choose() -> None:
    """Name and unit, so that every site of the tests stands as one that people have set up."""
    assert {name: limit.unit for name, limit in LIMITS_OF_TESTS.items()} == {
        name: setting.unit for name, setting in LIMITS.items()
    }

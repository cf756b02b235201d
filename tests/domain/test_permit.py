"""A permit that has run out releases nothing until its date is put right; a record that shows otherwise is found."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from app.domain.commands import Correct, Finish, Release
from app.domain.crew import Part
from app.domain.events import HoldReleased
from app.domain.history import unlawful
from app.domain.radio import HoldReleasedByRadio, ReleaseByRadio
from app.domain.refused import Refused
from app.services.rehearsal import made_up_answers
from tests.builders import HANDS, LEAD, OFFICER, OTHER_LEAD, START, Bench, opened


def under_permit(until: str) -> Bench:
    """A job whose permit is good until this day, at the safety officer's hold point."""
    bench = opened()
    bench.run_to("agree/ppe")
    due = bench.state.due
    assert due is not None
    bench.do(Finish(due.id, made_up_answers(due) | {"permit-until": until}), HANDS)
    assert bench.state.due is not None
    assert bench.state.due.kind == "hold"
    return bench


def test_the_last_day_of_a_permit_still_counts() -> None:
    """Good until the end of a day means that day, too; the day before it is over."""
    today = START.date().isoformat()
    bench = under_permit(today)
    assert bench.state.due is not None

    (event,) = bench.do(Release(bench.state.due.id), OFFICER)

    assert isinstance(event, HoldReleased)
    assert bench.state.permit_until == date.fromisoformat(today)


def test_a_permit_that_has_run_out_releases_nothing_until_it_is_renewed() -> None:
    """Refused, worth an entry; after the date is corrected the same hold point is released."""
    bench = under_permit("2026-03-01")
    due = bench.state.due
    assert due is not None
    with pytest.raises(Refused, match="was good until 2026-03-01 and today is 2026-03-02") as refused:
        bench.do(Release(due.id), OFFICER)
    ppe = bench.state.steps[bench.state.index[due.id] - 1]
    bench.do(Correct(ppe.id, "permit-until", "2026-03-09", "renewed, permit 41-B"), HANDS)

    (event,) = bench.do(Release(due.id), OFFICER)

    assert refused.value.logged
    assert isinstance(event, HoldReleased)


def test_a_permit_that_has_run_out_releases_nothing_by_voice_either() -> None:
    """A hold that may be released by radio waits for the permit, too; on its last day it does not."""
    midnight = datetime.combine(START.date() + timedelta(days=1), time(), UTC)
    bench = under_permit(START.date().isoformat())
    bench.run_to("close/release")
    takes = bench.now - START
    bench = under_permit(START.date().isoformat())
    bench.now = midnight - takes - timedelta(minutes=2)
    bench.run_to("close/release")
    bench.brief(OTHER_LEAD, part=Part.RELEASE)
    assert bench.state.due is not None
    spoken = ReleaseByRadio(bench.state.due.id, OTHER_LEAD, "EF-03", "P1", confirmed=True)
    evening, bench.now = bench.now, midnight + timedelta(minutes=1)
    with pytest.raises(Refused, match="was good until 2026-03-02 and today is 2026-03-03"):
        bench.do(spoken, LEAD)
    bench.now = evening

    (event,) = bench.do(spoken, LEAD)
    assert isinstance(event, HoldReleasedByRadio)


def test_a_record_that_released_under_an_old_permit_is_unlawful() -> None:
    """The same entries with another permit date are found by the check of the order of work."""
    bench = under_permit("2026-03-09")
    bench.run_to("isolate/verify/release")
    events = list(bench.events)
    place = next(number for number, event in enumerate(events) if "permit-until" in str(event) and number)
    told = events[place].model_dump_json().replace("2026-03-09", "2026-03-01")
    events[place] = type(events[place]).model_validate_json(told)

    assert unlawful(bench.events) == ()
    assert "permit had run out on 2026-03-01" in unlawful(events)[0]

"""Evidence: numbers entered twice, instruments in calibration, dates; what is refused leaves a trace."""

from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.computing import Setting
from app.domain.event_base import Evidence
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.judging import EntriesDiffer, evidence_from
from app.domain.refused import Refused
from app.domain.steps import Step
from app.services.rehearsal import made_up_answers
from tests.builders import opened, procedure

TODAY = date(2026, 3, 2)


def instrument(due: date, kind: InstrumentKind = InstrumentKind.PHOTOMETER) -> Instrument:
    """A photometer whose calibration is due on this day."""
    return Instrument(id="PH-1", kind=kind, description="photometer", calibrated_on=date(2025, 3, 1), due=due)


def leak_step() -> Step:
    """The leak test of the sample housing."""
    return next(step for step in opened("EF-03").state.steps if step.computes == "leak_test")


def judged(due: date = TODAY, kind: InstrumentKind = InstrumentKind.PHOTOMETER, **changed: str) -> Evidence:
    """Judge good answers to the leak test with these changed, under PH-1 with this due day."""
    step = leak_step()
    answers = made_up_answers(step) | {"photometer": "PH-1"}
    answers |= {name.replace("_again", ".again").replace("_", "-"): text for name, text in changed.items()}
    return evidence_from(step, answers, "", Setting(TODAY, {"PH-1": instrument(due, kind)}))


def test_an_instrument_is_good_on_its_due_day_and_kept_as_it_was() -> None:
    """The due day itself is covered; the evidence keeps the register's entry."""
    evidence = judged()

    assert evidence.instruments == (instrument(TODAY),)
    assert evidence.result is not None
    assert evidence.result.within


@pytest.mark.parametrize(
    ("due", "kind", "name", "says"),
    [
        (date(2026, 3, 1), InstrumentKind.PHOTOMETER, "PH-1", "was due on 2026-03-01"),
        (TODAY, InstrumentKind.MANOMETER, "PH-1", "needed: aerosol photometer"),
        (TODAY, InstrumentKind.PHOTOMETER, "PH-9", "no instrument 'PH-9'"),
    ],
)
def test_an_instrument_that_may_not_be_used_is_refused_and_noted(
    due: date, kind: InstrumentKind, name: str, says: str
) -> None:
    """Out of calibration, of another kind, or unknown: no evidence comes of it, and the refusal is worth an entry."""
    with pytest.raises(Refused, match=says) as refused:
        judged(due, kind, photometer=name)

    assert refused.value.logged


def test_two_entries_that_differ_are_refused_without_telling_either() -> None:
    """The sentence holds neither number, so that the second is not made to fit; both are there to be kept."""
    with pytest.raises(EntriesDiffer, match="the two entries differ") as refused:
        judged(downstream="0.0085", downstream_again="0.0058")

    assert refused.value.pairs == (("downstream", "0.0085", "0.0058"),)
    assert "0.00" not in str(refused.value)


def test_two_entries_agree_as_numbers() -> None:
    """0.0085 and 0.00850 are the same number; the first is kept, marked as entered twice."""
    evidence = judged(downstream="0.0085", downstream_again="0,00850")

    assert (evidence.answers["downstream"].text, evidence.answers["downstream"].twice) == ("0.0085", True)
    assert evidence.answers["photometer"].twice is None


def smear_step() -> Step:
    """The first smear of the sample housing."""
    return next(step for step in opened("EF-03").state.steps if step.computes == "smear")


def test_every_reading_that_decides_is_entered_twice_whatever_the_text_says() -> None:
    """Of a leak test what is read before, in and after it; of a smear its counts; a job in hand asks as it did."""
    asked = {
        step.computes: {item.ask.id for item in step.asks if item.ask.twice} for step in (leak_step(), smear_step())
    }
    written = {ask.id for _, step in procedure().written() if step.computes in asked for ask in step.asks if ask.twice}

    assert asked == {
        "leak_test": {"background", "upstream", "downstream", "upstream-after"}, "smear": {"gross", "background"}
    }  # fmt: skip
    assert written == {"upstream", "downstream"}
    before = leak_step().model_copy(update={"asks": tuple(
        item.model_copy(update={"ask": item.ask.model_copy(update={"twice": False})}) for item in leak_step().asks
    )})  # fmt: skip
    once = {"photometer": "PH-1", "background": "0.0010", "upstream": "25.0", "downstream": "0.0085"}
    assert evidence_from(before, once, "", Setting(TODAY, {"PH-1": instrument(TODAY)})).within


@pytest.mark.parametrize("name", ["background", "upstream", "downstream"])
def test_a_slip_in_any_reading_that_decides_is_found(name: str) -> None:
    """One digit typed otherwise the second time."""
    step = leak_step()
    answers = made_up_answers(step) | {"photometer": "PH-1", f"{name}.again": "7.7"}

    with pytest.raises(EntriesDiffer) as refused:
        evidence_from(step, answers, "", Setting(TODAY, {"PH-1": instrument(TODAY)}))

    assert [ask for ask, _, _ in refused.value.pairs] == [name]


def test_a_reading_that_may_be_left_out_is_entered_twice_or_not_at_all() -> None:
    """Upstream after the test: in one field alone it is refused, whichever field that is."""
    assert judged().within
    assert judged(upstream_after="25.1", upstream_after_again="25.10").answers["upstream-after"].twice
    with pytest.raises(Invalid, match="entered twice"):
        judged(upstream_after="25.1")
    with pytest.raises(Invalid, match="only its second entry"):
        judged(upstream_after_again="25.1")
    with pytest.raises(EntriesDiffer):
        judged(upstream_after="25.1", upstream_after_again="52.1")


def test_a_missing_second_entry_is_asked_for() -> None:
    """One entry of a number that decides is not enough."""
    with pytest.raises(Invalid, match="entered twice"):
        judged(downstream_again=" ")


@pytest.mark.parametrize("text", ["2026-02-30", "02.03.2026", "20260302", "yesterday"])
def test_what_is_no_date_is_refused_with_an_example(text: str) -> None:
    """Only a calendar day, year first, is a date."""
    step = next(step for step in opened("EF-03").state.steps if step.computes == "filter_age")
    answers = made_up_answers(step) | {"made": text}

    with pytest.raises(Invalid, match="such as 2026-03-31"):
        evidence_from(step, answers, "", Setting(TODAY))


@pytest.mark.parametrize("text", ["999999999999", "10001", "-1", "1.5"])
def test_an_implausible_count_of_pieces_is_refused(text: str) -> None:
    """Pieces are whole numbers up to this program's bound; the sentence says whose bound it is."""
    step = next(step for step in opened("EF-03").state.steps if any(asked.ask.unit == "pcs" for asked in step.asks))
    asked = next(asked.ask.id for asked in step.asks if asked.ask.unit == "pcs")

    with pytest.raises(Invalid, match="this program's bound"):
        evidence_from(step, made_up_answers(step) | {asked: text}, "", Setting(TODAY, {}))


def test_a_reading_beyond_every_instrument_is_refused() -> None:
    """A billion is the most that any reading may be, in whatever unit."""
    with pytest.raises(Invalid, match="beyond 1000000000"):
        judged(upstream="1000000001")


def test_a_label_that_a_neighbour_could_read_is_not_enough_at_a_step_of_one_mark_either() -> None:
    """The end of a label that stands on a look-alike as well is refused; the whole label is taken."""
    step = next(step for step in opened().state.steps if step.id == "isolate/shut/upstream")
    step = step.model_copy(update={"marks": 1})
    near = Setting(TODAY, neighbours=("XD-301",))

    with pytest.raises(Refused, match="is not what its label reads"):
        evidence_from(step, {"label": "-301"}, "", near)
    whole = evidence_from(step, {"label": "D-301"}, "", near)

    assert whole.answers["label"].text == "D-301"

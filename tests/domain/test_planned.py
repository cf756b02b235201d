"""Planned work: what may be planned, changed and dropped, and what the plans are after any entries."""

from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.planned import NO_PLANS, PlanChanged, PlanDropped
from app.domain.readying import prepared
from app.domain.registers import SiteMoment
from app.domain.scheduling import complain_of_plan, plan_changed, plan_dropped, work_planned
from app.domain.site import JobRegistered, SiteEvent, SiteState, evolve_site, fold_site, site_event_from_bytes
from app.domain.store import KitSettled, KitStaged
from app.ledger.canonical import canonical
from app.services.planning import first_entry, plan
from tests.builders import EYES, HANDS, KEEPER, LEAD, OFFICER, OTHER_LEAD, PEOPLE, housing, procedure

WHO = {who.id: who for who in PEOPLE}
TYPED = {
    "housing": "EF-03", "procedure": "change-out", "begins": "2026-03-09T07:30", "ends": "2026-03-09T15:00",
    "lead": "lead", "why": "pressure drop near its limit",
}  # fmt: skip
SITE = SiteState(zone="Europe/Berlin")
AT_ITS_HOUR = "2026-03-09T06:30:00.000Z"


def moment(state: SiteState) -> SiteMoment:
    """Return the next place in the ledger, on the told day."""
    return SiteMoment(seq=state.size, at="2026-03-02T08:00:00.000Z", today=date(2026, 3, 2), by=LEAD)


def planning(state: SiteState, *crew: str, **changes: str) -> SiteState:
    """Return the site after one plan more."""
    made = work_planned(
        state, moment(state), typed=TYPED | changes, crew=crew or ("hands",), people=WHO, housings=("EF-03", "EF-07"),
        procedures=("change-out", "first-fit-out"),
    )  # fmt: skip
    return evolve_site(state, made)


def changing(state: SiteState, *crew: str, **changes: str) -> PlanChanged:
    """Return the entry of a change of the first plan."""
    typed = TYPED | {"reason": "the fan is needed"} | changes
    return plan_changed(
        state,
        moment(state),
        plan="PL-0001",
        typed=typed,
        crew=crew or ("hands",),
        people=WHO,
        procedures=("change-out",),
    )


def dropping(state: SiteState) -> PlanDropped:
    """Return the entry that drops the first plan."""
    return plan_dropped(state, moment(state), plan="PL-0001", reason="the line stays on")


def registered(state: SiteState, name: str | None) -> JobRegistered:
    """Return the entry of a job opened from a plan."""
    return JobRegistered(
        seq=state.size, at="2026-03-09T06:30:00.000Z", by=LEAD, job="job-2026-0001", number="2026-0001",
        housing="EF-03", kind="change_out", root="ab" * 32, plan=name,
    )  # fmt: skip


def test_work_is_planned_under_numbers_that_rise() -> None:
    """Each plan stands as it was typed, waits, and knows everybody who was ever named."""
    state = planning(planning(SITE), "eyes", "hands", housing="EF-07")

    assert sorted(state.planned) == ["PL-0001", "PL-0002"]
    first, second = (state.planned[name] for name in ("PL-0001", "PL-0002"))
    assert (first.housing, first.procedure, first.begins) == ("EF-03", "change-out", "2026-03-09T07:30")
    assert first.waits
    assert second.intent.crew == ("eyes", "hands")
    assert second.once == {"lead", "eyes", "hands"}
    assert second.intent.people == ("lead", "eyes", "hands")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"housing": "EF-99"}, "no housing 'EF-99'"),
        ({"procedure": "paint"}, "no procedure 'paint'"),
        ({"begins": "tomorrow"}, "Begins: 'tomorrow' is not a day and a time"),
        ({"begins": "2026-03-09T24:30"}, "24:30 is no time of a day"),
        ({"begins": "2026-02-30T07:30"}, "Begins: '2026-02-30' is not a date"),
        ({"begins": "2099-03-09T07:30"}, "more than 10 years"),
        ({"begins": "2026-03-29T02:30"}, "never shows 2026-03-29 02:30"),
        ({"begins": "2026-03-09T15:00"}, "It ends 2026-03-09 15:00, not after it begins"),
        ({"ends": "2026-04-09T07:31"}, "longer than 31 days (this program's bound)"),
        ({"begins": "2026-03-01T07:30"}, "today is 2026-03-02 already"),
        ({"lead": "hands"}, "Noor Haddad is no lead here"),
        ({"lead": "nobody"}, "'nobody' is no lead here"),
        ({"why": "x"}, "Why the work is planned: 1 characters were given"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_one_sentence(changes: dict[str, str], told: str) -> None:
    """Each says what was given, what is wrong with it, and what to do."""
    with pytest.raises(Invalid) as refused:
        planning(SITE, **changes)
    assert told in str(refused.value)


@pytest.mark.parametrize(("crew", "told"), [
    (("keeper",), "Bram Okafor does no work at housings"), (("ghost",), "'ghost' does no work"),
])  # fmt: skip
def test_the_crew_works_here(crew: tuple[str, ...], told: str) -> None:
    """An administrator touches no housing, and neither does somebody unknown."""
    with pytest.raises(Invalid, match=told):
        planning(SITE, *crew)


def test_a_crew_has_an_end() -> None:
    """Thirteen people, known every one of them, are more than a plan takes."""
    many = {f"t{n}": HANDS.model_copy(update={"id": f"t{n}"}) for n in range(13)}
    with pytest.raises(Invalid, match="The crew has 13 people"):
        work_planned(
            SITE, moment(SITE), typed=TYPED, crew=tuple(many), people=WHO | many, housings=("EF-03",),
            procedures=("change-out",),
        )  # fmt: skip


def test_a_form_sent_twice_plans_once() -> None:
    """The second finds the first; a plan that was dropped may be made anew."""
    state = planning(SITE)
    with pytest.raises(Invalid, match="PL-0001 stands just so"):
        planning(state)
    assert len(planning(evolve_site(state, dropping(state))).planned) == 2


def test_a_change_gives_every_value_anew_with_its_reason() -> None:
    """Whoever is no longer named stays known; a change that changes nothing is refused, and so is one without why."""
    state = planning(SITE)
    changed = changing(state, "eyes", ends="2026-03-09T16:00", lead="other-lead")
    plan_now = evolve_site(state, changed).planned["PL-0001"]

    assert (plan_now.ends, plan_now.intent.people) == ("2026-03-09T16:00", ("other-lead", "eyes"))
    assert plan_now.once == {"lead", "hands", "other-lead", "eyes"}
    assert plan_now.entries == 2
    assert [item.reason for item in plan_now.changes] == ["the fan is needed"]
    for changes, told in (({}, "Nothing was changed"), ({"ends": "2026-03-09T16:00", "reason": ""}, "Why it is")):
        with pytest.raises(Invalid, match=told):
            changing(state, **changes)


def test_a_plan_whose_day_has_come_may_still_be_lengthened() -> None:
    """Only a new beginning must lie ahead."""
    state = planning(SITE)
    late = SiteMoment(seq=1, at="2026-03-10T08:00:00.000Z", today=date(2026, 3, 10), by=LEAD)
    typed = TYPED | {"reason": "a part is missing", "ends": "2026-03-11T15:00"}
    done = plan_changed(state, late, plan="PL-0001", typed=typed, crew=(), people=WHO, procedures=("change-out",))
    assert done.ends == "2026-03-11T15:00"


def test_what_was_dropped_or_opened_changes_no_more() -> None:
    """Both say so, and so does a number that was never given."""
    state = planning(SITE)
    for after, told in (
        (evolve_site(state, dropping(state)), "PL-0001 was dropped: the line stays on"),
        (evolve_site(state, registered(state, "PL-0001")), "Job 2026-0001 was opened from PL-0001"),
        (SITE, "no planned work 'PL-0001'"),
    ):
        for entry in (changing, dropping):
            with pytest.raises(Invalid, match=told):
                entry(after)
        assert not any(item.waits for item in after.planned.values())


def test_a_plan_is_not_dropped_while_its_kit_stands_staged() -> None:
    """It would lock what was put aside in silence; once that has been put back it is dropped."""
    state = planning(SITE)
    kit = KitStaged(seq=state.size, at="2026-03-02T08:00:00.000Z", by=HANDS, job="PL-0001", lines=())
    staged = evolve_site(state, kit)
    back = KitSettled(seq=staged.size, at=kit.at, by=HANDS, job="PL-0001", back=(), used={})

    with pytest.raises(Invalid, match=r"A kit stands staged for PL-0001\. Put it back"):
        dropping(staged)

    assert evolve_site(state, dropping(state)).planned["PL-0001"].dropped
    settled = evolve_site(staged, back)
    assert evolve_site(settled, dropping(settled)).planned["PL-0001"].dropped


def test_a_job_is_opened_from_its_own_plan_only() -> None:
    """Another housing or procedure is refused, and without a plan nothing is asked."""
    state = planning(SITE)
    draft = first_entry(
        plan(housing(), procedure(), "ab" * 32), site=state, by=LEAD, at=AT_ITS_HOUR, crew=(HANDS, EYES),
        rehearsal=False, prepared=prepared(state, "PL-0001", housing(), "an alarm", at=AT_ITS_HOUR),
    )  # fmt: skip
    complain_of_plan(state, draft)
    complain_of_plan(SITE, draft.model_copy(update={"prepared": None}))
    with pytest.raises(Invalid, match="PL-0001 is for change-out on EF-07, not for change-out on EF-03"):
        complain_of_plan(planning(SITE, housing="EF-07"), draft)
    with pytest.raises(Invalid, match="not for first-fit-out on EF-03"):
        complain_of_plan(state, draft.model_copy(update={"procedure": "first-fit-out"}))
    with pytest.raises(Invalid, match="was opened from PL-0001"):
        complain_of_plan(evolve_site(state, registered(state, "PL-0001")), draft)


def test_plans_read_back_from_bytes_and_old_jobs_have_none() -> None:
    """What the ledger keeps folds to the same plans; a job opened without one keeps the bytes it always had."""
    state = planning(SITE)
    made = work_planned(
        SITE, moment(SITE), typed=TYPED, crew=("hands",), people=WHO, housings=("EF-03",), procedures=("change-out",)
    )
    events: list[SiteEvent] = [made, changing(state, why="sooner"), registered(state, "PL-0001")]
    kept = [canonical(item.model_dump(mode="json", exclude_none=True)) for item in events]

    assert fold_site(map(site_event_from_bytes, kept), SITE) == fold_site(events, SITE)
    assert b"plan" not in canonical(registered(state, None).model_dump(mode="json", exclude_none=True))
    assert fold_site(events, SITE).jobs.newest(1)[0].plan == "PL-0001"
    assert fold_site([dropping(state), changing(state, why="sooner")], SITE).planned == NO_PLANS
    assert {OFFICER.id, OTHER_LEAD.id, KEEPER.id} <= set(WHO)

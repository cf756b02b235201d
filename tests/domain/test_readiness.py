"""Readiness: what applies to which service, what may be said of an item by whom, what follows from it, who agrees."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from types import MappingProxyType

import pytest

from app.calc.errors import ChangeoutError, Invalid, OutOfRange
from app.domain.event_base import Who
from app.domain.events import JobOpened
from app.domain.housed_events import DifferenceAnswered, Seen, SurveyTaken
from app.domain.housing import Service
from app.domain.job import JobState
from app.domain.planned import NO_PLANS, PlanChanged, PlanDropped, Planned
from app.domain.procedure import Role
from app.domain.readiness import Item, ReadinessAgreed, Standing
from app.domain.readiness_fit import no_longer_fits
from app.domain.readiness_items import applies, fields_of, is_ready, owed_by, read_fields, still_open
from app.domain.readiness_sums import Setting, computed
from app.domain.readying import (
    complain_of_readiness,
    item_answered,
    item_named,
    item_not_needed,
    item_opened_again,
    item_owed,
    prepared,
    readiness_agreed,
    unready_sentence,
)
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.signing import READY
from app.domain.site import SiteEvent, SiteState, evolve_site, fold_site, site_event_from_bytes
from app.ledger.canonical import canonical
from app.records.trail import sentence_of
from app.records.wording import prepared_words
from app.services.jobs import UNREADY, findings_of
from app.services.planning import first_entry, plan
from tests.builders import EYES, HANDS, LEAD, NEEDS, OFFICER, OTHER_LEAD, PEOPLE, QUALIFIED, housing, procedure
from tests.domain.test_planned import AT_ITS_HOUR, SITE, planning, registered

WHO = {who.id: who for who in PEOPLE}
TODAY = date(2026, 3, 2)
ANSWERS: dict[Item, dict[str, str]] = {
    Item.WINDOW: {"agreed": "control room, 27 February"},
    Item.PERMIT: {"number": "P-4711", "kind": "containment entry", "until": "2026-03-09"},
    Item.PPE: {"clothing": "coverall, two pairs of gloves", "mask": "full-facepiece", "rules": "10cfr20",
               "basis": "RA-17"},
    Item.SPACE: {"enter": "no", "exit": "yes", "occupied": "no", "reasoning": "worked through the bag"},
    Item.DECON: {"method": "vapour", "contact": "35 % for 40 min, VAL-3", "on": "2026-03-09", "who": "A. Lin",
                 "evidence": "BI-22"},
    Item.LIFT: {"weight_kg": "31", "who": "two people, lift table"},
    Item.WASTE: {"taker": "waste house, 10 March", "container": "drum", "papers": "W-9"},
    Item.PEOPLE: {"medical": "all cleared", "induction": "none left"},
}  # fmt: skip
DOSES = {"group": "beta-gamma", "stop_at": "500", "allowed": "1", "received": "0.25", "rate": "0.5",
         "dose_unit": "mSv"}  # fmt: skip
OTHERS = {"stop_at": "10 µg/m³", "basis": "site OEL 7", "measured": "pump at the ring"}


def answers(item: Item, service: Service) -> dict[str, str]:
    """Return a good answer to an item."""
    if item is Item.LIMITS:
        return DOSES if service is Service.RADIOACTIVE else OTHERS
    return ANSWERS[item]


def by(state: SiteState, who: Who | None, day: date = TODAY) -> SiteMoment:
    """Return the next place in the ledger, for somebody."""
    return SiteMoment(seq=state.size, at=f"{day}T08:00:00.000Z", today=day, by=who)


def answering(
    state: SiteState, item: Item, who: Who = OFFICER, service: Service = Service.RADIOACTIVE,
    typed: Mapping[str, str] = MappingProxyType({}),
) -> SiteState:  # fmt: skip
    """Return the site after one answer."""
    made = item_answered(
        state, by(state, who), plan="PL-0001", item=item, service=service, typed={**answers(item, service), **typed},
        people=WHO, needs=NEEDS,
    )  # fmt: skip
    return evolve_site(state, made)


def answered(service: Service = Service.RADIOACTIVE) -> SiteState:
    """Return a site whose one plan has every item answered."""
    state = planning(SITE)
    for item in applies(service):
        state = answering(state, item, service=service)
    return state


def surveyed(state: SiteState, **found: str) -> SiteState:
    """Return the site after a survey of the plan's housing found this at points named with _ for the dot."""
    seen = tuple(
        Seen(point=name.replace("_", "."), label=name.replace("_", " of "), register_has="old", found=text)
        for name, text in found.items()
    )
    return evolve_site(
        state,
        SurveyTaken(seq=state.size, at="2026-03-03T08:00:00.000Z", by=HANDS, housing="EF-03", seen=seen, meaning="m",
                    local_time="2026-03-03 09:00", proof="p"),
    )  # fmt: skip


def settled_by_lead(state: SiteState, entry: int, point: str, outcome: str) -> SiteState:
    """Return the site after a lead has answered a difference."""
    head = {"seq": state.size, "at": "2026-03-04T08:00:00.000Z", "by": LEAD, "reason": "looked"}
    return evolve_site(state, DifferenceAnswered(entry=entry, point=point, outcome=outcome, **head))


@pytest.mark.parametrize(
    ("point", "items"),
    [
        ("filters_P1", {Item.WINDOW, Item.LIFT, Item.WASTE}), ("type_P1", {Item.LIFT, Item.WASTE}),
        ("bag_P1", {Item.WASTE}), ("ring_P1", {Item.WASTE}), ("clamp_P1", set()),
        ("isolation_fan", {Item.WINDOW, Item.PERMIT}), ("upstream", {Item.WINDOW, Item.PERMIT}),
        ("location", set()), ("serial_P1_1", set()),
    ],
)  # fmt: skip
def test_a_survey_opens_what_was_answered_of_a_housing_it_found_otherwise(point: str, items: set[Item]) -> None:
    """By what the point concerns; what is not needed and another housing's plan stay as they are."""
    before = answered()
    after = surveyed(before, **{point: "new"})

    assert set(still_open(after.planned["PL-0001"], Service.RADIOACTIVE)) == items
    assert (after.planned["PL-0001"].entries > before.planned["PL-0001"].entries) == bool(items)
    for item in items:
        told = no_longer_fits(after.planned["PL-0001"], item)
        assert told.startswith("The survey of 2026-03-03 found “new” for ")
        assert told.endswith(", where the register had “old”.")


def test_what_a_survey_left_behind_fits_when_the_register_is_right_or_when_it_is_answered_again() -> None:
    """“Register changed” settles nothing: the answer was for the housing as it was entered before."""
    start = answered()
    found = surveyed(start, bag_P1="700", type_P1="610")
    entry = start.size

    def plan_of(state: SiteState) -> Planned:
        return state.planned["PL-0001"]

    right = settled_by_lead(
        settled_by_lead(found, entry, "bag.P1", "register right"), entry, "type.P1", "register right"
    )
    changed = settled_by_lead(found, entry, "bag.P1", "register changed")
    half = settled_by_lead(found, entry, "bag.P1", "register right")
    again = answering(answering(changed, Item.WASTE), Item.LIFT)

    left = [set(still_open(plan_of(state), Service.RADIOACTIVE)) for state in (right, changed, half, again)]
    assert left == [set(), {Item.WASTE, Item.LIFT}, {Item.WASTE, Item.LIFT}, set()]
    assert plan_of(right).readiness == plan_of(start).readiness
    assert plan_of(surveyed(start, bag_P1="700", bag_P2="700")).left != ()


def test_an_answer_given_after_the_survey_and_one_not_needed_are_not_left_behind() -> None:
    """Whoever answers after the survey has read it on the plan."""
    state = surveyed(planning(SITE), bag_P1="700")
    assert Item.WASTE not in still_open(answering(state, Item.WASTE).planned["PL-0001"], Service.RADIOACTIVE)

    reason = item_not_needed(
        state, by(state, OFFICER), plan="PL-0001", item=Item.WASTE, service=Service.RADIOACTIVE, reason="none is made"
    )
    unneeded = surveyed(evolve_site(state, reason), bag_P1="710")
    assert Item.WASTE not in still_open(unneeded.planned["PL-0001"], Service.RADIOACTIVE)


def signing(
    state: SiteState, who: Who | None, service: Service = Service.RADIOACTIVE, seen: str | None = None
) -> SiteState:
    """Return the site after one signature."""
    newest = str(state.planned["PL-0001"].readiness.newest) if state.planned and seen is None else seen or ""
    made = readiness_agreed(
        state, by(state, who), plan="PL-0001", service=service, seen=newest, local_time="then", both=True,
        people=WHO, needs=NEEDS,
    )  # fmt: skip
    return evolve_site(state, made)


def agreed(service: Service = Service.RADIOACTIVE) -> SiteState:
    """Return a site whose one plan is agreed."""
    return signing(signing(answered(service), LEAD, service), OFFICER, service)


def one(state: SiteState) -> Planned:
    """Return the one plan."""
    return state.planned["PL-0001"]


def setting(state: SiteState, service: Service = Service.RADIOACTIVE) -> Setting:
    """Return what an answer is looked at against."""
    return Setting(one(state), service, TODAY)


def test_what_applies_follows_from_the_service() -> None:
    """Decontamination for what lives or is potent, limits where there is something to measure."""
    assert Item.DECON not in applies(Service.RADIOACTIVE)
    assert {Item.DECON, Item.LIMITS} <= set(applies(Service.POTENT_COMPOUND))
    assert Item.DECON in applies(Service.BIOLOGICAL)
    assert Item.LIMITS not in applies(Service.BIOLOGICAL)
    assert {Item.DECON, Item.LIMITS}.isdisjoint(applies(Service.GENERAL))
    assert item_named("permit", Service.GENERAL) is Item.PERMIT
    for service in Service:
        assert all(fields_of(item, service) for item in applies(service))
        with pytest.raises(Invalid, match="There is no item 'paint'"):
            item_named("paint", service)
    with pytest.raises(Invalid, match="no item 'decontamination' for radioactive service"):
        answering(planning(SITE), Item.DECON)


@pytest.mark.parametrize("service", Service)
def test_a_plan_with_all_answered_and_both_signatures_is_ready(service: Service) -> None:
    """Neither signature alone makes it so; the other service's items are asked for by name."""
    state = answered(service)
    lead_only = signing(state, LEAD, service)

    assert still_open(one(state), service) == ()
    assert [is_ready(one(item), service) for item in (state, lead_only, signing(state, OFFICER, service))] == [
        False
    ] * 3
    assert is_ready(one(signing(lead_only, OFFICER, service)), service)
    assert one(agreed(service)).readiness.void == ()
    signed = one(agreed(service)).readiness.signed_by(Role.LEAD)
    assert signed is not None
    assert (signed.meaning, signed.proof) == (READY, "id and secret entered at signing")


def test_a_housing_of_another_service_than_agreed_is_not_ready() -> None:
    """What was agreed for general service says nothing of decontamination."""
    assert is_ready(one(agreed(Service.GENERAL)), Service.GENERAL)
    assert not is_ready(one(agreed(Service.GENERAL)), Service.BIOLOGICAL)


def test_who_owes_what_by_when_unless_named() -> None:
    """By role and some days ahead; a lead names a person and a day, and an answer leaves that as it is."""
    state = planning(SITE)
    assert owed_by(one(state), Item.PERMIT) == ("", Role.SAFETY_OFFICER, date(2026, 3, 8))
    state = evolve_site(state, owing(state))
    assert owed_by(one(state), Item.PERMIT) == ("hands", Role.SAFETY_OFFICER, date(2026, 3, 5))
    assert one(state).readiness.of(Item.PERMIT).standing is Standing.OPEN
    state = answering(state, Item.PERMIT, HANDS)
    assert owed_by(one(state), Item.PERMIT)[0] == "hands"
    with pytest.raises(Invalid, match="owes Permit until 2026-03-05 already"):
        owing(state)
    with pytest.raises(Invalid, match="'keeper' does no work"):
        owing(state, person="keeper")
    with pytest.raises(Invalid, match="'ghost' does no work"):
        owing(state, person="ghost")
    for until in ("2026-03-01", "2026-03-10"):
        with pytest.raises(Invalid, match="is not from today to the day"):
            owing(state, until=until)
    with pytest.raises(Invalid, match="Name one, not Noor Haddad"):
        owing(state, item=Item.SPACE)


def owing(state: SiteState, item: Item = Item.PERMIT, person: str = "hands", until: str = "2026-03-05") -> SiteEvent:
    """Return the entry that names who owes an item."""
    return item_owed(
        state, by(state, LEAD), plan="PL-0001", item=item, service=Service.RADIOACTIVE, person=person, until=until,
        people=WHO,
    )  # fmt: skip


def test_who_may_answer() -> None:
    """Lead, safety officer and whoever was named; the confined space is the safety officer's alone."""
    state = planning(SITE)
    for who in (LEAD, OTHER_LEAD, OFFICER):
        assert still_open(one(answering(state, Item.WASTE, who)), Service.GENERAL)[0] is Item.WINDOW
    with pytest.raises(Refused, match="whoever owes it, the lead or a safety officer"):
        answering(state, Item.WASTE, HANDS)
    named = evolve_site(state, owing(state, Item.WASTE))
    assert one(answering(named, Item.WASTE, HANDS)).readiness.of(Item.WASTE).by == HANDS
    with pytest.raises(Refused, match="whoever owes it"):
        answering(named, Item.WASTE, EYES)
    for who in (LEAD, HANDS):
        with pytest.raises(Refused, match="Confined space is answered by a safety officer"):
            answering(state, Item.SPACE, who)
    with pytest.raises(Refused, match="whoever owes it"):
        item_answered(
            state, by(state, None), plan="PL-0001", item="waste", service=Service.GENERAL,
            typed=ANSWERS[Item.WASTE], people=WHO, needs=(),
        )  # fmt: skip


def test_an_answer_sent_twice_is_entered_once() -> None:
    """The second finds the first; another one is a new answer."""
    state = answering(planning(SITE), Item.WASTE)
    with pytest.raises(Invalid, match="answered just so"):
        answering(state, Item.WASTE)
    assert (
        one(answering(state, Item.WASTE, typed={"container": "box"})).readiness.of(Item.WASTE).fields["container"]
        == "box"
    )


@pytest.mark.parametrize("item", [Item.DECON, Item.PERMIT])
def test_only_a_safety_officer_says_that_an_item_is_not_needed(item: Item) -> None:
    """With a reason, once; it can be opened again, and answered after that."""

    def leaving(state: SiteState, who: Who | None = OFFICER, reason: str = "never fitted") -> SiteState:
        made = item_not_needed(
            state, by(state, who), plan="PL-0001", item=item, service=Service.BIOLOGICAL, reason=reason
        )
        return evolve_site(state, made)

    def opening(state: SiteState, reason: str = "wrong housing") -> SiteState:
        made = item_opened_again(
            state, by(state, LEAD), plan="PL-0001", item=item, service=Service.BIOLOGICAL, reason=reason
        )
        return evolve_site(state, made)

    state = planning(SITE)
    for who in (LEAD, HANDS, None):
        with pytest.raises(Refused, match="Only a safety officer says"):
            leaving(state, who)
    with pytest.raises(Invalid, match="Why it is not needed"):
        leaving(state, reason="")
    with pytest.raises(Invalid, match="is open"):
        opening(state)
    left = leaving(state)
    assert one(left).readiness.of(item).standing is Standing.NOT_NEEDED
    assert item not in still_open(one(left), Service.BIOLOGICAL)
    with pytest.raises(Invalid, match="not needed already"):
        leaving(left)
    again = opening(left)
    assert (one(again).readiness.of(item).standing, one(again).readiness.of(item).reason) == (
        Standing.OPEN, "wrong housing",
    )  # fmt: skip
    with pytest.raises(Invalid, match="Why it is open"):
        opening(left, "")


def test_who_signs_and_over_what() -> None:
    """The lead of the plan and a safety officer, over exactly what they saw, with nothing open, once each."""
    state = answered()
    for who in (HANDS, None):
        with pytest.raises(Refused, match="The lead of the work and a safety officer agree"):
            signing(state, who)
    with pytest.raises(Refused, match="leads this work and signs for it"):
        signing(state, OTHER_LEAD)
    with pytest.raises(Refused, match="has changed since this page was shown"):
        signing(state, LEAD, seen="0")
    with pytest.raises(Refused, match="Open: Hours without the system, Permit"):
        signing(planning(SITE), LEAD)
    signed = signing(state, LEAD)
    with pytest.raises(Invalid, match="has signed this already"):
        signing(signed, LEAD)
    changed_role = LEAD.model_copy(update={"role": Role.SAFETY_OFFICER})
    with pytest.raises(Invalid, match="has signed this already"):
        signing(signed, changed_role)


def test_one_person_in_two_roles_is_not_two_people() -> None:
    """Even where a ledger held both signatures of one person, the work would not be ready."""
    state = signing(answered(), LEAD)
    twice = ReadinessAgreed(
        seq=state.size, at="2026-03-02T08:00:00.000Z", by=LEAD.model_copy(update={"role": Role.SAFETY_OFFICER}),
        plan="PL-0001", entry=one(state).readiness.newest, meaning=READY, local_time="then", proof="a secret",
    )  # fmt: skip
    assert not is_ready(one(evolve_site(state, twice)), Service.RADIOACTIVE)
    nobody = twice.model_copy(update={"by": None})
    assert not is_ready(one(evolve_site(state, nobody)), Service.RADIOACTIVE)


def moving(state: SiteState, **changes: object) -> SiteState:
    """Return the site after its plan was changed."""
    moved = PlanChanged(
        seq=state.size, at="2026-03-03T08:00:00.000Z", by=LEAD, plan="PL-0001", reason="the fan is needed",
        **one(state).intent.model_dump() | changes,
    )  # fmt: skip
    return evolve_site(state, moved)


def test_a_plan_moved_past_its_permit_is_not_signed() -> None:
    """What would be refused as an answer now is not agreed to."""
    state = moving(answered(), begins="2026-03-12T07:30", ends="2026-03-12T15:00")
    with pytest.raises(Invalid, match=r"The permit runs out on 2026-03-09, before the work begins on 2026-03-12"):
        signing(state, LEAD)


def test_what_follows_otherwise_since_an_answer_is_answered_anew() -> None:
    """Nobody signs over sentences that a changed plan has left behind; the same answers again bring them up to it."""
    state = moving(answered(), ends="2026-03-11T15:00")
    told = (
        r"^Permit: what follows from the answer has changed, now it is: It runs out on 2026-03-09, before the work "
        r"ends on 2026-03-11: another is needed for the rest\. Answer it anew\.$"
    )
    with pytest.raises(Refused, match=told):
        signing(state, LEAD)
    state = answering(state, Item.PERMIT)
    with pytest.raises(Refused, match=r"^Medical and induction: .* for 2026-03-11: .* Answer it anew\.$"):
        signing(state, LEAD)
    state = answering(state, Item.PEOPLE)
    with pytest.raises(Refused, match=r"^Open: Hours without the system, Way of the waste\. Have all answered"):
        signing(state, LEAD)
    state = answering(answering(state, Item.WINDOW), Item.WASTE)
    assert one(signing(state, LEAD)).readiness.signed_by(Role.LEAD) is not None
    back = moving(state, ends="2026-03-09T15:00")
    with pytest.raises(Refused, match=r"^Permit: .* has changed, nothing of it holds now\. Answer it anew\.$"):
        signing(back, LEAD)


LATER = {"begins": "2026-03-12T07:30", "ends": "2026-03-12T15:00"}


@pytest.mark.parametrize(
    ("changes", "again"),
    [
        ({"why": "another reason"}, ""),
        ({"crew": ()}, ""),
        ({"ends": "2026-03-09T16:00"}, "window waste"),
        ({"begins": "2026-03-08T07:30"}, "window decontamination waste"),
        ({"ends": "2026-03-11T15:00"}, "window permit waste people"),
        (LATER, "window permit decontamination waste people"),
        ({"begins": "2026-03-06T07:30", "ends": "2026-03-06T15:00"}, "window decontamination waste people"),
        ({"begins": "2026-03-08T07:30", "ends": "2026-03-08T15:00"}, "window decontamination waste people"),
        ({"crew": ("hands", "eyes")}, "people"),
        ({"procedure": "first-fit-out"}, "people"),
    ],
)
def test_an_answer_that_does_not_fit_the_plan_any_more_is_open_again(changes: dict[str, object], again: str) -> None:
    """Without anybody's word; answered just so for the new plan it is settled, and what fitted all along stays."""
    service = Service.BIOLOGICAL
    before = agreed(service)
    moved = moving(before, **changes)
    told = {item: no_longer_fits(one(moved), item) for item in applies(service)}

    assert is_ready(one(before), service)
    assert not is_ready(one(moved), service)
    assert list(still_open(one(moved), service)) == [item for item in applies(service) if item in again.split()]
    assert [item for item, why in told.items() if why] == again.split()
    newly = moved
    for item in still_open(one(moved), service):
        if item in (Item.WINDOW, Item.WASTE):
            newly = answering(newly, item, service=service)
    assert set(still_open(one(newly), service)) == set(again.split()) - {"window", "waste"}
    back = moving(moved, **one(before).intent.model_dump())
    assert still_open(one(back), service) == ()


def test_why_an_answer_fits_no_more_names_both_days() -> None:
    """So that whoever owes it knows what to ask for."""
    moved = one(moving(answered(Service.BIOLOGICAL), **LATER))
    days = "2026-03-09 07:30 to 15:00, and the work is now 2026-03-12 07:30 to 15:00."

    assert no_longer_fits(moved, Item.WINDOW) == f"It was answered for {days}"
    assert no_longer_fits(moved, Item.PERMIT) == (
        "The permit runs out on 2026-03-09, before the work begins on 2026-03-12."
    )
    longer = one(moving(answered(Service.BIOLOGICAL), ends="2026-03-11T15:00"))
    assert no_longer_fits(longer, Item.PERMIT) == (
        "The permit runs out on 2026-03-09; the work was to end on 2026-03-09 and now ends on 2026-03-11."
    )
    sooner = one(moving(answered(Service.BIOLOGICAL), begins="2026-03-08T07:30", ends="2026-03-08T15:00"))
    assert no_longer_fits(sooner, Item.DECON) == ("It is to be done on 2026-03-09, after the work ends on 2026-03-08.")


def test_an_item_that_a_change_opened_is_opened_by_nobody() -> None:
    """It is open, and an answer given for other hours is answered anew with the same words."""
    moved = moving(answered(), **LATER)
    with pytest.raises(Invalid, match="Permit is open"):
        item_opened_again(
            moved, by(moved, LEAD), plan="PL-0001", item="permit", service=Service.RADIOACTIVE, reason="moved"
        )
    state = answering(answering(moved, Item.WINDOW), Item.PERMIT, typed={"until": "2026-03-12"})
    assert not {Item.WINDOW, Item.PERMIT} & set(still_open(one(state), Service.RADIOACTIVE))


def test_other_words_for_what_follows_from_an_answer_alone_are_signed() -> None:
    """A respirator's sentence that an earlier program wrote holds as it did: no plan, person or register changed."""
    state = answered()
    items = one(state).readiness.items
    older = replace(items[Item.PPE], shown=("Good up to 50 times the limit.",))
    readiness = replace(one(state).readiness, items={**items, Item.PPE: older})
    plan = replace(one(state), readiness=readiness)

    assert signing(replace(state, planned=state.planned.set(plan)), LEAD)


def test_a_qualification_that_changed_since_is_told_before_anybody_signs() -> None:
    """The register is asked at the signature, as it was at the answer."""
    state = answered()
    with pytest.raises(Refused, match=r"^Medical and induction: .* The register holds all .* Answer it anew"):
        signing(replace(state, qualifications=QUALIFIED), LEAD)


def test_nothing_is_said_of_a_plan_that_is_over() -> None:
    """Dropped or opened as a job, it takes no answer and no signature, and a dropped one is never ready."""
    state = agreed()
    dropped = evolve_site(
        state, PlanDropped(seq=state.size, at="2026-03-03T08:00:00.000Z", by=LEAD, plan="PL-0001", reason="off")
    )
    opened = evolve_site(state, registered(state, "PL-0001"))
    for after, told in ((dropped, "was dropped"), (opened, "was opened from")):
        with pytest.raises(Invalid, match=told):
            answering(after, Item.WASTE, typed={"container": "box"})
        with pytest.raises(Invalid, match=told):
            signing(after, OFFICER)
    assert not is_ready(one(dropped), Service.RADIOACTIVE)
    again = dropped
    for who in (LEAD, OFFICER):
        signed = ReadinessAgreed(
            seq=again.size, at="2026-03-03T08:00:00.000Z", by=who, plan="PL-0001", entry=one(again).readiness.newest,
            meaning=READY, local_time="then", proof="a secret",
        )  # fmt: skip
        again = evolve_site(again, signed)
    assert one(again).readiness.signed
    assert not is_ready(one(again), Service.RADIOACTIVE)
    assert is_ready(one(opened), Service.RADIOACTIVE)
    with pytest.raises(Invalid, match="no planned work"):
        signing(SITE, LEAD)


# --- what is asked and computed -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("item", "typed", "told"),
    [
        (Item.WASTE, {"taker": ""}, "Who takes the packages, and when: nothing was given"),
        (Item.WASTE, {"taker": "x" * 301}, "301 characters; 300 is the most (this program's bound)"),
        (Item.PPE, {"mask": "scarf"}, "'scarf' is none of the choices"),
        (Item.PPE, {"rules": ""}, "without the rule set"),
        (Item.PPE, {"limit": "0.5"}, "Give all three or none"),
        (Item.PPE, {"limit": "0.5", "expected": "51", "unit": "µg/m³"},
         "good up to 100 × 0.5 = 50 µg/m³ (limit: the site's own; factor: 10 CFR 20 Appendix A"),
        (Item.PPE, {"mask": "none", "limit": "5", "expected": "6", "unit": "µg/m³"},
         "good up to 1 × 5 = 5 µg/m³ (limit: the site's own): choose"),
        (Item.PERMIT, {"until": "2026-03-08"}, "before the work begins on 2026-03-09"),
        (Item.PERMIT, {"until": "soon"}, "'soon' is not a date"),
        (Item.PERMIT, {"until": "20260309"}, "'20260309' is not a date"),
        (Item.PERMIT, {"until": "9999-12-31"}, "9999-12-31 is more than 10 years from today, 2026-03-02. Check the"),
        (Item.DECON, {"on": "0001-01-01"}, "0001-01-01 is more than 10 years from today, 2026-03-02. Check the year"),
        (Item.SPACE, {"enter": "yes"}, "so the hazards count"),
        (Item.SPACE, {"enter": "yes", "atmosphere": "yes", "engulfment": "no", "walls": "no", "other": "no"},
         "needs an entry permit. Give its number"),
        (Item.DECON, {"on": "2026-03-10"}, "after the work ends on 2026-03-09"),
        (Item.LIMITS, {"rate": ""}, "Give all four or none"),
        (Item.LIMITS, {"stop_at": "many"}, "many"),
        (Item.LIFT, {"h_cm": "30"}, "Give all or none"),
        (Item.LIFT, {"weight_kg": "1,000"}, "thousands or a decimal comma"),
    ],
)  # fmt: skip
def test_what_does_not_do_as_an_answer_is_refused(item: Item, typed: dict[str, str], told: str) -> None:
    """One sentence each, and the item stays open."""
    service = Service.BIOLOGICAL if item is Item.DECON else Service.RADIOACTIVE
    with pytest.raises(ChangeoutError) as refused:
        answering(planning(SITE), item, service=service, typed=typed)
    assert told in str(refused.value)


@pytest.mark.parametrize(("item", "typed"), [
    (Item.LIMITS, {"received": "1"}), (Item.LIMITS, {"stop_at": "0"}), (Item.LIFT, {"weight_kg": "0"}),
    (Item.PPE, {"limit": "0", "expected": "0", "unit": "ppm"}),
])  # fmt: skip
def test_figures_outside_their_range_are_refused(item: Item, typed: dict[str, str]) -> None:
    """A dose that is used up, a limit or a load of nothing."""
    with pytest.raises(OutOfRange):
        answering(planning(SITE), item, typed=typed)


def test_a_respirators_factor_carries_its_rule_set() -> None:
    """One mask counts 100 by one rule set and 50 by the other; without a mask there is no factor."""
    state = planning(SITE)
    told = [
        computed(Item.PPE, ANSWERS[Item.PPE] | {"rules": rules, "limit": "0.5", "expected": "20", "unit": "ppm"},
                 setting(state))
        for rules in ("10cfr20", "osha")
    ]  # fmt: skip
    assert told[0][0].startswith("Assigned protection factor of full facepiece: 100. Source: 10 CFR 20 Appendix A")
    assert "50. Source: 29 CFR 1910.134 Table 1 (from memory, not confirmed)." in told[1][0]
    assert "Good up to 50 × 0.5 = 25 ppm; 20 ppm" in told[1][1]
    assert "(limit: the site's own; factor: 29 CFR 1910.134" in told[1][1]
    assert computed(Item.PPE, {"clothing": "coverall", "mask": "none", "basis": "RA-17"}, setting(state)) == ()


def test_the_stay_time_is_shown_with_its_inputs() -> None:
    """(1 - 0.25) mSv at 0.5 mSv/h is 90 minutes; without doses only the contamination is told."""
    told = computed(Item.LIMITS, DOSES, setting(planning(SITE)))
    assert told[0] == "Work stops at 500 dpm/100 cm² removable (the site's own)."
    assert "is 1000 dpm/100 cm², which it does not exceed. Source: 10 CFR 835 Appendix D" in told[1]
    assert told[2].startswith("Stay time 90 min, rounded down: (1 − 0.25) mSv / 0.5 mSv/h. Source: Stay time")
    short = computed(Item.LIMITS, {"group": "beta-gamma", "stop_at": "2000"}, setting(planning(SITE)))
    assert len(short) == 2
    assert "which is less" in short[1]
    assert computed(Item.LIMITS, OTHERS, setting(planning(SITE), Service.CHEMICAL)) == ()


def test_the_confined_space_question_is_reasoned() -> None:
    """Each answer that speaks against it is named; with a hazard it needs an entry permit."""
    state = planning(SITE)
    yes = {"enter": "yes", "exit": "yes", "occupied": "no", "reasoning": "walk-in plenum"}
    hazards = {"atmosphere": "no", "engulfment": "no", "walls": "no", "other": "no"}

    def told(**given: str) -> str:
        (sentence,) = computed(Item.SPACE, yes | given, setting(state))
        return sentence

    assert "nobody can enter it bodily" in told(enter="no")
    assert "ways in and out are not restricted, it is designed for" in told(exit="no", occupied="yes")
    assert "without a hazard that asks for an entry permit. Source: 29 CFR 1910.146(b)" in told(**hazards)
    needing = told(**hazards | {"atmosphere": "yes", "walls": "yes", "entry": "E-1, attendant B, rescue on call"})
    assert "needs an entry permit: atmosphere, walls or floor that trap" in needing
    assert "another serious hazard" in told(**hazards | {"other": "yes", "entry": "E-1"})


def test_lifting_tells_limit_and_index_or_the_best_posture() -> None:
    """The manual's factors; every value that the method puts in place of a measured one is told."""
    state = planning(SITE)
    geometry = {"h_cm": "38", "v_cm": "75", "d_cm": "25", "a_deg": "0", "freq_per_min": "0.1", "duration_h": "1",
                "coupling": "fair"}  # fmt: skip
    assert "more than the 23 kg" in computed(Item.LIFT, ANSWERS[Item.LIFT], setting(state))[0]
    assert "not more than the 23 kg" in computed(Item.LIFT, {"weight_kg": "20", "who": "two"}, setting(state))[0]
    heavy = computed(Item.LIFT, ANSWERS[Item.LIFT] | geometry, setting(state))
    assert "Recommended weight limit 15.1 kg; lifting index of 31 kg 2.05, above 1.0" in heavy[0]
    assert heavy[1].startswith("F 0.1 lifts/min is counted as 0.2")
    light = computed(Item.LIFT, {"weight_kg": "15", "who": "one"} | geometry, setting(state))
    assert "not above 1.0" in light[0]


def test_days_are_told_against_the_plan() -> None:
    """A permit for part of the work, and a decontamination that is only planned."""
    longer = planning(SITE, ends="2026-03-11T15:00")
    (told,) = computed(Item.PERMIT, ANSWERS[Item.PERMIT], setting(longer))
    assert "It runs out on 2026-03-09, before the work ends on 2026-03-11" in told
    assert computed(Item.PERMIT, ANSWERS[Item.PERMIT], setting(planning(SITE))) == ()
    planned = computed(Item.DECON, ANSWERS[Item.DECON], setting(longer))
    done = computed(Item.DECON, ANSWERS[Item.DECON] | {"on": "2026-03-02"}, setting(longer))
    assert planned[0].startswith("NOT DONE YET: planned for 2026-03-09")
    assert done == ("Done on 2026-03-02, by the site's own method and evidence.",)


def test_the_register_tells_who_lacks_what() -> None:
    """For the last day of the work, of everybody named."""
    state = planning(SITE)
    bare = one(answering(state, Item.PEOPLE)).readiness.of(Item.PEOPLE).shown[0]
    held = SiteState(zone=SITE.zone, qualifications=QUALIFIED)
    full = one(answering(planning(held), Item.PEOPLE)).readiness.of(Item.PEOPLE).shown[0]
    assert "For 2026-03-09".lower() in bare.lower()
    assert "Noor Haddad has no “respirator fit test” in the register" in bare
    assert full == "The register holds all that the procedure needs of everybody named, up to 2026-03-09."


def test_what_is_not_asked_is_not_kept() -> None:
    """Fields left empty and fields of other forms fall away; numbers keep their digits."""
    found = read_fields(
        Item.LIFT, Service.GENERAL, {"weight_kg": "31,50", "who": " two  people ", "h_cm": "", "x": "y"}
    )
    assert found == {"weight_kg": "31.50", "who": "two people"}


def test_readiness_reads_back_from_bytes() -> None:
    """What the ledger keeps folds to the same plan; entries about an unknown plan change nothing."""
    events: list[SiteEvent] = []
    state = planning(SITE)
    begun = state
    for item in applies(Service.RADIOACTIVE):
        made = item_answered(
            state, by(state, OFFICER), plan="PL-0001", item=item, service=Service.RADIOACTIVE,
            typed=answers(item, Service.RADIOACTIVE), people=WHO, needs=NEEDS,
        )  # fmt: skip
        events.append(made)
        state = evolve_site(state, made)
    events.append(owing(state))
    kept = [canonical(item.model_dump(mode="json", exclude_none=True)) for item in events]

    assert fold_site(map(site_event_from_bytes, kept), begun) == fold_site(events, begun)
    assert fold_site(events, SITE).planned == NO_PLANS


# --- a job is opened ------------------------------------------------------------------------------


def drafted(state: SiteState, reason: str = "", tag: str = "EF-03", at: str = AT_ITS_HOUR) -> JobOpened:
    """Return the first entry of a job opened from the plan."""
    return first_entry(
        plan(housing(tag), procedure(), "ab" * 32), site=state, by=LEAD, at=at, crew=(HANDS,),
        rehearsal=False, prepared=prepared(state, "PL-0001", housing(tag), reason, at=at),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("at", "told"),
    [
        ("2026-03-01T23:30:00.000Z", "7 days before its hours, 2026-03-09 07:30 to 15:00"),
        ("2026-03-08T22:59:59.000Z", "1 day before its hours, 2026-03-09 07:30 to 15:00"),
        ("2026-03-08T23:00:00.000Z", ""), ("2026-03-09T14:00:59.000Z", ""),
        ("2026-03-09T14:01:00.000Z", "on the same day after its hours, 2026-03-09 07:30 to 15:00"),
        ("2026-03-11T10:00:00.000Z", "2 days after its hours, 2026-03-09 07:30 to 15:00"),
    ],
)  # fmt: skip
def test_a_job_opened_outside_the_planned_hours_needs_a_reason_and_its_record_says_so(at: str, told: str) -> None:
    """By the site's clock, which is an hour ahead; from its first day's first minute to its end nothing is asked."""
    state = agreed()
    if not told:
        assert drafted(state, at=at).prepared == drafted(state).prepared
        return
    with pytest.raises(Invalid, match=f"PL-0001 would be opened {told}. Change its hours, or give the reason"):
        drafted(state, " ", at=at)
    made = drafted(state, "the duct is shut now", at=at)
    complain_of_readiness(state, made)
    assert made.prepared is not None
    assert unready_sentence(made) is None
    assert prepared_words(made.prepared).endswith(f"; opened {told}, because: the duct is shut now.")
    assert sentence_of(made, {}).endswith(f"opened {told}, because: the duct is shut now.")
    with pytest.raises(Refused, match="PL-0001 has changed since"):
        complain_of_readiness(state, made.model_copy(update={"at": AT_ITS_HOUR}))


def test_one_reason_is_asked_of_work_neither_ready_nor_in_its_hours() -> None:
    """Both stand in the record and before the reviewer."""
    early = "2026-03-02T08:00:00.000Z"
    with pytest.raises(Invalid, match=r"PL-0001 is not ready: open: .* It would be opened 7 days before its hours"):
        drafted(planning(SITE), at=early)
    made = drafted(planning(SITE), "an alarm", at=early)
    told = "PL-0001 7 days before its hours, 2026-03-09 07:30 to 15:00, which was not ready: open: Hours"
    assert told in (unready_sentence(made) or "")
    assert made.prepared is not None
    assert "), opened 7 days before its hours, 2026-03-09 07:30 to 15:00: an alarm." in prepared_words(made.prepared)


def test_a_job_opened_from_agreed_work_names_the_agreement() -> None:
    """With what its answers give for permit and PPE; no reason is asked, and the reviewer is told nothing."""
    made = drafted(agreed())
    complain_of_readiness(agreed(), made)
    assert made.prepared is not None
    assert made.prepared.told == "agreed by Ines Varga, lead, then and Aiko Lindqvist, safety officer, then"
    assert made.prepared.named == {
        "permit": "P-4711", "permit-until": "2026-03-09",
        "ppe": "coverall, two pairs of gloves; respirator: full facepiece",
    }  # fmt: skip
    assert unready_sentence(made) is None
    assert prepared_words(made.prepared).startswith("From PL-0001, its readiness agreed by Ines Varga")


def test_a_job_opened_before_it_was_ready_needs_the_leads_reason_and_says_so() -> None:
    """An emergency must be possible, and the reviewer reads of it."""
    for state, told in (
        (planning(SITE), "open: Hours without the system, Permit"),
        (answered(), "not signed by the lead and the safety officer"),
        (signing(answered(), LEAD), "not signed by the safety officer"),
        (answering(agreed(), Item.WASTE, typed={"container": "box"}), "what was signed before is void"),
    ):
        with pytest.raises(Invalid, match="PL-0001 is not ready"):
            drafted(state)
        with pytest.raises(Invalid, match="Why the job is opened all the same"):
            drafted(state, "x")
        made = drafted(state, "an alarm in the laboratory")
        complain_of_readiness(state, made)
        sentence = unready_sentence(made) or ""
        assert told in sentence
        assert sentence.endswith("Opened all the same by Ines Varga: an alarm in the laboratory.")
        assert made.prepared is not None
        assert "NOT READY" in prepared_words(made.prepared)


def test_what_a_job_says_of_its_plan_is_what_the_ledger_says() -> None:
    """A plan that changed meanwhile, or another housing than it was agreed for, is looked at again."""
    made = drafted(agreed())
    later = answering(agreed(), Item.WASTE, typed={"container": "box"})
    with pytest.raises(Invalid, match="PL-0001 is not ready"):
        complain_of_readiness(later, made)
    with pytest.raises(Refused, match="PL-0001 has changed since this page was shown"):
        complain_of_readiness(agreed(), drafted(later, "an alarm"))
    complain_of_readiness(later, made.model_copy(update={"prepared": None}))
    assert unready_sentence(made.model_copy(update={"prepared": None})) is None
    with pytest.raises(Invalid, match="open: Decontamination"):
        drafted(agreed(), tag="EF-07")


def test_the_finding_stands_in_the_sites_ledger() -> None:
    """The registration carries the sentence, and the reviewer of that job alone is told."""
    state = planning(SITE)
    opened = registered(state, "PL-0001").model_copy(update={"unready": "it was not ready"})
    site = evolve_site(state, opened)
    (found,) = findings_of(site, "job-2026-0001", JobState())
    assert (found.seq, found.kind, found.sentence) == (opened.seq, UNREADY, "it was not ready")
    assert findings_of(site, "job-2026-0002", JobState()) == ()
    assert findings_of(evolve_site(state, registered(state, "PL-0001")), "job-2026-0001", JobState()) == ()

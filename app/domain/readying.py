"""Deciding over readiness: who may say what of an item, and who may sign that the work is ready.

Against the committed state of the site and the housing's service; each gives one entry or refuses with one sentence.
Nothing is said of a plan that was dropped or from which a job was opened.  An entry that changes nothing is refused.
"""

from collections.abc import Mapping
from datetime import date

from app.calc.errors import Invalid
from app.domain.applicability import PERMIT_UNTIL
from app.domain.crew import lacking
from app.domain.event_base import Who, proof_of
from app.domain.events import JobOpened
from app.domain.housing import Housing, Service
from app.domain.killers import PERMIT_NUMBER
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness import (
    Item,
    ItemAnswered,
    ItemNotNeeded,
    ItemOpenedAgain,
    ItemOwed,
    ItemState,
    Prepared,
    ReadinessAgreed,
    Standing,
)
from app.domain.readiness_items import MASKS, OFFICERS_OWN, applies, is_ready, read_fields, settled, still_open
from app.domain.readiness_sums import OF_THE_SETTING, Setting, computed
from app.domain.refused import Refused
from app.domain.registers import SiteMoment, day_from, reason_from
from app.domain.scheduling import WORKING, waiting_plan
from app.domain.signing import READY
from app.domain.site import SiteState
from app.domain.zones import local_text

AGREEING = (Role.LEAD, Role.SAFETY_OFFICER)
PPE = "ppe"
"""The id of the question that asks for the PPE of a job."""


def item_named(text: str, service: Service) -> Item:
    """Return the item with this name; Invalid if work on a housing of this service has none such."""
    for item in applies(service):
        if item == text:
            return item
    told = service.replace("_", " ")
    raise Invalid(f"There is no item {text[:20]!r} for {told} service. Choose one of those shown.")


def item_answered(
    state: SiteState, moment: SiteMoment, *, plan: str, item: str, service: Service, typed: Mapping[str, str],
    people: Mapping[str, Who], needs: tuple[str, ...],
) -> ItemAnswered:  # fmt: skip
    """Return the entry that answers an item.

    typed: its fields by name.  people: who works here, by id.  needs: the qualifications that the procedure asks.
    """
    known, found = _known(state, plan, item, service)
    _complain_of_answerer(known.readiness.of(found), found, moment)
    fields = read_fields(found, service, typed)
    setting = Setting(known, service, moment.today, lacks(state, known, people, needs))
    shown = computed(found, fields, setting)
    before = known.readiness.of(found)
    same = settled(known, found) and (dict(before.fields), before.shown) == (fields, shown)
    if before.standing is Standing.ANSWERED and same:
        raise Invalid(f"{found.words} is answered just so. Nothing was entered again.")
    return ItemAnswered(seq=moment.seq, at=moment.at, by=moment.by, plan=plan, item=found, fields=fields, shown=shown)


def item_not_needed(
    state: SiteState, moment: SiteMoment, *, plan: str, item: str, service: Service, reason: str
) -> ItemNotNeeded:
    """Return the entry by which a safety officer says why an item is not needed."""
    known, found = _known(state, plan, item, service)
    if moment.by is None or moment.by.role is not Role.SAFETY_OFFICER:
        raise Refused("role", f"Only a safety officer says that {found.words} is not needed. Ask one.")
    why = reason_from(reason, "Why it is not needed")
    before = known.readiness.of(found)
    if (before.standing, before.reason) == (Standing.NOT_NEEDED, why):
        raise Invalid(f"{found.words} is not needed already, for this reason. Nothing was entered again.")
    return ItemNotNeeded(seq=moment.seq, at=moment.at, by=moment.by, plan=plan, item=found, reason=why)


def item_opened_again(
    state: SiteState, moment: SiteMoment, *, plan: str, item: str, service: Service, reason: str
) -> ItemOpenedAgain:
    """Return the entry that opens an item again, because what was said of it does not hold any more."""
    known, found = _known(state, plan, item, service)
    if not settled(known, found):
        raise Invalid(f"{found.words} is open. Nothing was entered again.")
    return ItemOpenedAgain(
        seq=moment.seq, at=moment.at, by=moment.by, plan=plan, item=found, reason=reason_from(reason, "Why it is open")
    )


def item_owed(
    state: SiteState, moment: SiteMoment, *, plan: str, item: str, service: Service, person: str, until: str,
    people: Mapping[str, Who],
) -> ItemOwed:  # fmt: skip
    """Return the entry by which a lead names who owes an item and by which day."""
    known, found = _known(state, plan, item, service)
    who = people.get(person)
    if who is None or who.role not in WORKING:
        raise Invalid(f"{person[:40]!r} does no work at housings. Choose one of the names shown.")
    if found in OFFICERS_OWN and who.role is not Role.SAFETY_OFFICER:
        raise Invalid(f"{found.words} is answered by a safety officer. Name one, not {who.name}.")
    day = day_from(until, "Owed until", moment.today)
    if not moment.today <= day <= date.fromisoformat(known.begins[:10]):
        raise Invalid(f"Owed until: {day} is not from today to the day on which the work begins. Give such a day.")
    before = known.readiness.of(found)
    if (before.person, before.until) == (who.id, day):
        raise Invalid(f"{who.name} owes {found.words} until {day} already. Nothing was changed.")
    return ItemOwed(seq=moment.seq, at=moment.at, by=moment.by, plan=plan, item=found, person=who.id, until=day)


def readiness_agreed(
    state: SiteState, moment: SiteMoment, *, plan: str, service: Service, seen: str, local_time: str, both: bool,
    people: Mapping[str, Who], needs: tuple[str, ...],
) -> ReadinessAgreed:  # fmt: skip
    """Return the entry by which a lead or a safety officer signs that the work is ready.

    seen: the place of the newest entry that stood on the page that they signed.  both: id and secret were given.
    people, needs: as for an answer.
    """
    known = waiting_plan(state, plan)
    if moment.by is None or moment.by.role not in AGREEING:
        raise Refused("role", "The lead of the work and a safety officer agree that it is ready. Ask them.")
    if moment.by.role is Role.LEAD and moment.by.id != known.intent.lead:
        lead = state.watch.name(known.intent.lead)
        raise Refused("role", f"{lead} leads this work and signs for it. Change the lead of the plan first.")
    if seen != str(known.readiness.newest):
        raise Refused("changed", f"{plan} has changed since this page was shown. Read it again, then sign.")
    _complain_of_misfits(Setting(known, service, moment.today, lacks(state, known, people, needs)))
    if left := still_open(known, service):
        raise Refused("open", f"Open: {', '.join(item.words for item in left)}. Have all answered, then sign.")
    for signed in known.readiness.holding:
        if signed.by is not None and moment.by.id == signed.by.id:
            raise Invalid(f"{moment.by.name} has signed this already. Nothing was entered again.")
    return ReadinessAgreed(
        seq=moment.seq, at=moment.at, by=moment.by, plan=plan, entry=known.readiness.newest, meaning=READY,
        local_time=local_time, proof=proof_of(both),
    )  # fmt: skip


def lacks(state: SiteState, plan: Planned, people: Mapping[str, Who], needs: tuple[str, ...]) -> tuple[str, ...]:
    """Say what those named lack, by the register, of what the procedure needs, on the last day of the work."""
    last = date.fromisoformat(plan.ends[:10])
    named = [people[person] for person in plan.intent.people if person in people]
    return tuple(told for who in named for told in lacking(who, state.qualifications, needs, last))


def _known(state: SiteState, plan: str, item: str, service: Service) -> tuple[Planned, Item]:
    return waiting_plan(state, plan), item_named(item, service)


def _complain_of_answerer(before: ItemState, item: Item, moment: SiteMoment) -> None:
    """Lead, safety officer and whoever was named for an item answer it; some only a safety officer does."""
    role = moment.by.role if moment.by else None
    if item in OFFICERS_OWN and role is not Role.SAFETY_OFFICER:
        raise Refused("role", f"{item.words} is answered by a safety officer. Ask one.")
    if role not in AGREEING and (moment.by is None or moment.by.id != before.person):
        raise Refused("role", f"{item.words} is answered by whoever owes it, the lead or a safety officer.")


def _complain_of_misfits(setting: Setting) -> None:
    """Complain of an answer that would be refused now, or from which something else follows now.

    The plan, its people or the register may have changed since it was given.  What follows from the answer alone is
    as it was, whatever words tell it today.
    """
    for item in applies(setting.service):
        state = setting.plan.readiness.of(item)
        if state.standing is not Standing.ANSWERED:
            continue
        shown = computed(item, read_fields(item, setting.service, state.fields), setting)
        if item in OF_THE_SETTING and shown != state.shown:
            told = f"now it is: {' '.join(shown)}" if shown else "nothing of it holds now."
            raise Refused("changed", f"{item.words}: what follows from the answer has changed, {told} Answer it anew.")


# --- a job is opened ------------------------------------------------------------------------------


def prepared(state: SiteState, plan: str, housing: Housing, reason: str, *, at: str) -> Prepared:
    """Return how a plan stands, for the first entry of the job that is opened from it at this moment (UTC text).

    reason: why the lead opens it all the same; it counts only where the work is not agreed to be ready or its hours are
    others, and is asked there, once for both: Invalid without it.
    """
    known = waiting_plan(state, plan)
    ready, off = is_ready(known, housing.service), off_hours(known, at, state.zone)
    told = f"agreed by {agreed_words(known)}" if ready else unready_words(known, housing.service)
    if ready and not off:
        return Prepared(plan=plan, agreed=True, told=told, named=_named(known))
    if not reason.strip():
        if ready:
            raise Invalid(f"{plan} would be opened {off}. Change its hours, or give the reason to open the job now.")
        also = f" It would be opened {off}." if off else ""
        raise Invalid(
            f"{plan} is not ready: {told}.{also} Have it agreed, or give the reason to open the job all the same."
        )
    why = reason_from(reason, "Why the job is opened all the same")
    return Prepared(plan=plan, agreed=ready, told=told, reason=why, named=_named(known), off_hours=off or None)


def off_hours(plan: Planned, at: str, zone: str) -> str:
    """Say how far a moment is from a plan's hours; nothing from the first minute of its first day to its end.

    On the day itself a crew begins with its brief before the hours without the system do.
    """
    now, hours = local_text(at, zone)[:16].replace(" ", "T"), plan.intent.hours
    today = date.fromisoformat(now[:10])
    first, last = date.fromisoformat(plan.begins[:10]), date.fromisoformat(plan.ends[:10])
    if today < first:
        return f"{_days((first - today).days)} before its hours, {hours}"
    if now <= plan.ends:
        return ""
    after = _days((today - last).days) if today > last else "on the same day"
    return f"{after} after its hours, {hours}"


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def complain_of_readiness(state: SiteState, draft: JobOpened) -> None:
    """What a job says of its plan is what the ledger says at the moment of its opening."""
    given = draft.prepared
    if given is not None and given != prepared(state, given.plan, draft.housing, given.reason or "", at=draft.at):
        raise Refused("changed", f"{given.plan} has changed since this page was shown. Look at it again, then open.")


def unready_sentence(draft: JobOpened) -> str | None:
    """Say for the reviewer that a job was opened though its plan was not agreed to be ready; None where it was."""
    given = draft.prepared
    if given is None or given.agreed:
        return None
    off = f" {given.off_hours}" if given.off_hours else ""
    told = f"Job {draft.number} was opened from {given.plan}{off}, which was not ready: {given.told}."
    return f"{told} Opened all the same by {draft.by.name}: {given.reason}."


def agreed_words(plan: Planned) -> str:
    """Say by whom and when the readiness of a plan was agreed."""
    return " and ".join(
        f"{signed.by.name}, {signed.by.role.words}, {signed.local_time}"
        for signed in plan.readiness.holding
        if signed.by is not None
    )


def unready_words(plan: Planned, service: Service) -> str:
    """Say what keeps a plan from being ready."""
    if left := still_open(plan, service):
        return f"open: {', '.join(item.words for item in left)}"
    missing = [role.words for role in AGREEING if plan.readiness.signed_by(role) is None]
    void = ", what was signed before is void" if plan.readiness.void else ""
    return f"not signed by the {' and the '.join(missing)}{void}"


def _named(plan: Planned) -> dict[str, str] | None:
    """What the answers give for the questions about permit and PPE that a job asks."""
    permit, ppe = plan.readiness.of(Item.PERMIT).fields, plan.readiness.of(Item.PPE).fields
    mask = MASKS.get(ppe.get("mask", ""), "")
    given = {
        PERMIT_NUMBER: permit.get("number", ""),
        PERMIT_UNTIL: permit.get("until", ""),
        PPE: f"{ppe.get('clothing', '')}; respirator: {mask}" if ppe else "",
    }
    return {name: text for name, text in given.items() if text} or None

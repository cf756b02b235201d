"""Laws of readiness over any order of entries: no agreement outlives a change, and none comes from one role alone."""

from hypothesis import given
from hypothesis import strategies as st

from app.domain.event_base import Who
from app.domain.housing import Service
from app.domain.planned import NO_PLANS, PlanChanged, PlanDropped, PlanEvent, WorkPlanned, evolve_plans
from app.domain.procedure import Role
from app.domain.readiness import Item, ItemAnswered, ItemNotNeeded, ItemOpenedAgain, ItemOwed, ReadinessAgreed
from app.domain.readiness_items import applies, is_ready
from tests.builders import HANDS, LEAD, OFFICER

AT = "2026-03-02T08:00:00.000Z"
INTENT = {"housing": "EF-03", "procedure": "change-out", "begins": "2026-03-09T07:30", "ends": "2026-03-09T15:00",
          "lead": "lead", "why": "drop"}  # fmt: skip
TURNED = LEAD.model_copy(update={"role": Role.SAFETY_OFFICER})
SIGNERS = st.sampled_from((LEAD, OFFICER, HANDS, TURNED))
ITEMS = st.sampled_from(Item)
SERVICES = st.sampled_from(Service)
Act = tuple[str, Item | Who | None]
ACTS = st.one_of(
    st.tuples(st.just("answer"), ITEMS), st.tuples(st.just("not needed"), ITEMS), st.tuples(st.just("open"), ITEMS),
    st.tuples(st.just("owe"), ITEMS), st.tuples(st.just("sign"), SIGNERS), st.tuples(st.just("sign old"), SIGNERS),
    st.just(("answer all", None)), st.just(("change", None)), st.just(("drop", None)),
)  # fmt: skip
AGREEMENTS = st.tuples(
    st.booleans().flatmap(lambda all_of_it: st.just(("answer all", None)) if all_of_it else ACTS), SIGNERS, SIGNERS
).map(lambda drawn: [drawn[0], ("sign", drawn[1]), ("sign", drawn[2])])
ORDERS = st.lists(st.one_of(ACTS.map(lambda act: [act]), AGREEMENTS), max_size=6).map(
    lambda chapters: [act for chapter in chapters for act in chapter]
)
"""Any order of acts, with whole agreements among them, by two who may be one person or no good."""


def entries(act: str, about: Item | Who | None, seq: int, newest: int = 0) -> list[PlanEvent]:
    """Return what an act writes, from this place on; newest: what a signature of now covers."""
    head = {"seq": seq, "at": AT, "by": LEAD, "plan": "PL-0001"}
    match act, about:
        case "answer", Item():
            return [ItemAnswered(**head, item=about, fields={"a": "b"})]
        case "not needed", Item():
            return [ItemNotNeeded(**head, item=about, reason="none there")]
        case "open", Item():
            return [ItemOpenedAgain(**head, item=about, reason="wrong")]
        case "owe", Item():
            return [ItemOwed(**head, item=about, person="hands", until="2026-03-05")]
        case "sign" | "sign old", Who():
            covered = newest if act == "sign" else newest - 1
            signed = {**head, "by": about, "entry": covered, "meaning": "ready", "local_time": AT, "proof": "secret"}
            return [ReadinessAgreed(**signed)]
        case "answer all", _:
            return [
                ItemAnswered(**head | {"seq": seq + n}, item=item, fields={"a": "b"}) for n, item in enumerate(Item)
            ]
        case "change", _:
            return [PlanChanged(**head, **INTENT, reason="moved")]
        case _:
            return [PlanDropped(**head, reason="off")]


@given(acts=ORDERS, service=SERVICES)
def test_agreed_is_never_shown_after_a_change_nor_by_one_role_nor_when_dropped(
    acts: list[Act], service: Service
) -> None:
    """Against a plain retelling: who signed since the last change, each item's last word, whether it was dropped."""
    plans = evolve_plans(NO_PLANS, WorkPlanned(seq=0, at=AT, by=LEAD, plan="PL-0001", **INTENT))
    signers: list[Who] = []
    done: dict[Item, bool] = {}
    newest, seq, dropped = 0, 1, False
    for act, about in acts:
        for event in entries(act, about, seq, newest):
            plans, seq = evolve_plans(plans, event), event.seq + 1
            match event:
                case ReadinessAgreed():
                    if event.by is not None and event.entry == newest:
                        signers.append(event.by)
                    continue
                case ItemAnswered() | ItemNotNeeded() | ItemOpenedAgain():
                    done[event.item] = not isinstance(event, ItemOpenedAgain)
                case PlanDropped():
                    dropped = True
                case _:
                    pass
            newest = event.seq
            signers.clear()
            assert not is_ready(plans["PL-0001"], service)
        lead = next((who for who in signers if who.role is Role.LEAD), None)
        officer = next((who for who in signers if who.role is Role.SAFETY_OFFICER), None)
        both = lead is not None and officer is not None and lead.id != officer.id
        expected = both and not dropped and all(done.get(item) for item in applies(service))
        assert is_ready(plans["PL-0001"], service) == expected


@given(signers=st.permutations((LEAD, OFFICER, HANDS)), service=SERVICES)
def test_with_everything_answered_it_takes_both_signatures(signers: list[Who], service: Service) -> None:
    """In whatever order they come, and a technician's adds nothing."""
    plans = evolve_plans(NO_PLANS, WorkPlanned(seq=0, at=AT, by=LEAD, plan="PL-0001", **INTENT))
    for event in entries("answer all", None, 1):
        plans = evolve_plans(plans, event)
    newest = plans["PL-0001"].readiness.newest
    given_so_far: set[str] = set()
    for place, who in enumerate(signers, start=newest + 1):
        (signed,) = entries("sign", who, place, newest)
        plans = evolve_plans(plans, signed)
        given_so_far.add(who.id)
        assert is_ready(plans["PL-0001"], service) == ({LEAD.id, OFFICER.id} <= given_so_far)

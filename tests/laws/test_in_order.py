"""Lists that are kept at hand against a walk over everything: names in order, and which plans wait."""

from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from app.domain.in_order import InOrder
from app.domain.planned import NO_PLANS, Plans, WorkPlanned, evolve_plans, job_turned, opened_from
from app.domain.planned import PlanChanged as Changed
from app.domain.planned import PlanDropped as Dropped
from tests.builders import LEAD

AT = "2026-03-02T07:00:00.000Z"
NAMES = st.sampled_from("abcd")


@given(st.lists(st.tuples(st.sampled_from(("put", "put", "without")), NAMES)))
def test_names_stand_in_the_order_in_which_they_were_put_in_last(acts: list[tuple[str, str]]) -> None:
    """As in a plain list, and whoever holds an earlier one holds it as it was."""
    plain: list[str] = []
    kept, before = InOrder(), InOrder()
    for act, name in acts:
        before, was = kept, tuple(reversed(plain))
        plain = [item for item in plain if item != name] + ([name] if act == "put" else [])
        kept = kept.put(name) if act == "put" else kept.without(name)
        assert tuple(before) == was
    assert list(kept) == plain[::-1]
    assert len(kept) == len(plain)
    for count in range(4):
        assert list(kept.newest(count)) == plain[::-1][:count]
    assert {name for name in "abcde" if name in kept} == set(plain)


@dataclass
class Diary:
    """Entries about four plans, with the numbers of those of which something was entered last at the end."""

    plans: Plans = NO_PLANS
    touched: list[str] = field(default_factory=list)

    def enter(self, act: str, plan: str, who: str) -> None:
        """Enter something about a plan; what is said of one that is not there changes nothing."""
        head = {"seq": len(self.touched), "at": AT, "by": LEAD, "plan": plan}
        intent = {"housing": "EF-03", "procedure": "change-out", "begins": "2026-03-09T07:30",
                  "ends": "2026-03-09T15:00", "lead": who, "why": "drop"}  # fmt: skip
        match act:
            case "plan" if plan in self.plans:
                return
            case "plan":
                self.plans = evolve_plans(self.plans, WorkPlanned(**head, **intent))
            case "change":
                self.plans = evolve_plans(self.plans, Changed(**head, **intent, reason="moved"))
            case "drop":
                self.plans = evolve_plans(self.plans, Dropped(**head, reason="off"))
            case "turn":
                self.plans = job_turned(self.plans, plan, at=AT)
            case _:
                self.plans = opened_from(self.plans, plan, job="2026-0007", at=AT)
        self.touched = [name for name in self.touched if name != plan] + [plan]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(("plan", "plan", "change", "drop", "open", "turn")), NAMES, st.sampled_from(("i", "j", "k"))
        )
    )
)
def test_which_plans_wait_and_which_are_past_is_as_by_a_walk_over_all(acts: list[tuple[str, str, str]]) -> None:
    """Those that wait by their numbers, the others by their last entry, and all who were ever named."""
    diary = Diary()
    for act, plan, who in acts:
        diary.enter(act, plan, who)
    plans = diary.plans

    assert list(plans.waiting) == [item for _, item in sorted(plans.items()) if item.waits]
    over = [name for name in reversed(diary.touched) if name in plans and not plans[name].waits]
    assert list(plans.past.newest(9)) == over
    assert plans.people == tuple(sorted({person for item in plans.values() for person in item.once}))
    assert len(plans) == len(list(plans))

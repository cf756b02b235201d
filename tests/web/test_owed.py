"""On the first page stands what of planned work its reader owes, and what anybody owes late; each with its link."""

import re

from app.domain.event_base import Who
from app.domain.readiness import Item
from app.domain.store import Kind
from tests.web.desk import Desk
from tests.web.test_planned import planned
from tests.web.test_readiness import PAGE, answer, answer_all, sign
from tests.web.test_store import BAGS, inspect

LINE = re.compile(r'<a href="/planned/(PL-\d+)/([a-z-]+)">[^<]+</a> at (\S+): ([^<]+)</li>')


def lines(desk: Desk, who: Who) -> list[tuple[str, str, str, str]]:
    """Return plan, item, housing and the rest of every line."""
    return LINE.findall(desk.get(who, "/").text)


def test_who_is_signed_in_reads_what_they_owe_and_what_others_owe_late(desk: Desk) -> None:
    """The lead's own lines name nobody; the officer's stand before the lead's late ones; by day, then by item."""
    planned(desk)
    lead, officer = lines(desk, desk.named("lead")), lines(desk, desk.named("safety officer"))

    past = "by 2026-02-23, overdue by 7 days"
    assert lead == [
        ("PL-0001", "window", "EF-03", past), ("PL-0001", "waste", "EF-03", past), ("PL-0001", "people", "EF-03", past),
        ("PL-0001", "lift", "EF-03", "by 2026-03-02, today"),
    ]  # fmt: skip
    assert [item for _, item, _, _ in officer] == [
        "ppe", "confined-space", "limits", "permit", "window", "waste", "people",
    ]  # fmt: skip
    assert officer[4][3] == f"owed by the lead, {past}"
    page = desk.get(desk.named("lead"), "/").text
    assert page.count("<b>late</b>") == 3
    assert "No job waits for you." in page


def test_what_is_owed_by_name_is_theirs_and_what_is_answered_is_nobodys(desk: Desk) -> None:
    """A named person's line goes to them and leaves the role; an answer takes the line away, and so does the end."""
    planned(desk)
    lead, officer, hands = desk.named("lead"), desk.named("safety officer"), desk.named("technician")
    assert desk.post(lead, f"{PAGE}/ppe/owed", person=hands.id, until="2026-03-05").status_code == 303

    assert next((item, told) for _, item, _, told in lines(desk, hands)) == ("ppe", "by 2026-03-05, in 3 days")
    assert "ppe" not in [item for _, item, _, _ in lines(desk, officer)]
    assert len(lines(desk, hands)) == 4
    assert answer(desk, officer, Item.WINDOW) == 303
    assert len(lines(desk, hands)) == 3
    assert desk.post(lead, f"{PAGE}/dropped", reason="not this year").status_code == 303
    assert lines(desk, hands) == lines(desk, lead) == []
    assert "Nothing waits for you." in desk.get(lead, "/").text


def test_many_lines_are_counted_and_not_listed(desk: Desk) -> None:
    """Four of each kind; the others are a tap away."""
    for tag in ("EF-03", "EF-07", "EF-11"):
        planned(desk, housing=tag)
    page = desk.get(desk.named("lead"), "/").text

    assert len(LINE.findall(page)) == 4
    assert '<a href="/planned">8 more under Planned work</a>' in page


def test_a_plan_that_waits_for_signatures_stands_there_for_those_who_have_yet_to_sign(desk: Desk) -> None:
    """Its own lead and every safety officer, until they have signed; after a change again; nobody else."""
    planned(desk)
    lead, officer = desk.named("lead"), desk.named("safety officer")
    told = f'to be agreed: <a href="{PAGE}">PL-0001</a> at EF-03'

    def asked() -> list[bool]:
        readers = (lead, officer, desk.named("lead", 1), desk.named("technician"))
        return [told in desk.get(who, "/").text for who in readers]

    assert asked() == [False] * 4
    answer_all(desk)
    assert asked() == [True, True, False, False]
    assert "No job waits for you." in desk.get(lead, "/").text
    assert sign(desk, lead) == 303
    assert asked() == [False, True, False, False]
    assert "Nothing waits for you." in desk.get(lead, "/").text
    assert sign(desk, officer) == 303
    assert asked() == [False] * 4
    assert answer(desk, officer, Item.WASTE, container="box") == 303
    assert asked() == [True, True, False, False]


def test_suggestions_and_lots_that_wait_stand_there_with_a_count_and_a_link(desk: Desk) -> None:
    """A suggestion for leads and safety officers who did not make it, a lot for all who work."""
    lead, officer, hands = desk.named("lead"), desk.named("safety officer"), desk.named("technician")
    fields = {"about": "kit rule", "what": "bags", "text": "Take two more bags along.", "job": ""}
    assert desk.post(lead, "/suggestions", **fields).status_code == 303
    told = '<a href="/suggestions">1 suggested change waits</a> for an answer'
    assert [told in desk.get(who, "/").text for who in (officer, lead, hands)] == [True, False, False]

    for lot in ("B-1", "B-2"):
        assert desk.post(hands, "/stock", **BAGS | {"id": lot}).status_code == 303
    waits = '<a href="/stock">2 lots wait</a> to be inspected'
    assert all(waits in desk.get(who, "/").text for who in (lead, officer, hands))
    assert inspect(desk, hands, "B-1", Kind.BAG) == 303
    assert '<a href="/stock">1 lot waits</a> to be inspected' in desk.get(hands, "/").text
    assert inspect(desk, hands, "B-2", Kind.BAG, verdict="held back", reason="wet") == 303
    assert "to be inspected" not in desk.get(hands, "/").text

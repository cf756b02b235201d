"""A point of isolation beyond the nameplate, by those who name it: the step's screen, paper, list and table."""

import html
import re

from httpx2 import Response

from app.domain.event_base import Who
from app.domain.locks import PointNamed
from app.domain.paper import PrintBlank
from tests.goals.test_rows_leaving import photo
from tests.web.desk import SECRETS, Desk
from tests.web.test_every_form import sentence_on
from tests.web.test_lock_list import table

BLANK = {"new_tag": "BL-7", "new_kind": "blank", "new_safe": "bolted on"}
ALL_LOCKED = "All further points are locked"


def to_name(desk: Desk) -> tuple[str, str]:
    """Return a job in which the agreed further isolation is due, and its step."""
    job = desk.open_job()
    desk.work_until(job, "Choose what was found")
    desk.answer(job, desk.cast().hands, found="a damper leaks by")
    due = desk.work_until(job, "Apply the further isolation").due
    assert due is not None
    return job, due.id


def text_of(desk: Desk, who: Who, path: str) -> str:
    """Return the words of a page."""
    return html.unescape(re.sub(r"<[^>]*>", " ", desk.get(who, path).text))


def test_a_point_is_named_and_locked_on_the_screen_of_its_step(desk: Desk) -> None:
    """The form first, then its row; what was refused is still typed; the step ends when nobody adds another."""
    hands, (job, step) = desk.named("technician"), to_name(desk)

    def row(act: str, **fields: str) -> Response:
        return desk.post(hands, f"/jobs/{job}/rows", act=act, step=step, **fields)

    first = desk.get(hands, f"/jobs/{job}/now").text
    twin = row("name", **BLANK | {"new_tag": "D-301"})
    odd = row("name", **BLANK | {"new_kind": "steam"})
    named = row("name", **BLANK)
    point = desk.running.site.jobs.state(job).points[-1]
    then = desk.get(hands, f"/jobs/{job}/now").text
    early = desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="")
    locked = row("on", point=point.id, seen="bolted on", lock="L-77", tag_number="T-77")
    last = desk.get(hands, f"/jobs/{job}/now").text
    slip = row("name", **BLANK | {"new_tag": "BL-1"})
    struck = row("strike", strike=desk.running.site.jobs.state(job).points[-1].id, reason="misread")
    done = desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="")

    assert "Tag, as on its label" in first
    assert ALL_LOCKED not in first
    assert [answer.status_code for answer in (twin, odd, named, locked, slip, struck, done)] == [
        409, 422, 303, 303, 303, 303, 303,
    ]  # fmt: skip
    assert "D-301 stands there already" in sentence_on(twin.text)
    assert 'value="D-301"' in twin.text
    assert 'value="bolted on"' in twin.text
    assert "steam" in sentence_on(odd.text)
    assert "Record lock on BL-7" in then
    assert "Name another further point" in then
    assert "no lock is recorded on BL-7" in sentence_on(early.text)
    assert ALL_LOCKED in last
    assert "Number on the lock" in then
    assert "Number on the lock" not in last, "nothing is asked that has no row"
    assert "lock L-77, tag T-77" in last
    assert [point.tag for point in desk.running.site.jobs.state(job).points][3:] == ["BL-7"]
    listed = next(row for row in table(desk, hands, "EF-03", 2026) if row[1].startswith("BL-7"))
    assert listed[1] == "BL-7, further: blank"
    assert "L-77" not in listed


def test_whoever_verifies_is_asked_for_it_and_not_shown_its_lock(desk: Desk) -> None:
    """The question stands on the screen of the verification, no number of any lock does."""
    hands, eyes, (job, step) = desk.named("technician"), desk.named("technician", 1), to_name(desk)
    desk.post(hands, f"/jobs/{job}/rows", act="name", step=step, **BLANK)
    point = desk.running.site.jobs.state(job).points[-1].id
    fields = {"point": point, "seen": "bolted on", "lock": "L-77", "tag_number": "T-77"}
    desk.post(hands, f"/jobs/{job}/rows", act="on", step=step, **fields)
    desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="")
    desk.work_until(job, "Verify that fan")

    begun = desk.get(eyes, f"/jobs/{job}/now").text
    board = text_of(desk, eyes, f"/jobs/{job}/locks")
    desk.post(eyes, f"/jobs/{job}/marks", step=desk.running.site.jobs.state(job).due.id, act="begin")  # type: ignore[union-attr]
    page = text_of(desk, eyes, f"/jobs/{job}/now")

    assert "BL-7 as found" in page
    assert "bolted on, a lock and its tag on it" in page
    assert "BL-7, further: blank" in board
    for told in (begun, board, page):
        assert "L-77" not in told
        assert "T-77" not in told


def test_it_comes_from_paper_by_the_form_of_its_step(desk: Desk) -> None:
    """The page asks for the point first, then for its row; another one has a link."""
    hands, eyes, (job, step) = desk.named("technician"), desk.named("technician", 1), to_name(desk)
    desk.do(job, PrintBlank(), hands)
    first = text_of(desk, hands, f"/jobs/{job}/blanks/1/entry")
    at = desk.running.site.jobs.state(job).last_at
    fields = {
        "what": "point named", "step": step, "hand": hands.id, "day": at[:10], "time": at[11:16],
        "why_late": "no power", "second": eyes.id, "second_secret": SECRETS[eyes.name],
    }  # fmt: skip

    def send(token: str, **typed: str) -> Response:
        page = {"photo": ("page.png", photo(), "image/png")}
        told = {**fields, **BLANK, **typed, "token": token * 32}
        return desk.client(hands).post(f"/jobs/{job}/blanks/1/beside", data=told, files=page)

    wrong, good = send("1", new_safe="x"), send("2")
    then = text_of(desk, hands, f"/jobs/{job}/blanks/1/entry")
    more = text_of(desk, hands, f"/jobs/{job}/blanks/1/entry?further")

    assert "Position it was put in" in first
    assert wrong.status_code == 422
    assert "The position reads 'x'" in wrong.text.replace("&#39;", "'")
    assert 'value="BL-7"' in wrong.text
    assert good.status_code == 303
    named = [event for event in desk.running.site.jobs.events(job) if isinstance(event, PointNamed)]
    assert [(item.tag, item.transcribed is not None) for item in named] == [("BL-7", True)]
    assert "BL-7, to be bolted on" in then
    assert "Another further point is named on the page" in then
    assert "Position it was put in" in more

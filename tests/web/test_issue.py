"""Issuing: shipped procedures at the first start, own ones by a lead, after a rehearsal of exactly that text."""

from pathlib import Path

import pytest

from app.bootstrap import ship_sample_housings, start
from app.cli import GOOD, UNUSABLE, main
from app.domain.site import SITE_LEDGER, ProcedureIssued, ProcedureRehearsed, site_event_from_bytes
from app.settings import Settings
from tests.builders import procedure_text
from tests.web.desk import SECRETS, Clock, Desk


def own_text(revision: int = 6, *, old: str = "Stop {fan}.", new: str = "Stop {fan} at its panel.") -> str:
    """Return the change-out with a higher number and other words."""
    return procedure_text().replace("revision = 5", f"revision = {revision}", 1).replace(old, new)


def put(folder: Path, text: str) -> None:
    """Put a text where the site keeps its change-out."""
    (folder / "procedures" / "change-out.toml").write_text(text, "utf-8")


def events(desk: Desk) -> list[object]:
    """Return the site's own events."""
    return [site_event_from_bytes(payload) for payload in desk.running.store.read_payloads(SITE_LEDGER)]


def test_each_shipped_text_is_rehearsed_before_it_is_issued_and_only_once(tmp_path: Path, clock: Clock) -> None:
    """The first start writes a rehearsal and an issue for each; the next start writes nothing of the kind."""
    desk = Desk.at(tmp_path, clock)
    first = [event for event in events(desk) if isinstance(event, ProcedureRehearsed | ProcedureIssued)]
    desk.running.close()

    again = start(Settings(data=tmp_path), clock)
    second = [site_event_from_bytes(payload) for payload in again.store.read_payloads(SITE_LEDGER)]
    again.close()

    assert [(event.type, event.procedure) for event in first] == [
        (kind, name) for name in ("change-out", "first-fit-out") for kind in ("procedure_rehearsed", "procedure_issued")
    ]
    for rehearsal, issue in zip(first[::2], first[1::2], strict=True):
        assert isinstance(rehearsal, ProcedureRehearsed)
        assert rehearsal.sha256 == issue.sha256
        assert rehearsal.entries > 50
    assert [event for event in second if isinstance(event, ProcedureRehearsed | ProcedureIssued)] == first


def test_a_site_text_waits_for_a_lead_who_has_it_rehearsed_and_issued(desk: Desk, tmp_path: Path) -> None:
    """Nothing is planned with it before; after the lead's secret it is, and the running job stays on its revision."""
    lead, hands = desk.named("lead"), desk.named("technician")
    job = desk.open_job()
    put(tmp_path, own_text())
    fields = {"procedure": "change-out", "housing": "EF-03", "secret": SECRETS[lead.name]}

    planned = desk.get(lead, "/plan/EF-03")
    waits = desk.get(lead, "/procedures").text
    wrong = desk.post(lead, "/procedures/issue", **(fields | {"secret": "not the secret"}))
    issued = desk.post(lead, "/procedures/issue", **fields)
    twice = desk.post(lead, "/procedures/issue", **fields)

    assert planned.status_code == 422
    assert "has not been issued" in planned.text
    assert "NOT issued" in waits
    assert (wrong.status_code, issued.status_code, twice.status_code) == (403, 303, 422)
    assert desk.get(lead, "/plan/EF-03").status_code == 200
    told = "Revision 6 of this procedure has been issued since. This job stays on revision 5"
    assert told in desk.get(lead, f"/jobs/{job}/now").text
    assert told not in desk.get(hands, f"/jobs/{job}/now").text
    opened = desk.running.site.jobs.state(job).opened
    assert opened is not None
    assert opened.revision == 5
    rehearsal = [event for event in events(desk) if isinstance(event, ProcedureRehearsed)][-1]
    assert rehearsal.by == lead
    assert rehearsal.housing == "EF-03"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (own_text().replace('approver = "T. Sarvela"', 'approver = "m.  okonjo-vale"'), "wrote it and approved it"),
        (own_text(5), "give this text a higher number"),
        (own_text().replace('effects = ["set_clamp"]\n', ""), "breaks rule"),
    ],
)
def test_a_text_is_not_issued_by_its_author_under_an_old_number_or_with_a_breach(
    desk: Desk, tmp_path: Path, text: str, told: str
) -> None:
    """Author and approver differ, other words have another number, the model finds nothing: else no issue."""
    lead = desk.named("lead")
    put(tmp_path, text)
    before = events(desk)

    answer = desk.post(lead, "/procedures/issue", procedure="change-out", housing="", secret=SECRETS[lead.name])

    assert answer.status_code == 422
    assert told.lower() in answer.text.lower()
    assert events(desk) == before
    assert [(event.procedure, event.revision) for event in before if isinstance(event, ProcedureIssued)] == [
        ("change-out", 5), ("first-fit-out", 5),
    ]  # fmt: skip


def test_the_command_issues_a_text_of_a_site_that_is_not_served(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`changeout issue` rehearses, issues and tells the digest; a second time it says that it has been done."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    start(settings).close()
    put(tmp_path, own_text())

    first = main(["issue", "change-out", "--data", str(tmp_path)])
    told = capsys.readouterr().out
    second = main(["issue", "change-out", "--data", str(tmp_path)])

    assert first == GOOD
    assert "Issued: change-out revision 6" in told
    assert second == UNUSABLE
    assert "issued already" in capsys.readouterr().err

"""A text is issued once, whoever else is at it at the same time."""

from pathlib import Path

import pytest

from app.calc.errors import Invalid
from app.domain.site import ProcedureIssued
from app.services.issuing import approve, housing_for, issue
from app.services.planning import find_procedure
from tests.builders import procedure_text
from tests.web.desk import Clock, Desk


def test_two_at_once_issue_a_text_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second saw the site before the first had written; the writer decides, with the first one's entry."""
    desk = Desk.at(tmp_path, Clock())
    jobs, lead = desk.running.site.jobs, desk.named("lead")
    text = procedure_text().replace("revision = 7", "revision = 8")
    (tmp_path / "procedures" / "change-out.toml").write_text(text, "utf-8")
    procedure, digest = find_procedure(desk.running.site.library, "change-out")
    approve(jobs, procedure, digest, seen=digest, both=True, by=desk.named("safety officer")).result()
    before = jobs.site()
    issue(jobs, procedure, digest, housing_for(()), by=lead)
    monkeypatch.setattr(jobs, "site", lambda: before)

    with pytest.raises(Invalid, match="has been issued already"):
        issue(jobs, procedure, digest, housing_for(()), by=lead)

    events = jobs.site_events()
    desk.running.close()
    assert [event.sha256 for event in events if isinstance(event, ProcedureIssued)].count(digest) == 1

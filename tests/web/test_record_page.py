"""The page from which a record is taken away."""

from pathlib import Path
from typing import Any

import pytest

from app.records import report
from tests.web.desk import Clock, Desk


def test_the_signatures_are_shown_without_making_the_whole_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every drawing and every sentence of a report is made for the copy that is taken, not for this page."""
    desk = Desk.at(tmp_path, Clock())
    lead, job = desk.named("lead"), desk.open_job()

    def made(*_: Any, **__: Any) -> Any:
        raise AssertionError("the whole report was made")

    monkeypatch.setattr(report, "report_of", made)
    page = desk.get(lead, f"/jobs/{job}/record")
    events = desk.running.site.jobs.events(job)
    desk.running.close()

    signed = [event.signature.meaning for event in events if event.type == "crew_briefed"]
    assert page.status_code == 200
    assert len(signed) == 2
    assert all(meaning in page.text for meaning in signed)

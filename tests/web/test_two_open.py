"""Two leads who open jobs at the same moment get a job each."""

from typing import Any

import pytest

from app.services.planning import first_entry
from tests.web.desk import Desk


@pytest.mark.parametrize(("other", "status"), [("EF-07", 303), ("EF-03", 422)])
def test_a_job_opened_meanwhile_takes_no_number_from_this_one(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, other: str, status: int
) -> None:
    """The next number is taken; a job on the same housing is told of as if it had been there before."""
    raced: list[str] = []

    def slow(*args: Any, **named: Any) -> Any:
        draft = first_entry(*args, **named)
        if not raced:
            raced.append(desk.open_job(other, briefed=False))
        return draft

    monkeypatch.setattr("app.web.routes.housings.first_entry", slow)
    answer = desk.post(desk.named("lead"), "/plan/EF-03", procedure="change-out")

    assert answer.status_code == status
    opened = [(line.number, line.housing) for line, _ in desk.running.site.jobs.in_hand()]
    assert opened == [*([("2026-0002", "EF-03")] if status == 303 else []), ("2026-0001", other)]
    assert ("Job 2026-0001 on EF-03 is not finished" in answer.text) == (status == 422)

"""How a step stands in the printed record."""

from app.domain.applicability import SetAside
from app.domain.commands import Submit
from app.paper.sheets import sheets_of
from app.records.report import report_of
from app.records.wording import who_words
from tests.builders import LEAD, opened

MADE_AT = "2026-03-02T09:00:00.000Z"


def test_a_step_that_was_set_aside_says_so_with_who_and_why() -> None:
    """It is neither done nor begun only; the mark names the lead, the time and the reason."""
    bench = opened()
    bench.run_to("end/service/tell")
    assert bench.state.due is not None
    name = bench.state.due.id
    bench.do(SetAside(name, "the control room is closed for good"), LEAD)
    bench.run_to()
    bench.do(Submit(), LEAD)

    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)
    sheets, _ = sheets_of(report, {})

    (step,) = [item for section in sheets["sections"] for item in section["steps"] if item["id"] == name]
    assert step["state"] == "set aside"
    done = bench.state.mark(name).done
    assert done is not None
    told = f"set aside {who_words(done, 'UTC')}: not applicable: the control room is closed for good"
    assert step["marks"] == [told]
    begun = [item["id"] for section in sheets["sections"] for item in section["steps"] if item["state"] == "begun only"]
    assert begun == []

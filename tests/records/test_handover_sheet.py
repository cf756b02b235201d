"""What the sheet to hand over says of the points of isolation."""

import io
from datetime import datetime

import pikepdf
import pytest

from app.domain.commands import Open
from app.domain.housing import IsolationPoint, PointKind
from app.domain.locks import PutOwnLockOn
from app.domain.site import SiteState
from app.paper.extracts import handover_pdf
from app.paths import FONTS
from app.records.handover_sheet import drawings_of, sheet_of
from app.records.moments import utc_text
from app.services.planning import first_entry, plan
from tests.builders import EYES, HANDS, LEAD, START, Bench, housing, procedure

MADE_AT = "2026-03-02T09:00:00.000Z"


PURGE, SAMPLE = PointKind.PURGE, PointKind.SAMPLE


def with_points(*more: IsolationPoint) -> Bench:
    """Open a job on a housing whose points have ids of the site's own."""
    given = housing("EF-03")
    points = (
        IsolationPoint(id="V1", tag=given.upstream_damper, kind=PointKind.DAMPER, safe="shut"),
        IsolationPoint(id="V2", tag=given.downstream_damper, kind=PointKind.DAMPER, safe="shut"),
        IsolationPoint(id="F1", tag="FAN-3-ISO", kind=PointKind.FAN, safe="isolator off"),
        *more,
    )
    made = plan(given.model_copy(update={"isolation_points": points}), procedure("change-out"), "0" * 64)
    bench = Bench()
    draft = first_entry(
        made, site=SiteState(name="Sample Works"), by=LEAD, at=utc_text(START), crew=(HANDS, EYES), rehearsal=False
    )
    bench.ledger = draft.ledger
    bench.do(Open(draft), LEAD)
    bench.brief(HANDS, EYES)
    return bench


def test_every_point_of_isolation_has_its_row() -> None:
    """Dampers, fan, purge and sample: where each stands and its lock, by whatever id the site gives it."""
    bench = with_points(
        IsolationPoint(id="N2", tag="PG-17", kind=PURGE, safe="valve shut, hose off"),
        IsolationPoint(id="S1", tag="SP-4", kind=SAMPLE, safe="shut, capped"),
    )
    before = sheet_of(bench.state, root=bench.root, made_at=MADE_AT)["locks"]
    bench.run_to("verify/isolation")
    after = sheet_of(bench.state, root=bench.root, made_at=MADE_AT)["locks"]

    given = housing("EF-03")
    assert [row[0] for row in before] == [
        given.upstream_damper, given.downstream_damper, "FAN-3-ISO", "PG-17", "SP-4",
    ]  # fmt: skip
    assert {row[2] for row in before} == {"no lock recorded"}
    assert before[3][1] == "not recorded"
    hung = {item.tag: item for item in bench.state.locks.points}
    assert [row[2] for row in after] == [hung[row[0]].lock for row in after]
    assert [row[1] for row in after[:3]] == ["shut", "shut", "stopped"]
    bench.do(PutOwnLockOn("OWN-7"), HANDS)
    bench.do(PutOwnLockOn("OWN-8"), EYES)
    own = sheet_of(bench.state, root=bench.root, made_at=MADE_AT)["locks"]
    assert own == [*after, ["Own locks", "on", f"OWN-7 ({HANDS.name}); OWN-8 ({EYES.name})"]]
    assert [row[1] for row in after[3:]] == [f"seen {hung[tag].seen}" for tag in ("PG-17", "SP-4")]


@pytest.mark.parametrize("due", ["", "verify/isolation", "out-1/gather"])
def test_as_many_points_as_there_can_be_stand_on_one_page(due: str) -> None:
    """Twelve points, unlocked and locked, leave the sheet on one page."""
    more = (
        IsolationPoint(id=f"S{number}", tag=f"SP-{number}", kind=SAMPLE, safe="shut, cap on") for number in range(9)
    )
    bench = with_points(*more)
    for name in (due,) if due else ():
        bench.run_to(name)

    printed = handover_pdf(
        sheet=sheet_of(bench.state, root=bench.root, made_at=MADE_AT), drawings=drawings_of(bench.state), fonts=FONTS,
        made_at=datetime.fromisoformat(MADE_AT),
    )  # fmt: skip

    assert len(housing("EF-03").ports) == 1, "the one port's drawing is the tallest"
    assert len(pikepdf.open(io.BytesIO(printed)).pages) == 1

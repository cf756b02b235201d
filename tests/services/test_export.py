"""What an export does to make its files."""

import pytest

from app.domain.events import Event
from app.domain.job import JobState, fold
from app.services import export
from app.services.export import Material, export_files
from app.services.planning import plan
from app.services.rehearsal import rehearse
from tests.builders import START, housing, procedure
from tests.ledger.signing import new_signer


def test_a_job_is_folded_once_for_all_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """The state is made from the entries once, for the record and for the report."""
    signer = new_signer()
    run = rehearse(plan(housing(), procedure(), "0" * 64), signer, begin=START)
    pem = signer.certificate_pem
    material = Material(tuple(run.events), tuple(run.heads), {}, pem, pem, "2026-03-02T09:00:00.000Z", "tested")
    folded = []

    def counted(events: tuple[Event, ...]) -> JobState:
        folded.append(events)
        return fold(events)

    monkeypatch.setattr(export, "fold", counted)
    files = export_files(material, signer, lambda *_: b"%PDF")

    assert len(folded) == 1
    assert files["record.json"] == export.record_json(material)

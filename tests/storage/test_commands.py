"""What `changeout export` and `changeout issue` leave in a site's ledger, and which folders they take."""

from pathlib import Path

from app.bootstrap import start
from app.cli import UNUSABLE, main
from app.domain.procedure import Role
from app.domain.site import SiteEvent
from app.services.issuing import approve
from app.services.planning import find_procedure
from app.settings import Settings
from tests.builders import procedure_text
from tests.storage.kept_sites import copied
from tests.storage.small_site import JOB


def settings_of(data: Path) -> Settings:
    """Return settings of which none is what the program brings along."""
    return Settings(data=data, site="North Works", zone="Europe/Berlin", session_hours=8)


def added(settings: Settings, command: list[str], status: int = 0) -> list[SiteEvent]:
    """Run one command for a site that was served with these settings; return what it added to the site's ledger."""
    served = start(settings)
    before = len(served.site.jobs.site_events())
    served.close()
    found = main([*command, "--data", str(settings.data)])
    served = start(settings)
    after = served.site.jobs.site_events()
    served.close()
    assert found == status
    return list(after[before:])


def test_an_export_is_no_start_of_the_server(site_folder: Path, tmp_path: Path) -> None:
    """One entry, that a copy was taken; none that the server was started under another name, and none back again."""
    settings = settings_of(copied(site_folder, tmp_path / "site"))

    entries = added(settings, ["export", JOB, "--out", str(tmp_path / "out")])

    assert [event.type for event in entries] == ["record_exported"]


def test_an_issue_is_no_start_of_the_server(site_folder: Path, tmp_path: Path) -> None:
    """The rehearsal and the issue, and nothing of a start; nothing at all before somebody approved the text."""
    settings = settings_of(copied(site_folder, tmp_path / "site"))
    text = procedure_text().replace("revision = 7", "revision = 8", 1)
    (settings.data / "procedures" / "change-out.toml").write_text(text, "utf-8")

    unsigned = added(settings, ["issue", "change-out"], UNUSABLE)
    served = start(settings)
    procedure, digest = find_procedure(served.site.library, "change-out")
    officer = next(item.who for item in served.people.everyone() if item.role is Role.SAFETY_OFFICER)
    approve(served.site.jobs, procedure, digest, seen=digest, both=True, by=officer).result()
    served.close()

    entries = added(settings, ["issue", "change-out"])

    assert unsigned == []
    assert [event.type for event in entries] == ["procedure_rehearsed", "procedure_issued"]

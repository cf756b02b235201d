"""No gate passes without having run where what it needs was installed."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests import faults
from tests.engines import server
from tests.faulting.lives import NoStraceError, NoTraceError, may_trace
from tests.needed import INSTALLED, missing
from tests.paper import tools


def test_a_missing_program_is_skipped_with_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """On anybody's machine the reason stands in the report."""
    monkeypatch.delenv(INSTALLED, raising=False)

    with pytest.raises(pytest.skip.Exception, match=r"^no server is installed here$"):
        missing("no server is installed here")


def test_a_missing_program_fails_where_it_was_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same program that is missing after `.ci/run` installed it fails the test, with both said."""
    monkeypatch.setenv(INSTALLED, "1")

    with pytest.raises(pytest.fail.Exception, match=r"^no server is installed here; CHANGEOUT_MUST_RUN=1 says"):
        missing("no server is installed here")


def test_a_reader_of_pdfs_that_is_missing_fails_where_it_was_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests of paper say which program they lack."""
    monkeypatch.setenv(INSTALLED, "1")

    with pytest.raises(pytest.fail.Exception, match=r"^no-such-reader is not installed; "):
        tools.run("no-such-reader")


def test_a_missing_postgresql_server_fails_where_it_was_installed(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without a server the whole folder of the engines would be skipped."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(server, "PLACES", ())
    monkeypatch.setenv(INSTALLED, "1")

    with pytest.raises(pytest.fail.Exception, match=r"^no PostgreSQL server is installed here "):
        server.found()


def without_strace() -> None:
    """Refuse as where strace is not installed."""
    raise NoStraceError("strace is not here")


def without_leave() -> None:
    """Refuse as in a container that lets nobody look at another process."""
    raise NoTraceError("strace may not look at another process here")


@pytest.mark.parametrize(
    ("refuses", "installed", "status"),
    [(without_strace, "1", 1), (without_strace, "", 0), (without_leave, "1", 0)],
    ids=["missing where installed", "missing", "not let"],
)
def test_the_fault_harness_passes_without_strace_only_where_nobody_installed_it(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    refuses: Callable[[], None],
    installed: str,
    status: int,
) -> None:
    """What installing cannot mend, a container's leave, stays a message."""
    monkeypatch.setattr("sys.argv", ["faults", "--short", "--only", "kill,error,power"])
    monkeypatch.setattr(faults, "may_trace", refuses)
    monkeypatch.setenv(INSTALLED, installed)

    assert faults.main() == status
    said = capsys.readouterr().out
    assert ("kill: FAILED, strace" in said) == (status == 1)
    assert ("kill: skipped, strace" in said) == (status == 0)


def test_strace_that_is_not_on_the_path_is_told_from_strace_that_may_not_look(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The harness knows which of the two it is."""
    monkeypatch.setenv("PATH", str(tmp_path))

    with pytest.raises(NoStraceError):
        may_trace()

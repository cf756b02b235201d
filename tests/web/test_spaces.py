"""In network namespaces: nothing leaves the site but answers, and lines that lose packets lose no mark."""

from pathlib import Path

import pytest

from tests.spacing.runs import dealt_marks, lossy_crossing, watched_job, wrong_marks
from tests.spacing.spaces import spaces, why_not

pytestmark = pytest.mark.skipif(bool(why_not()), reason=why_not())


def test_nothing_leaves_but_answers_in_a_whole_job_with_export_and_backup(tmp_path: Path) -> None:
    """The sample site, served where the only route leads to a trap, sends no packet that nobody asked for."""
    with spaces() as made:
        watched = watched_job(made, tmp_path / "demo")

    assert watched.others == 0
    assert watched.answers > 100


@pytest.mark.parametrize("program", ["looks_out", "asks_a_name"])
def test_a_program_that_looks_something_up_is_caught(tmp_path: Path, program: str) -> None:
    """The same watch counts a seeded attempt to reach an address outside, and a name asked of the machine itself."""
    with spaces() as made:
        watched = watched_job(made, tmp_path / "demo", program=f"tests.spacing.{program}", whole=False)

    assert watched.others > 0


def test_two_tablets_on_lines_that_lose_a_fifth_lose_no_mark(tmp_path: Path) -> None:
    """With the server killed on the way: none lost, none twice, each tablet's order kept."""
    with spaces() as made:
        crossed = lossy_crossing(made, tmp_path, marks=100, kills=1)

    assert crossed.wrong == []
    assert crossed.sent == 200


def test_marks_that_did_not_arrive_are_noticed(tmp_path: Path) -> None:
    """What the crossing is judged by speaks up for every mark that nobody sent."""
    dealt = dealt_marks(tmp_path / "site", 3)

    wrong = wrong_marks(tmp_path / "site", dealt)

    assert len(wrong) == 6
    assert all("stands 0 times" in told for told in wrong)

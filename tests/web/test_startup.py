"""What the first page costs: nothing that only an export, a signature or a secret needs is loaded for it."""

import gc
import subprocess
import sys
from pathlib import Path

import pytest

from app.bootstrap import ship_sample_housings, start
from app.cli import UNUSABLE, main
from app.domain.procedure import Role
from app.services.collector import ROUND
from app.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
HEAVY = (
    "typst",
    "pyhanko",
    "lxml",
    "fontTools",
    "scipy",
    "numpy",
    "matplotlib",
    "app.records.report",
    "app.records.drops",
    "app.web.views.registers",
    "app.storage.restore",
    "PIL",
    "argon2",
    "cryptography",
    "app.paper",
    "alembic",
    "psycopg",
    "app.storage.engine_postgresql",
)
CHILD = """
import sys
from pathlib import Path
from starlette.testclient import TestClient
from app import cli
from app.bootstrap import start
from app.settings import Settings

running = start(Settings(data=Path(sys.argv[1])))
page = TestClient(running.app).get("/signin")
assert page.status_code == 200 and "Aiko Lindqvist" in page.text, page.text
running.close()
print(*(name for name in sys.argv[2:] if name in sys.modules))
"""


def loaded_for_the_first_page(folder: Path, *names: str) -> list[str]:
    """Serve the sign-in page in a fresh process and return which of these modules it has loaded."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(folder), *names], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_the_first_page_of_a_site_loads_no_heavy_library(tmp_path: Path) -> None:
    """A server over an existing folder shows its first page without PDF, plotting, signing or hashing libraries."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings)
    running.people.add("Aiko Lindqvist", Role.SAFETY_OFFICER, by=None, identity="known to us")
    running.close()

    loaded = loaded_for_the_first_page(tmp_path, *HEAVY, "fastapi")

    assert loaded == ["fastapi"]


def test_the_collector_works_again_after_a_start_that_failed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The garbage collector rests during a start only; a folder that cannot be used leaves it at work."""
    taken = start(Settings(data=tmp_path))

    status = main(["serve", "--data", str(tmp_path)])
    taken.close()

    assert status == UNUSABLE
    assert "in use" in capsys.readouterr().err
    assert gc.isenabled()
    assert gc.get_threshold()[0] == ROUND

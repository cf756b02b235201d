"""Build the wheel, install it in an environment of its own, run it from another folder.  `python -m tests.wheel`."""

import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FILES_NEEDED = ("templates/work.html", "static/css/tokens.css", "seed_data/procedures/change-out.toml")


def run(*command: str, cwd: Path) -> str:
    """Run a command and return what it printed; end with its output if it fails."""
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def main() -> int:
    """Return 0 if the wheel finds its templates, static files and seed data, and rehearses and verifies a job."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(place / "dist"), cwd=ROOT)
        wheel = next((place / "dist").glob("*.whl"))
        venv.create(place / "env", with_pip=True)
        python = place / "env" / ("Scripts" if sys.platform == "win32" else "bin") / "python"
        constraints = str(ROOT / "constraints.txt")
        run(str(python), "-m", "pip", "install", "-q", "-c", constraints, str(wheel), cwd=place)
        elsewhere = place / "elsewhere"
        elsewhere.mkdir()
        changeout = str(python.with_name("changeout"))
        listed = run(str(python), "-P", "-c", "import app.paths as p; print(p.TEMPLATES.parent)", cwd=elsewhere).strip()
        missing = [name for name in FILES_NEEDED if not (Path(listed) / name).is_file()]
        if missing or not listed.startswith(str(place)):
            raise SystemExit(f"The installed wheel lacks {missing or 'its own data'} (it looks in {listed}).")
        housing = str(ROOT / "seed_data" / "housings" / "EF-07.toml")
        print(run(changeout, "rehearse", housing, "--out", "record", cwd=elsewhere).splitlines()[0])
        print(run(changeout, "verify", "record", cwd=elsewhere).splitlines()[-2])
        page = (
            "import pathlib; from app.bootstrap import start; from app.settings import Settings; "
            "from starlette.testclient import TestClient; r = start(Settings(data=pathlib.Path('site'))); "
            "print(TestClient(r.app).get('/signin').status_code); r.close()"
        )
        run(str(python), "-m", "pip", "install", "-q", "-c", constraints, "httpx2", cwd=place)
        print(f"sign-in page: {run(str(python), '-P', '-c', page, cwd=elsewhere).strip()}")
    print("The wheel works in another environment, from another folder.")
    return 0


if __name__ == "__main__":
    sys.exit(main())

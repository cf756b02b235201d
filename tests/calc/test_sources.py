"""Sources: every figure points to one, and what was recalled is shown as recalled."""

import ast
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

import app.calc
from app.calc import constants, registry
from app.calc.constants import Constant
from app.calc.sources import SOURCES, Confidence, shown, source
from app.calc.units import UNITS

PACKAGE = Path(app.calc.__file__).parent
TESTS = Path(__file__).parent


@pytest.mark.parametrize("source_id", list(SOURCES))
def test_memory_is_always_shown_as_memory(source_id: str) -> None:
    """A source from memory is no requirement and says so wherever it is shown; no other source says it."""
    found = source(source_id)

    from_memory = found.confidence is Confidence.MEMORY

    assert ("from memory, not confirmed" in found.shown) is from_memory
    assert not (from_memory and found.is_requirement)
    assert found.id == source_id


def test_confidences_are_told_in_words() -> None:
    """The words for practice and for own computation stand in what is shown."""
    assert source("background").shown.endswith("(common practice, no source)")
    assert source("algebra").shown == "Algebra (computed here)"
    assert shown("algebra", "mass-balance") == "Algebra (computed here); Mass balance (computed here)"


def test_every_constant_and_unit_has_a_source() -> None:
    """Each constant's and unit's source is in the table."""
    found = [c for c in vars(constants).values() if isinstance(c, Constant)]

    assert len(found) > 20
    assert {c.source_id for c in found} | {u.source_id for u in UNITS.values()} <= set(SOURCES)
    assert all(c.unit for c in found)


def test_every_source_named_in_the_code_is_in_the_table() -> None:
    """Every id handed to `source`, `shown` or `source_id` in the package exists."""
    named: set[str] = set()
    for path in PACKAGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                named |= _ids(node)

    assert len(named) > 15
    assert named <= set(SOURCES)


def _ids(call: ast.Call) -> set[str]:
    name = call.func.id if isinstance(call.func, ast.Name) else ""
    by_place = call.args if name in {"source", "shown"} else []
    by_name = [k.value for k in call.keywords if k.arg == "source_id"]
    return {n.value for n in [*by_place, *by_name] if isinstance(n, ast.Constant) and isinstance(n.value, str)}


@pytest.mark.parametrize("name", registry.names())
def test_every_named_calculation_tells_its_sources(name: str) -> None:
    """The source of each calculation names a confidence, so a user sees how far it is confirmed."""
    told = registry.describe(name).source

    assert any(confidence.value in told for confidence in Confidence)


def test_calculations_from_memory_say_so() -> None:
    """The pressure-decay equation and the laminar law were recalled, and both results say it."""
    for name in ("pressure_decay", "resistance_at_rated"):
        assert "from memory, not confirmed" in registry.describe(name).source


def test_nothing_happens_on_import() -> None:
    """Importing every module of the package reads no clock and does not load scipy."""
    import subprocess
    import sys

    modules = [f"app.calc.{m.name}" for m in pkgutil.iter_modules([str(PACKAGE)])]
    script = (
        f"import sys, importlib; [importlib.import_module(m) for m in {modules!r}]; sys.exit('scipy' in sys.modules)"
    )

    done = subprocess.run([sys.executable, "-c", script], check=False, cwd=PACKAGE.parents[1])

    assert done.returncode == 0
    assert all(importlib.import_module(m) for m in modules)


def test_every_check_value_has_its_test() -> None:
    """CV01 to CV66 each have a test named after them; 09, 32 and 55 do not exist and 37 to 43 count bags elsewhere."""
    text = "\n".join(path.read_text("utf-8") for path in TESTS.glob("test_*.py"))
    tested = {int(n) for name in re.findall(r"def (test_cv\w+)", text) for n in re.findall(r"cv(\d\d)", name)}

    assert tested == set(range(1, 67)) - {9, 32, 55} - set(range(37, 44))

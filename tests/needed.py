"""What the tests need from the system: skipped with its name where it is missing, a failure where it was installed.

`.ci/run` installs these programs and says so with CHANGEOUT_MUST_RUN=1, so that no gate passes there without having
run.  Browsers and network namespaces are not among them: no container promises these.
"""

import os
from typing import NoReturn

import pytest

INSTALLED = "CHANGEOUT_MUST_RUN"


def must_run() -> bool:
    """Say whether the programs that the tests need were installed for this run."""
    return os.environ.get(INSTALLED) == "1"


def missing(what: str) -> NoReturn:
    """End the test: skipped with this reason, or failed with it where everything must run."""
    if must_run():
        pytest.fail(f"{what}; {INSTALLED}=1 says that it was installed, so this may not be skipped", pytrace=False)
    pytest.skip(what)

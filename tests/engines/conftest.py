"""A small site on SQLite, made once, that tests copy."""

from pathlib import Path

import pytest

from tests.storage.small_site import make_site


@pytest.fixture(scope="session")
def site_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one small site; tests copy it and leave it as it is."""
    folder = tmp_path_factory.mktemp("small") / "site"
    make_site(folder)
    return folder

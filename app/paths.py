"""Where templates, static files and seed data lie: beside the package in a checkout, inside it in a wheel."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_ROOT = _PACKAGE / "_data" if (_PACKAGE / "_data").is_dir() else _PACKAGE.parent

TEMPLATES = _ROOT / "templates"
STATIC = _ROOT / "static"
SEED_DATA = _ROOT / "seed_data"
FONTS = STATIC / "fonts"

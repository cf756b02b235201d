"""The typesetter's own process: `python setter.py FOLDER FONTS TIME STANDARD…`, the source on standard input.

It reads nothing but the folder and the fonts and writes the PDF to standard output.  What it cannot read it tells on
standard error and ends with status 1; any other fault ends it with another status.  It is run by its path and imports
nothing of this program.
"""

import sys
from datetime import datetime
from typing import Any


def main() -> int:
    """Typeset once."""
    try:
        import typst
    except ImportError as error:
        sys.stderr.write(str(error))
        return 2
    folder, fonts, made_at, *standards = sys.argv[1:]
    compile_: Any = typst.compile  # its stub wants source and folder of one type; its code does not
    try:
        made: bytes = compile_(
            sys.stdin.buffer.read(),
            root=folder,
            font_paths=[fonts] if fonts else [],
            ignore_system_fonts=True,
            format="pdf",
            pdf_standards=standards,
            timestamp=datetime.fromisoformat(made_at),
        )
    except RuntimeError as error:
        sys.stderr.write(str(error))
        return 1
    sys.stdout.buffer.write(made)
    return 0


if __name__ == "__main__":
    sys.exit(main())

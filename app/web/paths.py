"""Addresses of this site and no other."""


def inside(path: str) -> str:
    """Return a path of this site, never another address; the first page for anything else."""
    return path if path.startswith("/") and not path.startswith("//") and "\\" not in path else "/"


IN_HAND = "/in-hand"
"""Where anybody may stop a job, also those who do not work on it."""

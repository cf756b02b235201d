"""What the app says of itself, in the words of OpenAPI: which answers each of its routes may give.

The description is served nowhere; tests hold every answer against it.  FastAPI's own guess is replaced: it names an
answer in JSON to every request that cannot be read, which this app never gives.
"""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from app.web.guard import UNSAFE
from app.web.roles import ALLOWED

ANYWHERE = {
    303: "Another page comes first, or the form was taken: its address.",
    403: "The role may not do this, or the request came from another origin.",
    422: "Something in the address or form cannot be read; a sentence says what.",
}
WITH_A_PAGE = {200: "A page, a piece of one, or a file."}
WITH_A_PATH = {404: "There is no such page.", 409: "The rules refuse it; a sentence says why and what to do."}
SIGNED_IN = {
    401: "Nobody is signed in; asked by a script.",
    423: "The screen is covered; a secret uncovers it.",
}
WITH_A_FORM = {
    204: "Taken; there is nothing to show.",
    400: "The form cannot be read, or its line broke.",
    409: "The rules refuse it; a sentence says why and what to do.",
    413: "The upload is too large.",
}
NOT_WELL = {503: "The ledger cannot take it now; nothing of it was saved."}
MAY_BE_MISSING = frozenset({"/trust/authority.crt"})
"""Files that a site may do without."""
CONTENT = {
    "application/x-www-form-urlencoded": {"schema": {"type": "object", "additionalProperties": {"type": "string"}}}
}
TAKEN_WHOLE = {
    "/jobs/{job}/kept": {"application/json": {"schema": {"type": "object"}}},
    "/photos/{sha256}/part": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
}
"""What scripts send to; all else is a form."""


def answers_of(method: str, path: str) -> dict[int, str]:
    """Return the statuses that a route may answer with, and when."""
    told = {**ANYWHERE, **WITH_A_PAGE, **NOT_WELL}
    if "{" in path or path in MAY_BE_MISSING:
        told |= WITH_A_PATH
    if ALLOWED[(method, path)] is not None:
        told |= SIGNED_IN
    if method in UNSAFE:
        told |= WITH_A_FORM
    return dict(sorted(told.items()))


def describe(app: FastAPI) -> dict[str, Any]:
    """Return the description of the app: its operations with their parameters, bodies and answers."""
    made = get_openapi(title=app.title, version=app.version, routes=app.routes)
    for path, operations in made["paths"].items():
        for method, operation in operations.items():
            answers = answers_of(method.upper(), path)
            operation["responses"] = {str(status): {"description": words} for status, words in answers.items()}
            if method.upper() in UNSAFE:
                operation["requestBody"] = {"content": TAKEN_WHOLE.get(path, CONTENT)}
    made.get("components", {}).pop("schemas", None)
    return made

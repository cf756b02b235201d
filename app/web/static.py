"""Static files: compressed once, addressed by content, kept by the browser for ever."""

import gzip
import mimetypes
from functools import lru_cache
from hashlib import sha256

from starlette.requests import Request
from starlette.responses import Response

from app.paths import STATIC
from app.web.render import static_url

FOR_EVER = "public, max-age=31536000, immutable"
COMPRESSED = {".css", ".js", ".svg", ".txt"}


@lru_cache(maxsize=64)
def _file(name: str) -> tuple[bytes, bytes | None, str] | None:
    path = (STATIC / name).resolve()
    if not path.is_relative_to(STATIC.resolve()) or not path.is_file():
        return None
    data = path.read_bytes()
    packed = gzip.compress(data, mtime=0) if path.suffix in COMPRESSED else None
    return data, packed, mimetypes.guess_type(path.name)[0] or "application/octet-stream"


async def serve_tablet(request: Request) -> Response:
    """Serve the scripts that keep marks on a tablet under addresses of their own that never change.

    The service worker must stand at the top to see every page, and its modules must be the same for pages and for it.
    """
    name = request.path_params.get("name")
    found = _file(f"js/kept/{name}.js" if name else "js/tablet.js")
    if found is None:
        return Response("No such file.", status_code=404, media_type="text/plain")
    data, _, media_type = found
    tag = f'"{sha256(data).hexdigest()[:16]}"'
    headers = {"Cache-Control": "no-cache", "ETag": tag}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(data, media_type=media_type, headers=headers)


async def serve_static(request: Request) -> Response:
    """Serve `/static/{hash}/{name}`; a hash of another release redirects to today's."""
    name = request.path_params["name"]
    found = _file(name)
    if found is None:
        return Response("No such file.", status_code=404, media_type="text/plain")
    if static_url(name).split("/")[2] != request.path_params["digest"]:
        return Response(status_code=307, headers={"Location": static_url(name), "Cache-Control": "no-cache"})
    data, packed, media_type = found
    headers = {"Cache-Control": FOR_EVER, "Vary": "Accept-Encoding"}
    if packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
        return Response(packed, media_type=media_type, headers={**headers, "Content-Encoding": "gzip"})
    return Response(data, media_type=media_type, headers=headers)

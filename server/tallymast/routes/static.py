"""Serves the files of web/static from memory, named by their content.

Only files found at the start are served, so no path can climb out. A name with the right
digest may be kept by the browser for ever; text is compressed once, at its first request.
"""

import gzip
import hashlib
import mimetypes
from functools import cache
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Header, Request, Response

from tallymast import assets

FOR_EVER = "public, max-age=31536000, immutable"
_TYPES = {
    ".js": "text/javascript",
    ".css": "text/css",
    ".svg": "image/svg+xml",
    ".woff2": "font/woff2",
}
_COMPRESSED = {".js", ".css", ".svg", ".txt"}

router = APIRouter(include_in_schema=False)


@cache
def _files() -> dict[str, Path]:
    root = assets.web() / "static"
    return {path.relative_to(root).as_posix(): path for path in root.rglob("*") if path.is_file()}


@cache
def _digest(name: str) -> str:
    return hashlib.sha256(_files()[name].read_bytes()).hexdigest()[:12]


@cache
def _compressed(name: str) -> bytes:
    return gzip.compress(_files()[name].read_bytes(), 9, mtime=0)


def address(name: str) -> str:
    """Return where the browser finds a file of web/static, by its content.

    Raises:
        KeyError: there is no such file; a template names it wrongly.

    """
    return f"/static/{name}?v={_digest(name)}"


@router.get("/static/{name:path}")
def static_file(
    request: Request,
    name: str,
    v: str = "",
    accept_encoding: Annotated[str, Header()] = "",
) -> Response:
    """Answer one file of web/static."""
    path = _files().get(name)
    if path is None:
        return Response(status_code=404)
    is_named = v == _digest(name) or path.suffix == ".woff2"  # a font's name has its version
    kept = FOR_EVER if is_named else "no-cache"
    headers = {"Cache-Control": kept, "ETag": f'"{_digest(name)}"', "Vary": "Accept-Encoding"}
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    media = _TYPES.get(path.suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"
    if path.suffix in _COMPRESSED and "gzip" in accept_encoding:
        headers["Content-Encoding"] = "gzip"
        return Response(_compressed(name), media_type=media, headers=headers)
    return Response(path.read_bytes(), media_type=media, headers=headers)

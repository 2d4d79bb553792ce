"""Styles and scripts under an address with the hash of all of them, so that modules importing each other fit."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from pathlib import Path

from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

STATIC = Path(__file__).parent / "static"
_VERSION = re.compile(r"[0-9a-f]{12}/")
_FOR_GOOD, _ASK_AGAIN = "public, max-age=31536000, immutable", "no-cache"


@cache
def version() -> str:
    """Hash of every file's name and content: another one as soon as any file changes."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def static_url(name: str) -> str:
    """The address of a file; a module's relative imports stay within the same version."""
    return f"/static/{version()}/{name}"


class Assets(StaticFiles):
    """Serves `VERSION/name`. Browsers keep the present version; any other address gives the present file, to be
    asked for again the next time."""

    def __init__(self) -> None:
        super().__init__(directory=STATIC)

    async def get_response(self, path: str, scope: Scope) -> Response:
        """The file, and how long it may be kept."""
        response = await super().get_response(_VERSION.sub("", path, count=1), scope)
        response.headers["Cache-Control"] = _FOR_GOOD if path.startswith(f"{version()}/") else _ASK_AGAIN
        return response

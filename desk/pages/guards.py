"""Guards around every request: how much a body may hold, and the headers that keep a page to itself."""

from __future__ import annotations

import re

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PHOTO_BYTES = 100_000_000
"""The largest photograph that is taken, the same limit as when one is read; and the largest corrected set."""
_SLACK = 100_000
_ORDINARY_BYTES = 6_000_000
"""Anything else, a circuit list of 5 MB among it."""
_LARGE_PATHS = re.compile(r"(/api/v1)?/assemblies/\d+/(photographs|uploads/[\w-]+)|/learning/snapshots/import")
_CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _CSP,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(self)",
}


class Guards:
    """ASGI middleware: a limit on every body, security headers on every answer, no caching of other people's data."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        limit = PHOTO_BYTES + _SLACK if _LARGE_PATHS.fullmatch(scope["path"]) else _ORDINARY_BYTES

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                _add_headers(message, scope)
            await send(message)

        declared = dict(scope["headers"]).get(b"content-length", b"")
        if declared.isdigit() and int(declared) > limit:
            await _too_large(scope, limit)(scope, receive, send_guarded)
            return
        await self.app(scope, _counted(receive, limit), send_guarded)


def _counted(receive: Receive, limit: int) -> Receive:
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > limit:
            raise HTTPException(413, _too_much(limit))  # into the application that reads on past the limit
        return message

    return counted


def _too_large(scope: Scope, limit: int) -> Response:
    text = _too_much(limit)
    if scope["path"].startswith("/api/"):
        return JSONResponse({"error": text}, 413, {"Connection": "close"})
    return PlainTextResponse(text, 413, {"Connection": "close"})


def _too_much(limit: int) -> str:
    return (
        f"expected at most {limit / 1e6:.0f} MB, got more: send photographs one by one as the camera made them; "
        "nothing was kept"
    )


def _add_headers(message: Message, scope: Scope) -> None:
    headers = MutableHeaders(scope=message)
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    if not scope["path"].startswith("/static/"):
        headers.setdefault("Cache-Control", "no-store")

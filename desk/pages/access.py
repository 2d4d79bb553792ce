"""Who is asking, whether they may, and whether a form really comes from a page of this desk."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from desk.shop import signing_in
from desk.shop.desk import Desk
from desk.shop.errors import NotAllowed, SignInNeeded, StaleForm
from desk.shop.people import Account

COOKIE = "desk_session"
FORM_FIELD, FORM_HEADER = "form_token", "x-form-token"
_READING = ("GET", "HEAD", "OPTIONS")
_BEARER = "bearer "


@dataclass(frozen=True)
class Visitor:
    """The person behind a request. `form_token` goes into every form; None for programs, which need none."""

    account: Account
    token: str
    form_token: str | None


def desk_of(request: Request) -> Desk:
    """The desk that this app serves."""
    desk: Desk = request.app.state.desk
    return desk


def require(*roles: str) -> Callable[[Request], Awaitable[Visitor]]:
    """A dependency: the person signed in, with one of these roles (none: whoever is signed in).

    A request that changes something and comes with a cookie must carry the session's form token, as the header
    `X-Form-Token` or the form field `form_token`. Programs send `Authorization: Bearer TOKEN` and no cookie.
    """

    async def visitor(request: Request) -> Visitor:
        found = await run_in_threadpool(find_visitor, request)
        if found is None:
            raise SignInNeeded("expected somebody signed in, got nobody or a session that has ended: sign in (again)")
        request.state.visitor = found
        if request.method not in _READING and found.form_token is not None:
            await _check_form_token(request, found.form_token)
        if not found.account.may(*roles):
            raise NotAllowed(
                f"expected the role {' or '.join(roles)}, got {', '.join(sorted(found.account.roles))}: "
                "ask the administrator for the role, or somebody who has it"
            )
        return found

    return visitor


def find_visitor(request: Request) -> Visitor | None:
    """The person of the request's bearer token or cookie."""
    given = request.headers.get("authorization", "")
    bearer = given[len(_BEARER) :].strip() if given.lower().startswith(_BEARER) else None
    token = bearer or request.cookies.get(COOKIE)
    if not token:
        return None
    desk = desk_of(request)
    with desk.database.read() as session:
        found = signing_in.who_is(session, token, "program" if bearer else "browser")
    if found is None:
        return None
    account, note_it = found
    if note_it:
        with desk.database.write() as session:
            signing_in.note_seen(session, token)
    return Visitor(account, token, None if bearer else signing_in.form_token(token))


async def _check_form_token(request: Request, expected: str) -> None:
    given = request.headers.get(FORM_HEADER)
    if given is None and "form" in request.headers.get("content-type", ""):
        value = (await request.form(max_files=50, max_fields=200)).get(FORM_FIELD)
        given = value if isinstance(value, str) else None
    if given is None or not hmac.compare_digest(given.encode(), expected.encode()):
        raise StaleForm(
            "expected a form of your present session, got one opened before you signed in (again): "
            "go back, copy what you typed, reload the page and send it from there; nothing was changed"
        )


def refuse_other_sites(request: Request) -> None:
    """A dependency of forms before anybody is signed in: they must be sent from this desk's own pages."""
    site = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    foreign = site not in (None, "same-origin", "none")
    if site is None and origin is not None:  # an older browser
        foreign = origin.split("://")[-1] != request.headers.get("host")
    if foreign:
        raise StaleForm("expected a form of this desk, got one from another site: open the desk's own page")


def set_cookie(response: Response, token: str, desk: Desk) -> None:
    """Hand the session to the browser; scripts cannot read it and other sites cannot send it with their forms."""
    response.set_cookie(
        COOKIE, token, max_age=round(signing_in.BROWSER_LASTS.total_seconds()), httponly=True, secure=desk.https,
        samesite="lax", path="/",
    )  # fmt: skip


def address_of(request: Request) -> str:
    """Where a request comes from, for the lock-out."""
    return request.client.host if request.client else "unknown"

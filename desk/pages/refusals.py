"""Turns the desk's typed errors into answers: a page for people, an object for programs, each with its status."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from desk.errors import DeskError, one_line
from desk.pages.access import find_visitor
from desk.pages.render import page
from desk.records import errors as records
from desk.shop import errors as shop

STATUS: dict[type[DeskError], int] = {
    shop.Invalid: 422,
    shop.SignInNeeded: 401,
    shop.SignInFailed: 401,
    shop.NotAllowed: 403,
    shop.StaleForm: 409,
    shop.LinkUsed: 410,
    shop.TooLarge: 413,
    shop.NotAPhotograph: 415,
    records.NotFound: 404,
    records.PhotoMissing: 410,
    records.PhotoAltered: 410,
    records.DiskFull: 507,
    records.DatabaseBusy: 503,
    records.DatabaseOut: 503,
}
_TITLES = {
    401: "Sign in first",
    403: "Not with your roles",
    404: "Not here",
    409: "This form is out of date",
    410: "No longer there",
    413: "Too large",
    415: "Not a photograph",
    422: "That cannot be used",
    503: "The records are busy",
    507: "The disk is full",
}


def status_of(error: DeskError) -> int:
    """The status of an error, by its type or the nearest one above it."""
    return next((STATUS[kind] for kind in type(error).__mro__ if kind in STATUS), 400)


def install(app: FastAPI) -> None:
    """Teach the app to answer every expected error."""
    app.add_exception_handler(DeskError, _desk_error)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(Exception, _unexpected)


async def _desk_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, DeskError)
    return await refusal(request, one_line(error), status_of(error), getattr(error, "field", None))


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    text = str(error.detail)
    if error.status_code == 404:
        text = "expected an address of this desk, got one that leads nowhere: choose from the menu"
    return await refusal(request, text, error.status_code)


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"][1:]) or "request"
    count = f" (and {len(error.errors()) - 1} more)" if len(error.errors()) > 1 else ""
    said = str(first["msg"])
    if said.startswith("Value error, "):  # a check of our own, which says what it expected and what it got
        return await refusal(request, f"{said.removeprefix('Value error, ')}{count}", 422)
    said = said.lower().replace("input should be ", "expected ")
    return await refusal(request, f"{where}: {said}, got {str(first.get('input'))[:60]!r}{count}", 422)


async def _unexpected(request: Request, error: Exception) -> Response:
    """A mistake of the program itself; the server writes the whole error into its log, the person gets none of it."""
    text = "something unexpected happened in the desk; whatever was acknowledged is kept: try again, its log says more"
    return JSONResponse({"error": text}, 500) if request.url.path.startswith("/api/") else PlainTextResponse(text, 500)


async def refusal(request: Request, text: str, status: int, field: str | None = None) -> Response:
    """The answer to a request that is not carried out; a browser without a session is led to the sign-in page."""
    if request.url.path.startswith("/api/"):
        said: dict[str, str] = {"error": text} | ({"field": field} if field else {})
        return JSONResponse(said, status)
    if getattr(request.state, "visitor", None) is None:
        request.state.visitor = await run_in_threadpool(_visitor, request)
    if status == 401 and "hx-request" in request.headers:  # a piece of a page: the page itself goes to the sign-in
        return Response(status_code=401, headers={"HX-Refresh": "true"})
    if status == 401 and request.method == "GET":
        return RedirectResponse(f"/sign-in?then={quote(request.url.path)}", 303)
    return page(request, "refusal.html.j2", status=status, text=text, title=_TITLES.get(status, "Not carried out"))


def _visitor(request: Request) -> object:
    try:
        return find_visitor(request)
    except records.RecordsError:  # the page that says so must come even when the records do not answer
        return None

"""Pages of signing in, setting a password, the people of the shop and one's own settings."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from starlette.responses import RedirectResponse, Response

from desk.pages.access import COOKIE, Visitor, address_of, desk_of, refuse_other_sites, require, set_cookie
from desk.pages.refusals import status_of
from desk.pages.render import page
from desk.shop import people, signing_in
from desk.shop.desk import Desk
from desk.shop.errors import Refused

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Anybody = Annotated[Visitor, Depends(require())]
Administrator = Annotated[Visitor, Depends(require("administrator"))]
Text = Annotated[str, Form()]


def local_path(then: str) -> str:
    """Where to go after signing in: only to a page of this desk."""
    plain = then.startswith("/") and not then.startswith("//") and "\\" not in then and then.isprintable()
    return then if plain else "/"


@router.get("/sign-in")
def sign_in_form(request: Request, desk: TheDesk, then: str = "/") -> Response:
    with desk.database.read() as session:
        nobody = people.is_empty(session)
    return page(request, "sign_in.html.j2", then=local_path(then), login="", wrong=None, nobody=nobody)


@router.post("/sign-in", dependencies=[Depends(refuse_other_sites)])
def sign_in(request: Request, desk: TheDesk, login: Text, password: Text, then: Text = "/") -> Response:
    try:
        token = start_session(desk, login, password, address_of(request))
    except Refused as error:
        return page(
            request, "sign_in.html.j2", status=status_of(error), then=local_path(then), login=login, wrong=str(error),
            nobody=False,
        )  # fmt: skip
    response = RedirectResponse(local_path(then), 303)
    set_cookie(response, token, desk)
    return response


def start_session(desk: Desk, login: str, password: str, address: str, kind: str = "browser", note: str = "") -> str:
    """The token of a new session, or a refusal; the slow check of the password happens outside of any transaction."""
    login = signing_in.clean_login(login)
    with desk.database.read() as session:
        signing_in.refuse_when_locked(session, login, address)
        kept = signing_in.password_of(session, login)
    right = signing_in.check_sign_in(kept, password)
    with desk.database.write() as session:
        # again: of attempts sent all at once each found the name open before the others had failed
        signing_in.one_after_another(session, login, address)
        signing_in.refuse_when_locked(session, login, address)
        if right:
            return signing_in.open_session(session, login, kind, note)[0]
        refused = signing_in.note_failure(session, login, address)
    raise refused


@router.post("/sign-out")
def sign_out(desk: TheDesk, visitor: Anybody) -> Response:
    with desk.database.write() as session:
        signing_in.close_session(session, visitor.token)
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(COOKIE, path="/")
    return response


@router.get("/set-up/{token}")
def link_form(request: Request, desk: TheDesk, token: str) -> Response:
    with desk.database.read() as session:
        whose = people.link_is_for(session, token)
    return page(request, "set_up.html.j2", whose=whose, token=token, login="", name="", wrong=None)


@router.post("/set-up/{token}", dependencies=[Depends(refuse_other_sites)])
def use_link(
    request: Request, desk: TheDesk, token: str, password: Text, again: Text, login: Text = "", name: Text = ""
) -> Response:
    whose = None
    try:
        with desk.database.read() as session:
            whose = people.link_is_for(session, token)
        if password != again:
            raise Refused("expected the same password twice, got two different ones: type both again")
        with desk.database.write() as session:
            account = people.use_link(session, token, password, login, name)
            opened, _ = signing_in.open_session(session, account.login)
    except Refused as error:
        return page(
            request, "set_up.html.j2", status=status_of(error), whose=whose, token=token, login=login, name=name,
            wrong=str(error),
        )  # fmt: skip
    response = RedirectResponse("/", 303)
    set_cookie(response, opened, desk)
    return response


@router.get("/people")
def people_page(request: Request, desk: TheDesk, visitor: Administrator) -> Response:
    return _people(request, desk)


def _people(request: Request, desk: Desk, status: int = 200, **context: object) -> Response:
    with desk.database.read() as session:
        everybody = people.people(session)
    known: dict[str, object] = {"everybody": everybody, "link": None, "link_for": None, "wrong": None, "typed": {}}
    return page(request, "people.html.j2", status=status, **(known | context))


@router.post("/people")
def add_person(
    request: Request,
    desk: TheDesk,
    visitor: Administrator,
    login: Text = "",
    name: Text = "",
    roles: Annotated[list[str], Form()] = [],  # noqa: B006  FastAPI copies it
) -> Response:
    try:
        with desk.database.write() as session:
            account, token = people.add_person(session, visitor.account, login, name, roles)
    except Refused as error:
        typed = {"login": login, "name": name, "roles": roles}
        return _people(request, desk, status_of(error), wrong=str(error), typed=typed)
    return _people(request, desk, link=link_address(request, token), link_for=account)


@router.post("/people/{person_id}/link")
def new_link(request: Request, desk: TheDesk, visitor: Administrator, person_id: int) -> Response:
    with desk.database.write() as session:
        token = people.new_link(session, visitor.account, person_id)
        account = people.person(session, person_id)
    return _people(request, desk, link=link_address(request, token), link_for=account)


@router.post("/people/{person_id}")
def change_person(
    request: Request,
    desk: TheDesk,
    visitor: Administrator,
    person_id: int,
    roles: Annotated[list[str], Form()] = [],  # noqa: B006  FastAPI copies it
    active: Text = "",
) -> Response:
    try:
        with desk.database.write() as session:
            people.change_person(session, visitor.account, person_id, roles, active == "yes")
    except Refused as error:
        return _people(request, desk, status_of(error), wrong=str(error))
    return RedirectResponse("/people", 303)


def link_address(request: Request, token: str) -> str:
    """The whole address of a one-time link, as the person who asked reaches this desk."""
    return str(request.url.replace(path=f"/set-up/{token}", query=""))


@router.get("/settings")
def settings_page(request: Request, visitor: Anybody) -> Response:
    return page(request, "settings.html.j2")


@router.post("/settings")
def save_settings(desk: TheDesk, visitor: Anybody, unit: Text, theme: Text, then: Text = "/settings") -> Response:
    with desk.database.write() as session:
        people.set_preferences(session, visitor.account, unit, theme)
    return RedirectResponse(local_path(then), 303)

"""The JSON API, continued: an intake and its photographs put right, earlier visits of a vehicle, the people."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel
from sqlalchemy.orm import Session

from desk.pages.access import Visitor, desk_of, require
from desk.pages.routes_api import Face, PhotographState, photograph_state
from desk.pages.routes_people import link_address
from desk.records import tables
from desk.records.columns import now
from desk.shop import people, putting_right
from desk.shop.assemblies import IntakeForm, assembly, newest_intake
from desk.shop.desk import Desk
from desk.shop.people import Account
from desk.shop.recurrence import earlier_visits
from desk.shop.sheet import sheet_of

router = APIRouter(prefix="/api/v1", tags=["desk"])
TheDesk = Annotated[Desk, Depends(desk_of)]
Intake = Annotated[Visitor, Depends(require("intake"))]
Administrator = Annotated[Visitor, Depends(require("administrator"))]


class Correction(BaseModel):
    """What holds from now on. `based_on`: the intake that was shown; without a shop order or a circuit list the one
    there stays."""

    based_on: int
    vehicle: str
    circuit_class: str
    customer_says: str = ""
    mats: int = 1
    circuit_list: str | None = None
    shop_order: str | None = None


class IntakeState(BaseModel):
    """What holds of the intake, and its number for `based_on`."""

    id: int
    shop_order: str
    vehicle: str
    circuit_class: str
    customer_says: str
    mats: int
    circuit_list_name: str | None


class Visit(BaseModel):
    """An earlier assembly of the vehicle."""

    assembly_id: int
    shop_order: str
    days: int
    labels: list[str]


class NewPerson(BaseModel):
    """An account to be made."""

    login: str
    name: str
    roles: list[str]


class PersonChange(BaseModel):
    """Other roles; `active` false closes the account."""

    roles: list[str]
    active: bool


class PersonState(BaseModel):
    """An account; `link` is the one-time link to be handed over, where one was made just now."""

    id: int
    login: str
    name: str
    roles: list[str]
    active: bool
    link: str | None = None


@router.get("/assemblies/{assembly_id}/intake")
def intake(desk: TheDesk, visitor: Intake, assembly_id: int) -> IntakeState:
    """What holds of an assembly's intake."""
    with desk.database.read() as session:
        return _intake(newest_intake(session, assembly_id))


@router.post("/assemblies/{assembly_id}/intake")
def correct(desk: TheDesk, visitor: Intake, assembly_id: int, body: Correction) -> IntakeState:
    """Correct an intake; 409 where somebody else corrected it since `based_on` was read.

    The shop order can be put right until the decision was signed off; a circuit class, vehicle or circuit list that is
    corrected later sends it back to review.
    """
    data = body.circuit_list.encode() if body.circuit_list is not None else None
    with desk.database.write() as session:
        order = body.shop_order or assembly(session, assembly_id).shop_order
        form = IntakeForm(order, body.vehicle, body.circuit_class, body.customer_says, body.mats, data, "circuit list")
        putting_right.correct(session, desk, visitor.account, assembly_id, form, body.based_on)
        return _intake(newest_intake(session, assembly_id))


class FaceGiven(BaseModel):
    """The face that a photograph shows."""

    face: Face


class TakenBack(BaseModel):
    """Why a photograph is taken back, in a few words."""

    why: str


@router.post("/assemblies/{assembly_id}/photographs/{photograph_id}/face")
def change_face(
    desk: TheDesk, visitor: Intake, assembly_id: int, photograph_id: int, body: FaceGiven
) -> PhotographState:
    """Let a photograph stand under another face. A signed-off decision goes back to review; a photograph that a work
    order was issued on stays as it is, as do all of a closed assembly."""
    with desk.database.write() as session:
        putting_right.change_face(session, desk, visitor.account, assembly_id, photograph_id, body.face)
        return _photograph(session, assembly_id, photograph_id)


@router.post("/assemblies/{assembly_id}/photographs/{photograph_id}/take-back")
def take_back(desk: TheDesk, visitor: Intake, assembly_id: int, photograph_id: int, body: TakenBack) -> PhotographState:
    """Let a photograph count no longer; it stays on record with the reason. The same limits as for its face."""
    with desk.database.write() as session:
        putting_right.take_back(session, desk, visitor.account, assembly_id, photograph_id, body.why)
        return _photograph(session, assembly_id, photograph_id)


@router.post("/assemblies/{assembly_id}/photographs/{photograph_id}/put-back")
def put_back(desk: TheDesk, visitor: Intake, assembly_id: int, photograph_id: int) -> PhotographState:
    """Let a photograph that was taken back count again, under the face it had."""
    with desk.database.write() as session:
        putting_right.put_back(session, desk, visitor.account, assembly_id, photograph_id)
        return _photograph(session, assembly_id, photograph_id)


def _photograph(session: Session, assembly_id: int, photograph_id: int) -> PhotographState:
    found = {item.row.id: item for item in sheet_of(session, assembly_id).photographs}
    return photograph_state(found[photograph_id])


@router.get("/visits")
def visits(desk: TheDesk, visitor: Intake, vehicle: str) -> list[Visit]:
    """Earlier assemblies of a vehicle, the latest first."""
    with desk.database.read() as session:
        found = earlier_visits(session, vehicle, now())
    return [
        Visit(assembly_id=v.assembly_id, shop_order=v.shop_order, days=v.days, labels=list(v.labels)) for v in found
    ]


@router.get("/people")
def everybody(desk: TheDesk, visitor: Administrator) -> list[PersonState]:
    """Every account."""
    with desk.database.read() as session:
        return [_person(account) for account in people.people(session)]


@router.post("/people")
def add(request: Request, desk: TheDesk, visitor: Administrator, body: NewPerson) -> PersonState:
    """Make an account, and the one-time link by which its owner sets a password."""
    with desk.database.write() as session:
        account, token = people.add_person(session, visitor.account, body.login, body.name, body.roles)
    return _person(account, link_address(request, token))


@router.post("/people/{person_id}/link")
def link(request: Request, desk: TheDesk, visitor: Administrator, person_id: int) -> PersonState:
    """A new one-time link for somebody who forgot the password."""
    with desk.database.write() as session:
        token = people.new_link(session, visitor.account, person_id)
        account = people.person(session, person_id)
    return _person(account, link_address(request, token))


@router.post("/people/{person_id}")
def change(desk: TheDesk, visitor: Administrator, person_id: int, body: PersonChange) -> PersonState:
    """Other roles, or the account closed or opened again."""
    with desk.database.write() as session:
        return _person(people.change_person(session, visitor.account, person_id, body.roles, body.active))


def _intake(row: tables.Intake) -> IntakeState:
    return IntakeState(
        id=row.id, shop_order=row.shop_order, vehicle=row.vehicle, circuit_class=row.circuit_class,
        customer_says=row.customer_says, mats=row.mats, circuit_list_name=row.circuit_list_name,
    )  # fmt: skip


def _person(account: Account, link: str | None = None) -> PersonState:
    return PersonState(
        id=account.id, login=account.login, name=account.name, roles=sorted(account.roles), active=account.active,
        link=link,
    )  # fmt: skip

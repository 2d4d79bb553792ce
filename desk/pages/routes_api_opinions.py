"""The JSON API, continued: blind second opinions, and how far people agree with each other and with the model."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from desk.pages.access import Visitor, desk_of, require
from desk.shop import opinions
from desk.shop.assemblies import assembly, photographs_of
from desk.shop.desk import Desk
from desk.statistics import Estimate
from vision.findings import Ring

router = APIRouter(prefix="/api/v1", tags=["second opinions"])
TheDesk = Annotated[Desk, Depends(desk_of)]
Reviewer = Annotated[Visitor, Depends(require("reviewer"))]
Reader = Annotated[Visitor, Depends(require("reviewer", "analyst"))]


class Wanted(BaseModel):
    """An assembly drawn for a second opinion, which you may give."""

    assembly_id: int
    shop_order: str


class BlindPlace(BaseModel):
    """A place to be named: where it is, px of the upright original, and under which key its label is sent."""

    place: str
    region: str
    rings_px: list[Ring]


class BlindPhotograph(BaseModel):
    """A photograph with its places and without what anybody called them."""

    id: int
    sha256: str
    name: str
    width_px: int
    height_px: int
    places: list[BlindPlace]


class Blind(BaseModel):
    """What there is to name, and the labels to choose from."""

    labels: list[str]
    photographs: list[BlindPhotograph]


class NewOpinion(BaseModel):
    """A label for every place, by its key."""

    labels: Annotated[dict[str, str], Field(max_length=2000)]


class Given(BaseModel):
    """The number of the entry that keeps the opinion."""

    id: int


class Agreement(BaseModel):
    """Cohen's kappa of two people, and of the model and people, with 95 % intervals over `n` places."""

    people: Estimate
    model: Estimate


@router.get("/agreement")
def agreement(desk: TheDesk, visitor: Reader) -> Agreement:
    """How far people agree, with each other and with the model."""
    with desk.database.read() as session:
        found = opinions.agreements(session, desk, visitor.account)
    return Agreement(people=found.people, model=found.model)


@router.get("/opinions")
def wanted(desk: TheDesk, visitor: Reviewer) -> list[Wanted]:
    """The assemblies that wait for your second opinion."""
    with desk.database.read() as session:
        asked = opinions.agreements(session, desk, visitor.account).asked
        return [Wanted(assembly_id=one.assembly_id, shop_order=one.shop_order) for one in asked]


@router.get("/assemblies/{assembly_id}/opinion")
def places(desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Blind:
    """The places of an assembly, blind; 403 for whoever reviewed it."""
    with desk.database.read() as session:
        assembly(session, assembly_id)
        photos = opinions.photographs_for(session, assembly_id, visitor.account)
        ids = {one.sha256: one.id for one in photographs_of(session, assembly_id)}
    shown = [
        BlindPhotograph(
            id=ids[photo.photo.sha256], sha256=photo.photo.sha256, name=photo.photo.name,
            width_px=photo.photo.width_px, height_px=photo.photo.height_px,
            places=[
                BlindPlace(place=f"{photo.photo.sha256}:{region.id}", region=region.id, rings_px=region.rings_px)
                for region in photo.regions
            ],
        )
        for photo in photos if photo.regions
    ]  # fmt: skip
    return Blind(labels=list(desk.labels), photographs=shown)


@router.post("/assemblies/{assembly_id}/opinion", status_code=201)
def give(desk: TheDesk, visitor: Reviewer, assembly_id: int, body: NewOpinion) -> Given:
    """Keep a second opinion; it changes nothing of the review."""
    with desk.database.write() as session:
        assembly(session, assembly_id)
        return Given(id=opinions.give(session, desk, visitor.account, assembly_id, body.labels))

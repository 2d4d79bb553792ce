"""The JSON API: the same functions as the pages, for programs and for the phone's upload."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse

from desk.pages.access import Visitor, address_of, desk_of, refuse_other_sites, require
from desk.pages.filters import Narrowed, PageNumber
from desk.pages.routes_people import start_session
from desk.records import tables
from desk.shop import queue, signing_in, uploads
from desk.shop.assemblies import IntakeForm, open_assembly
from desk.shop.desk import Desk
from desk.shop.errors import Refused
from desk.shop.intake import FACES, Receipt, receive
from desk.shop.sheet import AssemblySheet, PhotographSheet, sheet_of
from desk.shop.standing import newest_findings, refresh, urgency_words
from vision.findings import Decision, PhotoFindings, Retake

router = APIRouter(prefix="/api/v1", tags=["desk"])
TheDesk = Annotated[Desk, Depends(desk_of)]
Anybody = Annotated[Visitor, Depends(require())]
Intake = Annotated[Visitor, Depends(require("intake"))]
Reader = Annotated[Visitor, Depends(require("reviewer", "analyst"))]
Key = Annotated[str, Field(pattern=r"^[\w-]{8,80}$")]
Face = Literal["face_a", "face_b", "close_up", "after_repair"]
assert Face.__args__ == FACES  # type: ignore[attr-defined]


class SignIn(BaseModel):
    """Name and password of a person, and a note on which program signs in."""

    login: str
    password: str
    note: str = ""


class Token(BaseModel):
    """What the program sends as `Authorization: Bearer TOKEN` from now on."""

    token: str


class NewAssembly(BaseModel):
    """What was said at the counter. `circuit_list`: the text of a CSV file."""

    shop_order: str
    vehicle: str
    circuit_class: str
    customer_says: str = ""
    mats: int = 1
    circuit_list: str | None = None


class Opened(BaseModel):
    """The assembly's number; `is_new` is false where it was there already."""

    id: int
    is_new: bool


class Upload(BaseModel):
    """How many bytes of the photograph are here."""

    received: int


class PhotographAnswer(BaseModel):
    """The photograph is kept; whether it can be used, and what to do for a retake. `again`: it was here already, under
    `face`, which stays as it was; `counts`: false where it was taken back; `says`: what became of it, in words."""

    id: int
    sha256: str
    name: str
    face: str
    again: bool
    counts: bool
    usable: bool
    retake: list[Retake]
    mat_found: bool
    elsewhere: bool
    says: str


class MarkState(BaseModel):
    """A label of an assembly, and the labels that cannot be told apart where it is unsure."""

    label: str | None
    unsure: bool
    novel: bool
    candidates: list[str]


class PhotographState(BaseModel):
    """A photograph of an assembly and how far its assessment is.

    `label`: the model's; `marks`: what stands after the review; `number`: what pages call it, photo 1, photo 2;
    `model`: which one assessed it; `counts`: false where it was taken back, `why_back` says why.
    """

    id: int
    sha256: str
    name: str
    face: str
    usable: bool | None
    retake: list[Retake]
    assessment: str | None
    error: str | None
    label: str | None
    number: int
    marks: list[MarkState]
    model: str | None
    counts: bool
    why_back: str | None


class PutRightState(BaseModel):
    """Something that was put right at intake, in words."""

    at: datetime
    by: str
    says: str


class AssemblyState(BaseModel):
    """An assembly with its photographs and the decision on it. `models`: which models it was answered by; `put_right`:
    what was put right of its intake and its photographs, oldest first."""

    id: int
    shop_order: str
    vehicle: str
    customer_says: str
    circuit_class: str
    mats: int
    state: str | None
    missing_faces: list[str]
    cautions: list[str]
    photographs: list[PhotographState]
    decision: Decision | None
    models: list[str]
    put_right: list[PutRightState]


class Row(BaseModel):
    """An assembly in the queue or the list. `urgent`: why it matters to look soon, gravest first.

    `marks`: the labels with whether each is sure, and what it may be instead.
    """

    id: int
    shop_order: str
    vehicle: str
    state: str
    label: str | None
    labels: list[str]
    marks: list[MarkState]
    route: str | None
    route_worst: str | None
    urgent: list[str]
    open_questions: int
    photographs: int
    waiting_since: datetime
    opened_at: datetime


class RowPage(BaseModel):
    """One page of rows."""

    rows: list[Row]
    page: int
    pages: int
    total: int


@router.post("/session", dependencies=[Depends(refuse_other_sites)])
def sign_in(request: Request, desk: TheDesk, body: SignIn) -> Token:
    """Sign a program in; the token lasts half a year or until it is signed out."""
    return Token(token=start_session(desk, body.login, body.password, address_of(request), "program", body.note))


@router.delete("/session", status_code=204)
def sign_out(desk: TheDesk, visitor: Anybody) -> None:
    """The token is worth nothing from now on."""
    with desk.database.write() as session:
        signing_in.close_session(session, visitor.token)


@router.post("/assemblies")
def open_or_find(desk: TheDesk, visitor: Intake, body: NewAssembly) -> Opened:
    """Open an assembly, or find the one of this shop order and vehicle."""
    data = body.circuit_list.encode() if body.circuit_list is not None else None
    form = IntakeForm(
        body.shop_order, body.vehicle, body.circuit_class, body.customer_says, body.mats, data, "circuit list"
    )
    with desk.database.write() as session:
        assembly_id, is_new = open_assembly(session, visitor.account, form)
        if is_new:
            refresh(session, desk, assembly_id)
    return Opened(id=assembly_id, is_new=is_new)


@router.get("/assemblies")
def list_assemblies(desk: TheDesk, visitor: Anybody, filters: Narrowed, number: PageNumber = 1) -> RowPage:
    """All assemblies, newest first, narrowed by words, label, route, state, vehicle and days."""
    with desk.database.read() as session:
        found = queue.assemblies(session, filters, number)
    return _rows(found)


@router.get("/queue")
def review_queue(desk: TheDesk, visitor: Reader, number: PageNumber = 1) -> RowPage:
    """Assemblies to review, what matters most first."""
    with desk.database.read() as session:
        return _rows(queue.review_queue(session, number))


@router.get("/assemblies/{assembly_id}")
def assembly(desk: TheDesk, visitor: Anybody, assembly_id: int) -> AssemblyState:
    """One assembly with its photographs and the decision on it."""
    with desk.database.read() as session:
        return _state(sheet_of(session, assembly_id))


@router.get("/assemblies/{assembly_id}/findings", response_model_by_alias=True)
def findings(desk: TheDesk, visitor: Anybody, assembly_id: int) -> list[PhotoFindings]:
    """The newest findings on each photograph, as `loomtriage assess --json` gives them."""
    with desk.database.read() as session:
        sheet_of(session, assembly_id)
        return list(newest_findings(session, assembly_id).photos)


@router.get("/assemblies/{assembly_id}/uploads/{key}")
def upload_state(desk: TheDesk, visitor: Intake, assembly_id: int, key: Key) -> Upload:
    """How much of a photograph has arrived; where to go on after the connection broke."""
    return Upload(received=uploads.part_of(desk, visitor.account.id, assembly_id, key).received)


@router.put(
    "/assemblies/{assembly_id}/uploads/{key}",
    response_model=PhotographAnswer | Upload,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def upload_piece(
    request: Request,
    desk: TheDesk,
    visitor: Intake,
    assembly_id: int,
    key: Key,
    offset: Annotated[int, Query(ge=0)],
    size: Annotated[int, Query(ge=1)],
    face: Face,
    name: Annotated[str, Query(max_length=400)] = "photograph",
) -> Any:
    """Append a piece of a photograph (all of it, if you like). The last piece is answered with the photograph.

    `key` is the sender's own name for this photograph, `size` its whole length in bytes. A piece that does not begin
    where the last one ended is refused with 409 and the number of bytes that are here.
    """
    part = await run_in_threadpool(uploads.part_of, desk, visitor.account.id, assembly_id, key, size)
    try:
        with uploads.appending(desk, part, offset) as stream:
            async for piece in request.stream():
                uploads.write_piece(desk, part, stream, piece)
            arrived = stream.tell()
    except uploads.WrongPlace as error:
        return JSONResponse({"error": str(error), "received": error.received}, 409)
    except Refused:
        part.path.unlink(missing_ok=True)
        raise
    if arrived < size:
        return Upload(received=arrived)
    return _answer(await run_in_threadpool(receive, desk, visitor.account, assembly_id, part.path, name, face))


def _answer(receipt: Receipt) -> PhotographAnswer:
    return PhotographAnswer(
        id=receipt.photograph_id, sha256=receipt.sha256, name=receipt.name, face=receipt.face, again=receipt.again,
        counts=receipt.counts, usable=receipt.usable, retake=list(receipt.retake), mat_found=receipt.mat_found,
        elsewhere=receipt.elsewhere, says=receipt.says,
    )  # fmt: skip


def _state(sheet: AssemblySheet) -> AssemblyState:
    held = sheet.intake
    return AssemblyState(
        id=sheet.assembly.id, shop_order=sheet.assembly.shop_order, vehicle=held.vehicle,
        customer_says=held.customer_says, circuit_class=held.circuit_class, mats=held.mats,
        state=sheet.standing.state if sheet.standing else None, missing_faces=sheet.missing_faces,
        cautions=list(sheet.cautions), photographs=[photograph_state(item) for item in sheet.photographs],
        decision=sheet.decision, models=sheet.models,
        put_right=[PutRightState(at=one.at, by=one.by, says=one.says) for one in sheet.put_right],
    )  # fmt: skip


def photograph_state(item: PhotographSheet) -> PhotographState:
    """A photograph as the API gives it."""
    return PhotographState(
        id=item.row.id, sha256=item.row.sha256, name=item.row.name, face=item.row.face_now, usable=item.usable,
        retake=list(item.retake), assessment=item.job_state, error=item.job_error, label=item.label,
        number=item.number, marks=[MarkState(**mark) for mark in item.marks], model=item.model,
        counts=item.row.counts, why_back=item.why_back,
    )  # fmt: skip


def _rows(found: queue.Rows) -> RowPage:
    return RowPage(rows=[_row(row) for row in found.rows], page=found.number, pages=found.pages, total=found.total)


def _row(row: tables.Standing) -> Row:
    return Row(
        id=row.assembly_id, shop_order=row.shop_order, vehicle=row.vehicle, state=row.state, label=row.label,
        labels=row.labels, marks=[MarkState(**mark) for mark in row.marks["all"]], route=row.route,
        route_worst=row.route_worst, urgent=urgency_words(row.urgency),
        open_questions=row.questions, photographs=row.photographs, waiting_since=row.waiting_since,
        opened_at=row.opened_at,
    )  # fmt: skip

"""Pages of the intake: open or find an assembly, photograph it, see what is known of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Request, UploadFile
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, RedirectResponse, Response

from desk.learning.model_shelf import Others, folders_in_turn, name_of, others_than
from desk.learning.shelf import Shelf
from desk.pages.access import Visitor, desk_of, require
from desk.pages.refusals import status_of
from desk.pages.render import page
from desk.pages.spool import spooled
from desk.records.columns import now
from desk.records.errors import NotFound
from desk.shop import putting_right
from desk.shop.assemblies import CLASS_CHOICES, IntakeForm, assembly, open_assembly
from desk.shop.desk import Desk
from desk.shop.errors import Invalid, Refused
from desk.shop.intake import FACES, Receipt, receive
from desk.shop.jobs import waiting
from desk.shop.order_ahead import order_after_sign_off
from desk.shop.papers import papers_for_page
from desk.shop.pictures import SIZES_PX, picture
from desk.shop.recurrence import earlier_visits
from desk.shop.sheet import AssemblySheet, photograph, sheet_of
from desk.shop.standing import refresh

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Anybody = Annotated[Visitor, Depends(require())]
Intake = Annotated[Visitor, Depends(require("intake"))]
Text = Annotated[str, Form()]
_BLANK: dict[str, Any] = {"shop_order": "", "vehicle": "", "customer_says": "", "circuit_class": "", "mats": "1"}


@router.get("/")
def home(visitor: Anybody) -> Response:
    """Everybody's own beginning: intake at the counter, the queue at the desk."""
    account = visitor.account
    if account.roles == {"intake"}:
        return RedirectResponse("/intake", 303)
    return RedirectResponse("/queue" if account.may("reviewer", "analyst") else "/intake", 303)


@router.get("/intake")
def intake_page(request: Request, visitor: Intake) -> Response:
    return page(request, "intake.html.j2", typed=_BLANK, wrong=None, field=None, classes=CLASS_CHOICES, sheet=None)


def intake_form(
    shop_order: Text = "",
    vehicle: Text = "",
    customer_says: Text = "",
    circuit_class: Text = "",
    mats: Text = "1",
    circuit_list: UploadFile | None = None,
) -> tuple[IntakeForm, dict[str, Any]]:
    """A dependency: the form as values, and as it was typed, to show it again."""
    typed = {
        "shop_order": shop_order, "vehicle": vehicle, "customer_says": customer_says, "circuit_class": circuit_class,
        "mats": mats,
    }  # fmt: skip
    data = circuit_list.file.read() if circuit_list is not None and circuit_list.filename else None
    name = circuit_list.filename if circuit_list is not None and data is not None else None
    count = int(mats) if mats.strip().isascii() and mats.strip().isdigit() and len(mats) < 5 else -1
    return IntakeForm(shop_order, vehicle, circuit_class, customer_says, count, data, name), typed


IntakeFields = Annotated[tuple[IntakeForm, dict[str, Any]], Depends(intake_form)]


@router.post("/intake")
def open_or_find(request: Request, desk: TheDesk, visitor: Intake, fields: IntakeFields) -> Response:
    form, typed = fields
    try:
        with desk.database.write() as session:
            assembly_id, is_new = open_assembly(session, visitor.account, form)
            if is_new:
                refresh(session, desk, assembly_id)
    except Refused as error:
        return _intake_again(request, typed, error)
    return RedirectResponse(f"/assemblies/{assembly_id}/photographs", 303)


def _intake_again(
    request: Request, typed: dict[str, Any], error: Refused, sheet: AssemblySheet | None = None
) -> Response:
    return page(
        request, "intake.html.j2", status=status_of(error), typed=typed, wrong=str(error),
        field=error.field if isinstance(error, Invalid) else None, classes=CLASS_CHOICES, sheet=sheet,
    )  # fmt: skip


@router.get("/intake/earlier")
def earlier(request: Request, desk: TheDesk, visitor: Intake, vehicle: str = "") -> Response:
    """A piece of the intake page: whether this vehicle was here before."""
    with desk.database.read() as session:
        visits = earlier_visits(session, vehicle, now()) if vehicle.strip() else []
    within = desk.rules.recurrence.within_days
    return page(request, "earlier.html.j2", visits=visits[:5], within_days=within)


@router.get("/assemblies/{assembly_id}/intake")
def correct_page(request: Request, desk: TheDesk, visitor: Intake, assembly_id: int) -> Response:
    with desk.database.read() as session:
        sheet = sheet_of(session, assembly_id)
    held = sheet.intake
    typed = {
        "shop_order": sheet.assembly.shop_order, "vehicle": held.vehicle, "customer_says": held.customer_says,
        "circuit_class": held.circuit_class, "mats": str(held.mats),
    }  # fmt: skip
    return page(request, "intake.html.j2", typed=typed, wrong=None, field=None, classes=CLASS_CHOICES, sheet=sheet)


@router.post("/assemblies/{assembly_id}/intake")
def correct(
    request: Request,
    desk: TheDesk,
    visitor: Intake,
    assembly_id: int,
    fields: IntakeFields,
    based_on: Annotated[int, Form()],
) -> Response:
    form, typed = fields
    try:
        with desk.database.write() as session:
            putting_right.correct(session, desk, visitor.account, assembly_id, form, based_on)
    except Refused as error:
        with desk.database.read() as session:
            sheet = sheet_of(session, assembly_id)
        return _intake_again(request, typed, error, sheet)
    return RedirectResponse(f"/assemblies/{assembly_id}", 303)


@router.get("/assemblies/{assembly_id}/photographs")
def photographs_page(request: Request, desk: TheDesk, visitor: Intake, assembly_id: int, face: str = "") -> Response:
    return _photographs(request, desk, assembly_id, face=face)


def _photographs(
    request: Request,
    desk: Desk,
    assembly_id: int,
    status: int = 200,
    receipts: tuple[Receipt, ...] = (),
    wrong: Sequence[str] = (),
    face: str = "",
) -> Response:
    with desk.database.read() as session:
        sheet, stay = sheet_of(session, assembly_id), putting_right.stay_as_they_are(session, assembly_id)
    chosen = face if face in FACES else [*sheet.missing_faces, "close_up"][0]
    return page(
        request, "photographs.html.j2", status=status, sheet=sheet, faces=FACES, receipts=receipts, wrong=wrong,
        chosen=chosen, stay=stay,
        within_days=desk.rules.recurrence.within_days,
    )  # fmt: skip


@router.post("/assemblies/{assembly_id}/photographs")
async def send_photographs(request: Request, desk: TheDesk, visitor: Intake, assembly_id: int) -> Response:
    """Without JavaScript: the plain form with one or several photographs. Each is answered; one mistake stops none."""
    form = await request.form(max_files=50, max_fields=200)
    face = str(form.get("face", ""))
    receipts: list[Receipt] = []
    wrong: list[Refused] = []
    for item in form.getlist("photographs"):
        if isinstance(item, str) or not item.filename:
            continue
        try:
            with spooled(desk, item.file) as file:
                receipts.append(
                    await run_in_threadpool(receive, desk, visitor.account, assembly_id, file, item.filename, face)
                )
        except Refused as error:
            wrong.append(error)
    if not receipts and not wrong:
        wrong.append(Invalid("photographs", "photographs: expected at least one, got none: take or choose one"))
    status = status_of(wrong[0]) if wrong and not receipts else 200
    said = [str(error) for error in wrong]
    return await run_in_threadpool(_photographs, request, desk, assembly_id, status, tuple(receipts), said, face)


@router.post("/assemblies/{assembly_id}/photographs/{photograph_id}/face")
def change_face(
    request: Request, desk: TheDesk, visitor: Intake, assembly_id: int, photograph_id: int, face: Text = ""
) -> Response:
    return _put_right(request, desk, visitor, assembly_id, photograph_id, putting_right.change_face, face)


@router.post("/assemblies/{assembly_id}/photographs/{photograph_id}/take-back")
def take_back(
    request: Request, desk: TheDesk, visitor: Intake, assembly_id: int, photograph_id: int, why: Text = ""
) -> Response:
    return _put_right(request, desk, visitor, assembly_id, photograph_id, putting_right.take_back, why)


@router.post("/assemblies/{assembly_id}/photographs/{photograph_id}/put-back")
def put_back(request: Request, desk: TheDesk, visitor: Intake, assembly_id: int, photograph_id: int) -> Response:
    return _put_right(request, desk, visitor, assembly_id, photograph_id, putting_right.put_back)


def _put_right(
    request: Request,
    desk: Desk,
    visitor: Visitor,
    assembly_id: int,
    photograph_id: int,
    change: Callable[..., None],
    *said: str,
) -> Response:
    """Change a photograph and come back to it; what is refused is said on the page."""
    try:
        with desk.database.write() as session:
            change(session, desk, visitor.account, assembly_id, photograph_id, *said)
    except Refused as error:
        return _photographs(request, desk, assembly_id, status_of(error), wrong=[str(error)])
    return RedirectResponse(f"/assemblies/{assembly_id}/photographs#photo-{photograph_id}", 303)


@router.get("/assemblies/{assembly_id}")
def assembly_page(request: Request, desk: TheDesk, visitor: Anybody, assembly_id: int) -> Response:
    with desk.database.read() as session:
        sheet, papers = sheet_of(session, assembly_id), papers_for_page(session, assembly_id)
        order = order_after_sign_off(session, desk, assembly_id)
    analyst = visitor.account.may("analyst")
    return page(
        request, "assembly.html.j2", sheet=sheet, papers=papers, order=order,
        within_days=desk.rules.recurrence.within_days,
        today=date.today(), other_models=others_than(Shelf(desk.data), sheet.models) if analyst else Others(),
        answering=name_of(folders_in_turn(desk.data)[0]),  # a damaged record of it does not close this page
    )  # fmt: skip


@router.get("/assemblies/{assembly_id}/waiting")
def still_waiting(desk: TheDesk, visitor: Anybody, assembly_id: int) -> Response:
    """For a page that waits: nothing yet, or, when every photograph is assessed, that it be opened anew."""
    with desk.database.read() as session:
        assembly(session, assembly_id)
        busy = waiting(session, assembly_id) > 0
    return Response(status_code=204, headers={} if busy else {"HX-Refresh": "true"})


@router.get("/photographs/{photograph_id}/{size}")
def photograph_file(request: Request, desk: TheDesk, visitor: Anybody, photograph_id: int, size: str) -> Response:
    """The picture for the screen (`thumb`, `small`, `full`), or the very bytes that were sent (`original`)."""
    with desk.database.read() as session:
        row = photograph(session, photograph_id)
    headers = {"Cache-Control": "private, max-age=86400"}
    if size == "original":
        path = desk.store.checked(row.sha256, row.suffix)
        return FileResponse(path, filename=row.name, headers=headers, media_type="application/octet-stream")
    if size not in SIZES_PX:
        raise NotFound(f"expected one of {', '.join(SIZES_PX)}, original, got {size[:30]!r}")
    return FileResponse(picture(desk, row.sha256, row.suffix, size), media_type="image/jpeg", headers=headers)

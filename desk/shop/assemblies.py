"""Opening an assembly at the counter, finding it again, and correcting what was said of it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.errors import NotFound
from desk.shop.errors import Invalid, StaleForm
from desk.shop.people import Account
from desk.shop.review_entries import SIGN_OFF
from models.circuit.circuit_list import CLASSES, CircuitListError, parse_circuit_list

UNKNOWN_CLASS = "unknown"
CLASS_CHOICES: tuple[str, ...] = (*CLASSES, UNKNOWN_CLASS)
"""What intake may answer; `unknown` is an answer too: it stays an open question and nothing returns to service."""
CLASS_WORDS = {
    "none": "ordinary circuits only",
    "restraint": "restraint (airbag, belt)",
    "high_voltage": "high voltage",
    "brake_by_wire": "brake by wire",
    "steering_by_wire": "steering by wire",
    "shielded": "shielded",
    "data_pair": "data pair",
    UNKNOWN_CLASS: "not known yet",
}
MOST_MATS, LONGEST_SAID = 12, 4000


@dataclass(frozen=True)
class IntakeForm:
    """What was said at the counter, as it was typed. `circuit_list`: the bytes of a CSV file."""

    shop_order: str
    vehicle: str
    circuit_class: str
    customer_says: str = ""
    mats: int = 1
    circuit_list: bytes | None = None
    circuit_list_name: str | None = None


def open_assembly(session: Session, by: Account, form: IntakeForm) -> tuple[int, bool]:
    """The assembly's id and whether it is new; the same order with the same vehicle opens the one that is there."""
    shop_order = one_line("shop_order", "shop order", form.shop_order, 60)
    checked = _checked(form)
    known = session.scalar(select(tables.Assembly).where(tables.Assembly.shop_order_key == key_of(shop_order)))
    if known is not None:
        held = newest_intake(session, known.id)
        if held.vehicle_key != key_of(checked.vehicle):
            raise Invalid(
                "shop_order",
                f"shop order: expected a new one or vehicle {held.vehicle}, got {shop_order} with another vehicle: "
                f"a second assembly needs a number of its own, such as {shop_order[:50]}-2",
            )
        return known.id, False
    checked = replace(checked, shop_order=shop_order)
    row = tables.Assembly(shop_order=shop_order, shop_order_key=key_of(shop_order), made_by=by.id)
    session.add(row)
    try:
        session.flush()
    except IntegrityError as error:  # somebody else opened it in this moment
        raise StaleForm(
            f"expected a new shop order, got {shop_order}, just opened by somebody else: find it"
        ) from error
    _add_intake(session, by, row.id, checked)
    return row.id, True


def correct_intake(session: Session, by: Account, assembly_id: int, form: IntakeForm, based_on: int) -> int:
    """Another intake row that holds from now on; refused where somebody corrected it since `based_on` was shown."""
    held = newest_intake(session, assembly_id)
    if held.id != based_on:
        raise StaleForm(
            "expected the newest state of this intake, got an older one that somebody else has corrected since: "
            "reload the page and correct again"
        )
    checked = _checked(form)
    checked = replace(checked, shop_order=_put_order_right(session, assembly_id, form.shop_order))
    if checked.circuit_list is None:  # none chosen this time: the one there stays
        checked = replace(checked, circuit_list=held.circuit_list, circuit_list_name=held.circuit_list_name)
    return _add_intake(session, by, assembly_id, checked)


def _put_order_right(session: Session, assembly_id: int, typed: str) -> str:
    """The shop order as it is said now, which is the assembly's from then on. Refused once a decision was signed off
    under the former one: papers and whoever learnt from it call the assembly by that."""
    row, shop_order = assembly(session, assembly_id), one_line("shop_order", "shop order", typed, 60)
    if shop_order == row.shop_order:
        return shop_order
    entry, table = tables.ReviewEntry, tables.Assembly
    if session.scalar(select(entry.id).where(entry.assembly_id == assembly_id, entry.kind == SIGN_OFF).limit(1)):
        raise Invalid(
            "shop_order",
            f"shop order: expected {row.shop_order}, under which the decision was signed off, got {shop_order}: "
            "that stays on record; open the other order and photograph the assembly there",
        )
    key = key_of(shop_order)
    if session.scalar(select(table.id).where(table.shop_order_key == key, table.id != assembly_id)) is not None:
        raise Invalid(
            "shop_order",
            f"shop order: expected one that no other assembly has, got {shop_order}, which is open already: find it",
        )
    row.shop_order, row.shop_order_key = shop_order, key
    try:
        session.flush()
    except IntegrityError as error:  # somebody else opened it in this moment
        raise StaleForm(
            f"expected a free shop order, got {shop_order}, just opened by somebody else: find it"
        ) from error
    return shop_order


def newest_intake(session: Session, assembly_id: int) -> tables.Intake:
    """The intake row that holds."""
    query = select(tables.Intake).where(tables.Intake.assembly_id == assembly_id).order_by(tables.Intake.id.desc())
    row = session.scalars(query.limit(1)).first()
    if row is None:
        raise NotFound(f"expected an assembly of this shop, got number {assembly_id}: find it in the list")
    return row


def assembly(session: Session, assembly_id: int) -> tables.Assembly:
    """The assembly's own row."""
    row = session.get(tables.Assembly, assembly_id) if 0 < assembly_id < 2**31 else None
    if row is None:
        raise NotFound(f"expected an assembly of this shop, got number {assembly_id}: find it in the list")
    return row


def in_turn(session: Session, assembly_id: int) -> None:
    """One writer at a time on an assembly: what is newest stays so until the write ends (SQLite does so anyway)."""
    assembly(session, assembly_id)
    session.execute(select(tables.Assembly.id).where(tables.Assembly.id == assembly_id).with_for_update())


def key_of(text: str) -> str:
    """What makes two spellings of an order or a vehicle the same: letters and digits only, whatever their case."""
    plain = unicodedata.normalize("NFKC", text).casefold()
    return re.sub(r"[\W_]+", "", plain) or plain.strip()


def one_line(field: str, words: str, text: str, longest: int) -> str:
    """A typed line without surrounding or double spaces; Invalid where it is empty, too long or holds control signs."""
    clean = " ".join(unicodedata.normalize("NFC", text).split())
    if not clean or len(clean) > longest or not clean.isprintable():
        got = "nothing" if not clean else f"{len(clean)} characters" if len(clean) > longest else "control signs"
        raise Invalid(field, f"{words}: expected 1 to {longest} characters on one line, got {got}")
    return clean


def _checked(form: IntakeForm) -> IntakeForm:
    """The form with clean values, or Invalid for the first that cannot be used."""
    vehicle = one_line("vehicle", "vehicle", form.vehicle, 80)
    if form.circuit_class not in CLASS_CHOICES:
        raise Invalid(
            "circuit_class",
            f"circuit class: expected {', '.join(CLASS_CHOICES)}, got {form.circuit_class[:40] or 'no answer'!r}: "
            "choose one; without it nothing returns to service",
        )
    if not 1 <= form.mats <= MOST_MATS:
        raise Invalid("mats", f"mats: expected 1 to {MOST_MATS} mats, got {form.mats}")
    said = unicodedata.normalize("NFC", form.customer_says).replace("\r\n", "\n").strip()
    if len(said) > LONGEST_SAID or "\x00" in said:
        raise Invalid("customer_says", f"what the customer says: expected at most {LONGEST_SAID} characters of text")
    name = None
    if form.circuit_list is not None:
        name = shown_name(form.circuit_list_name or "", "circuit list")
        _check_list(form.circuit_list, name)
    return IntakeForm(form.shop_order, vehicle, form.circuit_class, said, form.mats, form.circuit_list, name)


def _check_list(data: bytes, name: str) -> None:
    try:
        parse_circuit_list(data, name)
    except CircuitListError as error:
        shown = error.mistakes[:8]
        more = [f"and {len(error.mistakes) - 8} more"] if len(error.mistakes) > 8 else []
        raise Invalid("circuit_list", "; ".join([*shown, *more])) from error


def shown_name(name: str, otherwise: str) -> str:
    """A file's name as it may be shown and kept: its last part, printable, never a path."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    clean = "".join(sign for sign in unicodedata.normalize("NFC", last) if sign.isprintable()).strip()
    return clean[-200:] if clean not in ("", ".", "..") else otherwise


def _add_intake(session: Session, by: Account, assembly_id: int, form: IntakeForm) -> int:
    row = tables.Intake(
        assembly_id=assembly_id, shop_order=form.shop_order, vehicle=form.vehicle, vehicle_key=key_of(form.vehicle),
        customer_says=form.customer_says, circuit_class=form.circuit_class, circuit_list=form.circuit_list,
        circuit_list_name=form.circuit_list_name, mats=form.mats, made_by=by.id,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row.id


def photograph_numbers(session: Session, assembly_id: int) -> dict[str, int]:
    """The number of each photograph in its assembly by hash, from 1 in the order they came; it never changes."""
    return {row.sha256: number for number, row in enumerate(photographs_of(session, assembly_id), 1)}


def photographs_of(session: Session, assembly_id: int) -> Sequence[tables.Photograph]:
    """The assembly's photographs in the order they came."""
    query = select(tables.Photograph).where(tables.Photograph.assembly_id == assembly_id).order_by(tables.Photograph.id)
    return session.scalars(query).all()

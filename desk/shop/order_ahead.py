"""The order that a review would give as it stands, looked at before one is issued."""

from __future__ import annotations

from collections import OrderedDict
from hashlib import sha256
from threading import Lock

from sqlalchemy.orm import Session

from desk.errors import DeskError
from desk.order_make import Sources, make_order
from desk.order_model import Assessed, Order
from desk.records import tables
from desk.review.reviewed import Reviewed
from desk.shop.assemblies import assembly, newest_intake
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.review import review_of
from models.circuit.circuit_list import Circuit, parse_circuit_list
from models.repair.words import several

MAY_BE_ISSUED = ("reviewed", "ordered")
"""States of an assembly in which an order may be issued."""
_MOST = 64


class _Kept:
    """The orders looked at last, by what they follow from: a plan of several unlike wires takes seconds to make."""

    def __init__(self) -> None:
        self._orders: OrderedDict[str, Order] = OrderedDict()
        self._alone = Lock()

    def get(self, key: str) -> Order | None:
        """The order kept under the key, if it still is."""
        with self._alone:
            if key in self._orders:
                self._orders.move_to_end(key)
            return self._orders.get(key)

    def put(self, key: str, order: Order) -> None:
        """Keep an order, and forget the one that was looked at longest ago."""
        with self._alone:
            self._orders[key] = order
            while len(self._orders) > _MOST:
                self._orders.popitem(last=False)


_kept = _Kept()


def order_ahead(session: Session, desk: Desk, assembly_id: int, review: Reviewed) -> Order:
    """The order that would be issued now, photographs' files left out; Invalid where its plan fails its own check."""
    assessed, sources = inputs_of(session, desk, assembly_id, review)
    key = _key(assessed, sources, review)
    order = _kept.get(key)
    if order is None:
        try:
            order = make_order(assessed, sources, {}, answers=review.answers)
        except DeskError as error:
            raise Invalid("order", str(error)) from error
        _kept.put(key, order)
    return order


def order_after_sign_off(session: Session, desk: Desk, assembly_id: int) -> Order | None:
    """The same where an order may be issued: None before the sign-off, and once the assembly is closed.

    None, too, where the plan fails its own check: a page is shown all the same, and issuing the order says why not.
    """
    standing = session.get(tables.Standing, assembly_id)
    if standing is None or standing.state not in MAY_BE_ISSUED:
        return None
    try:
        return order_ahead(session, desk, assembly_id, review_of(session, desk, assembly_id))
    except Invalid:
        return None


def left_open(order: Order) -> str:
    """What a sign-off leaves open for the work, in a line to stand beside its button; empty where that is nothing."""
    asked, contradicted = len(order.asks()), len(order.decision.contradicted)
    if asked:
        what = f"{order.says_asked('question')} {'is' if asked == 1 else 'are'} open"
    elif contradicted:
        what = f"The photographs contradict {several(contradicted, 'answer')}"
    else:
        what = "The plan of the repair is open" if order.provisional else ""
    return f"{what}; the order will be provisional" if order.provisional else what


def inputs_of(session: Session, desk: Desk, assembly_id: int, review: Reviewed) -> tuple[Assessed, Sources]:
    """What an order is made from: the review as it stands, and rules, prices, circuit list and wires measured."""
    row, circuits = assembly(session, assembly_id), circuits_of(session, assembly_id)
    assessed = Assessed(assembly=row.shop_order, named=True, photos=review.photos, decision=review.after)
    return assessed, Sources(desk.rules, desk.prices, circuits, review.notes)


def circuits_of(session: Session, assembly_id: int) -> tuple[Circuit, ...]:
    """The circuit list given at the counter; empty without one."""
    held = newest_intake(session, assembly_id)
    if not held.circuit_list:
        return ()
    return parse_circuit_list(held.circuit_list, held.circuit_list_name or "circuit list")


def _key(assessed: Assessed, sources: Sources, review: Reviewed) -> str:
    """A hash of everything that an order follows from."""
    told = (assessed.model_dump_json(by_alias=True), review.answers.model_dump_json(), repr(sources))
    return sha256("\0".join(told).encode()).hexdigest()

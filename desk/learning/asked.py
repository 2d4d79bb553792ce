"""What can be asked of the learner, each with its settings checked before anybody waits for it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from desk.errors import DeskError
from desk.learning.choices import LEAST_MIXED_IN
from desk.learning.corrected import LearningValue
from desk.learning.model_shelf import folder_of, to_compare_with
from desk.learning.runs import ask
from desk.learning.shelf import Shelf, find_snapshot
from desk.learning.sides import split
from desk.shop.desk import Desk
from desk.shop.people import Account

MOST_ORDERS = 100


class Keep(LearningValue):
    """Keeping the corrected set as the records stand when its turn comes."""

    kind: Literal["keep"] = "keep"


class Retrain(LearningValue):
    """A training from a snapshot; `keep_out`: assemblies held out of it."""

    kind: Literal["retrain"] = "retrain"
    snapshot: str
    weight: Annotated[float, Field(ge=0.1, le=100)]
    scenes: Annotated[int, Field(ge=LEAST_MIXED_IN, le=5000)]
    seed: Annotated[int, Field(ge=0, le=2**31)]
    keep_out: list[str]


class Compare(LearningValue):
    """A comparison with the model in use; `snapshot`: where reviewed photographs come from, None for none."""

    kind: Literal["compare"] = "compare"
    version: str
    snapshot: str | None
    scenes: Annotated[int, Field(ge=0, le=5000)]


class AnswerAgain(LearningValue):
    """What a model would say of assemblies on record."""

    kind: Literal["answer"] = "answer"
    version: str
    orders: list[str]


Asked = Keep | Retrain | Compare | AnswerAgain
_KINDS: dict[str, type[Keep] | type[Retrain] | type[Compare] | type[AnswerAgain]] = {
    "keep": Keep, "retrain": Retrain, "compare": Compare, "answer": AnswerAgain,
}  # fmt: skip


def asked_of(kind: str, values: dict[str, Any]) -> Asked:
    """The settings of a kind of work; DeskError where one cannot be used."""
    try:
        return _KINDS[kind].model_validate(values)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise DeskError(f"{where}: expected another value ({first['msg']}), got {first['input']!r}") from error


def check(shelf: Shelf, asked: Asked) -> None:
    """DeskError where the work could not be begun: no such snapshot or model, nothing to learn from."""
    if isinstance(asked, Keep):
        return
    if isinstance(asked, Retrain):
        split(find_snapshot(shelf, asked.snapshot), asked.keep_out)
        return
    folder_of(shelf, asked.version)
    if isinstance(asked, AnswerAgain):
        if not 0 < len(asked.orders) <= MOST_ORDERS:
            raise DeskError(f"expected 1 to {MOST_ORDERS} shop orders, got {len(asked.orders)}: one a line")
        return
    to_compare_with(shelf, asked.version)
    if asked.snapshot is not None:
        find_snapshot(shelf, asked.snapshot)
    elif not asked.scenes:
        raise DeskError("expected photographs to compare on, got neither a corrected set nor scenes: give one of both")


def ask_for(desk: Desk, account: Account, asked: Asked) -> int:
    """Put work into the line after a look at whether it could be begun; its number."""
    check(Shelf(desk.data), asked)
    with desk.database.write() as session:
        return ask(session, account, asked.kind, asked.model_dump(mode="json"))

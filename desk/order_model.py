"""The work order as data: what is printed, what `--json` gives, and what `close` reads back."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import ConfigDict, Field, ValidationError

from desk.errors import DeskError
from desk.order_answers import Answered
from desk.wording import CLASS_MAY_REFER, LIST_MAY_REFER, ROUTE_WORDS, say_asked, say_by, say_worst
from models.repair.words import several
from models.repair.worksheet import Worksheet
from vision.findings import AssemblyFindings, Decision, Finding, PhotoFindings, PhotoInfo, Question

_MOST_BYTES = 200_000_000


class Order(Finding):
    """One assembly's work order, schema "1". `answers`: those given with the order, who gave them is not known."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, serialize_by_alias=True)
    kind: Literal["order"] = "order"
    schema_: Literal["1"] = Field(default="1", alias="schema")
    assembly: str
    made_at: str
    photos: list[PhotoInfo]
    photos_not_found: list[str]
    decision: Decision
    work: Worksheet
    answers: tuple[Answered, ...] = ()

    @property
    def provisional(self) -> bool:
        """Whether answers are missing that may change the route or the plan, or a photograph contradicts one."""
        unfinished = self.work.plan is not None and self.work.plan.status == "open"
        return unfinished or not self.settled

    @property
    def settled(self) -> bool:
        """Whether no answer that is missing or contradicted may change the route; the plan may be open all the same."""
        unsettled = self.work.route == "undecided" or self.work.route_worst != self.work.route
        return not unsettled and not self.decision.contradicted

    def says_state(self) -> str:
        """The state in a line, as the sheets begin with it: the route, or that nothing is to be started by it yet."""
        route = ROUTE_WORDS[self.work.route]
        if not self.provisional:
            return f"Route: {route}"
        first = f"{self.says_asked('open question')} first" if self.asks() else "see below"
        so_far = "Route undecided" if self.work.route == "undecided" else f"So far {route}"
        return f"PROVISIONAL, {first}. " + (f"Route settled: {route}" if self.settled else so_far)

    def says_route(self) -> str:
        """The order's route, provisional where it or the plan may still change; an undecided one says so itself."""
        provisional = self.provisional and self.work.route != "undecided"
        return ROUTE_WORDS[self.work.route] + (" (provisional)" if provisional else "")

    def says_asked(self, noun: str = "") -> str:
        """How many questions are open, and how many of them only the plan asks. noun : of one, none beside a heading"""
        of_route = {question.ask for question in self._decided()}
        asked = [question.ask in of_route for question in self.asks()]
        return say_asked(asked.count(True), asked.count(False), noun)

    def says_open(self, where: str) -> str:
        """What is open, in a line beneath the route, and whether it can still change that; empty where nothing is.

        where : the place at which the questions stand, `see page 2`
        """
        asked = len(self.asks())
        if not asked:
            return ""
        stays = "" if self.provisional else "; the route stays, whatever the answers"
        return f"{self.says_asked('question')} {'is' if asked == 1 else 'are'} open, {where}{stays}."

    def says_worst(self) -> str:
        """What the order's route may become at worst, and by which rules; none are named where the plan makes it so."""
        work, decision = self.work, self.decision
        of_rules, by = decision.route_worst, decision.route_worst_by
        if decision.route_worst_unreferred is not None:
            of_rules, by = decision.route_worst_unreferred, decision.route_worst_unreferred_by
        named = say_by(by, decision.rules) if of_rules == (work.route_worst_unreferred or work.route_worst) else ""
        why = LIST_MAY_REFER if self._left_open_by_the_list else CLASS_MAY_REFER
        return say_worst(work.route, work.route_worst, work.route_worst_unreferred, named, why)

    @property
    def _left_open_by_the_list(self) -> bool:
        """Whether the class was answered, but the circuit list leaves open if a wire is of one that is referred."""
        return self.work.circuit_class is not None and self.work.circuit_class.verdict == "cannot_tell"

    def decided(self) -> Decision:
        """The decision with the route that the plan may have changed."""
        return self.decision.model_copy(update={"route": self.work.route})

    def asked(self) -> list[Question]:
        """What is still open: the decision's questions and the plan's; who is referred handles no wire to answer."""
        return [*self._decided(), *self.work.questions]

    def _decided(self) -> list[Question]:
        """Those of them that the decision asks."""
        return [] if self.work.route == "refer" else self.decision.open_questions

    def asks(self) -> list[Question]:
        """The same, each question once: decision and plan may ask in the same words, each for reasons of its own."""
        once: dict[str, Question] = {}
        for question in self.asked():
            first = once.setdefault(question.ask, question)
            if question.why not in first.why:
                once[question.ask] = first.model_copy(update={"why": f"{first.why} {question.why}"})
        return list(once.values())


class Assessed(Finding):
    """What an assessment file holds of one assembly. `named`: by --assembly, not after its only photograph."""

    assembly: str
    named: bool = False
    photos: list[PhotoFindings]
    decision: Decision


def read_assessment(path: Path) -> Assessed:
    """The one assembly in a file of `loomtriage assess --json`; DeskError names the line that is wrong."""
    photos: list[PhotoFindings] = []
    assemblies: list[AssemblyFindings] = []
    for number, line in enumerate(_text(path).splitlines(), 1):
        if line.strip():
            item = _item(path, number, line)
            if isinstance(item, AssemblyFindings):
                assemblies.append(item)
            else:
                photos.append(item)
    return _one_assembly(path, photos, assemblies)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise DeskError(f"{path}: expected an assessment below 200 MB, got {path.stat().st_size} bytes")
        return path.read_text("utf-8")
    except OSError as error:
        raise DeskError(f"{path}: expected a readable JSON file, got {error.strerror}: check the name") from error
    except UnicodeDecodeError as error:
        raise DeskError(f"{path}: expected JSON in UTF-8, got another kind of file: check the name") from error


def _item(path: Path, number: int, line: str) -> PhotoFindings | AssemblyFindings:
    data = _object(line, f"{path}: line {number}", "one JSON object per line as `assess --json` prints it")
    kinds: dict[Any, type[PhotoFindings] | type[AssemblyFindings]] = {
        "photo": PhotoFindings,
        "assembly": AssemblyFindings,
    }
    kind = kinds.get(data.get("kind"))
    if kind is None:
        got = data.get("kind", "none")
        raise DeskError(f"{path}: line {number}: expected an object of kind photo or assembly, got kind {got!r}")
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        raise DeskError(f"{path}: line {number}: {_first(error)}") from error


def _object(text: str, where: str, expected: str) -> dict[str, Any]:
    try:
        data = json.loads(text, parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError) as error:
        raise DeskError(f"{where}: expected {expected}, got text that is no JSON ({error})") from error
    if not isinstance(data, dict):
        raise DeskError(f"{where}: expected {expected}, got a {type(data).__name__}")
    return data


def _finite(text: str) -> float:
    """A number that is one; Python's reader would take NaN and Infinity, and 1e999 for infinity."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is no number")
    return value


def _first(error: ValidationError) -> str:
    """The first mistake of many, and how many more there are: a foreign file has hundreds."""
    details = error.errors()
    key = ".".join(str(part) for part in details[0]["loc"])
    more = f" (and {len(details) - 1} more)" if len(details) > 1 else ""
    return f"{key}: expected the fields of schema 1, got: {details[0]['msg']}{more}; assess again with this version"


def _one_assembly(path: Path, photos: list[PhotoFindings], assemblies: Sequence[AssemblyFindings]) -> Assessed:
    if not photos:
        raise DeskError(f"{path}: expected at least one photograph's findings, got none: write it with assess --json")
    if len(assemblies) == 1:
        found = assemblies[0]
        mine = [photo for photo in photos if photo.photo.sha256 in found.photos]
        missing = set(found.photos) - {photo.photo.sha256 for photo in mine}
        if missing or len(mine) != len(photos):
            raise DeskError(f"{path}: expected the photographs of assembly {found.assembly}, got others: assess again")
        return Assessed(assembly=found.assembly, named=True, photos=photos, decision=found.decision)
    decision = photos[0].decision
    if len(photos) == 1 and not assemblies and decision is not None:
        return Assessed(assembly=Path(photos[0].photo.name).stem, photos=photos, decision=decision)
    got = f"{several(len(photos), 'photograph')} and {several(len(assemblies), 'assembly', 'assemblies')}"
    raise DeskError(
        f"{path}: expected one decided assembly, got {got}: assess its photographs together with --assembly ID --json"
    )


def read_order(path: Path) -> Order:
    """An order written by `loomtriage order --json`."""
    data = _object(_text(path), str(path), "an order as `order --json` prints it")
    if data.get("kind") != "order":
        raise DeskError(f"{path}: expected an object of kind order, got {data.get('kind', 'none')!r}: give ORDER first")
    try:
        return Order.model_validate(data)
    except ValidationError as error:
        raise DeskError(f"{path}: {_first(error)}") from error

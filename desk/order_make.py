"""Makes a work order from an assessment: reads what the arguments name, plans, and finds the photographs."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from desk.errors import DeskError, one_line
from desk.order_answers import answers_given, own_labels
from desk.order_model import Assessed, Order, read_assessment
from desk.order_photos import find_photo
from models.circuit.circuit_list import REFERABLE_CLASSES, Circuit, CircuitListError, read_circuit_list
from models.repair import Answers, AnswersError, Rules, RulesError, decide, load_rules
from models.repair.bench import BenchError, BenchNotes, load_bench
from models.repair.case import seen_as_answered
from models.repair.measured import with_measured
from models.repair.plan_solve import BrokenPlanError, PlanError
from models.repair.prices import Prices, PricesError, load_prices
from models.repair.worksheet import worksheet
from vision.findings import Decision, RuleResult


@dataclass(frozen=True)
class Sources:
    """The files beside the assessment, read."""

    rules: Rules
    prices: Prices
    circuits: tuple[Circuit, ...]
    notes: BenchNotes | None


def read_sources(rules: Path | None, prices: Path | None, circuits: Path | None, notes: Path | None) -> Sources:
    """All files that the arguments name; DeskError with every mistake of the first wrong one on one line."""
    try:
        return Sources(
            load_rules(rules),
            load_prices(prices),
            read_circuit_list(circuits) if circuits is not None else (),
            load_bench(notes) if notes is not None else None,
        )
    except (RulesError, PricesError, CircuitListError, BenchError) as error:
        raise DeskError(one_line(error)) from error


def make_order(
    assessed: Assessed,
    sources: Sources,
    files: dict[str, Path],
    made_at: datetime | None = None,
    answers: Answers | None = None,
) -> Order:
    """The order of an assessment. files: photographs found, by hash. `made_at` defaults to now (UTC).

    `answers`: those the assessment was decided anew with, to be listed beside what the wires measured say. DeskError
    where the plan fails its own check.
    """
    beside = (sources.rules, sources.prices, sources.circuits, sources.notes)
    if sources.notes is not None and sources.notes.wire:
        answers = with_measured(assessed.photos, answers or Answers(), sources.notes, sources.rules)
    try:
        work = worksheet(assessed.photos, assessed.decision, *beside, answers)
    except (BrokenPlanError, PlanError) as error:
        raise DeskError(f"order: {one_line(error)}") from error
    return Order(
        assembly=assessed.assembly,
        made_at=(made_at or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC"),
        photos=[photo.photo for photo in assessed.photos],
        photos_not_found=[p.photo.name for p in assessed.photos if p.photo.sha256 not in files],
        decision=_with_row(assessed.decision, work.circuit_class),
        work=work,
        answers=answers_given(answers, own_labels(assessed.photos)) if answers is not None else (),
    )


def _with_row(decision: Decision, row: RuleResult | None) -> Decision:
    """The decision with one rule's row in the place of its own."""
    if row is None:
        return decision
    return decision.model_copy(update={"rules": [row if rule.id == row.id else rule for rule in decision.rules]})


def decided_anew(assessed: Assessed, answers: Answers, sources: Sources) -> Assessed:
    """The assessment decided again with bench answers and what the wires measured answer; the circuit class stays as it
    was unless it is answered."""
    rules = sources.rules
    if answers.circuit_class is None:
        answers = answers.model_copy(update={"circuit_class": class_of(assessed.decision)})
    try:
        answers = with_measured(assessed.photos, answers, sources.notes, rules)
        decision = decide(assessed.photos, answers, rules)
        photos = seen_as_answered(assessed.photos, answers, rules)
    except AnswersError as error:
        raise DeskError(f"--answers: {one_line(error)}") from error
    return assessed.model_copy(update={"decision": decision, "photos": photos})


def class_of(decision: Decision) -> str | None:
    """The circuit class that was answered at intake, as the decision's rule says it; None when it was not."""
    rule = next((rule for rule in decision.rules if rule.id == "circuit-class"), None)
    if rule is None or rule.verdict == "cannot_tell":
        return None
    named = (name for name in REFERABLE_CLASSES if rule.says.startswith(name.replace("_", " ")))
    return next(named, "none" if rule.verdict == "met" else None)


def find_photos(assessed: Assessed, assessment: Path, folder: Path | None) -> dict[str, Path]:
    """Photographs by hash: in the folder named, beside the assessment, or in a folder `photos` beside it."""
    if folder is not None and not folder.is_dir():
        raise DeskError(f"--photos: expected a folder, got {folder}: name the folder the photographs lie in")
    beside: Sequence[Path] = [assessment.parent, assessment.parent / "photos"]
    places = [folder, *beside] if folder is not None else beside
    found = {p.photo.sha256: find_photo(p.photo.name, p.photo.sha256, places) for p in assessed.photos}
    return {sha256: path for sha256, path in found.items() if path is not None}


def read_answers(path: Path | None) -> Answers:
    """Bench answers from a TOML file; without one, nothing was asked."""
    if path is None:
        return Answers()
    try:
        return Answers(**tomllib.loads(path.read_text("utf-8")))
    except OSError as error:
        raise DeskError(f"--answers: expected a readable TOML file, got {path} ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DeskError(f"--answers: {path}: expected valid TOML in UTF-8, got {error}") from error
    except AnswersError as error:
        raise DeskError(f"--answers: {path}: {one_line(error)}") from error


__all__ = ["Sources", "decided_anew", "find_photos", "make_order", "read_answers", "read_assessment", "read_sources"]

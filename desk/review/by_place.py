"""Answers for a whole assembly, written out place by place where one place gets an answer of its own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from models.repair import Answers, Rules
from models.repair.case import open_case
from models.repair.spots import Spot
from vision.findings import PhotoFindings


def by_place(answers: Answers, names: Iterable[str], photos: Sequence[PhotoFindings], rules: Rules) -> Answers:
    """The answers of these names under every place that each counted for; those that go by place stay as they are.

    A place that may be a repair sleeve, or is in doubt otherwise, is asked about anew rather than settled by what was
    seen elsewhere. AnswersError where an answer is about no place of these photographs.
    """
    whole = {name: value for name in names if _for_all(value := getattr(answers, name))}
    if not whole:
        return answers
    spots = open_case(photos, answers, rules).spots
    update = {
        name: {spot.ref: value for spot in spots if _counted(name, value, spot)} or None
        for name, value in whole.items()
    }
    return answers.model_copy(update=update)


def _for_all(value: Any) -> bool:
    return value is not None and not isinstance(value, dict)


def _counted(name: str, value: Any, spot: Spot) -> bool:
    """Whether an answer for the assembly counted at a place as one about that very place would.

    What was seen of copper never counted for a repair sleeve, nor wires that part by hand for a place in doubt.
    """
    if name == "copper":
        return "earlier_repair" not in spot.labels
    if name == "parts_by_hand" and value == "parts":
        return not (spot.region.unsure or spot.region.novel)
    return True

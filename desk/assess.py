"""Assesses one photograph: from its file to findings."""

from __future__ import annotations

from dataclasses import dataclass

from models.repair import Answers, Rules
from vision.layout import MatLayout


@dataclass(frozen=True)
class AssessSettings:
    """What an assessment needs beside the photograph; plain values, so that it travels to another process.

    `mm_per_px` is a scale stated by the person, used where no mat is found; `assembly` names the one assembly that all
    photographs show, or is None where each photograph is an assembly of its own.
    """

    layouts: tuple[MatLayout, ...]
    rules: Rules
    answers: Answers
    mm_per_px: float | None = None
    assembly: str | None = None

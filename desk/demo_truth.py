"""What was really there in photographs whose truth is known, and whether the answer on each is right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from desk.evaluate_match import match_regions
from desk.foreign_truth import read_truth
from desk.overlay import Shape, path_of
from desk.truth_findings import findings_from_truth, knowing_all
from desk.wording import ROUTE_WORDS, say_label, say_measure, say_region
from models.repair import Answers, Rules, decide
from sample_images.truth import Truth, TruthRegion
from vision.findings import PhotoFindings, Region, Route

if TYPE_CHECKING:
    from desk.batch import Entry, Run

RIGHT, UNSURE, MISSED, FALSE = "right", "unsure", "missed", "false"
VERDICTS = (RIGHT, UNSURE, MISSED, FALSE)
"""From the answer that teaches most to the one that misleads; a photograph has the last that holds of any place."""
WORDS = {
    RIGHT: "right: every damage found and rightly named, nothing else; measures and route stand beside the truth",
    UNSURE: "unsure: it does not decide which damage it is, or whether there is any",
    MISSED: "missed: damage that is there was not found",
    FALSE: "false: damage named that is not there, or by a wrong name",
}


@dataclass(frozen=True)
class Told:
    """One photograph's answer held against its truth. `there`: what is really there; `lines`: place by place.

    `shapes`: outlines of the true damage in pixels, for the picture; `same_route`: as follows from the truth.
    """

    verdict: str
    there: str
    lines: tuple[str, ...]
    shapes: tuple[Shape, ...] = ()
    same_route: bool = False


def tell(truth: Truth, findings: PhotoFindings, answers: Answers, rules: Rules) -> Told:
    """The verdict on one answer, with what is really there, place by place, and the route that follows from that."""
    pairs, false = match_regions(truth, findings)
    found = dict(pairs)
    told = [_of_damage(one, findings.regions[found[i]] if i in found else None) for i, one in enumerate(truth.regions)]
    told += [
        (FALSE, f"{findings.regions[j].id}: {say_region(findings.regions[j])}; nothing is damaged there") for j in false
    ]
    told += (
        [(UNSURE, "no place is named, but it is unsure whether the rest is sound")] if _unsure(findings, told) else []
    )
    told += [(RIGHT, "nothing is damaged, and nothing was named")] if not told else []
    verdict = max((kind for kind, _ in told), key=VERDICTS.index)
    lines = [line for _, line in told]
    said = findings.decision.route if findings.decision is not None else None
    true = decide([findings_from_truth(truth)], knowing_all(answers), rules).route
    if said is not None:
        lines.append(_route(said, true))
    outlines = [(path_of(one.rings_px), f"really there: {say_label(one.label)}") for one in truth.regions]
    shapes = tuple(Shape("truth", "truth", path, title) for path, title in outlines)
    return Told(verdict, _there(truth), tuple(lines), shapes, same_route=said == true)


def _of_damage(true: TruthRegion, region: Region | None) -> tuple[str, str]:
    """What became of one true damage."""
    what = f"{say_label(true.label)}, {true.length_mm:.0f} mm"
    if region is None:
        return MISSED, f"not found: {what}"
    said = f"{region.id}: {say_region(region)}, {say_measure(region.length_mm)}; really {what}"
    if region.novel or region.unsure or region.label is None:
        return UNSURE, said
    return (RIGHT if region.label == true.label else FALSE), said


def _unsure(findings: PhotoFindings, told: Sequence[tuple[str, str]]) -> bool:
    """Whether no place was found and the photograph as a whole is left open, or cannot be used."""
    named = any(kind != MISSED for kind, _ in told)
    return not named and (findings.unsure or findings.novel or not findings.usable or findings.label != "sound")


def _there(truth: Truth) -> str:
    counted = Counter(say_label(one.label) for one in truth.regions)
    return ", ".join(f"{name} ({n} places)" if n > 1 else name for name, n in counted.items()) or "no damage"


def _route(said: Route, true: Route) -> str:
    """The answer's route beside the one that follows from the truth."""
    if said == true:
        return f"route: {ROUTE_WORDS[said]}, as follows from what is there"
    return f"route: {ROUTE_WORDS[said]}; from what is there follows {ROUTE_WORDS[true]}"


def tell_run(run: Run, answers: Answers, rules: Rules) -> tuple[Run, dict[str, Told]]:
    """The run with its instructive right answers first, and what is told of each photograph, by its file's path.

    A photograph without truth, or one that could not be read, stays at the end.
    """
    told = {
        str(entry.path): tell(read_truth(_truth_of(entry.path)), entry.findings, answers, rules)
        for entry in run.entries
        if entry.findings is not None and _truth_of(entry.path).is_file()
    }
    return replace(run, entries=tuple(sorted(run.entries, key=lambda entry: _place(entry, told)))), told


def _truth_of(photo: Path) -> Path:
    return photo.with_suffix(".json")


def _place(entry: Entry, told: Mapping[str, Told]) -> tuple[int, int, int, int, float]:
    """Right before unsure, missed and false; among equals damage before sound, then the true route, and the surest."""
    findings, one = entry.findings, told.get(str(entry.path))
    if findings is None or one is None:
        return len(VERDICTS), 0, 0, 0, 0.0
    undecided = findings.decision is None or findings.decision.route == "undecided"
    surest = max(findings.probabilities.values(), default=0.0)
    return VERDICTS.index(one.verdict), not findings.regions, not one.same_route, undecided, -surest


def summary(told: Mapping[str, Told]) -> str:
    """How many answers are what: `Of 8 photographs 4 right, 1 unsure, 2 missed, 1 false.`"""
    counted = Counter(one.verdict for one in told.values())
    return f"Of {len(told)} photographs {', '.join(f'{counted[verdict]} {verdict}' for verdict in VERDICTS)}."

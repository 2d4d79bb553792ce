"""What was really there in photographs whose truth is known, and whether the answer on each is right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from desk.evaluate_match import match_regions
from desk.evaluate_scoring import is_graver, is_milder
from desk.foreign_truth import read_truth
from desk.overlay import Shape, path_of
from desk.truth_findings import findings_from_truth, knowing_all
from desk.wording import ROUTE_WORDS, say_answer, say_label, say_measured, say_region
from models.repair import Answers, Rules, decide
from sample_images.truth import Truth, TruthRegion
from vision.findings import LABELS, Decision, PhotoFindings, Region, Route

if TYPE_CHECKING:
    from desk.batch import Entry, Run

RIGHT, UNSURE, MISSED, FALSE = "right", "unsure", "missed", "false"
VERDICTS = (RIGHT, UNSURE, MISSED, FALSE)
"""From the answer that teaches most to the one that misleads; a photograph has the last that holds of any place."""
WORDS = {
    RIGHT: "right: every damage found and rightly named, nothing else; route not too mild; measures beside the truth",
    UNSURE: "unsure: it does not decide which damage it is, or whether there is any",
    MISSED: "missed: damage that is there was not found",
    FALSE: "false: damage named that is not there, or by wrong names only, or a route milder than it asks for",
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
    found, places = dict(pairs), findings.regions
    told = [
        _of_damage(one, places[found[i]] if i in found else None, findings.decision)
        for i, one in enumerate(truth.regions)
    ]
    told += [(FALSE, f"{places[j].id}: {say_region(places[j])}; nothing is damaged there") for j in false]
    told += [_of_second(truth, one) for j, one in enumerate(places) if j not in found.values() and j not in false]
    if all(kind == MISSED for kind, _ in told):
        told += _of_the_whole(truth, findings)
    if not told:
        told.append((RIGHT, "nothing is damaged, and nothing was named"))
    true = findings_from_truth(truth)
    true = true.model_copy(update={"decision": decide([true], knowing_all(answers), rules)})
    told += _of_route(findings, true, missed=any(kind == MISSED for kind, _ in told))
    verdict = max((kind for kind, _ in told), key=VERDICTS.index)
    outlines = [(path_of(one.rings_px), f"really there: {say_label(one.label)}") for one in truth.regions]
    shapes = tuple(Shape("truth", "truth", path, title) for path, title in outlines)
    same = _route_of(findings) == _route_of(true)
    return Told(verdict, _there(truth), tuple(line for _, line in told), shapes, same_route=same)


def _of_damage(true: TruthRegion, region: Region | None, decision: Decision | None) -> tuple[str, str]:
    """What became of one true damage; its length as the table says it, in which one too wide to use is no number."""
    what = f"{say_label(true.label)}, {true.length_mm:.0f} mm"
    if region is None:
        return MISSED, f"not found: {what}"
    said = f"{region.id}: {say_region(region)}, {say_measured(region.length_mm, decision, short=True)}; really {what}"
    known = {true.label} if true.label in LABELS else {true.label, _UNKNOWN}
    if _left(region).isdisjoint(known) and _left(region):
        return FALSE, said
    return (UNSURE if region.novel or region.unsure or region.label is None else RIGHT), said


def _of_second(truth: Truth, region: Region) -> tuple[str, str]:
    """A further place named on a damage that is told of already."""
    said = f"{region.id}: {say_region(region)}; on the damage told above"
    known = {one.label for one in truth.regions}
    known |= set() if known <= set(LABELS) else {_UNKNOWN}
    if _left(region) and _left(region).isdisjoint(known):
        return FALSE, said
    return (UNSURE if region.novel or region.unsure or region.label is None else RIGHT), said


_UNKNOWN = "of a kind not known"


def _left(answer: Region | PhotoFindings) -> set[str]:
    """The labels that an answer leaves; none where it says nothing."""
    if answer.novel:
        return {_UNKNOWN}
    return {*(answer.candidates if answer.unsure else ()), *([answer.label] if answer.label else ())}


def _of_the_whole(truth: Truth, findings: PhotoFindings) -> list[tuple[str, str]]:
    """What is said of a photograph in which no place was named; nothing where it is called sound."""
    if findings.usable and findings.label == "sound" and not findings.unsure and not findings.novel:
        return []
    possible = {"sound", *(one.label for one in truth.regions)}
    if findings.usable and _left(findings) and _left(findings).isdisjoint(possible):
        return [(FALSE, f"no place is named, and the photograph as a whole is called: {say_answer(findings)}")]
    return [(UNSURE, "no place is named, but it is unsure whether the rest is sound")]


def _there(truth: Truth) -> str:
    counted = Counter(say_label(one.label) for one in truth.regions)
    return ", ".join(f"{name} ({n} places)" if n > 1 else name for name, n in counted.items()) or "no damage"


def _route_of(findings: PhotoFindings) -> Route | None:
    return findings.decision.route if findings.decision is not None else None


def _of_route(findings: PhotoFindings, true: PhotoFindings, missed: bool) -> list[tuple[str, str]]:
    """The answer's route beside the one that follows from the truth.

    One too mild is a mistake of its own, unless it comes of damage that was missed.
    """
    said, follows = _route_of(findings), _route_of(true)
    if said is None or follows is None:
        return []
    if said == follows:
        return [(RIGHT, f"route: {ROUTE_WORDS[said]}, as follows from what is there")]
    line = f"route: {ROUTE_WORDS[said]}; from what is there follows {ROUTE_WORDS[follows]}"
    if is_milder(findings, true):
        return [(MISSED if missed else FALSE, f"{line}: the route is too mild")]
    return [(RIGHT, f"{line}: the route is too grave" if is_graver(findings, true) else line)]


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

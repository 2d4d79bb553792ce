"""From a damage in one photograph to the housing in another: along the traces, across the sheets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from desk.across import with_distances_across
from desk.foreign_truth import read_truth
from desk.truth_findings import findings_from_truth
from vision.findings import Missing, PhotoFindings
from vision.sheets import Place

CERTAIN = np.diag([0.01, 0.01, 1e-8])


def _seen(path: Path, **changes: object) -> PhotoFindings:
    """What the drawn photograph shows: a wire from 20 to 310 mm, its housing at 20 mm."""
    found = findings_from_truth(read_truth(path), path.name)
    return found.model_copy(update=changes)


def _without_housing(path: Path) -> PhotoFindings:
    """A bite from 250 to 270 mm whose termination this photograph does not show."""
    found = _seen(path, terminations=[])
    regions = [r.model_copy(update={"to_termination_mm": None}) for r in found.regions]
    missing = [
        Missing(field=f"regions[{r.id}].to_termination_mm", reason="no termination is in the photograph")
        for r in regions
    ]
    return found.model_copy(update={"regions": regions, "missing": missing})


def _pair(bench: Path) -> tuple[PhotoFindings, PhotoFindings]:
    return _seen(bench / "whole.json"), _without_housing(bench / "bitten.json")


@pytest.mark.parametrize("turn", [0.0, 0.7, -2.5])
def test_the_distance_runs_along_the_wire_of_both_photographs(bench, turn: float):
    """The second sheet lies 285 mm further along: 285 + 250 - 20 = 515 mm, however the frame is turned."""
    first, second = _pair(bench)
    c, s = np.cos(turn), np.sin(turn)
    places = {
        first.photo.sha256: Place(40, -7, turn, CERTAIN),
        second.photo.sha256: Place(40 + 285 * c, -7 + 285 * s, turn, CERTAIN),
    }
    same, better = with_distances_across([first, second], places)
    assert same == first
    measure = better.regions[0].to_termination_mm
    assert measure is not None and abs(measure.value - 515) <= measure.u95 < 20
    assert better.missing == []


def test_what_the_place_of_the_sheets_leaves_open_is_in_the_uncertainty(bench):
    """A sheet known to 5 mm (u) only: the distance is as uncertain, at least."""
    first, second = _pair(bench)
    vague = {
        first.photo.sha256: Place(0, 0, 0, CERTAIN),
        second.photo.sha256: Place(285, 0, 0, np.diag([25.0, 25.0, 1e-8])),
    }
    measure = with_distances_across([first, second], vague)[1].regions[0].to_termination_mm
    assert measure is not None and measure.u95 > 10


@pytest.mark.parametrize("x", [330.0, 900.0])
def test_traces_that_do_not_meet_give_no_distance(bench, x: float):
    """Between the photographs the wire was not seen for 40 mm: no guess."""
    first, second = _pair(bench)
    places = {first.photo.sha256: Place(0, 0, 0, CERTAIN), second.photo.sha256: Place(x, 0, 0, CERTAIN)}
    assert with_distances_across([first, second], places)[1] == second


def test_a_photograph_without_a_place_and_a_cut_end_change_nothing(bench):
    """An unplaced photograph is left as it is; a cut end is no termination; a known distance is kept."""
    first, second = _pair(bench)
    here = Place(0, 0, 0, CERTAIN)
    assert with_distances_across([first, second], {first.photo.sha256: here}) == [first, second]
    cut = first.model_copy(
        update={"terminations": [t.model_copy(update={"kind": "cut_end"}) for t in first.terminations]}
    )
    places = {first.photo.sha256: here, second.photo.sha256: Place(285, 0, 0, CERTAIN)}
    assert with_distances_across([cut, second], places)[1] == second
    known = _seen(bench / "bitten.json")
    assert with_distances_across([known], {known.photo.sha256: here}) == [known]
    assert with_distances_across([], {}) == []

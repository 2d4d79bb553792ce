"""Holds every measure's U95 against truth, kind by kind: `python tests/benchmarks/coverage.py FOLDER...`.

Folders hold photographs with truth files (`loomtriage samples`), assessed as `loomtriage assess` does. Those without
a mat are left out; `mat_accuracy.py` does the same for the scale. A kind holds when Wilson's interval of the covered
share contains 0.95; below 400 cases that says little, and the table says so. The middle of |error| over U95 tells too
wide from right: 0.34 for errors that are normal, less where U95 is too wide.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from desk.assess import AssessSettings, assess_photo
from desk.errors import DeskError
from desk.evaluate import Case, find_cases, true_findings
from desk.evaluate_match import match_regions, match_wires
from desk.evaluate_scoring import score
from desk.statistics import wilson
from models.repair import Answers, load_rules
from vision.findings import PhotoFindings
from vision.layout import builtin_layouts
from vision.reading import PhotoError

ENOUGH = 400
_NORMAL = 0.34


@dataclass(frozen=True)
class Row:
    """One true value: its error over U95 where it is no bound, and whether U95 covers it. None: nothing measured."""

    ratio: float | None
    covered: bool | None


def rows_of(case: Case, settings: AssessSettings) -> dict[str, list[Row]]:
    """Every kind's cases in one photograph."""
    found = assess_photo(case.path, settings)
    known = score(case.truth, true_findings(case.truth, settings), found, 0.0, None)
    rows: dict[str, list[Row]] = defaultdict(list)
    if case.truth.mat is None:
        return rows
    for one in known.compared:
        ratio = None
        if one.measured is not None and one.u95 and not one.low_bound:
            ratio = abs(one.measured - one.true) / one.u95
        rows[one.kind].append(Row(ratio, one.covered))
    _counts(case, found, rows)
    _lengths(case, found, rows)
    return rows


def _counts(case: Case, found: PhotoFindings, rows: dict[str, list[Row]]) -> None:
    """Wires affected, of the regions that were found: inside the interval or not."""
    for i, j in match_regions(case.truth, found)[0]:
        count, true = found.regions[j].wires_affected, case.truth.regions[i].wires_affected
        if case.truth.regions[i].label != "connector":
            rows["wires_affected"].append(Row(None, None if count is None else count.low <= true <= count.high))


def _lengths(case: Case, found: PhotoFindings, rows: dict[str, list[Row]]) -> None:
    """Wires followed from one termination to another; those that were not are lower bounds."""
    for i, j in match_wires(case.truth, found.wires):
        measured, true = found.wires[j].length_mm, case.truth.wires[i].length_mm
        if measured is not None and not measured.low_bound:
            ratio = abs(measured.value - true) / max(measured.u95, 1e-6)
            rows["wire_length"].append(Row(ratio, ratio <= 1))


def _print(rows: dict[str, list[Row]]) -> None:
    print(f"{'kind':24}{'cases':>6}{'measured':>10}{'covered':>9}  95 % interval   |error|/U95")
    for kind, of in sorted(rows.items()):
        known = [row.covered for row in of if row.covered is not None]
        if not known:
            print(f"{kind:24}{len(of):6d}{0:10.0%}        –")
            continue
        share = wilson(sum(known), len(known))
        ratios = [row.ratio for row in of if row.ratio is not None]
        middle = f"{np.median(ratios):.2f}" if ratios else "–"
        holds = "holds" if share.low <= 0.95 <= share.high else "too narrow" if share.high < 0.95 else "too wide"
        few = "" if len(known) >= ENOUGH else f", of {ENOUGH} wanted only {len(known)}"
        print(
            f"{kind:24}{len(of):6d}{len(known) / len(of):10.0%}{sum(known) / len(known):9.1%}  "
            f"{share.low:.3f} to {share.high:.3f}  {middle:>6}  {holds}{few}"
        )
    print(f"({_NORMAL} of |error|/U95 is what normal errors give)")


def main(folders: list[str]) -> None:
    """Print the table of all folders together."""
    cv2.setNumThreads(1)
    settings = AssessSettings(tuple(builtin_layouts()), load_rules(None), Answers())
    rows: dict[str, list[Row]] = defaultdict(list)
    photographs = 0
    for folder in folders:
        cases, mistakes = find_cases(Path(folder))
        for line in mistakes:
            print(line, file=sys.stderr)
        for case in cases:
            try:
                new = rows_of(case, settings)
            except PhotoError as error:
                print(error, file=sys.stderr)
                continue
            photographs += 1
            for kind, of in new.items():
                rows[kind] += of
    print(f"{photographs} photographs")
    _print(rows)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("expected folders of photographs with truth files, got none; make some with loomtriage samples")
    try:
        main(sys.argv[1:])
    except DeskError as error:
        sys.exit(str(error))

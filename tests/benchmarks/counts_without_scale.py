"""Counts of damaged wires where no mat gives a scale: `python tests/benchmarks/counts_without_scale.py FOLDER...`.

Photographs with truth files are assessed as if no mat were known, so that their millimetres are assumed. Of the damages
on wires found: how often the true number of wires lies within the interval, and how often the interval leaves open
whether they are more than the shop's limit.
"""

from __future__ import annotations

import sys
from pathlib import Path

from desk.assess import AssessSettings
from desk.evaluate import evaluate_folder, find_cases
from models.repair import Answers, load_rules


def main(folders: list[str]) -> None:
    """Print counts per folder."""
    settings = AssessSettings((), load_rules(), Answers(circuit_class="none"))
    limit = settings.rules.wire_count.max_wires
    for folder in map(Path, folders):
        cases, mistakes = find_cases(folder)
        assert not mistakes, mistakes
        found = [count for a in evaluate_folder(folder, cases, settings).answers for count in a.score.wire_counts]
        within = sum(c.low <= c.true <= c.high for c in found)
        more, fewer = sum(c.true > c.high for c in found), sum(c.true < c.low for c in found)
        unsettled = sum(c.low <= limit < c.high for c in found)
        print(
            f"{folder}: {len(found)} damages, true number within the interval {within}, above it {more}, below it "
            f"{fewer}; the limit of {limit} within it {unsettled}",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])

"""What the namers lose without each family of signs: `python tests/benchmarks/ablation.py [FOLDER] [--lessons PATH]`.

Learns from the candidates recorded beside the shipped model (or in PATH), each scene on one side of every fold. With a
FOLDER of photographs with truth files it learns from all of them and answers the candidates in those photographs, found
and described as `loomtriage assess` does. Printed per family: macro-F1 without it and what that loses, with 95 %
intervals from drawing whole scenes; once beside the finder's own answers, which themselves know every sign, and once
without them. `--trees N` (100).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from held_out import Interval, confusions, difference, folds, macro_f1, read_lessons

from desk.evaluate import find_cases
from desk.training_set import candidates_of
from models.damage.card import SHIPPED
from models.damage.lessons import Lessons, lessons_of
from models.damage.namer import votes
from models.damage.refit import CHOICES, SHELL_CHOICES
from models.damage.store import load_model
from vision.layout import builtin_layouts
from vision.reading import PhotoError, read_photo
from vision.sight import first_look

FINDER = "finder's answers"
EYE = "what the eye says"
SHELL_EYE = "what the shell eye says"
FAMILIES = {
    "wires": {
        FINDER: ("finder_",),
        EYE: ("eye_",),
        "fused insulation": ("valley", "along_change", "coherence", "turn_", "energy_", "across_"),
        "char and scorch": ("black_", "brown_", "char_", "lane_dark", "lane_brown", "piece_dark"),
        "colour bleed": ("lane_", "break_", "change_", "chroma_spread"),
        "gnawed edges": ("edge_rough", "crumbs", "cover_"),
        "bare copper": ("copper_", "piece_copper"),
        "wear": ("light_", "chroma_1mm", "glint_", "dark_line", "bright_line"),
        "sleeves": ("interruption", "piece_"),
        "extent and width": (
            "log_", "mean_width", "share_of_", "stretch_", "bundle_width", "mass_per", "width_across", "depth_",
            "half_width", "wire_runs_on",
        ),
    },
    "shell": {
        FINDER: ("finder_",),
        EYE: ("eye_",),
        SHELL_EYE: ("seen_",),
        "cracks": ("shell_crack", "shell_crooked", "dark_line", "off_axis", "shell_edge_density", "bright_line"),
        "corners and outline": (
            "shell_corner", "shell_front", "shell_rear", "shell_hull", "shell_rect", "shell_outline", "edge_rough",
        ),
        "loose pieces": ("shell_fragment",),
        "size": ("shell_area", "shell_short", "shell_long"),
        "surface": ("shell_", "light_spread"),
    },
}  # fmt: skip
"""Beginnings of the names in each family; the longest one that fits decides."""


def family_of(name: str, kind: str) -> str:
    """The family of one feature; every feature has one."""
    families = FAMILIES[kind].items()
    fits = [(len(start), family) for family, starts in families for start in starts if name.startswith(start)]
    if not fits:
        raise SystemExit(f"expected every feature in a family, got {name} in none: add it to FAMILIES")
    return max(fits)[1]


def candidates_in(folder: Path) -> dict[str, Lessons]:
    """Candidates of every photograph in a folder, found by the shipped finder, with what they really are."""
    model, layouts = load_model(SHIPPED), builtin_layouts()
    rows: dict[str, list] = {"wires": [], "shell": []}
    cases, mistakes = find_cases(folder)
    for line in mistakes:
        print(line, file=sys.stderr)
    for case in cases:
        try:
            look = first_look(read_photo(case.path), layouts, None)
        except PhotoError as error:
            print(error, file=sys.stderr)
            continue
        for c in candidates_of(look, case.truth, model.finder, case.path.stem, usual=True).candidates:
            rows[c.kind].append((c.names, c.vector, c.label, c.scene))
    return {kind: lessons_of(found) for kind, found in rows.items()}


def answers(
    lessons: Lessons, asked: Lessons | None, kind: str, used: np.ndarray, labels: Sequence[str], trees: int
) -> np.ndarray:
    """(G, C, C + 1) counts of the shipped kind of classifier on the used features.

    By folds, or of those asked where there are some.
    """
    shipped = (CHOICES if kind == "wires" else SHELL_CHOICES)[0]
    y = np.array([labels.index(name) for name in lessons.labels.tolist()])
    x = np.ascontiguousarray(lessons.x[:, used])
    if asked is not None:
        fitted = shipped.fitted(x, y, lessons.weights, 0, trees)
        said = votes(fitted, np.ascontiguousarray(asked.x[:, used])).argmax(axis=1)
        truth = np.array([labels.index(name) for name in asked.labels.tolist()])
        return confusions(truth, said, asked.groups, len(labels))
    said = np.empty(len(y), int)
    for train, test in folds(lessons.groups, 5):
        fitted = shipped.fitted(x[train], y[train], lessons.weights[train], 0, trees)
        said[test] = votes(fitted, x[test]).argmax(axis=1)
    return confusions(y, said, lessons.groups, len(labels))


def _row(name: str, without: Interval, loses: Interval | None) -> str:
    lost = "" if loses is None else f"   loses {loses.value:+.3f} ({loses.low:+.3f} to {loses.high:+.3f})"
    return f"  {name:36} {without}{lost}"


def ablate(kind: str, lessons: Lessons, asked: Lessons | None, trees: int) -> None:
    """Print one kind's table, beside the finder's answers and without them."""
    labels = sorted(set(lessons.labels.tolist()))
    family = np.array([family_of(name, kind) for name in lessons.names])
    allowed = np.ones(len(lessons.names), bool)
    of = lessons if asked is None else asked
    print(f"{kind}: {len(lessons)} candidates to learn from, {len(of)} answered, {len(labels)} labels, macro-F1")
    for title, base in (("beside the finder's answers", allowed), ("without them", allowed & (family != FINDER))):
        whole = answers(lessons, asked, kind, base, labels, trees)
        print(f" {title}\n{_row('all families', macro_f1(whole), None)}", flush=True)
        for name in FAMILIES[kind]:
            left = base & (family != name)
            if left.sum() == base.sum() or not left.any():
                continue
            reduced = answers(lessons, asked, kind, left, labels, trees)
            says = f"without {name} ({int(base.sum() - left.sum())})"
            print(_row(says, macro_f1(reduced), difference(whole, reduced)), flush=True)


def main() -> None:
    """Both tables."""
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--lessons")
    parser.add_argument("--trees", type=int, default=100)
    options = parser.parse_args()
    lessons = read_lessons(options.lessons)
    asked = None if options.folder is None else candidates_in(options.folder)
    for kind, one in lessons.items():
        ablate(kind, one, None if asked is None else asked[kind], options.trees)


if __name__ == "__main__":
    main()

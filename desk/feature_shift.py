"""Which features look otherwise in one folder of photographs than in another, label by label."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.stats import ks_2samp, wasserstein_distance

from desk.evaluate import Case
from desk.recognition import seen_by
from desk.training_set import candidates_of, cells_of
from models.damage.finder import Finder
from vision.layout import MatLayout
from vision.reading import PhotoError, read_photo
from vision.sight import first_look

LEAST = 8
"""Fewer examples of a label on either side tell nothing of its features."""
_CELLS_EACH = 200
"""Cells of one class taken from one photograph: a large photograph shall not speak for its folder."""


@dataclass(frozen=True)
class Sample:
    """Features of things of one kind in one folder. names : F; values : (N, F); labels : (N,), as the truth says."""

    names: tuple[str, ...]
    values: np.ndarray
    labels: np.ndarray


@dataclass(frozen=True)
class Shift:
    """How far one feature lies apart in two folders, the mean over the labels that both hold.

    of : cell | damage candidate | housing; ks : Kolmogorov-Smirnov distance, 0 to 1; moved : Wasserstein distance in
    units of the feature's spread within a label; worst_label, worst_ks : where it is farthest apart
    """

    of: str
    feature: str
    ks: float
    moved: float
    worst_label: str
    worst_ks: float
    labels: int


def gather(
    cases: Sequence[Case],
    layouts: Sequence[MatLayout],
    finder: Finder,
    seed: int = 0,
    on_progress: Callable[[], None] | None = None,
) -> dict[str, Sample]:
    """Cells, damage candidates and housings of a folder's photographs, labelled by the truth.

    Photographs that cannot be read are left out: the evaluation names them.
    """
    rng = np.random.default_rng(seed)
    rows: dict[str, list[tuple[tuple[str, ...], np.ndarray, str]]] = {"cell": [], "damage candidate": [], "housing": []}
    for case in cases:
        try:
            photo = read_photo(case.path)
        except PhotoError:
            photo = None
        if photo is not None:
            look = seen_by(first_look(photo, layouts), finder.eye)
            cells = cells_of(look, case.truth)
            for number in np.unique(cells.classes[cells.classes >= 0]):
                mine = rng.permutation(np.flatnonzero(cells.classes == number))[:_CELLS_EACH]
                rows["cell"] += [(cells.names, cells.features[i], finder.classes[number]) for i in mine]
            for lesson in candidates_of(look, case.truth, finder, case.path.name, True).candidates:
                of = "housing" if lesson.kind == "shell" else "damage candidate"
                rows[of].append((lesson.names, lesson.vector, lesson.label))
        if on_progress:
            on_progress()
    return {
        of: Sample(found[0][0], np.stack([v for _, v, _ in found]), np.array([label for *_, label in found]))
        for of, found in rows.items()
        if found
    }


def shifts(here: dict[str, Sample], there: dict[str, Sample]) -> list[Shift]:
    """Every feature's shift, the farthest first; labels with fewer than `LEAST` examples on a side are left out.

    Labels are compared one by one, so that a folder with more rodents is not taken for one with other features.
    """
    found = [shift for of in here if of in there for shift in _of_one_kind(of, here[of], there[of])]
    return sorted(found, key=lambda shift: -shift.ks)


def _of_one_kind(of: str, a: Sample, b: Sample) -> Iterable[Shift]:
    if a.names != b.names:
        raise ValueError(f"{of}: expected the same features on both sides")
    labels = [
        str(label)
        for label in np.unique(a.labels)
        if min((a.labels == label).sum(), (b.labels == label).sum()) >= LEAST
    ]
    for k, name in enumerate(a.names):
        ks, moved = [], []
        for label in labels:
            x, y = a.values[a.labels == label, k], b.values[b.labels == label, k]
            ks.append(float(ks_2samp(x, y, method="asymp").statistic))
            spread = float(np.sqrt(0.5 * (x.var() + y.var())))
            # a feature that is one value throughout a label has not moved, or moved beyond any measure
            far = float(wasserstein_distance(x, y))
            moved.append(far / spread if spread > 0 else (0.0 if far == 0 else np.inf))
        if labels:
            worst = int(np.argmax(ks))
            yield Shift(of, name, float(np.mean(ks)), float(np.mean(moved)), labels[worst], ks[worst], len(labels))


def shifts_as_dict(found: Sequence[Shift], against: str) -> dict[str, Any]:
    """Plain values for JSON; a shift beyond any measure has `moved` null."""
    rows = [asdict(shift) for shift in found]
    for row in rows:
        row["moved"] = row["moved"] if np.isfinite(row["moved"]) else None
    return {"against": against, "features": rows}

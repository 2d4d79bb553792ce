"""Which cases would teach the most if confirmed first: uncertain ones, and no two alike; and what more would buy."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import TypeAdapter, ValidationError
from scipy.optimize import curve_fit

from desk.errors import DeskError
from desk.statistics import macro_f1
from models.damage.files import write_file
from models.damage.lessons import Lessons

# scikit-learn waits inside the functions: pages that read a curve do without it
CURVE_FILE = "curve.json"
_TREES = 60


def uncertainty(p: np.ndarray) -> np.ndarray:
    """(n,) entropy of (n, C) probabilities as a share of the largest there can be, 0..1."""
    if p.shape[1] < 2:
        return np.zeros(len(p))
    safe = np.clip(p, 1e-12, 1)
    return -(safe * np.log(safe)).sum(axis=1) / np.log(p.shape[1])


def teaching_order(doubt: np.ndarray, x: np.ndarray, count: int) -> list[int]:
    """Numbers of ``count`` cases, the one that teaches most first.

    doubt : (n,) 0..1; x : (n, F) what they look like. Each next one is that of largest doubt times distance to those
    taken before it (capped at the usual distance of two cases, so that an outlier does not win by being one).
    """
    from sklearn.preprocessing import StandardScaler

    if len(doubt) == 0:
        return []
    scaled = StandardScaler().fit_transform(x)
    nearest = np.full(len(doubt), np.inf)
    usual = _usual_distance(scaled)
    taken: list[int] = []
    for _ in range(min(count, len(doubt))):
        apart = np.minimum(nearest / usual, 1.0) if taken else np.ones(len(doubt))
        worth = (0.05 + doubt) * apart
        worth[taken] = -1.0
        best = int(worth.argmax())
        taken.append(best)
        nearest = np.minimum(nearest, np.linalg.norm(scaled - scaled[best], axis=1))
    return taken


def _usual_distance(x: np.ndarray) -> float:
    """Median distance of pairs, of at most 200 cases; 1 where all are alike."""
    some = x[:: max(1, len(x) // 200)]
    apart = np.linalg.norm(some[:, None] - some[None], axis=2)
    return float(np.median(apart[apart > 0])) if (apart > 0).any() else 1.0


@dataclass(frozen=True)
class Course:
    """Macro-F1 on held-out groups after so many corrected ones, mean of several runs."""

    groups: tuple[int, ...]
    chosen: tuple[float, ...]
    by_chance: tuple[float, ...]

    def needed(self, f1: float) -> tuple[int | None, int | None]:
        """Groups needed to reach a macro-F1: chosen, by chance; None where it was not reached."""

        def first(course: Sequence[float]) -> int | None:
            return next((n for n, got in zip(self.groups, course, strict=True) if got >= f1), None)

        return first(self.chosen), first(self.by_chance)


def simulated(
    labels: tuple[str, ...],
    lessons: Lessons,
    start: int,
    step: int,
    rounds: int,
    runs: int,
    seed: int,
    on_step: Callable[[int, int], None] | None = None,
) -> Course:
    """Corrections one round after another, chosen by `teaching_order` and by chance, on lessons whose labels are known.

    A third of the groups is held out; of the others ``start`` are known at first and ``step`` are corrected a round.
    """
    rng = np.random.default_rng(seed)
    chosen, chance = np.zeros((runs, rounds + 1)), np.zeros((runs, rounds + 1))
    for run in range(runs):
        names = rng.permutation(np.unique(lessons.groups))
        held, pool = names[: len(names) // 3], names[len(names) // 3 :]
        test, rest = lessons.where(np.isin(lessons.groups, held)), lessons.where(np.isin(lessons.groups, pool))
        for out, wise in ((chosen, True), (chance, False)):
            known = list(pool[:start])
            for n in range(rounds + 1):
                p, got = _fit(labels, rest.where(np.isin(rest.groups, known)), [test.x, rest.x], seed + run)
                out[run, n] = _scored(labels, test, p)
                if n < rounds:
                    known += _more(rest, got, known, step) if wise else list(pool[len(known) : len(known) + step])
        if on_step:
            on_step(run + 1, runs)
    sizes = tuple(start + n * step for n in range(rounds + 1))
    return Course(sizes, tuple(chosen.mean(axis=0).round(4).tolist()), tuple(chance.mean(axis=0).round(4).tolist()))


def _fit(
    labels: tuple[str, ...], known: Lessons, asked: Sequence[np.ndarray], seed: int
) -> tuple[np.ndarray, np.ndarray]:
    from models.damage.namer import votes
    from models.damage.refit import ForestSettings

    forest = ForestSettings().fresh(seed, _TREES).fit(known.x, [labels.index(name) for name in known.labels.tolist()])
    out = []
    for x in asked:
        p = np.zeros((len(x), len(labels)))
        p[:, forest.classes_] = votes(forest, x)
        out.append(p)
    return out[0], out[1]


def _scored(labels: tuple[str, ...], test: Lessons, p: np.ndarray) -> float:
    said = [labels[i] for i in p.argmax(axis=1)]
    return macro_f1(list(zip(test.labels.tolist(), said, strict=True))) or 0.0


def _more(rest: Lessons, p: np.ndarray, known: Sequence[str], step: int) -> list[str]:
    """Groups that hold the candidates which would teach most, those known left out."""
    open_ = np.flatnonzero(~np.isin(rest.groups, known))
    order = teaching_order(uncertainty(p[open_]), rest.x[open_], len(open_))
    return list(dict.fromkeys(rest.groups[open_[i]] for i in order))[:step]


@dataclass(frozen=True)
class LearningCurve:
    """Macro-F1 after n lessons, and the law fitted to it: best - gap * n ** -rate.

    more : for so many further lessons the value the law gives, with the range of laws fitted to resampled runs
    """

    sizes: tuple[int, ...]
    f1: tuple[float, ...]
    best: float
    gap: float
    rate: float
    more: dict[int, tuple[float, float, float]]


def learning_curve(
    labels: tuple[str, ...],
    lessons: Lessons,
    shares: Sequence[float] = (0.15, 0.25, 0.4, 0.6, 0.8, 1.0),
    runs: int = 4,
    further: Sequence[int] = (100, 1000),
    seed: int = 0,
    on_step: Callable[[int, int], None] | None = None,
) -> LearningCurve:
    """How well a forest, quicker than the namer and standing in for it, does after so many lessons of whole groups, a
    quarter of which is held out in each run, and what more of them would buy. An extrapolation: it holds while further
    lessons are like those there are."""
    from models.damage.refit import Steps

    rng = np.random.default_rng(seed)
    steps = Steps(runs * len(shares), on_step)
    told = np.zeros((runs, len(shares)))
    sizes = np.zeros(len(shares))
    for run in range(runs):
        names = rng.permutation(np.unique(lessons.groups))
        held, pool = names[: max(1, len(names) // 4)], names[max(1, len(names) // 4) :]
        test = lessons.where(np.isin(lessons.groups, held))
        for k, share in enumerate(shares):
            known = lessons.where(np.isin(lessons.groups, pool[: max(2, round(share * len(pool)))]))
            p, _ = _fit(labels, known, [test.x, test.x[:1]], seed + run)
            told[run, k] = _scored(labels, test, p)
            sizes[k] += len(known) / runs
            steps.step()
    law = fit_law(sizes, told.mean(axis=0))
    laws = [fit_law(sizes, told[rng.integers(0, runs, runs)].mean(axis=0)) for _ in range(100)]
    more = {}
    for extra in further:
        n = len(lessons) + extra
        spread = [_law(n, *one) for one in laws]
        low, high = np.quantile(spread, [0.025, 0.975])
        more[extra] = (round(float(_law(n, *law)), 4), round(float(low), 4), round(float(high), 4))
    return LearningCurve(
        tuple(int(n) for n in sizes.round()), tuple(told.mean(axis=0).round(4).tolist()), *law, more=more
    )  # fmt: skip


def _law(n: float | np.ndarray, best: float, gap: float, rate: float):
    return best - gap * np.asarray(n, float) ** -rate


def fit_law(sizes: np.ndarray, f1: np.ndarray) -> tuple[float, float, float]:
    """best, gap and rate of the inverse power law that fits best (Cortes, Jackel, Solla, Vapnik, Denker 1994).

    Raises DeskError where none is found.
    """
    try:
        (best, gap, rate), _ = curve_fit(
            _law, np.asarray(sizes, float), f1, p0=(min(1.0, float(np.max(f1)) + 0.05), 1.0, 0.5),
            bounds=([0.0, 0.0, 0.05], [1.0, 50.0, 2.0]), maxfev=20_000,
        )  # fmt: skip
    except RuntimeError as error:
        said = ", ".join(f"{value:.2f}" for value in f1)
        raise DeskError(f"learning curve: expected figures that a power law follows, got {said}") from error
    return float(best), float(gap), float(rate)


def write_curve(folder: Path, curve: LearningCurve) -> None:
    """Lay a learning curve beside the model it is about."""
    write_file(folder / CURVE_FILE, _CURVE.dump_json(curve, indent=1))


def read_curve(folder: Path) -> LearningCurve | None:
    """The learning curve of a model; None where it has none or the file is damaged."""
    try:
        return _CURVE.validate_json((folder / CURVE_FILE).read_bytes())
    except (OSError, ValidationError):
        return None


_CURVE = TypeAdapter(LearningCurve)

"""A proposed model against the one in use, as figures: what got better, what worse, and what speaks against it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Literal

from desk.learning.corrected import LearningValue
from desk.statistics import (
    Estimate,
    bootstrap,
    calibration_bins,
    ece_bias_corrected,
    f1_by_label,
    macro_f1,
    mcnemar,
    wilson,
)
from vision.findings import Ring

LEAST_PLACES = 5
"""Fewer places of a label make no interval: whether it falls cannot be told then."""
ALPHA = 0.05
"""A difference of named photographs that chance makes less often than this speaks against the proposed model."""
LEAST_FALSE, LEAST_CALIBRATED = 5, 20
"""Fewer photographs make no interval of false finds, and no calibration curve (one or two in most of its steps)."""
LEAST_SCENES = 42
LEAST_REVIEWED = 20
"""Fewer fresh scenes, or fewer places on reviewed photographs, tell too little to put a model into use unasked."""
PROMOTION = (
    "A model may be put into use without a written reason if, on every set: it takes no unsafe route which the model "
    "in use does not take; the F1 of no label falls (the whole 95 % interval of its change below 0, on "
    f"{LEAST_PLACES} places or more); false finds a photograph do not rise (the whole 95 % interval of their change "
    f"above 0, on {LEAST_FALSE} photographs or more); it names no fewer photographs right than chance explains (p "
    f"below {ALPHA:g}). It must have been compared on {LEAST_SCENES} fresh scenes and {LEAST_REVIEWED} places on "
    "photographs of this shop or more. Otherwise a written reason is asked for, which stays on record."
)
"""When a proposed model may be put into use."""
MEANINGS = (
    ("F1", "of the places that carry a label and of those that were given it, how many are both: 1 is all, 0 is none"),
    ("macro-F1", "the mean of F1 over the labels, so that a rare label counts as much as a frequent one"),
    ("answered", "photographs with a route and a label that the model is sure of"),
    ("false finds", "places that are sound and were taken for damage, of which a photograph may hold several"),
    ("calibration error", "how far what it says (80 %) is from how often that is right; 0 is best"),
    ("unsafe routes", "answered, and milder than what is true: a damaged assembly would go on with too little"),
    ("p", f"how often chance alone would part the two models so far; below {ALPHA:g} it is taken as a difference"),
)
"""What the figures mean."""
USUAL_SCENES = 48
"""How many fresh scenes a comparison is made on where nobody says otherwise."""
SetName = Literal["second opinions", "kept out", "generated"]


class Span(LearningValue):
    """A figure with its 95 % interval; None where there was nothing to count."""

    value: float | None
    low: float | None
    high: float | None
    n: int

    @staticmethod
    def of(estimate: Estimate) -> Span:
        """The same as plain values."""
        return Span(value=estimate.value, low=estimate.low, high=estimate.high, n=estimate.n)


class Bin(LearningValue):
    """One bin of the calibration curve."""

    said: float
    came_true: float
    n: int


class Side(LearningValue):
    """What one of both models reached on a set. `unsafe`: names of photographs answered with too mild a route."""

    macro_f1: Span
    answered: Span
    ece: float | None
    bins: list[Bin]
    unsafe: list[str]
    regions_found: Span
    false_regions: int


class LabelChange(LearningValue):
    """F1 of one label over the places of a set, of both models and the change, each with its interval (None in
    comparisons kept before they were worked out); `falls`: the change lies below 0 as a whole, on five places or more.
    """

    label: str
    places: int
    in_use: float | None
    proposed: float | None
    change: Span
    falls: bool
    f1_in_use: Span | None = None
    f1_proposed: Span | None = None

    @property
    def told(self) -> bool:
        """Whether there are places enough to tell a fall."""
        return self.places >= LEAST_PLACES


class Outline(LearningValue):
    """A place and what it is called; None: unsure."""

    label: str | None
    rings_px: list[Ring]


class Picture(LearningValue):
    """What differs, drawn: the file with the part of the photograph that shows it, where that part lies in the
    photograph (x, y, width, height, px), and lines around the true places and around those of both models."""

    file: str
    view: tuple[int, int, int, int]
    true: list[Outline]
    in_use: list[Outline]
    proposed: list[Outline]


class Differing(LearningValue):
    """A photograph that both models answer differently. `sha256` is None for a generated one."""

    name: str
    sha256: str | None
    true: str
    in_use: str | None
    proposed: str | None
    picture: Picture | None = None


class SetCompared(LearningValue):
    """Both models on one set of photographs. `only_in_use`, `only_proposed`: photographs that one alone named right;
    `p`: McNemar's exact two-sided p of these; `false_change`: false finds per photograph, proposed less in use, with
    its interval over the photographs, both models on each (None in comparisons kept before it was worked out)."""

    name: SetName
    photographs: int
    in_use: Side
    proposed: Side
    only_in_use: int
    only_proposed: int
    p: float
    labels: list[LabelChange]
    differing: list[Differing]
    false_change: Span | None = None

    @property
    def more_false(self) -> bool:
        """Whether the rise of false finds lies above 0 as a whole, on photographs enough to tell."""
        low = self.false_change.low if self.false_change else None
        return self.photographs >= LEAST_FALSE and low is not None and low > 0

    @property
    def calibrates(self) -> bool:
        """Whether there are photographs enough for a calibration curve."""
        return self.photographs >= LEAST_CALIBRATED


class Comparison(LearningValue):
    """Everything of one comparison. `objections`: why it must not be put into use without a written reason;
    `first_seed`: of its generated scenes, which no model learnt from and no earlier comparison used; `in_use_content`:
    content hash of the model in use (None in comparisons kept before it was noted)."""

    made_at: str
    proposed: str
    in_use: str
    sets: list[SetCompared]
    left_out: int
    objections: list[str]
    first_seed: int | None = None
    in_use_content: str | None = None


@dataclass(frozen=True)
class Answer:
    """What one model said of one photograph, held against what is true.

    places : (true label or `sound`, answered label or None) of each true damage and each false find
    """

    label: str | None
    leading_p: float | None
    leading_right: bool
    answered: bool
    unsafe: bool
    places: tuple[tuple[str, str | None], ...]
    found: int
    false: int


@dataclass(frozen=True)
class Pair:
    """One photograph answered by both models."""

    set_name: SetName
    name: str
    sha256: str | None
    true: str
    damages: int
    in_use: Answer
    proposed: Answer
    picture: Picture | None = None


def compared(
    pairs: Sequence[Pair],
    proposed: str,
    in_use: str,
    made_at: str,
    left_out: int = 0,
    first_seed: int | None = None,
    in_use_content: str | None = None,
) -> Comparison:
    """All figures of the pairs, set by set, and what speaks against the proposed model."""
    names = list(dict.fromkeys(pair.set_name for pair in pairs))
    sets = [_set(name, [pair for pair in pairs if pair.set_name == name]) for name in names]
    return Comparison(
        made_at=made_at,
        proposed=proposed,
        in_use=in_use,
        sets=sets,
        left_out=left_out,
        objections=[*(line for one in sets for line in objections(one)), *too_little(sets)],
        first_seed=first_seed,
        in_use_content=in_use_content,
    )


def too_little(sets: Sequence[SetCompared]) -> list[str]:
    """What the comparison rests on too little of."""
    scenes = sum(one.photographs for one in sets if one.name == "generated")
    reviewed = sum(label.places for one in sets if one.name != "generated" for label in one.labels)
    lines = []
    if scenes < LEAST_SCENES:
        lines.append(f"only {scenes} fresh scenes: at least {LEAST_SCENES} are asked for")
    if reviewed < LEAST_REVIEWED:
        lines.append(
            f"only {reviewed} {'place' if reviewed == 1 else 'places'} on photographs of this shop that neither learnt "
            f"from: at least {LEAST_REVIEWED} are asked for (give second opinions, or keep assemblies out of trainings)"
        )
    return lines


def objections(one: SetCompared) -> list[str]:
    """Unsafe routes that the model in use does not take, labels that fall by more than their interval, false finds
    that rise by more than theirs, and fewer photographs named right than chance explains, which shows where no single
    label has places enough."""
    lines = []
    added = sorted(set(one.proposed.unsafe) - set(one.in_use.unsafe))
    if added:
        lines.append(
            f"{len(added)} more unsafe route{'' if len(added) == 1 else 's'} on {one.name}: {', '.join(added[:3])}"
        )
    for label in one.labels:
        if label.falls:
            lines.append(
                f"{label.label.replace('_', ' ')} falls on {one.name}: F1 {label.in_use or 0:.2f} to "
                f"{label.proposed or 0:.2f}, change at most {label.change.high or 0:.2f}"
            )
    if one.more_false and one.false_change:
        lines.append(
            f"more false finds on {one.name}: {one.in_use.false_regions} to {one.proposed.false_regions} on "
            f"{one.photographs} photographs, change at least {one.false_change.low or 0:.2f} per photograph"
        )
    if one.only_in_use > one.only_proposed and one.p < ALPHA:
        lines.append(
            f"fewer photographs named right on {one.name}: {one.only_in_use} by the model in use alone, "
            f"{one.only_proposed} by the proposed alone (McNemar's p = {one.p:.3f})"
        )
    return lines


def _set(name: SetName, pairs: Sequence[Pair]) -> SetCompared:
    only = [(p.in_use.label == p.true, p.proposed.label == p.true) for p in pairs]
    first, second = sum(a and not b for a, b in only), sum(b and not a for a, b in only)
    return SetCompared(
        name=name,
        photographs=len(pairs),
        in_use=_side(pairs, lambda pair: pair.in_use),
        proposed=_side(pairs, lambda pair: pair.proposed),
        only_in_use=first,
        only_proposed=second,
        p=mcnemar(first, second).exact_p,
        labels=_labels(pairs),
        differing=[
            Differing(
                name=p.name,
                sha256=p.sha256,
                true=p.true,
                in_use=p.in_use.label,
                proposed=p.proposed.label,
                picture=p.picture,
            )
            for p in pairs
            if p.in_use.label != p.proposed.label
        ],
        false_change=Span.of(bootstrap([p.proposed.false - p.in_use.false for p in pairs], fmean)),
    )


def _side(pairs: Sequence[Pair], of: Callable[[Pair], Answer]) -> Side:
    answers = [of(pair) for pair in pairs]
    said = [(a.leading_p, a.leading_right) for a in answers if a.leading_p is not None]
    p, right = [x for x, _ in said], [x for _, x in said]
    f1 = bootstrap(pairs, lambda drawn: macro_f1([(pair.true, of(pair).label) for pair in drawn]))
    return Side(
        macro_f1=Span.of(f1),
        answered=Span.of(wilson(sum(a.answered for a in answers), len(answers))),
        ece=ece_bias_corrected(p, right),
        bins=[Bin(said=b.said, came_true=b.came_true, n=b.n) for b in calibration_bins(p, right)],
        unsafe=[pair.name for pair in pairs if of(pair).unsafe],
        regions_found=Span.of(wilson(sum(a.found for a in answers), sum(pair.damages for pair in pairs))),
        false_regions=sum(a.false for a in answers),
    )


def _labels(pairs: Sequence[Pair]) -> list[LabelChange]:
    names = sorted({true for pair in pairs for true, _ in pair.in_use.places})
    return [_label(pairs, name) for name in names]


def _label(pairs: Sequence[Pair], label: str) -> LabelChange:
    def f1(drawn: Sequence[Pair], of: Callable[[Pair], Answer]) -> float | None:
        return f1_by_label([place for pair in drawn for place in of(pair).places]).get(label)

    def change(drawn: Sequence[Pair]) -> float | None:
        before, after = f1(drawn, lambda p: p.in_use), f1(drawn, lambda p: p.proposed)
        return None if before is None or after is None else after - before

    # photographs that neither hold nor are said to hold the label add nothing: drawn without them it goes faster
    mine = [p for p in pairs if any(label in place for a in (p.in_use, p.proposed) for place in a.places)]
    span = bootstrap(mine, change, n_cases=len(mine))
    before = bootstrap(mine, lambda drawn: f1(drawn, lambda p: p.in_use), n_cases=len(mine))
    after = bootstrap(mine, lambda drawn: f1(drawn, lambda p: p.proposed), n_cases=len(mine))
    places = sum(true == label for pair in pairs for true, _ in pair.in_use.places)
    falls = places >= LEAST_PLACES and span.high is not None and span.high < 0
    return LabelChange(
        label=label, places=places, in_use=f1(pairs, lambda p: p.in_use), proposed=f1(pairs, lambda p: p.proposed),
        change=Span.of(span), falls=falls, f1_in_use=Span.of(before),
        f1_proposed=Span.of(after),
    )  # fmt: skip

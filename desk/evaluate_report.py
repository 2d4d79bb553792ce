"""The evaluation as one self-contained HTML page: figures, confusion, calibration curve, worst mistakes as pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from desk.evaluate import Answered, Evaluation
from desk.evaluate_figures import confusion
from desk.evaluate_sets import SelectivePoint, area_under
from desk.feature_shift import Shift
from desk.overlay import Shape, path_of, shapes
from desk.pictures import data_uri
from desk.report import environment
from desk.statistics import CalibrationBin, f1_by_label, wilson
from desk.wording import say_label, say_route
from sample_images.truth import Truth
from vision.findings import PhotoFindings
from vision.reading import read_photo

CURVE_SIDE = 320
_MARGIN = 44
_WORST_SIDE_PX = 1100
MOST_SHIFTS = 25
LAYERS = ("truth", "regions", "wires", "distances", "coverings", "terminations")


@dataclass(frozen=True)
class MistakeView:
    """One wrong answer with its picture; fields named as `picture.html.j2` reads them."""

    anchor: str
    findings: PhotoFindings
    picture: str
    shapes: list[Shape]
    says: list[str]


def evaluation_html(
    evaluation: Evaluation,
    made_at: datetime | None = None,
    shift: Sequence[Shift] | None = None,
    against: str | None = None,
) -> str:
    """The page as text; the same numbers as `Evaluation.to_json`."""
    columns, rows = confusion(evaluation.scores)
    mistakes = [_mistake(i, answer) for i, answer in enumerate(evaluation.worst()) if answer.findings is not None]
    return (
        environment()
        .get_template("evaluation.html.j2")
        .render(
            evaluation=evaluation,
            columns=columns,
            rows=rows,
            f1=f1_by_label([(s.true_label, s.label) for s in evaluation.scores if s.measurable]),
            curve=_curve(evaluation.calibration_bins),
            selective=_steps(evaluation.selective_points),
            selective_area=area_under(evaluation.selective_points),
            shift=shift,
            most_shifts=MOST_SHIFTS,
            against=against,
            side=CURVE_SIDE,
            margin=_MARGIN,
            mistakes=mistakes,
            layers=LAYERS,
            made_at=(made_at or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC"),
            models=sorted({a.findings.model.version for a in evaluation.answers if a.findings is not None}),
        )
    )


def _steps(points: Sequence[SelectivePoint]) -> str:
    """The error against the share answered as an SVG path."""
    if not points:
        return ""
    up = [_MARGIN / 4 + CURVE_SIDE * (1 - (p.error.value or 0.0)) for p in points]
    path = f"M{_MARGIN:.1f} {up[0]:.1f}"
    for point, y in zip(points, up, strict=True):
        path += f"V{y:.1f}H{_MARGIN + CURVE_SIDE * point.answered:.1f}"
    return path


@dataclass(frozen=True)
class CurvePoint:
    """One bin on the calibration curve, in drawing units: x said, y came true with its Wilson interval."""

    x: float
    y: float
    low: float
    high: float
    radius: float
    words: str


def _curve(bins: list[CalibrationBin]) -> list[CurvePoint]:
    largest = max((b.n for b in bins), default=1)
    return [_curve_point(b, largest) for b in bins]


def _curve_point(b: CalibrationBin, largest: int) -> CurvePoint:
    interval = wilson(round(b.came_true * b.n), b.n)
    low, high = interval.low or 0.0, 1.0 if interval.high is None else interval.high
    words = f"said {b.said:.2f}, right {b.came_true:.2f} ({low:.2f} to {high:.2f}), {b.n} photographs"
    up = [_MARGIN / 4 + CURVE_SIDE * (1 - share) for share in (b.came_true, low, high)]
    return CurvePoint(_MARGIN + CURVE_SIDE * b.said, up[0], up[1], up[2], 3 + 6 * (b.n / largest) ** 0.5, words)


def _mistake(index: int, answer: Answered) -> MistakeView:
    findings = answer.findings
    assert findings is not None
    picture = data_uri(read_photo(answer.case.path).bgr, _WORST_SIDE_PX)
    drawn = shapes(findings, findings.decision, apart=True) + _true_shapes(answer.case.truth)
    return MistakeView(f"mistake-{index + 1}", findings, picture, drawn, _says(answer))


def _true_shapes(truth: Truth) -> list[Shape]:
    return [Shape("truth", "truth", path_of(r.rings_px), f"truth: {say_label(r.label)}") for r in truth.regions]


def _says(answer: Answered) -> list[str]:
    """What is wrong with the answer, in words."""
    s, said = answer.score, []
    if s.unsafe:
        said.append(f"Unsafe: answered {say_route(s.route)}, the truth is {say_route(s.true_route)}.")
    if s.too_grave:
        said.append(f"Too grave: answered {say_route(s.route)}, the truth is {say_route(s.true_route)}.")
    if s.label != s.true_label:
        p = "" if s.leading_p is None else f" ({s.leading_p:.0%})"
        said.append(f"Answered {say_label(s.label)}{p}, the truth is {say_label(s.true_label)}.")
    if s.regions_found < s.regions:
        said.append(f"{s.regions - s.regions_found} of {s.regions} damages not found.")
    if s.regions_false:
        said.append(f"{s.regions_false} region{'s' if s.regions_false > 1 else ''} where nothing is damaged.")
    return said

"""Says in words which models there are and how two compare; command line and pages show the same."""

from __future__ import annotations

from typing import TYPE_CHECKING

from desk.learning.comparison import LEAST_FALSE, Comparison, SetCompared, Span
from desk.learning.model_shelf import in_use, model_lines
from desk.learning.next import LearningCurve
from desk.learning.page_values import Card
from desk.learning.shelf import Shelf
from desk.wording import say_label

if TYPE_CHECKING:  # asking a model again opens it: words about models do without
    from desk.learning.reassess import Reassessed


def say_models(shelf: Shelf) -> str:
    """One line for each model, then every change of the one in use."""
    used = in_use(shelf)
    lines = []
    for one in model_lines(shelf):
        mark, compared = "in use" if one.used else "      ", one.comparison
        then = "" if one.stands else " then in use"
        told = "" if compared is None else f"; compared with {compared.in_use}{then}: {say_verdict(compared)}"
        told += f"; cannot answer: {one.cannot}" if one.cannot else ""
        name = one.version if one.called in ("", one.version) else f"{one.version} ({one.called})"
        lines.append(f"{mark}  {name}  {one.trained_on}{told}")
    for change in used.changes:
        why = f": {change.reason}" if change.reason else ""
        lines.append(f"{change.at[:16]} {change.by} {change.words} (before {change.before}){why}")
    return "\n".join(lines)


def say_verdict(comparison: Comparison) -> str:
    """Whether something speaks against the proposed model."""
    count = len(comparison.objections)
    if not count:
        return "nothing speaks against it"
    return "one thing speaks against it" if count == 1 else f"{count} things speak against it"


def say_span(span: Span, percent: bool = False) -> str:
    """A figure with its 95 % interval."""
    if span.value is None:
        return "–"
    form = (lambda v: f"{100 * v:.0f} %") if percent else (lambda v: f"{v:.2f}")
    if span.low is None or span.high is None:
        return form(span.value)
    return f"{form(span.value)} ({form(span.low)} to {form(span.high)})"


def say_comparison(comparison: Comparison) -> str:
    """All figures of a comparison as lines."""
    lines = [f"{comparison.proposed} (proposed) against {comparison.in_use} (in use), {comparison.made_at[:10]}"]
    for one in comparison.sets:
        lines += _say_set(one)
    if comparison.left_out:
        lines.append(f"{comparison.left_out} photographs left out: no second opinion yet, people differ, or unreadable")
    lines += [f"against it: {text}" for text in comparison.objections]
    if not comparison.objections:
        lines.append("nothing speaks against it")
    return "\n".join(lines)


ROWS = (
    ("macro-F1 of the leading label", lambda s: say_span(s.macro_f1)),
    ("answered", lambda s: say_span(s.answered, percent=True)),
    ("calibration error (ECE)", lambda s: "–" if s.ece is None else f"{s.ece:.3f}"),
    ("unsafe routes", lambda s: str(len(s.unsafe))),
    ("damages found", lambda s: say_span(s.regions_found, percent=True)),
    ("false finds", lambda s: str(s.false_regions)),
)
"""Figures of one side, in the order shown."""


def _say_set(one: SetCompared) -> list[str]:
    def row(words: str, of) -> str:
        return f"  {words:32}{of(one.in_use):>24}{of(one.proposed):>24}"

    lines = [f"{one.name}: {one.photographs} photographs", f"  {'':32}{'in use':>24}{'proposed':>24}"]
    lines += [row(words, of) for words, of in ROWS]
    lines.append(
        f"  named right by one alone: in use {one.only_in_use}, proposed {one.only_proposed} (McNemar p = {one.p:.3f})"
    )
    lines += [f"  {text}" for text in say_false(one)]
    for label in one.labels:
        mark = "  FALLS" if label.falls else "" if label.told else "  too few to tell"
        f1 = " to ".join(say_span(s) for s in (label.f1_in_use, label.f1_proposed) if s) or "–"
        lines.append(
            f"  {say_label(label.label):24} F1 {f1}, change {say_span(label.change)} on {label.places} places{mark}"
        )
    return lines


def say_false(one: SetCompared) -> list[str]:
    """How false finds changed; nothing in comparisons kept before it was worked out."""
    if one.false_change is None:
        return []
    told = "too few photographs to tell" if one.photographs < LEAST_FALSE else "more" if one.more_false else "no rise"
    return [f"false finds per photograph, change {say_span(one.false_change)}: {told}"]


def say_card(card: Card) -> str:
    """What a model learnt from, its limits, how well its labels held; the comparison is told by its own command."""
    lines = [f"{card.version}{' (in use)' if card.used else ''}: {card.data['trained_on']}"]
    lines += [f"limit: {text}" for text in card.limits]
    for one in card.held:
        n = "" if one.candidates is None else f" of {one.candidates}"
        lines.append(f"  {one.kind:9} {one.on:10} {say_label(one.label):22} F1 out of fold {one.f1:.2f}{n}")
    if card.comparison is not None:
        lines.append(f"compared with {card.comparison.in_use}: {say_verdict(card.comparison)}")
    return "\n".join(lines)


def say_curve(version: str, curve: LearningCurve) -> str:
    """Macro-F1 after so many lessons, and what more of them would buy."""
    lines = [f"{version}: macro-F1 of the labels on wires, on held-out assemblies and scenes"]
    lines += [f"  after {n:>6} lessons  {f1:.2f}" for n, f1 in zip(curve.sizes, curve.f1, strict=True)]
    lines += [
        f"  with  {n:>6} more     {f1:.2f} ({low:.2f} to {high:.2f})" for n, (f1, low, high) in curve.more.items()
    ]
    return "\n".join([*lines, CURVE_CAUTION])


CURVE_CAUTION = "Further ones by a power law drawn on: it holds while further lessons are like those there are."
"""What an extrapolation rests on."""


def say_reassessed(found: Reassessed) -> str:
    """The answers beside each other, one line a photograph."""
    same = found.route_now == found.route_would
    lines = [f"{found.shop_order}: {found.route_now}" + ("" if same else f", would be {found.route_would}")]
    for one in found.photos:
        now, would = ", ".join(one.now), ", ".join(one.would)
        lines.append(f"  {one.photo}: {now}" + (f"; would be: {would}" if one.differs else "; the same"))
    return "\n".join(lines)

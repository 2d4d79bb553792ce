"""Charts of the analyst's pages: importance, learning curve, calibration, what drifts."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from desk import charts
from desk.charts import Dot, Line
from desk.learning.comparison import SetCompared
from desk.learning.drift import ALPHA, MOVED_SD, Track, label_shares
from desk.learning.next import LearningCurve
from desk.learning.seen import Drifted
from desk.wording import say_label

_MOST_TRACKS = 8


def importance(card: dict[str, Any]) -> list[tuple[str, Markup]]:
    """Bars of the features that the namers look at most."""
    words = {"wires": "wires", "shell": "housings"}
    return [
        (words[kind], Markup(charts.bars(f"Features of the namer of {words[kind]}, by importance",
                                         [(name, share, f"{100 * share:.1f} %") for name, share in rows[:12]])))
        for kind, rows in card.get("importance", {}).items()
    ]  # fmt: skip


def learning_curve(curve: LearningCurve) -> Markup:
    """Macro-F1 after so many lessons, drawn on."""
    sizes = [str(n) for n in curve.sizes] + [f"+{n}" for n in curve.more]
    measured = [Dot(v) for v in curve.f1] + [Dot(None)] * len(curve.more)
    law = [Dot(None)] * (len(curve.f1) - 1) + [Dot(curve.f1[-1])] + [Dot(*more) for more in curve.more.values()]
    drawn = [Line("measured", "a", measured), Line("extrapolated", "b", law)]
    return Markup(charts.lines("Macro-F1 after so many lessons, and after so many more", sizes, drawn, 1.0))


def calibration(one: SetCompared) -> Markup:
    """How often answers came true, by the probability said."""
    steps = [f"{10 * k}-{10 * (k + 1)} %" for k in range(10)]
    drawn = []
    for name, kind, side in (("in use", "a", one.in_use), ("proposed", "b", one.proposed)):
        at = {min(int(b.said * 10), 9): b.came_true for b in side.bins}
        drawn.append(Line(name, kind, [Dot(at.get(k)) for k in range(10)]))
    title = f"Came true, by the probability said, on {one.name}"
    return Markup(charts.lines(title, steps, drawn, 1.0))


def drift_charts(found: Drifted) -> list[tuple[Track, Markup]]:
    """One chart for each value that moved: its weeks beside the band in which it may lie unremarked."""
    return [(track, _track(track)) for track in found.tracks[:_MOST_TRACKS]]


def _track(track: Track) -> Markup:
    away = MOVED_SD * track.spread_sd
    usual = Dot(track.usual, track.usual - away, track.usual + away)
    weeks = [Dot(p.median, p.low, p.high) for p in track.points]
    least, top = charts.bounds([v for d in (usual, *weeks) for v in (d.value, d.low, d.high) if v is not None])
    drawn = [Line("week", "a", weeks), Line("usual", "b", [usual] * len(weeks))]
    names = [f"{p.week:%m-%d}{' *' if p.moved else ''}" for p in track.points]
    return Markup(charts.lines(f"{track.name}, week by week beside what is usual", names, drawn, top, least))


def label_mix(found: Drifted) -> tuple[str, Markup] | None:
    """The newest week with another mix of labels, and its shares beside the usual ones; None where there is none."""
    week = next((w for w in found.weeks if w.labels_p is not None and w.labels_p < ALPHA), None)
    if week is None:
        return None
    shares = [label_shares(found.usual), label_shares([s for s in found.photos if s.week == week.week])]
    rows = [
        (f"{say_label(None if label == 'none' else label)}, {when}", of.get(label, 0.0), f"{of.get(label, 0.0):.0%}")
        for label in sorted({*shares[0], *shares[1]})
        for when, of in zip(("usual", "week"), shares, strict=True)
    ]
    title = f"Share of assemblies by label, usual and in the week of {week.week}"
    return week.week.isoformat(), Markup(charts.bars(title, rows))

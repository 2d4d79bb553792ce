"""Small charts as SVG without inline style: bars with their numbers, and lines over months with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

_WIDE, _HIGH = 640, 250
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 16, 14, 34
_BAR, _WORDS, _NUMBERS, _BARS_WIDE = 30, 150, 50, 440
_LETTER = 7.8
"""What a letter takes at most on average, at the size of the style sheet (13 px)."""


@dataclass(frozen=True)
class Dot:
    """A value with the interval it lies in; None where there is none."""

    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Line:
    """One line of a chart; `kind` is the class that gives it its dash and mark, never colour alone: a, b or c."""

    name: str
    kind: str
    dots: Sequence[Dot]


def bars(title: str, rows: Sequence[tuple[str, float, str]]) -> str:
    """Bars from the left: (words, value of 0 or more, number as it is written); the longest words have room."""
    most = max((value for _, value, _ in rows), default=0) or 1
    longest = max((len(words) for words, _, _ in rows), default=0)
    before = max(_WORDS, round(_LETTER * longest) + 12)
    wide_all = _BARS_WIDE + before - _WORDS
    high = max(1, len(rows)) * _BAR + 8
    parts = []
    for index, (words, value, said) in enumerate(rows):
        y = index * _BAR + 6
        wide = round((wide_all - before - _NUMBERS) * value / most, 1)
        parts.append(
            f'<text x="{before - 8}" y="{y + 15}" class="end">{escape(words)}</text>'
            f'<rect x="{before}" y="{y}" width="{wide}" height="20" class="bar"/>'
            f'<text x="{before + wide + 6}" y="{y + 15}">{escape(said)}</text>'
        )
    return _svg(title, wide_all, high, "".join(parts), "chart bars")


def lines(title: str, across: Sequence[str], drawn: Sequence[Line], top: float | None = None, least: float = 0) -> str:
    """Lines over named steps from `least` up to `top` (by default the largest value), whiskers for intervals."""
    known = [v for line in drawn for d in line.dots for v in (d.value, d.high) if v is not None]
    most = top if top is not None else _round_up(max(known, default=1.0))
    low = min([least, *(v for line in drawn for d in line.dots for v in (d.value, d.low) if v is not None)])
    low = least if low >= least else -_round_up(-low)

    def y(value: float) -> float:
        inside = min(max(value, low), most)
        return round(_HIGH - _BOTTOM - (inside - low) / (most - low) * (_HIGH - _TOP - _BOTTOM), 1)

    def x(step: int) -> float:
        room = _WIDE - _LEFT - _RIGHT
        return round(_LEFT + room * (step + 0.5) / max(1, len(across)), 1)

    parts = [
        f'<path d="M{_LEFT} {y(v)}H{_WIDE - _RIGHT}" class="grid"/>'
        f'<text x="{_LEFT - 6}" y="{y(v) + 4}" class="end">{v:g}</text>'
        for v in _ticks(low, most)
    ]
    every = max(1, math.ceil(len(across) / 9))
    parts += [
        f'<text x="{x(i)}" y="{_HIGH - 12}" class="middle">{escape(name)}</text>'
        for i, name in enumerate(across)
        if i % every == 0
    ]
    for shift, line in zip((0, 5, -5), drawn, strict=False):
        parts.append(_line(line, lambda step, by=shift: x(step) + by, y))
    return _svg(title, _WIDE, _HIGH, "".join(parts), "chart")


def bounds(values: Sequence[float]) -> tuple[float, float]:
    """Round numbers around values that need not begin at 0, four steps apart, as `least` and `top` of `lines`."""
    low, high = min(values), max(values)
    step = _round_up((high - low) / 4)
    while math.floor(low / step) * step + 4 * step < high:
        step = _round_up(step * 1.01)
    least = round(math.floor(low / step) * step, 12)
    return least, round(least + 4 * step, 12)


def _line(line: Line, x: object, y: object) -> str:
    assert callable(x) and callable(y)
    whiskers, marks, path = [], [], ""
    for step, dot in enumerate(line.dots):
        if dot.value is None:
            continue  # the line goes on to the next month that has a value
        at = (x(step), y(dot.value))
        path += f"{'L' if path else 'M'}{at[0]} {at[1]}"
        if dot.low is not None and dot.high is not None:
            whiskers.append(f"M{at[0]} {y(dot.low)}V{y(dot.high)}")
        marks.append(_mark(line.kind, *at))
    drawn = f'<path d="{path}" class="line {line.kind}"/>' if path else ""
    return f'<path d="{"".join(whiskers)}" class="whisker {line.kind}"/>{drawn}{"".join(marks)}'


def _mark(kind: str, x: float, y: float) -> str:
    """A circle, a square or a triangle."""
    if kind == "a":
        return f'<circle cx="{x}" cy="{y}" r="4.5" class="dot a"/>'
    if kind == "b":
        return f'<rect x="{x - 4}" y="{y - 4}" width="8" height="8" class="dot b"/>'
    return f'<path d="M{x - 5} {y + 4}h10l-5 -9z" class="dot c"/>'


def _svg(title: str, wide: float, high: float, inside: str, kind: str) -> str:
    name = escape(title, quote=True)
    return f'<svg class="{kind}" role="img" aria-label="{name}" viewBox="0 0 {wide} {high}">{inside}</svg>'


def _ticks(low: float, most: float) -> list[float]:
    return [low + (most - low) * step / 4 for step in range(5)]


def _round_up(value: float) -> float:
    """1, 2, 4 or 8 times a power of ten, at least the value."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(factor * power for factor in (1, 2, 4, 8, 10) if factor * power >= value * (1 - 1e-9))

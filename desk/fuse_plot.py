"""Draws a fuse's time limits over its wire's damage curve as SVG: current across, time up, both logarithmic."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from models.circuit.fuse_coordination import Coordination
from models.circuit.fuse_table import GATES

_WIDTH, _HEIGHT = 940, 700
_LEFT, _RIGHT, _TOP, _BOTTOM = 84, 90, 96, 150
_LEAST_S, _MOST_S = 0.01, 1e6
_NAMED_TIMES = ((1.0, "1 s"), (60.0, "1 min"), (3600.0, "1 h"), (86400.0, "1 day"), (360000.0, "100 h"))
_WORDS = {"yes": "fuse opens first", "no": "wire is damaged first", "cannot_tell": "cannot tell"}
_SHORT = {"yes": "fuse first", "no": "wire first", "cannot_tell": "cannot tell"}
_MARK = {"yes": "✓", "no": "✗", "cannot_tell": "?"}
_FILL = {"yes": "#d7ecd9", "no": "#f3c4bd", "cannot_tell": "url(#doubt)"}

_STYLE = """
text { font: 14px system-ui, 'DejaVu Sans', sans-serif; fill: #1a1a1a; }
.small { font-size: 12px; } .title { font-size: 18px; font-weight: 600; } .end { text-anchor: end; }
.middle { text-anchor: middle; } .grid { stroke: #d4d4d4; stroke-width: 1; } .minor { stroke: #ececec; }
.frame { fill: none; stroke: #1a1a1a; } .fuse { fill: #1f5fa8; fill-opacity: .16; stroke: #1f5fa8; stroke-width: 2; }
.wire { fill: url(#hatch); stroke: #9a2a17; stroke-width: 2; } .gate { stroke: #1f5fa8; stroke-width: 3; }
.belongs { fill: none; stroke: #1f5fa8; stroke-width: 2; stroke-dasharray: 9 5; }
.load { stroke: #1a1a1a; stroke-width: 2; stroke-dasharray: 2 4; }
.over { paint-order: stroke; stroke: #fff; stroke-width: 4px; }
.zone { stroke: #1a1a1a; stroke-width: .8; }
"""
_PATTERNS = """<defs>
<pattern id="hatch" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="9" height="9" fill="#9a2a17" fill-opacity=".10"/><path d="M0 0V9" stroke="#9a2a17" stroke-width="2"/>
</pattern>
<pattern id="doubt" width="8" height="8" patternUnits="userSpaceOnUse">
<rect width="8" height="8" fill="#fbf3d0"/><circle cx="2" cy="2" r="0.9" fill="#b09a3a"/></pattern>
<clipPath id="inside"><rect x="{x}" y="{y}" width="{w}" height="{h}"/></clipPath>
</defs>"""


@dataclass(frozen=True)
class _Axes:
    """From ampere and seconds to px, x right, y down; both scales logarithmic."""

    least_a: float
    most_a: float

    def x(self, ampere: float) -> float:
        share = math.log(ampere / self.least_a) / math.log(self.most_a / self.least_a)
        return round(_LEFT + share * (_WIDTH - _LEFT - _RIGHT), 1)

    def y(self, seconds: float) -> float:
        inside = min(max(seconds, _LEAST_S / 10), _MOST_S * 10)
        share = math.log(inside / _LEAST_S) / math.log(_MOST_S / _LEAST_S)
        return round(_HEIGHT - _BOTTOM - share * (_HEIGHT - _TOP - _BOTTOM), 1)

    def path(self, points: Sequence[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{self.x(a)} {self.y(s)}" for a, s in points)


def fuse_plot_svg(
    found: Coordination, title: str, belongs: Coordination | None = None, load_a: float | None = None
) -> str:
    """The plot as one SVG document. `belongs`: the fuse the circuit calls for; `load_a`: a load current to mark."""
    axes = _range(found, belongs, load_a)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}"'
        f' role="img" aria-label="{escape(title)}"><title>{escape(title)}</title><style>{_STYLE}</style>',
        _PATTERNS.format(x=_LEFT, y=_TOP, w=_WIDTH - _LEFT - _RIGHT, h=_HEIGHT - _TOP - _BOTTOM),
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fff"/>',
        f'<text class="title" x="{_LEFT}" y="34">{escape(title)}</text>',
        *_grid(axes),
        '<g clip-path="url(#inside)">',
        *_curves(axes, found, belongs, load_a),
        "</g>",
        *_zones(axes, found),
        _frame(),
        *_legend(found, belongs, load_a),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _range(found: Coordination, belongs: Coordination | None, load_a: float | None) -> _Axes:
    marked = [found.steady_earliest_a, found.rating_a, *([load_a] if load_a else [])]
    marked += [belongs.rating_a] if belongs else []
    most = max([*found.currents_a, *([load_a] if load_a else [])])
    return _Axes(0.7 * min(value for value in marked if value > 0), 1.08 * most)


def _ticks(low: float, high: float) -> list[tuple[float, bool]]:
    """1, 2, 3, 5, 7 of every decade as named ticks, the others as unnamed ones."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    values = [(digit * 10.0**decade, digit in (1, 2, 3, 5, 7)) for decade in decades for digit in range(1, 10)]
    return [(value, named) for value, named in values if low <= value * 1.000001 and value <= high * 1.000001]


def _grid(axes: _Axes) -> list[str]:
    bottom, right = _HEIGHT - _BOTTOM, _WIDTH - _RIGHT
    lines = []
    for ampere, named in _ticks(axes.least_a, axes.most_a):
        x = axes.x(ampere)
        lines.append(f'<path class="grid{"" if named else " minor"}" d="M{x} {_TOP}V{bottom}"/>')
        if named:
            lines.append(f'<text class="middle" x="{x}" y="{bottom + 20}">{ampere:g}</text>')
    for decade in range(round(math.log10(_LEAST_S)), round(math.log10(_MOST_S)) + 1):
        y = axes.y(10.0**decade)
        lines.append(f'<path class="grid" d="M{_LEFT} {y}H{right}"/>')
        label = f"{10.0**decade:g}" if decade < 4 else f"{10**decade:,}".replace(",", " ")
        lines.append(f'<text class="end" x="{_LEFT - 8}" y="{y + 5}">{label}</text>')
    for seconds, words in _NAMED_TIMES:
        y = axes.y(seconds)
        lines.append(f'<path class="frame" d="M{right} {y}h6"/><text x="{right + 10}" y="{y + 5}">{words}</text>')
    middle = (_TOP + bottom) / 2
    lines.append(f'<text class="middle" x="{(_LEFT + right) / 2}" y="{bottom + 44}">load current in A</text>')
    lines.append(f'<text class="middle" transform="translate(20 {middle}) rotate(-90)">time in s</text>')
    return lines


def _frame() -> str:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    return f'<rect class="frame" x="{_LEFT}" y="{_TOP}" width="{width}" height="{height}"/>'


def _curves(axes: _Axes, found: Coordination, belongs: Coordination | None, load_a: float | None) -> list[str]:
    currents = found.currents_a
    least = [(a, s) for a, s in zip(currents, found.fuse_least_s, strict=True) if s > 0]  # past the last gate: unknown
    fuse = [*zip(currents, found.fuse_most_s, strict=True), *least[::-1]]
    wire = [
        *zip(currents, found.wire_latest_s, strict=True),
        *list(zip(currents, found.wire_earliest_s, strict=True))[::-1],
    ]
    drawn = [f'<path class="fuse" d="{axes.path(fuse)}Z"/>', f'<path class="wire" d="{axes.path(wire)}Z"/>']
    for gate in GATES:
        x, top = axes.x(gate.share * found.rating_a), gate.most_s if gate.most_s is not None else _MOST_S
        drawn.append(f'<path class="gate" d="M{x - 6} {axes.y(gate.least_s)}h12m-6 0V{axes.y(top)}m-6 0h12"/>')
    if belongs is not None:
        ends = [(a, s) for a, s in zip(belongs.currents_a, belongs.fuse_most_s, strict=True) if a <= axes.most_a]
        drawn.append(f'<path class="belongs" d="{axes.path(ends)}"/>')
    if load_a is not None:
        drawn.append(f'<path class="load" d="M{axes.x(load_a)} {_TOP}V{_HEIGHT - _BOTTOM}"/>')
    return drawn


def _zones(axes: _Axes, found: Coordination) -> list[str]:
    """A strip over the plot that says for every current which comes first."""
    drawn = []
    for zone in found.zones:
        left, right = axes.x(max(zone.from_a, axes.least_a)), axes.x(min(zone.to_a, axes.most_a))
        if right <= left:
            continue
        words = _SHORT[zone.opens_first] if right - left > 90 else _MARK[zone.opens_first]
        drawn.append(
            f'<rect class="zone" x="{left}" y="{_TOP - 34}" width="{right - left:.1f}" height="26"'
            f' fill="{_FILL[zone.opens_first]}"><title>{_WORDS[zone.opens_first]}</title></rect>'
            f'<text class="middle over" x="{(left + right) / 2:.1f}" y="{_TOP - 16}">{words}</text>'
        )
    return drawn


def _legend(found: Coordination, belongs: Coordination | None, load_a: float | None) -> list[str]:
    entries = [
        ('<rect class="fuse" width="34" height="14"/>', f"{found.rating_a:g} A fuse opens within this band"),
        ('<rect class="wire" width="34" height="14"/>', "insulation damaged within this band"),
        ('<path class="gate" d="M11 0h12m-6 0V14m-6 0h12"/>', "time limits of the fuse standard"),
    ]
    if belongs is not None:
        entries.append(('<path class="belongs" d="M0 7H34"/>', f"{belongs.rating_a:g} A fuse, opens at the latest"))
    if load_a is not None:
        entries.append(('<path class="load" d="M0 7H34"/>', f"load of {load_a:g} A"))
    top = _HEIGHT - _BOTTOM + 66
    lines = []
    for number, (sample, words) in enumerate(entries):
        x, y = _LEFT + (number % 2) * 390, top + (number // 2) * 24
        lines.append(f'<g transform="translate({x} {y})">{sample}<text x="44" y="12">{escape(words)}</text></g>')
    strip = "which comes first: ✓ fuse opens, ✗ wire is damaged, ? cannot tell"
    return [*lines, f'<text class="small" x="{_LEFT}" y="{_TOP - 42}">{strip}</text>']

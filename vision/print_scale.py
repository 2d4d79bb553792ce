"""How true a printed mat's millimetres are: unchecked, or corrected by its measured check bars."""

from __future__ import annotations

from dataclasses import dataclass, replace

from vision.layout import Box, Marker, MatLayout, Patch, Pattern, Point, Rect, Ruler, Text
from vision.own_mats import CHECK_BAR_MM

READING_U95_MM = 0.2
"""How well a bar's length is read off a steel rule with millimetre divisions (common practice, no published source)."""
_FARTHEST = 0.15


class PrintScaleError(ValueError):
    """Check bars that cannot be right: expected, got, what to do, in one line."""


@dataclass(frozen=True)
class PrintScale:
    """True over nominal length along the page's x and y, and its relative 95 % uncertainty."""

    x: float
    y: float
    u95_rel: float

    def __post_init__(self) -> None:
        for name, value in (("x", self.x), ("y", self.y)):
            if not abs(value - 1) <= _FARTHEST:
                low, high = (CHECK_BAR_MM * (1 + sign * _FARTHEST) for sign in (-1, 1))
                raise PrintScaleError(
                    f"expected check bars of {low:g} to {high:g} mm, got {CHECK_BAR_MM * value:g} mm along {name}; "
                    "measure them again, or print the mat again at 100 %"
                )


def read_check_bars(text: str) -> PrintScale:
    """From what a person measured: `99.2` for both bars, or `99.2,99.6` for the one along x, then along y."""
    try:
        lengths = [float(part) for part in text.split(",")]
    except ValueError:
        lengths = []
    if len(lengths) not in (1, 2):
        raise PrintScaleError(
            f"expected one or two lengths in mm, as 99.2 or 99.2,99.6 (along x, along y), got {text!r}; "
            "measure the check bars from outer edge to outer edge"
        )
    x, y = lengths[0] / CHECK_BAR_MM, lengths[-1] / CHECK_BAR_MM
    return PrintScale(x, y, READING_U95_MM / CHECK_BAR_MM)


def as_printed(layout: MatLayout, scale: PrintScale) -> MatLayout:
    """The layout with every place where the printer put it, and with the check's uncertainty."""
    sx, sy = scale.x, scale.y

    def point(at: Point) -> Point:
        return (at[0] * sx, at[1] * sy)

    def rect(r: Rect) -> Rect:
        return (r[0] * sx, r[1] * sy, r[2] * sx, r[3] * sy)

    def marker(m: Marker) -> Marker:
        return replace(m, centre_mm=point(m.centre_mm), stretch=(m.stretch[0] * sx, m.stretch[1] * sy))

    def pattern(p: Pattern) -> Pattern:
        return replace(p, rect_mm=rect(p.rect_mm), stretch=(p.stretch[0] * sx, p.stretch[1] * sy))

    def patch(p: Patch) -> Patch:
        return replace(p, rect_mm=rect(p.rect_mm))

    def text(t: Text) -> Text:
        return replace(t, at_mm=point(t.at_mm), cap_mm=t.cap_mm * sy)

    def boxes(r: Ruler) -> list[Box]:
        return [replace(b, rect_mm=rect(b.rect_mm)) for b in r.boxes()]

    return replace(
        layout,
        page_mm=point(layout.page_mm),
        markers=tuple(map(marker, layout.markers)),
        patches=tuple(map(patch, layout.patches)),
        pattern=pattern(layout.pattern) if layout.pattern else None,
        boxes=(
            *(replace(b, rect_mm=rect(b.rect_mm)) for b in layout.boxes),
            *(box for ruler in layout.rulers for box in boxes(ruler)),
        ),
        rulers=(),
        texts=tuple(map(text, layout.texts)),
        print_u95_rel=scale.u95_rel,
    )

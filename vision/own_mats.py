"""The project's own bench mats and pocket scale, computed once from paper size and sheet number.

`python -m vision.own_mats` writes the layout files of sheet 1 that are shipped with the package.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from vision.layout import LAYOUT_FOLDER, Box, Marker, MatLayout, Patch, Pattern, Rect, Rgb, Ruler, Text

DICTIONARY = "DICT_5X5_1000"
SHEETS = range(1, 9)
PAPERS = ("a4", "a3", "letter", "tabloid", "card")
CHECK_BAR_MM = 100.0
CAUTIONS = (
    "Disconnect the battery before work in the vehicle. The maker's procedure and local rules stand above this.",
    "Dirty or gnawed assemblies: gloves and a mask. Rodent nest: air the room for 30 min first, soak the nest with",
    "disinfectant for 5 min, then wipe it up; never sweep or vacuum it dry. Wash the gloves, then the hands.",
)
INSTRUCTIONS = (
    "Print at 100 % (actual size, no fitting). Both check bars must measure 100 mm from end to end, within 0.5 mm.",
    "Lay the sheet flat. Photograph from straight above, without flash, with four markers or more in view. Both faces.",
)

_INK: Rgb = (120, 120, 120)
_PAPER: Rgb = (250, 250, 250)
_FAINT: Rgb = (222, 227, 233)
_COLOURS: tuple[tuple[str, Rgb], ...] = (
    ("grey-40", (40, 40, 40)), ("red", (200, 48, 48)), ("grey-130", (130, 130, 130)), ("green", (48, 150, 70)),
    ("grey-210", (210, 210, 210)), ("blue", (40, 80, 180)), ("grey-70", (70, 70, 70)), ("yellow", (238, 205, 40)),
    ("grey-170", (170, 170, 170)), ("brown", (115, 75, 45)), ("grey-100", (100, 100, 100)), ("violet", (150, 70, 170)),
)  # fmt: skip


@dataclass(frozen=True)
class _Paper:
    """Page size, first id of sheet 1, marker side, markers along the long and the short side."""

    page_mm: tuple[float, float]
    first_id: int
    side_mm: float
    along: tuple[int, int]

    @property
    def count(self) -> int:
        return 2 * (self.along[0] + self.along[1]) - 4


_MARGIN_MM = 6.5  # home printers leave about 5 mm white
_PATCH_MM = 10.0
_BENCH = {
    "a4": _Paper((297.0, 210.0), 0, 14.0, (8, 5)),
    "letter": _Paper((279.4, 215.9), 176, 14.0, (8, 5)),
    "a3": _Paper((420.0, 297.0), 352, 17.5, (10, 7)),
    "tabloid": _Paper((431.8, 279.4), 592, 17.5, (10, 7)),
}
_CARD = _Paper((85.6, 53.98), 832, 10.5, (3, 2))  # ID-1 of ISO/IEC 7810


@lru_cache(maxsize=64)
def own_layout(paper: str, sheet: int = 1) -> MatLayout:
    """The mat of a paper and sheet; sheets differ in marker ids only, so that several make one long mat."""
    if paper not in PAPERS:
        raise ValueError(f"expected a paper of {', '.join(PAPERS)}, got {paper!r}; choose one of these")
    if sheet not in SHEETS:
        raise ValueError(f"expected a sheet number 1 to {SHEETS[-1]}, got {sheet}; choose one of these")
    return _card(sheet) if paper == "card" else _bench(paper, sheet)


def _bench(paper: str, sheet: int) -> MatLayout:
    spec = _BENCH[paper]
    ring = _ring(spec)
    first = spec.first_id + (sheet - 1) * spec.count
    markers = tuple(Marker(DICTIONARY, first + i, (x, y), spec.side_mm) for i, (x, y) in enumerate(ring))
    inner = _MARGIN_MM + spec.side_mm + 3.0
    width, height = spec.page_mm
    strip = 9.0  # holds print at the top, cautions at the bottom
    free = (inner + 4.0, inner + strip, width - 2 * inner - 8.0, height - 2 * inner - 2 * strip)
    return MatLayout(
        name=f"bench-{paper}-{sheet}",
        kind="mat",
        page_mm=spec.page_mm,
        markers=markers,
        background_srgb=_PAPER,
        patches=_patches(ring, spec.side_mm),
        pattern=Pattern("dots", _whole_cells(free, 5.0), 5.0, 0.5, _FAINT),
        boxes=_check_bars(inner, free),
        texts=_bench_texts(paper, sheet, spec.page_mm, inner),
    )


def _ring(spec: _Paper) -> list[tuple[float, float]]:
    """Marker centres clockwise from the top-left corner, evenly along each side, on whole hundredths."""
    first = _MARGIN_MM + spec.side_mm / 2
    xs = np.linspace(first, spec.page_mm[0] - first, spec.along[0]).round(2).tolist()
    ys = np.linspace(first, spec.page_mm[1] - first, spec.along[1]).round(2).tolist()
    ring = [(x, ys[0]) for x in xs] + [(xs[-1], y) for y in ys[1:]]
    return ring + [(x, ys[-1]) for x in xs[-2::-1]] + [(xs[0], y) for y in ys[-2:0:-1]]


def _patches(ring: list[tuple[float, float]], side_mm: float) -> tuple[Patch, ...]:
    """One patch in the middle of each gap; greys and colours take turns, so every side has both."""
    patches = []
    for i, (a, b) in enumerate(zip(ring, ring[1:] + ring[:1], strict=True)):
        gap = abs(a[0] - b[0]) + abs(a[1] - b[1]) - side_mm
        along = min(14.0, gap - 6.0)
        w, h = (along, _PATCH_MM) if a[1] == b[1] else (_PATCH_MM, along)
        x, y = (a[0] + b[0]) / 2 - w / 2, (a[1] + b[1]) / 2 - h / 2
        name, srgb = _COLOURS[i % len(_COLOURS)]
        patches.append(Patch(f"{name}-{i // len(_COLOURS) + 1}", _rounded((x, y, w, h)), srgb))
    return tuple(patches)


def _whole_cells(rect: Rect, pitch: float) -> Rect:
    """The rectangle cut to whole pattern cells, kept centred."""
    x, y, w, h = rect
    nw, nh = w // pitch * pitch, h // pitch * pitch
    return _rounded((x + (w - nw) / 2, y + (h - nh) / 2, nw, nh))


def _rounded(rect: Rect) -> Rect:
    x, y, w, h = (round(v, 3) for v in rect)
    return (x, y, w, h)


def _check_bars(inner: float, free: Rect) -> tuple[Box, ...]:
    """Two 100 mm lines with end ticks, along the free area's bottom and left edge; outer edges are 100 mm apart."""
    line, tick = 0.4, 3.0
    x, y = free[0], free[1] + free[3] + 2.2
    across = [(x, y - line / 2, CHECK_BAR_MM, line)]
    across += [(x + end, y - tick / 2, line, tick) for end in (0.0, CHECK_BAR_MM - line)]
    x, y = inner + 1.8, free[1]
    down = [(x - line / 2, y, line, CHECK_BAR_MM)]
    down += [(x - tick / 2, y + end, tick, line) for end in (0.0, CHECK_BAR_MM - line)]
    return tuple(Box(_rounded(rect), _INK) for rect in across + down)


def _bench_texts(paper: str, sheet: int, page_mm: tuple[float, float], inner: float) -> tuple[Text, ...]:
    """Instructions above the free area, cautions below it."""
    x, cap, pitch = inner + 4.0, 1.45, 2.8
    lines = [f"loomtriage bench mat   {paper}   sheet {sheet}", *INSTRUCTIONS]
    texts = [Text((x, round(inner + 1.6 + i * pitch, 3)), cap, line, _INK) for i, line in enumerate(lines)]
    low = page_mm[1] - inner - 5.3
    beside = x + CHECK_BAR_MM + 4.0
    texts += [Text((beside, round(low + i * pitch, 3)), cap, line, _INK) for i, line in enumerate(CAUTIONS)]
    return (*texts, Text((x + 2.0, round(low + 3.0, 3)), cap, "check bar: 100 mm", _INK))


def _card(sheet: int) -> MatLayout:
    """The pocket scale: three markers along the top and the bottom, patches and a ruler between."""
    first = _CARD.first_id + (sheet - 1) * _CARD.count
    width, height = _CARD.page_mm
    edge = 3.0 + _CARD.side_mm / 2
    places = [(x, y) for y in (edge, round(height - edge, 2)) for x in (edge, width / 2, width - edge)]
    markers = tuple(Marker(DICTIONARY, first + i, place, _CARD.side_mm) for i, place in enumerate(places))
    patches = tuple(
        Patch(name, (round(5.3 + 9.5 * i, 2), 16.5, 8.0, 7.0), srgb) for i, (name, srgb) in enumerate(_COLOURS[:8])
    )
    ink: Rgb = (60, 60, 60)
    return MatLayout(
        name=f"card-{sheet}",
        kind="card",
        page_mm=_CARD.page_mm,
        markers=markers,
        background_srgb=_PAPER,
        patches=patches,
        rulers=(Ruler((7.8, 26.0), "x", 70, (1.6, 2.4, 3.2), 0.2, ink),),
        texts=(
            Text((7.0, 32.6), 1.5, "0", ink),
            Text((65.0, 32.6), 1.5, "must be 70 mm", ink),
            Text((7.0, 36.4), 1.5, f"loomtriage pocket scale  {sheet}", ink),
            Text((44.5, 36.4), 1.5, "lay it as high as the wires", ink),
        ),
    )


def write_shipped_layouts() -> None:
    """Write the layout files of sheet 1."""
    from vision.layout_file import layout_text

    for paper in PAPERS:
        layout = own_layout(paper)
        (LAYOUT_FOLDER / f"{layout.name}.json").write_text(layout_text(layout), encoding="utf-8")


if __name__ == "__main__":
    write_shipped_layouts()

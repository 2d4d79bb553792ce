"""A mat layout: what is printed where on a page, read from a JSON file and checked as a whole.

Coordinates: millimetres on the page, origin at the page's top-left corner, x right, y down.

Layout file (schema "mat-layout/1"; `*` = may be left out)::

    {"schema": "mat-layout/1", "name": "bench-1", "kind": "mat" | "card", "page_mm": [w, h],
     "background_srgb": [r, g, b],
     "markers":  [{"dictionary": "DICT_5X5_1000", "id": 7, "centre_mm": [x, y], "side_mm": 14}],
     "patches"*: [{"name": "grey-140", "rect_mm": [x, y, w, h], "srgb": [r, g, b], "lab"*: [L, a, b]}],
     "pattern"*: {"kind": "dots", "rect_mm": [x, y, w, h], "pitch_mm": 5, "radius_mm": 0.5, "srgb": [r, g, b]},
     "boxes"*:   [{"rect_mm": [x, y, w, h], "srgb": [r, g, b]}],
     "rulers"*:  [{"start_mm": [x, y], "axis": "x" | "y", "length_mm": 320, "tick_mm": [1 mm, 5 mm, 10 mm ticks],
                   "line_mm": 0.3, "srgb": [r, g, b]}],
     "texts"*:   [{"at_mm": [x, y], "cap_mm": 2.0, "text": "...", "srgb": [r, g, b]}]}

Ticks reach from the ruler's line towards larger y (axis x) or larger x (axis y); negative lengths the other way.
`at_mm` of a text is the left end of its base line, `cap_mm` the height of its capitals. A patch's `lab` is CIELAB D50,
given only where somebody measured it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import combinations
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

SCHEMA = "mat-layout/1"
LAYOUT_FOLDER = Path(__file__).parent / "layouts"
UNCHECKED_PRINT_U95_REL = 0.005
"""Of a print nobody measured: the sheet asks for check bars of 100 mm within 0.5 mm (common practice)."""

Rgb = tuple[int, int, int]
Point = tuple[float, float]
Rect = tuple[float, float, float, float]


class LayoutError(ValueError):
    """A layout that cannot be used; `mistakes` holds every reason at once."""

    def __init__(self, where: str, mistakes: list[str]):
        self.mistakes = tuple(mistakes)
        super().__init__(
            f"expected a mat layout ({SCHEMA}), got {where} with {len(mistakes)} "
            f"mistake{'s' if len(mistakes) > 1 else ''}: {'; '.join(mistakes)}; correct the layout file"
        )


@dataclass(frozen=True)
class Marker:
    """A square fiducial; `side_mm` is the black square's outer side, `stretch` what the printer made of it."""

    dictionary: str
    id: int
    centre_mm: Point
    side_mm: float
    stretch: Point = (1.0, 1.0)

    def corners_mm(self) -> np.ndarray:
        """(4, 2) float, mm: top-left, top-right, bottom-right, bottom-left of the printed marker."""
        half = self.side_mm / 2 * np.array(self.stretch)
        return np.array(self.centre_mm) + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)

    @property
    def rect_mm(self) -> Rect:
        """x, y, w, h of the black square."""
        w, h = self.side_mm * self.stretch[0], self.side_mm * self.stretch[1]
        return (self.centre_mm[0] - w / 2, self.centre_mm[1] - h / 2, w, h)


@dataclass(frozen=True)
class Patch:
    """A field of known colour; `lab` (CIELAB D50) only where it was measured."""

    name: str
    rect_mm: Rect
    srgb: Rgb
    lab: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Pattern:
    """Faint dots on a square lattice (as printed: stretched): centres at rect origin + (i + 0.5) pitch."""

    kind: Literal["dots"]
    rect_mm: Rect
    pitch_mm: float
    radius_mm: float
    srgb: Rgb
    stretch: Point = (1.0, 1.0)

    def centres_mm(self) -> np.ndarray:
        """(N, 2) float, mm: dot centres whose dots lie wholly inside the rectangle."""
        x, y, w, h = self.rect_mm
        px, py = (self.pitch_mm * factor for factor in self.stretch)
        gx, gy = np.meshgrid(np.arange(int(w / px + 1e-9)) + 0.5, np.arange(int(h / py + 1e-9)) + 0.5)
        return np.stack([x + gx.ravel() * px, y + gy.ravel() * py], axis=1)


@dataclass(frozen=True)
class Box:
    """A filled rectangle of any other printed thing: a check bar, a frame line."""

    rect_mm: Rect
    srgb: Rgb


@dataclass(frozen=True)
class Ruler:
    """Millimetre ticks along a line."""

    start_mm: Point
    axis: Literal["x", "y"]
    length_mm: int
    tick_mm: tuple[float, float, float]
    line_mm: float
    srgb: Rgb

    def boxes(self) -> list[Box]:
        """One box per tick."""
        return [self._tick(i) for i in range(self.length_mm + 1)]

    def _tick(self, i: int) -> Box:
        reach = self.tick_mm[2] if i % 10 == 0 else self.tick_mm[1] if i % 5 == 0 else self.tick_mm[0]
        along, across = (0, 1) if self.axis == "x" else (1, 0)
        rect = [0.0] * 4
        rect[along] = self.start_mm[along] + i - self.line_mm / 2
        rect[along + 2] = self.line_mm
        rect[across] = self.start_mm[across] + min(reach, 0.0)
        rect[across + 2] = abs(reach)
        return Box((rect[0], rect[1], rect[2], rect[3]), self.srgb)

    @property
    def rect_mm(self) -> Rect:
        """x, y, w, h of all ticks together."""
        edges = np.array([b.rect_mm for b in (self._tick(0), self._tick(self.length_mm))])
        low, high = edges[:, :2].min(0), (edges[:, :2] + edges[:, 2:]).max(0)
        return (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1]))


@dataclass(frozen=True)
class Text:
    """One line of print: left end of the base line, and height of capitals."""

    at_mm: Point
    cap_mm: float
    text: str
    srgb: Rgb

    @property
    def rect_mm(self) -> Rect:
        """x, y, w, h that the line may cover, descenders included; generous in width (0.8 cap a character)."""
        x, y = self.at_mm
        return (x - 0.2, y - 1.15 * self.cap_mm, 0.8 * self.cap_mm * len(self.text) + 0.4, 1.55 * self.cap_mm)


@dataclass(frozen=True)
class MatLayout:
    """Everything printed on one page. An inconsistent one cannot be built.

    `print_u95_rel` : how true to its millimetres the page was printed, relative, 95 %
    """

    name: str
    kind: Literal["mat", "card"]
    page_mm: tuple[float, float]
    markers: tuple[Marker, ...]
    background_srgb: Rgb
    patches: tuple[Patch, ...] = ()
    pattern: Pattern | None = None
    boxes: tuple[Box, ...] = ()
    rulers: tuple[Ruler, ...] = ()
    texts: tuple[Text, ...] = ()
    print_u95_rel: float = UNCHECKED_PRINT_U95_REL

    def __post_init__(self) -> None:
        mistakes = _mistakes_of(self)
        if mistakes:
            raise LayoutError(f"layout {self.name!r}", mistakes)

    @cached_property
    def marker_corners_mm(self) -> dict[tuple[str, int], np.ndarray]:
        """(dictionary, id) to that marker's (4, 2) corners in mm."""
        return {(m.dictionary, m.id): m.corners_mm() for m in self.markers}

    def printed_boxes(self) -> list[Box]:
        """Boxes and the ticks of all rulers."""
        return [*self.boxes, *(tick for ruler in self.rulers for tick in ruler.boxes())]


@lru_cache(maxsize=32)
def aruco_dictionary(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's predefined dictionary of that name (`DICT_4X4_50`, ...)."""
    if not is_dictionary(name):
        raise LayoutError(f"dictionary {name!r}", [_unknown_dictionary(name)])
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def is_dictionary(name: str) -> bool:
    """Whether OpenCV has a square-marker dictionary of that name."""
    return name.startswith("DICT_") and isinstance(getattr(cv2.aruco, name, None), int)


def _unknown_dictionary(name: str) -> str:
    return f"unknown dictionary {name!r} (use a name like DICT_5X5_1000 or DICT_4X4_50)"


def _overlap(a: Rect, b: Rect) -> bool:
    gap = 1e-6
    return (
        a[0] + a[2] > b[0] + gap and b[0] + b[2] > a[0] + gap and a[1] + a[3] > b[1] + gap and b[1] + b[3] > a[1] + gap
    )


def _outside(rect: Rect, page: tuple[float, float]) -> bool:
    x, y, w, h = rect
    return x < -1e-6 or y < -1e-6 or x + w > page[0] + 1e-6 or y + h > page[1] + 1e-6


def _mistakes_of(layout: MatLayout) -> list[str]:
    """Every inconsistency between the parts of a layout whose fields have the right types."""
    mistakes = [] if min(layout.page_mm) > 0 else [f"page_mm must be positive, got {list(layout.page_mm)}"]
    if not layout.name.strip():
        mistakes.append("name must not be empty")
    if not layout.markers:
        mistakes.append("markers must hold at least one marker, got none")
    mistakes += _marker_mistakes(layout)
    mistakes += _place_mistakes(layout)
    mistakes += _colour_mistakes(layout)
    mistakes += _print_mistakes(layout)
    return mistakes


def _marker_mistakes(layout: MatLayout) -> list[str]:
    mistakes: list[str] = []
    seen: dict[tuple[str, int], int] = {}
    for i, m in enumerate(layout.markers):
        if not is_dictionary(m.dictionary):
            mistakes.append(f"markers[{i}]: {_unknown_dictionary(m.dictionary)}")
        elif not 0 <= m.id < len(aruco_dictionary(m.dictionary).bytesList):
            count = len(aruco_dictionary(m.dictionary).bytesList)
            mistakes.append(f"markers[{i}]: id must lie in 0 to {count - 1} of {m.dictionary}, got {m.id}")
        if (m.dictionary, m.id) in seen:
            first = seen[m.dictionary, m.id]
            mistakes.append(f"markers[{i}]: id {m.id} of {m.dictionary} is already used by markers[{first}]")
        seen.setdefault((m.dictionary, m.id), i)
        if m.side_mm <= 0:
            mistakes.append(f"markers[{i}]: side_mm must be positive, got {m.side_mm:g}")
    return mistakes


def _place_mistakes(layout: MatLayout) -> list[str]:
    """Markers and patches outside the page, of no size, or on top of each other."""
    named = [(f"markers[{i}]", m.rect_mm) for i, m in enumerate(layout.markers) if m.side_mm > 0]
    for i, p in enumerate(layout.patches):
        named.append((f"patches[{i}] ({p.name})", p.rect_mm))
    mistakes = [f"{n}: width and height must be positive, got {r[2]:g} x {r[3]:g}" for n, r in named if min(r[2:]) <= 0]
    if min(layout.page_mm) > 0:
        page = f"{layout.page_mm[0]:g} x {layout.page_mm[1]:g} mm"
        mistakes += [f"{n}: lies outside the page of {page}" for n, r in named if _outside(r, layout.page_mm)]
    mistakes += [f"{a}: overlaps {b}" for (b, rb), (a, ra) in combinations(named, 2) if _overlap(ra, rb)]
    return mistakes


def _colour_mistakes(layout: MatLayout) -> list[str]:
    named = [("background_srgb", layout.background_srgb)]
    named += [(f"patches[{i}].srgb", p.srgb) for i, p in enumerate(layout.patches)]
    named += [(f"boxes[{i}].srgb", b.srgb) for i, b in enumerate(layout.boxes)]
    named += [(f"rulers[{i}].srgb", r.srgb) for i, r in enumerate(layout.rulers)]
    named += [(f"texts[{i}].srgb", t.srgb) for i, t in enumerate(layout.texts)]
    if layout.pattern:
        named.append(("pattern.srgb", layout.pattern.srgb))
    wrong = [(n, list(c)) for n, c in named if not all(0 <= v <= 255 for v in c)]
    return [f"{n}: expected three values 0 to 255, got {c}" for n, c in wrong]


def _print_mistakes(layout: MatLayout) -> list[str]:
    mistakes = [
        f"boxes[{i}]: width and height must be positive, got {b.rect_mm[2]:g} x {b.rect_mm[3]:g}"
        for i, b in enumerate(layout.boxes)
        if min(b.rect_mm[2:]) <= 0
    ]
    for i, t in enumerate(layout.texts):
        if t.cap_mm <= 0:
            mistakes.append(f"texts[{i}]: cap_mm must be positive, got {t.cap_mm:g}")
    for i, r in enumerate(layout.rulers):
        if r.axis not in ("x", "y") or r.length_mm <= 0 or r.line_mm <= 0:
            mistakes.append(f"rulers[{i}]: expected axis x or y and positive length_mm and line_mm")
    p = layout.pattern
    if p and (p.kind != "dots" or p.pitch_mm <= 0 or not 0 < p.radius_mm < p.pitch_mm / 2 or min(p.rect_mm[2:]) <= 0):
        mistakes.append("pattern: expected kind dots, a positive rect_mm and 0 < radius_mm < pitch_mm / 2")
    return mistakes


def load_layout(where: str | Path) -> MatLayout:
    """Read a layout file, or the built-in layout of that name."""
    from vision.layout_file import layout_from_data

    builtin = LAYOUT_FOLDER / f"{where}.json"
    path = builtin if isinstance(where, str) and "/" not in where and builtin.is_file() else Path(where)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        names = ", ".join(sorted(p.stem for p in LAYOUT_FOLDER.glob("*.json")))
        mistake = f"it cannot be read ({_reason(error)}); built-in layouts are {names}"
        raise LayoutError(str(where), [mistake]) from error
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise LayoutError(path.name, [f"it is not JSON ({error})"]) from error
    return layout_from_data(data, path.name)


def _reason(error: Exception) -> str:
    return (error.strerror or type(error).__name__) if isinstance(error, OSError) else "not a text file"


@lru_cache(maxsize=1)
def _builtin() -> tuple[MatLayout, ...]:
    from vision.own_mats import PAPERS, SHEETS, own_layout

    shipped = [load_layout(path) for path in sorted(LAYOUT_FOLDER.glob("*.json"))]
    return (*shipped, *(own_layout(paper, sheet) for paper in PAPERS for sheet in SHEETS if sheet > 1))


def builtin_layouts() -> list[MatLayout]:
    """Every layout file shipped with the package, and the further sheets of the project's own mats."""
    return list(_builtin())

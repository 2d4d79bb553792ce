"""Photographs of an order: found by name, proved by hash, and drawn with regions and dimension lines for print."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np
from PIL import Image

from desk.overlay import way_inside, ways_to_termination
from desk.pictures import close_up_box
from desk.wording import say_label, say_on_picture
from vision.findings import Decision, PhotoFindings, Region, Ring
from vision.reading import PhotoError, read_photo

PRINT_SIDE_PX = 1800
_STEPS = 20  # half plates up or down that letters move to cover nothing
_FOLLOWS = 0.2  # a line drawn is taken for the measured way when it is this much as long
_INK = (0, 0, 0)
_PAPER = (255, 255, 255)
_NOTHING: Mapping[str, Sequence[Ring]] = MappingProxyType({})
_UNRULED: Mapping[str, str] = MappingProxyType({})
_FONT = cv2.FONT_HERSHEY_SIMPLEX


@dataclass(frozen=True)
class Picture:
    """A picture for print as JPEG, and its size in pixels."""

    jpeg: bytes
    width_px: int
    height_px: int


def find_photo(name: str, sha256: str, folders: Sequence[Path]) -> Path | None:
    """The file of this name in the folders whose bytes have this hash; None when it is not there."""
    plain = Path(name).name
    for folder in folders:
        named = folder / plain
        if _is(named, sha256):
            return named
    return None


def _is(path: Path, sha256: str) -> bool:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() == sha256
    except (OSError, ValueError):  # not there, not ours to read, or no file name at all: the sheet says not found
        return False


def pixels_of(path: Path) -> np.ndarray | None:
    """The photograph upright, (H, W, 3) uint8, BGR; None when it can no longer be read."""
    try:
        return read_photo(path).bgr
    except PhotoError:
        return None


def whole_picture(
    bgr: np.ndarray,
    findings: PhotoFindings,
    asked: Mapping[str, Sequence[Ring]] = _NOTHING,
    decision: Decision | None = None,
    ruled: Mapping[str, str] = _UNRULED,
) -> Picture:
    """The photograph with its regions, joints and dimension lines.

    asked : outlines, by name, of what the questions name and nothing else in the picture shows; decision : its limits
    say which distance is too wide to be printed; ruled : distances measured at the bench, in words, by id
    """
    x, y, w, h = _assembly_box(findings, bgr.shape[1], bgr.shape[0])
    # a sheet shows it twice as wide as high at most, so that a narrower one is printed smaller, its letters not
    canvas = _Canvas(bgr[y : y + h, x : x + w], (x, y), letters=min(1.7, max(1.0, 2 * h / w)))
    for rings in asked.values():
        canvas.outline(rings, width=0.7)
    for region in findings.regions:
        canvas.outline(region.rings_px)
        canvas.keep_clear(region.rings_px)
    for splice in findings.splices:
        canvas.outline(splice.rings_px)
    for way, said in ways_to_termination(findings, decision, ruled):
        canvas.dimension(way, said)
    for region in findings.regions:
        if region.rings_px:
            canvas.label(region.id, _top(region.rings_px))
    for splice in findings.splices:
        if splice.rings_px:
            canvas.label(splice.id, _top(splice.rings_px))
    for name, rings in asked.items():
        canvas.label(name, _top(rings))
    return canvas.picture()


def _assembly_box(findings: PhotoFindings, width_px: int, height_px: int) -> tuple[int, int, int, int]:
    """x, y, w, h in px of all that was found, with a margin; the whole picture where nothing was."""
    groups = (findings.regions, findings.splices, findings.coverings, findings.terminations)
    rings = [ring for group in groups for item in group for ring in item.rings_px]
    rings += [wire.centreline_px for wire in findings.wires]
    rings = [ring for ring in rings if len(ring)]
    if not rings:
        return 0, 0, width_px, height_px
    points = np.concatenate([np.asarray(ring, float).reshape(-1, 2) for ring in rings])
    margin = 0.08 * max(np.ptp(points, axis=0)) + 20
    x, y = np.clip(points.min(0) - margin, 0, None).astype(int)
    right, bottom = np.minimum(points.max(0) + margin, (width_px, height_px)).astype(int)
    return int(x), int(y), max(1, int(right - x)), max(1, int(bottom - y))


def region_picture(
    bgr: np.ndarray,
    findings: PhotoFindings,
    region: Region,
    decision: Decision | None = None,
    said: str | None = None,
) -> Picture | None:
    """The region seen near, outlined, with its length as a dimension line where the line can follow the wire; None
    where nothing says where it is. said : its label in words where the bench gave one
    """
    if not region.rings_px:
        return None
    x, y, w, h = close_up_box(region.rings_px, bgr.shape[1], bgr.shape[0])
    canvas = _Canvas(bgr[y : y + h, x : x + w], (x, y), side_px=1000, letters=1.7)
    canvas.outline(region.rings_px)
    canvas.keep_clear(region.rings_px)
    way = _measured_line(findings, region)
    if way is not None:
        canvas.dimension(way, say_on_picture(region.length_mm, decision), beside=True)
    label = said or ("unsure" if region.unsure else say_label(region.label))
    canvas.label(f"{region.id} {label}", None)
    return canvas.picture()


def _measured_line(findings: PhotoFindings, region: Region) -> np.ndarray | None:
    """A line that is as long as the region was measured: along one of its wires, else straight; None where none is."""
    mm_per_px, length = findings.scale.mm_per_px, region.length_mm
    if mm_per_px is None or length is None:
        return None
    ids = region.wires_affected.wire_ids if region.wires_affected else []
    lines = [way_inside(wire, region.rings_px) for wire in findings.wires if wire.id in ids]
    straight = _long_axis(region)
    for way in [*(line for line in lines if line is not None), straight]:
        drawn = float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum()) * mm_per_px
        if abs(drawn - length.value) <= _FOLLOWS * length.value:
            return straight if way is straight else _beyond(way, region)  # as long as it was checked to be
    return None


def _beyond(way: np.ndarray, region: Region) -> np.ndarray:
    """A nearly straight way becomes its straight edge, which is easier to read; a bent one stays on the wire."""
    chord = float(np.linalg.norm(way[-1] - way[0]))
    if chord <= 0.97 * float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum()):
        return way
    along = (way[-1] - way[0]) / max(chord, 1e-9)
    across = np.array([-along[1], along[0]])
    across = across if across[1] >= 0 else -across
    points = np.concatenate([np.asarray(ring, float).reshape(-1, 2) for ring in region.rings_px])
    return way[[0, -1]] + max(float(((points - way[0]) @ across).max()), 0.0) * across


def _top(rings: Sequence[Sequence[tuple[float, float]]]) -> tuple[float, float]:
    points = np.concatenate([np.asarray(ring, float).reshape(-1, 2) for ring in rings])
    x, y = points[np.argmin(points[:, 1])]
    return float(x), float(y)


def _long_axis(region: Region) -> np.ndarray:
    """The two ends of the region along its longer direction, (2, 2) px, moved to its lower edge."""
    points = np.concatenate([np.asarray(ring, float).reshape(-1, 2) for ring in region.rings_px])
    middle = points.mean(0)
    _, _, axes = np.linalg.svd(points - middle, full_matrices=False)
    along, across = axes[0], axes[1] * (1 if axes[1][1] >= 0 else -1)
    reach = (points - middle) @ along
    drop = ((points - middle) @ across).max()
    return middle + np.outer([reach.min(), reach.max()], along) + drop * across


class _Canvas:
    """A picture at print size, drawn on in original pixels with lines that are seen in grey as in colour."""

    def __init__(
        self, bgr: np.ndarray, origin_px: tuple[int, int], side_px: int = PRINT_SIDE_PX, letters: float = 1.0
    ) -> None:
        self.scale = side_px / max(bgr.shape[:2])
        size = (max(1, round(bgr.shape[1] * self.scale)), max(1, round(bgr.shape[0] * self.scale)))
        self.image: np.ndarray = cv2.resize(
            bgr, size, interpolation=cv2.INTER_AREA if self.scale < 1 else cv2.INTER_CUBIC
        )
        self.texts: list[tuple[str, tuple[int, int], bool]] = []
        self.plates: list[tuple[int, int, int]] = []  # x, y, width of every plate of letters, px of the print
        self.damage: list[np.ndarray] = []  # left, top, right, bottom of what no letters may cover, px of the print
        self.origin = np.array(origin_px, float)
        self.unit = letters * side_px / 900  # line width and letters follow the printed size

    def _at(self, points: object) -> np.ndarray:
        return np.round((np.asarray(points, float).reshape(-1, 2) - self.origin) * self.scale).astype(np.int32)

    def _lines(self, points: np.ndarray, closed: bool, width: float = 1.6) -> None:
        """Black on white: seen on any background, in colour or grey."""
        for extra, colour in ((2.0, _PAPER), (0.0, _INK)):
            thick = max(1, round((width + extra) * self.unit))
            cv2.polylines(self.image, [points.reshape(-1, 1, 2)], closed, colour, thick, cv2.LINE_AA)

    def outline(self, rings: Sequence[Sequence[tuple[float, float]]], width: float = 1.6) -> None:
        """A region's outline."""
        for ring in rings:
            self._lines(self._at(ring), closed=True, width=width)

    def keep_clear(self, rings: Sequence[Sequence[tuple[float, float]]]) -> None:
        """No letters are written over this, as long as there is room beside it."""
        if rings:
            points = self._at([point for ring in rings for point in ring])
            self.damage.append(np.concatenate([points.min(0), points.max(0)]))

    def dimension(self, way: np.ndarray, said: str, beside: bool = False) -> None:
        """A measured way with a tick at either end and its value in the middle; `beside`: shifted off what it is of."""
        points = self._at(way)
        if len(points) < 2:
            return
        if beside and len(points) == 2:
            along = (points[-1] - points[0]).astype(float)
            across = np.array([-along[1], along[0]]) / max(1.0, float(np.hypot(*along)))
            shift = across * (1 if across[1] >= 0 else -1) * 14 * self.unit
            for point in points:
                self._lines(np.round([point, point + shift * 1.3]).astype(np.int32), closed=False, width=0.8)
            points = np.round(points + shift).astype(np.int32)
        self._lines(points, closed=False, width=1.2)
        for end, inner in ((points[0], points[1]), (points[-1], points[-2])):
            self._tick(end, inner)
        if beside and len(points) > 2:  # a bent line lies on what it measures: its value goes below
            low = int(points[:, 1].max() + 30 * self.unit)
            self._text(said, (int(points[:, 0].mean()), low))
            return
        middle = points[0] + (points[-1] - points[0]) // 2 if len(points) == 2 else points[len(points) // 2]
        self._text(said, (int(middle[0]), int(middle[1])))

    def _tick(self, end: np.ndarray, inner: np.ndarray) -> None:
        along = (inner - end).astype(float)
        across = np.array([-along[1], along[0]]) / max(1.0, float(np.hypot(*along))) * 7 * self.unit
        self._lines(np.round([end - across, end + across]).astype(np.int32), closed=False)

    def label(self, said: str, at: tuple[float, float] | None) -> None:
        """A name above a place in original pixels, or in the upper left corner."""
        x, y = (10, round(26 * self.unit)) if at is None else tuple(int(v) for v in self._at(at)[0])
        self._text(said, (x, y - (0 if at is None else round(10 * self.unit))), centred=at is not None)

    def _text(self, said: str, at: tuple[int, int], centred: bool = True) -> None:
        """Letters to be written once all lines are drawn, so that no line crosses them."""
        one_line = " ".join(said.split()).encode("utf-8", "replace").decode("utf-8")  # names of files may hold anything
        self.texts.append((one_line, at, centred))

    def _write(self, said: str, at: tuple[int, int], centred: bool) -> None:
        """Black letters on a white plate that stays within the picture."""
        size, thick = 0.62 * self.unit, max(1, round(1.5 * self.unit))
        (w, h), base = cv2.getTextSize(said, _FONT, size, thick)
        pad = round(4 * self.unit)
        high, wide = self.image.shape[:2]
        x = min(max(pad, at[0] - (w // 2 if centred else 0)), max(pad, wide - w - pad))
        y = min(max(h + pad, at[1] + h // 2), max(h + pad, high - base - pad))
        y = self._free(x, y, w + 2 * pad, h + base + 2 * pad, high)
        plate = ((x - pad, y - h - pad), (x + w + pad, y + base + pad // 2))
        cv2.rectangle(self.image, *plate, _PAPER, -1)
        cv2.rectangle(self.image, *plate, _INK, 1)
        cv2.putText(self.image, said, (x, y), _FONT, size, _INK, thick, cv2.LINE_AA)

    def _free(self, x: int, y: int, wide: int, tall: int, high: int) -> int:
        """The nearest height at which neither another plate nor damage is covered, or else no other plate; the asked
        one where there is none.
        """
        steps = sorted(range(-_STEPS, _STEPS + 1), key=lambda step: (abs(step), step))
        heights = [y + step * tall // 2 for step in steps if tall <= y + step * tall // 2 <= high or step == 0]
        apart = [at for at in heights if self._off_plates(x, at, wide, tall)]
        clear = [at for at in apart if self._off_damage(x, at, wide, tall)]
        y = (clear or apart or [y])[0]
        self.plates.append((x, y, wide))
        return y

    def _off_plates(self, x: int, y: int, wide: int, tall: int) -> bool:
        return all(abs(y - oy) >= tall or x + wide <= ox or ox + ow <= x for ox, oy, ow in self.plates)

    def _off_damage(self, x: int, y: int, wide: int, tall: int) -> bool:
        return all(
            y <= top or bottom <= y - tall or x + wide <= left or right <= x for left, top, right, bottom in self.damage
        )

    def picture(self) -> Picture:
        """As JPEG, letters on top."""
        for text in self.texts:
            self._write(*text)
        out = io.BytesIO()
        Image.fromarray(cv2.cvtColor(self.image, cv2.COLOR_BGR2RGB)).save(out, "JPEG", quality=80)
        return Picture(out.getvalue(), self.image.shape[1], self.image.shape[0])

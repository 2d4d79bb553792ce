"""Turns bench photographs with truth into what the models learn from: cells with classes, candidates with labels."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np

from desk.cell_truth import CELL_CLASSES, cell_classes
from desk.errors import DeskError
from desk.files import write_whole
from desk.foreign_truth import read_truth
from desk.recognition import find_scene, seen_by
from models.damage.eye import Eye
from models.damage.finder import Finder
from sample_images.edition import edition
from sample_images.saving import as_jpeg
from sample_images.scene import SceneSettings, render_scene
from sample_images.truth import Truth, TruthRegion
from vision.layout import MatLayout
from vision.measure import bundle_factor, measure_shell, measure_wires
from vision.reading import Photo, read_photo
from vision.recognise import Scene, WireCandidate
from vision.regions import extent_along
from vision.sight import FirstLook, first_look
from vision.ways import WAY_SIGNS, ways_to_terminations
from vision.wire_counts import count_crossing
from vision.wires import trace_wires

_RASTER_SCALE = 0.5
_NEAR_MM = 3.0
_MIN_SHARE = 0.3
_MIN_COVER = 0.4


@dataclass(frozen=True)
class SceneJob:
    """One picture to learn from, rendered from its seed; kept without loss in ``folder`` when one is given, apart from
    what another `edition` of the scenes made of the same seed.

    ``extra`` damages lie on top of the scenario's; ``saved`` pictures are compressed as those of `samples` are;
    ``uncommon`` things are so many times as likely as usual.
    """

    scenario: str
    seed: int
    folder: str | None = None
    extra: int = 0
    saved: bool = False
    uncommon: float = 1.0

    @property
    def name(self) -> str:
        """File stem."""
        odds = "" if self.uncommon == 1.0 else f"u{self.uncommon:g}"
        kinds = (f"x{self.extra}" if self.extra else "", "s" * self.saved, odds)
        return "_".join((f"{self.scenario}_{self.seed:05d}", *filter(None, kinds)))

    @property
    def usual(self) -> bool:
        """Whether it shows what photographs of a shop show, as often as they do."""
        return self.extra == 0 and self.uncommon == 1.0

    def _render(self) -> tuple[np.ndarray, Truth]:
        bgr, truth = render_scene(self.seed, self.scenario, SceneSettings(extra=self.extra, uncommon=self.uncommon))
        if not self.saved:
            return bgr, truth
        opened = cv2.imdecode(np.frombuffer(as_jpeg(bgr), np.uint8), cv2.IMREAD_COLOR)
        if opened is None:
            raise DeskError(f"{self.name}: expected to open the picture just encoded, got none")
        return opened, truth

    def load(self) -> tuple[Photo, Truth]:
        """The picture and its truth."""
        if self.folder is None:
            bgr, truth = self._render()
            return as_photo(bgr, self.name), truth
        path = Path(self.folder) / edition() / f"{self.name}.png"
        beside = path.with_suffix(".json")
        if not beside.exists():
            bgr, truth = self._render()
            kept, coded = cv2.imencode(".png", bgr, [cv2.IMWRITE_PNG_COMPRESSION, 1])
            if not kept:
                raise DeskError(f"{path}: expected to encode a picture of {bgr.shape}, got none")
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, coded.tobytes())
            write_whole(beside, truth.model_dump_json())
        return read_photo(path), read_truth(beside)


def as_photo(bgr: np.ndarray, name: str) -> Photo:
    """A rendered picture as a photograph that was read."""
    digest = hashlib.sha256(bgr.tobytes()).hexdigest()
    return Photo(
        bgr=bgr, name=name, sha256=digest, width_px=bgr.shape[1], height_px=bgr.shape[0], taken_at=None, focal_35mm=None
    )


@dataclass(frozen=True)
class CellLesson:
    """One photograph's cells for the finder. classes : (N,), -1 not taught; the others as of `Cells`."""

    names: tuple[str, ...]
    xy: np.ndarray
    features: np.ndarray
    classes: np.ndarray
    lanes: np.ndarray


def cell_lesson(job: SceneJob, layouts: Sequence[MatLayout], eye: Eye | None = None) -> CellLesson:
    """Look at one picture and label its cells."""
    photo, truth = job.load()
    return cells_of(seen_by(first_look(photo, layouts), eye), truth)


def without_eye(lesson: CellLesson, eye: Eye) -> CellLesson:
    """The same cells without what the eye says of them: the lesson as looked at without one."""
    if not len(lesson.classes):
        return lesson
    own = len(lesson.names) - len(eye.classes)
    return replace(lesson, names=lesson.names[:own], features=lesson.features[:, :own])


def cells_of(look: FirstLook, truth: Truth) -> CellLesson:
    """The cells of one photograph, each with its class by the truth; none where no assembly is seen."""
    if len(look.cells.xy) == 0:
        return CellLesson((), np.zeros((0, 2)), np.zeros((0, 0), np.float32), np.zeros(0, int), np.zeros((0, 1), int))
    classes = cell_classes(truth, look.canvas.to_photo_px(look.cells.xy))
    return CellLesson(look.cells.names, look.cells.xy, look.cells.features, classes, look.cells.lanes)


@dataclass(frozen=True)
class CandidateLesson:
    """One candidate for a namer, with its raw measures beside the true ones.

    ways : (W, 1 + S) raw length and signs of the ways to terminations
    """

    kind: str  # wires | shell
    scene: str
    label: str
    names: tuple[str, ...]
    vector: np.ndarray
    raw: dict[str, float | None] = field(default_factory=dict)
    truth: dict[str, float | None] = field(default_factory=dict)
    ways: np.ndarray = field(default_factory=lambda: np.zeros((0, 1 + len(WAY_SIGNS)), np.float32))
    region: str | None = None  # id of the true region that it shows
    counted: tuple[float, np.ndarray, float] | None = None  # wires: reckoned, (S,) what from, true


@dataclass(frozen=True)
class SceneLesson:
    """One photograph's candidates, coverings' lengths, and the labels truly there."""

    name: str
    labels: tuple[str, ...]
    candidates: list[CandidateLesson]
    coverings: list[tuple[float, float]]  # raw and true length
    usual: bool = True  # neither crowded with damages nor with uncommon things for learning's sake


def candidate_lessons(job: SceneJob, layouts: Sequence[MatLayout], finder: Finder) -> SceneLesson:
    """Find candidates and label them from the truth."""
    photo, truth = job.load()
    return candidates_of(first_look(photo, layouts), truth, finder, job.name, job.usual)


def candidates_of(look: FirstLook, truth: Truth, finder: Finder, name: str, usual: bool) -> SceneLesson:
    """The candidates that a finder sees in one photograph, labelled from the truth. name : what they are grouped by."""
    if len(look.cells.xy) == 0:
        return SceneLesson(name, tuple(truth.labels), [], [], usual)
    look = seen_by(look, finder.eye)
    scene = find_scene(look, finder)
    near = _near_rasters(truth)
    broken = scene.probabilities[:, finder.classes.index("connector")]
    traced = trace_wires(look, scene)
    lessons = [_wire_lesson(look, scene, c, truth, near, name, traced) for c in scene.wire_candidates]
    lessons += [_shell_lesson(look, broken, c, truth, near, name) for c in scene.shell_candidates]
    covered = _covering_lengths(look, scene, truth)
    return SceneLesson(name, tuple(truth.labels), lessons, covered, usual)


def _near_rasters(truth: Truth) -> list[tuple[TruthRegion, np.ndarray]]:
    """Each true region with its (h, w) bool raster, grown by 3 mm."""
    shape = (round(truth.height_px * _RASTER_SCALE), round(truth.width_px * _RASTER_SCALE))
    reach = max(1, round(_NEAR_MM / truth.mm_per_px_centre * _RASTER_SCALE))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    out = []
    for region in truth.regions:
        raster = np.zeros(shape, np.uint8)
        for ring in region.rings_px:
            cv2.fillPoly(raster, [np.round(np.asarray(ring) * _RASTER_SCALE).astype(np.int32)], 1)
        out.append((region, cv2.dilate(raster, kernel) > 0))
    return out


def _hits(raster: np.ndarray, photo_xy: np.ndarray) -> np.ndarray:
    x, y = np.round(photo_xy * _RASTER_SCALE).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < raster.shape[1]) & (y < raster.shape[0])
    out = np.zeros(len(photo_xy), bool)
    out[inside] = raster[y[inside], x[inside]]
    return out


def _matching(
    look: FirstLook, cells: np.ndarray, near: list[tuple[TruthRegion, np.ndarray]], on_housing: bool
) -> TruthRegion | None:
    """The true region that a candidate shows, by shared cells; None for none."""
    everywhere = look.canvas.to_photo_px(look.cells.xy)
    best, best_count = None, 0
    for region, raster in near:
        if (region.label == "connector") != on_housing:
            continue
        hits = _hits(raster, everywhere)
        shared = int(hits[cells].sum())
        enough = shared >= _MIN_SHARE * len(cells) or shared >= _MIN_COVER * max(int(hits.sum()), 1)
        if shared > best_count and (enough or (on_housing and shared > 0)):
            best, best_count = region, shared
    return best


def _well_found(
    look: FirstLook, cells: np.ndarray, region: TruthRegion, near: list[tuple[TruthRegion, np.ndarray]]
) -> bool:
    """Whether a candidate shows the region as a whole: measures are corrected on such only."""
    raster = next(r for t, r in near if t is region)
    hits = _hits(raster, look.canvas.to_photo_px(look.cells.xy))
    shared = int(hits[cells].sum())
    return shared >= 0.5 * len(cells) and shared >= 0.2 * int(hits.sum())  # of the region grown by 3 mm


def _wire_lesson(look, scene: Scene, candidate, truth: Truth, near, name: str, traced) -> CandidateLesson:
    region = _matching(look, candidate.region.cells, near, False)
    raw = {key: measure.value for key, measure in measure_wires(look, scene, candidate).items()}
    true: dict[str, float | None] = {}
    counted = None
    if region is not None and look.canvas.mm_known and _well_found(look, candidate.region.cells, region, near):
        if traced:
            by = count_crossing(traced, look.cells.xy[candidate.region.cells], scene.graph, look.canvas.px_per_mm)
            counted = (float(by.count.value), by.signs, float(region.wires_affected))
        true = {
            "length_mm": region.length_mm,
            "area_mm2": region.area_mm2,
            "exposed_copper_mm": region.exposed_copper_mm,
            "fused_length_mm": region.fused_length_mm,
            "to_termination_mm": region.to_termination_mm,
        }
    signs = candidate.signs
    label = region.label if region else "sound"
    ways = _ways(look, scene, candidate) if true.get("to_termination_mm") is not None else None
    shown = region.id if region else None
    lesson = CandidateLesson(
        "wires", name, label, signs.names, signs.vector(), raw, true, region=shown, counted=counted
    )
    return lesson if ways is None else replace(lesson, ways=ways)


def _ways(look: FirstLook, scene: Scene, candidate: WireCandidate) -> np.ndarray:
    ways = ways_to_terminations(look, scene, candidate)
    factor = bundle_factor(look, scene, candidate)
    rows = [np.append(way.way_mm * factor, way.signs) for way in ways]
    return np.array(rows, np.float32).reshape(-1, 1 + len(WAY_SIGNS))


def _shell_lesson(look, broken: np.ndarray, candidate, truth: Truth, near, name: str) -> CandidateLesson:
    region = _matching(look, candidate.cells, near, True)
    raw = {key: measure.value for key, measure in measure_shell(look, candidate, broken).items()}
    true: dict[str, float | None] = {}
    if region is not None and look.canvas.mm_known:
        housing = _housing_of(region, truth)
        true = {"shell_length_mm": region.length_mm, "shell_area_mm2": region.area_mm2}
        if housing is not None:
            true |= {"crack_length_mm": housing.crack_length_mm, "missing_area_mm2": housing.missing_area_mm2}
    signs = candidate.signs
    label, shown = ("connector", region.id) if region else ("sound", None)
    return CandidateLesson("shell", name, label, signs.names, signs.vector(), raw, true, region=shown)


def _housing_of(region: TruthRegion, truth: Truth):
    middle = np.concatenate([np.asarray(r) for r in region.rings_px]).mean(axis=0)
    # one that lies hidden or out of the picture has no outline
    seen = [h for h in truth.housings if h.rings_px]
    broken = [h for h in seen if h.cracked or h.missing_area_mm2 or h.displaced_terminals]
    return min(broken, key=lambda h: np.linalg.norm(np.asarray(h.rings_px[0]).mean(axis=0) - middle), default=None)


def _covering_lengths(look: FirstLook, scene: Scene, truth: Truth) -> list[tuple[float, float]]:
    if not look.canvas.mm_known:
        return []
    out = []
    for part in scene.coverings:
        assert part.mask is not None
        ys, xs = np.nonzero(part.mask[::4, ::4])
        points = np.stack([xs, ys], axis=1) * 4.0
        extent = extent_along(scene.graph, points, look.canvas.px_per_mm)
        if extent.length_mm is None:
            continue
        middle = look.canvas.to_photo_px(points.mean(axis=0))[0]
        for covering in truth.coverings:
            if not covering.rings_px:
                continue  # wholly hidden or outside the picture
            ring = np.asarray(covering.rings_px[0], np.float32)
            if cv2.pointPolygonTest(ring.reshape(-1, 1, 2), (float(middle[0]), float(middle[1])), False) >= 0:
                out.append((extent.length_mm, covering.length_mm))
                break
    return out


__all__ = [
    "CELL_CLASSES",
    "CandidateLesson",
    "CellLesson",
    "SceneJob",
    "SceneLesson",
    "candidate_lessons",
    "candidates_of",
    "cell_lesson",
    "cells_of",
    "without_eye",
]

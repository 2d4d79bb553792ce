"""Candidates that finders see in corrected photographs, labelled by the review; kept, so that a run can be resumed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from desk.learning.corrected import SOUND, ReviewedPhoto
from desk.learning.finder import Taught
from desk.learning.truths import damage_places, inside_of, truth_key, truth_of
from desk.parallel import Progress, counted, pool_map
from desk.recognition import find_scene, seen_by
from desk.records.photo_store import PhotoStore
from desk.training_set import CandidateLesson, candidates_of
from models.damage.files import write_file
from models.damage.finder import Finder
from models.damage.lessons import KINDS, Lessons, lessons_of, read_kept, save_lessons, together
from models.damage.store import finder_hash
from sample_images.truth import Truth
from vision.cells import FEATURE_VERSION
from vision.layout import MatLayout
from vision.reading import read_photo
from vision.recognise import Scene
from vision.regions import Candidate
from vision.sight import FirstLook, first_look

UNJUDGED = "unjudged"
_LEAST_CELLS = 3


@dataclass(frozen=True)
class Candidates:
    """Lessons by kind, grouped by assembly. calibrates : by kind (n,) bool, found by a finder that never saw them;
    shown : by kind, which place each shows: assembly, photograph's hash, region (empty for none)
    """

    lessons: dict[str, Lessons]
    calibrates: dict[str, np.ndarray]
    shown: dict[str, list[tuple[str, str, str]]]


def corrected_candidates(
    photos: Sequence[ReviewedPhoto],
    folds: dict[str, int],
    taught: Taught,
    store: PhotoStore,
    layouts: Sequence[MatLayout],
    folder: Path,
    workers: int,
    on_progress: Progress | None = None,
) -> Candidates:
    """What finders find in the photographs, each by one that learnt nothing from its assembly.

    A place that such a finder missed, or that was added or renamed, is described as the final finder sees it, or by its
    drawn outline, so that the namer learns its look; it sets no limits, because that finder has seen it.
    """
    made_for = hashlib.sha256("".join(finder_hash(f) for f in (*taught.other.values(), taught.final)).encode())
    mine = folder / f"candidates-{made_for.hexdigest()[:16]}"
    mine.mkdir(parents=True, exist_ok=True)
    absent = [p for p in photos if not _path(mine, p).exists()]
    work = partial(_found, folds=folds, taught=taught, store=store, layouts=tuple(layouts), folder=mine)
    for _ in counted(pool_map(work, absent, workers), len(absent), "naming candidates", on_progress):
        pass
    nothing = lessons_of([])
    lessons, may = {kind: nothing for kind in KINDS}, {kind: np.zeros(0, bool) for kind in KINDS}
    shown: dict[str, list[tuple[str, str, str]]] = {kind: [] for kind in KINDS}
    for photo in photos:
        kept = read_kept(_path(mine, photo))
        regions = json.loads(_path(mine, photo).with_suffix(".json").read_text("utf-8"))
        for kind in KINDS:
            for name in (kind, f"missed {kind}"):
                shown[kind] += [(photo.assembly, photo.sha256, region) for region in regions[name]]
            for one, calibrates in ((kept[kind], True), (kept[f"missed {kind}"], False)):
                lessons[kind] = together(lessons[kind], one)
                may[kind] = np.concatenate([may[kind], np.full(len(one), calibrates)])
    return Candidates(lessons, may, shown)


def _path(folder: Path, photo: ReviewedPhoto) -> Path:
    return folder / f"{truth_key(photo, FEATURE_VERSION)}.npz"


def _found(
    photo: ReviewedPhoto,
    folds: dict[str, int],
    taught: Taught,
    store: PhotoStore,
    layouts: Sequence[MatLayout],
    folder: Path,
) -> None:
    picture = read_photo(store.checked(photo.sha256, photo.suffix))
    look = first_look(picture, layouts, assumed_mm_per_px=photo.assumed_mm_per_px)
    look = seen_by(look, taught.final.eye)
    seen, missed = of_photo(look, photo, taught.other[folds[photo.assembly]], taught.final)
    group = f"assembly {photo.assembly}"
    kept, regions = {}, {}
    for name, found in (("", seen), ("missed ", missed)):
        for kind in KINDS:
            kept[name + kind] = lessons_of([(c.names, c.vector, c.label, group) for c in found if c.kind == kind])
            regions[name + kind] = [c.region or "" for c in found if c.kind == kind]
    path = _path(folder, photo)
    write_file(path.with_suffix(".json"), json.dumps(regions).encode())
    save_lessons(kept, photo.sha256, path)


def of_photo(
    look: FirstLook, photo: ReviewedPhoto, unseen: Finder, final: Finder
) -> tuple[list[CandidateLesson], list[CandidateLesson]]:
    """Candidates that the finder without knowledge of the assembly sees; and, as the final one sees them or as drawn,
    places that it misses and those that a reviewer had to add or rename.

    The model answers with the final finder: what it took for sound or for another damage it must name next time.
    """
    truth = _with_all(photo)
    seen = _kept(candidates_of(look, truth, unseen, photo.assembly, True).candidates, photo)
    hit = {c.region for c in seen}
    lacking = [p for p in damage_places(photo) if p.region not in hit]
    mended = {p.region for p in damage_places(photo) if p.verdict in ("added", "corrected")}
    if not (lacking or mended) or len(look.cells.xy) == 0:
        return seen, []
    after = candidates_of(look, truth, final, photo.assembly, True).candidates
    after = [c for c in after if c.region in mended or c.region not in hit]
    missed = [c for c in _kept(after, photo) if c.region is not None and c.label != SOUND]
    hit |= {c.region for c in missed}
    drawn = [p for p in lacking if p.region not in hit and p.label != "connector"]
    if drawn:
        scene = find_scene(look, final)
        missed += [c for p in drawn if (c := _as_drawn(look, scene, photo, p.region, p.label)) is not None]
    return seen, missed


def _with_all(photo: ReviewedPhoto) -> Truth:
    """The truth with false finds, and with what nobody judged under a label of its own.

    (An unjudged place of a housing keeps the label that its match needs.)
    """
    open_ = [p.model_copy(update={"verdict": "confirmed"}) for p in photo.places if p.verdict == UNJUDGED]
    named = [p.model_copy(update={"label": p.label if p.label == "connector" else UNJUDGED}) for p in open_]
    return truth_of(photo.model_copy(update={"places": [*photo.judged, *named]}), with_false_finds=True)


def _kept(found: Sequence[CandidateLesson], photo: ReviewedPhoto) -> list[CandidateLesson]:
    """The candidates without those on a place that nobody judged."""
    unjudged = {p.region for p in photo.places if p.verdict == UNJUDGED}
    return [c for c in found if c.region not in unjudged]


def _as_drawn(look: FirstLook, scene: Scene, photo: ReviewedPhoto, region: str, label: str) -> CandidateLesson | None:
    """The cells within a drawn outline as a candidate; None where too few lie in it."""
    places = [p for p in photo.places if p.region == region]
    inside = inside_of(places, look.canvas.to_photo_px(look.cells.xy), (photo.height_px, photo.width_px))
    cells = np.flatnonzero(inside)
    if len(cells) < _LEAST_CELLS:
        return None
    candidate = scene.describe(Candidate(cells, label, float(len(cells))))
    signs = candidate.signs
    return CandidateLesson("wires", photo.assembly, label, signs.names, signs.vector(), region=region)

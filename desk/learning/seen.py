"""What the desk saw, photograph by photograph, as numbers that can drift: camera, light, scale, and what was found."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from pydantic import ValidationError
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.learning.corrected import LearningValue
from desk.learning.drift import Summary, Track, Week, tracks, weeks_against
from desk.learning.model_shelf import card_of, in_use
from desk.learning.shelf import Shelf, snapshot_named
from desk.parallel import Progress, counted, pool_map
from desk.records import tables
from desk.records.columns import now
from desk.records.errors import PhotoAltered, PhotoMissing
from desk.records.photo_store import PhotoStore
from desk.shop.desk import Desk
from desk.shop.review_entries import AFTER_REPAIR
from models.damage.files import write_file
from vision.findings import PhotoFindings
from vision.reading import PhotoError, read_photo

_VERSION = "light-1"
_SIDE_PX = 400
LEAST_LEARNT = 20
"""Fewer photographs of this desk that the model learnt from say too little of what is usual."""


def seen(
    session: Session,
    store: PhotoStore,
    folder: Path,
    workers: int = 1,
    on_progress: Progress | None = None,
    only_kept: bool = False,
) -> dict[str, Summary]:
    """Every assessed photograph by its hash. Light is measured once a photograph and kept in ``folder``.

    ``only_kept`` : photographs whose light was not measured yet are summed up without it, for a page that must answer.
    """
    photograph, assessment = tables.Photograph, tables.Assessment
    newest = select(func.max(assessment.id)).group_by(assessment.photograph_id)
    rows = session.execute(
        select(photograph.sha256, photograph.suffix, photograph.made_at, photograph.assembly_id, assessment.findings)
        .join(assessment, assessment.photograph_id == photograph.id)
        .where(assessment.id.in_(newest), photograph.face_now != AFTER_REPAIR, photograph.counts)
        .order_by(photograph.id)
    ).all()
    folder.mkdir(parents=True, exist_ok=True)
    if not only_kept:
        absent = [(sha, suffix) for sha, suffix, *_ in rows if not _path(folder, sha).exists()]
        work = partial(_measure, store=store, folder=folder)
        for _ in counted(pool_map(work, absent, workers), len(absent), "measuring light", on_progress):
            pass
    found = {}
    for sha, _suffix, made_at, assembly_id, findings in rows:
        day = made_at.date()
        values = values_of(PhotoFindings.model_validate(findings)) | _kept(folder, sha)
        found[sha] = Summary(day - timedelta(days=day.weekday()), values, findings.get("label"), str(assembly_id))
    return found


def values_of(findings: PhotoFindings) -> dict[str, float]:
    """Numbers that the findings tell; a number that could not be had is left out."""
    info, doubts = findings.photo, [1 - max(r.probabilities.values(), default=1.0) for r in findings.regions]
    values = {
        "megapixels": info.width_px * info.height_px / 1e6,
        "inspected share": findings.inspected_share,
        "places found": float(len(findings.regions)),
        "wires traced": float(len(findings.wires)),
        "faults of the photograph": float(len(findings.retake)),
    }
    if findings.scale.mm_per_px is not None:
        values["mm per px"] = findings.scale.mm_per_px
    if doubts:
        values["doubt about the label"] = float(np.mean(doubts))
    sizes = [r.length_mm.value for r in findings.regions if r.length_mm]
    if sizes:
        values["length of damage, mm"] = float(np.median(sizes))
    return values


def light_of(bgr: np.ndarray) -> dict[str, float]:
    """Brightness, contrast, colour cast, sharpness of an (H, W, 3) uint8 picture, at one size whatever its own."""
    factor = _SIDE_PX / max(bgr.shape[:2])
    small = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)
    edges = cv2.Laplacian(lab[..., 0], cv2.CV_32F)
    return {
        "brightness, L": float(np.median(lab[..., 0])),
        "contrast, L": float(lab[..., 0].std()),
        "cast red to green": float(np.median(lab[..., 1])),
        "cast yellow to blue": float(np.median(lab[..., 2])),
        "sharpness": float(np.log1p(edges.var())),
    }


def _measure(photo: tuple[str, str], store: PhotoStore, folder: Path) -> None:
    sha, suffix = photo
    try:
        light = light_of(read_photo(store.checked(sha, suffix)).bgr)
    except (PhotoMissing, PhotoAltered, PhotoError):
        return  # said where photographs are checked; here it only lacks in a median
    write_file(_path(folder, sha), json.dumps(light).encode())


def _path(folder: Path, sha: str) -> Path:
    return folder / f"{_VERSION}-{sha}.json"


def _kept(folder: Path, sha: str) -> dict[str, float]:
    try:
        return json.loads(_path(folder, sha).read_text("utf-8"))
    except (OSError, ValueError):
        return {}


def learnt_photographs(shelf: Shelf, card: dict[str, Any]) -> list[str]:
    """Hashes of the photographs that a model learnt from; none where it did not learn from this desk's."""
    learnt = set(card.get("learnt_assemblies", []))
    snapshot = snapshot_named(shelf, card.get("snapshot"))
    return [photo.sha256 for photo in snapshot.photos if photo.assembly in learnt] if snapshot else []


@dataclass(frozen=True)
class Drifted:
    """Weeks, newest first, held against `usual`, which are in words the `baseline`; what moved, over the weeks;
    `photos`: all that were held against it."""

    weeks: list[Week]
    baseline: str
    tracks: list[Track]
    usual: list[Summary]
    photos: list[Summary]


def drifted(shelf: Shelf, found: dict[str, Summary]) -> Drifted:
    """Every week of what the desk saw against what the model in use learnt from."""
    hashes, words = baseline_of(found, learnt_photographs(shelf, card_of(shelf, in_use(shelf).version)))
    usual = [one for sha, one in found.items() if sha in hashes]
    photos = [one for sha, one in found.items() if sha not in hashes]
    weeks = weeks_against(usual, photos)
    return Drifted(weeks, words, tracks(weeks, usual, photos), usual, photos)


def baseline_of(seen_by_hash: dict[str, Summary], learnt: Sequence[str]) -> tuple[frozenset[str], str]:
    """Hashes of what to hold the weeks against, and what that is in words: the photographs that the model in use learnt
    from, or, where it learnt from too few of this desk's (the shipped one: none), the first 60 that the desk saw."""
    mine = frozenset(learnt) & seen_by_hash.keys()
    if len(mine) >= LEAST_LEARNT:
        return frozenset(mine), f"the {len(mine)} photographs that the model in use learnt from"
    first = sorted(seen_by_hash, key=lambda sha: seen_by_hash[sha].week)[:60]
    words = "first photograph" if len(first) == 1 else f"first {len(first)} photographs"
    too_few = f"the model in use learnt from fewer than {LEAST_LEARNT} of them"
    return frozenset(first), f"the {words} of this desk ({too_few})"


def look_at_drift(
    session: Session, desk: Desk, workers: int = 1, on_progress: Progress | None = None
) -> Drifted | None:
    """Every week against what the model in use learnt from, with the light measured where it was not yet; the warning
    is kept. None where no photograph has been assessed."""
    shelf = Shelf(desk.data)
    found = seen(session, desk.store, shelf.lessons / "light", workers, on_progress)
    if not found:
        return None
    done = drifted(shelf, found)
    keep_warning(shelf, done.weeks)
    return done


class DriftWarning(LearningValue):
    """What moved in the newest week that told anything, as it was last worked out, and the day of that."""

    week: str
    names: list[str]
    looked: str = ""


def keep_warning(shelf: Shelf, weeks: Sequence[Week]) -> None:
    """Remember what the newest telling week says, for pages that must not work it out anew."""
    told = next((week for week in weeks if week.told), None)
    names = [] if told is None else [m.name for m in told.moved] or (["the mix of labels"] if told.warns else [])
    kept = DriftWarning(week=told.week.isoformat() if told else "", names=names, looked=now().date().isoformat())
    (shelf.data / "learning").mkdir(parents=True, exist_ok=True)
    write_file(_warning(shelf), kept.model_dump_json().encode())


def kept_warning(shelf: Shelf) -> DriftWarning | None:
    """The warning last worked out; None where nothing moved or nobody looked yet."""
    found = _last_look(shelf)
    return found if found is not None and found.names else None


def looked_today(shelf: Shelf) -> bool:
    """Whether drift was worked out today."""
    found = _last_look(shelf)
    return found is not None and found.looked == now().date().isoformat()


def _last_look(shelf: Shelf) -> DriftWarning | None:
    try:
        return DriftWarning.model_validate_json(_warning(shelf).read_bytes())
    except (OSError, ValidationError):
        return None


def _warning(shelf: Shelf) -> Path:
    return shelf.data / "learning" / "drift.json"

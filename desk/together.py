"""Joins the photographs of one assembly between which it lay still: one frame, distances across, damage seen twice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from desk.across import with_distances_across
from desk.same_lay import Drawn, NotStill, Still, drawn, same_lay
from vision.canvas import Canvas
from vision.findings import Lay, Missing, PhotoFindings, Region, RegionRef, Sheet
from vision.mat import MatView
from vision.sheets import NoPlace, Place, SeenSheets, join

_SAME_REGION = 0.5
_EDGE_MM = 3
"""Outlines of one damage in two photographs are widened by this much before they are laid upon each other."""


def sheets_seen(seen: SeenSheets, canvas: Canvas) -> tuple[list[Sheet], list[Missing]]:
    """The sheets in a photograph as findings, the one of its millimetres first; and why others have no place."""
    height, width = canvas.ground.shape
    corners = canvas.to_mm(np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]]))
    sheets = [_sheet(layout.name, place) for layout, place in seen.sheets]
    x, y, height_mm = (round(float(v), 1) for v in seen.view.camera_mm)
    first = {"looked_at_mm": _looked_at(seen.view, corners), "camera_mm": (x, y, height_mm)}
    sheets[0] = sheets[0].model_copy(update=first)
    return sheets, [Missing(field=f"sheets[{name}]", reason=reason) for name, reason in seen.missed.items()]


def _sheet(name: str, place: Place) -> Sheet:
    return Sheet(
        mat=name, x_mm=round(place.x_mm, 3), y_mm=round(place.y_mm, 3), turn_rad=round(place.turn, 6),
        covariance=[[float(v) for v in row] for row in place.covariance],
    )  # fmt: skip


def _looked_at(view: MatView, corners_mm: np.ndarray) -> list[tuple[float, float]]:
    """Corners of the part of the canvas that the picture shows."""
    x, y = view.pose.frame.centre_px
    rim = view.to_mm(np.array([[0, 0], [2 * x, 0], [2 * x, 2 * y], [0, 2 * y]]))
    hull = cv2.convexHull(rim.astype(np.float32))
    area, both = cv2.intersectConvexConvex(corners_mm.astype(np.float32), hull)
    ring = both.reshape(-1, 2) if area > 0 else corners_mm
    return [(round(float(px), 1), round(float(py), 1)) for px, py in ring]


def together(photos: Sequence[PhotoFindings]) -> list[PhotoFindings]:
    """The photographs of one assembly with what they tell together: `lay`, distances across, `seen_also`.

    One that could be joined with none carries the reason in `missing`; everything else stays as it was.
    """
    once = {photo.photo.sha256: photo for photo in photos}
    if len(once) < 2:
        return list(photos)
    names = list(once)
    done = dict(once)
    reasons: dict[str, list[str]] = {name: [] for name in names}
    number = 0
    for places in _tables(list(once.values()), reasons):
        for group in _still_groups([once[name] for name in places], places, reasons):
            number += 1
            for photo in _joined(group, places, number):
                done[photo.photo.sha256] = photo
    for name in names:
        if done[name].lay is None:
            why = "; ".join(dict.fromkeys(reasons[name])) or "no other photograph shows the same sheet"
            missing = [*done[name].missing, Missing(field="lay", reason=why)]
            done[name] = done[name].model_copy(update={"missing": missing})
    return [done[photo.photo.sha256] for photo in photos]


def _place_of(sheet: Sheet) -> Place:
    """Where a sheet lies in its photograph's frame."""
    return Place(sheet.x_mm, sheet.y_mm, sheet.turn_rad, np.array(sheet.covariance, float))


def _tables(photos: Sequence[PhotoFindings], reasons: Mapping[str, list[str]]) -> Iterable[dict[str, Place]]:
    """Photographs (sha256) with the places of their mats, for every frame that holds two or more."""
    left = [photo for photo in photos if photo.sheets]
    for photo in photos:
        if not photo.sheets:
            reasons[photo.photo.sha256].append("no mat in the photograph says where the assembly lies")
    while left:
        table = join({s.mat: _place_of(s) for s in photo.sheets} for photo in left)
        places, rest = {}, []
        for photo in left:
            place = table.named(photo.sheets[0].mat)
            if isinstance(place, NoPlace):
                rest.append(photo)
                reasons[photo.photo.sha256].append(place.reason)
            else:
                places[photo.photo.sha256] = place
        if len(places) > 1:
            yield places
        left = rest if places else []


@dataclass(frozen=True)
class _Group:
    """Photographs between which the assembly lay still. faces : of each, photographs of one number show one face."""

    photos: list[PhotoFindings]
    faces: list[int]
    apart_mm: float


def _still_groups(
    photos: Sequence[PhotoFindings], places: Mapping[str, Place], reasons: Mapping[str, list[str]]
) -> list[_Group]:
    """Groups of photographs, the pairs that lie upon each other best joined first.

    Two photographs that show only that the assembly was moved between them are never in one group, though a third
    goes with either: over that one alone nobody can tell which of them it lay still with.
    """
    seen = [drawn(photo, places[photo.photo.sha256]) for photo in photos]
    still: dict[tuple[int, int], Still] = {}
    moved: set[tuple[int, int]] = set()
    for i, j in combinations(range(len(photos)), 2):
        answer = _compared(seen[i], seen[j])
        if isinstance(answer, Still):
            still[i, j] = answer
            continue
        if answer.moved:
            moved.add((i, j))
        for one, other in ((i, j), (j, i)):
            reasons[photos[one].photo.sha256].append(f"{photos[other].photo.name}: {answer.reason}")
    group, used = list(range(len(photos))), []
    for i, j in sorted(still, key=lambda pair: still[pair].apart_mm):
        both = [[k for k, g in enumerate(group) if g == group[n]] for n in (i, j)]
        odds = [(a, b) for a in both[0] for b in both[1] if (min(a, b), max(a, b)) in moved]
        if odds:
            _note_odds(photos, (i, j), odds[0], reasons)
            continue
        used.append((i, j))
        group = [group[i] if g == group[j] else g for g in group]
    return _members(photos, group, {pair: still[pair] for pair in used})


def _note_odds(
    photos: Sequence[PhotoFindings], pair: tuple[int, int], odds: tuple[int, int], reasons: Mapping[str, list[str]]
) -> None:
    """Why two photographs that lie upon each other were left apart all the same."""
    names = [photos[k].photo.name for k in odds]
    for one, other in (pair, pair[::-1]):
        reasons[photos[one].photo.sha256].append(
            f"{photos[other].photo.name}: it lies as in this one, but the assembly was moved between {names[0]} and "
            f"{names[1]}, which are joined with them"
        )


def _members(
    photos: Sequence[PhotoFindings], group: Sequence[int], still: Mapping[tuple[int, int], Still]
) -> list[_Group]:
    """Groups of two or more, with their faces and how far their traces lie apart."""
    face = list(range(len(photos)))
    for (i, j), answer in still.items():
        if answer.same_face:
            face = [face[i] if f == face[j] else f for f in face]
    found = []
    for k in dict.fromkeys(group):
        members = [i for i, g in enumerate(group) if g == k]
        if len(members) > 1:
            widest = max(answer.apart_mm for (i, _), answer in still.items() if i in members)
            found.append(_Group([photos[i] for i in members], [face[i] for i in members], widest))
    return found


def _compared(a: Drawn | None, b: Drawn | None) -> Still | NotStill:
    if a is None or b is None:
        return NotStill("no wire was traced in one of the two")
    return same_lay(a, b)


def _joined(group: _Group, places: Mapping[str, Place], number: int) -> list[PhotoFindings]:
    laid = [
        photo.model_copy(update={"lay": _lay(photo, places[photo.photo.sha256], number, face, group.apart_mm)})
        for photo, face in zip(group.photos, group.faces, strict=True)
    ]
    return _with_twice_seen(with_distances_across(laid, places, group.apart_mm), places)


def _lay(photo: PhotoFindings, place: Place, number: int, face: int, apart_mm: float) -> Lay:
    return Lay(
        frame=number, face=face + 1, mat=photo.sheets[0].mat, x_mm=round(place.x_mm, 3), y_mm=round(place.y_mm, 3),
        turn_rad=round(place.turn, 6), covariance=[[float(v) for v in row] for row in place.covariance],
        apart_mm=round(apart_mm, 2),
    )  # fmt: skip


def _with_twice_seen(photos: Sequence[PhotoFindings], places: Mapping[str, Place]) -> list[PhotoFindings]:
    """Regions of photographs of one face that lie upon each other and may carry one label know of each other."""
    also: dict[tuple[int, str], list[RegionRef]] = {}
    for (i, a), (j, b) in combinations(enumerate(photos), 2):
        if a.lay is None or b.lay is None or a.lay.face != b.lay.face:
            continue
        for one in a.regions:
            for other in b.regions:
                if _may_be_one(one, other) and _overlap(one, places[a.photo.sha256], other, places[b.photo.sha256]):
                    also.setdefault((i, one.id), []).append(RegionRef(photo=b.photo.sha256, id=other.id))
                    also.setdefault((j, other.id), []).append(RegionRef(photo=a.photo.sha256, id=one.id))
    return [
        photo.model_copy(
            update={"regions": [r.model_copy(update={"seen_also": also.get((i, r.id), [])}) for r in photo.regions]}
        )
        for i, photo in enumerate(photos)
    ]


def _may_be_one(one: Region, other: Region) -> bool:
    names = [{r.label, *(r.candidates if r.unsure else [])} - {None} for r in (one, other)]
    return bool(names[0] & names[1])


def _overlap(one: Region, at_one: Place, other: Region, at_other: Place) -> bool:
    """Whether two outlines in mm, each widened, share half of the smaller one; drawn at 1 mm."""
    rings = [[at.apply(np.array(ring)) for ring in r.rings_mm or []] for r, at in ((one, at_one), (other, at_other))]
    if not all(rings):
        return False
    points = np.concatenate([ring for both in rings for ring in both])
    low = points.min(axis=0) - 2 * _EDGE_MM
    width, height = (int(n) for n in np.ceil(points.max(axis=0) - low) + 2 * _EDGE_MM)
    masks = []
    for outline in rings:
        mask = np.zeros((height, width), np.uint8)
        cv2.fillPoly(mask, [np.rint(ring - low).astype(np.int32) for ring in outline], 1)
        masks.append(cv2.dilate(mask, np.ones((2 * _EDGE_MM + 1,) * 2, np.uint8)) > 0)
    both = float((masks[0] & masks[1]).sum())
    return both >= _SAME_REGION * min(float(m.sum()) for m in masks)

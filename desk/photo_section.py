"""A printed sheet's section of photographs: each one whole, and its places seen near."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from desk.by_hand import counted_in_all, labels_left, ruled_distances, view_of
from desk.order_answers import Answered
from desk.order_asked import asked_ends
from desk.order_photos import Picture, pixels_of, region_picture, whole_picture
from desk.sheet import Sheet
from desk.signed_sheet import Part
from desk.wording import AT_BENCH, limits_of, say_answer, say_counted, say_label, say_measured, say_region
from models.repair.spots import is_own, possible_labels
from models.repair.verdicts import count_too_wide
from vision.findings import Decision, PhotoFindings, Question, Region

_CLOSE_UPS = 4


@dataclass(frozen=True)
class _Captioned:
    """A picture, what stands beneath it, and how high it may be."""

    picture: Picture
    caption: str
    most_high_mm: float


def photo_section(
    photos: Sequence[PhotoFindings], files: Mapping[str, Path], asked: Sequence[Question], decision: Decision,
    answers: Sequence[Answered],
) -> Part:  # fmt: skip
    """What draws every photograph with its places. files : the photographs found, by hash; decision : whose limits say
    what is measured well enough; answers : the bench's, whose measures stand in the place of the photographs'.

    The photographs are read once, here: the section itself is drawn as often as a sheet is tried out.
    """
    shown = [(photo, _pictures(photo, photos, files, asked, decision, answers)) for photo in photos]
    return partial(_draw, shown=shown)


def _pictures(
    photo: PhotoFindings, photos: Sequence[PhotoFindings], files: Mapping[str, Path], asked: Sequence[Question],
    decision: Decision, answers: Sequence[Answered],
) -> list[_Captioned]:  # fmt: skip
    """The photograph whole, then its first places near; nothing where it was not found or can no longer be read."""
    path = files.get(photo.photo.sha256)
    bgr = pixels_of(path) if path is not None else None
    if bgr is None:
        return []
    named = [*(question.ask for question in asked), *(step.on for step in decision.actions)]
    ends, ruled = asked_ends(photo, photos, named), ruled_distances(photo, answers)
    found = [_Captioned(whole_picture(bgr, photo, ends, decision, ruled), _beneath(photo, ends), 86)]
    for region in photo.regions[:_CLOSE_UPS]:
        said, view = _said(photo, region, answers), view_of(photo, region, answers)
        near = region_picture(bgr, photo, region, decision, said if view is None else f"is {view}")
        if near is not None:
            ref = f"{photo.photo.name}:{region.id}" if len(photos) > 1 else region.id
            name = f"{ref} {said or say_region(region)}"
            words = _about(region, name, decision, ruled.get(region.id), counted_in_all(answers))
            found.append(_Captioned(near, words if view is None else f"{ref} is {view}, {AT_BENCH}", 55))
    return found


def _draw(sheet: Sheet, shown: Sequence[tuple[PhotoFindings, Sequence[_Captioned]]]) -> None:
    sheet.section("Photographs", needs_mm=100)
    own = f'Labels and measures not marked "{AT_BENCH}" are the photographs\''
    sheet.para(f"{own} or, where a review named or drew a place anew, the reviewer's.", size=8)
    for photo, pictures in shown:
        name = photo.photo.name
        if not pictures:
            why = f"PHOTOGRAPH NOT FOUND: {name} (SHA-256 {photo.photo.sha256[:16]}...). It is not shown on this order."
            sheet.para(why, bold=True)
            continue
        for one in pictures:
            sheet.picture(one.picture, one.caption, one.most_high_mm)
        if len(photo.regions) > _CLOSE_UPS:
            sheet.para(f"Further regions of {name} in the JSON of this order: {len(photo.regions) - _CLOSE_UPS}.")


def _beneath(photo: PhotoFindings, ends: Mapping[str, object]) -> str:
    """What a whole photograph shows. ends : by name, what is outlined because a question or a step names it"""
    scale = "" if photo.scale.mm_per_px else "; no scale: lengths are not measured"
    thin = f"; thin outline: {', '.join(ends)}, named below" if ends else ""
    return f"{photo.photo.name}, {_shown(photo)}{scale}{thin}"


def _shown(photo: PhotoFindings) -> str:
    """The photograph's label; the labels it cannot tell apart where it is unsure."""
    plain = photo.label is not None and not photo.unsure
    return say_label(photo.label) if plain else say_answer(photo)


def _said(photo: PhotoFindings, region: Region, answers: Sequence[Answered]) -> str | None:
    """The label that was answered, where the photograph does not say the same for sure.

    A label of the shop's own keeps its name, whatever rules the answer treats it by.
    """
    left = labels_left(photo, region, answers)
    return None if is_own(region) or left == possible_labels(region) else f"{say_label(left[0])}, {AT_BENCH}"


def _about(region: Region, name: str, decision: Decision, ruled: str | None, counted: str | None) -> str:
    """A region's measures in words. name : as the rules give it, with its label.

    ruled, counted : its distance to the termination and the wires in the whole assembly, where the bench answered
    """
    if region.label == "connector":
        return f"{name}: extent {say_measured(region.length_mm, decision)}"
    far = ruled or say_measured(region.to_termination_mm, decision, "termination-distance")
    wires = say_counted(region.wires_affected, decision)
    if counted is not None and count_too_wide(region.wires_affected, limits_of(decision, "wire-count")):
        wires = f"{counted} in the assembly, {AT_BENCH}"
    length = say_measured(region.length_mm, decision)
    return f"{name}: along the wire {length}; from the nearest termination {far}; wires {wires}"

"""Applies one edit to the findings of one photograph; the photograph's findings are replaced, never changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from desk.review import outline
from desk.review.edits import (
    Add,
    Confirm,
    CountWires,
    Delete,
    EditError,
    Redraw,
    Reference,
    Relabel,
    Split,
    Typed,
)
from desk.review.plane import Plane, plane_of
from desk.review.remeasure import remeasured
from models.repair import Rules, photo_label
from vision.findings import (
    RULER,
    Count,
    Measure,
    Missing,
    PhotoFindings,
    Region,
    Ring,
    Scale,
    Splice,
    UncertaintyShare,
    Wire,
)
from vision.known_length import KnownLengthError, scale_of_known_length

PhotoEdit = Confirm | Relabel | Redraw | Add | Split | Delete | Typed | CountWires | Reference
_LEAST_AREA_PX = 4.0
_KEPT = ("length_mm", "area_mm2", "to_termination_mm", "wires_affected", "exposed_copper_mm", "evidence")
"""What a scale given afterwards leaves as it is, where it is known already (typed by somebody, or counted)."""


def applied(photo: PhotoFindings, edit: PhotoEdit, rules: Rules) -> PhotoFindings:
    """The findings with the edit made; EditError where it does not fit them."""
    step: Callable[[PhotoFindings, Any, Rules], PhotoFindings] = _STEPS[edit.kind]
    return step(photo, edit, rules)


def _confirm(photo: PhotoFindings, edit: Confirm, rules: Rules) -> PhotoFindings:
    if edit.region is not None:
        region = region_of(photo, edit.region)
        if region.label is None or region.unsure or region.novel:
            raise EditError(f"{edit.region}: expected a region whose label is sure, got an unsure one: name its label")
    return photo


def _relabel(photo: PhotoFindings, edit: Relabel, rules: Rules) -> PhotoFindings:
    before = region_of(photo, edit.region)
    named = before.model_copy(update={"label": edit.label, "unsure": False, "candidates": [], "novel": False})
    reasons: dict[str, str] = {}
    if edit.label != before.label and "connector" in (edit.label, before.label) and edit.label != "sound":
        taken = remeasured(photo, named, None, plane_of(photo))
        named, reasons = taken.region, taken.reasons
    photo = _with_region(photo, named, reasons)
    if edit.label != "connector":
        photo = _shells(photo, before, whole=edit.label == "sound")
    if edit.label != "earlier_repair":
        photo = _without_splices(photo, before.rings_px)
    return _labelled(photo, rules)


def _redraw(photo: PhotoFindings, edit: Redraw, rules: Rules) -> PhotoFindings:
    before = region_of(photo, edit.region)
    rings = _checked(photo, edit.rings_px)
    drawn = before.model_copy(update={"rings_px": rings})
    taken = remeasured(photo, drawn, before, plane_of(photo))
    photo = _with_region(photo, taken.region, taken.reasons)
    return _labelled(_splices_follow(photo, before, taken.region), rules)


def _add(photo: PhotoFindings, edit: Add, rules: Rules) -> PhotoFindings:
    _free(photo, edit.region)
    if edit.label == "sound":
        raise EditError("expected a damage label for an added region, got sound: delete or relabel a region instead")
    drawn = Region(
        id=edit.region, label=edit.label, probabilities={}, unsure=False, candidates=[], novel=False,
        rings_px=_checked(photo, edit.rings_px), rings_mm=None, length_mm=None, area_mm2=None, wires_affected=None,
        exposed_copper_mm=None, to_termination_mm=None, continues_under_covering=False, evidence=[],
    )  # fmt: skip
    taken = remeasured(photo, drawn, None, plane_of(photo))
    return _labelled(_with_region(photo, taken.region, taken.reasons), rules)


def _split(photo: PhotoFindings, edit: Split, rules: Rules) -> PhotoFindings:
    before = region_of(photo, edit.region)
    _free(photo, edit.into)
    if edit.line_px[0] == edit.line_px[1]:
        raise EditError("expected two different points to cut through, got one twice")
    cut = [outline.cut(ring, *edit.line_px) for ring in before.rings_px]
    left, right = ([parts[side] for parts in cut if parts[side]] for side in (0, 1))
    if not left or not right:
        raise EditError(f"{edit.region}: expected a line that cuts the region in two, got one that passes beside it")
    plane = plane_of(photo)
    for id, rings in ((edit.region, left), (edit.into, right)):
        taken = remeasured(photo, before.model_copy(update={"id": id, "rings_px": rings}), before, plane)
        photo = _with_region(photo, taken.region, taken.reasons)
        photo = _splices_follow(photo, before, taken.region)
    return _labelled(photo, rules)


def _delete(photo: PhotoFindings, edit: Delete, rules: Rules) -> PhotoFindings:
    before = region_of(photo, edit.region)
    prefix = f"regions[{edit.region}]"
    photo = photo.model_copy(
        update={
            "regions": [region for region in photo.regions if region.id != edit.region],
            "missing": [missing for missing in photo.missing if not missing.field.startswith(prefix)],
        }
    )
    photo = _shells(photo, before, whole=False)
    return _labelled(_without_splices(photo, before.rings_px), rules)


def _typed(photo: PhotoFindings, edit: Typed, rules: Rules) -> PhotoFindings:
    u95 = rules.termination_distance.ruler_u95_mm if edit.u95 is None else edit.u95
    value = Measure(value=edit.value, u95=u95, sources=[UncertaintyShare(name=RULER, u95=u95)])
    measured: dict[str, object] = {edit.field: value}
    if edit.field == "to_termination_mm":
        measured["to_termination_id"] = None
    region = region_of(photo, edit.region).model_copy(update=measured)
    photo = _with_region(photo, region, {}, (edit.field,))
    if edit.field != "to_termination_mm":
        return photo
    mine = [s.id for s in photo.splices if outline.meets(s.rings_px, region.rings_px)]
    moved = [s.model_copy(update=measured) if mine == [s.id] else s for s in photo.splices]
    return photo.model_copy(update={"splices": moved})


def _count_wires(photo: PhotoFindings, edit: CountWires, rules: Rules) -> PhotoFindings:
    region = region_of(photo, edit.region)
    ids = region.wires_affected.wire_ids if region.wires_affected else []
    counted = Count(value=edit.wires, low=edit.wires, high=edit.wires, wire_ids=ids)
    return _with_region(photo, region.model_copy(update={"wires_affected": counted}), {}, ("wires_affected",))


def _reference(photo: PhotoFindings, edit: Reference, rules: Rules) -> PhotoFindings:
    if photo.scale.source in ("mat", "card"):
        raise EditError(
            f"{photo.photo.name}: expected a photograph without a mat for a reference length, "
            f"got one with a {photo.scale.source}: its scale is better"
        )
    try:
        found = scale_of_known_length(edit.from_px, edit.to_px, edit.length_mm, rules.termination_distance.ruler_u95_mm)
    except KnownLengthError as error:
        raise EditError(str(error)) from error
    scale = Scale(source="stated", mm_per_px=found.value, u95_rel=found.u95 / found.value)
    photo = photo.model_copy(update={"scale": scale})
    plane = plane_of(photo)
    assert plane is not None
    photo = photo.model_copy(
        update={
            "wires": [_laid_out(wire, plane) for wire in photo.wires],
            "missing": [m for m in photo.missing if m.field != "scale.mm_per_px"],
        }
    )
    for region in photo.regions:
        taken = remeasured(photo, region, None, plane)
        kept = {name: value for name in _KEPT if (value := getattr(region, name)) is not None}
        if "to_termination_mm" in kept:
            kept["to_termination_id"] = region.to_termination_id
        photo = _with_region(photo, taken.region.model_copy(update=kept), taken.reasons)
        photo = _splices_follow(photo, region, taken.region)
    return _labelled(photo, rules)


def _laid_out(wire: Wire, plane: Plane) -> Wire:
    """The wire with its centre line in mm."""
    points = plane.to_mm(outline.as_array(wire.centreline_px)).round(2).tolist()
    return wire.model_copy(update={"centreline_mm": [(x, y) for x, y in points]})


_STEPS: dict[str, Any] = {
    "confirm": _confirm,
    "relabel": _relabel,
    "redraw": _redraw,
    "add": _add,
    "split": _split,
    "delete": _delete,
    "typed": _typed,
    "count_wires": _count_wires,
    "reference": _reference,
}


def region_of(photo: PhotoFindings, region_id: str) -> Region:
    """The region of that name; EditError where there is none."""
    for region in photo.regions:
        if region.id == region_id:
            return region
    known = ", ".join(region.id for region in photo.regions) or "none"
    raise EditError(f"{photo.photo.name}: expected one of its regions ({known}), got {region_id!r}: reload the page")


def _free(photo: PhotoFindings, name: str) -> None:
    if name in names_in(photo):
        raise EditError(f"{photo.photo.name}: expected a new name for the region, got {name!r}, which is taken")


def names_in(photo: PhotoFindings) -> set[str]:
    """Every name that a region, joint, housing or termination of the photograph has."""
    regions, splices = {r.id for r in photo.regions}, {s.id for s in photo.splices}
    return regions | splices | {h.id for h in photo.housings} | {t.id for t in photo.terminations}


def _checked(photo: PhotoFindings, rings: Sequence[Sequence[tuple[float, float]]]) -> list[Ring]:
    """The outline inside the photograph; EditError where it encloses nothing or crosses itself."""
    wide, high = photo.photo.width_px - 1.0, photo.photo.height_px - 1.0
    kept: list[Ring] = []
    for ring in rings:
        inside = [(round(min(max(x, 0.0), wide), 1), round(min(max(y, 0.0), high), 1)) for x, y in ring]
        if outline.area(inside) < _LEAST_AREA_PX:
            raise EditError("expected an outline that encloses a place, got one without area: draw it larger")
        if outline.crosses_itself(inside):
            raise EditError("expected an outline that does not cross itself, got one that does: move the corner back")
        kept.append(inside)
    return kept


def _with_region(
    photo: PhotoFindings, region: Region, reasons: dict[str, str], known: Iterable[str] = ()
) -> PhotoFindings:
    """The region in place of the one of its name (or added), its absent measures with their reasons."""
    here = f"regions[{region.id}]."
    settled = {here + name for name in (*known, *reasons)} | {
        here + name for name, value in region if value is not None
    }
    missing = [item for item in photo.missing if item.field not in settled]
    missing += [
        Missing(field=here + name, reason=reason) for name, reason in reasons.items() if getattr(region, name) is None
    ]
    regions = [region if old.id == region.id else old for old in photo.regions]
    if region.id not in {old.id for old in photo.regions}:
        regions.append(region)
    return photo.model_copy(update={"regions": regions, "missing": missing})


def _labelled(photo: PhotoFindings, rules: Rules) -> PhotoFindings:
    """The photograph's own labels after its regions changed; without any region it is never called sound by that."""
    damaged = [r for r in photo.regions if r.label not in (None, "sound") or r.novel]
    if not damaged:
        return photo.model_copy(update={"label": None, "labels": [], "unsure": False, "candidates": [], "novel": False})
    label = photo_label(photo, rules)
    lead = next((r for r in damaged if r.label == label and not r.novel), damaged[0])
    labels = list(dict.fromkeys(r.label for r in damaged if r.label is not None and not r.novel))
    said = {
        "probabilities": lead.probabilities,
        "unsure": lead.unsure,
        "candidates": lead.candidates,
        "novel": lead.novel,
    }
    return photo.model_copy(update={"label": label, "labels": labels, **said})


def _shells(photo: PhotoFindings, region: Region, whole: bool) -> PhotoFindings:
    """A housing whose damage was this region: whole when the reviewer says so, otherwise not known and asked."""
    if region.label != "connector":
        return photo
    changed, reasons = [], []
    for shell in photo.housings:
        if shell.cracked is not True or not outline.meets(shell.rings_px, region.rings_px):
            changed.append(shell)
            continue
        update = {"cracked": False if whole else None, "crack_length_mm": None, "missing_area_mm2": None}
        changed.append(shell.model_copy(update=update))
        why = "the reviewer found it sound" if whole else "the reviewer took the damage away; look at the shell"
        reasons += [
            Missing(field=f"housings[{shell.id}].{name}", reason=why) for name in update if update[name] is None
        ]
    fields = {item.field for item in reasons}
    missing = [item for item in photo.missing if item.field not in fields] + reasons
    return photo.model_copy(update={"housings": changed, "missing": missing})


def _without_splices(photo: PhotoFindings, rings: Sequence[Ring]) -> PhotoFindings:
    kept = [splice for splice in photo.splices if not outline.meets(splice.rings_px, rings)]
    return photo.model_copy(update={"splices": kept})


def _splices_follow(photo: PhotoFindings, before: Region, region: Region) -> PhotoFindings:
    """Joints of an earlier repair whose outline changed: the only one takes it, several lose what was measured."""
    if region.label != "earlier_repair":
        return photo
    under = [s for s in photo.splices if outline.meets(s.rings_px, [*before.rings_px, *region.rings_px])]
    kept = [s for s in under if outline.meets(s.rings_px, region.rings_px)]
    others_hold = [s for s in under if s not in kept and _held(photo, s)]
    if len(under) == 1 and not others_hold:
        kept = under
    if len(kept) == 1:
        x, y = outline.middle(region.rings_px)
        plane = plane_of(photo)
        in_mm = tuple(plane.to_mm(np.array([[x, y]]))[0].round(2).tolist()) if plane else None
        moved: dict[str, object] = {"rings_px": region.rings_px, "position_px": (x, y), "position_mm": in_mm}
        moved |= {"to_termination_mm": region.to_termination_mm, "to_termination_id": region.to_termination_id}
        kept = [kept[0].model_copy(update=moved)]
    else:
        kept = [s.model_copy(update={"to_termination_mm": None, "to_termination_id": None}) for s in kept]
    by_id: dict[str, Splice] = {s.id: s for s in (*kept, *others_hold)}
    gone = {s.id for s in under} - set(by_id)
    splices = [by_id.get(s.id, s) for s in photo.splices if s.id not in gone]
    missing = [m for m in photo.missing if not any(m.field == f"splices[{s.id}].to_termination_mm" for s in kept)]
    why = "the outline was drawn anew: measure it with a ruler"
    missing += [
        Missing(field=f"splices[{s.id}].to_termination_mm", reason=why) for s in kept if s.to_termination_mm is None
    ]
    return photo.model_copy(update={"splices": splices, "missing": missing})


def _held(photo: PhotoFindings, splice: Splice) -> bool:
    """Whether another earlier-repair region still covers the joint."""
    return any(r.label == "earlier_repair" and outline.meets(r.rings_px, splice.rings_px) for r in photo.regions)

"""Takes out what somebody found to be no housing: no wire ends there, and no distance that may go there is known."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from vision.findings import RULER, Housing, Missing, PhotoFindings, Region, Splice, Termination, Wire

NOT_A_HOUSING = "not_a_housing"
"""The answer that a thing taken for a housing is none at all: a note, a tool, a box on the bench."""
_IS_NONE = "which is no housing: measure it with a ruler"


def without_false_housings(
    photos: Sequence[PhotoFindings], false: Mapping[int, Collection[str]]
) -> tuple[PhotoFindings, ...]:
    """The photographs as if those things had not been taken for terminations.

    false : ids of housings by the number of the photograph. They stay among `housings`, for answers go by their ids.
    Doing it twice changes nothing more.
    """
    if not any(false.values()):
        return tuple(photos)
    cleared = []
    for index, photo in enumerate(photos):
        here = false.get(index, ())
        ends = _ends_at(photo, here)
        others = [f"{photos[i].photo.name}:{id}" for i in false if _joined(photos, i, index) for id in sorted(false[i])]
        cleared.append(_cleared(photo, ends, [*sorted(here), *others]))
    return tuple(cleared)


def _joined(photos: Sequence[PhotoFindings], one: int, other: int) -> bool:
    """Whether ways may lead from one photograph into another."""
    a, b = photos[one].lay, photos[other].lay
    return one != other and a is not None and b is not None and a.frame == b.frame


def _ends_at(photo: PhotoFindings, false: Collection[str]) -> set[str]:
    """The terminations that these housings are: of the same id, in findings of other origin of the same place."""
    ids = {end.id for end in photo.terminations}
    unnamed = [shell for shell in photo.housings if shell.id in false and shell.id not in ids]
    return set(false) | {end.id for end in photo.terminations for shell in unnamed if _lies_in(end, shell)}


def _lies_in(end: Termination, shell: Housing) -> bool:
    """Whether a termination lies in the box about a housing's outline."""
    points = [point for ring in shell.rings_px for point in ring]
    if end.kind != "housing" or not points:
        return False
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    x, y = end.position_px
    return min(xs) <= x <= max(xs) and min(ys) <= y <= max(ys)


def _cleared(photo: PhotoFindings, ends: Collection[str], names: Sequence[str]) -> PhotoFindings:
    """names : of the false housings that a way from this photograph may have led to"""
    reasons: dict[str, str] = {}
    for kind, items in (("regions", photo.regions), ("splices", photo.splices)):
        for item in items:
            why = _why_lost(item, ends, names)
            if why:
                reasons[f"{kind}[{item.id}].to_termination_mm"] = why
    missing = [one for one in photo.missing if one.field not in reasons]
    missing += [Missing(field=field, reason=why) for field, why in reasons.items()]
    lost = {field.removesuffix(".to_termination_mm") for field in reasons}
    return photo.model_copy(
        update={
            "regions": [_told_anew(region, f"regions[{region.id}]" in lost) for region in photo.regions],
            "splices": [
                splice.model_copy(update=_NO_DISTANCE) if f"splices[{splice.id}]" in lost else splice
                for splice in photo.splices
            ],
            "wires": [_let_go(wire, ends) for wire in photo.wires],
            "terminations": [end for end in photo.terminations if end.id not in ends],
            "missing": missing,
        }
    )


_NO_DISTANCE: dict[str, object] = {"to_termination_mm": None, "to_termination_id": None}


def _why_lost(item: Region | Splice, ends: Collection[str], names: Sequence[str]) -> str:
    """Why a distance is no longer known; nothing where it is none, or went elsewhere, or a person read it off a ruler.

    Findings of earlier versions, and distances over several photographs, do not say where they went.
    """
    measure, end = item.to_termination_mm, item.to_termination_id
    if measure is None or not names:
        return ""
    if end is not None:
        return f"it was measured to {end}, {_IS_NONE}" if end in ends else ""
    ruled = any(source.name == RULER for source in measure.sources)
    return "" if ruled else f"it may have been measured to {' or '.join(names)}, {_IS_NONE}"


def _told_anew(region: Region, lost: bool) -> Region:
    """Without what was told of terminations: a bundle that ends at no housing may run on, in whichever photograph."""
    evidence = [one for one in region.evidence if one.feature != "open_ends" or one.value > 0]
    return region.model_copy(update={"evidence": evidence} | (_NO_DISTANCE if lost else {}))


def _let_go(wire: Wire, ends: Collection[str]) -> Wire:
    return wire.model_copy(update={"ends": [None if end in ends else end for end in wire.ends]})


def why_no_distance(photo: PhotoFindings, field: str) -> str:
    """Why a distance went with a false housing; empty where it did not."""
    return next((m.reason for m in photo.missing if m.field == field and m.reason.endswith(_IS_NONE)), "")

"""Gathers the corrected set from the records: what people said of each place of every signed-off assembly."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.errors import DeskError
from desk.learning.corrected import SOUND, Place, ReviewedPhoto, Snapshot, Verdict, snapshot_of
from desk.parallel import Progress, counted
from desk.records import tables
from desk.records.columns import now
from desk.review.edits import Add, Confirm, Delete, Entry, Redraw, Relabel, Split
from desk.review.history import in_force
from desk.review.places import present
from desk.review.reviewed import Reviewed, known_places, reviewed
from desk.shop.assemblies import assembly
from desk.shop.desk import Desk
from desk.shop.opinions import is_drawn
from desk.shop.review_entries import AFTER_REPAIR, SIGN_OFF, entries_of, second_opinions
from desk.shop.standing import findings_to_review, intake_answers, signed_off
from models.repair import Answers, Rules, decide
from models.repair.no_housing import NOT_A_HOUSING
from models.repair.words import several
from vision.cells import FEATURE_VERSION
from vision.findings import PhotoFindings, Region

_PLAIN = Answers(circuit_class="none")


def gather(session: Session, desk: Desk, on_progress: Progress | None = None) -> Snapshot:
    """The corrected set as the records stand, without photographs that were sent under several assemblies: nobody
    knows which one they show, and one would be learnt from while the other is held out."""
    photos: list[ReviewedPhoto] = []
    doubtful = set(sent_under_several(session))
    every = session.scalars(select(tables.Assembly.id).order_by(tables.Assembly.id)).all()
    found = (_of_assembly(session, desk, assembly_id) for assembly_id in every)
    for of_one in counted(found, len(every), "reading the reviews", on_progress):
        photos += [one for one in of_one if one.sha256 not in doubtful]
    return snapshot_of(photos, FEATURE_VERSION, now().isoformat())


def sent_under_several(session: Session) -> list[str]:
    """Hashes of photographs that lie under more than one assembly and were not taken back there."""
    sha, counts = tables.Photograph.sha256, tables.Photograph.counts
    query = select(sha).where(counts).group_by(sha).having(func.count() > 1).order_by(sha)
    return list(session.scalars(query))


def refuse_taken_back(session: Session, snapshot: Snapshot) -> None:
    """DeskError where a snapshot holds photographs that tell no damage of its assemblies any more: they were taken back
    since, or show the repair. None teaches or tests a model, though it may count for another assembly."""
    row, order = tables.Photograph, tables.Assembly.shop_order
    query = select(order, row.sha256).join(tables.Assembly, tables.Assembly.id == row.assembly_id)
    gone = {tuple(one) for one in session.execute(query.where(~row.counts | (row.face_now == AFTER_REPAIR)))}
    back = [photo for photo in snapshot.photos if (photo.assembly, photo.sha256) in gone]
    if back:
        of = ", ".join(sorted({photo.assembly for photo in back})[:3])
        raise DeskError(
            f"snapshot {snapshot.id}: expected photographs that count, got {several(len(back), 'photograph')} taken "
            f"back at intake since, or moved to `after the repair` (of {of}): keep a new snapshot"
        )


def _of_assembly(session: Session, desk: Desk, assembly_id: int) -> list[ReviewedPhoto]:
    assessed = findings_to_review(session, assembly_id)
    if not assessed.photos or not signed_off(session, assembly_id, assessed):
        return []
    entries = entries_of(session, assembly_id)
    review = reviewed(assessed.photos, entries, intake_answers(session, assembly_id, assessed.photos), desk.rules)
    if review.conflicts:
        return []
    row = tables.ReviewEntry
    last = session.scalars(
        select(row).where(row.assembly_id == assembly_id, row.kind == SIGN_OFF).order_by(row.id.desc()).limit(1)
    ).one()
    files = {
        one.sha256: one.suffix
        for one in session.scalars(select(tables.Photograph).where(tables.Photograph.assembly_id == assembly_id))
    }
    order = assembly(session, assembly_id).shop_order
    opinions = second_opinions(session, assembly_id)
    seconds = {place: (label, login) for _, login, labels in opinions for place, label in labels.items()}
    standing = in_force(entries)
    aside = {one.entry for one in review.set_aside if not one.in_part}
    return [
        _photo(before, after, review, [e for e in standing if e.id not in aside], seconds, desk.rules).model_copy(
            update={
                "assembly": order,
                "suffix": files[before.photo.sha256],
                "signed_off_at": last.made_at.isoformat(),
                "blind": is_drawn(order),
            }
        )
        for before, after in zip(review.originals, review.photos, strict=True)
        if before.usable
    ]


def _photo(
    before: PhotoFindings,
    after: PhotoFindings,
    review: Reviewed,
    entries: Sequence[Entry],
    seconds: dict[str, tuple[str, str]],
    rules: Rules,
) -> ReviewedPhoto:
    """The photograph with its places; what the records alone know is put in by the caller."""
    sha = before.photo.sha256
    decision = decide([after], _plain_for(after, review.answers), rules)
    places = places_of(before, after, frozenset(review.judged), entries)
    return ReviewedPhoto(
        assembly="?", sha256=sha, suffix=".jpg", name=before.photo.name, width_px=before.photo.width_px,
        height_px=before.photo.height_px, mm_per_px=after.scale.mm_per_px,
        has_mat=before.scale.source in ("mat", "card"), taken_at=before.photo.taken_at, signed_off_at="",
        model_version=before.model.version, blind=False, route=decision.route, route_worst=decision.route_worst,
        places=[_with_second(p, seconds.get(f"{sha}:{p.region}")) for p in places],
        assumed_mm_per_px=before.scale.assumed_mm_per_px,
    )  # fmt: skip


def _plain_for(photo: PhotoFindings, answers: Answers) -> Answers:
    """What is taken for answered wherever routes are compared; and what is no housing, which is no state of one."""
    here = known_places(present(answers, [photo]), [photo]).housing_state
    none = {id: state for id, state in here.items() if state == NOT_A_HOUSING}
    return _PLAIN.model_copy(update={"housing_state": none})


def _with_second(place: Place, said: tuple[str, str] | None) -> Place:
    """The place with the blind word on it and who said it."""
    return place if said is None else place.model_copy(update={"second": said[0], "second_by": said[1]})


def places_of(
    before: PhotoFindings, after: PhotoFindings, judged: Iterable[str], entries: Sequence[Entry]
) -> list[Place]:
    """Every place of one photograph: what was found and what became of it, and what was added.

    judged : `photo:region` of places whose label a person gave or confirmed; entries : those that count, in order
    """
    sha, named = before.photo.sha256, set(judged)
    mine = [entry for entry in entries if getattr(entry.edit, "photo", None) == sha]
    found = {region.id: region for region in before.regions}
    left = {region.id: region for region in after.regions}
    drawn = {e.edit.region for e in mine if isinstance(e.edit, Redraw | Split)}
    added = {e.edit.region for e in mine if isinstance(e.edit, Add)}
    places = []
    for id, region in left.items():
        was = found.get(id)
        verdict = _verdict(region, was, f"{sha}:{id}" in named, id in drawn, id in added)
        label = SOUND if verdict == "rejected" else (region.label or SOUND)
        places.append(_place(region, verdict, label, was, _last_word(mine, id)))
    for id, region in found.items():
        if id not in left:
            places.append(_place(region, "rejected", SOUND, region, _last_word(mine, id)))
    return sorted(places, key=lambda place: place.region)


def _verdict(region: Region, was: Region | None, judged: bool, drawn: bool, added: bool) -> Verdict:
    """What a place that is still there was to its reviewer."""
    if region.label == SOUND:
        return "rejected"
    if region.label is None or region.unsure or region.novel:
        return "unjudged"
    if was is None:
        return "added" if added else "corrected"
    if region.label != was.label or was.unsure or was.novel:
        return "corrected"
    if drawn:
        return "corrected"
    return "confirmed" if judged else "unjudged"


def _place(region: Region, verdict: Verdict, label: str, was: Region | None, word: Entry | None) -> Place:
    return Place(
        region=region.id,
        verdict=verdict,
        label=label,
        was=None if was is None else was.label,
        rings_px=region.rings_px,
        reviewer="" if word is None else word.person,
        judged_at="" if word is None else word.made_at,
    )


def _last_word(entries: Sequence[Entry], region: str) -> Entry | None:
    """The newest entry that judged the place."""
    for entry in reversed(entries):
        edit = entry.edit
        if isinstance(edit, Confirm) and edit.region in (None, region):
            return entry
        if isinstance(edit, Relabel | Redraw | Add | Delete) and edit.region == region:
            return entry
        if isinstance(edit, Split) and region in (edit.region, edit.into):
            return entry
    return None

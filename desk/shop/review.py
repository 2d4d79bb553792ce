"""Puts review entries on record: each says who, when, on what it was based, and with which model and rules."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.columns import now
from desk.review.edits import Edit, EditError, Entry
from desk.review.history import waiting
from desk.review.places import lasting, place_name, unjudged
from desk.review.reviewed import Reviewed, fits
from desk.shop.assemblies import assembly, in_turn, photographs_of
from desk.shop.desk import Desk
from desk.shop.errors import Contradicted, Invalid, StillOpen, Unjudged
from desk.shop.intake import SIDES
from desk.shop.labels import keep_while_given
from desk.shop.people import Account
from desk.shop.review_entries import SIGN_OFF, after_review, entries_of
from desk.shop.standing import findings_to_review, intake_answers, refresh
from desk.wording import say_places, say_worst_of
from models.repair import Rules, may_worsen
from models.repair.measured import with_measured


@dataclass(frozen=True)
class OnRecord:
    """What became of an entry: its number, whether it waits to be settled, and the review with it."""

    id: int
    conflicting: bool
    review: Reviewed


def review_of(session: Session, desk: Desk, assembly_id: int) -> Reviewed:
    """The review as it stands; Invalid while no photograph is assessed."""
    assembly(session, assembly_id)
    photos = findings_to_review(session, assembly_id).photos
    if not photos:
        raise Invalid("photographs", "expected an assessed photograph to review, got none yet: wait, or photograph it")
    return after_review(session, assembly_id, photos, intake_answers(session, assembly_id, photos), desk.rules)


def newest_entry(session: Session, assembly_id: int) -> int | None:
    """Number of the newest entry that is no blind opinion: what a page shows that it has seen."""
    row = tables.ReviewEntry
    return session.scalar(select(func.max(row.id)).where(row.assembly_id == assembly_id, row.blind.is_(False)))


def put_on_record(
    session: Session, desk: Desk, account: Account, assembly_id: int, edit: Edit, based_on: int | None
) -> OnRecord:
    """Keep an edit. `based_on`: the newest entry its writer had seen.

    One that does not fit is refused (Invalid). One that fits, but was written without knowledge of somebody else's
    newest entry, is kept and waits to be settled.
    """
    in_turn(session, assembly_id)
    label = getattr(edit, "label", None)
    keep_while_given(session, [label])
    known = desk.labels
    if label is not None and label not in known:
        raise Invalid("label", f"expected a label of this desk ({', '.join(known)}), got {label!r}: choose one")
    photos = findings_to_review(session, assembly_id).photos
    _known(session, assembly_id, based_on)
    edit = lasting(edit, photos)
    entries, answers = entries_of(session, assembly_id), intake_answers(session, assembly_id, photos)
    number = (session.scalar(select(func.max(tables.ReviewEntry.id))) or 0) + 1
    new = Entry(
        id=number, person=account.login, made_at=now().isoformat(), based_on=based_on, edit=edit
    )  # the records give the number; this one orders it behind all others
    doubtful = number in waiting([*entries, new])
    try:
        if not doubtful:
            fits(photos, entries, answers, desk.rules, new)
    except EditError as error:
        raise Invalid(edit.kind, str(error)) from error
    row = _row(session, desk, account, assembly_id, edit.kind, edit.model_dump(mode="json", exclude_defaults=False))
    row.based_on_id, row.conflicting = based_on, doubtful
    session.flush()
    refresh(session, desk, assembly_id)
    return OnRecord(row.id, doubtful, review_of(session, desk, assembly_id))


def sign_off(
    session: Session,
    desk: Desk,
    account: Account,
    assembly_id: int,
    based_on: int | None,
    unlooked: Collection[str] = (),
    despite: Collection[str] = (),
) -> int:
    """Confirm the whole decision as it stands; Invalid while a conflict waits or something newer was not seen.

    unlooked : places (`photo hash:region`) that the signer lets stand though nobody judged them. Unjudged where one is
    missing there, and always for a place that is unsure or novel: the rules need its name.
    despite : answers that the photographs contradict, and open questions that may still worsen the route, in the
    review's words, which the signer lets stand. Contradicted or StillOpen where one is missing there.
    """
    in_turn(session, assembly_id)
    review = review_of(session, desk, assembly_id)
    if review.conflicts:
        raise Invalid(
            "sign_off", "expected no entry in conflict, got one: settle it first, with both versions before you"
        )
    if based_on != newest_entry(session, assembly_id):
        raise Invalid("sign_off", "expected a decision you have seen, got a newer one: reload the page and look again")
    left = refuse_unjudged(review, unlooked)
    decided: dict[str, object] = {
        "route": review.after.route,
        "route_worst": review.after.route_worst,
        "unlooked": left,
        "named": named_places(review),
        "unseen_faces": unseen_faces(session, assembly_id, review),
        "contradicted": refuse_contradicted(review, despite),
        "still_open": refuse_still_open(review, desk.rules, despite),
    }
    row = _row(session, desk, account, assembly_id, SIGN_OFF, decided)
    row.based_on_id = based_on
    session.flush()
    refresh(session, desk, assembly_id)
    return row.id


def unseen_faces(session: Session, assembly_id: int, review: Reviewed) -> list[str]:
    """The sides of the assembly, of the two there are, that no photograph shows which could be assessed."""
    usable = {photo.photo.sha256 for photo in review.originals if photo.usable}
    seen = {row.face_now for row in photographs_of(session, assembly_id) if row.sha256 in usable}
    return [face for face in SIDES if face not in seen]


def refuse_unjudged(review: Reviewed, unlooked: Collection[str]) -> list[str]:
    """The places that nobody judged, all of them named in `unlooked`; otherwise Unjudged says which are left."""
    several = len(review.photos) > 1
    left = [(photo, region) for photo, region in unjudged(review.photos, review.judged)]
    unnamed = [(p, r) for p, r in left if r.unsure or r.novel or r.label is None]
    if unnamed:
        raise Unjudged([place_name(p, r.id, several) for p, r in unnamed], must_be_named=True)
    keys = [f"{photo.photo.sha256}:{region.id}" for photo, region in left]
    unseen = [(p, r) for (p, r), key in zip(left, keys, strict=True) if key not in unlooked]
    if unseen:
        raise Unjudged([place_name(p, r.id, several) for p, r in unseen], must_be_named=False)
    return keys


def contradicted_words(review: Reviewed) -> list[str]:
    """Answers on record that the photographs contradict, with places as pages write them."""
    return [say_places(line) for line in review.after.contradicted]


def refuse_contradicted(review: Reviewed, despite: Collection[str]) -> list[str]:
    """The answers that the photographs contradict, all of them named in `despite`; otherwise Contradicted."""
    lines = contradicted_words(review)
    unsaid = [line for line in lines if line not in despite]
    if unsaid:
        raise Contradicted(unsaid)
    return lines


def still_open_words(review: Reviewed, rules: Rules) -> list[str]:
    """The open questions that may still worsen the route, with places as pages write them; empty where none can.

    Where the route may become worse and nothing is asked about it, what it may become stands for a question.
    """
    if review.after.route_worst == review.after.route:
        return []
    answers = with_measured(review.photos, review.answers, review.notes, rules)
    asked = [say_places(question.ask) for question in may_worsen(review.photos, answers, rules)]
    return list(dict.fromkeys(asked)) or [say_worst_of(review.after)]


def refuse_still_open(review: Reviewed, rules: Rules, despite: Collection[str]) -> list[str]:
    """The open questions that may still worsen the route, all of them named in `despite`; otherwise StillOpen."""
    lines = still_open_words(review, rules)
    unsaid = [line for line in lines if line not in despite]
    if unsaid:
        raise StillOpen(unsaid)
    return lines


def named_places(review: Reviewed) -> list[dict[str, object]]:
    """What the model and the people called each place that somebody judged; the figures are counted from it later."""
    seen = {f"{p.photo.sha256}:{r.id}": r for p in review.originals for r in p.regions}
    after = {f"{p.photo.sha256}:{r.id}": r.label for p in review.photos for r in p.regions}
    return [
        {
            "place": place,
            "model": seen[place].label if place in seen else None,
            "unsure": bool(place in seen and (seen[place].unsure or seen[place].novel)),
            "people": after[place],
        }
        for place in review.judged
        if after.get(place) is not None
    ]


def _known(session: Session, assembly_id: int, based_on: int | None) -> None:
    if based_on is None:
        return
    row = session.get(tables.ReviewEntry, based_on)
    if row is None or row.assembly_id != assembly_id:
        raise Invalid("based_on", f"expected an entry of this assembly, got number {based_on}: reload the page")


def _row(
    session: Session, desk: Desk, account: Account, assembly_id: int, kind: str, payload: dict[str, object]
) -> tables.ReviewEntry:
    photos = findings_to_review(session, assembly_id).photos
    models = ", ".join(sorted({photo.model.version for photo in photos}))
    row = tables.ReviewEntry(
        assembly_id=assembly_id, kind=kind, payload=payload, person_id=account.id, model_version=models[:80],
        rules_sha256=desk.rules_sha256,
    )  # fmt: skip
    session.add(row)
    return row

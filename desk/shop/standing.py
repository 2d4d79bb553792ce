"""Where an assembly stands, computed from its rows: state, decision, and how much it matters to look at it soon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.columns import LONG_AGO, now
from desk.review.places import numbered
from desk.shop.assemblies import UNKNOWN_CLASS, assembly, newest_intake, photograph_numbers
from desk.shop.desk import Desk
from desk.shop.joined import joined
from desk.shop.marks import marks_of
from desk.shop.recurrence import days_since_same, earlier_visits
from desk.shop.review_entries import AFTER_REPAIR, SIGN_OFF, after_review
from models.repair import Answers
from vision.findings import Decision, PhotoFindings, RuleResult

STATES = ("photographing", "assessing", "to_review", "reviewed", "ordered", "closed")
STATE_WORDS = {
    "photographing": "to photograph",
    "assessing": "being assessed",
    "to_review": "to review",
    "reviewed": "reviewed",
    "ordered": "ordered",
    "closed": "closed",
}
UNSAFE, UNSURE, NOVEL, NEAR_LIMIT = 8, 4, 2, 1
URGENCY_WORDS = {
    UNSAFE: "unsafe if wrong",
    UNSURE: "unsure",
    NOVEL: "novel damage",
    NEAR_LIMIT: "near a limit",
}


@dataclass(frozen=True)
class Assessed:
    """The newest findings on the photographs of an assembly, and when the newest came."""

    photos: tuple[PhotoFindings, ...]
    newest_at: datetime | None


def refresh(session: Session, desk: Desk, assembly_id: int) -> tables.Standing:
    """Compute the standing anew from the assembly's rows and keep it for the queue and the list."""
    held = newest_intake(session, assembly_id)
    assessed = findings_to_review(session, assembly_id)
    answers = intake_answers(session, assembly_id, assessed.photos)
    if not assessed.photos:
        return keep(session, assembly_id, held, assessed, None)
    review = after_review(session, assembly_id, assessed.photos, answers, desk.rules)
    return keep(session, assembly_id, held, Assessed(tuple(review.photos), assessed.newest_at), review.after)


def refresh_old(desk: Desk, most: int = 20) -> int:
    """Compute some of the standings anew that a migration left to be made again; how many."""
    with desk.database.write() as session:
        table = tables.Standing
        found = session.scalars(select(table.assembly_id).where(table.made_at == LONG_AGO).limit(most)).all()
        for assembly_id in found:
            refresh(session, desk, assembly_id)
    return len(found)


def keep(
    session: Session, assembly_id: int, held: tables.Intake, assessed: Assessed, decision: Decision | None
) -> tables.Standing:
    """Write the row of the queue: the photographs' findings (as they are after a review) and the decision on them."""
    opened = assembly(session, assembly_id)
    count, since = _photographs(session, assembly_id)
    labels = damage_labels(assessed.photos)
    values: dict[str, Any] = {
        "state": state_of(session, assembly_id, count, assessed),
        "shop_order": opened.shop_order,
        "vehicle": held.vehicle,
        "search": f"{opened.shop_order} {held.vehicle} {held.customer_says}".casefold()[:400],
        "label": labels[0] if labels else None,
        "labels": labels,
        "marks": {
            "all": marks_of(assessed.photos),
            "photographs": {photo.photo.sha256: marks_of([photo]) for photo in assessed.photos},
            "unreferred": decision.route_worst_unreferred if decision else None,
        },
        "route": decision.route if decision else None,
        "route_worst": decision.route_worst if decision else None,
        "urgency": urgency(assessed.photos, decision) if decision else 0,
        "questions": len(decision.open_questions) if decision else 0,
        "photographs": count,
        "decision": decision.model_dump(mode="json") if decision else None,
        "waiting_since": since or opened.made_at,
        "opened_at": opened.made_at,
        "made_at": now(),
    }
    row = session.get(tables.Standing, assembly_id)
    if row is None:
        row = tables.Standing(assembly_id=assembly_id, **values)
        session.add(row)
    else:
        for name, value in values.items():
            setattr(row, name, value)
    session.flush()
    return row


def findings_to_review(
    session: Session, assembly_id: int, after_repair: bool = False, since: datetime = LONG_AGO
) -> Assessed:
    """The newest findings, joined, each photograph named by its number in the assembly, as the desk speaks of it."""
    found = newest_findings(session, assembly_id, after_repair, since)
    return Assessed(joined(numbered(found.photos, photograph_numbers(session, assembly_id))), found.newest_at)


def newest_findings(
    session: Session, assembly_id: int, after_repair: bool = False, since: datetime = LONG_AGO
) -> Assessed:
    """The newest assessment of each photograph that was assessed: those before the repair, or those after it.

    Only photographs received later than `since` count, and none that was taken back.
    """
    photograph, assessment = tables.Photograph, tables.Assessment
    newest = (
        select(func.max(assessment.id))
        .select_from(assessment)
        .join(photograph, photograph.id == assessment.photograph_id)
        .where(
            photograph.assembly_id == assembly_id,
            (photograph.face_now == AFTER_REPAIR) == after_repair,
            photograph.counts,
            photograph.made_at > since,
        )
        .group_by(assessment.photograph_id)
    )
    rows = session.execute(
        select(assessment.findings, assessment.made_at)
        .where(assessment.id.in_(newest))
        .order_by(assessment.photograph_id)
    ).all()
    found = tuple(PhotoFindings.model_validate(row.findings) for row in rows)
    return Assessed(found, max((row.made_at for row in rows), default=None))


def intake_answers(session: Session, assembly_id: int, photos: Sequence[PhotoFindings]) -> Answers:
    """What the intake answered: the circuit class, and days since the same damage on the same vehicle."""
    held = newest_intake(session, assembly_id)
    visits = earlier_visits(session, held.vehicle, assembly(session, assembly_id).made_at, assembly_id)
    return Answers(
        circuit_class=None if held.circuit_class == UNKNOWN_CLASS else held.circuit_class,
        same_damage_days=days_since_same(visits, damage_labels(photos)),
    )


def damage_labels(photos: Sequence[PhotoFindings]) -> list[str]:
    """Labels of the assembly: those that lead a photograph first; `sound` only where nothing else was found."""
    leading = [photo.label for photo in photos if photo.label] + [label for photo in photos for label in photo.labels]
    found = list(dict.fromkeys(leading))
    return [label for label in found if label != "sound"] or found


def state_of(session: Session, assembly_id: int, photographs: int, assessed: Assessed) -> str:
    """The state by the newest paper, the newest sign-off, and the jobs that still run."""
    paper = tables.Paper
    kinds = set(session.scalars(select(paper.kind).where(paper.assembly_id == assembly_id)))
    for kind, state in (("closing", "closed"), ("order", "ordered")):
        if kind in kinds:
            return state
    if photographs == 0:
        return "photographing"
    job, photograph = tables.Job, tables.Photograph
    running = session.scalar(
        select(func.count())
        .select_from(job)
        .join(photograph, photograph.id == job.photograph_id)
        .where(photograph.assembly_id == assembly_id, photograph.counts, job.state.in_(("queued", "running")))
    )
    if running:
        return "assessing"
    if signed_off(session, assembly_id, assessed):
        return "reviewed"
    return "to_review" if assessed.photos else "photographing"


def signed_off(session: Session, assembly_id: int, assessed: Assessed) -> bool:
    """Whether the newest word on the assembly is a sign-off: no later assessment, and no later edit."""
    newest = newest_word(session, assembly_id)
    if newest is None or newest.kind != SIGN_OFF or newest.conflicting:
        return False
    return assessed.newest_at is None or newest.made_at >= assessed.newest_at


def newest_word(session: Session, assembly_id: int) -> tables.ReviewEntry | None:
    """What was said last of an assembly, blind second opinions left out."""
    entry = tables.ReviewEntry
    return session.scalar(
        select(entry).where(entry.assembly_id == assembly_id, entry.blind.is_(False)).order_by(entry.id.desc()).limit(1)
    )


def urgency(photos: Sequence[PhotoFindings], decision: Decision) -> int:
    """How much it matters to look: the sum of what holds, each weighing more than all below it together.

    Unsafe if wrong: back to service on the model's word, or a repair that may yet be worse. Nothing else is
    released on it: remanufacture and referral are the careful answers, and what is undecided waits.
    """
    graver = decision.route_worst != decision.route
    unsafe = decision.route == "return_to_service" or (decision.route == "repair_in_vehicle" and graver)
    unsure = any(photo.unsure or any(r.unsure for r in photo.regions) for photo in photos)
    novel = any(photo.novel or any(r.novel for r in photo.regions) for photo in photos)
    near = any(is_near_limit(rule) for rule in decision.rules)
    return UNSAFE * unsafe + UNSURE * unsure + NOVEL * novel + NEAR_LIMIT * near


def is_near_limit(rule: RuleResult) -> bool:
    """Whether the measure lies within twice its uncertainty of the limit."""
    if rule.measured is None or rule.limit is None or rule.verdict == "not_applicable" or rule.measured.u95 == 0:
        return False
    return abs(rule.measured.value - rule.limit) <= 2 * rule.measured.u95


def urgency_words(value: int) -> list[str]:
    """The reasons in an urgency, gravest first."""
    return [word for weight, word in URGENCY_WORDS.items() if value & weight]


def _photographs(session: Session, assembly_id: int) -> tuple[int, datetime | None]:
    photograph = tables.Photograph
    row = session.execute(
        select(func.count(), func.min(photograph.made_at)).where(
            photograph.assembly_id == assembly_id, photograph.counts
        )
    ).one()
    return row[0], row[1]

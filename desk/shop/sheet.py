"""Everything the desk knows of one assembly, gathered for its page and for the API."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.errors import NotFound
from desk.shop.assemblies import UNKNOWN_CLASS, assembly, newest_intake, photographs_of
from desk.shop.intake import FACES
from desk.shop.marks import Mark
from desk.shop.putting_right import PutRight, put_right
from desk.shop.recurrence import Earlier, earlier_visits
from desk.shop.review_entries import AFTER_REPAIR
from models.repair.assembly import shows_none
from models.repair.texts import cautions_for
from vision.findings import Decision, PhotoFindings, Retake

_RODENT_WORDS = ("rodent", "mouse", "mice", "rat ", "rats", "marten", "squirrel", "gnaw", "chew", "nest", "dropping")


@dataclass(frozen=True)
class PhotographSheet:
    """One photograph: its row and number, what was answered at once, how far its assessment is, what it shows.

    `why_back`: why it was taken back, where it was; `shows_none`: it was assessed, and nobody sees an assembly on it.
    """

    row: tables.Photograph
    usable: bool | None
    retake: tuple[Retake, ...]
    job_state: str | None
    job_error: str | None
    label: str | None
    number: int
    marks: tuple[Mark, ...]
    model: str | None
    why_back: str | None
    shows_none: bool


@dataclass(frozen=True)
class AssemblySheet:
    """One assembly as its page shows it."""

    assembly: tables.Assembly
    intake: tables.Intake
    standing: tables.Standing | None
    decision: Decision | None
    photographs: tuple[PhotographSheet, ...]
    earlier: tuple[Earlier, ...]
    cautions: tuple[str, ...]
    made_by: str
    put_right: tuple[PutRight, ...]

    @property
    def models(self) -> list[str]:
        """The models that assessed the damaged assembly; several where one was put into use in between."""
        mine = [one for one in self.photographs if one.row.counts and one.row.face_now != AFTER_REPAIR]
        return sorted({one.model for one in mine if one.model})

    @property
    def shows_none(self) -> bool:
        """Whether no photograph of the damage shows an assembly at all."""
        mine = [one for one in self.photographs if one.row.counts and one.row.face_now != AFTER_REPAIR]
        return bool(mine) and all(one.shows_none for one in mine)

    @property
    def missing_faces(self) -> list[str]:
        """The faces asked for that no usable photograph shows yet."""
        there = {item.row.face_now for item in self.photographs if _may_show(item)}
        return [face for face in FACES[:3] if face not in there]


def sheet_of(session: Session, assembly_id: int) -> AssemblySheet:
    """Gather an assembly's sheet; NotFound for a number that leads to none."""
    row, held = assembly(session, assembly_id), newest_intake(session, assembly_id)
    standing = session.get(tables.Standing, assembly_id)
    decided = standing.decision if standing is not None else None
    decision = Decision.model_validate(decided) if decided else None
    marks = standing.marks["photographs"] if standing is not None else {}
    earlier = tuple(earlier_visits(session, held.vehicle, row.made_at, assembly_id))
    return AssemblySheet(
        row, held, standing, decision, _photographs(session, assembly_id, marks), earlier,
        cautions_at_intake(held, decision), session.get_one(tables.Person, row.made_by).name,
        tuple(put_right(session, assembly_id)),
    )  # fmt: skip


def cautions_at_intake(held: tables.Intake, decision: Decision | None) -> tuple[str, ...]:
    """What to mind before the assembly is touched: by the circuit class, by what was said, by what was found."""
    said = f"{held.customer_says} ".casefold()
    labels = {"rodent"} if any(word in said for word in _RODENT_WORDS) else set()
    known = None if held.circuit_class == UNKNOWN_CLASS else held.circuit_class
    found = cautions_for(labels, known, handled=True)
    return tuple(dict.fromkeys([*found[1:], *(decision.cautions if decision else []), found[0]]))


def _photographs(
    session: Session, assembly_id: int, marks: Mapping[str, Sequence[Mark]]
) -> tuple[PhotographSheet, ...]:
    rows = photographs_of(session, assembly_id)
    ids = [row.id for row in rows]
    first_answer = tables.FirstAnswer
    answers = {
        row.photograph_id: row
        for row in session.scalars(select(first_answer).where(first_answer.photograph_id.in_(ids)))
    }
    job, assessment = tables.Job, tables.Assessment
    newest_job = select(func.max(job.id)).where(job.photograph_id.in_(ids)).group_by(job.photograph_id)
    jobs = {row.photograph_id: row for row in session.scalars(select(job).where(job.id.in_(newest_job)))}
    newest = select(func.max(assessment.id)).where(assessment.photograph_id.in_(ids)).group_by(assessment.photograph_id)
    found = {row.photograph_id: row for row in session.scalars(select(assessment).where(assessment.id.in_(newest)))}
    change = tables.PhotographChange
    newest_change = select(func.max(change.id)).where(change.photograph_id.in_(ids)).group_by(change.photograph_id)
    changes = {row.photograph_id: row for row in session.scalars(select(change).where(change.id.in_(newest_change)))}
    sheets = []
    for number, row in enumerate(rows, 1):
        first, running, assessed = answers.get(row.id), jobs.get(row.id), found.get(row.id)
        retake = tuple(Retake.model_validate(item) for item in first.retake) if first else ()
        sheets.append(
            PhotographSheet(
                row,
                first.usable if first else None,
                retake,
                running.state if running else None,
                running.error if running else None,
                assessed.label if assessed else None,
                number,
                tuple(marks.get(row.sha256, ())),
                assessed.model_version if assessed else None,
                None if row.counts else changes[row.id].why,
                assessed is not None
                and assessed.label is None
                and not marks.get(row.sha256)  # what a review named is there
                and shows_none(_findings(assessed)),
            )
        )
    return tuple(sheets)


def _may_show(item: PhotographSheet) -> bool:
    """Whether a photograph shows its face of the assembly, or may still turn out to."""
    return item.row.counts and item.usable is not False and not item.shows_none


def _findings(row: tables.Assessment) -> PhotoFindings:
    return PhotoFindings.model_validate(row.findings)


def photograph(session: Session, photograph_id: int) -> tables.Photograph:
    """One photograph's row; NotFound for a number that leads to none."""
    row = session.get(tables.Photograph, photograph_id) if 0 < photograph_id < 2**31 else None
    if row is None:
        raise NotFound(f"expected a photograph of this shop, got number {photograph_id}: open it from its assembly")
    return row

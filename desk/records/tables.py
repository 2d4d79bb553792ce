"""The tables of the shop's records.

Rows of assemblies, photographs, assessments, entries and papers are only ever
added. What changes in place: accounts and sessions, states of jobs and learning runs, the shop order of an assembly
(its intake rows keep each that was said), and `standing`, which is computed from the other rows and can be thrown away
and made again.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
    func,
    select,
    true,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, column_property, mapped_column

from desk.records.columns import Moment, now

# Constraints have names on every database, so that a later migration can change them.
NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Table(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map = {datetime: Moment, dict[str, Any]: JSON, list[Any]: JSON}  # noqa: RUF012  SQLAlchemy's own


class Person(Table):
    """An account. `roles` are separated by commas; without a password nobody can sign in to it yet."""

    __tablename__ = "person"
    id: Mapped[int] = mapped_column(primary_key=True)
    login: Mapped[str] = mapped_column(String(80), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    roles: Mapped[str] = mapped_column(String(120))
    password_hash: Mapped[str | None] = mapped_column(String(255))
    active: Mapped[bool] = mapped_column(Boolean, default=True)
    unit: Mapped[str] = mapped_column(String(4), default="mm")
    theme: Mapped[str] = mapped_column(String(8), default="auto")
    made_at: Mapped[datetime] = mapped_column(default=now)


class PersonEvent(Table):
    """What happened to an account and who did it: made, roles changed, locked, password set. Only added."""

    __tablename__ = "person_event"
    id: Mapped[int] = mapped_column(primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    event: Mapped[str] = mapped_column(String(40))
    detail: Mapped[str] = mapped_column(Text, default="")
    made_at: Mapped[datetime] = mapped_column(default=now)


class SignInFailure(Table):
    """A failed attempt to sign in, by the name tried and the address it came from; the lock-out counts them."""

    __tablename__ = "sign_in_failure"
    id: Mapped[int] = mapped_column(primary_key=True)
    login: Mapped[str] = mapped_column(String(80))
    address: Mapped[str] = mapped_column(String(64))
    made_at: Mapped[datetime] = mapped_column(default=now)
    __table_args__ = (Index(None, "login", "made_at"), Index(None, "address", "made_at"))


class Session(Table):
    """A person signed in: a browser (cookie, with its CSRF token) or a program (bearer token). Only hashes are kept."""

    __tablename__ = "session"
    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    kind: Mapped[str] = mapped_column(String(8), default="browser")
    note: Mapped[str] = mapped_column(String(80), default="")
    made_at: Mapped[datetime] = mapped_column(default=now)
    seen_at: Mapped[datetime] = mapped_column(default=now)
    ends_at: Mapped[datetime]


class OneTimeLink(Table):
    """A link that works once: the first set-up (no person yet), or a person's own setting of a password."""

    __tablename__ = "one_time_link"
    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    made_at: Mapped[datetime] = mapped_column(default=now)
    ends_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class Assembly(Table):
    """One wiring assembly under the number of its shop order; what is known of it lies in `intake` rows."""

    __tablename__ = "assembly"
    id: Mapped[int] = mapped_column(primary_key=True)
    shop_order: Mapped[str] = mapped_column(String(60))
    shop_order_key: Mapped[str] = mapped_column(String(60), unique=True)
    made_at: Mapped[datetime] = mapped_column(default=now)
    made_by: Mapped[int] = mapped_column(ForeignKey("person.id"))


class Intake(Table):
    """What was said at the counter; a correction is another row, and the newest one holds."""

    __tablename__ = "intake"
    id: Mapped[int] = mapped_column(primary_key=True)
    assembly_id: Mapped[int] = mapped_column(ForeignKey("assembly.id"), index=True)
    shop_order: Mapped[str] = mapped_column(String(60), server_default="")
    vehicle: Mapped[str] = mapped_column(String(80))
    vehicle_key: Mapped[str] = mapped_column(String(80), index=True)
    customer_says: Mapped[str] = mapped_column(Text, default="")
    circuit_class: Mapped[str] = mapped_column(String(24))
    circuit_list: Mapped[bytes | None] = mapped_column(LargeBinary, deferred=True)
    circuit_list_name: Mapped[str | None] = mapped_column(String(200))
    mats: Mapped[int] = mapped_column(Integer, default=1)
    made_at: Mapped[datetime] = mapped_column(default=now)
    made_by: Mapped[int] = mapped_column(ForeignKey("person.id"))


class PhotographChange(Table):
    """What intake put right of a photograph: under which face it stands from then on, and whether it counts. `was`: the
    face before; `reopens`: it sent a signed-off decision back to review. Only added; the newest one holds."""

    __tablename__ = "photograph_change"
    id: Mapped[int] = mapped_column(primary_key=True)
    photograph_id: Mapped[int] = mapped_column(ForeignKey("photograph.id"), index=True)
    was: Mapped[str] = mapped_column(String(16))
    face: Mapped[str] = mapped_column(String(16))
    counts: Mapped[bool]
    why: Mapped[str] = mapped_column(Text, default="")
    reopens: Mapped[bool]
    made_at: Mapped[datetime] = mapped_column(default=now)
    made_by: Mapped[int] = mapped_column(ForeignKey("person.id"))


class Photograph(Table):
    """A photograph of an assembly; its bytes lie in the photograph store under their hash.

    `face`: as it was sent; `face_now` and `counts`: as it stands after what was put right. One that does not count was
    taken back.
    """

    __tablename__ = "photograph"
    id: Mapped[int] = mapped_column(primary_key=True)
    assembly_id: Mapped[int] = mapped_column(ForeignKey("assembly.id"))
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    suffix: Mapped[str] = mapped_column(String(8))
    name: Mapped[str] = mapped_column(String(200))
    face: Mapped[str] = mapped_column(String(16))
    size_bytes: Mapped[int]
    width_px: Mapped[int]
    height_px: Mapped[int]
    taken_at: Mapped[str | None] = mapped_column(String(32))
    made_at: Mapped[datetime] = mapped_column(default=now)
    made_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    face_now: Mapped[str] = column_property(
        func.coalesce(
            select(PhotographChange.face)
            .where(PhotographChange.photograph_id == id)
            .order_by(PhotographChange.id.desc())
            .limit(1)
            .correlate_except(PhotographChange)
            .scalar_subquery(),
            face,
        )
    )
    counts: Mapped[bool] = column_property(
        func.coalesce(
            select(PhotographChange.counts)
            .where(PhotographChange.photograph_id == id)
            .order_by(PhotographChange.id.desc())
            .limit(1)
            .correlate_except(PhotographChange)
            .scalar_subquery(),
            true(),
        )
    )
    __table_args__ = (UniqueConstraint("assembly_id", "sha256"),)


class FirstAnswer(Table):
    """What was answered at once to a photograph: usable, or what to do for the retake."""

    __tablename__ = "first_answer"
    photograph_id: Mapped[int] = mapped_column(ForeignKey("photograph.id"), primary_key=True)
    usable: Mapped[bool]
    retake: Mapped[list[Any]]
    mat_found: Mapped[bool]
    made_at: Mapped[datetime] = mapped_column(default=now)


class Job(Table):
    """An assessment to be made by the worker. `state`: queued, running, done or failed."""

    __tablename__ = "job"
    id: Mapped[int] = mapped_column(primary_key=True)
    photograph_id: Mapped[int] = mapped_column(ForeignKey("photograph.id"), index=True)
    state: Mapped[str] = mapped_column(String(8), default="queued")
    worker: Mapped[str | None] = mapped_column(String(40))
    attempts: Mapped[int] = mapped_column(default=0)
    error: Mapped[str | None] = mapped_column(Text)
    made_at: Mapped[datetime] = mapped_column(default=now)
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    __table_args__ = (Index(None, "state", "id"),)


class LearningRun(Table):
    """Long work that an analyst asked for: a snapshot, a training, a comparison, answers of another model.

    `asked`: its settings; `state`: queued, running, done, failed or stopped; `progress`: how far its steps are;
    `outcome`: what came of it, small enough for a page.
    """

    __tablename__ = "learning_run"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(16))
    asked: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(8), default="queued")
    worker: Mapped[str | None] = mapped_column(String(40))
    attempts: Mapped[int] = mapped_column(default=0)
    progress: Mapped[dict[str, Any] | None]
    outcome: Mapped[dict[str, Any] | None] = mapped_column(deferred=True)
    error: Mapped[str | None] = mapped_column(Text)
    made_at: Mapped[datetime] = mapped_column(default=now)
    made_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    __table_args__ = (Index(None, "state", "id"),)


class Assessment(Table):
    """The findings on one photograph (the contract's JSON), and which model, features and rules made them.

    `unsure`: of the photograph or of one of its places.
    """

    __tablename__ = "assessment"
    id: Mapped[int] = mapped_column(primary_key=True)
    photograph_id: Mapped[int] = mapped_column(ForeignKey("photograph.id"), index=True)
    findings: Mapped[dict[str, Any]] = mapped_column(deferred=True)
    label: Mapped[str | None] = mapped_column(String(40))
    unsure: Mapped[bool] = mapped_column(default=False)
    model_version: Mapped[str] = mapped_column(String(80))
    feature_version: Mapped[str] = mapped_column(String(40))
    rules_sha256: Mapped[str] = mapped_column(String(64))
    seconds: Mapped[float]
    made_at: Mapped[datetime] = mapped_column(default=now)


class ReviewEntry(Table):
    """One answer of a person on an assembly. `based_on_id`: the newest entry that person had seen when answering."""

    __tablename__ = "review_entry"
    id: Mapped[int] = mapped_column(primary_key=True)
    assembly_id: Mapped[int] = mapped_column(ForeignKey("assembly.id"))
    kind: Mapped[str] = mapped_column(String(24))
    payload: Mapped[dict[str, Any]]
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    made_at: Mapped[datetime] = mapped_column(default=now)
    based_on_id: Mapped[int | None] = mapped_column(ForeignKey("review_entry.id"))
    conflicting: Mapped[bool] = mapped_column(default=False)
    blind: Mapped[bool] = mapped_column(default=False)
    model_version: Mapped[str] = mapped_column(String(80))
    rules_sha256: Mapped[str] = mapped_column(String(64))
    __table_args__ = (Index(None, "assembly_id", "id"),)


class Paper(Table):
    """A quote, an approval, an order or a closing of an assembly, as data. `follows_id`: the paper it answers.

    `number`: what people call it by, counted among papers of its kind; what came before this was counted is called by
    its id.
    """

    __tablename__ = "paper"
    id: Mapped[int] = mapped_column(primary_key=True)
    assembly_id: Mapped[int] = mapped_column(ForeignKey("assembly.id"))
    kind: Mapped[str] = mapped_column(String(16))
    number: Mapped[int] = mapped_column(server_default="0")
    payload: Mapped[dict[str, Any]] = mapped_column(deferred=True)
    follows_id: Mapped[int | None] = mapped_column(ForeignKey("paper.id"))
    made_at: Mapped[datetime] = mapped_column(default=now)
    made_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    __table_args__ = (Index(None, "assembly_id", "kind", "id"), Index(None, "kind", "number", unique=True))


class Standing(Table):
    """Where an assembly stands, computed from its rows for the queue and the list; made again at any time.

    `marks`: what is shown of its damage, `all` together and for each of the `photographs` by hash,
    and `unreferred`, the worst route while the circuit class is open and may refer it (else None).
    """

    __tablename__ = "standing"
    assembly_id: Mapped[int] = mapped_column(ForeignKey("assembly.id"), primary_key=True)
    state: Mapped[str] = mapped_column(String(16))
    shop_order: Mapped[str] = mapped_column(String(60))
    vehicle: Mapped[str] = mapped_column(String(80))
    search: Mapped[str] = mapped_column(String(400))
    label: Mapped[str | None] = mapped_column(String(40))
    labels: Mapped[list[Any]]
    marks: Mapped[dict[str, Any]]
    route: Mapped[str | None] = mapped_column(String(24))
    route_worst: Mapped[str | None] = mapped_column(String(24))
    urgency: Mapped[int] = mapped_column(default=0)
    questions: Mapped[int] = mapped_column(default=0)
    photographs: Mapped[int] = mapped_column(default=0)
    decision: Mapped[dict[str, Any] | None] = mapped_column(deferred=True)
    waiting_since: Mapped[datetime]
    opened_at: Mapped[datetime]
    made_at: Mapped[datetime] = mapped_column(default=now)
    __table_args__ = (
        Index("ix_standing_queue", "state", "urgency", "waiting_since", "assembly_id"),
        Index("ix_standing_opened", "opened_at", "assembly_id"),
        Index("ix_standing_label", "label", "opened_at"),
        Index("ix_standing_route", "route", "opened_at"),
    )

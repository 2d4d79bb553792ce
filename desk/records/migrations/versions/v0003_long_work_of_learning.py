"""Trainings, comparisons and answers of other models wait in a line of their own."""

import sqlalchemy as sa
from alembic import op

from desk.records.columns import Moment

revision = "v0003"
down_revision = "v0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "learning_run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("worker", sa.String(length=40), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("progress", sa.JSON(), nullable=True),
        sa.Column("outcome", sa.JSON(), nullable=True),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("made_at", Moment(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.Column("started_at", Moment(timezone=True), nullable=True),
        sa.Column("ended_at", Moment(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name=op.f("fk_learning_run_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_learning_run")),
    )
    with op.batch_alter_table("learning_run", schema=None) as batch:
        batch.create_index(batch.f("ix_learning_run_state_id"), ["state", "id"], unique=False)

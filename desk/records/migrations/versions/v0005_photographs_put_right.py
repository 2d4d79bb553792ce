"""Photographs are moved to another face or taken back; each intake keeps the shop order that was said."""

import sqlalchemy as sa
from alembic import op

from desk.records.columns import Moment

revision = "v0005"
down_revision = "v0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "photograph_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photograph_id", sa.Integer(), nullable=False),
        sa.Column("was", sa.String(length=16), nullable=False),
        sa.Column("face", sa.String(length=16), nullable=False),
        sa.Column("counts", sa.Boolean(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("reopens", sa.Boolean(), nullable=False),
        sa.Column("made_at", Moment(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name=op.f("fk_photograph_change_made_by")),
        sa.ForeignKeyConstraint(["photograph_id"], ["photograph.id"], name=op.f("fk_photograph_change_photograph_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photograph_change")),
    )
    op.create_index(op.f("ix_photograph_change_photograph_id"), "photograph_change", ["photograph_id"], unique=False)
    op.add_column("intake", sa.Column("shop_order", sa.String(length=60), nullable=False, server_default=""))
    intake = sa.table("intake", sa.column("assembly_id", sa.Integer), sa.column("shop_order", sa.String))
    assembly = sa.table("assembly", sa.column("id", sa.Integer), sa.column("shop_order", sa.String))
    said = sa.select(assembly.c.shop_order).where(assembly.c.id == intake.c.assembly_id).scalar_subquery()
    op.execute(sa.update(intake).values(shop_order=said))
